"""post-health: the box, its disk, its readers, its rules and the receivers' clocks."""

import datetime as dt

import pytest
from witnesspost.rules.book.post_health import PostHealth
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import CompanionFailed, Health, OutputFailed, ReadingFailed, RuleFailed


def health(day, until, start=0.0, interval=10.0, **said):
    return [Health(t=t, stream="", **said) for t in day.every(interval, start, until)]


GOOD = {
    "disk_free_fraction": 0.6,
    "disk_left_h": 300.0,
    "temperature_c": 55.0,
    "under_voltage": False,
    "read_only": False,
    "lost_bytes": 0,
    "log_failed": False,
}


def test_a_post_in_good_health_is_quiet(day):
    bench = day.bench(PostHealth)
    facts = health(day, 3600.0, **GOOD) + [day.utc(t) for t in day.every(1.0, 0.0, 3600.0)]
    assert bench.play(facts, 3600.0) == []


@pytest.mark.parametrize(
    ("said", "cause"),
    [
        ({"disk_free_fraction": 0.099}, "disk-low"),
        ({"disk_left_h": 23.9}, "disk-low"),
        ({"temperature_c": 80.1}, "hot"),
        ({"under_voltage": True}, "low-voltage"),
        ({"lost_bytes": 512}, "bytes-lost"),
        ({"log_failed": True}, "log-failed"),
        ({"read_only": True}, "log-failed"),
    ],
)
def test_each_trouble_raises_at_once(day, said, cause):
    bench = day.bench(PostHealth)
    changes = bench.play(health(day, 30.0, **GOOD) + health(day, 60.0, start=30.0, **(GOOD | said)), 60.0)
    assert day.said(changes) == [(30.2, "raised", "post-health", cause)]


@pytest.mark.parametrize(
    "said", [{"disk_free_fraction": 0.10}, {"disk_left_h": 24.0}, {"temperature_c": 80.0}, {"restarts": 12}]
)
def test_at_the_limit_is_quiet(day, said):
    bench = day.bench(PostHealth)
    assert bench.play(health(day, 60.0, **(GOOD | said)), 60.0) == []


def test_what_is_not_said_again_is_as_it_was(day):
    bench = day.bench(PostHealth)
    changes = bench.play([*health(day, 10.0, under_voltage=True), *health(day, 300.0, start=10.0, temperature_c=40.0)], 300.0)
    assert [c.change for c in changes] == ["raised"]


def test_a_temperature_about_the_limit_is_one_alert(day):
    bench = day.bench(PostHealth)
    facts = [Health(t=t, stream="", temperature_c=81.0 if t % 20 else 78.0) for t in day.every(10.0, 0.0, 1800.0)]
    assert [c.change for c in bench.play(facts, 1800.0)] == ["raised"]


def test_bytes_lost_count_once_each_loss(day):
    bench = day.bench(PostHealth)
    facts = [Health(t=t, stream="", lost_bytes=0 if t < 100 else 700 if t < 400 else 900) for t in day.every(10.0, 0.0, 600.0)]
    changes = bench.play(facts, 600.0)
    assert [(c.change, round(c.t)) for c in changes] == [("raised", 100), ("cleared", 161), ("raised", 400), ("cleared", 461)]
    assert [c.evidence["lost_bytes"] for c in changes if c.change == "raised"] == [700, 200]


def test_a_failed_rule_stands_for_the_run(day):
    bench = day.bench(PostHealth)
    bench.engine.see(RuleFailed(t=0.0, stream="", rule="tilt", error="ZeroDivisionError: {division}"))
    changes = bench.play(health(day, 3600.0, **GOOD), 3600.0)
    assert [(c.change, c.cause) for c in changes] == [("raised", "rule-failed")]
    assert "The rule tilt failed" in words(changes[0]).say


def test_a_reading_that_fails_is_said_at_once(day):
    bench = day.bench(PostHealth)
    facts = [*health(day, 100.0, **GOOD), ReadingFailed(t=103.1, stream="receiver", error="a bug")]
    changes = bench.play(facts, 300.0)
    assert [(c.t, c.cause, c.stream) for c in changes[:1]] == [(103.2, "reading-failed", "receiver")]
    assert words(changes[0]).say.startswith("Some of what came on receiver could not be read")
    assert [c.change for c in changes] == ["raised", "cleared"]


