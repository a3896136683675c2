"""corrections-stopped (stop): no usable observation epoch from the project's station.

When: none for the larger of `on_delay_s` and `intervals` usual intervals; from the very start, or while one epoch alone does
not tell the interval, after `first_silence_s`; a port that goes away, after `port_lost_s`. Usable: a complete observation set
with good CRCs from the project's station (from any, where the site names none). Station messages alone are no corrections.
A rover that says that it is fixed, with an age within the limit, is being corrected by some way: then only a lost port is told,
and swapped lines, which are a check: corrections do come.

An epoch that is due just when the time is up is given `jitter_s`: three seconds of fade that cut one epoch at either end make
five intervals without a whole one.

Causes, told apart by what the line shows now: in the last `window_s` (or three intervals) since the last usable epoch, whose
own tail, `tail_s`, is set aside. A line that has brought nothing for `quiet_s` (two intervals; one and a half times as long as
whole frames have been apart since; as long as the longest frame takes at the rate of the noise, since what looks like a frame's
head is held until that frame would be whole) is silent, whatever came before:

    the device is gone                               port-lost
    and another line's with it                       ports-lost: what they share went, a hub or a cable
    a receiver's positions, while corrections come
    in on that receiver's own line without any       lines-swapped
    nothing                                          line-silent; radio-settings-differ first where the radio tables differ;
                                                     weak-link first where over `lost_share` of the epochs of the two minutes
                                                     before were lost, as radios that check frames themselves lose them;
                                                     comes-and-goes, behind weak-link alone, the `again`th time within
                                                     `again_s` that it is so and each of those before was short
    whole frames of another station                  another-base
    RTCM 3 of a maker's own kinds or SSR, RTCM 2,    other-format, with what it looks like
    sentences
    whole frames of ours, no observations            station-messages-only
    more broken frames than noise has by chance, or
    sets that never complete                         weak-link
    bytes that are not frames                         line-noise; other-format second
    nothing, or no frames, from a service            service-silent: no radios there

At a rover past the radio horizon out-of-range comes first where nothing or broken frames come, from `near_share` of it second.

Source: the figures are common practice, no source; the radio horizon is in `rules.book.radio`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from witnesspost.rules.book.radio import free_space_loss_db, setting_in_words, sheet_differences, site_horizon_km
from witnesspost.rules.book.shown_line import Line, Lost, Shown
from witnesspost.rules.engine.consequences import TOGETHER_S
from witnesspost.rules.engine.rule import Advice, Cause, Delays, Finding, Rule
from witnesspost.rules.engine.scene import LIMIT_S
from witnesspost.rules.facts import Epoch, Fact, Port, Traffic
from witnesspost.rules.gnss import ANTENNA, GLONASS_BIAS, STATION_POSITION, TEXT, is_observation
from witnesspost.rules.language.names import called

_STRAY_BYTES = 16  # a line that lets so few bytes through is silent (common practice, no source)
_RTCM2_HOLDS_S = 60.0  # a slow line fills a sample so seldom
_MOST_NAMED = 10  # stations: a line of noise has thousands
_RECEIVER_SILENT_S = 10.0  # a receiver that has said no position for so long has another line (common practice, no source)

_RADIO_CAUSES = frozenset(("line-silent", "comes-and-goes", "weak-link", "radio-settings-differ"))  # that distance brings too
_STATION_MESSAGES = STATION_POSITION | ANTENNA | {TEXT, GLONASS_BIAS, 1013, 1032}  # RTCM 10403.3, table 3.5-1 (from memory)
_MAKERS_OWN = frozenset(range(4001, 4096))
_SSR = frozenset(range(1057, 1069))

_DO_NOT_STORE = "Store no points until this is over."
_TELL_THE_CREW = "Tell the crew: store no points until this is over."
_RADIO_STEPS = (
    "Is the power light on at both radios? Does the base's transmit light blink once an epoch?",
    "Is the base still switched on, and still where it was set up?",
    "Transmitter off first. Is the antenna screwed on tight at both radios, and each cable sound? Then transmitter on again.",
)
_SAME_AT_BOTH = "Read these off both radios and compare: frequency, protocol, error correction (FEC), air rate."
_RADIO_AND_RECEIVER = "Check the plugs and the cable between the radio and the receiver."
_SERVICE_STEPS = (
    "Phone or modem: is it on, and does it have signal and data?",
    "Is it logged in, with the password and the stream (mountpoint) that the service gave you?",
    "Does the receiver send its position to the service? Many send nothing without it.",
    "Check the plugs and the cable (or the pairing) between modem and receiver.",
)
_SWAP_BACK = (
    "Swap the two plugs at the post, or the two ports in the site file.",
    "Until then go on: all that comes in is logged, but the post does not watch all of it.",
)
_BASE_LINE = (
    "Base's receiver: is the output of corrections switched on, on this port?",
    "Check the plugs and cables between the base's receiver, its radio and this post.",
)
_BASE_BAUD = "Is the baud rate of the base's output the one that the site file has for {stream}?"


class StoppedFigures(Delays, kw_only=True):
    """Seconds, but for `intervals` and `again`; `lost_share` is of epochs, `near_share` of the radio horizon."""

    on_delay_s: float = 5.0
    intervals: float = 3.0
    first_silence_s: float = 15.0
    port_lost_s: float = 2.0
    tail_s: float = 1.0
    jitter_s: float = 0.1
    quiet_s: float = 3.0
    window_s: float = 10.0
    lost_share: float = 1 / 3
    near_share: float = 0.3
    again: int = 3
    again_s: float = 600.0


class CorrectionsStopped(Rule[StoppedFigures]):
    """No usable epoch from the project's station for too long, and why: the module's table says how causes are told apart."""

    name = "corrections-stopped"
    severity = "stop"
    sees = (Epoch, Traffic, Port)
    causes = {
        "line-silent": Advice(
            "No corrections for {silent_s} s: nothing comes in on the port for {stream}.",
            (_DO_NOT_STORE, *_RADIO_STEPS, _SAME_AT_BOTH, _RADIO_AND_RECEIVER),
            (_TELL_THE_CREW, "Base's receiver: is it on, and does it track satellites?", *_BASE_LINE),
        ),
        "comes-and-goes": Advice(
            "No corrections for {silent_s} s: they come and go, {times} times in {times_min} min.",
            (
                _DO_NOT_STORE,
                "What stands or moves between here and the base? Go to where you can see it{from_base}.",
                "Transmitter off first, then raise the base's radio antenna, away from overhead lines. Transmitter on again.",
                "Is the battery of the base's radio full? A weak one drops out while it transmits.",
                _RADIO_STEPS[-1],
            ),
            (
                _TELL_THE_CREW,
                "Check the plugs and the cable of this line: a loose contact comes and goes.",
                "Base's receiver: is its battery full? One that sags switches it off and on.",
                "Base's receiver: does it track satellites all the time? GNSS antenna plugged in, sky open?",
            ),
        ),
        "service-silent": Advice(
            "No corrections for {silent_s} s: nothing that is of use comes from the service on the port for {stream}.",
            (_DO_NOT_STORE, *_SERVICE_STEPS),
            (_TELL_THE_CREW, *_SERVICE_STEPS),
        ),
        "radio-settings-differ": Advice(
            "No corrections for {silent_s} s, and the site file's two radio tables differ ({differ}).",
            (
                _DO_NOT_STORE,
                "Read these settings off both radios, and set them the same, on a channel that you are licensed for: {differ}.",
                *_RADIO_STEPS,
            ),
        ),
        "out-of-range": Advice(
            "No corrections for {silent_s} s, {distance_km} km from the base: antennas this high reach about {horizon_km} km.",
            (
                _DO_NOT_STORE,
                "Go back towards the base, or to higher ground.",
                "Transmitter off first, then raise the base's radio antenna, away from overhead lines. Transmitter on again.",
                "Or set the base up anew on a control point closer by, with that point's coordinate.",
                *_RADIO_STEPS,
            ),
        ),
        "line-noise": Advice(
            "No corrections for {silent_s} s: {bytes} bytes came in {window_s} s, but no corrections among them.",
            (
                _DO_NOT_STORE,
                "Read these off both radios and compare: protocol, error correction (FEC), air rate, encryption key.",
                "Is the baud rate the same at both ends of the cable between radio and receiver?",
            ),
            (_TELL_THE_CREW, _BASE_BAUD, "Is a device of another kind plugged in here?", *_BASE_LINE),
        ),
        "weak-link": Advice(
            "No complete corrections for {silent_s} s: {broken}.",
            (
                _DO_NOT_STORE,
                "Go closer to the base, or to where you can see it{from_base}.",
                *_RADIO_STEPS,
                "Does somebody else transmit here? Base's transmitter off, then listen: does the squelch still open?",
            ),
            (_TELL_THE_CREW, "Check the plugs and the cable of this line: a loose contact breaks frames.", _BASE_BAUD),
        ),
        "station-messages-only": Advice(
            "No observations for {silent_s} s: the base sends messages about itself, but none with satellites.",
            (
                _DO_NOT_STORE,
                "Base's receiver: does it track satellites? GNSS antenna plugged in, sky open?",
                "Base's output: are the observation messages (MSM) switched on?",
            ),
            (
                _TELL_THE_CREW,
                "Base's receiver: does it track satellites? GNSS antenna plugged in, sky open?",
                "Base's output: are the observation messages (MSM) switched on?",
            ),
        ),
        "other-format": Advice(
            "No corrections for {silent_s} s: what comes looks like {looks_like}.",
            (
                _DO_NOT_STORE,
                "Base's output: set it to RTCM 3 with observations (MSM4 or MSM7).",
                "Corrections from a service: choose a stream of RTCM 3 with observations (MSM).",
            ),
            (
                _TELL_THE_CREW,
                "Base's output on this port: set it to RTCM 3 with observations (MSM4 or MSM7).",
                "Do the rovers read this format? Then this post cannot watch it: tell the office.",
            ),
        ),
        "another-base": Advice(
            "No corrections from our base for {silent_s} s: {others} on our channel instead{place}.",
            (
                _DO_NOT_STORE,
                "Is our base still on? A restart may have changed its station number.",
                "Change both ends to a free channel that you are licensed for.",
                "Find out whose base that is, and tell the office.",
            ),
            (
                _TELL_THE_CREW,
                "Is the station number that the base's receiver sends the one in the site file?",
                "Is this line plugged in at our base's own receiver?",
            ),
        ),
        "lines-swapped": Advice(
            "The lines are swapped: corrections come in on the port for {other_line}, positions on the port for {stream}.",
            _SWAP_BACK,
        ),
        "ports-lost": Advice(
            "The port of {stream} was lost at the same moment as that of {went_too}{reason}.",
            (
                "Do they share a hub, or a cable? Is it plugged in at both ends, and does it have power?",
                "Is the device at its other end switched on?",
                "Plug them into the post itself, without a hub.",
            ),
        ),
        "port-lost": Advice(
            "The port of {stream} {gone}{reason}.",
            (
                "Is the cable plugged in at both ends?",
                "Is the radio or receiver at its other end switched on?",
                "Try another cable.",
            ),
        ),
    }
    Figures = StoppedFigures

    def begin(self) -> None:
        carries = {stream.name: stream.carries for stream in self.site.stream}
        self._lines = {
            stream: Line(of_sentences="positions" not in carries[stream]) for stream in self.scene.correction_streams
        }
        self._of_a_service = self.site.base.kind == "network"
        self._differences = sheet_differences(self.site)
        self._horizon_km = site_horizon_km(self.site)

    def see(self, fact: Fact) -> bool | None:
        """Note what the line shows; a usable epoch begins that anew."""
        line = self._lines.get(fact.stream)
        if line is None:
            return True
        if isinstance(fact, Traffic):
            heard_t = fact.t if fact.heard_t is None else fact.heard_t
            epoch = self.scene.last_epoch.get(fact.stream)
            if epoch is None or heard_t > epoch.t + self.figures.tail_s:
                line.shows(heard_t, fact, self._window_s(fact.stream, line))
            return True
        if isinstance(fact, Epoch) and self.scene.is_ours(fact.station_id):
            line.usable(fact)
            usual_s, line.usual_s = line.usual_s, self.scene.usual_interval_s(fact.stream)
            return usual_s is not None and usual_s == line.usual_s  # the silence is as long as before, from later on
        return None

    def due(self) -> float:
        """When the first line's silence is too long, if nothing more comes."""
        return min((sum(self._since_and_delay(stream)) for stream in self._lines), default=math.inf) - 1e-3

    def judge(self, t: float) -> Iterable[Finding]:
        """One finding a line that carries corrections and has none now."""
        for stream in self._lines:
            since, delay_s = self._since_and_delay(stream)
            if t - since < delay_s - 1e-6:
                continue
            swapped_with = self._swapped_with(stream, t)
            if self.scene.port_gone(stream) or swapped_with or not self.scene.corrected(t):
                yield self._finding(stream, t, since, delay_s, swapped_with)

    def _since_and_delay(self, stream: str) -> tuple[float, float]:
        scene, figures = self.scene, self.figures
        epoch = scene.last_epoch.get(stream)
        if epoch is not None and scene.port_gone(stream):
            return scene.ports[stream].t, figures.port_lost_s
        delay_s = scene.limit_s(stream, figures.on_delay_s, figures.intervals)
        if epoch is None or scene.usual_interval_s(stream) is None:  # how often this base sends is not known yet
            delay_s = max(delay_s, figures.first_silence_s)
        else:
            delay_s += figures.jitter_s
        return (scene.began_t if epoch is None else epoch.t), delay_s

    def _swapped_with(self, stream: str, t: float) -> str:
        """The receiver's line that brings corrections and no positions, while this one brings positions; "" where none does."""
        scene, said = self.scene, self.scene.fixes.get(stream)
        if said is None or t - said.t > LIMIT_S or not self._lines[stream].of_sentences:
            return ""
        for other in scene.position_streams:
            epoch, fix = scene.last_any_epoch.get(other), scene.fixes.get(other)
            comes = epoch is not None and t - epoch.t <= LIMIT_S
            if comes and other not in scene.correction_streams and (fix is None or t - fix.t > _RECEIVER_SILENT_S):
                return other
        return ""

    def _window_s(self, stream: str, line: Line) -> float:
        usual_s = self.scene.usual_interval_s(stream) or 0.0
        return max(self.figures.window_s, 3.0 * usual_s, 3.0 * line.frame_gap_s, line.longest_wait_s)

    def _quiet_s(self, stream: str, line: Line) -> float:
        usual_s = self.scene.usual_interval_s(stream) or 0.0
        return max(self.figures.quiet_s, 2.0 * usual_s, 1.5 * line.frame_gap_s, line.longest_wait_s)

    def _finding(self, stream: str, t: float, since: float, delay_s: float, swapped_with: str) -> Finding:
        line = self._lines[stream]
        window_s = self._window_s(stream, line)
        shown = Shown((fact, messages) for heard_t, fact, messages in line.recent if heard_t > t - window_s)
        shown.silent = t - line.heard_t >= self._quiet_s(stream, line) - 1e-6
        lost = line.lost(self.scene.limit_s(stream))
        distance_km = self.scene.distance_km()
        looks_like = self._looks_like(stream, t, line, shown)
        times, over_s = line.silences(since, t, self.figures.again_s)
        known = self._causes(stream, line, shown, lost, looks_like, comes_and_goes=times >= self.figures.again)
        causes = ["lines-swapped"] if swapped_with else known
        if self.site.post.role == "rover" and causes[0] in _RADIO_CAUSES:
            self._put_range(causes, distance_km)
        others = sorted(self.scene.strangers(shown.stations))[:_MOST_NAMED]
        port = self.scene.ports.get(stream)
        evidence = {
            "silent_s": round(self.scene.silent_for(stream, t), 1),
            "interval_s": self.scene.usual_interval_s(stream),
            "window_s": round(window_s),
            "bytes": shown.size_bytes,
            "frames": shown.frames,
            "all_frames": shown.frames + shown.bad_frames,
            "bad_frames": shown.bad_frames,
            "observation_frames": shown.observation_frames,
            "looks_like": looks_like or None,
            "lost_epochs": lost.epochs,
            "lost_share": round(lost.share, 2),
            "times": times,
            "other_stations": others,
            "distance_km": None if distance_km is None else round(distance_km, 2),
            "horizon_km": None if self._horizon_km is None else round(self._horizon_km, 2),
            "free_space_loss_db": self._loss_db(distance_km),
        }
        return Finding(
            causes=[Cause(cause=cause) for cause in causes],
            stream=stream,
            key=stream,
            since=since,
            on_delay_s=delay_s,
            severity="check" if swapped_with else None,
            evidence=evidence,
            words={
                "others": _stations_in_words(others),
                "place": ", from the place where ours was" if any(map(self.scene.where_ours_was, others)) else "",
                "gone": "has not been there yet" if port and port.state == "waiting" else "is gone",
                "went_too": ", ".join(map(called, self._went_with(stream))),
                "reason": f": {port.reason}" if port is not None and port.reason else "",
                "differ": ", ".join(map(setting_in_words, self._differences)),
                "other_line": called(swapped_with),
                "looks_like": looks_like or "no format that is known here",
                "broken": _broken_in_words(shown, lost),
                "times_min": f"{math.ceil(over_s / 60.0)}",
                "from_base": "" if distance_km is None else f": it is {distance_km:.1f} km away",
            },
        )

    def _causes(self, stream: str, line: Line, shown: Shown, lost: Lost, looks_like: str, comes_and_goes: bool) -> list[str]:
        """What the line shows, most likely first, wherever the rover stands."""
        ours = self.scene.strangers(shown.stations) != shown.stations
        if self.scene.port_gone(stream):
            return ["ports-lost", "port-lost"] if self._went_with(stream) else ["port-lost"]
        if shown.silent or (shown.other_than_sentences <= _STRAY_BYTES and not shown.frames and not looks_like):
            return ["service-silent"] if self._of_a_service else self._silence(lost, comes_and_goes)
        if shown.stations and not ours:
            return ["another-base"]
        if looks_like and not shown.observation_frames:
            return ["other-format", "station-messages-only"] if shown.messages & _STATION_MESSAGES else ["other-format"]
        if shown.frames > shown.bad_frames and not shown.observation_frames:
            return ["station-messages-only"]
        if shown.observation_frames or shown.has_broken_frames or (shown.bad_frames and line.noise_bytes <= _STRAY_BYTES):
            return ["weak-link", "line-noise"]
        return ["service-silent", "other-format"] if self._of_a_service else ["line-noise", "other-format", "weak-link"]

    def _went_with(self, stream: str) -> list[str]:
        """The other lines whose ports were lost when this one's was, and are gone as well."""
        ports = self.scene.ports
        own = ports.get(stream)
        if own is None or own.state != "lost":
            return []
        return [
            other.stream
            for other in ports.values()
            if other.stream != stream and other.state == "lost" and abs(other.t - own.t) <= TOGETHER_S
        ]

    def _silence(self, lost: Lost, comes_and_goes: bool) -> list[str]:
        causes = ["comes-and-goes", "line-silent"] if comes_and_goes else ["line-silent"]
        if self.site.post.role == "base":
            return causes
        if lost.share > self.figures.lost_share:
            causes.insert(0, "weak-link")
        if self._differences and not comes_and_goes:
            causes.insert(0, "radio-settings-differ")
        return causes

    def _put_range(self, causes: list[str], distance_km: float | None) -> None:
        if distance_km is None or self._horizon_km is None:
            return
        if distance_km > self._horizon_km:
            causes.insert(0, "out-of-range")
        elif distance_km > self.figures.near_share * self._horizon_km:
            causes.insert(1, "out-of-range")

    def _looks_like(self, stream: str, t: float, line: Line, shown: Shown) -> str:
        """A format that no rover of RTCM 3 reads, in words; "" where the line shows none."""
        if t - line.rtcm2_t <= max(_RTCM2_HOLDS_S, self._window_s(stream, line)):
            return "RTCM 2"
        kinds = []
        if own := sorted(shown.messages & _MAKERS_OWN):
            kinds.append(f"a maker's own messages in RTCM 3 ({_numbers(own)})")
        if ssr := sorted(shown.messages & _SSR):
            kinds.append(f"corrections of orbits and clocks alone (SSR, RTCM {_numbers(ssr)})")
        if not kinds and shown.messages and not any(is_observation(n) or n in _STATION_MESSAGES for n in shown.messages):
            kinds.append(f"RTCM 3 without observations ({_numbers(sorted(shown.messages))})")
        if not kinds and shown.sentence_bytes and line.of_sentences and shown.other_than_sentences <= _STRAY_BYTES:
            kinds.append("sentences of NMEA 0183")
        return " and ".join(kinds)

    def _loss_db(self, distance_km: float | None) -> float | None:
        """What the radio path loses at least, for whoever compares it with the link's budget."""
        frequency_mhz = self.site.radio.base.frequency_mhz or self.site.radio.rover.frequency_mhz
        if not distance_km or frequency_mhz is None:
            return None
        return round(free_space_loss_db(frequency_mhz, distance_km), 1)


def _numbers(numbers: list[int]) -> str:
    shown = ", ".join(map(str, numbers[:4]))
    return shown if len(numbers) <= 4 else f"{shown} …"


def _stations_in_words(stations: list[int]) -> str:
    return f"station {stations[0]} is" if len(stations) == 1 else f"stations {', '.join(map(str, stations))} are"


def _broken_in_words(shown: Shown, lost: Lost) -> str:
    if shown.silent:
        return f"{lost.epochs} epochs of the two minutes before were lost, and now nothing comes"
    if shown.bad_frames:
        return f"{shown.bad_frames} of {shown.frames + shown.bad_frames} frames arrived broken"
    return "frames arrive, but no epoch is complete"
