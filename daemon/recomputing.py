"""The tables that people read, computed again from the bytes: does the log still say what its bytes say?

The bytes go through the same pipeline as in the run, with every rule off, and what comes out is held against the rows of `fix`,
`station`, `clock` and `traffic`, row by row in their order. Only what was derived in the same way (`DERIVATION`) can be held
against it; what cannot is said.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from witnesspost.daemon.log import schema
from witnesspost.daemon.log.derived import DERIVATION, DerivedRows
from witnesspost.daemon.log.reading import LogFile, LongSilence
from witnesspost.daemon.log.rows import DERIVED, ClockRow, Derived, DerivedRow, EventRow, StreamRow, TrafficRow
from witnesspost.daemon.log.succession import program
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.rules.alert import Change
from witnesspost.rules.book.contents import RULES
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.model import Post, Site, Stream
from witnesspost.rules.site.tables import on_one_line, shown

_LOOK_EVERY_S = 60.0  # how much is computed between two looks at the rows: a day of them is too much at once
_UNWRITTEN_S = 75.0  # of a log that was cut off: a minute's anchor, and what waited for the next commit
_CANNOT = ("gap", "log-recovered", "rows-left-out")  # events after which rows and bytes need not tell the same


class OddRow(NamedTuple):
    """The first row that is not what the bytes say, or that they say and is not there."""

    table: str
    t: float
    what: str


class Recomputation:
    """One run's logs, in their order: `compare` each."""

    def __init__(self) -> None:
        self._run: RunOfBytes | None = None
        self._digest: bytes | None = None

    def compare(
        self, log: LogFile, digest: bytes, progress: Callable[[float], None] = lambda part: None
    ) -> OddRow | str | None:
        """The first odd row of `log`, whose chain ends with `digest`; why it cannot be compared; None where all is right."""
        goes_on = log.goes_on_from(self._digest)
        run, self._run, self._digest = self._run, None, None
        why_not = why_not_comparable(log)
        if why_not is not None:
            return why_not
        if goes_on_from_another(log):
            if not goes_on or run is None:
                return "it goes on from another file; give them together, in order"
        else:
            run = RunOfBytes(log)
        try:
            odd = _first_odd(log, run, progress)
        except LongSilence as error:
            return str(error)
        if odd is None:
            self._run, self._digest = run, digest
        return odd


class RunOfBytes:
    """A run's bytes through the pipeline, with every rule off, file by file: what they say as rows.

    `see` is shown each fact of the streams, too. `system_utc` is what the system's clock said, as `DerivedRows` asks it.
    """

    def __init__(
        self,
        log: LogFile,
        see: Callable[[Fact], None] | None = None,
        system_utc: Callable[[], dt.datetime] | None = None,
    ) -> None:
        self._derived = DerivedRows(system_utc, at_base=log.run.role == "base")
        role: Any = log.run.role
        said: list[tuple[str, Any]] = [(row.name, row.carries.split()) for row in log.rows(StreamRow, "ORDER BY rowid")]
        streams = [Stream(name=name, port="loop://", carries=carries) for name, carries in said]
        site = Site(post=Post(name=log.run.name, role=role), stream=streams, rules={rule.name: {"off": True} for rule in RULES})
        self._pipeline = Pipeline(site, FactsOnly(self._derived, see), begins_t=log.run.begun_at_t)

    @property
    def t(self) -> float:
        """How far it has come."""
        return self._pipeline.t

    def rows(self, log: LogFile) -> Iterator[Derived]:
        """What the next file's tables ought to hold, in order, a minute at a time. Raises Odd for bytes that have no place,
        and a LogError."""
        known = {stream.name for stream in self._pipeline.site.stream}
        _, last_t = log.span()
        yield self._derived.carried()
        looked_t = log.run.begun_at_t
        for t, stream, what in log.played():
            if isinstance(what, Fact):
                self._pipeline.tell(what)
            elif stream in known:
                self._pipeline.feed(t, stream, what)
            else:
                raise Odd(OddRow("raw", t, f"a block of a stream {on_one_line(stream)} that is not in `stream`"))
            if t - looked_t >= _LOOK_EVERY_S:
                looked_t = t
                yield self._derived.complete(t)
        self._pipeline.tick(last_t)
        if _is_whole(log) and log.ended() != "rotated":
            self._pipeline.end()
        yield self._derived.complete(last_t, end=True)


