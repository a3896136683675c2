"""A base's mornings, noons and neighbours: how it is set up, started anew, numbered, and what is typed into it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from witnesspost.replay.world import rtcm

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Expect, Told, check, note, stop
from tests.proof.situations.ground import ANTENNA_M, FOOT, KESTREL, POLE_M, TODAY, Place, Xyz, aside, drifted, ecef, site
from tests.proof.situations.networks import net
from tests.proof.situations.right_bases import _dms, base_says, local_site
from tests.proof.situations.right_rovers import crew, on, round_trip
from tests.proof.situations.shift import Shift, still, walk
from tests.proof.situations.wrong_bases import at_mark, swapped

BOOK = Book("practice")


def right(name: str, place: Place, make: Callable[[Place], Told], *expect: Expect, allow: tuple[Allow, ...] = ()) -> None:
    """A base that is right."""
    BOOK.add(f"{name}, {place.label}", place.region, lambda: make(place), *expect, allow=allow, right_base=True)


def _pillar(place: Place, height: float | None = None) -> Told:
    table = site(place, base={"antenna_height_m": 0.0})
    return base_says(place, place.arp(antenna_m=0.0), table=table, height=height)


right("a pillar with forced centring: the antenna height is 0", ground.SWEREF, _pillar)
right("the same, by 1006", ground.JGD, lambda p: _pillar(p, 0.0))
FEET_ON_DEGREES = KESTREL._replace(height_unit="ft", label="NAD83(2011) with heights in feet")
right("control in degrees, its heights in feet", FEET_ON_DEGREES, lambda p: base_says(p, p.arp()))
right("an antenna named without its dome", ground.ARABIA, lambda p: _descriptor(p, "KESTREL-A1", "KESTREL-A1      NONE"))
right("an antenna named in small letters", ground.GDA, lambda p: _descriptor(p, "kestrel-a1 none", "KESTREL-A1      NONE"))
right("no antenna named in the site file", ground.KGD, lambda p: _descriptor(p, "", "KESTREL-B7      KDOM"))
right("Galileo and BeiDou alone", ground.CGCS, lambda p: base_says(p, p.arp(), systems="EC", bias_every=0.0, until=240.0))


def _descriptor(place: Place, planned: str, said: str) -> Told:
    return base_says(place, place.arp(), table=site(place, base={"antenna": planned}), descriptor=said)


def _both_messages(place: Place, height: float = ANTENNA_M) -> Told:
    """1006 every ten seconds, and 1005 five seconds after each: firmware that sends both."""
    at = place.arp(antenna_m=height)
    shift = Shift("both").base((0.0, 180.0), at, height=height)
    for step in range(18):
        shift.put(5.3 + 10 * step, "corrections", rtcm.frame(rtcm.station(417, *at)))
    return site(place), shift, 180.0


right("1005 and 1006 by turns", ground.ETRS, _both_messages)
right(
    "1005 and 1006 by turns, the day's height 13 cm less than the plan's",
    ground.SIRGAS,
    lambda p: _both_messages(p, 1.712),
    note("antenna-mismatch", "height-differs"),
)


def _survey_in(place: Place) -> Told:
    """The base has its place by a network's RTK first, then holds the mark's and begins to send."""
    shift = Shift("first its place")
    shift.receiver((0.0, 12.0), place.arp(), n=place.n, quality=5, age=1.0, station=38)
    shift.receiver((12.0, 14.0), place.arp(), n=place.n, quality=4, age=1.0, station=38)
    shift.base((14.0, 200.0), place.arp()).base_receiver((14.0, 200.0), place.arp(), place.n)
    return site(place), shift, 200.0


right("a base that had its place by a network first", ground.RGF, _survey_in)


def _unlisted_here(place: Place) -> Told:
    """A base over no listed point, at its own position, and a local grid that was calibrated with that very base."""
    error = (1.3, -0.9, 2.2)
    table = local_site(place, "rover", rover={"pole_height_m": POLE_M})
    table["base"] = {"kind": "own", "station_id": 417}
    for point in table["project"]["control"]:
        at = aside(ecef(point["latitude"], point["longitude"], point["ellipsoidal_height"]), *error)
        point["latitude"], point["longitude"], point["ellipsoidal_height"] = (round(v, 9) for v in ground.geodetic(at))
    moved = aside(place.arp(), *error)
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    return crew(place, where, until, table=table, base_at=moved, error=ground.minus(moved, place.arp()))


right("a local grid calibrated with a base at its own position", KESTREL, _unlisted_here)


def twins(place: Place, role: str, **other: Any) -> dict[str, Any]:
    """A site whose KQ-1 and KQ-2 each have a second bolt 12 cm beside them, listed too."""
    table = site(place, role, **other)
    for name in ("KQ-1", "KQ-2"):
        listed = dict(place.mark(name).listed)
        listed["name"] += "B"
        listed["easting"] = round(listed["easting"] + 0.104, 3)
        listed["northing"] = round(listed["northing"] - 0.061, 3)
        listed["height"] = round(listed["height"] + 0.008, 3)
        table["project"]["control"].append(listed)
    return table


def twin(place: Place, name: str, up: float) -> Xyz:
    """A point over the second bolt of a mark."""
    listed = place.mark(name).listed
    latitude, longitude = ground.unproject(place, round(listed["easting"] + 0.104, 3), round(listed["northing"] - 0.061, 3))
    return ecef(latitude, longitude, place.mark(name).h + 0.008 + up)


@BOOK("two bolts 12 cm apart, the rover on the second", "Europe", right_base=True)
def _() -> Told:
    place = ground.ETRS
    where, until = round_trip(place, (twin(place, "KQ-2", POLE_M), 40.0))
    return crew(place, where, until, table=twins(place, "rover"))


@BOOK("two bolts 12 cm apart, the rover on each in turn, positions alone", "Europe")
def _() -> Told:
    place = ground.ETRS
    second, first = twin(place, "KQ-2", POLE_M), on(place, "KQ-2")
    lifted = aside(second, -0.05, 0.03, 0.4)
    where = walk((0.0, aside(second, 40.0, -25.0, 0.3)), (60.0, second), (100.0, second), (102.0, lifted), (104.0, first))
    until = 150.0
    return crew(place, where, until, table=twins(place, "rover", receiver_only=True), receiver_only=True)


@BOOK("the pole is swung over a mark in passing, 30 cm above it", "Asia", right_base=True)
def _() -> Told:
    place = ground.KGD
    above = on(place, "KQ-2", up=POLE_M + 0.3)
    where = _passing(above)
    return crew(place, where, 160.0)


def _passing(above: Xyz) -> Callable[[float], Xyz]:
    return lambda t: aside(above, 0.35 * (t - 100.0), 0.02 * (t - 100.0), 0.0)


@BOOK("ten minutes on a bipod over a mark", "Oceania", right_base=True)
def _() -> Told:
    place = ground.GDA
    where, until = round_trip(place, (on(place, "KQ-2"), 600.0))
    return crew(place, where, until)


@BOOK("a crew on a ship's deck with a base on the ship", "Oceania")
def _() -> Told:
    place = ground.NZ
    start = aside(place.mark("KQ-1").xyz, -60.0, 20.0, 3.0)

    def ship(t: float) -> Xyz:
        return aside(start, 6.0 * t, 0.4 * t, 0.0)

    shift = Shift("ship").base((0.0, 240.0), ship, position_every=1.0)
    shift.receiver((0.0, 240.0), lambda t: aside(ship(t), 12.0, 3.0, 1.0), n=place.n)
    return net(place, kind="moving"), shift, 240.0


@BOOK("a real network station 85 km off, the check 5.5 cm aside", "South America")
def _() -> Told:
    place = ground.POSGAR
    where, until = round_trip(place, (on(place, "KQ-2", 0.04, -0.038, POLE_M + 0.05), 40.0))
    shift = Shift("far").base((0.0, until), aside(place.arp(), 70_000.0, 48_000.0, -560.0), station=38)
    shift.receiver((0.0, until), where, n=place.n, station=38)
    return net(place), shift, until


@BOOK("a service that sends its station's position as zeros", "Africa")
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    shift = Shift("zeros").base((0.0, 180.0), (0.0, 0.0, 0.0), station=38)
    where, _ = round_trip(place, (on(place, "KQ-2"), 40.0))
    shift.receiver((0.0, 180.0), where, n=place.n, station=38)
    return net(place), shift, 180.0


# What goes wrong


def wrong(name: str, place: Place, at: Callable[[Place], Xyz], *causes: str, group: Any = "blunder", **tables: Any) -> None:
    """A base post whose base says what is not so."""

    def make() -> Told:
        return base_says(place, at(place), table=site(place, **tables) if tables else None)

    BOOK.add(f"{name}, {place.label}", place.region, make, stop("base-datum", *causes, by=11.0), group=group)


def _plate(plate: str, since: float) -> Callable[[Place], Xyz]:
    return lambda place: drifted(place.arp(), plate, TODAY - since)


GDA94 = ground.GDA_GEO._replace(label="GDA94 / MGA 56", frame="EPSG:28356", projection=ground.utm(56, True), epoch=None)
TODAYS = "frame-shift", "epoch-shift"


def _today_in_gda94(place: Place) -> Xyz:
    """GDA94 to GDA2020 by the published seven parameters, then the plate's motion since 2020."""
    return drifted(ground.moved("EPSG:4938", "EPSG:7842", place.arp(), 2020.0), "AUST", TODAY - 2020.0)


