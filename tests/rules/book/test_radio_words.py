"""What the rules of the radio line tell people to do is safe, lawful, and a base's where a base reads it."""

import re

import pytest
from witnesspost.rules.book.words import ADVICE

RULES = ("corrections-stopped", "corrections-late", "wrong-channel", "radio-sheet", "link-overload", "message-set")
STEPS = sorted(
    {step for (rule, _), advice in ADVICE.items() if rule in RULES for step in (*advice.steps, *(advice.at_base or ()))}
)
AT_BASE = {key: advice.at_base for key, advice in ADVICE.items() if key[0] in RULES and advice.at_base is not None}


def steps_with(pattern):
    found = [step for step in STEPS if re.search(pattern, step)]
    assert found, pattern
    return found


@pytest.mark.parametrize("step", steps_with(r"(?<!GNSS )antenna"))
def test_whoever_touches_a_radio_s_antenna_switches_the_transmitter_off_first(step):
    assert step.startswith("Transmitter off")


@pytest.mark.parametrize("step", steps_with(r"\b(raise|mast)\b"))
def test_whoever_raises_anything_minds_overhead_lines(step):
    assert "overhead lines" in step


@pytest.mark.parametrize("step", steps_with(r"\b([Cc]hange|[Ss]et)\b.*\b(channel|frequency)\b"))
def test_a_changed_channel_is_one_that_you_are_licensed_for(step):
    assert "that you are licensed for" in step


def test_a_light_blinks_once_an_epoch():
    assert not [step for step in STEPS if "once a second" in step]
    assert steps_with("once an epoch")


@pytest.mark.parametrize("key", sorted(AT_BASE), ids="-".join)
def test_a_base_has_no_rover_and_its_line_is_tapped_before_the_radio(key):
    said = " ".join(AT_BASE[key])
    assert not re.search(r"[Rr]over's|both radios|both ends|transmit light|Go (closer|back)", said), said


@pytest.mark.parametrize(
    "cause", ["line-silent", "line-noise", "weak-link", "station-messages-only", "other-format", "another-base"]
)
def test_each_silence_at_a_base_has_a_base_s_steps(cause):
    assert ("corrections-stopped", cause) in AT_BASE
