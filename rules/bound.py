"""One value against one bound with a deadband: since when has it been past?"""

from __future__ import annotations


class Bound:
    """A value `above`, `below` or equal to a limit (exactly one is given, in the value's own unit).

    `since` is the time from which the value has been past the limit without a break, None while it is not. Once past, it
    must come back past the limit by `deadband` (for `equals`: differ by more) to count as back (IEC 62682's deadband).
    """

    def __init__(
        self,
        *,
        above: float | None = None,
        below: float | None = None,
        equals: float | None = None,
        deadband: float = 0.0,
    ):
        self.above, self.below, self.equals, self.deadband = above, below, equals, deadband
        self.since: float | None = None

    def put(self, t: float, value: float | None) -> None:
        """The value at `t`; None: it is not known, so it is not past."""
        if value is None or not self._past(value):
            self.since = None
        elif self.since is None:
            self.since = t

    def _past(self, value: float) -> bool:
        slack = self.deadband if self.since is not None else 0.0
        if self.above is not None:
            return value > self.above - slack
        if self.below is not None:
            return value < self.below + slack
        return self.equals is not None and abs(value - self.equals) <= slack
