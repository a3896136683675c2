"""All that may be wrong with a coordinate: what was said minus what is right, east, north and up, and how sharply.

The causes are in `height_causes`, `place_causes`, `typing_causes` and `rover_causes`, and listed in the order of `ORDER`. The
ways of a cause share its weight, so that one with many ways has no better chance of fitting by luck.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum import height_causes, place_causes, typing_causes
from witnesspost.rules.datum.frames import Frame
from witnesspost.rules.datum.geodesy import enu, from_enu
from witnesspost.rules.datum.prediction import ALONE, LEAST_M, TELLS, TYPED_M, Prediction, Situation
from witnesspost.rules.datum.rover_causes import BASE_SET_UP, base_set_up, leaning_pole, mark_or_point, rover_pole

ROVER_ORDER = ("rover-pole", "leaning-pole", "mark-or-point")
BASE_ORDER = (
    "other-antenna-height",
    "orthometric-as-ellipsoidal", "geoid-applied-twice", "other-geoid",
    "antenna-height-missing", "antenna-height-doubled", "slant-as-vertical",
    "feet-as-metres", "metres-as-feet", "survey-foot", "ground-for-grid", "digit-slip", "frame-shift", "epoch-shift",
    "other-control-point", "sign-or-order", "other-zone", "rounded", "autonomous-base",
)  # fmt: skip
ORDER = (*ROVER_ORDER, BASE_SET_UP, *BASE_ORDER)
FAMILY = {
    **dict.fromkeys(("orthometric-as-ellipsoidal", "geoid-applied-twice", "other-geoid"), "geoid"),
    **dict.fromkeys(("antenna-height-missing", "antenna-height-doubled", "slant-as-vertical"), "antenna"),
    **dict.fromkeys(("feet-as-metres", "metres-as-feet"), "unit"),
    **dict.fromkeys(("survey-foot", "other-control-point", "sign-or-order", "other-zone"), "place"),
    **dict.fromkeys(("frame-shift", "epoch-shift"), "frame"),
}  # two ways of one family do not happen together
IN_A_NETWORK = frozenset({"frame-shift", "epoch-shift"})  # the errors of a service's own coordinates that a crew can meet
AUTONOMOUS_LEAST_M, AUTONOMOUS_MOST_M = 0.2, 30.0
TYPING_TELLS_M = 0.1  # where the way out of an old datum leaves more open, one of so many slips fits by chance
_BASE_FUNCTIONS: dict[str, Callable[[Situation], Iterator[Prediction]]] = {
    "orthometric-as-ellipsoidal": height_causes.orthometric_as_ellipsoidal,
    "geoid-applied-twice": height_causes.geoid_applied_twice,
    "other-geoid": height_causes.other_geoid,
    "antenna-height-missing": height_causes.antenna_height_missing,
    "antenna-height-doubled": height_causes.antenna_height_doubled,
    "slant-as-vertical": height_causes.slant_as_vertical,
    "feet-as-metres": height_causes.feet_as_metres,
    "metres-as-feet": height_causes.metres_as_feet,
    "survey-foot": place_causes.survey_foot,
    "digit-slip": typing_causes.digit_slip,
    "frame-shift": place_causes.frame_shift,
    "epoch-shift": place_causes.shift_of_epoch,
    "other-control-point": place_causes.other_control_point,
    "sign-or-order": place_causes.sign_or_order,
    "other-zone": place_causes.other_zone,
    "rounded": typing_causes.rounded,
}


def predictions(situation: Situation) -> list[Prediction]:
    """All predictions for the base there, causes in the order of `ORDER`; those too small to be trouble are left out.

    Of a base whose coordinate is right only that it stands on another mark.
    """
    found: list[Prediction] = []
    for cause, function in _BASE_FUNCTIONS.items():
        if not situation.base and cause != "other-control-point":
            continue
        if (situation.network and cause not in IN_A_NETWORK) or (not situation.typing and cause in ("digit-slip", "rounded")):
            continue
        ways = [way for way in function(situation) if LEAST_M <= math.hypot(*way.enu) < math.inf]
        doubt_m = situation.plan_doubt_m
        ways = [way._replace(alone=_tells(way, situation), horizontal_m=way.horizontal_m + doubt_m) for way in ways]
        if doubt_m > TYPING_TELLS_M and cause in ("digit-slip", "rounded"):
            ways = [way._replace(vague=True) for way in ways]
        family = FAMILY.get(cause, ALONE)
        found += [way._replace(weight=way.weight / len(ways), family=way.family or family) for way in ways]
    return found


def fitted_predictions(situation: Situation, offset: Enu) -> list[Prediction]:
    """What may be of any size at the base, fitted to `offset`; nothing where a rover's position is judged."""
    if not situation.base or situation.network or situation.rover is not None:
        return []
    doubt_m = situation.plan_doubt_m
    ways = (*height_causes.other_antenna_height(situation, offset), *place_causes.ground_for_grid(situation, offset))
    return [way._replace(horizontal_m=way.horizontal_m + doubt_m) for way in ways]


