"""RINEX: read back by georinex, ranges as pyrtcm decodes them, positions by interface documents and another library."""

import datetime as dt
import importlib.util
import math
import re

import georinex
import numpy as np
import pytest
from pyrtcm import RTCMReader
from pyrtcm.rtcmtables import PRNSIGMAP
from witnesspost.daemon.log.reading import LogFile
from witnesspost.replay.export.ephemerides import ephemeris
from witnesspost.replay.export.gps_time import calendar, epoch_ms, gps_ms
from witnesspost.replay.export.navigation import broadcast
from witnesspost.replay.export.observations import Measured, measurements
from witnesspost.replay.export.rinex import Records
from witnesspost.replay.world import rtcm
from witnesspost.replay.world.observe import Observation, Signal
from witnesspost.replay.world.sky import GLONASS_CHANNELS
from witnesspost.rules.coordinates import Ecef, Enu
from witnesspost.rules.datum.geodesy import enu, from_enu

from tests import DATA
from tests.replay.export.conftest import extract
from tests.replay.export.test_observations import by_pyrtcm, frames_of

LIGHT_M_S = 299_792_458.0
pytestmark = pytest.mark.filterwarnings("ignore::FutureWarning:georinex")


def written(log, out, *more):
    """The observation and navigation files that the command writes; None for one that it does not."""
    done = extract(log, "--as", "rinex", *more, "-o", out)
    assert done.exit_code == 0, done.output
    found = {path.name[-6:-4]: path for path in out.iterdir()}
    return found["MO"], found.get("MN"), done.output


@pytest.fixture(scope="module")
def rinex(morning, tmp_path_factory):
    """The morning as MSM7, every two minutes: (morning, observations, navigation)."""
    told = morning()
    return told, *written(told.log, tmp_path_factory.mktemp("rinex") / "out", "--every", "120")[:2]


@pytest.fixture(scope="module")
def read(rinex):
    """The observations as georinex reads them."""
    return georinex.load(rinex[1])


@pytest.fixture(scope="module")
def nav(rinex):
    """The ephemerides as georinex reads them."""
    return georinex.load(rinex[2])


def header(path):
    """Header lines by label, in order."""
    found = {}
    for line in path.read_text().splitlines():
        assert len(line) <= 80
        found.setdefault(line[60:].strip(), []).append(line[:60])
        if line[60:].strip() == "END OF HEADER":
            return found
    raise AssertionError("the header does not end")


def test_the_names_say_whose_when_and_how_much(rinex):
    """The standard's long names (RINEX 3.05, table A1, from memory): S data from a stream; navigation has no interval."""
    _told, observations, navigation = rinex
    assert observations.name == "KEST00XXX_S_20261660802_12M_02M_MO.rnx"
    assert navigation.name == "KEST00XXX_S_20261660802_12M_MN.rnx"


def test_the_header_says_what_the_station_said_of_itself(rinex):
    told, path, _nav = rinex
    found = header(path)
    assert found["RINEX VERSION / TYPE"] == ["     3.05           OBSERVATION DATA    M: MIXED            "]
    assert found["MARKER NAME"][0].strip() == "KQ-1"
    assert found["MARKER NUMBER"][0].strip() == "417"
    assert found["ANT # / TYPE"][0] == f"{'7041':<20}{told.told.site.base.antenna:<20.20}{'':20}"
    assert found["REC # / TYPE / VERS"][0][20:40].strip() == "INVENTED RECEIVER"
    height, east, north = map(float, found["ANTENNA: DELTA H/E/N"][0].split())
    assert (height, east, north) == (told.told.site.base.antenna_height_m, 0.0, 0.0)
    marker = Ecef(*map(float, found["APPROX POSITION XYZ"][0].split()))
    # EPSG method 9836, by PROJ: the ARP is the height above the marker, along the ellipsoid's normal.
    assert math.dist(from_enu(marker, Enu(0.0, 0.0, height)), told.world.arp) < 2e-4
    assert found["SYS / # / OBS TYPES"][1] == f"{'R    8 C1C L1C D1C S1C C2C L2C D2C S2C':<60}"
    assert found["TIME OF FIRST OBS"][0].split()[:6] == ["2026", "6", "15", "8", "2", "0.0000000"]
    assert found["LEAP SECONDS"][0].split() == ["18"]
    assert found["INTERVAL"][0].split() == ["120.000"]
    slots = re.findall(r"R(\d\d) +(-?\d+)", " ".join(found["GLONASS SLOT / FRQ #"]))
    assert {int(slot): int(channel) for slot, channel in slots}.items() <= dict(enumerate(GLONASS_CHANNELS, 1)).items()
    assert int(found["GLONASS SLOT / FRQ #"][0][:3]) == len(slots) >= 5


