"""Relays, modems, services and ports between a base and its rover: what they do rightly to a stream, and wrongly."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Expect, Told, check, stop
from tests.proof.situations.ground import KESTREL, Place, aside, site
from tests.proof.situations.networks import net
from tests.proof.situations.shift import Shift, empty_msm, still

BOOK = Book("practice")


def link(
    name: str,
    place: Place,
    fill: Callable[[Shift, Place], Any],
    *expect: Expect,
    role: str = "rover",
    until: float = 180.0,
    network: bool = False,
    group: Any = None,
    allow: tuple[Allow, ...] = (),
    right_base: bool = True,
    **receiver: Any,
) -> None:
    """A post whose corrections' line is filled by `fill`, its receiver fixed and standing unless `receiver` says otherwise."""

    def make() -> Told:
        shift = Shift(name)
        fill(shift, place)
        if role == "rover":
            shift.receiver((0.0, until), still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)), n=place.n, **receiver)
        return net(place, role) if network else site(place, role), shift, until

    BOOK.add(name, place.region, make, *expect, allow=allow, right_base=right_base and not network, group=group)


def _repeated(shift: Shift, place: Place) -> None:
    """Every epoch directly, and 0.7 s later once more by the repeater on the same channel."""
    shift.base((0.0, 180.0), place.arp(), interval=2.0)
    for t, _, stream, what in shift.events:
        shift.put(t + 0.7, stream, what)


def _handover(shift: Shift, place: Place) -> None:
    """The base's own radio to 90, from there the repeater behind the hill, 0.9 s late."""
    shift.base((0.0, 180.0), place.arp(), late=lambda t: 0.25 if t < 90 else 1.15)


link("a repeater sends every epoch a second time", ground.NZ, _repeated, age=2.0)
link("the rover walks from the base's radio into its repeater's", ground.SIRGAS, _handover, age=1.5)
link(
    "a radio that writes its signal strength between the frames",
    ground.SWEREF,
    lambda s, p: s.base((0.0, 180.0), p.arp(), also=lambda t: b"\r\nRSSI -71 dBm\r\n"),
)
link(
    "a radio that searches its baud for three seconds", ground.KGD, lambda s, p: s.noise((0.0, 3.0)).base((3.0, 180.0), p.arp())
)
link(
    "a modem that dials for twelve seconds",
    ground.ETRS,
    lambda s, p: (s.put(1.0, "corrections", b"ATDT\r\nCONNECT\r\nICY 200 OK\r\n\r\n"), s.base((12.0, 180.0), p.arp())),
    network=True,
    quality=lambda t: 1 if t < 14 else 5 if t < 40 else 4,
)
link(
    "a service that hands over between two of its streams with a gap of 4 s",
    ground.GDA,
    lambda s, p: s.base((0.0, 90.0), p.arp(), station=38).base((94.0, 180.0), aside(p.arp(), 900.0, 1.0, 2.0), station=39),
    network=True,
    age=lambda t: 5.0 if 93 < t < 95 else 1.0,
)
link(
    "half an epoch a second, position every 20 s",
    ground.ARABIA,
    lambda s, p: s.base((0.0, 300.0), p.arp(), interval=2.0, position_every=20.0, bias_every=20.0),
    role="base",
    until=300.0,
)
link("ten epochs a second", ground.JGD, lambda s, p: s.base((0.0, 60.0), p.arp(), interval=0.1), role="base", until=60.0)
link(
    "an epoch every 15 s: a service for the office",
    ground.CSRS,
    lambda s, p: s.base((0.0, 400.0), p.arp(), interval=15.0, position_every=30.0, bias_every=30.0),
    role="base",
    until=400.0,
)
link(
    "frames in pieces that are 0.4 s apart, by a slow serial line",
    ground.RIFT,
    lambda s, p: _in_pieces(s, p),
    role="base",
    until=120.0,
)


def _in_pieces(shift: Shift, place: Place) -> None:
    whole = Shift("whole").base((0.0, 120.0), place.arp())
    for t, _, stream, what in whole.events:
        assert isinstance(what, bytes)
        half = len(what) // 2
        shift.put(t, stream, what[:half])
        shift.put(t + 0.4, stream, what[half:])


@BOOK("one port carries corrections and positions at a rover", "Africa", right_base=True)
def _() -> Told:
    place = ground.HARTEBEESTHOEK
    shift = Shift("one port").base((0.0, 180.0), place.arp())
    stand = still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1))
    shift.receiver((0.0, 180.0), stand, stream="corrections", n=place.n)
    table = site(place, "rover")
    table["stream"] = [{"name": "corrections", "port": "/dev/ttyUSB0", "carries": ["corrections", "positions"]}]
    return table, shift, 180.0


def two_ways(second_until: float = 180.0, role: str = "base") -> Told:
    """A base whose corrections go by radio and by modem; the post hears both ways."""
    place = ground.ETRF
    shift = Shift("two ways").base((0.0, 180.0), place.arp())
    shift.base((0.0, second_until), place.arp(), stream="modem", late=0.6)
    if role == "rover":
        shift.receiver((0.0, 180.0), still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)), n=place.n)
    table = site(place, role)
    table["stream"].append({"name": "modem", "port": "/dev/ttyUSB2", "carries": ["corrections"]})
    return table, shift, 180.0


BOOK.add("corrections by radio and by modem at once", "Europe", two_ways, right_base=True)
BOOK.add("corrections by radio and by modem at once, at the rover", "Europe", lambda: two_ways(role="rover"), right_base=True)
BOOK.add(
    "corrections by two ways, one falls silent: the rover is fixed by the other",
    "Europe",
    lambda: two_ways(90.0, "rover"),
    right_base=True,
)
BOOK.add(
    "corrections by two ways, the modem falls silent at the base",
    "Europe",
    lambda: two_ways(90.0),
    stop("corrections-stopped", "line-silent", after=93.5, by=100.0),
    right_base=True,
    group="blunder",
)

