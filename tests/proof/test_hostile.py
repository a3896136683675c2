"""The hostile sender, in small: what keeps it from growing is tried at each gate, the megabytes in `python -m tests.proof`."""

import pytest

from tests.proof.hostile import KINDS, attack, containers


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_what_a_sender_invents_makes_nothing_grow(kind):
    assert attack(kind, "rover", 150_000).wrong == []


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
