"""A log's tables as Arrow: schema and batches, from the one declaration of the log's rows (`daemon.log.rows`).

A table's columns keep their names, order and meaning; SQLite's INTEGER becomes int64, REAL float64, TEXT string, BLOB
binary, and what may be NULL there may be null here. What each column means stands in its field's metadata.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import pyarrow as pa
from witnesspost.daemon.log import rows
from witnesspost.daemon.log.rows import Column, Row

_TYPE = {int: pa.int64(), float: pa.float64(), str: pa.string(), bytes: pa.binary()}


def schema(kind: type[Row]) -> pa.Schema:
    """The Arrow schema of a table's own columns, in order."""
    return pa.schema([_field(column) for column in rows.columns(kind)], metadata={"table": kind.table})


def batch(kind: type[Row], found: Sequence[Row]) -> pa.RecordBatch:
    """These rows of a table, in order."""
    values = zip(*map(msgspec.structs.astuple, found), strict=True) if found else ([] for _ in rows.columns(kind))
    fields = schema(kind)
    arrays = [pa.array(column, field.type) for column, field in zip(values, fields, strict=True)]
    return pa.RecordBatch.from_arrays(arrays, schema=fields)


def _field(column: Column) -> pa.Field:
    return pa.field(column.name, _TYPE[column.type], column.may_be_null, {"meaning": column.meaning})
