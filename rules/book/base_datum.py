"""base-datum (stop): the base does not broadcast the coordinate that the project gives it.

When: the project's own station sends an antenna reference point (1005/1006) that differs from the site file's control point
plus antenna height by over 0.03 m horizontally or vertically; raised with the first message that shows it. Where a 1006 says
the antenna height, the mark under it is judged, unless that height is the expected one in another unit. The stated errors of
the bundled geoid and of the project's own datum operation widen the tolerances. Another base of the project's own is judged at
its own mark; a foreign station is never judged, nor a network's or a moving base's, nor one over a point that is not listed.

Over the bundled geoid, a coordinate whose plan is right and whose height is less than 3 m off is a note: EGM96 is no national
height system, and heights cannot be judged better there.

At the rover: each time the position's quality changes, it jumps; from autonomous to fixed the jumps add up to the base's error,
within the few metres of a single-point position. Over 10 m that is no single-point error. Where corrections come in on a line
of this post, their station position is waited for, 60 s. Where that is the project's, the base may still be over another mark
than it was told: told over 30 m, where the first position was no poor one, until a check on a mark passes.

Every position that is judged is an event, passed or not: what the base said, and how far it was from the sheet.

Causes: `rules.datum.hypotheses`, ranked by `rules.datum.explanation`; `other-project` where nothing
fits and the place is over 5 km from every control point, else `unexplained`. Zeros and positions
inside the earth are judged like any other. Source: common practice (0.03 m is centring, plumb and sheet), no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from msgspec import Struct
from witnesspost.rules.book.base_or_sheet import EITHER, SHEET, SHEET_CAUSES, Doubt, doubt_of, doubt_words
from witnesspost.rules.book.coordinate_words import BASE_CAUSES, words_of
from witnesspost.rules.coordinates import LEAST_RADIUS_M, Ecef, Enu
from witnesspost.rules.datum.explanation import Noise, Verdict, length_in_words
from witnesspost.rules.datum.geodesy import ExpectedArp, to_ecef
from witnesspost.rules.datum.verdict import (
    Datum,
    another_project,
    by_said_height,
    causes_of,
    evidence_of,
    not_judged,
    not_over_its_point,
    repair_of,
)
from witnesspost.rules.engine.rule import Cause, Delays, Finding, Rule
from witnesspost.rules.engine.senders import APART_M
from witnesspost.rules.facts import Fact, Fix, SetUp, Station
from witnesspost.rules.gnss import WGS84, FixQuality
from witnesspost.rules.site.antenna import height_doubt
from witnesspost.rules.site.model import Base

_ON_THE_WAY = (FixQuality.AUTONOMOUS, FixQuality.DIFFERENTIAL, FixQuality.RTK_FLOAT, FixQuality.RTK_FIXED)
_SINGLE_POINT = Noise(horizontal_m=9.0, vertical_m=15.0)  # of an autonomous position; common practice, no source
_POOR_HDOP = 5.0  # of few satellites a single-point position is out by more; common practice, no source
_STEP_S = 3.0  # two positions this close in time are one step: a walking rover moves a few metres
_NOWHERE = ("The base broadcasts no position: all zeros.", "The base broadcasts a position inside the earth.")
_DAY_S = 86_400.0  # a frame's shift is of the day: judged anew when that is another


class BaseDatumFigures(Delays, kw_only=True):
    """Tolerances in metres; `jump_m` is the jump from autonomous to fixed that cannot be the rover's own error, `jump_right_m`
    the same beside a base whose coordinate is right, and `jump_wait_s` how long a station position is waited for before.
    """

    horizontal_m: float = 0.03
    vertical_m: float = 0.03
    jump_m: float = 10.0
    jump_right_m: float = 30.0
    jump_wait_s: float = 60.0


class BaseDatum(Rule[BaseDatumFigures]):
    """Judges each of the project's bases when its coordinate is another, and once a day; at a rover also its first fix."""

    name = "base-datum"
    severity = "stop"
    needs = ("control-check",)
    sees: tuple[type[Fact], ...] = (Station, Fix, SetUp)
    can_wait = True
    absence_explains = False
    causes = BASE_CAUSES | SHEET_CAUSES
    Figures = BaseDatumFigures

    def begin(self) -> None:
        self._datum = Datum(self.site)
        self._pending: dict[str, tuple[Base, Station]] = {}
        self._judged: dict[str, _Judged] = {}  # by the finding's key, as is the dictionary above
        self._heights_m: dict[int, tuple[Ecef, float]] = {}  # by station: the position and height of its last 1006
        self._jumps = _Jumps()
        self._jumped: Jump | None = None  # the last one that was judged
        self._jump: Finding | None = None
        self._events: list[tuple[float, str, dict[str, Any]]] = []
        if not self._datum.has_control:
            self.sees = ()
        elif self.site.post.role != "rover":
            self.sees = (Station, SetUp)

    def see(self, fact: Fact) -> bool | None:
        """A station position, at the rover a fix, or a set-up by which all is judged anew."""
        if isinstance(fact, Fix):
            return self.see_positions((fact,))
        if isinstance(fact, SetUp):
            self._datum = Datum(self.site)
            judged = self._judged.get("")
            if self.site.base.occupies is None or (judged is not None and judged.station_id not in self.scene.stations):
                self._pending.pop("", None)
                self._judged.pop("", None)
                self._heights_m.clear()
            for station in self.scene.stations.values():
                self.see(station)
        if isinstance(fact, Station):
            base = self.scene.base_of(fact.station_id)
            if base is not None and base.kind == "own" and base.occupies is not None:
                shared = self.scene.senders.shared(fact.station_id, fact.t)
                if shared is not None:  # of two that have its number, ours is the one that is nearer to where it ought to be
                    expected = self._datum.arp(base, None).ecef
                    fact = min(shared.first, shared.other, key=lambda said: math.dist(_at(said), expected))
                self._pending["" if base is self.site.base else base.occupies] = base, fact
        return None

    def see_positions(self, fixes: Sequence[Fix]) -> bool | None:
        """A jump to the first fix tells of the base."""
        if self._datum.has_base:
            for fix in fixes:
                self._jumps.see(fix)
        return self._jumps.done is None

    def due(self) -> float:
        """At once where a position is unjudged or something stands; a jump when its station position was waited for."""
        if self._pending or self._jump is not None or any(judged.wrong for judged in self._judged.values()):
            return 0.0
        return self._jumps.done.t + self._wait_s if self._jumps.done is not None else math.inf

    def judge(self, t: float) -> Iterable[Finding]:
        """Judged anew when the coordinate changes, or the day that its frame is compared at."""
        pending, self._pending = self._pending, {}
        first = bool(pending) and not self._judged
        for key, (base, station) in pending.items():
            self._judge_station(key, base, station, t)
        if self._jumps.done is not None and t >= self._jumps.done.t + self._wait_s:
            self._jumped, self._jumps.done = self._jumps.done, None
            self._jump = self._judge_jump(self._jumped, t)
        elif self._jump is not None and self._jumped is not None:
            if self._is_over(self._jumped):
                self._jumped = self._jump = None
            elif first:
                self._jump = self._judge_jump(self._jumped, t)
        self.scene.displaced = self._jump is not None and self.scene.proven_right()
        found = [self._found(key, judged, judged.wrong, t) for key, judged in self._judged.items() if judged.wrong is not None]
        return [*found, self._jump] if self._jump is not None else found

    def take_events(self) -> list[tuple[float, str, dict[str, Any]]]:
        """The positions judged since the last call, passed or not."""
        events, self._events = self._events, []
        return events

    @property
    def _wait_s(self) -> float:
        return self.figures.jump_wait_s if self.scene.correction_streams and not self._judged else 0.0

    def _judge_station(self, key: str, base: Base, station: Station, t: float) -> None:
        ecef = _at(station)
        utc = self.scene.utc_at(t)
        utc_s = utc.timestamp() if utc else None
        before = self._judged.get(key)
        if before is not None and before.same(ecef, station, base) and not (before.wrong and before.old(utc_s)):
            agrees = _agrees(before.wrong is None, before.height_m, base)
            self.scene.prove(station.station_id, agrees, before.apart_m)  # a set-up makes it forgotten
            return
        if station.antenna_height_m is not None:
            self._heights_m[station.station_id] = ecef, station.antenna_height_m
        height_m = self._height_m(station.station_id, ecef)
        expected = self._datum.arp(base, height_m)
        offset = self._datum.offset(ecef, expected)
        limits = self._datum.limits(expected, self.figures.horizontal_m, self.figures.vertical_m)
        differs = not offset.within(*limits)
        apart_m = math.hypot(*offset)
        self.scene.prove(station.station_id, _agrees(not differs, height_m, base), apart_m)
        since = max(station.t, self.scene.today.t) if self.scene.today is not None else station.t
        wrong = None
        if differs:
            began = before.wrong.since if before is not None and before.wrong is not None else since
            untold = not height_m and self.scene.today is None
            situation = self._datum.situation(expected, utc, self.scene.fix, height_untold=untold)
            verdict = by_said_height(offset, height_m, base.antenna_height_m, limits) or self._datum.why(offset, situation)
            if verdict.causes[0].cause == "unexplained" and self._datum.far(ecef, expected) is not None:
                verdict = another_project(verdict)
            wrong = _Wrong(station=station, expected=expected, offset=offset, limits=limits, verdict=verdict, since=began)
        elif before is None:
            self._datum.prepare(self._datum.situation(expected, utc))
        self._judged[key] = judged = _Judged(
            ecef=ecef,
            station_id=station.station_id,
            height_m=height_m,
            base=base,
            utc_s=utc_s,
            apart_m=apart_m,
            agreed=not differs or (before is not None and before.agreed and before.base == base),
            wrong=wrong,
        )
        if before is None or not before.same(ecef, station, base):
            cause = self._found(key, judged, wrong, t).causes[0].cause if wrong is not None else None
            self._events.append((since, "base-check", self._said(station, offset, expected, limits, cause)))

    def _height_m(self, station_id: int, ecef: Ecef) -> float | None:
        """The antenna height that a 1006 has said with this very position: some bases send 1005 and 1006 by turns."""
        said_with, height_m = self._heights_m.get(station_id, (None, None))
        return height_m if said_with == ecef else None

    def _said(
        self, station: Station, offset: Enu, expected: ExpectedArp, limits: tuple[float, float], cause: str | None
    ) -> dict[str, Any]:
        """What a base's position was judged by; `project_` is along the project's own axes."""
        east, north, up = offset
        on_grid = self._datum.on_axes(_at(station), expected)
        return {
            "passed": cause is None,
            "cause": cause,
            "station_id": station.station_id,
            "point": expected.point,
            "x_m": station.x_m,
            "y_m": station.y_m,
            "z_m": station.z_m,
            "antenna_height_sent_m": station.antenna_height_m,
            "antenna_height_m": expected.antenna_height_m,
            "east_m": round(east, 4) + 0.0,
            "north_m": round(north, 4) + 0.0,
            "up_m": round(up, 4) + 0.0,
            "project_east_m": round(on_grid.east_m, 4) + 0.0,
            "project_north_m": round(on_grid.north_m, 4) + 0.0,
            "project_up_m": round(on_grid.up_m, 4) + 0.0,
            "tolerance_horizontal_m": round(limits[0], 4),
            "tolerance_vertical_m": round(limits[1], 4),
        }

    def _found(self, key: str, judged: _Judged, wrong: _Wrong, t: float) -> Finding:
        """The finding as it stands at `t`: other marks may have told by now which of the two is wrong, base or site file."""
        doubt = self._doubt(judged, wrong)
        if doubt is not None and doubt.which == "sheet":
            self.scene.prove(judged.station_id, agrees=False, apart_m=judged.apart_m, by_marks=True)
        if wrong.told is None or wrong.told[0] != doubt:
            wrong.told = doubt, self._finding(key, wrong, doubt, t)
        return wrong.told[1]

    def _doubt(self, judged: _Judged, wrong: _Wrong) -> Doubt | None:
        """None where the height alone differs and cannot be judged."""
        if self._datum.not_judged(wrong.offset, wrong.limits[0]):
            return None
        if math.hypot(*judged.ecef) < LEAST_RADIUS_M:
            return Doubt("base")
        checks = [check for check in self.scene.checks.values() if check.base == judged.ecef]
        marks = [point.name for point in self.site.project.control] if self.site.project else []
        return doubt_of(self._datum, wrong.expected, wrong.offset, checks, marks, agreed=judged.agreed)

    def _finding(self, key: str, wrong: _Wrong, doubt: Doubt | None, t: float) -> Finding:
        station, expected, offset, verdict, limits = wrong.station, wrong.expected, wrong.offset, wrong.verdict, wrong.limits
        antenna_m = expected.antenna_height_m
        if doubt is None:
            which = "antenna-height-doubled" if offset.up_m > 0 else "antenna-height-missing"
            verdict = not_judged(verdict, offset, {which: antenna_m})
        rover_m, site = self._rover_m(), self.site
        words = words_of(offset, expected, verdict, site, antenna_m, rover_m, base_point=expected.point)
        words |= doubt_words(
            doubt or Doubt("base"),
            _nowhere(station),
            verdict,
            repair_of(offset, verdict, rover_m),
            words,
            site.post.role,
            told=self.scene.today is not None,
            plan=math.hypot(offset.east_m, offset.north_m) > limits[0],
            far=math.hypot(offset.east_m, offset.north_m) > APART_M,
        )
        words["away"] = length_in_words(self._datum.far(_at(station), expected) or 0.0)
        if height_doubt(station.antenna_height_m, antenna_m) == verdict.causes[0].cause:
            said_m = station.antenna_height_m or 0.0
            words["compare"] = f"Which antenna height is typed at the base? It says {said_m:.3f} m; expected {antenna_m:.3f} m."
        by_marks = doubt is not None and doubt.which in ("either", "sheet")
        causes = causes_of(verdict)
        if by_marks:
            causes = [Cause(cause=SHEET if doubt is not None and doubt.which == "sheet" else EITHER)]
        settled = by_marks and causes[0].cause == SHEET
        untold = verdict.causes[0].cause == "other-antenna-height"
        return Finding(
            causes=causes,
            stream=station.stream,
            key=f"{key} sheet" if settled else key,  # the stop ends, and another alert begins
            since=t if settled else wrong.since,
            severity="note" if doubt is None or (settled and untold) else "check" if settled else None,
            evidence={
                "station_id": station.station_id,
                "x_m": station.x_m,
                "y_m": station.y_m,
                "z_m": station.z_m,
                "antenna_height_sent_m": station.antenna_height_m,
                **evidence_of(offset, expected, verdict, *limits),
            },
            words=words,
        )

    def _rover_m(self) -> float | None:
        """How far the rover is from the base, where this post stands with the rover."""
        distance_km = self.scene.distance_km() if self.site.post.role == "rover" else None
        return None if distance_km is None else distance_km * 1000.0

    def _is_over(self, jump: Jump) -> bool:
        """True where the base is no longer as it was at the jump, has been judged wrong itself, or a check has passed since."""
        renewed = self.scene.renewed
        return (
            self.scene.base_agrees() is False or self.scene.placed_t >= jump.t or (renewed is not None and renewed.t > jump.t)
        )

    def _judge_jump(self, jump: Jump, t: float) -> Finding | None:
        right = self.scene.proven_right()
        if self._is_over(jump) or (right and jump.poor):
            return None
        least_m = self.figures.jump_right_m if right else self.figures.jump_m
        station = self.scene.station()
        base = self.scene.base_of(station.station_id) if right and station is not None else None
        expected = self._datum.expected if base is None else self._datum.arp(base, None)
        offset = self._datum.offset(jump.to, expected)
        start = self._datum.offset(jump.start, expected)
        moved = Enu(*(b - a for a, b in zip(start, offset, strict=True)))
        if math.hypot(moved.east_m, moved.north_m) <= least_m and (right or abs(moved.up_m) <= least_m):
            return None
        situation = self._datum.situation(
            expected, self.scene.utc_at(t), self.scene.fix, base=not right, typing=False, carried=True
        )
        verdict = self._datum.why(moved, situation, _SINGLE_POINT, may_be_autonomous=False)
        if right:
            verdict = not_over_its_point(verdict, expected)
        words = words_of(moved, expected, verdict, self.site, expected.antenna_height_m, None, base_point=expected.point)
        head = f"With its fix the rover's position jumped: {words['offset']}, give or take a few metres."
        repair, told = repair_of(moved, verdict, None), self.scene.today is not None
        if right:
            words["head"], words["correct"] = head, f"Then check in on {words['check_in']}."
            words["compare"] = f"The base sends the coordinate of {words['base_point']}: does it stand there?"
        else:
            words |= doubt_words(Doubt("open"), head, verdict, repair, words, self.site.post.role, told=told, plan=True)
        return Finding(
            causes=causes_of(verdict),
            stream=jump.stream,
            key="jump",
            since=jump.t,
            evidence=evidence_of(moved, expected, verdict, least_m, least_m),
            words=words,
        )


