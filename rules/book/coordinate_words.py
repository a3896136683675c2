"""The words for a coordinate that is not the project's: what happened in one clause a cause, and what to check first.

`base-datum` and `control-check` share the clauses, each with a head and steps of its own; pairs of causes put two clauses
together. `{is}` is "is" where the verdict is sure, "may be" where it is not: then `{others}` names what else fits.
"""

from __future__ import annotations

import itertools

from witnesspost.rules.advice import Advice
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.explanation import Verdict, in_words, length_in_words
from witnesspost.rules.datum.geodesy import ExpectedArp
from witnesspost.rules.datum.hypotheses import BASE_ORDER, FAMILY
from witnesspost.rules.datum.prediction import Rover
from witnesspost.rules.datum.rover_causes import BASE_SET_UP
from witnesspost.rules.datum.verdict import NOT_JUDGED, OTHER_PROJECT, reach_of, repair_of
from witnesspost.rules.language.names import called
from witnesspost.rules.site.model import Site

ONLY_THERE = "only-there"
"""Not why a mark missed, but why not: another one passes."""

_CLAUSES = {
    "other-antenna-height": "That {is} another antenna height today: {which}.",
    "orthometric-as-ellipsoidal": (
        "That {is} the geoid separation here ({separation}): the height above the geoid of {base_point}, typed where the base "
        "asks for the ellipsoidal one."
    ),
    "geoid-applied-twice": (
        "That {is} the geoid separation here ({separation}), added once more: an ellipsoidal height, typed where the base asks "
        "for the one above the geoid and adds the separation itself."
    ),
    "other-geoid": "That {is} the difference between two geoids: {which} at the base, and the project's ({geoid}).",
    "antenna-height-missing": "That {is} the base's antenna height ({antenna}), left out.",
    "antenna-height-doubled": "That {is} the base's antenna height ({antenna}), put in twice.",
    "slant-as-vertical": (
        "That {is} a slant height: measured along the slant, typed where the vertical height ({antenna}) belongs."
    ),
    "feet-as-metres": "That {is} a height in feet, typed as metres ({which}).",
    "metres-as-feet": "That {is} a height in metres, typed as feet ({which}).",
    "survey-foot": "That {is} the difference between the two kinds of foot ({which}).",
    "ground-for-grid": "That {is} a ground coordinate where the grid's belongs: easting and northing {which}.",
    "digit-slip": "That {is} one slip in typing: {which}.",
    "frame-shift": (
        "That {is} the shift between two reference frames: a coordinate in {which}, where the project uses {frame_words}."
    ),
    "epoch-shift": "That {is} how far the ground has moved ({which}): a coordinate of another epoch than the project's.",
    "other-control-point": "That {is} another control point: {which} instead of {base_point}.",
    "sign-or-order": "That {is} a slip in typing: {which}.",
    "other-zone": "That {is} another zone of the grid: {which}.",
    "rounded": "That {is} a coordinate typed with too few decimals: {which}.",
    "autonomous-base": (
        "No usual mistake explains it: the base may have taken its own position ('here') instead of the coordinate of "
        "{base_point}."
    ),
    "base-set-up": "That {is} {which}.",
    "unexplained": "No usual mistake explains it.",
}
_ANOTHER_PROJECT = (
    "That is no place of this project: its nearest control point is {away} away. Another job may be loaded at the base."
)
_ROVER_CLAUSES = {
    "rover-pole": "That {is} the rover's pole: {which}.",
    "leaning-pole": "That {is} a leaning pole ({which}).",
    "mark-or-point": "That {is} the wrong mark, or the wrong point picked: {which}.",
}
NAMES = {
    "other-antenna-height": "another antenna height today",
    "orthometric-as-ellipsoidal": "a missing geoid separation",
    "geoid-applied-twice": "a geoid separation added twice",
    "other-geoid": "another geoid",
    "antenna-height-missing": "an antenna height left out",
    "antenna-height-doubled": "an antenna height put in twice",
    "slant-as-vertical": "a slant height",
    "feet-as-metres": "feet typed as metres",
    "metres-as-feet": "metres typed as feet",
    "survey-foot": "the other kind of foot",
    "ground-for-grid": "a ground coordinate for the grid's",
    "digit-slip": "a slip in typing",
    "frame-shift": "another reference frame",
    "epoch-shift": "another epoch",
    "other-control-point": "another control point",
    "sign-or-order": "a wrong sign or order",
    "other-zone": "another zone",
    "rounded": "too few decimals",
    "rover-pole": "the pole's height",
    "leaning-pole": "a leaning pole",
    "mark-or-point": "a wrong mark or point",
    "base-set-up": "the base's set-up",
}
"""Each usual mistake as a few words within a sentence."""

