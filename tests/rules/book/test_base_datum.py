"""base-datum on a stepped clock: raised with the first message, silent where it must be, and never an exception."""

import datetime as dt

import pytest
import witnesspost.rules.datum.verdict
from hypothesis import given, settings
from hypothesis import strategies as st
from witnesspost.rules.book.antenna_mismatch import AntennaMismatch
from witnesspost.rules.book.base_datum import BaseDatum
from witnesspost.rules.book.base_moved import BaseMoved
from witnesspost.rules.book.words import words
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import enu, expected_arp, from_enu, point_at, to_geodetic
from witnesspost.rules.facts import Planned
from witnesspost.rules.site.reading import site_from_table

from tests.proof.datum_table import PLACES, bench, feed, geoid_file, site_table

KESTREL = {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.322}
SECOND = {"name": "KQ-2", "latitude": 39.1255567, "longitude": -104.9851543, "height": 1881.976}
BUNDLED = {"frame": "EPSG:6319", "epoch": 2010.0, "vertical": "geoid", "geoid": "bundled", "control": [KESTREL, SECOND]}
PROJECT = {**BUNDLED, "geoid": geoid_file(PLACES[0])}
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
    say, steps = words(raised)
    assert say == (
        f"Compared with the site file, the base's position is {-n:.1f} m high. That is the geoid separation here "
        f"(−{-n:.2f} m): the height above the geoid of KQ-1, typed where the base asks for the ellipsoidal one."
    )
    assert steps == [
        "Tell the crew: store no points until this is over.",
        "The base or the site file may be wrong: compare them with the control sheet on paper.",
        "Which height does the base's screen ask for? Type that kind, or switch its geoid on.",
        "Before you correct it: note the time and the old coordinate.",
        "Correct the one that is wrong, and let a rover check in on KQ-2.",
        # 1.2e5 m² over 17.2 m: past it a point moves by over 5 mm in a way that no vector mends.
        "Points from this base coordinate: keep them; if the base was wrong, the office can repair those within 6.97 km "
        "of it by one vector. Farther out the baselines must be computed again.",
    ]


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
    assert evidence["residual_1_m"] < 3e-4
    assert evidence["residual_2_m"] <= evidence["residual_3_m"]
    assert (evidence["sure"], evidence["fits_1"], evidence["fits_2"]) == (True, True, False)
    assert all(value is None or isinstance(value, (int, float, str)) for value in evidence.values())
    assert all(not isinstance(value, float) or value == value for value in evidence.values())


