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
from witnesspost.rules.engine.rule import Cause, Delays, Finding, Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.model import OwnRule, Site


class CrewRule(Rule):
    """One `[[own_rule]]`. `explained_by` names the rules whose alerts make this one a consequence."""

    causes = ("below", "above", "equals")

    def __init__(self, site: Site, own: OwnRule, scene: Scene):
        super().__init__(site, Delays(on_delay_s=own.on_delay_s, off_delay_s=own.off_delay_s), scene)
        self.name = own.name  # type: ignore[misc]
        self.severity = own.severity  # type: ignore[misc]
        self.own = own
        self.measure = MEASURES[own.measure]
        self.sees = (self.measure.fact,)  # type: ignore[misc]
        self.explained_by = self.measure.explained_by
        self._bound = Bound(above=own.above, below=own.below, equals=own.equals, deadband=own.deadband)
        self._value: float | None = None
        self._at = 0.0
        self._stream = ""

    def see(self, fact: Fact) -> None:
        measure = self.measure
        if isinstance(fact, measure.fact) and measure.concerns(fact, self.scene):
            self._value, self._at, self._stream = measure.get(fact, self.scene), fact.t, fact.stream
            self._bound.put(fact.t, self._value)
            if self._bound.since is not None:
                self.quiet_until = 0.0

    def judge(self, t: float) -> Iterable[Finding]:
        self.quiet_until = math.inf
        if self._bound.since is None or t - self._at > self.measure.stale_s:
            return ()
        own = self.own
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
            ),
        )

    def advice(self, finding: Finding) -> tuple[str, list[str]]:
        """The crew's own words; where they left none, the measurement and its bound."""
        value, limit, unit = (finding.evidence[key] for key in ("value", "limit", "unit"))
        unit = "" if unit == "1" else f" {unit}"
        said = f"{self.measure.meaning}: {value:g}{unit}, {finding.causes[0].cause} {limit:g}{unit}"
        return (self.own.say or f"{said[:1].upper()}{said[1:]}.", [f"Set by your own rule {self.name}: {said}."])


def own_rules(site: Site, scene: Scene) -> list[Rule]:
    """The crew's own rules in force at this site (`measure_problems` says which cannot be)."""
    return [
        CrewRule(site, own, scene)
        for own in site.own_rule
        if own.measure in MEASURES and not site.rules.get(own.name, {}).get("off", False)
    ]
