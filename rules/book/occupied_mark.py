"""Which mark of the control list a standing rover may be on: where it is, or where a base's error has moved it to."""

from __future__ import annotations

import math
from typing import NamedTuple

from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.explanation import Noise
from witnesspost.rules.datum.geodesy import ExpectedArp
from witnesspost.rules.datum.hypotheses import autonomous, predictions
from witnesspost.rules.datum.marks import EASY, Moves, Step, Steps
from witnesspost.rules.datum.prediction import Rover
from witnesspost.rules.datum.verdict import Datum
from witnesspost.rules.engine.scene import Scene

_DAY_S = 86_400.0
_EASY_AT, _OWN_AT = 2, 3  # so many marks must show the same step: stakes stand on round metres


class Check(NamedTuple):
    """An occupation as seen from one mark: how far off, within which limits, and what may explain it beside the rest."""

    point: ExpectedArp
    offset: Enu
    limits: tuple[float, float]
    distance_m: float | None
    typing: bool = False
    own_position: bool = False
    base_error: Enu | None = None  # of the base's broadcast, where it is what the rover carries

    @property
    def plan_m(self) -> float:
        """How far off it is in plan, metres."""
        return math.hypot(self.offset.east_m, self.offset.north_m)

    @property
    def noise(self) -> Noise:
        """What the limits let pass as right is no less than what the rover's own noise is."""
        return Noise(horizontal_m=self.limits[0], vertical_m=self.limits[1])

    @property
    def step(self) -> Step:
        """The same as a step away from the mark."""
        return Step(self.point.point, self.offset)


class Marks:
    """The marks of one set-up's list; those that a cause of the base's moves are near within `moved_m`."""

    def __init__(self, scene: Scene, datum: Datum, moved_m: float):
        self._scene, self._datum, self._moved_m = scene, datum, moved_m
        self._points: tuple[ExpectedArp, ...] | None = None
        self._moves: tuple[tuple[float | None, bool], Moves, Moves] | None = None
        self._steps = Steps()

    def listed(self, but: ExpectedArp | None = None) -> tuple[ExpectedArp, ...]:
        """The marks of the control list: all, or all `but` one."""
        if self._points is None:
            control = self._datum.site.project.control if self._datum.site.project else []
            self._points = tuple(self._datum.point(point.name) for point in control)
        return tuple(point for point in self._points if point is not but)

    def base_arp(self) -> ExpectedArp | None:
        """Where the base that the rover uses ought to be; None where the site file does not say it."""
        station = self._scene.station()
        base = self._scene.base_of(station.station_id) if station is not None else self._datum.site.base
        if base is None or base.kind != "own" or base.occupies is None or not self._datum.has_control:
            return None
        return self._datum.arp(base, station.antenna_height_m if station is not None else None)

    def shown_twice(self, check: Check) -> bool:
        """True where another mark has shown the same step: stakes stand on round metres."""
        return self._steps.repeated(check.step) >= _EASY_AT

    def carried(self, steps: list[Check]) -> Check | None:
        """The mark that the base's own wrong broadcast moves to where the rover stands: then the base's error is known."""
        station = self._scene.station()
        expected = self.base_arp()
        if station is None or expected is None or self._scene.proven_right():
            return None
        error = self._datum.offset(Ecef(station.x_m, station.y_m, station.z_m), expected)
        for step in steps:
            left = self._datum.turned(step.offset, step.point, expected).less(error)
            if left.within(max(step.limits[0], self._moved_m), step.limits[1]):
                return step._replace(base_error=error)
        return None

    def moved(self, steps: list[Check], t: float) -> Check | None:
        """The mark that a cause of the base's moves to where the rover stands."""
        predicted, easy = self._predicted(t, steps[0].point)
        expected = self.base_arp()
        shown_twice: list[Check] = []
        for step in steps:
            at_base = step.offset if expected is None else self._datum.turned(step.offset, step.point, expected)
            if predicted.causes(at_base, step.noise):
                return step
            if easy.causes(at_base, step.noise):
                shown_twice.append(step)
        own = [step for step in steps if autonomous(step.offset)]
        found = next((step._replace(typing=True) for step in shown_twice if self._steps.repeated(step.step) >= _EASY_AT), None)
        if found is None:
            found = next((step._replace(own_position=True) for step in own if self._steps.repeated(step.step) >= _OWN_AT), None)
        for one in {step.point.point: step.step for step in (*shown_twice, *own)}.values():
            self._steps.add(one)
        return found

    def _predicted(self, t: float, mark: ExpectedArp) -> tuple[Moves, Moves]:
        """Where the causes of a base's wrong coordinate put a mark, on the day; and those that must show twice."""
        utc = self._scene.utc_at(t)
        day = utc.timestamp() // _DAY_S if utc else None
        proven = self._scene.proven_right()
        if self._moves is None or self._moves[0] != (day, proven):
            expected = self.base_arp() or mark
            rover = Rover(point=mark, pole_m=self._datum.site.rover.pole_height_m)
            network = self._scene.base_kind == "network"
            ways = predictions(
                self._datum.situation(expected, utc, self._scene.fix, rover=rover, base=not proven, network=network)
            )
            ways = [way for way in ways if way.alone and not way.vague]
            self._moves = (
                (day, proven),
                Moves((way for way in ways if way.cause not in EASY), self._moved_m),
                Moves((way for way in ways if way.cause in EASY), self._moved_m),
            )
        return self._moves[1], self._moves[2]
