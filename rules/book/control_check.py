"""control-check (stop): the rover stands on a control point, and does not read that point's coordinate.

When: fixed positions stay within 0.05 m of each other for 10 s on a control point, and their mean differs from it by over
√(0.03² + (2 ppm·b)²) m horizontally or √(0.05² + (3 ppm·b)²) m vertically, b the distance to the base. The stated errors of the
bundled geoid and of the project's own datum operation widen the limits. Positions are the antenna's: the pole height comes off.

"On a control point" is: within 0.15 m of it in plan; or declared by a person; or, while the base is not proven right, within
0.05 m of it as a cause of a base's wrong coordinate would move it (`rules.datum.marks`). While the pole leans past 1.5°
uncompensated, or past its limit, the rule waits. Positions with fewer decimals than the limits need are declined: an event.
A declared point over 10 m away is asked about, and no check, where nothing explains it and the base's coordinate is not wrong.
A base over another mark than it was told explains it, whatever it sends; undeclared only where the first fix has shown that it
stands elsewhere (`base-datum`), for stakes of a grid lie as far from each other as its marks do.
With a moving base nothing is judged; a network's coordinate can only be of another frame.

Every check is an event, passed or not: the proof that the crew checked in. The mean goes on while the rover stands, and is
judged anew whenever its time has doubled. A check that only says again what the one before said says so (`again`): the same
mark passed within the minute, by the same set-up and the same fix, because the pole wobbled or a person declared the stand.

Causes: the rover's own (`rover-pole`, `leaning-pole`, `mark-or-point`); the base's set-up (`base-set-up`: what it sends may be
right, and its antenna not over the mark, or not as high as it was told); and, while the base is not proven right, those of
`base-datum`, since a rover carries its base's error; first of these the antenna height that the base says, where no tripod is
that high and the rover is off by as much. It never asks anyone to give the base the rover's point.
Two marks that miss by one vector (`rules.datum.misses`) are neither a lean nor a disturbed mark. Where another one passes after
a miss, a note says that neither base nor pole was the cause (`only-there`), and they are no longer named for the same miss.
Source: common practice (checking in on a known point; the limits are a receiver's own figures, doubled), no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from witnesspost.rules.book.coordinate_words import CONTROL_CAUSES, ONLY_THERE, words_of
from witnesspost.rules.book.lean import Lean
from witnesspost.rules.book.occupied_mark import Check, Marks
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum.explanation import Verdict, in_words
from witnesspost.rules.datum.geodesy import ExpectedArp
from witnesspost.rules.datum.marks import Step
from witnesspost.rules.datum.misses import Misses
from witnesspost.rules.datum.occupation import Occupation, stands
from witnesspost.rules.datum.prediction import Rover
from witnesspost.rules.datum.verdict import Datum, by_said_height, causes_of, evidence_of, not_judged
from witnesspost.rules.engine.check_in import WITHIN_S, DeclaredCheck, Hindrance, Outcome
from witnesspost.rules.engine.checked import Checked
from witnesspost.rules.engine.pole import PLUMB_DEG
from witnesspost.rules.engine.rule import Cause, Delays, Finding, Rule
from witnesspost.rules.engine.stretch import OFTEN_S, WAIT_S
from witnesspost.rules.facts import CheckIn, Fact, Fix, SetUp, Tilt
from witnesspost.rules.gnss import FixQuality
from witnesspost.rules.language.names import called

_GAP_S = 3.0  # a longer gap between two fixed positions ends the occupation, or two of their intervals
_RAREST_S = 6.0  # a receiver that says its position more rarely checks nothing
_SAME_S = 60.0  # who stands on the same mark again within it has not gone on: common practice, no source
_FAR_M = 10.0  # no rover error but a wrong point is as large; common practice, no source
_FIXED = int(FixQuality.RTK_FIXED)
_SLACK_S = 1e-3  # what sums of times may be off


class ControlCheckFigures(Delays, kw_only=True):
    """Limits in metres and in millionths of the distance to the base; how near counts as on the point, and as moved by a base's
    cause; how long and how still the rover must stand; how far its pole may lean, plain and compensated.
    """

    horizontal_m: float = 0.03
    vertical_m: float = 0.05
    horizontal_ppm: float = 2.0
    vertical_ppm: float = 3.0
    within_m: float = 0.15
    moved_m: float = 0.05
    still_s: float = 10.0
    still_m: float = 0.05
    lean_deg: float = 1.5
    compensated_deg: float = 30.0


class ControlCheck(Rule[ControlCheckFigures]):
    """Follows each occupation by arithmetic alone; geodesy only once it has lasted."""

    name = "control-check"
    severity = "stop"
    roles = ("rover",)
    needs = ("base-datum",)
    sees: tuple[type[Fact], ...] = (Fix, Tilt, CheckIn, SetUp)
    causes = CONTROL_CAUSES
    Figures = ControlCheckFigures

    def begin(self) -> None:
        # The first of those that wait may confirm the position before it: the occupation began with that one.
        self.can_wait = self.figures.lean_deg >= PLUMB_DEG and self.figures.still_s >= WAIT_S + OFTEN_S
        self._datum = Datum(self.site)
        if not self._datum.has_control or self.scene.base_kind == "moving":
            self.sees = ()
        self._marks = Marks(self.scene, self._datum, self.figures.moved_m)
        self._occupation: Occupation | None = None
        self._last: Fix | None = None  # a position that no other has confirmed: a walking rover's
        self._lean = Lean(self.site, self.figures.lean_deg, self.figures.compensated_deg)
        self._finding: Finding | None = None
        self._misses, self._since = Misses(), self.scene.renewed
        self._only_there: Finding | None = None  # while the rover stands on the mark that passed
        self._set_up = self.site.base, self.site.rover
        self._passed: tuple[object, ...] | None = None  # what the last check was of, where it passed
        self._passed_t = -math.inf  # until then the rover stood for it, as far as is known
        self._events: list[tuple[float, str, dict[str, Any]]] = []

    def see(self, fact: Fact) -> bool | None:
        """A position, or a word of the sensor or a person."""
        if isinstance(fact, Fix):
            return self.see_positions((fact,))
        if isinstance(fact, Tilt):
            self._lean.put(fact)
            return True
        if isinstance(fact, CheckIn):
            self._see_check_in(fact)
        elif isinstance(fact, SetUp) and self._set_up != (self.site.base, self.site.rover):
            self._set_up = self.site.base, self.site.rover
            self._datum = Datum(self.site)
            self._marks = Marks(self.scene, self._datum, self.figures.moved_m)
            self._misses = Misses()
            self._judge_anew()
        return None

    def see_positions(self, fixes: Sequence[Fix]) -> bool | None:
        """Each goes on with the occupation, begins one, or ends it."""
        before = self._occupation
        seen = 0
        while seen < len(fixes):
            gone_on = self._go_on(fixes[seen:]) if self._occupation is not None else 0
            seen += gone_on or self._walk(fixes[seen:])
        return self._finding is None and (self._occupation is before or self._occupation is None)

    def due(self) -> float:
        """At once while something stands; else when the occupation will have lasted, or a declared check-in's time is over."""
        if self._finding is not None:
            return 0.0
        occupation, declared = self._occupation, self._declared
        lasted_t = math.inf if occupation is None else occupation.since + occupation.next_at_s(self.figures.still_s) - _SLACK_S
        return lasted_t if declared is None else min(lasted_t, declared.t + WITHIN_S)

    def judge(self, t: float) -> Iterable[Finding]:
        """Judged when the rover has stood long enough, and each time that time has doubled."""
        occupation = self._occupation
        if occupation is not None and t - occupation.last_t > self._gap_s(occupation):
            self._leave("gap")
            occupation = None
        if occupation is None:
            self._give_up(t)
            return ()
        if self._lasted(occupation):
            first = occupation.judged_s is None
            occupation.judged_s = occupation.lasted_s
            self._judge(occupation, t, first)
        return (self._finding,) if self._finding is not None else ()

    def take_events(self) -> list[tuple[float, str, dict[str, Any]]]:
        """The checks since the last call, one an occupation, passed or not."""
        events, self._events = self._events, []
        return events

    @property
    def _declared(self) -> DeclaredCheck | None:
        """The check-in that a person waits for."""
        declared = self.scene.declared
        return declared if declared is not None and declared.outcome is None else None

    def _see_check_in(self, said: CheckIn) -> None:
        declared = self.scene.declared = DeclaredCheck(said, self.figures.still_s)
        if self.site.control_point(said.point) is None:
            declared.end(said.t, "unknown-point")
        elif self._occupation is None:
            declared.hindrance = self._hindrance(self.scene.fix) or "walking"
        else:  # ten seconds from now on; what stands, stands until then
            self._occupation = self._occupation.anew()

    def _judge_anew(self) -> None:
        if self._occupation is not None:
            self._occupation.judged_s = None

    def _give_up(self, t: float) -> None:
        """Nobody has stood within the time."""
        declared = self._declared
        if declared is not None and t >= declared.t + WITHIN_S:
            why = {"point": declared.point, "by": declared.by, "hindrance": declared.hindrance}
            declared.end(t, "given-up", why)
            self._events.append((t, "check-in-given-up", why))

    def _hindrance(self, fix: Fix | None) -> Hindrance | None:
        """Why this position cannot be part of a check."""
        if fix is None or fix.latitude is None or fix.longitude is None or fix.height_m is None:
            return "no-position"
        if fix.quality != _FIXED:
            return "not-fixed"
        return "leaning" if self._lean.leans(fix.t) else None

    def _go_on(self, fixes: Sequence[Fix]) -> int:
        """Of positions that nothing hinders, how many go on with the occupation."""
        occupation, first = self._occupation, fixes[0]
        if occupation is None or first.quality != _FIXED or self._lean.leans(first.t):
            return 0
        if not self._in_time(occupation, first):  # those after it are: each goes on as the one before
            return 0
        seen = occupation.add_near(fixes, self.figures.still_m)
        declared = self._declared
        if seen and declared is not None:
            declared.stood_s, declared.hindrance = occupation.lasted_s, None
        return seen

    def _walk(self, fixes: Sequence[Fix]) -> int:
        """Of positions of which the first goes on with no occupation, those up to one that begins the next: how many."""
        hindrance = self._hindrance(fixes[0])
        if hindrance is not None:
            self._leave(hindrance)
            if hindrance == "leaning":
                return self._lean_on(fixes)
            self._passed = None  # once fixed anew, the same mark is an independent check
            return 1
        last, still_m = self._last, self.figures.still_m
        self._leave("walking")
        for seen, fix in enumerate(fixes):
            if fix.latitude is None or fix.longitude is None or fix.height_m is None:
                self._last = last
                return seen
            if last is not None and fix.t - last.t <= _RAREST_S and stands(last, fix, still_m):
                self._occupation = Occupation(last)
                self._occupation.add(fix)
                return seen + 1
            last = fix
        self._last = last
        return len(fixes)

    def _lean_on(self, fixes: Sequence[Fix]) -> int:
        """For how many of these, the first among them, the pole leans as for the first."""
        for seen, fix in enumerate(fixes):
            if fix.latitude is None or fix.longitude is None or fix.height_m is None or not self._lean.leans(fix.t):
                return seen
        return len(fixes)

    def _leave(self, hindrance: Hindrance) -> None:
        if self._occupation is not None and self._occupation.judged_s is not None:
            self._passed_t = self._occupation.last_t
        self._occupation = self._last = None
        self._finding = self._only_there = None
        if self._declared is not None:
            self._declared.stood_s, self._declared.hindrance = 0.0, hindrance

    def _in_time(self, occupation: Occupation, fix: Fix) -> bool:
        since_s = fix.t - occupation.last_t
        return since_s <= _GAP_S or since_s <= self._gap_s(occupation)

    def _gap_s(self, occupation: Occupation) -> float:
        interval_s = occupation.lasted_s / (occupation.count - 1) if occupation.count > 1 else _GAP_S
        return max(_GAP_S, 2.5 * interval_s)

    def _lasted(self, occupation: Occupation) -> bool:
        return occupation.count > 1 and occupation.lasted_s >= occupation.next_at_s(self.figures.still_s)

    def _judge(self, occupation: Occupation, t: float, first: bool) -> None:
        check = self._checked(occupation, t)
        self._finding = None
        if check is None:
            self._passed = None  # the rover has gone on
            return
        seen = _seen(occupation, check, self.site.rover.pole_height_m)
        coarse_m, (horizontal_m, vertical_m), offset = occupation.resolution_m, check.limits, check.offset
        if coarse_m[0] > horizontal_m or coarse_m[1] > vertical_m:
            if first:
                why = {"horizontal_digit_m": round(coarse_m[0], 4), "vertical_digit_m": round(coarse_m[1], 4)}
                self._events.append((t, "control-check-declined", {**seen, **why}))
                self._end_check_in(t, check, {**seen, **why})
            return
        passed = offset.within(horizontal_m, vertical_m)
        station = self.scene.station()
        if station is not None:
            base = Ecef(station.x_m, station.y_m, station.z_m)
            self.scene.checks[check.point.point] = Checked(check.point.point, base, offset, check.limits, passed)
        if first:
            declared = self._declared
            by = declared.by if declared is not None and declared.point == check.point.point else None
            again = self._says_again(check.point.point, passed, t)
            self._events.append((t, "control-check", {"passed": passed, **seen, "by": by, "again": again}))
        if self._since != self.scene.renewed:
            self._misses, self._since = Misses(), self.scene.renewed
        if passed:
            self.scene.prove_place(t)
            missed = self._misses.passed(check.point.point, t)
            if missed is not None:
                self._only_there = _only_there(check.point.point, missed, occupation.stream)
        else:
            self._finding = self._failed(check, seen, occupation.stream, t)
            if self._finding.severity is None:
                self._misses.missed(check.step, check.limits, t)
        self._end_check_in(t, check, seen, passed)
        if passed:
            self._finding = self._only_there

    def _says_again(self, point: str, passed: bool, t: float) -> bool:
        """True where the check before has said all this: the same physical check-in."""
        before, before_t = self._passed, self._passed_t
        self._passed, self._passed_t = (point, *self._set_up, self.scene.renewed) if passed else None, t
        return passed and self._passed == before and t - before_t <= _SAME_S

    def _end_check_in(self, t: float, check: Check, seen: dict[str, Any], passed: bool | None = None) -> None:
        """The point that a person has declared is judged (`passed` None: it cannot be)."""
        declared = self._declared
        if declared is not None and declared.point == check.point.point:
            outcome: Outcome = "declined" if passed is None else "passed" if passed else "failed"
            declared.end(t, outcome, seen, self._finding)

    def _failed(self, check: Check, seen: dict[str, Any], stream: str, t: float) -> Finding:
        point, offset = check.point, check.offset
        base = self._marks.base_arp()
        expected = base or point
        pole_m = self.site.rover.pole_height_m
        proven = self.scene.proven_right()
        same_on = self._misses.same_on(check.step, check.limits)
        rover = Rover(
            point=point,
            pole_m=pole_m,
            tilt_deg=self._lean.angle_deg(t),
            others=self._marks.listed(point),
            taken_off_deg=self._lean.taken_off_deg(t),
            same_on=same_on,
            passed_between=self._misses.passed_between(check.step, check.limits),
        )
        situation = self._datum.situation(
            expected,
            self.scene.utc_at(t),
            self.scene.fix,
            rover=rover,
            base=not proven,
            typing=check.typing,
            network=self.scene.base_kind == "network",
        )
        if check.base_error is not None:
            verdict = self._datum.why(check.base_error, self._datum.situation(expected, self.scene.utc_at(t), self.scene.fix))
        else:
            verdict = self._by_doubtful_height(check) or self._datum.why(
                self._datum.turned(offset, point, expected), situation, check.noise, check.own_position
            )
        noted = self._datum.not_judged(offset, check.limits[0])
        antenna_m = situation.antenna_height_m
        if noted:
            which = "antenna-height-doubled" if offset.up_m > 0 else "antenna-height-missing"
            verdict = not_judged(verdict, offset, {"rover-pole": pole_m} | ({} if proven else {which: antenna_m}))
        words = words_of(
            offset,
            point,
            verdict,
            self.site,
            antenna_m,
            check.distance_m,
            proven,
            base.point if base is not None else None,
            rover,
            proven and self.scene.base_agrees() is not True,
        )
        on, said = called(point.point), words["offset"]
        head = f"On {on} the rover reads {said}."
        if same_on is not None:
            head = f"On {on} the rover reads the same as on {called(same_on)}: {said}."
        return Finding(
            causes=causes_of(verdict),
            stream=stream,
            key=point.point,
            severity="note" if noted else None,
            evidence={
                **evidence_of(offset, point, verdict, *check.limits),
                **seen,
                "base_proven_right": proven,
                "same_on": same_on,
            },
            words={**words, "head": head},
        )

    def _by_doubtful_height(self, check: Check) -> Verdict | None:
        """The base's antenna height that no tripod has, where the rover is off by as much as it is over the one expected."""
        station = self.scene.station()
        base = self.scene.base_of(station.station_id) if station is not None else None
        if station is None or base is None or base.kind != "own":
            return None
        return by_said_height(check.offset, station.antenna_height_m, base.antenna_height_m, check.limits)

    def _checked(self, occupation: Occupation, t: float) -> Check | None:
        """The control point that is occupied; None where it is no control point."""
        tip = self._datum.tip(occupation.mean, self.site.rover.pole_height_m)
        distance_km = self.scene.distance_km()
        distance_m = None if distance_km is None else distance_km * 1000.0
        steps = [Check(point, self._datum.offset(tip, point), self._limits(point, distance_m), distance_m)
                 for point in self._marks.listed()]  # fmt: skip
        declared = self.scene.declared
        if declared is not None and declared.is_of(occupation.since) and declared.t <= t:
            named = next((step for step in steps if step.point.point == declared.point), None)
            if named is not None:
                named = named._replace(typing=True, own_position=True)
                if not self._elsewhere(named, occupation, declared, t):
                    return named
        carried = self._marks.carried(steps)
        if carried is not None:
            return carried
        nearest = min(steps, key=lambda step: step.plan_m)
        if nearest.plan_m <= max(self.figures.within_m, occupation.resolution_m[0]):
            return nearest._replace(typing=self._marks.shown_twice(nearest))
        return self._marks.moved(steps, t) if self.scene.displaced or not self.scene.proven_right() else None

    def _elsewhere(self, check: Check, occupation: Occupation, declared: DeclaredCheck, t: float) -> bool:
        """True, and the check-in ended, where the rover can hardly stand on the point that a person has declared."""
        if check.plan_m <= _FAR_M or self.scene.base_agrees() is False:
            return False
        seen = _seen(occupation, check, self.site.rover.pole_height_m)
        if self._failed(check, seen, occupation.stream, t).causes[0].cause != "unexplained":
            return False
        declared.end(t, "elsewhere", seen)
        self._events.append((t, "check-in-elsewhere", {**seen, "by": declared.by}))
        return True

    def _limits(self, point: ExpectedArp, distance_m: float | None) -> tuple[float, float]:
        figures, far_m = self.figures, (distance_m or 0.0) * 1e-6
        horizontal_m = math.hypot(figures.horizontal_m, figures.horizontal_ppm * far_m)
        return self._datum.limits(point, horizontal_m, math.hypot(figures.vertical_m, figures.vertical_ppm * far_m))


