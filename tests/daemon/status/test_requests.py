"""What a person tells the post, over a real socket: recorded with who and why; whatever else comes is refused in one line."""

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
from witnesspost.daemon.pipeline import Pipeline
from witnesspost.daemon.status.requests import answer
from witnesspost.daemon.status.server import REQUEST_BYTES, StatusServer, ask
from witnesspost.rules.facts import Acknowledge, Planned, Shelve
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.status.test_status import SAID
from tests.daemon.view import View

SITE = """
[post]
name = "kestrel-rover"
role = "rover"
[[stream]]
name = "corrections"
port = "loop://"
carries = ["corrections"]
"""
SEEN = b'{"do": "seen", "by": "Kim"}'


@pytest.fixture
def post(tmp_path, monkeypatch):
    """A post that answers, as the commands find it: what it was told is in `told`."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    monkeypatch.setattr("witnesspost.daemon.host.places.SYSTEM_RUN", tmp_path / "none")
    view = View()
    view.status, view.t = SAID, 4000.0
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
    assert post.lines == ["seen by Kim: corrections-stopped (antenna was off)", "seen by Kim: fix-lost"]


def test_who_does_not_say_his_name_is_the_one_logged_in(post, monkeypatch):
    monkeypatch.setenv("SUDO_USER", "survey")
    assert call("seen").exit_code == 0
    assert post.told[0].by == "survey"


@pytest.mark.parametrize(("text", "seconds"), [("10m", 600.0), ("90s", 90.0), ("2h", 7200.0), ("45", 45.0), ("1.5 min", 90.0)])
def test_shelve(post, text, seconds):
    assert call("shelve", "sky", "--for", text, "--by", "Kim").exit_code == 0
    assert post.told == [Shelve(t=4000.0, stream="", for_s=seconds, rule="sky", by="Kim")]


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
        (["seen", "skie"], "there is no rule 'skie'; with open alerts: corrections-stopped, fix-lost"),
        (["seen", "--post", "kestrel-base"], "no post kestrel-base is running here"),
        (["seen", "--note", "x" * 301], "length <= 300"),
        (["shelve", "sky"], "Missing option '--for'"),
        (["shelve", "sky", "--for", "soon"], "--for: read 'soon'; expected a time such as 90s or 10m"),
        (["shelve", "sky", "--for", "25h"], "over 0 and at most 24h"),
        (["shelve", "sky", "--for", "0s"], "over 0 and at most 24h"),
        (["pause", "--for", "61m", "--why", "battery"], "over 0 and at most 1h"),
        (["pause", "--for", "5m", "--why", ""], "length >= 1"),
        (["pause", "--for", "5m"], "Missing option '--why'"),
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
