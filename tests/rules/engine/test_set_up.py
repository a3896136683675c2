"""Today's set-up: the rules judge by it from the moment it is told, and by the next one after that."""

import pytest
from witnesspost.rules.alert import Sentence
from witnesspost.rules.book.antenna_mismatch import AntennaMismatch
from witnesspost.rules.book.base_datum import BaseDatum
from witnesspost.rules.book.base_moved import BaseMoved
from witnesspost.rules.book.control_check import ControlCheck
from witnesspost.rules.book.words import words
from witnesspost.rules.book.wrong_channel import WrongChannel
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import from_enu, point_at, to_geodetic
from witnesspost.rules.facts import Antenna, CheckIn, Frozen, Planned, SetUp, Traffic

from tests.rules.book.conftest import TABLES


def set_up(t, point="KQ-1", antenna=1.843, pole=2.0):
    return SetUp(t=t, stream="", point=point, antenna_height_m=antenna, pole_height_m=pole, by="Kim")


def traffic(t, number):
    return Traffic(t=t, stream="corrections", frames=4, frames_by_station={number: 4})


def antenna(t, descriptor):
    return Antenna(t=t, stream="corrections", station_id=417, message=1033, descriptor=descriptor)


@pytest.fixture
def base(day):
    """A bench of the rules that judge a base, and a maker of its stations over a mark (1005: no antenna height is sent)."""
    bench = day.bench(BaseDatum, BaseMoved, AntennaMismatch, role="base", **TABLES)

    def station(t, point="KQ-1", antenna=1.843, said=None):
        x, y, z = (round(part, 4) for part in point_at(bench.site, point, antenna).ecef)
        return day.station(t, x_m=x, y_m=y, z_m=z, antenna_height_m=said, message=1005 if said is None else 1006)

    return bench, station


def every(day, station, start, stop, *args, **other):
    """On the air: observations each second, and the position before every tenth of them."""
    said = [station(t, *args, **other) for t in day.every(10.0, start, stop)]
    return [*said, *(day.epoch(t) for t in day.every(1.0, start, stop))]


def test_the_antenna_height_of_the_day_is_right_where_the_plan_s_would_be_wrong(base, day):
    bench, station = base
    facts = [set_up(0.5, antenna=1.532), *every(day, station, 1.0, 60.0, antenna=1.532)]
    assert bench.play(facts, 60.0) == []
    assert bench.scene.proven_right()
    assert bench.site.base.antenna_height_m == 1.843  # the site file's is not touched


def test_it_takes_effect_at_once_and_ends_with_the_next(base, day):
    bench, station = base
    facts = [*every(day, station, 1.0, 100.0), set_up(30.1, antenna=1.532), set_up(60.1)]
    changes = bench.play(facts, 100.0)
    assert [(round(c.t, 1), c.change, c.rule) for c in changes] == [
        (30.2, "raised", "base-datum"),
        (63.2, "normal", "base-datum"),
    ]
    assert changes[0].evidence["up_m"] == pytest.approx(1.843 - 1.532, abs=2e-4)


def test_a_set_up_that_changes_nothing_leaves_a_right_base_proven_right(base, day):
    bench, station = base
    facts = [*every(day, station, 1.0, 100.0), set_up(30.1, pole=1.9)]
    assert bench.play(facts, 100.0) == []
    assert bench.scene.proven_right()
    assert bench.scene.agreement_m() == pytest.approx(0.0, abs=2e-4)
    bench.scene.see(set_up(100.1))
    assert bench.scene.base_agrees() is None  # nobody has judged it by what holds now


def test_another_point_said_before_the_base_says_it(base, day):
    bench, station = base
    facts = [*every(day, station, 1.0, 41.0), set_up(40.1, "KQ-2"), *every(day, station, 41.0, 90.0, "KQ-2")]
    said = day.said(bench.play(facts, 100.0))
    assert said == [
        (40.2, "raised", "base-datum", "other-control-point"),  # it is on the air, and has not been told yet
        (44.2, "normal", "base-datum", "other-control-point"),
    ]


