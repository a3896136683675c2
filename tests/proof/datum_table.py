"""The proof of the datum's explanations: each cause at three places, and what chance makes of right and autonomous bases.

    python -m tests.proof.datum_table            # the table, 1,000 right bases, 1,000 autonomous ones

A truth is made with pyproj alone, from the words of its cause, and goes through the rules as a broadcast position (to the
wire's 0.1 mm) or as a rover's fixes; nothing of `rules.datum` makes a truth. The separations are a plane, written into a grid
file that is the project's own, or EGM2008's (`tests.proof.make_egm2008`). All coordinates are invented.
"""

from __future__ import annotations

import csv
import datetime as dt
import functools
import math
import random
import struct
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from pyproj import Transformer
from witnesspost.rules.book.base_datum import BaseDatum
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import expected_arp
from witnesspost.rules.engine.rule import Finding, Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Fix, SetUp, Station, Utc
from witnesspost.rules.site.model import Site, figures_of
from witnesspost.rules.site.reading import site_from_table

from tests import DATA

TODAY = dt.datetime(2026, 11, 24, 9, 0, tzinfo=dt.UTC)
EPOCH = 2026.0 + 327.375 / 365  # the same as a decimal year

Xyz = tuple[float, float, float]


class Place(NamedTuple):
    """An invented control point: geographic frame and grid, their EPSG codes, the geocentric ones of frame and another."""

    name: str
    frame: str
    grid: str
    grid_unit: str
    latitude: float
    longitude: float
    height: float
    epoch: float
    geocentric: str
    shifted: str
    slip: Callable[[float, float], tuple[float, float]]
    next_grid: str
    n: float

    def separation(self, latitude: float, longitude: float) -> float:
        """N there: a plane, so that every reading of the grid file between its nodes gives the same."""
        return self.n + 0.35 * (latitude - self.latitude) - 0.21 * (longitude - self.longitude)


PLACES = (
    Place("United States", "EPSG:6319", "EPSG:6428", "us-ft", 39.1234567, -104.9876543, 1874.322, 2010.0,
          "EPSG:6317", "EPSG:7789", lambda lat, lon: (lat, -lon), "EPSG:6430", -17.213),
    Place("Europe", "EPSG:7931", "EPSG:25832", "m", 48.3123457, 11.2345678, 520.456, 2015.0,
          "EPSG:7930", "EPSG:7789", lambda lat, lon: (lon, lat), "EPSG:25833", 46.108),
    Place("Australia", "EPSG:7843", "EPSG:7855", "m", -31.5234567, 147.2345678, 230.789, 2020.0,
          "EPSG:7842", "EPSG:4938", lambda lat, lon: (-lat, lon), "EPSG:7854", 25.431),
)  # fmt: skip
ANTENNA_M = 1.843
POLE_M = 2.0
OTHER_MODEL_M = 1.27  # how far the receiver's geoid stands from the project's in the case of the other geoid


class Case(NamedTuple):
    """One bust at one place: the site, what the base broadcasts, and what the receivers there call N (None: nothing).

    `told` where a person has told the day's antenna height: the plan's.
    """

    site: dict[str, Any]
    broadcast: Xyz
    separation_m: float | None = None
    told: bool = False


def site_table(place: Place, role: str = "base", on_grid: bool = False, **changes: Any) -> dict[str, Any]:
    """A site file's table: KQ-1 is occupied, KQ-2 is 321 m off. `changes` go to project and base by key."""
    points = {"KQ-1": (place.latitude, place.longitude, place.height)}
    points["KQ-2"] = (place.latitude + 0.0021, place.longitude + 0.0025, place.height + 7.654)
    control: list[dict[str, Any]] = []
    for name, (latitude, longitude, height) in points.items():
        if on_grid:
            easting, northing = _grid(place.grid).transform(longitude, latitude)
            unit_m = 1200 / 3937 if place.grid_unit == "us-ft" else 1.0
            control.append({"name": name, "easting": easting, "northing": northing, "height": height / unit_m})
        else:
            control.append({"name": name, "latitude": latitude, "longitude": longitude, "height": height})
    return {
        "post": {"name": "kestrel", "role": role},
        "stream": [{"name": "line", "port": "loop://", "carries": ["corrections", "positions"]}],
        "project": {
            "frame": place.grid if on_grid else place.frame,
            "epoch": place.epoch,
            "vertical": changes.get("vertical", "geoid"),
            "geoid": geoid_file(place),
            "height_unit": place.grid_unit if on_grid else "m",
            "control": control,
        },
        "base": {"occupies": "KQ-1", "station_id": 417, "antenna_height_m": changes.get("antenna_height_m", ANTENNA_M)},
        "rover": {"pole_height_m": POLE_M},
    }


