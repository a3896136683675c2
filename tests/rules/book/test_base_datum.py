"""base-datum on a stepped clock: raised with the first message, silent where it must be, and never an exception."""

import datetime as dt

import pytest
import witnesspost.rules.datum.verdict
from hypothesis import given, settings
from hypothesis import strategies as st
from witnesspost.rules.book.base_datum import BaseDatum
from witnesspost.rules.book.words import words
from witnesspost.rules.datum.geodesy import expected_arp, from_enu, point_at
from witnesspost.rules.site.reading import site_from_table

from tests.proof.datum_table import PLACES, bench, feed, site_table

KESTREL = {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.322}
SECOND = {"name": "KQ-2", "latitude": 39.1255567, "longitude": -104.9851543, "height": 1881.976}
PROJECT = {"frame": "EPSG:6319", "epoch": 2010.0, "vertical": "geoid", "geoid": "bundled", "control": [KESTREL, SECOND]}
BASE = {"occupies": "KQ-1", "station_id": 417, "antenna_height_m": 1.843}
TABLES = {"project": PROJECT, "base": BASE}
POSITIONS_ONLY = {**TABLES, "stream": [{"name": "receiver", "port": "/dev/ttyUSB1", "carries": ["positions"]}]}


@pytest.fixture
def kestrel(day):
    """(bench, maker of the project's station off by east, north, up)."""
    made = day.bench(BaseDatum, role="base", **TABLES)
    arp = expected_arp(made.site)

    def station(t, east=0.0, north=0.0, up=0.0, **other):
        x, y, z = (round(part, 4) for part in from_enu(arp.ecef, (east, north, up)))
        return day.station(t, **{"x_m": x, "y_m": y, "z_m": z, **other})

    return made, station


def test_a_right_base_is_quiet(kestrel, day):
    bench, station = kestrel
    assert bench.play([station(t) for t in day.every(10.0, 1.0, 60.0)], 60.0) == []


def test_raised_with_the_first_message_and_normal_when_it_is_mended(kestrel, day):
    bench, station = kestrel
    n = expected_arp(bench.site).separation_m
    facts = [day.utc(0.4), station(10.0, up=-n), station(20.0, up=-n), station(30.0)]
    changes = bench.play(facts, 40.0)
    assert day.said(changes) == [
        (10.2, "raised", "base-datum", "orthometric-as-ellipsoidal"),
        (33.2, "normal", "base-datum", "orthometric-as-ellipsoidal"),
    ]
    raised = changes[0]
    assert raised.severity == "stop"
    assert raised.sounds
    assert words(raised).say == (
        f"The base's position is {-n:.1f} m high. That is the geoid separation here (−{-n:.2f} m): the orthometric height of "
        "KQ-1 was probably typed where the base asks for the ellipsoidal one. "
        f"(Heights only to {raised.evidence['geoid_error_m']:.2f} m here: that is the bundled geoid's error.)"
    )
    assert words(raised).steps[0] == "Stop: store no points."
    assert "Correct the base, then check in on KQ-2." in words(raised).steps
    assert "Points taken so far: keep them, the office can repair them by one vector." in words(raised).steps


def test_evidence_is_numbers_with_the_best_three(kestrel, day):
    bench, station = kestrel
    (raised,) = bench.play([day.utc(0.4), station(10.0, up=-1.843)], 11.0)
    evidence = raised.evidence
    assert evidence["up_m"] == pytest.approx(-1.843, abs=2e-4)
    assert abs(evidence["east_m"]) < 2e-4
    assert evidence["cause_1"] == "antenna-height-missing"
    assert evidence["predicted_1_up_m"] == -1.843
    assert [key in evidence for key in ("cause_2", "residual_2_m", "cause_3", "residual_3_m", "cause_4")] == [True] * 4 + [
        False
    ]
    assert evidence["residual_1_m"] <= evidence["residual_2_m"] <= evidence["residual_3_m"]
    assert all(value is None or isinstance(value, (int, float, str)) for value in evidence.values())
    assert all(not isinstance(value, float) or value == value for value in evidence.values())


