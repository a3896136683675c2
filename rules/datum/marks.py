"""Which mark a rover stands on: one nearby, or one that a base's blunder has moved with all the crew's positions.

A base that broadcasts a wrong coordinate moves the whole crew by its error, so that a rover on a mark shows a position beside
it. Where a cause predicts that position to a few centimetres, the mark is recognised. What fits too easily must show twice:
stakes stand on round metres, so a lost decimal or a slipped digit counts when two marks show the same step, and a base's own
position, which no cause predicts, when three do.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from typing import NamedTuple

from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.explanation import Noise
from witnesspost.rules.datum.prediction import Prediction

EASY = frozenset({"digit-slip", "rounded"})  # causes that must show at two marks
SAME_M = 0.05
_CELL_M = 0.2
_KEPT = 2000


class Step(NamedTuple):
    """An occupation as seen from a mark: how far off it, in whose east, north and up."""

    point: str
    offset: Enu


class Moves:
    """Where the causes of a base's wrong coordinate put each mark, indexed by position, so that a long list costs nothing."""

    def __init__(self, ways: Iterable[Prediction], moved_m: float):
        self._moved_m = moved_m
        self._cells: dict[tuple[int, int], list[Prediction]] = {}
        for way in ways:
            self._cells.setdefault(_cell(way.east_m, way.north_m), []).append(way)

    def causes(self, offset: Enu, noise: Noise) -> set[str]:
        """The causes that put a mark there: within a few centimetres in plan, and in height as far as it is known."""
        east, north = _cell(offset.east_m, offset.north_m)
        return {
            way.cause
            for x in (east - 1, east, east + 1)
            for y in (north - 1, north, north + 1)
            for way in self._cells.get((x, y), ())
            if math.hypot(way.east_m - offset.east_m, way.north_m - offset.north_m) <= self._moved_m
            and abs(way.up_m - offset.up_m) <= way.vertical_m + noise.vertical_m
        }


class Steps:
    """A run's occupations of no mark, as steps from the marks around: the same step twice is not chance."""

    def __init__(self) -> None:
        self._seen: deque[Step] = deque(maxlen=_KEPT)

    def repeated(self, step: Step) -> int:
        """At how many marks this step has been seen, including this one."""
        points = {seen.point for seen in self._seen if math.dist(seen.offset, step.offset) <= SAME_M}
        return len(points | {step.point})

    def add(self, step: Step) -> None:
        """Keep one."""
        self._seen.append(step)


def _cell(east: float, north: float) -> tuple[int, int]:
    return math.floor(east / _CELL_M), math.floor(north / _CELL_M)
