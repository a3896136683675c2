"""The hostile sender, in small: what keeps it from growing is tried at each gate, the megabytes in `python -m tests.proof`."""

import pytest

from tests.proof.hostile import KINDS, attack, containers, sentence


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_what_a_sender_invents_makes_nothing_grow(kind):
    assert attack(kind, "rover", 150_000).wrong == []


def test_a_sender_whom_nobody_reads_has_tried_nothing():
    def silence(chance):
        return bytes(40)

    assert "no message of it was read: nothing was tried" in attack(silence, "rover", 20_000).wrong


def test_what_takes_longer_and_longer_is_seen():
    numbers = iter(range(1 << 20))

    def slower_and_slower(chance):
        sum(range(next(numbers) ** 2 // 4))
        return sentence("GPZDA,120000.00,04,05,2026,00,00")

    assert any("times the second" in text for text in attack(slower_and_slower, "rover", 40_000, again=False).wrong)


def test_growth_is_seen():
    class Grows:
        def __init__(self):
            self.kept = {"a": [1] * 7000}

    Grows.__module__ = "witnesspost.test"
    assert max(containers(Grows())) == (7000, "pipeline.kept[]")


def test_a_long_text_is_no_container_of_as_many_items():
    class Keeps:
        def __init__(self):
            self.line = "x" * 6400

    Keeps.__module__ = "witnesspost.test"
    assert max(containers(Keeps())) == (100, "pipeline.line")
