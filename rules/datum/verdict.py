"""A coordinate judged: its offset from the project's, why, and the evidence and words that all datum rules use for it."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any, Literal

from witnesspost.rules.coordinates import LEAST_RADIUS_M, MOST_RADIUS_M, Ecef, Enu
from witnesspost.rules.datum.explanation import Explanation, Noise, Verdict, explain
from witnesspost.rules.datum.frames import Frame
from witnesspost.rules.datum.geodesy import ExpectedArp, enu, expected_arp, from_enu, point_at, to_ecef, to_geodetic
from witnesspost.rules.datum.geoid import bundled_geoid, open_geoid
from witnesspost.rules.datum.hypotheses import ROVER_ORDER, predictions
from witnesspost.rules.datum.occupation import Mean
from witnesspost.rules.datum.opening import open_frame
from witnesspost.rules.datum.prediction import Prediction, Rover, Situation
from witnesspost.rules.datum.rover_causes import BASE_SET_UP
from witnesspost.rules.facts import Fix
from witnesspost.rules.finding import Cause
from witnesspost.rules.gnss import WGS84
from witnesspost.rules.language.names import bare, called
from witnesspost.rules.site.antenna import WRONG_UNIT, believed_m, height_doubt
from witnesspost.rules.site.model import Base, Site

ONE_VECTOR_M2 = 1.2e5
"""|e|·b up to which one vector repairs a point: a base that is out by e tilts a baseline of length b by about e·b/R. Here that
is 5 mm, in a direction that a vector does not mend (geometry over the earth's radius; the 5 mm are common practice)."""

Repair = Literal["undecided", "one-vector", "within", "again"]

OTHER_PROJECT = "other-project"
NOT_JUDGED = "height-not-judged"
NOT_JUDGED_UNDER_M = 3.0
_STILL_NAMED_M = 0.02  # an antenna or pole height is named also where the height is not judged
_BEYOND_REPAIR = frozenset(
    ("unexplained", "other-antenna-height", BASE_SET_UP, *ROVER_ORDER)
)  # what the office cannot know to be the same for all points
_FAR_M = (100.0, 50_000.0)  # rovers are farther from the base than the one, nearer than the other: common practice, no source
OTHER_PROJECT_M = 5_000.0  # from the nearest control point: common practice, no source
_LEAST_NAMED_GEOID_M = 0.02  # two models that agree this well are one here
_FIRST_YEAR = 2020  # before it, a receiver's date is a cold start (1980) or a week count that rolled over (19.6 years off)
_INTERPOLATION_M = 0.001  # the same grid read by another rule of interpolation: common practice, no source
_NATIONAL_M = 0.7  # EGM96 from a national height system: decimetres to a metre, common practice, no source


class Datum:
    """The project's datum at one site. PROJ loads with the first coordinate that is judged; DatumError is raised then."""

    def __init__(self, site: Site):
        self.site = site
        self._expected: ExpectedArp | None = None
        self._rest: tuple[ExpectedArp, tuple[ExpectedArp, ...]] | None = None

    @property
    def has_base(self) -> bool:
        """True if the site file says where the base stands; without it nothing is judged."""
        return self.site.project is not None and self.site.base.occupies is not None

    @property
    def has_control(self) -> bool:
        """True if the site file lists control points."""
        return self.site.project is not None and bool(self.site.project.control)

    @property
    def bundled(self) -> bool:
        """True if heights are above the bundled geoid: those cannot be judged better than a metre or two."""
        project = self.site.project
        return project is not None and project.vertical == "geoid" and project.geoid == "bundled"

    @property
    def frame(self) -> Frame:
        """The project's frame."""
        assert self.site.project is not None
        return open_frame(self.site)

    @property
    def expected(self) -> ExpectedArp:
        """The ARP that the project's base should broadcast (only where `has_base`)."""
        if self._expected is None:
            self._expected = expected_arp(self.site)
        assert self._expected is not None
        return self._expected

    def arp(self, base: Base, said_m: float | None) -> ExpectedArp:
        """The ARP that a base over a listed point should broadcast, with the antenna height of its 1006 if it can be."""
        assert base.occupies is not None
        return self.point(base.occupies, believed_m(said_m, base.antenna_height_m))

    def limits(self, expected: ExpectedArp, horizontal_m: float, vertical_m: float) -> tuple[float, float]:
        """Tolerances plus what the project's own datum may be out: its operation's accuracy, its geoid's stated error."""
        return horizontal_m + expected.plan_error_m, vertical_m + expected.height_error_m

    def point(self, name: str, antenna_height_m: float = 0.0) -> ExpectedArp:
        """A control point, the mark itself or raised by an antenna height."""
        return point_at(self.site, name, antenna_height_m)

    def tip(self, mean: Mean, pole_m: float) -> Ecef:
        """Where the pole's foot is, by the mean of the antenna's positions; N is the project's where none is given."""
        n = mean.separation_m
        if n is None:
            n = open_geoid(self.site).separation_m(mean.latitude, mean.longitude) or 0.0
        return to_ecef(mean.latitude, mean.longitude, mean.height_m + n - pole_m, WGS84)

    def offset(self, ecef: Ecef, expected: ExpectedArp) -> Enu:
        """East, north and up of a geocentric position from an expected one."""
        return enu(expected.ecef, ecef, self.frame.ellipsoid)

    def far(self, ecef: Ecef, expected: ExpectedArp) -> float | None:
        """How far a place is from the nearest control point, metres, where that is no place of this project; else None."""
        if not LEAST_RADIUS_M <= math.hypot(*ecef) <= MOST_RADIUS_M:
            return None
        nearest_m = min(math.dist(ecef, point.ecef) for point in (expected, *self.others(expected)))
        return nearest_m if nearest_m > OTHER_PROJECT_M else None

    def on_axes(self, ecef: Ecef, expected: ExpectedArp) -> Enu:
        """The same along the project's own axes, metres: a grid's easting and northing, or east and north; up is of heights."""
        offset = self.offset(ecef, expected)
        frame = self.frame
        if not frame.projected:
            return offset
        said = to_geodetic(ecef, frame.ellipsoid)
        unit_m = frame.unit_m or 1.0
        east, north = frame.grid(said.latitude, said.longitude)
        east_0, north_0 = frame.grid(expected.latitude, expected.longitude)
        if not math.isfinite(east + north):
            return offset
        return Enu((east - east_0) * unit_m, (north - north_0) * unit_m, said.height_m - expected.ellipsoidal_height_m)

    def turned(self, offset: Enu, point: ExpectedArp, other: ExpectedArp) -> Enu:
        """The same vector in the east, north and up of another point: a base's error as the rover carries it."""
        ecef = from_enu(point.ecef, offset, self.frame.ellipsoid)
        x, y, z = (b - a for a, b in zip(point.ecef, ecef, strict=True))
        return enu(other.ecef, Ecef(other.x_m + x, other.y_m + y, other.z_m + z), self.frame.ellipsoid)

    def why(self, offset: Enu, situation: Situation, noise: Noise | None = None, may_be_autonomous: bool = True) -> Verdict:
        """The ranked causes of an offset."""
        return explain(offset, situation, noise, may_be_autonomous)

    def not_judged(self, offset: Enu, horizontal_m: float) -> bool:
        """True where the plan is right and the height, over the bundled geoid, is out by too little to be judged."""
        return (
            self.bundled and math.hypot(offset.east_m, offset.north_m) <= horizontal_m and abs(offset.up_m) < NOT_JUDGED_UNDER_M
        )

    def prepare(self, situation: Situation) -> None:
        """Let PROJ find its operations while all is well, so that no alert waits for them."""
        predictions(situation)

    def situation(
        self,
        expected: ExpectedArp,
        utc: dt.datetime | None,
        fix: Fix | None = None,
        antenna_m: float | None = None,
        rover: Rover | None = None,
        base: bool = True,
        typing: bool = True,
        network: bool = False,
        height_untold: bool = False,
        carried: bool = False,
    ) -> Situation:
        """What is known for a verdict. `utc` dates it; `fix` is a receiver's nearby, for its geoid."""
        return Situation(
            expected=expected,
            frame=self.frame,
            control=self.site.control_point(expected.point),
            antenna_m=antenna_m,
            others=self.others(expected),
            separations=self._separations(expected, fix),
            today=decimal_year(utc) if utc and utc.year >= _FIRST_YEAR else None,
            height_doubt_m=self._height_doubt_m(expected),
            plan_doubt_m=expected.plan_error_m,
            base=base,
            network=network,
            typing=typing,
            carried=carried or rover is not None,
            rover=rover,
            height_untold=height_untold,
        )

    def others(self, expected: ExpectedArp) -> tuple[ExpectedArp, ...]:
        """The rest of the control list at the same antenna height, computed once: it may be long."""
        if self._rest is None or self._rest[0] != expected:
            control = self.site.project.control if self.site.project else []
            names = (point.name for point in control if point.name != expected.point)
            self._rest = expected, tuple(point_at(self.site, name, expected.antenna_height_m) for name in names)
        return self._rest[1]

    def _height_doubt_m(self, expected: ExpectedArp) -> float:
        """How far the project's N may be from the N that somebody else made the height with."""
        if not expected.above_geoid:
            return expected.height_error_m
        return expected.height_error_m + (_NATIONAL_M if self.bundled else _INTERPOLATION_M)

    def _separations(self, expected: ExpectedArp, fix: Fix | None) -> dict[str, float]:
        """N of the models at hand that are not the project's, at the expected point."""
        if expected.separation_m is None or self.frame.calibration is not None:
            return {}  # a site's own plane is not a geoid
        here = expected.separation_m
        geoid, bundled = open_geoid(self.site), bundled_geoid()
        models: dict[str, float] = {}
        if fix is not None and fix.latitude is not None and fix.longitude is not None:
            there = geoid.separation_m(fix.latitude, fix.longitude)
            if there is not None and fix.separation_m is not None:
                models["the receiver's own geoid"] = here + fix.separation_m - there
        if geoid is not bundled:
            models[bundled.name] = bundled.separation_m(expected.latitude, expected.longitude)
        return {name: n for name, n in models.items() if abs(n - here) > _LEAST_NAMED_GEOID_M}


def decimal_year(utc: dt.datetime) -> float:
    """2025.5 for the middle of 2025."""
    start = dt.datetime(utc.year, 1, 1, tzinfo=utc.tzinfo)
    following = dt.datetime(utc.year + 1, 1, 1, tzinfo=utc.tzinfo)
    return utc.year + (utc - start) / (following - start)


def not_judged(verdict: Verdict, offset: Enu, heights_m: dict[str, float]) -> Verdict:
    """The verdict on a height that cannot be judged; the causes in `heights_m` that it resembles come second."""
    first = Explanation(cause=NOT_JUDGED, residual_m=None, prediction=None, score=0.0, fits=False)
    named = [
        Explanation(cause=cause, residual_m=abs(abs(offset.up_m) - height_m), prediction=None, score=0.0, fits=True)
        for cause, height_m in heights_m.items()
        if height_m > 0 and abs(abs(offset.up_m) - height_m) <= _STILL_NAMED_M
    ]
    return Verdict(causes=[first, *named], best=verdict.best, sure=False)


def not_over_its_point(verdict: Verdict, expected: ExpectedArp) -> Verdict:
    """The verdict on a base that stands elsewhere than it was told, by a measurement of metres: never sure."""
    causes = verdict.causes
    if causes[0].cause == "unexplained":
        elsewhere = f"the base: it stands elsewhere than over {called(expected.point)}"
        causes = [Explanation(cause=BASE_SET_UP, residual_m=None, prediction=None, score=0.0, fits=False, which=elsewhere)]
    return Verdict(causes=causes, best=verdict.best, sure=False)


def by_said_height(offset: Enu, said_m: float | None, expected_m: float, limits: tuple[float, float]) -> Verdict | None:
    """The verdict where a base says a doubtful antenna height, and is off by as much as that is from the one expected."""
    doubt, up_m = height_doubt(said_m, expected_m), (said_m or 0.0) - expected_m
    apart_m = abs(offset.up_m - up_m)
    if doubt is None or math.hypot(offset.east_m, offset.north_m) > limits[0] or apart_m > limits[1]:
        return None
    unit = doubt in WRONG_UNIT
    cause = doubt if unit else "other-antenna-height"
    which = "the antenna height, in international feet" if unit else f"{said_m:.3f} m, not the plan's {expected_m:.3f} m"
    way = Prediction(cause, 0.0, 0.0, up_m, which=which, vague=not unit)
    one = Explanation(cause=cause, residual_m=apart_m, prediction=way, score=0.0, fits=True, which=which)
    return Verdict(causes=[one], best=[one], sure=unit)


def another_project(verdict: Verdict) -> Verdict:
    """The verdict on a place that is none of this project's, and that no slip explains."""
    first = Explanation(cause=OTHER_PROJECT, residual_m=None, prediction=None, score=0.0, fits=False)
    return Verdict(causes=[first], best=verdict.best, sure=False)


def causes_of(verdict: Verdict) -> list[Cause]:
    """The verdict's causes as a finding takes them."""
    return [
        Cause(cause=one.cause, residual_m=None if one.residual_m is None else round(one.residual_m, 4))
        for one in verdict.causes
    ]


def evidence_of(offset: Enu, expected: ExpectedArp, verdict: Verdict, horizontal_m: float, vertical_m: float) -> dict[str, Any]:
    """The numbers behind a finding: the offset, the tolerances, what was expected, and the best three explanations."""
    east, north, up = offset
    evidence: dict[str, Any] = {
        "east_m": _number(east),
        "north_m": _number(north),
        "up_m": _number(up),
        "horizontal_m": _number(math.hypot(east, north)),
        "tolerance_horizontal_m": _number(horizontal_m),
        "tolerance_vertical_m": _number(vertical_m),
        "point": expected.point,
        "expected_x_m": _number(expected.x_m),
        "expected_y_m": _number(expected.y_m),
        "expected_z_m": _number(expected.z_m),
        "antenna_height_m": _number(expected.antenna_height_m),
        "separation_m": None if expected.separation_m is None else _number(expected.separation_m),
        "geoid": expected.geoid,
        "geoid_error_m": _number(expected.height_error_m) if expected.height_error_m else None,
        "frame": expected.frame,
        "sure": verdict.sure,
    }
    for rank, one in enumerate(verdict.best, 1):
        evidence |= _explained(rank, one)
    return evidence


def reach_of(offset: Enu) -> float:
    """How far from the base one vector repairs points of a base that is out by `offset`, metres."""
    return ONE_VECTOR_M2 / max(math.hypot(*offset), 1e-3)


def repair_of(offset: Enu, verdict: Verdict, distance_m: float | None) -> Repair:
    """What becomes of the points measured so far. A base does not know how far its rovers are: there a distance is given."""
    if verdict.causes[0].cause in _BEYOND_REPAIR:
        return "undecided"
    reach_m = reach_of(offset)
    if distance_m is None and _FAR_M[0] < reach_m < _FAR_M[1]:
        return "within"
    return "one-vector" if reach_m >= (_FAR_M[1] if distance_m is None else distance_m) else "again"


def _explained(rank: int, one: Explanation) -> dict[str, Any]:
    assert one.prediction is not None
    east, north, up = one.prediction.enu
    return {
        f"cause_{rank}": one.cause,
        f"which_{rank}": bare("; ".join(part for part in (one.which, one.prediction.also) if part)) or None,
        f"way_{rank}": one.prediction.way or None,
        f"predicted_{rank}_east_m": _number(east),
        f"predicted_{rank}_north_m": _number(north),
        f"predicted_{rank}_up_m": _number(up),
        f"residual_{rank}_m": _number(one.residual_m or 0.0),
        f"fits_{rank}": one.fits,
    }


def _number(metres: float) -> float:
    return round(metres, 4) + 0.0
