"""Where the measurements stand: all of them beside this file, the short table in the README."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from tests.bench.row import Row

PAGE = Path(__file__).with_name("README.md")
README = Path(__file__).parents[2] / "README.md"
SHORT = frozenset("cdfg")
"""The letters of the rows that somebody who buys a computer wants to know."""

_BETWEEN = re.compile(r"(<!-- measured -->\n).*?(<!-- end of measured -->)", re.DOTALL)


def write(machine: str, rows: Iterable[Row]) -> None:
    """Put these measurements into both pages, in place of those that stand there."""
    full = table(rows)
    PAGE.write_text(between(PAGE.read_text(), f"{machine}\n\n{full}"))
    README.write_text(between(README.read_text(), short(full)))


def table(rows: Iterable[Row]) -> str:
    """All rows in Markdown."""
    return "\n".join(["| | what | figure | measured | |", "|---|---|---|---|---|", *map(line, rows)])


def line(row: Row) -> str:
    """One row in Markdown."""
    word = {True: "held", False: "far off" if row.off else "missed", None: ""}[row.held]
    return f"| {row.letter} | {row.what} | {row.figure} | {row.measured} | {word} |"


def short(full: str) -> str:
    """Of a whole table the README's rows, without their letters."""
    _head, _rule, *rows = (text.removeprefix("| ").split(" | ", 1) for text in full.splitlines())
    kept = [text for letter, text in rows if letter in SHORT]
    return "\n".join(["| what | figure | measured | |", "|---|---|---|---|", *(f"| {text}" for text in kept)])


def measured(page: str) -> str:
    """What stands in a page between its marks."""
    found = _BETWEEN.search(page)
    assert found, "the page has no place for the measurements"
    return found[0].partition("\n")[2].rpartition("\n")[0].strip()


def between(page: str, text: str) -> str:
    """The page with `text` between its marks."""
    measured(page)
    return _BETWEEN.sub(lambda found: f"{found[1]}\n{text}\n\n{found[2]}", page)
