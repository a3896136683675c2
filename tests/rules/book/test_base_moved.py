"""base-moved on a stepped clock: a change is news, and stays so while the new position is not the project's."""

import random

import pytest
from witnesspost.rules.book.antenna_mismatch import AntennaMismatch
from witnesspost.rules.book.base_datum import BaseDatum
from witnesspost.rules.book.base_moved import BaseMoved
from witnesspost.rules.book.link_overload import LinkOverload
from witnesspost.rules.book.words import words
from witnesspost.rules.datum.geodesy import expected_arp, from_enu
from witnesspost.rules.facts import Antenna

KESTREL = {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.322}
TABLES = {
    "project": {"frame": "EPSG:6319", "vertical": "ellipsoidal", "control": [KESTREL]},
    "base": {"occupies": "KQ-1", "station_id": 417, "antenna_height_m": 1.843},
}
NEIGHBOUR = {"east": 2600.0, "north": 1900.0, "antenna_height_m": 1.5}
NO_PROJECT = {"base": {"station_id": 417}}


@pytest.fixture
def make(day):
    """Benches of the rule, and a maker of stations off the project's ARP by east, north, up."""

    def make(**tables):
        made = day.bench(BaseMoved, role="base", **tables)
        arp = expected_arp(day.site(**TABLES)).ecef

        def station(t, east=0.0, north=0.0, up=0.0, **other):
            x, y, z = (round(part, 4) for part in from_enu(arp, (east, north, up)))
            return day.station(t, **{"x_m": x, "y_m": y, "z_m": z, **other})

        return made, station

    return make


def test_a_still_base_is_quiet(make, day):
    bench, station = make(**TABLES)
    facts = [station(t, east=0.004 * (t % 20 > 10)) for t in day.every(10.0, 1.0, 100.0)]
    assert bench.play(facts, 120.0) == []


def test_a_change_that_is_right_is_news_for_half_a_minute(make, day):
    bench, station = make(**TABLES)
    changes = bench.play([station(1.0, up=16.0), station(11.0), station(21.0)], 60.0)
    assert day.said(changes) == [
        (11.2, "raised", "base-moved", "coordinate-changed"),
        (44.0, "normal", "base-moved", "coordinate-changed"),
    ]
    assert changes[0].evidence["up_m"] == pytest.approx(-16.0, abs=1e-3)
    assert words(changes[0]).say == "The base's position changed: it is now 16.0 m low compared with before."


def test_a_change_that_is_wrong_stands_until_it_is_right(make, day):
    bench, station = make(**TABLES)
    facts = [station(1.0), *(station(t, east=2.0) for t in day.every(10.0, 11.0, 300.0)), station(301.0)]
    changes = bench.play(facts, 320.0)
    assert day.said(changes) == [
        (11.2, "raised", "base-moved", "coordinate-changed"),
        (304.2, "normal", "base-moved", "coordinate-changed"),
    ]


@pytest.mark.parametrize(("off_m", "stands"), [(0.025, False), (0.04, True)])
def test_a_change_is_right_within_three_centimetres(make, day, off_m, stands):
    bench, station = make(**TABLES)
    changes = bench.play([station(1.0, up=16.0), *(station(t, up=off_m) for t in day.every(10.0, 11.0, 90.0))], 90.0)
    assert [change.change for change in changes] == (["raised"] if stands else ["raised", "normal"])


def test_without_a_project_a_change_is_news_for_half_a_minute(make, day):
    bench, station = make(**NO_PROJECT)
    changes = bench.play([station(1.0), *(station(t, north=0.5) for t in day.every(10.0, 11.0, 100.0))], 100.0)
    assert [(change.change, change.cause) for change in changes] == [
        ("raised", "coordinate-changed"),
        ("normal", "coordinate-changed"),
    ]


@pytest.mark.parametrize(("moved_m", "raised"), [(0.009, False), (0.011, True)])
def test_the_limit_is_a_centimetre(make, moved_m, raised):
    bench, station = make(**TABLES)
    assert bool(bench.play([station(1.0), station(2.0, north=moved_m)], 3.0)) is raised


def test_creeping_by_less_than_the_limit_each_time_is_found_by_the_datum_not_here(make):
    bench, station = make(**NO_PROJECT)
    assert bench.play([station(float(t), north=0.008 * t) for t in range(1, 20)], 30.0) == []


