"""corrections-late: age, delay, and what the delay's behaviour says of its cause."""

import datetime as dt

import pytest
from witnesspost.rules.book.corrections_late import CorrectionsLate, delay_s
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Fix


def ordinary(day, until, start=0.0):
    """A second's facts for each second: time, position, epoch."""
    return [fact for t in day.every(1.0, start, until) for fact in (day.utc(t), day.fix(t), day.epoch(t + 0.3))]


def late(day, start, stop, delay_of, **fix):
    return [
        fact
        for t in day.every(1.0, start, stop)
        for fact in (day.utc(t), day.fix(t, **fix), day.epoch(t + 0.3, late_s=delay_of(t)))
    ]


def test_an_hour_on_time_is_quiet(day):
    bench = day.bench(CorrectionsLate)
    assert bench.play(ordinary(day, 3600.0), 3600.0) == []


def test_just_under_the_limit_is_quiet(day):
    bench = day.bench(CorrectionsLate)
    assert bench.play(late(day, 0.0, 120.0, lambda t: 4.9, age_s=5.0), 120.0) == []


def test_a_queue_that_grows_is_a_slow_link(day):
    bench = day.bench(CorrectionsLate)
    facts = ordinary(day, 60.0) + late(day, 60.0, 180.0, lambda t: 0.3 + 0.1 * (t - 60), age_s=None)
    changes = bench.play(facts, 180.0)
    # 0.3 s + 0.1 s a second passes 5 s with the epoch at 108 s (arrived at 108.3 s), and the on-delay is 5 s.
    assert day.said(changes) == [(113.4, "raised", "corrections-late", "slow-link")]
    assert changes[0].evidence["delay_s"] == pytest.approx(5.6, abs=0.11)
    assert changes[0].evidence["age_s"] is None


def test_a_steady_delay_means_old_epochs(day):
    bench = day.bench(CorrectionsLate)
    changes = bench.play(late(day, 0.0, 60.0, lambda t: 9.0, age_s=9.5), 60.0)
    assert [(c.rule, c.cause) for c in changes] == [("corrections-late", "old-epochs")]


def test_a_link_that_crept_to_its_delay_is_still_slow_when_that_is_steady(day):
    bench = day.bench(CorrectionsLate)
    facts = ordinary(day, 60.0) + late(day, 60.0, 600.0, lambda t: min(9.0, 0.3 + 0.4 * (t - 60)), age_s=None)
    assert {(c.change, c.cause) for c in bench.play(facts, 600.0)} == {("raised", "slow-link")}
    facts = ordinary(day, 700.0, start=600.0) + late(day, 700.0, 800.0, lambda t: 9.0, age_s=None)
    assert [c.cause for c in bench.play(facts, 800.0) if c.change == "raised"] == ["old-epochs"]


def test_epochs_whose_time_stands_still_are_old(day):
    bench = day.bench(CorrectionsLate)
    facts = ordinary(day, 30.0) + late(day, 30.0, 60.0, lambda t: 0.3 + (t - 30), age_s=None)
    assert [(c.rule, c.cause) for c in bench.play(facts, 60.0)] == [("corrections-late", "old-epochs")]


@pytest.mark.parametrize("delay", [18.3, 3600.0, -20.0, -3600.0])
def test_leap_seconds_hours_and_the_future_are_a_clock(day, delay):
    bench = day.bench(CorrectionsLate, role="base")
    changes = bench.play(late(day, 0.0, 60.0, lambda t: delay, age_s=None), 60.0)
    assert [(c.rule, c.cause) for c in changes] == [("corrections-late", "clock-not-set")]


@pytest.mark.parametrize(
    ("delay", "cause"),
    [
        (16.4, "old-epochs"),
        (16.6, "clock-not-set"),
        (19.4, "clock-not-set"),
        (19.6, "old-epochs"),
        (590.0, "old-epochs"),
        (610.0, "clock-not-set"),
        (-5.5, "clock-not-set"),
    ],
)
def test_no_link_holds_bytes_for_ten_minutes_and_leap_seconds_are_eighteen(day, delay, cause):
    bench = day.bench(CorrectionsLate, role="base")
    assert [c.cause for c in bench.play(late(day, 0.0, 60.0, lambda t: delay, age_s=None), 60.0)] == [cause]


