"""`witnesspost seen`, `shelve` and `pause`: what a person tells the running post. It is recorded with who and why."""

from __future__ import annotations

import re

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.commands.running import POST, socket_of
from witnesspost.daemon.commands.telling import BY, login, tell_post
from witnesspost.daemon.requests import PAUSE_S, SHELVE_S, Pause, Request, Seen, ShelveRule

_UNITS_S = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}
_NOTE = click.option("--note", metavar="TEXT", help="A note to keep with it.")


@click.command()
@click.argument("rule", metavar="[RULE]", required=False)
@POST
@BY
@_NOTE
def seen(rule: str | None, post: str | None, by: str | None, note: str | None) -> None:
    """Say that somebody has seen the alerts of RULE, or all alerts: the sound ends, the light stays.

    A stop that is over is cleared.
    """
    _tell(post, Seen(rule=rule, by=by or login(), note=note))


@click.command()
@click.argument("rule", metavar="RULE")
@click.option("--for", "for_", required=True, metavar="TIME", help="How long: 90s, 10m, 2h; a day at most.")
@POST
@BY
@_NOTE
def shelve(rule: str, for_: str, post: str | None, by: str | None, note: str | None) -> None:
    """Silence RULE for a while; it is still judged and recorded."""
    _tell(post, ShelveRule(rule=rule, for_s=_seconds(for_, SHELVE_S), by=by or login(), note=note))


@click.command()
@click.option("--for", "for_", required=True, metavar="TIME", help="How long: 90s, 5m; an hour at most.")
@click.option("--why", required=True, metavar="TEXT", help='Why, as in --why "battery".')
@POST
@BY
def pause(for_: str, why: str, post: str | None, by: str | None) -> None:
    """Announce a pause: meanwhile nothing is raised, unless the base is back on the air and wrong for a minute."""
    _tell(post, Pause(for_s=_seconds(for_, PAUSE_S), why=why, by=by or login()))


def _tell(post: str | None, request: Request) -> None:
    path = socket_of(post)
    click.echo(f"{path.stem}: {tell_post(path, request)}")


def _seconds(text: str, most_s: float) -> float:
    if re.fullmatch(r"\d+(\.\d+)?", text.strip(), re.ASCII):
        raise Unusable(f"--for: read {text!r}; {text.strip()}s or {text.strip()}m?")
    matched = re.fullmatch(r"(\d{1,6}(?:\.\d{1,3})?) ?(s|m|min|h)", text.strip(), re.ASCII)
    seconds = float(matched[1]) * _UNITS_S[matched[2]] if matched else 0.0
    if not 0 < seconds <= most_s:
        raise Unusable(f"--for: read {text!r}; expected a time such as 90s or 10m, over 0 and at most {most_s / 3600:.0f}h")
    return seconds
