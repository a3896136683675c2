"""What receivers say in all their dialects, rates and oddities; and what they say when something is wrong."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

from witnesspost.replay.world.nmea import sentence

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Expect, Told, stop
from tests.proof.situations.ground import KESTREL, POLE_M, Place, aside, site
from tests.proof.situations.networks import net
from tests.proof.situations.right_rovers import crew, on, round_trip
from tests.proof.situations.shift import Shift, still

BOOK = Book("practice")
Rewrite = Callable[[list[str]], list[str]]


def reworded(change: Rewrite) -> Callable[[bytes], bytes]:
    """Sentences with their fields (the address first) changed, or left out where the change gives nothing."""

    def change_all(data: bytes) -> bytes:
        out = b""
        for line in data.split(b"\r\n"):
            if line.startswith(b"$"):
                fields = change(line[1:].split(b"*")[0].decode().split(","))
                out += sentence(*fields) if fields else b""
        return out

    return change_all


def says(name: str, place: Place, change: Callable[[bytes], bytes], *expect: Expect, group: Any = None, **other: Any) -> None:
    """A crew that checks in right on two marks, whose receiver's bytes are changed so."""

    def make() -> Told:
        where, until = round_trip(place, (on(place, "KQ-2"), 30.0), (on(place, "KQ-4"), 30.0))
        table, shift, until = crew(place, where, until, **other)
        shift.rewrite("receiver", change)
        return table, shift, until

    BOOK.add(name, place.region, make, *expect, right_base=True, group=group)


def _talker(word: str) -> Rewrite:
    return lambda fields: [word + fields[0][2:], *fields[1:]]


def _field(kind: str, changed: dict[int, str]) -> Rewrite:
    def change(fields: list[str]) -> list[str]:
        if fields[0].endswith(kind):
            return [changed.get(place, said) for place, said in enumerate(fields)]
        return fields

    return change


def _old_rmc(fields: list[str]) -> list[str]:
    return fields[:12] if fields[0].endswith("RMC") else fields


def _tagged(data: bytes) -> bytes:
    """NMEA 4's TAG block before every sentence: source and time, with a checksum of its own."""
    block = "s:r0417,c:1795514400"
    total = 0
    for letter in block:
        total ^= ord(letter)
    tag = f"\\{block}*{total:02X}\\".encode()
    return b"".join(tag + line + b"\r\n" for line in data.split(b"\r\n") if line)


def _lower_case(data: bytes) -> bytes:
    """Checksums in small letters, which some receivers write."""
    lines = [line.rpartition(b"*") for line in data.split(b"\r\n") if line]
    return b"".join(head + star + tail.lower() + b"\r\n" for head, star, tail in lines)


def _six_modes(fields: list[str]) -> list[str]:
    return [*fields[:6], "RRRRNN", *fields[7:]] if fields[0].endswith("GNS") else fields


def _and_more(data: bytes) -> bytes:
    """GLL, VTG, GSA and GST after each second's sentences, as a receiver has them switched on."""
    more = sentence("GNVTG", None, "T", None, "M", "0.02", "N", "0.04", "K", "R")
    for system in (1, 2, 3, 4):
        more += sentence("GNGSA", "A", "3", *range(1, 13), "1.2", "0.7", "1.0", system)
    return data + more + sentence("GNGST", "090000.00", "0.9", "0.010", "0.008", "12.0", "0.008", "0.009", "0.015")