# What goes wrong

FAILS: dict[str, Any] = {
    "group": "blunder",
    "age": lambda t: max(1.0, t - 59.0),
    "quality": lambda t: 4 if t < 80 else 5 if t < 120 else 1,
}
link(
    "the service answers with its list of streams, again and again",
    ground.ETRS,
    lambda s, p: [s.put(2.0 + 10 * k, "corrections", _LIST) for k in range(18)],
    stop("corrections-stopped", "service-silent", after=14.0, by=30.0),
    network=True,
    group="blunder",
    quality=1,
)
_LIST = (
    b"SOURCETABLE 200 OK\r\nContent-Type: text/plain\r\n\r\n"
    + 12 * b"STR;KESTREL;Kestrel;RTCM 3.2;1005(10),1077(1)\r\nENDSOURCETABLE\r\n"
)
link(
    "the service refuses the password and closes",
    ground.GDA,
    lambda s, p: s.put(2.0, "corrections", b"HTTP/1.1 401 Unauthorized\r\n\r\n"),
    stop("corrections-stopped", "service-silent", after=14.0, by=20.0),
    network=True,
    group="blunder",
    quality=1,
)
link(
    "the repeater's battery dies: the direct signal is too weak, and broken",
    ground.NZ,
    lambda s, p: s.base((0.0, 60.0), p.arp()).base((60.0, 180.0), p.arp(), break_=lambda t: round(t) % 12 != 0),
    stop("corrections-stopped", "weak-link", after=63.5, by=80.0, once=False),
    **FAILS,
)
link(
    "the radio is put to another baud at noon",
    ground.KGD,
    lambda s, p: s.base((0.0, 60.0), p.arp()).noise((60.0, 180.0), size=400, every=1.0),
    stop("corrections-stopped", "line-noise", after=63.5, by=72.0),
    **FAILS,
)
link(
    "the base is changed from MSM to proprietary messages at noon",
    ground.SIRGAS,
    lambda s, p: s.base((0.0, 60.0), p.arp()).frames((60.0, 180.0), 4072, size=300),
    stop("corrections-stopped", "other-format", after=63.5, by=72.0),
    **FAILS,
)
link(
    "the base is changed to RTCM 2 at noon",
    ground.RGF,
    lambda s, p: s.base((0.0, 60.0), p.arp()).rtcm_2((60.0, 180.0)),
    stop("corrections-stopped", "other-format", after=63.5, by=72.0),
    **FAILS,
)
link(
    "the base's observations are switched off at noon, its position goes on",
    ground.JGD,
    lambda s, p: s.base((0.0, 60.0), p.arp()).station_only((60.0, 180.0), p.arp()),
    stop("corrections-stopped", "station-messages-only", after=63.5, by=72.0),
    **FAILS,
)
link(
    "the base has no sky any more: empty MSMs",
    ground.MEXICO,
    lambda s, p: _empty(s.base((0.0, 60.0), p.arp())),
    stop("corrections-stopped", "station-messages-only", "other-format", after=63.5, by=72.0),
    **FAILS,
)


def _empty(shift: Shift) -> None:
    for t in range(60, 180):
        shift.put(t + 0.25, "corrections", empty_msm(1077, 417, 1000 * t) + empty_msm(1087, 417, 1000 * t))


link(
    "the neighbour's base comes up on our channel at noon, both in turn",
    ground.POSGAR,
    lambda s, p: s.base((0.0, 180.0), p.arp(), interval=2.0).base(
        (61.0, 180.0), aside(p.arp(), 4100.0, 900.0, 12.0), station=902, interval=2.0
    ),
    stop("wrong-channel", "two-bases", after=63.0, by=70.0),
    group="blunder",
    age=2.0,
)
link(
    "a relay that is 9 s late from noon on",
    ground.SWEREF,
    lambda s, p: s.base((0.0, 180.0), p.arp(), late=lambda t: 0.25 if t < 60 else min(9.0, 0.25 + 0.4 * (t - 60))),
    check("corrections-late", "slow-link", after=64.0, by=100.0),
    group="blunder",
    age=lambda t: 1.0 if t < 60 else min(9.8, 1.0 + 0.4 * (t - 60)),
)
link(
    "a base whose clock of observations stands still: old epochs over and over",
    ground.ARABIA,
    lambda s, p: _old_epochs(s, p),
    Expect("corrections-late", ("old-epochs",), "", after=62.0, by=90.0),
    stop("fix-lost", "float", after=90.0, by=95.0),
    group="blunder",
    allow=(Allow("corrections-stopped", "*", "stop"),),
    age=lambda t: max(1.0, t - 59.0),
    quality=lambda t: 4 if t < 90 else 5,
)


def _old_epochs(shift: Shift, place: Place) -> None:
    shift.base((0.0, 60.0), place.arp())
    for t in range(60, 180):
        shift.base((float(t), t + 1.0), place.arp(), epoch_age=float(t - 59), position_every=0.0)


link(
    "the base is too talkative for its radio: two epochs in five are lost, and from 200 on nearly all",
    KESTREL,
    lambda s, p: s.base((0.0, 260.0), p.arp(), lose=lambda t: t >= 60 and (round(t) % 5 in (1, 3) if t < 200 else t % 20 != 0)),
    stop("corrections-stopped", "weak-link", after=204.0, by=210.0, once=False),
    group="blunder",
    until=260.0,
    age=lambda t: 1.0 if t < 200 else 1.0 + (t % 20),
    quality=lambda t: 4 if t < 230 else 5,
)
