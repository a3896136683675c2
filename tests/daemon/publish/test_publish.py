"""What the office hears of a post by a real broker: each change once, in order, whatever happens to the network."""

import json
import os
import sqlite3
import subprocess
import time
from types import SimpleNamespace

import msgspec
import pytest
import trustme
from witnesspost.daemon.log.folder import Folder
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.publish.outbox import Marker, Outbox
from witnesspost.daemon.publish.publish import STATE_S, Sender
from witnesspost.daemon.status.snapshot import FixStatus
from witnesspost.rules.book.words import words

from tests.daemon.log.feeding import KEYS, change
from tests.daemon.publish.broker import Broker, Network, free_port
from tests.daemon.publish.post import Post
from tests.daemon.view import until


@pytest.fixture
def post(tmp_path):
    posts = []

    def made(port, keys="", name="kestrel-base", folder="log", **more):
        posts.append(Post(tmp_path / folder, port, keys, name, **more))
        return posts[-1]

    yield made
    for one in posts:
        one.end()


def in_the_logs(folder):
    """Each change of all logs there, as its key, in order."""
    keys = []
    for _, path in Folder(folder, "kestrel-base").files():
        with LogFile.open(path) as log:
            keys += [
                ("kestrel-base", log.run_name, alert, n) for alert, n in log.select("SELECT alert, n FROM alert ORDER BY n")
            ]
    return keys


def test_a_change_a_check_and_the_state_arrive(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port)
    said = one.says()
    one.checks()
    one.until(lambda: office.changes() and office.of("check") and office.of("state"))
    ((topic, told, retained),) = [heard for heard in office.heard if heard[0].endswith("change")]
    assert (topic, retained) == ("witnesspost/kestrel-base/change", False)
    assert tuple(told) == KEYS
    assert office.changes() == in_the_logs(one.folder)
    assert told["say"] == words(said).say
    (check,) = office.of("check")
    assert {key: check[key] for key in ("point", "passed", "east_m", "up_m")} == {
        "point": "KQ-1",
        "passed": True,
        "east_m": 0.004,
        "up_m": -0.003,
    }
    assert "x_m" not in check
    state = office.of("state")[-1]
    assert (state["post"], state["state"], state["version"]) == ("kestrel-base", one.view.status.state, "0.1.0")
    assert (state["latitude"], state["longitude"]) == (39.12, -104.99)
    one.until(lambda: one.link.waiting == 0)
    assert one.link.line == f"link up for {one.link.since_s:.0f} s, nothing waits"


def test_precise_says_where_it_is(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port, "precise = true")
    one.checks()
    one.until(lambda: office.of("check") and office.of("state"))
    assert office.of("state")[-1]["latitude"] == 39.1234567
    assert office.of("check")[0]["x_m"] == -1279034.1234


def test_what_was_said_without_a_network_comes_later_in_order(tmp_path, open_folder, listen, post):
    port = free_port()
    one = post(port)
    one.says(250)
    one.until(lambda: one.link is not None and one.link.waiting == 250 and one.link.error is not None)
    assert (one.link.up, one.link.error) == (False, f"nothing listens on 127.0.0.1:{port}")
    assert one.publish._sender.waiting == 0  # the log has it
    assert one.view.lines == [f"office: nothing listens on 127.0.0.1:{port}"]
    broker = Broker(open_folder)
    try:
        one.end()
        again = Post(one.folder, broker.port)
        office = listen(broker.port)
        again.says(3)
        again.until(lambda: len(office.changes()) == 253)
        assert office.changes() == in_the_logs(one.folder)
        assert len(office.of("change")) == 253
        again.until(lambda: again.link.waiting == 0)
        again.end()
    finally:
        broker.kill()


def test_after_a_start_only_what_is_new_is_said(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port)
    one.says(5)
    one.until(lambda: len(office.changes()) == 5 and one.link.waiting == 0)
    one.publish.stop()
    one.says(2)
    one.begin()
    one.until(lambda: len(office.changes()) == 7)
    assert len(office.of("change")) == 7
    assert office.changes() == in_the_logs(one.folder)


def test_a_broker_that_is_killed_and_comes_back_misses_nothing(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port)
    one.says(20)
    one.until(lambda: len(office.changes()) == 20)
    broker.kill()
    one.until(lambda: not one.link.up)
    one.says(30)
    one.until(lambda: one.link.waiting == 30)
    broker.start()
    heard = listen(broker.port)  # who subscribes before the post is back
    one.until(lambda: len({*office.changes(), *heard.changes()}) == 50, 30.0)
    one.until(lambda: one.link.waiting == 0)
    assert [key for key in in_the_logs(one.folder) if key not in office.changes() and key not in heard.changes()] == []
    assert heard.changes() == sorted(heard.changes(), key=lambda key: key[3])


