"""The bases of a day: which coordinate was in force at an epoch, whether it was right, and if not, by which vector and why.

A rover goes on with the last position that a station has said, so a segment lasts from a coordinate's first word to the first
word of another. `base-moved` splits segments because a segment is one coordinate. Where the rover's log carries no corrections
the base post's own log says what was on the air.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import math
from bisect import bisect_right
from collections.abc import Collection, Iterable, Sequence
from functools import cached_property
from typing import Literal, NamedTuple

from msgspec import Struct, structs
from witnesspost.daemon.log.day import Day, PostLogs
from witnesspost.daemon.log.reading import LogFile
from witnesspost.replay.office.check_ins import Asked, Check, Miss, asked_of, checks_of, checks_on, misses_of, stood_on
from witnesspost.replay.office.plans import Plan, plans_of
from witnesspost.rules.book.base_or_sheet import ENOUGH
from witnesspost.rules.book.coordinate_words import NAMES
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.explanation import Verdict as Explained
from witnesspost.rules.datum.explanation import in_words, length_in_words
from witnesspost.rules.datum.geodesy import DatumError, ExpectedArp, enu
from witnesspost.rules.datum.prediction import TYPED_M
from witnesspost.rules.datum.verdict import Datum, decimal_year
from witnesspost.rules.language.names import bare
from witnesspost.rules.site.model import Base, Site

TOLERANCE_M = 0.03  # as `base-datum` has it
_SHEET_M = 5 * TYPED_M  # a cause that the sheet's own numbers predict so sharply is confirmed by the sheet
_SAME_M = 0.0002  # two logs of one 1005: tenths of a millimetre
_NEARER = 0.5  # of two offsets that both pass, the one that is less than this share of the other tells; else neither does
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_BEYOND_REPAIR = frozenset(("unexplained", "height-not-judged"))
_OTHER_CAUSES = {
    "autonomous-base": "a position that the base took by itself",
    "unexplained": "no usual mistake explains it",
    "height-not-judged": "not to be judged without the project's geoid",
    "given": "against the given position",
}


class Given(Struct, frozen=True, kw_only=True):
    """A true base position from elsewhere (`--base-is`): its ARP, and how far it may be out, 95 %, metres."""

    arp: Ecef
    u95_m: float


Standing = Literal["right", "wrong", "disputed", "not judged"]


class Segment(Struct, kw_only=True, dict=True):
    """One coordinate of one station, from UTC to UTC (seconds): what it was, and what is known of it.

    `to_utc` is until when a rover goes on with it, `heard_to_utc` when it was last said.
    `ours` is whether the station is the project's; `judged` whether there is anything to judge it by. `offset` is broadcast
    minus true at the point, `vector` true minus broadcast (ECEF): what a point tied to it lacks. `confirmed_by` are the facts
    beside the sheet that say the same. `sure` is whether the cause is the only one that fits; `other_point` is the
    control point whose coordinate it is instead. `told` is whether a person said on the day how the base stands. `apart_from`
    is how far its mark is from each other one, None where it is on none.
    `asked` are the check-ins that came to nothing, `repaired_checks` the others: what each leaves with the vector taken off,
    and whether it passes so.
    """

    number: int
    station_id: int
    arp: Ecef
    from_utc: float
    to_utc: float
    heard_to_utc: float
    ours: bool
    kind: str = "own"
    judged: bool = False
    right: bool = False
    point: str | None = None
    offset: Enu = Enu(0.0, 0.0, 0.0)
    vector: Ecef = Ecef(0.0, 0.0, 0.0)
    cause: str | None = None
    other_point: str | None = None
    told: bool = False
    apart_from: dict[str, Enu] | None = None
    explained: bool = False
    sure: bool = False
    confirmed_by: list[str] = []
    repaired_checks: list[tuple[Check, Enu, bool]] = []
    checks: list[Check] = []
    asked: list[Asked] = []
    u95_m: float = 0.0
    said_m: float | None = None  # the antenna height that a 1006 says
    typed_m: float | None = None  # the site file's
    expected: ExpectedArp | None = None

    @property
    def shown_to_utc(self) -> float:
        """Until when it counts: the project's until another is said, a stranger's while it was on the air."""
        return self.to_utc if self.ours else self.heard_to_utc

    @property
    def wrong_m(self) -> float:
        """How far the broadcast is from the true position."""
        return math.hypot(*self.offset)

    @cached_property
    def agreeing(self) -> list[str]:
        """Of a coordinate that is not the sheet's: the marks whose check-ins pass on it as it was on the air, and would not, or
        by far less, if the sheet were right."""
        return _marks(
            check
            for check, left, passes in self.repaired_checks
            if check.passed and (not passes or _nearer(check.offset, left))
        )

    @cached_property
    def confirming(self) -> list[str]:
        """The marks whose check-ins pass with the vector taken off, and not, or by far less, on the coordinate as it was."""
        return _marks(
            check
            for check, left, passes in self.repaired_checks
            if passes and (not check.passed or _nearer(left, check.offset))
        )

    @property
    def standing(self) -> Standing:
        """Whether points can be tied to it: a stranger's is wrong, whatever it says. Where check-ins pass on a coordinate that
        is not the sheet's, either may be wrong."""
        if not self.ours:
            return "wrong"
        if not self.judged:
            return "not judged"
        return "right" if self.right else "disputed" if self.agreeing else "wrong"

    @cached_property
    def misses(self) -> list[Miss]:
        """Its failed check-ins by what they missed by."""
        return misses_of(self.checks, self.apart_from)

    def why_nothing(self, asked: Asked) -> str:
        """Why a check-in came to nothing, as a clause; with the mark that the base may have stood on."""
        mark = stood_on(asked.offset, self.apart_from) if asked.offset is not None else None
        return asked.why if mark is None else f"{asked.why}, as if the base had stood on {mark}"

    @property
    def held(self) -> bool:
        """True where the project's other marks prove a coordinate that is not the sheet's: it is right, as far as they say."""
        return len(self.agreeing) >= ENOUGH and not self.confirming

    @property
    def sheet(self) -> str:
        """What it is judged by, in words."""
        return "the given position" if self.cause == "given" else f"the site file's {self.point}"

    @property
    def apart(self) -> str:
        """How far it is from what it is judged by, and what explains that: a sentence's beginning."""
        found = f" ({self.why})" if self.explained and self.cause != "given" else ""
        return f"The base's coordinate and {self.sheet} differ by {length_in_words(self.wrong_m)}{found}"

    @property
    def agreement(self) -> str:
        """Such as "the check-ins on KQ-2 and KQ-3 agree"."""
        return f"{checks_on(self.agreeing)} agree{'' if len(self.agreeing) > 1 else 's'}"

    @property
    def dispute(self) -> str:
        """Of a disputed one: what the check-ins say of it and of the sheet. Sentences."""
        sheet, agree, apart = self.sheet, self.agreement, self.apart
        if self.confirming:
            return f"{apart}: {agree} with the base, {checks_on(self.confirming, again=True)} with {sheet}."
        if not self.held:
            return f"{apart}, and {agree} with the base: a check-in on another mark would tell which is right."
        look = "look at its frame" if self.cause == "given" else "compare the site file with the control sheet"
        elsewhere = f"the base was not on {self.point}, where the {'set-up' if self.told else 'site file'} has it"
        if self.point in self.agreeing:
            return f"{apart}, and {agree} with the base: {elsewhere}."
        if self.other_point is not None and self.sure:
            return f"The base's coordinate is {self.other_point}'s, and {agree} with it: {elsewhere}."
        return f"{apart}, and {agree} with the base: {look}."

    @property
    def in_words(self) -> str:
        """The coordinate as a line of a report says it."""
        if not self.ours:
            return f"station {self.station_id}, which is not the project's"
        if not self.judged:
            return f"station {self.station_id}, whose coordinate only check-ins can judge"
        if self.right:
            return f"station {self.station_id} as the site file has it on {self.point}, to {self.wrong_m * 1000:.0f} mm"
        said = f"station {self.station_id} on {self.point}, {in_words(self.offset)}"
        return f"{said} of it; {self.agreement} with the base" if self.agreeing else f"{said}: {self.why}"

    @property
    def why(self) -> str:
        """What made it wrong, in a few words; "" of a right one."""
        if self.cause is None:
            return ""
        if self.cause in _OTHER_CAUSES:
            return _OTHER_CAUSES[self.cause]
        found = " and ".join(NAMES.get(one, one) for one in self.cause.split("+"))
        return found if self.sure else f"perhaps {found}"


