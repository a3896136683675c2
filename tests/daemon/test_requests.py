"""What a person tells the post, over a real socket: recorded with who and why; whatever else comes is refused in one line."""

import datetime as dt
import json
import socket

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.cli import main
from witnesspost.daemon.companion import TooMuchTold
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.log.rows import EventRow
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.requests import EXPECTED, Request, answer
from witnesspost.daemon.status.server import REQUEST_BYTES, StatusServer, ask
from witnesspost.daemon.status.told import CheckInStatus
from witnesspost.replay.world import nmea, rtcm
from witnesspost.rules.book.words import steps_of
from witnesspost.rules.coordinates import Enu
from witnesspost.rules.datum.geodesy import from_enu, point_at, to_geodetic
from witnesspost.rules.facts import Acknowledge, CheckIn, Planned, SetUp, Shelve, Solved
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.status.test_status import SAID
from tests.daemon.view import View
from tests.kestrel import MARKS

SITE = f"""
[post]
name = "kestrel-rover"
role = "rover"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections", "positions"]
[base]
occupies = "KQ-1"
antenna_height_m = 1.843
[project]
frame = "EPSG:6319"
vertical = "ellipsoidal"
{MARKS}"""
SEEN = b'{"do": "seen", "by": "Kim"}'


@pytest.fixture
def post(tmp_path, monkeypatch):
    """A post that answers, as the commands find it: what it was told is in `told`."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    monkeypatch.setattr("witnesspost.daemon.host.places.SYSTEM_RUN", tmp_path / "none")
    view = View()
    view.status, view.t, view.site = SAID, 4000.0, site_from_toml(SITE)
    server = StatusServer(tmp_path / "kestrel-rover.sock")
    server.start(view)
    view.path = server.path
    yield view
    server.turn(1.0)  # nothing that came has hurt it
    assert ask(server.path) == SAID
    server.stop()


def call(*words):
    return CliRunner().invoke(main, words, catch_exceptions=False)


def sent(post, data, shut=True):
    """What the socket answers to these bytes."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as end:
        end.settimeout(10.0)
        end.connect(str(post.path))
        try:
            end.sendall(data)
            if shut:
                end.shutdown(socket.SHUT_WR)
            return b"".join(iter(lambda: end.recv(65536), b""))
        except ConnectionError:  # it has stopped listening to so much
            return b""


def test_seen_all_or_one_with_name_and_note(post):
    done = call("seen", "--by", "Kim", "--note", "antenna was off")
    assert (done.exit_code, done.stdout) == (0, "kestrel-rover: seen by Kim: corrections-stopped (antenna was off)\n")
    assert call("seen", "fix-lost", "--post", "kestrel-rover", "--by", "Kim").exit_code == 0
    assert post.told == [
        Acknowledge(t=4000.0, stream="", rule=None, by="Kim", note="antenna was off"),
        Acknowledge(t=4000.0, stream="", rule="fix-lost", by="Kim"),
    ]
    assert post.lines == [], "the alerts' own lines say by whom they were seen"


def test_a_name_in_other_letters_is_that_name(post, monkeypatch):
    assert call("seen", "Fix-Lost", "--post", "Kestrel-Rover", "--by", "Kim").exit_code == 0
    assert call("shelve", "SKY", "--for", "5m", "--by", "Kim").stdout == "kestrel-rover: shelved by Kim for 5 min: sky\n"
    assert call("setup", "--point", "kq-2", "--by", "Kim").stdout.startswith("kestrel-rover: set up by Kim: base over KQ-2,")
    assert call("solved", "corrections-STOPPED", "Port-Lost", "1", "--by", "Kim").exit_code == 0
    assert [getattr(fact, "rule", None) or fact.point for fact in post.told] == [
        "fix-lost", "sky", "KQ-2", "corrections-stopped",
    ]  # fmt: skip
    post.told.clear()
    passed = CheckInStatus(
        point="KQ-2", by="Kim", ago_s=0.1, stood_s=10.0, needed_s=10.0, hindrance=None, outcome="passed", line="KQ-2: passed"
    )
    post.status = msgspec.structs.replace(SAID, check_in=passed)
    done = call("checkin", "kq-2", "--by", "Kim")
    post.status = SAID
    assert (done.exit_code, post.told) == (0, [CheckIn(t=4000.0, stream="", point="KQ-2", by="Kim")])
    assert done.stdout.splitlines()[-1] == "KQ-2: passed"


