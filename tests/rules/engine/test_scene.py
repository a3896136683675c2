"""What many rules ask of the scene."""

import pytest
from witnesspost.rules.engine.scene import Scene
from witnesspost.rules.facts import Port, Traffic


def scene_of(day, facts=(), role="rover", **tables):
    scene = Scene(day.site(role, **tables))
    for fact in sorted(facts, key=lambda fact: fact.t):
        scene.see(fact)
    return scene


OURS = {"base": {"station_id": 417}}


def epochs(day, until, start=0.0, interval=1.0, **other):
    return [day.epoch(t, **other) for t in day.every(interval, start, until)]


def test_silence_counts_from_the_last_usable_epoch_of_our_station_or_from_the_start(day):
    scene = scene_of(day, epochs(day, 60.0) + epochs(day, 80.0, station_id=9), **OURS)
    assert scene.silent_for("corrections", 80.0) == 21.0
    assert Scene(day.site(), began_t=100.0).silent_for("corrections", 103.0) == 3.0


@pytest.mark.parametrize(("interval", "limit"), [(0.2, 5.0), (1.0, 5.0), (2.0, 6.0), (5.0, 15.0)])
def test_the_limit_is_five_seconds_or_three_usual_intervals(day, interval, limit):
    scene = scene_of(day, epochs(day, 60.0, interval=interval))
    assert scene.usual_interval_s("corrections") == pytest.approx(interval)
    assert scene.limit_s("corrections") == pytest.approx(limit)
    assert scene.limit_s("corrections", at_least_s=8.0) == pytest.approx(max(8.0, 3 * interval))
    assert scene.age_limit_s() == pytest.approx(limit)


def test_a_line_that_loses_most_of_its_epochs_has_the_interval_that_it_had(day):
    facts = [epoch for epoch in epochs(day, 120.0) if epoch.t < 60 or round(epoch.t) % 5 in (0, 4)]
    assert scene_of(day, facts).usual_interval_s("corrections") == 1.0


