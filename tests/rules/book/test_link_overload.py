"""link-overload: the share of the interval, from what arrives and what the radio tables say."""

import pytest
from witnesspost.rules.book import radio
from witnesspost.rules.book.link_overload import LinkOverload
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Traffic

RADIO = {"base": {"air_rate_bps": 9600}, "rover": {"air_rate_bps": 9600}}
WITH_CODING = {end: {"air_rate_bps": 9600, "forward_error_correction": True} for end in ("base", "rover")}


def epochs(day, until, size, interval=1.0, start=0.0, **other):
    return [day.epoch(t, size_bytes=size, **other) for t in day.every(interval, start, until)]


@pytest.mark.parametrize("role", ["base", "rover"])
def test_more_than_four_fifths_of_the_interval_raises(day, role):
    bench = day.bench(LinkOverload, role=role, radio=RADIO)
    changes = bench.play(epochs(day, 60.0, 1000), 60.0)
    # 1000 bytes at 9600 bit/s are 0.833 s; the second epoch makes the interval known.
    assert day.said(changes) == [(11.0, "raised", "link-overload", "too-many-messages")]
    assert changes[0].evidence["share"] == pytest.approx(8000 / 9600, abs=0.001)


def test_close_under_the_limit_is_quiet(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    assert bench.play(epochs(day, 120.0, 955), 120.0) == []  # 0.796 of the interval


def test_sets_that_do_not_say_their_time_are_epochs_of_their_own(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    assert bench.play(epochs(day, 120.0, 955, time_s=None), 120.0) == []


def test_error_correction_doubles_the_bits(day):
    bench = day.bench(LinkOverload, radio=WITH_CODING)
    assert bench.play(epochs(day, 60.0, 475), 60.0) == []  # 0.792
    bench = day.bench(LinkOverload, radio=WITH_CODING)
    assert [c.rule for c in bench.play(epochs(day, 60.0, 485), 60.0)] == ["link-overload"]  # 0.808


def test_without_an_air_rate_nothing_is_judged(day):
    bench = day.bench(LinkOverload, radio={"base": {"frequency_mhz": 461.025}})
    assert bench.play(epochs(day, 60.0, 5000), 60.0) == []


def test_a_slower_interval_fits_more(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    assert bench.play(epochs(day, 120.0, 1800, interval=2.0), 120.0) == []  # 0.75 of 2 s


def test_epochs_lost_on_the_air_do_not_make_it_look_lighter(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    facts = [epoch for index, epoch in enumerate(epochs(day, 60.0, 1000)) if index % 3 != 1]
    assert [c.rule for c in bench.play(facts, 60.0)] == ["link-overload"]


def test_other_messages_count_by_their_share(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    # 940 bytes are 0.783; 300 bytes every 5 s are 60 bytes a second more: 0.833.
    others = [
        Traffic(t=t + 0.1, stream="corrections", by_message={"1033": (1, 300), "1077": (1, 940), "GGA": (1, 80)})
        for t in day.every(5.0, 0.0, 120.0)
    ]
    changes = bench.play(epochs(day, 120.0, 940) + others, 120.0)
    assert [c.rule for c in changes] == ["link-overload"]


def test_what_would_fit_is_said(day):
    mask = ((20, 2, 40),)
    size = radio.msm_frame_bytes(7, 20, 2, 40)
    bench = day.bench(LinkOverload, radio={"base": {"air_rate_bps": 4800}})
    (raised,) = bench.play(epochs(day, 60.0, size, satellites=20, cells=40, messages=(1077,), masks=mask, systems="G"), 60.0)
    # 523 and 318 bytes: the layout of RTCM 10403.3 section 3.5, counted independently (document not seen).
    assert raised.evidence["epoch_bytes"] == 523
    assert raised.evidence["as_msm4_bytes"] == 318
    assert raised.evidence["share_as_msm4"] == pytest.approx(318 * 8 / 4800, abs=0.001)
    assert "MSM4 instead of MSM7 saves 39 %: 0.53 of the interval." in words(raised).steps


def test_where_msm4_is_sent_already_slower_epochs_would_fit(day):
    bench = day.bench(LinkOverload, radio={"base": {"air_rate_bps": 4800}})
    (raised,) = bench.play(epochs(day, 60.0, 523, messages=(1074,), masks=()), 60.0)
    assert raised.evidence["as_msm4_bytes"] is None
    assert words(raised).steps[0] == "Epochs every 2 s instead of every 1 s: 0.44 of the interval."


def test_two_sets_of_one_moment_share_its_interval(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    facts = [day.epoch(t + part, late_s=0.3 + part, size_bytes=500) for t in day.every(1.0, 0.0, 60.0) for part in (0.0, 0.2)]
    assert [c.evidence["epoch_bytes"] for c in bench.play(facts, 60.0)] == [pytest.approx(1000, abs=60)]


def test_glonass_alone_has_no_time_and_is_timed_by_arrival(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    assert [c.rule for c in bench.play(epochs(day, 60.0, 1000, time_s=None, systems="R"), 60.0)] == ["link-overload"]


def test_the_neighbour_s_bytes_are_not_our_load(day):
    bench = day.bench(LinkOverload, radio=RADIO, base={"station_id": 417})
    assert bench.play(epochs(day, 60.0, 5000, station_id=12), 60.0) == []


def test_lighter_again_it_clears(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    changes = bench.play(epochs(day, 40.0, 1000) + epochs(day, 120.0, 600, start=40.0), 120.0)
    assert [c.change for c in changes] == ["raised", "cleared"]


def test_an_interruption_neither_ends_it_nor_says_it_again(day):
    bench = day.bench(LinkOverload, radio=RADIO)
    facts = epochs(day, 40.0, 1000) + epochs(day, 200.0, 1000, start=100.0)
    assert [c.change for c in bench.play(facts, 200.0)] == ["raised"]


def test_nothing_new_is_said_of_a_silent_line(day):
    bench = day.bench(LinkOverload, radio=RADIO, rules={"link-overload": {"on_delay_s": 30.0}})
    assert bench.play(epochs(day, 20.0, 1000), 200.0) == []
