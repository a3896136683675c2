"""What the post ought to say of a scenario: truth lines, worked out from the events and the model's own knowledge.

The figures here are those of the rules' documentation, written down a second time on purpose: a rule whose own figure has
been changed by mistake must fail its grade. Silence is not worked out here but watched while the stream is made (see
`Silence`), because only the link knows which epoch was the last to arrive whole.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from msgspec import UNSET, Struct, UnsetType
from msgspec.structs import replace
from witnesspost.replay.play.tape import Truth
from witnesspost.replay.world.events import (
    AntennaHeight,
    AntennaSet,
    Broadcast,
    Clock,
    Event,
    FixLimit,
    Health,
    MessageSet,
    Neighbour,
    OldEpochs,
    Planned,
    PlugsSwapped,
    PoleTilt,
    RoverOff,
    Separation,
    SlowLink,
    StationIdSet,
)
from witnesspost.replay.world.scenario import Scenario
from witnesspost.rules.site.model import Severity, Site

RAISED_WITHIN_S = 0.3
"""An alert is raised at most this long after its on-delay has run out."""

ON_DELAY_S = {
    "corrections-stopped": 5.0,
    "corrections-late": 5.0,
    "wrong-channel": 3.0,
    "radio-sheet": 0.0,
    "link-overload": 10.0,
    "message-set": 60.0,  # but a station position
    "base-datum": 0.0,
    "base-moved": 0.0,
    "antenna-mismatch": 0.0,
    "fix-lost": 3.0,
    "control-check": 10.0,
    "height-reference": 10.0,
    "tilt": 3.0,
    "sky": 30.0,
    "post-health": 0.0,
}
"""Seconds by rule, as documented."""

NOTICED_S = {
    "corrections-late": 12.0,
    "wrong-channel": 2.0,
    "link-overload": 16.0,
    "message-set": 31.0,
    "fix-lost": 1.5,
    "control-check": 3.0,
    "height-reference": 1.5,
    "tilt": 1.5,
    "sky": 16.0,
    "post-health": 1.0,
}
"""How long it takes until a fault of each rule shows on the line at all: the next sentence, sample or message."""

_MOVED_S = 10.0
"""A line that has said no position for so long is no receiver's any more, by the same documentation."""

_MORE_TIMES_S = 2.0
"""Three of a receiver's times must agree before one has jumped, by the same documentation: one comes a second."""

_SILENT_RECEIVER_S = 5.0
"""A receiver that says nothing for so long has no position."""

NO_OBSERVATIONS = ("ssr", "own", "rtcm2")
"""Kinds of messages that no rover of RTCM 3 can use."""

STATION_POSITION_S = 150.0
"""How long a base may send no position of its own, by the same documentation."""

AGE_S, SERVICE_AGE_S = 5.0, 15.0
"""How old a rover's corrections may be, by the same documentation; three intervals where that is more."""

_FIXED = 4  # GGA's quality (NMEA 0183)

JUMP_STANDS_S = 5.0
"""How long a position must stand after a jump, so that it is no step of the rover's own, to the next sentence."""

SILENT_START_S, PORT_LOST_S, NEVER_FIXED_S, OFF_DELAY_S = 15.0, 2.0, 120.0, 3.0
AGAIN, AGAIN_S, SHORT_S = 3, 600.0, 30.0  # silences within that time that come and go
HELD_S = 4.5
"""An ended silence that lasts so long ends the alert as well."""


def truths(scenario: Scenario) -> Iterator[Truth]:
    """The truth lines of all events, of the site's radio tables, and the scenario's own."""
    yield from _radio_sheet(scenario)
    for event in scenario.events:
        if event.silent:
            continue
        for stated in event.expect:
            t = event.at_s + stated.after_s
            within = _within(scenario, stated.rule, event) if stated.within_s is None else stated.within_s
            yield Truth(
                t=t,
                expect=stated.expect,
                rule=stated.rule,
                cause=stated.cause,
                within_s=within,
                because_of=stated.because_of,
                severity=stated.severity,
            )
        if not event.expect:
            yield from _of(scenario, event)
    for own in scenario.truths:
        yield Truth(
            t=own.t,
            expect=own.expect,
            rule=own.rule,
            cause=own.cause,
            within_s=own.within_s,
            because_of=own.because_of,
            severity=own.severity,
        )


