"""Bases that broadcast what is not so, each by a blunder that surveyors know: the first cause is the blunder's own."""

from __future__ import annotations

import functools
from collections.abc import Callable

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Told, check, note, stop
from tests.proof.situations.ground import (
    ANTENNA_M,
    FOOT,
    KESTREL,
    POLE_M,
    TODAY,
    US_FOOT,
    Place,
    Xyz,
    aside,
    drifted,
    ecef,
    site,
)
from tests.proof.situations.right_bases import base_says, second_base
from tests.proof.situations.right_rovers import crew, on, round_trip
from tests.proof.situations.shift import Shift, still

BOOK = Book("blunder")


def blunder(name: str, place: Place, at: Callable[[], Xyz], *causes: str, role: str = "base", **tables: object) -> None:
    """A base post, or a rover that hears the base, where the base broadcasts `at`: told with the first station message."""

    def make() -> Told:
        if role == "base":
            return base_says(place, at(), table=site(place, **tables))  # type: ignore[arg-type]
        error = ground.minus(at(), place.arp())
        aside_at = still(aside(place.mark("KQ-1").xyz, 81.0, -44.0, 3.0))
        return crew(place, aside_at, 90.0, base_at=at(), error=error, table=site(place, "rover", **tables))  # type: ignore[arg-type]

    BOOK.add(
        f"{name}, {place.label}{' (rover)' if role == 'rover' else ''}",
        place.region,
        make,
        stop("base-datum", *causes, by=11.0),
    )


def at_mark(
    place: Place,
    latitude: float | None = None,
    longitude: float | None = None,
    height: float | None = None,
    antenna: float = ANTENNA_M,
    n: float | None = None,
) -> Xyz:
    """The ARP of a base that was given these for KQ-1; `height` is the control's kind, in metres."""
    mark = place.mark("KQ-1")
    orthometric = mark.listed["height"] * place.height_unit_m if height is None else height
    n = (mark.n if place.vertical == "geoid" else 0.0) if n is None else n
    return ecef(
        mark.latitude if latitude is None else latitude,
        mark.longitude if longitude is None else longitude,
        orthometric + n + antenna,
    )


# Heights and antennas

for _place in (KESTREL, ground.RGF, ground.ALTIPLANO, ground.GDA, ground.JGD, ground.HARTEBEESTHOEK):
    blunder("H typed where h belongs", _place, lambda p=_place: at_mark(p, n=0.0), "orthometric-as-ellipsoidal")
blunder(
    "H typed where h belongs", ground.POSGAR, lambda: at_mark(ground.POSGAR, n=0.0), "orthometric-as-ellipsoidal", role="rover"
)
for _place in (KESTREL, ground.SWEREF, ground.NZ):
    blunder("N added twice", _place, lambda p=_place: at_mark(p, n=2 * p.mark("KQ-1").n), "geoid-applied-twice")
for _place in (ground.SIRGAS, ground.ETRS, ground.US_FEET, ground.ARABIA):
    blunder("antenna height left out", _place, lambda p=_place: at_mark(p, antenna=0.0), "antenna-height-missing")
blunder(
    "antenna height left out", ground.CSRS, lambda: at_mark(ground.CSRS, antenna=0.0), "antenna-height-missing", role="rover"
)
for _place in (ground.KGD, ground.ARCTIC):
    blunder("antenna height added twice", _place, lambda p=_place: at_mark(p, antenna=2 * ANTENNA_M), "antenna-height-doubled")
blunder(
    "H typed and the antenna height left out",
    KESTREL,
    lambda: at_mark(KESTREL, n=0.0, antenna=0.0),
    "orthometric-as-ellipsoidal+antenna-height-missing",
    "antenna-height-missing+orthometric-as-ellipsoidal",
)
BOOK.add(
    "antenna height left out, on the bundled geoid: a note that names it",
    "Oceania",
    lambda: base_says(ground.NGA_POINTS[3], at_mark(ground.NGA_POINTS[3], antenna=0.0)),
    note("base-datum", "height-not-judged", "antenna-height-missing", by=11.0),
)
blunder(
    "H typed where h belongs, on the bundled geoid",
    ground.NGA_POINTS[0],
    lambda: at_mark(ground.NGA_POINTS[0], n=0.0),
    "orthometric-as-ellipsoidal",
)


