"""control-check (stop): the rover stands on a control point, and does not read that point's coordinate.

When: fixed positions stay within 0.05 m of each other for 5 s, within 1 m (horizontally) of a control point, and their mean
differs from it by over 0.03 m horizontally or 0.05 m vertically (with heights above the bundled geoid, by that grid's stated
error more). Positions are the antenna's: the pole height comes off. Every check is an event, passed or not: the proof
that the crew checked in. The mean goes on while the rover stands, and is judged anew whenever its time has doubled.

Causes: as for `base-datum`, since a rover carries its base's error; and the rover's pole height, never taken off
(`antenna-height-missing`) or taken off twice (`antenna-height-doubled`).
Source: common practice (checking in on a known point), no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from witnesspost.rules.book.coordinate_words import CAUSES
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.explanation import Noise
from witnesspost.rules.datum.geodesy import ExpectedArp, to_ecef
from witnesspost.rules.datum.geoid import open_geoid
from witnesspost.rules.datum.verdict import Datum, causes_of, evidence_of, words_of
from witnesspost.rules.engine.rule import Delays, Finding, Rule
from witnesspost.rules.facts import Fact, Fix
from witnesspost.rules.gnss import WGS84, FixQuality

_GAP_S = 3.0  # a longer gap between two fixed positions ends the standing
_MEAN_NOISE = Noise(horizontal_m=0.02, up_m=0.03)  # of a mean of some seconds: common practice, no source


class ControlCheckFigures(Delays, kw_only=True):
    """Tolerances, how near the point counts as on it, and how long and how still the rover must stand."""

    horizontal_m: float = 0.03
    vertical_m: float = 0.05
    within_m: float = 1.0
    still_s: float = 5.0
    still_m: float = 0.05


class ControlCheck(Rule[ControlCheckFigures]):
    """See the module."""

    name = "control-check"
    severity = "stop"
    at = ("rover",)
    sees = (Fix,)
    causes = CAUSES
    Figures = ControlCheckFigures

    def begin(self) -> None:
        self._datum = Datum(self.site)
        self._points: list[ExpectedArp] | None = None
        self._standing: _Standing | None = None
        self._finding: Finding | None = None
        self._events: list[tuple[float, str, dict[str, Any]]] = []

    def see(self, fact: Fact) -> None:
        """One position: it goes on with the standing, begins one, or ends it."""
        if not isinstance(fact, Fix) or not self._datum.has_control:
            return
        found = self._on_point(fact) if fact.quality == FixQuality.RTK_FIXED else None
        if found is None:
            self._leave()
            return
        point, offset = found
        standing = self._standing
        if standing is None or not standing.goes_on(point, offset, self.figures.still_m):
            self._leave()
            standing = self._standing = _Standing(fact.t, point)
        standing.add(fact.t, offset)
        self.quiet_until = 0.0

    def judge(self, t: float) -> Iterable[Finding]:
        """Judged when the rover has stood long enough, and each time that time has doubled."""
        standing = self._standing
        if standing is None:
            self.quiet_until = math.inf
            return ()
        if t - standing.last_t > _GAP_S:
            self._leave()
            return ()
        if standing.lasted_s >= standing.next_at_s(self.figures.still_s) and standing.count > 1:
            first = standing.judged_s is None
            standing.judged_s = standing.lasted_s
            self._judge(standing, t, first)
        return (self._finding,) if self._finding is not None else ()

    def take_events(self) -> list[tuple[float, str, dict[str, Any]]]:
        """The checks since the last call, one a standing, passed or not."""
        events, self._events = self._events, []
        return events

    def _leave(self) -> None:
        self._standing = None
        self._finding = None

    def _judge(self, standing: _Standing, t: float, first: bool) -> None:
        point, offset = standing.point, standing.mean
        vertical_m = self.figures.vertical_m + point.height_error_m
        horizontal = math.hypot(offset[0], offset[1])
        passed = horizontal <= self.figures.horizontal_m and abs(offset[2]) <= vertical_m
        scatter_horizontal_m, scatter_up_m = standing.scatter
        seen = {
            "point": point.point,
            "epochs": standing.count,
            "stood_s": round(standing.lasted_s, 1),
            "scatter_horizontal_m": round(scatter_horizontal_m, 4),
            "scatter_up_m": round(scatter_up_m, 4),
            "pole_height_m": self.site.rover.pole_height_m,
        }
        if first:
            measured = dict(zip(("east_m", "north_m", "up_m"), (round(part, 4) + 0.0 for part in offset), strict=True))
            limits = {"tolerance_horizontal_m": self.figures.horizontal_m, "tolerance_vertical_m": round(vertical_m, 4)}
            self._events.append((t, "control-check", {"passed": passed, **seen, **measured, **limits}))
        if passed:
            self._finding = None
            return
        fix = self.scene.fix
        base = self._datum.expected if self._datum.has_base else point
        verdict = self._datum.why(
            self._datum.turned(offset, point, base),
            base,
            self.scene.utc_at(t),
            fix,
            noise=_MEAN_NOISE,
            pole_m=self.site.rover.pole_height_m,
        )
        words = words_of(offset, point, verdict, self.site)
        self._finding = Finding(
            causes=causes_of(verdict),
            stream=fix.stream if fix else "",
            key=point.point,
            evidence={**evidence_of(offset, point, verdict, self.figures.horizontal_m, vertical_m), **seen},
            words={**words, "head": f"On {point.point} the rover reads {words['offset']}."},
        )

    def _on_point(self, fix: Fix) -> tuple[ExpectedArp, Enu] | None:
        """The control point that the position is on, and the offset of the pole's tip from it."""
        if fix.latitude is None or fix.longitude is None or fix.height_m is None:
            return None
        if self._points is None:
            control = self.site.project.control if self.site.project else []
            self._points = [self._datum.point(point.name) for point in control]
        near = [point for point in self._points if _near(point, fix.latitude, fix.longitude, self.figures.within_m)]
        if not near:
            return None
        separation = fix.separation_m
        if separation is None:
            separation = open_geoid(self.site).separation_m(fix.latitude, fix.longitude) or 0.0
        tip = fix.height_m + separation - self.site.rover.pole_height_m
        at = to_ecef(fix.latitude, fix.longitude, tip, WGS84)
        offsets = [(point, self._datum.offset(at, point)) for point in near]
        point, offset = min(offsets, key=lambda found: math.hypot(found[1][0], found[1][1]))
        return (point, offset) if math.hypot(offset[0], offset[1]) <= self.figures.within_m else None