def _within(scenario: Scenario, rule: str, event: Event) -> float:
    within = ON_DELAY_S.get(rule, 0.0) + RAISED_WITHIN_S + NOTICED_S.get(rule, 0.0)
    messages = scenario.messages
    if rule in ("base-datum", "base-moved"):
        within += max(messages.station_s, messages.interval_s) + 2.0
    if rule == "antenna-mismatch":
        within += max(messages.antenna_s, messages.interval_s) + 2.0
    return within


def _raised(
    scenario: Scenario,
    event: Event,
    rule: str,
    cause: str | list[str] | None,
    because_of: str | None = None,
    severity: Severity | UnsetType = UNSET,
) -> Truth:
    within = _within(scenario, rule, event)
    return Truth(
        t=event.at_s, expect="raised", rule=rule, cause=cause, within_s=within, because_of=because_of, severity=severity
    )


def _ended(scenario: Scenario, event: Event, rule: str, slack_s: float) -> Iterator[Truth]:
    if event.until_s + OFF_DELAY_S + slack_s < scenario.duration_s:
        yield Truth(
            t=event.until_s,
            expect="cleared",
            rule=rule,
            within_s=OFF_DELAY_S + RAISED_WITHIN_S + slack_s,
            because_of=None,
        )


def _of(scenario: Scenario, event: Event) -> Iterator[Truth]:
    """What follows from one event, whatever the scenario."""
    lasts = event.until_s - event.at_s
    at_rover = not scenario.at_base
    own = scenario.site.base.kind == "own"
    if isinstance(event, Neighbour) and at_rover and lasts > ON_DELAY_S["wrong-channel"] and not is_ours(scenario, event):
        yield _raised(scenario, event, "wrong-channel", "another-base" if event.instead else "two-bases")
        # A rover that fixed to the louder base holds on to it for as long as a fix holds.
        yield from _ended(scenario, event, "wrong-channel", 14.0 if event.instead else 5.0)
    elif isinstance(event, PlugsSwapped):
        truth = _raised(scenario, event, "corrections-stopped", "lines-swapped", severity="check")
        truth.within_s = (_MOVED_S if event.at_s > 0 else SILENT_START_S) + 1.0 + RAISED_WITHIN_S
        yield truth
        yield from _ended(scenario, event, "corrections-stopped", 1.5)
    elif isinstance(event, PoleTilt) and at_rover and lasts > ON_DELAY_S["tilt"]:
        told = _lean(scenario, event)
        if told is not None:
            cause, severity = told
            yield _raised(scenario, event, "tilt", cause, severity=severity)
            yield from _ended(scenario, event, "tilt", 1.5)
    elif isinstance(event, Separation) and at_rover:
        cause = {"none": "no-separation", "reversed": "sign-reversed", "other": "other-geoid"}[event.how]
        yield _raised(scenario, event, "height-reference", cause)
    elif isinstance(event, Broadcast):
        if event.at_s == 0:
            yield _raised(scenario, event, "base-datum", event.cause or None)
        elif not any("corrections" in stream.carries for stream in scenario.site.stream):
            truth = _raised(scenario, event, "base-moved", "position-jumped")
            truth.within_s += JUMP_STANDS_S
            yield truth
        else:
            yield _raised(scenario, event, "base-moved", "coordinate-changed")
    elif isinstance(event, StationIdSet) and event.at_s > 0 and own:
        ours = scenario.site.base.station_ids
        if ours is None:
            yield _raised(scenario, event, "base-moved", "station-changed")
        elif event.to not in ours:
            yield _raised(scenario, event, "wrong-channel", "another-base")
    elif isinstance(event, AntennaHeight) and event.at_s > 0:
        yield _raised(scenario, event, "base-moved", "antenna-height-changed")
        if scenario.site.base.occupies is not None and abs(event.height_m - scenario.site.base.antenna_height_m) > 0.005:
            truth = _raised(scenario, event, "antenna-mismatch", "height-differs")
            truth.within_s += scenario.messages.station_s
            yield truth
    elif isinstance(event, AntennaSet):
        yield _raised(scenario, event, "antenna-mismatch", "descriptor-differs")
    elif (
        isinstance(event, RoverOff)
        and at_rover
        and event.at_s > 0
        and lasts > _SILENT_RECEIVER_S
        and not _held(scenario, event)
    ):
        truth = _raised(scenario, event, "fix-lost", "no-position")
        truth.within_s += _SILENT_RECEIVER_S
        yield truth
    elif isinstance(event, FixLimit) and at_rover:
        yield from _fix_limit(scenario, event)
    elif isinstance(event, MessageSet) and event.observations is not False and event.kind not in NO_OBSERVATIONS:
        yield from _message_set(scenario, event)
    elif isinstance(event, SlowLink) and event.to_s > 5.0:
        yield _raised(scenario, event, "corrections-late", "slow-link")
    elif isinstance(event, OldEpochs) and event.by_s > 5.0:
        yield _raised(scenario, event, "corrections-late", "old-epochs")
    elif isinstance(event, Clock):
        if event.at_s > 0:
            stepped = _raised(scenario, event, "post-health", "clock-stepped")
            yield replace(stepped, within_s=stepped.within_s + _MORE_TIMES_S)
        if abs(event.by_s) > 5.0:
            yield _raised(scenario, event, "corrections-late", "clock-not-set")
    elif isinstance(event, Health):
        yield from _health(scenario, event)