def test_of_two_points_that_capitals_alone_tell_apart_the_very_one_is_meant(post):
    post.site.project.control[1].name = "kq-1"
    assert call("setup", "--point", "kq-1", "--by", "Kim").exit_code == 0
    assert post.told[-1].point == "kq-1"
    assert "did you mean KQ-1 or kq-1?" in call("setup", "--point", "Kq-1").stderr


def test_a_rule_of_the_crew_s_own_can_be_shelved_before_it_has_sounded(post):
    post.site = site_from_toml(f"""{SITE}[[own_rule]]
name = "too-few-satellites"
measure = "fix.satellites"
below = 6
severity = "check"
say = "Fewer than six."
""")
    assert call("shelve", "too-few-satellites", "--for", "5m", "--by", "Kim").exit_code == 0
    assert post.told == [Shelve(t=4000.0, stream="", for_s=300.0, rule="too-few-satellites", by="Kim")]


def test_seen_with_nothing_standing_says_so(post):
    assert call("seen", "sky", "--by", "Kim").stdout == "kestrel-rover: seen by Kim: no alert of sky is open\n"
    post.status = msgspec.structs.replace(SAID, alerts=[])
    assert call("seen", "--by", "Kim").stdout == "kestrel-rover: seen by Kim: no alert is open\n"
    seen = [msgspec.structs.replace(alert, state="acknowledged") for alert in SAID.alerts]
    post.status = msgspec.structs.replace(SAID, alerts=seen)
    assert call("seen", "--by", "Kim").stdout == "kestrel-rover: seen by Kim: all were seen already\n"
    post.status = SAID


def test_what_is_over_and_seen_can_still_be_said_to_be_solved(post):
    post.status = msgspec.structs.replace(SAID, alerts=[], stood=["sky"])
    assert call("solved", "sky", "few-satellites", "1").exit_code == 0
    post.status = SAID


def test_who_does_not_say_his_name_is_the_one_logged_in(post, monkeypatch):
    monkeypatch.setenv("SUDO_USER", "survey")
    assert call("seen").exit_code == 0
    assert post.told[0].by == "survey"


@pytest.mark.parametrize(("text", "seconds"), [("10m", 600.0), ("90s", 90.0), ("2h", 7200.0), ("45s", 45.0), ("1.5 min", 90.0)])
def test_shelve(post, text, seconds):
    assert call("shelve", "sky", "--for", text, "--by", "Kim").exit_code == 0
    assert post.told == [Shelve(t=4000.0, stream="", for_s=seconds, rule="sky", by="Kim")]


def set_up(**said):
    return SetUp(t=4000.0, stream="", **{"point": "KQ-1", "antenna_height_m": 1.843, "pole_height_m": 2.0, "by": "Kim"} | said)


@pytest.mark.parametrize(
    ("words", "told", "says"),
    [
        (["--point", "KQ-2"], set_up(point="KQ-2"), "base over KQ-2, antenna 1.843 m, pole 2.000 m"),
        (["--antenna-height", "1.532"], set_up(antenna_height_m=1.532), "base over KQ-1, antenna 1.532 m, pole 2.000 m"),
        (["--pole", "1.8"], set_up(pole_height_m=1.8), "base over KQ-1, antenna 1.843 m, pole 1.800 m"),
        (["--unlisted"], set_up(point=None), "base over no listed point, antenna 1.843 m, pole 2.000 m"),
        (
            ["--slant", "1.7", "--radius", "0.8", "--offset", "0.1"],  # the triangle 8, 15, 17
            set_up(antenna_height_m=1.4, slant_m=1.7, radius_m=0.8, offset_m=0.1),
            "base over KQ-1, antenna 1.400 m, pole 2.000 m",
        ),
    ],
)
def test_a_set_up_says_all_that_holds_from_now_on(post, words, told, says):
    done = call("setup", *words, "--by", "Kim")
    assert (done.exit_code, done.stdout) == (0, f"kestrel-rover: set up by Kim: {says}\n")
    assert post.told == [told]
    assert post.lines == [f"set up by Kim: {says}"]


