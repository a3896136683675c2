"""The panel on mock pins and on LEDs of the test's own: what it shows of the post, tells it, and does when outputs fail."""

import threading

import pytest
from gpiozero.pins.mock import MockFactory, MockPin
from witnesspost.daemon.signals.driver import DEADLINE_S
from witnesspost.daemon.signals.outputs import OutputError
from witnesspost.daemon.signals.panel import SHELVE_S, Known, NoOutput, Panel
from witnesspost.daemon.signals.signals import STALLED_AFTER_S
from witnesspost.rules.facts import Acknowledge, OutputFailed, Shelve
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.view import View, until

SITE = """
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
"""
BUZZER = '[[signal]]\nkind = "buzzer"\npin = 17\n'
LED = '[[signal]]\nkind = "led"\npin = 27\n'
GREEN = '[[signal]]\nkind = "led-class"\nled = "green"\n'
BUTTON = "[button]\npin = 22\n"


class HangingPin(MockPin):
    """A pin whose driver does not come back while `free` is not set."""

    free = threading.Event()

    def _set_state(self, value):
        self.free.wait()
        super()._set_state(value)


@pytest.fixture
def hanging():
    HangingPin.free.set()
    yield HangingPin.free
    HangingPin.free.set()


class Bench:
    """A panel that turns only when it is told to. The drivers are threads: what they do is waited for."""

    def __init__(self, text, folder, pins=None, known=None, leds=None):
        self.pins = pins or MockFactory()
        self.known = known or Known()
        self.view = View()
        self.panel = Panel(site_from_toml(text), self.known, self.pins, leds or folder)
        self.panel.start(self.view)

    def shows(self, state, silent=False):
        self.view.beats(shown=state, silent=silent)
        self.panel.see([])

    def turn(self, t):
        self.view.t = t
        self.panel.turn(t)

    def settled(self):
        """Turn until every output has opened and is at rest."""
        lines = self.panel._bank.lines
        until(lambda: all(line.driver.refused or (line.driver.works and not line.driver.busy) for line in lines))
        self.turn(self.view.t)
        return self

    def until_pins(self, **levels):
        until(lambda: all(self.pins.pin(int(name[1:])).state == level for name, level in levels.items()))


@pytest.fixture
def bench(tmp_path):
    benches = []

    def start(text, **options):
        benches.append(Bench(text, tmp_path, **options))
        return benches[-1]

    yield start
    for one in benches:
        one.panel.stop()
        one.pins.close()


def test_what_the_post_says_is_at_the_pins(bench):
    post = bench(SITE + BUZZER + LED).settled()
    post.shows("stop")
    post.until_pins(p17=1, p27=1)
    post.turn(0.9)
    post.until_pins(p17=0, p27=0)
    assert post.view.wakes[-1] == 1.0  # the next beat
    post.shows("stop", silent=True)
    post.turn(1.05)
    post.until_pins(p17=0, p27=1)


def levels_of(post, number, until_t):
    """[(seconds, level), …] of a pin from now to `until_t`, each turn waited for until the driver has come to it."""
    from_t, seen = post.view.t, []
    for step in range(round((until_t - from_t) * 20)):
        post.view.beats()
        post.turn(from_t + step / 20)
        until(
            lambda: (
                not any(
                    line.driver.busy
                    or line.driver._wanted != post.pins.pin({"buzzer": 17}.get(line.driver.name.split()[0], 27)).state
                    for line in post.panel._bank.lines
                )
            )
        )
        level = post.pins.pin(number).state
        if not seen or seen[-1][1] != level:
            seen.append((round(step / 20, 2), level))
    return seen


