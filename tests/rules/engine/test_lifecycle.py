"""What is open is told as it is now: its figures, its first cause, how grave it is, and that it is only held."""

import datetime as dt

import pytest
from witnesspost.rules.book.words import words
from witnesspost.rules.engine.nuisance import chattering
from witnesspost.rules.facts import Acknowledge, Planned, Shelve, Unseen
from witnesspost.rules.language.speech import Speech

from tests.rules.engine.test_engine import Bench, Fake


def told(bench, until):
    """The changes up to `until` as (t, change, cause, severity, sounds)."""
    changes = []
    while bench.t <= until + 1e-9:
        changes += bench.engine.judge(bench.t)
        bench.tenths += 1
    return [(c.t, c.change, c.cause, c.severity, c.sounds) for c in changes]


def raised(rule, until=4.0):
    bench = Bench(rule)
    rule.wrong = True
    assert [change for _, change, *_ in told(bench, until)] == ["raised"]
    return bench


class TestFigures:
    def test_are_of_the_moment(self):
        rule = Fake("sky")
        bench = raised(rule)
        rule.figure = 7
        assert told(bench, 5.0) == []
        (alert,) = bench.engine.open_alerts()
        assert alert.sentence.evidence == {"figure": 7}

    def test_stay_with_the_cause_that_was_told(self):
        rule = Fake("sky", cause="few")
        bench = raised(rule)
        rule.cause, rule.figure = "poor", 9
        told(bench, 6.9)
        (alert,) = bench.engine.open_alerts()
        assert (alert.sentence.cause, alert.sentence.evidence) == ("few", {"figure": 0})


class TestCause:
    """The first cause has been another for 3 s."""

    def test_is_told_anew_without_a_sound(self):
        rule = Fake("corrections-stopped", cause="line-silent")
        bench = raised(rule)
        rule.cause, rule.figure = "line-noise", 5
        assert told(bench, 10.0) == [(7.1, "cause", "line-noise", "stop", False)]
        (alert,) = bench.engine.open_alerts()
        assert (alert.number, alert.change, alert.sentence.cause, alert.sounds) == (1, "raised", "line-noise", True)
        assert alert.sentence.evidence == {"figure": 5}

    def test_that_was_another_for_less_is_not_told(self):
        rule = Fake("corrections-stopped", cause="line-silent")
        bench = raised(rule)
        for t in (6.9, 7.2, 10.1, 10.4):
            rule.cause = "line-noise" if t in (6.9, 10.1) else "line-silent"
            assert told(bench, t) == []

    def test_that_changes_before_it_is_raised_is_the_one_it_is_raised_with(self):
        rule = Fake("corrections-stopped", cause="line-silent")
        bench = Bench(rule)
        rule.wrong = True
        assert told(bench, 2.0) == []
        rule.cause = "line-noise"
        assert told(bench, 9.0) == [(3.0, "raised", "line-noise", "stop", True)]

    def test_leaves_an_acknowledged_alert_acknowledged(self):
        rule = Fake("corrections-stopped", cause="line-silent")
        bench = raised(rule)
        bench.engine.see(Acknowledge(t=bench.t, stream=""))
        rule.cause = "line-noise"
        assert told(bench, 9.0) == [
            (4.1, "acknowledged", "line-silent", "stop", False),
            (7.1, "cause", "line-noise", "stop", False),
        ]
        assert [(a.change, a.sounds) for a in bench.engine.open_alerts()] == [("acknowledged", False)]

    def test_that_nothing_explains_any_more_sounds(self):
        root, fix = Fake("corrections-stopped"), Fake("fix-lost", on_delay_s=4.0, cause="float")
        bench = Bench(root, fix)
        root.wrong = fix.wrong = True
        told(bench, 5.0)
        fix.cause = "no-position"  # now the receiver says nothing: no radio does that
        assert told(bench, 9.0) == [(8.1, "raised", "no-position", "stop", True)]


