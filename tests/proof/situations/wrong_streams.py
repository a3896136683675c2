"""Lines that fail: silence and noise of every kind, other bases, masks, the radio's sheet, the post's own health."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from witnesspost.rules.facts import Health

from tests.proof.situations import ground
from tests.proof.situations.case import Allow, Book, Expect, Told, check, stop
from tests.proof.situations.ground import KESTREL, Place, Xyz, aside, site
from tests.proof.situations.shift import Shift, still

BOOK = Book("blunder")

RADIOS = {"frequency_mhz": 461.025, "protocol": "alder", "forward_error_correction": False, "air_rate_bps": 9600}


def line(
    name: str,
    place: Place,
    fill: Callable[[Shift, Place], Any],
    *expect: Expect,
    role: str = "base",
    until: float = 150.0,
    lost: float = 60.0,
    rover_at: Xyz | None = None,
    allow: tuple[Allow, ...] = (),
    right_base: bool = True,
    tables: dict[str, Any] | None = None,
    receiver_until: float | None = None,
) -> None:
    """A post whose line is filled by `fill`. At a rover, whose corrections end at `lost`, age and quality follow from that."""

    def make() -> Told:
        shift = Shift(name)
        fill(shift, place)
        if role == "rover":
            at = rover_at or aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)
            shift.receiver(
                (0.0, receiver_until or until),
                still(at),
                n=place.n,
                age=lambda t: max(1.0, t - lost + 1.0),
                quality=lambda t: 4 if t < lost + 20 else 5 if t < lost + 60 else 1,
            )
        return site(place, role, **(tables or {})), shift, until

    BOOK.add(f"{name}, {role}", place.region, make, *expect, allow=allow, right_base=right_base)


def sent(shift: Shift, place: Place, until: float = 60.0, start: float = 0.0, **other: Any) -> Shift:
    """A right base sends."""
    return shift.base((start, until), place.arp(), **other)


STOPS = {"after": 63.5, "by": 70.0}

for _role, _place in (("base", KESTREL), ("rover", ground.SWEREF), ("rover", ground.GDA)):
    line(
        f"the base is switched off, {_place.label}",
        _place,
        sent,
        stop("corrections-stopped", "line-silent", **STOPS),
        role=_role,
    )
line(
    "half a frame, then silence",
    ground.SIRGAS,
    lambda s, p: (sent(s, p), s.put(60.3, "corrections", s.other(1077, 200)[:90])),
    stop("corrections-stopped", "line-silent", **STOPS),
)
line(
    "half a frame, then silence",
    ground.JGD,
    lambda s, p: (sent(s, p), s.put(60.3, "corrections", s.other(1077, 200)[:90])),
    stop("corrections-stopped", "line-silent", **STOPS),
    role="rover",
)
line(
    "noise in place of frames",
    ground.RGF,
    lambda s, p: sent(s, p).noise((60.0, 150.0)),
    stop("corrections-stopped", "line-noise", **STOPS),
)
line(
    "noise in place of frames",
    ground.KGD,
    lambda s, p: sent(s, p).noise((60.0, 150.0)),
    stop("corrections-stopped", "line-noise", **STOPS),
    role="rover",
)
line(
    "noise from the start",
    ground.HARTEBEESTHOEK,
    lambda s, p: s.noise((0.0, 120.0)),
    stop("corrections-stopped", "line-noise", by=16.0),
    until=120.0,
)
# Noise has the head of a frame in it now and then, which may promise up to a kilobyte: it is noise all the same, and all along.
for _size, _place in ((25, ground.NZ), (45, ground.SWEREF), (46, ground.KGD), (200, ground.ARABIA), (950, KESTREL)):
    line(
        f"a quarter of an hour of noise, {2 * _size} bytes a second",
        _place,
        lambda s, p, size=_size: sent(s, p).noise((60.0, 960.0), size),
        stop("corrections-stopped", "line-noise", **STOPS),
        role="rover" if _size < 500 else "base",
        until=960.0,
    )
line(
    "every frame broken: a weak link",
    ground.CSRS,
    lambda s, p: sent(s, p, 150.0, break_=lambda t: t >= 60),
    stop("corrections-stopped", "weak-link", **STOPS),
)
line(
    "every frame broken: a weak link",
    ground.POSGAR,
    lambda s, p: sent(s, p, 150.0, break_=lambda t: t >= 60),
    stop("corrections-stopped", "weak-link", **STOPS),
    role="rover",
)
line(
    "whole epochs lost more and more, then none",
    ground.NZ,
    lambda s, p: sent(
        s, p, 180.0, lose=lambda t: (t > 60 and round(t) % 5 in (1, 2)) or (t > 120 and round(t) % 5 in (1, 2, 3))
    ),
    stop("corrections-stopped", "weak-link", after=182.0, by=194.0),
    role="rover",
    until=240.0,
    lost=180.0,
)
line(
    "a minute of silence, then noise: the cause changes",
    ground.ETRS,
    lambda s, p: sent(s, p).noise((125.0, 180.0)),
    stop("corrections-stopped", "line-silent", **STOPS),
    Expect("corrections-stopped", ("line-noise",), "stop", 127.5, 135.0, change="cause"),
    until=180.0,
)
line(
    "noise, then silence: the cause changes",
    ground.MEXICO,
    lambda s, p: sent(s, p).noise((60.0, 120.0)),
    stop("corrections-stopped", "line-noise", **STOPS),
    Expect("corrections-stopped", ("line-silent",), "stop", 122.5, 132.0, change="cause"),
    until=180.0,
)
line(
    "the base sends its position and no observations",
    ground.ARABIA,
    lambda s, p: sent(s, p).station_only((60.0, 150.0), p.arp()),
    stop("corrections-stopped", "station-messages-only", **STOPS),
)
line(
    "SSR alone",
    ground.ETRF,
    lambda s, p: s.frames((0.0, 120.0), 1057, 1058, 1060),
    stop("corrections-stopped", "other-format", by=16.0),
    until=120.0,
)
line(
    "SSR alone",
    ground.GDA_GEO,
    lambda s, p: s.frames((0.0, 120.0), 1057, 1060, 1066),
    stop("corrections-stopped", "other-format", by=16.0),
    role="rover",
    lost=-200.0,
    until=120.0,
)
line(
    "proprietary frames 4001–4095 alone",
    ground.CGCS,
    lambda s, p: s.frames((0.0, 120.0), 4050, 4051),
    stop("corrections-stopped", "other-format", by=16.0),
    until=120.0,
)
line(
    "proprietary frames from one minute on",
    ground.LV95,
    lambda s, p: sent(s, p).frames((60.0, 150.0), 4090),
    stop("corrections-stopped", "other-format", **STOPS),
)
line(
    "RTCM 2 alone",
    ground.SAVANNA,
    lambda s, p: s.rtcm_2((0.0, 120.0)),
    stop("corrections-stopped", "other-format", by=16.0),
    until=120.0,
)
line(
    "RTCM 2 alone",
    ground.ALTIPLANO,
    lambda s, p: s.rtcm_2((0.0, 120.0)),
    stop("corrections-stopped", "other-format", by=16.0),
    role="rover",
    lost=-200.0,
    until=120.0,
)
line(
    "the corrections' port is gone",
    ground.PACIFIC,
    lambda s, p: (sent(s, p), s.port(60.4, "corrections", "lost")),
    stop("corrections-stopped", "port-lost", after=62.0, by=63.5),
)
line(
    "the corrections' port is gone",
    ground.DHDN,
    lambda s, p: (sent(s, p), s.port(60.4, "corrections", "lost")),
    stop("corrections-stopped", "port-lost", after=62.0, by=68.0),
    role="rover",
)
line(
    "nothing since the post started",
    ground.ARCTIC,
    lambda s, p: None,
    stop("corrections-stopped", "line-silent", after=14.8, by=16.0),
)
line(
    "past the radio horizon, 21 km off",
    KESTREL,
    sent,
    stop("corrections-stopped", "out-of-range", **STOPS),
    role="rover",
    rover_at=aside(KESTREL.mark("KQ-1").xyz, 14800.0, 14900.0, 80.0),
    tables={"radio": {"base": {"antenna_above_ground_m": 4.0}, "rover": {"antenna_above_ground_m": 2.0}}},
)
line(
    "past the radio horizon, broken frames",
    ground.RGF,
    lambda s, p: sent(s, p, 150.0, break_=lambda t: t >= 60),
    stop("corrections-stopped", "out-of-range", **STOPS),
    role="rover",
    rover_at=aside(ground.RGF.mark("KQ-1").xyz, 14800.0, 14900.0, 80.0),
    tables={"radio": {"base": {"antenna_above_ground_m": 4.0}, "rover": {"antenna_above_ground_m": 2.0}}},
)
line(
    "silent, and the two radio tables differ",
    ground.NZ,
    sent,
    check("radio-sheet", "frequency-differs", by=1.0),
    stop("corrections-stopped", "radio-settings-differ", **STOPS),
    role="rover",
    tables={"radio": {"base": RADIOS, "rover": {**RADIOS, "frequency_mhz": 461.05}}},
)
line(
    "silent from the start, error correction differs",
    ground.SIRGAS,
    lambda s, p: None,
    check("radio-sheet", "error-correction-differs", by=1.0),
    stop("corrections-stopped", "radio-settings-differ", after=14.8, by=17.0),
    role="rover",
    lost=-200.0,
    tables={"radio": {"base": RADIOS, "rover": {**RADIOS, "forward_error_correction": True}}},
)
line(
    "air rates differ on paper, corrections come",
    ground.KGD,
    lambda s, p: sent(s, p, 150.0, kind=4, systems="GE", bias_every=0.0),
    check("radio-sheet", "air-rate-differs", by=1.0),
    tables={"radio": {"base": {**RADIOS, "air_rate_bps": 19200}, "rover": {**RADIOS, "air_rate_bps": 9600}}},
    allow=(Allow("link-overload", "*", "check"),),
)
line(
    "protocols differ on paper",
    ground.ETRS,
    lambda s, p: sent(s, p, 150.0, kind=4, systems="GE", bias_every=0.0),
    check("radio-sheet", "protocol-differs", by=1.0),
    tables={"radio": {"base": RADIOS, "rover": {**RADIOS, "protocol": "birch"}}},
    allow=(Allow("link-overload", "*", "check"),),
)

# Plugs in each other's port, and what looks like it


def swapped(name: str, role: str, begins: float, until: float = 180.0) -> None:
    """Up to `begins` all is right; then each line carries the other's bytes."""

    def make() -> Told:
        place = ground.SWEREF
        shift = Shift(name)
        at = aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1) if role == "rover" else place.arp()
        says = {"n": place.n} if role == "rover" else {"quality": 7, "age": None, "station": None, "n": place.n}
        for start, end, lines in (
            (0.0, begins, ("corrections", "receiver")),
            (begins + 4.0, until, ("receiver", "corrections")),
        ):
            if end > start:
                shift.base((start, end), place.arp(), stream=lines[0])
                shift.receiver((start, end), still(at), stream=lines[1], **says)
        return site(place, role), shift, until

    by = {"after": 14.8, "by": 16.0} if begins < 0.0 else {"after": begins + 5.0, "by": begins + 18.0}
    expect = check("corrections-stopped", "lines-swapped", **by)
    if begins < 0.0:
        BOOK.add(f"{name}, {role}", "Europe", make, expect, right_base=True)
    else:  # for ten seconds the receiver's own line may yet say a position
        told = [
            expect._replace(change="cause", severity=""),
            stop("corrections-stopped", "other-format", after=begins + 3, by=begins + 8),
        ]
        BOOK.add(f"{name}, {role}", "Europe", make, *told, right_base=True)