_MEASURE_AGAIN = "Measure the base's antenna height again, to the mark named on the antenna's drawing, and compare."
_ASK_THE_OFFICE = "Nobody converts coordinates in the field: ask the office for the one in {frame_words}."
_CHECKS = {
    "other-antenna-height": _MEASURE_AGAIN,
    "orthometric-as-ellipsoidal": "Which height does the base's screen ask for? Type that kind, or switch its geoid on.",
    "geoid-applied-twice": "Which height does the base's screen ask for? Type that kind: the geoid must be applied only once.",
    "other-geoid": "Which geoid is chosen at the base? Ask the office for the project's ({geoid}).",
    "antenna-height-missing": _MEASURE_AGAIN,
    "antenna-height-doubled": _MEASURE_AGAIN,
    "slant-as-vertical": "Is the base's antenna height typed as slant or as vertical, and to which mark on the antenna?",
    "feet-as-metres": "Which unit does the base's screen show? Type heights in that unit, the antenna's too.",
    "metres-as-feet": "Which unit does the base's screen show? Type heights in that unit, the antenna's too.",
    "survey-foot": "US survey feet or international feet? At the base, choose the unit of the control sheet.",
    "ground-for-grid": "Grid or ground? Ask the office for the grid coordinates of {base_point} and type those at the base.",
    "digit-slip": "Read the base's numbers aloud against the control sheet, digit by digit: {which}?",
    "frame-shift": _ASK_THE_OFFICE,
    "epoch-shift": _ASK_THE_OFFICE,
    "other-control-point": "Read the mark under the base: is it {base_point}? And which point is picked in the base?",
    "sign-or-order": "Read the base's coordinate aloud against the control sheet: order, signs and letters too.",
    "other-zone": "Choose the project's zone at the base ({frame_words}).",
    "rounded": "At the base, type every decimal of the control sheet.",
    "base-set-up": "Go to the base: is it over {base_point}, the tripod firm, the bubble in the middle?",
    "autonomous-base": "At the base, {pick}; do not use 'here'.",
    OTHER_PROJECT: "Which job is loaded at the base? Load this project's, and pick {base_point}.",
    "unexplained": "Compare the base's coordinate with the control sheet, digit by digit: name, frame, position, height.",
}
_ROVER_CHECKS = {
    "rover-pole": "Measure the pole from its foot to the antenna: is it the {pole} that is set up?",
    "leaning-pole": "{lean_words}",
    "mark-or-point": "Is the mark firm, and the right one? Measure another control point: {check_in}.",
}
_STOP = "Store no points until this is over."
_NOTE_IT = "Before anyone corrects the base: note the time and the old coordinate."
_SENDS_RIGHT = "The base sends the sheet's coordinate. Its place over the mark and its antenna height are not proven by that."
_LOOK_AT_IT = (
    "Then the base: it sends the sheet's coordinate, but is it over its mark, the tripod firm? Is its antenna {antenna} high?"
)
_OTHERS_AGREE = (
    "Then the base: other marks agree with it, but is it still over its mark, the tripod firm? Is its antenna {antenna} high?"
)
_PASSED = "Other marks have passed with this base: ask the office before anyone touches it."
_LEAVE_THE_BASE = "{mark} has passed with this base since: leave the base as it is."
_ASK_AT_THE_BASE = "The base last: ask there which point and coordinate it was given, and change nothing without the office."

_PICK_LISTED = "pick {point} from the list, or type its coordinate"
_PICK_UNLISTED = "type a coordinate that the office has tied to the project"
REPAIR = {
    "undecided": "Points from this base coordinate: mark them; the office decides whether they can be repaired.",
    "one-vector": "Points from this base coordinate: keep them, the office can repair them by one vector.",
    "within": (
        "Points within {reach} of the base: keep them, the office can repair them by one vector. "
        "Farther out the baselines must be computed again."
    ),
    "again": (
        "Points from this base coordinate: keep the raw data; the office must compute the baselines again, "
        "one vector is not enough."
    ),
}
"""What is said of the points stored from a wrong coordinate, by how they can be repaired."""


