"""Asking an archive by SQL: DuckDB over its files, shut in it, and able to read alone."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
from witnesspost.replay.office.archive.views import QUESTIONS, VIEWS_FILE, script

_AT_ONCE = 1000  # rows


class CannotAsk(Exception):
    """The question cannot be answered. The text is one line."""


class Answer(NamedTuple):
    """Rows as they come, under their columns' names."""

    columns: list[str]
    rows: Iterator[tuple[Any, ...]]


@contextlib.contextmanager
def asked(archive: str | Path, sql: str) -> Iterator[Answer]:
    """The answer to one query over the archive's tables and views. Raises CannotAsk, also while its rows are read."""
    root = root_of(archive)
    if not any(root.glob("post=*/day=*")):
        raise CannotAsk(f"{archive}: holds no day yet; gather logs into it first")
    with (
        _in_one_line(),
        tempfile.TemporaryDirectory(prefix="witnesspost-") as spill,
        _connected(root, spill, sql) as connection,
    ):
        _only_reads(connection, sql)
        found = connection.execute(sql)
        yield Answer([name for name, *_ in found.description or ()], _rows(found))


def root_of(archive: str | Path) -> Path:
    """The archive's folder. Raises CannotAsk where it is none."""
    root = Path(archive).resolve()
    if not (root / VIEWS_FILE).is_file():
        raise CannotAsk(f"{archive}: is no archive; expected a folder that `witnesspost gather` wrote")
    return root


def questions() -> dict[str, str]:
    """The views that answer, and what each is asked."""
    return {name: question.asked for name, question in QUESTIONS.items()}


@contextlib.contextmanager
def _connected(root: Path, spill: str, sql: str) -> Iterator[duckdb.DuckDBPyConnection]:
    """A database in memory that has the views, and may read nothing but the archive from then on."""
    settings: dict[str, Any] = {"autoinstall_known_extensions": False, "autoload_known_extensions": False}
    with contextlib.closing(duckdb.connect(config={**settings, "temp_directory": spill})) as connection:
        connection.execute(script(root, sql))
        connection.execute(f"SET allowed_directories = ['{root.as_posix().replace(chr(39), 2 * chr(39))}']")
        connection.execute("SET enable_external_access = false")
        connection.execute("SET lock_configuration = true")
        yield connection


def _only_reads(connection: duckdb.DuckDBPyConnection, sql: str) -> None:
    """Raises CannotAsk for what is not one query: in the archive's folder DuckDB might write, too."""
    statements = connection.extract_statements(sql)
    if len(statements) != 1:
        raise CannotAsk(f"expected one query; read {len(statements)}")
    (kind,) = {statement.type for statement in statements}
    if kind != duckdb.StatementType.SELECT:
        raise CannotAsk(f"expected a query, which reads (SELECT, FROM, DESCRIBE …); read {kind.name}")


def _rows(found: duckdb.DuckDBPyConnection) -> Iterator[tuple[Any, ...]]:
    while some := found.fetchmany(_AT_ONCE):
        yield from some


@contextlib.contextmanager
def _in_one_line() -> Iterator[None]:
    try:
        yield
    except duckdb.Error as error:
        said = [line.strip() for line in str(error).splitlines() if line.strip() and set(line.strip()) != {"^"}]
        raise CannotAsk(" ".join(said)) from None