@pytest.mark.parametrize(
    ("before_m", "after_m", "east", "up", "first"),
    [
        (1.843, 2.043, 0.0, 0.2, "antenna-height-changed"),  # 1006 says so
        (1.843, 1.843, 0.0, 0.2, "coordinate-changed"),  # 1006 says it is not the antenna height
        (None, None, 0.0, 0.2, "coordinate-changed"),  # 1005: it may be either
        (1.843, 2.043, 0.3, 0.2, "coordinate-changed"),  # moved sideways as well
    ],
)
def test_causes(make, before_m, after_m, east, up, first):
    bench, station = make(**TABLES)
    facts = [station(1.0, antenna_height_m=before_m), station(2.0, east=east, up=up, antenna_height_m=after_m)]
    (raised,) = bench.play(facts, 3.0)
    assert raised.cause == first
    if before_m is None:
        assert [cause.cause for cause in raised.causes] == ["coordinate-changed", "antenna-height-changed"]


def test_a_foreign_stations_position_is_not_judged(make):
    bench, station = make(**TABLES)
    assert bench.play([station(1.0), station(2.0, east=5000.0, station_id=99), station(3.0)], 5.0) == []


def test_a_new_sender_on_the_line_where_the_site_names_none(make, day):
    bench, _ = make(base={})
    facts = [
        *(day.epoch(t) for t in day.every(1.0, 1.0, 20.0)),
        *(day.epoch(t, station_id=99) for t in day.every(1.0, 20.0, 70.0)),
    ]
    changes = bench.play(facts, 70.0)
    assert day.said(changes) == [
        (23.2, "raised", "base-moved", "station-changed"),  # the old one has been silent for three seconds
        (56.0, "normal", "base-moved", "station-changed"),
    ]
    assert (changes[0].evidence["station_id_before"], changes[0].evidence["station_id"]) == (417, 99)


def test_two_bases_that_take_turns_are_no_move(make, day):
    bench, _ = make(base={})
    facts = [day.epoch(t, station_id=417 if int(t) % 2 else 99) for t in day.every(1.0, 1.0, 100.0)]
    assert bench.play(facts, 100.0) == []


def test_a_new_sender_is_the_channels_matter_where_the_site_names_its_own(make, day):
    bench, _ = make(**TABLES)
    facts = [day.epoch(1.0), day.epoch(2.0, station_id=99)]
    assert bench.play(facts, 5.0) == []


def test_a_broken_datum_does_not_stop_the_rule(make, day):
    broken = {**TABLES, "project": {**TABLES["project"], "frame": "EPSG:5703"}}
    bench, station = make(**broken)
    changes = bench.play([station(1.0), station(2.0, east=1.0)], 3.0)
    assert [change.rule for change in changes] == ["base-moved"]


class TestANewSetUp:
    """A 1006 with another antenna height over the project's own mark: after a pause it is the day's, without one it is news."""

    def facts(self, day, station, pause_s):
        before = [day.epoch(t) for t in day.every(1.0, 1.0, 60.0)]
        after = [day.epoch(t) for t in day.every(1.0, 60.0 + pause_s, 120.0 + pause_s)]
        return [*before, station(10.0), *after, station(61.0 + pause_s, up=-0.131, antenna_height_m=1.712)]

    @pytest.mark.parametrize("pause_s", [40.0, 3600.0])
    def test_after_a_pause_it_is_no_move(self, make, day, pause_s):
        bench, station = make(**TABLES)
        assert bench.play(self.facts(day, station, pause_s), 200.0 + pause_s) == []

    def test_without_a_pause_the_height_was_changed(self, make, day):
        bench, station = make(**TABLES)
        raised, _normal = bench.play(self.facts(day, station, 0.0), 120.0)
        assert (raised.change, raised.cause, raised.t) == ("raised", "antenna-height-changed", pytest.approx(61.2))

    @pytest.mark.parametrize(("pause_s", "said"), [(28.0, ["antenna-height-changed"]), (32.0, [])])
    def test_a_pause_is_over_half_a_minute(self, make, day, pause_s, said):
        bench, station = make(**TABLES)
        changes = bench.play(self.facts(day, station, pause_s), 120.0)
        assert [change.cause for change in changes if change.change == "raised"] == said

    @pytest.mark.parametrize(("after_s", "said"), [(290.0, []), (310.0, ["antenna-height-changed"])])
    def test_the_new_height_is_said_within_five_minutes(self, make, day, after_s, said):
        bench, station = make(**TABLES)
        *facts, _ = self.facts(day, station, 40.0)
        facts += [day.epoch(t) for t in day.every(1.0, 160.0, 430.0)]
        changes = bench.play([*facts, station(100.0 + after_s, up=-0.131, antenna_height_m=1.712)], 430.0)
        assert [change.cause for change in changes if change.change == "raised"] == said

    def test_a_wrong_mark_after_a_pause_is_a_move(self, make, day):
        bench, station = make(**TABLES)
        facts = self.facts(day, station, 40.0)
        facts[-1] = station(101.0, up=-0.3, antenna_height_m=1.712)
        assert [c.cause for c in bench.play(facts, 110.0)] == ["coordinate-changed"]


