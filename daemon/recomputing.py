"""The tables that people read, computed again from the bytes: does the log still say what its bytes say?

The bytes go through the same pipeline as in the run, with every rule off, and what comes out is held against the rows of `fix`,
`station`, `clock` and `traffic`, row by row in their order. Only what was derived in the same way (`DERIVATION`) can be held
against it; what cannot is said.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from witnesspost.daemon.log import schema
from witnesspost.daemon.log.derived import DERIVATION, DerivedRows
from witnesspost.daemon.log.reading import LogFile, LongSilence
from witnesspost.daemon.log.rows import DERIVED, ClockRow, Derived, DerivedRow, EventRow, TrafficRow
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
        self._run: _Run | None = None
        self._digest: bytes | None = None

    def compare(self, log: LogFile, digest: bytes) -> OddRow | str | None:
        """The first odd row of `log`, whose chain ends with `digest`; why it cannot be compared; None where all is right."""
        goes_on = self._digest is not None and log.run.previous_digest == self._digest and log.run.begun_at_t > 0
        run, self._run, self._digest = self._run, None, None
        why_not = _why_not(log)
        if why_not is not None:
            return why_not
        if _kind_of_begin(log) == "log-continued":
            if not goes_on or run is None:
                return "it goes on from another file; give them together, in order"
        else:
            run = _Run(log)
        try:
            odd = run.compare(log)
        except LongSilence as error:
            return str(error)
        if odd is None:
            self._run, self._digest = run, digest
        return odd


class _Run:
    """The pipeline of a run, and what it says of the bytes so far."""

    def __init__(self, log: LogFile) -> None:
        self._derived = DerivedRows(at_base=log.run.role == "base")
        streams = [Stream(name=name, port="loop://", carries=["corrections", "positions"]) for name in log.streams]
        role: Any = log.run.role
        site = Site(post=Post(name=log.run.name, role=role), stream=streams, rules={rule.name: {"off": True} for rule in RULES})
        self._pipeline = Pipeline(site, FactsOnly(self._derived), begins_t=log.run.begun_at_t)

    def compare(self, log: LogFile) -> OddRow | None:
        """The first row of the next file that differs."""
        closed = log.closed()
        whole = closed is not None and "found_by" not in closed
        _, last_t = log.span()
        stored = _Stored(log, cut_off_t=None if whole else last_t - _UNWRITTEN_S)
        try:
            stored.hold(self._derived.carried())
            looked_t = log.run.begun_at_t
            for t, stream, what in log.played():
                if isinstance(what, Fact):
                    self._pipeline.tell(what)
                elif stream in log.streams:
                    self._pipeline.feed(t, stream, what)
                else:
                    raise _Odd(OddRow("raw", t, f"a block of a stream {on_one_line(stream)} that is not in `stream`"))
                if t - looked_t >= _LOOK_EVERY_S:
                    looked_t = t
                    stored.hold(self._derived.complete(t))
            self._pipeline.tick(last_t)
            if whole and log.ended() != "rotated":
                self._pipeline.end()
            stored.hold(self._derived.complete(last_t, end=True))
            stored.end()
        except _Odd as odd:
            return odd.row
        return None


class _Stored:
    """The rows of a file, each to be met by one that was computed."""

    def __init__(self, log: LogFile, cut_off_t: float | None):
        self._cut_off_t = cut_off_t
        self._rows: dict[type[DerivedRow], Iterator[DerivedRow]] = {
            kind: (row for row in log.rows(kind, "ORDER BY rowid") if not _is_unread(row)) for kind in DERIVED
        }
        self._anchors = next(log.rows(ClockRow, "WHERE source LIKE 'MSM%' LIMIT 1"), None) is None

    def hold(self, computed: Derived) -> None:
        """Hold what was computed against the next rows. Raises _Odd."""
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
                    raise _Odd(OddRow(kind.table, row.t, "a row that the bytes give is not there"))
                raise _Odd(OddRow(kind.table, there.t, _difference(there, row)))

    def end(self) -> None:
        """All was computed: no row may be left. Raises _Odd."""
        for kind, rows in self._rows.items():
            if kind is not ClockRow or self._anchors:
                for row in rows:
                    raise _Odd(OddRow(kind.table, row.t, "a row that the bytes do not give"))


class _Odd(Exception):
    def __init__(self, row: OddRow):
        super().__init__(row.what)
        self.row = row


class FactsOnly:
    """What the pipeline takes for a log: of all that it says only the facts count."""

    def __init__(self, derived: DerivedRows):
        self.fact = derived.see

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


def _why_not(log: LogFile) -> str | None:
    if log.version != schema.VERSION:
        return f"it is of version {log.version}, and this program knows how {schema.VERSION} was computed"
    if log.derivation() != DERIVATION:
        return f"version {log.run.program} of the program, which wrote it, drew the tables otherwise than {program()}"
    kinds = ", ".join(f"'{kind}'" for kind in _CANNOT)
    lost = next(log.rows(EventRow, f"WHERE input = 0 AND kind IN ({kinds}) LIMIT 1"), None)
    return f"the disk failed while it was written (t {lost.t:.1f})" if lost is not None else None


def _begun(log: LogFile) -> EventRow | None:
    return next(log.rows(EventRow, "WHERE kind IN ('log-started', 'log-continued') ORDER BY n LIMIT 1"), None)


def _kind_of_begin(log: LogFile) -> str:
    begun = _begun(log)
    return begun.kind if begun is not None else "log-continued"


def _is_unread(row: DerivedRow) -> bool:
    """True for what only somebody counts who wanted the message read whole."""
    return isinstance(row, TrafficRow) and row.message.endswith(" unread")


def _difference(there: DerivedRow, computed: DerivedRow) -> str:
    for name in there.__struct_fields__:
        if getattr(there, name) != getattr(computed, name):
            return f"{name} is {shown(getattr(there, name))}, and the bytes give {shown(getattr(computed, name))}"
    return "it is another row than the bytes give"
