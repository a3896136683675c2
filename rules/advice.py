"""What to say and what to check first, in plain words for a person standing in the rain. One entry a rule and cause.

`say` and `steps` are str.format texts; their fields are the finding's evidence and words. A field that is missing or None
reads "?".
"""

from __future__ import annotations

from typing import Any, NamedTuple

from rules import advice_datum, advice_rest
from rules.finding import Finding


class Advice(NamedTuple):
    """The one line that says what is wrong, and the steps in the order in which to check them."""

    say: str
    steps: tuple[str, ...]


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

ADVICE: dict[tuple[str, str], Advice] = {
    ("corrections-stopped", "line-silent"): Advice(
        "No corrections for {silent_s} s: not one byte on {stream}.",
        (_DO_NOT_STORE, *_RADIO_STEPS, *_SAME_AT_BOTH, "Plug and cable between radio and receiver."),
    ),
    ("corrections-stopped", "radio-settings-differ"): Advice(
        "No corrections for {silent_s} s: the site file's two radios differ ({differ}).",
        (_DO_NOT_STORE, "Set both radios the same: {differ}.", *_SAME_AT_BOTH, *_RADIO_STEPS),
    ),
    ("corrections-stopped", "out-of-range"): Advice(
        "No corrections for {silent_s} s: {distance_km} km from the base, and these antennas reach about {horizon_km} km.",
        (
            _DO_NOT_STORE,
            "Go back towards the base, or to higher ground.",
            "Raise the base's radio antenna (mind overhead lines), or move the base closer.",
            *_RADIO_STEPS,
        ),
    ),
    ("corrections-stopped", "line-noise"): Advice(
        "No corrections for {silent_s} s: {bytes} bytes came, and none of it is a correction.",
        (
            _DO_NOT_STORE,
            *_SAME_AT_BOTH[1:],
            "Encryption or network key the same at both ends?",
            "Baud rate between radio and receiver the same on both sides of the cable?",
        ),
    ),
    ("corrections-stopped", "weak-link"): Advice(
        "No whole corrections for {silent_s} s: {bad_frames} of {all_frames} frames arrived broken.",
        (
            _DO_NOT_STORE,
            "Distance to the base: {distance_km} km. Go closer, or to where you can see it.",
            *_RADIO_STEPS,
            "Another transmitter on this frequency? Listen on the receiver's squelch light with the base off.",
        ),
    ),
    ("corrections-stopped", "station-messages-only"): Advice(
        "No observations for {silent_s} s: the base sends its position but no satellites.",
        (
            _DO_NOT_STORE,
            "Base's receiver: does it track satellites? Antenna cable on, sky open?",
            "Base's output: are the observation messages (MSM) switched on?",
        ),
    ),
    ("corrections-stopped", "another-base"): Advice(
        "No corrections from our base for {silent_s} s: station {stations} is on our channel instead.",
        (
            _DO_NOT_STORE,
            "Our base still on?",
            "Change to a free channel that you are licensed for, at both ends.",
            "Find out whose station {stations} is.",
        ),
    ),
    ("corrections-stopped", "port-lost"): Advice(
        "The port of {stream} is gone: {reason}.",
        ("Plug back in at both ends?", "Radio or receiver on the other end switched on?", "Try the other cable."),
    ),
    ("wrong-channel", "another-base"): Advice(
        "Corrections come from station {other}, not from ours ({ours}).",
        (
            "Store no points: they would be tied to somebody else's base.",
            "Our base on, and on the channel of the radio sheet?",
            "Rover's radio on the channel of the radio sheet?",
            "In the receiver: let it take station {ours} only.",
            "Points since this began: mark them for the office.",
        ),
    ),
    ("wrong-channel", "two-bases"): Advice(
        "Station {other} is on the line beside ours ({ours}).",
        (
            "Store no points while two bases talk over each other.",
            "In the receiver: let it take station {ours} only.",
            "Change to a free channel that you are licensed for, at both ends.",
            "Find out whose station {other} is.",
        ),
    ),
    ("radio-sheet", "frequency-differs"): Advice(
        "The radio sheet says {base_says} MHz at the base and {rover_says} MHz at the rover.",
        ("Read the frequency off both radios.", "Set both the same (a licensed one), or mend the site file."),
    ),
    ("radio-sheet", "protocol-differs"): Advice(
        "The radio sheet says protocol {base_says} at the base and {rover_says} at the rover.",
        ("Read the protocol off both radios.", "Set both the same, or mend the site file."),
    ),
    ("radio-sheet", "error-correction-differs"): Advice(
        "The radio sheet says forward error correction {base_says} at the base and {rover_says} at the rover.",
        ("Read it off both radios (FEC).", "Set both the same, or mend the site file."),
    ),
    ("radio-sheet", "air-rate-differs"): Advice(
        "The radio sheet says {base_says} bit/s on the air at the base and {rover_says} at the rover.",
        ("Read the air rate off both radios.", "Set both the same, or mend the site file."),
    ),
}
ADVICE.update({key: Advice(*entry) for key, entry in {**advice_rest.ADVICE, **advice_datum.ADVICE}.items()})


class _Fields(dict[str, Any]):
    def __missing__(self, key: str) -> str:
        return "?"


def advice(rule: str, finding: Finding) -> tuple[str, list[str]]:
    """The line and the steps for a finding of `rule`, by its first cause."""
    entry = ADVICE.get((rule, finding.causes[0].cause))
    if entry is None:
        return f"{rule}: {finding.causes[0].cause}", []
    said = {key: value for key, value in {**finding.evidence, **finding.words}.items() if value is not None}
    fields = _Fields(said, stream=finding.stream)
    return entry.say.format_map(fields), [step.format_map(fields) for step in entry.steps]