class TestPositionsAlone:
    """A rover whose post hears no corrections: a leap that nobody can have walked."""

    ALONE = {"stream": [{"name": "receiver", "port": "/dev/ttyUSB1", "carries": ["positions"]}]}  # noqa: RUF012

    def play(self, day, where, until=60.0, interval_s=1.0, quality=lambda t: 4, **tables):
        draw = random.Random(1)
        bench = day.bench(BaseMoved, **{**TABLES, **self.ALONE, **tables})
        facts = []
        for t in day.every(interval_s, 1.0, until):
            east, north, up = (part + draw.gauss(0, size) for part, size in zip(where(t), (0.006, 0.006, 0.012), strict=True))
            latitude = 39.1234567 + north / 111_132.0
            longitude = -104.9876543 + east / 86_380.0
            fix = day.fix(t, latitude=latitude, longitude=longitude, height_m=1874.3 + up, quality=quality(t))
            facts.append(fix)
        return bench.play(facts, until)

    @pytest.mark.parametrize("interval_s", [0.1, 1.0])
    @pytest.mark.parametrize("step", [(12.3, -10.1, 1.4), (0.2, 0.25, -0.05), (0.0, 0.0, 0.5)])
    def test_a_step_while_it_stands(self, day, interval_s, step):
        changes = self.play(day, lambda t: step if t >= 30 else (0.0, 0.0, 0.0), interval_s=interval_s)
        assert [(c.change, c.cause) for c in changes] == [("raised", "position-jumped")]
        assert 30.0 < changes[0].t < 36.0
        assert (changes[0].evidence["east_m"], changes[0].evidence["up_m"]) == pytest.approx((step[0], step[2]), abs=0.06)

    def test_faster_than_it_can_move(self, day):
        changes = self.play(day, lambda t: (1.4 * t + (300.0 if t >= 30 else 0.0), 0.0, 0.0))
        assert [c.cause for c in changes] == ["position-jumped"]

    @pytest.mark.parametrize("step", [(0.1, 0.1, 0.0), (0.0, 0.0, 0.12)])
    def test_a_small_step_is_none(self, day, step):
        assert self.play(day, lambda t: step if t >= 30 else (0.0, 0.0, 0.0)) == []

    def test_a_pole_that_is_carried_to_the_next_point_and_plumbed(self, day):
        def where(t):
            if t < 30:
                return 0.0, 0.0, 0.0
            if t < 31:  # lifted and set down within one position
                return 0.9, 0.3, 0.15
            wobble = max(0.0, 34.0 - t) * 0.06  # the bubble comes in
            return 1.2 + wobble, 0.4, 0.02

        assert self.play(day, where) == []

    def test_a_vehicle_that_starts_drives_and_stops(self, day):
        def where(t):
            speed, up = 15.0, 0.0
            if t < 20:
                return 0.0, 0.0, up
            driven = min(t - 20.0, 20.0)
            rising = min(driven, 5.0)
            return speed * (rising * rising / 10.0 + max(0.0, driven - 5.0)), 0.0, up

        assert self.play(day, where) == []

    def test_one_position_astray_is_no_leap(self, day):
        assert self.play(day, lambda t: (16.0, 0.0, 0.0) if t == 30.0 else (0.0, 0.0, 0.0)) == []

    def test_with_a_loss_of_fix_between_it_may_be_the_fix(self, day):
        step = lambda t: (3.0, 0.0, 0.0) if t >= 30 else (0.0, 0.0, 0.0)  # noqa: E731
        assert self.play(day, step, quality=lambda t: 5 if 28 <= t < 32 else 4) == []

    def test_where_corrections_are_heard_the_station_says_it(self, day):
        step = lambda t: (3.0, 0.0, 0.0) if t >= 30 else (0.0, 0.0, 0.0)  # noqa: E731
        both = [*self.ALONE["stream"], {"name": "corrections", "port": "/dev/ttyUSB0", "carries": ["corrections"]}]
        assert self.play(day, step, stream=both) == []


