"""Logs of older versions, read as if they were of this one.

version 1   `station` has no degrees
version 2   `order_in_ms` was `place`; `run` kept no grids, `alert` no words

A connection that has been translated sees, under the names of the tables, temporary views over the file's own: they live
in the connection's memory, and the file is neither changed nor copied. The views that come with the schema are this
version's too, whatever the file brings. What a digest covers is what the file's own version knew.
"""

from __future__ import annotations

import functools
import sqlite3
from typing import Any

import msgspec
from witnesspost.daemon.log import schema
from witnesspost.daemon.log.blocks import link
from witnesspost.daemon.log.rows import TABLES, ChainedRow, Row, RunRow

_DEGREES = ("latitude", "longitude", "ellipsoidal_height_m")
# For the last version that lacked it: a column, and what stands for it in SQL over the file's own table.
_INSTEAD: dict[int, dict[str, dict[str, str]]] = {
    1: {"station": {name: f"geodetic('{name}', x_m, y_m, z_m)" for name in _DEGREES}},
    2: {
        "event": {"order_in_ms": "place"},
        "alert": {"order_in_ms": "place", "words": "'{}'"},
        "run": {"grids": "'[]'"},
    },
}
# Columns of rows with a digest that a version did not have at all: they are not covered by its digests.
_LACKED: dict[int, dict[str, frozenset[str]]] = {2: {"run": frozenset({"grids"}), "alert": frozenset({"words"})}}


def translate(connection: sqlite3.Connection, version: int) -> None:
    """Let `connection`, which has a log of that version open, be read as one of this version."""
    connection.execute("PRAGMA temp_store = MEMORY")
    connection.create_function("geodetic", 4, _geodetic, deterministic=True)
    for kind in TABLES:
        instead = {
            column: sql
            for number, tables in _INSTEAD.items()
            if number >= version
            for column, sql in tables.get(kind.table, {}).items()
        }
        if instead:
            found = ", ".join(f"{instead.get(name, name)} AS {name}" for name in kind.__struct_fields__)
            connection.execute(f"CREATE TEMP VIEW {kind.table} AS SELECT {found} FROM main.{kind.table}")
    for name, view in schema.VIEWS.items():
        connection.execute(f"CREATE TEMP VIEW {name} AS {view.sql}")


def digest_of(row: RunRow | ChainedRow, previous: bytes, version: int) -> bytes:
    """The digest that `row` ought to have in a log of that version, after a row with the digest `previous`."""
    return link(previous, _covered(row, version))


def _covered(row: Row, version: int) -> list[Any]:
    lacked = frozenset[str]().union(*(tables.get(row.table, ()) for number, tables in _LACKED.items() if number >= version))
    values = msgspec.structs.astuple(row)[:-1]
    if not lacked:
        return list(values)
    return [value for name, value in zip(row.__struct_fields__, values, strict=False) if name not in lacked]


@functools.lru_cache(maxsize=64)  # asked for a column at a time
def _geodetic(column: str, x_m: float | None, y_m: float | None, z_m: float | None) -> float | None:
    if x_m is None or y_m is None or z_m is None:
        return None
    from witnesspost.rules.coordinates import Ecef
    from witnesspost.rules.datum.geodesy import to_geodetic

    try:
        place = to_geodetic(Ecef(x_m, y_m, z_m))
    except Exception:  # a PROJ that does not work must not cost the rest
        return None
    return dict(zip(_DEGREES, place, strict=True))[column]
