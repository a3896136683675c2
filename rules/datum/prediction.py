"""What is known where a coordinate is judged, and what a cause predicts there.

A number that was typed wrongly is wrong to the millimetre: those ways are out by `TYPED_M` at most. Whatever keeps an h that
somebody else worked out from H has the doubt of the geoid besides (`Situation.height_doubt_m`): their model need not be the
project's.
"""

from __future__ import annotations

from typing import NamedTuple

from msgspec import Struct
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.frames import Frame
from witnesspost.rules.datum.geodesy import ExpectedArp, enu, to_ecef
from witnesspost.rules.site.model import Control

TYPED_M = 0.0021  # 2 mm of the sheet's rounding, and 0.1 mm of the wire's
LEAST_M = 0.02  # a prediction smaller than this predicts no trouble
TELLS = 5.0  # a height must be so many times the geoid's doubt to prove anything
SURE_HEIGHT_M = 0.01  # where the geoid is less sure, some mark's height or moved point always fits
ALONE = "alone"  # the family of what pairs with nothing


class Rover(Struct, frozen=True, kw_only=True):
    """What is known of the rover whose position is judged: its point, pole, and pole's tilt that nothing takes off (None: not
    said). `taken_off_deg` is the tilt that the receiver takes off, `same_on` another mark that missed by the same, and
    `passed_between` one that has passed since this one did.
    """

    point: ExpectedArp
    pole_m: float
    tilt_deg: float | None = None
    others: tuple[ExpectedArp, ...] = ()
    taken_off_deg: float | None = None
    same_on: str | None = None
    passed_between: str | None = None


class Situation(Struct, frozen=True, kw_only=True):
    """What is known where a coordinate is judged.

    `expected` is the base's ARP (its mark where the broadcast says the antenna height), also where a rover's position is
    judged: the rover carries its base's error. Where the site file has no base, it is the rover's mark. `control` is its
    point as the site file writes it, `antenna_m` the antenna height in use, `separations` N of other models at hand by name,
    `others` the rest of the control list, raised by the same height, `today` the day as a decimal year (None while no receiver
    has said it), `height_doubt_m` how far the project's N may be from the N that somebody else made h with, `plan_doubt_m` what
    the way from the project's own datum leaves open.

    `base` says whether the base may be to blame at all, `network` whether it is a service's (whose only causes for a crew are
    frames), `typing` whether slips of digits and decimals are looked for. `rover` where a rover's position is judged;
    `carried` where the offset is what a rover carries of its base's error: then the base may also stand on another mark than it
    was told, whatever its coordinate. `height_untold`: nobody has said today's antenna height, neither the base nor a person.
    """

    expected: ExpectedArp
    frame: Frame
    control: Control | None = None
    antenna_m: float | None = None
    others: tuple[ExpectedArp, ...] = ()
    separations: dict[str, float] = {}
    today: float | None = None
    height_doubt_m: float = 0.0
    plan_doubt_m: float = 0.0
    base: bool = True
    network: bool = False
    typing: bool = True
    carried: bool = False
    rover: Rover | None = None
    height_untold: bool = False

    @property
    def antenna_height_m(self) -> float:
        """a: the day's where it is known, else what the point is raised by."""
        return self.expected.antenna_height_m if self.antenna_m is None else self.antenna_m


class Prediction(NamedTuple):
    """Where a cause puts the point, and how far it may be out sideways and up. `weight` is the way's share of its cause;
    `which` names the way, `also` the second one of a pair.

    `family` is what went wrong in it: ways of one family do not come together. A `vague` way fits much, so it never stands
    alone as the answer; one that is not `alone` tells something only together with another. `way` says how a frame's shift was
    worked out. `far` is the predicted point in geocentric metres where another cause's up is not up there.
    """

    cause: str
    east_m: float
    north_m: float
    up_m: float
    horizontal_m: float = TYPED_M
    vertical_m: float = TYPED_M
    which: str = ""
    also: str = ""
    weight: float = 1.0
    far: Ecef | None = None
    family: str = ""
    vague: bool = False
    alone: bool = True
    way: str = ""

    @property
    def enu(self) -> Enu:
        """The predicted offset."""
        return Enu(self.east_m, self.north_m, self.up_m)


def up_only(s: Situation, cause: str, up_m: float, which: str = "", doubts: float = 1.0) -> Prediction:
    return Prediction(cause, 0.0, 0.0, up_m, vertical_m=TYPED_M + doubts * s.height_doubt_m, which=which)


def arp_at(cause: str, s: Situation, latitude: float, longitude: float, which: str, far: bool = False) -> Prediction:
    """The ARP's height at another place."""
    point = to_ecef(latitude, longitude, s.expected.ellipsoidal_height_m, s.frame.ellipsoid)
    offset = enu(s.expected.ecef, point, s.frame.ellipsoid)
    return Prediction(cause, *offset, TYPED_M, TYPED_M + s.height_doubt_m, which, far=point if far else None)
