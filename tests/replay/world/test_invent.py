from __future__ import annotations

import math
import statistics
from io import BytesIO

import pynmeagps
import pyrtcm
import pytest
from witnesspost.daemon.stream.framing import BAD_FRAME, FRAME, OTHER, SENTENCE, Framer
from witnesspost.replay.play.proving import run
from witnesspost.replay.play.tape import Chunk, Tape, Truth, write_tape
from witnesspost.replay.world.invent import header, invent
from witnesspost.replay.world.scenario import ScenarioError, bundled, scenario, scenarios
from witnesspost.replay.world.truth import truths
from witnesspost.replay.world.world import World, ecef, geodetic, minus
from witnesspost.rules.book.contents import RULES
from witnesspost.rules.datum.geodesy import expected_arp
from witnesspost.rules.facts import Planned, Port
from witnesspost.rules.site.reading import site_from_table


def short(name, duration_s, **over):
    one = scenario(name)
    one.duration_s = duration_s
    for key, value in over.items():
        setattr(one, key, value)
    return one


def bytes_of(records, stream):
    return b"".join(r.data for r in records if isinstance(r, Chunk) and r.stream == stream)


def variant(tmp_path, text):
    path = tmp_path / "x.toml"
    path.write_text('like = "quiet-hour-rover"\nduration_s = 60\nnote = "x"\n' + text)
    return scenario(path)


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    one = short("quiet-hour-rover", 90)
    assert list(invent(one)) == list(invent(one))
    for name in ("a.jsonl.gz", "b.jsonl.gz"):
        write_tape(tmp_path / name, header(one), invent(one))
    assert (tmp_path / "a.jsonl.gz").read_bytes() == (tmp_path / "b.jsonl.gz").read_bytes()
    assert list(invent(one, seed=5)) != list(invent(one, seed=6))


def test_a_tape_gives_the_records_back(tmp_path):
    one = short("radio-cable-pulled-and-back", 300)
    write_tape(tmp_path / "t.jsonl", header(one), invent(one))
    with Tape(tmp_path / "t.jsonl") as tape:
        assert tape.header == header(one)
        assert tape.part < 0.1
        assert list(tape) == list(invent(one))
        assert tape.part == 1.0


def test_a_tape_elsewhere_still_finds_the_projects_geoid(tmp_path):
    one = scenario("datum-america:other-geoid")
    write_tape(tmp_path / "t.jsonl", header(one), invent(one))
    with Tape(tmp_path / "t.jsonl") as tape:
        site = site_from_table(tape.header.site, str(tmp_path / "t.jsonl"))
    assert expected_arp(site) == expected_arp(one.site)


def test_time_never_steps_back_and_runs_to_the_end():
    records = [r for r in invent(short("base-switched-off", 300)) if not isinstance(r, Truth)]
    times = [r.t for r in records]
    assert times == sorted(times)
    assert records[-1] == Chunk(t=300.0, stream="corrections", data=b"")
    assert all(round(t, 3) == t for t in times)


def test_every_byte_of_a_clean_line_is_a_frame_or_a_sentence_that_other_decoders_read():
    records = list(invent(short("quiet-hour-rover", 60)))
    for stream, kind in (("corrections", FRAME), ("receiver", SENTENCE)):
        framer = Framer()
        units = [*framer.feed(bytes_of(records, stream)), *framer.flush()]
        assert {unit[0] for unit in units} == {kind}
    frames = [parsed for _raw, parsed in pyrtcm.RTCMReader(BytesIO(bytes_of(records, "corrections")), quitonerror=2)]
    kinds = {parsed.identity for parsed in frames}
    assert kinds == {"1006", "1033", "1230", "1074", "1084", "1094", "1124"}
    assert sum(parsed.identity == "1074" for parsed in frames) == 60
    assert {parsed.DF003 for parsed in frames} == {417}
    sentences = [p for _raw, p in pynmeagps.NMEAReader(BytesIO(bytes_of(records, "receiver")), quitonerror=2)]
    assert sum(p.msgID == "GGA" for p in sentences) == 60
    assert {p.msgID for p in sentences} == {"GGA", "GST", "RMC", "ZDA", "GSV", "XDR"}


@pytest.mark.parametrize("hz", [1, 5, 10, 20])
def test_positions_come_at_their_rate(hz):
    one = short("quiet-hour-rover", 20)
    one.rover.position_hz = hz
    lines = bytes_of(invent(one), "receiver").split(b"\r\n")
    times = [line.split(b",")[1] for line in lines if line.startswith(b"$GNGGA")]
    # What is said after the end, as the sentences take their time, is no more on the tape.
    assert len(times) == len(set(times))
    assert 20 * hz - 2 <= len(times) <= 20 * hz