def test_setup_without_a_measurement_shows_what_holds(post):
    done = call("setup")
    assert done.stdout == (
        "kestrel-rover: base over KQ-1, antenna 1.843 m, pole 2.000 m (as in the site file; nobody has said a set-up)\n"
    )
    assert post.told == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["setup", "--point", "KQ-9"], "KQ-9 is none of the site file's control points; there are KQ-1, KQ-2"),
        (["setup", "--point", "KQ-1", "--unlisted"], "expected one of the two"),
        (["setup", "--slant", "0.1", "--radius", "0.2"], "not longer than the antenna's radius"),
        (["setup", "--slant", "1.7"], "a slant with the antenna's radius"),
        (["setup", "--slant", "1.7", "--radius", "0.1", "--antenna-height", "1.6"], "either vertical, or as a slant"),
        (["setup", "--radius", "0.1"], "belong to a slant"),
        (["setup", "--antenna-height", "25"], "an antenna height of 0 to 20 m"),
        (["setup", "--antenna-height", "nan"], "an antenna height of 0 to 20 m"),
        (["setup", "--antenna-height", "1,532"], "--antenna-height: read '1,532'; expected a number such as 1.5"),
        (["setup", "--pole", "-1"], "a pole height of 0 to 20 m"),
        (["checkin", "KQ-9"], "KQ-9 is none of the site file's control points; there are KQ-1, KQ-2"),
        (["checkin", "KQ2"], "KQ2 is none of the site file's control points; did you mean KQ-2?"),
        (["setup", "--point", "kq 1"], "kq 1 is none of the site file's control points; did you mean KQ-1?"),
        (["solved", "sky", "few-satellites", "1"], "no alert of sky has stood in this run: nothing was solved"),
        (["solved", "corrections-stopped", "port-lost", "9"], "has no step 9; it has"),
        (
            ["solved", "corrections-stopped", "line-silnet", "1"],
            "has no cause 'line-silnet'; did you mean line-silent?",
        ),
        (
            ["solved", "corrections-stoped", "port-lost", "1"],
            "'corrections-stoped'; did you mean corrections-stopped or",
        ),
        (["solved", "corrections-stopped", "port-lost", "0"], "the step's number, 1 the first"),
    ],
)
def test_what_nobody_can_have_done_is_one_line_and_changes_nothing(post, words, says):
    done = call(*words)
    assert (done.exit_code, done.stdout) == (2, "")
    assert says in done.stderr
    assert done.stderr.count("\n") == 1
    assert (post.told, post.lines) == ([], [])


def test_solved_is_told_by_the_step_s_text_in_the_book(post):
    assert call("solved", "corrections-stopped", "port-lost", "2", "--by", "Kim").exit_code == 0
    step = steps_of("corrections-stopped", "port-lost", "rover")[1]
    assert post.told == [Solved(t=4000.0, stream="", rule="corrections-stopped", cause="port-lost", step=step, by="Kim")]


