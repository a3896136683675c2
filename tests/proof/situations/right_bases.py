"""Bases that are right, in the frames, units and corners of five continents: nothing may be said of them."""

from __future__ import annotations

import math
from typing import Any

from witnesspost.replay.world import rtcm

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Told, note, stop
from tests.proof.situations.ground import ANTENNA_M, KESTREL, NGA_POINTS, Place, aside, ecef, egm96, site
from tests.proof.situations.shift import Shift, still

BOOK = Book("practice")
NOT_JUDGED = (Allow("base-datum", "height-not-judged"), Allow("control-check", "height-not-judged"))
"""What the contract lets be noted where heights stand on the bundled grid."""

RIGHT = (
    ground.KESTREL,
    ground.KESTREL_UTM,
    ground.US_FEET,
    ground.FEET,
    ground.CSRS,
    ground.MEXICO,
    ground.PACIFIC,
    ground.SIRGAS,
    ground.SIRGAS_GEO,
    ground.ALTIPLANO,
    ground.POSGAR,
    ground.SWEREF,
    ground.RGF,
    ground.ETRS,
    ground.ETRF,
    ground.LV95,
    ground.LV03,
    ground.DHDN,
    ground.ARCTIC,
    ground.WGS_UTM,
    ground.HARTEBEESTHOEK,
    ground.SAVANNA,
    ground.JGD,
    ground.KGD,
    ground.CGCS,
    ground.ARABIA,
    ground.RIFT,
    ground.GDA,
    ground.GDA_GEO,
    ground.NZ,
    ground.DATE_LINE,
    ground.POLAR,
)


def base_says(place: Place, at: ground.Xyz, until: float = 60.0, table: dict[str, Any] | None = None, **base: Any) -> Told:
    """A base post at the place whose base broadcasts `at`."""
    shift = Shift(place.label).base((0.0, until), at, **base)
    shift.base_receiver((0.0, until), at, place.n)
    return table or site(place), shift, until


def _right(place: Place) -> None:
    BOOK.add(f"right base, {place.label}", place.region, lambda: base_says(place, place.arp()), right_base=True)


for _place in RIGHT:
    _right(_place)


# Old national datums whose grid is not there: right within what the operation without it can state.


@BOOK("right base 0.9 m from what the Helmert of OSGB36 gives, no grid at hand", "Europe", right_base=True)
def _() -> Told:
    return base_says(ground.OSGB, aside(ground.OSGB.arp(), 0.9, -0.6, 0.0))


@BOOK("right base in DHDN, no grid at hand", "Europe", right_base=True)
def _() -> Told:
    return base_says(ground.DHDN_BARE, ground.DHDN_BARE.arp())


# Heights


def _at_nga(place: Place) -> None:
    BOOK.add(
        f"right base by EGM96, bundled: {place.label}",
        place.region,
        lambda: base_says(place, place.arp()),
        allow=NOT_JUDGED,
        right_base=True,
    )


for _place in NGA_POINTS:
    _at_nga(_place)


def _national(place: Place, up: float) -> None:
    BOOK.add(
        f"right base by a national geoid {up:+.1f} m from EGM96, bundled: {place.label}",
        place.region,
        lambda: base_says(place, aside(place.arp(), 0.0, 0.0, up)),
        allow=NOT_JUDGED,
        right_base=True,
    )


for _place, _up in zip(NGA_POINTS, (0.6, -0.7, 0.6, -1.4, 0.6, 0.9), strict=True):
    _national(_place, _up)


@BOOK("right base by EGM96's 15′ grid between the mountains, bundled", "South America", allow=NOT_JUDGED, right_base=True)
def _() -> Told:
    place = ground.ALTIPLANO._replace(n=egm96(-16.6123456, -68.3123456), geoid="bundled", label="ALTIPLANO-EGM96")
    return base_says(place, place.arp())


@BOOK("right base, control in metres with heights in US survey feet", "North America", right_base=True)
def _() -> Told:
    place = KESTREL_UTM_FEET
    return base_says(place, place.arp())


KESTREL_UTM_FEET = ground.KESTREL_UTM._replace(height_unit="us-ft", label="UTM with heights in US survey feet")


@BOOK("right base, ellipsoidal control heights", "Europe", right_base=True)
def _() -> Told:
    place = ground.ETRS._replace(vertical="ellipsoidal", height=566.656, label="ETRS89 ellipsoidal")
    return base_says(place, place.arp())


# The day's antenna height