def test_a_post_that_stops_and_one_that_is_lost_are_gone(broker, listen, post):
    network = Network(broker.port)
    office = listen(broker.port)
    stopped, lost = post(broker.port), post(network.port, name="kestrel-rover", folder="other")
    for each in (stopped, lost):
        each.until(lambda each=each: each.site.post.name in [told.get("post") for told in office.of("state")])
    stopped.publish.stop()
    network.close()
    stopped.until(lambda: office.of("state").count({"state": "gone"}) == 2)
    late = listen(broker.port)
    stopped.until(lambda: len(late.heard) == 2)
    assert sorted(late.heard) == [
        (f"witnesspost/{name}/state", {"state": "gone"}, True) for name in ("kestrel-base", "kestrel-rover")
    ]


def test_who_joins_late_has_the_state_at_once(broker, listen, post):
    one = post(broker.port)
    first = listen(broker.port)
    one.until(lambda: first.of("state"))
    late = listen(broker.port)
    one.until(lambda: late.of("state"))
    assert late.heard[0][2] is True
    assert late.of("state")[0]["post"] == "kestrel-base"


def test_two_posts_of_one_name_both_say_so(broker, post):
    one, other = post(broker.port, folder="one"), post(broker.port, folder="other")
    one.up()
    other.up()

    def both():
        other.view.t = time.monotonic()
        other.publish.turn(other.view.t)
        return one.link.twice and other.link is not None and other.link.twice

    one.until(both)
    for each in (one, other):
        assert each.view.lines == ["office: another post has this name: give one of them another post.name"]
        assert each.link.line.endswith(", another post has this name: give one of them another post.name")


def test_a_post_that_starts_anew_is_not_another(broker, listen, post):
    one = post(broker.port)
    one.up()
    one.publish.stop()
    one.begin()
    office = listen(broker.port)
    one.until(lambda: any("boot" in told for told in office.of("state")))
    one.says()
    one.until(lambda: office.changes() and one.link.waiting == 0)
    assert not one.link.twice


@pytest.fixture
def guarded(open_folder):
    """A broker that asks for a password."""
    known = open_folder / "passwords"
    known.touch()
    subprocess.run(["mosquitto_passwd", "-b", str(known), "kestrel", "tawny owl"], check=True, capture_output=True)
    known.chmod(0o644)
    one = Broker(open_folder, f"allow_anonymous false\npassword_file {known}")
    yield one
    one.kill()


def login(folder, password="tawny owl", rights=0o600):
    folder.mkdir(exist_ok=True)
    path = folder / "office.password"
    path.write_text(f"{password}\n")
    path.chmod(rights)
    return 'user = "kestrel"\npassword_file = "office.password"'


def test_a_wrong_password_is_said_and_once_it_is_right_all_arrives(guarded, listen, post, tmp_path):
    office = listen(guarded.port, user="kestrel", password="tawny owl")
    one = post(guarded.port, login(tmp_path / "log", "barn owl"))
    one.says()
    one.until(lambda: one.link is not None and one.link.error is not None and one.link.waiting == 1)
    assert one.link.error == "the broker does not take the user or the password"
    login(tmp_path / "log")
    one.until(lambda: office.changes())
    assert one.link.up
    assert "owl" not in "".join(one.view.lines)


@pytest.mark.parametrize("rights", [0o604, 0o640, 0o620])
def test_a_password_that_others_may_read_is_not_used(guarded, post, tmp_path, rights):
    one = post(guarded.port, login(tmp_path / "log", rights=rights))
    one.until(lambda: one.link is not None and one.link.error is not None)
    path = tmp_path / "log" / "office.password"
    assert one.link.error == f"{path}: others than its owner may read it (its rights are {rights:04o}); chmod 600 it"
    path.chmod(0o600)
    one.up()


@pytest.mark.parametrize("what", ["missing", "empty", "folder", "no text"])
def test_a_password_file_that_is_none(guarded, post, tmp_path, what):
    keys = login(tmp_path / "log")
    path = tmp_path / "log" / "office.password"
    path.unlink()
    if what == "folder":
        path.mkdir(0o700)
    elif what != "missing":
        path.write_bytes(b"\n" if what == "empty" else b"\xff\n")
        path.chmod(0o600)
    one = post(guarded.port, keys)
    one.until(lambda: one.link is not None and one.link.error is not None)
    why = {"missing": "No such file", "empty": "is empty", "folder": "is no file", "no text": "is not UTF-8"}
    assert f"{path}: " in one.link.error
    assert why[what] in one.link.error


