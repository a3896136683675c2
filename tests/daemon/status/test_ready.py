"""Ready for work or not: of invented days played through the real pipeline into a real log, and said once a morning."""

import contextlib
import sqlite3
import zoneinfo

import msgspec
import pytest
from witnesspost.daemon.lines import ready_words
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.service import Service
from witnesspost.daemon.status.morning import Morning
from witnesspost.daemon.status.ready import CheckStatus
from witnesspost.daemon.status.snapshot import snapshot_of
from witnesspost.replay.play.player import play
from witnesspost.replay.play.source import open_all
from witnesspost.rules.facts import SetUp

from tests.daemon.status.test_status import SAID
from tests.daemon.view import LOG, View, port

CHECK = CheckStatus(
    point="KQ-2", passed=True, ago_s=30.0, utc="2026-05-04T15:12:00+00:00", east_m=0.004, north_m=0.0, up_m=-0.0031
)


def played(name, tmp_path):
    """A scenario to its end: (its pipeline, its log's file)."""
    ((_, source),) = open_all(name)
    path = tmp_path / "day.db"
    log = Log.start(tmp_path, source.site, source.site_text, path=path)
    pipeline = Pipeline(source.site, log)
    for _ in play(pipeline, source.records, end_t=source.end_t):
        pass
    pipeline.end()
    log.close(pipeline.t, "ended")
    return pipeline, path


def status_of(pipeline, state="open"):
    ports = tuple(port(state, stream=stream.name) for stream in pipeline.site.stream)
    return snapshot_of(
        pipeline.site,
        pipeline.scene,
        pipeline.open_alerts(),
        pipeline.t,
        shown="well",
        ports=ports,
        log=LOG,
        health=None,
        problems=[],
        check=pipeline.last_check,
    )


def test_an_alert_whose_end_has_not_lasted_yet_says_that_it_is_good_again():
    """What is said of old corrections is true of the moment in which it is read, or says that it is over."""
    ((_, source),) = open_all("corrections-late:old-at-rover")
    pipeline = Pipeline(source.site)
    ages, told = [], []

    def moved(t):
        fix = pipeline.scene.fix
        for alert in status_of(pipeline).alerts:
            if alert.rule == "corrections-late" and fix is not None and fix.age_s is not None:
                ages.append(fix.age_s)
                told.append(alert.held)

    for _ in play(pipeline, source.records, end_t=source.end_t, moved=moved):
        pass
    assert {held for age_s, held in zip(ages, told, strict=True) if age_s > 6.0} == {None}
    fresh = [held for age_s, held in zip(ages, told, strict=True) if age_s < 2.0]
    assert {f"good again for {second} s" for second in range(1, 19)} <= set(fresh)
    assert None not in fresh[2:]


def test_a_day_with_a_check_in_is_ready_and_the_log_has_the_check(tmp_path):
    pipeline, path = played("control-check:quiet-passed", tmp_path)
    status = status_of(pipeline)
    assert status.missing == []
    assert status.ready[:4] == ["ports open", "corrections from 417", "the base's coordinate agrees with KQ-1 (0 mm)", "fixed"]
    assert status.check.passed
    assert status.ready[4].startswith(f"last check-in {status.check.point} at ")
    assert status.ready[4].endswith(f" ({status.check.millimetres})")
    assert ready_words("yes", "not yet", status.ready, status.missing) == f"yes: {', '.join(status.ready)}"
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        checks = connection.execute(
            "SELECT point, passed, east_m, north_m, up_m, tolerance_horizontal_m > 0 FROM checks"
        ).fetchall()
        (logged,) = connection.execute("SELECT count(*) FROM event WHERE kind = 'control-check'").fetchone()
    assert len(checks) == logged >= 1
    check = status.check
    assert checks[-1] == (check.point, 1, check.east_m, check.north_m, check.up_m, 1)


def test_when_a_check_passed_is_in_the_services_pulse_for_the_light(tmp_path):
    for name, passed in (("control-check:quiet-passed", True), ("control-check:the-mark-was-disturbed", False)):
        ((_, source),) = open_all(name)
        service = Service(source.site, source.site_text, tmp_path / str(passed))
        assert service.pulse().check_passed_t is None
        for _ in play(service.pipeline, source.records, end_t=source.end_t):
            pass
        checked_t, detail = service.pipeline.last_check
        assert detail["passed"] == passed
        assert service._take_pulse(service.pipeline.t).check_passed_t == (checked_t if passed else None)


def test_a_check_that_did_not_pass_is_missing(tmp_path):
    pipeline, _ = played("control-check:the-mark-was-disturbed", tmp_path)
    status = status_of(pipeline)
    assert not status.check.passed
    assert pipeline.engine.stood() == {"control-check"}
    (missing,) = status.missing
    assert missing.startswith(f"the last check-in did not pass: {status.check.point} at ")


RENEWED = [
    (lambda base, t: [SetUp(t=t, stream="", point="KQ-2", antenna_height_m=1.6, pole_height_m=2.0)], "the set-up"),
    (lambda base, t: [msgspec.structs.replace(base, t=t, x_m=base.x_m + 0.02)], "the base changed its position"),
    (lambda base, t: [], None),
    (lambda base, t: [SetUp(t=t, stream="", point="KQ-1", antenna_height_m=1.843, pole_height_m=1.5)], None),  # the pole alone
]