@BOOK(
    "new antenna height this morning, 1006 says it",
    "North America",
    note("antenna-mismatch", "height-differs"),
    right_base=True,
)
def _() -> Told:
    return base_says(KESTREL, KESTREL.arp(antenna_m=1.712), height=1.712, until=120.0)


@BOOK(
    "new antenna height this morning, 0.35 m lower, 1006 says it",
    "Oceania",
    note("antenna-mismatch", "height-differs"),
    right_base=True,
)
def _() -> Told:
    return base_says(ground.GDA, ground.GDA.arp(antenna_m=1.493), height=1.493, until=120.0)


@BOOK("antenna height by 1006 is 4 mm from the plan's", "Asia", right_base=True)
def _() -> Told:
    return base_says(ground.KGD, ground.KGD.arp(antenna_m=1.839), height=1.839)


@BOOK("1006 with a height of zero: the base does not know it", "Africa", right_base=True)
def _() -> Told:
    return base_says(ground.SAVANNA, ground.SAVANNA.arp(), height=0.0)


@BOOK("1006 says the plan's height", "South America", right_base=True)
def _() -> Told:
    return base_says(ground.POSGAR, ground.POSGAR.arp(), height=ANTENNA_M)


# Whose base, and where


@BOOK("base over a point that is not listed", "Europe", right_base=True)
def _() -> Told:
    table = site(ground.SWEREF)
    table["base"] = {"kind": "own", "station_id": 417}
    return base_says(ground.SWEREF, aside(ground.SWEREF.arp(), 71.3, -12.9, 2.2), table=table)


@BOOK("base over a point that is not listed averages its position, millimetres a minute", "Asia", right_base=True)
def _() -> Told:
    table = site(ground.JGD)
    table["base"] = {"kind": "own", "station_id": 417}
    start = aside(ground.JGD.arp(), 71.3, -12.9, 2.2)
    shift = Shift("averaging")
    for minute in range(5):
        at = aside(start, 0.0015 * minute, -0.001 * minute, 0.0012 * minute)
        shift.base((60.0 * minute, 60.0 * minute + 60.0), at)
    return table, shift, 300.0


@BOOK("one of two numbers of the one base", "North America", right_base=True)
def _() -> Told:
    return base_says(KESTREL, KESTREL.arp(), table=site(KESTREL, base={"station_id": [417, 418]}), station=418)


@BOOK("the base's number changes to its other listed one at noon", "North America", right_base=True)
def _() -> Told:
    shift = Shift("two numbers").base((0.0, 60.0), KESTREL.arp(), station=417).base((60.0, 150.0), KESTREL.arp(), station=418)
    return site(KESTREL, base={"station_id": [417, 418]}), shift, 150.0


def second_base(place: Place, mark: str = "KQ-3", **other: Any) -> dict[str, Any]:
    """The table of the project's other base, 418."""
    return {"kind": "own", "occupies": mark, "station_id": 418, "antenna_height_m": 1.612, **other}


@BOOK("the project's second base, over its own mark", "Europe", right_base=True)
def _() -> Told:
    place = ground.RGF
    table = site(place, other_base=[second_base(place)])
    return base_says(place, place.arp("KQ-3", 1.612), table=table, station=418)


@BOOK("no station number in the site file", "Oceania", right_base=True)
def _() -> Told:
    table = site(ground.NZ)
    del table["base"]["station_id"]
    return base_says(ground.NZ, ground.NZ.arp(), table=table, station=2210)


@BOOK("a neighbour's 1005 among ours, its observations not", "Europe", right_base=True)
def _() -> Told:
    place = ground.ETRS
    shift = Shift("neighbour").base((0.0, 60.0), place.arp())
    shift.put(21.4, "corrections", _station(902, aside(place.arp(), 9100.0, 2300.0, 14.0)))
    return site(place), shift, 60.0


def _station(number: int, at: ground.Xyz) -> bytes:
    return rtcm.frame(rtcm.station(number, *at))


@BOOK("antenna descriptor as expected", "Asia", right_base=True)
def _() -> Told:
    table = site(ground.ARABIA, base={"antenna": "KESTREL-A1      NONE"})
    return base_says(ground.ARABIA, ground.ARABIA.arp(), table=table, descriptor="KESTREL-A1      NONE")


@BOOK("base 24 mm off in plan and 20 mm in height: within centring and the plumb", "Oceania", right_base=True)
def _() -> Told:
    return base_says(ground.GDA, aside(ground.GDA.arp(), 0.017, 0.017, 0.020))


