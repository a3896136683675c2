"""Tapes: recorded or invented streams as JSON Lines, plain or gzip, that a person can read and write.

    {"tape": 1, "streams": ["corrections", "receiver"], "note": "…", "site": {…}, "scenario": "…"}
    {"t": 12.345, "stream": "corrections", "hex": "d300…"}
    {"t": 30.0, "stream": "corrections", "port": "lost", "reason": "…"}
    {"t": 60.0, "tell": {"planned": {"for_s": 120, "why": "battery"}}}
    {"t": 300.0, "expect": "raised", "rule": "corrections-stopped", "cause": "line-silent", "within_s": 6.0}

`note`, `site` (a site file's tables, so that a tape can be played alone), `scenario` (that it was invented from: its truth
lines are then complete, even where there are none), `reason`, `because_of` and `severity` are optional.
`tell` brings what no stream says: `planned`, `frozen`, `acknowledge`, `shelve`, `setup`, `checkin`, `solved`, `health`, each
with the fields of its fact. Truth lines (`expect`) are for the grader, may stand anywhere, and are never played; all other
lines stand in the order of `t`.
"""

from __future__ import annotations

import contextlib
import gzip
import os
import zlib
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import IO, Annotated, Any, Literal, cast

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType
from witnesspost.daemon.atomic import output
from witnesspost.daemon.log.tape import TOLD, chunk_line, fact_line, first_line
from witnesspost.daemon.stream.inbox import Chunk
from witnesspost.rules.facts import Fact, Port
from witnesspost.rules.site.model import PointName, Severity
from witnesspost.rules.site.tables import nearest, shown

LONGEST_S = 31_536_000.0
"""A tape lasts a year at most: seconds."""
LONGEST_SILENCE_S = 86_400.0
"""Between two lines at most: the rules judge a silence too, a day of it in some ten seconds."""
MOST_STREAMS = 100

_LONGEST_LINE = 4_000_000  # bytes: a chunk that the post reads at once has thousands
_LONGEST_FIRST_LINE = 20_000_000  # it may bring a site with all its marks

ChangeWord = Literal["raised", "cause", "acknowledged", "normal", "cleared"]


class TapeError(Exception):
    """A tape cannot be used from this line on: the text names the file, the line, and what was expected."""

    def __init__(self, path: str | Path, line: int, what: str):
        super().__init__(f"{path} line {line}: {what}" if line else f"{path}: {what}")
        self.line = line


class Header(Struct, kw_only=True):
    """A tape's first line. `site` holds a site file's tables, None where the tape brings none; `scenario` is the name of
    the one that it was invented from, None where it was not."""

    streams: list[str]
    note: str = ""
    site: dict[str, Any] | None = None
    scenario: str | None = None


class Truth(Struct, kw_only=True):
    """What ought to be said: `rule` changes as `expect` says between `t` and `t + within_s` seconds.

    `cause` is the one that must stand first; a list names causes that cannot be told apart, of which any may; None asks
    for none. `because_of` asks for the rule that explains the alert (None: for one that sounds), `severity` for how grave it
    is; left out, any will do.
    """

    t: float
    expect: ChangeWord
    rule: str
    within_s: float
    cause: str | list[str] | None = None
    because_of: str | UnsetType | None = UNSET
    severity: Severity | UnsetType = UNSET

    @property
    def causes(self) -> list[str]:
        """The causes of which one must stand first; empty where any will do."""
        return [] if self.cause is None else [self.cause] if isinstance(self.cause, str) else self.cause


Record = Chunk | Fact | Truth
"""A tape's line after the first. The facts among them are Port and what a person or the post tells."""


class _Line(Struct, forbid_unknown_fields=True):
    t: float | None = None
    stream: str | None = None
    hex: str | None = None
    port: Literal["open", "waiting", "lost", "back"] | None = None
    reason: str = ""
    tell: dict[str, dict[str, Any]] | None = None
    expect: ChangeWord | None = None
    rule: str | None = None
    within_s: float | None = None
    cause: str | list[str] | None = None
    because_of: str | UnsetType | None = UNSET
    severity: Severity | UnsetType = UNSET


