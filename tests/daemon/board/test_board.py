"""The board: what it makes of what posts, and others, say; and the whole command at a real broker."""

import contextlib
import datetime as dt
import http.client
import json
import os
import re
import signal
import subprocess
import sys
import time
import tracemalloc

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from witnesspost.daemon.board import posts as posts_module
from witnesspost.daemon.board.posts import FORGET_S, MOST_BYTES, MOST_KEPT_BYTES, MOST_POSTS, ORDER, TWICE_S, Posts, counted
from witnesspost.daemon.board.view import MOST_SHOWN, parts
from witnesspost.daemon.cli import main

from tests.daemon.conftest import started
from tests.daemon.publish.broker import free_port
from tests.daemon.publish.conftest import broker, listen  # noqa: F401
from tests.daemon.publish.post import Post

SILENT_S = 150.0
UTC = dt.datetime(2026, 5, 4, 20, 3, tzinfo=dt.UTC)


def said(state="well", boot="a", **more):
    table = {"state": state, "boot": boot, "role": "base", "version": "0.1.0", "utc": "2026-05-04T20:03:00Z", **more}
    return json.dumps(table).encode()


def hear(posts, name, payload, now=0.0, kept=False, kind="state"):
    posts.hear(f"witnesspost/{name}/{kind}", payload, now, kept=kept)


def board_of(*told, now=0.0):
    posts = Posts("witnesspost")
    for name, payload in told:
        hear(posts, name, payload, now)
    return posts


def keys(posts, now=0.0):
    return [(key, post.name) for key, post in posts.ordered(now, SILENT_S)]


def html_of(posts, now=0.0, link=None):
    return parts(posts, link, now, UTC, SILENT_S)


def test_the_worst_is_first_then_by_name():
    states = ("well", "note", "stop over, not seen", "check", "fault", "stop", "dark", "starting", "stop")
    posts = board_of(*((f"kestrel-{n}", said(state)) for n, state in enumerate(states)), ("kestrel-z", b'{"state": "gone"}'))
    assert keys(posts) == [
        ("stop", "kestrel-5"),
        ("stop", "kestrel-8"),
        ("fault", "kestrel-4"),
        ("check", "kestrel-3"),
        ("gone", "kestrel-z"),
        ("past", "kestrel-2"),
        ("note", "kestrel-1"),
        ("starting", "kestrel-6"),
        ("starting", "kestrel-7"),
        ("well", "kestrel-0"),
    ]
    assert list(counted(posts.ordered(0.0, SILENT_S))) == [key for key in ORDER if key != "unheard"]


def test_who_is_not_heard_for_long_is_said_to_be_until_he_speaks():
    posts = board_of(("kestrel-base", said()))
    assert keys(posts, SILENT_S - 0.1) == [("well", "kestrel-base")]
    assert keys(posts, SILENT_S) == [("unheard", "kestrel-base")]
    hear(posts, "kestrel-base", b"{}", SILENT_S, kind="minute")
    assert keys(posts, SILENT_S) == [("well", "kestrel-base")]


def test_what_the_broker_kept_is_no_sign_of_life():
    posts = Posts("witnesspost")
    hear(posts, "kestrel-base", said("stop"), 0.0, kept=True)
    assert keys(posts) == [("stop", "kestrel-base")]
    assert "Not heard since this board listens; it last said how it is at " in html_of(posts)["posts"]
    assert keys(posts, SILENT_S) == [("unheard", "kestrel-base")]


def test_a_post_that_has_gone_keeps_what_it_said_and_comes_back():
    posts = board_of(("kestrel-base", said("check", say="Fewer than six satellites.")))
    hear(posts, "kestrel-base", b'{"state": "gone"}', 5.0)
    assert keys(posts, 5.0) == [("gone", "kestrel-base")]
    assert "Fewer than six satellites." in html_of(posts, 5.0)["posts"]
    hear(posts, "kestrel-base", said(), 9.0)
    assert keys(posts, 9.0) == [("well", "kestrel-base")]


