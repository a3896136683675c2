"""tilt (check): the pole is not where the position says it is.

When, for 3 s: the tilt sensor says that it is not aligned, or the pole leans past 15° while the rover stands. A pole that
leans while it is carried (the position moves by over a metre every 3 s) is nobody's point.

Causes: `sensor-not-aligned`, `pole-too-far-over`.
Source: a pole of length L that leans by θ has its antenna L·sin θ beside and
L·(1 − cos θ) lower than a plumb one: so far beside and too low comes the point (geometry); 15° is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.engine.bound import Bound
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Fact, Fix, Tilt

_METRES_PER_DEGREE = 111_320.0


class TiltFigures(Delays, kw_only=True):
    """`limit_deg` and `deadband_deg` off plumb; a move of `standing_m` is a step; a Tilt older than `silent_s` is nothing."""

    on_delay_s: float = 3.0
    off_delay_s: float = 3.0
    limit_deg: float = 15.0
    deadband_deg: float = 2.0
    standing_m: float = 1.0
    silent_s: float = 5.0


class TiltRule(Rule[TiltFigures]):
    """See the module."""

    name = "tilt"
    severity = "check"
    at = ("rover",)
    sees = (Tilt, Fix)
    causes = {
        "sensor-not-aligned": Advice(
            "The pole's tilt sensor is not aligned: {error}.",
            (
                "Either: align it: about half a minute of walking and turning with the pole, until the receiver says so.",
                "Or: switch tilt correction off, and plumb each point with the bubble.",
                "Tilted points since this began: observe them again.",
            ),
        ),
        "pole-too-far-over": Advice(
            "The pole leans {angle_deg}°: {error}, if nothing corrects it.",
            (
                "Either: plumb the pole with the bubble.",
                "Or: lean it under {limit_deg}° with tilt correction on and aligned (half a minute of walking and turning).",
                "Point not reachable upright? Take an offset from two plumb points.",
            ),
        ),
    }
    Figures = TiltFigures

    def begin(self) -> None:
        self._over = Bound(above=self.figures.limit_deg, deadband=self.figures.deadband_deg)
        self._unaligned_since: float | None = None
        self._last: Tilt | None = None
        self._angle_deg: float | None = None
        self._here: tuple[float, float] | None = None
        self._metres_east = 0.0
        self._moved_at: float | None = None

    def see(self, fact: Fact) -> None:
        if isinstance(fact, Tilt):
            self._last = fact
            if fact.angle_deg is not None:
                self._angle_deg = abs(fact.angle_deg)
                self._over.put(fact.t, self._angle_deg)
            if fact.aligned is not None:
                self._unaligned_since = None if fact.aligned else self._unaligned_since or fact.t
            if self._unaligned_since is not None or self._over.since is not None:
                self.quiet_until = 0.0
        elif isinstance(fact, Fix) and fact.latitude is not None and fact.longitude is not None:
            self._move(fact.t, fact.latitude, fact.longitude)

    def judge(self, t: float) -> Iterable[Finding]:
        if self._unaligned_since is None and self._over.since is None:
            self.quiet_until = math.inf
        if self._last is None or t - self._last.t > self.figures.silent_s:
            return
        if self._unaligned_since is not None:
            yield self._finding("sensor-not-aligned", self._unaligned_since)
        if self._over.since is not None:
            # Only a lean that has outlasted the last step by the on-delay is one that somebody measures with.
            since = max(self._over.since, self._moved_at if self._moved_at is not None else self._over.since)
            if t - since >= self.figures.on_delay_s:
                yield self._finding("pole-too-far-over", since)

    def _move(self, t: float, latitude: float, longitude: float) -> None:
        if self._here is not None:
            north = (latitude - self._here[0]) * _METRES_PER_DEGREE
            east = (longitude - self._here[1]) * self._metres_east
            if abs(north) + abs(east) <= self.figures.standing_m or math.hypot(north, east) <= self.figures.standing_m:
                return
            self._moved_at = t
        self._here = (latitude, longitude)
        self._metres_east = _METRES_PER_DEGREE * math.cos(math.radians(latitude))

    def _finding(self, cause: str, since: float) -> Finding:
        assert self._last is not None
        length, angle = self.site.rover.pole_height_m or None, self._angle_deg
        beside = below = None
        if length is not None and angle is not None:
            beside, below = point_error_m(length, angle)
        return Finding(
            causes=[Cause(cause=cause)],
            stream=self._last.stream,
            key=cause,
            since=since,
            evidence={
                "angle_deg": round(angle, 2) if angle is not None else None,
                "limit_deg": self.figures.limit_deg,
                "pole_height_m": length,
                "horizontal_error_m": round(beside, 4) if beside is not None else None,
                "vertical_error_m": round(below, 4) if below is not None else None,
            },
            words={"error": _error_words(angle, length, beside, below)},
        )


def point_error_m(length_m: float, angle_deg: float) -> tuple[float, float]:
    """How far the point of a leaning pole comes beside, and too low: (L·sin θ, L·(1 − cos θ)), metres."""
    angle = math.radians(angle_deg)
    return length_m * math.sin(angle), length_m * (1.0 - math.cos(angle))


def _error_words(angle: float | None, length: float | None, beside: float | None, below: float | None) -> str:
    if angle is None:
        return "how far the pole leans is not said"
    if beside is None or below is None:
        return f"at {angle:.0f}° each metre of pole puts the point {math.sin(math.radians(angle)):.2f} m aside"
    return f"at {angle:.0f}° a pole of {length:.2f} m puts the point {_cm(beside)} aside and {_cm(below)} too low"


def _cm(metres: float) -> str:
    return f"{100 * metres:.1f} cm" if metres < 0.1 else f"{100 * metres:.0f} cm"
