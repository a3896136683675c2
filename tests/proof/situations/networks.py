"""Network corrections and moving bases: the station's position and number may change at any time."""

from __future__ import annotations

import math
from typing import Any

from tests.proof.situations import ground
from tests.proof.situations.case import Book, Told, check, stop
from tests.proof.situations.ground import POLE_M, Place, Xyz, aside, site
from tests.proof.situations.right_rovers import on, round_trip
from tests.proof.situations.shift import Shift, still, walk

BOOK = Book("practice")


def net(place: Place, role: str = "rover", kind: str = "network", **other: Any) -> dict[str, Any]:
    """A site whose corrections come from a service, or whose base moves."""
    table = site(place, role, **other)
    table["base"] = {"kind": kind}
    return table


def virtual(place: Place, number: int) -> tuple[int, Xyz]:
    """The virtual station of the `number`th request: another place, another number."""
    return 1 + (37 * number) % 4000, aside(place.mark("KQ-1").xyz, 900.0 * number - 400.0, 650.0 - 300.0 * number, 3.0 * number)


def _changing(name: str, place: Place, role: str = "rover") -> None:
    def make() -> Told:
        shift = Shift(name)
        for part in range(6):
            number, at = virtual(place, part)
            shift.base((60.0 * part, 60.0 * part + 60.0), at, station=number)
        where, _ = round_trip(place, (on(place, "KQ-2"), 40.0), (on(place, "KQ-3"), 40.0), start=30.0)
        if role == "rover":
            shift.receiver((0.0, 360.0), where, n=place.n, station=None)
        return net(place, role), shift, 360.0

    BOOK.add(name, place.region, make)


_changing("a virtual station that moves and changes its number each minute", ground.ETRS)
_changing("the same in the south", ground.GDA)
_changing("the same at a post beside the modem", ground.SWEREF, role="base")


@BOOK("a virtual station with its number in GGA, changing", "Asia")
def _() -> Told:
    place = ground.KGD
    shift = Shift("gga number")
    for part in range(4):
        number, at = virtual(place, part)
        shift.base((60.0 * part, 60.0 * part + 60.0), at, station=number)
        shift.receiver(
            (60.0 * part, 60.0 * part + 60.0),
            still(aside(place.mark("KQ-1").xyz, 70.0, 30.0, 2.0)),
            n=place.n,
            station=number % 1024,
        )
    return net(place), shift, 240.0


@BOOK("the nearest real station of a service, 18 km off, positions 4 s old", "North America")
def _() -> Told:
    place = ground.CSRS
    shift = Shift("nearest").base((0.0, 240.0), aside(place.arp(), 14000.0, 11000.0, 40.0), station=2301, late=2.5)
    shift.receiver((0.0, 240.0), still(aside(place.mark("KQ-1").xyz, 70.0, 30.0, 2.0)), n=place.n, station=253, age=4.0)
    return net(place), shift, 240.0


@BOOK("a service whose epochs are 9 s old", "South America")
def _() -> Told:
    place = ground.SIRGAS
    shift = Shift("old service").base((0.0, 240.0), aside(place.arp(), 4000.0, 1000.0, 4.0), station=77, late=8.0)
    shift.receiver((0.0, 240.0), still(aside(place.mark("KQ-1").xyz, 70.0, 30.0, 2.0)), n=place.n, station=77, age=9.0)
    return net(place), shift, 240.0


@BOOK("a service in bursts of three seconds, with residuals", "Europe")
def _() -> Told:
    place = ground.RGF
    shift = Shift("bursts")
    shift.base(
        (0.0, 240.0),
        aside(place.arp(), 2000.0, 1000.0, 4.0),
        station=501,
        burst=3.0,
        also=lambda t: shift.other(1030) + shift.other(1031),
    )
    shift.receiver(
        (0.0, 240.0), still(aside(place.mark("KQ-1").xyz, 70.0, 30.0, 2.0)), n=place.n, station=501, age=lambda t: 1.0 + t % 3.0
    )
    return net(place), shift, 240.0


@BOOK("a service, positions alone at the post", "Africa")
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0), (on(place, "KQ-4"), 30.0))
    shift = Shift("alone").receiver((0.0, until), where, n=place.n, station=None)
    return net(place, receiver_only=True), shift, until


