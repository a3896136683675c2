"""What leaves a post: no place in figures or words unless it is precise, and every difference."""

import json
import re
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.log.log import row_of_change
from witnesspost.daemon.log.rows import EventRow
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.publish.messages import change_message, check_message, place, without_places, without_places_in_words
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import open_all

from tests.daemon.log.feeding import change
from tests.rules.book.test_own import own_bench
from tests.rules.conftest import Day


@pytest.mark.parametrize(
    ("words", "left"),
    [
        ("the longitude as -104.9870543", "the longitude as …"),
        ("39 07 24.4441 N, 104°59′15.56″ W", "… N, … W"),
        ("easting 512345.678, northing 4,331,210.25", "easting …, northing …"),
        ("the height as 1847.322", "the height as …"),
        # What stays: differences, lengths, radios, dates, epochs, names.
        ("16 mm high, 0.0372 m east; 30,089 m away", None),
        ("No corrections for 37 s: nothing comes in on the port for corrections.", None),
        ("ITRF2014 at 2026.5, EPSG:6319; 461.0250 MHz at 9600 bps", None),
        ("2026-05-04 03:11:12-06:00 on KQ-1", None),
        ("antenna 1.843 m, limits 30 mm across and 50 mm in height", None),
        ("The receiver's geoid is not the project's: -15.2136 m here, not -16.014 m (0.8 m apart).", None),
    ],
)
def test_coordinates_in_words(words, left):
    assert without_places_in_words(words) == (words if left is None else left)


@given(st.text(max_size=300))
def test_any_words(words):
    assert len(without_places_in_words(words)) <= len(words)


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_a_place_is_said_to_a_kilometre_or_as_it_is(latitude, longitude):
    coarse = place(latitude, longitude, precise=False)
    assert all(re.fullmatch(r"-?\d+\.\d{1,2}", str(value)) for value in coarse.values())
    assert abs(coarse["latitude"] - latitude) <= 0.005 + 1e-9
    assert place(latitude, longitude, precise=True) == {"latitude": latitude, "longitude": longitude}
    assert place(None, None, precise=False) == {"latitude": None, "longitude": None}


def test_evidence_by_its_keys_and_within():
    evidence = {
        "x_m": -1281656.97,
        "expected_y_m": -4787533.7,
        "latitude": 39.1,
        "rover_longitude": -104.9,
        "which_1": "the latitude as 39.1234569",
        "antenna_height_m": 1.843,
        "height_m": 1.943,
        "east_m": 4329272.7,
        "residual_1_m": 0.001,
        "among": [{"z_m": 4004121.4, "up_m": 0.2}],
        "passed": True,
        "station_id": 417,
    }
    assert without_places(evidence) == {
        "which_1": "the latitude as …",
        "antenna_height_m": 1.843,
        "height_m": 1.943,
        "east_m": 4329272.7,
        "residual_1_m": 0.001,
        "among": [{"up_m": 0.2}],
        "passed": True,
        "station_id": 417,
    }


def test_of_people_leaves_what_the_readme_says():
    """Their names, and the note of who has seen an alert; a place in the note does not."""
    evidence = {"silent_s": 5.0, "seen_by": "Kim", "seen_note": "base at 39.1234567, new battery", "seen_t": 9.0}
    seen = msgspec.structs.replace(row_of_change(change(9.0, what="acknowledged")), evidence=json.dumps(evidence))
    told = json.loads(change_message(seen, "kestrel", "1-000000", precise=False))["evidence"]
    assert told == {**evidence, "seen_note": "base at …, new battery"}
    check = EventRow(n=7, t=9.0, kind="control-check", detail='{"point": "KQ-2", "by": "Kim"}')
    assert json.loads(check_message(check, "kestrel", "1-000000", None, precise=False))["by"] == "Kim"
    readme = " ".join((Path(__file__).parents[3] / "README.md").read_text().split())
    _, _, leaves = readme.partition("**What leaves the post**")
    assert (
        "the name that they gave at a check-in, and the name and the note with which they said that they have seen an alert"
        in leaves
    )


def test_the_height_that_a_rule_of_the_crews_own_watches_is_a_place():
    """Its figures stay at the post, in the evidence as in the rule's ready words; those of any other measurement go."""
    day, changes = Day(), {}
    for measure, high, now in (("fix.height_m", "height_m", 1876.1653), ("fix.age_s", "age_s", 17.25)):
        bench = own_bench(day, measure=measure, above=now - 2.0, on_delay_s=0)
        (changes[measure],) = bench.play([day.fix(1.0, **{high: now})], 2.0)
    told = {
        measure: json.loads(change_message(row_of_change(one), "kestrel", "1-000000", precise=False))
        for measure, one in changes.items()
    }
    height = told["fix.height_m"]
    assert height["evidence"] == {"measure": "fix.height_m", "unit": "m"}
    assert height["say"] == "Antenna height above the receiver's geoid: … m, above … m."
    assert "187" not in json.dumps(height)
    assert told["fix.age_s"]["evidence"]["value"] == 17.25
    assert told["fix.age_s"]["say"].endswith("17.25 s, above 15.25 s.")
    exact = json.loads(change_message(row_of_change(changes["fix.height_m"]), "kestrel", "1-000000", precise=True))
    assert (exact["evidence"]["value"], "1876.17 m" in exact["say"]) == (1876.1653, True)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "begin", "step"),
    [
        ("base-moved", 0, 1),
        ("control-check", 0, 2),
        pytest.param("control-check", 1, 2, marks=pytest.mark.long),
        ("base-datum", 0, 1),
        ("datum-europe", 0, 1),
    ],
)
def test_no_invented_day_gives_a_place_away(name, begin, step):
    """Each number of each message against the coordinates of the project's marks and of what the base said."""
    messages = compared = 0
    for _, source in open_all(name)[begin::step]:
        with source:
            pipeline = Pipeline(source.site)
            places, told = set(), []
            for mark in source.site.project.control:
                places |= {value for value in (mark.latitude, mark.longitude, mark.easting, mark.northing) if value is not None}
            for change in play(pipeline, source.records, end_t=source.end_t, truths=[]):
                row = row_of_change(change)
                places |= {change.evidence[key] for key in ("x_m", "y_m", "z_m") if key in change.evidence}
                told.append(change_message(row, "kestrel", "1-000000", precise=False).decode())
                exact = json.loads(change_message(row, "kestrel", "1-000000", precise=True))
                assert exact["evidence"] == json.loads(row.evidence)
                kept = json.loads(told[-1])["evidence"]
                assert {key for key in exact["evidence"] if key.endswith(("east_m", "north_m", "up_m"))} <= set(kept)
            coarse = {round(value, 2) for value in places if isinstance(value, float)}
            for text in told:
                messages += 1
                compared += len(coarse)
                for number in map(float, re.findall(r"-?\d+\.\d{3,}", text)):
                    assert not any(abs(number - one) < 0.006 and abs(one) > 20 for one in coarse), (number, text)
    assert messages > 3
    assert compared
