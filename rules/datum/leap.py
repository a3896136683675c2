"""A leap of a rover's fixed positions that nobody can have walked; by arithmetic, without any geodesy."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from witnesspost.rules.coordinates import Enu
from witnesspost.rules.facts import Fix
from witnesspost.rules.gnss import FixQuality

STEP_M = 0.2
STOOD_S = 10.0  # before the leap
STANDS_S = 4.0  # and after it: somebody who carries a pole to the next point is still plumbing it then
_STILL_M, _STILL_UP_M = 0.05, 0.12  # about their mean: the noise of a fixed position, common practice, no source
_GAP_S = 1.5
_LEAST_S = 0.05
_FAST_FACTOR, _FAST_M_S = 3.0, 10.0  # so much faster than in the last minute is more than acceleration
_FAST_S = 2.0
_SPEED_MEMORY_S = 60.0
_METRES_PER_DEGREE = 111_320.0


class Leap(NamedTuple):
    """A leap of the position at `t`, by `by`; `stood` is True where the rover stood, else it moved faster than it can."""

    t: float
    stream: str
    by: Enu
    stood: bool


class _Point(NamedTuple):
    t: float
    position: Enu


class _Candidate(NamedTuple):
    start: Enu
    first: _Point
    stood: bool


class Leaps:
    """The positions of one receiver, in order; one that is not RTK fixed starts it afresh."""

    def __init__(self, step_m: float = STEP_M) -> None:
        self._step_m = step_m
        self._origin: Fix | None = None
        self._points: deque[_Point] = deque()
        self._speeds: deque[tuple[float, float]] = deque()
        self._candidate: _Candidate | None = None
        self._after: list[_Point] = []

    def see(self, fix: Fix) -> Leap | None:
        """The next position; the leap, once what followed has shown that it was one."""
        if fix.quality != FixQuality.RTK_FIXED or None in (fix.latitude, fix.longitude, fix.height_m):
            self._reset()
            return None
        point = self._point(fix)
        last = self._points[-1] if self._points else None
        if last is not None and point.t - last.t > _GAP_S:
            self._reset()
            point, last = self._point(fix), None
        found = None
        if last is not None and point.t - last.t >= _LEAST_S:
            found = self._step(fix, last, point)
        self._points.append(point)
        while self._points[0].t < point.t - STOOD_S - _GAP_S:
            self._points.popleft()
        return found

    def _step(self, fix: Fix, last: _Point, point: _Point) -> Leap | None:
        way = math.dist(last.position, point.position)
        speed = way / (point.t - last.t)
        if self._candidate is not None:
            return self._confirm(fix, point, speed)
        if way > self._step_m:
            stood = _still([p for p in self._points if p.t >= last.t - STOOD_S]) and last.t - self._points[0].t >= STOOD_S
            if stood or speed > self._fastest():
                self._candidate, self._after = _Candidate(last.position, point, stood), [point]
                return None
        self._remember(point.t, speed)
        return None

    def _confirm(self, fix: Fix, point: _Point, speed: float) -> Leap | None:
        candidate = self._candidate
        assert candidate is not None
        self._after.append(point)
        lasted_s = point.t - candidate.first.t
        back = math.dist(point.position, candidate.start) < math.dist(candidate.first.position, candidate.start) / 2
        if (candidate.stood and not _still(self._after)) or (not candidate.stood and (back or speed > self._fastest())):
            self._candidate = None
            self._points.clear()
            self._remember(point.t, speed)
            return None
        if lasted_s < (STANDS_S if candidate.stood else _FAST_S):
            return None
        self._candidate = None
        self._points.clear()
        by = Enu(*(b - a for a, b in zip(candidate.start, candidate.first.position, strict=True)))
        return Leap(fix.t, fix.stream, by, candidate.stood)

    def _fastest(self) -> float:
        return _FAST_FACTOR * max((speed for _, speed in self._speeds), default=0.0) + _FAST_M_S

    def _remember(self, t: float, speed: float) -> None:
        self._speeds.append((t, speed))
        while self._speeds[0][0] < t - _SPEED_MEMORY_S:
            self._speeds.popleft()

    def _point(self, fix: Fix) -> _Point:
        """East, north and up of where the positions began; the time is the receiver's own, since arrivals come in bursts."""
        if self._origin is None:
            self._origin = fix
        origin = self._origin
        t = fix.t
        if fix.time_s is not None and origin.time_s is not None:
            whole = round((fix.t - origin.t - (fix.time_s - origin.time_s)) / 86_400.0) * 86_400.0
            t = origin.t + fix.time_s - origin.time_s + whole
        around = ((fix.longitude or 0.0) - (origin.longitude or 0.0) + 180.0) % 360.0 - 180.0
        east = around * _METRES_PER_DEGREE * math.cos(math.radians(origin.latitude or 0.0))
        north = ((fix.latitude or 0.0) - (origin.latitude or 0.0)) * _METRES_PER_DEGREE
        h = (fix.height_m or 0.0) + (fix.separation_m or 0.0)
        return _Point(t, Enu(east, north, h - (origin.height_m or 0.0) - (origin.separation_m or 0.0)))

    def _reset(self) -> None:
        self._origin = None
        self._points.clear()
        self._speeds.clear()
        self._candidate = None


def _still(points: Sequence[_Point]) -> bool:
    if not points:
        return False
    mean = [sum(axis) / len(points) for axis in zip(*(point.position for point in points), strict=True)]
    return all(
        math.hypot(east_m - mean[0], north_m - mean[1]) <= _STILL_M and abs(up_m - mean[2]) <= _STILL_UP_M
        for _, (east_m, north_m, up_m) in points
    )
