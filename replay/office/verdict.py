"""The verdict on a stored point: the first that fits, never `keep` by default.

1. `not-witnessed`: no occupation in the log.
2. `observe-again`: not fixed, or newly; too old corrections; another's station; a base that nothing explains; a base that
   changed while the point was stored.
3. `undecided`: a doubt about the pole, its tilt, the antenna, the geoid, or what the file says beside the log. A repair
   mends none of these, so they come before it.
4. `repair`: one explained vector that a second fact confirms, and a check-in that passes once it is repaired; else `undecided`.
   Never where check-ins pass on the coordinate as it was on the air: on two marks they prove it, and the sheet is asked about;
   on one, or where others pass with the vector, it is `undecided`.
5. `undecided`: no good check-in before or after in the same segment.
6. `keep`.
"""

from __future__ import annotations

import datetime as dt
import math
import sys
from collections.abc import Sequence
from typing import Literal

from msgspec import Struct
from witnesspost.replay.office.base import Segment
from witnesspost.replay.office.check_ins import Check, checks_on, listed
from witnesspost.replay.office.uncertainty import MOST_TILTED_M, TILTED_BASE_M
from witnesspost.rules.datum.explanation import length_in_words

Name = Literal["keep", "repair", "observe-again", "undecided", "not-witnessed"]
NAMES: tuple[Name, ...] = ("keep", "repair", "observe-again", "undecided", "not-witnessed")

FIXED_SHARE = 0.95
NEW_FIX_S = 10.0
LEAN_DEG = 1.5
MOST_LEAN_DEG = 3.0  # at one epoch; a sensor's own noise does not reach it (common practice, no source)
CHANGED_S = 2.0  # an epoch so soon after a coordinate's first word may still be the one before's
PLAN_M, HEIGHT_M = 0.03, 0.05  # the file beside the log
FIGURES = {
    "fixed_share": FIXED_SHARE, "new_fix_s": NEW_FIX_S, "lean_deg": LEAN_DEG, "most_lean_deg": MOST_LEAN_DEG,
    "changed_s": CHANGED_S, "file_plan_m": PLAN_M, "file_height_m": HEIGHT_M,
}  # fmt: skip


class Seen(Struct, kw_only=True, gc=False):
    """What the log says of one visit to a point: its epochs, its base, its pole, and what the file says beside them."""

    first_utc: float
    last_utc: float
    epochs: int
    fixed_share: float
    fixed_s: float | None  # since when fixed at its first fixed epoch
    age_s: float | None
    age_limit_s: float
    segments: tuple[Segment | None, ...]
    station: int | None
    own_station: bool
    lean_deg: float  # nine tenths of what was said are less
    most_lean_deg: float
    mean_lean_deg: float
    aligned: bool | None
    needs_alignment: bool
    spread_m: float
    plan_left_m: float
    up_left_m: float | None
    distance_m: float
    doubts: tuple[str, ...] = ()
    alerts: tuple[str, ...] = ()
    geoid_change: str | None = None
    zone: dt.tzinfo = dt.UTC  # what times in a reason are told in

    @property
    def segment(self) -> Segment | None:
        """The coordinate that it hangs on, where that is one."""
        return self.segments[0] if len(self.segments) == 1 else None


class Decided(Struct, frozen=True, kw_only=True, gc=False):
    """A verdict and its reason, one sentence. `before` and `after` are the check-ins around it."""

    name: Name
    reason: str
    before: Check | None = None
    after: Check | None = None


def decide(seen: Seen) -> Decided:
    """The verdict on one visit."""
    segment = seen.segment
    before, after = around(segment.checks if segment is not None else [], seen.first_utc, seen.last_utc)

    def says(name: Name, reason: str) -> Decided:
        return Decided(name=name, reason=sys.intern(reason), before=before, after=after)

    again = _again(seen)
    if again is not None:
        return says("observe-again", again)
    if segment is None:
        return says("undecided", "Nobody heard which coordinate the base was on.")
    doubts = _doubts(seen)
    if doubts:
        return says("undecided", " ".join(doubts))
    if segment.standing == "wrong":
        return says(*_repair(seen, segment, before, after))
    if segment.standing == "disputed" and not segment.held:
        return says("undecided", segment.dispute)
    name: Name = "keep"
    reason = _kept(segment, before, after, seen.zone)
    if seen.geoid_change is not None and segment.judged:
        name, reason = "repair", f"The heights are {seen.geoid_change}'s: the change of N puts them right."
    return says(*_by_checks(name, reason, segment, before, after, seen.zone))


def together(decided: Sequence[Decided]) -> Decided:
    """Of a point that was stored on several visits, of which nobody says which: the gravest, and no more than all allow."""
    order: tuple[Name, ...] = ("observe-again", "undecided", "repair", "keep")
    worst = min(decided, key=lambda one: order.index(one.name))
    if worst.name == "repair" and any(one.name == "keep" for one in decided):
        reason = (
            f"The rover stood here {len(decided)} times, under a right base and under a wrong one; the file does not say when."
        )
        return Decided(name="undecided", reason=reason, before=worst.before, after=worst.after)
    return worst


def around(checks: Sequence[Check], first_utc: float, last_utc: float) -> tuple[Check | None, Check | None]:
    """The last check-in before and the first one after."""
    before = [check for check in checks if check.utc < first_utc]
    after = [check for check in checks if check.utc > last_utc]
    return (before[-1] if before else None), (after[0] if after else None)


