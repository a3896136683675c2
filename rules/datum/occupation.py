"""An occupation: a rover that stands still on one point, epoch by epoch, without any geodesy."""

from __future__ import annotations

import math
from typing import NamedTuple

from witnesspost.rules.coordinates import Enu
from witnesspost.rules.facts import Fix

_METRES_PER_DEGREE = 111_320.0  # of a sphere: it measures only differences of centimetres
_ENOUGH = (6, 3)  # decimals of a minute and of a metre: finer than any tolerance
_SAME = 1e-4  # a share of the last decimal: what a double leaves of it


class Mean(NamedTuple):
    """Where an occupation is: degrees, and the antenna's height as the receiver gives it, above what it calls the geoid."""

    latitude: float
    longitude: float
    height_m: float
    separation_m: float | None


class Occupation:
    """Sums over the epochs of one occupation (Welford's running mean and sum of squares)."""

    def __init__(self, fix: Fix):
        assert fix.latitude is not None
        assert fix.longitude is not None
        assert fix.height_m is not None
        self.since = self.last_t = fix.t
        self.stream = fix.stream
        self.count = 0
        self.judged_s: float | None = None
        self._origin = Mean(fix.latitude, fix.longitude, fix.height_m, fix.separation_m)
        self._east = _METRES_PER_DEGREE * math.cos(math.radians(fix.latitude))
        self._mean = [0.0, 0.0, 0.0]
        self._squares = [0.0, 0.0, 0.0]
        self._decimals = [0, 0]  # most that any epoch had: of a minute, and of a metre of height
        self.add(fix)

    @property
    def lasted_s(self) -> float:
        """From the first epoch to the last."""
        return self.last_t - self.since

    @property
    def mean(self) -> Mean:
        """The mean of all epochs."""
        east, north, up = self._mean
        return Mean(
            self._origin.latitude + north / _METRES_PER_DEGREE,
            self._origin.longitude + east / self._east,
            self._origin.height_m + up,
            self._origin.separation_m,
        )

    @property
    def scatter(self) -> tuple[float, float]:
        """Standard deviation of one epoch, metres: horizontal (both axes together) and up."""
        east, north, up = (square / max(1, self.count - 1) for square in self._squares)
        return math.sqrt(east + north), math.sqrt(up)

    @property
    def resolution_m(self) -> tuple[float, float]:
        """The step of the last digit that any epoch had: horizontal and up, metres. Of many epochs none ends in 0 by chance."""
        minute_m = _METRES_PER_DEGREE / 60.0
        return minute_m * 10.0 ** -self._decimals[0], 10.0 ** -self._decimals[1]

    def next_at_s(self, still_s: float) -> float:
        """How long it must have lasted to be judged, or judged again: each time it has lasted twice as long."""
        return still_s if self.judged_s is None else 2 * self.judged_s

    def goes_on(self, fix: Fix, still_m: float) -> bool:
        """True if the next epoch belongs to the same occupation: within `still_m` of its mean, or one step of its digits."""
        east, north, _ = self._offset(fix)
        reach_m = max(still_m, 1.5 * self.resolution_m[0])
        return fix.stream == self.stream and math.hypot(east - self._mean[0], north - self._mean[1]) <= reach_m

    def add(self, fix: Fix) -> None:
        """Take in one epoch."""
        self.last_t = fix.t
        self.count += 1
        for axis, value in enumerate(self._offset(fix)):
            away = value - self._mean[axis]
            self._mean[axis] += away / self.count
            self._squares[axis] += away * (value - self._mean[axis])
        decimals = self._decimals
        if decimals[0] < _ENOUGH[0]:
            for angle in (fix.latitude or 0.0, fix.longitude or 0.0):
                decimals[0] = max(decimals[0], _decimals(angle * 60.0, _ENOUGH[0]))
        if decimals[1] < _ENOUGH[1]:
            decimals[1] = max(decimals[1], _decimals(fix.height_m or 0.0, _ENOUGH[1]))

    def _offset(self, fix: Fix) -> Enu:
        origin = self._origin
        return Enu(
            ((fix.longitude or 0.0) - origin.longitude) * self._east,
            ((fix.latitude or 0.0) - origin.latitude) * _METRES_PER_DEGREE,
            (fix.height_m or 0.0) - origin.height_m,
        )


def stands(one: Fix, two: Fix, still_m: float) -> bool:
    """True if the second position is where the first one was, which begins an occupation. Cheap, for a rover that walks."""
    reach = still_m / _METRES_PER_DEGREE
    if one.stream != two.stream or abs((one.latitude or 0.0) - (two.latitude or 0.0)) > reach:
        return False
    return abs((one.longitude or 0.0) - (two.longitude or 0.0)) * math.cos(math.radians(one.latitude or 0.0)) <= reach


def _decimals(value: float, most: int) -> int:
    """How many decimals a number was written with, as far as a double tells, and `most` at most."""
    for n in range(most):
        scaled = value * 10.0**n
        if abs(scaled - round(scaled)) < _SAME:
            return n
    return most