def test_georinex_reads_the_ranges_that_pyrtcm_decodes(rinex, read):
    told = rinex[0]
    compared = 0
    with LogFile.open(told.log) as log:
        data = b"".join(what for _, _, what in log.inputs(stream="corrections") if isinstance(what, bytes))
    for frame in frames_of(data):
        number = frame[3] << 4 | frame[4] >> 4
        if number not in (1077, 1087, 1097, 1127):
            continue
        ms = epoch_ms(frame[3:-3], gps_ms(told.told.start_utc))
        time = np.datetime64(calendar(ms), "ns")
        if ms % 120_000 or number == 1087:  # georinex has no GLONASS channels: their phases are compared below
            assert (time in read.time.values) == (ms % 120_000 == 0)
            continue
        for (satellite, code), (pseudorange, _phase, rate, level) in by_pyrtcm(frame).items():
            one = read.sel(time=time, sv=satellite)
            carrier = {"G1": 1575.42e6, "G2": 1227.6e6, "E1": 1575.42e6, "E7": 1207.14e6, "C2": 1561.098e6, "C6": 1268.52e6}[
                satellite[0] + code[0]
            ]
            for kind, value in (
                ("C", pseudorange),
                ("L", None if _phase is None else _phase * carrier / LIGHT_M_S),
                ("D", None if rate is None else -rate * carrier / LIGHT_M_S),
                ("S", level),
            ):
                if value is not None:
                    assert float(one[kind + code]) == pytest.approx(value, abs=0.0011)
                    compared += 1
    assert compared > 6 * 15 * 2 * 4


def test_a_glonass_phase_counts_cycles_of_the_satellites_own_carrier(read):
    """GLONASS ICD 5.1, 3.3.1.1: 1602 MHz and 9/16 MHz a channel, 1246 MHz and 7/16 MHz a channel."""
    seen = 0
    for slot, channel in enumerate(GLONASS_CHANNELS, 1):
        if f"R{slot:02d}" not in read.sv.values:
            continue
        one = read.sel(sv=f"R{slot:02d}")
        for code, carrier in (("1C", 1602.0 + channel * 0.5625), ("2C", 1246.0 + channel * 0.4375)):
            metres = one[f"L{code}"].values * LIGHT_M_S / (carrier * 1e6) - one[f"C{code}"].values
            held = metres[~np.isnan(metres)]
            assert len(held) > 3
            assert np.abs(held).max() < 10  # twenty cycles and the noise
            seen += 1
    assert seen >= 8


def keplerian(eph, t_s, gm=3.986005e14, rate=7.2921151467e-5):
    """ECEF (m) and clock (s) at `t_s` of week, by IS-GPS-200, table 20-IV, and 20.3.3.3.3.1; `eph` by georinex's names."""
    a = eph["sqrtA"] ** 2
    tk = t_s - eph["Toe"]
    m = eph["M0"] + (math.sqrt(gm / a**3) + eph["DeltaN"]) * tk
    e = m
    for _ in range(20):
        e = m + eph["Eccentricity"] * math.sin(e)
    v = math.atan2(math.sqrt(1 - eph["Eccentricity"] ** 2) * math.sin(e), math.cos(e) - eph["Eccentricity"])
    p = v + eph["omega"]
    two = math.cos(2 * p), math.sin(2 * p)
    u = p + eph["Cuc"] * two[0] + eph["Cus"] * two[1]
    r = a * (1 - eph["Eccentricity"] * math.cos(e)) + eph["Crc"] * two[0] + eph["Crs"] * two[1]
    i = eph["Io"] + eph["IDOT"] * tk + eph["Cic"] * two[0] + eph["Cis"] * two[1]
    node = eph["Omega0"] + (eph["OmegaDot"] - rate) * tk - rate * eph["Toe"]
    x, y = r * math.cos(u), r * math.sin(u)
    place = (
        x * math.cos(node) - y * math.cos(i) * math.sin(node),
        x * math.sin(node) + y * math.cos(i) * math.cos(node),
        y * math.sin(i),
    )
    relativity = -4.442807633e-10 * eph["Eccentricity"] * eph["sqrtA"] * math.sin(e)
    return np.array(place), eph["SVclockBias"] + eph["SVclockDrift"] * tk + eph["SVclockDriftRate"] * tk**2 + relativity