class Bases:
    """The segments of a day as a rover post heard them, in the order of UTC."""

    def __init__(self, segments: Sequence[Segment], *, numbers_count: bool = True):
        self.segments = list(segments)
        self.numbers_count = numbers_count  # False: the receiver says numbers of its own for the station
        self._by_station: dict[int, list[Segment]] = {}
        for segment in self.segments:
            self._by_station.setdefault(segment.station_id, []).append(segment)

    def in_force(self, utc: float, station_id: int | None) -> Segment | None:
        """The coordinate in force at an epoch: the station that the receiver names, else the project's that spoke last."""
        if station_id is not None and self.numbers_count:
            segments = self._by_station.get(station_id, [])
            index = bisect_right(segments, utc, key=lambda segment: segment.from_utc) - 1
            return segments[max(0, index)] if segments else None
        own = [segment for segment in self.segments if segment.ours and segment.from_utc <= utc]
        return max(own, key=lambda segment: segment.from_utc, default=None)


def bases_of(day: Day, rover: PostLogs, site: Site, said: Collection[int], given: Given | None = None) -> Bases:
    """The segments as the rover heard them, each judged. `said` are the stations that its receiver names: where none of them is
    the project's, they are numbers of the receiver's own. Raises DatumError where the project's datum gives no coordinate."""
    heard = _heard(rover)
    others = [post for post in day.posts if post is not rover and post.role == "base"]
    elsewhere = [span for post in others for span in _heard(post)]
    if not heard:
        heard, elsewhere = elsewhere, []
    plans = plans_of(day, site)
    checks, asked = checks_of(rover), asked_of(rover)
    segments: list[Segment] = []
    heard = sorted(heard, key=lambda span: span.from_utc)
    for number, span in enumerate(heard):
        base = _base_of(site, span.station_id)
        segment = Segment(
            number=number, station_id=span.station_id, arp=span.arp, from_utc=span.from_utc, to_utc=span.to_utc,
            heard_to_utc=span.to_utc, ours=base is not None, kind=base.kind if base is not None else "foreign",
            said_m=span.said_m, typed_m=base.antenna_height_m if base is not None else None,
        )  # fmt: skip
        segments.append(segment)
    _ends(segments)
    data = [Datum(plan.site) for plan in plans]
    judged = [piece for segment in segments for piece in _judged(segment, plans, data, given)]
    for number, (segment, datum) in enumerate(judged):
        segment.number = number
        if segment.ours:
            segment.checks = [check for check in checks if segment.from_utc <= check.utc < segment.to_utc]
            segment.asked = [one for one in asked if one.utc is not None and segment.from_utc <= one.utc < segment.to_utc]
        if segment.judged and not segment.right:
            _confirm(segment, datum, elsewhere, given)
    segments = [segment for segment, _ in judged]
    return Bases(segments, numbers_count=any(_base_of(site, station_id) is not None for station_id in said))