@pytest.mark.parametrize(
    ("east", "up", "raised"),
    [(0.029, 0.0, False), (0.031, 0.0, True), (0.0, 0.029, False), (0.0, 0.031, True)],
)
def test_tolerances_with_ellipsoidal_heights(day, east, up, raised):
    made = day.bench(BaseDatum, role="base", project={**PROJECT, "vertical": "ellipsoidal"}, base=BASE)
    arp = expected_arp(made.site)
    x, y, z = from_enu(arp.ecef, Enu(east, 0.0, up))
    assert bool(made.play([day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0)) is raised


class TestOverTheBundledGeoid:
    """EGM96 is no national height system: what is under 3 m there is a note, whatever it looks like."""

    def station(self, day, up, east=0.0):
        made = day.bench(BaseDatum, role="base", project=BUNDLED, base=BASE)
        x, y, z = from_enu(expected_arp(made.site).ecef, Enu(east, 0.0, up))
        return made, day.station(1.0, x_m=x, y_m=y, z_m=z)

    def test_within_the_grids_stated_error_nothing_is_said(self, day):
        error = expected_arp(day.site(role="base", project=BUNDLED, base=BASE)).height_error_m
        assert error > 0.05
        made, said = self.station(day, 0.03 + error - 0.01)
        assert made.play([said], 2.0) == []

    @pytest.mark.parametrize("up", [0.6, -0.7, 2.95, -1.2])
    def test_a_national_geoid_is_a_note(self, day, up):
        made, said = self.station(day, up)
        (raised,) = made.play([said], 2.0)
        assert (raised.cause, raised.severity) == ("height-not-judged", "note")
        assert [cause.cause for cause in raised.causes] == ["height-not-judged"]
        assert "cannot be judged better than a metre or two" in words(raised).say

    @pytest.mark.parametrize(("up", "named"), [(-1.843 + 0.019, "antenna-height-missing"), (1.825, "antenna-height-doubled")])
    def test_an_antenna_height_is_named_in_it(self, day, up, named):
        made, said = self.station(day, up)
        (raised,) = made.play([said], 2.0)
        assert [cause.cause for cause in raised.causes] == ["height-not-judged", named]
        assert raised.severity == "note"
        assert "This one looks like an antenna height" in words(raised).say

    def test_three_metres_and_a_wrong_plan_are_judged(self, day):
        for up, east in ((6.66, 0.0), (0.6, 0.05)):
            made, said = self.station(day, up, east)
            (raised,) = made.play([said], 2.0)
            assert (raised.cause, raised.severity) == ("unexplained", "stop")

    def test_a_missing_separation_is_sure_whatever_the_geoid_is_worth(self, day):
        """H typed for h leaves N out, and it is the project's own N that is missing."""
        made, said = self.station(day, -expected_arp(day.site(role="base", project=BUNDLED, base=BASE)).separation_m)
        (raised,) = made.play([said], 2.0)
        assert (raised.cause, raised.evidence["sure"]) == ("orthometric-as-ellipsoidal", True)


class TestTheDaysAntennaHeight:
    """Where a 1006 says the antenna height, the mark under it is judged."""

    def play(self, day, arp_over_mark_m, said_m):
        made = day.bench(BaseDatum, role="base", **TABLES)
        x, y, z = point_at(made.site, "KQ-1", arp_over_mark_m).ecef
        return made.play([day.station(1.0, x_m=x, y_m=y, z_m=z, antenna_height_m=said_m)], 2.0)

    @pytest.mark.parametrize("height_m", [1.843, 1.712, 0.35])
    def test_a_new_height_over_the_right_mark_is_right(self, day, height_m):
        assert self.play(day, height_m, height_m) == []

    def test_a_height_of_zero_or_none_leaves_the_plans(self, day):
        assert self.play(day, 1.843, 0.0) == []
        assert self.play(day, 1.843, None) == []
        assert len(self.play(day, 1.712, None)) == 1

    def test_left_out_of_the_position_it_is_the_days_height_that_is_missing(self, day):
        (raised,) = self.play(day, 0.0, 1.712)
        assert raised.cause == "antenna-height-missing"
        assert "1.712 m" in words(raised).say


def test_the_office_repairs_by_one_vector_only_while_that_is_true(day):
    """|e|·b ≤ 1.2e5 m²: 17.2 m of N are good for 6.97 km, 4,275 m of feet for 28 m."""
    made = day.bench(BaseDatum, **TABLES)
    arp = expected_arp(made.site)
    keep, again = "the office can repair them by one vector", "compute the baselines again"
    in_feet = 1874.322 / 0.3048 - 1874.322
    for up, rover_m, said in ((17.213, 900.0, keep), (17.213, 9000.0, again), (in_feet, 1000.0, again)):
        made = day.bench(BaseDatum, **TABLES)
        x, y, z = from_enu(arp.ecef, Enu(0.0, 0.0, up))
        rover = day.fix(0.5, latitude=arp.latitude + rover_m / 111_000, longitude=arp.longitude, height_m=arp.mark_height_m)
        (raised,) = made.play([rover, day.station(1.0, x_m=x, y_m=y, z_m=z)], 2.0)
        assert said in words(raised).steps[-1]


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
    ("ecef", "said"),
    [
        ((0.0, 0.0, 0.0), "The base broadcasts no position: all zeros."),
        ((1.0, 2.0, 3.0), "The base broadcasts a position inside the earth."),
        ((0.0, 0.0, 6_000_000.0), "The base broadcasts a position inside the earth."),
        ((-1.0e6, -4.0e6, 3.0e6), "The base broadcasts a position inside the earth."),
        (
            (13_743_895.3471, 13_743_895.3471, 13_743_895.3471),
            "Compared with the site file, the base's position is",
        ),  # the wire's largest numbers
        ((-13_743_895.3472, 0.0, 0.0), "Compared with the site file, the base's position is"),
    ],
)
def test_impossible_positions_are_alerts(kestrel, day, ecef, said):
    bench, _ = kestrel
    x, y, z = ecef
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
    assert finding.causes[0].cause in set(BaseDatum.causes) or "+" in finding.causes[0].cause


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
    from witnesspost.rules.datum.frames import frame_of
    from witnesspost.rules.datum.shifts import frame_shifts

    bench, _ = kestrel
    arp = expected_arp(bench.site)
    shifts = frame_shifts(frame_of("EPSG:6319"), 2010.0, arp.place, 2040.0)
    x, y, z = next(shift.ecef for shift in shifts if shift.name == "ITRF2014 at 2040.0")
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
    from witnesspost.rules.datum.frames import frame_of
    from witnesspost.rules.datum.shifts import frame_shifts

    bench, _ = kestrel
    shifts = frame_shifts(frame_of("EPSG:6319"), 2010.0, expected_arp(bench.site).place, 2026.4)
    x, y, z = next(shift.ecef for shift in shifts if shift.name == "ITRF2014 at 2026.4")
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
        assert words(raised).say.startswith("With its fix the rover's position jumped: 13.0 m high")

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

    def jump(self, day, bench, by, hdop=0.9):
        """Autonomous, float and fixed on one spot; then the base's error is in what the rover says."""
        spot = from_enu(point_at(bench.site, "KQ-1").ecef, Enu(150.0, 80.0, 2.0))
        facts = []
        for t, quality in enumerate((1, 1, 1, 5, 5, 4, 4, 4), 2):
            off = Enu(-2.1, 1.7, 4.0) if quality == 1 else Enu(*by)
            latitude, longitude, h = to_geodetic(from_enu(spot, off))
            said = {"latitude": latitude, "longitude": longitude, "height_m": h + 16.0, "separation_m": -16.0}
            facts.append(day.fix(float(t), quality=quality, hdop=hdop, **said))
        return facts

    def to_mark(self, bench, name, sign):
        return tuple(sign * part for part in enu(point_at(bench.site, "KQ-1").ecef, point_at(bench.site, name).ecef))

    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_alone_it_names_the_point_picked_or_the_mark_under_the_base(self, day, sign):
        made = day.bench(BaseDatum, **POSITIONS_ONLY)
        (raised,) = made.play(self.jump(day, made, self.to_mark(made, "KQ-2", sign)), 12.0)
        assert raised.cause == "other-control-point"
        assert ("KQ-2 under the base" in words(raised).say) is (sign < 0)

    def test_a_right_coordinate_over_the_wrong_mark_shows_at_the_first_fix(self, day):
        made = day.bench(BaseDatum, **TABLES)
        x, y, z = expected_arp(made.site).ecef
        heard = day.station(0.5, x_m=x, y_m=y, z_m=z)
        (raised,) = made.play([heard, *self.jump(day, made, self.to_mark(made, "KQ-2", -1.0))], 12.0)
        assert (raised.severity, raised.cause) == ("stop", "other-control-point")
        assert "That may be another control point: KQ-2 under the base instead of KQ-1." in words(raised).say
        assert made.scene.displaced

    def test_a_right_coordinate_over_no_listed_mark_shows_too(self, day):
        made = day.bench(BaseDatum, **TABLES)
        x, y, z = expected_arp(made.site).ecef
        heard = day.station(0.5, x_m=x, y_m=y, z_m=z)
        (raised,) = made.play([heard, *self.jump(day, made, (131.0, -77.0, 3.0))], 12.0)
        assert (raised.severity, raised.cause) == ("stop", "base-set-up")
        assert "That may be the base: it stands elsewhere than over KQ-1." in words(raised).say

    @pytest.mark.parametrize(("by", "hdop"), [((19.0, -14.0, 11.0), 0.9), ((70.0, -40.0, 90.0), 7.3)])
    def test_a_bad_first_position_beside_a_right_base_is_no_jump(self, day, by, hdop):
        # Between walls, or of a few satellites low in the sky: a single-point position is out by tens of metres.
        made = day.bench(BaseDatum, **TABLES)
        x, y, z = expected_arp(made.site).ecef
        assert made.play([day.station(0.5, x_m=x, y_m=y, z_m=z), *self.jump(day, made, by, hdop)], 12.0) == []

    def test_a_check_that_passes_ends_it(self, day):
        made = day.bench(BaseDatum, **TABLES)
        x, y, z = expected_arp(made.site).ecef
        heard = day.station(0.5, x_m=x, y_m=y, z_m=z)
        made.play([heard, *self.jump(day, made, self.to_mark(made, "KQ-2", -1.0))], 12.0)
        made.scene.prove_place(12.0)
        assert [change.change for change in made.play([], 20.0)] == ["normal"]
        assert not made.scene.displaced

    def test_at_the_base_there_is_no_jump(self, day):
        made = day.bench(BaseDatum, role="base", **POSITIONS_ONLY)
        assert made.play(self.walk(day, bust_m=16.0), 10.0) == []


