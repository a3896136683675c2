"""Times of a whole column at once: `t` to UTC by the log's anchors, UTC to the post's wall clock and day."""

from __future__ import annotations

import datetime as dt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from witnesspost.daemon.log.reading import LogFile

UNKNOWN = np.datetime64("NaT", "ms")
_ZONE_STEP_S = 900  # zones change their offset at quarters of an hour (the database of IANA, since 1972)
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


class Times(NamedTuple):
    """Of each row: UTC and local time (NaT where nobody had said the time), and whether both hang on the post's own clock."""

    utc: NDArray[np.datetime64]
    local: NDArray[np.datetime64]
    about: NDArray[np.bool_]


class WallClock:
    """The clock of one log, as `LogFile.utc_at` has it: by the last anchor before, or else by the first."""

    def __init__(self, log: LogFile) -> None:
        anchors = log.anchors
        self._zone = log.zone
        self._t = np.array([t for t, _, _ in anchors], float)
        self._utc = np.array([round((utc - _EPOCH) / dt.timedelta(milliseconds=1)) for _, utc, _ in anchors], np.int64)
        self._about = np.array(["system" in source for _, _, source in anchors], bool)

    def times(self, t: NDArray[np.float64]) -> Times:
        """The times of a column of `t`."""
        if not len(self._t):
            unknown = np.full(len(t), UNKNOWN)
            return Times(unknown, unknown.copy(), np.zeros(len(t), bool))
        at = np.maximum(np.searchsorted(self._t, t, "right") - 1, 0)
        utc = (self._utc[at] + np.rint((t - self._t[at]) * 1000).astype(np.int64)).astype("datetime64[ms]")
        return Times(utc, self._local(utc), self._about[at])

    def _local(self, utc: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
        steps, which = np.unique(utc.astype(np.int64) // (_ZONE_STEP_S * 1000), return_inverse=True)
        offsets = np.array([self._offset_ms(int(step) * _ZONE_STEP_S) for step in steps], np.int64)
        local: NDArray[np.datetime64] = utc + offsets[which].astype("timedelta64[ms]")
        return local

    def _offset_ms(self, utc_s: int) -> int:
        try:
            offset = (_EPOCH + dt.timedelta(seconds=utc_s)).astimezone(self._zone).utcoffset()
        except (OverflowError, ValueError):  # at the calendar's end, where a receiver's clock may be
            offset = None
        return round(offset / dt.timedelta(milliseconds=1)) if offset is not None else 0
