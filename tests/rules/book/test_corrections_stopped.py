"""corrections-stopped: when, and by which cause, on a stepped clock through the real engine."""

import pytest
from witnesspost.rules.book.corrections_stopped import CorrectionsStopped
from witnesspost.rules.book.fix_lost import FixLost
from witnesspost.rules.book.radio import radio_horizon_km
from witnesspost.rules.book.words import words
from witnesspost.rules.facts import Port, Traffic
from witnesspost.rules.language.speech import Speech

SPANISH = Speech.of("es")
RADIOS = {"base": {"frequency_mhz": 461.025, "antenna_above_ground_m": 4.0}, "rover": {"antenna_above_ground_m": 2.0}}


def traffic(t, **sums):
    return Traffic(t=t, stream="corrections", **sums)


def alerts(day, facts, until, **tables):
    bench = day.bench(CorrectionsStopped, base={"station_id": 417}, **tables)
    return bench.play(facts, until)


def minute(day, interval_s=1.0, until=60.0):
    return [day.epoch(t) for t in day.every(interval_s, 1.0, until)]


def test_silence_is_told_at_its_on_delay_from_the_last_epoch(day):
    changes = alerts(day, minute(day), 70.0)
    assert day.said(changes) == [(64.2, "raised", "corrections-stopped", "line-silent")]
    assert changes[0].evidence["silent_s"] == 5.2


@pytest.mark.parametrize("interval_s", [5.0, 10.0])
def test_a_base_that_sends_seldom_is_silent_after_three_of_its_intervals(day, interval_s):
    facts = minute(day, interval_s, until=61.0)
    last = facts[-1].t
    assert day.said(alerts(day, facts, 120.0)) == [
        (last + 3 * interval_s + 0.2, "raised", "corrections-stopped", "line-silent")
    ]


@pytest.mark.parametrize("last", [112.0, 116.0, 120.0, 124.0, 128.0])
def test_a_base_that_sends_more_often_than_it_did_is_missed_as_soon_as_any(day, last):
    facts = [*minute(day, 10.0, until=101.0), *(day.epoch(t) for t in day.every(1.0, 102.0, last + 1.0))]
    assert day.said(alerts(day, facts, 170.0)) == [(last + 5.2, "raised", "corrections-stopped", "line-silent")]


def test_the_port_of_a_base_that_sends_seldom_is_missed_as_soon_as_any(day):
    facts = [*minute(day, 10.0, until=101.0), Port(t=105.0, stream="corrections", state="lost")]
    assert day.said(alerts(day, facts, 140.0)) == [(107.0, "raised", "corrections-stopped", "port-lost")]


def test_silence_from_the_start_counts_after_fifteen_seconds(day):
    assert day.said(alerts(day, [], 20.0)) == [(15.0, "raised", "corrections-stopped", "line-silent")]


class TestPortsThatGoTogether:
    """They share a hub or a cable: one stop says so, and the receiver's silence is part of it."""

    def changes(self, day, apart_s, back_s=None, until=75.0):
        bench = day.bench(CorrectionsStopped, FixLost, base={"station_id": 417})
        ports = [
            Port(t=60.0 + wait_s, stream=name, state="lost") for name, wait_s in (("corrections", 0.0), ("receiver", apart_s))
        ]
        if back_s is not None:
            ports.append(Port(t=60.0 + back_s, stream="receiver", state="back"))
            ports += [day.fix(60.0 + back_s + t, age_s=30.0) for t in day.every(1.0, 0.3, until)]
        heard = [*minute(day), *(day.fix(t) for t in day.every(1.0, 1.0, 60.0))]
        return bench.play(sorted([*heard, *ports], key=lambda fact: fact.t), until)

    @pytest.mark.parametrize("apart_s", [0.0, 0.4, 1.9])
    def test_is_one_stop(self, day, apart_s):
        stop, part = self.changes(day, apart_s)
        assert day.said([stop]) == [(62.0, "raised", "corrections-stopped", "ports-lost")]
        assert words(stop)[0] == "The port of corrections was lost at the same moment as that of receiver."
        assert words(stop, SPANISH)[0] == "El puerto «corrections» se perdió en el mismo momento que «receiver»."
        assert (part.rule, part.cause, part.because_of) == ("fix-lost", "no-position", "corrections-stopped")

    def test_one_that_is_back_leaves_the_other(self, day):
        causes = [(c.change, c.cause) for c in self.changes(day, 0.0, back_s=6.0) if c.rule == "corrections-stopped"]
        assert causes == [("raised", "ports-lost"), ("cause", "port-lost")]

    def test_ten_seconds_apart_they_are_two_troubles(self, day):
        said = [(c.rule, c.cause, c.because_of) for c in self.changes(day, 10.0, until=90.0)]
        assert ("corrections-stopped", "port-lost", None) in said
        assert ("fix-lost", "no-position", None) in said