class TestWhatTheBaseSaidBefore:
    """A set-up is told while the base is off, as is proper: what it said before is of the set-up before."""

    @pytest.mark.parametrize("off_s", [31.0, 60.0, 220.0, 600.0, 4000.0])
    @pytest.mark.parametrize("says", [False, True], ids=["1005", "1006"])
    @pytest.mark.parametrize(
        ("point", "antenna"), [("KQ-2", 1.612), ("KQ-1", 1.512), ("KQ-1", 1.843)], ids=["another mark", "lower", "as before"]
    )
    def test_told_while_it_is_off_and_right_when_it_is_back(self, base, day, point, antenna, says, off_s):
        bench, station = base
        back_t = 41.0 + off_s
        facts = [
            *every(day, station, 1.0, 41.0, said=1.843 if says else None),
            set_up(back_t - 10.0, point, antenna),
            *every(day, station, back_t, back_t + 60.0, point, antenna, antenna if says else None),
        ]
        assert bench.play(facts, back_t + 60.0) == []
        assert bench.scene.proven_right()

    def test_nothing_is_known_of_it_until_it_says_its_position_anew(self, base, day):
        bench, station = base
        bench.play([*every(day, station, 1.0, 41.0), set_up(60.1, antenna=1.532)], 70.0)
        assert (bench.scene.station(), bench.scene.base_agrees()) == (None, None)
        back = every(day, station, 101.0, 160.0, antenna=1.532)
        bench.play([day.epoch(100.0), set_up(100.5, antenna=1.512), set_up(100.6, antenna=1.532)], 100.9)
        assert bench.scene.station() is None  # on the air again: it has not said it yet
        assert bench.play(back, 160.0) == []
        assert bench.scene.base_agrees()

    def test_told_late_it_is_judged_by_what_the_base_says_by_then(self, base, day):
        bench, station = base
        facts = [
            *every(day, station, 1.0, 41.0),
            *every(day, station, 241.0, 941.0, "KQ-2", 1.612),
            set_up(845.1, "KQ-2", 1.612),
        ]
        changes = bench.play(facts, 940.0)
        assert {(c.t > 845.0, c.change) for c in changes} == {(False, "raised"), (True, "normal")}
        assert bench.scene.proven_right()

    def test_a_wrong_coordinate_after_it_is_one_stop_and_mended_it_is_over(self, base, day):
        bench, station = base
        facts = [
            *every(day, station, 1.0, 41.0, said=1.843),
            set_up(300.0, "KQ-3", 1.612),
            *every(day, station, 341.0, 401.0, "KQ-1", 1.612, 1.612),
            *every(day, station, 401.0, 460.0, "KQ-3", 1.612, 1.612),
        ]
        assert day.said(bench.play(facts, 460.0)) == [
            (341.2, "raised", "base-datum", "other-control-point"),
            (404.2, "normal", "base-datum", "other-control-point"),
        ]

    def test_told_while_it_is_on_and_wrong_when_it_is_back(self, base, day):
        bench, station = base
        facts = [
            *every(day, station, 1.0, 41.0),
            set_up(35.1, "KQ-3", 1.612),
            *every(day, station, 341.0, 401.0, "KQ-2", 1.612),
        ]
        changes = bench.play(facts, 400.0)
        assert [(round(c.t, 1), c.rule) for c in changes if c.change == "raised"] == [(35.2, "base-datum")]  # and it goes on

    def test_the_rovers_pole_alone_changes_nothing_of_the_base(self, base, day):
        bench, station = base
        facts = [
            set_up(0.5, antenna=1.532),
            *every(day, station, 1.0, 41.0, antenna=2.0),  # wrong, and it stands
            set_up(100.1, antenna=1.532, pole=1.8),
        ]
        assert day.said(bench.play(facts, 200.0)) == [(1.2, "raised", "base-datum", "unexplained")]
        assert bench.scene.station() is not None

    def test_its_antenna_counts_once_it_is_said_anew(self, day):
        bench = day.bench(AntennaMismatch, role="base", **TABLES | {"base": TABLES["base"] | {"antenna": "INVENTED-A NONE"}})
        other = antenna(2.0, "INVENTED-B NONE")
        on_air = [day.epoch(t) for t in day.every(1.0, 1.0, 41.0)]
        assert [c.change for c in bench.play([other, *on_air, set_up(40.1, antenna=1.5)], 45.0)] == ["raised"]
        assert [c.change for c in bench.play([set_up(60.1, antenna=1.6)], 70.0)] == ["cleared"]
        again = [day.epoch(100.0), antenna(101.0, "INVENTED-B NONE")]
        assert [c.change for c in bench.play(again, 110.0)] == ["raised"]

    def test_a_height_that_was_told_and_is_typed_at_once_is_no_change(self, base, day):
        bench, station = base
        facts = [
            *every(day, station, 1.0, 41.0, said=1.843),
            set_up(35.1, antenna=1.512),
            *every(day, station, 41.0, 90.0, antenna=1.512, said=1.512),
        ]
        assert [(c.rule, c.change) for c in bench.play(facts, 90.0)] == [
            ("antenna-mismatch", "raised"),
            ("antenna-mismatch", "cleared"),
        ]

    def test_a_height_that_nobody_has_told_still_is_one(self, base, day):
        bench, station = base
        facts = [
            set_up(0.5, antenna=1.843),
            *every(day, station, 1.0, 41.0, said=1.843),
            *every(day, station, 41.0, 60.0, antenna=1.512, said=1.512),
        ]
        assert ("base-moved", "antenna-height-changed") in [(c.rule, c.cause) for c in bench.play(facts, 60.0)]

    @pytest.mark.parametrize("after_s", [120.0, 250.0])
    def test_a_position_before_the_first_observations_is_after_the_pause_too(self, base, day, after_s):
        bench, station = base
        facts = [
            *every(day, station, 1.0, 41.0, said=1.843),
            station(40.9 + after_s, antenna=1.512, said=1.512),
            *every(day, station, 41.0 + after_s, 90.0 + after_s, antenna=1.512, said=1.512),
        ]
        assert [c.rule for c in bench.play(facts, 90.0 + after_s)] == ["antenna-mismatch"]  # the day's height, a note


