"""What happens in a scenario: each event is a condition that begins at `at_s` and, after `for_s`, is over.

    [[event]]
    at_s = 600
    for_s = 300                  # left out: to the end
    do = "radio"
    of = "rover"
    frequency_mhz = 464.500

`EVENTS` maps each word that `do` may be to its struct. Times are seconds since the scenario began, lengths metres,
angles degrees. `expect` states what the post ought to say where the model itself does not know (see `replay.world.truth`).
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from msgspec import UNSET, Meta, Struct, UnsetType
from witnesspost.rules.site.model import Severity

Seconds = Annotated[float, Meta(ge=0)]
Bps = Annotated[int, Meta(gt=0)]
StationId = Annotated[int, Meta(ge=0, le=4095)]
Kind = Literal["msm4", "msm7", "legacy", "ssr", "own", "rtcm2"]
"""What a base's observations are sent in: RTCM 3's, those of orbits and clocks alone, a maker's own in RTCM 3, or RTCM 2."""


class Expect(Struct, kw_only=True):
    """What the post ought to say of an event: `after_s` it began, within `within_s` (None: the rule's own figure)."""

    rule: str
    cause: str | list[str] | None = None
    after_s: float = 0.0
    within_s: Seconds | None = None
    expect: Literal["raised", "cause", "acknowledged", "normal", "cleared"] = "raised"
    because_of: str | None = None
    severity: Severity | UnsetType = UNSET


class Event(Struct, kw_only=True):
    """What all events have. `silent` says that the post ought to say nothing of it: it stays under the limit."""

    at_s: Seconds
    for_s: Annotated[float, Meta(gt=0)] | None = None
    silent: bool = False
    expect: list[Expect] = []

    @property
    def until_s(self) -> float:
        """When it is over; infinity where it lasts to the end."""
        return math.inf if self.for_s is None else self.at_s + self.for_s

    def during(self, t: float) -> bool:
        """True while it lasts."""
        return self.at_s <= t < self.until_s


class BaseOff(Event):
    """The base is switched off; with `half_frame` while it sends, so that half a frame of that moment still arrives."""

    half_frame: bool = False


class RoverOff(Event):
    """The rover's receiver is switched off: it says nothing, and begins anew afterwards."""


class PortLost(Event):
    """A cable is pulled out of the post, and put back."""

    stream: str = "corrections"


class PlugsSwapped(Event):
    """The two plugs are in each other's port of the post: what one line brings arrives on the other."""


class Radio(Event):
    """The radio `of` one end is set to something else; what is not named stays as it was."""

    of: Literal["base", "rover"]
    frequency_mhz: float | None = None
    protocol: str | None = None
    forward_error_correction: bool | None = None
    air_rate_bps: Bps | None = None


class Neighbour(Event):
    """A neighbour's base is on our channel: louder than ours (`instead`), or in turns with it.

    With `point` it is the project's second base, over that control point; otherwise so many metres from ours.
    """

    station_id: StationId = 901
    instead: bool = False
    point: str | None = None
    east_m: float = 2600.0
    north_m: float = 1900.0


class Noise(Event):
    """The line carries bytes that are not frames: a baud, a protocol or an encryption differs."""

    stream: str = "corrections"
    bytes_per_s: Annotated[float, Meta(gt=0)] = 180.0


class BadFrames(Event):
    """This share of all frames arrives with a wrong bit."""

    share: Annotated[float, Meta(gt=0, le=1)] = 0.7


class BitErrors(Event):
    """This share of all bits goes wrong on the air, before any forward error correction."""

    rate: Annotated[float, Meta(gt=0, lt=0.5)]


class LostEpochs(Event):
    """This share of all epochs is lost whole: the radios check frames themselves, and never show a broken one."""

    share: Annotated[float, Meta(gt=0, le=1)]


class Fade(Event):
    """Nothing comes through the air: somebody parked a dumper in front of the antenna."""


class Walk(Event):
    """The rover goes to another place: metres from the base, or from a control point; `up_m` over the ground there."""

    east_m: float = 0.0
    north_m: float = 0.0
    up_m: float = 0.0
    point: str | None = None
    speed_m_s: Annotated[float, Meta(gt=0)] = 1.2


class OtherWay(Event):
    """The base's corrections reach the rover's receiver by another way (its own modem): the post's line carries nothing."""


class Deaf(Event):
    """The rover's receiver takes in no corrections, though the post's line carries them: its own plug is loose."""


class MessageSet(Event):
    """The base sends another set of messages; intervals in seconds, 0 for never."""

    observations: bool | None = None
    kind: Kind | None = None
    systems: str | None = None
    without: str | None = None
    single_frequency: bool | None = None
    interval_s: Annotated[float, Meta(gt=0)] | None = None
    station_s: Seconds | None = None
    antenna_s: Seconds | None = None
    bias_s: Seconds | None = None


class SlowLink(Event):
    """Bytes queue on their way: each epoch is later than the one before, up to `to_s`."""

    to_s: Annotated[float, Meta(gt=0)]
    over_s: Annotated[float, Meta(gt=0)] = 20.0


