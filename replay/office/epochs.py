"""A rover's epochs: every position that its receiver said in a day, from the bytes, as columns.

The table `fix` keeps one position a second at most; a point of one epoch at 10 Hz needs its own. So the bytes of the lines
that carry positions are read again: GGA (or GNS, RMC), the GST of the same second or the one before, and the pole's sensor.
"""

from __future__ import annotations

import array
import datetime as dt
import math
from bisect import bisect_right
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from witnesspost.daemon.log.day import PostLogs
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import FixRow, StreamRow
from witnesspost.daemon.stream.decoding import Decoder
from witnesspost.daemon.stream.framing import SENTENCE, Framer
from witnesspost.rules.facts import Fix, Tilt
from witnesspost.rules.gnss import FixQuality
from witnesspost.rules.site.model import Site

Array = NDArray[Any]

_TILT_S = 1.5  # a word of the sensor farther off says nothing of an epoch
_SIGMA_S = 1.5  # a GST is of the second before at most
_UNBROKEN_S = 3.0  # two fixed epochs further apart are two fixes
_ANCHORED_S = 20.0  # between two looks at the clock's anchors
_COLUMNS = {"utc": "d", "t": "d", "log": "H", "stream": "B", "quality": "f", "latitude": "d", "longitude": "d", "height_m": "d",
            "separation_m": "d", "age_s": "f", "station": "f", "sigma_east_m": "f", "sigma_north_m": "f", "sigma_up_m": "f",
            "tilt_deg": "f", "aligned": "f", "fixed_s": "f"}  # fmt: skip
"""As narrow as what they hold allows: a day at 10 Hz is a million epochs."""


class Epochs(NamedTuple):
    """Columns of one length, in the order of UTC; NaN where a value was not said.

    `utc` is seconds since 1970 of the epoch itself, by the receiver's own time; `t` the log's seconds when it came, `log` and
    `stream` indices into `logs` and `streams`; `height_m` the antenna above the ellipsoid; `station` and `age_s` those of the
    corrections; sigmas the receiver's own. `tilt_deg` is how far the pole leaned that nothing made up for; `aligned` 0 where
    the sensor said that it is not. `fixed_s` is how long the fix had lasted without a break.
    """

    logs: list[LogFile]
    streams: list[str]
    utc: Array
    t: Array
    log: Array
    stream: Array
    quality: Array
    latitude: Array
    longitude: Array
    height_m: Array
    separation_m: Array
    age_s: Array
    station: Array
    sigma_east_m: Array
    sigma_north_m: Array
    sigma_up_m: Array
    tilt_deg: Array
    aligned: Array
    fixed_s: Array

    def __len__(self) -> int:
        return len(self.utc)


def read_epochs(post: PostLogs, site: Site, progress: Callable[[float], None] = lambda part: None) -> Epochs:
    """All epochs with a position of a post's logs; `progress` is given the part done. Raises a LogError."""
    columns = _no_columns()
    streams: list[str] = []
    for number, log in enumerate(post.files):
        for row in log.rows(StreamRow, "ORDER BY rowid"):
            if "positions" in row.carries:
                if row.name not in streams:
                    streams.append(row.name)
                _read(log, number, row.name, streams.index(row.name), site, columns)
        progress((number + 1) / len(post.files))
    return _in_order(post, streams, columns)


def read_seconds(post: PostLogs) -> Epochs:
    """What a picture of the day needs of its epochs, from the table `fix`: one a second and each change of the fix, without the
    pole's tilt. Raises a LogError."""
    columns = _no_columns()
    streams: list[str] = []
    for number, log in enumerate(post.files):
        clock = _Clock(log)
        for row in log.rows(FixRow, "ORDER BY rowid"):
            if row.latitude is None or row.longitude is None or row.height_m is None:
                continue
            if row.stream not in streams:
                streams.append(row.stream)
            values: tuple[float | None, ...] = (
                clock.utc(row.t, row.time_s), row.t, number, streams.index(row.stream), row.quality,
                row.latitude, row.longitude, row.height_m + (row.separation_m or 0.0), row.separation_m,
                row.age_s, row.station_id, row.sigma_east_m, row.sigma_north_m, row.sigma_up_m, None, None, None,
            )  # fmt: skip
            for column, one in zip(columns.values(), values, strict=True):
                column.append(math.nan if one is None else one)
    return _in_order(post, streams, columns)


def _no_columns() -> dict[str, array.array[Any]]:
    return {name: array.array(kind) for name, kind in _COLUMNS.items()}


def _in_order(post: PostLogs, streams: list[str], columns: dict[str, array.array[Any]]) -> Epochs:
    order = np.argsort(_array(columns["utc"]), kind="stable")
    # One column after the other: none of them need be there twice for longer.
    return Epochs(list(post.files), streams, **{name: _array(columns.pop(name))[order] for name in _COLUMNS})


def _array(values: array.array[Any]) -> Array:
    return np.frombuffer(values, dtype=values.typecode) if values else np.zeros(0, values.typecode)