def test_a_port_that_goes_is_told_after_two_seconds_and_a_short_absence_never(day):
    gone, back = (Port(t=t, stream="corrections", state=s) for t, s in ((59.5, "lost"), (61.0, "back")))
    assert day.said(alerts(day, [*minute(day), gone], 63.0)) == [(61.6, "raised", "corrections-stopped", "port-lost")]
    facts = [*minute(day), gone, back, *(day.epoch(t) for t in day.every(1.0, 61.5, 80.0))]
    assert alerts(day, facts, 80.0) == []


OURS, NEIGHBOURS = {"frames_by_station": {417: 4}}, {"frames_by_station": {88: 4}}
STATION = {"by_message": {"1006": (1, 27), "1033": (1, 60)}}


@pytest.mark.parametrize(
    ("sums", "causes"),
    [
        ({"other_bytes": 900}, ["line-noise", "other-format", "weak-link"]),
        ({"other_bytes": 12}, ["line-silent"]),
        ({"bad_frames": 4, "bad_frame_bytes": 800, "other_bytes": 90}, ["weak-link", "line-noise"]),
        ({"bad_frames": 2, "bad_frame_bytes": 400, "other_bytes": 600}, ["weak-link", "line-noise"]),
        ({"bad_frames": 1, "bad_frame_bytes": 200, "other_bytes": 800}, ["line-noise", "other-format", "weak-link"]),
        ({"bad_frames": 1, "bad_frame_bytes": 880, "other_bytes": 20}, ["line-noise", "other-format", "weak-link"]),
        ({"bad_frames": 1, "bad_frame_bytes": 200}, ["weak-link", "line-noise"]),
        ({"bad_frames": 4, "bad_frame_bytes": 900, "other_bytes": 9000}, ["weak-link", "line-noise"]),
        ({"bad_frames": 2, "bad_frame_bytes": 900, "other_bytes": 30000}, ["line-noise", "other-format", "weak-link"]),
        ({"frames": 2, "frame_bytes": 50, **OURS, **STATION}, ["station-messages-only"]),
        ({"frames": 4, "frame_bytes": 112, **OURS, "by_message": {"1077": (4, 112)}}, ["station-messages-only"]),
        ({"frames": 5, "frame_bytes": 900, "observation_frames": 4, **NEIGHBOURS}, ["another-base"]),
        ({"frames": 2, "frame_bytes": 300, "observation_frames": 2, **OURS}, ["weak-link", "line-noise"]),
    ],
)
def test_the_cause_is_what_the_line_shows_since_the_last_epoch(day, sums, causes):
    # What came in the last epoch's own second belongs to that epoch.
    facts = [*minute(day), traffic(59.4, frames=2, frames_by_station={417: 2}), traffic(62.0, **sums)]
    (change,) = alerts(day, facts, 66.0)
    assert (change.t, [cause.cause for cause in change.causes]) == (64.2, causes)