wrong("today's ITRF in GDA94", GDA94, _today_in_gda94, *TODAYS)
wrong("GDA2020 in GDA94", GDA94, lambda p: ground.moved("EPSG:4938", "EPSG:7842", p.arp(), 2020.0), "frame-shift")
wrong("today's ITRF in Mexico's frame of 2010", ground.MEXICO, _plate("NOAM", 2010.0), *TODAYS)
wrong("today's ITRF in Arabia's frame of 2017", ground.ARABIA, _plate("ARAB", 2017.0), *TODAYS)
wrong("today's ITRF in Argentina's frame of 2006", ground.POSGAR, _plate("SOAM", 2006.632), *TODAYS)
wrong("today's ITRF in Hartebeesthoek94", ground.HARTEBEESTHOEK, _plate("NUBI", 1994.0), *TODAYS, "unexplained")
wrong("today's ITRF in LV95", ground.LV95, lambda p: ground.moved("EPSG:7930", "EPSG:7789", p.arp(), TODAY), "frame-shift")
wrong("today's ITRF in DHDN", ground.DHDN, lambda p: ground.moved("EPSG:7930", "EPSG:7789", p.arp(), TODAY), "frame-shift")
EAST = ground.NZ._replace(latitude=-43.5123456, longitude=172.6123456, label="NZGD2000 on the Pacific plate")
wrong("today's ITRF beside a plate's edge", EAST, _plate("PCFC", 2000.0), *TODAYS, "unexplained", group="doubt")