def rows_of(log: LogFile, stream: str) -> Callable[[float, float], tuple[int, int] | None]:
    """Which blocks of `raw` hold what came on a stream from one `t` to another: the first and the last `n`."""
    blocks = log.blocks(stream)
    begins = [block[1] for block in blocks]

    def rows(from_t: float, to_t: float) -> tuple[int, int] | None:
        first, last = max(0, bisect_right(begins, from_t) - 1), bisect_right(begins, to_t) - 1
        return (blocks[first][0], blocks[last][0]) if blocks and last >= first else None

    return rows


def _read(log: LogFile, number: int, stream: str, index: int, site: Site, columns: dict[str, array.array[Any]]) -> None:
    first = len(columns["utc"])
    framer, decoder = Framer(), Decoder(stream, site.tilt, frozenset((Fix, Tilt)))
    clock = _Clock(log)
    compensates = site.tilt is not None and site.tilt.compensates
    add = [columns[name].append for name in _COLUMNS]
    leans = array.array("d")  # of the sensor's words: t, how far over, aligned or not
    sigma: tuple[float, float, float, float] = (-math.inf, math.nan, math.nan, math.nan)
    fixed_since = last_fixed = -math.inf
    waiting: list[int] = []  # epochs of the last second that have no sigma yet
    columns_of_sigma = [columns[name] for name in ("sigma_east_m", "sigma_north_m", "sigma_up_m")]
    for t, _, data in log.inputs(stream=stream):
        if not isinstance(data, bytes):
            continue
        units = framer.feed(data)
        for kind, unit in units:
            if kind == SENTENCE and unit[3:6] == b"GST":
                sigma = _gst(t, unit) or sigma
                if sigma[0] == t:
                    for at in waiting:
                        for column, value in zip(columns_of_sigma, sigma[1:], strict=True):
                            if math.isnan(column[at]):
                                column[at] = value
                    waiting = []
        for fact in decoder.decode(t, units):
            if isinstance(fact, Tilt):
                lean = math.nan if fact.angle_deg is None else 0.0 if compensates and fact.aligned else abs(fact.angle_deg)
                leans.extend((t, lean, math.nan if fact.aligned is None else float(fact.aligned)))
                continue
            if not isinstance(fact, Fix) or fact.latitude is None or fact.longitude is None or fact.height_m is None:
                continue
            utc = clock.utc(t, fact.time_s)
            if fact.quality == FixQuality.RTK_FIXED:
                if utc - last_fixed > _UNBROKEN_S:
                    fixed_since = utc
                last_fixed = utc
            own = (fact.sigma_east_m, fact.sigma_north_m, fact.sigma_up_m)
            known = own if None not in own else sigma[1:] if t - sigma[0] <= _SIGMA_S else (None,) * 3
            if t - sigma[0] > 0.5:
                waiting = [*waiting[-40:], len(columns["utc"])]
            values: tuple[float | None, ...] = (
                utc, t, number, index, fact.quality, fact.latitude, fact.longitude,
                fact.height_m + (fact.separation_m or 0.0), fact.separation_m, fact.age_s, fact.station_id, *known,
                None, None, utc - fixed_since if fact.quality == FixQuality.RTK_FIXED else math.nan,
            )  # fmt: skip
            for put, one in zip(add, values, strict=True):
                put(math.nan if one is None else one)
    if leans:
        _join_tilt(columns, first, np.frombuffer(leans, dtype=float).reshape(-1, 3))


def _join_tilt(columns: dict[str, array.array[Any]], first: int, words: Array) -> None:
    """Each epoch's lean is the sensor's word nearest to it: it is said before or after the position of its second."""
    t = _array(columns["t"])[first:]
    after = np.searchsorted(words[:, 0], t).clip(1, max(1, len(words) - 1))
    nearest = np.where(t - words[after - 1, 0] <= words[after % len(words), 0] - t, after - 1, after % len(words))
    near = np.abs(words[nearest, 0] - t) <= _TILT_S
    for name, column in (("tilt_deg", 1), ("aligned", 2)):
        columns[name][first:] = array.array(_COLUMNS[name], np.where(near, words[nearest, column], math.nan).tolist())


def _gst(t: float, sentence: bytes) -> tuple[float, float, float, float] | None:
    """(t, east, north, up) of a GST (IEC 61162-1): fields 6, 7 and 8 are north, east and up."""
    fields = sentence[1 : sentence.rfind(b"*")].split(b",")
    try:
        return t, float(fields[7]), float(fields[6]), float(fields[8])
    except (ValueError, IndexError):
        return None


class _Clock:
    """UTC of an epoch: the receiver's second of the day, on the day that the log's anchors say; else by the anchors alone."""

    def __init__(self, log: LogFile):
        self._log = log
        self._looked_t = -math.inf
        self._ahead_s = math.nan

    def utc(self, t: float, time_s: float | None) -> float:
        if abs(t - self._looked_t) > _ANCHORED_S:
            utc = self._log.utc_at(t)
            self._ahead_s = (utc - _EPOCH).total_seconds() - t if utc is not None else math.nan
            self._looked_t = t
        about = t + self._ahead_s
        if time_s is None or math.isnan(about):
            return about
        day = 86400.0
        return round((about - time_s) / day) * day + time_s


_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