def times(day, until, start=0.0, ahead_s=0.0, **other):
    return [day.utc(t, utc=day.utc(t).utc + dt.timedelta(seconds=ahead_s), **other) for t in day.every(1.0, start, until)]


@pytest.mark.parametrize("step", [3.0, -3600.0, 18.0, 1024 * 7 * 86_400.0])
def test_a_receiver_s_time_that_jumps(day, step):
    bench = day.bench(PostHealth)
    changes = bench.play(times(day, 60.0) + times(day, 300.0, start=60.0, ahead_s=step), 300.0)
    # Three times that agree: the third comes at 62 s. It is over at once; the off-delay keeps it for a minute.
    assert [(c.change, round(c.t), c.cause) for c in changes] == [
        ("raised", 62, "clock-stepped"),
        ("cleared", 123, "clock-stepped"),
    ]
    assert changes[0].evidence["step_s"] == pytest.approx(step)


def test_a_leap_second_is_no_jump(day):
    bench = day.bench(PostHealth)
    assert bench.play(times(day, 60.0) + times(day, 300.0, start=60.0, ahead_s=-1.0), 300.0) == []


def test_midnight_is_no_jump(day):
    bench = day.bench(PostHealth)
    late = dt.datetime(2026, 5, 12, 23, 59, 0, tzinfo=dt.UTC)
    facts = [day.utc(t, utc=late + dt.timedelta(seconds=t)) for t in day.every(1.0, 0.0, 120.0)]
    assert bench.play(facts, 120.0) == []


def test_sentences_that_waited_on_the_line_are_no_jump(day):
    bench = day.bench(PostHealth)
    stalled = [day.utc(100.0 + index * 0.01, utc=day.utc(90.0 + index).utc) for index in range(10)]
    facts = times(day, 90.0) + stalled + times(day, 300.0, start=101.0)
    assert bench.play(facts, 300.0) == []


def test_a_slow_drift_is_no_jump(day):
    bench = day.bench(PostHealth)
    facts = [day.utc(t, utc=day.utc(t * 1.0001).utc) for t in day.every(5.0, 0.0, 86_400.0)]  # 8.6 s in the day
    assert bench.play(facts, 86_400.0) == []


def test_the_time_of_a_receiver_without_a_position_does_not_count(day):
    bench = day.bench(PostHealth)
    facts = times(day, 60.0, ahead_s=-5e8, source="ZDA") + [day.fix(t, quality=0) for t in day.every(1.0, 0.5, 59.0)]
    facts += [day.fix(59.9), *times(day, 300.0, start=60.0, source="ZDA")]
    assert bench.play(facts, 300.0) == []


def failed(t, companion="journal"):
    return CompanionFailed(t=t, stream="", companion=companion, error="see: ZeroDivisionError: {division} (a.py:3)")


def test_a_companion_that_failed_is_named_for_a_minute(day):
    bench = day.bench(PostHealth)
    changes = bench.play([failed(100.0)], 300.0)
    assert [(c.change, c.cause, round(c.t)) for c in changes] == [
        ("raised", "companion-failed", 100),
        ("cleared", "companion-failed", 161),
    ]
    assert changes[0].evidence == {"companion": "journal", "error": "see: ZeroDivisionError: {division} (a.py:3)"}
    assert "journal" in words(changes[0]).say
    assert any("{division}" in step for step in words(changes[0]).steps)


def test_a_companion_that_fails_after_every_pause_is_one_alert(day):
    """45 s is the longest pause before the next attempt."""
    bench = day.bench(PostHealth)
    changes = bench.play([failed(t) for t in day.every(45.0, 100.0, 3000.0)], 2900.0)
    assert [c.change for c in changes] == ["raised"]


def test_two_companions_are_two_alerts(day):
    bench = day.bench(PostHealth)
    changes = bench.play([failed(100.0), failed(101.0, "status")], 110.0)
    assert [c.evidence["companion"] for c in changes] == ["journal", "status"]


def test_an_output_stands_until_it_works_again(day):
    bench = day.bench(PostHealth)

    def said(t, error):
        return OutputFailed(t=t, stream="", output="buzzer on GPIO 17", error=error)

    changes = bench.play([said(100.0, "it hangs"), said(200.0, "it hangs"), said(4000.0, None)], 4100.0)
    assert [(c.change, c.cause, round(c.t)) for c in changes] == [
        ("raised", "output-failed", 100),
        ("cleared", "output-failed", 4060),
    ]
    assert "buzzer on GPIO 17" in words(changes[0]).say