def positions(one):
    """(quality, latitude, longitude, ellipsoidal height, age, station) of every GGA."""
    found = []
    for _raw, p in pynmeagps.NMEAReader(BytesIO(bytes_of(invent(one), "receiver"))):
        if p.msgID == "GGA":
            found.append((p.quality, p.lat, p.lon, p.alt + p.sep, p.diffAge, p.diffStation))
    return found


def test_the_fixed_rover_is_where_it_is_and_carries_the_bases_error(tmp_path):
    still = "rover.works = false\n"
    right = variant(tmp_path, still)
    wrong = variant(tmp_path, still + '[[event]]\ndo = "broadcast"\nat_s = 0\nup_m = 28.6\neast_m = -1.5\n')
    world = World(right)
    true = world.from_base(180.0, -75.0, 2.0)
    shifted = World(wrong).from_base(180.0 - 1.5, -75.0, 2.0 + 28.6)
    for one, place in ((right, true), (wrong, shifted)):
        fixed = [ecef(lat, lon, h) for quality, lat, lon, h, _age, _station in positions(one) if quality == 4]
        assert len(fixed) > 20
        mean = [statistics.fmean(p[axis] for p in fixed) for axis in range(3)]
        assert math.dist(mean, place) < 0.03
    alone = [p for p in positions(wrong) if p[0] == 1]
    assert alone
    assert all(math.dist(ecef(*p[1:4]), true) < 8 for p in alone)


def test_the_base_broadcasts_what_the_project_expects():
    one = short("quiet-hour-base", 5)
    frames = pyrtcm.RTCMReader(BytesIO(bytes_of(invent(one), "corrections")))
    station = next(parsed for _raw, parsed in frames if parsed.identity == "1006")
    expected = expected_arp(one.site)
    assert pytest.approx(expected.ecef, abs=1e-3) == (station.DF025, station.DF026, station.DF027)
    assert pytest.approx(1.843) == station.DF028


def test_geodetic_is_the_inverse_of_ecef():
    for place in ((39.1, -105.0, 1843.2), (-33.2, 148.6, 431.9), (0.0, 36.8, 0.0), (89.9, 12.0, -30.0)):
        assert geodetic(ecef(*place)) == pytest.approx(place, abs=1e-8)
    # IOGP 373-7-2 (EPSG Guidance Note 7-2), method 9602, on WGS 84; GRS 80 differs by 0.1 mm in the polar axis.
    assert ecef(53 + 48 / 60 + 33.820 / 3600, 2 + 7 / 60 + 46.380 / 3600, 73.0) == pytest.approx(
        (3771793.968, 140253.342, 5124304.349), abs=2e-3
    )


def test_a_pulled_cable_is_told_and_brings_nothing(tmp_path):
    one = variant(tmp_path, '[[event]]\ndo = "port-lost"\nat_s = 20\nfor_s = 15\n')
    records = list(invent(one))
    ports = [(r.t, r.state) for r in records if isinstance(r, Port)]
    assert ports == [(20.0, "lost"), (35.0, "back")]
    corrections = [r.t for r in records if isinstance(r, Chunk) and r.stream == "corrections" and r.data]
    assert not [t for t in corrections if 20 <= t < 35]
    assert [t for t in corrections if 15 < t < 20]
    assert [t for t in corrections if t > 35]


def test_what_is_told_from_outside_is_told(tmp_path):
    one = variant(tmp_path, '[[event]]\ndo = "planned"\nat_s = 20\nlasts_s = 15\nwhy = "battery"\n')
    assert [r for r in invent(one) if isinstance(r, Planned)] == [Planned(t=20.0, stream="", for_s=15.0, why="battery")]


def test_swapped_plugs_bring_each_lines_bytes_in_on_the_other(tmp_path):
    right = list(invent(variant(tmp_path, "")))
    swapped = list(invent(variant(tmp_path, '[[event]]\ndo = "plugs-swapped"\nat_s = 20\nfor_s = 15\n')))
    other = {"corrections": "receiver", "receiver": "corrections"}
    lines = [other[r.stream] if isinstance(r, Chunk) and 20 <= r.t < 35 else getattr(r, "stream", "") for r in right]
    assert [getattr(r, "stream", "") for r in swapped if not isinstance(r, Truth)] == lines
    assert [getattr(r, "data", b"") for r in swapped if not isinstance(r, Truth)] == [r.data for r in right]