def solved(read, nav, time):
    """The receiver's place by unweighted least squares over GPS's L1 C/A pseudoranges of an epoch (IS-GPS-200, 20.3.3.4.3)."""
    week_s = (time.astype("datetime64[ms]").astype(int) / 1000 - dt.datetime(1980, 1, 6, tzinfo=dt.UTC).timestamp()) % 604_800
    rows = []
    for sv in nav.sv.values:
        one = read.sel(time=time, sv=sv) if sv in read.sv.values else None
        if sv[0] == "G" and one is not None and not np.isnan(one["C1C"]):
            eph = nav.sel(sv=sv).dropna("time", how="all").isel(time=-1)
            rows.append((float(one["C1C"]), {name: float(eph[name]) for name in eph.data_vars if eph[name].ndim == 0}))
    assert len(rows) >= 5
    here, clock_m = np.zeros(3), 0.0
    for _ in range(10):
        design, miss = [], []
        for range_m, eph in rows:
            sent_s = week_s - range_m / LIGHT_M_S
            place, clock_s = keplerian(eph, sent_s)
            turned = 7.2921151467e-5 * np.linalg.norm(place - here) / LIGHT_M_S
            place = np.array(
                [
                    place[0] * math.cos(turned) + place[1] * math.sin(turned),
                    place[1] * math.cos(turned) - place[0] * math.sin(turned),
                    place[2],
                ]
            )
            line = here - place
            design.append([*(line / np.linalg.norm(line)), 1.0])
            miss.append(range_m + clock_s * LIGHT_M_S - np.linalg.norm(line) - clock_m)
        step = np.linalg.lstsq(np.array(design), np.array(miss), rcond=None)[0]
        here, clock_m = here + step[:3], clock_m + step[3]
    return here


@pytest.mark.parametrize("kind", ["msm7", "msm4", "legacy"])
def test_a_single_point_solution_is_within_five_metres_of_the_base(morning, tmp_path, kind):
    """The true place is the world's; IS-GPS-200 is written out above."""
    told = morning(kind=kind)
    path, nav_path, _said = written(told.log, tmp_path / "out", "--every", "240")
    read, nav = georinex.load(path, use="G"), georinex.load(nav_path, use="G")
    misses = [enu(told.world.arp, Ecef(*solved(read, nav, time))) for time in read.time.values]
    assert len(misses) == 3
    assert max(math.hypot(*miss) for miss in misses) < 5.0
    assert math.hypot(*np.mean(misses, axis=0)) < 2.0


needs_cssrlib = pytest.mark.skipif(
    importlib.util.find_spec("cssrlib") is None,
    reason="cssrlib is installed by the gate alone, without the seventy packages of its examples: .ci/run",
)