def test_a_rover_that_calls_them_fresh_is_believed(day):
    bench = day.bench(CorrectionsLate)
    assert [c.cause for c in bench.play(late(day, 0.0, 60.0, lambda t: 9.0, age_s=1.0), 60.0)] == ["clock-not-set"]


class TestTheRoversAgeAlone:
    """Only the rover says that they are old."""

    @staticmethod
    def ages(day, until=60.0):
        return [day.fix(t, age_s=8.0 if t >= 10 else 1.0) for t in day.every(1.0, 0.0, until)]

    def test_is_enough(self, day):
        bench = day.bench(CorrectionsLate)
        changes = bench.play(self.ages(day), 30.0)
        assert day.said(changes) == [(15.0, "raised", "corrections-late", "old-at-rover")]
        assert changes[0].stream == "receiver"
        assert words(changes[0]).say == "The rover is using corrections that are 8 s old."

    def test_blames_no_link_that_brings_them_in_time(self, day):
        bench = day.bench(CorrectionsLate)
        (change,) = bench.play([*self.ages(day), *(f for f in ordinary(day, 60.0) if not isinstance(f, Fix))], 30.0)
        assert (change.cause, change.stream) == ("old-at-rover", "corrections")
        assert words(change).say.endswith("8 s old, but what reaches this post arrives in time.")

    @pytest.mark.parametrize(
        ("age", "cause"), [(lambda t: 8.0 if t >= 10 else 1.0, "old-epochs"), (lambda t: 1.0 + 0.2 * t, "slow-link")]
    )
    def test_tells_them_apart_where_no_receiver_says_the_time(self, day, age, cause):
        bench = day.bench(CorrectionsLate)
        facts = [f for t in day.every(1.0, 0.0, 60.0) for f in (day.fix(t, age_s=age(t)), day.epoch(t + 0.3))]
        assert [change.cause for change in bench.play(facts, 60.0)] == [cause]

    def test_over_a_delay_that_makes_most_of_it_goes_by_the_delay(self, day):
        bench = day.bench(CorrectionsLate)
        assert [c.cause for c in bench.play(late(day, 0.0, 60.0, lambda t: 4.6, age_s=5.6), 60.0)] == ["old-epochs"]
        bench = day.bench(CorrectionsLate)
        wandering = late(day, 0.0, 60.0, lambda t: 3.5 + (t % 7) / 5, age_s=5.6)
        assert [c.cause for c in bench.play(wandering, 60.0)] == ["slow-link"]


def test_an_age_that_swings_with_slow_epochs_is_quiet_from_the_first(day):
    bench = day.bench(CorrectionsLate)
    facts = [day.epoch(t + 0.25) for t in day.every(10.0, 0.0, 100.0)]
    facts += [day.fix(t + 0.3, age_s=0.5 + t % 10.0) for t in day.every(0.5, 0.0, 100.0)]
    assert bench.play(facts, 100.0) == []


def test_epochs_every_five_seconds_may_be_as_late_as_the_rover_may_be_old(day):
    bench = day.bench(CorrectionsLate)
    facts = [f for t in day.every(5.0, 0.0, 300.0) for f in (day.utc(t), day.epoch(t + 0.3, late_s=14.0))]
    assert bench.play(facts, 300.0) == []
    bench = day.bench(CorrectionsLate)
    facts = [f for t in day.every(5.0, 0.0, 300.0) for f in (day.utc(t), day.epoch(t + 0.3, late_s=15.5))]
    assert [c.cause for c in bench.play(facts, 300.0)] == ["old-epochs"]