@pytest.mark.parametrize(
    ("messages", "looks_like", "causes"),
    [
        ((1057, 1058, 1060), "corrections of orbits and clocks alone (SSR, RTCM 1057, 1058, 1060)", ["other-format"]),
        ((1068,), "corrections of orbits and clocks alone (SSR, RTCM 1068)", ["other-format"]),
        ((4001,), "a maker's own messages in RTCM 3 (4001)", ["other-format"]),
        ((4095, 1005), "a maker's own messages in RTCM 3 (4095)", ["other-format", "station-messages-only"]),
        ((1019, 1020, 1042, 1045, 1046), "RTCM 3 without observations (1019, 1020, 1042, 1045 …)", ["other-format"]),
        ((1005, 1033, 1230), None, ["station-messages-only"]),
    ],
)
def test_good_frames_that_no_rover_can_use_are_told_by_what_they_look_like(day, messages, looks_like, causes):
    sums = {"frames": len(messages), "frame_bytes": 400, "by_message": {str(number): (1, 90) for number in messages}}
    (change,) = alerts(day, [traffic(t, **sums) for t in day.every(1.0, 0.0, 20.0)], 16.0)
    assert (change.t, [cause.cause for cause in change.causes]) == (15.0, causes)
    assert change.evidence["looks_like"] == looks_like


@pytest.mark.parametrize(("size", "cause"), [(16, "line-silent"), (17, "line-noise")])
def test_a_few_stray_bytes_are_no_noise(day, size, cause):
    assert [change.cause for change in alerts(day, [traffic(14.0, other_bytes=size)], 16.0)] == [cause]


@pytest.mark.parametrize(("ago_s", "cause"), [(9.0, "another-base"), (12.0, "line-silent")])
def test_what_came_ten_seconds_ago_is_no_longer_shown(day, ago_s, cause):
    """A line that brings a stranger's frames, and then a few stray bytes."""
    facts = [traffic(15.0 - ago_s, frame_bytes=300, frames=3, frames_by_station={88: 3})]
    facts += [traffic(t, other_bytes=1) for t in day.every(1.0, 16.0 - ago_s, 15.0)]
    assert [change.cause for change in alerts(day, facts, 15.5)] == [cause]


@pytest.mark.parametrize(("moved_m", "place"), [(0.0, ", from the place where ours was"), (900.0, "")])
def test_another_number_where_ours_was_says_so(day, moved_m, place):
    stations = [day.station(1.0), day.station(4.5, station_id=88, x_m=-1281255.0 + moved_m)]
    line = [traffic(t, frame_bytes=300, frames=3, frames_by_station={88: 3}) for t in day.every(1.0, 4.5, 10.0)]
    (change,) = alerts(day, [*stations, day.epoch(0.5), day.epoch(1.5), *line], 9.0)
    assert words(change).say == f"No corrections from our base for 5.1 s: station 88 is on our channel instead{place}."


def test_rtcm_2_is_no_noise(day):
    facts = [traffic(t, other_bytes=300, rtcm2_words=4 if t % 3 == 0 else 0) for t in day.every(1.0, 0.0, 20.0)]
    (change,) = alerts(day, facts, 16.0)
    assert (change.cause, change.evidence["looks_like"]) == ("other-format", "RTCM 2")
    facts = [traffic(t, other_bytes=300, rtcm2_words=3) for t in day.every(1.0, 0.0, 20.0)]
    assert [change.cause for change in alerts(day, facts, 16.0)] == ["line-noise"]


def test_a_slow_line_of_rtcm_2_is_known_by_its_last_sample_for_a_minute(day):
    facts = [traffic(t, other_bytes=60, rtcm2_words=20 if t == 10.0 else 0) for t in day.every(1.0, 0.0, 90.0)]
    bench = day.bench(CorrectionsStopped)
    bench.play(facts[:70], 69.8)
    assert bench.findings()[0].causes[0].cause == "other-format"
    bench.play(facts[70:71], 70.2)
    assert bench.findings()[0].causes[0].cause == "line-noise"


def test_sentences_alone_on_a_line_of_corrections_are_another_format_and_beside_positions_are_none(day):
    facts = [traffic(t, sentence_bytes=300) for t in day.every(1.0, 0.0, 20.0)]
    (change,) = alerts(day, facts, 16.0)
    assert (change.cause, change.evidence["looks_like"]) == ("other-format", "sentences of NMEA 0183")
    both = [{"name": "corrections", "port": "/dev/ttyUSB0", "carries": ["corrections", "positions"]}]
    assert [change.cause for change in alerts(day, facts, 16.0, stream=both)] == ["line-silent"]