@pytest.mark.slow
@needs_cssrlib
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # its reader leaves the file that it reads open
def test_another_library_solves_it_within_five_metres_of_the_base(morning, tmp_path):
    """cssrlib reads both files and solves GPS, Galileo and BeiDou by its own models; the invented sky has no atmosphere."""
    from cssrlib.gnss import Nav, rSigRnx
    from cssrlib.pntpos import stdpos
    from cssrlib.rinex import rnxdec

    told = morning()
    path, nav_path, _said = written(told.log, tmp_path / "out", "--every", "30")
    reader, nav = rnxdec(), Nav(nf=1)
    nav.pmode = 0
    nav = reader.decode_nav(str(nav_path), nav)
    reader.setSignals(
        [
            rSigRnx(f"{system}{kind}")
            for system, code in (("G", "1C"), ("E", "1C"), ("C", "2I"))
            for kind in (f"C{code}", f"L{code}", f"S{code}")
        ]
    )
    assert reader.decode_obsh(str(path)) == 0
    solver = stdpos(nav, np.array(reader.pos) + np.array([900.0, -1700.0, 600.0]), trop_opt=1, iono_opt=1)
    misses = []
    for _ in range(24):
        seen = reader.decode_obs()
        if not misses:
            nav.t = seen.t
        solver.process(seen, cs=None)
        assert solver.nsat >= 15
        misses.append(enu(told.world.arp, Ecef(*map(float, nav.x[:3]))))
    assert max(math.hypot(*miss) for miss in misses) < 5.0


def test_ephemerides_put_every_satellite_where_the_sky_has_it(rinex, nav):
    """Galileo OS SIS ICD 5.1.1 and BeiDou OS SIS ICD 5.2.4.12 compute as IS-GPS-200 does, with earths of their own."""
    told = rinex[0]
    earth = {"G": (3.986005e14, 7.2921151467e-5), "E": (3.986004418e14, 7.2921151467e-5), "C": (3.986004418e14, 7.292115e-5)}
    checked = {"G": 0, "E": 0, "C": 0}
    for sv in nav.sv.values:
        if sv[0] == "R":
            continue
        found = nav.sel(sv=sv).dropna("time", how="all").isel(time=-1)
        eph = {name: float(found[name]) for name in found.data_vars if found[name].ndim == 0}
        index = next(i for i, orbit in enumerate(told.sky.orbits) if (orbit.system, orbit.prn) == (sv[0], int(sv[1:])))
        for t_s in (0.0, 700.0):
            # Where a receiver at the earth's centre sees it: only the light's time is between, which turns the earth.
            (x, y, z), _v = told.sky.seen(index, t_s, Ecef(0.0, 0.0, 0.0))
            light_s = math.hypot(x, y, z) / LIGHT_M_S
            week_s = told.sky.gps_tow_ms(t_s) / 1000 - (14 if sv[0] == "C" else 0) - light_s
            place, _clock = keplerian(eph, week_s, *earth[sv[0]])
            turned = earth["G"][1] * light_s
            here = (
                place[0] * math.cos(turned) + place[1] * math.sin(turned),
                place[1] * math.cos(turned) - place[0] * math.sin(turned),
                place[2],
            )
            assert math.dist(here, (x, y, z)) < 0.3, sv
        checked[sv[0]] += 1
    assert min(checked.values()) >= 5


def test_glonass_ephemerides_say_place_and_speed_at_their_own_time(rinex, nav):
    """Place, and by differences speed, at the time of the message."""
    told = rinex[0]
    slots = [sv for sv in nav.sv.values if sv[0] == "R"]
    assert len(slots) >= 5
    for sv in slots:
        index = next(i for i, orbit in enumerate(told.sky.orbits) if orbit.system == "R" and orbit.prn == int(sv[1:]))
        for time in nav.sel(sv=sv).dropna("time", how="all").time.values:
            one = nav.sel(sv=sv, time=time)
            utc = dt.datetime.fromtimestamp(time.astype("datetime64[s]").astype(int), dt.UTC)
            t_s = (utc - told.sky.start_utc).total_seconds()
            places = []
            for off_s in (-0.5, 0.0, 0.5):
                # The sky gives what is seen from the earth's centre: of the moment when the light set out.
                (x, y, z), _v = told.sky.seen(index, t_s + off_s, Ecef(0.0, 0.0, 0.0))
                light_s = math.hypot(x, y, z) / LIGHT_M_S
                (x, y, z), _v = told.sky.seen(index, t_s + off_s + light_s, Ecef(0.0, 0.0, 0.0))
                back = -7.2921151467e-5 * light_s
                places.append(np.array([x * math.cos(back) + y * math.sin(back), y * math.cos(back) - x * math.sin(back), z]))
            said = np.array([float(one[name]) for name in ("X", "Y", "Z")])
            speed = np.array([float(one[name]) for name in ("dX", "dY", "dZ")])
            assert np.abs(said - places[1]).max() < 1.0
            assert np.abs(speed - (places[2] - places[0])).max() < 0.01
            assert int(one["FreqNum"]) == GLONASS_CHANNELS[int(sv[1:]) - 1]


