"""A connection to a file that somebody else may have written: it reads tables and nothing else, and each query ends.

A log travels: by mail, on a stick, from a support desk. SQLite runs what a file's schema says, so a table may be a view without
an end, a column an expression of gigabytes. Logs of ours have none of these (SQLite, "Defense Against The Dark Arts").
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable
from typing import Any

LIMITS = {
    sqlite3.SQLITE_LIMIT_LENGTH: 64_000_000,  # bytes of a value or a row: a site file has 8 MB at most, a block of bytes less
    sqlite3.SQLITE_LIMIT_SQL_LENGTH: 100_000,
    sqlite3.SQLITE_LIMIT_EXPR_DEPTH: 100,
    sqlite3.SQLITE_LIMIT_COMPOUND_SELECT: 20,
    sqlite3.SQLITE_LIMIT_VDBE_OP: 50_000,  # of a compiled query: views over views double with each
    sqlite3.SQLITE_LIMIT_ATTACHED: 0,
    sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH: 1,
}
# Instructions of SQLite's machine for one query: ours need under 60 for each byte of the file, most of them for the gaps, each
# of which looks for its time among the anchors.
_LEAST_STEPS, _STEPS_PER_BYTE = 200_000_000, 60
_STEPS_A_LOOK = 100_000
_READS = {
    sqlite3.SQLITE_SELECT,
    sqlite3.SQLITE_READ,
    sqlite3.SQLITE_FUNCTION,
    sqlite3.SQLITE_TRANSACTION,
}  # anything but reading tables is refused, recursion included
_PRAGMAS = {"application_id", "user_version", "integrity_check", "journal_mode", "page_count", "page_size"}


class GuardedConnection(sqlite3.Connection):
    """Use as the `factory` of a connection, then `guard` it."""

    _steps = _left = _LEAST_STEPS

    def guard(self, path: str | os.PathLike[str]) -> None:
        """Bound what a query on the file at `path` may do, from now on."""
        self._steps = _LEAST_STEPS + _STEPS_PER_BYTE * os.path.getsize(path)
        for limit, value in LIMITS.items():
            self.setlimit(limit, value)
        super().execute("PRAGMA trusted_schema = OFF")
        super().execute("PRAGMA cell_size_check = ON")
        super().execute("PRAGMA mmap_size = 0")
        self.set_progress_handler(self._has_ended, _STEPS_A_LOOK)

    def read_only_tables(self) -> None:
        """From now on refuse whatever is not the reading of tables."""
        self.set_authorizer(_allowed)

    def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
        """As ever; a query that goes on without an end is interrupted."""
        self._left = self._steps
        return super().execute(sql, parameters)

    def _has_ended(self) -> bool:
        self._left -= _STEPS_A_LOOK
        return self._left < 0


def odd_table(connection: sqlite3.Connection, tables: Iterable[str]) -> str | None:
    """The first of these tables that is there as something else than a plain table, in words; None where none is."""
    kinds = {name: (kind, str(sql)) for name, kind, sql in connection.execute("SELECT name, type, sql FROM main.sqlite_master")}
    for name in tables:
        kind, sql = kinds.get(name, ("table", ""))
        if kind != "table" or sql[:20].upper().startswith("CREATE VIRTUAL"):
            return f"{name} is not a table of rows"
        if any(hidden for *_, hidden in connection.execute(f"PRAGMA main.table_xinfo({name})")):
            return f"{name} has columns that are computed"
    return None


def _allowed(action: int, what: str | None, detail: str | None, *_: str | None) -> int:
    if action in _READS or (action == sqlite3.SQLITE_PRAGMA and what in _PRAGMAS):
        return sqlite3.SQLITE_OK
    return sqlite3.SQLITE_DENY