def test_slow_epochs_by_design_let_the_age_swing(day):
    bench = day.bench(CorrectionsLate)
    facts = [day.epoch(t) for t in day.every(5.0, 0.0, 300.0)]
    facts += [day.fix(t, age_s=1.0 + (t % 5.0) + 2.0) for t in day.every(1.0, 0.0, 300.0)]
    assert bench.play(facts, 300.0) == []


def test_back_on_time_it_clears_once(day):
    bench = day.bench(CorrectionsLate)
    facts = late(day, 0.0, 60.0, lambda t: 9.0, age_s=None) + ordinary(day, 120.0, start=60.0)
    changes = bench.play(facts, 120.0)
    assert [(c.change, round(c.t)) for c in changes] == [
        ("raised", 6),
        ("cleared", 80),
    ]  # the second epoch tells how often they come


def test_an_age_that_swings_about_the_limit_never_chatters(day):
    bench = day.bench(CorrectionsLate)
    facts = [day.fix(t, age_s=8.0 if t % 12 < 6 else 1.0) for t in day.every(1.0, 0.0, 600.0)]
    raised = [c.t for c in bench.play(facts, 600.0) if c.change == "raised"]
    # 3 or more a minute is chattering (as quoted in the alarm trade's press).
    assert raised
    assert all(len([u for u in raised if t <= u < t + 60.0]) < 3 for t in raised)


def test_silence_is_not_lateness(day):
    bench = day.bench(CorrectionsLate)
    bench.play(late(day, 0.0, 30.0, lambda t: 9.0, age_s=None), 30.0)
    assert bench.findings() != []
    bench.play([], 40.0)
    assert bench.findings() == []


def test_slow_epochs_are_late_no_sooner_than_they_are_silent(day):
    bench = day.bench(CorrectionsLate, CorrectionsStopped)
    facts = [day.epoch(t) for t in day.every(5.0, 0.0, 100.0)]
    facts += [day.fix(t, age_s=0.5 + t % 5.0 if t < 100 else t - 94.5) for t in day.every(1.0, 0.0, 200.0)]
    # Epochs every 5 s: the last comes at 95 s, and silence is judged after three intervals.
    assert [(c.rule, round(c.t), c.because_of) for c in bench.play(facts, 200.0) if c.t > 50] == [
        ("corrections-stopped", 110, None),
        ("corrections-late", 115, "corrections-stopped"),
    ]


def test_another_station_s_epochs_say_nothing(day):
    bench = day.bench(CorrectionsLate, base={"station_id": 417})
    facts = [day.utc(0.0), *(day.epoch(t, late_s=30.0, station_id=9) for t in day.every(1.0, 0.0, 60.0))]
    assert bench.play(facts, 60.0) == []


def test_delay_across_the_week_s_end(day):
    # The GPS week begins on Sunday 0 h GPS time, 18 s before UTC's midnight (IS-GPS-200; leap seconds: IERS Bulletin C 52).
    utc = day.utc(0.0, utc=dt.datetime(2026, 5, 9, 23, 59, 43, tzinfo=dt.UTC))
    assert delay_s(day.epoch(0.0, time_s=604_799.0), utc) == pytest.approx(2.0)
    assert delay_s(day.epoch(3.0, time_s=604_799.0), utc) == pytest.approx(5.0)
    assert delay_s(day.epoch(0.0, time_s=3.0), utc) == pytest.approx(-2.0)


def test_gps_time_of_a_known_instant(day):
    # 2026-05-12 is a Tuesday: two days of the week are over. 06:00:00 UTC is 06:00:18 GPS.
    assert delay_s(day.epoch(0.0, time_s=2 * 86_400 + 6 * 3600 + 18.0), day.utc(0.0)) == pytest.approx(0.0)
    assert delay_s(day.epoch(0.0, time_s=None), day.utc(0.0)) is None
    assert delay_s(day.epoch(0.0), None) is None


def test_a_receiver_that_hears_nothing_is_looked_for_at_its_own_plug_first():
    _, plug, *_ = CorrectionsLate.causes["old-at-rover"].steps
    assert plug == "Check the plugs and the cable (or the pairing) between the radio and the receiver."