@pytest.mark.parametrize("kind", ["network", "moving"])
def test_a_service_and_a_moving_base_move_as_they_like(make, kind):
    bench, station = make(base={"kind": kind})
    assert bench.play([station(1.0), station(2.0, east=900.0), station(3.0, station_id=12, north=400.0)], 5.0) == []


class TestTwoBasesWithOneNumber:
    """Makers give all receivers the same number. Ours says its position every 10 s, a neighbour's 3.2 km off between."""

    def facts(self, station, until=200.0, **neighbour):
        ours = [station(float(t)) for t in range(1, int(until), 10)]
        return [*ours, *(station(t + 4.0, **NEIGHBOUR | neighbour) for t in range(101, int(until), 10))]

    def test_are_two_senders_and_no_move(self, make, day):
        bench, station = make(**TABLES)
        changes = bench.play(self.facts(station), 200.0)
        assert day.said(changes) == [(105.2, "raised", "base-moved", "same-number")]
        assert words(changes[0]).say == (
            "Station 417 now says a position 3.22 km off and another antenna height: "
            "that may be another base with our number, or ours, set up elsewhere."
        )
        (alert,) = bench.engine.open_alerts()
        said = words(alert.sentence)
        assert said.say == "Two bases with station number 417 are heard in turns, 3.22 km apart."
        assert "station number of its own" in said.steps[1]

    def test_without_an_antenna_height_they_are_known_when_ours_comes_in_its_turn(self, make, day):
        bench, station = make(**TABLES)
        changes = bench.play(self.facts(station, antenna_height_m=1.843), 200.0)
        assert day.said(changes) == [
            (105.2, "raised", "base-moved", "coordinate-changed"),
            (114.2, "cause", "base-moved", "same-number"),
        ]

    def test_are_one_incident(self, day):
        tables = {**TABLES, "base": {**TABLES["base"], "antenna": "KESTREL-A NONE"}}
        bench = day.bench(BaseMoved, BaseDatum, AntennaMismatch, LinkOverload, role="rover", **tables)
        arp = expected_arp(bench.site).ecef

        def station(t, east=0.0, north=0.0, **other):
            x, y, z = (round(part, 4) for part in from_enu(arp, (east, north, 0.0)))
            return day.station(t, **{"x_m": x, "y_m": y, "z_m": z, **other})

        neighbours = [Antenna(t=t + 4.1, stream="corrections", station_id=417, message=1008, descriptor="OTHER NONE")
                      for t in range(101, 400, 10)]  # fmt: skip
        changes = bench.play([*self.facts(station, 400.0), *neighbours], 400.0)
        assert [c.rule for c in changes if c.change == "raised" and c.because_of is None] == ["base-moved"]
        assert bench.scene.proven_right()

    def test_once_one_is_gone_it_is_over(self, make, day):
        bench, station = make(**TABLES)
        facts = [*self.facts(station), *(station(float(t)) for t in range(201, 400, 10))]
        changes = bench.play(facts, 400.0)
        assert [(kind, cause) for _, kind, _, cause in day.said(changes)] == [
            ("raised", "same-number"),
            ("normal", "same-number"),
        ]

    def test_a_coordinate_that_is_typed_wrongly_and_put_right_is_one_base(self, make, day):
        bench, station = make(**TABLES)
        facts = [station(1.0), station(11.0), station(21.0, east=2600.0), station(31.0, east=2600.0), station(41.0)]
        assert "same-number" not in [cause for _, _, _, cause in day.said(bench.play(facts, 100.0))]

    def test_a_base_that_is_carried_elsewhere_is_one_base(self, make, day):
        """Off while it is carried, on with another height: it may be ours, and says so within five minutes."""
        bench, station = make(**TABLES)
        facts = [station(1.0), day.epoch(1.2), day.epoch(200.0), station(201.0, **NEIGHBOUR)]
        assert [cause for _, _, _, cause in day.said(bench.play(facts, 210.0))] == ["coordinate-changed"]
