"""The judge of the proof of practice can fail, its truth stands on published values, and its streams can be read by others."""

import io
import math
from types import SimpleNamespace

import pynmeagps
import pyrtcm
import pytest
from witnesspost.rules.finding import Cause

from tests.proof.practice import answer, counts
from tests.proof.situations import ALL, ground
from tests.proof.situations.case import Allow, Situation, faults, note, stop, word_faults
from tests.proof.situations.ground import KESTREL, aside, ecef, egm96, geodetic, site
from tests.proof.situations.shift import Shift


def change(rule="control-check", cause="rover-pole", severity="stop", t=70.0, causes=(), because_of=None, alert=1):
    """What the judge reads of a change."""
    causes = [Cause(cause=name) for name in causes or (cause,)]
    said = {"rule": rule, "cause": cause, "severity": severity, "t": t, "causes": causes}
    return SimpleNamespace(change="raised", because_of=because_of, alert=alert, **said)


def situation(*expect, group="blunder", **other):
    return Situation("name", "Europe", group, lambda: ({}, Shift(), 1.0), expect, **other)


LEANS = change("tilt", "pole-too-far-over", "note")
FARTHER = change("tilt", "pole-too-far-over", "check")
POLE = stop("control-check", "rover-pole", after=69.0, by=76.0)


@pytest.mark.parametrize(
    ("told", "changes", "fault"),
    [
        (situation(POLE), [change()], None),
        (situation(POLE), [], "missing control-check"),
        (situation(POLE), [change(cause="leaning-pole")], "missing control-check"),
        (situation(POLE), [change(severity="check")], "missing control-check"),
        (situation(POLE), [change(t=60.0)], "missing control-check"),
        (situation(POLE), [change(t=80.0)], "missing control-check"),
        (situation(POLE), [change(because_of="base-moved")], "missing control-check"),
        (situation(POLE), [change(), change(t=90.0, alert=2)], "2 times"),
        (situation(POLE), [change(), change(rule="sky", cause="few-satellites", severity="check")], "false raised sky"),
        (situation(POLE), [change(), change(rule="sky", cause="few-satellites", because_of="fix-lost")], None),
        (situation(group="practice"), [], None),
        (situation(group="practice"), [change(rule="sky", cause="few-satellites", because_of="fix-lost")], "false raised sky"),
        (situation(group="practice"), [LEANS], "false raised tilt"),
        (situation(group="practice", allow=(Allow("tilt"),)), [LEANS], None),
        (situation(group="practice", allow=(Allow("tilt"),)), [FARTHER], "false raised tilt"),
        (situation(note("tilt", "x"), group="practice"), [], "missing tilt"),
        (situation(POLE, right_base=True), [change(causes=("rover-pole", "rounded"))], "blames a right base"),
        (situation(POLE, right_base=True), [change(causes=("rover-pole", "mark-or-point"))], None),
    ],
)  # fmt: skip
def test_the_judge_tells_right_from_wrong(told, changes, fault):
    found = faults(told, changes)
    assert (fault is None) == (not found), found
    assert fault is None or any(fault in line for line in found)


@pytest.mark.parametrize(
    ("right_base", "causes", "say", "step", "fault"),
    [
        (True, ("rover-pole", "mark-or-point"), "That may be the pole.", "Measure the pole.", None),
        (True, ("rover-pole", "mark-or-point"), "That is the pole.", "Measure the pole.", "sure of one"),
        (True, ("rover-pole",), "That is the pole.", "Type the rover's point into the base.", "has a right base corrected"),
        (True, ("rover-pole",), "That is the pole.", "The base agrees with the project: leave it as it is.", None),
        (False, ("rounded",), "That is rounding.", "Note the time, then correct the base.", None),
    ],
)
def test_words_are_judged_too(right_base, causes, say, step, fault):
    found = word_faults(situation(POLE, right_base=right_base), change(causes=causes), say, [step])
    assert (fault is None) == (not found), found
    assert fault is None or fault in found[0]


def test_a_right_base_where_another_is_expected_is_found_wrong():
    told = Situation(
        "a right base", "North America", "blunder",
        lambda: (site(KESTREL), Shift("right").base((0.0, 30.0), KESTREL.arp()), 30.0), (stop("base-datum", "digit-slip"),),
    )  # fmt: skip
    one = answer(told)
    assert not one.right
    assert one.raised == "nothing"
    assert counts([one]) == {"blunders, first cause right": (0, 1)}


def test_a_refused_site_file_is_not_right():
    table = site(KESTREL)
    table["post"]["role"] = "bystander"
    one = answer(Situation("refused", "Asia", "practice", lambda: (table, Shift(), 1.0), right_base=True))
    assert not one.right
    assert counts([one])["a right base, never blamed"] == (0, 1)


