"""A day as the strip shows it: what was when, in seconds from where the strip begins. Nothing here reads a log or draws."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from msgspec import Struct
from witnesspost.rules.alert import Sentence
from witnesspost.rules.site.model import Severity

HOUR_S = 3600.0

FixKind = Literal["fixed", "float", "unfixed", "none"]
"""RTK fixed; RTK float; a position of any other quality; no position."""


class FixBand(Struct, frozen=True):
    """The worst fix of these minutes."""

    from_s: float
    to_s: float
    kind: FixKind


class Level(Struct, frozen=True):
    """A value over these seconds."""

    from_s: float
    to_s: float
    value: float


class AlertBand(Struct, frozen=True):
    """An alert that was nobody's consequence, from its raising to its end; `is_open` where it had not ended.

    `say` is English; `sentence` is what says it in another language, None in logs of versions that kept none.
    """

    from_s: float
    to_s: float
    severity: Severity
    rule: str
    cause: str
    say: str
    is_open: bool = False
    sentence: Sentence | None = None


class CheckMark(Struct, frozen=True):
    """A check on a control point: observed minus known, metres."""

    at_s: float
    point: str
    passed: bool
    east_m: float
    north_m: float
    up_m: float


class TextMark(Struct, frozen=True):
    """Something that a person said or did, or that befell the post: `kind` is the event's."""

    at_s: float
    kind: str
    detail: dict[str, object]


class GapBand(Struct, frozen=True):
    """Nothing came on this stream, or what came could not be written."""

    from_s: float
    to_s: float
    stream: str
    why: str


class Strip(Struct, frozen=True, kw_only=True):
    """`hours` full hours from `begin` on (None where no receiver has said the time), in the time zone `zone`; it has been
    watched until `until_s`.

    `about` where the time is the system's clock's. `fix` and `age_s` are empty at a base. `corrections_on` are the streams that
    carry corrections, `corrections` the share of the time in which some came, 0 to 1. `off`: no log says anything of these
    seconds.
    """

    begin: dt.datetime | None
    hours: int
    until_s: float
    zone: dt.tzinfo
    about: bool = False
    has_fix: bool = False
    corrections_on: tuple[str, ...] = ()
    fix: list[FixBand] = []
    age_s: list[Level] = []
    corrections: list[Level] = []
    alerts: list[AlertBand] = []
    checks: list[CheckMark] = []
    said: list[TextMark] = []
    gaps: list[GapBand] = []
    off: list[tuple[float, float]] = []

    @property
    def lasts_s(self) -> float:
        """All of it, seconds."""
        return self.hours * HOUR_S

    def key(self, hour: int) -> str:
        """A name of that hour that stays its own when the strip moves on."""
        return str(int((self.begin.timestamp() // HOUR_S if self.begin is not None else -self.hours) + hour))

    def clock(self, at_s: float) -> str:
        """The time of day there; where nobody has said it, how long before the end."""
        if self.begin is None:
            before_s = max(0, round(self.until_s - at_s))
            return f"−{before_s // 3600}:{before_s // 60 % 60:02d}"
        return f"{(self.begin + dt.timedelta(seconds=at_s)).astimezone(self.zone):%H:%M}"
