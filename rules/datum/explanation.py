"""Why a coordinate differs: the causes ranked by how well they explain the offset.

**The principle.** Each cause predicts an offset (east, north, up) as normal distributions, one for each way in which the
cause comes about; the ways share the cause's weight. A cause's score is the logarithm of

    prior × Σ over ways of (weight × density of the way at the observed offset, with the noise of the offset added).

So a close fit counts for more where the prediction is sharp, a vague prediction pays for its vagueness, and a cause with
a hundred ways pays a hundredfold for the chance that one of them fits by luck. Priors: a single cause 1, a pair 1/50,
`unexplained` 1/20. `autonomous-base` is a normal distribution of metres; `unexplained` is three broad ones: something
vertical only (an exact horizontal match is no accident), something horizontal only, anything at all.

**Fitting.** A way fits if its residual's χ² (3 degrees of freedom) is under 16.27, which the truth exceeds once in a
thousand. Pairs are tried only where no single cause fits. Where nothing fits, or `unexplained` scores best, the first
cause is `unexplained`.

**Ties.** Causes that fit within 1 cm of the best one's residual, and whose score is within a factor of 100, cannot be told
apart: all are named, in the order of `hypotheses.ORDER`.

Source: Bayesian model comparison (common statistics); χ² quantile from tables; the priors are common practice, no source.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable

from msgspec import Struct
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.hypotheses import ALONE, ORDER, Prediction, Situation, autonomous_base, predictions, sum_of

FITS_CHI2 = 16.27  # χ², 3 degrees of freedom, 0.1 %
PAIR_PRIOR = 1 / 50
UNEXPLAINED_PRIOR = 1 / 20
TIE_M = 0.01
TIE_FACTOR = 100.0
NAMED_FACTOR = 1e5  # what is this much less likely than the first is not named
LISTED = 3
PLACES_TRIED = 8

_BROAD = ((0.02, 30.0), (30.0, 0.02), (3000.0, 3000.0))  # horizontal and up sigma of `unexplained`, metres


class Noise(Struct, frozen=True):
    """One sigma of the observed offset itself, metres: a horizontal axis, and up.

    The default lets through what `base-datum` calls right: its 0.05 m is two and a half of these.
    """

    horizontal_m: float = 0.02
    up_m: float = 0.02


class Explanation(Struct, frozen=True, kw_only=True):
    """One cause with the way that fits best: its prediction (None for `unexplained`), residual (3D) and score."""

    cause: str
    residual_m: float | None
    prediction: Prediction | None
    score: float
    fits: bool
    which: str = ""


class Verdict(Struct, frozen=True, kw_only=True):
    """`causes`: those that explain the offset, the likeliest first. `best`: the closest three, whether they fit or not."""

    causes: list[Explanation]
    best: list[Explanation]


def explain(offset: Enu, situation: Situation, noise: Noise | None = None, autonomous: bool = True) -> Verdict:
    """The ranked causes of an offset (east, north, up; metres; said minus right).

    `autonomous=False` leaves `autonomous-base` out: for an offset that was itself taken from a single-point position.
    """
    noise = noise or Noise()
    singles = predictions(situation)
    ranked = _ranked(singles, offset, noise, 1.0)
    if not any(one.fits for one in ranked):
        ranked = _ranked(_pairs(singles, offset, situation), offset, noise, PAIR_PRIOR) + ranked
    if autonomous:
        ranked += _ranked(autonomous_base(situation), offset, noise, 1.0)
    ranked.sort(key=lambda one: -one.score)
    unexplained = _unexplained(offset, noise)
    fitting = [one for one in ranked if one.fits and one.score > unexplained.score]
    nearest = sorted((one for one in ranked if one not in fitting), key=lambda one: one.residual_m or 0.0)
    best = fitting + [one for one in nearest if one.cause != "autonomous-base"]
    if not fitting:
        return Verdict(causes=[unexplained], best=best[:LISTED])
    named = [one for one in fitting if one.score > fitting[0].score - math.log(NAMED_FACTOR)]
    causes = _ties_in_order(named)
    return Verdict(causes=causes, best=(causes + [one for one in best if one not in causes])[:LISTED])


def in_words(offset: Enu) -> str:
    """An offset as a person says it: "28.6 m low, 3 cm east". Parts under 5 mm, or a thousandth of it, are left out."""
    east, north, up = offset
    least = max(0.005, 0.001 * math.hypot(*offset))
    parts = [
        (abs(value), f"{_length(abs(value))} {plus if value > 0 else minus}")
        for value, plus, minus in ((up, "high", "low"), (east, "east", "west"), (north, "north", "south"))
        if abs(value) >= least
    ]
    return ", ".join(text for _, text in sorted(parts, key=lambda part: -part[0])) or "nothing to speak of"


def _length(metres: float) -> str:
    if metres >= 10_000:
        return f"{metres / 1000:.0f} km"
    if metres >= 1_000:
        return f"{metres / 1000:.2f} km"
    if metres >= 1:
        return f"{metres:.1f} m" if metres >= 10 else f"{metres:.2f} m"
    return f"{metres * 100:.0f} cm" if metres >= 0.01 else f"{metres * 1000:.0f} mm"


def _ranked(ways: Iterable[Prediction], offset: Enu, noise: Noise, prior: float) -> list[Explanation]:
    """One explanation a cause, from the likelihood of all its ways; the way shown is the likeliest."""
    found = []
    by_cause: dict[str, list[Prediction]] = {}
    for way in ways:
        by_cause.setdefault(way.cause, []).append(way)
    for cause, group in by_cause.items():
        logs = [math.log(way.weight) + _log_density(way, offset, noise) for way in group]
        top = max(logs)
        best = group[logs.index(top)]
        total = math.log(sum(math.exp(log - top) for log in logs))
        fits = _chi2(best, offset, noise) < FITS_CHI2
        which = [best.which]
        if cause == "frame-shift":  # frames that nothing tells apart are all named
            which += [way.which for way in group if math.dist(way.enu, best.enu) < TIE_M]
        found.append(
            Explanation(
                cause=cause,
                residual_m=math.dist(offset, best.enu),
                prediction=best,
                score=math.log(prior) + top + total,
                fits=fits,
                which=" or ".join(dict.fromkeys(which)),
            )
        )
    return found


def _pairs(singles: list[Prediction], offset: Enu, situation: Situation) -> Iterable[Prediction]:
    """Two ways of different families at once, the earlier one of `ORDER` first.

    Of the ways that lead to another place (a control list has hundreds) only the nearest are tried.
    """
    elsewhere = sorted((way for way in singles if way.far is not None), key=lambda way: math.dist(way.enu, offset))
    able = [way for way in singles if way.family != ALONE and (way.far is None or way in elsewhere[:PLACES_TRIED])]
    for one, two in itertools.combinations(able, 2):
        if one.family != two.family:
            yield sum_of(one, two, situation.expected.ecef, situation.frame)


def _unexplained(offset: Enu, noise: Noise) -> Explanation:
    ways = [Prediction("unexplained", 0.0, 0.0, 0.0, across, up) for across, up in _BROAD]
    logs = [_log_density(way, offset, noise) for way in ways]
    score = max(logs) + math.log(UNEXPLAINED_PRIOR / len(ways))
    return Explanation(cause="unexplained", residual_m=None, prediction=None, score=score, fits=True)


def _chi2(way: Prediction, offset: Enu, noise: Noise) -> float:
    across = way.sigma_horizontal_m**2 + noise.horizontal_m**2
    up = way.sigma_up_m**2 + noise.up_m**2
    east, north, high = (o - p for o, p in zip(offset, way.enu, strict=True))
    return (east * east + north * north) / across + high * high / up


def _log_density(way: Prediction, offset: Enu, noise: Noise) -> float:
    across = way.sigma_horizontal_m**2 + noise.horizontal_m**2
    up = way.sigma_up_m**2 + noise.up_m**2
    return -0.5 * (_chi2(way, offset, noise) + 3 * math.log(2 * math.pi) + 2 * math.log(across) + math.log(up))


def _ties_in_order(named: list[Explanation]) -> list[Explanation]:
    """The named causes, those that cannot be told apart from the first one brought to the order of `ORDER`."""
    first = named[0]

    def tied(one: Explanation) -> bool:
        return (
            one.score > first.score - math.log(TIE_FACTOR)
            and "autonomous-base" not in (one.cause, first.cause)
            and (one.residual_m or 0.0) <= (first.residual_m or 0.0) + TIE_M
        )

    ties = sorted((one for one in named if tied(one)), key=lambda one: [ORDER.index(c) for c in one.cause.split("+")])
    return (ties or [first]) + [one for one in named if one not in (ties or [first])]