def _base_steps(causes: tuple[str, ...]) -> tuple[str, ...]:
    checks = dict.fromkeys(_CHECKS[cause] for cause in causes)
    return (_STOP, "{compare}", *checks, _NOTE_IT, "{correct}", "{repair}")


def _at_base(causes: tuple[str, ...]) -> tuple[str, ...]:
    checks = dict.fromkeys(_CHECKS[cause] for cause in causes)
    return (
        "Tell the crew: store no points until this is over.",
        "{compare}",
        *checks,
        "Before you correct it: note the time and the old coordinate.",
        "{correct}",
        "{repair}",
    )


_ANEW = "Lose the fix, initialise anew, and measure {point} again."
_PLUMB = "Hold the pole plumb by the bubble, initialise anew, and measure {point} again."
_TURN_IT = "Check the bubble against a plumb line: with a wrong bubble the pole leans on every point."
_ALIGN_IT = "Is it right when plumb? Then align the tilt sensor anew: walk and turn with the pole for half a minute."


def _control_steps(causes: tuple[str, ...]) -> tuple[str, ...]:
    base = [_CHECKS[cause] for cause in causes if cause in _CHECKS and cause != "unexplained"]
    own = [_ROVER_CHECKS[cause] for cause in causes if cause in _ROVER_CHECKS]
    leans = "leaning-pole" in causes
    return (
        _STOP,
        *((_PLUMB,) if leans else ()),
        "Is this the mark of {point}, and {point} the point picked? Pole {pole} long, foot on the mark, bubble in the middle?",
        *(() if leans else (_ANEW,)),
        *dict.fromkeys(own),
        *(("The base last. " + check for check in base) if base else ("{base_words}",)),
        *((_NOTE_IT,) if base else ()),
        "{repair}",
    )


def _pairs() -> list[tuple[str, str]]:
    able = [cause for cause in BASE_ORDER if cause in FAMILY]
    return [(one, two) for one, two in itertools.combinations(able, 2) if FAMILY[one] != FAMILY[two]]


def _line(*clauses: str) -> str:
    one = clauses[0]
    if len(clauses) == 1:
        return f"{{head}} {one}{{others}}{{note}}"
    return f"{{head}} Two things at once. {one} {clauses[1].replace('{which}', '{also}')}{{others}}{{note}}"


_HEIGHT_LINE = "{head} Heights cannot be judged better than a metre or two here without the project's geoid file.{height_words}"
_SET_UP_STEPS = (
    _STOP,
    _CHECKS["base-set-up"],
    "Measure the base's antenna height: is it the {antenna} that it was told? Is its mark firm, and {base_point}?",
    "At the rover: is the pole {pole} long? Turn it half round on the mark: only what a leaning pole reads turns with it.",
    "Has the base moved? Note the time, set it up anew, tell the post, and check in on {check_in}.",
    "{repair}",
)
_ALONE = Advice(
    "{point} passes. On {missed} the rover read {offset}: that is no fault of base or pole, if nobody has changed them since.",
    (
        "Has the pole's length been changed since, or the base? Then measure {missed} again.",
        "If not, measure {missed} again with a new fix. If it misses again, do not use it, and tell the office.",
    ),
)
_HEIGHT_STEP = "Office: put the project's geoid file on the post (project.geoid)."

BASE_CAUSES = {
    **{cause: Advice(_line(clause), _base_steps((cause,)), _at_base((cause,))) for cause, clause in _CLAUSES.items()},
    OTHER_PROJECT: Advice(_line(_ANOTHER_PROJECT), _base_steps((OTHER_PROJECT,)), _at_base((OTHER_PROJECT,))),
    NOT_JUDGED: Advice(
        _HEIGHT_LINE,
        (_HEIGHT_STEP, "Check in on a control point, its height too.", _MEASURE_AGAIN),
        (_HEIGHT_STEP, _MEASURE_AGAIN),
    ),
}
"""The words for each cause of a base's wrong coordinate."""

BASE_PAIRS = {
    f"{one}+{two}": Advice(_line(_CLAUSES[one], _CLAUSES[two]), _base_steps((one, two)), _at_base((one, two)))
    for one, two in _pairs()
}
"""The words for each pair of causes that can come together."""