@pytest.mark.parametrize(
    ("east", "up", "raised"),
    [(0.049, 0.0, False), (0.051, 0.0, True), (0.0, 0.049, False), (0.0, 0.051, True)],
)
def test_tolerances_with_ellipsoidal_heights(day, east, up, raised):
    made = day.bench(BaseDatum, role="base", project={**PROJECT, "vertical": "ellipsoidal"}, base=BASE)
    arp = expected_arp(made.site)
    x, y, z = from_enu(arp.ecef, (east, 0.0, up))
    assert bool(made.play([day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0)) is raised


@pytest.mark.parametrize(("over_m", "raised"), [(-0.01, False), (0.01, True)])
def test_the_bundled_grid_widens_the_vertical_tolerance_by_its_error(kestrel, day, over_m, raised):
    bench, station = kestrel
    error = expected_arp(bench.site).height_error_m
    assert error > 0.05
    changes = bench.play([station(1.0, up=0.05 + error + over_m)], 2.0)
    assert bool(changes) is raised
    if raised:
        assert changes[0].evidence["geoid_error_m"] == error
        assert changes[0].evidence["tolerance_vertical_m"] == pytest.approx(0.05 + error)
        assert "bundled geoid's error" in words(changes[0]).say


def test_the_bundled_grids_error_is_no_second_cause(kestrel):
    """The base used the full model: where the bundled one is 15 cm out, a missing antenna height is still just that."""
    bench, station = kestrel
    (raised,) = bench.play([station(1.0, up=-1.843 + 0.15)], 2.0)
    assert raised.cause == "antenna-height-missing"


def test_figures_are_the_sites(day):
    made = day.bench(BaseDatum, role="base", rules={"base-datum": {"horizontal_m": 2.0}}, **TABLES)
    x, y, z = from_enu(expected_arp(made.site).ecef, (1.5, 0.0, 0.0))
    assert made.play([day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0) == []


def test_a_foreign_station_is_never_judged(kestrel, day):
    bench, station = kestrel
    assert bench.play([station(t, up=16.0, station_id=99) for t in (1.0, 2.0)], 5.0) == []


def test_any_station_is_ours_where_the_site_names_none(day):
    made = day.bench(BaseDatum, role="base", project=PROJECT, base={**BASE, "station_id": None})
    x, y, z = from_enu(expected_arp(made.site).ecef, (0.0, 0.0, 16.0))
    assert len(made.play([day.station(1.0, station_id=99, x_m=x, y_m=y, z_m=z)], 2.0)) == 1


@pytest.mark.parametrize("tables", [{}, {"project": PROJECT}, {"project": {**PROJECT, "control": []}}])
def test_silent_without_a_project_or_a_point_that_the_base_occupies(day, tables):
    made = day.bench(BaseDatum, role="base", **tables)
    assert made.play([day.station(1.0), day.station(2.0, x_m=0.0, y_m=0.0, z_m=0.0)], 3.0) == []


@pytest.mark.parametrize(
    ("at", "said"),
    [
        ((0.0, 0.0, 0.0), "The base broadcasts no position: all zeros."),
        ((1.0, 2.0, 3.0), "The base broadcasts a position inside the earth."),
        ((0.0, 0.0, 6_000_000.0), "The base broadcasts a position inside the earth."),
        ((-1.0e6, -4.0e6, 3.0e6), "The base broadcasts a position inside the earth."),
        ((13_743_895.3471, 13_743_895.3471, 13_743_895.3471), "The base's position is"),  # the wire's largest numbers
        ((-13_743_895.3472, 0.0, 0.0), "The base's position is"),
    ],
)
def test_impossible_positions_are_alerts(kestrel, day, at, said):
    bench, _ = kestrel
    x, y, z = at
    (raised,) = bench.play([day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0)
    assert (raised.rule, raised.cause) == ("base-datum", "unexplained")
    assert words(raised).say.startswith(said)


_WIRE = st.integers(-(2**37), 2**37 - 1).map(lambda raw: raw / 10_000)  # DF025 to DF027: 38 bits of 0.1 mm


@settings(max_examples=60, deadline=None)
@given(x=_WIRE, y=_WIRE, z=_WIRE)
def test_whatever_the_wire_can_say_is_judged(x, y, z):
    from witnesspost.rules.facts import Station

    rule, scene = bench(BaseDatum, site_from_table(site_table(PLACES[0])))
    feed(rule, scene, Station(t=1.0, stream="line", station_id=417, message=1005, x_m=x, y_m=y, z_m=z,
                              antenna_height_m=None, itrf_year=0))  # fmt: skip
    (finding,) = rule.judge(1.0)
    assert finding.causes
    assert finding.causes[0].cause in {*BaseDatum.causes} or "+" in finding.causes[0].cause


def test_judged_once_a_coordinate_and_once_a_day(kestrel, day, monkeypatch):
    bench, station = kestrel
    judged = []
    explain = witnesspost.rules.datum.verdict.explain
    monkeypatch.setattr(witnesspost.rules.datum.verdict, "explain", lambda *a, **k: judged.append(a) or explain(*a, **k))
    facts = [day.utc(0.4), *(station(t, up=16.0) for t in day.every(5.0, 1.0, 100.0))]
    bench.play(facts, 100.0)
    assert len(judged) == 1
    bench.play([day.utc(101.0, utc=dt.datetime(2026, 5, 13, 9, tzinfo=dt.UTC)), station(102.0, up=16.0)], 103.0)
    assert len(judged) == 2
    bench.play([station(104.0, up=17.0)], 105.0)
    assert len(judged) == 3


def test_the_days_epoch_is_the_receivers(kestrel, day):
    """Today's frame of 2026 against one of 2040: 14 years of plate motion apart."""
    from witnesspost.rules.datum.frames import frame_of, frame_shifts

    bench, _ = kestrel
    arp = expected_arp(bench.site)
    shifts = frame_shifts(frame_of("EPSG:6319"), 2010.0, arp.place, 2040.0)
    x, y, z = next(shift.at for shift in shifts if shift.name == "ITRF2014 at 2040.0")
    far_day = day.utc(0.4, utc=dt.datetime(2040, 1, 1, 0, 0, 1, tzinfo=dt.UTC))
    (raised,) = bench.play([far_day, day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0)
    assert raised.cause == "frame-shift"
    assert raised.causes[0].residual_m < 0.01
    assert "ITRF2014 at 2040.0" in words(raised).say


def test_a_long_control_list_hides_nothing(day):
    """400 points on a 50 m grid: the one that was picked is found, alone and with another blunder."""
    control = [
        {
            "name": f"P{n}",
            "latitude": 39.1 + n // 20 * 0.00045,
            "longitude": -105.0 + n % 20 * 0.00058,
            "height": 1850.0 + n / 7,
        }
        for n in range(400)
    ]
    project = {**PROJECT, "control": control}
    base = {**BASE, "occupies": "P0"}
    for antenna_m, cause in ((1.843, "other-control-point"), (0.0, "antenna-height-missing+other-control-point")):
        made = day.bench(BaseDatum, role="base", project=project, base=base)
        x, y, z = point_at(made.site, "P217", antenna_m).ecef
        (raised,) = made.play([day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0)
        assert raised.cause == cause
        assert "P217" in words(raised).say


@pytest.mark.parametrize("year", [1980, 2007])
def test_a_cold_receivers_date_is_no_date(kestrel, day, year):
    """1980 is a cold start, 2007 a week count that rolled over: today's frame is still found."""
    from witnesspost.rules.datum.frames import frame_of, frame_shifts

    bench, _ = kestrel
    shifts = frame_shifts(frame_of("EPSG:6319"), 2010.0, expected_arp(bench.site).place, 2026.4)
    x, y, z = next(shift.at for shift in shifts if shift.name == "ITRF2014 at 2026.4")
    cold = day.utc(0.4, utc=dt.datetime(year, 1, 6, tzinfo=dt.UTC))
    (raised,) = bench.play([cold, day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0)
    assert raised.cause == "frame-shift"
    assert raised.causes[0].residual_m < 0.03


def test_a_rover_is_told_as_well(day):
    made = day.bench(BaseDatum, role="rover", **TABLES)
    x, y, z = from_enu(expected_arp(made.site).ecef, (0.0, 0.0, -1.843))
    (raised,) = made.play([day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0)
    assert raised.cause == "antenna-height-missing"


class TestJump:
    """The rover's own autonomous position against its first fix, where no station position is heard."""

    def walk(self, day, bust_m=0.0, qualities=(1, 1, 1, 5, 5, 4, 4), gap=None, speed=1.4e-5, h=1860.0):
        facts, t = [], 1.0
        for index, quality in enumerate(qualities):
            up = 3.0 if quality == 1 else bust_m
            facts.append(
                day.fix(t, quality=quality, latitude=39.12 + speed * index, height_m=h + up + 16.0, separation_m=-16.0)
            )
            t += 60.0 if gap == index else 1.0
        return facts

    def test_a_missing_geoid_is_found(self, day):
        made = day.bench(BaseDatum, **POSITIONS_ONLY)
        (raised,) = made.play(self.walk(day, bust_m=16.0), 10.0)
        assert (raised.t, raised.cause) == (6.2, "orthometric-as-ellipsoidal")
        assert words(raised).say.startswith("With its fix the position jumped: 13.0 m high")

    def test_the_receivers_own_error_is_no_bust(self, day):
        made = day.bench(BaseDatum, **POSITIONS_ONLY)
        assert made.play(self.walk(day), 10.0) == []

    def test_walking_is_no_jump(self, day):
        made = day.bench(BaseDatum, **POSITIONS_ONLY)
        assert made.play(self.walk(day, qualities=(1,) * 20 + (5,) * 20 + (4,) * 5, speed=1.4e-5), 60.0) == []

    def test_a_gap_between_qualities_measures_nothing(self, day):
        made = day.bench(BaseDatum, **POSITIONS_ONLY)
        assert made.play(self.walk(day, bust_m=16.0, gap=2), 100.0) == []

    def test_float_and_fixed_again_measures_nothing_new(self, day):
        made = day.bench(BaseDatum, **POSITIONS_ONLY)
        facts = self.walk(day, bust_m=16.0, qualities=(1, 5, 4, 5, 4, 5, 4))
        assert [change.change for change in made.play(facts, 10.0)] == ["raised"]

    def test_a_mended_base_ends_it(self, day):
        made = day.bench(BaseDatum, **POSITIONS_ONLY)
        made.play(self.walk(day, bust_m=16.0), 10.0)
        later = [day.fix(20.0 + f.t, quality=f.quality, latitude=f.latitude, height_m=f.height_m, separation_m=-16.0)
                 for f in self.walk(day)]  # fmt: skip
        assert [change.change for change in made.play(later, 40.0)] == ["normal"]

    def test_the_station_position_is_better_evidence(self, day):
        made = day.bench(BaseDatum, **POSITIONS_ONLY)
        x, y, z = expected_arp(made.site).ecef
        facts = [day.station(0.5, x_m=x, y_m=y, z_m=z), *self.walk(day, bust_m=16.0)]
        assert made.play(facts, 10.0) == []

    def test_where_corrections_come_in_their_station_is_waited_for(self, day):
        made = day.bench(BaseDatum, **TABLES)
        (raised,) = made.play(self.walk(day, bust_m=16.0), 80.0)
        assert raised.t == pytest.approx(66.0, abs=0.21)
        x, y, z = expected_arp(made.site).ecef
        heard = day.bench(BaseDatum, **TABLES)
        assert heard.play([*self.walk(day, bust_m=16.0), day.station(30.0, x_m=x, y_m=y, z_m=z)], 80.0) == []

    def test_at_the_base_there_is_no_jump(self, day):
        made = day.bench(BaseDatum, role="base", **POSITIONS_ONLY)
        assert made.play(self.walk(day, bust_m=16.0), 10.0) == []
