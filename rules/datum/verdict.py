"""A coordinate judged: its offset from the project's, why, and the evidence and words that every datum rule says it with."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.explanation import Explanation, Noise, Verdict, explain, in_words
from witnesspost.rules.datum.frames import Frame
from witnesspost.rules.datum.geodesy import ExpectedArp, enu, expected_arp, from_enu, point_at
from witnesspost.rules.datum.geoid import bundled_geoid, open_geoid
from witnesspost.rules.datum.hypotheses import Situation, predictions
from witnesspost.rules.datum.opening import open_frame
from witnesspost.rules.facts import Fix
from witnesspost.rules.finding import Cause
from witnesspost.rules.site.model import Site

_LEAST_NAMED_GEOID_M = 0.02  # two models that agree this well are one here
_FIRST_YEAR = 2020  # before it, a receiver's date is a cold start (1980) or a week count that rolled over (19.6 years off)
_SHARE_OF_WORST = 0.5  # a grid's worst error of a cell, as two sigma


class Datum:
    """The project's datum at one site. PROJ loads with the first coordinate that is judged. Raises DatumError then."""

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
    def frame(self) -> Frame:
        """The project's frame."""
        assert self.site.project is not None
        return open_frame(self.site)

    @property
    def expected(self) -> ExpectedArp:
        """The ARP that the base should broadcast (only where `has_base`)."""
        if self._expected is None:
            self._expected = expected_arp(self.site)
        assert self._expected is not None
        return self._expected

    def point(self, name: str) -> ExpectedArp:
        """A control point, the mark itself."""
        return point_at(self.site, name)

    def offset(self, at: Ecef, expected: ExpectedArp) -> Enu:
        """East, north and up of a geocentric position from an expected one."""
        return enu(expected.ecef, at, self.frame.ellipsoid)

    def turned(self, offset: Enu, point: ExpectedArp, other: ExpectedArp) -> Enu:
        """The same vector in the east, north and up of another point: a base's error as the rover carries it."""
        at = from_enu(point.ecef, offset, self.frame.ellipsoid)
        x, y, z = (b - a for a, b in zip(point.ecef, at, strict=True))
        return enu(other.ecef, Ecef(other.x_m + x, other.y_m + y, other.z_m + z), self.frame.ellipsoid)

    def why(
        self,
        offset: Enu,
        expected: ExpectedArp,
        utc: dt.datetime | None,
        fix: Fix | None = None,
        noise: Noise | None = None,
        pole_m: float | None = None,
        autonomous: bool = True,
    ) -> Verdict:
        """The ranked causes of the offset of the ARP. `utc` dates it; `fix` is a receiver's nearby, for its geoid."""
        noise = noise or Noise()
        grid_sigma_m = expected.height_error_m * _SHARE_OF_WORST
        situation = self._situation(expected, utc, fix, pole_m)
        wider = Noise(horizontal_m=noise.horizontal_m, up_m=math.hypot(noise.up_m, grid_sigma_m))
        return explain(offset, situation, wider, autonomous)

    def prepare(self, expected: ExpectedArp, utc: dt.datetime | None) -> None:
        """Have PROJ find its operations while all is well, so that no alert waits for them."""
        predictions(self._situation(expected, utc, None, None))

    def _situation(self, expected: ExpectedArp, utc: dt.datetime | None, fix: Fix | None, pole_m: float | None) -> Situation:
        return Situation(
            expected=expected,
            frame=self.frame,
            others=self._others(expected),
            separations=self._separations(expected, fix),
            today=decimal_year(utc) if utc and utc.year >= _FIRST_YEAR else None,
            pole_m=pole_m,
        )

    def _others(self, expected: ExpectedArp) -> tuple[ExpectedArp, ...]:
        """The rest of the control list at the same antenna height, computed once: it may be long."""
        if self._rest is None or self._rest[0] != expected:
            control = self.site.project.control if self.site.project else []
            names = (point.name for point in control if point.name != expected.point)
            self._rest = expected, tuple(point_at(self.site, name, expected.antenna_height_m) for name in names)
        return self._rest[1]

    def _separations(self, expected: ExpectedArp, fix: Fix | None) -> dict[str, float]:
        """N of the models at hand that are not the project's, at the expected point."""
        if expected.separation_m is None:
            return {}
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
    }
    for rank, one in enumerate(verdict.best, 1):
        evidence |= _explained(rank, one)
    return evidence


def words_of(offset: Enu, expected: ExpectedArp, verdict: Verdict, site: Site) -> dict[str, str]:
    """What the advice's sentences need: the offset, the way of the first cause, where to check in, and the grid's note."""
    first = verdict.causes[0]
    others = [point.name for point in site.project.control if point.name != expected.point] if site.project else []
    note = ""
    if expected.height_error_m:
        note = f" (Heights only to {expected.height_error_m:.2f} m here: that is the bundled geoid's error.)"
    return {
        "offset": in_words(offset),
        "which": first.which or "another",
        "also": first.prediction.also if first.prediction is not None else "",
        "separation": f"{expected.separation_m or 0.0:.2f} m".replace("-", "−"),
        "antenna": f"{site.base.antenna_height_m:.3f} m",
        "pole": f"{site.rover.pole_height_m:.3f} m",
        "frame_words": expected.frame_name + (f" at {expected.epoch:.1f}" if expected.epoch is not None else ""),
        "check_in": others[0] if others else "a second control point",
        "note": note,
    }


def _explained(rank: int, one: Explanation) -> dict[str, Any]:
    assert one.prediction is not None
    east, north, up = one.prediction.enu
    return {
        f"cause_{rank}": one.cause,
        f"which_{rank}": "; ".join(part for part in (one.which, one.prediction.also) if part) or None,
        f"predicted_{rank}_east_m": _number(east),
        f"predicted_{rank}_north_m": _number(north),
        f"predicted_{rank}_up_m": _number(up),
        f"residual_{rank}_m": _number(one.residual_m or 0.0),
    }


def _number(metres: float) -> float:
    return round(metres, 4) + 0.0