def is_ours(site: Site, station_id: int) -> bool:
    """True of the project's own stations' numbers."""
    return _base_of(site, station_id) is not None


class _Span(NamedTuple):
    """A position that a station said: its ARP, the antenna height said with it, UTC from and to (seconds)."""

    station_id: int
    arp: Ecef
    said_m: float | None
    from_utc: float
    to_utc: float


def _heard(post: PostLogs) -> list[_Span]:
    """A post's spans; one that goes on in the next file is one."""
    spans: list[_Span] = []
    for log in post.files:
        for row in log.view("base_coordinates"):
            from_utc, to_utc = _utc_s(log, row["from_t"]), _utc_s(log, row["to_t"])
            if from_utc is None or to_utc is None:
                continue
            arp = Ecef(row["x_m"], row["y_m"], row["z_m"])
            last = next((span for span in reversed(spans) if span.station_id == row["station_id"]), None)
            if last is not None and (last.arp, last.said_m) == (arp, row["antenna_height_m"]):
                spans[spans.index(last)] = last._replace(to_utc=to_utc)
                continue
            spans.append(_Span(row["station_id"], arp, row["antenna_height_m"], from_utc, to_utc))
    return spans


def _ends(segments: list[Segment]) -> None:
    """A rover goes on with a coordinate until the station says another."""
    last: dict[int, Segment] = {}
    for segment in segments:
        before = last.get(segment.station_id)
        if before is not None:
            before.to_utc = segment.from_utc
        last[segment.station_id] = segment
    for segment in last.values():
        segment.to_utc = math.inf


def _base_of(site: Site, station_id: int) -> Base | None:
    """Whose station it is; a service's may bear any number."""
    for base in site.bases:
        if base.station_ids is None or station_id in base.station_ids or base.kind != "own":
            return base
    return None


