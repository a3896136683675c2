"""A stretch of positions that go on as before: they need no rule at once, and are told together.

    a position ─► another quality, station or stream, or old corrections? ─► told at once, after those that wait
                  as the one before: waits ─► told with those after it: before any rule is judged,
                                              before what may change how they count, and after `WAIT_S`

A rover says where it is ten times a second, and nearly always the only news is the place. What rules make of places (a stand,
a walk, the usual interval) they make as well of ten at a time, in one loop. Nothing that they find of them comes of it sooner
than `WAIT_S`, or it has an on-delay that is longer, or `due` has named the moment.
"""

from __future__ import annotations

import math

from witnesspost.rules.facts import Epoch, Fact, Fix, SignalLevels, Traffic, Utc

WAIT_S = 2.0
"""No position waits longer for its rules."""
OFTEN_S = 0.5
"""Where positions are further apart, waiting gains nothing."""
FRESH_S = 3.0
"""Corrections up to this age are no news; a rule that minds younger ones cannot wait."""
BESIDE: frozenset[type[Fact]] = frozenset((Epoch, SignalLevels, Traffic, Utc))
"""Facts that no rule which can wait takes together with positions: what waits may be told after them."""


class Stretch:
    """The positions that wait (`fixes`), in their order; `tell_at` is when they have waited long enough, or infinity."""

    def __init__(self) -> None:
        self.fixes: list[Fix] = []
        self._last: Fix | None = None
        self.tell_at = math.inf

    def goes_on(self, fix: Fix) -> bool:
        """True, and it waits, where it goes on as the last one."""
        last, self._last = self._last, fix
        if (
            last is None
            or fix.quality != last.quality
            or fix.station_id != last.station_id
            or fix.stream != last.stream
            or fix.t - last.t > OFTEN_S
            or (fix.age_s is not None and fix.age_s > FRESH_S)
        ):
            return False
        if not self.fixes:
            self.tell_at = fix.t + WAIT_S
        self.fixes.append(fix)
        return True

    def take(self) -> list[Fix]:
        """Those that wait, which are told now."""
        fixes, self.fixes, self.tell_at = self.fixes, [], math.inf
        return fixes
