"""What the rover's own pole and point do to its position, east, north and up of the point that it is on; and the base's set-up,
which no coordinate shows, only a rover on a mark.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import enu
from witnesspost.rules.datum.prediction import LEAST_M, Prediction, Rover
from witnesspost.rules.gnss import HEIGHT_UNIT_M
from witnesspost.rules.language.names import called

BASE_SET_UP = "base-set-up"
ON_MARK_M = 0.15
_SUNK_M = 0.3  # ground settles by more than anybody knocks a mark aside: common practice, no source
_LOWEST_M, _EXTENSION_M = 0.1, 1.2  # a base's antenna over its mark, and what is put under it: common practice, no source
_HEIGHT_ALONE = 100.0  # so much likelier than both, where the plan is within the limit
_NOTCH_M, _NOTCHES = 0.05, 50  # a pole's notches: common practice, no source
_FOOT_M = HEIGHT_UNIT_M["ft"]
_POLE_PARTS_M = {"a foot": _FOOT_M, "a quick release": 0.065, "the antenna's phase centre": 0.09}
_SLACK_DEG = 0.5  # of a tilt sensor: common practice, no source
_UNKNOWN_LEAN_DEG = 8.0  # nobody leans a pole farther without seeing it: common practice, no source


def rover_pole(rover: Rover) -> Iterator[Prediction]:
    """The pole's height left out, applied twice or typed in the other unit, or wrong by a notch, a foot or a part: up only.

    Not where another mark has passed since with the same pole. Source: common practice, no source.
    """
    if rover.passed_between:
        return
    if rover.pole_m > 0:
        yield Prediction("rover-pole", 0.0, 0.0, rover.pole_m, which="the pole's height left out", weight=0.25)
        yield Prediction("rover-pole", 0.0, 0.0, -rover.pole_m, which="the pole's height taken off twice", weight=0.25)
        as_metres, as_feet = rover.pole_m - rover.pole_m / _FOOT_M, rover.pole_m * (1.0 - _FOOT_M)
        yield Prediction("rover-pole", 0.0, 0.0, as_metres, which="the pole's height in feet, typed as metres", weight=0.05)
        yield Prediction("rover-pole", 0.0, 0.0, as_feet, which="the pole's height in metres, typed as feet", weight=0.05)
    parts = {f"{n * _NOTCH_M * 100:.0f} cm": n * _NOTCH_M for n in range(1, _NOTCHES + 1)} | _POLE_PARTS_M
    for which, part in parts.items():
        for sign, way in ((1.0, "longer"), (-1.0, "shorter")):
            share = 0.25 / len(parts)
            yield Prediction("rover-pole", 0.0, 0.0, sign * part, which=f"a pole {which} {way}", weight=share, vague=True)


def leaning_pole(rover: Rover, offset: Enu) -> Iterator[Prediction]:
    """A pole of length L that leans by θ puts the point L·sin θ aside and L·(1 − cos θ) low, in any direction.

    One that the receiver takes off may be taken off wrongly, by no more than all of it. Not where another mark misses by the
    same: a lean's direction turns with the pole. Source: geometry; `tilt` says the angle where a sensor does.
    """
    if rover.same_on:
        return
    aside = math.hypot(offset.east_m, offset.north_m)
    if rover.taken_off_deg is not None:
        lean = math.radians(rover.taken_off_deg + _SLACK_DEG)
        if LEAST_M <= aside <= rover.pole_m * math.sin(lean):
            which = f"by {rover.taken_off_deg:.0f}°, which the receiver takes off"
            up_m = rover.pole_m * (1.0 - math.cos(lean))
            yield Prediction("leaning-pole", offset.east_m, offset.north_m, 0.0, vertical_m=up_m, which=which, vague=True)
        return
    angle = _UNKNOWN_LEAN_DEG if rover.tilt_deg is None else rover.tilt_deg + _SLACK_DEG
    if rover.pole_m > 0 and LEAST_M <= aside <= rover.pole_m * math.sin(math.radians(angle)):
        drop = rover.pole_m - math.sqrt(rover.pole_m**2 - aside**2)
        degrees = math.degrees(math.asin(aside / rover.pole_m))
        yield Prediction("leaning-pole", offset.east_m, offset.north_m, -drop, which=f"by {degrees:.1f}°", vague=True)


def mark_or_point(rover: Rover) -> Iterator[Prediction]:
    """The wrong point picked or the wrong mark under the pole; or a mark that was disturbed. Source: common practice."""
    for other in rover.others:
        offset = enu(rover.point.ecef, other.ecef)
        yield Prediction(
            "mark-or-point", *offset, which=f"{called(other.point)} under the pole", weight=0.5 / len(rover.others)
        )
    if not rover.same_on:
        yield Prediction("mark-or-point", 0.0, 0.0, 0.0, ON_MARK_M, _SUNK_M, "a disturbed mark", weight=0.5, vague=True)


def base_set_up(rover: Rover, offset: Enu, antenna_m: float, only_height: bool = False) -> Iterator[Prediction]:
    """The base's antenna higher or lower over its mark than it was told, or not over it: what it sends is right, and the rover
    reads off by the same on each mark. On one mark alone no farther aside than a mark is knocked.

    Not where another mark has passed since. Source: common practice, no source.
    """
    if rover.passed_between:
        return
    aside, up_m = math.hypot(offset.east_m, offset.north_m), offset.up_m
    if abs(up_m) >= LEAST_M and -_EXTENSION_M <= up_m <= antenna_m - _LOWEST_M:
        size = f"{abs(up_m) * 100:.0f} cm" if abs(up_m) < 1.0 else f"{abs(up_m):.2f} m"
        which = f"the base's antenna: {size} {'lower' if up_m > 0 else 'higher'} over its mark than it was told"
        yield Prediction(BASE_SET_UP, 0.0, 0.0, up_m, which=which, weight=1.0 - 1.0 / _HEIGHT_ALONE, vague=True)
    if only_height or not (rover.same_on or (aside <= ON_MARK_M and abs(up_m) <= _SUNK_M)):
        return
    if aside >= LEAST_M:
        which = "the base: moved or not plumb over its mark"
        yield Prediction(BASE_SET_UP, *offset, which=which, weight=1.0 / _HEIGHT_ALONE, vague=True)