def test_the_usual_interval_is_the_epochs_own_not_that_of_a_modem_s_bursts(day):
    facts = [day.epoch(4.0 * (t // 4) + 4.0 + t % 4 / 100, time_s=200_000.0 + t) for t in range(60)]
    assert scene_of(day, facts).usual_interval_s("corrections") == 1.0
    facts = [day.epoch(t, time_s=200_000.0) for t in day.every(2.0, 0.0, 60.0)]  # their time stands still
    assert scene_of(day, facts).usual_interval_s("corrections") == 2.0
    facts = [day.epoch(t, time_s=None) for t in day.every(2.0, 0.0, 60.0)]
    assert scene_of(day, facts).usual_interval_s("corrections") == 2.0


def test_two_sets_of_one_epoch_are_one_interval(day):
    gps = [day.epoch(t, time_s=200_000.0 + t, messages=(1004,)) for t in day.every(1.0, 0.0, 60.0)]
    glonass = [day.epoch(t + 0.1, time_s=None, messages=(1012,)) for t in day.every(1.0, 0.0, 60.0)]
    assert scene_of(day, gps + glonass, **OURS).usual_interval_s("corrections") == 1.0
    second = [day.epoch(t + 0.5, time_s=200_000.0 + t, station_id=418) for t in day.every(1.0, 0.0, 60.0)]
    assert scene_of(day, gps + second, base={"station_id": [417, 418]}).usual_interval_s("corrections") == 1.0


def test_two_epochs_tell_no_usual_interval_before_the_second(day):
    assert scene_of(day, [day.epoch(0.0)]).usual_interval_s("corrections") is None


def test_bytes_are_no_corrections(day):
    scene = scene_of(day, [day.epoch(1.0), Traffic(t=7.0, stream="corrections", other_bytes=3)])
    assert scene.silent_for("corrections", 9.0) == 8.0


class TestWhoseStation:
    @pytest.mark.parametrize(
        "bases",
        [{"base": {"station_id": [417, 418]}}, {"base": {"station_id": 417}, "other_base": [{"station_id": [418]}]}],
        ids=["a list", "another base"],
    )
    def test_any_of_a_list_and_any_of_another_base_is_ours(self, day, bases):
        scene = scene_of(day, **bases)
        assert [scene.is_ours(number) for number in (416, 417, 418, 0)] == [False, True, True, False]

    def test_each_number_has_its_base(self, day):
        scene = scene_of(day, base={"station_id": 417, "antenna": "A"}, other_base=[{"station_id": 418, "antenna": "B"}])
        assert [base and base.antenna for base in map(scene.base_of, (417, 418, 9))] == ["A", "B", None]
        assert scene_of(day).base_of(9) is not None  # the site names none: whoever sends

    @pytest.mark.parametrize("kind", ["network", "moving"])
    def test_a_services_stations_come_and_go_and_are_ours(self, day, kind):
        facts = epochs(day, 20.0, station_id=1) + epochs(day, 40.0, start=20.0, station_id=2)
        scene = scene_of(day, [*facts, day.station(30.0, station_id=2)], base={"kind": kind})
        assert all(map(scene.is_ours, (1, 2, 4095)))
        assert scene.silent_for("corrections", 40.0) == 1.0
        assert scene.usual_interval_s("corrections") == 1.0
        assert scene.station().station_id == 2
        assert scene.age_limit_s() == 15.0
        assert not scene.uses_another_station(day.fix(40.0, station_id=77))

    def test_where_none_is_named_the_first_until_it_has_been_silent_for_three_seconds(self, day):
        scene = scene_of(day, [day.epoch(0.0), day.epoch(1.0), day.epoch(2.0, station_id=9), day.epoch(3.9, station_id=9)])
        assert (scene.is_ours(417), scene.is_ours(9)) == (True, False)
        scene.see(day.epoch(4.1, station_id=9))
        assert (scene.is_ours(417), scene.is_ours(9)) == (False, True)

    def test_one_that_sends_every_five_seconds_is_not_replaced_between_two_epochs(self, day):
        facts = epochs(day, 35.0, interval=5.0) + epochs(day, 37.0, start=32.0, station_id=9)
        assert scene_of(day, facts).is_ours(417)

    def test_the_station_is_the_one_that_sends(self, day):
        scene = scene_of(day, [day.station(0.0), day.station(0.1, station_id=9)])
        assert scene.station() is None  # nobody has sent observations: it may be either
        scene.see(day.epoch(1.0, station_id=9))
        assert scene.station().station_id == 9
        assert scene_of(day, [day.station(0.0), day.station(0.1, station_id=9)], **OURS).station().station_id == 417

    def test_among_thousands_that_a_sender_invents_ours_is_found_without_asking_of_each(self, day, monkeypatch):
        stations = [day.station(number / 1000.0, station_id=number) for number in range(4096)]
        scene = scene_of(day, stations, **OURS)
        monkeypatch.setattr(scene, "is_ours", lambda number: 1 / 0)
        assert scene.station().station_id == 417
        assert scene.strangers({416, 417, 418}) == {416, 418}

    @pytest.mark.parametrize("bases", [{}, OURS, {"base": {"kind": "network"}}], ids=["none named", "named", "a service"])
    def test_strangers_are_those_that_are_not_ours(self, day, bases):
        scene = scene_of(day, [day.epoch(0.0)], **bases)
        numbers = {1, 417, 4095}
        assert scene.strangers(numbers) == {number for number in numbers if not scene.is_ours(number)}


class TestTheReceiversStationNumber:
    """GGA's last field."""

    def test_counts_only_once_the_receiver_has_used_one_of_ours(self, day):
        scene = scene_of(day, [day.fix(0.0, station_id=9)], **OURS)
        assert not scene.uses_another_station(day.fix(1.0, station_id=9))
        scene.see(day.fix(2.0))
        assert scene.uses_another_station(day.fix(3.0, station_id=9))
        assert not scene.uses_another_station(day.fix(3.0))
        assert not scene.uses_another_station(day.fix(3.0, station_id=None))
        assert not scene.uses_another_station(day.fix(3.0, station_id=9, quality=2))

    @pytest.mark.parametrize("said", [1417, 393, 417])
    def test_may_be_cut_to_three_digits_or_ten_bits(self, day, said):
        # 1417 = 1024 + 393; GGA's field is 0000-1023 in NMEA 0183, RTCM's number has 12 bits.
        scene = scene_of(day, [day.fix(0.0, station_id=1417)], base={"station_id": 1417})
        assert not scene.uses_another_station(day.fix(1.0, station_id=said))

    def test_is_no_evidence_where_the_site_names_none(self, day):
        scene = scene_of(day, [*epochs(day, 5.0), day.fix(5.0)])
        assert not scene.uses_another_station(day.fix(6.0, station_id=9))


class TestCorrected:
    """By the rover's own words: fixed, and the age that they say, grown since, within the limit."""

    def test_while_the_age_is_within_the_limit(self, day):
        scene = scene_of(day, [*epochs(day, 60.0), day.fix(60.0, age_s=1.5)])
        assert scene.corrected(63.5)
        assert not scene.corrected(63.6)
        assert scene.corrected_until() == 63.5

    @pytest.mark.parametrize("words", [{"quality": 5}, {"quality": 1}, {"age_s": None}, {"age_s": 5.5}])
    def test_not_when_it_floats_or_does_not_say_how_old(self, day, words):
        assert not scene_of(day, [*epochs(day, 60.0), day.fix(60.0, **words)]).corrected(60.0)

    def test_by_a_way_that_no_line_of_ours_carries(self, day):
        streams = [{"name": "receiver", "port": "/dev/ttyUSB1", "carries": ["positions"]}]
        assert scene_of(day, [day.fix(10.0, age_s=2.0)], stream=streams).corrected(12.0)


def test_the_rover_stands_by_its_own_positions(day):
    scene = scene_of(day, [day.fix(float(t)) for t in range(10)])
    assert scene.still_s(9.0) == 9.0
    assert scene_of(day).still_s(0.0) is None


class TestProvenRight:
    """While the broadcast coordinate agrees with the project."""

    def test_once_base_datum_has_said_so_and_until_it_says_otherwise(self, day):
        scene = scene_of(day, [day.station(0.0)], **OURS)
        assert not scene.proven_right()
        scene.prove(417, True)
        assert scene.proven_right()
        scene.prove(417, False)
        assert not scene.proven_right()

    def test_another_station_proves_nothing(self, day):
        scene = scene_of(day, [*epochs(day, 5.0), day.station(5.0)])
        scene.prove(417, True)
        for fact in [*epochs(day, 20.0, start=10.0, station_id=9), day.station(20.0, station_id=9)]:
            scene.see(fact)
        assert not scene.proven_right()


def test_a_port_is_gone_while_it_is_lost_or_was_never_there(day):
    scene = scene_of(day)
    assert not scene.port_gone("receiver")
    for state, gone in (("waiting", True), ("open", False), ("lost", True), ("back", False)):
        scene.see(Port(t=1.0, stream="receiver", state=state))
        assert scene.port_gone("receiver") is gone


@pytest.mark.parametrize(("silent_s", "renewed"), [(119.0, False), (121.0, True)])
def test_a_base_that_was_silent_may_have_been_restarted(day, silent_s, renewed):
    scene = day.bench().scene
    for t in (1.0, 2.0, 2.0 + silent_s):
        scene.see(day.epoch(t))
    assert (scene.renewed is not None) is renewed


def test_the_share_of_epochs_that_came_counts_what_is_missing_and_the_silence_since(day):
    assert scene_of(day).came_share("corrections", 60.0) is None
    seconds = (0, 1, 2, 3, 6, 7, 8, 9, 10)  # two of ten are missing
    scene = scene_of(day, [day.epoch(60.0 + second) for second in seconds])
    assert scene.came_share("corrections", 70.0) == pytest.approx(8 / 10)
    assert scene.came_share("corrections", 71.0) == pytest.approx(8 / 10)
    assert scene.came_share("corrections", 81.0) == pytest.approx(8 / 20)


def test_two_senders_by_turns_say_nothing_of_the_interval(day):
    """A neighbour of the same number says the same times as ours: how often ours comes is known by the times alone."""
    scene = day.bench().scene
    for second in range(30):
        scene.see(day.epoch(second + 0.25, time_s=float(second)))
        scene.see(day.epoch(second + 0.50, time_s=float(second)))
    assert scene.usual_interval_s("corrections") == 1.0


def test_a_time_that_stands_still_leaves_the_arrivals(day):
    scene = day.bench().scene
    for second in range(30):
        scene.see(day.epoch(second + 0.25, time_s=7.0))
    assert scene.usual_interval_s("corrections") == 1.0