wrong(
    "14 years of the Pacific plate in NAD83(PA11)",
    ground.PACIFIC,
    _plate("PCFC", 2010.0),
    *TODAYS,
    "unexplained",
    group="doubt",
)

DMS = ground.HARTEBEESTHOEK


def _in_dms(name: str, change: Callable[[str], str], *causes: str) -> None:
    """Control in degrees, minutes and seconds; what was typed is `change` of the latitude's text."""

    def make() -> Told:
        table = site(DMS)
        table["project"]["control"] = [
            {**point, "latitude": _dms(point["latitude"], "NS"), "longitude": _dms(point["longitude"], "EW")}
            for point in table["project"]["control"]
        ]
        said = change(table["project"]["control"][0]["latitude"])
        degrees, minutes, seconds, _ = said.split()
        latitude = -(int(degrees) + int(minutes) / 60 + float(seconds) / 3600)
        return base_says(DMS, at_mark(DMS, latitude=latitude), table=table)

    BOOK.add(name, DMS.region, make, stop("base-datum", *causes, by=11.0), group="blunder")


# 26.1123456° S is 26° 06′ 44.44416″ S.
_in_dms("a tenth of the latitude's seconds wrong: 44.4 as 44.1", lambda s: s.replace(" 44.4", " 44.1"), "digit-slip")
_in_dms("a digit of the latitude's minutes wrong: 06 as 03", lambda s: s.replace(" 06 ", " 03 "), "digit-slip")
_in_dms("a digit of the latitude's seconds wrong: 44 as 14", lambda s: s.replace(" 44.", " 14."), "digit-slip")
wrong(
    "minutes and seconds read as decimals: 26.0644444 for 26° 06′ 44.44416″",
    DMS,
    lambda p: at_mark(p, latitude=-26.0644444, longitude=28.0644444),
    "sign-or-order",
)
wrong(
    "decimals read as minutes and seconds: 39° 12′ 34.567″ for 39.1234567",
    ground.RIFT._replace(latitude=39.1234567, longitude=35.5123456, label="ITRF2014 in a highland", height=1021.345),
    lambda p: at_mark(p, latitude=39 + 12 / 60 + 34.567 / 3600, longitude=35 + 51 / 60 + 23.456 / 3600),
    "sign-or-order",
)
wrong(
    "a digit of the latitude left out",
    KESTREL,
    lambda p: at_mark(p, latitude=39.124567),
    "digit-slip",
    "unexplained",
    group="doubt",
)
wrong("one digit of the height wrong by 9 cm", KESTREL, lambda p: at_mark(p, height=1874.232), "other-antenna-height")
ELLIPSOIDAL = ground.ETRS._replace(vertical="ellipsoidal", height=566.656, label="ETRS89, ellipsoidal heights")
wrong(
    "H from the data sheet in a project of ellipsoidal heights",
    ELLIPSOIDAL,
    lambda p: at_mark(p, height=566.656 - 46.2, n=0.0),
    "orthometric-as-ellipsoidal",
    "unexplained",
)
wrong(
    "the next mark, and the antenna height left out",
    ground.SAVANNA,
    lambda p: p.arp("KQ-3", 0.0),
    "other-control-point+antenna-height-missing",
    "antenna-height-missing+other-control-point",
)
wrong(
    "the antenna height's own feet: 6.047 typed as metres",
    KESTREL,
    lambda p: at_mark(p, antenna=6.047),
    "feet-as-metres",
    "unexplained",
    group="doubt",
)
wrong(
    "the phase centre for the reference point, 8.9 cm",
    ground.RGF,
    lambda p: at_mark(p, antenna=ANTENNA_M + 0.0892),
    "other-antenna-height",
    group="doubt",
)
wrong(
    "a left-over height of 1.843 on a pillar",
    ground.SWEREF,
    lambda p: at_mark(p, antenna=1.843),
    "unexplained",
    group="doubt",
    base={"antenna_height_m": 0.0},
)
wrong(
    "the neighbour country's heights, 2.33 m lower",
    ground.ETRS,
    lambda p: at_mark(p, height=520.456 - 2.33),
    "unexplained",
    "other-geoid",
    group="doubt",
)
wrong(
    "the neighbour country's heights, 0.18 m higher",
    ground.ETRS,
    lambda p: at_mark(p, height=520.456 + 0.18),
    "other-antenna-height",
    group="doubt",
)
wrong("ten minutes of averaging, no mark", ground.ETRS, lambda p: aside(p.arp(), 0.41, -0.52, 1.27), "autonomous-base")
wrong("a 'here' position at 4,215 m", ground.ALTIPLANO, lambda p: aside(p.arp(), -1.9, 2.3, 4.6), "autonomous-base")
wrong(
    "by a PPP service in today's frame, 6 cm of its own",
    ground.SWEREF,
    lambda p: aside(ground.moved("EPSG:7928", "EPSG:7789", p.arp(), TODAY), 0.04, -0.03, 0.05),
    "frame-shift",
    "epoch-shift",
    "unexplained",
    group="doubt",
)
wrong("no position was ever given: zeros", ground.GDA, lambda p: (0.0, 0.0, 0.0), "unexplained", group="doubt")