def test_a_check_that_passed_is_shown_once(bench):
    post = bench(SITE + BUZZER + LED).settled()
    post.shows("well")
    post.turn(1.0)
    sign = [
        (0.0, 1),
        (0.15, 0),
        (0.4, 1),
        (0.55, 0),
        (0.8, 1),
        (1.7, 0),
        (3.0, 1),
        (3.15, 0),
        (3.4, 1),
        (3.55, 0),
        (3.8, 1),
        (4.7, 0),
    ]
    post.view.t = 31.0
    post.view.beats(check_passed_t=30.8)
    assert levels_of(post, 27, 36.9) == sign
    post.view.t = 40.0
    post.view.beats(check_passed_t=30.8)
    assert levels_of(post, 27, 43.0) == [(0.0, 0), (2.0, 1), (2.15, 0)]  # the old one: the light of all is well
    post.view.t = 60.0
    post.view.beats(check_passed_t=59.9)
    assert levels_of(post, 27, 65.9) == sign


def test_a_check_that_passed_long_ago_is_not_shown_by_a_panel_that_starts_anew(bench):
    post = bench(SITE + LED).settled()
    post.view.t = 30.0
    post.view.beats(shown="well", check_passed_t=20.0)
    assert levels_of(post, 27, 33.0) == [(0.0, 1), (0.15, 0)]


def test_a_loop_that_stands_still_is_a_fault_though_the_panel_goes_on(bench):
    post = bench(SITE + BUZZER + LED).settled()
    post.shows("well")
    for step in range(int(STALLED_AFTER_S * 2)):
        post.turn(step / 2)
    post.until_pins(p17=0, p27=0)
    post.turn(STALLED_AFTER_S)
    post.until_pins(p17=1, p27=1)
    assert post.panel._signals.state == "fault"
    post.shows("well")
    assert post.panel._signals.state == "well"


def test_a_short_press_acknowledges_and_a_long_one_shelves(bench):
    post = bench(SITE + LED + BUTTON).settled()
    button = post.pins.pin(22)
    post.view.t = 1.0
    button.drive_low()
    assert post.view.wakes[-1] == 0.0  # at once
    post.turn(1.1)
    post.view.t = 1.3
    button.drive_high()
    post.turn(1.4)
    assert post.view.told == [Acknowledge(t=1.4, stream="")]
    post.view.t = 2.0
    button.drive_low()
    post.turn(2.1)
    post.turn(4.0)
    assert post.view.told[1:] == [Shelve(t=4.0, stream="", for_s=SHELVE_S)]
    post.turn(33.0)
    assert post.view.lines == ["the button has been down for half a minute: is something leaning on it?"]


def test_the_end_is_dark_and_every_pin_is_free(bench):
    post = bench(SITE + BUZZER + LED + BUTTON).settled()
    post.shows("stop")
    post.until_pins(p17=1, p27=1)
    post.panel.stop()
    assert [post.pins.pin(number).function for number in (17, 27, 22)] == ["input"] * 3
    assert [bool(state.state) for state in post.pins.pin(17).states] == [False, True, False]


def test_one_output_that_cannot_be_had_leaves_the_others(bench):
    pins = MockFactory()
    pins.reserve_pins(Panel, 17)
    post = bench(SITE + BUZZER + LED, pins=pins).settled()
    assert post.view.lines == ["buzzer on GPIO 17: the pin is taken by another output or the button"]
    post.shows("stop")
    post.until_pins(p27=1)
    post.turn(60.0)
    assert post.view.told == []


def test_no_gpio_on_this_machine_is_said_once_and_the_rest_goes_on(tmp_path, monkeypatch):
    def none():
        raise OutputError("no GPIO on this machine: none")

    monkeypatch.setattr("witnesspost.daemon.signals.bank.board_pins", none)
    green = led(tmp_path, "green", trigger="none [heartbeat] timer")
    view = View()
    panel = Panel(site_from_toml(SITE + BUZZER + LED + GREEN + BUTTON), Known(), leds=tmp_path)
    panel.start(view)
    assert view.lines == ["no GPIO on this machine: none"]
    view.beats(shown="stop")
    panel.see([])
    until(lambda: (green / "brightness").read_text() == "255")
    assert (green / "trigger").read_text() == "none"
    panel.turn(0.9)
    until(lambda: (green / "brightness").read_text() == "0")
    panel.stop()
    assert (green / "trigger").read_text() == "heartbeat"