def _judged(segment: Segment, plans: Sequence[Plan], data: Sequence[Datum], given: Given | None) -> list[tuple[Segment, Datum]]:
    """The coordinate judged by how the base stood, with the datum that it was judged by: in parts, where a set-up that was told
    while it was on the air makes a right one wrong. Else what was told late held from its beginning on: a base that goes on
    with one coordinate has not been moved."""
    first = bisect_right(plans, segment.from_utc, key=lambda plan: plan.from_utc) - 1
    last = bisect_right(plans, segment.heard_to_utc, key=lambda plan: plan.from_utc)
    found: list[tuple[Segment, Datum]] = []
    for plan, datum in zip(plans[first:last], data[first:last], strict=True):
        base = _base_of(plan.site, segment.station_id)
        begins = max(segment.from_utc, plan.from_utc)
        piece = structs.replace(
            segment, from_utc=begins, told=plan.told, typed_m=base.antenna_height_m if base is not None else None
        )
        if base is not None:
            _judge(piece, base, piece.said_m, datum, given)
        if found and (piece.right or not found[-1][0].right):
            piece.from_utc = found.pop()[0].from_utc
        elif found:
            found[-1][0].to_utc = found[-1][0].heard_to_utc = begins
        found.append((piece, datum))
    return found


def _judge(segment: Segment, base: Base, said_m: float | None, datum: Datum, given: Given | None) -> None:
    if base.kind != "own" or (base.occupies is None and given is None):
        return
    segment.judged = True
    if base.occupies is not None:
        segment.expected = datum.arp(base, said_m)
        segment.apart_from = _apart_from(base.occupies, datum)
        segment.point = segment.expected.point
        true = segment.expected.ecef
        segment.offset = datum.offset(segment.arp, segment.expected)
        limits = datum.limits(segment.expected, TOLERANCE_M, TOLERANCE_M)
    if given is not None:
        true, limits = given.arp, (TOLERANCE_M, TOLERANCE_M)
        segment.u95_m = given.u95_m
        segment.offset = enu(true, segment.arp, datum.frame.ellipsoid)
        segment.point = segment.point or "the given position"
    segment.vector = Ecef(*(a - b for a, b in zip(true, segment.arp, strict=True)))
    segment.right = segment.offset.within(*limits)
    if given is not None:
        segment.explained = True
        segment.cause = None if segment.right else "given"
        return
    if not segment.right:
        assert segment.expected is not None
        utc = _EPOCH + dt.timedelta(seconds=segment.from_utc)
        explained: Explained = datum.why(segment.offset, datum.situation(segment.expected, utc))
        first = explained.causes[0]
        segment.cause = first.cause
        if first.cause == "other-control-point" and first.prediction is not None:
            named = datum.site.control_point(bare(first.prediction.which))
            segment.other_point = named.name if named is not None else None
        segment.explained = first.cause not in _BEYOND_REPAIR
        segment.sure = explained.sure
        prediction = first.prediction
        if explained.sure and prediction is not None and max(prediction.horizontal_m, prediction.vertical_m) <= _SHEET_M:
            segment.confirmed_by = ["the sheet"]


def _apart_from(mark: str, datum: Datum) -> dict[str, Enu]:
    """How far the mark is from each other one."""
    found = {}
    at = datum.point(mark).ecef
    for other in datum.site.project.control if datum.site.project is not None else []:
        with contextlib.suppress(DatumError):
            if other.name != mark:
                found[other.name] = enu(datum.point(other.name).ecef, at, datum.frame.ellipsoid)
    return found


def _confirm(
    segment: Segment,
    datum: Datum,
    elsewhere: Sequence[_Span],
    given: Given | None,
) -> None:
    """The facts that say the same as the vector; and each check-in as it would be with the vector taken off."""
    confirmed = [*segment.confirmed_by]
    if given is not None:
        confirmed.append("the given position")
    if any(span.station_id == segment.station_id and math.dist(span.arp, segment.arp) <= _SAME_M for span in elsewhere):
        confirmed.append("the base's own log")
    repaired = []
    for check in segment.checks:
        try:
            mark = datum.point(check.point)
        except DatumError:
            continue
        base = segment.expected if segment.expected is not None else mark
        carried = datum.turned(segment.offset, base, mark)
        left = check.offset.less(carried)
        repaired.append((check, left, left.within(check.horizontal_m, check.vertical_m)))
    segment.repaired_checks = repaired
    if segment.agreeing:
        confirmed = []  # the sheet is what they speak against
    segment.confirmed_by = [*dict.fromkeys(confirmed), *(f"the check-in on {mark}" for mark in segment.confirming)]


def _utc_s(log: LogFile, t: float) -> float | None:
    utc = log.utc_at(t)
    return (utc - _EPOCH).total_seconds() if utc is not None else None


def year_of(utc: float) -> float:
    """2026.46 of UTC seconds."""
    return decimal_year(_EPOCH + dt.timedelta(seconds=utc))


def _marks(checks: Iterable[Check]) -> list[str]:
    return list(dict.fromkeys(check.point for check in checks))


def _nearer(one: Enu, other: Enu) -> bool:
    return math.hypot(*one) < _NEARER * math.hypot(*other)
