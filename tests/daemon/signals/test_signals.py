"""Signals over mock pins, with stepped time: whole sequences, written out by hand."""

import pytest
from gpiozero.pins.mock import MockFactory
from witnesspost.daemon.signals.outputs import open_output, sense_of
from witnesspost.daemon.signals.signals import STALLED_AFTER_S, Signals
from witnesspost.daemon.state import state_of
from witnesspost.rules.alert import Change
from witnesspost.rules.engine.rule import Cause
from witnesspost.rules.site.reading import site_from_toml

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
"""
BUZZER_AND_LED = SITE + '[[signal]]\nkind = "buzzer"\npin = 17\n[[signal]]\nkind = "led"\npin = 27\n'


@pytest.fixture
def pins():
    factory = MockFactory()
    yield factory
    factory.close()


def signals_on(text, pins=None):
    """The outputs themselves, switched in the call that shows."""
    site = site_from_toml(text)
    return Signals([(open_output(signal, pins), sense_of(signal)) for signal in site.signal])


def change(number=1, severity="stop", kind="raised", because_of=None, shelved=False):
    return Change(
        t=1.0,
        utc=None,
        change=kind,
        rule="corrections-stopped",
        cause="line-silent",
        causes=[Cause(cause="line-silent")],
        severity=severity,
        stream="corrections",
        because_of=because_of,
        evidence={},
        words={},
        post="kestrel",
        role="rover",
        alert=number,
        shelved=shelved,
    )


def played(signals, pin, until_ms, keep_showing=None):
    """[(milliseconds, level), …]: the level at the beginning and every change of `pin`, stepping by 10 ms."""
    seen = []
    for ms in range(0, until_ms, 10):
        if keep_showing and ms % 1000 == 0:
            signals.show(*keep_showing, ms / 1000)
        else:
            signals.step(ms / 1000)
        if not seen or seen[-1][1] != pin.state:
            seen.append((ms, pin.state))
    return seen


FOR_60_S_HEARD = {
    "starting": [(0, 1), (80, 0), (200, 1), (280, 0)],
    "well": [(0, 1), (80, 0)],
    "past": [(0, 0)],
    "note": [(0, 1), (150, 0), (400, 1), (550, 0)],
    "check": [
        entry
        for turn in (0, 20_000, 40_000)
        for entry in [
            (turn, 1),
            (turn + 150, 0),
            (turn + 400, 1),
            (turn + 550, 0),
            (turn + 800, 1),
            (turn + 950, 0),
        ]
    ],
    "stop": [
        entry for turn in range(0, 60_000, 1500) for entry in [(turn, 1), (turn + 800, 0), (turn + 1000, 1), (turn + 1200, 0)]
    ],
    "fault": [(0, 1), (2000, 0)],
}
FOR_12_S_SEEN = {
    "starting": [(ms, int(ms % 400 == 0)) for ms in range(0, 12_000, 200)],
    "well": [(0, 1), (150, 0), (3000, 1), (3150, 0), (6000, 1), (6150, 0), (9000, 1), (9150, 0)],
    "past": [entry for turn in (0, 4000, 8000) for entry in [(turn, 1), (turn + 900, 0), (turn + 1300, 1), (turn + 2200, 0)]],
    "note": [
        entry for turn in range(0, 12_000, 3000) for entry in [(turn, 1), (turn + 150, 0), (turn + 400, 1), (turn + 550, 0)]
    ],
    "check": [
        entry
        for turn in range(0, 12_000, 3000)
        for entry in [
            (turn, 1),
            (turn + 150, 0),
            (turn + 400, 1),
            (turn + 550, 0),
            (turn + 800, 1),
            (turn + 950, 0),
        ]
    ],
    "stop": [
        entry for turn in range(0, 12_000, 1500) for entry in [(turn, 1), (turn + 800, 0), (turn + 1000, 1), (turn + 1200, 0)]
    ],
    "fault": [entry for turn in range(0, 12_000, 3000) for entry in [(turn, 1), (turn + 2750, 0)]],
}


@pytest.mark.parametrize(("state", "expected"), FOR_60_S_HEARD.items())
def test_what_is_heard_in_a_minute(pins, state, expected):
    signals = signals_on(BUZZER_AND_LED, pins)
    assert played(signals, pins.pin(17), 60_000, [state]) == expected


@pytest.mark.parametrize(("state", "expected"), FOR_12_S_SEEN.items())
def test_what_is_seen_in_twelve_seconds(pins, state, expected):
    signals = signals_on(BUZZER_AND_LED, pins)
    assert played(signals, pins.pin(27), 12_000, [state]) == expected


def test_everything_is_off_until_something_is_shown(pins):
    signals = signals_on(BUZZER_AND_LED, pins)
    assert (signals.step(0.0), pins.pin(17).state, pins.pin(27).state) == (None, 0, 0)
    signals.show("stop", 0.0)
    assert (pins.pin(17).state, pins.pin(27).state) == (1, 1)


def test_the_pins_change_within_the_call_that_shows(pins):
    signals = signals_on(BUZZER_AND_LED, pins)
    signals.show("well", 0.0)
    signals.step(1.0)
    assert (pins.pin(17).state, pins.pin(27).state) == (0, 0)
    signals.show("stop", 1.1)
    assert (pins.pin(17).state, pins.pin(27).state) == (1, 1)


def test_an_active_low_buzzer_rests_high(pins):
    signals = signals_on(SITE + '[[signal]]\nkind = "buzzer"\npin = 17\nactive_high = false\n', pins)
    assert pins.pin(17).state == 1
    signals.show("stop", 0.0)
    assert pins.pin(17).state == 0


def test_acknowledging_takes_the_sound_and_leaves_the_light_in_step(pins):
    signals = signals_on(BUZZER_AND_LED, pins)
    signals.show("stop", 0.0)
    signals.show("stop", 0.5, silent=True)
    assert (pins.pin(17).state, pins.pin(27).state) == (0, 1)
    signals.step(0.9)
    assert (pins.pin(17).state, pins.pin(27).state) == (0, 0)
    signals.show("stop", 2.9)  # another alert of the same severity is heard from its own beginning
    assert (pins.pin(17).state, pins.pin(27).state) == (1, 1)


def test_step_says_when_it_wants_to_be_called_next(pins):
    signals = signals_on(BUZZER_AND_LED, pins)
    signals.show("stop", 10.0)
    asked = []
    t = 10.0
    while t < 11.5:
        t = signals.step(t)
        asked.append(t)
    assert asked == [10.8, 11.0, 11.2, 11.5]


def test_a_watch_that_stalls_is_a_fault_and_comes_back(pins):
    signals = signals_on(BUZZER_AND_LED, pins)
    signals.show("well", 0.0)
    assert signals.step(STALLED_AFTER_S - 0.01) == STALLED_AFTER_S
    assert signals.state == "well"
    signals.step(STALLED_AFTER_S)
    assert (signals.state, pins.pin(17).state) == ("fault", 1)
    signals.step(STALLED_AFTER_S + 2.0)
    assert pins.pin(17).state == 0  # the tone ends, though nobody shows anything
    signals.show("well", 13.0)
    assert signals.state == "well"


SIGN = [
    (0, 1),
    (150, 0),
    (400, 1),
    (550, 0),
    (800, 1),
    (1700, 0),
    (3000, 1),
    (3150, 0),
    (3400, 1),
    (3550, 0),
    (3800, 1),
    (4700, 0),
]


def at_rest(pins, state, t=30.0):
    """Signals that have shown `state` for half a minute: its beeps are over, its light keeps a rhythm that began at 0."""
    signals = signals_on(BUZZER_AND_LED, pins)
    for step in range(round(t * 10) + 1):
        signals.show(state, step / 10)
        signals.step(step / 10)
    return signals


def seen_from(signals, pin, from_ms, until_ms, state):
    """Like `played`, from a moment on, in milliseconds since it."""
    seen = [(0, pin.state)]
    for ms in range(from_ms, until_ms, 10):
        signals.show(state, ms / 1000)
        if seen[-1][1] != pin.state:
            seen.append((ms - from_ms, pin.state))
    return seen


@pytest.mark.parametrize(
    ("state", "then"), [("well", [(6000, 1), (6150, 0)]), ("note", [(6000, 1), (6150, 0), (6400, 1), (6550, 0)])]
)
def test_a_check_that_passed_shows_for_six_seconds_and_is_not_heard(pins, state, then):
    signals = at_rest(pins, state)
    heard = list(pins.pin(17).states)
    signals.check_passed(30.0)
    assert seen_from(signals, pins.pin(27), 30_000, 39_000, state) == SIGN + then
    assert pins.pin(17).states == heard


@pytest.mark.parametrize("state", ["starting", "past", "check", "stop", "fault", "dark"])
def test_nothing_that_is_worse_is_hidden_by_a_check_that_passed(pins, state):
    """Before it, or within it: the light and the sound are those of the state alone."""
    plain = at_rest(MockFactory(), state)
    signs = at_rest(pins, state)
    signs.check_passed(30.0)
    others = [output.switch._device.pin for output in plain._outputs]
    for ms in range(30_000, 40_000, 10):
        assert plain.show(state, ms / 1000) == signs.show(state, ms / 1000)
        assert [pins.pin(17).state, pins.pin(27).state] == [pin.state for pin in others]
    late = at_rest(MockFactory(), "well")
    late.check_passed(30.0)
    late.show("well", 30.1)
    late.show(state, 30.2)
    plain.show("well", 40.1)
    plain.show(state, 40.2)
    for ms in range(0, 8000, 10):
        for signals, t in ((late, 30.2), (plain, 40.2)):
            signals.show(state, t + ms / 1000)
        assert [output.on for output in late._outputs] == [output.on for output in plain._outputs]


def test_a_note_that_comes_within_the_sign_of_a_check_is_seen_and_heard_at_once(pins):
    signals = at_rest(pins, "well")
    signals.check_passed(30.0)
    signals.show("well", 30.3)
    signals.show("note", 30.3)
    assert (pins.pin(17).state, pins.pin(27).state) == (1, 1)
    assert seen_from(signals, pins.pin(27), 30_300, 33_300, "note") == [(0, 1), (150, 0), (400, 1), (550, 0)]


def test_a_note_that_ends_as_the_check_passes_leaves_its_sign(pins):
    """The note "no check-in yet" clears with the check itself, in whichever order the two come."""
    signals = at_rest(pins, "note")
    signals.check_passed(30.0)
    assert seen_from(signals, pins.pin(27), 30_000, 35_900, "well") == SIGN


def test_a_watch_that_stalls_within_the_sign_is_a_fault(pins):
    signals = at_rest(pins, "well")
    signals.show("well", 38.0)
    signals.check_passed(47.0)
    signals.step(48.0)
    assert (signals.state, pins.pin(27).state, pins.pin(17).state) == ("fault", 1, 1)
    signals.step(48.6)
    assert pins.pin(27).state == 1  # dark in the sign


@pytest.mark.parametrize(
    ("standing", "shown"),
    [
        ([], ("well", False)),
        ([change()], ("stop", False)),
        ([change(kind="acknowledged")], ("stop", True)),
        ([change(kind="normal")], ("past", True)),
        ([change(kind="cleared")], ("well", False)),
        ([change(shelved=True)], ("stop", True)),
        ([change(because_of="port-lost")], ("well", False)),
        ([change(severity="check"), change(2)], ("stop", False)),
        ([change(severity="check"), change(2, kind="acknowledged")], ("stop", True)),
        ([change(kind="acknowledged"), change(2)], ("stop", False)),
        ([change(kind="normal"), change(2, severity="check")], ("check", False)),
        ([change(kind="normal"), change(2, severity="note")], ("past", True)),
        ([change(severity="note")], ("note", False)),
    ],
)
def test_the_worst_alert_that_stands_is_shown(standing, shown):
    assert state_of(standing) == shown