class TestKindsOfBase:
    SECOND_BASE = {"occupies": "KQ-2", "station_id": 418, "antenna_height_m": 1.612}  # noqa: RUF012

    def says(self, day, bench, mark, antenna_m, station_id):
        x, y, z = point_at(bench.site, mark, antenna_m).ecef
        return day.station(1.0, station_id=station_id, antenna_height_m=None, x_m=x, y_m=y, z_m=z)

    def test_another_base_of_ours_is_judged_at_its_own_mark(self, day):
        tables = {**TABLES, "other_base": [self.SECOND_BASE]}
        bench = day.bench(BaseDatum, role="base", **tables)
        assert bench.play([self.says(day, bench, "KQ-2", 1.612, 418)], 2.0) == []
        bench = day.bench(BaseDatum, role="base", **tables)
        (raised,) = bench.play([self.says(day, bench, "KQ-1", 1.612, 418)], 2.0)
        assert (raised.cause, raised.evidence["point"]) == ("other-control-point", "KQ-2")

    def test_both_bases_have_an_alert_each(self, day):
        bench = day.bench(BaseDatum, role="base", **{**TABLES, "other_base": [self.SECOND_BASE]})
        wrong = [self.says(day, bench, "KQ-1", 0.0, 417), self.says(day, bench, "KQ-2", 0.0, 418)]
        assert [change.cause for change in bench.play(wrong, 2.0)] == ["antenna-height-missing"] * 2

    def test_a_list_of_numbers_is_one_place(self, day):
        bench = day.bench(BaseDatum, role="base", **{**TABLES, "base": {**BASE, "station_id": [417, 430]}})
        assert bench.play([self.says(day, bench, "KQ-1", 1.843, 430)], 2.0) == []
        assert len(bench.play([self.says(day, bench, "KQ-1", 0.0, 417)], 3.0)) == 1

    @pytest.mark.parametrize("base", [{"kind": "network"}, {"kind": "moving"}, {"kind": "own", "station_id": 417}])
    def test_what_has_no_mark_of_ours_is_not_judged(self, day, base):
        bench = day.bench(BaseDatum, role="base", **{**TABLES, "base": base})
        assert bench.play([self.says(day, bench, "KQ-2", 44.0, 417)], 2.0) == []