def cases(place: Place) -> dict[str, Case]:
    """A bust for each cause of the list, and pairs of them, by cause."""
    lat, lon, height = place.latitude, place.longitude, place.height
    n = place.n
    a = ANTENNA_M
    right = ecef(lat, lon, height + n + a)
    plain = site_table(place)
    on_grid = site_table(place, on_grid=True)
    easting, northing = _grid(place.grid).transform(lon, lat)
    foot = 499999 / 500000
    wrong_foot = _grid(place.grid).transform(easting * foot, northing * foot, direction="INVERSE")
    ground = _grid(place.grid).transform(easting * 1.000268, northing * 1.000268, direction="INVERSE")
    next_zone = _grid(place.next_grid).transform(easting, northing, direction="INVERSE")
    other = (lat + 0.0021, lon + 0.0025)
    n_other = place.separation(*other)
    slip = place.slip(lat, lon)
    cut = (math.trunc(lat * 1e4) / 1e4, math.trunc(lon * 1e4) / 1e4)
    low = 1.0
    slant = math.hypot(low + 0.05, 0.19)
    return {
        "orthometric-as-ellipsoidal": Case(plain, ecef(lat, lon, height + a)),
        "geoid-applied-twice": Case(plain, ecef(lat, lon, height + 2 * n + a)),
        "other-antenna-height": Case(plain, ecef(lat, lon, height + n + a - 0.1237)),
        "other-geoid": Case(plain, ecef(lat, lon, height + n + OTHER_MODEL_M + a), n + OTHER_MODEL_M),
        "antenna-height-missing": Case(plain, ecef(lat, lon, height + n)),
        "antenna-height-doubled": Case(plain, ecef(lat, lon, height + n + 2 * a)),
        "slant-as-vertical": Case(
            site_table(place, vertical="ellipsoidal", antenna_height_m=low), ecef(lat, lon, height + slant), told=True
        ),
        "feet-as-metres": Case(plain, ecef(lat, lon, height / 0.3048 + n + a)),
        "metres-as-feet": Case(plain, ecef(lat, lon, height * 0.3048 + n + a)),
        "survey-foot": Case(on_grid, ecef(wrong_foot[1], wrong_foot[0], height + n + a)),
        "ground-for-grid": Case(on_grid, ecef(ground[1], ground[0], height + n + a)),
        "digit-slip": Case(plain, ecef(float(_slipped(repr(lat), -4)), lon, height + n + a)),
        "frame-shift": Case(plain, _moved(place.geocentric, place.shifted, right, EPOCH)),
        "epoch-shift": Case(
            plain,
            _moved(place.geocentric, "EPSG:7789", _moved("EPSG:7789", place.geocentric, right, place.epoch), EPOCH),
        ),
        "other-control-point": Case(plain, ecef(*other, height + 7.654 + n_other + a)),
        "sign-or-order": Case(plain, ecef(*slip, height + n + a)),
        "other-zone": Case(on_grid, ecef(next_zone[1], next_zone[0], height + n + a)),
        "rounded": Case(plain, ecef(*cut, height + n + a)),
        "autonomous-base": Case(plain, aside(right, 2.1, -3.3, 4.0)),
        "unexplained": Case(plain, aside(right, 0.0, 0.0, -3.3)),
        "orthometric-as-ellipsoidal+antenna-height-missing": Case(plain, ecef(lat, lon, height)),
        "orthometric-as-ellipsoidal+other-control-point": Case(plain, ecef(*other, height + 7.654 + a)),
        "antenna-height-missing+frame-shift": Case(
            plain, _moved(place.geocentric, place.shifted, ecef(lat, lon, height + n), EPOCH)
        ),
        "antenna-height-doubled+sign-or-order": Case(plain, ecef(*slip, height + n + 2 * a)),
    }