says("a receiver that calls itself GP, NMEA 2.3", KESTREL, reworded(_talker("GP")))
says("a receiver of GLONASS alone, GL", ground.ETRS, reworded(_talker("GL")), base={"systems": "GR"})
says("a receiver of BeiDou, GB", ground.CGCS, reworded(_talker("GB")))
says("GNS with six mode letters, NMEA 4.11", ground.JGD, reworded(_six_modes), form=("GNS", "RMC"))
says("GGA, and an RMC of NMEA 2.0 without a mode letter", ground.SIRGAS, reworded(_old_rmc))
says("TAG blocks before every sentence", ground.SWEREF, _tagged)
says("checksums in small letters", ground.RGF, _lower_case)
says("GLL, VTG, GSA and GST besides", ground.GDA, _and_more)
says("GGA counts at most 12 satellites", ground.MEXICO, reworded(_field("GGA", {7: "12"})))
says("GGA without satellites and HDOP", ground.HARTEBEESTHOEK, reworded(_field("GGA", {7: "", 8: ""})))
says("GGA without age and station", ground.KGD, reworded(_field("GGA", {13: "", 14: ""})))
says("GGA's station is 0000 all day", ground.POSGAR, reworded(_field("GGA", {14: "0000"})))
says("GGA's age is 0 all day", ground.NZ, reworded(_field("GGA", {13: "0.0"})))
says("20 positions a second", ground.US_FEET, lambda data: data, interval=0.05)
says("a position every two seconds", ground.ARABIA, lambda data: data, interval=2.0)
says("eight decimals of a minute", ground.ALTIPLANO, lambda data: data, decimals=8)
says("a rover at 4,215 m", ground.ALTIPLANO, lambda data: data)


@BOOK("the base's number is over 1,023 and GGA has it cut to ten bits", "Europe", right_base=True)
def _() -> Told:
    place = ground.RGF
    table = site(place, "rover", base={"station_id": 2301})
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    return crew(place, where, until, table=table, base={"station": 2301}, station=253)


for _number in (0, 4095):

    @BOOK(f"the base's number is {_number}", "Asia", right_base=True)
    def _(number: int = _number) -> Told:
        place = ground.KGD
        table = site(place, "rover", base={"station_id": number})
        where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
        return crew(place, where, until, table=table, base={"station": number}, station=number)


@BOOK("GGA once a second, RMC five times", "Oceania", right_base=True)
def _() -> Told:
    place = ground.GDA
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    table, shift, until = crew(place, where, until, form=("GGA",))
    shift.receiver((0.0, until), where, n=place.n, form=("RMC",), interval=0.2)
    return table, shift, until


CROSS = ground.SAVANNA._replace(latitude=0.0003, longitude=-0.0004, label="ITRF2014 where the equator meets Greenwich")


@BOOK("a crew whose walk crosses the equator and the zero meridian", "Africa", right_base=True)
def _() -> Told:
    where, until = round_trip(CROSS, (on(CROSS, "KQ-2"), 30.0), (on(CROSS, "KQ-3"), 30.0), (on(CROSS, "KQ-4"), 30.0))
    return crew(CROSS, where, until)


@BOOK("a receiver that starts with quality 9, then floats, then fixes", "Europe", right_base=True)
def _() -> Told:
    place = ground.ETRS
    stand = still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1))
    shift = Shift("nine").base((0.0, 240.0), place.arp())
    shift.receiver((0.0, 240.0), stand, n=place.n, quality=lambda t: 2 if t < 60 else 5 if t < 80 else 4, form=("GGA",))
    nine = _field("GGA", {6: "9"})
    shift.rewrite("receiver", reworded(lambda f: nine(f) if f[6] == "2" else f))
    return site(place, "rover"), shift, 240.0


for _quality in (1, 4, 8):

    @BOOK(f"a base whose own receiver says quality {_quality}", "South America", right_base=True)
    def _(quality: int = _quality) -> Told:
        place = ground.POSGAR
        shift = Shift("own quality").base((0.0, 240.0), place.arp())
        shift.receiver((0.0, 240.0), place.arp(), n=place.n, quality=quality, age=None, station=None, noise=(0.02, 0.03))
        return site(place), shift, 240.0