def rover_predictions(situation: Situation, offset: Enu) -> list[Prediction]:
    """What the rover's own pole and point may do, and the base's set-up, as seen at the expected point; a lean and a base that
    was moved are fitted to `offset`.
    """
    rover, base = situation.rover, situation.expected
    if rover is None:
        return []
    found: list[Prediction] = []
    at_rover = _turned(offset, base.ecef, rover.point.ecef)
    ways_of = [rover_pole(rover), leaning_pole(rover, at_rover), mark_or_point(rover)]
    if not situation.network:
        own = situation.base and autonomous(at_rover)
        ways_of.append(base_set_up(rover, at_rover, situation.antenna_height_m, only_height=own))
    for ways in ways_of:
        for way in ways:
            east, north, up = _turned(way.enu, rover.point.ecef, base.ecef)
            found.append(
                way._replace(
                    east_m=east,
                    north_m=north,
                    up_m=up,
                    horizontal_m=way.horizontal_m + situation.plan_doubt_m,
                    vertical_m=way.vertical_m + situation.height_doubt_m,
                    family=ALONE,
                )
            )
    return found


def autonomous(offset: Enu) -> bool:
    """True if an offset looks like a base's own single-point position: off in plan and in height, by metres.

    Source: common practice, no source.
    """
    plan = math.hypot(offset.east_m, offset.north_m)
    return min(plan, abs(offset.up_m)) > AUTONOMOUS_LEAST_M and math.hypot(*offset) < AUTONOMOUS_MOST_M


def sum_of(one: Prediction, two: Prediction, origin: Ecef, frame: Frame) -> Prediction:
    """Both at once: offsets add, the second's in the directions of where the first one puts the point."""
    offset = Enu(one.east_m + two.east_m, one.north_m + two.north_m, one.up_m + two.up_m)
    far = one.far or two.far
    if far is not None:
        moved = two.enu if one.far is not None else one.enu
        offset = _offset_at(far, moved, origin, frame)
    return Prediction(
        f"{one.cause}+{two.cause}",
        *offset,
        one.horizontal_m + two.horizontal_m,
        max(one.vertical_m, two.vertical_m) + TYPED_M,
        one.which,
        two.which,
        one.weight * two.weight,
    )


def _tells(way: Prediction, s: Situation) -> bool:
    """False for a height that the doubt of the geoid would explain too."""
    doubtful = way.vertical_m >= s.height_doubt_m and math.hypot(way.east_m, way.north_m) == 0
    return not doubtful or abs(way.up_m) >= TELLS * s.height_doubt_m


def _turned(offset: Enu, one: Ecef, other: Ecef) -> Enu:
    """A vector at one point in the east, north and up of another."""
    if one == other:
        return offset
    x, y, z = (b - a for a, b in zip(one, from_enu(one, offset), strict=True))
    return enu(other, Ecef(other.x_m + x, other.y_m + y, other.z_m + z))


def _offset_at(far: Ecef, moved: Enu, origin: Ecef, frame: Frame) -> Enu:
    return enu(origin, from_enu(far, moved, frame.ellipsoid), frame.ellipsoid)