@pytest.mark.parametrize(("boots", "twice"), [("aa", False), ("ab", False), ("abc", False), ("aba", True), ("abab", True)])
def test_two_posts_of_one_name(boots, twice):
    posts = Posts("witnesspost")
    for second, boot in enumerate(boots):
        hear(posts, "kestrel-base", said(boot=boot), float(second))
    assert ("Two posts have this name" in html_of(posts, 9.0)["posts"]) is twice
    assert "Two posts have this name" not in html_of(posts, len(boots) + TWICE_S)["posts"]


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("witnesspost/<b>/state", said()),
        ("witnesspost/../state", said()),
        ("witnesspost/a b/state", said()),
        (f"witnesspost/{'a' * 41}/state", said()),
        ("witnesspost/kestrel/base/state", said()),
        ("other/kestrel/state", said()),
        ("witnesspost/kestrel/change", said()),
        ("witnesspost/kestrel/state", b"no json"),
        ("witnesspost/kestrel/state", b"[" * 60_000),
        ("witnesspost/kestrel/state", b'{"state": 7}'),
        ("witnesspost/kestrel/state", b'{"state": "\xf9"}'),
        ("witnesspost/kestrel/state", b'{"state": "well", "missing": "all"}'),
        ("witnesspost/kestrel/state", said(say="x" * 9000)),
        ("witnesspost/kestrel/state", said(say="x" * MOST_BYTES)),
    ],
)
def test_what_no_post_would_send_is_counted_and_not_shown(topic, payload):
    posts = Posts("witnesspost")
    posts.hear(topic, payload, 0.0, kept=False)
    assert (keys(posts), posts.unreadable) == ([], 1)
    assert "Messages that no post would send: 1." in html_of(posts)["posts"]


@given(st.binary(max_size=200), st.text(max_size=30))
def test_no_message_is_a_fault(payload, name):
    posts = Posts("witnesspost")
    posts.hear(f"witnesspost/{name}/state", payload, 0.0, kept=False)
    hear(posts, "kestrel", payload)
    html_of(posts)


def test_hostile_words_are_words():
    script = '<script>alert("1")</script>'
    check = {"point": script, "passed": False, "utc": script, "offset": "\u202eabc\x1b[2J"}
    state = said(
        "stop",
        say=f"{script}\n{'y' * 3000}",
        since_utc=script,
        role=script,
        missing=[script] * 50,
        problems=[script],
        check=check,
    )
    text = html_of(board_of(("kestrel-base", state)))["posts"]
    assert "<script" not in text
    assert "\u202e" not in text
    assert "\x1b" not in text
    assert "y" * 501 not in text
    assert text.count("&lt;script&gt;") < 20


def test_posts_are_bounded(monkeypatch):
    monkeypatch.setattr(posts_module, "MOST_POSTS", 3)
    posts = board_of(*((f"kestrel-{n}", said()) for n in range(9)))
    assert (len(keys(posts)), posts.more) == (3, 3)
    assert "No room here for 3 more." in html_of(posts)["posts"]


def test_what_is_kept_of_hostile_posts_stays_small():
    check = {"point": "p" * 7000, "passed": False, "utc": "u" * 7000, "offset": "o" * 7000}
    large = said(say="s" * 7000, missing=["m" * 7000] * 4, problems=["q"] * 20, check=check)
    assert len(large) > 50_000
    tracemalloc.start()
    posts = board_of(*((f"kestrel-{n}", large) for n in range(2 * MOST_POSTS)))
    kept_bytes, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(keys(posts)) == MOST_POSTS
    assert kept_bytes < 4 * MOST_POSTS * MOST_KEPT_BYTES < 24_000_000


def test_a_state_of_which_too_much_would_be_kept_is_counted_and_not_shown():
    posts = board_of(("kestrel-base", said(problems=["\U0001f512" * 500] * 10)))
    assert (keys(posts), posts.unreadable) == ([], 1)