class TestLinesThatAreSwapped:
    """The line of corrections brings positions, and the receiver's line corrections."""

    def changes(self, day, *, corrections_until=20.0, receiver_until=0.0, tables=None, **fix):
        facts = [traffic(t, sentence_bytes=160) for t in day.every(1.0, 0.0, 20.0)]
        facts += [day.fix(t, stream="corrections", **fix) for t in day.every(1.0, 0.1, 20.0)]
        facts += [day.fix(t, stream="receiver", **fix) for t in day.every(1.0, 0.1, receiver_until)]
        facts += [day.epoch(t, stream="receiver") for t in day.every(1.0, 0.2, corrections_until)]
        return alerts(day, sorted(facts, key=lambda fact: fact.t), 16.0, **(tables or {}))

    @pytest.mark.parametrize("quality", [1, 4])
    def test_are_a_check_even_where_the_rover_is_fixed(self, day, quality):
        (change,) = self.changes(day, quality=quality)
        assert (change.t, change.cause, change.severity, len(change.causes)) == (15.0, "lines-swapped", "check", 1)
        line, first, _ = (words(change).say, *words(change).steps)
        assert (
            line
            == "The lines are swapped: corrections come in on the port for receiver, positions on the port for corrections."
        )
        assert first == "Swap the two plugs at the post, or the two ports in the site file."
        assert "«receiver»" in words(change, SPANISH).say

    def test_are_not_where_no_corrections_come_on_the_receivers_line(self, day):
        assert [c.cause for c in self.changes(day, corrections_until=9.0, quality=1)] == ["other-format"]

    @pytest.mark.parametrize(("until", "cause"), [(4.5, "lines-swapped"), (8.5, "other-format")])
    def test_are_not_while_the_receiver_says_positions_on_its_own(self, day, until, cause):
        assert [c.cause for c in self.changes(day, receiver_until=until, quality=1)] == [cause]

    def test_are_not_where_a_line_carries_both(self, day):
        both = [
            {"name": name, "port": f"/dev/tty{name}", "carries": ["corrections", "positions"]}
            for name in ("corrections", "receiver")
        ]
        assert "lines-swapped" not in {c.cause for c in self.changes(day, quality=1, tables={"stream": both})}