swapped("the two plugs are swapped from the start", "rover", -4.0)
swapped("the two plugs are swapped from the start", "base", -4.0)
swapped("after lunch the two plugs are swapped", "base", 60.0)
line(
    "sentences in place of corrections, and a receiver that echoes corrections",
    ground.NZ,
    lambda s, p: s.receiver((0.0, 150.0), still(p.arp()), stream="corrections", quality=1, age=None, n=p.n).base(
        (0.0, 150.0), p.arp(), stream="receiver"
    ),
    stop("corrections-stopped", "other-format", by=22.0),
    role="rover",
    lost=-200.0,
)
line(
    "nothing on the line of corrections, and a receiver that echoes corrections",
    ground.GDA,
    lambda s, p: s.base((0.0, 150.0), p.arp(), stream="receiver"),
    stop("corrections-stopped", "line-silent", by=22.0),
    role="rover",
    lost=-200.0,
)
line(
    "sentences in place of corrections, nothing else",
    ground.JGD,
    lambda s, p: s.receiver((0.0, 150.0), still(p.arp()), stream="corrections", quality=7, age=None, n=p.n),
    stop("corrections-stopped", "other-format", by=16.0),
)

# Other bases

OTHER: Callable[[Place], Xyz] = lambda p: aside(p.arp(), 9100.0, -7300.0, 31.0)  # noqa: E731
line(
    "another base on the channel, ours gone",
    KESTREL,
    lambda s, p: sent(s, p).base((60.0, 150.0), OTHER(p), station=902),
    stop("wrong-channel", "another-base", after=62.5, by=66.0),
)
line(
    "another base on the channel, ours gone",
    ground.GDA,
    lambda s, p: sent(s, p).base((60.0, 150.0), OTHER(p), station=902),
    stop("wrong-channel", "another-base", after=62.5, by=72.0),
    role="rover",
    lost=1e9,
)
line(
    "two bases on the channel",
    ground.ETRS,
    lambda s, p: sent(s, p, 150.0).base((60.0, 150.0), OTHER(p), station=902, late=0.6),
    stop("wrong-channel", "two-bases", after=62.5, by=66.0),
)
line(
    "another base from the start",
    ground.SIRGAS,
    lambda s, p: s.base((0.0, 120.0), OTHER(p), station=33),
    stop("wrong-channel", "another-base", by=6.0),
    until=120.0,
)

