"""A rover's epochs: every position that its receiver said in a day, from the bytes, as columns.

The table `fix` keeps one position a second at most; a point of one epoch at 10 Hz needs its own. So the bytes of the lines
that carry positions are read again: GGA (or GNS, RMC), the GST of the same second or the one before, and the pole's sensor.
"""

from __future__ import annotations

import array
import datetime as dt
import math
from bisect import bisect_right
from collections.abc import Callable, Iterator
from functools import partial
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from witnesspost.daemon.log.day import PostLogs
from witnesspost.daemon.log.reading import Arrived, LogFile
from witnesspost.daemon.log.rows import FixRow, StreamRow
from witnesspost.daemon.stream.decoding import Decoder
from witnesspost.daemon.stream.framing import SENTENCE, Framer, Unit
from witnesspost.daemon.stream.nmea import MOST, seconds_of_day
from witnesspost.replay.office.plain_lines import SIGMA, Plain, plain
from witnesspost.rules.facts import Fix, Tilt
from witnesspost.rules.gnss import FixQuality
from witnesspost.rules.site.model import Site

Array = NDArray[Any]

_TILT_S = 1.5  # a word of the sensor farther off says nothing of an epoch
_SIGMA_S = 1.5  # a GST is of the second before at most
_UNBROKEN_S = 3.0  # two fixed epochs further apart are two fixes
_STRETCH_BYTES = 1 << 17  # read at once: a minute or two of a rover at 10 Hz
_PIECE = 400  # positions that are put into columns at once: under the 700 new objects after which Python looks for garbage
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
    columns = no_columns()
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
    columns = no_columns()
    streams: list[str] = []
    for number, log in enumerate(post.files):
        clock = _Clock(log)
        heard: dict[str, list[_Heard]] = {}
        for row in log.rows(FixRow, "ORDER BY rowid"):
            if row.latitude is not None and row.longitude is not None and row.height_m is not None:
                heard.setdefault(row.stream, []).append(_heard(row))
        for stream, fixes in heard.items():
            if stream not in streams:
                streams.append(stream)
            _append(columns, clock, number, streams.index(stream), *np.array(fixes, float).T)
    return _in_order(post, streams, columns)


def no_columns() -> dict[str, array.array[Any]]:
    """Columns to read into."""
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
    line = Line(log, number, stream, index, site, columns)
    for arrived in _together(log.blocks_of(stream)):
        line.read(*arrived)
    mine = {name: _array(column)[first:] for name, column in columns.items()}
    if line.leans:
        _join_tilt(mine, np.frombuffer(line.leans).reshape(-1, 3))
    if line.sigmas:
        _join_sigmas(mine, np.frombuffer(line.sigmas).reshape(-1, 4))
    _count_fixed(mine)


def _together(blocks: Iterator[Arrived]) -> Iterator[Arrived]:
    """Several blocks as one: what is done once with each would else be most of what is done."""
    milliseconds: list[int] = []
    ends: list[int] = []
    parts: list[bytes] = []
    size = 0
    for ms, block_ends, data in blocks:
        milliseconds += ms
        ends += [size + end for end in block_ends]
        parts.append(data)
        size += len(data)
        if size >= _STRETCH_BYTES:
            yield milliseconds, ends, b"".join(parts)
            milliseconds, ends, parts, size = [], [], [], 0
    if parts:
        yield milliseconds, ends, b"".join(parts)


