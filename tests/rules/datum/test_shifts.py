"""Shifts between frames: published examples, a recomputation without PROJ, plate motion, and the traps of the trade."""

import math
import subprocess
import sys

import pytest
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from witnesspost.rules.coordinates import Ecef
from witnesspost.rules.datum import plates
from witnesspost.rules.datum.frames import Place, frame_of
from witnesspost.rules.datum.geodesy import enu, to_ecef
from witnesspost.rules.datum.shifts import _areas, _in_use, epoch_shift, frame_shifts, motion_frame
from witnesspost.rules.datum.shifts import _transform as transform  # the one step under every shift

from tests.bench.row import peak_mib, resident_mib


def place(latitude, longitude, height=0.0):
    return Place(to_ecef(latitude, longitude, height), latitude, longitude)


def shifts(frame, there, today, epoch=None):
    """East, north, up by the name of the other frame."""
    return {shift.name: enu(there.ecef, shift.ecef) for shift in frame_shifts(frame_of(frame), epoch, there, today)}


def test_gda94_to_gda2020_example():
    # GDA2020 Technical Manual v1.2, section 3.1.1, Alice Springs.
    given, wanted = (-4052051.7643, 4212836.2017, -2545106.0245), (-4052052.7379, 4212835.9897, -2545104.5898)
    assert transform(4939, 7843, given, 2020.0) == pytest.approx(wanted, abs=2e-4)


def test_itrf2014_at_2018_to_gda2020_example():
    # GDA2020 Technical Manual v1.2, Alice Springs.
    given, wanted = (-4052052.6588, 4212835.9938, -2545104.6946), (-4052052.7373, 4212835.9835, -2545104.5867)
    assert transform(7912, 7843, given, 2018.0) == pytest.approx(wanted, abs=2e-4)


def test_nad83_to_itrf2014_recomputed_without_proj():
    # EPSG:8970 (ITRF2014 to NAD83(2011)): parameters of the EPSG registry, coordinate frame rotation, t0 2010.0.
    translation, rates = (1.00530, -1.90921, -0.54157), (0.00079, -0.00060, -0.00144)
    rotation, rotation_rates = (26.78138, -0.42027, 10.93206), (0.06667, -0.75744, -0.05133)  # mas, mas a year
    scale, scale_rate = 0.36891e-9, -0.07201e-9
    years = 2025.0 - 2010.0
    t = [a + b * years for a, b in zip(translation, rates, strict=True)]
    rx, ry, rz = (math.radians((a + b * years) / 3.6e6) for a, b in zip(rotation, rotation_rates, strict=True))
    d = 1 + scale + scale_rate * years
    x, y, z = ecef = transform(6319, 7912, place(40.0, -100.0).ecef, 2025.0)
    back = (
        t[0] + d * (x + rz * y - ry * z),
        t[1] + d * (-rz * x + y + rx * z),
        t[2] + d * (ry * x - rx * y + z),
    )
    assert back == pytest.approx(place(40.0, -100.0).ecef, abs=1e-3), ecef


# Computed with PROJ 9.5.1 and EPSG 11.022; no published value exists for these points. Tolerance 2 cm across versions.
@pytest.mark.parametrize(
    ("frame", "latitude", "longitude", "other", "wanted"),
    [
        ("EPSG:6319", 40.0, -100.0, "ITRF2014 at 2025.0", (-1.2278, 0.6241, -0.9483)),
        ("EPSG:6319", 40.0, -100.0, "ITRF2014 at 2010.0", (-0.9785, 0.6946, -0.9635)),
        ("EPSG:6319", 40.0, -100.0, "ITRF2020 at 2025.0", (-1.2267, 0.6229, -0.9494)),
        ("EPSG:7931", 52.0, 5.0, "ITRF2014 at 2025.0", (0.6031, 0.6455, 0.0212)),
        ("EPSG:8403", 52.0, 5.0, "ITRF2014 at 2025.0", (0.6432, 0.5794, 0.0019)),
        ("EPSG:4937", 52.0, 5.0, "ITRF2014 at 2025.0", (0.6297, 0.5694, 0.0009)),
        ("EPSG:4939", -33.0, 151.0, "GDA2020", (0.5209, 1.4095, -0.0959)),
        ("EPSG:7843", -33.0, 151.0, "ITRF2014 at 2025.0", (0.0946, 0.2725, -0.0008)),
        ("EPSG:4939", -33.0, 151.0, "ITRF2014 at 2025.0", (0.6155, 1.6819, -0.0967)),
    ],
)
def test_shifts_between_frames_in_use(frame, latitude, longitude, other, wanted):
    assert shifts(frame, place(latitude, longitude), 2025.0)[other] == pytest.approx(wanted, abs=0.02)