def rover_cases() -> dict[str, Xyz]:
    """What a rover's own mistakes do to its point, east, north and up, by cause; the base is right."""
    lean = math.radians(4.0)
    return {
        "rover-pole": (0.0, 0.0, -POLE_M),
        "rover-pole (20 cm shorter)": (0.0, 0.0, -0.20),
        "leaning-pole": (0.6 * POLE_M * math.sin(lean), -0.8 * POLE_M * math.sin(lean), POLE_M * (math.cos(lean) - 1)),
        "mark-or-point": (0.06, -0.07, 0.09),
    }


def _slipped(number: str, place: int) -> str:
    """The number with the digit at that place another by 3."""
    digit = int(number[place])
    return number[:place] + str(digit + 3 if digit < 7 else digit - 3) + number[place:][1:]


def base_finding(case: Case, role: str = "base") -> Finding | None:
    """What `base-datum` says once the case's position has arrived."""
    site = site_from_table({**case.site, "post": {"name": "kestrel", "role": role}})
    rule, scene = bench(BaseDatum, site)
    feed(rule, scene, Utc(t=0.5, stream="line", utc=TODAY, source="RMC"))
    if case.told:
        feed(
            rule,
            scene,
            SetUp(t=0.6, stream="", point="KQ-1", antenna_height_m=site.base.antenna_height_m, pole_height_m=POLE_M),
        )
    if case.separation_m is not None:
        feed(rule, scene, fix_at(1.0, case.broadcast, 1, case.separation_m))
    x, y, z = (round(part, 4) for part in case.broadcast)
    feed(rule, scene, Station(t=2.0, stream="line", station_id=417, message=1005, x_m=x, y_m=y, z_m=z,
                              antenna_height_m=None, itrf_year=0))  # fmt: skip
    return next(iter(rule.judge(2.0)), None)


def check_finding(case: Case, own: Xyz = (0.0, 0.0, 0.0), proven: bool = False) -> Finding | None:
    """What `control-check` says when a rover, carrying the base's error and `own` of its own, stands on KQ-2 for 11 s.

    `proven`: the base's right coordinate has been heard.
    """
    site = site_from_table({**case.site, "post": {"name": "kestrel", "role": "rover"}})
    arp = expected_arp(site)
    assert arp is not None
    rule, scene = bench(ControlCheck, site)
    feed(rule, scene, Utc(t=0.5, stream="line", utc=TODAY, source="RMC"))
    if proven:
        said = dict(zip(("x_m", "y_m", "z_m"), arp.ecef, strict=True))
        heard = Station(t=0.6, stream="line", station_id=417, message=1005, antenna_height_m=None, itrf_year=0, **said)
        feed(rule, scene, heard)
        scene.prove(417, True)
    mark = rule._datum.point("KQ-2")
    error = tuple(b - a for a, b in zip(arp.ecef, case.broadcast, strict=True))
    noise = random.Random(1)
    for second in range(12):
        at = tuple(m + e for m, e in zip(mark.ecef, error, strict=True))
        east, north, up = own
        at = aside(at, east + noise.gauss(0, 0.008), north + noise.gauss(0, 0.008), up + POLE_M + noise.gauss(0, 0.015))
        n = mark.separation_m if case.separation_m is None else case.separation_m
        feed(rule, scene, fix_at(1.0 + second, at, 4, n))
    return next(iter(rule.judge(12.0)), None)