@pytest.mark.parametrize(("outcome", "status"), [("passed", 0), ("failed", 1), ("given-up", 1)])
def test_checkin_waits_for_the_end_and_says_it(post, monkeypatch, outcome, status):
    goes_on = CheckInStatus(
        point="KQ-2",
        by="Kim",
        ago_s=0.1,
        stood_s=3.0,
        needed_s=10.0,
        hindrance=None,
        outcome=None,
        line="KQ-2: stand still, 3 of 10 s",
    )
    ended = msgspec.structs.replace(goes_on, outcome=outcome, line=f"KQ-2: {outcome}")
    old = msgspec.structs.replace(ended, ago_s=300.0, line="an older one")
    said = iter([old, old, goes_on, ended])

    def heard(fact):  # what the post then says, second by second
        post.told.append(fact)

    post.tell = heard
    monkeypatch.setattr("witnesspost.daemon.commands.today.time.sleep", lambda _: turn())

    def turn():
        post.status = msgspec.structs.replace(SAID, check_in=next(said))

    turn()
    done = call("checkin", "KQ-2", "--by", "Kim")
    post.status = SAID
    assert done.exit_code == status
    assert done.stdout.splitlines() == [
        "kestrel-rover: check-in on KQ-2 by Kim: stand still, the pole plumb",
        "KQ-2: stand still, 3 of 10 s",
        f"KQ-2: {outcome}",
    ]
    assert post.told == [CheckIn(t=4000.0, stream="", point="KQ-2", by="Kim")]
    assert post.lines == [], "one check-in, one line: the one that says how it went"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"role": "base"}, "this post stands at the base"),
        ({"kind": "moving"}, "with a moving base no control point can be judged"),
        ({"carries": ["corrections"]}, "no stream of this post carries the rover's positions"),
        ({"off": True}, "has switched control-check off"),
    ],
)
def test_a_check_in_that_nobody_would_judge_is_refused(post, change, says):
    site = post.site
    site.post.role = change.get("role", "rover")
    site.base.kind = change.get("kind", "own")
    site.stream[0].carries = change.get("carries", ["positions"])
    site.rules = {"control-check": {"off": True}} if "off" in change else {}
    done = call("checkin", "KQ-2")
    assert (done.exit_code, post.told) == (2, [])
    assert says in done.stderr


def test_pause_holds_back_what_comes_and_silences_what_is_open(post):
    done = call("pause", "--for", "5m", "--why", "battery", "--by", "Kim")
    assert done.stdout.startswith("kestrel-rover: paused by Kim for 5 min (battery): nothing is raised")
    silenced = Shelve(t=4000.0, stream="", for_s=300.0, by="Kim", note="battery")
    assert post.told == [Planned(t=4000.0, stream="", for_s=300.0, why="battery", by="Kim"), silenced]
    post.status = msgspec.structs.replace(SAID, alerts=[])
    post.told.clear()
    call("pause", "--for", "5m", "--why", "battery")
    assert [type(fact) for fact in post.told] == [Planned]
    post.status = SAID


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["seen", "skie"], "there is no rule 'skie'; there are corrections-stopped, corrections-late, wrong-channel"),
        (["seen", "fixlost"], "there is no rule 'fixlost'; did you mean fix-lost?"),
        (["shelve", "corrections", "--for", "5m"], "did you mean corrections-stopped or corrections-late?"),
        (["shelve", "tiltt", "--for", "5m"], "there is no rule 'tiltt'; did you mean tilt?"),
        (["seen", "--post", "kestrel-base"], "no post kestrel-base is running here, only kestrel-rover; see systemctl status"),
        (["seen", "--post", "kestrel-rovr"], "no post kestrel-rovr is running here; did you mean kestrel-rover?"),
        (["seen", "--note", "x" * 301], "a note of at most 300 letters"),
        (["shelve", "sky"], "--for is missing"),
        (["shelve", "sky", "--for", "soon"], "--for: read 'soon'; expected a time such as 90s or 10m"),
        (["shelve", "sky", "--for", "10"], "--for: read '10'; 10s or 10m?"),
        (["shelve", "sky", "--for", "25h"], "over 0 and at most 24h"),
        (["shelve", "sky", "--for", "0s"], "over 0 and at most 24h"),
        (["pause", "--for", "61m", "--why", "battery"], "over 0 and at most 1h"),
        (["pause", "--for", "5m", "--why", ""], "expected why, in at most 300 letters"),
        (["pause", "--for", "5m"], "--why is missing"),
    ],
)
def test_what_cannot_be_is_one_line_and_2(post, words, says):
    done = call(*words)
    (line,) = done.stderr.splitlines()
    assert (done.exit_code, post.told) == (2, [])
    assert says in line