@BOOK("a service in the project's old datum by its grid, checks in right", "Europe")
def _() -> Told:
    place = ground.DHDN
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    shift = Shift("old datum").base((0.0, until), aside(place.arp(), 3000.0, 100.0, 0.0), station=12)
    shift.receiver((0.0, until), where, n=place.n, station=12)
    return net(place), shift, until


def _moving(name: str, place: Place, role: str) -> None:
    def make() -> Told:
        start = aside(place.mark("KQ-1").xyz, -60.0, 20.0, 3.0)

        def boat(t: float) -> Xyz:
            return aside(start, 2.0 * t, 12.0 * math.sin(t / 30.0), 0.3 * math.sin(t))

        shift = Shift(name).base((0.0, 240.0), boat, position_every=1.0)
        if role == "rover":
            shift.receiver((0.0, 240.0), lambda t: aside(boat(t), 4.0, 7.0, 1.0), n=place.n)
        else:
            shift.receiver((0.0, 240.0), boat, n=place.n, quality=1, age=None, station=None)
        return net(place, role, kind="moving"), shift, 240.0

    BOOK.add(name, place.region, make)


_moving("a base on a boat, at the rover", ground.SWEREF, "rover")
_moving("a base on a boat, at the base", ground.NZ, "base")


@BOOK("a moving base: the rover passes slowly over a mark, metres off", "Oceania")
def _() -> Told:
    place = ground.GDA
    mark = place.mark("KQ-2").xyz
    shift = Shift("over a mark").base((0.0, 200.0), lambda t: aside(mark, 3.0 + 0.01 * t, 9.0, 2.0), position_every=1.0)
    shift.receiver((0.0, 200.0), walk((0.0, aside(mark, 40.0, 0.0, 2.6)), (60.0, aside(mark, 0.07, 0.0, 2.6))), n=place.n)
    return net(place, kind="moving"), shift, 200.0


# What a service does not excuse


@BOOK("a service falls silent", "Europe", stop("corrections-stopped", "service-silent", after=64.0, by=77.0), group="blunder")
def _() -> Told:
    place = ground.ETRS
    shift = Shift("net silent").base((0.0, 60.0), virtual(place, 1)[1], station=38)
    shift.receiver(
        (0.0, 150.0),
        still(aside(place.mark("KQ-1").xyz, 70.0, 30.0, 2.0)),
        n=place.n,
        station=None,
        age=lambda t: max(1.0, t - 59.0),
        quality=lambda t: 4 if t < 80 else 5,
    )
    return net(place), shift, 150.0


@BOOK("a service's corrections are 22 s old", "Asia", check("corrections-late", "slow-link", "old-epochs"), group="blunder")
def _() -> Told:
    place = ground.KGD

    def late(t: float) -> float:
        return 0.25 + min(max(0.0, 0.4 * (t - 60.0)), 21.0)

    shift = Shift("net late").base((0.0, 220.0), virtual(place, 1)[1], station=38, late=late)
    shift.receiver(
        (0.0, 220.0),
        still(aside(place.mark("KQ-1").xyz, 70.0, 30.0, 2.0)),
        n=place.n,
        station=None,
        age=lambda t: 1.0 + late(t),
    )
    return net(place), shift, 220.0


@BOOK(
    "a service in another frame: every mark 0.87 m off",
    "Europe",
    stop("control-check", "frame-shift", once=False),
    group="blunder",
)
def _() -> Told:
    place = ground.ETRF
    truth = place.mark("KQ-2").xyz
    error = ground.minus(ground.moved("EPSG:7930", "EPSG:7789", truth, ground.TODAY), truth)
    where, until = round_trip(place, (on(place, "KQ-2"), 40.0), (on(place, "KQ-3"), 40.0))
    shift = Shift("net frame").base((0.0, until), ground.plus(virtual(place, 1)[1], error), station=38)
    shift.receiver((0.0, until), lambda t: ground.plus(where(t), error), n=place.n, station=38)
    return net(place), shift, until


@BOOK("a service, the rover's pole 20 cm short", "South America", stop("control-check", "rover-pole"), group="blunder")
def _() -> Told:
    place = ground.POSGAR
    where, until = round_trip(place, (on(place, "KQ-2", up=POLE_M - 0.20), 40.0))
    shift = Shift("net pole").base((0.0, until), virtual(place, 1)[1], station=38)
    shift.receiver((0.0, until), where, n=place.n, station=38)
    return net(place), shift, until
