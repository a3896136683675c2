"""A day's check-ins: what they measured, which failed ones missed by the same, and which were asked for and came to nothing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from msgspec import Struct, structs
from witnesspost.daemon.log.day import PostLogs
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import EventRow
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.explanation import in_words, length_in_words
from witnesspost.rules.datum.misses import alike
from witnesspost.rules.engine.check_in import WITHIN_S

_HINDERED = {
    "no-position": "the rover had no position",
    "not-fixed": "the rover was not fixed",
    "leaning": "the pole leaned",
    "walking": "the rover was moving",
    "gap": "the rover's positions came with gaps",
}
Apart = Mapping[str, Enu]
_AS_FAR_M, _AS_FAR = (
    0.1,
    0.0005,
)  # a rover's own error; axes of the one mark are not quite the other's: common practice, no source
_ENDED = ("check-in-elsewhere", "check-in-given-up", "control-check-declined")
_KINDS = ", ".join(f"'{kind}'" for kind in ("checkin", "control-check", *_ENDED))


class Check(Struct, frozen=True, kw_only=True):
    """A check-in: UTC seconds, the mark, observed minus known at the mark (metres), its limits, passed or not."""

    utc: float
    point: str
    passed: bool
    offset: Enu
    horizontal_m: float
    vertical_m: float


class Asked(Struct, frozen=True, kw_only=True):
    """A check-in that came to nothing: UTC seconds (None: unknown), the mark, and why, as a clause. `offset` is how far from
    the mark the rover read, where that is why."""

    utc: float | None
    point: str
    why: str
    offset: Enu | None = None


class Miss(NamedTuple):
    """Failed check-ins on one coordinate of the base, in order, that missed by the same (`alike`). `apart` is how far
    the mark that the base is said to stand on is from each other one; None where that is none of the project's."""

    checks: list[Check]
    apart: Apart | None

    @property
    def marks(self) -> list[str]:
        """Each mark once."""
        return list(dict.fromkeys(check.point for check in self.checks))

    @property
    def offset(self) -> Enu:
        """Observed minus known: the mean."""
        return Enu(*(sum(axis) / len(self.checks) for axis in zip(*(check.offset for check in self.checks), strict=True)))

    @property
    def advice(self) -> str:
        """What it says that several marks miss by the same, as a clause; "" of one mark. A height alone is the pole's as well
        as the base's; in plan a pole leans to another side each time (common practice, no source)."""
        mark = stood_on(self.offset, self.apart)
        if mark is not None:
            return f"it is as if the base had stood on {mark}"
        if len(self.marks) < 2:
            return ""
        if any(math.hypot(check.offset.east_m, check.offset.north_m) > check.horizontal_m for check in self.checks):
            if self.apart is not None:
                return "ask first whether the base stood on its mark, and stayed there"
            return "ask first where the base's coordinate came from"
        either = (
            "the base's antenna height or the rover's pole"
            if self.apart is not None
            else "the base's coordinate or the rover's pole"
        )
        return f"it may be {either}, and heights alone do not tell which"


def checks_of(post: PostLogs) -> list[Check]:
    """A rover post's check-ins, in order."""
    found = []
    for log in post.files:
        for row in log.view("checks"):
            utc = log.utc_at(row["t"])
            if utc is None or row["east_m"] is None:
                continue
            found.append(
                Check(
                    utc=utc.timestamp(),
                    point=row["point"],
                    passed=bool(row["passed"]),
                    offset=Enu(row["east_m"], row["north_m"], row["up_m"]),
                    horizontal_m=row["tolerance_horizontal_m"],
                    vertical_m=row["tolerance_vertical_m"],
                )
            )
    return sorted(found, key=lambda check: check.utc)


def stood_on(offset: Enu, apart: Apart | None) -> str | None:
    """The mark that a base may have stood on: a rover misses by as much as that one is from the mark it is said to be on."""
    for mark, away in (apart or {}).items():
        if math.dist(offset, away) <= max(_AS_FAR_M, _AS_FAR * math.hypot(*away)) < math.hypot(*away) / 2.0:
            return mark
    return None


def misses_of(checks: Iterable[Check], apart: Apart | None) -> list[Miss]:
    """The failed ones of checks on one coordinate, those together that missed by the same; in the order of their first."""
    found: list[Miss] = []
    for check in checks:
        if not check.passed:
            limits = check.horizontal_m, check.vertical_m
            same = next((miss for miss in found if alike(miss.checks[0].offset, check.offset, limits)), None)
            if same is None:
                found.append(Miss([check], apart))
            else:
                same.checks.append(check)
    return found


def asked_of(post: PostLogs) -> list[Asked]:
    """What a person asked for and did not get, and what a receiver's few decimals could not check; in order. Raises a
    LogError."""
    return [asked for files in post.runs() for asked in _asked_of_run(files)]


class _Said(Struct, frozen=True, kw_only=True):
    """What a check-in's events say."""

    point: str
    hindrance: str | None = None


class _Elsewhere(_Said, frozen=True, kw_only=True):
    """Observed minus known, metres."""

    east_m: float
    north_m: float
    up_m: float

    @property
    def offset(self) -> Enu:
        return Enu(self.east_m, self.north_m, self.up_m)


def _asked_of_run(files: Iterable[LogFile]) -> list[Asked]:
    found: list[Asked] = []
    waits: Asked | None = None  # until something comes of it
    for log in files:
        for row in log.rows(EventRow, f"WHERE kind IN ({_KINDS}) ORDER BY n"):
            said = log.detail(row, _Elsewhere if row.kind == "check-in-elsewhere" else _Said)
            utc = log.utc_at(row.t)
            asked = Asked(
                utc=utc.timestamp() if utc is not None else None,
                point=said.point,
                why=_why(row.kind, said),
                offset=said.offset if isinstance(said, _Elsewhere) else None,
            )
            answered = waits is not None and waits.point == asked.point
            if row.kind == "checkin":
                found += [waits] if waits is not None and not answered else []
                waits = asked
            elif answered and waits is not None:
                found += [structs.replace(asked, utc=waits.utc)] if row.kind in _ENDED else []
                waits = None
            elif row.kind in _ENDED:
                found.append(asked)
    return found if waits is None else [*found, waits]


def _why(kind: str, said: _Said) -> str:
    if isinstance(said, _Elsewhere):
        away = length_in_words(math.hypot(said.east_m, said.north_m))
        return f"the rover's position was {away} from it ({in_words(said.offset)})"
    if kind == "control-check-declined":
        return "the receiver gives too few decimals"
    if kind == "check-in-given-up":
        return f"for {WITHIN_S:.0f} s {_HINDERED.get(said.hindrance or '', 'nobody stood still on it')}"
    return "nothing came of it"


def checks_on(marks: Sequence[str], *, again: bool = False) -> str:
    """Such as "the check-ins on KQ-2 and KQ-3"; `again`: "those on KQ-2 and KQ-3"."""
    noun = ("that" if again else "the check-in") if len(marks) == 1 else ("those" if again else "the check-ins")
    return f"{noun} on {listed(marks)}"


def listed(words: Sequence[str]) -> str:
    """Such as "KQ-2, KQ-3 and KQ-4"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
