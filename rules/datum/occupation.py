"""An occupation: a rover that stands still on one point, epoch by epoch, without any geodesy."""

from __future__ import annotations

import math
from collections.abc import Sequence
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
        self._last = fix
        self.stream = fix.stream
        self.count = 0
        self.judged_s: float | None = None
        self._origin = Mean(fix.latitude, fix.longitude, fix.height_m, fix.separation_m)
        self._east = _METRES_PER_DEGREE * math.cos(math.radians(fix.latitude))
        self._mean = self._squares = 0.0, 0.0, 0.0
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

    def add_near(self, fixes: Sequence[Fix], still_m: float) -> int:
        """Take in these epochs of one stream, one after the other, up to the first that does not belong here; how many did.

        What belongs is within `still_m` of the mean, or within one step of its digits, and says latitude, longitude and height.
        """
        return self._take_in(fixes, still_m) if fixes[0].stream == self.stream else 0

    def add(self, fix: Fix) -> None:
        """Take in one epoch, wherever it is."""
        self._take_in((fix,), math.inf)

    def _take_in(self, fixes: Sequence[Fix], still_m: float) -> int:
        """Loops over many epochs in ordinary variables: a rover says ten a second."""
        origin_latitude, origin_longitude, origin_height_m, _ = self._origin
        metres_east = self._east
        mean_east, mean_north, mean_up = self._mean
        square_east, square_north, square_up = self._squares
        count = before = self.count
        last = self._last
        reach_m = max(still_m, 1.5 * self.resolution_m[0])
        for fix in fixes:
            latitude, longitude, height_m = fix.latitude, fix.longitude, fix.height_m
            if latitude is None or longitude is None or height_m is None:
                break
            away_east = (east := (longitude - origin_longitude) * metres_east) - mean_east
            away_north = (north := (latitude - origin_latitude) * _METRES_PER_DEGREE) - mean_north
            if math.hypot(away_east, away_north) > reach_m:
                break
            away_up = (up := height_m - origin_height_m) - mean_up
            last = fix
            count += 1
            mean_east += away_east / count
            square_east += away_east * (east - mean_east)
            mean_north += away_north / count
            square_north += away_north * (north - mean_north)
            mean_up += away_up / count
            square_up += away_up * (up - mean_up)
            if self._decimals != _ENOUGH:
                self._look_at_digits(fix)
                reach_m = max(still_m, 1.5 * self.resolution_m[0])
        self.count, self.last_t, self._last = count, last.t, last
        self._mean = mean_east, mean_north, mean_up
        self._squares = square_east, square_north, square_up
        return count - before

    def _look_at_digits(self, fix: Fix) -> None:
        of_minute, of_metre = self._decimals
        if of_minute < _ENOUGH[0]:
            for angle in (fix.latitude or 0.0, fix.longitude or 0.0):
                of_minute = max(of_minute, _decimals(angle * 60.0, _ENOUGH[0]))
        if of_metre < _ENOUGH[1]:
            of_metre = max(of_metre, _decimals(fix.height_m or 0.0, _ENOUGH[1]))
        self._decimals = of_minute, of_metre
        self.resolution_m = _METRES_PER_DEGREE / 60.0 * 10.0**-of_minute, 10.0**-of_metre


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
