"""Rovers and crews that do something wrong while the base is right: the first cause is the rover's own, never the base."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Expect, Told, check, note, stop
from tests.proof.situations.ground import KESTREL, POLE_M, Place, Xyz, aside, site
from tests.proof.situations.right_bases import second_base
from tests.proof.situations.right_rovers import COMPENSATES, TILT, crew, on, round_trip
from tests.proof.situations.shift import Shift, still, walk

BOOK = Book("blunder")


def stand(
    name: str,
    place: Place,
    east: float,
    north: float,
    up: float,
    *causes: str,
    pole: float = POLE_M,
    mark: str = "KQ-2",
    group: Any = None,
    **other: Any,
) -> None:
    """The rover's antenna is `up` over a mark and so far beside it, where the site file has `pole`."""

    def make() -> Told:
        where, until = round_trip(place, (on(place, mark, east, north, up), 40.0))
        return crew(place, where, until, table=site(place, "rover", rover={"pole_height_m": pole}), **other)

    BOOK.add(
        f"{name}, {place.label}",
        place.region,
        make,
        stop("control-check", *causes, after=69.0, by=76.0),
        right_base=True,
        group=group,
    )


# The pole and its foot

stand("pole 20 cm short", KESTREL, 0.0, 0.0, 1.80, "rover-pole")
stand("pole 20 cm short", ground.SWEREF, 0.004, -0.003, 1.80, "rover-pole")
stand("pole 50 cm longer than the file says", ground.GDA, 0.0, 0.0, 2.50, "rover-pole")
stand("pole height never taken off", ground.SIRGAS, 0.0, 0.0, 2.0, "rover-pole", pole=0.0)
stand("pole height taken off twice", ground.NZ, 0.0, 0.0, 0.0, "rover-pole")
stand("pole a foot longer", ground.US_FEET, 0.0, 0.0, POLE_M + 0.3048, "rover-pole")
stand("pole 15 cm longer: a spacer is left on", ground.HARTEBEESTHOEK, 0.0, 0.0, 2.15, "rover-pole")
stand("the height is to the phase centre, 8.9 cm over the mount", ground.ETRS, 0.0, 0.0, POLE_M + 0.089, "rover-pole")
stand(
    "pole leans by 4°, no sensor",
    ground.JGD,
    2.0 * math.sin(math.radians(4)) * 0.8,
    2.0 * math.sin(math.radians(4)) * 0.6,
    2.0 * math.cos(math.radians(4)),
    "leaning-pole",
)
stand(
    "pole leans by 3°, no sensor",
    ground.RGF,
    -2.0 * math.sin(math.radians(3)) * 0.6,
    2.0 * math.sin(math.radians(3)) * 0.8,
    2.0 * math.cos(math.radians(3)),
    "leaning-pole",
)

# The mark

stand("mark disturbed: 7 cm aside and 8 cm up", ground.KGD, 0.05, 0.05, 2.08, "mark-or-point")
stand("mark replaced: 11 cm aside and 6 cm up", ground.CSRS, -0.10, 0.045, 2.06, "mark-or-point")
stand("pole on the kerb's lower edge, 9 cm aside and 17 cm down", ground.ETRS, 0.07, 0.057, 1.83, "mark-or-point")
stand("mark disturbed, far along the day", ground.ALTIPLANO, 0.06, -0.06, 2.07, "mark-or-point", mark="KQ-4")


# Positions alone: the base is not proven, and the miss is no base's blunder


def _alone(name: str, place: Place, up: float, *causes: str, east: float = 0.0, north: float = 0.0) -> None:
    def make() -> Told:
        where, until = round_trip(place, (on(place, "KQ-2", east, north, up), 40.0))
        return crew(place, where, until, receiver_only=True)

    BOOK.add(f"{name}, positions alone, {place.label}", place.region, make, stop("control-check", *causes))


_alone("pole 20 cm short", ground.CSRS, 1.80, "rover-pole")
_alone("pole height taken off twice", ground.SIRGAS, 0.0, "rover-pole")
_alone("pole 25 cm longer", ground.HARTEBEESTHOEK, 2.25, "rover-pole")
_alone("mark disturbed, 7 cm aside and 8 cm up", ground.RGF, 2.08, "mark-or-point", east=0.05, north=0.05)


@BOOK("pole 20 cm short, the receiver speaks GNS", "Europe", stop("control-check", "rover-pole"), right_base=True)
def _() -> Told:
    place = ground.ETRS
    where, until = round_trip(place, (on(place, "KQ-2", up=1.80), 40.0))
    return crew(place, where, until, form=("GNS", "ZDA"))


