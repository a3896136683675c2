"""A service's stations, moving bases, several numbers and a second base: what the rules of the line make of them."""

import pytest
from witnesspost.rules.book.corrections_late import CorrectionsLate
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.words import words
from witnesspost.rules.book.wrong_channel import WrongChannel
from witnesspost.rules.facts import Traffic


def heard(day, stations, start, until):
    """A line that carries a frame of each of these stations once a second."""
    frames = dict.fromkeys(stations, 4)
    return [Traffic(t=t, stream="corrections", frames=4, frames_by_station=frames) for t in day.every(1.0, start, until)]


@pytest.mark.parametrize("kind", ["network", "moving"])
def test_a_service_s_or_a_moving_base_s_number_may_change_at_any_time(day, kind):
    bench = day.bench(WrongChannel, base={"kind": kind, "station_id": 417})
    facts = heard(day, [417], 1.0, 60.0) + heard(day, [88], 60.0, 120.0) + heard(day, [9, 10], 120.0, 180.0)
    assert bench.play(facts + [day.fix(t, station_id=int(t)) for t in day.every(1.0, 1.0, 180.0)], 180.0) == []


def test_all_numbers_of_the_project_are_its_own(day):
    bases = {"base": {"station_id": [417, 418]}, "other_base": [{"station_id": 500}]}
    bench = day.bench(WrongChannel, **bases)
    facts = heard(day, [417], 1.0, 60.0) + heard(day, [418, 500], 60.0, 120.0)
    facts += [day.fix(t, station_id=417 if t < 60 else 500) for t in day.every(1.0, 1.0, 120.0)]
    assert bench.play(facts, 120.0) == []
    (change,) = bench.play(heard(day, [88, 418], 120.0, 130.0), 130.0)
    assert (change.cause, change.evidence["project_station_ids"]) == ("two-bases", [417, 418, 500])
    assert words(change).say == "Station 88 comes in on the same line as ours (417 or 418 or 500)."


def test_of_a_service_every_station_is_ours(day):
    bench = day.bench(CorrectionsStopped, base={"kind": "network"})
    facts = [day.epoch(t, station_id=int(t) % 4095) for t in day.every(1.0, 1.0, 200.0)]
    assert bench.play(facts, 200.0) == []


@pytest.mark.parametrize("role", ["rover", "base"])
def test_of_a_service_nobody_is_sent_to_a_radio(day, role):
    bench = day.bench(CorrectionsStopped, role=role, base={"kind": "network"})
    changes = bench.play([day.epoch(t) for t in day.every(1.0, 1.0, 60.0)], 120.0)
    assert day.said(changes)[0][1:] == ("raised", "corrections-stopped", "service-silent")
    steps = words(changes[0]).steps
    assert steps
    assert not any("radio" in step or "ransmi" in step for step in steps)


def test_the_project_s_second_base_is_no_stranger(day):
    bench = day.bench(CorrectionsStopped, base={"station_id": [417, 418]}, other_base=[{"station_id": 500}])
    facts = [day.epoch(t, station_id=417 if t < 60 else 418 if t < 120 else 500) for t in day.every(1.0, 1.0, 200.0)]
    assert bench.play(facts, 200.0) == []


@pytest.mark.parametrize("kind", ["network", "moving"])
def test_a_service_s_corrections_may_be_fifteen_seconds_old(day, kind):
    def said(age_s):
        bench = day.bench(CorrectionsLate, base={"kind": kind})
        facts = [f for t in day.every(1.0, 0.0, 60.0) for f in (day.utc(t), day.fix(t, age_s=age_s), day.epoch(t + 0.3))]
        return [change.cause for change in bench.play(facts, 60.0)]

    assert said(14.9) == []
    assert said(15.1) == ["old-at-rover"]