# Corrections that are late


# Once it has grown no more for minutes, nothing on the line tells a slow link from old epochs: it may be called either then.
def slowed(t: float) -> float:
    """How late an epoch arrives on a link that gets slower and slower from 60 on, up to 9 s."""
    return 0.25 + min(max(0.0, 0.4 * (t - 60.0)), 9.0)


line(
    "a slow link: everything 9 s late, the receiver says the time",
    ground.CSRS,
    lambda s, p: sent(s, p, 200.0, late=slowed).base_receiver((0.0, 200.0), p.arp(), p.n),
    check("corrections-late", "slow-link", after=70.0, by=95.0),
    until=200.0,
    allow=(Allow("corrections-late", "old-epochs", "check"),),
)


@BOOK(
    "a slow link: everything 9 s late, by the rover's own words too",
    "Asia",
    check("corrections-late", "slow-link", after=70.0, by=100.0),
    allow=(Allow("corrections-late", "old-epochs", "check"),),
    right_base=True,
)
def _() -> Told:
    place = ground.JGD

    shift = Shift("slow").base((0.0, 200.0), place.arp(), late=slowed)
    shift.receiver(
        (0.0, 200.0), still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)), n=place.n, age=lambda t: 1.0 + slowed(t)
    )
    return site(place, "rover"), shift, 200.0