@BOOK("pole 20 cm short on the project's second base", "Europe", stop("control-check", "rover-pole"), right_base=True)
def _() -> Told:
    place = ground.SWEREF
    where, until = round_trip(place, (on(place, "KQ-2", up=1.80), 40.0))
    return crew(
        place,
        where,
        until,
        table=site(place, "rover", other_base=[second_base(place)]),
        base_at=place.arp("KQ-3", 1.612),
        base={"station": 418},
        station=418,
    )


# Tilt


def tilted(
    name: str,
    region: str,
    angle: Callable[[float], float],
    *expect: Expect,
    tilt: dict[str, Any] | None = None,
    aligned: Any = None,
    mark: str = "",
    allow: tuple[Allow, ...] = (),
) -> None:
    """The pole leans as said: on its way to 60, standing from then to 120."""

    def make() -> Told:
        at = on(KESTREL, mark) if mark else aside(KESTREL.mark("KQ-1").xyz, 55.0, -31.0, 1.2)
        if mark and angle(90.0) < 45:  # the leaning pole's foot is on the mark, its antenna is not
            lean = math.radians(angle(90.0))
            at = on(KESTREL, mark, POLE_M * math.sin(lean), 0.0, POLE_M * math.cos(lean))
        where, until = round_trip(KESTREL, (at, 60.0))
        return crew(
            KESTREL, where, until, table=site(KESTREL, "rover", **({"tilt": tilt} if tilt else {})), tilt=angle, aligned=aligned
        )

    BOOK.add(name, region, make, *expect, allow=allow, right_base=True)


tilted(
    "a plain pole that leans 20° while it stands",
    "Europe",
    lambda t: 20.0 if t >= 60 else 4.0,
    check("tilt", "pole-too-far-over", after=62.5, by=67.0),
)
tilted(
    "a compensated pole that leans 36°",
    "Asia",
    lambda t: 36.0 if t >= 60 else 4.0,
    check("tilt", "pole-too-far-over", after=62.5, by=67.0),
    tilt=COMPENSATES,
    aligned=True,
)
tilted(
    "the sensor loses its alignment while the pole leans",
    "South America",
    lambda t: 12.0 if t >= 60 else 4.0,
    check("tilt", "sensor-not-aligned", after=82.5, by=85.0),
    tilt=COMPENSATES,
    aligned=lambda t: t < 80,
)
tilted(
    "the sensor was never aligned, the standing pole leans 6°",
    "Oceania",
    lambda t: 6.0 if t >= 60 else 4.0,
    check("tilt", "sensor-not-aligned", after=62.5, by=67.0),
    tilt=COMPENSATES,
    aligned=False,
)
tilted(
    "a plain pole leans 4° on a mark, its sensor says so: a note, and the check waits",
    "North America",
    lambda t: 4.0 if t >= 60 else 7.0,
    note("tilt", "pole-too-far-over", after=62.5, by=67.0),
    mark="KQ-2",
)
tilted(
    "a plain pole leans 3° on two stands: a note",
    "Africa",
    lambda t: 3.0 if t >= 60 else 7.0,
    note("tilt", "pole-too-far-over", after=62.5, by=67.0),
    tilt=TILT,
    aligned=True,
)


# The fix


def fixes(
    name: str,
    place: Place,
    quality: Callable[[float], int],
    *expect: Expect,
    walks: bool = False,
    until: float = 240.0,
    allow: tuple[Allow, ...] = (),
    **other: Any,
) -> None:
    """A rover whose quality goes as said, standing 70 m from the base or walking all the time."""

    def make() -> Told:
        at = aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2)
        where = walk((0.0, at), (until, aside(at, 1.0 * until, 0.9 * until, 1.0))) if walks else still(at)
        return crew(place, where, until, quality=quality, **other)

    BOOK.add(name, place.region, make, *expect, allow=allow, right_base=True)


fixes(
    "float while the rover stands",
    KESTREL,
    lambda t: 5 if 100 <= t < 160 else 4,
    stop("fix-lost", "float", after=102.5, by=106.0),
)
fixes(
    "autonomous while the rover stands",
    ground.SWEREF,
    lambda t: 1 if 100 <= t < 160 else 4,
    stop("fix-lost", "autonomous", after=102.5, by=106.0),
)
fixes(
    "differential while the rover stands",
    ground.SIRGAS,
    lambda t: 2 if 100 <= t < 160 else 4,
    stop("fix-lost", "differential", after=102.5, by=106.0),
)
fixes(
    "no position while the rover stands",
    ground.KGD,
    lambda t: 0 if 100 <= t < 160 else 4,
    stop("fix-lost", "no-position", after=102.5, by=106.0),
)
fixes(
    "autonomous while walking",
    ground.GDA,
    lambda t: 1 if 100 <= t < 130 else 4,
    check("fix-lost", "autonomous", after=102.5, by=106.0),
    walks=True,
)
fixes(
    "never a fix in two minutes of corrections",
    ground.HARTEBEESTHOEK,
    lambda t: 5,
    Expect("fix-lost", ("float",), "", 119.0, 126.0),
)
fixes(
    "float, GNS's mode letters say it",
    ground.RGF,
    lambda t: 5 if 100 <= t < 160 else 4,
    stop("fix-lost", "float", after=102.5, by=106.0),
    form=("GNS", "RMC"),
)
fixes(
    "float, RMC's mode letter alone says it",
    ground.NZ,
    lambda t: 5 if 100 <= t < 160 else 4,
    stop("fix-lost", "float", after=102.5, by=106.0),
    form=("RMC",),
)