def test_a_projected_frame_shifts_as_its_geographic_one():
    there = place(39.1234567, -104.9876543, 1860.0)
    assert shifts("EPSG:6428", there, 2025.0) == shifts("EPSG:6319", there, 2025.0)


def test_the_wgs84_ensemble_is_never_compared():
    # EPSG's operations to the ensemble are null and hide the 0.3 to 1.8 m that this is about.
    assert shifts("EPSG:4979", place(40.0, -100.0), 2025.0) == {}
    assert shifts("EPSG:32613", place(40.0, -105.0), 2025.0) == {}
    for frame, latitude, longitude in (("EPSG:6319", 40, -100), ("EPSG:4937", 52, 5), ("EPSG:7843", -33, 151)):
        others = shifts(frame, place(latitude, longitude), 2025.0)
        assert others
        assert not any(name.startswith("WGS 84") for name in others)


def test_what_nothing_ties_to_itrf_predicts_nothing():
    # From PROJ's database: NAD83 (1986) reaches ITRF2014 only by a ballpark step; WGS 84 (G730) by an operation of 0.21 m,
    # which is no better than what it would explain.
    for frame, latitude, longitude in (("EPSG:4269", 40, -100), ("EPSG:7657", 40, -100)):
        assert shifts(frame, place(latitude, longitude), 2025.0) == {}


# Rates of the ITRF2014 plate model (Altamimi and others, 2017), arc seconds a year, as the check values have them.
RATES = {
    "EURA": (-0.000085, -0.000531, 0.000770),
    "AUST": (0.001510, 0.001182, 0.001215),
    "NOAM": (0.000024, -0.000694, -0.000063),
    "SOAM": (-0.000270, -0.000301, -0.000140),
    "PCFC": (-0.000409, 0.001047, -0.002169),
}


def drifted(ecef: Ecef, plate: str, years: float) -> Ecef:
    """The point after so many years on a rigid plate: omega × r, without PROJ."""
    (wx, wy, wz), (x, y, z) = (tuple(math.radians(rate / 3600.0) for rate in RATES[plate]), ecef)
    return Ecef(x + (wy * z - wz * y) * years, y + (wz * x - wx * z) * years, z + (wx * y - wy * x) * years)


@pytest.mark.parametrize("plate", RATES)
def test_a_plate_moves_as_its_rates_say(plate):
    ecef = place(52.38, 13.07).ecef
    assert plates.moved(ecef, plate, 26.5) == pytest.approx(drifted(ecef, plate, 26.5), abs=1e-4)


def test_potsdam_moves_by_15_mm_north_and_19_5_mm_east():
    # Computed from the EURA rates; station velocities there are about 15.6 and 19 mm a year (from memory).
    ecef = place(52.38, 13.07).ecef
    east, north, up = enu(ecef, plates.moved(ecef, "EURA", 1.0))
    assert (east, north) == pytest.approx((0.0195, 0.0154), abs=1e-4)
    assert abs(up) < 1e-3


@pytest.mark.parametrize(
    ("latitude", "longitude", "plate"),
    [
        (52.4, 13.1, "EURA"), (64.1, -21.9, "NOAM"), (39.1, -105.0, "NOAM"), (61.2, -149.9, "NOAM"), (21.3, -157.9, "PCFC"),
        (-15.8, -47.9, "SOAM"), (-33.4, -70.6, "SOAM"), (4.6, -74.1, "SOAM"), (-33.9, 151.2, "AUST"), (-36.9, 174.8, "AUST"),
        (-43.5, 172.6, "PCFC"), (-26.2, 28.0, "NUBI"), (30.0, 31.2, "NUBI"), (-1.3, 36.8, "SOMA"), (24.7, 46.7, "ARAB"),
        (28.6, 77.2, "INDI"), (37.5, 127.0, "EURA"), (36.0, 138.0, "EURA"), (39.9, 116.4, "EURA"), (18.5, -69.9, None),
        (-0.7, -90.3, "NAZC"), (-77.8, 166.7, "ANTA"), (69.6, 18.9, "EURA"), (38.7, -9.1, "EURA"),
    ],
)  # fmt: skip
def test_the_plate_under_well_known_places(latitude, longitude, plate):
    # Common geography of the plates (maps of Bird, 2003, from memory); the Caribbean plate is not in the model.
    assert plates.plate_at(latitude, longitude) == plate