def jump_finding(case: Case) -> Finding | None:
    """What `base-datum` says at a walking rover that hears no station position when autonomous turns to float and fixed."""
    site = site_from_table({**case.site, "post": {"name": "kestrel", "role": "rover"}})
    arp = expected_arp(site)
    assert arp is not None
    rule, scene = bench(BaseDatum, site)
    error = tuple(b - a for a, b in zip(arp.ecef, case.broadcast, strict=True))
    for second, quality in enumerate((1, 1, 1, 5, 5, 4, 4)):
        at = aside(arp.ecef, 200.0 + 1.4 * second, 0.0, 0.0)
        own = aside(at, 2.0, -1.5, 3.0)
        at = own if quality == 1 else (at[0] + error[0], at[1] + error[1], at[2] + error[2])
        feed(rule, scene, fix_at(float(second), at, quality, arp.separation_m))
    return next(iter(rule.judge(70.0)), None)


def bench(kind: type[Any], site: Site) -> tuple[Any, Scene]:
    """A rule and its scene."""
    scene = Scene(site)
    return kind(site, figures_of(site, kind.name, kind.Figures), scene), scene


def feed(rule: Rule, scene: Scene, fact: Any) -> None:
    """One fact to the scene, then to the rule."""
    scene.see(fact)
    if isinstance(fact, rule.sees):
        rule.see(fact)


def fix_at(t: float, at: Xyz, quality: int, separation_m: float | None) -> Fix:
    """A receiver's sentence for a geocentric position (to GGA's usual digits)."""
    longitude, latitude, h = _cart().transform(*at, direction="INVERSE")
    return Fix(
        t=t, stream="line", time_s=t, quality=quality, latitude=round(latitude, 10), longitude=round(longitude, 10),
        height_m=round(h - (separation_m or 0.0), 4), separation_m=separation_m, satellites=20, hdop=0.7,
        age_s=1.0, station_id=417,
    )  # fmt: skip


def ecef(latitude: float, longitude: float, h: float) -> Xyz:
    """Geocentric metres, GRS 80."""
    x, y, z = _cart().transform(longitude, latitude, h)
    return x, y, z


def aside(at: Xyz, east: float, north: float, up: float) -> Xyz:
    """A geocentric point moved by metres east, north and up."""
    longitude, latitude, _ = _cart().transform(*at, direction="INVERSE")
    lat, lon = math.radians(latitude), math.radians(longitude)
    return (
        at[0] - math.sin(lon) * east - math.sin(lat) * math.cos(lon) * north + math.cos(lat) * math.cos(lon) * up,
        at[1] + math.cos(lon) * east - math.sin(lat) * math.sin(lon) * north + math.cos(lat) * math.sin(lon) * up,
        at[2] + math.cos(lat) * north + math.sin(lat) * up,
    )


def right_bases(count: int, seed: int) -> list[str]:
    """`count` right bases over the globe, every type of frame; what `base-datum` said of any (nothing, it should be).

    Their heights are ellipsoidal; or above EGM2008, where the site file has that model, or only the bundled EGM96: there a
    note that the height cannot be judged is no more than the truth.
    """
    draw = random.Random(seed)
    said = []
    for place in draw.sample(egm2008(), count):
        table, broadcast = _right_base(draw, place)
        finding = base_finding(Case(table, broadcast))
        noted = finding is not None and (finding.severity, finding.causes[0].cause) == ("note", "height-not-judged")
        if finding is not None and not (noted and table["project"]["geoid"] == "bundled"):
            said.append(f"{table['project']}: {finding.causes[0].cause} {finding.evidence}")
    return said


def autonomous_bases(count: int, seed: int) -> tuple[int, float, list[str]]:
    """`count` bases 2 to 8 m off in a random direction at the three places.

    How many were explained as something systematic, how many chance allows, and what those were. Chance: the share of a
    uniform density of directions and distances that lies where a prediction fits (χ² under 16.27), summed over all of them.
    """
    draw = random.Random(seed)
    systematic: list[str] = []
    for number in range(count):
        place = PLACES[number % 3]
        right = ecef(place.latitude, place.longitude, place.height + ANTENNA_M + _n(place))
        direction = [draw.gauss(0, 1) for _ in range(3)]
        scale = draw.uniform(2, 8) / math.hypot(*direction)
        finding = base_finding(Case(site_table(place), aside(right, *(scale * part for part in direction))))
        assert finding is not None
        cause = finding.causes[0].cause
        if cause not in ("autonomous-base", "unexplained"):
            systematic.append(f"{place.name}: {cause} {finding.evidence}")
    return len(systematic), count * sum(_chance(place) for place in PLACES) / 3, systematic