@BOOK(
    "float begins while walking, then the rover stands to store a point",
    "Europe",
    check("fix-lost", "float", after=102.5, by=105.0),
    stop("fix-lost", "float", after=141.5, by=147.0),
    right_base=True,
)
def _() -> Told:
    place = ground.ETRS
    start = aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2)
    where = walk((0.0, start), (140.0, aside(start, 150.0, 110.0, 1.0)))
    return crew(place, where, 200.0, quality=lambda t: 5 if 100 <= t < 180 else 4)


@BOOK("the receiver says nothing any more", "Asia", stop("fix-lost", "no-position", after=99.0, by=110.0), right_base=True)
def _() -> Told:
    place = ground.JGD
    shift = Shift("dumb").base((0.0, 200.0), place.arp())
    shift.receiver((0.0, 100.0), still(aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2)), n=place.n)
    return site(place, "rover"), shift, 200.0


@BOOK("the receiver's port goes away", "Oceania", stop("fix-lost", "no-position", after=100.0, by=108.5), right_base=True)
def _() -> Told:
    place = ground.GDA
    shift = Shift("unplugged").base((0.0, 200.0), place.arp())
    shift.receiver((0.0, 100.0), still(aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2)), n=place.n)
    shift.port(100.2, "receiver", "lost")
    return site(place, "rover"), shift, 200.0


# Sky and height reference

fixes(
    "five satellites in the cutting",
    ground.MEXICO,
    lambda t: 4,
    check("sky", "few-satellites", after=149.0, by=156.0),
    satellites=5,
    until=300.0,
)
fixes(
    "HDOP 4.2 between the walls",
    ground.CGCS,
    lambda t: 4,
    check("sky", "poor-geometry", after=149.0, by=156.0),
    hdop=4.2,
    until=300.0,
)


@BOOK(
    "the receiver's separation has its sign reversed",
    "North America",
    note("height-reference", "sign-reversed"),
    right_base=True,
)
def _() -> Told:
    where, until = round_trip(KESTREL, (aside(KESTREL.mark("KQ-1").xyz, 55.0, -31.0, 2.2), 60.0))
    return crew(KESTREL, where, until, separation=-KESTREL.n)


@BOOK(
    "the receiver gives ellipsoidal heights and no separation",
    "South America",
    note("height-reference", "no-separation"),
    right_base=True,
)
def _() -> Told:
    place = ground.POSGAR
    where, until = round_trip(place, (aside(place.mark("KQ-1").xyz, 55.0, -31.0, 2.2), 60.0))
    return crew(place, where, until, separation=0.0, n=0.0)


# A rover that hears positions alone: the base moved all the same


def _jump(name: str, place: Place, step: Xyz, *expect: Expect, walks: bool = False) -> None:
    def make() -> Told:
        at = aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2)
        where = walk((0.0, at), (200.0, aside(at, 150.0, 150.0, 1.0))) if walks else still(at)
        shift = Shift(name)
        shift.receiver((0.0, 200.0), lambda t: aside(where(t), *step) if t >= 100 else where(t), n=place.n)
        return site(place, "rover", receiver_only=True), shift, 200.0

    BOOK.add(name, place.region, make, *expect)


_jump(
    "the fixed position steps by 16 m while the rover stands, positions alone",
    KESTREL,
    (12.3, -10.1, 1.4),
    stop("base-moved", "position-jumped", after=100.0, by=106.0),
)
_jump(
    "the fixed position steps by 0.4 m while the rover stands, positions alone",
    ground.SWEREF,
    (0.27, 0.29, -0.05),
    stop("base-moved", "position-jumped", after=100.0, by=106.0),
)
_jump(
    "the fixed position steps by 300 m while walking, positions alone",
    ground.NZ,
    (-262.17, 141.86, -2.47),
    stop("base-moved", "position-jumped", after=100.0, by=106.0),
    walks=True,
)


# A person says on which mark the rover stands: how near it stands is then no question


def declared(place: Place, at: Xyz, mark: str, *, receiver_only: bool = False, error: Xyz = (0.0, 0.0, 0.0)) -> Told:
    """The rover stands at `at` from 60 on; at 65 a person says that this is `mark`."""
    where, until = round_trip(place, (at, 40.0))
    table, shift, until = crew(place, where, until, receiver_only=receiver_only, error=error)
    shift.declared(65.0, mark)
    return table, shift, until


