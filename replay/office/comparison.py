"""A field file beside the log: what they differ by, and each of the file's numbers in the log's terms."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from witnesspost.replay.office.base import year_of
from witnesspost.replay.office.difference import MOST_SCALE_PPM, Difference, Step, solve
from witnesspost.replay.office.field_frame import FieldFrame, separations
from witnesspost.replay.office.field_points import FieldError, FieldFile, FieldPoint
from witnesspost.replay.office.occupations import Occupation
from witnesspost.replay.office.plans import Poles
from witnesspost.replay.office.track import Mean, Track
from witnesspost.rules.datum.frames import Place
from witnesspost.rules.datum.geodesy import to_ecef, to_geodetic
from witnesspost.rules.datum.geoid import bundled_geoid
from witnesspost.rules.datum.shifts import frame_shifts
from witnesspost.rules.site.model import Site

Array = NDArray[np.float64]

_FEET = {"ft": 1 / 0.3048, "us-ft": 3937 / 1200}  # 85 FR 62698
_NO_GEOID = "no geoid (ellipsoidal heights)"
_RECEIVERS = "the receiver's own geoid"
_PROJECTS = "the project's geoid"
_BUNDLED = "the bundled EGM96"


class Comparison:
    """`visits` are those of each point, as `Matching` found them; the difference is solved of the points that have one.
    Raises FieldError where it shows that the file counts in another unit."""

    def __init__(
        self,
        field: FieldFile,
        frame: FieldFrame,
        site: Site,
        track: Track,
        visits: Sequence[Sequence[Occupation]],
        poles: Poles,
    ):
        self.frame = frame
        self._site, self._poles = site, poles
        self._track = track
        first = np.array([point.first for point in field.points])
        second = np.array([point.second for point in field.points])
        self._east_m, self._north_m = frame.plane(first, second)
        self._single = np.array([number for number, ones in enumerate(visits) if len(ones) == 1], int)
        self._means = track.means([visits[number][0] for number in self._single])
        self._separation_m = frame.separation(self._means[:, 3], self._means[:, 4])
        self._row = np.full(len(field.points), -1)
        self._row[self._single] = np.arange(len(self._single))
        self.difference = self._solved(field, [float(track.epochs.utc[visits[number][0].first]) for number in self._single])
        _refuse_other_units(field, self.difference)
        self._log_east_m, self._log_north_m = self.difference.to_log(self._east_m, self._north_m)

    def pole_m(self, point: FieldPoint, utc: float) -> float:
        """The pole that the file says, else the one of the day at that time, UTC seconds."""
        return self._poles.at_m(utc) if point.pole is None else point.pole * self.frame.height_unit_m

    def height_m(self, point: FieldPoint) -> float:
        """The height that the file says; NaN where it says none."""
        return math.nan if point.height is None else point.height * self.frame.height_unit_m

    def on_log_plane(self, number: int) -> tuple[float, float]:
        """East and north of a point of the file on the log's plane."""
        return float(self._log_east_m[number]), float(self._log_north_m[number])

    def mean(self, number: int, visit: Occupation) -> Mean:
        """The means over a visit to a point of the file."""
        row = self._row[number]
        return self._track.mean(visit) if row < 0 else Mean(*self._means[row].tolist())

    def up_left_m(self, number: int, point: FieldPoint, mean: Mean, utc: float) -> float | None:
        """What the file's height is more than the log's, once what is shared is taken off; None where it cannot be said."""
        if point.height is None:
            return None
        row = self._row[number]
        if self.difference.geoid is None and row >= 0:
            separation_m = float(self._separation_m[row])
        else:
            separation_m = self.separation_m(mean.latitude, mean.longitude, mean.separation_m)
        log_m = mean.height_m - self.pole_m(point, utc) - separation_m
        left_m = self.height_m(point) - log_m - self.difference.up_m
        return left_m if math.isfinite(left_m) else None

    def separation_m(self, latitude: float, longitude: float, receivers_m: float) -> float:
        """N of the model that the file's heights were made with; `receivers_m` is what the receiver gave there."""
        name = self.difference.geoid
        if name == _NO_GEOID:
            return 0.0
        if name == _RECEIVERS:
            return receivers_m
        if name == _BUNDLED:
            found = bundled_geoid().separation_m(latitude, longitude)
            return math.nan if found is None else found
        return self.frame.separation_at(latitude, longitude, project=name == _PROJECTS)

    def _solved(self, field: FieldFile, utc: Sequence[float]) -> Difference:
        frame, single, own_m = self.frame, self._single, self._separation_m
        if not len(single):
            return Difference(names={}, of=0)
        points = [field.points[number] for number in single]
        east_m, north_m, height_m, latitude, longitude, receivers_m = self._means.T
        poles_m = np.array([self.pole_m(point, at) for point, at in zip(points, utc, strict=True)])
        up_m = np.array([self.height_m(point) for point in points]) - (height_m - poles_m - own_m)
        models: dict[str, Array] = {}
        if frame.vertical == "geoid":
            for name, other_m in (
                (_BUNDLED, separations(bundled_geoid(), latitude, longitude)),
                (_RECEIVERS, receivers_m),
                (_NO_GEOID, np.zeros(len(single))),
                (_PROJECTS, own_m if frame.on_projects_geoid else frame.separation(latitude, longitude, project=True)),
            ):
                if not np.allclose(other_m, own_m, atol=0.005, equal_nan=True):
                    models[name] = own_m - other_m
        file_m = self._east_m[single] + 1j * self._north_m[single]
        steps = _steps(frame, self._site, float(self._track.epochs.utc[0]))
        return solve(file_m, east_m + 1j * north_m, up_m, models=models, frames=steps, grid=frame.grid,
                     convergence_deg=_convergence_deg(frame, latitude, longitude))  # fmt: skip