def _grid(place: Place, projection: str) -> Xyz:
    listed = place.mark("KQ-1").listed
    latitude, longitude = ground.unproject(
        place._replace(projection=projection), listed["easting"] * place.unit_m, listed["northing"] * place.unit_m
    )
    return at_mark(place, latitude, longitude)


NORTH_ZONE = (
    "+proj=lcc +lat_0=39.3333333333333 +lon_0=-105.5 +lat_1=40.7833333333333 +lat_2=39.7166666666667 "
    "+x_0=914401.828803658 +y_0=304800.609601219 +ellps=GRS80"
)
wrong("state plane numbers in the zone to the north", ground.US_FEET, lambda p: _grid(p, NORTH_ZONE), "other-zone")
wrong(
    "southern UTM numbers taken as northern", ground.SIRGAS, lambda p: _grid(p, ground.utm(23)), "other-zone", "sign-or-order"
)


@BOOK("the wrong bolt of a pair, 12 cm", "Europe", stop("base-datum", "other-control-point", by=11.0), group="blunder")
def _() -> Told:
    place = ground.ETRS
    return base_says(place, twin(place, "KQ-1", ANTENNA_M), table=twins(place, "base"))


@BOOK(
    "the wrong bolt of a pair, heard at a rover by positions alone",
    "Europe",
    stop("control-check", "other-control-point", "mark-or-point", "leaning-pole", "unexplained", once=False),
    group="doubt",
)
def _() -> Told:
    place = ground.ETRS
    error = ground.minus(twin(place, "KQ-1", ANTENNA_M), place.arp())
    where, until = round_trip(place, (on(place, "KQ-3"), 40.0), (on(place, "KQ-4"), 40.0))
    return crew(place, where, until, table=twins(place, "rover", receiver_only=True), receiver_only=True, error=error)