CONTROL_CAUSES = {
    **{cause: Advice(_line(clause), _control_steps((cause,))) for cause, clause in (_ROVER_CLAUSES | _CLAUSES).items()},
    BASE_SET_UP: Advice(_line(_CLAUSES[BASE_SET_UP]), _SET_UP_STEPS),
    ONLY_THERE: _ALONE,
    NOT_JUDGED: Advice(
        _HEIGHT_LINE,
        (_HEIGHT_STEP, "Is the pole {pole} long, its foot on the mark? Is the base's antenna height the measured one?"),
    ),
}
"""The words for each cause of a rover's miss on a control point."""

CONTROL_PAIRS = {
    f"{one}+{two}": Advice(_line(_CLAUSES[one], _CLAUSES[two]), _control_steps((one, two))) for one, two in _pairs()
}


def words_of(
    offset: Enu,
    expected: ExpectedArp,
    verdict: Verdict,
    site: Site,
    antenna_m: float,
    distance_m: float | None,
    proven: bool = False,
    base_point: str | None = None,
    rover: Rover | None = None,
    by_marks: bool = False,
) -> dict[str, str]:
    """What the sentences need beyond the evidence: the offset, the way of the first cause, what else fits, and the rest.

    `antenna_m` is the base's antenna height in use, `distance_m` the rover's from the base (None: not known);
    `proven` says that the base's coordinate agrees with the project, or (`by_marks`) that other marks agree with it; `rover` is
    what is known of the rover's stand. `base_point` names the point that the base is to be over, which is never the one that a
    rover stands on; None where the site file does not say it.
    """
    first = verdict.causes[0]
    reach = length_in_words(reach_of(offset))
    control = site.project.control if site.project else []
    points = [point.name for point in control if point.name not in (expected.point, base_point)]
    note = ""
    if expected.height_error_m:
        note = f" (Heights are only good to {expected.height_error_m:.2f} m here: that is the bundled geoid's error.)"
    return {
        "offset": in_words(offset),
        "is": "is" if verdict.sure else "may be",
        "which": first.which or "another",
        "also": first.prediction.also if first.prediction is not None else "",
        "others": _others(verdict),
        "antenna": f"{antenna_m:.3f} m",
        "pick": _PICK_LISTED.format(point=called(base_point)) if base_point else _PICK_UNLISTED,
        "base_point": called(base_point) if base_point else "the base's own point",
        "separation": f"{expected.separation_m or 0.0:.2f} m".replace("-", "−"),
        "pole": f"{site.rover.pole_height_m:.3f} m",
        "frame_words": called(expected.frame_name) + (f" at {expected.epoch:.1f}" if expected.epoch is not None else ""),
        "check_in": called(points[0]) if points else "a second control point",
        "base_words": _base_words(verdict, antenna_m, rover, by_marks) if proven else _ASK_AT_THE_BASE,
        "lean_words": _TURN_IT if rover is None or rover.taken_off_deg is None else _ALIGN_IT,
        "repair": REPAIR[repair_of(offset, verdict, distance_m)].format(reach=reach),
        "reach": reach,
        "height_words": _height_words(verdict),
        "note": note,
    }


def _base_words(verdict: Verdict, antenna_m: float, rover: Rover | None, by_marks: bool) -> str:
    """Of a base whose coordinate is right, at the end of the steps: what else may be wrong with it."""
    if rover is not None and rover.passed_between is not None:
        return _LEAVE_THE_BASE.format(mark=called(rover.passed_between))
    if any(one.cause == BASE_SET_UP for one in verdict.causes):
        return (_OTHERS_AGREE if by_marks else _LOOK_AT_IT).format(antenna=f"{antenna_m:.3f} m")
    return _PASSED if by_marks else _SENDS_RIGHT


def _height_words(verdict: Verdict) -> str:
    named = [NAMES[one.cause] for one in verdict.causes if one.cause in NAMES and verdict.causes[0].cause == NOT_JUDGED]
    return f" This one looks like {' or '.join(named)}." if named else ""


def _others(verdict: Verdict) -> str:
    if verdict.causes[0].cause == NOT_JUDGED:
        return ""
    names = [
        one.which if one.cause == BASE_SET_UP else " and ".join(NAMES[part] for part in one.cause.split("+"))
        for one in verdict.causes[1:3]
    ]
    return f" It may also be {', or '.join(names)}." if names else ""
