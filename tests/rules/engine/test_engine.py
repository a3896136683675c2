"""The life of an alert, in the words of IEC 62682 / ISA-18.2 as OPC 10000-9 section 3.1 and B.1.5 has them."""

import pytest
from witnesspost.rules.engine.consequences import EXPLAINED_BY, roots_first
from witnesspost.rules.engine.engine import Engine
from witnesspost.rules.engine.rule import Cause, Delays, Finding, Rule
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Acknowledge, Bias, Frozen, Planned, RuleFailed, Shelve
from witnesspost.rules.site.reading import site_from_toml

SITE = site_from_toml("""
[post]
name = "kestrel-base"
role = "base"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
""")


class Fake(Rule):
    """A rule that finds what the test says."""

    def __init__(self, name, severity="stop", on_delay_s=3.0, off_delay_s=3.0, cause="reason", stream=""):
        super().__init__(SITE, Delays(on_delay_s=on_delay_s, off_delay_s=off_delay_s), None)
        self.name = name
        self.severity = severity
        self.cause = cause
        self.stream = stream
        self.graver = None
        self.figure = 0
        self.wrong = False
        self.throws = False
        self.since = None

    sees = (Bias, RuleFailed)

    def see(self, fact):
        if self.throws:
            raise ZeroDivisionError("a bug")

    def judge(self, t):
        if self.wrong:
            yield Finding(
                causes=[Cause(cause=self.cause)],
                since=self.since,
                stream=self.stream,
                severity=self.graver,
                evidence={"figure": self.figure},
            )


class Bench:
    """An engine on a stepped clock of tenths of a second."""

    def __init__(self, *rules):
        self.scene = Scene(SITE)
        self.engine = Engine(list(rules), self.scene)
        self.tenths = 0

    def until(self, t):
        changes = []
        while self.tenths <= round(t * 10):
            changes += self.engine.judge(self.tenths / 10)
            self.tenths += 1
        return [(c.t, c.change, c.rule) for c in changes]

    @property
    def t(self):
        return self.tenths / 10


def test_on_delay_must_hold_without_a_break():
    rule = Fake("fix-lost")
    bench = Bench(rule)
    rule.wrong = True
    assert bench.until(2.8) == []
    rule.wrong = False
    assert bench.until(3.0) == []
    rule.wrong = True
    assert bench.until(6.0) == []
    assert bench.until(6.2) == [(6.1, "raised", "fix-lost")]


def test_a_stop_alert_returns_to_normal_and_waits_for_a_person():
    rule = Fake("fix-lost")
    bench = Bench(rule)
    rule.wrong = True
    assert bench.until(4.0) == [(3.0, "raised", "fix-lost")]
    rule.wrong = False
    assert bench.until(8.0) == [(7.1, "normal", "fix-lost")]
    assert [a.change for a in bench.engine.open_alerts()] == ["normal"]
    bench.engine.see(Acknowledge(t=bench.t, stream=""))
    assert bench.until(9.0) == [(8.1, "cleared", "fix-lost")]
    assert bench.engine.open_alerts() == []


def test_an_acknowledged_stop_alert_is_cleared_when_it_ends():
    rule = Fake("fix-lost")
    bench = Bench(rule)
    rule.wrong = True
    bench.until(4.0)
    bench.engine.see(Acknowledge(t=bench.t, stream=""))
    assert bench.until(5.0) == [(4.1, "acknowledged", "fix-lost")]
    rule.wrong = False
    assert bench.until(9.0) == [(8.1, "cleared", "fix-lost")]


def test_a_check_alert_is_cleared_at_once_when_it_ends():
    rule = Fake("sky", severity="check")
    bench = Bench(rule)
    rule.wrong = True
    bench.until(4.0)
    rule.wrong = False
    assert bench.until(9.0) == [(7.1, "cleared", "sky")]


def test_off_delay_must_hold_without_a_break():
    rule = Fake("sky", severity="check")
    bench = Bench(rule)
    rule.wrong = True
    bench.until(4.0)
    rule.wrong = False
    bench.until(6.0)
    rule.wrong = True
    assert bench.until(6.2) == []
    rule.wrong = False
    assert bench.until(9.0) == []
    assert bench.until(9.4) == [(9.3, "cleared", "sky")]


def test_since_dates_a_condition_back():
    rule = Fake("fix-lost", on_delay_s=5.0)
    bench = Bench(rule)
    bench.until(6.9)
    rule.wrong, rule.since = True, 2.5
    assert bench.until(8.0) == [(7.5, "raised", "fix-lost")]