def _refuse_other_units(field: FieldFile, difference: Difference) -> None:
    """A scale that is the length of a foot, but for what a site's ground scale may add, is no calibration: the unit was not
    stated. Raises FieldError."""
    scale = abs(difference.a)
    for counts, off in (
        ("feet", {unit: abs(scale / feet - 1.0) for unit, feet in _FEET.items()}),
        ("metres", {unit: abs(scale * feet - 1.0) for unit, feet in _FEET.items()}),
    ):
        nearest = min(off, key=lambda unit: off[unit])
        if off[nearest] * 1e6 <= MOST_SCALE_PPM:
            # A ground scale hides the 2 ppm between the two feet.
            feet = nearest if off[nearest] < 1e-6 else "ft or us-ft"
            raise FieldError(f"{field.path}: counts in {counts}; state --unit {feet if counts == 'feet' else 'm'}")


def _convergence_deg(frame: FieldFrame, latitude: Array, longitude: Array) -> float:
    """The angle between the plane's north and true north in the points' middle."""
    middle, north = np.array([np.mean(longitude)] * 2), np.mean(latitude) + np.array([0.0, 0.01])
    east_m, north_m = frame.plane_of(north, middle)
    return math.degrees(math.atan2(float(east_m[1] - east_m[0]), float(north_m[1] - north_m[0])))


def _steps(frame: FieldFrame, site: Site, utc: float) -> list[Step]:
    """Where other frames in use there would put the file: the same place, told in another frame's numbers."""
    latitude, longitude = frame.middle
    place = Place(to_ecef(latitude, longitude, 0.0, frame.project_frame.ellipsoid), latitude, longitude)
    epoch = site.project.epoch if site.project else None
    try:
        shifts = frame_shifts(frame.project_frame, epoch, place, year_of(utc))
    except Exception:  # a frame that nothing ties has no sisters to name
        return []
    here = frame.plane_of(np.array([latitude]), np.array([longitude]))
    steps = []
    for shift in shifts:
        other = to_geodetic(shift.ecef, frame.project_frame.ellipsoid)
        there = frame.plane_of(np.array([other.latitude]), np.array([other.longitude]))
        steps.append(Step(shift.name, float(there[0][0] - here[0][0]), float(there[1][0] - here[1][0])))
    return steps