def test_a_post_of_one_line_has_no_plugs_to_swap(tmp_path):
    one_line = "site.stream = [{ name = 'corrections', port = '/dev/ttyS0', carries = ['corrections'] }]\n"
    with pytest.raises(ScenarioError, match="'plugs-swapped' on a site of one line"):
        variant(tmp_path, one_line + '[[event]]\ndo = "plugs-swapped"\nat_s = 20\n')


def test_two_bases_share_the_line_frame_by_frame(tmp_path):
    one = variant(tmp_path, '[[event]]\ndo = "neighbour"\nat_s = 20\nstation_id = 901\n')
    data = bytes_of(invent(one), "corrections")
    units = Framer().feed(data)
    stations = {(unit[4] & 15) << 8 | unit[5] for kind, unit in units if kind == FRAME}
    assert stations == {417, 901}
    assert not [unit for kind, unit in units if kind in (BAD_FRAME, OTHER)]


def test_the_truth_about_silence_is_the_last_epoch_that_arrived():
    one = scenario("rover-radio-other-frequency")
    records = list(invent(one))
    last = max(r.t for r in records if isinstance(r, Chunk) and r.stream == "corrections" and r.data)
    truths = [r for r in records if isinstance(r, Truth)]
    assert [(t.rule, t.cause, t.expect) for t in truths] == [("corrections-stopped", "line-silent", "raised")]
    assert truths[0].t == pytest.approx(last, abs=0.002)
    assert truths[0].within_s == pytest.approx(5.3)


@pytest.mark.parametrize("name", ["quiet-hour-base", "quiet-hour-rover"])
def test_ten_quiet_minutes(name):
    played = run(short(name, 600))
    assert (played.changes, played.truths) == ([], [])


def test_every_cause_of_every_rule_is_reached_by_a_scenario():
    """By the truth lines of the events; silence is known only in the play, so its scenarios go by their cause's name."""
    reached = {
        (truth.rule, cause)
        for path in bundled()
        for one in scenarios(path)
        for truth in truths(one)
        if truth.expect in ("raised", "cause")
        for cause in truth.causes
    }
    silence = {one.name.partition(":")[2] for one in scenarios("corrections-stopped")}
    missing = {(rule.name, cause) for rule in RULES for cause in rule.causes} - reached
    missing -= {(rule, cause) for rule, cause in missing if rule == "corrections-stopped" and any(cause in n for n in silence)}
    # A control check has the causes of the base's coordinate: `base-datum` reaches each of them, at three places.
    missing -= {(rule, cause) for rule, cause in missing if rule == "control-check" and ("base-datum", cause) in reached}
    # What fails in the program itself is no event of the world: tests/daemon has the companions and outputs that fail.
    failed = {("post-health", f"{part}-failed") for part in ("rule", "companion", "output", "reading")}
    assert missing == failed


ALONE = "rover.works = false\n"


def places(one):
    """(t, ECEF) of every GGA, and the ECEF of a control point."""
    found = [ecef(lat, lon, h) for _quality, lat, lon, h, _age, _station in positions(one)]
    return found, World(one)


def test_a_walk_leads_to_a_mark_over_its_own_ground_and_beside_it(tmp_path):
    walk = '[[event]]\ndo = "walk"\nat_s = 5\nspeed_m_s = 50\npoint = "KQ-2"\neast_m = 0.5\nup_m = -0.2\n'
    fixed = "[messages]\nstation_s = 1.0\n"
    found, world = places(variant(tmp_path, ALONE + fixed + walk))
    east, north, up = (
        sum(a * b for a, b in zip(minus(found[-1], world.point("KQ-2")), axis, strict=True)) for axis in world.axes
    )
    assert (east, north, up) == (pytest.approx(0.5, abs=0.05), pytest.approx(0, abs=0.05), pytest.approx(1.8, abs=0.1))
    speeds = [
        float(line.split(b",")[7] or 0)
        for line in bytes_of(invent(world.scenario), "receiver").split(b"\r\n")
        if b"RMC" in line
    ]
    assert max(speeds) == pytest.approx(50 * 3600 / 1852, rel=0.01)  # km/h by 1.852
    assert speeds[-1] == 0.0


def stations(one):
    """(number, ECEF) of every 1006, as an open decoder reads it."""
    frames = pyrtcm.RTCMReader(BytesIO(bytes_of(invent(one), "corrections")))
    return [(p.DF003, (p.DF025, p.DF026, p.DF027), p.DF028) for _raw, p in frames if p.identity == "1006"]


NETWORK = 'without = ["site.base.occupies"]\nsite.base.kind = "network"\nbase.stands_on = "KQ-1"\n'