def test_1005_and_1006_by_turns_with_the_days_height(kestrel):
    """Firmware that sends both: the height that 1006 says holds for the 1005 of the same position, not for another."""
    bench, station = kestrel
    low = [station(1.0 + t, up=-0.131, antenna_height_m=1.712 if t % 2 == 0 else None) for t in range(20)]
    assert bench.play(low, 30.0) == []
    (change,) = bench.play([station(31.0, up=-0.2)], 40.0)
    assert (change.change, change.evidence["up_m"]) == ("raised", pytest.approx(-0.2, abs=1e-3))


class TestAnAntennaHeightInFeet:
    """1.843 m typed as 6.047 (feet) where metres belong: the ARP rises by 4.204 m, and its 1006 says 6.047 m."""

    def test_the_height_expected_is_judged_and_the_feet_named(self, kestrel, day):
        bench, station = kestrel
        (raised,) = bench.play([day.utc(0.4), station(10.0, up=4.204, antenna_height_m=6.047)], 12.0)
        assert (raised.cause, raised.severity) == ("feet-as-metres", "stop")
        assert words(raised).steps[1] == "Which antenna height is typed at the base? It says 6.047 m; expected 1.843 m."
        assert not bench.scene.proven_right()

    def test_metres_taken_for_feet(self, kestrel, day):
        bench, station = kestrel
        (raised,) = bench.play([day.utc(0.4), station(10.0, up=-1.2813, antenna_height_m=0.5617)], 12.0)
        assert (raised.cause, raised.severity) == ("metres-as-feet", "stop")

    def test_it_is_one_incident(self, day):
        made = day.bench(BaseDatum, BaseMoved, AntennaMismatch, role="base", **TABLES)
        arp = expected_arp(made.site).ecef
        facts = [day.utc(0.4)]
        for t in (10.0, 20.0, 30.0, 50.0, 120.0):
            up, height_m = (0.0, 1.843) if t < 15 else (4.204, 6.047)
            x, y, z = (round(part, 4) for part in from_enu(arp, (0.0, 0.0, up)))
            facts.append(day.station(t, x_m=x, y_m=y, z_m=z, antenna_height_m=height_m))
        changes = made.play(facts, 200.0)
        raised = [c for c in changes if c.change == "raised" and c.because_of is None]
        assert [(c.rule, c.cause) for c in raised] == [("base-datum", "feet-as-metres")]

    @pytest.mark.parametrize("height_m", [1.512, 2.0, 3.6])
    def test_the_days_tripod_is_judged_by_its_own_height(self, kestrel, day, height_m):
        bench, station = kestrel
        assert bench.play([station(10.0, up=height_m - 1.843, antenna_height_m=height_m)], 12.0) == []
        assert bench.scene.proven_right()

    def test_a_height_over_any_tripod_proves_nothing(self, kestrel, day):
        bench, station = kestrel
        facts = [station(t, up=4.357, antenna_height_m=6.2) for t in (10.0, 20.0)]
        assert bench.play(facts, 22.0) == []
        assert not bench.scene.proven_right()


