"""Whose connection gives way."""

import pytest
from witnesspost.daemon.page.bounds import MOST_KEPT, MOST_OF_ONE, MOST_STRANGERS, Bounds


@pytest.fixture
def bounds():
    return Bounds()


def dropped(slots):
    """The numbers of those that will have been dropped."""
    gone = []
    for number, slot in enumerate(slots):
        slot.drop = lambda number=number: gone.append(number)
    return gone


def test_the_oldest_of_the_address_that_has_most_gives_way(bounds):
    gone = dropped([bounds.admit("10.0.0.1"), *(bounds.admit(f"10.0.1.{n // 3}") for n in range(MOST_STRANGERS - 1))])
    assert bounds.admit("10.0.0.2") is not None
    assert gone == [1]


def test_who_waits_for_an_answer_does_not_give_way(bounds):
    waiting = bounds.admit("10.0.0.1")
    gone = dropped([waiting])
    bounds.keep(waiting)
    for n in range(3 * MOST_STRANGERS):
        assert bounds.admit(f"10.0.1.{n}") is not None
    assert gone == []
    assert len(bounds) == MOST_STRANGERS


def test_those_who_wait_leave_places_and_one_address_has_one_of_them(bounds):
    slots = [bounds.admit(f"10.0.0.{n // 2}") for n in range(MOST_STRANGERS)]
    gone = dropped(slots)
    for slot in slots:
        bounds.keep(slot)
    assert [slot.kept for slot in slots] == [n % 2 == 0 for n in range(MOST_STRANGERS)]
    assert sum(slot.kept for slot in slots) == MOST_KEPT < MOST_STRANGERS
    assert bounds.admit("10.0.1.1") is not None
    assert gone == [1]


def test_those_of_an_address_that_are_coming_count(bounds):
    for _ in range(MOST_OF_ONE - 2):
        bounds.admit("10.0.0.1")
    assert bounds.has_room("10.0.0.1", 1)
    assert not bounds.has_room("10.0.0.1", 2)
    assert bounds.has_room("10.0.0.2", 2)
