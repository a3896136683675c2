"""Why a coordinate differs: the causes ranked by how well they predict the offset.

**Fitting.** A way of a cause fits where the offset is within the tolerances of prediction and observation together, in plan
and in height separately: so a cause that changes only the height explains nothing in plan. An offset that nothing fits is
`unexplained`; a base's single-point position (`autonomous-base`) is recognised only where no pattern fits.

**Ranking.** A cause's score is the logarithm of

    prior × Σ over ways of (weight × normal density of the way at the observed offset),

where a tolerance is three sigmas. So a close fit counts for more where the prediction is sharp, and a cause with a hundred
ways pays a hundredfold for the chance that one of them fits by luck. Pairs are tried only where no single cause fits, and
pay 1/50.
At a rover sharp causes come first, the base's or its own; then the rover's own vague ones, then the base's.

**Ties.** Causes whose residuals are within 1 cm of the best one's, and whose score is within a factor of 100, predict the same:
they are listed in the order of `hypotheses.ORDER`, the rover's own before the base's.

**Certainty.** A verdict is `sure` where one cause fits and no other does, and what it predicts is five times its own doubt.

Source: Bayesian model comparison (common statistics); priors and factors are common practice, no source.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable

from msgspec import Struct
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.hypotheses import (
    ORDER,
    ROVER_ORDER,
    autonomous,
    fitted_predictions,
    predictions,
    rover_predictions,
    sum_of,
)
from witnesspost.rules.datum.prediction import ALONE, Prediction, Situation

PAIR_PRIOR = 1 / 50
TIE_M = 0.01
TIE_FACTOR = 100.0
LISTED = 3
PLACES_TRIED = 8
SIGMAS = 3.0  # a tolerance is so many
SHARP = 5.0
_SLACK_M = 1e-6
_CURVED_M = 20_000.0  # so far off, a point of the same height is 30 m under the horizon


class Noise(Struct, frozen=True, kw_only=True):
    """How far the observed offset itself may be out, metres, in plan and in height. 0 for a broadcast coordinate."""

    horizontal_m: float = 0.0
    vertical_m: float = 0.0


class Explanation(Struct, frozen=True, kw_only=True):
    """One cause with the way that fits best: its prediction (None for what has none), residual (3D) and score."""

    cause: str
    residual_m: float | None
    prediction: Prediction | None
    score: float
    fits: bool
    which: str = ""


class Verdict(Struct, frozen=True, kw_only=True):
    """`causes`: those that explain the offset, the likeliest first. `best`: the closest three, whether they fit or not.

    `sure` where the first cause is the only one that fits.
    """

    causes: list[Explanation]
    best: list[Explanation]
    sure: bool


def explain(offset: Enu, situation: Situation, noise: Noise | None = None, may_be_autonomous: bool = True) -> Verdict:
    """The ranked causes of an offset (said minus right).

    `may_be_autonomous=False` leaves `autonomous-base` out: for an offset that was itself measured by a single-point position.
    """
    noise = noise or Noise()
    singles = predictions(situation)
    alone = [way for way in singles if way.alone] + fitted_predictions(situation, offset)
    ranked = _ranked([*rover_predictions(situation, offset), *alone], offset, noise, 1.0)
    if not any(one.fits for one in ranked):
        ranked += _ranked(_pairs(singles, offset, situation), offset, noise, PAIR_PRIOR)
    at_rover = situation.rover is not None
    ranked.sort(key=lambda one: _place(one, at_rover))
    fitting = _ties_in_order([one for one in ranked if one.fits], at_rover)
    nearest = sorted((one for one in ranked if not one.fits), key=lambda one: one.residual_m or 0.0)
    if fitting:
        best = (fitting + nearest)[:LISTED]
        return Verdict(causes=fitting, best=best, sure=len(fitting) == 1 and _sharp(fitting[0].prediction))
    left_over = "autonomous-base" if may_be_autonomous and situation.base and autonomous(offset) else "unexplained"
    unexplained = Explanation(cause=left_over, residual_m=None, prediction=None, score=0.0, fits=False)
    return Verdict(causes=[unexplained], best=nearest[:LISTED], sure=False)


def in_words(offset: Enu) -> str:
    """An offset as a person says it: "28.6 m low, 3 cm east". Parts under 5 mm, or a thousandth of it, are left out, and "low"
    where that is the earth's curvature.
    """
    east, north, up = offset
    if math.hypot(east, north) > _CURVED_M:
        up = 0.0
    least = max(0.005, 0.001 * math.hypot(*offset))
    parts = [
        (abs(value), f"{length_in_words(abs(value))} {plus if value > 0 else minus}")
        for value, plus, minus in ((up, "high", "low"), (east, "east", "west"), (north, "north", "south"))
        if abs(value) >= least
    ]
    return ", ".join(text for _, text in sorted(parts, key=lambda part: -part[0])) or "nothing to speak of"


def length_in_words(metres: float) -> str:
    """A length as a person says it: "28.6 m", "3 cm", "1.23 km"."""
    if metres >= 10_000:
        return f"{metres / 1000:.0f} km"
    if metres >= 1_000:
        return f"{metres / 1000:.2f} km"
    if metres >= 1:
        return f"{metres:.1f} m" if metres >= 10 else f"{metres:.2f} m"
    return f"{metres * 100:.0f} cm" if metres >= 0.01 else f"{metres * 1000:.0f} mm"


def _sharp(way: Prediction | None) -> bool:
    return way is not None and not way.vague and math.hypot(*way.enu) >= SHARP * max(way.horizontal_m, way.vertical_m)


def _place(one: Explanation, at_rover: bool) -> tuple[int, float]:
    """Its rank among those that fit; the smallest comes first."""
    vague = at_rover and one.prediction is not None and one.prediction.vague
    return (0 if not vague else 1 if one.cause in ROVER_ORDER else 2), -one.score


def _ranked(ways: Iterable[Prediction], offset: Enu, noise: Noise, prior: float) -> list[Explanation]:
    """One explanation per cause, from the likelihood of all its ways; it shows the likeliest way that fits, if any does."""
    found = []
    by_cause: dict[str, list[Prediction]] = {}
    for way in ways:
        by_cause.setdefault(way.cause, []).append(way)
    for cause, group in by_cause.items():
        fitting = [way for way in group if _fits(way, offset, noise)]
        sharp = [way for way in fitting if not way.vague]
        chosen = sharp or fitting or group
        logs = [math.log(way.weight) + _log_density(way, offset, noise) for way in chosen]
        top = max(logs)
        best = chosen[logs.index(top)] if fitting else min(group, key=lambda way: math.dist(offset, way.enu))
        which = [best.which]
        if cause == "frame-shift":  # frames that cannot be told apart are all named
            which += [way.which for way in fitting if math.dist(way.enu, best.enu) < TIE_M]
        found.append(
            Explanation(
                cause=cause,
                residual_m=math.dist(offset, best.enu),
                prediction=best,
                score=math.log(prior) + top + math.log(sum(math.exp(log - top) for log in logs)),
                fits=bool(fitting),
                which=" or ".join(dict.fromkeys(which)),
            )
        )
    return found


def _pairs(singles: list[Prediction], offset: Enu, situation: Situation) -> Iterable[Prediction]:
    """Two ways of different families at once, the earlier one of `ORDER` first.

    Of the ways that lead to another point (a control list has hundreds) only the nearest are tried.
    """
    elsewhere = sorted((way for way in singles if way.far is not None), key=lambda way: math.dist(way.enu, offset))
    kept = {id(way) for way in elsewhere[:PLACES_TRIED]}
    able = [way for way in singles if way.family != ALONE and not way.vague and (way.far is None or id(way) in kept)]
    for one, two in itertools.combinations(able, 2):
        if one.family != two.family and one.cause != two.cause:
            yield sum_of(one, two, situation.expected.ecef, situation.frame)


def _fits(way: Prediction, offset: Enu, noise: Noise) -> bool:
    sideways = math.hypot(offset.east_m - way.east_m, offset.north_m - way.north_m)
    return (
        sideways <= way.horizontal_m + noise.horizontal_m + _SLACK_M
        and abs(offset.up_m - way.up_m) <= way.vertical_m + noise.vertical_m + _SLACK_M
    )


def _log_density(way: Prediction, offset: Enu, noise: Noise) -> float:
    """Of a normal distribution about the prediction whose tolerance is `SIGMAS` sigmas; constants left out."""
    across = math.hypot(way.horizontal_m, noise.horizontal_m) / SIGMAS
    up = math.hypot(way.vertical_m, noise.vertical_m) / SIGMAS
    east, north, rise = (a - b for a, b in zip(offset, way.enu, strict=True))
    return -0.5 * ((east * east + north * north) / across**2 + (rise / up) ** 2) - 2.0 * math.log(across) - math.log(up)


def _ties_in_order(named: list[Explanation], at_rover: bool) -> list[Explanation]:
    """Those that cannot be told apart from the first one, in the order of `ORDER`; then the rest."""
    if not named:
        return named
    ties = [one for one in named if _ties(one, named[0]) and _place(one, at_rover)[0] == _place(named[0], at_rover)[0]]
    ties.sort(key=lambda one: ORDER.index(one.cause.split("+")[0]))
    return ties + [one for one in named if one not in ties]


def _ties(one: Explanation, first: Explanation) -> bool:
    assert one.residual_m is not None
    assert first.residual_m is not None
    return abs(one.residual_m - first.residual_m) <= TIE_M and one.score > first.score - math.log(TIE_FACTOR)