@BOOK("the tilt said ten times a second, the position once", "North America", right_base=True)
def _() -> Told:
    where, until = round_trip(KESTREL, (on(KESTREL, "KQ-2"), 40.0))
    table, shift, until = crew(KESTREL, where, until)
    for step in range(round(until * 10)):
        t = step / 10
        angle = 0.6 if 60 <= t < 100 else 6.0 + step % 5
        shift.put(t + 0.03, "receiver", sentence("IIXDR", "A", f"{angle:.2f}", "D", "PTCH", "A", "0.10", "D", "ROLL"))
    return table, shift, until


# Dates and times


def clocked(name: str, place: Place, start: dt.datetime, *, role: str = "rover", zone: str = "UTC", **base: Any) -> None:
    """A post whose shift begins at `start`, an instant that is odd for some clock."""

    def make() -> Told:
        until = 180.0
        shift = Shift(name, start).base((0.0, until), place.arp(), **base)
        if role == "rover":
            shift.receiver((0.0, until), still(aside(place.mark("KQ-1").xyz, 55.0, 20.0, 2.0)), n=place.n)
        else:
            shift.base_receiver((0.0, until), place.arp(), place.n)
        table = site(place, role)
        table["post"]["time_zone"] = zone
        return table, shift, until

    BOOK.add(name, place.region, make, right_base=True)


def _utc(*parts: int) -> dt.datetime:
    return dt.datetime(*parts, tzinfo=dt.UTC)  # type: ignore[arg-type]


clocked("midnight in Moscow, GLONASS's day begins anew", ground.ETRF, _utc(2026, 11, 24, 20, 59, 0))
clocked(
    "the same, legacy messages, at the base",
    ground.SWEREF,
    _utc(2026, 11, 24, 20, 59, 0),
    role="base",
    kind="legacy",
    systems="GR",
)
clocked("BeiDou's week begins 14 s after GPS's", ground.CGCS, _utc(2026, 11, 28, 23, 59, 0), role="base", systems="CG")
clocked("midnight in local time", ground.NZ, _utc(2026, 11, 24, 10, 59, 0), zone="Pacific/Auckland")
clocked("clocks go back for the winter", ground.RGF, _utc(2026, 10, 25, 0, 59, 0), zone="Europe/Paris")
clocked("the turn of the year", ground.SIRGAS, _utc(2026, 12, 31, 23, 59, 0))
clocked("the end of February of a leap year", ground.GDA, _utc(2028, 2, 29, 23, 59, 0))


@BOOK("a leap second: 23:59:60 is said, then UTC is a second behind", "Asia", right_base=True)
def _() -> Told:
    place = ground.KGD
    stand = still(aside(place.mark("KQ-1").xyz, 55.0, 20.0, 2.0))
    shift = Shift("leap", _utc(2028, 12, 31, 23, 59, 0)).base((0.0, 240.0), place.arp())
    shift.receiver((0.0, 60.0), stand, n=place.n)
    shift.receiver((60.0, 61.0), stand, n=place.n)
    shift.rewrite("receiver", reworded(lambda f: [f[0], "235960.00", *f[2:]] if f[1].startswith("000000") else f))
    after = Shift("leap on", shift.start - dt.timedelta(seconds=1)).receiver((61.0, 240.0), stand, n=place.n)
    shift.take(after)
    return site(place, "rover"), shift, 240.0


@BOOK(
    "a receiver with an old leap second in its memory: UTC jumps by 3 s when it has read the sky",
    "South America",
    allow=(Allow("post-health", "clock-stepped", "check"),),
    right_base=True,
)
def _() -> Told:
    place = ground.SIRGAS
    stand = still(aside(place.mark("KQ-1").xyz, 55.0, 20.0, 2.0))
    shift = Shift("old leap").base((0.0, 300.0), place.arp())
    shift.take(Shift("3 s ahead", shift.start + dt.timedelta(seconds=3)).receiver((0.0, 100.0), stand, n=place.n))
    shift.receiver((100.0, 300.0), stand, n=place.n)
    return site(place, "rover"), shift, 300.0


