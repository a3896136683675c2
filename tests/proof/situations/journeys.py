"""A surveyor's journeys: frames seldom met, numbers off old papers, tapes in feet, gear of one frequency."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

from witnesspost.replay.world import rtcm
from witnesspost.rules.facts import SetUp

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Told, note, stop
from tests.proof.situations.ground import ANTENNA_M, FOOT, KESTREL, POLE_M, US_FOOT, Place, Xyz, aside, site
from tests.proof.situations.networks import net, virtual
from tests.proof.situations.right_bases import _dms, base_says, second_base
from tests.proof.situations.right_rovers import crew, on, round_trip
from tests.proof.situations.shift import Shift, empty_msm, still
from tests.proof.situations.wrong_bases import at_mark

BOOK = Book("practice")

# Frames; codes and parameters are EPSG's.
IRELAND = Place(
    "Irish Transverse Mercator",
    "Europe",
    "EPSG:2157",
    "+proj=tmerc +lat_0=53.5 +lon_0=-8 +k=0.99982 +x_0=600000 +y_0=750000 +ellps=GRS80",
    53.2712345,
    -8.9123456,
    31.234,
    58.4,
)
ESTONIA = Place(
    "L-EST97, north before east",
    "Europe",
    "EPSG:3301",
    "+proj=lcc +lat_0=57.5175539305556 +lon_0=24 +lat_1=59.3333333333333 +lat_2=58 +x_0=500000 +y_0=6375000 +ellps=GRS80",
    58.9123456,
    25.6123456,
    88.123,
    18.2,
)
POLAND = Place(
    "ETRF2000-PL / CS2000/21",
    "Europe",
    "EPSG:2178",
    "+proj=tmerc +lat_0=0 +lon_0=21 +k=0.999923 +x_0=7500000 +y_0=0 +ellps=GRS80",
    52.2123456,
    20.6123456,
    104.234,
    31.9,
)
GUAM = Place("NAD83(MA11)", "Oceania", "EPSG:6324", "", 13.4512345, 144.7612345, 88.345, 53.6)
INDIA = Place("ITRF2014 over the geoid's low", "Asia", "EPSG:7912", "", 9.9123456, 78.1123456, 101.234, -96.1, epoch=2020.0)
ICELAND = Place(
    "ISN2016 / Lambert 2016",
    "Europe",
    "EPSG:8088",
    "+proj=lcc +lat_0=65 +lon_0=-19 +lat_1=64.25 +lat_2=65.75 +x_0=2700000 +y_0=300000 +ellps=GRS80",
    64.1123456,
    -21.6123456,
    61.234,
    66.1,
)
TURKEY = Place(
    "TUREF / TM30",
    "Asia",
    "EPSG:5254",
    "+proj=tmerc +lat_0=0 +lon_0=30 +k=1 +x_0=500000 +y_0=0 +ellps=GRS80",
    40.1123456,
    29.1123456,
    154.234,
    37.3,
)
QUEBEC = Place(
    "NAD83(CSRS) / MTM zone 8",
    "North America",
    "EPSG:2950",
    "+proj=tmerc +lat_0=0 +lon_0=-73.5 +k=0.9999 +x_0=304800 +y_0=0 +ellps=GRS80",
    45.6123456,
    -73.4123456,
    28.234,
    -32.1,
)
TEXAS = Place(
    "NAD83(2011) / Texas South Central, 13 million feet north",
    "North America",
    "EPSG:6588",
    "+proj=lcc +lat_0=27.8333333333333 +lon_0=-99 +lat_1=30.2833333333333 +lat_2=28.3833333333333 "
    "+x_0=600000 +y_0=3999999.9998984 +ellps=GRS80",
    29.6123456,
    -95.4123456,
    14.345,
    -27.6,
    unit_m=US_FOOT,
    height_unit="us-ft",
)

for _place in (IRELAND, ESTONIA, POLAND, GUAM, INDIA, ICELAND, TURKEY, QUEBEC, TEXAS):
    BOOK.add(f"right base, {_place.label}", _place.region, lambda p=_place: base_says(p, p.arp()), right_base=True)


@BOOK("right rover on two marks, 13 million feet north", "North America", right_base=True)
def _() -> Told:
    where, until = round_trip(TEXAS, (on(TEXAS, "KQ-2"), 30.0), (on(TEXAS, "KQ-4"), 30.0))
    return crew(TEXAS, where, until)


LO29 = ground.HARTEBEESTHOEK._replace(
    label="Hartebeesthoek94 / Lo29",
    frame="EPSG:2053",
    projection="+proj=tmerc +lat_0=0 +lon_0=29 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +step +proj=axisswap +order=-1,-2",
)


@BOOK("right base, Lo29, whose numbers count west and south", "Africa", right_base=True)
def _() -> Told:
    return base_says(LO29, LO29.arp())


# What comes on the line


@BOOK("the project's two bases share one channel by turns, half a second apart", "Europe", right_base=True)
def _() -> Told:
    place = ground.RGF
    shift = Shift("two slots").base((0.0, 180.0), place.arp())
    shift.base((0.0, 180.0), place.arp("KQ-3", 1.612), station=418, late=0.75)
    shift.receiver((0.0, 180.0), still(aside(place.mark("KQ-1").xyz, 70.0, 30.0, 2.0)), n=place.n)
    return site(place, "rover", other_base=[second_base(place)]), shift, 180.0


@BOOK(
    "base and rover of one frequency, fixed for six minutes",
    "Asia",
    note("message-set", "single-frequency"),
    right_base=True,
)
def _() -> Told:
    where = still(aside(INDIA.mark("KQ-1").xyz, 210.0, -80.0, 2.0))
    return crew(INDIA, where, 360.0, base={"one_carrier": True})


@BOOK("GPS in two messages of one epoch", "North America", right_base=True)
def _() -> Told:
    shift = Shift("two 1077").base((0.0, 120.0), KESTREL.arp(), systems="GG", bias_every=0.0)
    return site(KESTREL), shift, 120.0


@BOOK("QZSS and SBAS besides, at the base", "Asia", right_base=True)
def _() -> Told:
    place = ground.JGD
    shift = Shift("qzss").base(
        (0.0, 120.0), place.arp(), also=lambda t: empty_msm(1117, 417) + empty_msm(1107, 417) + empty_msm(1137, 417)
    )
    return site(place), shift, 120.0


@BOOK("a service with its physical station in 1032", "Europe")
def _() -> Told:
    place = ground.SWEREF
    shift = Shift("1032")
    for part in range(3):
        number, at = virtual(place, part)
        shift.base((60.0 * part, 60.0 * part + 60.0), at, station=number, also=lambda t: shift.other(1032, 18))
    where, _ = round_trip(place, (on(place, "KQ-2"), 40.0), start=30.0)
    shift.receiver((0.0, 180.0), where, n=place.n, station=None)
    return net(place), shift, 180.0


@BOOK(
    "a far neighbour's epoch every twenty seconds among ours",
    "Oceania",
    allow=(Allow("wrong-channel", "two-bases"),),
    right_base=True,
)
def _() -> Told:
    place = ground.GDA
    shift = Shift("stray").base((0.0, 200.0), place.arp())
    shift.base((7.0, 200.0), aside(place.arp(), 9000.0, 4000.0, 30.0), station=88, interval=20.0, position_every=0.0, late=0.6)
    return site(place), shift, 200.0


# The set-up that the crew tells


def set_up(t: float, antenna: float = ANTENNA_M, pole: float = POLE_M, point: str = "KQ-1") -> SetUp:
    return SetUp(t=t, stream="", point=point, antenna_height_m=antenna, pole_height_m=pole)


@BOOK("the pole is drawn out to 2.5 m over a fence, and told", "Europe", right_base=True)
def _() -> Told:
    place = POLAND
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0), (on(place, "KQ-4", up=2.5), 30.0))
    table, shift, until = crew(place, where, until)
    shift.put(130.0, "", set_up(130.0, pole=2.5))
    return table, shift, until


@BOOK(
    "the tripod has settled by 7 mm: measured anew, announced, told, and 1006 says it",
    "Africa",
    allow=(Allow("antenna-mismatch", "height-differs"),),
    right_base=True,
)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    shift = Shift("settled").base((0.0, 100.0), place.arp(), height=ANTENNA_M)
    shift.planned(95.0, 120.0, "levelling")
    shift.put(150.0, "", set_up(150.0, antenna=1.836))
    shift.base((160.0, 400.0), place.arp(antenna_m=1.836), height=1.836)
    return site(place), shift, 400.0


@BOOK(
    "the second mark's set-up is told while the base is off, when the announced time has run out",
    "Europe",
    stop("corrections-stopped", "line-silent", by=260.0),
    group="blunder",
    right_base=True,
)
def _() -> Told:
    place = ground.SWEREF
    shift = Shift("late from lunch").base((0.0, 100.0), place.arp(), height=ANTENNA_M)
    shift.planned(95.0, 120.0, "moving the base")
    shift.put(330.0, "", set_up(330.0, antenna=1.612, point="KQ-3"))
    shift.base((350.0, 480.0), place.arp("KQ-3", 1.612), height=1.612)
    return site(place), shift, 480.0


@BOOK("set up lower on the same mark, told while the base is off, and 1006 says it", "Oceania", right_base=True)
def _() -> Told:
    place = ground.GDA
    shift = Shift("lower").base((0.0, 100.0), place.arp(), height=ANTENNA_M)
    shift.planned(95.0, 400.0, "another tripod")
    shift.put(280.0, "", set_up(280.0, antenna=1.512))
    shift.base((320.0, 560.0), place.arp(antenna_m=1.512), height=1.512)
    return site(place), shift, 560.0


@BOOK(
    "back from a battery change with another mark's coordinate, in a lunch that was announced for an hour",
    "South America",
    stop("base-datum", "other-control-point", after=250.0, by=275.0),
    group="blunder",
)
def _() -> Told:
    place = ground.SIRGAS
    shift = Shift("lunch").base((0.0, 100.0), place.arp())
    shift.planned(95.0, 3600.0, "lunch")
    shift.base((200.0, 400.0), place.arp("KQ-2"))
    return site(place), shift, 400.0


# Receivers


@BOOK("GGA every ten seconds for the caster, RMC every second", "Europe", right_base=True)
def _() -> Told:
    place = ESTONIA
    where, until = round_trip(place, (on(place, "KQ-2"), 60.0), (on(place, "KQ-4"), 60.0))
    shift = Shift("slow gga").base((0.0, until), place.arp())
    shift.receiver((0.0, until), where, n=place.n, form=("RMC",))
    shift.receiver((0.0, until), where, n=place.n, form=("GGA",), interval=10.0)
    return site(place, "rover"), shift, until


@BOOK("a cold start: empty, autonomous, float, and fixed after 115 s", "North America", right_base=True)
def _() -> Told:
    where = still(aside(QUEBEC.mark("KQ-1").xyz, 110.0, 70.0, 2.0))

    def quality(t: float) -> int:
        return 0 if t < 60 else 1 if t < 90 else 5 if t < 115 else 4

    return crew(QUEBEC, where, 240.0, quality=quality)


@BOOK("under trees: float for two seconds again and again, walking and standing", "Europe", right_base=True)
def _() -> Told:
    place = IRELAND
    where, until = round_trip(place, (on(place, "KQ-2", 30.0, 12.0), 60.0), (on(place, "KQ-4", 20.0, 5.0), 60.0))
    return crew(place, where, until, quality=lambda t: 5 if t % 9 < 2 and t > 20 else 4)


@BOOK("a leap second at a base whose receiver says no date", "Asia", right_base=True)
def _() -> Told:
    place = TURKEY
    start = dt.datetime(2026, 12, 31, 23, 58, 0, tzinfo=dt.UTC)
    before, after = Shift("leap", start), Shift("leap", start - dt.timedelta(seconds=1))
    before.base((0.0, 120.0), place.arp())
    after.base((120.0, 240.0), place.arp())  # UTC is a second behind from there: only GLONASS's own day shows it
    return site(place), before.take(after), 240.0


# Numbers typed


def wrong(name: str, place: Place, at: Callable[[Place], Xyz], *causes: str, group: Any = "blunder", **tables: Any) -> None:
    """A base that broadcasts what such a slip makes of the mark."""
    BOOK.add(
        f"{name}, {place.label}",
        place.region,
        lambda: base_says(place, at(place), table=site(place, **tables)),
        stop("base-datum", *causes, by=11.0),
        group=group,
    )


def grid(place: Place, easting: float, northing: float, projection: str = "", shift: str = "") -> Xyz:
    """The ARP of a base that was given these grid numbers (the frame's unit), perhaps of another grid."""
    of = place._replace(projection=projection or place.projection, shift=shift)
    latitude, longitude = ground.unproject(of, easting * place.unit_m, northing * place.unit_m)
    return at_mark(place, latitude, longitude)


for _place in (INDIA, KESTREL, ground.ETRS):
    wrong(
        "N taken off instead of added", _place, lambda p: at_mark(p, n=-p.mark("KQ-1").n),
        "sign-or-order",
    )  # fmt: skip
for _place in (POLAND, ground.GDA):
    wrong(
        "antenna height taken off instead of added", _place, lambda p: at_mark(p, antenna=-ANTENNA_M),
        "sign-or-order",
    )  # fmt: skip
wrong("the height's point one place on: 24.512 as 245.12", ground.SWEREF, lambda p: at_mark(p, height=245.12), "digit-slip")
wrong("the height's minus is lost", ground.RIFT, lambda p: at_mark(p, height=421.345), "sign-or-order")
wrong(
    "the plan of KQ-1, the height of KQ-2",
    IRELAND,
    lambda p: at_mark(p, height=p.mark("KQ-2").listed["height"]),
    "other-control-point",
)
wrong(
    "the easting of KQ-1, the northing of KQ-3",
    QUEBEC,
    lambda p: grid(p, p.mark("KQ-1").listed["easting"], p.mark("KQ-3").listed["northing"]),
    "other-control-point",
)


def old(ellipsoid: str, x: float, y: float, z: float) -> str:
    """From GNSS's datum to an old one by three published shifts (old to new)."""
    return (
        f"{ground._DEG}+proj=cart +ellps=GRS80 +step +inv +proj=helmert +x={x} +y={y} +z={z} "
        f"+step +inv +proj=cart +ellps={ellipsoid}{ground._RAD}"
    )


def _old_grid(place: Place, projection: str, shift: str) -> Xyz:
    """The old papers' grid numbers of KQ-1, typed as if they were the project's."""
    mark = place.mark("KQ-1")
    easting, northing = ground.project(place._replace(projection=projection, shift=shift), mark.latitude, mark.longitude)
    return grid(place, round(easting, 3) / place.unit_m, round(northing, 3) / place.unit_m)


def _old_angles(place: Place, shift: str) -> Xyz:
    mark = place.mark("KQ-1")
    longitude, latitude = ground._pipeline(shift).transform(mark.longitude, mark.latitude)
    return at_mark(place, latitude, longitude)


# Three-parameter shifts: EPSG 1133, 1864 (by IBGE: −67.35, 3.88, −38.22), 1173, 15483 (from memory), 1280's means.
_ED50, _SAD69 = old("intl", -87, -98, -121), old("aust_SA", -67.35, 3.88, -38.22)
_NAD27, _TOKYO = old("clrk66", -8, 160, 176), old("bessel", -146.414, 507.337, 680.507)
_AGD = old("aust_SA", -128.5, -53.0, 153.4)
_OLD_PAPERS: dict[str, tuple[Place, Callable[[Place], Xyz]]] = {
    "ED50's numbers": (ground.ETRS, lambda p: _old_grid(p, "+proj=utm +zone=32 +ellps=intl", _ED50)),
    "SAD69's numbers": (ground.SIRGAS, lambda p: _old_grid(p, "+proj=utm +zone=23 +south +ellps=aust_SA", _SAD69)),
    "Tokyo's angles": (ground.JGD, lambda p: _old_angles(p, _TOKYO)),
    "AGD84's numbers": (ground.GDA, lambda p: _old_grid(p, "+proj=utm +zone=56 +south +ellps=aust_SA", _AGD)),
    "NAD27's angles": (KESTREL, lambda p: _old_angles(p, _NAD27)),
}
for _name, (_place, _at) in _OLD_PAPERS.items():  # an old datum is metres wide: who names one flatly knows too much
    wrong(_name, _place, _at, "unexplained", "frame-shift", group="doubt")
wrong(
    "LV03's numbers in LV95",
    ground.LV95,
    lambda p: at_mark(
        p,
        *ground.unproject(
            p, p.mark("KQ-1").listed["easting"] - 2_000_000, p.mark("KQ-1").listed["northing"] - 1_000_000
        ),
    ),
    "digit-slip", "frame-shift", "other-zone",
)  # fmt: skip
wrong(
    "the zone's digit left out of the easting: 500,000 for 7,500,000",
    POLAND,
    lambda p: grid(p, p.mark("KQ-1").listed["easting"] - 7_000_000, p.mark("KQ-1").listed["northing"]),
    "digit-slip", "other-zone",
)  # fmt: skip
wrong(
    "international feet for US survey feet, 13 million feet north",
    TEXAS,
    lambda p: at_mark(
        p,
        *ground.unproject(p, p.mark("KQ-1").listed["easting"] * FOOT, p.mark("KQ-1").listed["northing"] * FOOT),
    ),
    "survey-foot",
)


def _seconds_cut() -> Told:
    table = site(KESTREL)
    for point in table["project"]["control"]:
        point |= {"latitude": _dms(point["latitude"], "NS"), "longitude": _dms(point["longitude"], "EW")}
    latitude = 39 + 7 / 60 + 24.44 / 3600  # 24.44412
    longitude = -(104 + 59 / 60 + 15.55 / 3600)  # 15.55548
    return base_says(KESTREL, at_mark(KESTREL, latitude, longitude), table=table)


BOOK.add(
    "seconds cut to two decimals: 0.2 m", "North America", _seconds_cut, stop("base-datum", "rounded", by=11.0), group="blunder"
)
wrong(
    "decimal minutes typed as minutes and seconds: 39° 07.40740′ as 39° 07′ 40.740″",
    KESTREL,
    lambda p: at_mark(p, 39 + 7 / 60 + 40.7402 / 3600, -(104 + 59 / 60 + 25.9258 / 3600)),
    "sign-or-order",
)
wrong(
    "5 ft 11 in read as 5.11 ft",
    TEXAS,
    lambda p: at_mark(p, antenna=5.11 * FOOT),
    "other-antenna-height",
    base={"antenna_height_m": 1.8034},
)  # fmt: skip
wrong(
    "the tape read a foot short",
    QUEBEC,
    lambda p: at_mark(p, antenna=ANTENNA_M - FOOT),
    "other-antenna-height",
)  # fmt: skip
wrong(
    "H in feet as metres, and no N",
    ground.GDA,
    lambda p: at_mark(p, height=p.height / FOOT, n=0.0),
    "unexplained",
    "feet-as-metres+orthometric-as-ellipsoidal",
    "orthometric-as-ellipsoidal+feet-as-metres",
)


@BOOK("1005 says station 0, the observations 417", "Asia", stop("wrong-channel", "two-bases"), group="blunder")
def _() -> Told:
    place = TURKEY
    shift = Shift("two encoders").base((0.0, 300.0), place.arp(), position_every=0.0)
    for t in range(0, 300, 10):
        shift.put(t + 0.2, "corrections", rtcm.frame(rtcm.station(0, *place.arp())))
    return site(place), shift, 300.0


@BOOK("a base of another list, 180 km away: the rover floats", "Oceania", stop("fix-lost", "float"), group="blunder")
def _() -> Told:
    place = ground.GDA
    far = aside(place.mark("KQ-1").xyz, 140_000.0, 110_000.0, 40.0)
    where = still(aside(place.mark("KQ-1").xyz, 70.0, 30.0, 2.0))
    table = net(place)
    shift = Shift("far").base((0.0, 240.0), far, station=77)
    shift.receiver((0.0, 240.0), where, n=place.n, quality=5, station=77)
    return table, shift, 240.0


@BOOK(
    "the pole was told as 2.5 m and is 2.0 m", "Europe", stop("control-check", "rover-pole"), group="blunder", right_base=True
)
def _() -> Told:
    place = ESTONIA
    where, until = round_trip(place, (on(place, "KQ-2"), 40.0))
    table, shift, until = crew(place, where, until)
    shift.put(20.0, "", set_up(20.0, pole=2.5))
    return table, shift, until


@BOOK(
    "the crew says KQ-2, the base still has KQ-1's coordinate",
    "South America",
    stop("base-datum", "other-control-point", after=30.0, by=45.0),
    group="blunder",
)
def _() -> Told:
    place = ground.SIRGAS
    shift = Shift("said KQ-2").base((0.0, 120.0), place.arp())
    shift.put(30.0, "", set_up(30.0, point="KQ-2"))
    return site(place), shift, 120.0


# What nobody can know


@BOOK(
    "the tripod sinks by 7 cm at noon, its coordinate stays: every mark reads 7 cm high",
    "Africa",
    stop("control-check", "rover-pole", "mark-or-point", "unexplained", once=False),
    right_base=True,
    group="doubt",
)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0), (on(place, "KQ-4"), 30.0))
    return crew(place, where, until, error=ground.minus(aside(place.arp(), 0.0, 0.0, 0.07), place.arp()))