def test_who_is_not_heard_for_a_week_is_forgotten_and_makes_room(monkeypatch):
    monkeypatch.setattr(posts_module, "MOST_POSTS", 2)
    posts = board_of(("kestrel-1", said("stop")), ("kestrel-2", said()), ("kestrel-3", said()))
    hear(posts, "kestrel-2", b"{}", 5.0, kind="minute")
    assert [name for _, name in keys(posts, FORGET_S - 0.1)] == ["kestrel-1", "kestrel-2"]
    assert [name for _, name in keys(posts, FORGET_S)] == ["kestrel-2"]
    hear(posts, "kestrel-3", said(), FORGET_S)
    assert sorted(name for _, name in keys(posts, FORGET_S)) == ["kestrel-2", "kestrel-3"]
    assert posts.more == 0


def test_of_very_many_the_worst_are_shown_and_the_others_counted():
    posts = board_of(*((f"kestrel-{n:04d}", said("stop" if n == 600 else "well")) for n in range(MOST_SHOWN + 199)))
    html = html_of(posts)
    assert html["posts"].count("<details") == MOST_SHOWN
    assert html["posts"].index("kestrel-0600") < html["posts"].index("kestrel-0000")
    assert "Below these stand 199 well." in html["posts"]
    assert f"1 stop · {MOST_SHOWN + 198} well" in html["state"]


def test_nothing_moves_while_nothing_happens():
    posts = board_of(("kestrel-base", said()))
    assert html_of(posts, 0.0) == parts(posts, None, 30.0, UTC + dt.timedelta(seconds=30), SILENT_S)


def test_since_when_is_counted_back_where_no_receiver_has_said_the_time():
    """A base that is heard by its corrections alone never knows the date: this computer does."""
    posts = board_of(("kestrel-base", said("stop", say="Corrections have stopped.", utc=None, for_s=3720.0)), now=60.0)
    shown = f"Since {(UTC - dt.timedelta(seconds=3720)).astimezone():%Y-%m-%d %H:%M}."
    assert shown in parts(posts, None, 60.0, UTC, SILENT_S)["posts"]
    hear(posts, "kestrel-base", said("stop", say="Corrections have stopped.", utc=None, for_s=3778.5), 120.0)  # late by 1.5 s
    assert shown in parts(posts, None, 120.0, UTC + dt.timedelta(seconds=60), SILENT_S)["posts"]
    hear(posts, "kestrel-base", said("stop", say="Another trouble.", utc=None, for_s=2.0), 240.0)
    later = UTC + dt.timedelta(seconds=180)
    assert (
        f"Since {later.astimezone() - dt.timedelta(seconds=2):%Y-%m-%d %H:%M}."
        in parts(posts, None, 240.0, later, SILENT_S)["posts"]
    )
    hear(posts, "kestrel-base", said(utc=None), 250.0)
    assert "Since" not in parts(posts, None, 250.0, later, SILENT_S)["posts"]


def test_what_was_kept_by_the_broker_is_not_counted_back_from():
    posts = Posts("witnesspost")
    hear(posts, "kestrel-base", said("stop", say="Corrections have stopped.", utc=None, for_s=60.0), kept=True)
    assert "Since" not in html_of(posts)["posts"]


def test_another_alert_that_was_kept_has_not_stood_since_the_one_before():
    posts = Posts("witnesspost")
    hear(posts, "kestrel-base", said("stop", rule="corrections-stopped", say="Stopped.", utc=None, for_s=60.0), 0.0)
    assert "Since" in html_of(posts)["posts"]
    hear(posts, "kestrel-base", said("stop", rule="base-datum", say="Wrong.", utc=None, for_s=60.0), 1.0, kept=True)
    assert "Since" not in html_of(posts)["posts"]