def test_of_several_posts_one_must_be_named(post):
    other = StatusServer(post.path.with_name("kestrel-base.sock"))
    other.start(View())
    done = call("seen")
    other.stop()
    assert (done.exit_code, done.stderr) == (2, "several posts run here; name one with --post: kestrel-base, kestrel-rover\n")


def test_a_socket_that_a_killed_post_left_behind_is_no_other_post(post):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as killed:
        killed.bind(str(post.path.with_name("kestrel-base.sock")))
    assert call("seen", "--by", "Kim").exit_code == 0
    assert len(post.told) == 1


HOSTILE = [
    b"{",
    b"[]",
    b"null",
    b"\xff\xfe\x00",
    b'{"do": "stop"}',
    b'{"do": "seen"}',
    b'{"do": "seen", "by": ""}',
    b'{"do": "seen", "by": 3}',
    b'{"do": "seen", "by": "Kim", "port": "/dev/ttyS0"}',
    b'{"do": "seen", "by": "' + b"K" * 61 + b'"}',
    b'{"do": "shelve", "by": "Kim", "for_s": 60}',
    b'{"do": "shelve", "by": "Kim", "rule": "sky", "for_s": -1}',
    b'{"do": "shelve", "by": "Kim", "rule": "sky", "for_s": 1e308}',
    b'{"do": "shelve", "by": "Kim", "rule": "sky", "for_s": NaN}',
    b'{"do": "pause", "by": "Kim", "for_s": 60}',
    b'{"do": "pause", "by": "Kim", "for_s": 86400, "why": "rest"}',
    SEEN + SEEN,
    b"[" * REQUEST_BYTES,
    b"GET / HTTP/1.1\r\nHost: kestrel\r\n\r\n",
]


@pytest.mark.parametrize("data", HOSTILE)
def test_what_is_no_request_is_refused_in_one_line_and_changes_nothing(post, data):
    said = sent(post, data)
    assert said.count(b"\n") == 1
    assert list(json.loads(said)) == ["refused"]
    assert post.told == []


def test_more_than_a_request_can_be_is_refused_however_long_it_goes_on(post):
    said = sent(post, b'{"do": "seen", "by": "Kim", "note": "' + b"x" * 5_000_000)
    assert b"done" not in said
    assert post.told == []


def test_who_does_not_end_his_half_is_answered_after_the_deadline(post):
    assert list(json.loads(sent(post, SEEN, shut=False))) == ["done"]
    assert msgspec.json.decode(sent(post, b"", shut=False))["post"] == "kestrel-rover"


def test_what_a_terminal_would_obey_is_neither_recorded_nor_said(post):
    sent(post, json.dumps({"do": "seen", "by": "Kim\x1b[2J\nroot", "note": "\x07bell\ud800"}).encode())
    told = repr([(fact.by, fact.note) for fact in post.told]) + "".join(post.lines)
    assert told.isprintable()


@given(st.binary(max_size=200))
def test_any_bytes_are_answered(data):
    view = View()
    view.status = SAID
    said = answer(data, view)
    assert (said.done is None) != (said.refused is None)
    assert bool(view.told) == (said.done is not None)


def test_a_post_that_is_told_too_much_or_only_just_starts_says_so():
    view = View()
    assert "only just starting" in answer(SEEN, view).refused
    view.status = SAID

    def full(_):
        raise TooMuchTold("200 facts wait to be judged")

    view.tell = full
    assert "too much is being told" in answer(SEEN, view).refused
    assert view.lines == []