def _only_there(point: str, missed: Step, stream: str) -> Finding:
    """A mark passes, and another one has missed before it."""
    return Finding(
        causes=[Cause(cause=ONLY_THERE)],
        stream=stream,
        key=f"only {missed.point}",
        severity="note",
        evidence={
            "point": point,
            "missed": missed.point,
            "east_m": round(missed.offset.east_m, 4) + 0.0,
            "north_m": round(missed.offset.north_m, 4) + 0.0,
            "up_m": round(missed.offset.up_m, 4) + 0.0,
        },
        words={"offset": in_words(missed.offset)},
    )


def _seen(occupation: Occupation, check: Check, pole_m: float) -> dict[str, Any]:
    """What the check measured, and against which limits."""
    scatter_horizontal_m, scatter_up_m = occupation.scatter
    return {
        "point": check.point.point,
        "epochs": occupation.count,
        "stood_s": round(occupation.lasted_s, 1),
        "scatter_horizontal_m": round(scatter_horizontal_m, 4),
        "scatter_up_m": round(scatter_up_m, 4),
        "pole_height_m": pole_m,
        "east_m": round(check.offset.east_m, 4) + 0.0,
        "north_m": round(check.offset.north_m, 4) + 0.0,
        "up_m": round(check.offset.up_m, 4) + 0.0,
        "tolerance_horizontal_m": round(check.limits[0], 4),
        "tolerance_vertical_m": round(check.limits[1], 4),
        "distance_m": None if check.distance_m is None else round(check.distance_m, 1),
    }
