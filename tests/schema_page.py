"""The page of the log's schema, from the structs that declare it: `python -m tests.documentation` writes it anew."""

import contextlib
import sqlite3
import textwrap

from witnesspost.daemon.log import blocks, rows, schema
from witnesspost.daemon.log.rows import CHAINED, TABLES, columns

_TYPES = {int: "INTEGER", float: "REAL", str: "TEXT", bytes: "BLOB"}
_HEAD = """# The log's schema

One SQLite file a run, `NAME.0042.db`. This page is written by `python -m tests.documentation` from `rows.py`, which declares
each table once, and from `schema.py`, which has the views. This is version {version} (`PRAGMA user_version`); older logs are
read as if they were of this one (`translation.py`) and never changed.

`t` is seconds since the log began, by a clock that nobody sets; UTC is ISO 8601 with "Z"; units are in the names. A value
that is not known is NULL.

These names stay as they are, whatever else is renamed: raw(stream, t, t_last, data), clock(t, utc, source), fix(t, stream,
quality, latitude, longitude, height_m, age_s, station_id), station(t, station_id, x_m, y_m, z_m), traffic(message, station,
frames, bytes, bad), alert(n, t, utc, rule, change, cause, severity, because_of, say, steps, alert), event(t, kind, detail), and
`from_t` and `to_t` of base_coordinates.
"""
_ABOUT = {
    True: "It is a link of the chain.",
    False: "It follows from the bytes, and can be made again from them.",
}


def log_schema_page() -> str:
    """The page, whole."""
    parts = [_HEAD.format(version=schema.VERSION), "## Tables\n"]
    for kind in TABLES:
        about = _ABOUT[kind in CHAINED] if kind in (*CHAINED, *rows.DERIVED) else None
        lines = [f"### `{kind.table}`\n", f"One row is {_lower(kind.__doc__)}" + (f" {about}" if about else ""), ""]
        lines += ["| column | type | what |", "|---|---|---|"]
        for column in columns(kind):
            null = ", or NULL" if column.may_be_null else ""
            key = ", key" if column.name == kind.key else ""
            lines.append(f"| `{column.name}` | {_TYPES[column.type]}{null}{key} | {column.meaning} |")
        parts.append("\n".join(lines) + "\n")
    parts.append("## Views\n")
    parts.append("\n".join(["| view | one row is | columns |", "|---|---|---|", *_views()]) + "\n")
    parts.append("## Blocks and the chain\n")
    parts.append(textwrap.dedent(blocks.__doc__).partition("\n\n")[2])
    return "\n".join(parts)


def _views() -> list[str]:
    with contextlib.closing(sqlite3.connect(":memory:")) as connection:
        for kind in TABLES:
            connection.execute(f"CREATE TABLE {kind.table} ({', '.join(kind.__struct_fields__)})")
        lines = []
        for name, view in schema.VIEWS.items():
            connection.execute(f"CREATE VIEW {name} AS {view.sql}")
            found = connection.execute(f"SELECT * FROM ({view.sql})").description
            lines.append(f"| `{name}` | {view.row} | {', '.join(f'`{column[0]}`' for column in found)} |")
    return lines


def _lower(doc: str | None) -> str:
    assert doc is not None
    text = " ".join(doc.split())
    return text[0].lower() + text[1:]