@pytest.mark.parametrize(("latitude", "longitude"), [(36, 138), (-43.5, 172.6), (-33.4, -70.6), (39, 33), (34, -118), (28, 84)])
def test_where_the_ground_deforms_the_doubt_is_decimetres_in_a_decade(latitude, longitude):
    assert plates.doubt_a_year(latitude, longitude).horizontal_m * 10 >= 0.2


@pytest.mark.parametrize(("latitude", "longitude"), [(52.4, 13.1), (40, -95), (-25, 134), (-15.8, -47.9), (-26, 28)])
def test_in_the_middle_of_a_plate_it_is_centimetres(latitude, longitude):
    assert plates.doubt_a_year(latitude, longitude).horizontal_m * 10 <= 0.03


def test_where_the_ice_was_the_ground_rises_and_does_not_shift():
    stockholm = plates.doubt_a_year(59.3, 18.0)
    assert stockholm.horizontal_m * 10 <= 0.03
    assert stockholm.vertical_m * 10 >= 0.05  # the Gulf of Bothnia rises by up to 1 cm a year (from memory)


@pytest.mark.parametrize(
    ("frame", "latitude", "longitude", "plate", "since"),
    [
        ("EPSG:4989", -15.8, -47.9, "SOAM", 2000.4),  # SIRGAS 2000: ITRF2000 at 2000.4 (EPSG's remarks, from memory)
        ("EPSG:31983", -15.8, -43.9, "SOAM", 2000.4),  # its UTM
        ("EPSG:4959", -36.9, 174.8, "AUST", 2000.0),  # NZGD2000: ITRF96 at 2000.0
        ("EPSG:4480", 45.0, 96.0, "EURA", 2000.0),  # CGCS2000: ITRF97 at 2000.0
    ],
)
def test_where_proj_has_no_way_the_plate_is_one(frame, latitude, longitude, plate, since):
    there = place(latitude, longitude)
    found = {shift.name: shift for shift in frame_shifts(frame_of(frame), None, there, 2026.9)}["ITRF2014 at 2026.9"]
    assert "plate motion model" in found.way
    assert math.dist(found.ecef, drifted(there.ecef, plate, 2026.9 - since)) < 0.02
    assert found.doubt.horizontal_m >= 0.05


@pytest.mark.parametrize(
    ("frame", "latitude", "longitude"),
    [("EPSG:3006", 59.3, 18.0), ("EPSG:2154", 48.8, 2.3), ("EPSG:25832", 48.3, 11.2), ("EPSG:4935", 58.4, 26.7)],
)
def test_national_realisations_of_etrs89_stand_beside_etrf2000(frame, latitude, longitude):
    there = place(latitude, longitude)
    found = {shift.name: shift for shift in frame_shifts(frame_of(frame), None, there, 2026.9)}["ITRF2014 at 2026.9"]
    etrf = transform(7931, 7912, there.ecef, 2026.9)
    assert math.dist(found.ecef, etrf) <= found.doubt.horizontal_m
    assert 0.05 <= found.doubt.horizontal_m <= 0.13
    # ... and the realisations predict nothing of each other: they are one within their doubt.
    names = {shift.name for shift in frame_shifts(frame_of(frame), None, there, 2026.9)}
    assert not any(name.startswith(("ETRF", "ETRS89", "SWEREF99", "RGF93")) for name in names)


@pytest.mark.parametrize(
    ("latitude", "longitude", "name"),
    [(59.3, 18.0, "SWEREF99"), (48.8, 2.3, "RGF93 v1"), (53.0, -113.0, "NAD83(CSRS)"), (-15.8, -47.9, "SIRGAS 2000"),
     (-26.0, 28.0, "Hartebeesthoek94"), (-43.5, 172.6, "NZGD2000"),
     (37.5, 127.0, "KGD2002")],
)  # fmt: skip
def test_a_global_project_knows_the_national_frame_there(latitude, longitude, name):
    assert name in shifts("EPSG:7912", place(latitude, longitude), 2026.9, epoch=2026.9)


