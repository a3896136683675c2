"""antenna-mismatch: the descriptor that the base sends, and the site file's."""

import pytest
from witnesspost.rules.book.antenna_mismatch import AntennaMismatch
from witnesspost.rules.book.words import words
from witnesspost.rules.engine.senders import Senders
from witnesspost.rules.facts import Antenna, SetUp

BASE = {"station_id": 417, "antenna": "KESTREL-A1      NONE"}


def antenna(t, descriptor, message=1033, station_id=417):
    return Antenna(t=t, stream="corrections", station_id=station_id, message=message, descriptor=descriptor)


@pytest.mark.parametrize("said", ["KESTREL-A1      NONE", "KESTREL-A1", "kestrel-a1 none", "  KESTREL-A1 NONE  "])
def test_the_same_antenna_is_quiet(day, said):
    bench = day.bench(AntennaMismatch, base=BASE)
    assert bench.play([antenna(1.0, said)], 10.0) == []


@pytest.mark.parametrize("said", ["KESTREL-A2      NONE", "KESTREL-A1      KDOM", "ADVNULLANTENNA", ""])
def test_another_antenna_raises_at_once(day, said):
    # "At once" is the next judgement, 0.2 s on at most.
    bench = day.bench(AntennaMismatch, base=BASE)
    changes = bench.play([antenna(1.0, said)], 10.0)
    assert day.said(changes) == [(1.2, "raised", "antenna-mismatch", "descriptor-differs")]
    assert changes[0].evidence["broadcast"] == (said or None)


def test_a_site_file_that_names_none_expects_none(day):
    bench = day.bench(AntennaMismatch, base={"station_id": 417})
    assert bench.play([antenna(1.0, "KESTREL-A2")], 10.0) == []


def test_the_neighbour_s_antenna_is_not_judged(day):
    bench = day.bench(AntennaMismatch, base=BASE)
    assert bench.play([antenna(1.0, "KESTREL-A2", station_id=9)], 10.0) == []


def test_where_the_site_file_names_no_station_the_first_is_judged(day):
    bench = day.bench(AntennaMismatch, base={"antenna": "KESTREL-A1"})
    epochs = [day.epoch(t) for t in day.every(1.0, 0.0, 30.0)]
    others = [antenna(1.5, "KESTREL-A1"), antenna(2.0, "KESTREL-A2", station_id=9)]
    assert bench.play(epochs + others, 30.0) == []
    assert [c.evidence["station_id"] for c in bench.play([antenna(30.1, "KESTREL-A2")], 31.0)] == [417]


def test_one_message_right_and_one_wrong_stays_raised_until_it_is_mended(day):
    bench = day.bench(AntennaMismatch, base=BASE)
    facts = [antenna(t, "KESTREL-A2", 1008) for t in day.every(10.0, 1.0, 60.0)]
    facts += [antenna(t, "KESTREL-A1", 1033) for t in day.every(10.0, 2.0, 60.0)]
    facts += [antenna(61.0, "KESTREL-A1", 1008)]
    assert [(c.change, c.t) for c in bench.play(facts, 80.0)] == [("raised", 1.2), ("cleared", 64.2)]


def test_among_thousands_of_stations_only_the_one_that_differs_is_asked_about(day, monkeypatch):
    asked = set()
    monkeypatch.setattr(Senders, "shared", lambda senders, station_id, t: asked.add(station_id))
    bench = day.bench(AntennaMismatch, base=BASE)
    invented = [day.station(number / 4096, station_id=number) for number in range(4096)]
    assert len(bench.play([*invented, antenna(1.0, "KESTREL-A2")], 2.0)) == 1
    assert asked == {417}


# The day's antenna height

OVER_A_MARK = {"station_id": 417, "occupies": "KQ-1", "antenna_height_m": 1.843}
PROJECT = {"vertical": "ellipsoidal", "control": [{"name": "KQ-1", "latitude": 39.1, "longitude": -105.0, "height": 1800.0}]}


HEIGHTS = [(1.843, 0), (1.8479, 0), (1.8381, 0), (1.8485, 1), (1.712, 1), (0.0, 0), (None, 0)]


@pytest.mark.parametrize(("said_m", "raised"), HEIGHTS)
def test_a_height_over_5_mm_from_the_plans_is_a_note_once(day, said_m, raised):
    bench = day.bench(AntennaMismatch, project=PROJECT, base=OVER_A_MARK)
    changes = bench.play([day.station(t, antenna_height_m=said_m) for t in day.every(10.0, 1.0, 600.0)], 600.0)
    assert [(c.cause, c.severity) for c in changes] == [("height-differs", "note")] * raised
    if raised:
        assert (changes[0].evidence["height_m"], changes[0].evidence["expected_m"]) == (said_m, 1.843)