class TestWhatCameBeforeTheSilenceDoesNotCount:
    @pytest.mark.parametrize("heard_t", [59.6, 60.2, 61.2])
    def test_half_a_frame_that_the_last_epoch_left(self, day, heard_t):
        # It is given up, and counted, three seconds after it came.
        half = traffic(heard_t + 3.0, bad_frames=1, bad_frame_bytes=180, heard_t=heard_t)
        assert day.said(alerts(day, [*minute(day), half], 66.0)) == [(64.2, "raised", "corrections-stopped", "line-silent")]

    def test_noise_after_a_minute_of_silence(self, day):
        bench = day.bench(CorrectionsStopped)
        noise = [traffic(t, other_bytes=90) for t in day.every(0.5, 120.0, 180.0)]
        bench.play([*minute(day), *noise[:8]], 123.9)
        assert bench.findings()[0].causes[0].cause == "line-noise"
        assert bench.findings()[0].evidence["bytes"] == 720

    def test_silence_after_a_minute_of_noise(self, day):
        bench = day.bench(CorrectionsStopped)
        # At 180 bytes a second a frame of 1029 bytes that noise seems to begin is waited for up to 5.7 s.
        bench.play([*minute(day), *(traffic(t, other_bytes=90) for t in day.every(0.5, 60.0, 120.0))], 125.0)
        assert bench.findings()[0].causes[0].cause == "line-noise"
        bench.play([], 125.5)
        assert bench.findings()[0].causes[0].cause == "line-silent"

    def test_a_broken_frame_in_noise_is_noise(self, day):
        """At 90 bytes a second it may cover all that came in ten seconds."""
        bench = day.bench(CorrectionsStopped)
        noise = [traffic(t, other_bytes=45) for t in day.every(0.5, 60.0, 120.0)]
        head = traffic(130.0, bad_frames=1, bad_frame_bytes=900)
        changes = bench.play(
            [*minute(day), *noise, head, *(traffic(t, other_bytes=45) for t in day.every(0.5, 130.5, 150.0))], 150.0
        )
        assert day.said(changes) == [(64.2, "raised", "corrections-stopped", "line-noise")]

    def test_broken_frames_after_noise_are_a_weak_link(self, day):
        bench = day.bench(CorrectionsStopped)
        noise = [traffic(t, other_bytes=900) for t in day.every(0.5, 60.0, 120.0)]
        broken = [traffic(t, bad_frames=2, bad_frame_bytes=400) for t in day.every(0.5, 120.0, 132.0)]
        bench.play([*minute(day), *noise, *broken], 131.9)
        assert bench.findings()[0].causes[0].cause == "weak-link"

    def test_a_line_of_epochs_every_five_seconds_is_silent_after_two_of_them(self, day):
        bench = day.bench(CorrectionsStopped)
        facts = [*minute(day, 5.0), traffic(61.0, other_bytes=200)]
        bench.play(facts, 71.6)  # the last epoch came at 56
        assert bench.findings()[0].causes[0].cause == "line-silent"
        bench = day.bench(CorrectionsStopped)
        bench.play([*facts, traffic(63.0, other_bytes=200)], 71.6)
        assert bench.findings()[0].causes[0].cause == "line-noise"

    def test_station_messages_every_ten_seconds_are_no_silence_in_between(self, day):
        bench = day.bench(CorrectionsStopped)
        seldom = [traffic(t, frames=1, frame_bytes=27, by_message={"1006": (1, 27)}, **OURS) for t in (62.0, 72.0, 82.0)]
        bench.play([*minute(day), *seldom], 72.4)
        said = []
        for t in day.every(0.2, 72.4, 95.0):
            bench.play([], t)
            said.append(bench.findings()[0].causes[0].cause)
        assert set(said) == {"station-messages-only"}
        bench.play([], 100.0)  # one and a half times as long as they were apart
        assert bench.findings()[0].causes[0].cause == "line-silent"

    @pytest.mark.parametrize(("after_s", "cause"), [(85.0, "station-messages-only"), (95.0, "line-silent")])
    def test_those_that_are_over_a_minute_apart_count_as_a_minute(self, day, after_s, cause):
        bench = day.bench(CorrectionsStopped)
        seldom = [traffic(t, frames=1, frame_bytes=27, by_message={"1006": (1, 27)}, **OURS) for t in (62.0, 162.0)]
        bench.play([*minute(day), *seldom], 162.0 + after_s)
        assert bench.findings()[0].causes[0].cause == cause


def lossy(day, lost, until=180.0):
    return [day.epoch(t) for t in day.every(1.0, 1.0, until) if not lost(round(t))]


class TestEpochsLostMoreAndMore:
    """Radios with a check of their own never show a broken frame."""

    def said(self, day, facts, until=200.0, **tables):
        # On a line that loses epochs the silence before the last may already have been told: the last word counts.
        bench = day.bench(CorrectionsStopped, base={"station_id": 417}, **tables)
        bench.play(facts, until)
        return [cause.cause for cause in bench.findings()[0].causes], bench.findings()[0].evidence

    @pytest.mark.parametrize(
        ("lost", "causes"),
        [
            (lambda t: t % 5 in (1, 3), ["weak-link", "line-silent"]),
            (lambda t: (t > 60 and t % 5 in (1, 2)) or (t > 120 and t % 5 == 3), ["weak-link", "line-silent"]),
            (lambda t: t % 4 == 1, ["line-silent"]),
            (lambda t: t < 115 and t % 5 in (1, 3), ["line-silent"]),  # that was long ago
            (lambda t: 80 < t < 140, ["line-silent"]),  # off and on again
            (lambda t: t > 100 and t % 5 != 0, ["line-silent"]),  # told to send every five seconds
        ],
    )
    def test_make_a_silence_a_weak_link(self, day, lost, causes):
        assert self.said(day, lossy(day, lost))[0] == causes

    def test_their_share_is_evidence(self, day):
        evidence = self.said(day, lossy(day, lambda t: t % 5 in (1, 3)))[1]
        assert evidence["lost_share"] == pytest.approx(0.4, abs=0.02)
        assert 46 <= evidence["lost_epochs"] <= 49

    def test_but_not_on_the_base_s_own_wire(self, day):
        assert self.said(day, lossy(day, lambda t: t % 5 in (1, 3)), role="base")[0] == ["line-silent"]

    def test_nor_where_the_epochs_do_not_say_their_time(self, day):
        facts = [day.epoch(t, time_s=None) for t in day.every(1.0, 1.0, 180.0) if round(t) % 5 not in (1, 3)]
        assert self.said(day, facts)[0] == ["line-silent"]


