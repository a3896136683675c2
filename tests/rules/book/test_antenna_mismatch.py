"""antenna-mismatch: the descriptor that the base sends, and the site file's."""

import pytest
from witnesspost.rules.book.antenna_mismatch import AntennaMismatch
from witnesspost.rules.facts import Antenna

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
