"""`witnesspost seen`, `shelve` and `pause`: what a person tells the running post. It is recorded with who and why."""

from __future__ import annotations

import getpass
import os
import re
from pathlib import Path

import click
import msgspec
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.host.places import run_folders
from witnesspost.daemon.status.requests import PAUSE_S, SHELVE_S, Pause, Request, Seen, ShelveRule
from witnesspost.daemon.status.server import NoAnswer, NobodyThere, ask, sockets, tell

_UNITS_S = {"": 1.0, "s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}
_POST = click.option("--post", metavar="NAME", help="The post's name. Default: the one that runs here.")
_BY = click.option("--by", metavar="NAME", help="Who says so. Default: the name that is logged in.")
_NOTE = click.option("--note", metavar="TEXT", help="What is to be remembered with it.")


@click.command()
@click.argument("rule", metavar="[RULE]", required=False)
@_POST
@_BY
@_NOTE
def seen(rule: str | None, post: str | None, by: str | None, note: str | None) -> None:
    """Say that somebody has seen the alerts of RULE, or all: the sound ends, the light goes on telling the truth.

    A stop that is over is cleared by it.
    """
    _tell(post, Seen(rule=rule, by=by or _login(), note=note))


@click.command()
@click.argument("rule", metavar="RULE")
@click.option("--for", "for_", required=True, metavar="TIME", help="How long: 90s, 10m, 2h; a day at most.")
@_POST
@_BY
@_NOTE
def shelve(rule: str, for_: str, post: str | None, by: str | None, note: str | None) -> None:
    """Silence RULE for a while; it is judged and recorded all the same."""
    _tell(post, ShelveRule(rule=rule, for_s=_seconds(for_, SHELVE_S), by=by or _login(), note=note))


@click.command()
@click.option("--for", "for_", required=True, metavar="TIME", help="How long: 90s, 5m; an hour at most.")
@click.option("--why", required=True, metavar="TEXT", help='Why, as in --why "battery".')
@_POST
@_BY
def pause(for_: str, why: str, post: str | None, by: str | None) -> None:
    """Announce a pause: meanwhile nothing is raised and nothing sounds, and every byte is logged."""
    _tell(post, Pause(for_s=_seconds(for_, PAUSE_S), why=why, by=by or _login()))


def _tell(post: str | None, request: Request) -> None:
    try:
        request = msgspec.convert(msgspec.to_builtins(request), type=Request)  # its bounds, said before the post has to
    except msgspec.ValidationError as error:
        raise Unusable(f"{error}; shorter words are expected, and none that are empty") from None
    folders = run_folders()
    found = [path for path in sockets(folders) if post in (None, path.stem)]
    if not found:
        which = f"no post {post}" if post else "no post"
        raise Unusable(f"{which} is running here (no socket in {' or '.join(map(str, folders))})")
    if len({path.stem for path in found}) > 1:
        found = [path for path in found if _lives(path)] or found
    if len({path.stem for path in found}) > 1:
        raise Unusable(f"several posts run here; name one with --post: {', '.join(path.stem for path in found)}")
    try:
        click.echo(f"{found[0].stem}: {tell(found[0], request)}")
    except NoAnswer as error:
        raise Unusable(str(error)) from None


def _lives(path: Path) -> bool:
    """False where a killed post has left its socket behind."""
    try:
        ask(path)
    except NobodyThere:
        return False
    except NoAnswer:
        pass
    return True


def _seconds(text: str, most_s: float) -> float:
    matched = re.fullmatch(r"(\d{1,6}(?:\.\d{1,3})?) ?(s|m|min|h)?", text.strip(), re.ASCII)
    seconds = float(matched[1]) * _UNITS_S[matched[2] or ""] if matched else 0.0
    if not 0 < seconds <= most_s:
        raise Unusable(f"--for: read {text!r}; expected a time such as 90s or 10m, over 0 and at most {most_s / 3600:.0f}h")
    return seconds


def _login() -> str:
    try:
        return os.environ.get("SUDO_USER") or getpass.getuser()
    except (OSError, KeyError):
        return f"user {os.getuid()}"
