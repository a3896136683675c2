"""Occupations: the stretches in which a rover stood, and which of them a stored point is.

An occupation is a stretch whose positions stay within 3 cm of their running median in plan, 0.6 m where they are not fixed;
from one epoch on. A point with times is the epochs of those times; one without is wherever the rover stood within 3 cm of it,
every time that it did. Source: common practice (a receiver's own noise, doubled), no source.
"""

from __future__ import annotations

import math
from bisect import bisect_left, insort
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from witnesspost.replay.office.epochs import Epochs
from witnesspost.rules.gnss import FixQuality

Array = NDArray[Any]

FIXED_M, NOT_FIXED_M = 0.03, 0.6
PLACE_M = 0.03
PAUSE_S = 3.0  # a longer gap ends an occupation
NEAREST_S = 1.0  # an epoch farther from a point's time is not its own
_MEDIAN_OF = 301  # epochs: the running median of the latest
_CELL_M = 1.0
_PIECE = 10_000


class Occupation(NamedTuple):
    """Epochs `first` to `last`, both inclusive."""

    first: int
    last: int


def occupations(epochs: Epochs, east_m: Array, north_m: Array) -> list[Occupation]:
    """All occupations, in the order of time; `east_m` and `north_m` are the epochs on a plane."""
    follows = np.append(False, (np.diff(epochs.utc) <= PAUSE_S) & (np.diff(epochs.stream) == 0))
    reach_m = np.where(epochs.quality == FixQuality.RTK_FIXED, FIXED_M, NOT_FIXED_M)
    begins: list[int] = []
    easts: list[float] = []  # of the latest epochs, sorted, and so are `norths`
    norths: list[float] = []
    for index, (x, y, reach, goes_on) in enumerate(_plain(east_m, north_m, reach_m, follows)):
        n = len(easts)
        if not goes_on or abs(x - easts[n // 2]) > reach or math.hypot(x - easts[n // 2], y - norths[n // 2]) > reach:
            begins.append(index)
            easts, norths = [x], [y]
            continue
        if n >= _MEDIAN_OF:
            del easts[bisect_left(easts, east_m[index - n])]
            del norths[bisect_left(norths, north_m[index - n])]
        insort(easts, x)
        insort(norths, y)
    return [Occupation(first, after - 1) for first, after in pairwise((*begins, len(epochs)))]


def _plain(*columns: Array) -> Iterator[tuple[Any, ...]]:
    """Rows of plain numbers, which are faster one by one than an array's own; a piece at a time."""
    for first in range(0, len(columns[0]), _PIECE):
        yield from zip(*(column[first : first + _PIECE].tolist() for column in columns), strict=True)


class Places:
    """Occupations by where they are: the median of their epochs."""

    def __init__(self, found: list[Occupation], east_m: Array, north_m: Array):
        self._found = found
        self._middle = [
            (float(np.median(east_m[one.first : one.last + 1])), float(np.median(north_m[one.first : one.last + 1])))
            if one.last > one.first
            else (float(east_m[one.first]), float(north_m[one.first]))
            for one in found
        ]
        self._cells: dict[tuple[int, int], list[int]] = {}
        for number, (x, y) in enumerate(self._middle):
            self._cells.setdefault((math.floor(x / _CELL_M), math.floor(y / _CELL_M)), []).append(number)

    def within(self, east_m: float, north_m: float, reach_m: float = PLACE_M) -> list[Occupation]:
        """The occupations that lie so near to a place, in the order of time."""
        x, y = math.floor(east_m / _CELL_M), math.floor(north_m / _CELL_M)
        near = [
            number
            for dx in (-1, 0, 1)
            for dy in (-1, 0, 1)
            for number in self._cells.get((x + dx, y + dy), ())
            if math.hypot(self._middle[number][0] - east_m, self._middle[number][1] - north_m) <= reach_m
        ]
        return [self._found[number] for number in sorted(near)]

    def nearest_m(self, east_m: float, north_m: float) -> float | None:
        """How far the nearest occupation is; None where there is none."""
        if not self._middle:
            return None
        return min(math.hypot(x - east_m, y - north_m) for x, y in self._middle)


def joined(found: list[Occupation], epochs: Epochs, pause_s: float = 5.0) -> list[Occupation]:
    """Occupations of one place that follow upon each other within seconds are one visit: an epoch that strayed split them."""
    visits: list[Occupation] = []
    for one in found:
        if visits and epochs.utc[one.first] - epochs.utc[visits[-1].last] <= pause_s:
            visits[-1] = Occupation(visits[-1].first, one.last)
        else:
            visits.append(one)
    return visits


def at_time(epochs: Epochs, start: float, end: float | None, found: list[Occupation]) -> Occupation | None:
    """The epochs of a point stored from `start` to `end` (UTC seconds); where only one time is known, those of the occupation
    around it. None where none is within a second."""
    utc = epochs.utc
    slack = 0.5 if end is not None and end > start else NEAREST_S
    first = int(np.searchsorted(utc, start - slack, "left"))
    last = int(np.searchsorted(utc, (start if end is None else end) + slack, "right")) - 1
    if last < first:
        return None
    if end is not None and end > start:
        return Occupation(first, last)
    nearest = first + int(np.argmin(np.abs(utc[first : last + 1] - start)))
    if end is not None:
        return Occupation(nearest, nearest)
    number = bisect_left(found, nearest, key=lambda one: one.last)
    return found[number] if number < len(found) and found[number].first <= nearest else Occupation(nearest, nearest)


def nearest_gap_s(epochs: Epochs, start: float) -> float | None:
    """How far in time the nearest epoch is; None where there is none."""
    if not len(epochs):
        return None
    index = int(np.searchsorted(epochs.utc, start))
    near = [abs(float(epochs.utc[at]) - start) for at in (index - 1, index) if 0 <= at < len(epochs)]
    return min(near)