class TestAnnouncedPause:
    """It covers what an absence explains; nothing that is wrong on the air once the base is back."""

    def planned(self, t, for_s):
        return Planned(t=t, stream="", for_s=for_s, why="lunch")

    def test_the_same_coordinate_after_a_battery_is_quiet(self, base, day):
        bench, station = base
        facts = [*every(day, station, 1.0, 41.0), self.planned(40.0, 300.0), *every(day, station, 161.0, 500.0)]
        assert bench.play(facts, 500.0) == []

    def test_a_wrong_coordinate_is_told_a_minute_after_it_is_back(self, base, day):
        bench, station = base
        facts = [*every(day, station, 1.0, 41.0), self.planned(30.0, 1800.0), *every(day, station, 241.0, 400.0, "KQ-3")]
        changes = bench.play(facts, 400.0)
        assert {(c.rule, round(c.t, 1)) for c in changes} == {("base-datum", 301.0), ("base-moved", 301.2)}
        assert sum(c.sounds for c in changes) == 1

    @pytest.mark.parametrize("mended_s", [15.0, 35.0, 55.0])
    def test_the_coordinate_that_is_typed_in_after_switching_on_is_quiet(self, base, day, mended_s):
        bench, station = base
        facts = [
            *every(day, station, 1.0, 41.0),
            self.planned(30.0, 1800.0),
            *every(day, station, 241.0, 241.0 + mended_s, "KQ-3"),
            *every(day, station, 241.0 + mended_s, 400.0),
        ]
        assert bench.play(facts, 400.0) == []

    def test_it_may_begin_some_minutes_after_it_was_announced(self, base, day):
        bench, station = base
        facts = [
            *every(day, station, 1.0, 250.0),
            self.planned(30.0, 1800.0),
            set_up(40.1, "KQ-3", 1.612),  # told before the base is switched off
            *every(day, station, 800.0, 1000.0, "KQ-3", 1.612),
        ]
        assert bench.play(facts, 1000.0) == []

    def test_a_coordinate_that_changes_while_the_base_was_never_off_is_told(self, base, day):
        bench, station = base
        facts = [*every(day, station, 1.0, 501.0), self.planned(30.0, 1800.0), *every(day, station, 501.0, 700.0, "KQ-3")]
        assert {round(c.t, 1) for c in bench.play(facts, 700.0) if c.sounds} == {561.0}

    def test_one_that_is_off_again_says_nothing_wrong(self, base, day):
        bench, station = base
        facts = [*every(day, station, 1.0, 41.0), self.planned(30.0, 600.0), *every(day, station, 241.0, 281.0, "KQ-3")]
        assert bench.play(facts, 629.0) == []

    def test_the_post_that_did_not_run_tells_nothing(self, base, day):
        bench, station = base
        frozen = Frozen(t=290.0, stream="", for_s=30.0)
        facts = [
            *every(day, station, 1.0, 41.0),
            self.planned(30.0, 1800.0),
            *every(day, station, 241.0, 400.0, "KQ-3"),
            frozen,
        ]
        assert {round(c.t, 1) for c in bench.play(facts, 400.0) if c.sounds} == {320.0}

    @pytest.mark.parametrize(("role", "raised"), [("base", [301.0]), ("rover", [])])
    def test_another_number_is_our_own_base_s_at_the_base_alone(self, day, role, raised):
        bench = day.bench(WrongChannel, role=role, **TABLES)
        facts = [self.planned(30.0, 600.0)]
        for number, start, stop in ((417, 1.0, 41.0), (901, 241.0, 620.0)):
            for t in day.every(1.0, start, stop):
                facts += [day.epoch(t, station_id=number), traffic(t, number)]
        assert [round(c.t, 1) for c in bench.play(facts, 620.0)] == raised

    def test_another_beside_ours_is_told_when_ours_is_back(self, day):
        bench = day.bench(WrongChannel, **TABLES)
        facts = [self.planned(30.0, 600.0)]
        for t in day.every(1.0, 1.0, 620.0):
            facts += [day.epoch(t + 0.1, station_id=901), traffic(t + 0.1, 901)] if t > 100.0 else []
            facts += [day.epoch(t), traffic(t, 417)] if not 41.0 < t < 241.0 else []
        assert [round(c.t, 1) for c in bench.play(facts, 620.0)] == [301.0]

    @pytest.mark.parametrize(("quality", "held"), [(4, False), (1, True)])
    def test_where_no_corrections_come_in_here_the_rover_s_own_words_tell(self, day, quality, held):
        bench = day.bench(ControlCheck, stream=[{"name": "receiver", "port": "/dev/ttyUSB1", "carries": ["positions"]}])
        bench.play([self.planned(1.0, 900.0), *(day.fix(t, quality=quality) for t in day.every(1.0, 1.0, 401.0))], 400.0)
        assert bench.scene.holds(200.0, 400.0, explained=False) is held
        assert bench.scene.holds(200.0, 400.0, explained=True)


