"""The hand-over to the loop: in order, bounded, and fair between the streams."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.stream.inbox import MOST_FACTS, Chunk, Full, Inbox
from witnesspost.rules.facts import Acknowledge, Port


def chunk(stream, size, t=0.0):
    return Chunk(t, stream, bytes(size))


def test_what_came_is_taken_in_its_order():
    inbox = Inbox(["a", "b"])
    came = [chunk("b", 1), Port(t=0.1, stream="a", state="open"), chunk("a", 2), Acknowledge(t=0.2, stream=""), chunk("b", 3)]
    for item in came:
        if isinstance(item, Chunk):
            assert inbox.put(item)
        else:
            inbox.tell(item)
    assert inbox.take_items() == came
    assert inbox.take_items() == []


def test_what_finds_no_room_is_counted_and_costs_no_other_stream():
    inbox = Inbox(["a", "b"], room_bytes=20_000)
    kept = sum(inbox.put(chunk("a", 1000)) for _ in range(100))
    assert 0 < kept * 1000 <= 10_000
    assert inbox.lost_bytes == (100 - kept) * 1000
    assert inbox.put(chunk("b", 5000))
    inbox.take_items()
    assert inbox.put(chunk("a", 1000))


def test_bytes_that_come_one_by_one_are_bounded_by_the_memory_they_take():
    inbox = Inbox(["a"], room_bytes=100_000)
    assert sum(inbox.put(chunk("a", 1)) for _ in range(100_000)) < 1000


def test_a_stream_has_its_share_of_a_turn_and_the_others_theirs():
    inbox = Inbox(["flood", "corrections"])
    for _ in range(1000):
        inbox.put(chunk("flood", 1000))
    inbox.put(chunk("corrections", 10))
    inbox.begin_turn(10_000)
    first = inbox.take_items(4000)
    assert [item.stream for item in first if item.stream == "corrections"] == ["corrections"]
    taken = len(first) - 1
    while more := inbox.take_items(4000):
        taken += len(more)
    assert 8 <= taken <= 11
    inbox.put(chunk("corrections", 20))
    assert [item.stream for item in inbox.take_items()] == ["corrections"]
    inbox.begin_turn(10_000)
    assert {item.stream for item in inbox.take_items()} == {"flood"}


def test_a_port_that_goes_does_not_overtake_its_bytes():
    inbox = Inbox(["a"])
    for _ in range(100):
        inbox.put(chunk("a", 1000))
    inbox.tell(Port(t=1.0, stream="a", state="lost"))
    first = inbox.take_items(10_000)
    assert not [item for item in first if isinstance(item, Port)]
    inbox.begin_turn(1_000_000)
    assert isinstance(inbox.take_items()[-1], Port)


def test_facts_without_end_are_refused_but_not_a_fault():
    inbox = Inbox([])
    for _ in range(MOST_FACTS):
        inbox.tell(Acknowledge(t=0.0, stream=""))
    with pytest.raises(Full):
        inbox.tell(Acknowledge(t=0.0, stream=""))
    inbox.tell(Acknowledge(t=1.0, stream=""), bounded=False)
    inbox.begin_turn(10**9)
    assert len(inbox.take_items()) == MOST_FACTS + 1
    inbox.tell(Acknowledge(t=0.0, stream=""))


@given(st.lists(st.tuples(st.sampled_from("abc"), st.integers(1, 5000)), max_size=200), st.integers(1000, 20_000))
def test_nothing_is_lost_twice_or_given_twice(came, most):
    """However it is taken, each stream's bytes come out in their order, and what did not is counted."""
    inbox = Inbox("abc", room_bytes=60_000)
    kept = []
    for number, (stream, size) in enumerate(came):
        if inbox.put(Chunk(float(number), stream, bytes(size))):
            kept.append((number, stream))
    got = []
    for _ in range(200):
        inbox.begin_turn(most)
        while items := inbox.take_items(most // 3):
            got += items
    assert inbox.lost_bytes + sum(len(item.data) for item in got) == sum(size for _, size in came)
    for stream in "abc":
        assert [item.t for item in got if item.stream == stream] == [number for number, of in kept if of == stream]