def test_situations_are_many_of_every_kind_and_told_apart():
    assert len({one.name for one in ALL}) == len(ALL) >= 400
    assert {one.region for one in ALL} >= {"North America", "South America", "Europe", "Africa", "Asia", "Oceania"}
    assert sum(one.group == "practice" for one in ALL) >= 180
    roles = [one.make()[0]["post"]["role"] for one in ALL[::10]]
    assert {"base", "rover"} == set(roles)


def test_the_ground_agrees_with_published_values():
    # IOGP 373-7-2, method 9602 (WGS 84's ellipsoid there, GRS 80's here: 0.1 mm apart).
    at = ecef(53.80939444, 2.12955000, 73.0)
    assert math.dist(at, (3771793.968, 140253.342, 5124304.349)) < 0.002
    latitude, longitude, h = geodetic(at)
    assert (latitude, longitude, h) == pytest.approx((53.80939444, 2.12955, 73.0), abs=1e-8)
    assert geodetic(aside(at, 0.0, 0.0, 2.0))[2] == pytest.approx(75.0, abs=1e-6)
    # NGA's readme of EGM96: to 0.06 m by the 15′ grid.
    for place in ground.NGA_POINTS:
        assert egm96(place.latitude, place.longitude) == pytest.approx(place.n, abs=0.06)
    # GDA2020 Technical Manual v1.2, section 3.1.1: GDA94 to GDA2020.
    moved = ground.moved("EPSG:4938", "EPSG:7842", (-4052051.7643, 4212836.2017, -2545106.0245), 2020.0)
    assert math.dist(moved, (-4052052.7379, 4212835.9897, -2545104.5898)) < 0.0005
    # Plate motion of Eurasia at 52.38° N, 13.07° E: 15.4 mm north and 19.5 mm east a year by the same rates elsewhere.
    start = ecef(52.38, 13.07, 0.0)
    assert math.dist(ground.drifted(start, "EURA", 1.0), start) == pytest.approx(math.hypot(0.0154, 0.0195), abs=3e-3)


def test_marks_are_what_their_listed_numbers_mean():
    for place in (ground.ETRS, ground.US_FEET, ground.LV03, ground.DHDN, ground.OSGB):
        mark = place.mark("KQ-2")
        easting, northing = ground.project(place, mark.latitude, mark.longitude)
        assert easting / place.unit_m == pytest.approx(mark.listed["easting"], abs=3e-3)
        assert northing / place.unit_m == pytest.approx(mark.listed["northing"], abs=3e-3)
        assert mark.h == pytest.approx(mark.listed["height"] * place.height_unit_m + mark.n)


def test_the_streams_are_read_by_open_decoders():
    shift = Shift("read").base((0.0, 10.0), KESTREL.arp(), height=1.8)
    shift.base((10.0, 12.0), KESTREL.arp(), kind="legacy", systems="GR")
    line = b"".join(what for _, _, _, what in shift.events)
    found = [parsed.identity for _, parsed in pyrtcm.RTCMReader(io.BytesIO(line))]
    assert [found.count(name) for name in ("1006", "1077", "1087", "1097", "1127", "1230", "1004", "1012", "1005")] == [
        1, 10, 10, 10, 10, 2, 2, 2, 1,
    ]  # fmt: skip
    shift = Shift("said").receiver((0.0, 2.0), KESTREL.arp(), n=-17.2, form=("GGA", "GNS", "RMC", "ZDA"), tilt=lambda t: 3.0)
    line = b"".join(what for _, _, _, what in shift.events)
    sentences = [parsed for _, parsed in pynmeagps.NMEAReader(io.BytesIO(line), quitonerror=2)]
    assert [parsed.msgID for parsed in sentences] == ["GGA", "GNS", "RMC", "ZDA", "XDR"] * 2
    assert sentences[0].lat == pytest.approx(KESTREL.latitude, abs=5e-7)
    assert sentences[1].posMode == "RRRR"


# Which bits go into each parity bit, as an open decoder masks them (two bits of the word before, 30 of this; from memory).
MASKS = (0xBB1F3480, 0x5D8F9A40, 0xAEC7CD00, 0x5763E680, 0x6BB1F340, 0x8B7A89C0)


def test_words_of_rtcm_2_carry_their_parity():
    shift = Shift("two").rtcm_2((0.0, 4.0))
    line = b"".join(what for _, _, _, what in shift.events)
    bits = "".join(f"{byte & 0x3F:06b}"[::-1] for byte in line)
    words = [int(bits[at : at + 30], 2) for at in range(0, len(bits), 30)]
    heads = last = 0
    for word in words:
        whole = (last & 3) << 30 | word
        if whole & 0x40000000:
            whole ^= 0x3FFFFFC0
        parity = [bin(whole & mask).count("1") & 1 for mask in MASKS]
        assert int("".join(map(str, parity)), 2) == word & 0x3F
        heads += whole >> 22 & 0xFF == 0x66
        last = word
    assert heads >= 8