def test_a_height_that_is_mended_ends_it(day):
    bench = day.bench(AntennaMismatch, project=PROJECT, base=OVER_A_MARK)
    facts = [day.station(1.0, antenna_height_m=1.712), day.station(21.0, antenna_height_m=1.843)]
    assert [(c.change, round(c.t, 1)) for c in bench.play(facts, 60.0)] == [("raised", 1.2), ("cleared", 24.2)]


def test_a_site_that_plans_no_set_up_has_no_height_to_compare(day):
    bench = day.bench(AntennaMismatch, base={"station_id": 417})
    assert bench.play([day.station(1.0, antenna_height_m=1.712)], 10.0) == []


def test_a_neighbours_height_is_its_own(day):
    bench = day.bench(AntennaMismatch, project=PROJECT, base=OVER_A_MARK)
    assert bench.play([day.station(1.0, station_id=9, antenna_height_m=1.712)], 10.0) == []


# A height that nobody has set up

FEET = [
    (6.0466, 1.843, "feet-as-metres", "stop"),  # 1.843 / 0.3048 = 6.04659 (85 FR 62698)
    (6.047, 1.843, "feet-as-metres", "stop"),
    (6.05, 1.843, "feet-as-metres", "stop"),
    (5.026, 1.532, "feet-as-metres", "stop"),
    (0.562, 1.843, "metres-as-feet", "stop"),
    (0.5617, 1.843, "metres-as-feet", "stop"),
    (4.2, 1.843, "height-over-tripods", "check"),
    (6.1, 1.843, "height-over-tripods", "check"),
]


@pytest.mark.parametrize(("said_m", "expected_m", "cause", "severity"), FEET)
def test_a_height_in_the_other_unit_or_over_any_tripod_is_told_as_that(day, said_m, expected_m, cause, severity):
    bench = day.bench(AntennaMismatch, project=PROJECT, base={**OVER_A_MARK, "antenna_height_m": expected_m})
    (raised,) = bench.play([day.station(t, antenna_height_m=said_m) for t in day.every(10.0, 1.0, 60.0)], 60.0)
    assert (raised.cause, raised.severity) == (cause, severity)
    said = words(raised)
    assert not any("write it down" in step for step in said.steps)
    assert "typed at the base" in " ".join(said.steps[:2])


def test_feet_are_told_with_what_they_cost(day):
    bench = day.bench(AntennaMismatch, role="rover", project=PROJECT, base=OVER_A_MARK)
    (raised,) = bench.play([day.station(1.0, antenna_height_m=6.047)], 3.0)
    said = words(raised)
    assert said.say == (
        "The base says that its antenna is 6.047 m above the mark: that is 1.843 m in feet. "
        "Every point may be 4.204 m too high."
    )
    assert said.steps[:2] == [
        "Store no points until this is over.",
        "Which antenna height is typed at the base, and in which unit? Expected: 1.843 m.",
    ]


def test_feet_against_the_set_up_that_was_told_are_no_slant(day):
    bench = day.bench(AntennaMismatch, project=PROJECT, base=OVER_A_MARK)
    facts = [
        SetUp(t=1.0, stream="", point="KQ-1", antenna_height_m=1.532, pole_height_m=2.0),
        day.station(2.0, antenna_height_m=5.026),
    ]
    (raised,) = bench.play(facts, 5.0)
    assert raised.cause == "feet-as-metres"
    assert "slant" not in " ".join(words(raised).steps)


@pytest.mark.parametrize(
    ("said_m", "expected_m", "severity"),
    [
        (5.0, 5.0, None),  # a pillar mast that the site file has
        (5.12, 5.0, "note"),  # and one that is measured anew
        (1.512, 1.843, "note"),  # the day's tripod
        (3.95, 1.843, "note"),  # an elevating tripod
        (0.40, 1.843, "note"),  # a pillar's plate
        (6.02, 1.843, "check"),  # near the foot's ratio, and not by typing
    ],
)
def test_heights_that_a_crew_may_have_set_up_are_not_taken_for_feet(day, said_m, expected_m, severity):
    bench = day.bench(AntennaMismatch, project=PROJECT, base={**OVER_A_MARK, "antenna_height_m": expected_m})
    changes = bench.play([day.station(1.0, antenna_height_m=said_m)], 5.0)
    assert [c.severity for c in changes] == ([severity] if severity else [])
    assert not {c.cause for c in changes} & {"feet-as-metres", "metres-as-feet"}


def test_a_mast_that_a_person_tells_is_quiet(day):
    bench = day.bench(AntennaMismatch, project=PROJECT, base=OVER_A_MARK)
    facts = [
        SetUp(t=1.0, stream="", point="KQ-1", antenna_height_m=6.047, pole_height_m=2.0),
        day.station(2.0, antenna_height_m=6.047),
    ]
    assert bench.play(facts, 5.0) == []