@BOOK("slant height taken as vertical", "Europe", stop("base-datum", "other-antenna-height", by=11.0))
def _() -> Told:
    # A published example: slant 1.8527 m to the rim of a plate of 0.3810 m, its mark plane 0.0350 m over the ARP, makes
    # 1.8079 m vertical (support list of a geodetic consortium, 2019).
    place = ground.ETRS
    return base_says(place, at_mark(place, antenna=1.8527), table=site(place, base={"antenna_height_m": 1.8079}))


# Units

blunder("height in metres read as feet", KESTREL, lambda: at_mark(KESTREL, height=1874.322 * FOOT), "metres-as-feet")
blunder("height in feet read as metres", ground.GDA, lambda: at_mark(ground.GDA, height=62.345 / FOOT), "feet-as-metres")
blunder(
    "height in feet read as metres",
    ground.FEET,
    lambda: at_mark(ground.FEET, height=ground.FEET.mark("KQ-1").listed["height"]),
    "feet-as-metres",
)


def _survey_foot() -> Xyz:
    place = ground.US_FEET
    listed = place.mark("KQ-1").listed
    latitude, longitude = ground.unproject(place, listed["easting"] * FOOT, listed["northing"] * FOOT)
    return at_mark(place, latitude, longitude)


blunder("US survey feet read as feet", ground.US_FEET, _survey_foot, "survey-foot")


def _foot_as_survey() -> Xyz:
    place = ground.FEET
    listed = place.mark("KQ-1").listed
    latitude, longitude = ground.unproject(place, listed["easting"] * US_FOOT, listed["northing"] * US_FOOT)
    return at_mark(place, latitude, longitude)


blunder("feet read as US survey feet", ground.FEET, _foot_as_survey, "survey-foot")

# Numbers typed wrongly


def _grid_slip(place: Place, easting: float | None = None, northing: float | None = None) -> Xyz:
    listed = place.mark("KQ-1").listed
    latitude, longitude = ground.unproject(
        place, listed["easting"] if easting is None else easting, listed["northing"] if northing is None else northing
    )
    return at_mark(place, latitude, longitude)


def digits(value: float, decimals: int, place: int, by: int) -> float:
    """`value` to so many decimals, the digit at 10**`place` raised by `by` (which must not carry)."""
    now = round(value * 10**decimals)
    digit = now // 10 ** (decimals + place) % 10
    assert 0 <= digit + by <= 9
    return (now + by * 10 ** (decimals + place)) / 10**decimals


def swapped(text: str, at: int) -> float:
    """The number in `text` with the characters at `at` and the next one swapped."""
    assert text[at] != text[at + 1]
    return float(text[:at] + text[at + 1] + text[at] + text[at + 2 :])


def _first_that_can(value: float, decimals: int, place: int) -> float:
    digit = round(value * 10**decimals) // 10 ** (decimals + place) % 10
    return digits(value, decimals, place, 3 if digit <= 6 else -3)