class _Wrong(Struct, kw_only=True):
    """A base's coordinate that differs from the project's by `offset`, since when and why; `told` is the last finding of it,
    and by which doubt."""

    station: Station
    expected: ExpectedArp
    offset: Enu
    limits: tuple[float, float]
    verdict: Verdict
    since: float
    told: tuple[Doubt | None, Finding] | None = None


class _Judged(Struct, frozen=True, kw_only=True):
    """A base's coordinate as it was judged: where, with which antenna height, by which set-up of that base, when (UTC seconds),
    how far it was from the project's, if it has ever agreed with it, and what is wrong now."""

    ecef: Ecef
    station_id: int
    height_m: float | None
    base: Base
    utc_s: float | None
    apart_m: float
    agreed: bool
    wrong: _Wrong | None

    def same(self, ecef: Ecef, station: Station, base: Base) -> bool:
        """True while the base says what was judged, and ought to say the same."""
        if (self.ecef, self.station_id, self.base) != (ecef, station.station_id, base):
            return False
        return station.antenna_height_m in (None, self.height_m)

    def old(self, utc_s: float | None) -> bool:
        """True once the day is another than when it was judged, or known for the first time."""
        return utc_s is not None and (self.utc_s is None or abs(utc_s - self.utc_s) > _DAY_S)


