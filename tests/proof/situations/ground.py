"""The ground that the situations stand on: invented control in the frames of five continents, and what is true there.

All truth comes from PROJ pipelines that are written out here, from published parameters, or from plain arithmetic: never
from the code that is judged, nor from PROJ's own choice of an operation for a pair of codes. Frames' codes and their
projections' parameters are EPSG's. Lengths are metres unless a name says otherwise.
"""

from __future__ import annotations

import functools
import math
import re
import struct
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from pyproj import Transformer

Xyz = tuple[float, float, float]

US_FOOT = 1200 / 3937
FOOT = 0.3048
ANTENNA_M = 1.843
POLE_M = 2.0
TODAY = 2026.0 + 327.375 / 365
"""2026-11-24, 9 h UTC, the day of all shifts, as a decimal year."""
PROJ_DATA = "/usr/share/proj"
"""Debian's proj-data: the German and Swiss shift grids and the 15′ EGM96 grid."""

_OFFSETS = {
    "KQ-1": (0.0, 0.0, 0.0),
    "KQ-2": (187.32, 213.45, 3.21),
    "KQ-3": (-262.17, 141.86, -2.47),
    "KQ-4": (96.41, -311.77, 5.93),
}
_SEC = math.radians(1 / 3600)
_FOLDER = tempfile.TemporaryDirectory(prefix="practice-")  # of the geoid files, while the program runs

# Rates of the ITRF2014 plate model (Altamimi and others 2017, as PROJ's file ITRF2014 has them), arc seconds a year.
PLATES = {
    "EURA": (-0.000085, -0.000531, 0.000770),
    "AUST": (0.001510, 0.001182, 0.001215),
    "NOAM": (0.000024, -0.000694, -0.000063),
    "SOAM": (-0.000270, -0.000301, -0.000140),
    "PCFC": (-0.000409, 0.001047, -0.002169),
    "ARAB": (0.001154, -0.000136, 0.001444),
    "NUBI": (0.000099, -0.000614, 0.000733),
}


class Place(NamedTuple):
    """A site: the frame's code, its projection in PROJ's words ("" for angles), KQ-1's position in the frame's GNSS terms.

    `height` is above the geoid where `vertical` is "geoid", whose separation at KQ-1 is `n` and leans a little from there.
    `unit_m` is the length of the frame's unit, `height_unit` the site file's word. `shift` names the way from GNSS's datum
    to an old one.
    """

    label: str
    region: str
    frame: str
    projection: str
    latitude: float
    longitude: float
    height: float
    n: float
    vertical: str = "geoid"
    geoid: str = "file"
    epoch: float | None = None
    unit_m: float = 1.0
    height_unit: str = "m"
    shift: str = ""
    grids: str = ""

    @property
    def height_unit_m(self) -> float:
        return {"m": 1.0, "ft": FOOT, "us-ft": US_FOOT}[self.height_unit]

    def separation(self, latitude: float, longitude: float) -> float:
        """N here: a plane over degrees, so that any bilinear reading of the grid file gives it exactly."""
        return self.n + 0.35 * (latitude - self.latitude) - 0.21 * _turn(longitude - self.longitude)

    def mark(self, name: str) -> Mark:
        """A control point, as listed and as it is."""
        return _mark(self, name)

    def arp(self, mark: str = "KQ-1", antenna_m: float = ANTENNA_M) -> Xyz:
        """What a right base over that mark broadcasts."""
        at = self.mark(mark)
        return ecef(at.latitude, at.longitude, at.h + antenna_m)


class Mark(NamedTuple):
    """A control point: the site file's table, and the GNSS position that the listed numbers mean."""

    listed: dict[str, Any]
    latitude: float
    longitude: float
    h: float
    n: float

    @property
    def xyz(self) -> Xyz:
        return ecef(self.latitude, self.longitude, self.h)


@functools.lru_cache(maxsize=500)
def _mark(place: Place, name: str) -> Mark:
    east, north, up = _OFFSETS[name]
    start = ecef(place.latitude, place.longitude, 0.0)
    latitude, longitude, _ = geodetic(aside(start, east, north, 0.0))
    height = round((place.height + up) / place.height_unit_m, 3)
    listed: dict[str, Any] = {"name": name}
    if place.projection:
        easting, northing = (round(part / place.unit_m, 3) for part in project(place, latitude, longitude))
        listed |= {"easting": easting, "northing": northing}
        latitude, longitude = unproject(place, easting * place.unit_m, northing * place.unit_m)
    else:
        latitude, longitude = round(latitude, 9), round(longitude, 9)
        listed |= {"latitude": latitude, "longitude": longitude}
    listed["height"] = height
    n = place.separation(latitude, longitude)
    h = height * place.height_unit_m + (n if place.vertical == "geoid" else 0.0)
    return Mark(listed, latitude, longitude, h, n)