@BOOK("a cold receiver says a date of 1980 with status V until it has a position", "Africa", right_base=True)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    stand = still(aside(place.mark("KQ-1").xyz, 55.0, 20.0, 2.0))
    shift = Shift("cold").base((0.0, 300.0), place.arp())
    cold = Shift("1980", _utc(1980, 1, 6, 0, 0, 0)).receiver((0.0, 30.0), stand, n=place.n, quality=0)
    shift.take(cold)
    shift.receiver((30.0, 300.0), stand, n=place.n, quality=lambda t: 1 if t < 40 else 5 if t < 70 else 4)
    return site(place, "rover"), shift, 300.0


@BOOK("a receiver whose date is 1,024 weeks back, its time of day right", "Europe", right_base=True)
def _() -> Told:
    place = ground.SWEREF
    where, until = round_trip(place, (on(place, "KQ-2"), 30.0))
    shift = Shift("weeks").base((0.0, until), place.arp())
    shift.take(Shift("weeks back", shift.start - dt.timedelta(weeks=1024)).receiver((0.0, until), where, n=place.n))
    return site(place, "rover"), shift, until


# Corrected by a way that the line does not show


def _by_other_messages(name: str, place: Place, fill: Callable[[Shift], Any]) -> None:
    def make() -> Told:
        shift = Shift(name)
        fill(shift)
        where, _ = round_trip(place, (on(place, "KQ-2"), 30.0))
        shift.receiver((0.0, 180.0), where, n=place.n, station=None, age=lambda t: 3.0 + t % 5.0)
        return net(place), shift, 180.0

    BOOK.add(name, place.region, make)


_by_other_messages(
    "a PPP-RTK service in SSR alone, the rover fixed", ground.ETRS, lambda s: s.frames((0.0, 180.0), 1060, 1066, every=5.0)
)
_by_other_messages(
    "a service in proprietary messages alone, the rover fixed", ground.GDA, lambda s: s.frames((0.0, 180.0), 4090, every=1.0)
)
_by_other_messages("a service in RTCM 2, the rover fixed", ground.SIRGAS, lambda s: s.rtcm_2((0.0, 180.0)))


# And when something is wrong


def loses(name: str, place: Place, quality: int, *causes: str, odd: str = "", **other: Any) -> None:
    """The fix goes at 100 while the rover stands; `odd` replaces GGA's quality after that."""

    def make() -> Told:
        stand = still(aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2))
        table, shift, until = crew(place, stand, 240.0, quality=lambda t: quality if 100 <= t < 170 else 4, **other)
        if odd:
            changed = _field("GGA", {6: odd})
            shift.rewrite("receiver", reworded(lambda f: changed(f) if f[6] == str(quality) else f))
        return table, shift, until

    expect = stop("fix-lost", *causes, after=102.5, by=106.0)
    BOOK.add(name, place.region, make, expect, right_base=True, group="blunder")


loses("the fix falls back to a satellite service, quality 9", KESTREL, 2, "no-position", odd="9", form=("GGA",))
loses("the fix falls back to dead reckoning, quality 6", ground.RGF, 6, "no-position", "autonomous", form=("GGA",))
loses("the receiver is put into its simulator, quality 8", ground.JGD, 8, "no-position", "autonomous", form=("GGA",))
loses("the receiver is put into PPS, quality 3", ground.NZ, 2, "differential", "autonomous", odd="3", form=("GGA",))
loses("the fix goes, said ten times a second", ground.SIRGAS, 5, "float", interval=0.1)
loses("the fix goes, said every two seconds", ground.ARABIA, 5, "float", interval=2.0)


@BOOK(
    "never a fix: the receiver stays differential", "Asia", Expect("fix-lost", ("differential",), "", 119, 126), group="blunder"
)
def _() -> Told:
    place = ground.JGD
    stand = still(aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2))
    return crew(place, stand, 240.0, quality=2)