# Masks: what stands may not hide what else goes wrong


def moved_base(shift: Shift, place: Place, until: float) -> Shift:
    """The base's position changes by 4 cm at 20, and stays changed."""
    return shift.base((0.0, 20.0), place.arp()).base((20.0, until), aside(place.arp(), 0.03, 0.01, -0.026))


MOVED = stop("base-moved", "coordinate-changed", after=20.0, by=21.0)
for _role, _place in (("base", ground.KGD), ("rover", ground.SWEREF)):
    line(
        "the base moved, half a minute later its radio dies",
        _place,
        lambda s, p: moved_base(s, p, 60.0),
        MOVED,
        stop("corrections-stopped", "line-silent", **STOPS),
        role=_role,
        allow=(Allow("base-datum", "*", "stop"),),
    )
line(
    "the base moved, later the corrections' cable is pulled",
    ground.NZ,
    lambda s, p: (moved_base(s, p, 60.0), s.port(60.4, "corrections", "lost")),
    MOVED,
    stop("corrections-stopped", "port-lost", after=62.0, by=68.0),
    role="rover",
)
line(
    "the base moved, later the receiver dies",
    ground.POSGAR,
    lambda s, p: moved_base(s, p, 200.0),
    MOVED,
    stop("fix-lost", "no-position", after=60.0, by=72.0),
    role="rover",
    until=200.0,
    lost=1e9,
    receiver_until=61.0,
)
line(
    "the base moved, later another base on the channel",
    ground.ETRF,
    lambda s, p: moved_base(s, p, 60.0).base((60.0, 150.0), OTHER(p), station=902),
    MOVED,
    stop("wrong-channel", "another-base", after=62.5, by=66.0),
)
line(
    "the corrections' port is gone, later the receiver's",
    ground.HARTEBEESTHOEK,
    lambda s, p: (sent(s, p), s.port(60.4, "corrections", "lost"), s.port(100.2, "receiver", "lost")),
    stop("corrections-stopped", "port-lost", after=62.0, by=68.0),
    stop("fix-lost", "no-position", after=100.0, by=108.5),
    role="rover",
    receiver_until=100.0,
)
line(
    "base-datum stands from the morning, at noon the radio dies",
    ground.RGF,
    lambda s, p: s.base((0.0, 60.0), p.arp(antenna_m=0.0)),
    stop("base-datum", "antenna-height-missing", by=11.0),
    stop("corrections-stopped", "line-silent", **STOPS),
    right_base=False,
)

