"""The crew's own rules: one measurement of `rules.book.measures` against one bound, as `[[own_rule]]` in the site file says.

When: the measurement is below, above or equal to the bound for the rule's `on_delay_s`; back past it by `deadband` for
`off_delay_s` it has ended. A measurement that nothing says is no trouble: the built-in rules watch for silence.
Causes: `below`, `above`, `equals`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.book.measures import MEASURES
from witnesspost.rules.engine.bound import Bound
from witnesspost.rules.engine.rule import Advice, Cause, Finding, Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Fact
from witnesspost.rules.language.names import called
from witnesspost.rules.site.model import OwnRuleTable, Site


class OwnRule(Rule[OwnRuleTable]):
    """One `[[own_rule]]`, whose table has its figures. `explained_by` names the rules that make it a consequence."""

    causes = dict.fromkeys(("below", "above", "equals"), Advice("{said}{measured}", ()))

    def begin(self) -> None:
        own = self.figures
        self.name = own.name
        self.severity = own.severity
        self.measure = MEASURES[own.measure]
        self.sees = (self.measure.fact,)
        self.explained_by = self.measure.explained_by
        self._bound = Bound(above=own.above, below=own.below, equals=own.equals, deadband=own.deadband)
        self._value: float | None = None
        self._seen_t = 0.0
        self._stream = ""

    def see(self, fact: Fact) -> bool | None:
        measure = self.measure
        if isinstance(fact, measure.fact) and measure.concerns(fact, self.scene):
            self._value, self._seen_t, self._stream = measure.get(fact, self.scene), fact.t, fact.stream
            self._bound.put(fact.t, self._value)
        return self._bound.since is None

    def due(self) -> float:
        """Always while the measurement is past its bound, never while it is not."""
        return math.inf if self._bound.since is None else 0.0

    def judge(self, t: float) -> Iterable[Finding]:
        if self._bound.since is None or t - self._seen_t > self.measure.stale_s:
            return ()
        own = self.figures
        cause, limit = next(
            (cause, limit)
            for cause, limit in (("below", own.below), ("above", own.above), ("equals", own.equals))
            if limit is not None
        )
        return (
            Finding(
                causes=[Cause(cause=cause)],
                stream=self._stream,
                since=self._bound.since,
                evidence={"measure": own.measure, "value": self._value, "limit": limit, "unit": self.measure.unit},
                words=self._words(cause, limit),
            ),
        )

    def _words(self, cause: str, limit: float) -> dict[str, str]:
        """The crew's own words, which say what to do, and the measurement with its bound."""
        unit = "" if self.measure.unit == "1" else f" {self.measure.unit}"
        measured = f"{self.measure.meaning}: {self._value:g}{unit}, {cause} {limit:g}{unit}"
        said = self.figures.say.strip()
        stop = "" if said.endswith((".", "!", "?")) else "."
        return {"said": called(f"{said}{stop} ") if said else "", "measured": f"{measured[:1].upper()}{measured[1:]}."}


def own_rules(site: Site, scene: Scene) -> list[Rule[OwnRuleTable]]:
    """The crew's own rules in force at this site (`measure_problems` says which cannot be)."""
    return [
        OwnRule(site, own, scene)
        for own in site.own_rule
        if own.measure in MEASURES and not site.rules.get(own.name, {}).get("off", False)
    ]
