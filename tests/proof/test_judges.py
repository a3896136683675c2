"""The judges of kills and floods can fail: what each must call wrong is planted here, and what it must excuse."""

import pytest

from tests.proof import flood
from tests.proof.schedule import Moment, Spent, left_s


def at(t, **spent):
    """A moment; of each thread what it ran and waited until then."""
    return Moment(t, {name: Spent(*s) for name, s in spent.items()})


def test_threads_that_wait_at_the_same_time_hold_a_process_up_once():
    waits = [at(0.0, a=(0, 0), b=(0, 0)), at(1.0, a=(0, 0.4), b=(0, 0.4)), at(2.0, a=(0.3, 0.4), b=(0.2, 0.6))]
    assert left_s(waits, ran=False) == pytest.approx(0.6 + 0.8)
    assert left_s(waits, ran=True) == pytest.approx(0.6 + 0.6)


def test_a_wait_goes_to_the_time_before_it_was_over():
    waits = [at(0.0, a=(0, 0), b=(0, 0)), at(1.0, a=(0, 0), b=(0, 1)), at(2.0, a=(0, 1.5), b=(0, 1)), at(3.0, b=(0.25, 1))]
    assert left_s(waits, ran=False) == pytest.approx(1.0)
    assert left_s(waits, ran=True) == pytest.approx(0.75)


def test_between_two_pings_all_time_counts_but_what_was_waited():
    looks = [at(t / 10, a=(0, 0)) for t in (*range(31, 60), *range(60, 80, 4))]
    assert flood._own_s(at(0.0, a=(0, 0)), at(8.0, a=(0, 0)), looks) == pytest.approx(8.0)
    assert flood._own_s(at(0.0, a=(0, 0)), at(8.0, a=(0, 2.0)), looks) == pytest.approx(6.0)
    assert flood._own_s(at(0.0, a=(0, 0)), at(8.0, a=(0, 2.0)), []) == pytest.approx(6.0)


def test_a_told_silence_is_excused_by_no_more_than_its_sender_had_paused():
    """Ten bytes a frame, five a second from 10 s on; after the third the sender was held up, and the end came at 20 s."""
    sends = [flood.Sent(9.0, 9.0, 0), *(flood.Sent(10.0 + n / 5, 10.01 + n / 5, 10 * n + 10) for n in range(3))]
    sends += [flood.Sent(13.3, 13.6, 40), flood.Sent(13.8, 13.8, 50)]
    paused = [flood._paused_s(sends, came, 20.0) for came in (0, 10, 25, 30, 40, 50)]
    assert paused == pytest.approx([1.01, 0.21, 0.21, 3.2, 0.5, 6.2])


@pytest.mark.slow
def test_a_watch_that_tells_silences_in_a_flood_is_called_wrong(tmp_path, monkeypatch):
    hasty = flood.SITE.replace("on_delay_s = {silence_s}", "on_delay_s = 0.05\nintervals = 0.1")
    monkeypatch.setattr(flood, "SITE", hasty)
    found = flood.flooded(tmp_path, "sentences", 3.0)
    assert found.wrong
    assert all(text.startswith("it told a silence at ") for text in found.wrong)