# The base moves

line(
    "a bumped tripod: 3 cm aside",
    ground.SIRGAS,
    lambda s, p: sent(s, p).base((60.0, 150.0), aside(p.arp(), 0.02, 0.022, 0.0)),
    stop("base-moved", "coordinate-changed", after=60.0, by=61.0),
    right_base=False,
)
line(
    "the base is switched off and on with a new average, 1.3 m off",
    ground.KESTREL,
    lambda s, p: sent(s, p).base((63.0, 150.0), aside(p.arp(), 0.9, -0.95, 1.7)),
    stop("base-datum", "autonomous-base", after=63.0, by=64.0),
    right_base=False,
)
line(
    "the antenna height in 1006 changes within the run",
    ground.CGCS,
    lambda s, p: sent(s, p, height=1.843).base((60.0, 150.0), p.arp(antenna_m=1.5), height=1.5),
    stop("base-moved", "antenna-height-changed", "coordinate-changed", after=60.0, by=61.0),
    allow=(Allow("antenna-mismatch", "height-differs", "note"),),
)


@BOOK("another number on the line where none is named", "Oceania", stop("base-moved", "station-changed", after=63.0, by=75.0))
def _() -> Told:
    place = ground.GDA
    table = site(place)
    table["base"] = {"kind": "own"}
    shift = Shift("renumbered").base((0.0, 60.0), place.arp(), station=12)
    shift.base((64.0, 150.0), aside(place.arp(), 600.0, 100.0, 4.0), station=13)
    return table, shift, 150.0


# What else a fixed solution needs

line(
    "no station position at all",
    ground.ETRS,
    lambda s, p: sent(s, p, 260.0, position_every=0.0),
    check("message-set", "no-station-position", after=148.0, by=156.0),
    until=260.0,
)
line(
    "GLONASS without 1230",
    ground.SWEREF,
    lambda s, p: sent(s, p, 150.0, bias_every=0.0),
    check("message-set", "no-glonass-bias", after=58.0, by=66.0),
)
line(
    "one carrier alone",
    ground.MEXICO,
    lambda s, p: sent(s, p, 150.0, one_carrier=True),
    check("message-set", "single-frequency", after=58.0, by=66.0),
)
line(
    "2,400 bit/s on the air for four constellations",
    ground.KGD,
    lambda s, p: sent(s, p, 150.0),
    check("link-overload", "too-many-messages", after=9.0, by=22.0),
    tables={"radio": {end: {**RADIOS, "air_rate_bps": 2400} for end in ("base", "rover")}},
)
line(
    "9,600 bit/s with error correction for four constellations",
    ground.NZ,
    lambda s, p: sent(s, p, 150.0),
    check("link-overload", "too-many-messages", after=9.0, by=22.0),
    tables={"radio": {end: {**RADIOS, "forward_error_correction": True} for end in ("base", "rover")}},
)

# The post itself


def _health(name: str, place: Place, cause: str, **facts: Any) -> None:
    def make() -> Told:
        shift = Shift(name).base((0.0, 150.0), place.arp())
        for t in range(60, 150, 5):
            shift.put(float(t), "", Health(t=float(t), stream="", **facts))
        return site(place), shift, 150.0

    BOOK.add(name, place.region, make, check("post-health", cause, after=60.0), right_base=True)


_health("the card is nearly full", ground.SIRGAS, "disk-low", disk_free_fraction=0.04, disk_left_h=9.0)
_health("the box stands in the sun", ground.ARABIA, "hot", temperature_c=86.0)
_health("the supply is weak", ground.POLAR, "low-voltage", under_voltage=True)

# Said for once by the crew's own rule


@BOOK(
    "the crew's own bound: fewer than ten satellites",
    "Europe",
    check("too-few-satellites", "below", "too-few-satellites", after=9.0, by=20.0),
    right_base=True,
)
def _() -> Told:
    place = ground.RGF
    own = {
        "name": "too-few-satellites",
        "measure": "fix.satellites",
        "below": 10,
        "on_delay_s": 10,
        "off_delay_s": 10,
        "severity": "check",
        "say": "Fewer than ten satellites.",
    }
    shift = Shift("own").base((0.0, 120.0), place.arp())
    shift.receiver((0.0, 120.0), still(aside(place.mark("KQ-1").xyz, 61.0, 48.0, 3.1)), n=place.n, satellites=8)
    return site(place, "rover", own_rule=[own]), shift, 120.0