@pytest.mark.parametrize(
    ("share", "causes"),
    [
        (1.05, ["out-of-range", "weak-link", "line-noise"]),
        (0.5, ["weak-link", "out-of-range", "line-noise"]),
        (0.2, ["weak-link", "line-noise"]),
    ],
)
def test_broken_frames_from_far_away_are_out_of_range(day, share, causes):
    distance_m = share * radio_horizon_km(4.0, 2.0) * 1000
    station = day.station(1.0, x_m=6378137.0, y_m=0.0, z_m=0.0)
    fix = day.fix(58.0, latitude=0.0, longitude=distance_m / 6378137.0 * 57.29577951, height_m=0.0)
    broken = [traffic(t, bad_frames=4, bad_frame_bytes=800) for t in day.every(1.0, 61.0, 66.0)]
    (change,) = alerts(day, [station, fix, *minute(day), *broken], 66.0, radio=RADIOS)
    assert [cause.cause for cause in change.causes] == causes


class TestARoverWhoseOwnWordsSayFixed:
    """It is being corrected by some way."""

    def said(self, day, fixes, *others, until=120.0, **tables):
        return day.said(alerts(day, [*minute(day), *fixes, *others], until, **tables))

    def test_with_a_small_age_misses_nothing(self, day):
        assert self.said(day, [day.fix(t, age_s=1.2) for t in day.every(1.0, 1.0, 120.0)]) == []

    def test_nor_does_one_that_never_had_a_line(self, day):
        assert day.said(alerts(day, [day.fix(t, age_s=1.2) for t in day.every(1.0, 1.0, 120.0)], 120.0)) == []

    def test_whose_age_grows_past_the_limit_has_lost_them(self, day):
        fixes = [day.fix(t, age_s=max(1.0, t - 58.5)) for t in day.every(1.0, 1.0, 120.0)]
        assert self.said(day, fixes) == [(64.2, "raised", "corrections-stopped", "line-silent")]

    @pytest.mark.parametrize("words", [{"quality": 5}, {"quality": 1}, {"age_s": None}])
    def test_not_one_that_floats_or_does_not_say_how_old(self, day, words):
        fixes = [day.fix(t, **{"age_s": 1.2} | words) for t in day.every(1.0, 1.0, 120.0)]
        assert self.said(day, fixes) == [(64.2, "raised", "corrections-stopped", "line-silent")]

    def test_whose_cable_to_the_post_is_pulled_hears_of_that(self, day):
        gone = Port(t=62.0, stream="corrections", state="lost")
        fixes = [day.fix(t, age_s=1.2) for t in day.every(1.0, 1.0, 120.0)]
        assert self.said(day, fixes, gone) == [(64.0, "raised", "corrections-stopped", "port-lost")]

    def test_falls_silent_with_its_line(self, day):
        fixes = [day.fix(t, age_s=1.2) for t in day.every(1.0, 1.0, 80.0)]
        # The last word, at 79 s, was 1.2 s old: it is good for 3.8 s more.
        assert self.said(day, fixes) == [(83.0, "raised", "corrections-stopped", "line-silent")]


def test_radios_that_differ_come_before_plain_silence_at_the_rover(day):
    radio = {"base": {"frequency_mhz": 461.025}, "rover": {"frequency_mhz": 464.5}}
    (change,) = alerts(day, minute(day), 66.0, radio=radio)
    assert [cause.cause for cause in change.causes] == ["radio-settings-differ", "line-silent"]
    (change,) = day.bench(CorrectionsStopped, role="base", base={"station_id": 417}, radio=radio).play(minute(day), 66.0)
    assert [cause.cause for cause in change.causes] == ["line-silent"]