@BOOK("declared on a mark, and on it", "Asia", right_base=True, group="practice")
def _() -> Told:
    return declared(ground.KGD, on(ground.KGD, "KQ-2"), "KQ-2")


@BOOK("declared on KQ-3 while the rover stands on KQ-2", "Africa", stop("control-check", "mark-or-point"), right_base=True)
def _() -> Told:
    return declared(ground.SAVANNA, on(ground.SAVANNA, "KQ-2"), "KQ-3")


def _on_another_mark(name: str, place: Place, **other: Any) -> None:
    """The base is over KQ-3 and was told KQ-1, whose coordinate it sends."""

    def make() -> Told:
        error = ground.minus(place.mark("KQ-1").xyz, place.mark("KQ-3").xyz)
        return declared(place, on(place, "KQ-2", 0.006, -0.004, POLE_M + 0.01), "KQ-2", error=error, **other)

    BOOK.add(name, place.region, make, stop("control-check", "other-control-point", by=76.0))


_on_another_mark("declared on KQ-2, the base is over KQ-3 and sends KQ-1's coordinate", KESTREL)
_on_another_mark("declared on KQ-2, the base is over KQ-3 and sends KQ-1's coordinate, in MGA", ground.GDA)
_on_another_mark(
    "declared on KQ-2, the base is over KQ-3 and was told KQ-1, positions alone", ground.SIRGAS, receiver_only=True
)


# The base sends what it should, and is not there


def _not_there(name: str, place: Place, error: Xyz, *expect: Expect) -> None:
    """The base's antenna is beside its mark, or higher over it than was told: three marks miss by the same."""

    def make() -> Told:
        where, until = round_trip(place, *((on(place, mark), 40.0) for mark in ("KQ-2", "KQ-4", "KQ-3")))
        off = ground.minus(aside(place.arp(), *error), place.arp())
        return crew(place, where, until, error=off)

    BOOK.add(f"{name}, {place.label}", place.region, make, *expect)


def _then(first: str, other: str) -> tuple[Expect, Expect]:
    return stop("control-check", first, by=90.0, once=False), stop("control-check", other, after=120.0, once=False)


_not_there("the base's tripod knocked 8.6 cm aside", KESTREL, (0.071, -0.049, 0.02), *_then("leaning-pole", "base-set-up"))
_not_there("the base set up 12 cm beside its mark", ground.GDA, (-0.105, 0.058, -0.01), *_then("leaning-pole", "base-set-up"))
_not_there("25 cm of extension under the base's antenna", ground.SIRGAS, (0.0, 0.0, -0.25), *_then("rover-pole", "rover-pole"))
_not_there("the base's tape read 10 cm off", ground.SWEREF, (0.002, 0.003, 0.10), *_then("rover-pole", "rover-pole"))


@BOOK(
    "a pole with a wrong bubble, turned between two marks",
    "Europe",
    stop("control-check", "leaning-pole", by=90.0, once=False),
    right_base=True,
)
def _() -> Told:
    place = ground.RGF
    stops = (on(place, "KQ-2", 0.06, 0.05, 1.998), 40.0), (on(place, "KQ-4", -0.05, 0.06, 1.998), 40.0)
    where, until = round_trip(place, *stops)
    return crew(place, where, until)


@BOOK("declared on KQ-2 by a slip, the rover stands 40 m off any mark", "Asia", right_base=True, group="practice")
def _() -> Told:
    return declared(ground.KGD, aside(on(ground.KGD, "KQ-2"), 31.0, -25.0, 0.4), "KQ-2")


@BOOK(
    "declared on a mark, 0.4 m beside it: the old mark's stump",
    "Europe",
    stop("control-check", "mark-or-point", "unexplained"),
    right_base=True,
    group="doubt",
)
def _() -> Told:
    return declared(ground.RGF, on(ground.RGF, "KQ-2", 0.32, -0.24, POLE_M - 0.06), "KQ-2")


@BOOK(
    "declared on one mark, the base's 'here' position 4 m off, positions alone",
    "Oceania",
    stop("control-check", "autonomous-base"),
)
def _() -> Told:
    place = ground.NZ
    error = ground.minus(aside(place.arp(), 1.87, -2.31, 3.52), place.arp())
    return declared(place, on(place, "KQ-2"), "KQ-2", receiver_only=True, error=error)


@BOOK(
    "declared on one mark, the base over the wrong mark, positions alone",
    "South America",
    stop("control-check", "other-control-point"),
)
def _() -> Told:
    place = ground.POSGAR
    error = ground.minus(place.arp("KQ-4"), place.arp())
    return declared(place, on(place, "KQ-2"), "KQ-2", receiver_only=True, error=error)
