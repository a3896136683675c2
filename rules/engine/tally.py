"""What has solved what at this post: a count of what people have said, and no learning beyond it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from witnesspost.rules.facts import Solved


class Tally:
    """How often people have said of a step that it solved an alert of this rule and cause."""

    def __init__(self, said: Iterable[Solved] = ()):
        self._counts: dict[tuple[str, str], Counter[str]] = {}
        self.add_all(said)

    def add(self, said: Solved) -> None:
        """Once more."""
        self._counts.setdefault((said.rule, said.cause), Counter())[said.step] += 1

    def add_all(self, said: Iterable[Solved]) -> None:
        """Each of these once more."""
        for one in said:
            self.add(one)

    def __iter__(self) -> Iterator[tuple[str, str, str]]:
        """Each rule, cause and step of which somebody has said so."""
        return ((rule, cause, step) for (rule, cause), counts in self._counts.items() for step in counts)

    def of(self, rule: str, cause: str, step: str) -> tuple[int, int]:
        """How often this step, and how often any of that cause's."""
        counts = self._counts.get((rule, cause))
        return (0, 0) if counts is None else (counts[step], counts.total())
