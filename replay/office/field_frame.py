"""What a field file's numbers mean: its frame, its unit, its heights; and the way from there to the project's terms and back.

    first, second, height ──unit──► metres ──frame──► latitude, longitude ──geoid──► ellipsoidal height ──► project's datum

All in arrays. Matching and similarities are done on a plane in metres: the file's own grid, or, of degrees, east and north
about the middle of the control on the ellipsoid's radii there.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from witnesspost.replay.office.field_points import FieldError
from witnesspost.rules.datum.frames import Frame, FrameError, frame_of
from witnesspost.rules.datum.geodesy import position
from witnesspost.rules.datum.geoid import Geoid, open_geoid
from witnesspost.rules.datum.opening import WGS84_CODES, open_frame
from witnesspost.rules.gnss import HEIGHT_UNIT_M
from witnesspost.rules.site.model import Site

Array = NDArray[np.float64]


class Stated(NamedTuple):
    """What was said of a field file, None where the project's holds: an EPSG code, a unit, what heights are above."""

    frame: str | None = None
    unit: str | None = None
    vertical: str | None = None
    geoid: Geoid | None = None
    epoch: float | None = None


class FieldFrame:
    """The meaning of a file's numbers. Raises FieldError where what was stated does not fit together."""

    def __init__(self, site: Site, stated: Stated, *, grid: bool):
        project = site.project
        if project is None or not project.control:
            raise FieldError("the log's site file has no project with control; name one that has with --site")
        try:
            self.project_frame: Frame = open_frame(site)
            self.frame: Frame = self.project_frame if stated.frame is None else frame_of(stated.frame)
        except FrameError as error:
            raise FieldError(f"--frame: {error}" if stated.frame else f"project.frame: {error}") from None
        if grid and not self.frame.projected:
            raise FieldError(
                f"the file has northings and eastings, and {self.frame.code} ({self.frame.name}) is geographic; state its grid "
                "with --frame EPSG:…"
            )
        self.grid = grid
        self.site = site
        self.code = stated.frame or project.frame
        self.vertical = stated.vertical or project.vertical or "geoid"
        self.project_geoid: Geoid = open_geoid(site)
        self.geoid: Geoid = stated.geoid or self.project_geoid
        unit_m = HEIGHT_UNIT_M[stated.unit] if stated.unit else None
        own_m = self.frame.unit_m or 1.0
        if unit_m is not None and grid and abs(unit_m / own_m - 1.0) > 1e-3 and self.frame.calibration is None:
            own_m = unit_m  # a file in another unit than its grid is defined in
        self.plane_unit_m = own_m if unit_m is None else unit_m
        self.height_unit_m = unit_m or HEIGHT_UNIT_M[project.height_unit]
        self.accuracy_m = self.project_frame.accuracy_m
        self.operation = "none: the file's frame is the project's"
        self._change = None if stated.frame is None else self._datum_change(stated.epoch or project.epoch)
        latitude, longitude = position(self.project_frame, project.control[0])
        self.middle = (latitude, longitude)
        sin2 = math.sin(math.radians(latitude)) ** 2
        a, e2 = 6378137.0, 0.00669438002290  # GRS 80 (EPSG:7019)
        w = 1.0 - e2 * sin2
        self._north_m = math.radians(1.0) * a * (1.0 - e2) / w**1.5
        self._east_m = math.radians(1.0) * a * math.cos(math.radians(latitude)) / math.sqrt(w)

    # ── the file's numbers ──────────────────────────────────────────────────────────────────────────────────────────────

    def plane(self, first: Array, second: Array) -> tuple[Array, Array]:
        """East and north in metres on the file's plane, of the file's numbers."""
        if self.grid:
            return second * self.plane_unit_m, first * self.plane_unit_m
        return (second - self.middle[1]) * self._east_m, (first - self.middle[0]) * self._north_m

    def numbers(self, east_m: Array, north_m: Array) -> tuple[Array, Array]:
        """The file's numbers of its plane: `plane` undone."""
        if self.grid:
            return north_m / self.plane_unit_m, east_m / self.plane_unit_m
        return north_m / self._north_m + self.middle[0], east_m / self._east_m + self.middle[1]

    # ── between its plane and the project's datum ───────────────────────────────────────────────────────────────────────

    def plane_of(self, latitude: Array, longitude: Array) -> tuple[Array, Array]:
        """East and north on the file's plane of degrees in the project's datum."""
        if self._change is not None:
            longitude, latitude = self._change.back(longitude, latitude)
        if not self.grid:
            return (longitude - self.middle[1]) * self._east_m, (latitude - self.middle[0]) * self._north_m
        frame = self.frame
        if frame.calibration is not None or frame.way is not None:
            pairs = [frame.grid(float(la), float(lo)) for la, lo in zip(latitude, longitude, strict=True)]
            grid = np.array(pairs, dtype=float).reshape(-1, 2)
            return grid[:, 0] * (frame.unit_m or 1.0), grid[:, 1] * (frame.unit_m or 1.0)
        east, north = _transformer(frame.code).transform(longitude, latitude)
        return np.asarray(east) * (frame.unit_m or 1.0), np.asarray(north) * (frame.unit_m or 1.0)

    def degrees_of(self, east_m: Array, north_m: Array) -> tuple[Array, Array]:
        """Latitude and longitude in the project's datum of the file's plane: `plane_of` undone."""
        frame = self.frame
        if not self.grid:
            latitude, longitude = north_m / self._north_m + self.middle[0], east_m / self._east_m + self.middle[1]
        elif frame.calibration is not None or frame.way is not None:
            unit_m = frame.unit_m or 1.0
            pairs = [frame.geographic(float(e) / unit_m, float(n) / unit_m) for e, n in zip(east_m, north_m, strict=True)]
            both = np.array(pairs, dtype=float).reshape(-1, 2)
            latitude, longitude = both[:, 0], both[:, 1]
        else:
            unit_m = frame.unit_m or 1.0
            found = _transformer(frame.code).transform(east_m / unit_m, north_m / unit_m, direction="INVERSE")
            longitude, latitude = np.asarray(found[0]), np.asarray(found[1])
        if self._change is not None:
            longitude, latitude = self._change.there(longitude, latitude)
        return latitude, longitude

    # ── heights ─────────────────────────────────────────────────────────────────────────────────────────────────────────

    def separation(self, latitude: Array, longitude: Array, *, project: bool = False) -> Array:
        """What a height of the file (of the project) is less than the ellipsoidal one, metres, at degrees in the project's
        datum; NaN beyond a geoid's grid."""
        found = (
            self.separation_at(la, lo, project=project) for la, lo in zip(latitude.tolist(), longitude.tolist(), strict=True)
        )
        return np.fromiter(found, dtype=float, count=len(latitude))

    @property
    def on_projects_geoid(self) -> bool:
        """True where the file's heights are the project's own."""
        vertical = self.site.project.vertical if self.site.project else None
        return self.geoid is self.project_geoid and self.frame is self.project_frame and self.vertical == vertical

    def separation_at(self, latitude: float, longitude: float, *, project: bool = False) -> float:
        """The same at one place."""
        above: float | None = 0.0
        vertical = (self.site.project.vertical if self.site.project else None) if project else self.vertical
        if vertical == "geoid":
            above = (self.project_geoid if project else self.geoid).separation_m(latitude, longitude)
        fit = self.project_frame.calibration
        if above is not None and fit is not None and (project or self.frame is self.project_frame):
            above += fit.separation_m(latitude, longitude)
        return math.nan if above is None else above

    def _datum_change(self, epoch: float | None) -> _DatumChange | None:
        """The way from the stated frame's datum to the project's; None where they are one."""
        own, project = self.frame.code_3d, self.project_frame.code_3d
        ensemble = own in WGS84_CODES
        if own == project and not ensemble:
            return None
        if ensemble or own is None or project is None:
            raise FieldError(
                f"--frame: read {self.code!r} ({self.frame.name}), which no operation ties to {self.project_frame.gnss_name} "
                "to a centimetre; expected the regional frame that the controller really used"
            )
        change = _DatumChange(own, project, epoch, self.site)
        self.accuracy_m = math.hypot(self.accuracy_m, change.accuracy_m)
        self.operation = change.name
        return change