@BOOK("battery change at the base, announced", "Africa", right_base=True)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    shift = Shift("battery").base((0.0, 60.0), place.arp())
    shift.planned(55.0, 300.0)
    shift.base((200.0, 300.0), place.arp())
    return site(place), shift, 300.0


@BOOK("moved to the second base's mark after lunch, announced, both listed", "Europe", right_base=True)
def _() -> Told:
    place = ground.SWEREF
    shift = Shift("second base").base((0.0, 60.0), place.arp())
    shift.planned(58.0, 400.0, "moving the base")
    shift.base((300.0, 500.0), place.arp("KQ-3", 1.612), station=418)
    return site(place, other_base=[second_base(place)]), shift, 500.0


# Local grids: the site's own coordinates, fitted to what GNSS has for the same marks.


def local_site(place: Place, role: str = "base", scale: float = 1.0001, noise: float = 0.004, **other: Any) -> dict[str, Any]:
    """A site in a grid of its own: turned by 12.3°, scaled, shifted, its heights 1,850 m less and leaning."""
    turn = math.radians(12.3)
    control = []
    for number, name in enumerate(ground._OFFSETS):
        mark = place.mark(name)
        east, north, _ = ground._OFFSETS[name]
        wobble = noise * (-1) ** number
        control.append(
            {
                "name": name,
                "easting": round(5000.0 + scale * (math.cos(turn) * east - math.sin(turn) * north) + wobble, 3),
                "northing": round(9000.0 + scale * (math.sin(turn) * east + math.cos(turn) * north) - wobble, 3),
                "height": round(mark.h - place.mark("KQ-1").h + 24.0 + 0.00002 * east, 3),
                "latitude": mark.latitude,
                "longitude": mark.longitude,
                "ellipsoidal_height": round(mark.h, 4),
            }
        )
    table = site(place, role, **other)
    table["project"] = {"name": "Kestrel quarry", "frame": "local", "gnss_frame": place.frame, "control": control}
    return table


@BOOK("right base in a local grid", "North America", right_base=True)
def _() -> Told:
    return base_says(KESTREL, KESTREL.arp(), table=local_site(KESTREL))


@BOOK("right base in a local grid in the south", "Oceania", right_base=True)
def _() -> Told:
    return base_says(ground.GDA_GEO, ground.GDA_GEO.arp(), table=local_site(ground.GDA_GEO, scale=0.9998))


# A site that starts and stops


@BOOK("base switched on 12 s after its post", "South America", right_base=True)
def _() -> Told:
    shift = Shift("late base").base((12.0, 90.0), ground.SIRGAS.arp())
    return site(ground.SIRGAS), shift, 90.0


@BOOK(
    "base switched on five minutes after its post, nothing announced",
    "South America",
    stop("corrections-stopped", "line-silent", after=14.8, by=16.5),
    right_base=True,
    group="blunder",
)
def _() -> Told:
    shift = Shift("later base").base((300.0, 400.0), ground.SIRGAS.arp())
    return site(ground.SIRGAS), shift, 400.0


@BOOK("base switched off and on over the same mark within 3 s", "Asia", right_base=True)
def _() -> Told:
    shift = Shift("flicker").base((0.0, 60.0), ground.CGCS.arp()).base((63.0, 120.0), ground.CGCS.arp())
    return site(ground.CGCS), shift, 120.0


@BOOK("control written as degrees, minutes and seconds", "Africa", right_base=True)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    table = site(place)
    table["project"]["control"] = [
        {**point, "latitude": _dms(point["latitude"], "NS"), "longitude": _dms(point["longitude"], "EW")}
        for point in table["project"]["control"]
    ]
    return base_says(place, place.arp(), table=table)


def _dms(angle: float, letters: str) -> str:
    unit = round(abs(angle) * 3600 * 100_000)
    degrees, rest = divmod(unit, 3600 * 100_000)
    minutes, seconds = divmod(rest, 60 * 100_000)
    return f"{degrees} {minutes:02d} {seconds / 100_000:08.5f} {letters[angle < 0]}"


@BOOK("project in NAD83(2011), a rover's own walk beside a right base", "North America", right_base=True)
def _() -> Told:
    at = ecef(KESTREL.latitude, KESTREL.longitude, 1860.0)
    shift = Shift("both").base((0.0, 90.0), KESTREL.arp())
    shift.receiver((0.0, 90.0), still(aside(at, 40.0, 30.0, 2.0)), n=KESTREL.n)
    return site(KESTREL, "rover"), shift, 90.0