def certified(folder, *names):
    """A certificate for these names, and the authority's, as Mosquitto's lines and the path of the authority's."""
    authority = trustme.CA()
    made = authority.issue_cert(*names)
    authority.cert_pem.write_to_path(folder / "ca.pem")
    made.private_key_pem.write_to_path(folder / "key.pem")
    made.cert_chain_pems[0].write_to_path(folder / "cert.pem")
    for name in ("ca.pem", "key.pem", "cert.pem"):
        (folder / name).chmod(0o644)
    return f"allow_anonymous true\ncertfile {folder}/cert.pem\nkeyfile {folder}/key.pem"


def test_tls_by_the_offices_own_authority(open_folder, post):
    broker = Broker(open_folder, certified(open_folder, "127.0.0.1"))
    try:
        one = post(broker.port, f'ca_file = "{open_folder}/ca.pem"', scheme="mqtts")
        one.says()
        one.up()
        one.until(lambda: one.link.waiting == 0)
    finally:
        broker.kill()


@pytest.mark.parametrize(
    ("names", "trusted", "why"),
    [
        (["127.0.0.1"], False, "is not trusted: "),
        (["broker.kestrel.example"], True, "is not trusted: IP address mismatch, certificate is not valid for '127.0.0.1'"),
    ],
)
def test_a_wrong_certificate_is_said(open_folder, post, names, trusted, why):
    broker = Broker(open_folder, certified(open_folder, *names))
    try:
        one = post(broker.port, f'ca_file = "{open_folder}/ca.pem"' if trusted else "", scheme="mqtts")
        one.says()
        one.until(lambda: one.link is not None and one.link.error is not None and one.link.waiting == 1)
        assert one.link.error.startswith(f"the certificate of 127.0.0.1:{broker.port} {why}")
    finally:
        broker.kill()


def test_a_broker_without_tls_where_tls_is_expected(broker, post):
    one = post(broker.port, scheme="mqtts")
    one.until(lambda: one.link is not None and one.link.error is not None)
    assert one.link.error.startswith((f"no TLS with 127.0.0.1:{broker.port}: ", f"the connection to 127.0.0.1:{broker.port}"))


def test_a_network_that_is_slow_and_is_cut(broker, listen, post):
    office = listen(broker.port)
    network = Network(broker.port, bytes_per_s=200_000, delay_s=0.002, cut_bytes=20_000)
    try:
        one = post(network.port)
        one.publish._connection._ending.wait = lambda seconds: False  # no pause between two connections
        one.says(60)
        one.until(lambda: len(office.changes()) == 60 and one.link.waiting == 0, 30.0)
        assert network.cuts >= 2
        assert office.changes() == in_the_logs(one.folder)
        one.publish.stop()
    finally:
        network.close()


def test_files_that_are_not_sent_any_more_and_those_that_cannot_be_read(broker, listen, post):
    one = post(broker.port, rotate_s=10.0)
    office = listen(broker.port)
    one.publish.stop()
    for _ in range(3):
        one.says(8)
        one.log.tick(one.t)
        one.t += 10.0
        one.log.tick(one.t)
    files = [path for _, path in Folder(one.folder, "kestrel-base").files()]
    assert len(files) >= 3
    wanted = [key for key in in_the_logs(one.folder) if not key[1].startswith("2-")]
    files[1].write_bytes(b"no log" * 1000)
    one.begin()
    one.until(lambda: len(office.changes()) == len(wanted))
    assert office.changes() == wanted
    assert [line for line in one.view.lines if files[1].name in line]


def test_a_folder_that_is_begun_anew_is_another_run(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port)
    one.says(2)
    one.until(lambda: len(office.changes()) == 2 and one.link.waiting == 0)
    one.end()
    for path in one.folder.glob("*.db*"):
        path.unlink()
    again = post(broker.port)
    again.says(2)
    again.until(lambda: len(office.changes()) == 4)
    assert len({run for _, run, _, _ in office.changes()}) == 2


def test_it_never_holds_up_the_log(broker, post):
    one = post(broker.port)
    one.says(100)
    look = sqlite3.connect(one.folder / "kestrel-base.0001.db", timeout=0.1)
    one.until(lambda: one.link is not None and one.link.up)
    look.execute("BEGIN IMMEDIATE")
    look.execute("ROLLBACK")
    look.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    ((busy, _, _),) = look.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    assert busy == 0
    look.close()


