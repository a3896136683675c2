"""The invented sky against published facts of the four constellations, and against independent geometry."""

import datetime as dt
import math

import numpy as np
import pytest
from pyproj import Transformer
from witnesspost.replay.world.sky import EARTH_GM_M3_S2, EARTH_RATE_RAD_S, SPEED_OF_LIGHT_M_S, Sky, dop, local_axes, look

START = dt.datetime(2026, 5, 4, 6, 0, tzinfo=dt.UTC)
TO_ECEF = Transformer.from_crs(4979, 4978, always_xy=True)
PLACES = {
    "quarry": (39.1234567, -104.9876543, 1874.3),
    "north": (65.0, 25.0, 100.0),
    "equator": (0.0, 110.0, 20.0),
    "south": (-33.0, 151.0, 60.0),
    "pole": (90.0, 0.0, 0.0),
}


def ecef(latitude: float, longitude: float, height_m: float) -> tuple[float, float, float]:
    return TO_ECEF.transform(longitude, latitude, height_m)


@pytest.fixture(scope="module")
def sky() -> Sky:
    return Sky(START)


def orbits(sky: Sky, system: str) -> list[int]:
    return [i for i, o in enumerate(sky.orbits) if o.system == system]


def test_sky_is_the_same_for_the_same_start() -> None:
    place = ecef(*PLACES["quarry"])
    assert Sky(START).visible(place, 1234.5) == Sky(START).visible(place, 1234.5)
    later = Sky(START + dt.timedelta(hours=1)).visible(place, 0.0)
    assert [s[:2] for s in later] == [s[:2] for s in Sky(START).visible(place, 3600.0)]
    assert [s.range_m for s in later] == pytest.approx([s.range_m for s in Sky(START).visible(place, 3600.0)], abs=1e-4)


def test_start_without_a_time_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        Sky(dt.datetime(2026, 5, 4))


def test_start_in_another_zone_is_the_same_instant(sky: Sky) -> None:
    east = Sky(START.astimezone(dt.timezone(dt.timedelta(hours=10))))
    assert east.gps_tow_ms(0) == sky.gps_tow_ms(0)
    assert east.utc(1.5) == START + dt.timedelta(seconds=1.5)


def test_time_of_week_counts_from_sunday_with_the_leap_seconds(sky: Sky) -> None:
    # 2026-05-04 is a Monday; GPS weeks begin on Sunday (IS-GPS-200, section 3.3.4); 18 s since 2017 (Bulletin C 52).
    assert sky.gps_tow_ms(0.0) == (86_400 + 6 * 3600 + 18) * 1000
    sunday = Sky(dt.datetime(2026, 5, 2, 23, 59, 41, tzinfo=dt.UTC))
    assert sunday.gps_tow_ms(0.0) == 604_799_000
    assert sunday.gps_tow_ms(1.0) == 0


# Number of satellites, inclination in degrees, period in seconds and how far it may be off.
# G: 24 slots, 55 degrees, 26,559.7 km (GPS SPS Performance Standard 2001, table 3-1); "11 h 58 min" there.
# R: 24 in 3 planes, 64.8 degrees, 11 h 15 min 44 s (GLONASS ICD 5.1, section 3.3.2; the seconds from memory).
# E: 24, 56 degrees; 17 revolutions in 10 sidereal days (ESA Navipedia, Galileo Space Segment).
# C: MEO 24, 55 degrees, 27,906 km (BeiDou OS SIS ICD B1I 3.0, from memory): 12 h 53 min.
PUBLISHED = {
    "G": (31, 55.0, 11 * 3600 + 58 * 60, 15.0),
    "R": (24, 64.8, 11 * 3600 + 15 * 60 + 44, 2.0),
    "E": (24, 56.0, 86164.0905 * 10 / 17, 10.0),
    "C": (24, 55.0, 12 * 3600 + 53 * 60, 30.0),
}


@pytest.mark.parametrize("system", "GREC")
def test_constellation_has_its_published_shape(sky: Sky, system: str) -> None:
    count, inclination_deg, period_s, tolerance_s = PUBLISHED[system]
    mine = [i for i in orbits(sky, system) if sky.orbits[i].period_s < 80_000]
    assert len(mine) == count
    assert len({sky.orbits[i].prn for i in mine}) == count
    for i in mine:
        assert abs(sky.orbits[i].period_s - period_s) < tolerance_s
    # The northernmost point under a satellite is at its inclination: seen from the earth's centre, over a revolution.
    for i in mine[::5]:
        highest = 0.0
        for k in range(400):
            (x, y, z), _ = sky.seen(i, k * period_s / 400, (0.0, 0.0, 0.0))
            highest = max(highest, math.degrees(math.asin(z / math.hypot(x, y, z))))
        assert highest == pytest.approx(inclination_deg, abs=0.02)


