"""Every table of a day's logs as Parquet files (Apache Parquet format 2.6, zstd), one a table, in a folder.

Before a table's own columns (`arrow`) each row says whose it is: `post`, `log` (the file's name) and, where the table has `t`,
`t_utc`: UTC of its `t` by the log's clock, null where no clock was heard.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from witnesspost.daemon.log import rows
from witnesspost.daemon.log.day import PostLogs
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import RawRow, Row
from witnesspost.replay.export import arrow
from witnesspost.replay.export.window import Window

_WHOSE = (
    pa.field("post", pa.string(), False, {"meaning": "the post's name"}),
    pa.field("log", pa.string(), False, {"meaning": "the log's file"}),
)
_WHEN = pa.field("t_utc", pa.timestamp("us", "UTC"), True, {"meaning": "UTC of `t`, by the log's clock"})
_ROWS = 20_000  # of a batch
_RAW_ROWS = 1_000  # blocks of bytes: some ten kB each


def schema(kind: type[Row]) -> pa.Schema:
    """The schema of a table's file."""
    own = arrow.schema(kind)
    whose = [*_WHOSE, _WHEN] if "t" in own.names else list(_WHOSE)
    return pa.schema([*whose, *own], metadata=own.metadata)


def write_tables(
    posts: list[PostLogs], windows: list[Window], folder: Path, progress: Callable[[float], None] = lambda part: None
) -> dict[str, int]:
    """Write TABLE.parquet for every table into `folder`; gives the rows of each. Raises a LogError, and OSError as it comes.

    Of tables with `t` the rows within each post's window: of `raw`, the blocks that reach into it.
    """
    counts = {}
    written, files = 0, len(rows.TABLES) * sum(len(post.files) for post in posts)
    for kind in rows.TABLES:
        counts[kind.table] = 0
        with pq.ParquetWriter(folder / f"{kind.table}.parquet", schema(kind), compression="zstd") as writer:
            for post, window in zip(posts, windows, strict=True):
                for log in post.files:
                    for found in _batches(kind, log, window):
                        writer.write_batch(_whose(kind, post, log, found))
                        counts[kind.table] += len(found)
                    written += 1
                    progress(written / files)
    return counts


def _batches(kind: type[Row], log: LogFile, window: Window) -> Iterator[list[Row]]:
    asked = window.within(log)
    rest, values = "", {}
    if "t" in kind.__struct_fields__:
        if asked is None:
            return
        last = "t_last" if kind is RawRow else "t"
        rest = f"WHERE (:from IS NULL OR {last} >= :from) AND (:to IS NULL OR t <= :to) "
        values = {"from": asked[0], "to": asked[1]}
    found = iter(log.rows(kind, rest + f"ORDER BY {kind.key or 'rowid'}", values))
    while some := list(islice(found, _RAW_ROWS if kind is RawRow else _ROWS)):
        yield some


def _whose(kind: type[Row], post: PostLogs, log: LogFile, found: list[Row]) -> pa.RecordBatch:
    own = arrow.batch(kind, found)
    columns: list[Any] = [pa.array([text] * len(found), pa.string()) for text in (post.name, log.path.name)]
    if "t" in own.schema.names:
        columns.append(pa.array([log.utc_at(t) for t in own.column("t").to_pylist()], _WHEN.type))
    return pa.RecordBatch.from_arrays([*columns, *own.columns], schema=schema(kind))