def test_another_point_said_after_the_base_has_moved(base, day):
    bench, station = base
    facts = [*every(day, station, 1.0, 30.0), *every(day, station, 31.0, 90.0, "KQ-2", 1.6), set_up(50.1, "KQ-2", 1.6)]
    said = day.said(bench.play(facts, 100.0))
    assert {(change, rule) for t, change, rule, _ in said if t < 50.0} == {("raised", "base-datum"), ("raised", "base-moved")}
    assert {(t, change, rule) for t, change, rule, _ in said if t > 50.0} == {
        (53.2, "normal", "base-datum"),
        (53.2, "normal", "base-moved"),
    }


def test_a_point_that_is_not_listed_is_not_judged(base, day):
    bench, station = base
    facts = [*every(day, station, 1.0, 60.0, antenna=1.0), set_up(20.1, None, 1.0)]
    assert [(c.change, c.t) for c in bench.play(facts, 60.0)] == [
        ("raised", pytest.approx(1.2)),
        ("normal", pytest.approx(23.2)),
    ]
    assert not bench.scene.proven_right()


def test_a_move_without_a_word_is_still_one(base, day):
    bench, station = base
    facts = [set_up(0.5, pole=1.8), *every(day, station, 1.0, 30.0), *every(day, station, 31.0, 60.0, "KQ-3")]
    assert ("raised", "base-moved") in [(c.change, c.rule) for c in bench.play(facts, 60.0)]