class Line:
    """One stream of one log, from its bytes into `columns`, block by block: as plain sentences where they are, else by the
    decoder, which is told what it needs of those it has not seen.

    `leans` are the sensor's words (t, how far over, aligned or not), `sigmas` the GSTs (t, east, north, up), end to end.
    """

    def __init__(self, log: LogFile, number: int, stream: str, index: int, site: Site, columns: dict[str, array.array[Any]]):
        self.leans, self.sigmas = array.array("d"), array.array("d")
        self._append = partial(_append, columns, _Clock(log), number, index)
        self._framer, self._decoder = Framer(), Decoder(stream, site.tilt, frozenset((Fix, Tilt)))
        self._compensates = site.tilt is not None and site.tilt.compensates
        self._tilt = b"$" + site.tilt.sentence.upper().encode() if site.tilt is not None else b"$--XDR,"
        self._begun = b""  # of a sentence; the framer has not seen it
        self._last: dict[str, tuple[float, bytes]] = {}  # GST and GGA; the decoder has not seen them
        self._sigma = (math.nan,) * len(SIGMA)  # the last GST
        self._heard: list[_Heard] = []

    def read(self, milliseconds: list[int], ends: list[int], data: bytes) -> None:
        """What came: when each chunk did, and where in `data` it ends."""
        whole = self._begun + data
        found = plain(whole) if not self._framer.waiting and self._tilt[3:6] not in (b"GGA", b"GST") else None
        if found is not None:
            self._take(found, np.array(milliseconds) / 1000.0, np.array(ends) + len(self._begun))
            self._begun = whole[found.size :]
            return
        for t, line in self._last.values():
            self._decoder.decode(t, [(SENTENCE, line)])
        self._framer.feed(self._begun)  # nothing ends in it
        for ms, (begin, end) in zip(milliseconds, pairwise((0, *ends)), strict=False):
            self._decode(ms / 1000, self._framer.feed(data[begin:end]))
        self._put_heard()
        self._last, self._begun = {}, b""
        waiting = self._framer.waiting
        if waiting and whole[-waiting:].startswith(b"$") and waiting <= len(whole):
            self._framer, self._begun = Framer(), whole[-waiting:]

    def _take(self, found: Plain, came: Array, ends: Array) -> None:
        """Note plain sentences; `came` and `ends` are those of the chunks."""

        def t_of(sentences: Any) -> Array:
            found: Array = came[np.searchsorted(ends, sentences)]
            return found

        said = np.vstack([self._sigma, found.sigmas])
        own = said[np.searchsorted(found.sigma_ends, found.position_ends)]
        own[own[:, 0] != found.positions[:, 0]] = math.nan
        self._append(t_of(found.position_ends), *found.positions.T, *own[:, 1:].T)
        self.sigmas.frombytes(np.column_stack([t_of(found.sigma_ends), found.sigmas[:, 1:]]).tobytes())
        self._sigma = tuple(said[-1])
        self._last |= {kind: (float(t_of(end)), line) for kind, (end, line) in found.last.items()}
        for end, line in found.others:
            if line[3:7] == b"XDR," or line[: len(self._tilt)].upper() == self._tilt:
                self._decode(float(t_of(end)), [(SENTENCE, line)])

    def _decode(self, t: float, units: list[Unit]) -> None:
        """Note what any units say."""
        for kind, unit in units:
            if kind == SENTENCE and unit[3:6] == b"GST":
                self.sigmas.extend(_gst(t, unit))
                self._sigma = _sigma_after(self._sigma, unit)
        for fact in self._decoder.decode(t, units):
            if isinstance(fact, Tilt):
                lean = math.nan if fact.angle_deg is None else abs(fact.angle_deg)
                lean = 0.0 if self._compensates and fact.aligned and fact.angle_deg is not None else lean
                self.leans.extend((t, lean, math.nan if fact.aligned is None else float(fact.aligned)))
            elif (
                isinstance(fact, Fix) and fact.latitude is not None and fact.longitude is not None and fact.height_m is not None
            ):
                self._heard.append(_heard(fact))
                if len(self._heard) == _PIECE:
                    self._put_heard()

    def _put_heard(self) -> None:
        if self._heard:
            self._append(*np.array(self._heard, float).T)
            self._heard.clear()


_Heard = tuple[float | None, ...]


def _heard(fix: Fix | FixRow) -> _Heard:
    """What is taken of a position."""
    return (
        fix.t, fix.time_s, fix.quality, fix.latitude, fix.longitude, fix.height_m, fix.separation_m, fix.age_s, fix.station_id,
        fix.sigma_east_m, fix.sigma_north_m, fix.sigma_up_m,
    )  # fmt: skip