class TestSeverity:
    """It belongs to the finding; an alert never becomes milder."""

    def test_a_check_that_becomes_a_stop_sounds_again_under_its_number_and_ends_as_a_stop(self):
        rule = Fake("fix-lost", cause="float")
        rule.graver = "check"
        bench = raised(rule)
        assert [a.severity for a in bench.engine.open_alerts()] == ["check"]
        rule.graver = "stop"
        assert told(bench, 5.0) == [(4.1, "raised", "float", "stop", True)]
        assert [(a.number, a.severity) for a in bench.engine.open_alerts()] == [(1, "stop")]
        rule.graver = "check"  # the rover walks on
        assert told(bench, 8.0) == []
        assert [a.severity for a in bench.engine.open_alerts()] == ["stop"]
        rule.wrong = False
        assert told(bench, 12.0) == [(11.1, "normal", "float", "stop", False)]

    def test_a_note_by_another_cause_becomes_a_check_once_that_has_lasted(self):
        rule = Fake("tilt", severity="check", cause="leans")
        rule.graver = "note"
        bench = raised(rule)
        rule.cause, rule.graver = "not-aligned", "check"
        assert told(bench, 9.0) == [(7.1, "raised", "not-aligned", "check", True)]

    def test_seen_as_a_check_it_is_unseen_as_a_stop(self):
        rule = Fake("fix-lost", cause="float")
        rule.graver = "check"
        bench = raised(rule)
        bench.engine.see(Acknowledge(t=bench.t, stream=""))
        assert [change for _, change, *_ in told(bench, 5.0)] == ["acknowledged"]
        rule.graver = "stop"
        assert [(change, sounds) for _, change, _, _, sounds in told(bench, 6.0)] == [("raised", True)]
        rule.wrong = False
        assert [change for _, change, *_ in told(bench, 12.0)] == ["normal"]

    def test_shelved_explained_or_planned_it_makes_no_sound(self):
        rule = Fake("fix-lost", cause="float")
        rule.graver = "check"
        bench = raised(rule)
        bench.engine.see(Shelve(t=bench.t, stream="", for_s=60.0))
        rule.graver = "stop"
        assert told(bench, 5.0) == [(4.1, "raised", "float", "stop", False)]

        root, rule = Fake("corrections-stopped"), Fake("fix-lost", on_delay_s=4.0, cause="float")
        rule.graver = "check"
        bench = Bench(root, rule)
        root.wrong = rule.wrong = True
        told(bench, 5.0)
        rule.graver = "stop"
        assert told(bench, 6.0) == [(5.1, "raised", "float", "stop", False)]

        rule = Fake("fix-lost", cause="float")
        rule.graver = "check"
        bench = raised(rule)
        bench.engine.see(Planned(t=bench.t, stream="", for_s=10.0, why="battery"))
        rule.graver = "stop"
        assert told(bench, 14.0) == []
        assert told(bench, 15.0) == [(14.1, "raised", "float", "stop", True)]

    def test_a_rule_without_a_word_of_its_own_is_as_grave_as_ever(self):
        rule = Fake("sky", severity="check")
        raised(rule)
        assert rule.graver is None

    def test_to_become_graver_is_no_chattering(self):
        rule = Fake("fix-lost", cause="float", on_delay_s=1.0, off_delay_s=1.0)
        bench, changes = Bench(rule), []
        for t in range(600):  # walks, stands, is fixed again, seen each time: nine seconds a round
            rule.wrong, rule.graver = t % 90 < 50, "check" if t % 90 < 30 else "stop"
            if t % 90 == 60:
                bench.engine.see(Acknowledge(t=bench.t, stream=""))
            changes += bench.engine.judge(bench.t)
            bench.tenths += 1
        assert [c.severity for c in changes if c.sounds][:4] == ["check", "stop", "check", "stop"]
        assert chattering(changes) == []


class TestHeld:
    """Ended, but open so that it does not chatter."""

    def test_says_for_how_long_it_is_back_and_how_often_it_came(self):
        rule = Fake("sky", severity="check", on_delay_s=1.0, off_delay_s=1.0)
        bench = Bench(rule)
        for t, wrong in ((2.0, True), (6.0, False), (10.0, True)):
            rule.wrong = wrong
            told(bench, t)
        rule.wrong = False
        told(bench, 10.8)
        (alert,) = bench.engine.open_alerts()
        assert alert.held(bench.t) is None  # within the off-delay
        told(bench, 22.0)
        assert alert.held(22.1) == (pytest.approx(12.0), 2)
        rule.wrong = True
        told(bench, 22.3)
        assert alert.held(22.4) is None

    def test_an_alert_that_ends_as_usual_is_not_held(self):
        rule = Fake("sky", severity="check")
        bench = raised(rule)
        rule.wrong = False
        told(bench, 6.5)
        (alert,) = bench.engine.open_alerts()
        assert alert.held(6.6) is None
        told(bench, 8.0)
        assert bench.engine.open_alerts() == []


