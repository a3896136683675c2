"""Whether a rover stands or walks, by its own positions."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from itertools import repeat
from operator import attrgetter
from typing import NamedTuple

from witnesspost.rules.facts import Fix

SPEED_M_S = 0.2
STANDS_S = 2.0
GAP_S = 3.0  # positions further apart do not say what was between them
_APART_S = 0.4  # positions closer in time show the receiver's noise, not steps
_METRES_PER_DEGREE = 111_320.0
_SLACK_S = 1e-6
_REACH_M = SPEED_M_S * STANDS_S


class _Point(NamedTuple):
    t: float
    place: tuple[float, float]  # metres north and east of the origin


class Motion:
    """One receiver's motion: it stands once it has gone under 0.2 m/s for 2 s, so no further than 0.4 m in them.

    A float wanders by decimetres in minutes; only the last two seconds count. Where the quality changes the position jumps
    though nobody walks: that jump is left out. Source: common practice, no source.
    """

    def __init__(self) -> None:
        self._last: Fix | None = None
        self._origin = (0.0, 0.0)  # latitude and longitude from which metres count, as far as nobody walks
        self._metres_east = 0.0  # a degree's, there
        self._points: deque[_Point] = deque()  # of the last two seconds
        self._still_since: float | None = None
        self._known = False

    def put(self, fixes: Sequence[Fix]) -> None:
        """The receiver's next positions: one, or several that go on as the first; one without coordinates says nothing."""
        begun, stepped_t = False, -math.inf
        for fix in fixes:
            if fix.t - stepped_t < _APART_S - _SLACK_S:
                continue
            latitude, longitude = fix.latitude, fix.longitude
            if latitude is None or longitude is None:
                continue
            if not begun:
                self._go_on(fix, latitude, longitude)
                begun, stepped_t = True, self._points[-1].t if self._points else -math.inf
                if fix.t - stepped_t < _APART_S - _SLACK_S:
                    continue
            self._step(fix.t, latitude, longitude)
            stepped_t = fix.t
        self._last = next(filter(_is_placed, reversed(fixes)), self._last)

    def still_s(self, t: float) -> float | None:
        """For how long it has stood at `t`; 0.0 while it walks, None where its positions do not tell."""
        if not self._known or self._last is None or t - self._last.t > GAP_S:
            return None
        return 0.0 if self._still_since is None else t - self._still_since

    def stands_from(self) -> float:
        """Since when it has stood; while it does not, or that is not known, the earliest moment since which it can come to."""
        if self._known and self._still_since is not None:
            return self._still_since
        return self._points[0].t if self._points else -math.inf

    def _go_on(self, fix: Fix, latitude: float, longitude: float) -> None:
        """From the last position to this one: after a gap all begins anew, and with another quality nobody has walked."""
        last = self._last
        if last is None or fix.t - last.t > GAP_S or last.latitude is None or last.longitude is None:
            self._points.clear()
            self._known = False
            self._origin = (latitude, longitude)
            self._metres_east = _METRES_PER_DEGREE * math.cos(math.radians(latitude))
        elif fix.quality != last.quality:
            north, east = self._origin
            self._origin = (north + latitude - last.latitude, east + longitude - last.longitude)

    def _step(self, t: float, latitude: float, longitude: float) -> None:
        points = self._points
        north_m = (latitude - self._origin[0]) * _METRES_PER_DEGREE
        east_m = ((longitude - self._origin[1] + 180.0) % 360.0 - 180.0) * self._metres_east
        place = (north_m, east_m)
        points.append(_Point(t, place))
        begins_t = t - STANDS_S + _SLACK_S
        while len(points) > 1 and points[1].t <= begins_t:
            points.popleft()
        if points[0].t > begins_t:
            return
        if max(map(math.dist, map(_place, points), repeat(place))) >= _REACH_M:
            self._still_since = None
        elif self._still_since is None or not self._known:
            self._still_since = points[0].t
        self._known = True


_place = attrgetter("place")


def _is_placed(fix: Fix) -> bool:
    return fix.latitude is not None and fix.longitude is not None