@pytest.mark.parametrize(("told", "since"), RENEWED, ids=["set-up", "position", "nothing", "pole"])
def test_a_check_in_from_before_the_base_was_another_counts_no_more(tmp_path, told, since):
    pipeline, _ = played("control-check:quiet-passed", tmp_path)
    pipeline.site.base.antenna_height_m = 1.843
    scene, t = pipeline.scene, pipeline.t
    for fact in told(scene.station(), t):
        scene.see(fact)
    missing = [text for text in status_of(pipeline).missing if text.startswith("no check-in since")]
    assert len(missing) == (since is not None)
    assert all(text.startswith(f"no check-in since {since} at ") for text in missing)


def test_after_a_set_up_a_right_base_is_judged_anew_and_not_blamed_until_then(tmp_path):
    pipeline, _ = played("control-check:quiet-passed", tmp_path)
    pipeline.log = None
    base, t = pipeline.site.base, pipeline.t
    pipeline.tell(SetUp(t=t, stream="", point="KQ-1", antenna_height_m=base.antenna_height_m, pole_height_m=2.0))
    status = status_of(pipeline)
    assert (status.base_check, status.missing) == ("not judged yet", ["the base's coordinate is not judged yet"])
    pipeline.tick(t + 0.4)
    status = status_of(pipeline)
    assert (status.base_check, status.missing) == ("agrees with KQ-1", [])
    assert "the base's coordinate agrees with KQ-1 (0 mm)" in status.ready


def test_where_the_rule_is_off_the_base_s_coordinate_is_not_asked_for(tmp_path):
    pipeline, _ = played("control-check:quiet-passed", tmp_path)
    pipeline.site.rules["base-datum"] = {"off": True}
    pipeline.scene.see(SetUp(t=pipeline.t, stream="", point="KQ-1", antenna_height_m=1.0, pole_height_m=2.0))
    status = status_of(pipeline)
    assert status.base_check == "not judged: the rule that judges it is off"
    assert not [text for text in status.missing if "coordinate" in text]


def test_a_height_that_cannot_be_judged_is_not_held_against_the_base(tmp_path):
    pipeline, _ = played("control-check:height-not-judged", tmp_path)
    status = status_of(pipeline)
    assert ("base-datum", "note", "height-not-judged") in [(one.rule, one.severity, one.cause) for one in status.alerts]
    assert status.base_check == "agrees with KQ-1 in plan; its height cannot be judged without the project's geoid file"
    assert "the base's coordinate agrees with KQ-1 in plan, its height is not judged" in status.ready
    assert not [text for text in status.missing if "coordinate" in text]


def test_at_the_start_all_is_missing(tmp_path):
    ((_, source),) = open_all("control-check:quiet-passed")
    status = status_of(Pipeline(source.site), "waiting")
    assert status.ready == []
    assert status.missing == [
        "port not open: corrections, receiver",
        "no corrections",
        "the base has not said its position",
        "not fixed",
        "no check-in since the post started",
    ]


def test_millimetres_have_a_minus_and_no_minus_nought():
    assert CHECK.millimetres == "4, 0, −3 mm"
    assert msgspec.structs.replace(CHECK, up_m=-0.0004).millimetres == "4, 0, 0 mm"


@pytest.fixture
def morning():
    companion, view = Morning(zoneinfo.ZoneInfo("America/Denver")), View()
    companion.start(view)

    def turn(**changes):
        view.lines.clear()
        view.status = msgspec.structs.replace(SAID, **{"missing": [], **changes})
        companion.turn(1.0)
        companion.turn(1.5)
        return list(view.lines)

    yield turn
    companion.stop()


def test_ready_is_said_once_a_morning(morning):
    said = ["ready: ports open, corrections from 417"]
    assert [morning(), morning(), morning(utc="2026-05-05T13:00:00Z")] == [said, [], said]


def test_the_day_begins_in_the_morning_and_not_at_midnight(morning):
    said = ["ready: ports open, corrections from 417"]
    clocks = ["2026-05-04T20:00:00Z", "2026-05-05T06:30:00Z", "2026-05-05T09:59:00Z", "2026-05-05T10:01:00Z"]
    assert [morning(utc=utc) for utc in clocks] == [said, [], [], said]


def test_what_is_missing_after_a_quarter_of_an_hour_is_said_once(morning):
    missing = ["no check-in since the post started"]
    said = ["not ready yet: no check-in since the post started (ports open, corrections from 417)"]
    ready = ["ready: ports open, corrections from 417"]
    turns = [(10.0, missing), (880.0, missing), (920.0, missing), (2000.0, missing), (2100.0, []), (2200.0, missing)]
    assert [morning(up_s=up_s, missing=what) for up_s, what in turns] == [[], [], said, [], ready, []]


def test_ready_before_anybody_says_the_date_is_not_said_again_when_somebody_does(morning):
    said = ["ready: ports open, corrections from 417"]
    assert [morning(utc=None), morning(), morning(utc="2026-05-05T13:00:00Z")] == [said, [], said]


def test_a_check_that_passes_is_a_line_once(morning):
    morning()
    line = ["check-in on KQ-2 passed (4, 0, −3 mm: east, north, up)"]
    assert morning(up_s=4000.0, check=CHECK) == line
    assert morning(up_s=4010.0, check=msgspec.structs.replace(CHECK, ago_s=40.0)) == []
    assert morning(up_s=4020.0, check=msgspec.structs.replace(CHECK, ago_s=1.0, passed=False)) == []
    assert morning(up_s=4030.0, check=msgspec.structs.replace(CHECK, ago_s=1.0)) == line


def test_a_check_that_says_the_same_again_is_no_line(morning):
    morning()
    said = msgspec.structs.replace(CHECK, ago_s=1.0, by="Kim")
    assert morning(up_s=4000.0, check=said) == ["check-in on KQ-2 by Kim passed (4, 0, −3 mm: east, north, up)"]
    assert morning(up_s=4020.0, check=msgspec.structs.replace(said, again=True)) == []