def site(
    place: Place,
    role: str = "base",
    *,
    base: dict[str, Any] | None = None,
    rover: dict[str, Any] | None = None,
    receiver_only: bool = False,
    project: dict[str, Any] | None = None,
    **tables: Any,
) -> dict[str, Any]:
    """A site file's table: KQ-1 is occupied by station 417, four marks are listed. `tables` are the file's other tables."""
    streams = [] if receiver_only else [{"name": "corrections", "port": "/dev/ttyUSB0", "carries": ["corrections"]}]
    streams.append({"name": "receiver", "port": "/dev/ttyUSB1", "carries": ["positions"]})
    said: dict[str, Any] = {
        "name": "Kestrel quarry",
        "frame": place.frame,
        "vertical": place.vertical,
        "height_unit": place.height_unit,
        "control": [place.mark(name).listed for name in _OFFSETS],
    }
    if place.vertical == "geoid":
        said["geoid"] = "bundled" if place.geoid == "bundled" else geoid_file(place)
    if place.epoch is not None:
        said["epoch"] = place.epoch
    if place.grids:
        said["grids"] = place.grids
    table: dict[str, Any] = {
        "post": {"name": "kestrel", "role": role},
        "stream": streams,
        "project": {**said, **(project or {})},
        "base": {"occupies": "KQ-1", "station_id": 417, "antenna_height_m": ANTENNA_M, **(base or {})},
        **tables,
    }
    if role == "rover":
        table["rover"] = {"pole_height_m": POLE_M, **(rover or {})}
    return table