class TestAKnownCauseLeads:
    """The base comes back with another coordinate: who knows why it is wrong tells it, and the move stands beneath."""

    def play(self, day, *moves, until=200.0, height_m=1.843):
        """(t, east, north, up) from the right place, said every 10 s from then on."""
        made = day.bench(BaseDatum, BaseMoved, AntennaMismatch, role="base", **TABLES)
        arp = expected_arp(made.site).ecef
        facts = [day.utc(0.4)]
        for t in day.every(10.0, 1.0, until):
            _, *offset = next(move for move in reversed(((0.0, 0.0, 0.0, 0.0), *moves)) if move[0] <= t)
            x, y, z = (round(part, 4) for part in from_enu(arp, tuple(offset)))
            facts.append(day.station(t, x_m=x, y_m=y, z_m=z, antenna_height_m=height_m))
        return made, made.play(facts, until)

    def told(self, changes):
        return [(c.rule, c.cause, c.because_of) for c in changes if c.change == "raised"]

    def test_a_geoid_applied_twice(self, day):
        made, changes = self.play(day, (60.0, 0.0, 0.0, -17.213), (150.0, 0.0, 0.0, 0.0))
        assert self.told(changes) == [
            ("base-datum", "geoid-applied-twice", None),
            ("base-moved", "coordinate-changed", "base-datum"),
        ]
        assert [c.rule for c in changes if c.change in ("normal", "cleared") and c.because_of is None][:1] == ["base-datum"]
        assert made.scene.proven_right()

    def test_an_autonomous_position(self, day):
        _, changes = self.play(day, (60.0, 3.1, -2.2, 4.4))
        assert self.told(changes) == [
            ("base-datum", "autonomous-base", None),
            ("base-moved", "coordinate-changed", "base-datum"),
        ]

    def test_another_project(self, day):
        _, changes = self.play(day, (60.0, 31250.4, -21600.7, 112.3))
        assert self.told(changes) == [
            ("base-datum", "other-project", None),
            ("base-moved", "coordinate-changed", "base-datum"),
        ]
        said = words(changes[0])
        assert "That is no place of this project: its nearest control point is 38 km away." in said.say
        assert "Which job is loaded at the base? Load this project's, and pick KQ-1." in said.steps

    @pytest.mark.parametrize("offset", [(0.12, 0.0, -0.05), (0.0, 0.0, -0.35), (0.5, 0.3, 0.25)])
    def test_what_a_tripod_can_do_is_a_move(self, day, offset):
        _, changes = self.play(day, (60.0, *offset))
        assert [(rule, why) for rule, _, why in self.told(changes)] == [("base-moved", None), ("base-datum", "base-moved")]

    def test_what_nothing_explains_is_a_move(self, day):
        _, changes = self.play(day, (60.0, 0.0, 0.0, 6.66))
        assert [(rule, why) for rule, _, why in self.told(changes)] == [("base-moved", None), ("base-datum", "base-moved")]

    def test_after_an_announced_pause_too(self, day):
        made = day.bench(BaseDatum, BaseMoved, role="base", **TABLES)
        arp = expected_arp(made.site).ecef
        facts = [day.utc(0.4), Planned(t=15.0, stream="", why="battery", for_s=100.0)]
        for t in day.every(10.0, 1.0, 300.0):
            x, y, z = (round(part, 4) for part in from_enu(arp, (0.0, 0.0, -17.213 if t > 60 else 0.0)))
            facts.append(day.station(t, x_m=x, y_m=y, z_m=z, antenna_height_m=1.843))
        assert self.told(made.play(facts, 300.0)) == [
            ("base-datum", "geoid-applied-twice", None),
            ("base-moved", "coordinate-changed", "base-datum"),
        ]

    def test_while_it_stands_a_second_change_is_another_cause(self, day):
        _, changes = self.play(day, (60.0, 0.0, 0.0, -17.213), (150.0, 3.1, -2.2, 4.4))
        assert len(self.told(changes)) == 2
        assert [(c.rule, c.cause) for c in changes if c.change == "cause"] == [("base-datum", "autonomous-base")]