def test_planes_are_spread_as_published(sky: Sky) -> None:
    """Six planes of GPS 60 degrees apart, three of each other system 120 degrees apart (sources above)."""
    for system, planes in (("G", 6), ("R", 3), ("E", 3), ("C", 3)):
        nodes = set()
        for i in orbits(sky, system):
            orbit = sky.orbits[i]
            if orbit.period_s < 80_000:
                normal = np.cross(orbit.p, orbit.q)
                nodes.add(round(math.degrees(math.atan2(normal[0], -normal[1])) % 360, 3))
        assert sorted(np.diff(sorted(nodes))) == pytest.approx([360 / planes] * (planes - 1), abs=0.01)


def test_gps_slots_are_the_published_ones_at_their_epoch() -> None:
    """Slots A1, B4, D2 and F3 of table 3-1 of the GPS SPS Performance Standard (2001), at its epoch."""
    sky = Sky(dt.datetime(1993, 7, 1, tzinfo=dt.UTC))
    for prn, node_deg, latitude_deg in (
        (1, 272.847, 268.126),
        (8, 332.847, 204.376),
        (14, 92.847, 265.446),
        (23, 212.847, 105.206),
    ):
        position = np.array(sky.seen(prn - 1, 0.0, (0.0, 0.0, 0.0))[0])
        # Greenwich hour angle 18 h 36 min 14.4 s, same table; the light takes 0.09 s to the earth's centre.
        greenwich = math.radians(15 * (18 + 36 / 60 + 14.4 / 3600))
        x, y, z = position / np.linalg.norm(position)
        inertial = np.array(
            [
                math.cos(greenwich) * x - math.sin(greenwich) * y,
                math.sin(greenwich) * x + math.cos(greenwich) * y,
                z,
            ]
        )
        node, tilt = math.radians(node_deg), math.radians(55)
        along = np.array([math.cos(node), math.sin(node), 0])
        across = np.array([-math.sin(node) * math.cos(tilt), math.cos(node) * math.cos(tilt), math.sin(tilt)])
        latitude = math.degrees(math.atan2(inertial @ across, inertial @ along)) % 360
        assert abs((latitude - latitude_deg + 180) % 360 - 180) < 2 * math.degrees(0.01) + 0.01  # 2e: mean against true
        assert abs(inertial @ np.cross(along, across)) < 1e-5


def test_gps_ground_track_repeats_every_sidereal_day(sky: Sky) -> None:
    # Every satellite passes over the same place once a sidereal day (GPS SPS Performance Standard; any textbook).
    for i in orbits(sky, "G")[::7]:
        first, _ = sky.seen(i, 0.0, (0.0, 0.0, 0.0))
        again, _ = sky.seen(i, 86164.09, (0.0, 0.0, 0.0))
        assert math.degrees(math.dist(first, again) / math.hypot(*first)) < 0.1


def test_geosynchronous_satellites_stay_where_they_are_published(sky: Sky) -> None:
    # 80, 110.5 and 140 degrees east; inclined ones over 118 degrees east (ESA Navipedia, BeiDou Space Segment; B1I ICD).
    for t in range(0, 86400, 7200):
        for i in orbits(sky, "C"):
            orbit = sky.orbits[i]
            (x, y, z), _ = sky.seen(i, float(t), (0.0, 0.0, 0.0))
            longitude = math.degrees(math.atan2(y, x))
            if orbit.prn in (59, 60, 61):
                assert abs(longitude - {59: 80.0, 60: 110.5, 61: 140.0}[orbit.prn]) < 0.3
                assert abs(math.degrees(math.atan2(z, math.hypot(x, y)))) < 0.6
            elif orbit.prn in (38, 39, 40):
                assert abs(longitude - 118.0) < 20.0  # the figure of eight


def test_gps_alone_serves_everywhere_as_its_standard_says(sky: Sky) -> None:
    """The 24 published slots: four satellites above 5 degrees everywhere, PDOP of 6 or less for 98 % of the globe's day.

    GPS SPS Performance Standard (2001), table 3-2, from memory; the constellation was made for it (its appendix A-2.1).
    """
    good = total = 0.0
    for latitude in range(-75, 90, 30):
        for longitude in range(-180, 180, 60):
            place = ecef(latitude, longitude, 0.0)
            for t in range(0, 86400, 4800):
                sats = [s for s in sky.visible(place, float(t), 5.0) if s.system == "G" and s.prn <= 24]
                assert len(sats) >= 4
                found = dop(sats)
                weight = math.cos(math.radians(latitude))
                total += weight
                good += weight if found is not None and found.pdop <= 6.0 else 0.0
    assert good / total >= 0.98


