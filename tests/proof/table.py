"""One line of the table of `python -m tests.proof`, and how long a part may take."""

from __future__ import annotations

import importlib
from typing import NamedTuple


class Row(NamedTuple):
    """What was tried, in how many cases, and what came of it; `wrong` has a line for each case that did not hold."""

    test: str
    cases: str
    result: str
    wrong: tuple[str, ...] = ()

    def line(self) -> str:
        """The row in Markdown."""
        held = "held" if not self.wrong else f"**{len(self.wrong)} wrong**"
        return f"| {self.test} | {self.cases} | {held}: {self.result} |"


class Length(NamedTuple):
    """How much is tried: `short` as little as shows that it can be, else until `minutes` have gone by for a part that has no
    number of its own; `first` is the number of the first case, where cases have one."""

    short: bool
    minutes: float
    first: int = 0

    def of(self, whole: int, short: int) -> int:
        """A number of cases."""
        return short if self.short else whole


def rows_of(part: str, length: Length) -> list[Row]:
    """Of one part, `tests.proof.PART`; in a process of its own, since a part may fork, and end processes. An error that ends it
    is a row, too, and that it has none."""
    found: list[Row] = []
    try:
        found.extend(importlib.import_module(f"tests.proof.{part}").rows(length))
    except Exception as error:
        found.append(Row(part, "none", "it did not come to its end", (f"{part}: {type(error).__name__}: {error}",)))
    return found or [Row(part, "none", "it has tried nothing", (f"{part}: no row",))]