def measured(lock_s, below_s, code="1C", half=False):
    return Measured("G05", code, None, 2.1e7, 2.1e7, None, lock_s, below_s, half, 45.0, False)


def flags(*seen):
    """The two digits behind the phase at each (second, measurement)."""
    records = Records({"G": ["C1C", "L1C", "S1C"]}, {})
    return [records.epoch(int(s * 1000), [one]).splitlines()[1][33:35] for s, one in seen]


def test_loss_of_lock_follows_from_the_lock_time():
    for_long = measured(600.0, 610.0)
    assert flags((0, for_long), (30, for_long)) == [" 7", "17"]  # 600 to 610 s again, half a minute later
    assert flags((0, for_long), (30, measured(630.0, 640.0))) == [" 7", " 7"]
    assert flags((0, for_long), (30, measured(3.0, 4.0))) == [" 7", "17"]
    assert flags((0, measured(10.0, 11.0)), (30, measured(40.0, 41.0))) == [" 7", " 7"]
    assert flags((0, measured(5.0, 6.0)), (300, measured(29.0, 31.0))) == [" 7", "17"]  # gone in between
    assert flags((0, measured(937.0, 1e9)), (30, measured(937.0, 1e9))) == [" 7", " 7"]  # the indicator's last step
    assert flags((0, measured(937.0, 1e9, half=True))) == ["27"]


def test_a_legacy_phase_that_begins_anew_goes_on_in_the_file():
    """RTCM 10403.3, DF012: when phase and range drift 1500 cycles apart, the field begins anew (from memory)."""
    wave_m = LIGHT_M_S / 1575.42e6
    records = Records({"G": ["C1C", "L1C", "S1C"]}, {})
    phases = []
    for s, cycles in enumerate((700.0, 740.0, -720.0, -680.0, 650.0)):
        one = Measured("G05", "1C", None, 2.1e7, 2.1e7 + cycles * wave_m, None, 100.0 + s, 101.0 + s, False, 45.0, True)
        phases.append(float(records.epoch(s * 1000, [one]).splitlines()[1][19:33]) - 2.1e7 / wave_m)
    assert phases == pytest.approx([700, 740, 780, 820, 650], abs=0.001)


def test_glonass_and_beidou_epochs_are_in_gps_time():
    """UTC + 3 h (GLONASS ICD 5.1, 3.3.3), GPS − 14 s (BDS-SIS-ICD, 3.3), 18 leap seconds (IERS Bulletin C 52)."""
    utc = dt.datetime(2026, 6, 14, 20, 59, 50, tzinfo=dt.UTC)  # 23:59:50 on a Sunday in GLONASS time
    for system, number, field in (
        ("R", 1087, 0 << 27 | (86_400 - 10) * 1000),
        ("R", 1087, 7 << 27 | (86_400 - 10) * 1000),
        ("C", 1127, ((20 * 3600 + 59 * 60 + 50) + 18 - 14) * 1000),
        ("G", 1077, ((20 * 3600 + 59 * 60 + 50) + 18) * 1000),
        ("R", 1012, (86_400 - 10) * 1000 << 3),
    ):
        payload = ((number << 12 | 417) << 30 | field) << 2
        for about_s in (-1800, 0, 1800):
            about = gps_ms(utc + dt.timedelta(seconds=about_s))
            found = epoch_ms(payload.to_bytes(7, "big") + bytes(20), about)
            assert calendar(found) == dt.datetime(2026, 6, 14, 21, 0, 8), (system, number)


def said_at(week_s):
    """UTC of a second of GPS week 2423: a recording says no date of its own."""
    return dt.datetime(1980, 1, 6, tzinfo=dt.UTC) + dt.timedelta(weeks=2423, seconds=week_s - 18)