class OldEpochs(Event):
    """The base sends epochs that are this old."""

    by_s: Annotated[float, Meta(gt=0)]


class Clock(Event):
    """The post's receiver says a UTC that is wrong by this much (ahead: positive)."""

    by_s: float


class Broadcast(Event):
    """The base broadcasts a wrong coordinate of its ARP: by a `cause` that `replay.world.blunders` computes, or shifted.

    `to` is what the blunder needs beside the site: the point, the frame, the zone, the number of decimals.
    """

    cause: str = ""
    to: str | float | None = None
    east_m: float = 0.0
    north_m: float = 0.0
    up_m: float = 0.0


class StationIdSet(Event):
    """The base's station ID is changed."""

    to: StationId


class StationAt(Event):
    """A service's or a moving base's station is this many metres from where it began, and goes on at these speeds."""

    to: StationId | None = None
    east_m: float = 0.0
    north_m: float = 0.0
    east_m_s: float = 0.0
    north_m_s: float = 0.0


class AntennaSet(Event):
    """The base sends another antenna descriptor."""

    descriptor: str


class AntennaHeight(Event):
    """The base is told another antenna height: its ARP moves by the difference, and 1006 says so."""

    height_m: Annotated[float, Meta(ge=0, le=6.5535)]


class FixLimit(Event):
    """The rover gets no better than this: it works under trees."""

    state: Literal["none", "autonomous", "differential", "float"]


class Occupy(Event):
    """The rover stands on a control point, still; the point's list coordinate is wrong by this much, or the pole is."""

    point: str
    east_m: float = 0.0
    north_m: float = 0.0
    up_m: float = 0.0


class Separation(Event):
    """The receiver reports another geoid separation: none, with the sign reversed, or of another model."""

    how: Literal["none", "reversed", "other"]
    by_m: float = 0.0


class PoleTilt(Event):
    """The pole leans, or its sensor has lost its alignment. `moves`: the antenna is really over to one side, the foot stays."""

    angle_deg: Annotated[float, Meta(ge=0, le=90)] = 1.0
    aligned: bool = True
    moves: bool = False


class PoleLength(Event):
    """The pole is longer by this much than what was typed (shorter: less than zero)."""

    by_m: float


class SkyBlocked(Event):
    """The post's antenna sees less: only what stands higher than `above_deg`, everywhere or clockwise between two
    azimuths, and only so many satellites."""

    above_deg: Annotated[float, Meta(ge=0, le=90)] = 0.0
    from_deg: float = 0.0
    to_deg: float = 360.0
    satellites: Annotated[int, Meta(ge=0)] | None = None


class Levels(Event):
    """The post's C/N0 changes, dB: of all constellations, or of those named (letters of RINEX)."""

    by_db: float
    systems: str = "GREC"


class Planned(Event):
    """The crew says that an interruption of `lasts_s` is coming."""

    lasts_s: Annotated[float, Meta(gt=0)]
    why: str = "battery"


class Acknowledge(Event):
    """A person acknowledges."""

    rule: str | None = None


class Shelve(Event):
    """A person shelves."""

    lasts_s: Annotated[float, Meta(gt=0)]
    rule: str | None = None


class SetUp(Event):
    """A person says how the crew has set up today."""

    antenna_height_m: Annotated[float, Meta(ge=0)]
    point: str | None = None
    pole_height_m: Annotated[float, Meta(ge=0)] = 2.0


class CheckIn(Event):
    """A person says that the rover stands on this control point."""

    point: str


class Health(Event):
    """The post says this of itself, and no more after that (see `rules.facts.Health`)."""

    disk_free_fraction: float | None = None
    disk_left_h: float | None = None
    temperature_c: float | None = None
    under_voltage: bool | None = None
    read_only: bool | None = None
    lost_bytes: int | None = None
    restarts: int | None = None
    log_failed: bool | None = None


EVENTS: dict[str, type[Event]] = {
    "base-off": BaseOff,
    "rover-off": RoverOff,
    "port-lost": PortLost,
    "plugs-swapped": PlugsSwapped,
    "radio": Radio,
    "neighbour": Neighbour,
    "noise": Noise,
    "bad-frames": BadFrames,
    "bit-errors": BitErrors,
    "lost-epochs": LostEpochs,
    "fade": Fade,
    "walk": Walk,
    "other-way": OtherWay,
    "deaf": Deaf,
    "messages": MessageSet,
    "slow-link": SlowLink,
    "old-epochs": OldEpochs,
    "clock": Clock,
    "broadcast": Broadcast,
    "station-id": StationIdSet,
    "station-at": StationAt,
    "antenna": AntennaSet,
    "antenna-height": AntennaHeight,
    "fix": FixLimit,
    "occupy": Occupy,
    "separation": Separation,
    "tilt": PoleTilt,
    "pole": PoleLength,
    "sky": SkyBlocked,
    "levels": Levels,
    "planned": Planned,
    "acknowledge": Acknowledge,
    "shelve": Shelve,
    "set-up": SetUp,
    "check-in": CheckIn,
    "health": Health,
}
"""Each word that `do` may be."""