def test_who_and_why_are_in_the_log_as_inputs_and_a_replay_gives_the_same_changes(tmp_path):
    site = site_from_toml(SITE)
    log = Log.start(tmp_path, site, SITE)
    live = Pipeline(site, log)
    told = [
        (30.0, Acknowledge(t=30.0, stream="", by="Kim", note="antenna was off")),
        (40.0, Shelve(t=40.0, stream="", for_s=60.0, rule="corrections-stopped", by="Kim", note="known")),
        (50.0, Planned(t=50.0, stream="", for_s=60.0, why="battery", by="Kim")),
    ]
    changes = []
    for t, fact in told:
        changes += [*live.tick(t), *live.tell(fact)]
    changes += live.tick(120.0)
    log.close(120.0, "stopped")
    assert ("acknowledged", 30.0) in [(change.change, change.t) for change in changes]
    (path,) = tmp_path.glob("*.db")
    again, replayed = Pipeline(site), []
    with LogFile.open(path) as opened:
        inputs = [what for _, _, what in opened.inputs()]
    assert inputs == [fact for _, fact in told]
    for fact in inputs:
        replayed += [*again.tick(fact.t), *again.tell(fact)]
    assert replayed + again.tick(120.0) == changes


def test_a_replay_of_a_day_with_a_set_up_gives_the_live_run_s_changes_at_the_same_t(tmp_path):
    """From 08:59:30, a base over KQ-1 that nobody has told of: at 09:00 the set-up makes it right; later a check-in with it."""
    site = site_from_toml(SITE)
    station = rtcm.frame(rtcm.station(417, *point_at(site, "KQ-2", 1.5).ecef))
    latitude, longitude, h = to_geodetic(from_enu(point_at(site, "KQ-1").ecef, Enu(0.0, 0.0, 1.8)))
    began = dt.datetime(2026, 5, 12, 8, 59, 30, tzinfo=dt.UTC)
    by_kim = {"stream": "", "by": "Kim"}
    told = {
        30.0: SetUp(t=30.0, point="KQ-2", antenna_height_m=1.5, pole_height_m=1.8, **by_kim),
        60.05: CheckIn(t=60.05, point="KQ-1", **by_kim),
        80.0: Solved(t=80.0, rule="base-datum", cause="other-control-point", step="Ask.", **by_kim),
        90.0: Acknowledge(t=90.0, **by_kim),
    }
    log = Log.start(tmp_path, site, SITE)
    live, changes = Pipeline(site, log), []
    for second in range(100):
        t = float(second)
        for at in [at for at in told if at <= t]:
            changes += live.tell(told.pop(at))
        receiver = nmea.gga(began + dt.timedelta(seconds=t), latitude, longitude, 4, 20, 0.7, h + 16.0, -16.0, 1.0, 417)
        changes += live.feed(t, "corrections", station + receiver)
        changes += live.tick(t + 0.5)
    log.close(100.0, "stopped")
    said = [(change.t, change.change, change.rule) for change in changes]
    assert (0.0, "raised", "base-datum") in said
    assert (33.0, "normal", "base-datum") in said
    assert live.scene.declared.outcome == "passed"

    (path,) = tmp_path.glob("*.db")
    again, replayed = Pipeline(site), []
    with LogFile.open(path) as opened:
        for t, stream, what in opened.inputs():
            replayed += again.feed(t, stream, what) if isinstance(what, bytes) else again.tell(what)
        rows = [row.kind for row in opened.rows(EventRow, "WHERE input = 1 ORDER BY n")]
    assert replayed + again.tick(99.5) == changes
    assert rows == ["setup", "checkin", "solved", "acknowledge"]
    plan_alone = Pipeline(site)
    with LogFile.open(path) as opened:
        without = [plan_alone.feed(t, stream, what) for t, stream, what in opened.inputs() if isinstance(what, bytes)]
    assert [change for some in without for change in some] != changes


def test_each_field_of_a_request_says_what_it_takes():
    fields = {field for kind in Request.__args__ for field in kind.__struct_fields__}
    assert fields | {"do"} == EXPECTED.keys()