def test_only_frames_in_use_at_the_place_are_candidates():
    names = shifts("EPSG:7912", place(52.0, 5.0), 2025.0, epoch=2025.0)
    assert {"ETRF2000", "ETRF2014"} <= set(names)
    assert not {"NAD83(2011)", "GDA2020", "GDA94"} & set(names)


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [(39.1, -105.0), (52.0, 5.0), (-43.5, 172.6), (-44.0, -176.5), (52.0, 180.0), (52.0, -180.0), (66.0, 190.0),],
)  # fmt: skip
def test_the_frames_in_use_are_those_of_projs_own_search(latitude, longitude):
    east = (longitude + 180.0) % 360.0 - 180.0
    point = AreaOfInterest(east, latitude, east, latitude)
    found = query_crs_info("EPSG", [PJType.GEOGRAPHIC_3D_CRS], area_of_interest=point, contains=True)
    used = _in_use(latitude, longitude)
    assert used
    assert set(used) == {int(crs.code) for crs in found} & {code for code, _ in _areas()}


def print_what_shifts_take_mib():
    """How far the process grows while it works out the shifts at a place, PROJ loaded before."""
    frame = frame_of("EPSG:6319")
    there = place(39.1, -105.0)
    before = resident_mib()
    assert "NAD83(CSRS)v7" in [shift.name for shift in frame_shifts(frame, None, there, 2026.0)]
    print(peak_mib() - before)


def test_shifts_take_no_memory_that_a_small_board_lacks():
    # In a process of its own: what PROJ takes for a moment, a process keeps.
    script = f"import {__name__} as here; here.print_what_shifts_take_mib()"
    env = {"PYTHONPATH": ":".join(sys.path)}
    ran = subprocess.run([sys.executable, "-c", script], check=True, capture_output=True, text=True, env=env)
    assert float(ran.stdout) < 4.0


def test_without_a_date_the_shift_is_less_sure():
    there = place(40.0, -100.0)
    frame = frame_of("EPSG:6319")
    known = {shift.name: shift.doubt.horizontal_m for shift in frame_shifts(frame, None, there, 2026.0)}
    unknown = {shift.name: shift.doubt.horizontal_m for shift in frame_shifts(frame, None, there, None)}
    assert set(unknown) == set(known)
    assert unknown["ITRF2014 at 2026.0"] > known["ITRF2014 at 2026.0"]
    assert unknown["ITRF2014 at 2010.0"] == known["ITRF2014 at 2010.0"]
    assert epoch_shift(frame, None, there, None).doubt.horizontal_m > epoch_shift(frame, None, there, 2026.0).doubt.horizontal_m


@pytest.mark.parametrize(
    ("latitude", "longitude", "code"), [(40, -100, 6319), (52, 5, 8403), (-33, 151, 7843), (0, -150, None)]
)
def test_the_plate_under_a_place(latitude, longitude, code):
    found = motion_frame(latitude, longitude)
    assert (found.code_3d if found else None) == code


def test_epoch_shift_is_the_plates_motion():
    # Australia moves 7 cm a year to the north-east (GDA2020 Technical Manual: about 7 cm a year, 1.8 m from 1994 to 2020).
    there = place(-25.0, 134.0)
    shift = epoch_shift(frame_of("EPSG:4939"), None, there, 2020.0)
    east, north, up = enu(there.ecef, shift.ecef)
    assert math.hypot(east, north) == pytest.approx(1.8, abs=0.1)
    assert east > 0
    assert north > 0
    assert abs(up) < 0.05


def test_a_global_frame_at_todays_epoch_is_the_epoch_shift():
    there = place(52.0, 5.0)
    moved = shifts("EPSG:7912", there, 2025.0, epoch=2010.0)["ITRF2014 at 2025.0"]
    shift = epoch_shift(frame_of("EPSG:7912"), 2010.0, there, 2025.0)
    assert enu(there.ecef, shift.ecef) == pytest.approx(moved, abs=1e-4)