class _First(Struct):
    tape: int
    streams: Annotated[list[PointName], Meta(max_length=MOST_STREAMS)]
    note: str = ""
    site: dict[str, Any] | None = None
    scenario: str | None = None


class Tape:
    """An open tape: `header`, then its records by iteration, once. Raises TapeError where a line cannot be used."""

    def __init__(self, path: str | Path):
        self.path = path
        try:
            self._raw = Path(path).open("rb")  # noqa: SIM115 - open until it is closed
            self._file: IO[bytes] = _opened(self._raw)
            self._size_bytes = max(1, os.fstat(self._raw.fileno()).st_size)
        except OSError as error:
            raise TapeError(path, 0, f"cannot be read: {error.strerror}; name a tape") from None
        self._line = 0
        self._t = 0.0
        self._last_truth_t = 0.0
        self._decode = msgspec.json.Decoder(_Line).decode
        try:
            self.header = self._read_header()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Tape:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let the file go; iterating to the end does so too."""
        self._file.close()
        self._raw.close()

    @property
    def part(self) -> float:
        """The share of the file that is read, 0 to 1."""
        return 1.0 if self._raw.closed else min(1.0, self._raw.tell() / self._size_bytes)

    def __iter__(self) -> Iterator[Record]:
        with contextlib.closing(self):
            while line := self._next_line():
                if not line.isspace():
                    yield self._record(line)
        if self._last_truth_t > self._t + LONGEST_SILENCE_S:
            raise TapeError(
                self.path, 0, f"a truth line is about {self._last_truth_t:g} s, over a day after the last other line"
            )

    def _next_line(self, longest: int = _LONGEST_LINE) -> bytes:
        self._line += 1
        try:
            line = self._file.readline(longest + 1)
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise self._error(
                f"the compressed file is cut off or damaged here ({error}); all before it can be played"
            ) from None
        if len(line) > longest:
            raise self._error(f"has over {longest // 1_000_000} MB; expected a line for each chunk of bytes")
        return line

    def _read_header(self) -> Header:
        line = self._next_line(_LONGEST_FIRST_LINE)
        try:
            first = msgspec.json.decode(line, type=_First)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            raise self._error('is not a tape\'s first line; expected {"tape": 1, "streams": ["corrections"]}') from None
        if first.tape != 1:
            raise self._error(f"is a tape of version {first.tape}; this Witnesspost reads version 1")
        return Header(streams=first.streams, note=first.note, site=first.site, scenario=first.scenario)

    def _record(self, line: bytes) -> Record:
        try:
            parsed = self._decode(line)
        except msgspec.ValidationError as error:
            what = _shown(str(error))
            raise self._error(f"{what}; expected t with stream and hex, stream and port, tell, or expect") from None
        except RecursionError:
            raise self._error("is nested too deeply to be a tape's") from None
        except (msgspec.DecodeError, UnicodeDecodeError):
            if not line.endswith(b"\n"):
                raise self._error("the tape is cut off in the middle of this line; all before it can be played") from None
            raise self._error(f"is not JSON: {_shown(line)}") from None
        if parsed.t is None or not 0 <= parsed.t <= LONGEST_S:
            raise self._error(f"t is {parsed.t and format(parsed.t, 'g')}; expected seconds from 0 to {LONGEST_S:.0f}, a year")
        if parsed.expect is not None:
            return self._truth(parsed)
        if parsed.t < self._t:
            raise self._error(f"t goes back from {self._t:g} to {parsed.t:g}; expected lines in the order of t")
        if parsed.t > self._t + LONGEST_SILENCE_S:
            raise self._error(f"t jumps from {self._t:g} to {parsed.t:g}; expected at most a day between two lines")
        self._t = parsed.t
        if parsed.tell is not None:
            return self._told(parsed)
        if parsed.stream not in self.header.streams:
            known = nearest(str(parsed.stream), dict.fromkeys(self.header.streams))
            raise self._error(f"stream {shown(parsed.stream)} is not in the first line{known}")
        if parsed.port is not None:
            return Port(t=parsed.t, stream=parsed.stream, state=parsed.port, reason=parsed.reason)
        try:
            return Chunk(t=parsed.t, stream=parsed.stream, data=bytes.fromhex(cast(str, parsed.hex)))
        except (TypeError, ValueError):
            raise self._error(f"hex is {shown(parsed.hex)}; expected pairs of hexadecimal digits") from None

    def _truth(self, line: _Line) -> Truth:
        if line.rule is None or line.within_s is None or not 0 <= line.within_s <= LONGEST_S:
            raise self._error("a truth line needs rule and within_s (seconds from 0)")
        self._last_truth_t = max(self._last_truth_t, cast(float, line.t) + line.within_s)
        return Truth(
            t=cast(float, line.t), expect=cast(ChangeWord, line.expect), rule=line.rule, within_s=line.within_s,
            cause=line.cause, because_of=line.because_of, severity=line.severity,
        )  # fmt: skip

    def _told(self, line: _Line) -> Fact:
        words = list(cast(dict[str, Any], line.tell))
        if len(words) != 1 or words[0] not in TOLD:
            raise self._error(f"tell is {_shown(words)}; expected one of {', '.join(TOLD)}")
        fields = cast(dict[str, dict[str, Any]], line.tell)[words[0]]
        try:
            return msgspec.convert({**fields, "t": line.t, "stream": ""}, TOLD[words[0]])
        except msgspec.ValidationError as error:
            raise self._error(f"tell.{words[0]}: {_shown(str(error))}") from None

    def _error(self, what: str) -> TapeError:
        return TapeError(self.path, self._line, what)


def write_tape(path: str | Path, header: Header, records: Iterable[Record]) -> int:
    """Write a tape, gzip where the name ends in .gz, and return its number of lines. The same records give the same bytes.

    "-", devices and new files as `daemon.atomic.output` has them. Raises CannotWrite.
    """
    lines = 0
    with output(str(path)) as plain, _packed(plain, str(path)) as file:
        for line in tape_lines(header, records):
            file.write(line)
            lines += 1
    return lines


def tape_lines(header: Header, records: Iterable[Record]) -> Iterator[bytes]:
    """The lines of a tape with these records, the first line first, each with its line end."""
    yield first_line(header.streams, header.note, header.site, header.scenario)
    for record in records:
        if type(record) is Chunk:
            yield chunk_line(record.t, record.stream, record.data)
        elif isinstance(record, Truth):
            yield msgspec.json.encode(record) + b"\n"
        else:
            yield fact_line(cast(Fact, record).t, cast(Fact, record))


def _opened(raw: IO[bytes]) -> IO[bytes]:
    packed = raw.read(2) == b"\x1f\x8b"
    raw.seek(0)
    return cast(IO[bytes], gzip.GzipFile(fileobj=raw, mode="rb")) if packed else raw


def _packed(file: IO[bytes], path: str) -> AbstractContextManager[IO[bytes]]:
    # No name and no time in the archive, so that the same tape is the same bytes; level 6 is the knee of the curve.
    if path.endswith(".gz"):
        return cast(IO[bytes], gzip.GzipFile(filename="", fileobj=file, mode="wb", compresslevel=6, mtime=0))
    return nullcontext(file)


def _shown(what: object) -> str:
    text = what.decode(errors="replace").rstrip() if isinstance(what, bytes) else what if isinstance(what, str) else repr(what)
    plain = "".join(letter if letter.isprintable() else "�" for letter in text[:100])
    return plain if len(text) <= 100 else plain[:97] + "…"