def _append(columns: dict[str, array.array[Any]], clock: _Clock, number: int, index: int, *said: Array) -> None:
    """Append positions to the columns, many at once: one by one takes a third of all the time that a day does. `said` is as
    `_heard` has it."""
    t, time_s, quality, latitude, longitude, height_m, separation_m, *rest = said
    none = np.full(len(t), math.nan)
    values = (
        clock.utc(t, time_s), t, np.full(len(t), number), np.full(len(t), index), quality, latitude, longitude,
        height_m + np.nan_to_num(separation_m), separation_m, *rest, none, none, none,
    )  # fmt: skip
    for (name, kind), column in zip(_COLUMNS.items(), values, strict=True):
        columns[name].frombytes(np.ascontiguousarray(column, kind).tobytes())


def _join_tilt(mine: dict[str, Array], words: Array) -> None:
    """Each epoch's lean is the sensor's word nearest to it: it is said before or after the position of its second."""
    t = mine["t"]
    after = np.searchsorted(words[:, 0], t).clip(1, max(1, len(words) - 1))
    nearest = np.where(t - words[after - 1, 0] <= words[after % len(words), 0] - t, after - 1, after % len(words))
    near = np.abs(words[nearest, 0] - t) <= _TILT_S
    for name, column in (("tilt_deg", 1), ("aligned", 2)):
        mine[name][:] = np.where(near, words[nearest, column], math.nan)


def _join_sigmas(mine: dict[str, Array], words: Array) -> None:
    """An epoch that has no sigma by its own second takes that of the GST before it, or else of the one after it."""
    t = mine["t"]
    before = np.searchsorted(words[:, 0], t, "right") - 1
    after = (before + 1).clip(max=len(words) - 1)
    late = (before < 0) | (t - words[before, 0] > _SIGMA_S)
    nearest = np.where(late, after, before)
    names = ("sigma_east_m", "sigma_north_m", "sigma_up_m")
    none = np.isnan([mine[name] for name in names]).any(axis=0)
    known = np.abs(words[nearest, 0] - t) <= _SIGMA_S
    for column, name in enumerate(names, start=1):
        mine[name][none] = np.where(known, words[nearest, column], math.nan)[none]


def _count_fixed(mine: dict[str, Array]) -> None:
    """How long the fix of each fixed epoch had lasted without a break."""
    fixed = np.flatnonzero(mine["quality"] == FixQuality.RTK_FIXED)
    if not len(fixed):
        return
    utc = mine["utc"][fixed]
    begins = np.concatenate([[True], np.diff(utc) > _UNBROKEN_S])
    since = np.maximum.accumulate(np.where(begins, np.arange(len(utc)), 0))
    mine["fixed_s"][fixed] = utc - utc[since]


def _sigma_after(before: tuple[float, ...], sentence: bytes) -> tuple[float, ...]:
    """What the decoder takes for the last GST once it has read this one: one that is none leaves the one before."""
    fields = sentence[1 : sentence.rfind(b"*")].split(b",")
    try:
        time_s, sigmas = seconds_of_day(fields[1]), [float(fields[place] or "nan") for place in (7, 6, 8)]
    except (ValueError, IndexError):
        return before
    if any(abs(sigma) > MOST for sigma in sigmas):
        return before
    return (math.nan if time_s is None else time_s, *sigmas)


def _gst(t: float, sentence: bytes) -> tuple[float, ...]:
    """(t, east, north, up) of a GST (IEC 61162-1): fields 6, 7 and 8 are north, east and up. Nothing where one is none."""
    fields = sentence[1 : sentence.rfind(b"*")].split(b",")
    try:
        return t, float(fields[7]), float(fields[6]), float(fields[8])
    except (ValueError, IndexError):
        return ()


class _Clock:
    """UTC of epochs: the receiver's second of the day, on the day that the log's anchors say; else by the anchors alone."""

    def __init__(self, log: LogFile):
        self._t = np.array([t for t, _, _ in log.anchors])
        self._ahead_s = np.array([(utc - _EPOCH).total_seconds() - t for t, utc, _ in log.anchors])

    def utc(self, t: Array, time_s: Array) -> Array:
        """Seconds since 1970, NaN where the log does not know the time; NaN in `time_s` is a time that was not said."""
        if not len(self._t):
            return np.full(len(t), math.nan)
        about = t + self._ahead_s[(np.searchsorted(self._t, t, "right") - 1).clip(min=0)]
        day = 86400.0
        said: Array = np.where(np.isnan(time_s), about, np.round((about - time_s) / day) * day + time_s)
        return said


_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
