"""The button: edges with stepped time, and a mock pin."""

import itertools

import pytest
from gpiozero.pins.mock import MockFactory
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.signals.button import LONG_S, SETTLED_S, STUCK_S, Button, Presses
from witnesspost.daemon.signals.outputs import OutputError


def pressed(edges, until_s=60.0, down=False):
    """Play (time, down) edges and step every 10 ms: [(time, press), …]."""
    presses, seen, left = Presses(down), [], list(edges)
    for step in range(int(until_s * 100)):
        t = step / 100
        while left and left[0][0] <= t:
            at, level = left.pop(0)
            presses.edge(level, at)
        press, _ = presses.step(t)
        if press:
            seen.append((t, press))
    return seen


def test_a_short_press_counts_when_it_ends():
    assert pressed([(1.0, True), (1.3, False)]) == [(1.33, "short")]


def test_a_long_press_counts_while_it_is_held_and_only_once():
    assert pressed([(1.0, True), (5.0, False)]) == [(3.0, "long")]


def test_held_for_ever_is_one_long_press_and_one_complaint():
    assert pressed([(1.0, True)], 300.0) == [(3.0, "long"), (31.0, "stuck")]


def test_a_bouncing_contact_is_one_press():
    bounce = [(1.0 + n * 0.004, n % 2 == 0) for n in range(7)]
    release = [(1.5 + n * 0.004, n % 2 == 1) for n in range(7)]
    assert [press for _, press in pressed(bounce + release)] == ["short"]


def test_a_spike_is_nothing():
    assert pressed([(1.0, True), (1.01, False)]) == []


def test_down_since_the_start_is_nothing_until_it_has_been_up():
    assert pressed([], 100.0, down=True) == []
    assert pressed([(5.0, False), (6.0, True), (6.2, False)], down=True) == [(6.23, "short")]


@given(st.lists(st.one_of(st.floats(0.001, 0.02), st.floats(0.03, 0.9), st.floats(0.001, 50.0)), max_size=60))
def test_any_contact_gives_presses_that_could_be_a_hand(gaps):
    """However it bounces: presses are apart by more than two settling times, and never more than the edges allow."""
    edges, t = [], 0.0
    for index, gap in enumerate(gaps):
        t += gap
        edges.append((t, index % 2 == 0))
    seen = []
    presses = Presses()
    now = 0.0
    for at, level in [*edges, (t + 100.0, None)]:
        while True:
            press, later = presses.step(now)
            if press:
                seen.append((now, press))
            if later is None or later >= at:
                break
            now = later
        now = at
        if level is not None:
            presses.edge(level, at)
    shorts = [at for at, press in seen if press == "short"]
    assert all(b - a >= 2 * SETTLED_S - 1e-9 for a, b in itertools.pairwise(shorts))
    assert len(shorts) <= len(edges) / 2


def test_step_asks_to_be_called_when_something_can_happen():
    presses = Presses()
    presses.edge(True, 1.0)
    assert presses.step(1.0) == (None, 1.0 + SETTLED_S)
    assert presses.step(1.0 + SETTLED_S) == (None, 1.0 + LONG_S)
    assert presses.step(1.0 + LONG_S) == ("long", 1.0 + STUCK_S)
    assert presses.step(1.0 + STUCK_S) == ("stuck", None)


def test_the_pin_is_read_to_ground():
    pins, now, seen = MockFactory(), [0.0], []
    button = Button(22, pins, lambda: now[0], seen.append)
    pin = pins.pin(22)
    assert (pin.pull, button.step(0.0)) == ("up", None)
    now[0] = 1.0
    pin.drive_low()
    assert button.step(1.1) == 1.0 + LONG_S
    now[0] = 1.5
    pin.drive_high()
    button.step(1.6)
    assert seen == ["short"]
    button.close()
    pins.close()


def test_a_pin_that_is_taken_or_is_none():
    pins = MockFactory()
    Button(22, pins, lambda: 0.0, print)
    with pytest.raises(OutputError, match="button on GPIO 22: the pin is taken"):
        Button(22, pins, lambda: 0.0, print)
    with pytest.raises(OutputError, match="button on GPIO 53: there is no such pin"):
        Button(53, pins, lambda: 0.0, print)
    pins.close()