@pytest.mark.parametrize(
    ("name", "week_s", "satellites"),
    [
        ("rtcm-receiver.bin", 204_137, "CEGR"),
        ("rtcm-station.bin", 318_945, "CEGRS"),
        ("mixed.bin", 204_137, "CEGR"),
        ("mixed-badcrc.bin", 204_137, "CEGR"),
    ],
)
def test_recordings_are_read_back(name, week_s, satellites, log_of, tmp_path):
    data = (DATA / name).read_bytes()
    log = log_of(data, utc=said_at(week_s))
    path, nav_path, _said = written(log, tmp_path / "out")
    read = georinex.load(path)
    assert {sv[0] for sv in read.sv.values} == set(satellites)
    first = read.isel(time=0)
    for frame in frames_of(data):
        # The station's 1004 and MSM6 came first, from another receiver than MSM7: the first measurement of a signal stands.
        if (frame[3] << 4 | frame[4] >> 4) in ((1096, 1126) if name == "rtcm-station.bin" else (1077, 1097, 1127)):
            for (satellite, code), (pseudorange, *_rest) in by_pyrtcm(frame).items():
                if pseudorange is not None:
                    assert float(first.sel(sv=satellite)[f"C{code}"]) == pytest.approx(pseudorange, abs=0.0011)
    assert (nav_path is not None) == (name == "rtcm-station.bin")
    if nav_path is not None:
        read = georinex.load(nav_path)
        for frame in frames_of(data):
            if frame[3] << 4 | frame[4] >> 4 == 1019:
                parsed = RTCMReader.parse(frame)
                one = read.sel(sv=f"G{parsed.DF009:02d}").dropna("time", how="all").isel(time=0)
                assert float(one["sqrtA"]) == pytest.approx(parsed.DF092, rel=1e-11)
                assert float(one["M0"]) == pytest.approx(parsed.DF088 * math.pi, rel=1e-11)


def test_without_a_date_or_observations_there_is_no_file(log_of, tmp_path):
    for log, said in (
        (log_of((DATA / "rtcm-station.bin").read_bytes()), "never heard the date"),
        (log_of((DATA / "mixed-ubx.bin").read_bytes(), utc=said_at(0), name="other.0001.db"), "no observations came there"),
    ):
        done = extract(log, "--as", "rinex", "-o", tmp_path / "out")
        assert (done.exit_code, len(done.output.splitlines())) == (2, 1), done.output
        assert said in done.output
        assert not (tmp_path / "out").exists()


def test_hostile_frames_leave_a_file_or_a_line(log_of, tmp_path):
    """Good checksums round nonsense of every number that is read, among a recording."""
    recording = (DATA / "rtcm-station.bin").read_bytes()
    numbers = [*range(1001, 1014), 1019, 1020, 1033, 1042, 1044, 1045, 1046, 1230, *range(1071, 1138)]
    bad = b"".join(
        rtcm.frame(bytes([number >> 4, (number & 15) << 4 | 1]) + fill * size)
        for number in numbers
        for fill in (b"\x00", b"\xff", b"\xa5")
        for size in (1, 8, 40, 200)
    )
    log = log_of(recording, bad, recording, utc=said_at(318_945))
    done = extract(log, "--as", "rinex", "-o", tmp_path / "out")
    assert done.exit_code == 0, done.output
    (path,) = (tmp_path / "out").glob("*_MO.rnx")
    assert path.read_bytes().isascii()
    assert all(len(line) <= 80 for line in path.read_text().split("END OF HEADER")[0].splitlines())
    slots = re.findall(r"(\w\d\d) +(-?\d+)", " ".join(header(path)["GLONASS SLOT / FRQ #"]))
    assert slots
    assert [(slot, channel) for slot, channel in slots if not (1 <= int(slot[1:]) <= 24 and -7 <= int(channel) <= 6)] == []


def test_a_glonass_ephemeris_of_no_slot_or_no_channel_is_none():
    """Slots 1 to 24: pyrtcm's table of GLONASS satellites. Channels -7 to +6: GLONASS ICD 5.1, 3.3.1.1 (from memory)."""

    def known(slot, sent):
        bits = 1020 << 348 | slot << 342 | sent << 337 | 40 << 312
        said = ephemeris(bits.to_bytes(45, "big"))
        assert (said["satellite"], said["channel"], said["tb"]) == (slot, sent, 40)
        found = broadcast(1020, said, 1_465_000_000_000)
        return None if found is None else (found.satellite, found.values[10])

    assert list(PRNSIGMAP["108"][0]) == [slot for slot in range(64) if known(slot, 7)]
    assert [known(5, sent) for sent in range(32)] == [("R05", channel) for channel in range(-7, 7)] + [None] * 18


