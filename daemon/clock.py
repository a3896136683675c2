"""The run's own time: seconds since it began, from the monotonic clock, which no setting of the date can move."""

from __future__ import annotations

import datetime as dt
import time


def system_utc() -> dt.datetime:
    """UTC by the system's clock, which may be wrong."""
    return dt.datetime.now(dt.UTC)


class Clock:
    """Seconds since the clock was made, to the millisecond, never stepping back."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    def __call__(self) -> float:
        """Now."""
        return int((time.monotonic() - self._start) * 1000) / 1000.0