def test_glonass_has_five_in_view_everywhere(sky: Sky) -> None:
    # "A minimum of five satellites in view from any given point at any given time" of a full constellation, for a bare
    # horizon (a surveyors' reference page on GLONASS orbits).
    fewest = min(
        sum(s.system == "R" for s in sky.visible(ecef(latitude, longitude, 0.0), float(t), 0.0))
        for latitude in (-90, -60, -30, 0, 30, 60, 90)
        for longitude in (0, 120, 240)
        for t in range(0, 86400, 4800)
    )
    assert fewest >= 5


@pytest.mark.parametrize("system", "GREC")
def test_mean_number_in_view_is_what_geometry_allows(sky: Sky, system: str) -> None:
    """A satellite at radius a is above elevation e for a cap of half-angle acos(R cos e / a) - e, wherever it is.

    So the globe's mean is the satellites times the cap's share of a sphere: spherical trigonometry, no sky in it.
    """
    mask_deg, radius_m = 10.0, 6_371_000.0
    expected = 0.0
    for i in orbits(sky, system):
        motion = math.tau / sky.orbits[i].period_s
        axis_m = (EARTH_GM_M3_S2 / motion**2) ** (1 / 3)
        cap = math.acos(radius_m * math.cos(math.radians(mask_deg)) / axis_m) - math.radians(mask_deg)
        expected += (1 - math.cos(cap)) / 2
    seen = total = 0.0
    for latitude in range(-85, 90, 10):
        for longitude in range(0, 360, 30):
            weight = math.cos(math.radians(latitude))
            place = ecef(latitude, longitude, 0.0)
            total += weight
            seen += weight * sum(s.system == system for s in sky.visible(place, 4321.0, mask_deg))
    assert seen / total == pytest.approx(expected, rel=0.03)


def test_no_gps_satellite_climbs_high_over_the_pole(sky: Sky) -> None:
    """At the pole the highest is the one at latitude i: elevation atan((cos p - R/a) / sin p) with p = 90 - i."""
    place = ecef(*PLACES["pole"])
    polar_radius_m = place[2]
    for system, inclination_deg, axis_m in (("G", 55.0, 26_559_700.0), ("R", 64.8, 25_508_200.0)):
        p = math.radians(90 - inclination_deg)
        limit_deg = math.degrees(math.atan2(math.cos(p) - polar_radius_m / axis_m, math.sin(p)))
        highest = max(
            s.elevation_deg for t in range(0, 86400, 900) for s in sky.visible(place, float(t), 0.0) if s.system == system
        )
        assert limit_deg - 0.6 < highest < limit_deg + 0.3
    # About 45 degrees for GPS: common knowledge of polar navigation.


@pytest.mark.parametrize("place", PLACES.values(), ids=PLACES)
def test_directions_agree_with_proj(sky: Sky, place: tuple[float, float, float]) -> None:
    latitude, longitude, height_m = place
    at = ecef(*place)
    topocentric = Transformer.from_pipeline(
        f"+proj=topocentric +ellps=WGS84 +lon_0={longitude} +lat_0={latitude} +h_0={height_m}"
    )
    sats = sky.visible(at, 777.0, 5.0)
    assert len(sats) > 15
    for sat in sats:
        east, north, up = topocentric.transform(*sat.position_m)
        assert sat.range_m == pytest.approx(math.hypot(east, north, up), abs=1e-5)
        assert sat.elevation_deg == pytest.approx(math.degrees(math.asin(up / sat.range_m)), abs=1e-7)
        if latitude < 89:
            turn = (sat.azimuth_deg - math.degrees(math.atan2(east, north)) + 180) % 360 - 180
            assert abs(turn) < 1e-6


