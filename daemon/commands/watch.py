"""`witnesspost watch SITE`: the service in the foreground; systemd runs this."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import IO

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.host.abort import on_abort
from witnesspost.daemon.host.health import HealthTeller, count_start
from witnesspost.daemon.host.journal import Journal, JournalSocket
from witnesspost.daemon.host.mending import Mending
from witnesspost.daemon.host.notify import ServiceManager
from witnesspost.daemon.host.places import log_folder, run_folder
from witnesspost.daemon.host.terminal import Lines, Terminal
from witnesspost.daemon.log.folder import LogBusy
from witnesspost.daemon.log.succession import program
from witnesspost.daemon.service import Service
from witnesspost.daemon.signals.panel import Known, Panel
from witnesspost.daemon.status.morning import Morning
from witnesspost.daemon.status.server import StatusServer
from witnesspost.daemon.status.snapshot import Status
from witnesspost.daemon.stream.ports import in_short
from witnesspost.daemon.supervisor import Lost, Maker
from witnesspost.rules.book.contents import FIGURES, open_whole_site
from witnesspost.rules.language.speech import Speech
from witnesspost.rules.site.file import NotReadable, bytes_of
from witnesspost.rules.site.model import Site, SiteError
from witnesspost.rules.site.salvage import salvage

LAST_WORD_S = 0.5
ABORT_S = 2.0  # for one sync of a slow card


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
    run = run_folder()
    mark = run / f"{site.post.name}.sounded" if run is not None and run.is_dir() else None
    try:
        around = companions(site, faults, as_json)
        service = Service(site, text_of(site_file), log_folder(site), around, faulty=bool(faults), mark=mark)
    except LogBusy as error:
        raise Unusable(str(error)) from None
    # A watch that hangs is ended by SIGABRT: then the journal says where it hung, and the log has what came until then.
    on_abort(lambda: service.cut_off(ABORT_S), 2 * ABORT_S)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: service.stop())
    try:
        parting = service.run()
    except Lost as error:
        _last_word(Speech.known(site.post.language).phrase(f"the watch ends, its log closed: {error}"))
        raise SystemExit(1) from None
    for words in parting:
        _last_word(Speech.known(site.post.language).phrase(words))
    if service.log.loss is not None:  # said already, by whoever lives around the watch
        raise SystemExit(2)


def companions(site: Site, faults: list[str], as_json: bool) -> list[Maker]:
    """What lives around the watch of `site`, what shows and sounds first. `faults` are the site file's."""
    folder = run_folder()
    restarts = count_start(folder / f"{site.post.name}.starts") if folder and folder.is_dir() else None
    known = Known()
    speech = Speech.known(site.post.language)
    makers: list[Maker] = [
        lambda: Panel(site, known),
        ServiceManager,
        # Under the service manager stdout is the journal, which hears of alerts with their fields.
        (lambda: Journal(zone=site.post.zone, speech=speech))
        if JournalSocket.is_ours()
        else lambda: Terminal(as_json, zone=site.post.zone, speech=speech),
        lambda: HealthTeller(log_folder(site), restarts),
        lambda: Morning(site.post.zone, speech),
    ]
    if folder is not None:
        makers.append(lambda: StatusServer(folder / f"{site.post.name}.sock"))
    if site.page is not None:
        from witnesspost.daemon.page.gate import Gate  # with all that serves: only where it is asked for
        from witnesspost.daemon.page.page import Page

        table, gate = site.page, Gate(site.page.pin)
        makers.append(lambda: Page(site, table, gate, write_running_bundle))
    if site.office is not None:
        from witnesspost.daemon.publish.publish import Publish  # with all that sends: only where it is asked for

        office = site.office
        makers.append(lambda: Publish(site, office, log_folder(site), program()))
    if faults:
        makers.append(lambda: Mending(site.path, faults, lambda: usable(site.path)))
    return makers


def write_running_bundle(out: IO[bytes], status: Status, room: Path, progress: Callable[[float], None]) -> None:
    """For the page: what `witnesspost bundle` writes."""
    from witnesspost.daemon.bundle import write_bundle  # only when somebody asks for it
    from witnesspost.daemon.commands.status import screenful

    write_bundle(out, status, text_of(status.site), screenful(status, system=system_utc()), room=room, progress=progress)


def usable(site_file: str) -> bool:
    """True if nothing is wrong with the site file now."""
    try:
        open_whole_site(site_file)
    except SiteError:
        return False
    return True


def _last_word(words: str) -> None:
    """A line for whoever still looks; a terminal that nobody reads must not hold up the end."""
    lines = Lines(2, "standard error")
    lines.put(words)
    lines.close()
    lines.join(LAST_WORD_S)


def text_of(site_file: str) -> str:
    """The site file's text for the log, empty where it cannot be read."""
    try:
        return bytes_of(site_file).decode(errors="replace")
    except NotReadable:
        return ""


def refuse_where_no_port_may_be_opened(site: Site) -> None:
    """Exit where every port is there and none may be opened: waiting would not help."""
    locked = []
    for stream in site.stream:
        if not (stream.port.startswith("/") and os.path.exists(stream.port)) or os.access(stream.port, os.R_OK | os.W_OK):
            return
        locked.append(f"{stream.name} ({stream.port}): {in_short(PermissionError(13, ''), stream.port)}")
    raise Unusable(f"{site.path}: no port may be opened: {'; '.join(locked)}, then log in again")