blunder(
    "one digit of the latitude wrong: 333 m",
    KESTREL,
    lambda: at_mark(KESTREL, latitude=_first_that_can(KESTREL.mark("KQ-1").latitude, 9, -3)),
    "digit-slip",
)
blunder(
    "one digit of the longitude wrong: 2.6 m",
    KESTREL,
    lambda: at_mark(KESTREL, longitude=-_first_that_can(-KESTREL.mark("KQ-1").longitude, 9, -5)),
    "digit-slip",
)
blunder(
    "two neighbours in the latitude swapped",
    ground.SAVANNA,
    lambda: at_mark(ground.SAVANNA, latitude=swapped("-1.3123456", 5)),
    "digit-slip",
)
blunder(
    "one digit of the easting wrong: 300 m",
    ground.ETRS,
    lambda: _grid_slip(ground.ETRS, easting=_first_that_can(ground.ETRS.mark("KQ-1").listed["easting"], 3, 2)),
    "digit-slip",
)
blunder(
    "one digit of the northing wrong: 3 m",
    ground.SWEREF,
    lambda: _grid_slip(ground.SWEREF, northing=_first_that_can(ground.SWEREF.mark("KQ-1").listed["northing"], 3, 0)),
    "digit-slip",
)
blunder("two neighbours in the height swapped", ground.CSRS, lambda: at_mark(ground.CSRS, height=502.123), "digit-slip")
blunder("one digit of the height wrong: 30 m", ground.RIFT, lambda: at_mark(ground.RIFT, height=-451.345), "digit-slip")
blunder("one decimetre of the height wrong", ground.KGD, lambda: at_mark(ground.KGD, height=88.734), "digit-slip")
blunder("digits of the antenna height swapped", ground.NZ, lambda: at_mark(ground.NZ, antenna=1.483), "other-antenna-height")
blunder(
    "one digit of the latitude wrong",
    ground.MEXICO,
    lambda: at_mark(ground.MEXICO, latitude=_first_that_can(ground.MEXICO.mark("KQ-1").latitude, 9, -4)),
    "digit-slip",
    role="rover",
)
blunder("latitude cut to four decimals", KESTREL, lambda: at_mark(KESTREL, latitude=39.1234, longitude=-104.9876), "rounded")
blunder(
    "easting and northing rounded to metres",
    ground.JGD,
    lambda: _grid_slip(ground.JGD, *(float(round(ground.JGD.mark("KQ-1").listed[k])) for k in ("easting", "northing"))),
    "rounded",
)
blunder(
    "longitude's sign lost",
    ground.SIRGAS_GEO,
    lambda: at_mark(ground.SIRGAS_GEO, longitude=-ground.SIRGAS_GEO.mark("KQ-1").longitude),
    "sign-or-order",
)
blunder(
    "latitude's sign lost",
    ground.GDA_GEO,
    lambda: at_mark(ground.GDA_GEO, latitude=-ground.GDA_GEO.mark("KQ-1").latitude),
    "sign-or-order",
)


def _swapped_angles() -> Xyz:
    mark = ground.RIFT.mark("KQ-1")
    return at_mark(ground.RIFT, latitude=mark.longitude, longitude=mark.latitude)


blunder("latitude and longitude swapped", ground.RIFT, _swapped_angles, "sign-or-order")


def _swapped_grid() -> Xyz:
    listed = ground.KGD.mark("KQ-1").listed
    return _grid_slip(ground.KGD, easting=listed["northing"], northing=listed["easting"])


blunder("easting and northing swapped", ground.KGD, _swapped_grid, "sign-or-order")


def _next_zone(place: Place, projection: str) -> Xyz:
    listed = place.mark("KQ-1").listed
    latitude, longitude = ground.unproject(place._replace(projection=projection), listed["easting"], listed["northing"])
    return at_mark(place, latitude, longitude)


blunder("the same grid numbers in the next zone", ground.ETRS, lambda: _next_zone(ground.ETRS, ground.utm(33)), "other-zone")
blunder(
    "the same grid numbers in the next zone", ground.GDA, lambda: _next_zone(ground.GDA, ground.utm(55, True)), "other-zone"
)
blunder(
    "the same grid numbers in the next zone",
    ground.SIRGAS,
    lambda: _next_zone(ground.SIRGAS, ground.utm(24, True)),
    "other-zone",
)

# Marks

for _place in (KESTREL, ground.RGF, ground.NZ):
    blunder("the next mark's coordinate, 300 m off", _place, lambda p=_place: p.arp("KQ-3"), "other-control-point")
blunder(
    "the next mark's coordinate, 300 m off", ground.JGD, lambda: ground.JGD.arp("KQ-2"), "other-control-point", role="rover"
)

# Frames: today's frame, or the one before


def _operation(place: Place, source: str, target: str = "EPSG:7789") -> Xyz:
    return ground.moved(source, target, place.arp(), TODAY)


def _plate(place: Place, plate: str, since: float) -> Xyz:
    return drifted(place.arp(), plate, TODAY - since)


