"""Facts: what the streams have said, in SI units and the trade's own terms.

A fact is the only thing that the rules ever see. `t` is the pipeline's clock in seconds since the log began; a value
that was not said is None, never NaN, 0 or "". Angles are degrees, latitudes and longitudes north and east positive.
"""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal

import msgspec


class Fact(msgspec.Struct, kw_only=True, gc=False, tag=True):
    """What every fact carries: when it arrived (seconds of the pipeline's clock) and on which stream.

    No fact refers to another, so none is in a cycle, and the collector need not look at the many that there are. The tag tells
    kinds apart where several are stored together.
    """

    t: float
    stream: str


class Said(Fact, array_like=True):
    """What the bytes of a stream say, many a second: packed without the names of their fields where they are kept."""


class Fix(Said):
    """One position of the receiver: NMEA 0183 GGA, with the GST that came for the same second.

    A receiver that does not say GGA gives it in GNS, or in RMC (which has no height): `quality` is then the mode's.
    `height_m` is GGA's antenna altitude above the geoid that the receiver uses; the ellipsoidal height is
    `height_m + separation_m`. `quality` is GGA's quality indicator: a `gnss.FixQuality`, or a number that no list
    has, which is not a fix. `time_s` is UTC seconds of the day.
    """

    time_s: float | None
    quality: int
    latitude: float | None
    longitude: float | None
    height_m: float | None
    separation_m: float | None
    satellites: int | None
    hdop: float | None
    age_s: float | None
    station_id: int | None
    sigma_east_m: float | None = None
    sigma_north_m: float | None = None
    sigma_up_m: float | None = None


class Utc(Said):
    """A full date and time from a receiver (`source` "RMC" or "ZDA"): the instant `utc` was said at `t`."""

    utc: dt.datetime
    source: str


class Epoch(Said):
    """One complete set of correction observations with at least one satellite in it.

    `time_s` is the epoch's GNSS time of week in seconds (GPS time scale; GLONASS-only sets give None), `systems` the
    letters of RINEX 3.0x table 1 (G R E C J I S) that had satellites, `satellites` and `cells` their counts over the
    set, `size_bytes` the frames of the set with their framing, `messages` the message numbers.

    `masks` has (satellites, signals, cells) of each MSM message of the set, in their order, as its three masks say;
    empty where none is MSM. `frequencies` is the largest number of carrier bands that the signals of any one
    constellation in the set lie in (1 for the legacy 1001/1002/1009/1010, 2 for 1003/1004/1011/1012), None if unknown.
    """

    station_id: int
    time_s: float | None
    systems: str
    satellites: int
    cells: int
    size_bytes: int
    messages: tuple[int, ...]
    masks: tuple[tuple[int, int, int], ...] = ()
    frequencies: int | None = None


class Station(Said):
    """RTCM 1005/1006: the antenna reference point (ARP), earth-centred earth-fixed metres.

    `antenna_height_m` is DF028 of 1006 (ARP above the marker), None with 1005. `itrf_year` is DF021 as sent.
    """

    station_id: int
    message: int
    x_m: float
    y_m: float
    z_m: float
    antenna_height_m: float | None
    itrf_year: int


class Antenna(Said):
    """RTCM 1007/1008/1033: the antenna descriptor (IGS table form) and what else the message names."""

    station_id: int
    message: int
    descriptor: str
    serial: str | None = None
    receiver: str | None = None


class Bias(Said):
    """RTCM 1230: GLONASS code-phase biases were sent by this station."""

    station_id: int


MOST_KINDS = 100
"""Messages that are counted apart in one Traffic, and in ten seconds of a log: no honest line has a third of that."""
TRAFFIC_ROW_S = 10
"""The seconds of which a log's table of traffic has one row a message, counted from the log's beginning."""
MORE_KINDS = "more kinds"
"""What the others are counted under."""


class Traffic(Said):
    """What the line carried since the stream's Traffic before it: every byte is in exactly one of the five sums.

    `frames_by_station` counts good RTCM frames by reference station ID (frames that carry none count under None),
    `observation_frames` those with observations, `by_message` (frames, bytes) by the message's text such as "1077".
    `rtcm2_words` counts words of RTCM 2 among the other bytes, of which only a sample is looked at. `heard_t` is when the
    last of the bytes came, None where that is `t`: a frame that stays a half is given up, and counted, seconds later.
    """

    frame_bytes: int = 0
    sentence_bytes: int = 0
    bad_frame_bytes: int = 0
    bad_sentence_bytes: int = 0
    other_bytes: int = 0
    frames: int = 0
    bad_frames: int = 0
    bad_sentences: int = 0
    observation_frames: int = 0
    frames_by_station: dict[int | None, int] = {}
    by_message: dict[str, tuple[int, int]] = {}
    rtcm2_words: int = 0
    heard_t: float | None = None

    @property
    def size_bytes(self) -> int:
        """All bytes, whatever they were."""
        return self.frame_bytes + self.sentence_bytes + self.bad_frame_bytes + self.bad_sentence_bytes + self.other_bytes