def is_ours(scenario: Scenario, event: Neighbour) -> bool:
    """True if the neighbour is the project's own second base, or if of a service's or a moving base any number is ours."""
    site = scenario.site
    return site.base.kind != "own" or any(event.station_id in (one.station_ids or ()) for one in site.other_base)


def _held(scenario: Scenario, event: Event) -> bool:
    """True if the crew announced an interruption that covers the event."""
    return any(isinstance(e, Planned) and e.at_s <= event.at_s and event.until_s <= e.at_s + e.lasts_s for e in scenario.events)


def _lean(scenario: Scenario, event: PoleTilt) -> tuple[str, Severity] | None:
    """What the post ought to say of a standing pole: past 1.5° nothing is plumb, past 45° it is laid down."""
    says_aligned = scenario.rover.tilt == "sentence"
    leans = 1.5 < event.angle_deg <= 45.0
    if says_aligned and not event.aligned:
        return ("sensor-not-aligned", "check") if leans or event.at_s > 0 else None
    made_up_for = says_aligned and scenario.site.tilt is not None and scenario.site.tilt.compensates
    if not leans or (made_up_for and event.angle_deg <= 30.0):
        return None
    return "pole-too-far-over", "check" if made_up_for or event.angle_deg > 15.0 else "note"


def _fix_limit(scenario: Scenario, event: FixLimit) -> Iterator[Truth]:
    cause = "no-position" if event.state == "none" else event.state
    if event.at_s > 0 and event.until_s - event.at_s > ON_DELAY_S["fix-lost"]:
        yield _raised(scenario, event, "fix-lost", cause)
    elif event.at_s == 0 and event.until_s > NEVER_FIXED_S:
        yield Truth(t=0.0, expect="raised", rule="fix-lost", cause=cause, within_s=NEVER_FIXED_S + 5.0, because_of=None)


def _message_set(scenario: Scenario, event: MessageSet) -> Iterator[Truth]:
    # A rover that has heard the position once keeps it, and its fix: then nothing is missing.
    causes = {
        "no-station-position": event.station_s == 0.0 and (scenario.at_base or event.at_s == 0),
        "station-position-rare": event.station_s is not None and event.station_s > 30.0,
        "no-glonass-bias": event.bias_s == 0.0,
        "single-frequency": bool(event.single_frequency),
    }
    for cause, shows in causes.items():
        if shows:
            truth = _raised(scenario, event, "message-set", cause)
            if cause == "station-position-rare":
                truth.within_s = 3 * (event.station_s or 0.0) + 5.0
            elif cause == "no-station-position":
                truth.within_s += STATION_POSITION_S - ON_DELAY_S["message-set"]
            yield truth
            return


def _health(scenario: Scenario, event: Health) -> Iterator[Truth]:
    causes = {
        "disk-low": (event.disk_free_fraction is not None and event.disk_free_fraction < 0.10)
        or (event.disk_left_h is not None and event.disk_left_h < 24.0),
        "hot": event.temperature_c is not None and event.temperature_c >= 80.0,
        "low-voltage": bool(event.under_voltage),
        "bytes-lost": bool(event.lost_bytes),
        "log-failed": bool(event.log_failed) or bool(event.read_only),
    }
    for cause, shows in causes.items():
        if shows:
            yield _raised(scenario, event, "post-health", cause)
            return