def test_a_glonass_phase_on_an_impossible_channel_is_left_out_and_its_range_kept():
    for channel, there in ((-7, True), (6, True), (7, False), (13, False), (24, False)):
        seen = Observation("R", 5, 10.0, 40.0, channel, [Signal("1C", 2.1e7, 2.1e7, 0.0, 45.0, 77.0, 0.19)])
        (one,) = measurements(rtcm.glonass_1012(417, 200_000_000, [seen]))
        assert one.channel == (channel if there else None)
        row = Records({"R": ["C1C", "L1C"]}, {}).epoch(0, [one]).splitlines()[1]
        assert row.startswith("R05  21000000.0")
        assert (len(row) > 20) == there


def test_what_cannot_be_written_is_one_line(morning, log_of, tmp_path):
    log = morning().log
    for words, said in (
        (("-o", "-"), "expected -o FOLDER"),
        (("--stream", "radio", "-o", tmp_path / "out"), "no stream 'radio'"),
        (("--station", "9", "-o", tmp_path / "out"), "station 9 sent no observations there; stations that did: 417"),
        (("--every", "0.7", "--from", "10", "--to", "12", "-o", tmp_path / "out"), "other moments than --every names"),
        (("--stream", "receiver", "-o", tmp_path / "out"), "no observations came there"),
        (("--from", "5000", "-o", tmp_path / "out"), "no observations came there"),
    ):
        done = extract(log, "--as", "rinex", *words)
        assert (done.exit_code, len(done.output.splitlines())) == (2, 1), done.output
        assert said in done.output
        assert not (tmp_path / "out").exists()
    done = extract(log, "--as", "csv", "--station", "9", "-o", tmp_path / "out")
    assert (done.exit_code, "--station goes with --as rinex" in done.output) == (2, True)


def test_a_stretch_of_the_morning_is_its_epochs_alone(morning, tmp_path):
    told = morning()
    path, _nav, _said = written(told.log, tmp_path / "out", "--from", "2026-06-15T08:05:00Z", "--to", "2026-06-15T08:05:10Z")
    times = georinex.load(path).time.values
    assert times[0] == np.datetime64("2026-06-15T08:05:18")  # in GPS time
    assert times[-1] == np.datetime64("2026-06-15T08:05:28")
    assert len(times) == 11


@pytest.mark.parametrize(
    ("version", "name"),
    [("1.12.0", "witnesspost 1.12.0"), ("1.12.0.dev3", "witnesspost"), ("from source", "witnesspost")],
)
def test_the_program_is_named_whole_or_without_its_version(morning, tmp_path, monkeypatch, version, name):
    """The field has 20 columns (RINEX 3.05, table A2, from memory); half a version is another version."""
    monkeypatch.setattr("witnesspost.replay.export.rinex_day.program", lambda: version)
    stretch = "--from", "2026-06-15T08:05:00Z", "--to", "2026-06-15T08:05:02Z"
    path, _nav, _said = written(morning().log, tmp_path / "out", *stretch)
    assert header(path)["PGM / RUN BY / DATE"][0][:20].strip() == name


@pytest.mark.slow
def test_msm4_without_ephemerides_keeps_glonass_ranges_and_says_what_is_missing(morning, tmp_path):
    told = morning(kind="msm4", ephemerides_s=0.0)
    path, nav, said = written(told.log, tmp_path / "out", "--every", "240")
    assert nav is None
    assert "no ephemerides were sent" in said
    assert "its phases are left out" in said
    read = georinex.load(path)
    glonass = read.sel(sv=[sv for sv in read.sv.values if sv[0] == "R"])
    assert not np.isnan(glonass["C1C"].values).all()
    assert np.isnan(glonass["L1C"].values).all()