def test_a_state_is_said_when_something_changes_and_once_a_minute(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port)
    one.until(lambda: office.of("state"))
    alert = msgspec.structs.replace(one.view.status, state="stop")
    one.view.status = alert
    one.until(lambda: [told["state"] for told in office.of("state")][-1:] == ["stop"])
    count = len(office.of("state"))
    one.publish.turn(one.view.t + STATE_S + 1.0)
    one.until(lambda: len(office.of("state")) > count)


def test_a_minute_is_a_row(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port)
    one.up()
    for second in range(0, 62):
        one.view.status = msgspec.structs.replace(one.view.status, up_s=100.0 + second)
        one.publish.turn(one.view.t)
    one.until(lambda: office.of("minute"))
    (row,) = office.of("minute")
    assert row["lasted_s"] == 60.0
    assert sum(row["fix"].values()) == pytest.approx(1.0, abs=0.01)


def test_a_minute_counts_each_snapshot_once_however_often_it_is_looked_at(broker, listen, post):
    """An alert has the companion come round many times within half a second."""
    office = listen(broker.port)
    one = post(broker.port)
    one.up()
    for second in range(0, 62):
        quality = 4 if second < 31 else 5
        fix = FixStatus(ago_s=0.2, quality=quality, satellites=17, hdop=0.8, age_s=1.4, station_id=417)
        one.view.status = msgspec.structs.replace(one.view.status, up_s=100.0 + second, fix=fix)
        for _ in range(1 if second < 31 else 20):
            one.publish.turn(one.view.t)
    one.until(lambda: office.of("minute"))
    (row,) = office.of("minute")
    assert sorted(row["fix"].values())[-2:] == pytest.approx([0.5, 0.5], abs=0.05)


@pytest.mark.parametrize("spoiled", [b'{"file":"\xf9"}', b'{"\xf9":1}', b"[" * 100_000, b"", b"null", bytes(100)])
def test_a_marker_that_cannot_be_read_says_nothing(tmp_path, spoiled):
    (tmp_path / "kestrel-base.published").write_bytes(spoiled)
    assert Outbox(tmp_path, "kestrel-base", precise=True).marked() is None


def test_a_disk_that_takes_no_marker_is_said_once_and_holds_up_nothing(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port)
    blocked = one.folder / ".kestrel-base.published.new"
    blocked.mkdir()
    for count in (1, 2):
        one.says()
        one.until(lambda count=count: len(office.changes()) == count and one.link.waiting == 0)
    one.until(lambda: one.view.lines)
    assert one.view.lines == [f"office: {blocked}: Is a directory"]
    blocked.rmdir()
    one.until(lambda: one.publish._outbox.marked() is not None)
    one.until(lambda: one.publish._outbox.waiting() == 0)
    assert len(office.of("change")) == 2


def test_the_marker_is_whole_or_the_one_before(tmp_path, post):
    port = free_port()
    one = post(port)
    marker = one.publish._outbox
    one.says(3)
    items = marker.more()
    marker.mark(items[1].marker)
    assert json.loads((one.folder / "kestrel-base.published").read_text()) == {
        "run": items[1].marker.run,
        "n": items[1].marker.n,
    }
    assert marker.marked() == items[1].marker
    assert marker.waiting() == 1
    (one.folder / "kestrel-base.published").write_bytes(os.urandom(20))
    assert marker.waiting() == 3


def test_a_change_that_a_slow_card_writes_late_is_told_soon_after(broker, listen, post):
    office = listen(broker.port)
    one = post(broker.port)
    one.up()
    late = change(1.0, alert=1)
    one.publish.see([late])
    sounded_t = one.view.t
    for n in range(200):
        one.turn(sounded_t + n / 100)
    one.log.change(late)
    one.turn(sounded_t + 3.1)  # the look after one at 2 s is at 3 s, not where nobody has said that something changed
    until(lambda: len(office.changes()) == 1)


def test_the_marker_is_never_written_through_a_link(tmp_path):
    precious = tmp_path / "precious"
    precious.write_text("precious")
    for name in (".kestrel-base.published.new", "kestrel-base.published"):
        (tmp_path / name).symlink_to(precious)
    outbox = Outbox(tmp_path, "kestrel-base", precise=True)
    for n in (1, 2):
        outbox.mark(Marker("a run", n))
        assert outbox.marked() == Marker("a run", n)
    assert precious.read_text() == "precious"


@pytest.mark.parametrize("payload", [b'"\xf9"', b'{"\xf9": 1}', b"[" * 100_000, b"", b"null", b"[]"])
def test_what_another_says_under_the_posts_name_ends_nothing(payload):
    sender = Sender("witnesspost/kestrel-base", "boot")
    sender.heard(SimpleNamespace(retain=False, payload=payload))
    assert sender.twice_at is None