@pytest.mark.parametrize(
    ("share", "causes"),
    [
        (1.05, ["out-of-range", "line-silent"]),
        (0.95, ["line-silent", "out-of-range"]),
        (0.31, ["line-silent", "out-of-range"]),
        (0.29, ["line-silent"]),
    ],
)
def test_past_the_radio_horizon_it_is_out_of_range(day, share, causes):
    # 4.12 km a root metre (effective earth radius of 4/3): 4 m and 2 m see 14.07 km.
    distance_m = share * radio_horizon_km(4.0, 2.0) * 1000
    station = day.station(1.0, x_m=6378137.0, y_m=0.0, z_m=0.0)
    fix = day.fix(58.0, latitude=0.0, longitude=distance_m / 6378137.0 * 57.29577951, height_m=0.0)
    (change,) = alerts(day, [station, fix, *minute(day)], 66.0, radio=RADIOS)
    assert [cause.cause for cause in change.causes] == causes
    assert change.evidence["distance_km"] == pytest.approx(distance_m / 1000, abs=0.02)
    assert change.evidence["free_space_loss_db"] > 90


def test_only_our_own_observations_count(day):
    facts = [day.epoch(t, station_id=88) for t in day.every(1.0, 1.0, 20.0)]
    assert [change.rule for change in alerts(day, facts, 18.0)] == ["corrections-stopped"]
    bench = day.bench(CorrectionsStopped)  # the site file names none: any will do
    assert bench.play(facts, 18.0) == []


def shadows(day, *silences, until=600.0):
    """Epochs at 1 Hz but for these silences, each from when to when."""
    return [day.epoch(t) for t in day.every(1.0, 1.0, until) if not any(begin < t < end for begin, end in silences)]


def causes_of(changes):
    return [change.cause for change in changes if change.change == "raised"]


def test_a_link_that_loses_two_epochs_in_five_is_weak_first_though_it_comes_and_goes(day):
    facts = [fact for fact in shadows(day, (100, 108), (140, 148), (180, 188), until=200.0) if fact.t % 5 not in (2.0, 4.0)]
    last = [change for change in alerts(day, facts, 200.0) if change.change == "raised"][-1]
    assert [cause.cause for cause in last.causes] == ["weak-link", "comes-and-goes", "line-silent"]


def test_short_silences_that_come_again_are_told_as_such_from_the_third_on(day):
    facts = shadows(day, (100, 108), (180, 188), (260, 268), (340, 348))
    changes = alerts(day, facts, 600.0)
    assert causes_of(changes) == ["line-silent", "line-silent", "comes-and-goes", "comes-and-goes"]
    third, fourth = [words(change) for change in changes if change.cause == "comes-and-goes" and change.change == "raised"]
    assert third.say == "No corrections for 5.2 s: they come and go, 3 times in 3 min."
    assert fourth.say == "No corrections for 5.2 s: they come and go, 4 times in 5 min."
    assert "stands or moves between here and the base" in third.steps[1]


def test_two_shadows_or_three_within_an_hour_are_each_a_silence_of_its_own(day):
    facts = shadows(day, (100, 108), (700, 708), (1400, 1408), until=1500.0)
    assert causes_of(alerts(day, facts, 1500.0)) == ["line-silent"] * 3


def test_a_base_that_was_off_for_minutes_does_not_come_and_go(day):
    facts = shadows(day, (100, 108), (180, 300), (360, 368), (440, 448))
    assert causes_of(alerts(day, facts, 600.0)) == ["line-silent"] * 4


def test_a_silence_that_does_not_end_is_no_shadow(day):
    facts = shadows(day, (100, 108), (180, 188), (260, 601))
    changes = alerts(day, facts, 320.0)
    assert [(change.change, change.cause) for change in changes if change.t > 260.0] == [
        ("raised", "comes-and-goes"),
        ("cause", "line-silent"),
    ]


def test_a_loose_contact_at_the_base_is_looked_for_at_its_plugs(day):
    facts = shadows(day, (100, 108), (180, 188), (260, 268))
    *_, last = [change for change in alerts(day, facts, 400.0, role="base") if change.change == "raised"]
    assert last.cause == "comes-and-goes"
    assert "a loose contact" in words(last).steps[1]
