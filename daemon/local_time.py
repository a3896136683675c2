"""Times as people read and write them: local, with date and offset; files have UTC.

2026-05-04 03:11:12-06:00         a receiver has said it
about 2026-05-04 03:11:12-06:00   the system's clock has, which nobody vouches for
+00:12:31                         nobody has: hours, minutes and seconds of the run
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import NamedTuple

CLOCK_CAN_BE_RIGHT = dt.datetime(2025, 1, 1, tzinfo=dt.UTC)  # a board without a battery starts in 1970


class Unreadable(ValueError):
    """A text names no instant; says why, in words that follow "read 'TEXT'"."""


def local_text(utc: dt.datetime, zone: dt.tzinfo) -> str:
    """This instant in `zone`; in UTC where the zone's calendar does not reach so far."""
    try:
        local = utc.astimezone(zone)
    except OverflowError:
        local = utc
    return local.isoformat(" ", "seconds")


def run_text(t: float) -> str:
    """`t` where no UTC is known."""
    whole = int(t)
    return f"+{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def utc_of(text: str, zone: dt.tzinfo) -> dt.datetime:
    """The instant that a person has written in ISO 8601, in `zone` where it has no offset. Raises Unreadable.

    A local time that comes twice (clocks put back) or never (put forward) is refused: RFC 5545, 3.3.5 would guess.
    """
    try:
        said = dt.datetime.fromisoformat(text)
    except ValueError:
        raise Unreadable("is not a date and time") from None
    try:
        if said.tzinfo is not None:
            return said.astimezone(dt.UTC)
        first, second = (said.replace(tzinfo=zone, fold=fold).astimezone(dt.UTC) for fold in (0, 1))
    except (ValueError, OverflowError):
        raise Unreadable("is out of range") from None
    if first == second:
        return first
    if first.astimezone(zone).replace(tzinfo=None) != said:
        raise Unreadable("does not exist there: the clocks were put forward; write it with its offset")
    raise Unreadable("comes twice there: the clocks were put back; write it with its offset")


class Instant(NamedTuple):
    """A UTC, and whether it is the system clock's: then people read "about"."""

    utc: dt.datetime
    about: bool = False


class Stamps:
    """The one clock of a column, in `zone`. `read` says what time it was at `t`, where that is known at all; `phrase` says
    "about" as its readers do."""

    def __init__(
        self,
        zone: dt.tzinfo,
        read: Callable[[float], Instant | None] = lambda t: None,
        phrase: Callable[[str], str] = str,
    ):
        self._zone = zone
        self._read = read
        self._phrase = phrase

    def __call__(self, t: float, utc: str | None = None) -> str:
        """The instant `t`; `utc` is what a receiver has said of it."""
        instant = Instant(dt.datetime.fromisoformat(utc)) if utc is not None else self._read(t)
        if instant is None or (instant.about and instant.utc < CLOCK_CAN_BE_RIGHT):
            return run_text(t)
        text = local_text(instant.utc, self._zone)
        return f"{self._phrase('about')} {text}" if instant.about else text