@BOOK("a local grid's base over the wrong mark", "North America", stop("base-datum", "other-control-point"), group="blunder")
def _() -> Told:
    return base_says(KESTREL, KESTREL.arp("KQ-4"), table=local_site(KESTREL))


@BOOK("a local grid's base, antenna height left out", "Oceania", stop("base-datum", "antenna-height-missing"), group="blunder")
def _() -> Told:
    return base_says(ground.GDA_GEO, ground.GDA_GEO.arp(antenna_m=0.0), table=local_site(ground.GDA_GEO))


@BOOK(
    "battery changed as announced, and the base averages anew, 0.8 m off",
    "North America",
    stop("base-datum", "autonomous-base", after=260.0, by=262.0),  # a minute after its corrections are back
    group="blunder",
)
def _() -> Told:
    shift = Shift("averaged anew").base((0.0, 60.0), KESTREL.arp())
    shift.planned(55.0, 300.0)
    shift.base((200.0, 400.0), aside(KESTREL.arp(), 0.5, -0.55, 1.1))
    return site(KESTREL), shift, 400.0


@BOOK(
    "battery changed, the base is back over the next mark's coordinate, at the rover",
    "Asia",
    stop("base-datum", "other-control-point", after=110.0, by=111.0),
    allow=(Allow("corrections-stopped", "line-silent", "stop"),),
    group="blunder",
)
def _() -> Told:
    place = ground.JGD
    stand = aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2)
    step = ground.minus(place.arp("KQ-2"), place.arp())
    shift = Shift("next mark").base((0.0, 60.0), place.arp())
    shift.base((110.0, 240.0), place.arp("KQ-2"))
    shift.receiver(
        (0.0, 240.0),
        lambda t: stand if t < 125 else ground.plus(stand, step),
        n=place.n,
        age=lambda t: max(1.0, t - 59.0) if t < 110 else 1.0,
        quality=lambda t: 4 if t < 85 else 5 if t < 125 else 4,
    )
    return site(place, "rover"), shift, 240.0


@BOOK(
    "the base starts anew and has lost its number: 0",
    "Africa",
    stop("corrections-stopped", "another-base", after=60.0, by=63.0),
    right_base=True,
    group="blunder",
)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    shift = Shift("number lost").base((0.0, 57.0), place.arp()).base((60.0, 150.0), place.arp(), station=0)
    return site(place), shift, 150.0


@BOOK(
    "the antenna is swapped at noon",
    "South America",
    check("antenna-mismatch", "descriptor-differs", after=60.0, by=72.0),
    right_base=True,
    group="blunder",
)
def _() -> Told:
    place = ground.SIRGAS
    shift = Shift("swapped").base((0.0, 60.0), place.arp(), descriptor="KESTREL-A1      NONE")
    shift.base((60.0, 150.0), place.arp(), descriptor="KESTREL-B7      KDOM")
    return site(place, base={"antenna": "KESTREL-A1      NONE"}), shift, 150.0


@BOOK(
    "1006 says 0.184 m for 1.843, the mark right: a note with both heights",
    "Oceania",
    note("antenna-mismatch", "height-differs"),
    right_base=True,
    group="blunder",
)
def _() -> Told:
    place = ground.NZ
    return base_says(place, place.arp(antenna_m=0.1843), height=0.1843, until=90.0)


@BOOK(
    "height digits swapped and heard at a rover 3 km off, on a mark",
    "North America",
    stop("base-datum", "digit-slip", by=11.0),
    group="blunder",
)
def _() -> Told:
    place = KESTREL
    at = at_mark(place, height=swapped("1874.322", 2))
    where = still(aside(place.mark("KQ-1").xyz, 2600.0, 1500.0, 30.0))
    return crew(place, where, 90.0, base_at=at, error=ground.minus(at, place.arp()))


wrong(
    "height in metres typed into a base that asks for feet",
    ground.FEET,
    lambda p: at_mark(p, height=412.345 * FOOT),
    "metres-as-feet",
    "unexplained",
)
