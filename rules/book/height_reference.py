"""height-reference (note): the receiver's geoid is not the project's, so its heights are not either.

When: the geoid separation that the rover's receiver reports (GGA field 11) differs for 10 s from the project's model at the
rover's position by over 0.10 m, or, with the bundled grid, by over that grid's stated error there if that is more. Only
where the project's heights are above the geoid. A receiver that reports none differs by all of N.

Causes: `no-separation` (none, or 0), `sign-reversed` (−N), `other-geoid`. Source: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from witnesspost.rules.datum.geoid import open_geoid
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.engine.stretch import WAIT_S
from witnesspost.rules.facts import Fact, Fix
from witnesspost.rules.gnss import FixQuality

_EVERY_S = 1.0  # N changes by millimetres in a second's walk
_STALE_S = 5.0


class HeightReferenceFigures(Delays, kw_only=True):
    """`limit_m` is the difference of the two separations that is let pass."""

    on_delay_s: float = 10.0
    limit_m: float = 0.10


class HeightReference(Rule[HeightReferenceFigures]):
    """Compares the receiver's separation with the project's model, once a second."""

    name = "height-reference"
    severity = "note"
    roles = ("rover",)
    sees: tuple[type[Fact], ...] = (Fix,)
    causes = {
        "no-separation": Advice(
            "The receiver reports no geoid separation; by the project's geoid it is {separation_m} m here.",
            (
                "Receiver or controller: choose the project's geoid ({geoid}).",
                "Are the heights stored ellipsoidal on purpose? Then tell the office.",
                "Check in on a control point, its height too.",
            ),
        ),
        "sign-reversed": Advice(
            "The receiver's geoid separation has the wrong sign: {reported_m} m here, by the project's geoid {separation_m} m.",
            (
                "Controller: check the geoid file, and whether its separation is added or subtracted.",
                "Store no heights until a control point agrees.",
            ),
        ),
        "other-geoid": Advice(
            "The receiver's geoid is not the project's: {reported_m} m here, not {separation_m} m ({difference_m} m apart).",
            (
                "Receiver or controller: choose the project's geoid ({geoid}).",
                "Check in on a control point, its height too.",
                "Tell the office which geoid the receiver used for the heights stored so far.",
            ),
        ),
    }
    Figures = HeightReferenceFigures

    def begin(self) -> None:
        project = self.site.project
        if project is None or not project.control or project.vertical != "geoid":
            self.sees = ()
        self.can_wait = self.figures.on_delay_s > 2 * WAIT_S
        self._looked: Fix | None = None
        self._last_t = 0.0
        self._finding: Finding | None = None

    def see(self, fact: Fact) -> bool | None:
        assert isinstance(fact, Fix)
        return self.see_positions((fact,))

    def see_positions(self, fixes: Sequence[Fix]) -> bool | None:
        """One position in a second, and each one whose separation is another."""
        if fixes[0].quality == FixQuality.NONE:
            return True
        self._last_t = fixes[-1].t
        looked = self._looked
        looked_t = looked.t if looked is not None and looked.separation_m == fixes[0].separation_m else -math.inf
        for fix in fixes:
            if fix.t - looked_t >= _EVERY_S:
                self._look(fix)
                if self._looked is fix:
                    looked_t = fix.t
        return self._finding is None

    def due(self) -> float:
        """At once while something differs; else only a position can change that."""
        return 0.0 if self._finding is not None else math.inf

    def judge(self, t: float) -> Iterable[Finding]:
        """What the last position showed, while positions come."""
        return (self._finding,) if self._finding is not None and t - self._last_t <= _STALE_S else ()

    def _look(self, fix: Fix) -> None:
        if fix.latitude is None or fix.longitude is None or fix.height_m is None:
            return  # a sentence without a height says no separation either
        self._looked = fix
        before, self._finding = self._finding, None
        geoid = open_geoid(self.site)
        wanted = geoid.separation_m(fix.latitude, fix.longitude)
        if wanted is None:
            return
        said = fix.separation_m
        difference = (said or 0.0) - wanted
        if abs(difference) <= self.figures.limit_m:
            return
        error = geoid.error_m(fix.latitude, fix.longitude)
        limit = max(self.figures.limit_m, error)
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
            since=before.since if before is not None else fix.t,
            evidence={
                "reported_m": said,
                "separation_m": round(wanted, 3),
                "difference_m": round(difference, 3),
                "limit_m": round(limit, 3),
                "geoid": geoid.name,
                "geoid_error_m": error or None,
            },
        )
