"""Lines that carry what right lines carry, in all their variety: nothing may be raised."""

from __future__ import annotations

import datetime as dt
from typing import Any

from witnesspost.replay.world import rtcm

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Told, check
from tests.proof.situations.ground import Place, aside, site
from tests.proof.situations.shift import START, Shift, empty_msm, still

BOOK = Book("practice")


def line(
    name: str,
    place: Place,
    *expect: Any,
    role: str = "base",
    until: float = 240.0,
    age: Any = 1.0,
    tables: dict[str, Any] | None = None,
    allow: tuple[Allow, ...] = (),
    group: Any = None,
    **base: Any,
) -> None:
    """A post whose base's line is as `base` says; at a rover the receiver is fixed and stands aside."""

    def make() -> Told:
        shift = Shift(name).base((0.0, until), place.arp(), **base)
        if role == "rover":
            shift.receiver((0.0, until), still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)), n=place.n, age=age)
        return site(place, role, **(tables or {})), shift, until

    BOOK.add(name, place.region, make, *expect, allow=allow, right_base=True, group=group)


line("an epoch every two seconds", ground.SWEREF, interval=2.0, position_every=10.0, role="rover", age=2.0)
line("an epoch every five seconds", ground.CSRS, interval=5.0, role="rover", age=3.0)
line("an epoch every ten seconds", ground.ALTIPLANO, interval=10.0, position_every=30.0, bias_every=30.0, until=400.0)
line(
    "an epoch every ten seconds, at the rover",
    ground.NZ,
    interval=10.0,
    bias_every=30.0,
    until=400.0,
    role="rover",
    age=lambda t: 0.5 + (t - 0.3) % 10.0,
)


def echoed(name: str, sentences_too: bool) -> None:
    """The rover's receiver passes on the corrections on its own line, or the line of corrections has sentences beside them."""

    def make() -> Told:
        place, at = ground.SWEREF, aside(ground.SWEREF.mark("KQ-1").xyz, 61.0, 48.0, 3.1)
        shift = Shift(name).base((0.0, 200.0), place.arp()).receiver((0.0, 200.0), still(at), n=place.n)
        if sentences_too:
            shift.receiver((0.0, 200.0), still(at), stream="corrections", n=place.n)
        else:
            shift.base((0.0, 200.0), place.arp(), stream="receiver", late=0.4)
        return site(place, "rover"), shift, 200.0

    BOOK.add(name, ground.SWEREF.region, make, right_base=True)


echoed("a receiver that echoes the corrections on its own line", sentences_too=False)
echoed("positions on both lines, corrections on theirs", sentences_too=True)
line("five epochs a second", ground.KGD, interval=0.2, until=120.0)
line("the last constellation is filtered out: the multiple bit is never 0", ground.ETRS, systems="GRE", unfinished=True)
line("the same at the rover", ground.ETRS, systems="GRE", unfinished=True, role="rover")
line("the last constellation is filtered out, every two seconds", ground.MEXICO, systems="GRE", unfinished=True, interval=2.0)
line("GPS alone, its multiple bit never 0", ground.HARTEBEESTHOEK, systems="G", unfinished=True)
line("GPS and Galileo, no GLONASS and no 1230", ground.GDA, systems="GE", bias_every=0.0)
line("MSM4", ground.SIRGAS, kind=4)
line("legacy 1004 and 1012", ground.KESTREL, kind="legacy", systems="GR")
line("legacy 1004 and 1012, at the rover", ground.KESTREL, kind="legacy", systems="GR", role="rover")
line("legacy 1004 alone", ground.CGCS, kind="legacy", systems="G")
line("station position every 30 s, with some jitter", ground.RGF, position_every=30.0, bias_every=30.0, jitter=0.2, until=400.0)
line("station position every 30 s, at the rover", ground.JGD, position_every=30.0, bias_every=30.0, role="rover", until=400.0)
line("station position every second", ground.ARABIA, position_every=1.0)
line(
    "station position every two minutes: said once, and nothing more",
    ground.POSGAR,
    check("message-set", "station-position-rare"),
    position_every=120.0,
    until=900.0,
)
line(
    "station position every two minutes, the rover fixed: said once",
    ground.HARTEBEESTHOEK,
    check("message-set", "station-position-rare"),
    position_every=120.0,
    until=900.0,
    role="rover",
)
line("1230 every minute", ground.SWEREF, bias_every=60.0, until=300.0)
line("through a modem in bursts of four seconds", ground.SAVANNA, burst=4.0, role="rover", age=lambda t: 1.0 + t % 4.0)
line("through a modem in bursts of two seconds", ground.NZ, burst=2.0)
line("in pieces of 20 bytes", ground.PACIFIC, chunk=20)
line("in pieces of one byte", ground.RIFT, chunk=1, until=60.0)
line("one epoch in twenty lost", ground.CSRS, lose=lambda t: round(t) % 20 == 7)
line("one epoch in twenty broken", ground.ETRF, break_=lambda t: round(t) % 20 == 7, role="rover")
line(
    "three epochs lost behind a machine, now and then",
    ground.GDA,
    lose=lambda t: round(t) % 60 in (41, 42, 43),
    role="rover",
    age=lambda t: 4.4 if round(t) % 60 == 43 else 1.0,
)
line("link a second and a half late", ground.FEET, late=1.5, role="rover", age=2.5)
line("bytes of the modem's own at its start", ground.WGS_UTM, also=lambda t: b"\r\nCONNECT 38400\r\n" if t < 2 else b"")
line(
    "radio tables alike at both ends",
    ground.LV95,
    tables={
        "radio": {
            end: {"frequency_mhz": 461.025, "protocol": "alder", "forward_error_correction": True, "air_rate_bps": 19200}
            for end in ("base", "rover")
        }
    },
)
line("radio table of one end alone", ground.KESTREL, tables={"radio": {"base": {"frequency_mhz": 461.025}}})
line(
    "9,600 bit/s on the air, MSM4 of two constellations",
    ground.DHDN,
    kind=4,
    systems="GE",
    bias_every=0.0,
    tables={"radio": {end: {"air_rate_bps": 9600} for end in ("base", "rover")}},
)