class _Standing:
    """The rover standing still on one point: sums over its epochs."""

    def __init__(self, t: float, point: ExpectedArp):
        self.point = point
        self.since = self.last_t = t
        self.count = 0
        self.judged_s: float | None = None
        self._mean = [0.0, 0.0, 0.0]
        self._squares = [0.0, 0.0, 0.0]

    @property
    def lasted_s(self) -> float:
        return self.last_t - self.since

    @property
    def mean(self) -> Enu:
        return Enu(*self._mean)

    @property
    def scatter(self) -> tuple[float, float]:
        """Standard deviation of one epoch, metres: horizontal (both axes together) and up."""
        east, north, up = (square / max(1, self.count - 1) for square in self._squares)
        return math.sqrt(east + north), math.sqrt(up)

    def next_at_s(self, still_s: float) -> float:
        """How long it must have lasted to be judged (again)."""
        return still_s if self.judged_s is None else 2 * self.judged_s

    def goes_on(self, point: ExpectedArp, offset: Enu, still_m: float) -> bool:
        """True if the next position belongs to the same standing."""
        moved = math.hypot(offset[0] - self._mean[0], offset[1] - self._mean[1])
        return point.point == self.point.point and moved <= still_m

    def add(self, t: float, offset: Enu) -> None:
        """Take in one position (Welford's running mean and sum of squares)."""
        self.last_t = t
        self.count += 1
        for axis in range(3):
            away = offset[axis] - self._mean[axis]
            self._mean[axis] += away / self.count
            self._squares[axis] += away * (offset[axis] - self._mean[axis])


def _near(point: ExpectedArp, latitude: float, longitude: float, within_m: float) -> bool:
    """A quick look that spares PROJ where the rover is far off: twice the distance, on a sphere."""
    per_degree = 111_200.0
    reach_m = 2 * within_m + 1.0
    if abs(latitude - point.latitude) * per_degree > reach_m:
        return False
    east = abs((longitude - point.longitude + 180.0) % 360.0 - 180.0) * per_degree * math.cos(math.radians(latitude))
    return east <= reach_m
