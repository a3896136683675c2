"""The words for a coordinate that is not the project's: one clause a cause, and what to check first.

`base-datum` and `control-check` share the clauses, each with a head of its own; pairs of causes put two clauses together.
"""

from __future__ import annotations

import itertools

from witnesspost.rules.advice import Advice
from witnesspost.rules.datum.hypotheses import FAMILY, ORDER

_CLAUSES = {
    "orthometric-as-ellipsoidal": (
        "That is the geoid separation here ({separation}): "
        "the orthometric height of {point} was probably typed where the base asks for the ellipsoidal one."
    ),
    "geoid-applied-twice": (
        "That is the geoid separation here ({separation}) once more: an ellipsoidal height was probably typed where the "
        "base asks for the orthometric one, and the base added its geoid."
    ),
    "other-geoid": "That may be the difference between two geoids: {which} at the base, and the project's ({geoid}).",
    "antenna-height-missing": "That is an antenna height: {which} was probably left out.",
    "antenna-height-doubled": "That is an antenna height: {which} was probably put in twice.",
    "slant-as-vertical": (
        "That is what a slant height makes: the tape's slant was probably typed where the vertical height ({antenna}) belongs."
    ),
    "feet-as-metres": "That is a height in feet read as metres ({which}).",
    "metres-as-feet": "That is a height in metres read as feet ({which}).",
    "survey-foot": "That is the two kinds of foot in the grid coordinates ({which}).",
    "frame-shift": (
        "That is the step between two reference frames: the coordinate is probably in {which}, and the project is in "
        "{frame_words}."
    ),
    "epoch-shift": "That is how far the ground has moved ({which}): the coordinate is of another epoch than the project's.",
    "other-control-point": "That is another control point: the base was probably given {which} instead of {point}.",
    "sign-or-order": "That is a slip in the typing: {which}.",
    "other-zone": "The grid coordinates were probably read in another zone: {which}.",
    "rounded": "That is what is lost by fewer decimals: {which}.",
    "autonomous-base": (
        "Metres without a pattern: the base probably took its own position ('here') instead of the coordinate of {point}."
    ),
    "unexplained": "Nothing that usually goes wrong explains it.",
}

_MEASURE_AGAIN = "Measure the antenna height again and compare with what is typed: {antenna} at the base, {pole} at the pole."
_FIRST_STEPS = {
    "orthometric-as-ellipsoidal": "Base: does its screen ask for an ellipsoidal height? Type that one, or switch its geoid on.",
    "geoid-applied-twice": "Base: which height does its screen ask for? Type that kind, and only one geoid between.",
    "other-geoid": "Base and controller on the geoid of the control sheet? A national one belongs on the post too (office).",
    "antenna-height-missing": _MEASURE_AGAIN,
    "antenna-height-doubled": _MEASURE_AGAIN,
    "slant-as-vertical": "Base: is the antenna height typed as slant or as vertical? To which mark on the antenna?",
    "feet-as-metres": "Base: which unit does its screen show? Type the height of {point} in that unit.",
    "metres-as-feet": "Base: which unit does its screen show? Type the height of {point} in that unit.",
    "survey-foot": "Controller: US survey foot or international foot? Choose the one of the control sheet.",
    "frame-shift": "Which frame and epoch did the coordinate come in? Bring it to {frame_words}, then type it.",
    "epoch-shift": "Which epoch did the coordinate come in? Bring it to {frame_words}, then type it.",
    "other-control-point": "Read the mark under the tripod: is it {point}? Then pick {point} in the base.",
    "sign-or-order": "Base: read latitude and longitude aloud against the control sheet, signs and letters too.",
    "other-zone": "Base or controller: choose the project's zone ({frame_words}).",
    "rounded": "Base: type every decimal of the control sheet.",
    "autonomous-base": "Base: pick {point} from the list, or type its coordinate; do not use 'here'.",
    "unexplained": "Compare the base's coordinate with the control sheet, figure by figure: name, latitude, longitude, height.",
}

_ONE_VECTOR = "Points taken so far: keep them, the office can repair them by one vector."
_NO_VECTOR = "Points taken so far: mark them; the office decides whether they can be repaired."
_REPAIRABLE = frozenset(ORDER) - {"sign-or-order", "other-zone"}


def _steps(causes: tuple[str, ...]) -> tuple[str, ...]:
    repair = _ONE_VECTOR if _REPAIRABLE.issuperset(causes) else _NO_VECTOR
    return (
        "Stop: store no points.",
        *dict.fromkeys(_FIRST_STEPS[cause] for cause in causes),
        "Correct the base, then check in on {check_in}.",
        repair,
    )


CAUSES = {cause: Advice(f"{{head}} {_CLAUSES[cause]}{{note}}", _steps((cause,))) for cause in _CLAUSES}
"""The words for each cause of a wrong coordinate."""

PAIRS = {
    f"{one}+{two}": Advice(
        f"{{head}} Two things at once. {_CLAUSES[one]} {_CLAUSES[two].replace('{which}', '{also}')}{{note}}",
        _steps((one, two)),
    )
    for one, two in itertools.combinations([cause for cause in ORDER if cause in FAMILY], 2)
    if FAMILY[one] != FAMILY[two]
}
"""The words for each pair of causes that can come together."""