@pytest.mark.parametrize("for_s", [-1.0, 1e300])
def test_no_length_of_time_is_a_fault(for_s):
    posts = board_of(("kestrel-base", said("stop", for_s=for_s)))
    assert (posts.unreadable, keys(posts)) == (1, [])


def test_a_broker_that_is_not_heard_is_said_first():
    state = html_of(board_of(("kestrel-base", said())), link="nothing listens on broker:8883")["state"]
    assert "Broker not heard" in state
    assert "Nothing listens on broker:8883." in state


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (["--broker", "mqtt://broker"], "--broker: read 'mqtt://broker', which is not encrypted; expected mqtts://"),
        (["--broker", "broker"], "--broker: read what is not shown here; expected a broker's address such as"),
        (
            ["--broker", "mqtt://[::1]", "--password-file", "p"],
            "--user: missing; expected the name that the password belongs to",
        ),
        (["--broker", "mqtt://[::1]", "--topic", "#"], "--topic: read '#'; expected a topic of letters"),
        (["--broker", "mqtt://[::1]", "--listen", "8018"], "--listen: read '8018'; expected an address and a port"),
        (
            ["--broker", "mqtt://[::1]", "--listen", "127.0.0.1:0"],
            "--listen: read '127.0.0.1:0'; expected an address and a port",
        ),
        (["--broker", "mqtt://[::1]", "--listen", "203.0.113.9:8018"], "--listen: cannot listen on 203.0.113.9:8018"),
    ],
)
def test_what_cannot_be(options, line):
    done = CliRunner().invoke(main, ["board", *options])
    assert done.exit_code == 2
    (said_line,) = done.stderr.splitlines()
    assert said_line.startswith(line)


class Visitor:
    """Who asks the board at a port."""

    def __init__(self, port):
        self.port = port

    def get(self, path="/", method="GET", host=None):
        asked = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        asked.request(method, path, headers={"Host": host} if host else {})
        answer = asked.getresponse()
        return answer.status, answer.headers, answer.read().decode()

    def until(self, words, timeout_s=20.0):
        deadline = time.monotonic() + timeout_s
        while True:
            text = ""
            with contextlib.suppress(OSError):
                text = self.get()[2]
            if words in text:
                return text
            assert time.monotonic() < deadline, text
            time.sleep(0.02)


def test_the_command(tmp_path, broker):  # noqa: F811
    port = free_port()
    words = ["board", "--broker", f"mqtt://127.0.0.1:{broker.port}", "--listen", f"127.0.0.1:{port}"]
    with started([sys.executable, "-m", "witnesspost.daemon", *words], stderr=subprocess.PIPE, text=True) as process:
        visitor = Visitor(port)
        visitor.until("No post has spoken yet.")
        post = Post(tmp_path / "log", broker.port)
        post.up()
        post.view.status = msgspec.structs.replace(post.view.status, state="stop")
        post.until(lambda: "1 stop" in visitor.get()[2])
        events = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        events.request("GET", "/live/board")
        stream = events.getresponse()
        post.view.status = msgspec.structs.replace(post.view.status, state="well")
        post.publish.turn(time.monotonic())
        told = ""
        while "1 well" not in told:
            told = stream.readline().decode()
        assert re.match(r"data: \{", told)
        stream.close()
        events.close()
        status, headers, text = visitor.get()
        assert status == 200
        assert "script-src 'self'" in headers["Content-Security-Policy"]
        assert "kestrel-base" in text
        assert "<script>" not in text
        assert visitor.get(host="kestrel.example")[0] == 421
        assert visitor.get("/nowhere")[0] == 404
        assert visitor.get(method="POST")[0] == 404
        assert (visitor.get("/style.css")[0], visitor.get("/script.js")[0]) == (200, 200)
        post.end()
        visitor.until("1 gone")
        broker.kill()
        visitor.until("Broker not heard")
        os.kill(process.pid, signal.SIGTERM)
        assert process.wait(10) == 0
        assert process.stderr.read() == f"board: http://127.0.0.1:{port}/\n"
