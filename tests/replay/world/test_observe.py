"""What the invented receiver measures: it must lead back to where it stands, and behave as real measurements do."""

import datetime as dt
import math
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer
from pyrtcm import RTCMReader
from witnesspost.replay.world import rtcm
from witnesspost.replay.world.observe import SIGNALS, WEAKEST_DB_HZ, Observation, Observer, Signal
from witnesspost.replay.world.sky import SPEED_OF_LIGHT_M_S, Sky, Vector

START = dt.datetime(2026, 5, 4, 6, 0, tzinfo=dt.UTC)
TO_ECEF = Transformer.from_crs(4979, 4978, always_xy=True)
THREE_BAND_SIGNALS = {"G": ("1C", "2W", "5Q"), "R": ("1C", "2C"), "E": ("1C", "7Q", "5Q"), "C": ("2I", "6I", "5P")}
"""What a base with three bands sends; not every GPS satellite has the third."""
PLACES = {
    "quarry": TO_ECEF.transform(-104.9876543, 39.1234567, 1874.3),
    "north": TO_ECEF.transform(25.0, 65.0, 100.0),
    "equator": TO_ECEF.transform(110.0, 0.0, 20.0),
    "south": TO_ECEF.transform(151.0, -33.0, 60.0),
}
BASE = PLACES["quarry"]
MS_M = SPEED_OF_LIGHT_M_S / 1000


@pytest.fixture(scope="module")
def sky() -> Sky:
    return Sky(START)


def signals(observations: Iterable[Observation]) -> dict[tuple[str, int, str], Signal]:
    return {(o.system, o.prn, s.code): s for o in observations for s in o.signals}


def single_point(sky: Sky, t_s: float, ranges_m: dict[tuple[str, int], float], near: Vector) -> np.ndarray:
    """A plain single-point solution: one clock, no weights, satellites where the sky has them for that place.

    Starts 5 km off, and looks the satellites up again from each place it comes to, as a receiver would.
    """
    place = np.array(near) + 3000.0
    for _ in range(6):
        positions = {(s.system, s.prn): s.position_m for s in sky.visible(tuple(place), t_s, 0.0)}
        used = [k for k in ranges_m if k in positions]
        to = place - np.array([positions[k] for k in used])
        distance_m = np.linalg.norm(to, axis=1)
        design = np.column_stack([to / distance_m[:, None], np.ones(len(used))])
        step, *_ = np.linalg.lstsq(design, np.array([ranges_m[k] for k in used]) - distance_m, rcond=None)
        place = place + step[:3]
    assert len(used) == len(ranges_m)
    return place


