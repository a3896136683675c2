"""Rovers and crews that do everything right: nothing may be raised, or a note where the contract says so."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Told, check, note
from tests.proof.situations.ground import KESTREL, POLE_M, Place, Xyz, aside, site
from tests.proof.situations.right_bases import NOT_JUDGED, local_site, second_base
from tests.proof.situations.shift import Shift, Where, still, walk

BOOK = Book("practice")
TILT = {"sentence": "PEXMP,TILT", "angle_field": 3, "aligned_field": 4}
WALKING_M_S = 1.5
OTHER_GEOID = (Allow("height-reference", "other-geoid"),)


def on(place: Place, mark: str, east: float = 0.0, north: float = 0.0, up: float = POLE_M) -> Xyz:
    """The antenna over a mark, or so far beside it."""
    return aside(place.mark(mark).xyz, east, north, up)


def round_trip(place: Place, *stops: tuple[Xyz, float], start: float = 0.0, walking: float = 60.0) -> tuple[Where, float]:
    """From 40 m aside to each stop in turn, so many seconds at each; the way and when it ends."""
    points = [(start, aside(stops[0][0], 40.0, -25.0, 0.3))]
    t = start
    for at, stays in stops:
        t += max(walking, math.dist(points[-1][1], at) / WALKING_M_S)
        points.append((t, at))
        t += stays
        points.append((t, at))
    t += 20.0
    points.append((t, aside(stops[-1][0], -25.0, 8.0, 0.0)))
    return walk(*points), t


def crew(
    place: Place,
    where: Where,
    until: float,
    *,
    table: dict[str, Any] | None = None,
    receiver_only: bool = False,
    error: Xyz = (0.0, 0.0, 0.0),
    base: dict[str, Any] | None = None,
    base_at: Xyz | Callable[[float], Xyz] | None = None,
    **receiver: Any,
) -> Told:
    """A rover post: a base on KQ-1 (with what differs in `base`), and a rover on its way, `error` added to what it says."""
    shift = Shift(place.label + str(until))
    if not receiver_only:
        shift.base((0.0, until), base_at or place.arp(), **(base or {}))
    said = {"n": place.n, **receiver}
    shift.receiver((0.0, until), lambda t: ground.plus(where(t), error), **said)
    return table or site(place, "rover", receiver_only=receiver_only), shift, until


def _checks(place: Place, receiver_only: bool = False) -> None:
    def make() -> Told:
        where, until = round_trip(place, (on(place, "KQ-2"), 30.0), (on(place, "KQ-4"), 30.0))
        return crew(place, where, until, receiver_only=receiver_only)

    alone = ", positions alone" if receiver_only else ""
    BOOK.add(f"rover checks in right on two marks{alone}, {place.label}", place.region, make, right_base=not receiver_only)


for _place in (
    ground.KESTREL,
    ground.US_FEET,
    ground.SIRGAS,
    ground.SWEREF,
    ground.ARCTIC,
    ground.JGD,
    ground.GDA,
    ground.NZ,
    ground.HARTEBEESTHOEK,
    ground.DATE_LINE,
    ground.DHDN,
):
    _checks(_place)
for _place in (ground.CSRS, ground.RGF, ground.KGD, ground.SAVANNA, ground.ALTIPLANO):
    _checks(_place, receiver_only=True)


@BOOK(
    "rover checks in right, national geoid 0.6 m from EGM96, bundled", "Europe", allow=NOT_JUDGED + OTHER_GEOID, right_base=True
)
def _() -> Told:
    place = ground.NGA_POINTS[4]
    higher = aside(place.arp(), 0.0, 0.0, 0.6)
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    return crew(place, where, until, base_at=higher, error=ground.minus(higher, place.arp()))


@BOOK("rover in a local grid checks in right", "North America", right_base=True)
def _() -> Told:
    where, until = round_trip(KESTREL, (on(KESTREL, "KQ-2"), 30.0))
    return crew(KESTREL, where, until, table=local_site(KESTREL, "rover", rover={"pole_height_m": POLE_M}))


@BOOK("rover corrected by the project's second base checks in right", "Europe", right_base=True)
def _() -> Told:
    place = ground.SWEREF
    table = site(place, "rover", other_base=[second_base(place)])
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    return crew(place, where, until, table=table, base_at=place.arp("KQ-3", 1.612), base={"station": 418}, station=418)


@BOOK("receiver reduces the pole itself, pole height 0", "Asia", right_base=True)
def _() -> Told:
    place = ground.CGCS
    where, until = round_trip(place, (on(place, "KQ-2", up=0.0), 30.0))
    return crew(place, where, until, table=site(place, "rover", rover={"pole_height_m": 0.0}))


@BOOK("check-in 3.3 cm off, 12 km from the base", "North America", right_base=True)
def _() -> Told:
    place = KESTREL
    far = aside(place.mark("KQ-1").xyz, 8000.0, 9000.0, 0.0)
    latitude, longitude, h = ground.geodetic(far)
    h = round(h, 3)
    point = {"name": "KQ-9", "latitude": latitude, "longitude": longitude, "height": h - place.separation(latitude, longitude)}
    table = site(place, "rover")
    table["project"]["control"].append(point)
    stand = aside(ground.ecef(latitude, longitude, h), 0.023, -0.024, POLE_M + 0.02)
    where, until = round_trip(place, (stand, 40.0))
    return crew(place, where, until, table=table)


# Near a mark, and not on it


def _beside(name: str, place: Place, east: float, north: float, up: float, stays: float, **other: Any) -> None:
    def make() -> Told:
        where, until = round_trip(place, (on(place, "KQ-2", east, north, POLE_M + up), stays))
        return crew(place, where, until, **other)

    BOOK.add(name, place.region, make, right_base=not other.get("receiver_only"))


_beside("kerb shot 0.6 m beside a nail", KESTREL, 0.42, -0.43, -0.12, 15.0)
_beside("kerb shot 0.3 m beside a nail", ground.ETRS, -0.21, 0.22, 0.15, 15.0)
_beside("pole parked beside a mark for five minutes", ground.GDA, 0.31, 0.05, -0.04, 300.0)
_beside("pole parked 0.25 m beside a mark, positions alone", ground.CSRS, 0.19, 0.17, 0.07, 120.0, receiver_only=True)
_beside("kerb shot 0.6 m beside a nail, positions alone", ground.RGF, -0.37, 0.47, -0.11, 15.0, receiver_only=True)
_beside("stake 10 m east of a mark", ground.SWEREF, 10.0, 0.0, 0.4, 20.0)
_beside("stake 10 m east of a mark, positions alone", ground.SWEREF, 10.0, 0.0, 0.4, 20.0, receiver_only=True)
_beside("stake 100 m north of a mark, positions alone", ground.POSGAR, 0.0, 100.0, 1.7, 20.0, receiver_only=True)
_beside("stake 1 m south of a mark, positions alone", ground.KGD, 0.0, -1.0, 0.1, 20.0, receiver_only=True)


@BOOK("stakes every 20 m along a line from a mark, positions alone", "South America")
def _() -> Told:
    place = ground.SIRGAS
    stands = [(on(place, "KQ-2", 20.0 * k, 0.0, POLE_M + 0.13 * k), 12.0) for k in range(1, 6)]
    where, until = round_trip(place, *stands, walking=20.0)
    return crew(place, where, until, receiver_only=True)


@BOOK("stakes on whole metres of the grid, positions alone", "Europe")
def _() -> Told:
    place = ground.ETRS
    listed = place.mark("KQ-2").listed
    east, north = -(listed["easting"] % 1.0), -(listed["northing"] % 1.0)
    stands = [(on(place, "KQ-2", east + 5 * k, north + 3 * k), 12.0) for k in range(4)]
    where, until = round_trip(place, *stands, walking=20.0)
    return crew(place, where, until, receiver_only=True)


@BOOK("a position told to the decimetre: four decimals of a minute", "Europe", allow=(Allow("control-check"),), right_base=True)
def _() -> Told:
    place = ground.ETRS
    where, until = round_trip(place, (on(place, "KQ-2"), 60.0))
    return crew(place, where, until, decimals=4)


@BOOK("a position told to two metres: three decimals of a minute", "Africa", allow=(Allow("control-check"),), right_base=True)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    where, until = round_trip(place, (on(place, "KQ-2"), 60.0))
    return crew(place, where, until, decimals=3)


# The pole


def _pole(
    name: str,
    region: str,
    angle: Callable[[float], float],
    *expect: Any,
    tilt: dict[str, Any] | None = None,
    aligned: Any = None,
    mark: str = "",
    stays: float = 60.0,
    allow: tuple[Allow, ...] = (),
) -> None:
    def make() -> Told:
        place = KESTREL
        stand = on(place, mark) if mark else aside(place.mark("KQ-1").xyz, 55.0, -31.0, 1.2)
        where, until = round_trip(place, (stand, stays))
        table = site(place, "rover", **({"tilt": tilt} if tilt else {}))
        return crew(place, where, until, table=table, tilt=angle, aligned=aligned)

    BOOK.add(name, region, make, *expect, allow=allow, right_base=True)


COMPENSATES = {**TILT, "compensates": True}
_pole("a compensated pole at 25°", "North America", lambda t: 25.0 if t >= 60 else 6.0, tilt=COMPENSATES, aligned=True)
_pole(
    "a compensated pole at 25° on a mark",
    "North America",
    lambda t: 25.0 if t >= 60 else 6.0,
    tilt=COMPENSATES,
    aligned=True,
    mark="KQ-2",
)
_pole("a compensated pole at 29° under a car", "Europe", lambda t: 29.0 if t >= 60 else 6.0, tilt=COMPENSATES, aligned=True)
_pole("a compensated pole that is carried at 40°", "Asia", lambda t: 40.0 if t < 60 else 1.0, tilt=COMPENSATES, aligned=True)
_pole("a plain pole plumb within 1°", "Oceania", lambda t: 0.8 if t >= 60 else 9.0, mark="KQ-2")
_pole("a plain pole that is carried over the shoulder", "Africa", lambda t: 38.0 if t < 58 else 0.7)
_pole("a pole laid on the ground for a minute", "South America", lambda t: 88.0 if t >= 60 else 5.0)
_pole(
    "a compensated pole laid on the ground, its sensor lost",
    "Europe",
    lambda t: 87.0 if t >= 60 else 5.0,
    tilt=COMPENSATES,
    aligned=lambda t: t < 70,
)
_pole(
    "a pole that leans 2.5° for a stand: a note, once",
    "Asia",
    lambda t: 2.5 if 60 <= t < 120 else 5.0,
    note("tilt", "pole-too-far-over", after=60.0, by=80.0),
)
_pole("a sensor that was not aligned yet, the pole plumb", "Oceania", lambda t: 0.6, tilt=COMPENSATES, aligned=False)
_pole(
    "a sensor that aligns after the first steps",
    "Europe",
    lambda t: 5.0 if t < 60 else 14.0,
    tilt=COMPENSATES,
    aligned=lambda t: t >= 30,
)


@BOOK("a pole laid down beside the mark it has just checked", "North America", right_base=True)
def _() -> Told:
    place = KESTREL
    mark = place.mark("KQ-2").xyz
    where = walk(
        (0.0, aside(mark, 40.0, 20.0, 2.0)),
        (60.0, aside(mark, 0.0, 0.0, 2.0)),
        (90.0, aside(mark, 0.0, 0.0, 2.0)),
        (93.0, aside(mark, 0.11, 0.06, 0.09)),
    )
    return crew(place, where, 240.0, tilt=lambda t: 87.0 if t >= 91 else 0.5)


# Fix, float and sky


def _quality(name: str, region: str, quality: Callable[[float], int], *expect: Any, moves: bool = True, **other: Any) -> None:
    def make() -> Told:
        place = ground.RGF
        stand = aside(place.mark("KQ-1").xyz, 55.0, -31.0, 3.2)
        where = walk((0.0, stand), (240.0, aside(stand, 180.0, 260.0, 1.0))) if moves else still(stand)
        return crew(place, where, 240.0, quality=quality, **other)

    BOOK.add(name, region, make, *expect, right_base=True)


_quality("two seconds of float under a tree, walking", "Europe", lambda t: 5 if 100 <= t < 102 else 4)
_quality("a first fix after 70 s", "Asia", lambda t: 1 if t < 5 else 5 if t < 70 else 4)
_quality("fixed with 7 satellites, HDOP 1.8", "South America", lambda t: 4, satellites=7, hdop=1.8)
_quality(
    "float for 20 s under trees, walking: look, and no stop",
    "Europe",
    lambda t: 5 if 100 <= t < 120 else 4,
    check("fix-lost", "float", after=102.5, by=104.5),
)


@BOOK("ten positions a second", "North America", right_base=True)
def _() -> Told:
    where, until = round_trip(KESTREL, (on(KESTREL, "KQ-2"), 30.0))
    return crew(KESTREL, where, until, interval=0.1)


@BOOK("a position every five seconds", "Asia", right_base=True)
def _() -> Told:
    where, until = round_trip(ground.JGD, (on(ground.JGD, "KQ-2"), 60.0))
    return crew(ground.JGD, where, until, interval=5.0)


@BOOK("staking from a vehicle at 15 m/s, fixed", "Oceania", right_base=True)
def _() -> Told:
    place = ground.GDA
    start = aside(place.mark("KQ-1").xyz, 30.0, 30.0, 2.5)
    return crew(place, walk((0.0, start), (100.0, aside(start, 900.0, 1200.0, 8.0))), 140.0)


@BOOK("a vehicle at 15 m/s, positions alone", "Oceania")
def _() -> Told:
    place = ground.GDA
    start = aside(place.mark("KQ-1").xyz, 30.0, 30.0, 2.5)
    return crew(place, walk((0.0, start), (100.0, aside(start, 900.0, 1200.0, 8.0))), 140.0, receiver_only=True)


@BOOK("over midnight UTC and the GPS week's end", "Asia", right_base=True)
def _() -> Told:
    import datetime as dt

    place = ground.KGD
    start = dt.datetime(2026, 11, 28, 23, 59, 0, tzinfo=dt.UTC)
    shift = Shift("midnight", start).base((0.0, 120.0), place.arp())
    shift.receiver((0.0, 120.0), still(aside(place.mark("KQ-1").xyz, 55.0, 20.0, 2.0)), n=place.n)
    return site(place, "rover"), shift, 120.0


# What the receiver speaks


def _speaks(name: str, region: str, form: tuple[str, ...], **other: Any) -> None:
    def make() -> Told:
        place = ground.ETRS
        where, until = round_trip(place, (on(place, "KQ-2"), 30.0), (on(place, "KQ-3"), 30.0))
        return crew(place, where, until, form=form, **other)

    BOOK.add(name, region, make, right_base=True)


_speaks("a receiver that speaks GNS, not GGA", "Europe", ("GNS", "ZDA"))
_speaks("a receiver that speaks GNS and RMC", "Asia", ("GNS", "RMC"))
_speaks("a receiver that speaks RMC alone", "Africa", ("RMC",))
_speaks("a receiver that speaks GGA and GNS", "Europe", ("GGA", "GNS", "RMC"))
_speaks("a receiver that speaks GGA and no date", "South America", ("GGA",))
_speaks("a receiver with binary messages between its sentences", "North America", ("GGA", "RMC"), stray=True)


@BOOK("GNS with positions alone, checks in right", "Oceania")
def _() -> Told:
    place = ground.NZ
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    return crew(place, where, until, receiver_only=True, form=("GNS", "ZDA"))


@BOOK(
    "a receiver that reports its built-in separation, 0.64 m from the project's geoid",
    "North America",
    note("height-reference", "other-geoid"),
    right_base=True,
)
def _() -> Told:
    where, until = round_trip(KESTREL, (on(KESTREL, "KQ-2"), 30.0))
    return crew(KESTREL, where, until, n=KESTREL.n - 0.64)


@BOOK("a receiver that reports the built-in separation, heights ellipsoidal", "Africa", right_base=True)
def _() -> Told:
    where, until = round_trip(ground.SAVANNA, (on(ground.SAVANNA, "KQ-2"), 30.0))
    return crew(ground.SAVANNA, where, until, n=ground.SAVANNA.n + 0.8)


@BOOK("a receiver with EGM96's separation, bundled", "Asia", allow=NOT_JUDGED + OTHER_GEOID, right_base=True)
def _() -> Told:
    place = ground.NGA_POINTS[2]
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    return crew(place, where, until, n=place.n + 0.08)
