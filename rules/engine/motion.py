"""Whether a rover stands or walks, by its own positions."""

from __future__ import annotations

import math
from collections import deque
from typing import NamedTuple

from witnesspost.rules.facts import Fix

SPEED_M_S = 0.2
STANDS_S = 2.0
GAP_S = 3.0  # positions further apart do not say what was between them
_APART_S = 0.4  # positions closer in time show the receiver's noise, not steps
_METRES_PER_DEGREE = 111_320.0
_SLACK_S = 1e-6


class _Point(NamedTuple):
    t: float
    north_m: float
    east_m: float


class Motion:
    """One receiver's motion: it stands once it has gone under 0.2 m/s for 2 s, so no further than 0.4 m in them.

    A float wanders by decimetres in minutes; only the last two seconds count. Where the quality changes the position jumps
    though nobody walks: that jump is left out. Source: common practice, no source.
    """

    def __init__(self) -> None:
        self._last: Fix | None = None
        self._north_m = self._east_m = 0.0  # from where the positions began, without the jumps
        self._points: deque[_Point] = deque()  # of the last two seconds
        self._still_since: float | None = None
        self._known = False

    def put(self, fix: Fix) -> None:
        """The receiver's next position; one without coordinates says nothing."""
        if fix.latitude is None or fix.longitude is None:
            return
        last, self._last = self._last, fix
        if last is None or fix.t - last.t > GAP_S or last.latitude is None or last.longitude is None:
            self._points.clear()
            self._known = False
        elif fix.quality == last.quality:
            around = (fix.longitude - last.longitude + 180.0) % 360.0 - 180.0
            self._north_m += (fix.latitude - last.latitude) * _METRES_PER_DEGREE
            self._east_m += around * _METRES_PER_DEGREE * math.cos(math.radians(fix.latitude))
        points = self._points
        if points and fix.t - points[-1].t < _APART_S - _SLACK_S:
            return
        points.append(_Point(fix.t, self._north_m, self._east_m))
        while len(points) > 1 and points[1].t <= fix.t - STANDS_S + _SLACK_S:
            points.popleft()
        if points[0].t <= fix.t - STANDS_S + _SLACK_S:
            self._look()

    def still_s(self, t: float) -> float | None:
        """For how long it has stood at `t`; 0.0 while it walks, None where its positions do not tell."""
        if not self._known or self._last is None or t - self._last.t > GAP_S:
            return None
        return 0.0 if self._still_since is None else t - self._still_since

    def _look(self) -> None:
        reach_m = SPEED_M_S * STANDS_S
        walks = any(math.hypot(p.north_m - self._north_m, p.east_m - self._east_m) >= reach_m for p in self._points)
        if walks:
            self._still_since = None
        elif self._still_since is None or not self._known:
            self._still_since = self._points[0].t
        self._known = True