def decoded_msm(payloads: Iterable[bytes]) -> dict[tuple[str, int], float]:
    """Pseudoranges in metres of each satellite's first signal, from what pyrtcm makes of the frames."""
    out = {}
    for payload in payloads:
        message = RTCMReader.parse(rtcm.frame(payload))
        system = {1070: "G", 1080: "R", 1090: "E", 1120: "C"}[message.DF002 // 10 * 10]
        rough = {
            getattr(message, f"PRN_{i:02d}"): getattr(message, f"DF397_{i:02d}") + getattr(message, f"DF398_{i:02d}")
            for i in range(1, message.NSat + 1)
        }
        fine = "DF405" if message.DF002 % 10 == 7 else "DF400"
        for i in range(1, message.NCell + 1):
            prn = getattr(message, f"CELLPRN_{i:02d}")
            out.setdefault((system, int(prn)), (rough[prn] + getattr(message, f"{fine}_{i:02d}")) * MS_M)
    return out


@pytest.mark.parametrize("place", PLACES.values(), ids=PLACES)
@pytest.mark.parametrize("kind", [4, 7])
def test_decoded_msm_leads_back_to_the_base_within_a_metre(sky: Sky, place: Vector, kind: int) -> None:
    observer = Observer(sky, place, seed=5)
    for t in (0.0, 17.0, 43_211.0):
        payloads = rtcm.epoch(kind, 417, sky.gps_tow_ms(t), observer.observe(t))
        found = single_point(sky, t, decoded_msm(payloads), place)
        assert np.linalg.norm(found - place) < 1.0


def test_decoded_legacy_leads_back_to_the_base_within_a_metre(sky: Sky) -> None:
    observations = Observer(sky, BASE, seed=6).observe(100.0)
    tow_ms = sky.gps_tow_ms(100.0)
    gps = RTCMReader.parse(rtcm.frame(rtcm.gps_1004(417, tow_ms, observations, True)))
    glonass = RTCMReader.parse(rtcm.frame(rtcm.glonass_1012(417, tow_ms, observations)))
    ranges_m = {}
    for i in range(1, gps.DF006 + 1):
        whole, rest = getattr(gps, f"DF014_{i:02d}"), getattr(gps, f"DF011_{i:02d}")
        ranges_m["G", getattr(gps, f"DF009_{i:02d}")] = whole * MS_M + rest
    for i in range(1, glonass.DF035 + 1):
        whole, rest = getattr(glonass, f"DF044_{i:02d}"), getattr(glonass, f"DF041_{i:02d}")
        ranges_m["R", getattr(glonass, f"DF038_{i:02d}")] = whole * 2 * MS_M + rest
    assert len(ranges_m) >= 10
    assert np.linalg.norm(single_point(sky, 100.0, ranges_m, BASE) - BASE) < 1.0


def test_moved_antenna_is_found_where_it_went(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=7)
    observer.observe(0.0)
    for t, (dx, dy, dz) in ((1.0, (30.0, -40.0, 20.0)), (2.0, (3000.0, 1000.0, -500.0)), (45.0, (0.0, 0.0, 0.0))):
        place = (BASE[0] + dx, BASE[1] + dy, BASE[2] + dz)
        observer.move(place)
        ranges_m = decoded_msm(rtcm.epoch(7, 1, sky.gps_tow_ms(t), observer.observe(t)))
        assert np.linalg.norm(single_point(sky, t, ranges_m, place) - place) < 1.0


def test_ranges_are_the_skys_at_every_moment(sky: Sky) -> None:
    """The curve between exact moments is off by under 0.1 mm, and its slope by 0.1 mm/s.

    Up to 100 m from where the curve was laid the light's time adds a rate of up to 900 m/s over 0.3 microseconds.
    """
    observer = Observer(sky, BASE, seed=8, noise=0.0)
    place = BASE
    moves = {44.4: (60.0, -40.0), 50.0: (5000.0, -4000.0)}
    for t in (0.0, 7.3, 15.0, 29.99, 30.0, 44.4, 50.0, 3601.0):
        if t in moves:
            place = (BASE[0] + moves[t][0], BASE[1] + moves[t][1], BASE[2])
            observer.move(place)
        at = {(s.system, s.prn): s.range_m for s in sky.visible(place, t, 5.0)}
        after, before = ({(s.system, s.prn): s.range_m for s in sky.visible(place, t + d, 5.0)} for d in (0.5, -0.5))
        clock_rate = observer.clock_m(t + 0.5) - observer.clock_m(t - 0.5)
        observations = observer.observe(t)
        assert len(observations) > 20
        for o in observations:
            for s in o.signals:
                key = (o.system, o.prn)
                assert s.pseudorange_m - observer.clock_m(t) == pytest.approx(at[key], abs=1e-4 if place == BASE else 4e-4)
                assert s.rate_m_s == pytest.approx(after[key] - before[key] + clock_rate, abs=1e-4)


def test_who_rises_is_seen_however_long_it_was_below(sky: Sky) -> None:
    """What is far below is not asked for a while; over three hours nobody comes up late."""
    observer = Observer(sky, BASE, seed=9)
    above: set[tuple[str, int]] = set()
    risen = 0
    for t in range(0, 3 * 3600, 30):
        seen = {(o.system, o.prn) for o in observer.observe(float(t))}
        high = {(s.system, s.prn) for s in sky.visible(BASE, float(t), 11.0)}
        assert high - seen == set()
        assert seen - {(s.system, s.prn) for s in sky.visible(BASE, float(t), 9.99)} == set()
        risen += len(high - above)
        above = high
    assert risen > 40  # some thirty are up at first


def test_base_and_rover_share_one_sky_to_whole_wavelengths(sky: Sky) -> None:
    """Double differences of phase less those of geometry are whole cycles: what a fixed solution lives on."""
    rover_at = (BASE[0] + 800.0, BASE[1] + 1200.0, BASE[2] - 300.0)
    base, rover = Observer(sky, BASE, seed=1), Observer(sky, rover_at, seed=2)
    checked = 0
    for t in (0.0, 61.0, 607.0):
        one, two = signals(base.observe(t)), signals(rover.observe(t))
        ranges = {
            (s.system, s.prn): (s.range_m, other.range_m)
            for s, other in zip(sky.visible(BASE, t, 0.0), sky.visible(rover_at, t, 0.0), strict=True)
        }
        for system, code in (("G", "1C"), ("G", "2W"), ("E", "7Q"), ("C", "6I")):
            keys = [k for k in one if k in two and k[0] == system and k[2] == code]
            single = [one[k].phase_m - ranges[k[:2]][0] - two[k].phase_m + ranges[k[:2]][1] for k in keys]
            for k, difference_m in zip(keys[1:], single[1:], strict=True):
                cycles = (difference_m - single[0]) / one[k].wavelength_m
                assert abs(cycles - round(cycles)) < 0.2  # 0.2 of a cycle is over 3 cm: seven sigma
                checked += 1
    assert checked > 40


@given(st.integers(0, 2**31), st.floats(0, 86400), st.sampled_from(sorted(PLACES)))
@settings(max_examples=8, deadline=None)
def test_same_seed_same_observations(seed: int, t_s: float, place: str) -> None:
    sky = Sky(START)
    first = Observer(sky, PLACES[place], seed).observe(t_s)
    assert first == Observer(sky, PLACES[place], seed).observe(t_s)
    other = Observer(sky, PLACES[place], seed + 1).observe(t_s)
    assert [(o.system, o.prn) for o in first] == [(o.system, o.prn) for o in other]
    assert first != other


def test_satellites_are_those_above_the_mask(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=3, mask_deg=15.0)
    changes, before = [], None
    for t in range(0, 3600, 5):
        got = {(o.system, o.prn) for o in observer.observe(float(t))}
        if before is not None and got != before:
            changes.append(t)
        before = got
        if t % 45 == 40:
            certain = {(s.system, s.prn) for s in sky.visible(BASE, t, 15.3)}
            possible = {(s.system, s.prn) for s in sky.visible(BASE, t, 14.99)}
            assert certain <= got <= possible
    # Risings and settings come one by one, not in step with any internal interval.
    assert len(changes) > 10
    assert len({t % 30 for t in changes}) >= 4


def test_msm_masks_change_as_satellites_come_and_go(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=3)
    masks = set()
    partial = 0
    for t in range(0, 5400, 2):
        observations = observer.observe(float(t))
        if t % 60 == 0:
            message = RTCMReader.parse(rtcm.frame(rtcm.msm(7, "G", 1, 0, [o for o in observations if o.system == "G"], False)))
            masks.add(message.DF394)
        partial += any(len(o.signals) == 1 for o in observations)
    assert len(masks) >= 5
    assert partial > 5  # the second signal of a risen satellite is found later than the first


def test_level_follows_elevation(sky: Sky) -> None:
    low, high = [], []
    for seed in range(4):
        for o in Observer(sky, BASE, seed).observe(0.0):
            for s in o.signals:
                if s.code == "1C":
                    (low if o.elevation_deg < 20 else high if o.elevation_deg > 60 else []).append(s.cn0_db_hz)
    assert 38 < np.mean(low) < 46
    assert 46 < np.mean(high) < 52
    assert np.mean(high) - np.mean(low) > 4
    every = [s.cn0_db_hz for o in Observer(sky, BASE, 9, mask_deg=0.0).observe(0.0) for s in o.signals]
    assert WEAKEST_DB_HZ - 1 < min(every) <= max(every) < 56


def test_level_varies_slowly(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=4)
    before: dict[tuple[str, int, str], Signal] = {}
    series = []
    for t in range(0, 1200, 10):
        now = signals(observer.observe(float(t)))
        series += [now[k].cn0_db_hz - before[k].cn0_db_hz for k in now if k in before]
        before = now
    assert max(map(abs, series)) < 2.5
    assert 0.1 < np.std(series) < 0.6


@pytest.mark.parametrize("place", PLACES.values(), ids=PLACES)
def test_mean_level_of_a_clean_day_never_falls_by_four_decibels(sky: Sky, place: Vector) -> None:
    """Satellites rise and set, but no signal's mean drops like a bad cable within half an hour."""
    observer = Observer(sky, place, seed=11)
    history: dict[tuple[str, str], list[float]] = {}
    for t in range(0, 86_400, 300):
        levels: dict[tuple[str, str], list[float]] = {}
        for (system, _prn, code), s in signals(observer.observe(float(t))).items():
            levels.setdefault((system, code), []).append(s.cn0_db_hz)
        assert set(levels) == {(system, code) for system, codes in SIGNALS.items() for code in codes}
        for key, values in levels.items():
            past = history.setdefault(key, [])
            if len(past) >= 6:
                assert np.mean(past[-6:]) - np.mean(values) < 4.0
            past.append(float(np.mean(values)))


def test_offset_lowers_every_level_or_one_constellation(sky: Sky) -> None:
    clean = signals(Observer(sky, BASE, seed=5).observe(10.0))
    weak = signals(Observer(sky, BASE, seed=5).observe(10.0, cn0_offset_db=-6.0))
    assert weak
    for key, s in weak.items():
        assert s.cn0_db_hz == pytest.approx(clean[key].cn0_db_hz - 6.0, abs=2.0)
    some = signals(Observer(sky, BASE, seed=5).observe(10.0, cn0_offset_db={"R": -6.0}))
    for key, s in some.items():
        assert s.cn0_db_hz == pytest.approx(clean[key].cn0_db_hz - (6.0 if key[0] == "R" else 0.0), abs=2.0)
    assert {k for k in some if k[0] != "R"} == {k for k in clean if k[0] != "R"}


def test_signal_that_falls_too_low_is_lost_and_found_again_on_another_cycle(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=5)
    before = signals(observer.observe(0.0))
    assert observer.observe(1.0, cn0_offset_db=-40.0) == []
    assert observer.observe(2.0) == []
    for t in range(3, 14):
        after = signals(observer.observe(float(t)))
    assert set(after) == set(before)
    assert np.median([s.lock_s for s in before.values()]) > 100.0
    assert max(s.lock_s for s in after.values()) <= 11.0
    moved = [abs((s.phase_m - s.pseudorange_m) - (before[k].phase_m - before[k].pseudorange_m)) for k, s in after.items()]
    assert np.median(moved) > 1.0


def test_search_takes_each_signal_its_own_seconds(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=5)
    everything = len(signals(observer.observe(0.0)))
    observer.observe(1.0, cn0_offset_db=-40.0)
    found = [len(signals(observer.observe(float(t)))) for t in range(2, 12)]
    assert found == sorted(found)
    assert found[0] == 0
    assert 0.1 * everything < found[3] < 0.7 * everything
    assert found[-1] == everything


def test_signal_is_kept_at_a_level_at_which_it_would_not_be_found(sky: Sky) -> None:
    held, fresh = Observer(sky, BASE, seed=5), Observer(sky, BASE, seed=5)
    held.observe(0.0)
    kept = set(signals(held.observe(1.0, cn0_offset_db=-14.0)))
    found = set(signals(fresh.observe(1.0, cn0_offset_db=-14.0)))
    assert found < kept


def test_lock_grows_by_the_second_and_only_starts_anew(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=6)
    before = signals(observer.observe(0.0))
    last_s = dict.fromkeys(before, 0)
    risen = slipped = 0
    for t in range(1, 900):
        now = signals(observer.observe(float(t)))
        for k, s in now.items():
            if k in before and s.lock_s > 0.0:
                assert s.lock_s == pytest.approx(before[k].lock_s + 1.0)
                # On one cycle the phase moves with the rate: 1 s of curvature is under 0.3 m/s² / 2.
                assert s.phase_m - before[k].phase_m == pytest.approx((s.rate_m_s + before[k].rate_m_s) / 2, abs=0.06)
            else:
                assert s.lock_s == 0.0
                risen, slipped = risen + (k not in last_s), slipped + (k in last_s)
        before = now
        last_s |= dict.fromkeys(now, t)
    # Satellites rise, and low ones slip now and then; no receiver slips all the time.
    assert risen > 1
    assert 0 < slipped < 15


def test_horizon_hides_what_stands_behind_it(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=7)

    def wall(azimuth_deg: float) -> float:
        return 50.0 if 90.0 <= azimuth_deg < 270.0 else 0.0

    seen = observer.observe(0.0, horizon_deg=wall)
    everything = Observer(sky, BASE, seed=7).observe(0.0)
    behind = {(o.system, o.prn) for o in everything if 90 <= o.azimuth_deg < 270 and o.elevation_deg < 50}
    assert behind
    assert {(o.system, o.prn) for o in seen} == {(o.system, o.prn) for o in everything} - behind
    assert not behind & {(o.system, o.prn) for o in observer.observe(0.5)}  # they have to be found first
    assert behind <= {(o.system, o.prn) for o in observer.observe(12.0)} | {(o.system, o.prn) for o in observer.observe(13.0)}


def test_clock_wanders_within_its_bounds_and_is_in_all_ranges(sky: Sky) -> None:
    observer = Observer(sky, BASE, seed=8)
    clocks = [observer.clock_m(t) for t in range(0, 5400, 10)]
    assert max(clocks) - min(clocks) > 140
    assert max(map(abs, clocks)) <= 75.0


def test_signals_are_the_ones_asked_for(sky: Sky) -> None:
    three = Observer(sky, BASE, seed=1, signals=THREE_BAND_SIGNALS).observe(0.0)
    for o in three:
        codes = tuple(s.code for s in o.signals)
        assert set(codes) <= set(THREE_BAND_SIGNALS[o.system])
        places = [rtcm.SIGNAL_IDS[o.system][c] for c in codes]
        assert places == sorted(places)
    assert 0 < sum(s.code == "5Q" for o in three if o.system == "G" for s in o.signals) < sum(o.system == "G" for o in three)
    only = Observer(sky, BASE, seed=1, signals={"G": ("1C",)}).observe(0.0)
    assert {o.system for o in only} == {"G"}
    with pytest.raises(ValueError, match="9X"):
        Observer(sky, BASE, seed=1, signals={"G": ("1C", "9X")})


def test_glonass_names_its_channel_and_carries_its_wavelength(sky: Sky) -> None:
    seen = Observer(sky, BASE, seed=1).observe(0.0)
    assert "R" in {o.system for o in seen}
    for o in seen:
        if o.system != "R":
            assert o.channel is None
            continue
        # 1602 MHz + 0.5625 n and 1246 MHz + 0.4375 n (GLONASS ICD 5.1, section 3.3.1.1).
        for s in o.signals:
            carrier = 1602 + 0.5625 * o.channel if s.code == "1C" else 1246 + 0.4375 * o.channel
            assert s.wavelength_m == pytest.approx(SPEED_OF_LIGHT_M_S / (carrier * 1e6))


def test_antipodal_glonass_satellites_share_a_channel(sky: Sky) -> None:
    # GLONASS ICD 5.1, section 3.3.1.1: the same frequency for satellites in antipodal slots of one plane.
    channels = {}
    for place in PLACES.values():
        for t in range(0, 43_200, 7200):
            for o in Observer(sky, place, seed=1, signals={"R": ("1C",)}).observe(float(t)):
                channels[o.prn] = o.channel
    assert set(channels) == set(range(1, 25))
    for slot in range(1, 25):
        if (slot - 1) % 8 < 4:
            assert channels[slot] == channels[slot + 4]
    assert set(channels.values()) <= set(range(-7, 7))


def test_a_base_sends_about_a_kilobyte_a_second(sky: Sky) -> None:
    sizes = {}
    for name, codes in (("two bands", SIGNALS), ("three bands", THREE_BAND_SIGNALS)):
        observer = Observer(sky, BASE, seed=1, signals=codes)
        epochs = [rtcm.epoch(7, 417, sky.gps_tow_ms(t), observer.observe(t)) for t in range(0, 43_200, 600)]
        sizes[name] = sum(len(p) + 6 for e in epochs for p in e) / len(epochs)
    assert 700 < sizes["two bands"] < 950 < sizes["three bands"] < 1300


def test_noise_is_code_decimetres_and_phase_millimetres(sky: Sky) -> None:
    quiet, loud = Observer(sky, BASE, seed=1, noise=0.0), Observer(sky, BASE, seed=1)
    code, phase = [], []
    for t in range(60):
        one, two = signals(quiet.observe(float(t))), signals(loud.observe(float(t)))
        code += [two[k].pseudorange_m - one[k].pseudorange_m for k in one if k in two]
        phase += [two[k].phase_m - one[k].phase_m for k in one if k in two]
    assert 0.15 < np.std(code) < 0.6
    assert 0.0008 < np.std(phase) < 0.004
    assert abs(np.mean(code)) < 0.05
    assert math.isfinite(sum(phase))