class Jump:
    """From the last autonomous position to the first fixed one, without the walking in between; geocentric metres. `poor` where
    that position was of few satellites.
    """

    def __init__(self, fix: Fix, start: Ecef, to: Ecef, poor: bool):
        self.t, self.stream = fix.t, fix.stream
        self.start, self.to, self.poor = start, to, poor


class _Jumps:
    """Adds up the steps at which the quality changes, from autonomous to fixed."""

    def __init__(self) -> None:
        self.done: Jump | None = None
        self._last: Fix | None = None  # while there is something to add up
        self._sum = Ecef(0.0, 0.0, 0.0)
        self._poor = False

    def see(self, fix: Fix) -> None:
        autonomous, last = fix.quality == FixQuality.AUTONOMOUS, self._last
        if last is None and not autonomous:
            return
        if fix.quality not in _ON_THE_WAY or fix.latitude is None or fix.longitude is None or fix.height_m is None:
            return
        self._last = fix
        if autonomous:
            self._sum = Ecef(0.0, 0.0, 0.0)
            self._poor = fix.hdop is not None and fix.hdop > _POOR_HDOP
        elif last is not None and last.quality != fix.quality:
            if fix.t - last.t > _STEP_S:
                self._last = None
                return
            ecef = _ecef(fix)
            self._sum = _plus(self._sum, _minus(ecef, _ecef(last)))
            if fix.quality == FixQuality.RTK_FIXED:
                self.done = Jump(fix, _minus(ecef, self._sum), ecef, self._poor)
                self._last = None


def _ecef(fix: Fix) -> Ecef:
    assert fix.latitude is not None
    assert fix.longitude is not None
    assert fix.height_m is not None
    return to_ecef(fix.latitude, fix.longitude, fix.height_m + (fix.separation_m or 0.0), WGS84)


def _at(station: Station) -> Ecef:
    return Ecef(station.x_m, station.y_m, station.z_m)


def _agrees(right: bool, height_m: float | None, base: Base) -> bool | None:
    """Whether it proves the base right: a mark that is right under a doubtful antenna height proves nothing (None)."""
    return None if right and height_doubt(height_m, base.antenna_height_m) is not None else right


def _nowhere(station: Station) -> str | None:
    """What is said of a position that no base has."""
    from_centre_m = math.hypot(station.x_m, station.y_m, station.z_m)
    return None if from_centre_m >= LEAST_RADIUS_M else _NOWHERE[from_centre_m > 0.0]


def _plus(one: Ecef, two: Ecef) -> Ecef:
    return Ecef(one.x_m + two.x_m, one.y_m + two.y_m, one.z_m + two.z_m)


def _minus(one: Ecef, two: Ecef) -> Ecef:
    return Ecef(one.x_m - two.x_m, one.y_m - two.y_m, one.z_m - two.z_m)
