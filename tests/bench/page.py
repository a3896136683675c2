"""Where the measurements stand: all of them beside this file, the short table in the README."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from tests.bench.row import Row

PAGE = Path(__file__).with_name("README.md")
README = Path(__file__).parents[2] / "README.md"
HEAD = ("| | what | figure | measured | |", "|---|---|---|---|---|")
SHORT = frozenset("cdg")
"""The letters of the rows that somebody who buys a computer wants to know."""

_BETWEEN = re.compile(r"(<!-- measured -->\n).*?(<!-- end of measured -->)", re.DOTALL)


def write(machine: str, rows: Iterable[Row], whole: bool = True) -> None:
    """Put these measurements into both pages, in place of those that stand there: of all, or of the letters measured."""
    lines = list(map(line, rows))
    if not whole:
        lines = among(old_lines(measured(PAGE.read_text())), lines)
    full = "\n".join([*HEAD, *lines])
    PAGE.write_text(between(PAGE.read_text(), f"{machine}\n\n{full}"))
    README.write_text(between(README.read_text(), short(full)))


def old_lines(page: str) -> list[str]:
    """The rows that stand in a page's measurements."""
    return [text for text in page.splitlines() if text.startswith("| ") and text not in HEAD]


def among(old: list[str], new: list[str]) -> list[str]:
    """Both in the order of their letters; ValueError where a letter has fewer rows than before: one of its parts is missing."""
    before, after = (Counter(map(_letter, lines)) for lines in (old, new))
    for letter, count in after.items():
        if count < before[letter]:
            raise ValueError(f"{count} of {before[letter]} rows of {letter}: measure the other parts of this letter too")
    return sorted([*(text for text in old if _letter(text) not in after), *new], key=_letter)


def _letter(text: str) -> str:
    return text.split("|")[1].strip()


def table(rows: Iterable[Row]) -> str:
    """All rows in Markdown."""
    return "\n".join([*HEAD, *map(line, rows)])


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