blunder("today's ITRF2014 in a NAD83(2011) project", KESTREL, lambda: _operation(KESTREL, "EPSG:6317"), "frame-shift")
blunder(
    "today's ITRF2014 in a state plane of NAD83(2011)",
    ground.US_FEET,
    lambda: _operation(ground.US_FEET, "EPSG:6317"),
    "frame-shift",
)
blunder("today's ITRF2014 in NAD83(CSRS)", ground.CSRS, lambda: _operation(ground.CSRS, "EPSG:8253"), "frame-shift")
blunder("today's ITRF2014 in ETRF2000", ground.ETRF, lambda: _operation(ground.ETRF, "EPSG:7930"), "frame-shift")
blunder("today's ITRF2014 in SWEREF99", ground.SWEREF, lambda: _operation(ground.SWEREF, "EPSG:7928"), "frame-shift")
blunder("today's ITRF2014 in RGF93", ground.RGF, lambda: _operation(ground.RGF, "EPSG:7930"), "frame-shift")
blunder(
    "today's ITRF2014 in ETRS89 / UTM", ground.ETRS, lambda: _operation(ground.ETRS, "EPSG:7930"), "frame-shift", role="rover"
)
blunder(
    "today's ITRF2014 in SIRGAS 2000",
    ground.SIRGAS,
    lambda: _plate(ground.SIRGAS, "SOAM", 2000.4),
    "frame-shift",
    "epoch-shift",
)
blunder(
    "today's ITRF2014 in NZGD2000 on the Australian plate",
    ground.NZ,
    lambda: _plate(ground.NZ, "AUST", 2000.0),
    "frame-shift",
    "epoch-shift",
)
blunder("today's ITRF2014 in GDA2020", ground.GDA, lambda: _operation(ground.GDA, "EPSG:7842"), "frame-shift", "epoch-shift")
blunder(
    "GDA94 in a GDA2020 project",
    ground.GDA_GEO,
    lambda: ground.moved("EPSG:7842", "EPSG:4938", ground.GDA_GEO.arp(), 2020.0),
    "frame-shift",
)
_ITRF_2015 = ground.SAVANNA._replace(
    latitude=48.8123456, longitude=11.2123456, height=611.234, label="ITRF2014 at 2015.0", region="Europe"
)
blunder(
    "today's ITRF2014 in a project of epoch 2015",
    _ITRF_2015,
    lambda: drifted(_ITRF_2015.arp(), "EURA", TODAY - 2015.0),
    "epoch-shift",
    "frame-shift",
)


def _bare_angles(place: Place) -> Xyz:
    """The old datum's own angles, typed as if they were GNSS's."""
    mark = place.mark("KQ-1")
    longitude, latitude = ground._pipeline(place.shift).transform(mark.longitude, mark.latitude)
    return at_mark(place, latitude, longitude)


blunder("the old datum's angles typed as GNSS's", ground.DHDN, lambda: _bare_angles(ground.DHDN), "frame-shift")
blunder("the old datum's angles typed as GNSS's", ground.LV95, lambda: _bare_angles(ground.LV95), "frame-shift")
blunder("the old datum's angles typed as GNSS's, no grid", ground.OSGB, lambda: _bare_angles(ground.OSGB), "frame-shift")

# The base's own position


for _place, _off in (
    (KESTREL, (2.1, -3.3, 4.0)),
    (ground.SWEREF, (-1.1, 0.7, -2.6)),
    (ground.NZ, (0.9, 1.7, 3.1)),
    (ground.CGCS, (-3.2, -0.8, 5.9)),
):
    blunder("'here' position, metres off", _place, lambda p=_place, o=_off: aside(p.arp(), *o), "autonomous-base")
blunder(
    "'here' position, metres off", ground.RGF, lambda: aside(ground.RGF.arp(), -1.4, -1.9, 2.7), "autonomous-base", role="rover"
)

# The day's height, and what is said of it


@BOOK(
    "mark's height right, 1006 names the day's height, the ARP without it",
    "Africa",
    stop("base-datum", "antenna-height-missing", by=11.0),
)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    return base_says(place, place.arp(antenna_m=0.0), height=ANTENNA_M)


@BOOK(
    "antenna descriptor of another antenna", "Asia", check("antenna-mismatch", "descriptor-differs", by=12.0), right_base=True
)
def _() -> Told:
    table = site(ground.ARABIA, base={"antenna": "KESTREL-A1      NONE"})
    return base_says(ground.ARABIA, ground.ARABIA.arp(), table=table, descriptor="KESTREL-B7      KDOM")


@BOOK("the second base over the first one's mark", "Europe", stop("base-datum", "other-control-point", by=11.0))
def _() -> Told:
    place = ground.RGF
    table = site(place, other_base=[second_base(place)])
    return base_says(place, place.arp("KQ-1", 1.612), table=table, station=418)


