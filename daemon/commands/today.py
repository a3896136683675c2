"""`witnesspost setup`, `checkin` and `solved`: what the crew has done today. It is recorded, and the rules judge by it."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import click
from witnesspost.daemon.cli import Unusable
from witnesspost.daemon.commands.running import POST, socket_of
from witnesspost.daemon.commands.status import speech_of
from witnesspost.daemon.commands.telling import BY, login, tell_post
from witnesspost.daemon.requests import CheckInNow, SetUpToday, SolvedIt
from witnesspost.daemon.status.server import NoAnswer, ask
from witnesspost.daemon.status.snapshot import Status
from witnesspost.daemon.status.told import CheckInStatus
from witnesspost.rules.language.speech import ENGLISH, Speech

_LOOK_S = 0.5
_LONGEST_S = 90.0  # a minute to stand still, ten seconds of averaging, and some


@click.command()
@click.option("--point", metavar="NAME", help="The control point that the base occupies.")
@click.option("--unlisted", is_flag=True, help="The base stands over a point that the site file does not list.")
@click.option("--antenna-height", type=float, metavar="METRES", help="From the mark straight up to the reference point (ARP).")
@click.option("--slant", type=float, metavar="METRES", help="Instead: from the mark to the antenna's rim.")
@click.option("--radius", type=float, metavar="METRES", help="With --slant: from the antenna's axis to its rim.")
@click.option("--offset", type=float, metavar="METRES", help="With --slant: from the ARP up to the rim. Default: 0.")
@click.option("--pole", type=float, metavar="METRES", help="The rover's pole height.")
@POST
@BY
def setup(
    point: str | None,
    unlisted: bool,
    antenna_height: float | None,
    slant: float | None,
    radius: float | None,
    offset: float | None,
    pole: float | None,
    post: str | None,
    by: str | None,
) -> None:
    """Say how the base and the pole are set up today, or show it.

    It takes effect at once and holds until the next set-up, through a battery change too; what you leave out stays as it is.
    The site file is not touched. Without any measurement, this shows what holds now.

    \b
    This morning the base stands on KQ-1, its antenna 1.532 m above the mark:
        witnesspost setup --point KQ-1 --antenna-height 1.532 --by Kim
    Measured as a slant of 1.601 m to a rim of 85 mm radius, 30 mm above the ARP:
        witnesspost setup --point KQ-1 --slant 1.601 --radius 0.085 --offset 0.030 --by Kim
    A shorter pole from now on:
        witnesspost setup --pole 1.800 --by Kim
    """
    if unlisted and point is not None:
        raise Unusable("--unlisted: the base stands over --point; expected one of the two")
    path = socket_of(post)
    request = SetUpToday(
        point="" if unlisted else point,
        antenna_height_m=antenna_height,
        slant_m=slant,
        radius_m=radius,
        offset_m=offset,
        pole_height_m=pole,
        by=by or login(),
    )
    if (request.point, antenna_height, slant, radius, offset, pole) == (None,) * 6:
        said = _asked(path)
        who = "as in the site file; nobody has said a set-up" if said.set_up.planned else f"set up by {said.set_up.by}"
        click.echo(f"{path.stem}: {speech_of(said).phrase(f'{said.set_up.line} ({who})')}")
        return
    click.echo(f"{path.stem}: {tell_post(path, request)}")


@click.command()
@click.argument("point", metavar="POINT")
@POST
@BY
def checkin(point: str, post: str | None, by: str | None) -> None:
    """Check in on the control point POINT: say it when the rover stands on it, and stand still for ten seconds.

    Prints how far it goes, and then east, north and up against the limits. Exit status 0: passed; 1: not passed, or nobody
    stood still on it within a minute.
    """
    path = socket_of(post)
    before_s = _asked(path).up_s
    click.echo(f"{path.stem}: {tell_post(path, CheckInNow(point=point, by=by or login()))}")
    outcome = _followed(path, point, before_s)
    if outcome != "passed":
        raise SystemExit(1)


@click.command()
@click.argument("rule", metavar="RULE")
@click.argument("cause", metavar="CAUSE")
@click.argument("step", metavar="STEP", type=int)
@POST
@BY
def solved(rule: str, cause: str, step: int, post: str | None, by: str | None) -> None:
    """Say that it was STEP which solved the alert of this RULE and CAUSE; its number is as `status` lists the steps.

    The next time, that step carries how often it has solved such an alert here.
    """
    path = socket_of(post)
    click.echo(f"{path.stem}: {tell_post(path, SolvedIt(rule=rule, cause=cause, step=step, by=by or login()))}")


def _asked(path: Path) -> Status:
    try:
        return ask(path)
    except NoAnswer as error:
        raise Unusable(str(error)) from None


def _followed(path: Path, point: str, before_s: float) -> str:
    """How the check-in ended that was declared after the post had been up for `before_s`; its progress is shown meanwhile."""
    until = time.monotonic() + _LONGEST_S
    progress = _Progress()
    while time.monotonic() < until:
        status = _asked(path)
        now = status.check_in
        if now is not None and now.point.casefold() == point.strip().casefold() and status.up_s - now.ago_s >= before_s - 0.2:
            progress.show(now, speech_of(status))
            if now.outcome is not None:
                return now.outcome
        time.sleep(_LOOK_S)
    raise Unusable(f"{path.stem}: the post does not say how the check-in ended; see `witnesspost status`")


class _Progress:
    """The check-in's line, written over itself on a terminal; elsewhere each time that it is another."""

    def __init__(self) -> None:
        self._over_itself = sys.stdout.isatty()
        self._shown = ""

    def show(self, now: CheckInStatus, speech: Speech = ENGLISH) -> None:
        """As it stands."""
        line = now.in_words(speech)
        if line == self._shown and now.outcome is None:
            return
        if self._over_itself:
            click.echo("\r\x1b[K" if self._shown else "", nl=False)
            click.echo(line, nl=now.outcome is not None)
        elif now.outcome is not None or now.hindrance is not None or not self._shown:
            click.echo(line)
        self._shown = line
