"""A stretch of positions that go on as before: they need no rule at once, and are told together.

    a position ─► says anything new beside where and when, or old corrections? ─► told at once, after those that wait
                  as the one before: waits ─► told with those after it: before any rule is judged,
                                              before what may change how they count, and after `WAIT_S`

A rover says where it is ten times a second, and nearly always the only news is the place. What rules make of places (a stand,
a walk, the usual interval) they make as well of ten at a time, in one loop. Nothing that they find of them comes of it sooner
than `WAIT_S`, or it has an on-delay that is longer, or `due` has named the moment.
"""

from __future__ import annotations

import math
from operator import attrgetter

from witnesspost.rules.facts import Epoch, Fact, Fix, SignalLevels, Traffic, Utc

WAIT_S = 2.0
"""No position waits longer for its rules."""
OFTEN_S = 0.5
"""Where positions are further apart, waiting gains nothing."""
FRESH_S = 3.0
"""Corrections up to this age are no news; a rule that minds younger ones cannot wait."""
BESIDE: frozenset[type[Fact]] = frozenset((Epoch, SignalLevels, Traffic, Utc))
"""Facts that no rule which can wait takes together with positions: what waits may be told after them."""

_said = attrgetter("quality", "station_id", "stream", "satellites", "hdop", "separation_m")


class Stretch:
    """The positions that wait (`fixes`), in their order; `tell_at` is when they have waited long enough, or infinity."""

    def __init__(self) -> None:
        self.fixes: list[Fix] = []
        self.tell_at = math.inf
        self._before: tuple[object, ...] = ()  # what the last position said
        self._before_t = -math.inf

    def goes_on(self, fix: Fix) -> bool:
        """True, and it waits, where it goes on as the last one."""
        t, age_s, said = fix.t, fix.age_s, _said(fix)
        apart_s, self._before_t = t - self._before_t, t
        if said != self._before:
            self._before = said
            return False
        if apart_s > OFTEN_S or (age_s is not None and age_s > FRESH_S):
            return False
        if not self.fixes:
            self.tell_at = t + WAIT_S
        self.fixes.append(fix)
        return True

    def take(self) -> list[Fix]:
        """Those that wait, which are told now."""
        fixes, self.fixes, self.tell_at = self.fixes, [], math.inf
        return fixes