@functools.lru_cache(maxsize=100)
def geoid_file(place: Place) -> str:
    """A grid of the place's separation (.gtx, 0.25°, two degrees wide): the project's own geoid file."""
    rows, columns, step = 9, 9, 0.25
    south = round(place.latitude / step) * step - step * (rows // 2)
    west = round(place.longitude / step) * step - step * (columns // 2)
    data = struct.pack(">4d2i", south, west, step, step, rows, columns)
    for row in range(rows):
        for column in range(columns):
            data += struct.pack(">f", place.separation(south + row * step, west + column * step))
    path = Path(_FOLDER.name) / f"{re.sub('[^A-Za-z0-9]+', '-', place.label)}.gtx"
    path.write_bytes(data)
    return str(path)


# Geodesy


def ecef(latitude: float, longitude: float, h: float) -> Xyz:
    """Geocentric metres, GRS 80."""
    x, y, z = _cart().transform(longitude, latitude, h)
    return x, y, z


def geodetic(at: Xyz) -> tuple[float, float, float]:
    """Latitude and longitude in degrees, ellipsoidal height, GRS 80."""
    longitude, latitude, h = _cart().transform(*at, direction="INVERSE")
    return latitude, longitude, h


def aside(at: Xyz, east: float, north: float, up: float) -> Xyz:
    """A geocentric point moved by metres east, north and up."""
    latitude, longitude, _ = geodetic(at)
    lat, lon = math.radians(latitude), math.radians(longitude)
    return (
        at[0] - math.sin(lon) * east - math.sin(lat) * math.cos(lon) * north + math.cos(lat) * math.cos(lon) * up,
        at[1] + math.cos(lon) * east - math.sin(lat) * math.sin(lon) * north + math.cos(lat) * math.sin(lon) * up,
        at[2] + math.cos(lat) * north + math.sin(lat) * up,
    )


def minus(one: Xyz, two: Xyz) -> Xyz:
    return one[0] - two[0], one[1] - two[1], one[2] - two[2]


def plus(one: Xyz, two: Xyz) -> Xyz:
    return one[0] + two[0], one[1] + two[1], one[2] + two[2]


def drifted(at: Xyz, plate: str, years: float) -> Xyz:
    """A point after `years` on its plate: omega × r, by the plate's published rates."""
    omega = np.array(PLATES[plate]) * _SEC
    moved = np.array(at) + np.cross(omega, np.array(at)) * years
    return float(moved[0]), float(moved[1]), float(moved[2])


def moved(source: str, target: str, at: Xyz, epoch: float) -> Xyz:
    """Geocentric position from one geocentric code to another at `epoch`, by PROJ, refusing a ballpark or a guess."""
    x, y, z, _ = _operation(source, target).transform(*at, epoch)
    return x, y, z


def project(place: Place, latitude: float, longitude: float) -> tuple[float, float]:
    """Easting and northing in metres, through the place's datum shift where it has one."""
    if place.shift:
        longitude, latitude = _pipeline(place.shift).transform(longitude, latitude)
    easting, northing = _pipeline(_DEG + place.projection).transform(longitude, latitude)
    return easting, northing


def unproject(place: Place, easting: float, northing: float) -> tuple[float, float]:
    """GNSS latitude and longitude of an easting and northing in metres."""
    longitude, latitude = _pipeline(_DEG + place.projection).transform(easting, northing, direction="INVERSE")
    if place.shift:
        longitude, latitude = _pipeline(place.shift).transform(longitude, latitude, direction="INVERSE")
    return latitude, longitude


_DEG = "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step "
_RAD = " +step +proj=unitconvert +xy_in=rad +xy_out=deg"


@functools.lru_cache(maxsize=200)
def _pipeline(words: str) -> Transformer:
    return Transformer.from_pipeline(words)


@functools.lru_cache(maxsize=1)
def _cart() -> Transformer:
    return Transformer.from_pipeline(_DEG + "+proj=cart +ellps=GRS80")


@functools.lru_cache(maxsize=50)
def _operation(source: str, target: str) -> Transformer:
    return Transformer.from_crs(source, target, allow_ballpark=False, accuracy=0.1)


def _turn(degrees: float) -> float:
    return (degrees + 180.0) % 360.0 - 180.0


@functools.lru_cache(maxsize=50)
def egm96(latitude: float, longitude: float) -> float:
    """EGM96's separation from Debian's own 15′ grid, read bilinearly here."""
    data = Path(PROJ_DATA, "egm96_15.gtx").read_bytes()
    south, west, step, _, rows, columns = struct.unpack(">4d2i", data[:40])
    grid = np.frombuffer(data, ">f4", rows * columns, 40).reshape(rows, columns)
    y, x = (latitude - south) / step, _turn(longitude) - west
    x /= step
    row, column = int(y), int(x)
    p, q = y - row, x - column
    east = (column + 1) % columns
    low = grid[row, column] * (1 - q) + grid[row, east] * q
    high = grid[row + 1, column] * (1 - q) + grid[row + 1, east] * q
    return float(low * (1 - p) + high * p)


def utm(zone: int, south: bool = False) -> str:
    """A UTM zone on GRS 80 in PROJ's words."""
    return f"+proj=utm +zone={zone} {'+south ' if south else ''}+ellps=GRS80"


# Ways from GNSS's datum (degrees) to an old national one's (degrees). Parameters: EPSG's, from public descriptions.
TO_DHDN = f"{_DEG}+inv +proj=hgridshift +grids={PROJ_DATA}/BETA2007.gsb{_RAD}"
TO_CH1903_PLUS = (
    f"{_DEG}+proj=cart +ellps=GRS80 +step +inv +proj=helmert +x=674.374 +y=15.056 +z=405.346 "
    f"+step +inv +proj=cart +ellps=bessel{_RAD}"
)
TO_CH1903 = (
    f"{_DEG}+proj=cart +ellps=GRS80 +step +inv +proj=helmert +x=674.374 +y=15.056 +z=405.346 "
    f"+step +inv +proj=cart +ellps=bessel +step +inv +proj=hgridshift +grids={PROJ_DATA}/CHENYX06a.gsb{_RAD}"
)
TO_OSGB36 = (
    f"{_DEG}+proj=cart +ellps=GRS80 +step +inv +proj=helmert +x=446.448 +y=-125.157 +z=542.06 +rx=0.15 +ry=0.247 +rz=0.842 "
    f"+s=-20.489 +convention=position_vector +step +inv +proj=cart +ellps=airy{_RAD}"
)
_SOMERC = "+proj=somerc +lat_0=46.9524055555556 +lon_0=7.43958333333333 +k_0=1 +ellps=bessel"

# The places. All coordinates are invented; codes and projections are EPSG's.
KESTREL = Place("NAD83(2011)", "North America", "EPSG:6319", "", 39.1234567, -104.9876543, 1874.322, -17.213, epoch=2010.0)
KESTREL_UTM = Place("NAD83(2011) / UTM 13N", "North America", "EPSG:6342", utm(13), 39.1234567, -104.9876543, 1874.322, -17.213)
US_FEET = Place(
    "NAD83(2011) / state plane in US survey feet",
    "North America",
    "EPSG:6428",
    "+proj=lcc +lat_0=37.8333333333333 +lon_0=-105.5 +lat_1=39.75 +lat_2=38.45 "
    "+x_0=914401.828803658 +y_0=304800.609601219 +ellps=GRS80",
    39.2345678,
    -104.7654321,
    1792.611,
    -17.4,
    unit_m=US_FOOT,
    height_unit="us-ft",
)
FEET = Place(
    "NAD83(2011) / state plane in feet",
    "North America",
    "EPSG:6405",
    "+proj=tmerc +lat_0=31 +lon_0=-111.916666666667 +k=0.9999 +x_0=213360 +y_0=0 +ellps=GRS80",
    33.5123456,
    -111.9345678,
    412.345,
    -29.3,
    unit_m=FOOT,
    height_unit="ft",
)
CSRS = Place("NAD83(CSRS) / UTM 13N", "North America", "EPSG:2957", utm(13), 51.1234567, -105.2345678, 520.123, -21.6)
MEXICO = Place("Mexico ITRF2008", "North America", "EPSG:6365", "", 20.1234567, -101.3456789, 1750.234, -12.4)
PACIFIC = Place("NAD83(PA11)", "Oceania", "EPSG:6321", "", 19.7123456, -155.6123456, 812.345, 20.1, vertical="ellipsoidal")
SIRGAS = Place("SIRGAS 2000 / UTM 23S", "South America", "EPSG:31983", utm(23, True), -19.9123456, -44.1234567, 870.345, -5.6)
SIRGAS_GEO = Place("SIRGAS 2000 in degrees", "South America", "EPSG:4674", "", -19.9123456, -44.1234567, 870.345, -5.6)
ALTIPLANO = Place(
    "SIRGAS 2000 / UTM 19S at 4,215 m", "South America", "EPSG:31979", utm(19, True), -16.6123456, -68.3123456, 4215.321, 44.1
)
POSGAR = Place(
    "POSGAR 2007 / Argentina 1",
    "South America",
    "EPSG:5343",
    "+proj=tmerc +lat_0=-90 +lon_0=-72 +k=1 +x_0=1500000 +y_0=0 +ellps=GRS80",
    -42.1234567,
    -71.6123456,
    920.345,
    17.2,
)
SWEREF = Place("SWEREF99 TM", "Europe", "EPSG:3006", utm(33), 59.3123456, 17.9123456, 24.512, 23.4)
RGF = Place(
    "RGF93 / Lambert-93",
    "Europe",
    "EPSG:2154",
    "+proj=lcc +lat_0=46.5 +lon_0=3 +lat_1=49 +lat_2=44 +x_0=700000 +y_0=6600000 +ellps=GRS80",
    45.2123456,
    4.8123456,
    210.345,
    50.1,
)
ETRS = Place("ETRS89 / UTM 32N", "Europe", "EPSG:25832", utm(32), 48.3123457, 11.2345678, 520.456, 46.2)
ETRF = Place("ETRF2000", "Europe", "EPSG:7931", "", 48.3123457, 11.2345678, 520.456, 46.2, epoch=2015.0)
OSGB = Place(
    "OSGB36 without its grid",
    "Europe",
    "EPSG:27700",
    "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996012717 +x_0=400000 +y_0=-100000 +ellps=airy",
    52.4123456,
    -1.7123456,
    112.345,
    49.1,
    shift=TO_OSGB36,
)
LV95 = Place(
    "CH1903+ / LV95",
    "Europe",
    "EPSG:2056",
    f"{_SOMERC} +x_0=2600000 +y_0=1200000",
    47.1123456,
    8.2123456,
    510.234,
    48.2,
    shift=TO_CH1903_PLUS,
    grids=PROJ_DATA,
)
LV03 = Place(
    "CH1903 / LV03 by its grid",
    "Europe",
    "EPSG:21781",
    f"{_SOMERC} +x_0=600000 +y_0=200000",
    47.1123456,
    8.2123456,
    510.234,
    48.2,
    shift=TO_CH1903,
    grids=PROJ_DATA,
)
DHDN = Place(
    "DHDN / Gauss-Krueger 3 by its grid",
    "Europe",
    "EPSG:31467",
    "+proj=tmerc +lat_0=0 +lon_0=9 +k=1 +x_0=3500000 +y_0=0 +ellps=bessel",
    49.8123456,
    9.1123456,
    180.234,
    47.8,
    shift=TO_DHDN,
    grids=PROJ_DATA,
)
DHDN_BARE = DHDN._replace(label="DHDN / Gauss-Krueger 3 without a grid", grids="")
ARCTIC = Place("ETRS89 / UTM 33N at 78° N", "Europe", "EPSG:25833", utm(33), 78.2234567, 15.6234567, 35.123, 31.7)
WGS_UTM = Place(
    "WGS 84 / UTM 33N with an epoch", "Europe", "EPSG:32633", utm(33), 45.1234567, 14.3123456, 71.234, 44.3, epoch=2025.0
)
HARTEBEESTHOEK = Place("Hartebeesthoek94", "Africa", "EPSG:4148", "", -26.1123456, 28.1123456, 1650.345, 24.9)
SAVANNA = Place(
    "ITRF2014 on the equator's side",
    "Africa",
    "EPSG:7912",
    "",
    -1.3123456,
    36.8123456,
    1680.234,
    -14.2,
    vertical="ellipsoidal",
    epoch=2015.0,
)
JGD = Place(
    "JGD2011 / plane rectangular IX",
    "Asia",
    "EPSG:6677",
    "+proj=tmerc +lat_0=36 +lon_0=139.833333333333 +k=0.9999 +x_0=0 +y_0=0 +ellps=GRS80",
    35.7123456,
    139.7123456,
    41.234,
    36.7,
)
KGD = Place(
    "KGD2002 / central belt 2010",
    "Asia",
    "EPSG:5186",
    "+proj=tmerc +lat_0=38 +lon_0=127 +k=1 +x_0=200000 +y_0=600000 +ellps=GRS80",
    37.4123456,
    127.0123456,
    88.234,
    23.3,
)
CGCS = Place("CGCS2000", "Asia", "EPSG:4490", "", 30.6123456, 104.1123456, 500.234, -42.1)
ARABIA = Place("KSA-GRF17", "Asia", "EPSG:9333", "", 24.7123456, 46.7123456, 612.345, -18.3)
RIFT = Place("ITRF2014, 421 m below the sea", "Asia", "EPSG:7912", "", 31.5123456, 35.5123456, -421.345, 19.6, epoch=2020.0)
GDA = Place("GDA2020 / MGA 56", "Oceania", "EPSG:7856", utm(56, True), -33.4123456, 150.9123456, 62.345, 22.6)
GDA_GEO = Place("GDA2020", "Oceania", "EPSG:7843", "", -33.4123456, 150.9123456, 62.345, 22.6, epoch=2020.0)
NZ = Place(
    "NZGD2000 / NZTM",
    "Oceania",
    "EPSG:2193",
    "+proj=tmerc +lat_0=0 +lon_0=173 +k=0.9996 +x_0=1600000 +y_0=10000000 +ellps=GRS80",
    -36.9123456,
    174.7123456,
    45.234,
    34.1,
)
DATE_LINE = Place(
    "ITRF2014 across the 180° meridian", "Oceania", "EPSG:7912", "", -16.8123456, 179.9987654, 22.345, 57.3, epoch=2020.0
)
POLAR = Place(
    "ITRF2014 at 78° S",
    "Antarctica",
    "EPSG:7912",
    "",
    -77.8512345,
    166.6712345,
    42.345,
    -55.1,
    vertical="ellipsoidal",
    epoch=2020.0,
)

# Where NGA's readme of EGM96 (F477) gives the separation to a millimetre; the sites stand on those points.
NGA_POINTS = (
    Place(
        "NAD83(2011), EGM96 as published",
        "North America",
        "EPSG:6319",
        "",
        38.6281550,
        -90.2208450,
        141.234,
        -31.628,
        geoid="bundled",
    ),
    Place(
        "SIRGAS 2000, EGM96 as published",
        "South America",
        "EPSG:4674",
        "",
        -14.6212170,
        -54.9789570,
        412.345,
        -2.969,
        geoid="bundled",
    ),
    Place(
        "ITRF2014, EGM96 as published",
        "Asia",
        "EPSG:7912",
        "",
        46.8743190,
        102.4487290,
        1543.234,
        -43.575,
        geoid="bundled",
        epoch=2020.0,
    ),
    Place(
        "GDA2020, EGM96 as published", "Oceania", "EPSG:7843", "", -23.6174460, 133.8747120, 612.345, 15.871, geoid="bundled"
    ),
    Place("ETRS89, EGM96 as published", "Europe", "EPSG:4937", "", 38.6254730, -0.0005000, 212.345, 50.066, geoid="bundled"),
    Place(
        "ITRF2014, EGM96 by another program",
        "Africa",
        "EPSG:7912",
        "",
        16.7758333,
        -3.0094444,
        263.234,
        28.7068,
        geoid="bundled",
        epoch=2020.0,
    ),
)
