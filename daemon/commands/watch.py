"""`witnesspost watch SITE`: the service in the foreground; systemd runs this."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Iterable
from pathlib import Path

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.clock import Clock
from witnesspost.daemon.host.journal import Journal
from witnesspost.daemon.lines import clock_text, json_line, line
from witnesspost.daemon.log.folder import LogBusy
from witnesspost.daemon.post import Post
from witnesspost.daemon.service import Companion, Service
from witnesspost.daemon.stream.ports import in_short
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import FIGURES, open_whole_site
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.model import Site, SiteError
from witnesspost.rules.site.salvage import salvage


class Terminal:
    """The service's companion on the terminal: a line a change, and a line when a port comes or goes."""

    def __init__(self, as_json: bool):
        self._as_json = as_json
        self._ports: dict[str, tuple[str, str]] = {}

    def changed(self, changes: list[Change]) -> None:
        """Print them at once."""
        for change in changes:
            say(json_line(change) if self._as_json else line(change), err=False)

    def turn(self, service: Service, t: float) -> Iterable[Fact]:
        """Say which ports changed, on stderr, so that stdout carries alerts alone."""
        for reader in service.readers:
            state = (reader.state, reader.reason)
            if reader.tried.is_set() and self._ports.get(reader.stream.name) != state:
                self._ports[reader.stream.name] = state
                reason = f": {reader.reason}" if reader.reason else ""
                words = f"{reader.stream.name} ({reader.stream.port}) {reader.state}{reason}"
                say(f"{clock_text(t, None)} port  {words}")
        return ()

    def close(self) -> None:
        """Nothing to let go of."""


@click.command()
@click.argument("site_file", metavar="SITE")
@click.option("--json", "as_json", is_flag=True, help="Print each change of an alert as one JSON object a line.")
@click.option(
    "--keep-bytes",
    is_flag=True,
    help="Where SITE is wrong, log raw bytes from the ports that can be read of it instead of stopping.",
)
def watch(site_file: str, as_json: bool, keep_bytes: bool) -> None:
    """Watch the ports of SITE (a site file): log every byte, judge, alert.

    Runs until SIGTERM, a hang-up or Ctrl-C and then closes the log. Alerts go to stdout, a line each; ports that come and
    go are said on stderr. Ports that are not there yet are waited for.
    """
    faults: list[str] = []
    try:
        site = open_whole_site(site_file)
    except SiteError as error:
        if not keep_bytes:
            raise Unusable(str(error)) from None
        faults = str(error).splitlines()
        site = salvage(site_file, FIGURES)
    if not keep_bytes:
        refuse_where_no_port_may_be_opened(site)
    clock = Clock()
    journal = Journal() if Journal.is_ours() else None
    # Under the service manager stdout is the journal, which hears of alerts with their fields from the post itself.
    companions: list[Companion] = [] if journal else [Terminal(as_json)]
    try:
        service = Service(site, text_of(site_file), companions, clock)
    except LogBusy as error:
        raise Unusable(str(error)) from None
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: service.stop())
    companions.insert(0, Post(site, clock, say, faults=faults, journal=journal))
    path = service.log.state().path
    say(f"{clock_text(0.0, None)} log   {path or 'waits for the disk'}")
    service.run()
    say(f"{clock_text(clock(), None)} log   {path or 'none'} closed")


def say(text: str, err: bool = True) -> None:
    """A line for whoever still looks: a terminal that is gone must not end the watch."""
    with contextlib.suppress(OSError):
        click.echo(text, err=err)


def text_of(site_file: str) -> str:
    """The site file's text for the log, empty where it cannot be read."""
    try:
        return Path(site_file).read_text(errors="replace")
    except OSError:
        return ""


def refuse_where_no_port_may_be_opened(site: Site) -> None:
    """Exit where every port is there and none may be opened: waiting would not help."""
    locked = []
    for stream in site.stream:
        if not (stream.port.startswith("/") and os.path.exists(stream.port)) or os.access(stream.port, os.R_OK | os.W_OK):
            return
        locked.append(f"{stream.name} ({stream.port}): {in_short(PermissionError(13, ''), stream.port)}")
    raise Unusable(f"{site.path}: no port may be opened: {'; '.join(locked)}, then log in again")