def sheet_difference(site: Site) -> str | None:
    """The first thing in which the site's two radio tables differ, as the rule's cause; None where they agree."""
    base, rover = site.radio.base, site.radio.rover
    for key, cause in (
        ("frequency_mhz", "frequency-differs"),
        ("protocol", "protocol-differs"),
        ("forward_error_correction", "error-correction-differs"),
        ("air_rate_bps", "air-rate-differs"),
    ):
        one, other = getattr(base, key), getattr(rover, key)
        if one is not None and other is not None and one != other:
            return cause
    return None


def _radio_sheet(scenario: Scenario) -> Iterator[Truth]:
    cause = sheet_difference(scenario.site)
    if cause is not None:
        yield Truth(t=0.0, expect="raised", rule="radio-sheet", cause=cause, within_s=RAISED_WITHIN_S, because_of=None)


class Silence(Struct):
    """The watch for `corrections-stopped` over what really arrives: usable epochs, and why they do not.

    Call `epoch` with each usable epoch's arrival and `due_at` once a second; both give the truth lines that follow.
    """

    interval_s: float
    last_t: float | None = None
    raised: bool = False
    back_t: float | None = None
    because_of: str | None = None
    flaps: bool = False
    of_a_service: bool = False
    corrected_until: float = -math.inf
    over: list[tuple[float, float]] = []  # the silences that were told and have ended: from when to when

    def comes_and_goes(self, t: float) -> bool:
        """True where the silence at `t` is one more of several short ones."""
        recent = [(since, until) for since, until in self.over if since > t - AGAIN_S]
        return len(recent) + 1 >= AGAIN and all(until - since <= SHORT_S for since, until in recent)

    def rover_says(self, t: float, quality: int, age_s: float | None) -> None:
        """What a rover's receiver says at `t`: fixed by corrections of that age, it misses nothing until they are too old."""
        limit_s = max(SERVICE_AGE_S if self.of_a_service else AGE_S, 3.0 * self.interval_s)
        fixed = quality == _FIXED and age_s is not None
        self.corrected_until = t + limit_s - age_s if fixed and age_s is not None else min(t, self.corrected_until)

    def epoch(self, t: float) -> None:
        """A usable epoch of the project's station arrived at `t`."""
        if self.raised and self.back_t is None:
            self.back_t = t
            self.over.append((self.last_t or 0.0, t))
        self.last_t = t

    def due_at(
        self,
        t: float,
        cause: str | list[str] | None,
        port_lost: tuple[float, str] | None,
        held: bool,
        because_of: str | None,
    ) -> Iterator[Truth]:
        """Time is `t`: `cause` is why nothing comes, `port_lost` since when the port is gone, and how (None: it is there),
        `held` that the crew announced an interruption, `because_of` the rule that explains a silence now."""
        delay = max(ON_DELAY_S["corrections-stopped"], 3.0 * self.interval_s)
        since = self.last_t
        if since is None:
            since, delay = 0.0, max(delay, SILENT_START_S)
        elif port_lost is not None:
            (since, cause), delay = port_lost, PORT_LOST_S
        told = since + delay if port_lost is not None else max(since + delay, self.corrected_until)
        if not self.raised and t >= told and not held:
            self.raised, self.because_of = True, because_of
            yield Truth(
                t=since,
                expect="raised",
                rule="corrections-stopped",
                cause=cause,
                within_s=told - since + RAISED_WITHIN_S,
                because_of=because_of,
            )
        elif self.raised and self.back_t is None and port_lost is None and t < self.corrected_until:
            self.back_t, self.flaps = t, True  # to the second: the rover has found another way
        elif self.raised and self.back_t is not None and t > self.back_t + HELD_S:
            if not self.flaps:
                yield Truth(
                    t=self.back_t,
                    expect="cleared",
                    rule="corrections-stopped",
                    within_s=OFF_DELAY_S + RAISED_WITHIN_S,
                    because_of=self.because_of,
                )
            self.raised, self.back_t, self.flaps = False, None, False
        elif self.back_t is not None and t >= told:
            self.back_t = None