def test_a_height_that_the_base_says_and_the_set_up_does_not_is_a_check(base, day):
    bench, station = base
    facts = [
        *every(day, station, 1.0, 90.0, antenna=1.601, said=1.601),
        set_up(30.1, antenna=1.532),
        set_up(60.1, antenna=1.601),
    ]
    changes = [c for c in bench.play(facts, 90.0) if c.rule == "antenna-mismatch"]
    assert [(c.change, c.cause, c.severity) for c in changes] == [
        ("raised", "height-differs", "note"),
        ("raised", "height-not-as-set-up", "check"),
        ("cleared", "height-not-as-set-up", "check"),
    ]
    said = words(changes[1]).say
    assert said == "The base says that its antenna is 1.601 m above the mark; today's set-up says 1.532 m."


@pytest.fixture
def rover(day):
    """A bench of control-check, and a maker of fixes with a pole over a mark."""
    bench = day.bench(ControlCheck, **TABLES)

    def fix(t, point="KQ-2", pole=2.0, east=0.0, **other):
        mark = point_at(bench.site, point)
        latitude, longitude, h = to_geodetic(from_enu(mark.ecef, Enu(east, 0.0, pole)))
        return day.fix(
            t, **{"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0, **other}
        )

    return bench, fix


def checks(bench):
    return [
        (round(t, 1), detail["point"], detail["passed"]) for t, kind, detail in bench.engine.events if kind == "control-check"
    ]


def test_the_pole_of_the_day(rover, day):
    bench, fix = rover
    facts = [set_up(0.5, pole=1.5), *(fix(t, pole=1.5) for t in day.every(1.0, 1.0, 20.0))]
    assert bench.play(facts, 20.0) == []
    assert checks(bench) == [(11.2, "KQ-2", True)]


def test_a_pole_told_while_the_alert_stands_ends_it(rover, day):
    bench, fix = rover
    facts = [*(fix(t, pole=1.5) for t in day.every(1.0, 1.0, 40.0)), set_up(20.1, pole=1.5)]
    assert [(round(c.t, 1), c.change) for c in bench.play(facts, 40.0)] == [(11.2, "raised"), (23.2, "normal")]
    assert checks(bench) == [(11.2, "KQ-2", False), (20.2, "KQ-2", True)]


class TestOnePhysicalCheckIn:
    """Right practice on one mark: stand, say so on the phone, fill in today's set-up. It is one check-in, and told once."""

    def told(self, bench):
        """Of each check: when, where, and whether it says again what the one before said."""
        found = [(t, detail) for t, kind, detail in bench.engine.events if kind == "control-check"]
        return [(round(t, 1), detail["point"], detail["again"]) for t, detail in found]

    def test_said_while_standing_it_is_measured_again_and_told_once(self, rover, day):
        bench, fix = rover
        facts = [*(fix(t) for t in day.every(1.0, 1.0, 40.0)), CheckIn(t=20.1, stream="", point="KQ-2", by="Kim")]
        assert bench.play(facts, 40.0) == []
        assert self.told(bench) == [(11.2, "KQ-2", False), (30.2, "KQ-2", True)]
        assert [detail["by"] for _, _, detail in bench.engine.events] == [None, "Kim"]

    def test_a_set_up_that_changes_nothing_is_no_second_check(self, rover, day):
        bench, fix = rover
        facts = [*(fix(t) for t in day.every(1.0, 1.0, 40.0)), set_up(15.1, point="KQ-1", antenna=1.843, pole=2.0)]
        facts.append(set_up(25.1, point="KQ-1", antenna=1.843, pole=2.0))
        assert bench.play(facts, 40.0) == []
        assert checks(bench) == [(11.2, "KQ-2", True)]

    @pytest.mark.parametrize(
        "changed",
        [{"pole": 2.02}, {"point": "KQ-3"}, {"antenna": 1.6}],
        ids=["another pole", "the base over another mark", "another antenna height"],
    )
    def test_a_set_up_that_changes_something_is_a_check_of_its_own(self, rover, day, changed):
        bench, fix = rover
        facts = [*(fix(t) for t in day.every(1.0, 1.0, 40.0)), set_up(20.1, **{"point": "KQ-1", "antenna": 1.843, **changed})]
        bench.play(facts, 40.0)
        assert self.told(bench) == [(11.2, "KQ-2", False), (20.2, "KQ-2", False)]

    def test_a_pole_that_wobbles_is_one_check_in(self, rover, day):
        bench, fix = rover
        wobbles = {20.0, 40.0}
        bench.play([fix(t, east=0.3 if t in wobbles else 0.0) for t in day.every(1.0, 1.0, 60.0)], 60.0)
        assert self.told(bench) == [(11.2, "KQ-2", False), (31.2, "KQ-2", True), (51.2, "KQ-2", True)]

    def test_after_a_long_stand_too(self, rover, day):
        bench, fix = rover
        bench.play([fix(t, east=0.3 if t == 200.0 else 0.0) for t in day.every(1.0, 1.0, 220.0)], 220.0)
        assert self.told(bench) == [(11.2, "KQ-2", False), (211.2, "KQ-2", True)]

    @pytest.mark.parametrize(
        "between",
        [
            lambda fix, t: fix(t, quality=5),  # initialised anew: an independent check
            lambda fix, t: fix(t, "KQ-3"),  # another mark, and back: each a check of its own
            lambda fix, t: fix(t, pole=1.5),  # it did not pass in between
        ],
        ids=["initialised anew", "another mark", "not passed"],
    )
    def test_the_same_mark_once_more_is_a_check_of_its_own(self, rover, day, between):
        bench, fix = rover
        times = [*day.every(1.0, 1.0, 15.0)], [*day.every(1.0, 17.0, 30.0)], [*day.every(1.0, 32.0, 45.0)]
        bench.play([*map(fix, times[0]), *(between(fix, t) for t in times[1]), *map(fix, times[2])], 45.0)
        assert [(point, again) for _, point, again in self.told(bench) if point == "KQ-2"][-1] == ("KQ-2", False)
        assert {again for _, _, again in self.told(bench)} == {False}

    def test_over_a_minute_later_it_is_a_check_of_its_own(self, rover, day):
        bench, fix = rover
        walks = [fix(t, east=1.4 * (t - 15.0)) for t in day.every(1.0, 16.0, 76.0)]
        bench.play([*map(fix, day.every(1.0, 1.0, 15.0)), *walks, *map(fix, day.every(1.0, 80.0, 95.0))], 95.0)
        assert [again for _, _, again in self.told(bench)] == [False, False]

    def test_a_check_that_fails_is_never_the_same_again(self, rover, day):
        bench, fix = rover
        bench.play([fix(t, pole=1.5, east=0.3 if t == 20.0 else 0.0) for t in day.every(1.0, 1.0, 40.0)], 40.0)
        assert [again for _, _, again in self.told(bench)] == [False, False]


def words_of_finding(finding):
    said = {"rule": "control-check", "cause": finding.causes[0].cause, "role": "rover"}
    return words(Sentence(**said, stream=finding.stream, evidence=finding.evidence, words=finding.words)).say


class TestDeclaredCheckIn:
    def say(self, t, point="KQ-2"):
        return CheckIn(t=t, stream="", point=point, by="Kim")

    def test_ten_seconds_with_a_countdown_and_passed(self, rover, day):
        bench, fix = rover
        bench.play([fix(0.5), self.say(0.6), *(fix(t) for t in day.every(1.0, 1.0, 6.0))], 6.0)
        declared = bench.scene.declared
        assert (declared.point, declared.by, declared.stood_s, declared.needed_s) == ("KQ-2", "Kim", 4.5, 10.0)
        assert (declared.outcome, declared.hindrance) == (None, None)
        bench.play([fix(t) for t in day.every(1.0, 6.0, 13.0)], 13.0)
        assert (declared.outcome, declared.ended_t) == ("passed", pytest.approx(11.2))
        assert abs(declared.measured["up_m"]) < 0.001
        ((_, _, detail),) = bench.engine.events
        assert (detail["by"], detail["point"]) == ("Kim", "KQ-2")

    def test_not_passed_and_why(self, rover, day):
        bench, fix = rover
        bench.play([self.say(0.5), *(fix(t, pole=1.5) for t in day.every(1.0, 1.0, 13.0))], 13.0)
        declared = bench.scene.declared
        assert declared.outcome == "failed"
        assert declared.measured["up_m"] == pytest.approx(-0.5, abs=1e-3)
        assert words_of_finding(declared.finding).startswith("On KQ-2 the rover reads 50 cm low.")

    @pytest.mark.parametrize(
        ("others", "hindrance"),
        [({"quality": 5}, "not-fixed"), ({"latitude": None}, "no-position"), ({}, "walking")],
    )
    def test_given_up_after_a_minute_and_why(self, rover, day, others, hindrance):
        bench, fix = rover
        facts = [fix(t, **({"east": 1.4 * t} | others)) for t in day.every(1.0, 1.0, 70.0)]
        assert bench.play([self.say(2.5), *facts], 70.0) == []
        declared = bench.scene.declared
        assert (declared.outcome, declared.hindrance, declared.ended_t) == ("given-up", hindrance, pytest.approx(62.6))
        assert [(kind, detail["point"]) for _, kind, detail in bench.engine.events] == [("check-in-given-up", "KQ-2")]

    def test_a_receiver_that_says_nothing_is_given_up_too(self, rover, day):
        bench, _ = rover
        bench.play([self.say(1.1)], 70.0)
        assert (bench.scene.declared.outcome, bench.scene.declared.hindrance) == ("given-up", "no-position")

    def test_who_begins_to_stand_within_the_minute_is_waited_for(self, rover, day):
        bench, fix = rover
        bench.play([self.say(1.1), *(fix(t) for t in day.every(1.0, 55.0, 70.0))], 70.0)
        assert bench.scene.declared.outcome == "passed"

    def test_a_point_that_is_not_listed_ends_at_once(self, rover):
        bench, _ = rover
        bench.play([self.say(1.1, "KQ-9")], 2.0)
        assert bench.scene.declared.outcome == "unknown-point"

    def test_the_next_mark_is_not_taken_for_the_declared_one(self, rover, day):
        # Right practice: the crew goes on to the next mark within the minute.
        bench, fix = rover
        facts = [
            self.say(0.5),
            *(fix(t) for t in day.every(1.0, 1.0, 13.0)),
            *(fix(t, "KQ-3") for t in day.every(1.0, 30.0, 50.0)),
        ]
        assert bench.play(facts, 50.0) == []
        assert [point for _, point, _ in checks(bench)] == ["KQ-2", "KQ-3"]