def _odd(name: str, place: Place, *numbers: int, role: str = "base") -> None:
    def make() -> Told:
        shift = Shift(name)
        shift.base((0.0, 240.0), place.arp(), also=lambda t: b"".join(shift.other(n) for n in numbers))
        if role == "rover":
            shift.receiver((0.0, 240.0), still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)), n=place.n)
        return site(place, role), shift, 240.0

    BOOK.add(name, place.region, make, right_base=True)


_odd("ephemerides among the observations", ground.SIRGAS, 1019, 1020, 1042, 1045, 1046)
_odd("proprietary frames 4001–4095 among the observations", ground.KGD, 4050, 4094, role="rover")
_odd("SSR among the observations", ground.ETRS, 1057, 1058, 1060, 1066)
_odd("residuals of a network among the observations", ground.SWEREF, 1030, 1031, 1032)


@BOOK("empty MSMs of constellations that the base does not track", "Oceania", right_base=True)
def _() -> Told:
    place = ground.GDA
    shift = Shift("empties").base(
        (0.0, 240.0), place.arp(), systems="GRE", unfinished=True, also=lambda t: empty_msm(1117, 417) + empty_msm(1137, 417)
    )
    return site(place), shift, 240.0


@BOOK("free text in 1029 every minute", "Africa", right_base=True)
def _() -> Told:
    def text(t: float) -> bytes:
        utc = START + dt.timedelta(seconds=round(t))
        return rtcm.frame(rtcm.text_1029(417, utc, "Kestrel base, KQ-1")) if round(t) % 60 == 5 else b""

    shift = Shift("text").base((0.0, 240.0), ground.SAVANNA.arp(), also=text)
    return site(ground.SAVANNA), shift, 240.0


@BOOK("NMEA of the base's receiver on the corrections' line", "South America", right_base=True)
def _() -> Told:
    place = ground.ALTIPLANO
    shift = Shift("one line").base((0.0, 240.0), place.arp())
    shift.receiver((0.0, 240.0), place.arp(), stream="corrections", quality=7, age=None, station=None, n=place.n)
    table = site(place)
    table["stream"] = [{"name": "corrections", "port": "/dev/ttyUSB0", "carries": ["corrections", "positions"]}]
    return table, shift, 240.0


@BOOK("a rover corrected by another way than the post hears: fixed, its age small", "Europe")
def _() -> Told:
    place = ground.RGF
    shift = Shift("other way").base((0.0, 60.0), place.arp())
    shift.receiver((0.0, 240.0), still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)), n=place.n, age=1.2)
    return site(place, "rover"), shift, 240.0


@BOOK("a rover whose receiver starts with no position for half a minute", "Asia", right_base=True)
def _() -> Told:
    place = ground.JGD
    shift = Shift("cold").base((0.0, 240.0), place.arp())
    shift.receiver(
        (0.0, 240.0),
        still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)),
        n=place.n,
        quality=lambda t: 0 if t < 30 else 1 if t < 40 else 5 if t < 80 else 4,
    )
    return site(place, "rover"), shift, 240.0


@BOOK("crew's battery change at the rover, announced", "North America", right_base=True)
def _() -> Told:
    place = ground.KESTREL
    stand = still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1))
    shift = Shift("rover battery").base((0.0, 300.0), place.arp())
    shift.receiver((0.0, 100.0), stand, n=place.n)
    shift.planned(98.0, 120.0)
    shift.receiver((160.0, 300.0), stand, n=place.n, quality=lambda t: 1 if t < 170 else 5 if t < 190 else 4)
    return site(place, "rover"), shift, 300.0