def _chance(place: Place) -> float:
    """The probability that an offset drawn as in `autonomous_bases` fits a single cause or a pair, at most."""
    from witnesspost.rules.datum.explanation import _pairs
    from witnesspost.rules.datum.hypotheses import predictions
    from witnesspost.rules.datum.verdict import Datum

    datum = Datum(site_from_table(site_table(place)))
    situation = datum.situation(datum.expected, TODAY)
    singles = predictions(situation)
    total = 0.0
    for way in [*singles, *_pairs(singles, Enu(0.0, 0.0, 0.0), situation)]:
        size = math.hypot(*way.enu)
        if 2 <= size <= 8:
            volume = math.pi * way.horizontal_m**2 * 2 * way.vertical_m
            total += volume / (4 * math.pi * size * size * 6)
    return total


def _right_base(draw: random.Random, place: RightPlace) -> tuple[dict[str, Any], Xyz]:
    kind, latitude, longitude = place.frame, place.latitude, place.longitude
    geoid = draw.choice(("", "bundled", "own"))
    if kind in ("EPSG:9000", "EPSG:4171"):
        geoid = geoid or "own"  # 2D frames
    height = draw.uniform(-50, 4000)
    antenna = round(draw.uniform(0.0, 3.0), 3)
    n = place.separation_m if geoid else 0.0
    unit_name = {"EPSG:6428": "us-ft"}.get(kind, "m")
    unit_m = 1200 / 3937 if unit_name == "us-ft" else 1.0
    point: dict[str, Any] = {"name": "P", "height": height / unit_m}
    crs_3d = _geocentric_of(kind)
    if kind in ("EPSG:6428", "EPSG:25832", "EPSG:7855", "EPSG:3006") or kind.startswith(("EPSG:326", "EPSG:327")):
        easting, northing = _grid(kind).transform(longitude, latitude)
        point |= {"easting": easting, "northing": northing}
    else:
        point |= {"latitude": latitude, "longitude": longitude}
    broadcast = crs_3d.transform(longitude, latitude, height + n + antenna)
    table = {
        "post": {"name": "kestrel", "role": "base"},
        "stream": [{"name": "line", "port": "loop://", "carries": ["corrections", "positions"]}],
        "project": {
            "frame": kind,
            "vertical": "geoid" if geoid else "ellipsoidal",
            "geoid": _level_grid(place) if geoid == "own" else "bundled",
            "height_unit": unit_name,
            "control": [point],
        },
        "base": {"occupies": "P", "station_id": 417, "antenna_height_m": antenna},
    }
    return table, broadcast


def _level_grid(place: RightPlace) -> str:
    """A geoid file for the place: EGM2008's separation there, level over half a degree."""
    south, west = math.floor(4 * place.latitude) / 4, math.floor(4 * place.longitude) / 4
    path = Path(_FOLDER.name, "egm2008", f"{place.latitude}_{place.longitude}.gtx")
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(struct.pack(">4d2i9f", south, west, 0.25, 0.25, 3, 3, *[place.separation_m] * 9))
    return str(path)


@functools.lru_cache(maxsize=200)
def _geocentric_of(code: str) -> Transformer:
    """Degrees and ellipsoidal height to geocentric on the ellipsoid of the code's frame."""
    from pyproj import CRS

    ellipsoid = CRS.from_user_input(code).ellipsoid
    assert ellipsoid is not None
    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f"+step +proj=cart +a={ellipsoid.semi_major_metre!r} +rf={ellipsoid.inverse_flattening!r}"
    )


@functools.lru_cache(maxsize=200)
def _grid(code: str) -> Transformer:
    from pyproj import CRS

    crs = CRS.from_user_input(code)
    return Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)


@functools.lru_cache(maxsize=20)
def _operation(source: str, target: str) -> Transformer:
    return Transformer.from_crs(source, target, allow_ballpark=False, accuracy=0.1)


def _moved(source: str, target: str, at: Xyz, epoch: float) -> Xyz:
    x, y, z, _ = _operation(source, target).transform(*at, epoch)
    return x, y, z