@BOOK(
    "corrections end and the receiver takes a satellite service's, station 131",
    "North America",
    stop("corrections-stopped", "line-silent", after=63.5, by=70.0),
    right_base=True,
    group="blunder",
)
def _() -> Told:
    place = KESTREL
    stand = still(aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2))
    shift = Shift("sbas").base((0.0, 60.0), place.arp())
    shift.receiver((0.0, 80.0), stand, n=place.n, age=lambda t: max(1.0, t - 59.0), quality=lambda t: 4 if t < 70 else 5)
    shift.receiver((80.0, 240.0), stand, n=place.n, age=4.0, quality=2, station=131)
    return site(place, "rover"), shift, 240.0


@BOOK(
    "the receiver uses another base while the post hears ours",
    "Europe",
    stop("wrong-channel", "another-base", after=62.0, by=70.0),
    group="blunder",
)
def _() -> Told:
    place = ground.RGF
    stand = still(aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2))
    shift = Shift("the other").base((0.0, 200.0), place.arp())
    shift.receiver((0.0, 60.0), stand, n=place.n)
    shift.receiver((60.0, 200.0), stand, n=place.n, station=902)
    return site(place, "rover"), shift, 200.0


@BOOK("autonomous from the start, in RMC alone", "Africa", Expect("fix-lost", ("autonomous",), "", 119, 126), group="blunder")
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    stand = still(aside(place.mark("KQ-1").xyz, 55.0, -41.0, 3.2))
    return crew(place, stand, 240.0, quality=1, form=("RMC",))


# The pole, said otherwise


def poled(name: str, place: Place, up: float, *causes: str, **other: Any) -> None:
    """A check with the pole wrong by `up`, the base right."""

    def make() -> Told:
        where, until = round_trip(place, (on(place, "KQ-2", up=POLE_M + up), 40.0))
        return crew(place, where, until, **other)

    BOOK.add(
        f"{name}, {place.label}", place.region, make, stop("control-check", *causes, by=78.0), right_base=True, group="blunder"
    )


poled("a quick release of 10 cm is left in", ground.ETRS, 0.10, "rover-pole")
poled("the pole stands a foot too low in its clamp", KESTREL, -0.3048, "rover-pole")
poled("the pole is 20 cm short, 20 positions a second", ground.GDA, -0.20, "rover-pole", interval=0.05)
poled("the pole is 20 cm short, a position every two seconds", ground.ARABIA, -0.20, "rover-pole", interval=2.0)
poled("the pole's height is given in feet: 6.56 as metres", ground.US_FEET, POLE_M - POLE_M / 0.3048, "rover-pole")
poled("the pole is 20 cm short at 4,215 m", ground.ALTIPLANO, -0.20, "rover-pole")


# Lawful, and seldom met


def _bare(data: bytes) -> bytes:
    return b"".join(line.split(b"*")[0] + b"\r\n" for line in data.split(b"\r\n") if line.startswith(b"$"))


def _clocked(form: Callable[[str], str]) -> Callable[[bytes], bytes]:
    return reworded(lambda fields: [fields[0], form(fields[1]), *fields[2:]])


def _queries(data: bytes) -> bytes:
    return sentence("CCGPQ", "GGA") + sentence("PKES", "1", "2.5") + data + sentence("GNTXT", "01", "01", "02", "ok")


says(
    "sentences without a checksum, as NMEA 0183 once left it free: none can be trusted, and that is said",
    ground.SIRGAS,
    _bare,
    stop("fix-lost", "no-position"),
    group="doubt",
)
says("times without decimals", ground.NZ, _clocked(lambda said: said[:6]))
says("times with three decimals", ground.CSRS, _clocked(lambda said: said + "0"))
says("queries, texts and a maker's own lines between the positions", ground.ETRS, _queries)