def test_a_services_station_is_elsewhere_under_another_number_and_moves_on(tmp_path):
    event = '[[event]]\ndo = "station-at"\nat_s = 20\nto = 1072\neast_m = 300\nnorth_m_s = 2\n'
    one = variant(tmp_path, NETWORK + event)
    said, world = stations(one), World(one)
    assert [(number, round(math.dist(at, world.arp), 2)) for number, at, _height in said] == [
        (417, 0.0),
        (417, 0.0),
        (1072, 300.0),
        (1072, round(math.hypot(300, 20), 2)),
        (1072, round(math.hypot(300, 40), 2)),
        (1072, round(math.hypot(300, 60), 2)),
    ]


def test_a_station_of_the_crews_own_does_not_move(tmp_path):
    with pytest.raises(ScenarioError, match="'station-at' with a base of kind \"own\""):
        variant(tmp_path, '[[event]]\ndo = "station-at"\nat_s = 20\n')


def test_the_projects_second_base_stands_over_its_mark(tmp_path):
    other = 'site.other_base = [{ occupies = "KQ-3", station_id = 418, antenna_height_m = 1.612 }]\n'
    one = variant(tmp_path, other + '[[event]]\ndo = "neighbour"\nat_s = 0\nstation_id = 418\npoint = "KQ-3"\n')
    mark = World(one).point("KQ-3")
    heard = [(at, height) for number, at, height in stations(one) if number == 418]
    assert len(heard) == 6
    for at, height in heard:
        assert (math.dist(at, mark), height) == (pytest.approx(1.612, abs=2e-4), pytest.approx(1.612))
        assert math.hypot(*at) - math.hypot(*mark) == pytest.approx(1.612, abs=1e-3)


def test_a_modem_that_gathers_hands_over_all_at_once(tmp_path):
    one = variant(tmp_path, "link.burst_s = 4.0\n")
    plain = variant(tmp_path, "")
    records = [r for r in invent(one) if isinstance(r, Chunk) and r.stream == "corrections" and r.data]
    assert {r.t % 4.0 for r in records} == {0.0}
    whole = bytes_of(invent(plain), "corrections")
    assert whole.startswith(b"".join(r.data for r in records))
    assert len(whole) * 0.9 < sum(len(r.data) for r in records)
    assert not [r for r in invent(one) if isinstance(r, Truth)]


def test_marks_and_geoid_are_as_the_ground_has_them(tmp_path):
    listed = World(variant(tmp_path, ""))
    higher = World(variant(tmp_path, "ground.geoid_above_m = 0.6\n"))
    for name in ("KQ-1", "KQ-3"):
        assert math.dist(listed.point(name), higher.point(name)) == pytest.approx(0.6)
        assert geodetic(higher.point(name)).height_m - geodetic(listed.point(name)).height_m == pytest.approx(0.6)
    elsewhere = World(variant(tmp_path, "ground.marks.KQ-2 = [39.2, -104.9, 1900.0]\n"))
    assert geodetic(elsewhere.point("KQ-2")) == pytest.approx((39.2, -104.9, 1900.0))
    assert elsewhere.point("KQ-1") == listed.point("KQ-1")


def test_the_base_that_the_post_stands_at_may_be_the_second_one(tmp_path):
    one = variant(tmp_path, 'base = { stands_on = "KQ-3", antenna_height_m = 1.0 }\n')
    assert math.dist(World(one).arp, World(one).point("KQ-3")) == pytest.approx(1.0)


@pytest.mark.parametrize(("speaks", "said"), [("gns", {"GNS", "RMC"}), ("rmc", {"RMC"})])
def test_a_receiver_speaks_what_it_is_set_to(tmp_path, speaks, said):
    one = variant(tmp_path, f'rover.speaks = "{speaks}"\nrover.position_hz = 5\n')
    sentences = [p for _raw, p in pynmeagps.NMEAReader(BytesIO(bytes_of(invent(one), "receiver")), quitonerror=2)]
    assert {p.msgID for p in sentences} == said | {"GST", "ZDA", "GSV", "XDR"}
    (carries,) = said - {"RMC"} or said
    assert 295 <= sum(p.msgID == carries for p in sentences) <= 300
    last = [p for p in sentences if p.msgID == carries][-1]
    assert last.posMode.strip("R") == ""  # fixed


def test_what_no_rule_reads_comes_with_each_epoch(tmp_path):
    one = variant(tmp_path, "messages.also = [1019, 4050]\n")
    kinds = [unit[3] << 4 | unit[4] >> 4 for kind, unit in Framer().feed(bytes_of(invent(one), "corrections")) if kind == FRAME]
    assert kinds.count(1019) == kinds.count(4050) == kinds.count(1074)
