"""What a rule tells the person standing in the rain: for each cause what is wrong, in one line, and what to check first."""

from __future__ import annotations

from typing import NamedTuple


class Advice(NamedTuple):
    """The words of one cause: `line` says what is wrong, `steps` what to check, in that order.

    All are str.format texts; their fields are the evidence and the words of the finding, and `stream`. A post at the base
    reads `at_base` in place of `steps` where that is given: a base has no pole, and a rover's crew cannot reach the base.
    """

    line: str
    steps: tuple[str, ...]
    at_base: tuple[str, ...] | None = None