@functools.lru_cache(maxsize=1)
def _cart() -> Transformer:
    return Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart +ellps=GRS80"
    )


_FOLDER = tempfile.TemporaryDirectory(prefix="datum-table-")  # of the geoid files, while the program runs


@functools.lru_cache(maxsize=10)
def geoid_file(place: Place) -> str:
    """The project's own geoid: the plane in a .gtx grid of 0.25°, two degrees wide."""
    rows, columns, step = 9, 9, 0.25
    south = round(place.latitude / step) * step - step * (rows // 2)
    west = round(place.longitude / step) * step - step * (columns // 2)
    nodes = [place.separation(south + row * step, west + column * step) for row in range(rows) for column in range(columns)]
    path = Path(_FOLDER.name, f"{place.name.replace(' ', '-')}.gtx")
    path.write_bytes(struct.pack(f">4d2i{rows * columns}f", south, west, step, step, rows, columns, *nodes))
    return str(path)


class RightPlace(NamedTuple):
    """A place for a right base: its frame, and its separation by EGM2008."""

    frame: str
    latitude: float
    longitude: float
    separation_m: float


@functools.cache
def egm2008() -> list[RightPlace]:
    """The places of `tests/data/egm2008.csv`."""
    with (DATA / "egm2008.csv").open(newline="") as file:
        rows = list(csv.reader(file))[1:]
    return [RightPlace(frame, *map(float, numbers)) for frame, *numbers in rows]


def _n(place: Place) -> float:
    return place.n


def rank(finding: Finding | None, truth: str) -> tuple[str, str, str]:
    """Rank of the truth ("1 of 2 tied"), residual of the first and of the second best, as text."""
    if finding is None:
        return "no alert", "", ""
    named = [cause.cause for cause in finding.causes]
    where = str(named.index(truth) + 1) if truth in named else "–"
    also = f" of {', '.join(named)}" if len(named) > 1 else ""
    if where == "–":
        also = f" ({', '.join(named)})"
    residuals = [finding.evidence.get(f"residual_{place}_m") for place in (1, 2)]
    if finding.causes[0].cause == "unexplained":
        residuals = [None, residuals[0]]
    return where + also, *("" if value is None else f"{value:.3f}" for value in residuals)  # type: ignore[return-value]


def main() -> None:
    """Print it all."""
    heads = ("base: rank", "1st m", "2nd m", "rover: rank", "without 1005")
    base, first_m, second_m, rover_rank, no_station = heads
    print(f"{'place':14} {'truth':52} {base:38} {first_m:>10} {second_m:>12}   {rover_rank:12} {no_station:14} check on KQ-2")
    for place in PLACES:
        for truth, case in cases(place).items():
            where, first, second = rank(base_finding(case), truth)
            offset = math.hypot(*(b - a for a, b in zip(_right(case), case.broadcast, strict=True)))
            check = rank(check_finding(case), truth)[0] if offset < 1000 else ""
            rover = rank(base_finding(case, "rover"), truth)[0].split(" ")[0]
            jump = rank(jump_finding(case), truth)[0].split(",")[0]
            print(f"{place.name:14} {truth:52} {where:38} {first:>10} {second:>12}   {rover:12} {jump:14} {check}")
        for truth, own in rover_cases().items():
            where, _, _ = rank(check_finding(Case(site_table(place), _right(cases(place)["frame-shift"])), own, proven=True),
                               truth.split(" ")[0])  # fmt: skip
            print(f"{place.name:14} {truth:52} {'':38} {'':>10} {'':>12}   {'':12} {'':14} {where}")
    said = right_bases(1000, 1)
    print(f"1,000 right bases: {len(said)} alerts", *said[:3], sep="\n")
    found, allowed, what = autonomous_bases(1000, 1)
    print(f"1,000 autonomous bases: {found} explained as systematic; chance allows {allowed:.2f}", *what[:5], sep="\n")


def _right(case: Case) -> Xyz:
    arp = expected_arp(site_from_table(case.site))
    assert arp is not None
    return arp.ecef


if __name__ == "__main__":
    sys.exit(main())