def _first_odd(log: LogFile, run: RunOfBytes, progress: Callable[[float], None]) -> OddRow | None:
    """The first row of the next file that differs."""
    stored = StoredRows(log)
    first_t, last_t = log.span()
    try:
        for computed in run.rows(log):
            stored.hold(computed)
            progress((run.t - first_t) / max(last_t - first_t, 1.0))
        stored.end()
    except Odd as odd:
        return odd.row
    return None


class StoredRows:
    """The rows of a file, each to be met by one that was computed."""

    def __init__(self, log: LogFile):
        self._cut_off_t = None if _is_whole(log) else log.span()[1] - _UNWRITTEN_S
        self._rows: dict[type[DerivedRow], Iterator[DerivedRow]] = {
            kind: (row for row in log.rows(kind, "ORDER BY rowid") if not _is_unread(row)) for kind in DERIVED
        }
        self._anchors = next(log.rows(ClockRow, "WHERE source LIKE 'MSM%' LIMIT 1"), None) is None

    def hold(self, computed: Derived) -> None:
        """Hold what was computed against the next rows. Raises Odd."""
        for kind, rows in computed.items():
            if kind is ClockRow and not self._anchors:
                continue  # the system's clock of then is not known
            for row in rows:
                if _is_unread(row):
                    continue
                there = next(self._rows[kind], None)
                if there == row:
                    continue
                if there is None and self._cut_off_t is not None and row.t >= self._cut_off_t:
                    continue
                if there is None or there.t > row.t:
                    raise Odd(OddRow(kind.table, row.t, "a row that the bytes give is not there"))
                raise Odd(OddRow(kind.table, there.t, _difference(there, row)))

    def end(self) -> None:
        """All was computed: no row may be left. Raises Odd."""
        for kind, rows in self._rows.items():
            if kind is not ClockRow or self._anchors:
                for row in rows:
                    raise Odd(OddRow(kind.table, row.t, "a row that the bytes do not give"))


class Odd(Exception):
    """A row is not what the bytes say."""

    def __init__(self, row: OddRow):
        super().__init__(row.what)
        self.row = row


class FactsOnly:
    """What the pipeline takes for a log: of all that it says only the facts count."""

    def __init__(self, derived: DerivedRows, see: Callable[[Fact], None] | None = None):
        self.fact: Callable[[Fact], None] = derived.see if see is None else _both(derived.see, see)

    def chunk(self, t: float, stream: str, data: bytes) -> None:
        """Not needed."""

    def told(self, fact: Fact) -> None:
        """Not needed."""

    def change(self, change: Change) -> None:
        """Not needed."""

    def event(self, t: float, kind: str, detail: dict[str, Any]) -> None:
        """Not needed."""

    def tick(self, t: float) -> None:
        """Not needed."""


def _both(one: Callable[[Fact], None], other: Callable[[Fact], None]) -> Callable[[Fact], None]:
    def see(fact: Fact) -> None:
        one(fact)
        other(fact)

    return see


def _is_whole(log: LogFile) -> bool:
    """True where the file was closed by the service that wrote it."""
    closed = log.closed()
    return closed is not None and "found_by" not in closed


def why_not_comparable(log: LogFile) -> str | None:
    """Why this file's tables cannot be held against its bytes; None where they can."""
    if log.version != schema.VERSION:
        return f"it is of version {log.version}, and this program knows how {schema.VERSION} was computed"
    if log.derivation() != DERIVATION:
        return f"version {log.run.program} of the program, which wrote it, drew the tables otherwise than {program()}"
    kinds = ", ".join(f"'{kind}'" for kind in _CANNOT)
    lost = next(log.rows(EventRow, f"WHERE input = 0 AND kind IN ({kinds}) LIMIT 1"), None)
    return f"the disk failed while it was written (t {lost.t:.1f})" if lost is not None else None


def goes_on_from_another(log: LogFile) -> bool:
    """True where a file begins in the middle of a run."""
    return log.begun is None or log.begun.kind == "log-continued"


def _is_unread(row: DerivedRow) -> bool:
    """True for what only somebody counts who wanted the message read whole."""
    return isinstance(row, TrafficRow) and row.message.endswith(" unread")


def _difference(there: DerivedRow, computed: DerivedRow) -> str:
    for name in there.__struct_fields__:
        if getattr(there, name) != getattr(computed, name):
            return f"{name} is {shown(getattr(there, name))}, and the bytes give {shown(getattr(computed, name))}"
    return "it is another row than the bytes give"
