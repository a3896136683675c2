"""What the checks of a run say together: one mark's miss alone may be anything, the same at two marks is none of the mark's.

A pole that leans reads off in another direction on each stand, and a disturbed mark is off by itself alone: what is off by one
vector on two marks is the base's place or height, or the length of the pole. And where one mark misses and another passes
after it, neither base nor pole is the cause, unless somebody has changed them in between.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.marks import Step

_SHARE = 0.5  # two misses are the same within the limits, and within so much of their size: common practice, no source


class _Miss(NamedTuple):
    """A mark's misses by one vector: the last of them, and when the first was."""

    step: Step
    since: float


class Misses:
    """The last check on each mark while base and pole are as they were; whoever keeps it begins anew when they are not."""

    def __init__(self) -> None:
        self._missed: dict[str, _Miss] = {}
        self._passed: dict[str, float] = {}

    def passed(self, point: str, t: float) -> Step | None:
        """A mark passes: the last miss of another one that none has passed since."""
        open_misses = [miss for name, miss in self._missed.items() if name != point and not self._passed_since(miss)]
        self._missed.pop(point, None)
        self._passed[point] = t
        return max(open_misses, key=lambda miss: miss.since).step if open_misses else None

    def missed(self, step: Step, limits: tuple[float, float], t: float) -> None:
        """A mark misses."""
        before = self._missed.get(step.point)
        self._missed[step.point] = _Miss(step, before.since if before and alike(before.step.offset, step.offset, limits) else t)
        self._passed.pop(step.point, None)

    def same_on(self, step: Step, limits: tuple[float, float]) -> str | None:
        """The other mark that missed last by the same vector, none having passed since."""
        same = [
            miss
            for name, miss in self._missed.items()
            if name != step.point and alike(miss.step.offset, step.offset, limits) and not self._passed_since(miss)
        ]
        return max(same, key=lambda miss: miss.since).step.point if same else None

    def passed_between(self, step: Step, limits: tuple[float, float]) -> str | None:
        """The mark that has passed since this one missed for the first time by what it misses by again."""
        miss = self._missed.get(step.point)
        return self._passed_since(miss) if miss is not None and alike(miss.step.offset, step.offset, limits) else None

    def _passed_since(self, miss: _Miss) -> str | None:
        return next((name for name, t in self._passed.items() if t > miss.since and name != miss.step.point), None)


def alike(one: Enu, other: Enu, limits: tuple[float, float]) -> bool:
    """True of two misses (observed minus known, metres) by one vector; `limits` are those of a check, in plan and up."""
    apart = one.less(other)
    return apart.within(*limits) and math.hypot(*apart) <= _SHARE * min(math.hypot(*one), math.hypot(*other))