def test_one_incident_one_sound():
    root, consequence = Fake("corrections-stopped"), Fake("fix-lost", on_delay_s=4.0, cause="float")
    bench = Bench(consequence, root)
    root.wrong = consequence.wrong = True
    changes = []
    for _ in range(60):
        changes += bench.engine.judge(bench.t)
        bench.tenths += 1
    assert [(c.t, c.rule, c.because_of, c.sounds) for c in changes] == [
        (3.0, "corrections-stopped", None, True),
        (4.0, "fix-lost", "corrections-stopped", False),
    ]


def test_a_consequence_that_outlives_its_reason_sounds():
    root, consequence = Fake("corrections-stopped"), Fake("fix-lost", on_delay_s=4.0, cause="float")
    bench = Bench(consequence, root)
    root.wrong = consequence.wrong = True
    bench.until(10.0)
    root.wrong = False
    assert bench.until(43.1) == [(13.1, "normal", "corrections-stopped")]
    # Held for 30 s behind the corrections' return: the rover is fixing again.
    assert bench.until(44.0) == [(43.2, "raised", "fix-lost")]
    assert [a.rule for a in bench.engine.open_alerts() if a.sounds] == ["fix-lost"]


def test_a_planned_interruption_holds_back_what_begins_in_it():
    rule = Fake("corrections-stopped")
    bench = Bench(rule)
    bench.engine.see(Planned(t=0.0, stream="", for_s=20.0, why="battery"))
    rule.wrong = True
    assert bench.until(19.9) == []
    assert bench.until(21.0) == [(20.0, "raised", "corrections-stopped")]


def test_while_the_post_itself_did_not_run_nothing_is_raised():
    rule = Fake("corrections-stopped")
    bench = Bench(rule)
    bench.engine.see(Frozen(t=0.0, stream="", for_s=20.0))
    rule.wrong = True
    assert bench.until(19.9) == []
    assert bench.until(21.0) == [(20.0, "raised", "corrections-stopped")]


def test_a_post_that_did_not_run_for_a_moment_keeps_the_crews_pause():
    rule = Fake("corrections-stopped")
    bench = Bench(rule)
    bench.engine.see(Planned(t=0.0, stream="", for_s=20.0, why="battery"))
    bench.until(5.0)
    bench.engine.see(Frozen(t=5.0, stream="", for_s=3.0))
    rule.wrong = True
    assert bench.until(19.9) == []
    assert bench.until(21.0) == [(20.0, "raised", "corrections-stopped")]


def test_shelved_is_recorded_silently_and_for_a_stated_time():
    rule = Fake("fix-lost")
    bench = Bench(rule)
    rule.wrong = True
    bench.until(4.0)
    bench.engine.see(Shelve(t=4.0, stream="", for_s=10.0))
    assert [a.sounds for a in bench.engine.open_alerts()] == [False]
    bench.until(13.9)
    assert [a.sounds for a in bench.engine.open_alerts()] == [False]
    bench.until(14.1)
    assert [a.sounds for a in bench.engine.open_alerts()] == [True]


@pytest.mark.parametrize("period_s", [0.8, 2.0, 5.0, 9.0])
def test_no_alert_chatters_whatever_the_condition_does(period_s):
    # ISA-18.2's chattering: three or more a minute (trade press; see rules.engine.engine).
    rule = Fake("fix-lost", on_delay_s=0.3, off_delay_s=0.3)
    bench = Bench(rule)
    raised = []
    while bench.t < 600:
        rule.wrong = (bench.t % period_s) < period_s / 2
        raised += [c.t for c in bench.engine.judge(bench.t) if c.change == "raised"]
        bench.tenths += 1
    assert raised
    assert all(sum(t <= other < t + 60 for other in raised) < 3 for t in raised)


def test_a_rule_that_throws_is_named_and_switched_off_while_the_others_go_on():
    bad, good = Fake("tilt"), Fake("sky", severity="check")
    bench = Bench(bad, good)
    heard = []
    good.see = heard.append
    bad.throws = True
    bench.engine.see(Bias(t=0.0, stream="corrections", station_id=417))
    assert [(f.rule, f.error) for f in heard if isinstance(f, RuleFailed)] == [("tilt", "ZeroDivisionError: a bug")]
    good.wrong = bad.wrong = True
    assert bench.until(4.0) == [(3.0, "raised", "sky")]