def separations(geoid: Geoid, latitude: Array, longitude: Array) -> Array:
    """N at each place, NaN where the model does not cover. A geoid is asked place by place."""
    found = (geoid.separation_m(float(la), float(lo)) for la, lo in zip(latitude, longitude, strict=True))
    return np.fromiter((math.nan if n is None else n for n in found), dtype=float, count=len(latitude))


class _DatumChange:
    """PROJ's best operation between two geographic 3D frames at the project's epoch; its stated accuracy is kept."""

    def __init__(self, own: int, project: int, epoch: float | None, site: Site):
        from pyproj.transformer import AreaOfInterest, TransformerGroup

        assert site.project is not None
        latitude, longitude = position(open_frame(site), site.project.control[0])
        box = AreaOfInterest(longitude - 0.01, latitude - 0.01, longitude + 0.01, latitude + 0.01)
        group = TransformerGroup(f"EPSG:{own}", f"EPSG:{project}", always_xy=True, allow_ballpark=False, area_of_interest=box)
        able = [one for one in group.transformers if one.accuracy >= 0]
        if not able:
            raise FieldError(
                f"--frame: PROJ has no operation of a stated accuracy from EPSG:{own} to EPSG:{project} here; expected a frame "
                "that it can tie to the project's"
            )
        self._transformer: Any = able[0]
        self.accuracy_m = float(able[0].accuracy)
        self.name = str(able[0].description)
        self._epoch = epoch

    def there(self, longitude: Array, latitude: Array) -> tuple[Array, Array]:
        """From the file's datum to the project's."""
        return self._through(longitude, latitude, "FORWARD")

    def back(self, longitude: Array, latitude: Array) -> tuple[Array, Array]:
        """From the project's datum to the file's."""
        return self._through(longitude, latitude, "INVERSE")

    def _through(self, longitude: Array, latitude: Array, direction: Any) -> tuple[Array, Array]:
        zeros = np.zeros(len(longitude))
        times: tuple[Array, ...] = () if self._epoch is None else (np.full(len(longitude), self._epoch),)
        found = self._transformer.transform(longitude, latitude, zeros, *times, direction=direction)
        return np.asarray(found[0]), np.asarray(found[1])


def _transformer(code: str) -> Any:
    from pyproj import CRS, Transformer

    if code not in _TRANSFORMERS:
        crs = CRS.from_user_input(code)
        _TRANSFORMERS[code] = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    return _TRANSFORMERS[code]


_TRANSFORMERS: dict[str, Any] = {}
