"""tilt (check): the pole is not where the position says it is.

When, for 3 s: the tilt sensor is not aligned after it was in this run, or it is not aligned while the standing pole leans past
1.5°; or the standing pole leans past `limit_deg`, or past `compensated_limit_deg` where the receiver makes up for the lean
itself. Past 1.5° and up to the limit, a lean that nothing makes up for is a `note`, once a stand; a lean that is kept from one
stand to the next, as a machine's mast on a slope, once until it changes by over 2°. A pole that leans while it is carried is
nobody's point, and one past 45° is laid down and measures nothing.

Right practice that stays quiet: a sensor that was never aligned and a pole held plumb by its bubble; a pole that leans by 25°
where the receiver makes up for it; a pole on the shoulder, or on the ground.

Causes: `sensor-not-aligned`, `pole-too-far-over`.
Source: a pole of length L that leans by θ has its antenna L·sin θ beside and L·(1 − cos θ) lower than a plumb one: so far
beside and too low comes the point (geometry); the angles are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.engine.bound import Bound
from witnesspost.rules.engine.pole import FRESH_S, LAID_DOWN_DEG, PLUMB_DEG
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Fact, Tilt
from witnesspost.rules.site.model import Severity

_SLACK_S = 1e-3  # what sums of times may be off


class TiltFigures(Delays, kw_only=True):
    """Degrees off plumb."""

    on_delay_s: float = 3.0
    off_delay_s: float = 3.0
    limit_deg: float = 15.0
    compensated_limit_deg: float = 30.0
    deadband_deg: float = 2.0
    plumb_deg: float = PLUMB_DEG


class TiltRule(Rule[TiltFigures]):
    """Judges the standing pole by its lean, and the sensor by its word."""

    name = "tilt"
    severity = "check"
    roles = ("rover",)
    sees = (Tilt,)
    causes = {
        "sensor-not-aligned": Advice(
            "The pole's tilt sensor is not aligned: {error}.",
            (
                "Either align it: walk and turn with the pole for about half a minute, until the receiver shows it aligned.",
                "Or switch tilt correction off, and plumb the pole with the bubble at each point.",
                "Measure again the points stored with a leaning pole since this began.",
            ),
        ),
        "pole-too-far-over": Advice(
            "The pole leans {angle_deg}°: {error}, if nothing corrects it.",
            (
                "Either plumb the pole with the bubble.",
                "Or switch tilt correction on and align it (walk and turn half a minute). Keep the pole under {limit_deg}°.",
                "Is the point out of reach of a plumb pole? Measure an offset from two plumb points.",
            ),
        ),
    }
    Figures = TiltFigures

    def begin(self) -> None:
        self._over = Bound(above=self.figures.limit_deg, deadband=self.figures.deadband_deg)
        self._leaning = Bound(above=self.figures.plumb_deg)
        self._unaligned_since: float | None = None
        self._stream = ""
        self._seen_t = 0.0
        self._noted_t: float | None = None  # when the last note was said
        self._noted_deg = 0.0  # and of which lean, while the pole has not been plumb since

    def see(self, fact: Fact) -> bool | None:
        assert isinstance(fact, Tilt)
        self._stream, self._seen_t = fact.stream, fact.t
        pole = self.scene.pole
        lean = pole.lean_deg(fact.t)
        laid_down = lean is not None and lean > LAID_DOWN_DEG
        if laid_down:
            lean = None
        compensated = pole.compensated(fact.t)
        before = self._since()
        self._over.move(self.figures.compensated_limit_deg if compensated else self.figures.limit_deg)
        self._over.put(fact.t, lean)
        self._leaning.put(fact.t, None if compensated else lean)
        if laid_down:
            self._unaligned_since = None
        elif fact.aligned is not None:
            self._unaligned_since = None if fact.aligned else self._unaligned_since or fact.t
        since = self._since()
        return since in (before, _NEVER)

    def due(self) -> float:
        """From when its sensor is not aligned, or the pole has leant for long enough and can have stood: never while neither is
        so."""
        if self._unaligned_since is not None:
            return self._unaligned_since
        leans_since = min((b.since for b in (self._over, self._leaning) if b.since is not None), default=math.inf)
        return max(leans_since, self.scene.stands_from()) + self.figures.on_delay_s - _SLACK_S

    def _since(self) -> tuple[float | None, float | None, float | None]:
        """Since when its sensor is not aligned, the pole is over its limit, and leans."""
        return self._unaligned_since, self._over.since, self._leaning.since

    def judge(self, t: float) -> Iterable[Finding]:
        if t - self._seen_t > FRESH_S:
            return
        stood_s = self.scene.still_s(t)
        if stood_s is None and self.scene.fix is not None:
            stood_s = 0.0  # it had positions, and has none now: nobody can measure with it
        stands_since = t - stood_s if stood_s is not None else 0.0  # where no position tells, it is taken to stand
        walks = stood_s == 0.0
        leans_since = None if walks else _later(self._leaning.since, stands_since)
        if self._unaligned_since is not None:
            if self.scene.pole.was_aligned:
                yield self._finding("sensor-not-aligned", self._unaligned_since)
                return
            if leans_since is not None:
                yield self._finding("sensor-not-aligned", max(self._unaligned_since, leans_since))
                return
        over_since = None if walks else _later(self._over.since, stands_since)
        # A lean counts once it has outlasted the last step by the on-delay: then somebody measures with it.
        if over_since is not None and t - over_since >= self.figures.on_delay_s:
            yield self._finding("pole-too-far-over", over_since)
        elif (
            leans_since is not None
            and t - leans_since >= self.figures.on_delay_s
            and self._may_note(t, stands_since, leans_since)
        ):
            self._noted_t, self._noted_deg = t, self.scene.pole.lean_deg(self._seen_t) or 0.0
            yield self._finding("pole-too-far-over", leans_since, "note")

    def _may_note(self, t: float, stands_since: float, leans_since: float) -> bool:
        """True for the first lean of a stand, for as long as it lasts; not for one kept since the stand before."""
        if self._noted_t is None or self._noted_t >= leans_since:
            return True
        lean, since = self.scene.pole.lean_deg(self._seen_t), self._leaning.since
        kept = since is not None and since <= self._noted_t
        if kept and lean is not None and abs(lean - self._noted_deg) <= self.figures.deadband_deg:
            return False
        return self._noted_t < stands_since

    def _finding(self, cause: str, since: float, severity: Severity = "check") -> Finding:
        length, angle = self.site.rover.pole_height_m or None, self.scene.pole.lean_deg(self._seen_t)
        beside = below = None
        if length is not None and angle is not None:
            beside, below = point_error_m(length, angle)
        compensated = self.scene.pole.compensated(self._seen_t)
        return Finding(
            causes=[Cause(cause=cause)],
            stream=self._stream,
            key=cause,
            since=since,
            severity=severity,
            evidence={
                "angle_deg": round(angle, 2) if angle is not None else None,
                "limit_deg": self.figures.compensated_limit_deg if compensated else self.figures.limit_deg,
                "compensated": compensated,
                "pole_height_m": length,
                "horizontal_error_m": round(beside, 4) if beside is not None else None,
                "vertical_error_m": round(below, 4) if below is not None else None,
            },
            words={"error": _error_words(angle, length, beside, below)},
        )


_NEVER = (None, None, None)


def _later(since: float | None, stands_since: float) -> float | None:
    """From when it holds while the pole stands."""
    return None if since is None else max(since, stands_since)


def point_error_m(length_m: float, angle_deg: float) -> tuple[float, float]:
    """How far the point of a leaning pole comes beside, and too low: (L·sin θ, L·(1 − cos θ)), metres."""
    angle = math.radians(angle_deg)
    return length_m * math.sin(angle), length_m * (1.0 - math.cos(angle))


def _error_words(angle: float | None, length: float | None, beside: float | None, below: float | None) -> str:
    if angle is None:
        return "how far the pole leans is not known"
    if beside is None or below is None:
        return f"at {round(angle, 1):g}° each metre of pole puts the point {math.sin(math.radians(angle)):.2f} m aside"
    return f"at {round(angle, 1):g}° a pole of {length:.2f} m puts the point {_cm(beside)} aside and {_cm(below)} too low"


def _cm(metres: float) -> str:
    return f"{100 * metres:.1f} cm" if metres < 0.1 else f"{100 * metres:.0f} cm"
