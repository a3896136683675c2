"""An occupation: a rover that stands still on one point, epoch by epoch, without any geodesy."""

from __future__ import annotations

import math
from typing import NamedTuple

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
    """Sums over the epochs of one occupation (Welford's running mean and sum of squares).

    `resolution_m` is the step of the last digit that any epoch had, horizontal and up: of many epochs none ends in 0 by chance.
    """

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
        self._decimals = (0, 0)  # most that any epoch had: of a minute, and of a metre of height
        self.resolution_m = (_METRES_PER_DEGREE / 60.0, 1.0)
        self.add(fix)

    def anew(self) -> Occupation:
        """The same one, begun with its last epoch."""
        return Occupation(self._last)

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

    def next_at_s(self, still_s: float) -> float:
        """How long it must have lasted to be judged, or judged again: each time it has lasted twice as long."""
        return still_s if self.judged_s is None else 2 * self.judged_s

    def add_if_near(self, fix: Fix, still_m: float) -> bool:
        """Take in the next epoch if it belongs here: it is within `still_m` of the mean, or within one step of its digits."""
        east, north = self._east_m(fix), self._north_m(fix)
        mean = self._mean
        away_m = math.hypot(east - mean[0], north - mean[1])
        if fix.stream != self.stream or away_m > max(still_m, 1.5 * self.resolution_m[0]):
            return False
        self._add(fix, east, north)
        return True

    def add(self, fix: Fix) -> None:
        """Take in one epoch, wherever it is."""
        self._add(fix, self._east_m(fix), self._north_m(fix))

    def _add(self, fix: Fix, east: float, north: float) -> None:
        self.last_t, self._last = fix.t, fix
        count = self.count = self.count + 1
        mean, squares = self._mean, self._squares
        away = east - mean[0]
        mean[0] += away / count
        squares[0] += away * (east - mean[0])
        away = north - mean[1]
        mean[1] += away / count
        squares[1] += away * (north - mean[1])
        up = (fix.height_m or 0.0) - self._origin.height_m
        away = up - mean[2]
        mean[2] += away / count
        squares[2] += away * (up - mean[2])
        if self._decimals != _ENOUGH:
            self._look_at_digits(fix)

    def _look_at_digits(self, fix: Fix) -> None:
        of_minute, of_metre = self._decimals
        if of_minute < _ENOUGH[0]:
            for angle in (fix.latitude or 0.0, fix.longitude or 0.0):
                of_minute = max(of_minute, _decimals(angle * 60.0, _ENOUGH[0]))
        if of_metre < _ENOUGH[1]:
            of_metre = max(of_metre, _decimals(fix.height_m or 0.0, _ENOUGH[1]))
        self._decimals = of_minute, of_metre
        self.resolution_m = _METRES_PER_DEGREE / 60.0 * 10.0**-of_minute, 10.0**-of_metre

    def _east_m(self, fix: Fix) -> float:
        return ((fix.longitude or 0.0) - self._origin.longitude) * self._east

    def _north_m(self, fix: Fix) -> float:
        return ((fix.latitude or 0.0) - self._origin.latitude) * _METRES_PER_DEGREE


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
