"""Advice for the radio link: corrections that stop, another base on the channel, two radio sheets that differ."""

from __future__ import annotations

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

ADVICE = {
    ("corrections-stopped", "line-silent"): (
        "No corrections for {silent_s} s: not one byte on {stream}.",
        (_DO_NOT_STORE, *_RADIO_STEPS, *_SAME_AT_BOTH, "Plug and cable between radio and receiver."),
    ),
    ("corrections-stopped", "radio-settings-differ"): (
        "No corrections for {silent_s} s: the site file's two radios differ ({differ}).",
        (_DO_NOT_STORE, "Set both radios the same: {differ}.", *_SAME_AT_BOTH, *_RADIO_STEPS),
    ),
    ("corrections-stopped", "out-of-range"): (
        "No corrections for {silent_s} s: {distance_km} km from the base, and these antennas reach about {horizon_km} km.",
        (
            _DO_NOT_STORE,
            "Go back towards the base, or to higher ground.",
            "Raise the base's radio antenna (mind overhead lines), or move the base closer.",
            *_RADIO_STEPS,
        ),
    ),
    ("corrections-stopped", "line-noise"): (
        "No corrections for {silent_s} s: {bytes} bytes came, and none of it is a correction.",
        (
            _DO_NOT_STORE,
            *_SAME_AT_BOTH[1:],
            "Encryption or network key the same at both ends?",
            "Baud rate between radio and receiver the same on both sides of the cable?",
        ),
    ),
    ("corrections-stopped", "weak-link"): (
        "No whole corrections for {silent_s} s: {bad_frames} of {all_frames} frames arrived broken.",
        (
            _DO_NOT_STORE,
            "Distance to the base: {distance_km} km. Go closer, or to where you can see it.",
            *_RADIO_STEPS,
            "Another transmitter on this frequency? Listen on the receiver's squelch light with the base off.",
        ),
    ),
    ("corrections-stopped", "station-messages-only"): (
        "No observations for {silent_s} s: the base sends its position but no satellites.",
        (
            _DO_NOT_STORE,
            "Base's receiver: does it track satellites? Antenna cable on, sky open?",
            "Base's output: are the observation messages (MSM) switched on?",
        ),
    ),
    ("corrections-stopped", "another-base"): (
        "No corrections from our base for {silent_s} s: station {stations} is on our channel instead.",
        (
            _DO_NOT_STORE,
            "Our base still on?",
            "Change to a free channel that you are licensed for, at both ends.",
            "Find out whose station {stations} is.",
        ),
    ),
    ("corrections-stopped", "port-lost"): (
        "The port of {stream} {gone}: {reason}.",
        ("Plug back in at both ends?", "Radio or receiver on the other end switched on?", "Try the other cable."),
    ),
    ("wrong-channel", "another-base"): (
        "Corrections come from station {other}, not from ours ({ours}).",
        (
            "Store no points: they would be tied to somebody else's base.",
            "Our base on, and on the channel of the radio sheet?",
            "Rover's radio on the channel of the radio sheet?",
            "In the receiver: let it take station {ours} only.",
            "Points since this began: mark them for the office.",
        ),
    ),
    ("wrong-channel", "two-bases"): (
        "Station {other} is on the line beside ours ({ours}).",
        (
            "Store no points while two bases talk over each other.",
            "In the receiver: let it take station {ours} only.",
            "Change to a free channel that you are licensed for, at both ends.",
            "Find out whose station {other} is.",
        ),
    ),
    ("radio-sheet", "frequency-differs"): (
        "The radio sheet says {base_says} MHz at the base and {rover_says} MHz at the rover.",
        ("Read the frequency off both radios.", "Set both the same (a licensed one), or mend the site file."),
    ),
    ("radio-sheet", "protocol-differs"): (
        "The radio sheet says protocol {base_says} at the base and {rover_says} at the rover.",
        ("Read the protocol off both radios.", "Set both the same, or mend the site file."),
    ),
    ("radio-sheet", "error-correction-differs"): (
        "The radio sheet says forward error correction {base_says} at the base and {rover_says} at the rover.",
        ("Read it off both radios (FEC).", "Set both the same, or mend the site file."),
    ),
    ("radio-sheet", "air-rate-differs"): (
        "The radio sheet says {base_says} bit/s on the air at the base and {rover_says} at the rover.",
        ("Read the air rate off both radios.", "Set both the same, or mend the site file."),
    ),
}
