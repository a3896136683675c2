"""The patterns can be told apart by counting and by length, and no other alarm's is among them."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.signals.patterns import PASSED, PATTERNS, Rhythm

RHYTHMS = st.builds(
    Rhythm,
    st.lists(st.integers(1, 5000), min_size=2, max_size=8).filter(lambda beats: len(beats) % 2 == 0).map(tuple),
    st.none() | st.integers(1, 4),
)


def shape(rhythm):
    """What an eye or an ear takes in: the shorts and longs of a turn, whether it rests, and repeats."""
    if rhythm is None:
        return None
    lengths = ["short" if on < 300 else "long" if on < 1500 else "very long" for on in rhythm.beats_ms[::2]]
    rests = max(rhythm.beats_ms[1::2]) >= 1000
    quick = rhythm.period_ms < 500
    return (*lengths, rests, quick, rhythm.times)


@pytest.mark.parametrize("sense", ["light", "sound"])
def test_no_two_patterns_look_or_sound_alike(sense):
    shapes = {name: shape(getattr(pattern, sense)) for name, pattern in PATTERNS.items()}
    same = [pair for pair in itertools.combinations(shapes, 2) if shapes[pair[0]] == shapes[pair[1]]]
    silent = itertools.combinations(("dark", "past", PASSED), 2)  # silence says nothing by itself: look at the light
    assert set(map(frozenset, same)) == (set() if sense == "light" else set(map(frozenset, silent)))


def test_only_a_dead_post_is_dark():
    """A living post shows a light within any three seconds, so that who looks for a moment knows."""
    for name, pattern in PATTERNS.items():
        if name == "dark":
            assert pattern.light is None
            continue
        assert pattern.light is not None
        assert (pattern.light.times is None) == (name != PASSED)
        assert max(pattern.light.beats_ms[1::2]) < 3000, name


def test_no_pattern_is_an_evacuation_or_a_carbon_monoxide_signal():
    """Temporal three: 0.5 s on, 0.5 s off, thrice, then 1.5 s (ISO 8201, from memory). Temporal four: four tones of
    0.1 s, then 5 s (NFPA 72, from memory)."""
    for pattern in PATTERNS.values():
        if pattern.sound is None:
            continue
        on = pattern.sound.beats_ms[::2]
        assert not (len(on) == 3 and min(on) > 300)
        assert len(on) != 4


def test_all_are_said_in_words():
    for pattern in PATTERNS.values():
        assert pattern.meaning.endswith(".")
        assert pattern.seen
        assert pattern.heard


@given(RHYTHMS, st.integers(0, 60_000))
def test_a_rhythm_says_when_it_changes_next(rhythm, since_ms):
    on, change_ms = rhythm.state_after(since_ms)
    if change_ms is None:
        assert all(rhythm.state_after(since_ms + later) == (on, None) for later in (1, 1000, 100_000))
        assert on is False
    else:
        assert change_ms > 0
        assert all(rhythm.state_after(since_ms + later)[0] is on for later in {0, change_ms // 2, change_ms - 1})
        assert rhythm.state_after(since_ms + change_ms)[0] is not on


@given(RHYTHMS)
def test_a_rhythm_is_on_for_its_on_beats(rhythm):
    turns = rhythm.times or 2
    ons = sum(rhythm.state_after(ms)[0] for ms in range(0, turns * rhythm.period_ms, max(1, rhythm.period_ms // 500)))
    share = sum(rhythm.beats_ms[::2]) / rhythm.period_ms
    seen = ons / len(range(0, turns * rhythm.period_ms, max(1, rhythm.period_ms // 500)))
    assert seen == pytest.approx(share, abs=0.05)
