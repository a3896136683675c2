"""`witnesspost bundle NAME -o FILE`: one file for the person on the telephone."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click
from witnesspost.daemon.atomic import CannotWrite, output
from witnesspost.daemon.bundle import write_bundle
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.commands.running import socket_of, sockets_of
from witnesspost.daemon.commands.status import screenful
from witnesspost.daemon.status.server import NoAnswer, ask
from witnesspost.daemon.status.snapshot import Status
from witnesspost.rules.site.salvage import salvage


@click.command()
@click.argument("name", metavar="[NAME]", required=False)
@click.option(
    "-o", "--output", "out", required=True, metavar="FILE", help="Where to: a new .zip file, or - for standard output."
)
def bundle(name: str | None, out: str) -> None:
    """Put into one FILE what the person on the telephone asks for: NAME is a post that runs, or a site file.

    In it are a snapshot of the log, the site file, today's set-up and how the post is (status), the versions of everything, and
    the journal's last lines. Passwords and the PIN are left out. What could not be had is said, and the rest is there.
    """
    status, site_text, log = None, "", None
    if name is not None and Path(name).is_file():
        status, site_text, log = _of_site(name)
    else:
        path = socket_of(name)
        try:
            status = ask(path)
        except NoAnswer as error:
            raise Unusable(str(error)) from None
        try:
            site_text = Path(status.site).read_text(errors="replace")
        except OSError:
            site_text = ""
    screen = screenful(status, system=system_utc()) if status is not None else ""
    try:
        with output(out) as file:
            left_out = write_bundle(file, status, site_text, screen, log)
    except CannotWrite as error:
        raise Unusable(str(error)) from None
    for line in left_out:
        click.echo(f"left out: {line}", err=True)
    if out != "-":
        click.echo(f"{out}: {Path(out).stat().st_size / 1000:.0f} kB; passwords and the PIN are not in it", err=True)


def _of_site(name: str) -> tuple[Status | None, str, Path | None]:
    """What the post of a site file says where it runs, the file's text, and the last log."""
    from witnesspost.daemon.host.places import log_folder
    from witnesspost.daemon.log.folder import Folder
    from witnesspost.rules.book.contents import FIGURES

    site = salvage(name, FIGURES)
    files = Folder(log_folder(site), site.post.name).files()
    status = None
    for path in sockets_of(site.post.name):
        with contextlib.suppress(NoAnswer):
            status = ask(path)
            break
    log = None if status is not None and status.log.path else files[-1][1] if files else None
    return status, Path(name).read_text(errors="replace"), log
