"""The stretch of a day that was asked for, and what of each log falls into it."""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Iterable
from typing import NamedTuple

from witnesspost.daemon.local_time import Unreadable, utc_of
from witnesspost.daemon.log.day import PostLogs
from witnesspost.daemon.log.opening import LogError
from witnesspost.daemon.log.reading import LogFile

EXAMPLES = "the post's local time such as 2026-05-04T07:30:00, or one with its offset such as 2026-05-04T13:30:00Z"
_MOST_S = 1e12  # no log lasts as long


class NoTime(LogError):
    """A time cannot be placed in a log. The text names the option, what was read, and what was expected."""


class Window(NamedTuple):
    """From and to: seconds of the one log, a UTC, or None for all there is."""

    begin: float | dt.datetime | None = None
    end: float | dt.datetime | None = None

    def within(self, log: LogFile) -> tuple[float | None, float | None] | None:
        """The `t` from and to in `log`; None where nothing of it was asked for. Raises NoTime."""
        begins, ends = log.span()
        first, last = _t(log, self.begin), _t(log, self.end)
        if (first is not None and first > ends) or (last is not None and last < begins):
            return None
        return first, last


class _Stretch(NamedTuple):
    """One log's part of the way: what lies before it, and its own `t` from and to, in seconds."""

    before_s: float
    first: float
    last: float


class Way:
    """How much of the asked time of these logs a reader has gone through, told as a part of the whole."""

    def __init__(self, asked: Iterable[tuple[PostLogs, Window]], progress: Callable[[float], None]):
        self._progress = progress
        self._stretches: dict[LogFile, _Stretch] = {}
        self._whole_s = 0.0
        for post, window in asked:
            for log in post.files:
                if (within := window.within(log)) is not None:
                    begins, ends = log.span()
                    first = begins if within[0] is None else max(begins, within[0])
                    last = ends if within[1] is None else min(ends, within[1])
                    self._stretches[log] = _Stretch(self._whole_s, first, last)
                    self._whole_s += max(last - first, 0.0)

    def reached(self, log: LogFile, t: float) -> None:
        """It is at `t` of `log`."""
        before_s, first, last = self._stretches[log]
        self._progress((before_s + min(max(t, first), last) - first) / (self._whole_s or 1.0))


def window_of(post: PostLogs, begin: str | None, end: str | None) -> Window:
    """What `--from` and `--to` mean for these logs. Raises NoTime."""
    first, last = _read(post, "--from", begin), _read(post, "--to", end)
    if len(post.files) == 1:  # seconds of it, or times
        first, last = _t(post.files[0], first), _t(post.files[0], last)
    if first is not None and last is not None and last < first:  # type: ignore[operator]
        raise NoTime(f"--to {end}: is before --from {begin}; turn them round")
    return Window(first, last)


def _read(post: PostLogs, option: str, text: str | None) -> float | dt.datetime | None:
    if text is None:
        return None
    with contextlib.suppress(ValueError):
        seconds = float(text)
        if abs(seconds) < _MOST_S:
            if len(post.files) > 1:
                raise NoTime(f"{option}: read {text!r}, seconds of a log, with {len(post.files)} logs; expected {EXAMPLES}")
            return seconds
    try:
        utc = utc_of(text, post.zone)
    except Unreadable as error:
        raise NoTime(f"{option}: read {text!r}, which {error}; expected seconds of the log, {EXAMPLES}") from None
    if len(post.files) == 1 and post.files[0].t_at(utc) is None:
        raise NoTime(f"{option}: {post.files[0].path} never heard the time from a receiver; give seconds of the log instead")
    return utc


def _t(log: LogFile, said: float | dt.datetime | None) -> float | None:
    if not isinstance(said, dt.datetime):
        return said
    t = log.t_at(said)
    if t is None:
        raise NoTime(f"{log.path}: never heard the time from a receiver; give it alone, with seconds of the log")
    return t
