"""height-reference (check): the receiver's geoid is not the project's, so its heights are not either.

When: the geoid separation that the rover's receiver reports (GGA field 11) differs for 10 s from the project's model at the
rover's position by over 0.10 m, or, with the bundled grid, by over that grid's stated error there if that is more. Only
where the project's heights are above the geoid. A receiver that reports none differs by all of N.

Causes: `no-separation` (none, or 0), `sign-reversed` (−N), `other-geoid`. Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.datum.geoid import open_geoid
from witnesspost.rules.engine.rule import Cause, Delays, Finding, Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Fact, Fix
from witnesspost.rules.gnss import FixQuality
from witnesspost.rules.site.model import Site

_EVERY_S = 1.0  # N changes by millimetres in a second's walk
_STALE_S = 5.0


class HeightReferenceFigures(Delays, kw_only=True):
    """`limit_m` is the difference of the two separations that is let pass."""

    on_delay_s: float = 10.0
    limit_m: float = 0.10


class HeightReference(Rule):
    """See the module."""

    name = "height-reference"
    severity = "check"
    at = ("rover",)
    sees = (Fix,)
    causes = ("no-separation", "other-geoid", "sign-reversed")
    Figures = HeightReferenceFigures

    figures: HeightReferenceFigures

    def __init__(self, site: Site, figures: HeightReferenceFigures, scene: Scene):
        super().__init__(site, figures, scene)
        self._wanted = site.project is not None and bool(site.project.control) and site.project.vertical == "geoid"
        self._looked: Fix | None = None
        self._last_t = 0.0
        self._finding: Finding | None = None

    def see(self, fact: Fact) -> None:
        """One position in a second, and each one whose separation is another."""
        if not self._wanted or not isinstance(fact, Fix) or fact.quality == FixQuality.NONE:
            return
        self._last_t = fact.t
        before = self._looked
        if before is None or fact.t - before.t >= _EVERY_S or fact.separation_m != before.separation_m:
            self._look(fact)
        if self._finding is not None:
            self.quiet_until = 0.0

    def judge(self, t: float) -> Iterable[Finding]:
        """What the last position showed, while positions come."""
        self.quiet_until = math.inf
        return (self._finding,) if self._finding is not None and t - self._last_t <= _STALE_S else ()

    def _look(self, fix: Fix) -> None:
        if fix.latitude is None or fix.longitude is None:
            return
        self._looked = fix
        standing, self._finding = self._finding, None
        geoid = open_geoid(self.site)
        wanted = geoid.separation_m(fix.latitude, fix.longitude)
        if wanted is None:
            return
        error = geoid.error_m(fix.latitude, fix.longitude)
        limit = max(self.figures.limit_m, error)
        said = fix.separation_m
        difference = (said or 0.0) - wanted
        if abs(difference) <= limit:
            return
        cause = "other-geoid"
        if not said:
            cause = "no-separation"
        elif abs(said + wanted) <= limit:
            cause = "sign-reversed"
        self._finding = Finding(
            causes=[Cause(cause=cause)],
            stream=fix.stream,
            since=standing.since if standing is not None else fix.t,
            evidence={
                "reported_m": said,
                "separation_m": round(wanted, 3),
                "difference_m": round(difference, 3),
                "limit_m": round(limit, 3),
                "geoid": geoid.name,
                "geoid_error_m": error or None,
            },
        )