def test_range_has_light_time_and_the_turning_earth_in_it(sky: Sky) -> None:
    """An independent calculation: inertial positions of both ends, Kepler's equation by bisection, light by iteration."""
    at = np.array(ecef(*PLACES["quarry"]))
    t = 4321.0

    def inertial_satellite(i: int, when_s: float) -> np.ndarray:
        o = sky.orbits[i]
        age_s = (START - dt.datetime(1993, 7, 1, tzinfo=dt.UTC)).total_seconds() + when_s
        mean = (o.mean_anomaly_rad + o.motion_rad_s * age_s) % math.tau
        low, high = mean - 0.1, mean + 0.1
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if middle - o.eccentricity * math.sin(middle) < mean else (low, middle)
        return np.array(o.p) * (math.cos(low) - o.eccentricity) + np.array(o.q) * math.sin(low)

    age_s = (START - dt.datetime(1993, 7, 1, tzinfo=dt.UTC)).total_seconds() + t
    turned = math.radians(15 * (18 + 36 / 60 + 14.4 / 3600)) + (EARTH_RATE_RAD_S * age_s) % math.tau
    c, s = math.cos(turned), math.sin(turned)
    receiver = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ at
    checked = 0
    for i in range(0, len(sky.orbits), 3):
        light_s = 0.0
        for _ in range(8):
            distance_m = np.linalg.norm(inertial_satellite(i, t - light_s) - receiver)
            light_s = distance_m / SPEED_OF_LIGHT_M_S
        position, _ = sky.seen(i, t, tuple(at))
        assert math.dist(position, at) == pytest.approx(distance_m, abs=1e-3)
        checked += 1
    assert checked > 30


def test_velocity_is_the_derivative_of_what_is_seen(sky: Sky) -> None:
    at = ecef(*PLACES["south"])
    for i in range(0, len(sky.orbits), 4):
        _, velocity = sky.seen(i, 1000.0, at)
        after, before = (np.array(sky.seen(i, 1000.0 + d, at)[0]) for d in (0.5, -0.5))
        # Half a second of a circular orbit's third derivative is under 4e-6 m/s.
        assert np.allclose(after - before, velocity, rtol=0, atol=1e-5)


@pytest.mark.parametrize("place", PLACES.values(), ids=PLACES)
@pytest.mark.parametrize(("mask_deg", "systems"), [(10.0, "GREC"), (10.0, "G"), (35.0, "GE")])
def test_dop_agrees_with_least_squares(sky: Sky, place: tuple[float, float, float], mask_deg: float, systems: str) -> None:
    """The covariance of a single-point solution, by NumPy from the positions alone, turned to east, north and up."""
    at = ecef(*place)
    for t in (0.0, 20_000.0, 70_000.0):
        sats = [s for s in sky.visible(at, t, mask_deg) if s.system in systems]
        if len(sats) < 5:
            continue
        lines = np.array([(np.array(at) - s.position_m) / math.dist(at, s.position_m) for s in sats])
        design = np.column_stack([lines, np.ones(len(sats))])
        cofactor = np.linalg.inv(design.T @ design)[:3, :3]
        lat, lon = math.radians(place[0]), math.radians(place[1])
        turn = np.array(
            [
                [-math.sin(lon), math.cos(lon), 0],
                [-math.sin(lat) * math.cos(lon), -math.sin(lat) * math.sin(lon), math.cos(lat)],
                [math.cos(lat) * math.cos(lon), math.cos(lat) * math.sin(lon), math.sin(lat)],
            ]
        )
        east, north, up = np.diag(turn @ cofactor @ turn.T)
        found = dop(sats)
        assert found is not None
        assert found.hdop == pytest.approx(math.sqrt(east + north), rel=1e-6)
        assert found.vdop == pytest.approx(math.sqrt(up), rel=1e-6)
        assert found.pdop == pytest.approx(math.sqrt(east + north + up), rel=1e-6)


def test_dop_of_too_few_or_of_one_direction_is_none(sky: Sky) -> None:
    sats = sky.visible(ecef(*PLACES["quarry"]), 0.0)
    assert dop(sats[:3]) is None
    assert dop(sats[:1] * 6) is None
    assert dop([]) is None


@pytest.mark.parametrize("place", PLACES.values(), ids=PLACES)
def test_every_place_has_a_full_sky_all_day(sky: Sky, place: tuple[float, float, float]) -> None:
    """Four systems above 10 degrees: 20 to 50 satellites and an HDOP well under 1 (common experience, no source)."""
    at = ecef(*place)
    counts, worst = [], 0.0
    for t in range(0, 86400, 1800):
        sats = sky.visible(at, float(t))
        found = dop(sats)
        assert found is not None
        counts.append(len(sats))
        worst = max(worst, found.hdop)
    assert 20 <= min(counts) <= max(counts) <= 50
    assert worst < 1.0


def test_axes_are_orthonormal_and_up_is_the_normal() -> None:
    for place in PLACES.values():
        axes = np.array(local_axes(ecef(*place)))
        assert np.allclose(axes @ axes.T, np.eye(3), atol=1e-12)
        higher = ecef(place[0], place[1], place[2] + 1000.0)
        _, elevation_deg, range_m = look(ecef(*place), local_axes(ecef(*place)), higher)
        assert elevation_deg == pytest.approx(90.0, abs=1e-4)
        assert range_m == pytest.approx(1000.0, abs=1e-6)