class SignalLevels(Said):
    """Carrier-to-noise density in dB-Hz by signal: mean over satellites of one observation message or GSV group.

    `levels` maps constellation letter + signal ("G1C", RINEX observation code; "G" alone from a GSV without signal ID)
    to (mean dB-Hz, number of satellites).
    """

    levels: dict[str, tuple[float, int]]


class Tilt(Said):
    """The pole: `angle_deg` off the plumb line (None when only the alignment was said); `aligned` None if not said."""

    angle_deg: float | None
    aligned: bool | None


class Port(Fact):
    """A port's state changed. `reason` is the operating system's own words, in short."""

    state: Literal["open", "waiting", "lost", "back"]
    reason: str = ""


class Health(Fact):
    """How the post itself is: said by the service, logged, and replayed like everything else. `stream` is "".

    What a Health leaves None is as the last one said. `lost_bytes` counts from the run's start (the sum over all
    readers), so only a rise means a new loss; `restarts` counts the starts of this post before this run.
    """

    disk_free_fraction: float | None = None
    disk_left_h: float | None = None
    temperature_c: float | None = None
    under_voltage: bool | None = None
    read_only: bool | None = None
    lost_bytes: int | None = None
    restarts: int | None = None
    log_failed: bool | None = None


class RuleFailed(Fact):
    """A rule threw and is switched off for the run: `error` in one line. Told by the engine; `stream` is ""."""

    rule: str
    error: str


class ReadingFailed(Said):
    """Some bytes of `stream` made the program that reads them throw: `error` in one line. The bytes are in the log."""

    error: str


class CompanionFailed(Fact):
    """A part of the service beside the watch (`companion`, by its name) threw or hung: `error` in one line. `stream` is ""."""

    companion: str
    error: str


class OutputFailed(Fact):
    """A light or a sound (`output`, by its name) failed or hangs: `error` says how; None: it works again. `stream` is ""."""

    output: str
    error: str | None


class Planned(Fact):
    """The crew said that an interruption is coming (a battery change): `for_s` seconds from `t`; `by` is who said it. `stream`
    is ""."""

    for_s: float
    why: str
    by: str | None = None


class Frozen(Fact):
    """The post itself did not run: it was stopped, or the machine overloaded. For `for_s` seconds from `t`, in which it also
    reads what came meanwhile, what it does not hear is not silent. `stream` is ""."""

    for_s: float


class Acknowledge(Fact):
    """A person (`by`) has seen the alerts: all of them, or those of `rule`. `stream` is ""."""

    rule: str | None = None
    by: str | None = None
    note: str | None = None


class Shelve(Fact):
    """A person silences `rule` (None: everything that stands) for `for_s` seconds. `stream` is ""."""

    for_s: float
    rule: str | None = None
    by: str | None = None
    note: str | None = None


class Unseen(Fact):
    """A stop alert that nobody had seen when an earlier run of this post ended, told at the start of the next.

    `run` is that run's log and `alert` the alert's number in it; `utc` is when it was over or last told, None where no
    receiver had said the time. `rule`, `cause`, `evidence` and `words` are its sentence's; `stream` is the line it was on.
    """

    run: str
    alert: int
    rule: str
    cause: str
    utc: dt.datetime | None = None
    evidence: dict[str, Any] = {}
    words: dict[str, str] = {}


class SetUp(Fact):
    """A person (`by`) says how the crew has set up today: it holds from `t` until the next one, over the site file's plan.

    `point` is the control point that the base occupies, None where that is none of the list. `antenna_height_m` is from the
    mark up to the antenna reference point, vertical; where it was measured as a slant, `slant_m` is what was read, to the
    antenna's rim, and `radius_m` and `offset_m` are that antenna's (`rules.site.antenna`). `stream` is "".

    One that an earlier run of the post was told and that still holds is told again at the start of the next: `run` is the log
    that it came from, `utc` when it was said, None where no receiver had said the time.
    """

    point: str | None
    antenna_height_m: float
    pole_height_m: float
    by: str | None = None
    slant_m: float | None = None
    radius_m: float | None = None
    offset_m: float | None = None
    run: str | None = None
    utc: dt.datetime | None = None


class CheckIn(Fact):
    """A person (`by`) says that the rover stands on this control point, now or within the minute. `stream` is ""."""

    point: str
    by: str | None = None


class Solved(Fact):
    """A person (`by`) says what solved an alert of `rule` by `cause`: `step` is the step's text in the book, its figures not
    filled in. `stream` is ""."""

    rule: str
    cause: str
    step: str
    by: str | None = None