UTC = dt.datetime(2026, 5, 12, 17, 30, tzinfo=dt.UTC)


def unseen(t=0.0, utc=UTC, alert=3):
    return Unseen(
        t=t,
        stream="corrections",
        run="kestrel.0041.db",
        alert=alert,
        rule="corrections-stopped",
        cause="line-silent",
        utc=utc,
        evidence={"silent_s": 8.0},
    )


class TestUnseen:
    """A stop that nobody had seen when the power went."""

    def test_is_over_and_unseen_until_a_person_has_seen_it(self):
        bench = Bench(Fake("corrections-stopped"))
        bench.engine.see(unseen())
        assert told(bench, 100.0) == [(0.0, "normal", "line-silent", "stop", False)]
        (alert,) = bench.engine.open_alerts()
        assert (alert.number, alert.change, alert.sounds, alert.rule) == (1, "normal", False, "corrections-stopped")
        assert alert.sentence.evidence == {
            "silent_s": 8.0,
            "of_run": "kestrel.0041.db",
            "of_alert": 3,
            "over_utc": "2026-05-12T17:30:00.000Z",
        }
        bench.engine.see(Acknowledge(t=bench.t, stream=""))
        assert [change for _, change, *_ in told(bench, 101.0)] == ["cleared"]
        assert bench.engine.open_alerts() == []

    def test_stands_beside_the_same_trouble_come_again(self):
        rule = Fake("corrections-stopped")
        bench = Bench(rule)
        bench.engine.see(unseen())
        bench.engine.see(unseen())  # told twice, it is one
        rule.wrong = True
        assert [(t, change) for t, change, *_ in told(bench, 5.0)] == [(0.0, "normal"), (3.0, "raised")]
        assert [(a.number, a.change) for a in bench.engine.open_alerts()] == [(2, "raised"), (1, "normal")]
        rule.wrong = False
        assert [change for _, change, *_ in told(bench, 9.0)] == ["normal"]
        assert len(bench.engine.open_alerts()) == 2

    def test_explains_nothing(self):
        fix = Fake("fix-lost", cause="float")
        bench = Bench(fix)
        bench.engine.see(unseen())
        fix.wrong = True
        assert told(bench, 4.0)[-1] == (3.0, "raised", "float", "stop", True)

    @pytest.mark.parametrize(
        ("hours", "stays"), [(23.9, True), (24.1, False), (None, True)], ids=["same day", "another day", "time not known"]
    )
    def test_for_a_day_where_both_times_are_known(self, day, hours, stays):
        bench = Bench(Fake("sky"))
        bench.engine.see(unseen(utc=None if hours is None else UTC))
        told(bench, 1.0)
        bench.engine.see(day.utc(1.0, utc=UTC + dt.timedelta(hours=hours or 1000)))
        assert [change for _, change, *_ in told(bench, 5.0)] == ([] if stays else ["cleared"])
        assert bool(bench.engine.open_alerts()) is stays

    def test_of_a_rule_that_is_no_longer_there_or_fails(self):
        rule = Fake("sky")
        bench = Bench(rule)
        bench.engine.see(unseen())
        told(bench, 1.0)
        rule.judge = lambda t: 1 / 0
        told(bench, 2.0)
        assert [a.rule for a in bench.engine.open_alerts()] == ["corrections-stopped"]


@pytest.mark.parametrize("late_s", [10, 25, 40, 55])
def test_what_sounds_late_and_flickers_does_not_chatter(late_s):
    # Raised in silence, it sounds once nothing explains it any more: from then on it comes, for whoever hears it.
    root, rule = Fake("corrections-stopped", on_delay_s=0.5, off_delay_s=0.1), Fake("sky", on_delay_s=1.0, off_delay_s=1.0)
    rule.explained_by = ("corrections-stopped",)
    bench, changes = Bench(root, rule), []
    for t in range(300):
        root.wrong = t < late_s
        rule.wrong = t < late_s + 10 or t % 6 < 3
        while bench.t <= t:
            changes += bench.engine.judge(bench.t)
            bench.tenths += 1
    assert [c.sounds for c in changes if (c.rule, c.change) == ("sky", "raised")][:2] == [False, True]
    assert chattering(changes) == []


