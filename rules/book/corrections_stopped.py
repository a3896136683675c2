"""corrections-stopped (stop): no usable observation epoch from the project's station.

When: none for the larger of `on_delay_s` and `intervals` usual intervals; from the very start, or while one epoch alone does
not tell the interval, after `first_silence_s`; a port that goes away, after `port_lost_s`. Usable: a complete observation set
with good CRCs from the project's station (from any, where the site names none). Station messages alone are no corrections.

An epoch that is due just when the time is up is given `jitter_s`: three seconds of fade that cut one epoch at either end make
five intervals without a whole one.

Causes, told apart by what the line has shown since the last usable epoch (its own tail, `tail_s`, set aside):

    the device is gone                          port-lost
    no bytes                                    line-silent; radio-settings-differ first where the two radio tables
                                                differ; out-of-range first past the radio horizon
    whole frames of another station             another-base
    whole frames of ours, no observations       station-messages-only
    broken frames, or sets that never complete  weak-link
    bytes that are no frames                    line-noise

Source: the figures are common practice, no source; the radio horizon is in `rules.book.radio`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.book.radio import free_space_loss_db, sheet_differences, site_horizon_km
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.facts import Epoch, Fact, Port, Traffic

_STRAY_BYTES = 16  # a line that lets so few bytes through is silent (common practice, no source)
_BROKEN_SHARE = 0.3  # of the bytes that are no sentences, in broken frames: a weak link rather than noise


_RADIO_STEPS = (
    "Antenna screwed on at both radios, cable not pinched?",
    "Power light on at both radios, transmit light blinking once a second at the base?",
    "Base still on and standing where it stood?",
)
_SAME_AT_BOTH = (
    "Same frequency at both ends?",
    "Same protocol at both ends?",
    "Forward error correction the same at both ends?",
    "Same air rate at both ends?",
)
_DO_NOT_STORE = "Store no points until this is over."


class StoppedFigures(Delays, kw_only=True):
    """Seconds, but for `intervals`."""

    on_delay_s: float = 5.0
    intervals: float = 3.0
    first_silence_s: float = 15.0
    port_lost_s: float = 2.0
    tail_s: float = 1.0
    jitter_s: float = 0.1


class _Shown:
    """What one line has shown since its last usable epoch."""

    def __init__(self) -> None:
        self.size_bytes = 0
        self.sentence_bytes = 0
        self.bad_frame_bytes = 0
        self.frames = 0
        self.bad_frames = 0
        self.observation_frames = 0
        self.ours = 0
        self.others: dict[int, int] = {}


class CorrectionsStopped(Rule[StoppedFigures]):
    """See the module."""

    name = "corrections-stopped"
    severity = "stop"
    sees = (Epoch, Traffic, Port)
    causes = {
        "line-silent": Advice(
            "No corrections for {silent_s} s: not one byte on {stream}.",
            (_DO_NOT_STORE, *_RADIO_STEPS, *_SAME_AT_BOTH, "Plug and cable between radio and receiver."),
        ),
        "radio-settings-differ": Advice(
            "No corrections for {silent_s} s: the site file's two radios differ ({differ}).",
            (_DO_NOT_STORE, "Set both radios the same: {differ}.", *_SAME_AT_BOTH, *_RADIO_STEPS),
        ),
        "out-of-range": Advice(
            "No corrections for {silent_s} s: {distance_km} km from the base, and these antennas reach about {horizon_km} km.",
            (
                _DO_NOT_STORE,
                "Go back towards the base, or to higher ground.",
                "Raise the base's radio antenna (mind overhead lines), or move the base closer.",
                *_RADIO_STEPS,
            ),
        ),
        "line-noise": Advice(
            "No corrections for {silent_s} s: {bytes} bytes came, and none of it is a correction.",
            (
                _DO_NOT_STORE,
                *_SAME_AT_BOTH[1:],
                "Encryption or network key the same at both ends?",
                "Baud rate between radio and receiver the same on both sides of the cable?",
            ),
        ),
        "weak-link": Advice(
            "No whole corrections for {silent_s} s: {bad_frames} of {all_frames} frames arrived broken.",
            (
                _DO_NOT_STORE,
                "Distance to the base: {distance_km} km. Go closer, or to where you can see it.",
                *_RADIO_STEPS,
                "Another transmitter on this frequency? Listen on the receiver's squelch light with the base off.",
            ),
        ),
        "station-messages-only": Advice(
            "No observations for {silent_s} s: the base sends its position but no satellites.",
            (
                _DO_NOT_STORE,
                "Base's receiver: does it track satellites? Antenna cable on, sky open?",
                "Base's output: are the observation messages (MSM) switched on?",
            ),
        ),
        "another-base": Advice(
            "No corrections from our base for {silent_s} s: station {stations} is on our channel instead.",
            (
                _DO_NOT_STORE,
                "Our base still on?",
                "Change to a free channel that you are licensed for, at both ends.",
                "Find out whose station {stations} is.",
            ),
        ),
        "port-lost": Advice(
            "The port of {stream} {gone}: {reason}.",
            ("Plug back in at both ends?", "Radio or receiver on the other end switched on?", "Try the other cable."),
        ),
    }
    Figures = StoppedFigures

    def begin(self) -> None:
        self._shown = {stream: _Shown() for stream in self.scene.correction_streams}

    def see(self, fact: Fact) -> None:
        """Sum what the line shows; a usable epoch begins the sums anew."""
        if isinstance(fact, Epoch):
            if self.scene.is_ours(fact.station_id):
                self._shown[fact.stream] = _Shown()
                self.quiet_until = min(self.quiet_until, fact.t + self.figures.on_delay_s)
        elif isinstance(fact, Port):
            self.quiet_until = 0.0
        elif isinstance(fact, Traffic) and fact.stream in self._shown:
            epoch = self.scene.last_epoch.get(fact.stream)
            if epoch is None or fact.t > epoch.t + self.figures.tail_s:
                self._add(self._shown[fact.stream], fact)

    def judge(self, t: float) -> Iterable[Finding]:
        """One finding a line that carries corrections and has none now."""
        self.quiet_until = math.inf
        for stream in self.scene.correction_streams:
            port = self.scene.ports.get(stream)
            gone = port is not None and port.state in ("lost", "waiting")
            epoch = self.scene.last_epoch.get(stream)
            interval_s = self.scene.interval_s(stream)
            since = epoch.t if epoch else self.scene.began_t
            delay_s = max(self.figures.on_delay_s, self.figures.intervals * (interval_s or 0.0))
            if epoch is None or interval_s is None:  # how often this base sends is not known yet
                delay_s = max(delay_s, self.figures.first_silence_s)
            else:
                delay_s += self.figures.jitter_s
            if epoch is not None and gone and port is not None:
                since, delay_s = port.t, self.figures.port_lost_s
            self.quiet_until = min(self.quiet_until, since + delay_s - 1e-3)
            if t - since >= delay_s - 1e-6:
                yield self._finding(stream, t, since, delay_s, gone)

    def _add(self, shown: _Shown, fact: Traffic) -> None:
        shown.size_bytes += fact.size_bytes
        shown.sentence_bytes += fact.sentence_bytes
        shown.bad_frame_bytes += fact.bad_frame_bytes
        shown.frames += fact.frames
        shown.bad_frames += fact.bad_frames
        shown.observation_frames += fact.observation_frames
        for station, frames in fact.frames_by_station.items():
            if station is None:
                continue
            if self.scene.is_ours(station):
                shown.ours += frames
            else:
                shown.others[station] = shown.others.get(station, 0) + frames

    def _finding(self, stream: str, t: float, since: float, delay_s: float, gone: bool) -> Finding:
        shown = self._shown[stream]
        silent_bytes = shown.size_bytes - shown.sentence_bytes
        epoch = self.scene.last_epoch.get(stream)
        distance_km, horizon_km = self.scene.distance_km(), site_horizon_km(self.site)
        if gone:
            causes = ["port-lost"]
        elif silent_bytes <= _STRAY_BYTES and not shown.frames:
            causes = self._silence(distance_km, horizon_km)
        elif shown.others and not shown.ours:
            causes = ["another-base"]
        elif shown.frames > shown.bad_frames and shown.ours and not shown.observation_frames:
            causes = ["station-messages-only"]
        elif shown.frames and not shown.bad_frames and not shown.observation_frames:
            causes = ["station-messages-only", "line-noise"]
        elif shown.bad_frame_bytes >= _BROKEN_SHARE * silent_bytes or shown.observation_frames:
            causes = ["weak-link", "line-noise"]
        else:
            causes = ["line-noise", "weak-link"]
        evidence = {
            "silent_s": round(t - (epoch.t if epoch else self.scene.began_t), 1),
            "interval_s": self.scene.interval_s(stream),
            "bytes": shown.size_bytes,
            "frames": shown.frames,
            "all_frames": shown.frames + shown.bad_frames,
            "bad_frames": shown.bad_frames,
            "observation_frames": shown.observation_frames,
            "other_stations": sorted(shown.others),
            "distance_km": None if distance_km is None else round(distance_km, 2),
            "horizon_km": None if horizon_km is None else round(horizon_km, 2),
            "free_space_loss_db": self._loss_db(distance_km),
        }
        port = self.scene.ports.get(stream)
        return Finding(
            causes=[Cause(cause=cause) for cause in causes],
            stream=stream,
            key=stream,
            since=since,
            on_delay_s=delay_s,
            evidence=evidence,
            words={
                "stations": ", ".join(map(str, sorted(shown.others))),
                "gone": "has never been there" if port and port.state == "waiting" else "is gone",
                "reason": (port.reason if port else "") or "no reason given",
                "differ": ", ".join(sheet_differences(self.site)),
            },
        )

    def _silence(self, distance_km: float | None, horizon_km: float | None) -> list[str]:
        """The causes of a line without a byte, most likely first."""
        if self.site.post.role == "base":
            return ["line-silent"]
        causes = ["line-silent"]
        if sheet_differences(self.site):
            causes.insert(0, "radio-settings-differ")
        if distance_km is not None and horizon_km is not None:
            if distance_km > horizon_km:
                causes.insert(0, "out-of-range")
            elif distance_km > 0.7 * horizon_km:
                causes.append("out-of-range")
        return causes

    def _loss_db(self, distance_km: float | None) -> float | None:
        """What the radio path loses at least, for whoever compares it with the link's budget."""
        frequency_mhz = self.site.radio.base.frequency_mhz or self.site.radio.rover.frequency_mhz
        if not distance_km or frequency_mhz is None:
            return None
        return round(free_space_loss_db(frequency_mhz, distance_km), 1)