def _doubtful_stand(name: str, place: Place, east: float, north: float, up: float, *causes: str) -> None:
    where, until = round_trip(place, (on(place, "KQ-2", east, north, up), 40.0))
    BOOK.add(
        f"{name}, {place.label}",
        place.region,
        lambda: crew(place, where, until),
        stop("control-check", *causes),
        group="doubt",
        right_base=True,
    )


_doubtful_stand("on a bolt 13 cm beside the nail", ESTONIA, 0.12, 0.05, POLE_M, "mark-or-point", "leaning-pole")
_doubtful_stand(
    "6 cm aside and 9 cm up under a tree", IRELAND, 0.048, -0.036, POLE_M + 0.09, "mark-or-point", "unexplained", "rover-pole"
)
wrong(
    "another job's KQ-1, 4.3 km away", TURKEY, lambda p: aside(p.arp(), 3600.12, -2350.87, 12.444), "unexplained", group="doubt"
)
wrong(
    "0.271 m too high, the plan right",
    ICELAND,
    lambda p: at_mark(p, height=p.height + 0.271),
    "other-antenna-height",
    group="doubt",
)
wrong("0.25 m aside and 0.12 m up", INDIA, lambda p: aside(p.arp(), 0.2, -0.15, 0.12), "unexplained", group="doubt")
wrong(
    "slant to the bumper, the bumper's height left too: 5.1 cm",
    POLAND,
    lambda p: at_mark(p, antenna=1.894),
    "other-antenna-height",
    group="doubt",
)
wrong("0.613 m too low", TEXAS, lambda p: at_mark(p, height=p.height - 0.613), "unexplained", group="doubt")
wrong(
    "the receiver's own position, 1.2 m aside and 2 m up", GUAM, lambda p: aside(p.arp(), 0.9, -0.8, 2.1),
    "autonomous-base", "frame-shift", "unexplained", group="doubt",
)  # fmt: skip
PULKOVO = Place(
    "Pulkovo 1942 without a grid",
    "Asia",
    "EPSG:28410",
    "+proj=tmerc +lat_0=0 +lon_0=57 +k=1 +x_0=10500000 +y_0=0 +ellps=krass",
    51.2123456,
    58.1123456,
    210.345,
    -12.3,
    shift=(  # EPSG's "Pulkovo 1942 to WGS 84 (20)", 3 m
        f"{ground._DEG}+proj=cart +ellps=GRS80 +step +inv +proj=helmert +x=23.57 +y=-140.95 +z=-79.8 +rx=0 +ry=-0.35 +rz=-0.79 "
        f"+s=-0.22 +convention=coordinate_frame +step +inv +proj=cart +ellps=krass{ground._RAD}"
    ),
)
wrong("14 m off where a datum has no grid", PULKOVO, lambda p: aside(p.arp(), -4.1, -14.3, 0.0), "unexplained", "rounded",
      "digit-slip", group="doubt")  # fmt: skip
BOOK.add("right within 3 m where a datum has no grid", "Asia", lambda: base_says(PULKOVO, aside(PULKOVO.arp(), 2.1, -1.4, 0.0)),
         group="doubt", right_base=True)  # fmt: skip