class TestComesAgain:
    """From one cause for the third time within ten minutes."""

    def come(self, bench, rule, *spans, until):
        said = []
        for begin, end in spans:
            said += told(bench, begin - 0.1)
            rule.wrong = True
            said += told(bench, end - 0.1)
            rule.wrong = False
        return said + told(bench, until)

    def sounds(self, said):
        return [(change, sounds) for _, change, _, _, sounds in said if change == "raised"]

    def test_a_stop_says_how_often_and_sounds_each_time(self):
        rule = Fake("wrong-channel", cause="two-bases", severity="stop")
        bench = Bench(rule)
        said = self.come(bench, rule, (60, 70), (160, 170), until=200)
        assert self.sounds(said) == [("raised", True)] * 2
        assert all("came_times" not in alert.evidence for alert in bench.engine.open_alerts())
        assert self.sounds(self.come(bench, rule, (260, 270), until=270)) == [("raised", True)]
        (alert,) = bench.engine.open_alerts()
        assert (alert.evidence["came_times"], alert.evidence["came_over_s"]) == (3, 200.0)
        sentence = alert.sentence
        assert words(sentence).say.endswith(" It has come 3 times in 4 min.")
        assert words(sentence, Speech.of("es")).say.endswith(" Ha ocurrido 3 veces en 4 min.")

    def test_a_check_is_shown_and_makes_no_sound(self):
        rule = Fake("corrections-late", cause="slow-link", severity="check")
        bench = Bench(rule)
        said = self.come(bench, rule, (60, 70), (160, 170), (260, 270), (360, 370), until=400)
        assert self.sounds(said) == [("raised", True)] * 2 + [("raised", False)] * 2

    def test_a_check_that_lasts_longer_than_before_sounds(self):
        rule = Fake("corrections-late", cause="slow-link", severity="check")
        bench = Bench(rule)
        said = self.come(bench, rule, (60, 70), (160, 170), (260, 290), until=300)
        assert self.sounds(said) == [("raised", True)] * 2 + [("raised", False), ("raised", True)]
        quiet, loud = [t for t, change, *_ in said if change == "raised" and t > 250]
        assert loud - quiet == pytest.approx(1.5 * 7.0, abs=0.3)  # ten seconds, told after three

    def test_a_check_that_becomes_a_stop_sounds(self):
        rule = Fake("corrections-late", cause="slow-link", severity="check")
        bench = Bench(rule)
        self.come(bench, rule, (60, 70), (160, 170), until=250)
        rule.wrong = True
        assert self.sounds(told(bench, 255)) == [("raised", False)]
        rule.graver = "stop"
        assert self.sounds(told(bench, 256)) == [("raised", True)]

    def test_once_a_quarter_of_an_hour_is_each_a_trouble_of_its_own(self):
        rule = Fake("corrections-late", cause="slow-link", severity="check")
        bench = Bench(rule)
        said = self.come(bench, rule, (60, 70), (960, 970), (1860, 1870), until=1900)
        assert self.sounds(said) == [("raised", True)] * 3

    def test_from_another_cause_it_has_not_come_before(self):
        rule = Fake("corrections-late", cause="slow-link", severity="check")
        bench = Bench(rule)
        self.come(bench, rule, (60, 70), (160, 170), until=200)
        rule.cause = "old-epochs"
        assert self.sounds(self.come(bench, rule, (260, 270), until=300)) == [("raised", True)]

    def test_one_who_was_quiet_and_seen_stays_quiet(self):
        rule = Fake("corrections-late", cause="slow-link", severity="check")
        bench = Bench(rule)
        self.come(bench, rule, (60, 70), (160, 170), until=250)
        rule.wrong = True
        told(bench, 255)
        bench.engine.see(Acknowledge(t=bench.t, stream=""))
        assert self.sounds(told(bench, 300)) == []