def test_a_post_none_of_whose_outputs_could_ever_be_opened_goes_on(bench):
    post = bench(SITE + GREEN).settled()
    for t in (1.0, 30.0, 600.0):
        post.turn(t)
    assert len(post.view.lines) == 1
    assert "no such LED" in post.view.lines[0]


def test_an_led_that_goes_is_told_once_and_the_buzzer_goes_on(bench, tmp_path):
    green = led(tmp_path, "green")
    post = bench(SITE + BUZZER + GREEN).settled()
    for entry in green.iterdir():
        entry.unlink()
    green.rmdir()
    post.shows("stop")
    post.until_pins(p17=1)
    until(lambda: post.panel._bank.lines[1].driver.trouble(0.0))
    for t in (0.1, 5.0, 5.5):
        post.turn(t)
    (told,) = post.view.told
    assert (told.output, told.t) == ("LED green", 0.1)
    assert "No such file" in told.error
    post.turn(60.2)
    post.until_pins(p17=1)


def test_an_output_that_hangs_is_told_while_the_others_beat_and_told_again_when_it_is_back(bench, tmp_path, hanging):
    green = led(tmp_path, "green")
    post = bench(SITE + BUZZER + GREEN, pins=MockFactory(pin_class=HangingPin)).settled()
    hanging.clear()
    post.shows("stop")
    until(lambda: post.panel._bank.lines[0].driver.busy)
    until(lambda: (green / "brightness").read_text() == "255")
    post.turn(DEADLINE_S - 0.1)
    assert post.view.told == []
    post.turn(DEADLINE_S + 0.1)
    assert post.view.told == [OutputFailed(t=DEADLINE_S + 0.1, stream="", output="buzzer on GPIO 17", error="it hangs")]
    until(lambda: (green / "brightness").read_text() == "255")  # the beat that begins at 1.0 s
    post.turn(1.3)
    until(lambda: (green / "brightness").read_text() == "0")
    hanging.set()
    until(lambda: not post.panel._bank.lines[0].driver.busy)
    post.turn(1.6)
    assert post.view.told[1:] == [OutputFailed(t=1.6, stream="", output="buzzer on GPIO 17", error=None)]
    post.until_pins(p17=1)


def test_when_none_that_worked_answers_the_panel_has_failed(bench, hanging):
    post = bench(SITE + BUZZER, pins=MockFactory(pin_class=HangingPin)).settled()
    hanging.clear()
    post.shows("stop")
    until(lambda: post.panel._bank.lines[0].driver.busy)
    with pytest.raises(NoOutput):
        post.turn(DEADLINE_S + 0.1)
    assert [fact.output for fact in post.view.told] == ["buzzer on GPIO 17"]
    next_one = bench(SITE + BUZZER, pins=post.pins, known=post.known)  # its pin is held by what hangs
    until(lambda: next_one.panel._bank.lines[0].driver.refused)
    with pytest.raises(NoOutput):
        next_one.turn(0.1)


def test_the_next_panel_tells_that_an_output_is_back(bench, tmp_path):
    known = Known()
    green = led(tmp_path, "green")
    post = bench(SITE + GREEN, known=known).settled()
    (green / "brightness").unlink()
    (green / "brightness").mkdir()
    post.shows("stop")
    until(lambda: post.panel._bank.lines[0].driver.trouble(0.0))
    with pytest.raises(NoOutput):
        post.turn(0.1)
    (green / "brightness").rmdir()
    post.panel.stop()
    (green / "brightness").write_text("0")
    again = bench(SITE + GREEN, known=known).settled()
    assert [(fact.output, fact.error) for fact in again.view.told] == [("LED green", None)]


def led(folder, name, trigger="[none]"):
    """An LED as the kernel shows it."""
    here = folder / name
    here.mkdir()
    for file, text in {"brightness": "0", "max_brightness": "255", "trigger": trigger}.items():
        (here / file).write_text(text)
    return here
