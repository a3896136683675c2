"""Situations in which an honest answer is "may be", or that nothing explains it: a flat word would be a guess."""

from __future__ import annotations

from tests.proof.situations import ground
from tests.proof.situations.case import Book, Told, stop
from tests.proof.situations.ground import KESTREL, Place, aside, drifted
from tests.proof.situations.right_bases import NOT_JUDGED, base_says
from tests.proof.situations.right_rovers import crew, on, round_trip

BOOK = Book("doubt")


def bumped(name: str, place: Place, east: float, north: float, up: float, *causes: str, role: str = "base") -> None:
    """The base broadcasts a position so far off, by nothing that anybody types."""

    def make() -> Told:
        at = aside(place.arp(), east, north, up)
        if role == "base":
            return base_says(place, at)
        where, until = round_trip(place, (aside(place.mark("KQ-1").xyz, 55.0, -31.0, 3.2), 40.0))
        return crew(place, where, until, base_at=at, error=ground.minus(at, place.arp()))

    BOOK.add(f"{name}, {place.label}", place.region, make, stop("base-datum", *causes, by=11.0))


bumped("a bumped tripod: 9 cm aside", KESTREL, 0.083, 0.034, -0.004, "unexplained")
bumped("a bumped tripod: 4 cm aside, 12 mm down", ground.SWEREF, -0.031, 0.026, -0.012, "unexplained")
bumped("a bumped tripod: 17 cm aside", ground.GDA, 0.123, -0.117, -0.011, "unexplained", role="rover")
bumped("half a metre aside, the height right", ground.SIRGAS, 0.37, -0.34, 0.006, "unexplained")
bumped("0.61 m aside, the height right", ground.KGD, -0.53, 0.31, 0.004, "unexplained")
bumped("1.1 m aside, the height right", ground.HARTEBEESTHOEK, 0.83, 0.73, -0.009, "unexplained")
bumped("1.4 m aside, the height right", ground.POSGAR, -1.07, 0.93, 0.008, "unexplained")
bumped("0.907 m too high, the plan right", ground.ETRS, 0.003, -0.004, 0.907, "unexplained")
bumped("0.353 m too low, the plan right", ground.JGD, -0.004, 0.002, -0.3527, "unexplained")
bumped("3.313 m too low, the plan right", ground.CSRS, 0.002, 0.005, -3.3131, "unexplained")
bumped("0.117 m too high, the plan right", ground.NZ, 0.001, 0.003, 0.1171, "unexplained")
bumped("0.5 m aside and 0.1 m up: no receiver's own position", ground.RGF, 0.33, 0.39, 0.113, "unexplained")
bumped("47 m aside and 12 m up: no receiver's own position either", ground.ARABIA, 31.37, -35.11, 12.43, "unexplained")
bumped("8 km off", ground.MEXICO, 6113.7, -5211.3, 41.3, "other-project")


@BOOK(
    "the antenna height is left out to within 4 cm: may be, and nothing typed",
    "Europe",
    stop("base-datum", "unexplained", by=11.0),
)
def _() -> Told:
    return base_says(ground.ETRS, aside(ground.ETRS.arp(antenna_m=0.0), 0.0, 0.0, 0.041))


@BOOK(
    "today's frame in a country that deforms: a frame, or nothing; never the receiver's own position",
    "Asia",
    stop("base-datum", "frame-shift", "epoch-shift", "unexplained", by=11.0),
)
def _() -> Told:
    # 15 years of a plate's middle rate and a decimetre and a half of an earthquake's afterslip.
    at = aside(drifted(ground.JGD.arp(), "EURA", 15.5), 0.12, -0.09, -0.01)
    return base_says(ground.JGD, at)


@BOOK(
    "today's frame in CGCS2000, whose plate moves unevenly",
    "Asia",
    stop("base-datum", "frame-shift", "epoch-shift", "unexplained", by=11.0),
)
def _() -> Told:
    at = aside(drifted(ground.CGCS.arp(), "EURA", ground.TODAY - 2000.0), 0.08, 0.03, 0.0)
    return base_says(ground.CGCS, at)


@BOOK("heights 2.1 m off on the bundled geoid: not judged, a note", "Africa", allow=NOT_JUDGED)
def _() -> Told:
    place = ground.NGA_POINTS[5]
    return base_says(place, aside(place.arp(), 0.002, 0.003, 2.1))


@BOOK(
    "heights 5 m off on the bundled geoid: judged, and nothing explains it",
    "Africa",
    stop("base-datum", "unexplained", by=11.0),
)
def _() -> Told:
    place = ground.NGA_POINTS[5]
    return base_says(place, aside(place.arp(), 0.002, 0.003, 5.37))


def missed(name: str, place: Place, east: float, north: float, up: float, *causes: str) -> None:
    """The rover stands on a mark, the base is right, and the miss has no plain cause: never the base's."""

    def make() -> Told:
        where, until = round_trip(place, (on(place, "KQ-2", east, north, ground.POLE_M + up), 40.0))
        return crew(place, where, until)

    BOOK.add(f"{name}, {place.label}", place.region, make, stop("control-check", *causes), right_base=True)


missed(
    "a check 7.5 cm too low: the pole, the mark or nothing known",
    ground.SAVANNA,
    0.0,
    0.0,
    -0.075,
    "rover-pole",
    "mark-or-point",
    "unexplained",
)
missed(
    "a check 4 cm aside, the height right: a lean or the mark",
    ground.NZ,
    0.032,
    0.026,
    0.001,
    "leaning-pole",
    "mark-or-point",
    "unexplained",
)
missed(
    "a check that reads as a left-out antenna height while the base is right",
    ground.ETRS,
    0.0,
    0.0,
    -1.843,
    "rover-pole",
    "mark-or-point",
    "unexplained",
)
missed(
    "a check that reads as 12 cm of rounding while the base is right",
    KESTREL,
    0.09,
    -0.08,
    0.002,
    "leaning-pole",
    "mark-or-point",
    "unexplained",
)


@BOOK("pole 20 cm short on the bundled geoid: a note, or within that grid's error", "Asia", allow=NOT_JUDGED, right_base=True)
def _() -> Told:
    place = ground.NGA_POINTS[2]
    where, until = round_trip(place, (on(place, "KQ-2", up=1.80), 40.0))
    return crew(place, where, until)


@BOOK("an own position heard on one mark only, positions alone: it predicts no place", "Europe")
def _() -> Told:
    place = ground.RGF
    error = ground.minus(aside(place.arp(), 1.31, -2.57, 3.44), place.arp())
    where, until = round_trip(place, (on(place, "KQ-2"), 40.0))
    return crew(place, where, until, receiver_only=True, error=error)


@BOOK("one stand that reads as a slipped digit from one mark, positions alone: a stake, perhaps", "Africa")
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    mark = place.mark("KQ-2")
    beside = ground.ecef(mark.latitude + 0.0002, mark.longitude, mark.h)
    where, until = round_trip(place, (aside(beside, 0.0, 0.0, 2.0), 30.0))
    return crew(place, where, until, receiver_only=True)