def _again(seen: Seen) -> str | None:
    if seen.fixed_share < FIXED_SHARE and seen.epochs == 1:
        return "Its only epoch was not fixed."
    if seen.fixed_share < FIXED_SHARE:
        return f"Fixed in {seen.fixed_share:.0%} of its {seen.epochs} epochs."
    if seen.fixed_s is not None and seen.fixed_s < NEW_FIX_S:
        return f"Stored {seen.fixed_s:.0f} s after a new fix; a fix needs {NEW_FIX_S:.0f} s to prove itself."
    if seen.age_s is not None and seen.age_s > seen.age_limit_s:
        return f"Its corrections were {seen.age_s:.0f} s old; the limit is {seen.age_limit_s:.0f} s."
    if not seen.own_station:
        return f"Tied to station {seen.station}, which is not the project's."
    if len(seen.segments) > 1:
        return "The base's coordinate changed while it was stored."
    segment = seen.segment
    if segment is not None and segment.judged and segment.standing == "wrong" and not segment.explained:
        return f"{segment.apart}, and nothing explains it."
    if segment is not None and segment.number > 0 and 0 <= seen.first_utc - segment.from_utc < CHANGED_S:
        return "Stored within seconds of another coordinate of the base."
    return None


def _doubts(seen: Seen) -> list[str]:
    doubts = [*seen.doubts]
    if seen.lean_deg > LEAN_DEG:
        doubts.append(f"The pole leaned {seen.lean_deg:.1f}°, and nothing made up for it.")
    elif seen.most_lean_deg > MOST_LEAN_DEG:
        doubts.append(f"The pole leaned {seen.most_lean_deg:.1f}° for a part of it, and nothing made up for it.")
    if seen.needs_alignment and seen.aligned is False:
        doubts.append("The tilt sensor was not aligned.")
    if seen.spread_m > PLAN_M:
        doubts.append(f"The rover moved by {length_in_words(seen.spread_m)} while it was stored.")
    if seen.plan_left_m > PLAN_M:
        doubts.append(f"The file has it {length_in_words(seen.plan_left_m)} from where the log says the rover stood.")
    if seen.up_left_m is None:
        doubts.append("The file has no height, or the geoid none here.")
    elif abs(seen.up_left_m) > HEIGHT_M:
        which = "higher" if seen.up_left_m > 0 else "lower"
        doubts.append(f"The file has it {length_in_words(abs(seen.up_left_m))} {which} than the log with the typed pole.")
    return doubts


def _repair(seen: Seen, segment: Segment, before: Check | None, after: Check | None) -> tuple[Name, str]:
    if not segment.checks:
        return "undecided", f"{segment.apart}, and no check-in tells which is right."
    if not segment.confirmed_by:
        return "undecided", f"{segment.apart}, and no second fact confirms it."
    passes = {check: ok for check, _, ok in segment.repaired_checks}
    if any(check is not None and check in passes and not passes[check] for check in (before, after)):
        return "undecided", f"{segment.apart}, but a check-in beside it fails by the one and by the other."
    others = [fact for fact in segment.confirmed_by if not fact.startswith("the check-in")]
    if not segment.confirming or (not others and len(segment.confirming) < 2):
        return "undecided", f"{segment.apart}, and no check-in passes that was not needed to find it."
    wrong = f"The base was {length_in_words(segment.wrong_m)} out ({segment.why})"
    if segment.wrong_m * seen.distance_m / TILTED_BASE_M > MOST_TILTED_M:
        return "undecided", f"{wrong}, {length_in_words(seen.distance_m)} away: compute the baselines again."
    return "repair", f"{wrong}; {listed(segment.confirmed_by)} confirm{'s' if len(segment.confirmed_by) == 1 else ''} it."


def _by_checks(
    name: Name, reason: str, segment: Segment, before: Check | None, after: Check | None, zone: dt.tzinfo
) -> tuple[Name, str]:
    lacks = [word for check, word in ((before, "before"), (after, "after")) if check is None]
    if lacks:
        return "undecided", f"No check-in {' or '.join(lacks)} it on this base coordinate{_elsewhere(segment, zone)}."
    failed = [check for check in (before, after) if check is not None and not check.passed]
    if failed:
        check = failed[0]
        by = length_in_words(max(math.hypot(check.offset.east_m, check.offset.north_m), abs(check.offset.up_m)))
        at = f"{_clock(check.utc, zone)} ({_offset(check.utc, zone)})"
        miss = next(miss for miss in segment.misses if check in miss.checks)
        others = [mark for mark in miss.marks if mark != check.point]
        as_others = f", and {checks_on(others, again=True)} by the same" if others else ""
        advice = f": {miss.advice}" if miss.advice else ""
        return "undecided", f"The check-in on {check.point} at {at} beside it failed by {by}{as_others}{advice}."
    return name, reason


def _elsewhere(segment: Segment, zone: dt.tzinfo) -> str:
    """The first check-in far from its mark, as the end of a sentence; "" where there is none."""
    for asked in segment.asked:
        if asked.offset is not None and asked.utc is not None:
            at = f"{_clock(asked.utc, zone)} ({_offset(asked.utc, zone)})"
            return f"; one on {asked.point} at {at} came to nothing: {segment.why_nothing(asked)}"
    return ""


def _kept(segment: Segment, before: Check | None, after: Check | None, zone: dt.tzinfo) -> str:
    said = "Fixed, the base right" if segment.right else "Fixed"
    if before is None or after is None:
        return f"{said}."
    times = f"{_clock(before.utc, zone)} and {_clock(after.utc, zone)} ({_offset(after.utc, zone)})"
    return f"{said}, between good check-ins at {times}.{f' {segment.dispute}' if segment.held else ''}"


def _clock(utc: float, zone: dt.tzinfo) -> str:
    return f"{dt.datetime.fromtimestamp(utc, zone):%H:%M}"


def _offset(utc: float, zone: dt.tzinfo) -> str:
    return f"{dt.datetime.fromtimestamp(utc, zone):%z}"
