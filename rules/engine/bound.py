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
        self.since: float | None = None
        self._equals = equals
        self._deadband = deadband
        self._sign = 1.0 if below is None else -1.0
        self.move(above if above is not None else below if below is not None else 0.0)

    def move(self, limit: float) -> None:
        """Another limit from now on."""
        self._limit = self._sign * limit
        self._back = self._limit - self._deadband

    def put(self, t: float, value: float | None) -> None:
        """The value at `t`; None: it is not known, so it is not past."""
        if value is None:
            self.since = None
        elif self._equals is not None:
            past = abs(value - self._equals) <= (self._deadband if self.since is not None else 0.0)
            self.since = (t if self.since is None else self.since) if past else None
        elif self.since is None:
            if self._sign * value > self._limit:
                self.since = t
        elif self._sign * value <= self._back:
            self.since = None