def test_a_rule_that_throws_while_its_alert_stands_explains_nothing_any_more():
    root, consequence = Fake("wrong-channel"), Fake("fix-lost", on_delay_s=10.0, cause="float")
    bench = Bench(root, consequence)
    root.wrong = consequence.wrong = True
    assert bench.until(4.0) == [(3.0, "raised", "wrong-channel")]
    root.throws = True
    bench.engine.see(Bias(t=bench.t, stream="corrections", station_id=417))
    assert bench.until(11.0) == [(4.1, "cleared", "wrong-channel"), (10.0, "raised", "fix-lost")]
    assert [(a.rule, a.sounds) for a in bench.engine.open_alerts()] == [("fix-lost", True)]


def test_the_order_among_alerts_has_no_circle_and_names_only_rules():
    from witnesspost.rules.book.contents import RULES

    names = {rule.name for rule in RULES}
    for rule, reasons in EXPLAINED_BY.items():
        assert {rule, *(reason.rule for reason in reasons)} <= names
    ordered = [rule.name for rule in roots_first([Fake(name) for name in sorted(names)])]
    assert sorted(ordered) == sorted(names)
    for rule, reasons in EXPLAINED_BY.items():
        assert all(ordered.index(reason.rule) < ordered.index(rule) for reason in reasons), rule


def test_a_rule_that_is_sure_to_find_nothing_is_not_asked_until_then_or_until_what_stands_changes():
    sure, other = Fake("sure"), Fake("other", severity="check", on_delay_s=0.0)
    asked = []

    def judge(t):
        asked.append(t)
        return ()

    sure.judge, sure.due = judge, lambda: asked[-1] + 5.0 if asked else 0.0
    bench = Bench(sure, other)
    bench.until(6.0)
    assert asked == [0.0, 5.0]
    other.wrong = True
    bench.until(7.0)
    assert asked == [0.0, 5.0, 6.2]


def test_a_rule_whose_time_has_come_says_first_whether_it_is_later_by_now():
    rule, asked, due = Fake("sure"), [], [5.0]

    def judge(t):
        asked.append(t)
        if t >= 8.0:
            due[0] = 1e9
        return ()

    rule.judge, rule.due = judge, lambda: due[0]
    bench = Bench(rule)
    bench.until(1.0)
    due[0] = 8.0
    bench.until(20.0)
    assert asked == [0.0, 8.0]


def test_a_rule_whose_alert_lives_is_asked_however_sure_it_is():
    rule = Fake("sure", on_delay_s=0.0)
    rule.wrong = True
    bench = Bench(rule)
    assert bench.until(1.0) == [(0.0, "raised", "sure")]
    rule.wrong, rule.due = False, lambda: 1e9
    assert bench.until(6.0) == [(pytest.approx(4.1), "normal", "sure")]


def test_when_a_rule_is_due_is_asked_once_for_all_that_it_has_seen():
    rule = Fake("sure")
    asked = []

    def due():
        asked.append(bench.t)
        return 1e9

    bench = Bench(rule)
    rule.due = due
    bench.until(0.4)
    asked.clear()
    for _ in range(5):
        bench.engine.see(Bias(t=bench.t, stream="corrections", station_id=417))
    bench.until(1.0)
    assert asked == [0.5]


def test_a_rule_that_is_as_before_is_not_asked_when_it_is_due():
    rule, forgetful = Fake("sure"), Fake("other")
    asked = []
    rule.due, forgetful.due = lambda: asked.append("sure") or 1e9, lambda: asked.append("other") or 1e9
    rule.see = lambda fact: True
    bench = Bench(rule, forgetful)
    bench.until(0.4)
    asked.clear()
    bench.engine.see(Bias(t=bench.t, stream="corrections", station_id=417))
    bench.until(1.0)
    assert asked == ["other"]


def test_a_rule_whose_due_throws_is_switched_off_and_the_others_go_on():
    bad, good = Fake("tilt"), Fake("sky", severity="check")
    bench = Bench(bad, good)
    bench.until(0.4)
    bad.due = lambda: 1 / 0
    bench.engine.see(Bias(t=bench.t, stream="corrections", station_id=417))
    good.wrong = bad.wrong = True
    assert bench.until(4.0) == [(3.5, "raised", "sky")]
    assert [rule.name for rule in bench.engine.rules] == ["sky"]