@BOOK(
    "wrong base position right after the post starts, then put right",
    "Oceania",
    stop("base-datum", "antenna-height-missing", by=11.0),
    stop("base-moved", "coordinate-changed", after=60.0, by=61.0),
)
def _() -> Told:
    place = ground.GDA
    shift = Shift("put right").base((0.0, 60.0), at_mark(place, antenna=0.0)).base((60.0, 150.0), place.arp())
    return site(place), shift, 150.0


# What a rover on control hears of a base whose position nobody tells it


def unheard(name: str, place: Place, at: Callable[[], Xyz], *causes: str, marks: tuple[str, ...] = ("KQ-2",)) -> None:
    """A rover post with positions alone; the rover carries the base's error to the marks."""

    def make() -> Told:
        where, until = round_trip(place, *((on(place, mark), 40.0) for mark in marks))
        return crew(place, where, until, receiver_only=True, error=ground.minus(at(), place.arp()))

    BOOK.add(f"{name}, positions alone, {place.label}", place.region, make, stop("control-check", *causes, once=False))


unheard("today's ITRF2014 in NAD83(2011)", KESTREL, lambda: _operation(KESTREL, "EPSG:6317"), "frame-shift")
unheard("today's ITRF2014 in ETRF2000", ground.ETRF, lambda: _operation(ground.ETRF, "EPSG:7930"), "frame-shift")
unheard("H typed where h belongs", ground.RGF, lambda: at_mark(ground.RGF, n=0.0), "orthometric-as-ellipsoidal")
unheard("H typed where h belongs", KESTREL, lambda: at_mark(KESTREL, n=0.0), "orthometric-as-ellipsoidal")
unheard("antenna height left out", ground.SIRGAS, lambda: at_mark(ground.SIRGAS, antenna=0.0), "antenna-height-missing")
unheard("base over the wrong mark, 300 m", ground.NZ, lambda: ground.NZ.arp("KQ-3"), "other-control-point", marks=("KQ-2",))
unheard(
    "base over the wrong mark, 326 m",
    ground.ETRS,
    lambda: ground.ETRS.arp("KQ-4"),
    "other-control-point",
    marks=("KQ-2", "KQ-3"),
)
unheard(
    "'here' position, 3 m, at three marks",
    ground.SWEREF,
    lambda: aside(ground.SWEREF.arp(), 1.31, -2.57, 3.44),
    "autonomous-base",
    marks=("KQ-2", "KQ-3", "KQ-4"),
)
unheard("height in feet read as metres", ground.GDA, lambda: at_mark(ground.GDA, height=62.345 / FOOT), "feet-as-metres")
unheard(
    "one digit of the latitude wrong, at two marks",
    KESTREL,
    lambda: at_mark(KESTREL, latitude=_first_that_can(KESTREL.mark("KQ-1").latitude, 9, -5)),
    "digit-slip",
    marks=("KQ-2", "KQ-3"),
)


@BOOK(
    "a rover's check while its base-datum stands is its consequence",
    "South America",
    stop("base-datum", "antenna-height-missing", by=11.0),
)
def _() -> Told:
    place = ground.SIRGAS
    at = at_mark(place, antenna=0.0)
    where, until = round_trip(place, (on(place, "KQ-2", up=POLE_M), 40.0))
    return crew(place, where, until, base_at=at, error=ground.minus(at, place.arp()))


def _sheet_slip(place: Place, *marks: str) -> Told:
    """The base is right, the site file has KQ-1 0.0001° too far south; the rover checks in on these marks."""
    table = site(place, "rover")
    first, *others = table["project"]["control"]
    table["project"]["control"] = [{**first, "latitude": round(first["latitude"] - 1e-4, 9)}, *others]
    where, until = round_trip(place, *((on(place, mark), 30.0) for mark in marks))
    return crew(place, where, until, table=table)


for _marks, _expected in (
    (("KQ-2",), (stop("base-datum", "digit-slip", by=11.0), stop("base-datum", "base-or-sheet", change="cause", by=110.0))),
    (
        ("KQ-2", "KQ-3"),
        (stop("base-datum", "digit-slip", by=11.0, once=False), check("base-datum", "sheet-in-doubt", once=False)),
    ),
):
    BOOK.add(
        f"the site file's latitude is one digit off, the base is right and {' and '.join(_marks)} pass",
        KESTREL.region,
        functools.partial(_sheet_slip, KESTREL, *_marks),
        *_expected,
        allow=(Allow("base-datum", "base-or-sheet", "stop"),),
    )
