"""`witnesspost signal`: every pattern once, in its order, with its meaning; and off."""

import itertools

import pytest
from click.testing import CliRunner
from gpiozero.pins.mock import MockFactory
from witnesspost.daemon.commands.signal import play, signal
from witnesspost.daemon.signals.outputs import OutputError, open_output, sense_of
from witnesspost.daemon.signals.patterns import PASSED, PATTERNS
from witnesspost.daemon.signals.signals import Signals
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
BUZZER = '[[signal]]\nkind = "buzzer"\npin = 17\n'


def test_each_pattern_is_played_once_with_its_meaning():
    pins, now, said, heard, sign = MockFactory(), [0.0], [], [], []
    site = site_from_toml(SITE + BUZZER + '[[signal]]\nkind = "led"\npin = 27\n')
    signals = Signals([(open_output(signal, pins), sense_of(signal)) for signal in site.signal])

    def sleep(seconds):
        now[0] += seconds
        level = pins.pin(17).state
        if not heard or heard[-1] != level:
            heard.append(level)
        if said[-1].startswith(PASSED):
            sign.append(pins.pin(27).state)

    play(signals, lambda: now[0], sleep, said.append)
    assert [text.partition(":")[0] for text in said] == list(PATTERNS)
    assert all(pattern.meaning in text for pattern, text in zip(PATTERNS.values(), said, strict=True))
    # starting 2, well 1, note 2, check 3, stop 2 and the beginning of its next turn, fault 1: each on, then off
    assert sum(heard) == 2 + 1 + 2 + 3 + 3 + 1
    assert heard[-1] == 0
    # short, short, long, twice, and nothing of another pattern after them
    assert [len(list(same)) for on, same in itertools.groupby(sign) if on] == pytest.approx([8, 8, 45, 8, 8, 45], abs=1)
    assert now[0] < 60
    pins.close()


def test_no_output_is_one_line_and_2(tmp_path, monkeypatch):
    site = tmp_path / "site.toml"
    site.write_text(SITE)
    done = CliRunner().invoke(signal, [str(site)])
    assert (done.exit_code, done.output) == (
        2,
        f"{site}: no [[signal]]; name a buzzer, an LED or the bench's bell there\n",
    )
    site.write_text(SITE + BUZZER)

    def none():
        raise OutputError("no GPIO on this machine: none")

    monkeypatch.setattr("witnesspost.daemon.signals.bank.board_pins", none)
    done = CliRunner().invoke(signal, [str(site)])
    assert (done.exit_code, done.output.splitlines()) == (
        2,
        ["no GPIO on this machine: none", f"{site}: none of its 1 outputs can be used here"],
    )


def test_off_switches_off_what_a_dead_post_left_on_whatever_the_site_file_says(tmp_path, monkeypatch):
    pins = MockFactory()
    monkeypatch.setattr("witnesspost.daemon.signals.bank.board_pins", lambda: pins)
    pin = pins.pin(17)
    pin.function = "output"
    pin.state = 1
    site = tmp_path / "site.toml"
    site.write_text(SITE + BUZZER + "[rules.sky\n")
    done = CliRunner().invoke(signal, [str(site), "--off"])
    assert (done.exit_code, done.output) == (0, "")
    assert pin.function == "input"
    assert pin.state == 0
    pins.close()
