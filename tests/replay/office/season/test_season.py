"""A season judged again: held against what the logs say that sounded, and against `replay` under the same figures."""

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import tomllib
from collections import Counter
from pathlib import Path

import pytest
import tomli_w
from click.testing import CliRunner
from witnesspost.daemon.cli import main
from witnesspost.daemon.log.reading import LogFile
from witnesspost.replay.play.proving import all_scenarios
from witnesspost.replay.world.scenario import FOLDER

from tests.replay.office.archive.logs import write_log

pytestmark = pytest.mark.slow  # each judges logs on processes of their own

QUIET, CABLE, NEIGHBOUR = "quiet-hour-base", "radio-cable-pulled-and-back", "neighbours-base-on-our-channel"
DAYS = 30
OFF = "[rules.corrections-stopped]\noff = true\n"


def run(*words):
    done = CliRunner().invoke(main, [*map(str, words)])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done


def season(*words):
    """(exit status, {(rule, cause, post): (then, now)}, what was said)."""
    done = run("season", *words, "--json", "--jobs", 2)
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert all(row.keys() == {"rule", "cause", "post", "then", "now"} for row in rows)
    return done.exit_code, {(row["rule"], row["cause"], row["post"]): (row["then"], row["now"]) for row in rows}, done.stderr


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season")
    write_log(folder, CABLE, until_s=400)
    write_log(folder, NEIGHBOUR, post="ridge-rover", until_s=400)
    write_log(folder, CABLE, post="ridge-rover", until_s=330)
    write_log(folder, QUIET, post="base", until_s=120)
    return folder


def sounded(folder):
    """What the logs themselves say: each raising that sounds, of an alert that did not stand."""
    found = Counter()
    for path in folder.glob("*.db"):
        with contextlib.closing(sqlite3.connect(path)) as connection:
            (post,) = connection.execute("SELECT name FROM run").fetchone()
            for rule, cause in connection.execute("""
                SELECT rule, cause FROM (
                    SELECT rule, cause, change, lag(change) OVER (PARTITION BY alert ORDER BY n) AS before FROM alert
                    WHERE change IN ('normal', 'cleared') OR change = 'raised' AND because_of IS NULL AND shelved = 0)
                WHERE change = 'raised' AND before IS NOT 'raised'"""):
                found[rule, cause, post] += 1
    return found


def replayed(folder, tmp_path, rules):
    """What `replay` says of each log under its own site with other rules."""
    found = Counter()
    for path in folder.glob("*.db"):
        with LogFile.open(path) as log:
            table = tomllib.loads(log.run.site_toml)
        site = tmp_path / "whole-site.toml"
        site.write_text(tomli_w.dumps({**table, **tomllib.loads(rules)}))
        alerts = {}
        for line in run("replay", path, "--site", site, "--json").stdout.splitlines():
            change = json.loads(line)
            if change["change"] == "raised" and change["because_of"] is None:
                alerts.setdefault(change["alert"], (change["rule"], change["cause"], change["post"]))
        found += Counter(alerts.values())
    return found


def test_then_is_what_sounded_and_now_what_replay_says(logs, tmp_path):
    (tmp_path / "new.toml").write_text(OFF)
    status, found, said = season(logs, "--site", tmp_path / "new.toml")
    assert (status, said) == (0, "")
    then, now = sounded(logs), replayed(logs, tmp_path, OFF)
    assert then != now
    assert found == {key: (then[key], now[key]) for key in then.keys() | now.keys()}
    assert then["corrections-stopped", "port-lost", "ridge-rover"] == 1


def test_an_unseen_stop_that_comes_again_has_sounded_twice(tmp_path):
    source = tmp_path / "twice.toml"
    lost = '[[event]]\ndo = "port-lost"\nat_s = {}\nfor_s = 40\n'
    source.write_text(f'like = "quiet-hour-rover"\nduration_s = 300\n{lost.format(60)}{lost.format(200)}')
    log = write_log(tmp_path / "logs", source)
    with LogFile.open(log) as read:
        stops = [change for change in read.changes() if change.cause == "port-lost" and change.because_of is None]
    assert [change.change for change in stops] == ["raised", "normal", "raised", "normal"]
    assert len({change.alert for change in stops}) == 1
    status, found, _ = season(log)
    assert (status, found["corrections-stopped", "port-lost", "kestrel-rover"]) == (0, (2, 2))


def test_the_figures_of_the_day_are_those_that_the_log_says(logs, tmp_path):
    """A post whose site file had the rule off: then nothing sounded, with the program's own figures it would."""
    with LogFile.open(logs / "kestrel-rover.0001.db") as log:
        table = tomllib.loads(log.run.site_toml)
    assert "rules" not in table
    site = tmp_path / "off.toml"
    site.write_text(tomli_w.dumps({**table, "rules": {"corrections-stopped": {"off": True}}}))
    log = tmp_path / "kestrel-rover.0001.db"
    run("replay", logs / "kestrel-rover.0001.db", "--site", site, "--log", log)
    then = sounded(tmp_path)
    assert ("corrections-stopped", "port-lost", "kestrel-rover") not in then
    (tmp_path / "on.toml").write_text("[rules.corrections-stopped]\noff = false\n")
    status, found, _ = season(log, "--site", tmp_path / "on.toml")
    assert status == 0
    assert found["corrections-stopped", "port-lost", "kestrel-rover"] == (0, 1)
    assert {key: pair[0] for key, pair in found.items() if pair[0]} == then


def test_own_rules_are_new_figures_too(logs, tmp_path):
    (tmp_path / "new.toml").write_text('[[own_rule]]\nname = "many"\nmeasure = "fix.satellites"\nabove = 3\nsay = "So many."\n')
    status, found, _ = season(logs / "kestrel-rover.0001.db", "--site", tmp_path / "new.toml")
    assert (status, found["many", "above", "kestrel-rover"]) == (0, (0, 1))


def test_the_table_ends_each_line_with_rule_and_cause(logs, tmp_path):
    (tmp_path / "new.toml").write_text(OFF)
    done = run("season", logs, "--site", tmp_path / "new.toml", "--jobs", 1)
    lines = done.stdout.splitlines()
    assert lines[0].split() == ["then", "now", "post"]
    assert "      1      0      −1  kestrel-rover  (corrections-stopped: port-lost)" in lines
    assert "4 logs of 3 posts, 0.3 h" in done.stderr


def test_spoilt_logs_are_named_and_a_copy_counts_once(logs, tmp_path):
    wanted = sounded(logs)
    shutil.copytree(logs, folder := tmp_path / "logs")
    shutil.copy(logs / "kestrel-rover.0001.db", folder / "copy.0009.db")
    bad = [folder / f"bad.000{number}.db" for number in range(3)]
    for path in bad:
        shutil.copy(logs / "ridge-rover.0001.db", path)
    with contextlib.closing(sqlite3.connect(bad[0])) as connection, connection:
        connection.execute("UPDATE raw SET data = zeroblob(9) WHERE n % 9 = 5")
        connection.execute("UPDATE run SET digest = zeroblob(16)")
    os.truncate(bad[1], bad[1].stat().st_size // 2)
    bad[2].write_text("no log\n" * 99)
    status, found, said = season(folder)
    lines = said.splitlines()
    assert (status, len(lines)) == (1, 4), said
    assert all(any(str(path) in line for line in lines) for path in bad)
    assert any("is the same log as" in line for line in lines)
    assert found == {key: (count, count) for key, count in wanted.items()}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[rules.corrections-stoped]\non_delay_s = 3\n", "corrections-stopped"),
        ("[rules.corrections-stopped]\non_delay_s = 'x'\n", "on_delay_s"),
        ("[[own_rule]]\nname = 'many'\n", "own_rule"),
        ("[post]\nname = 'x'\n", "has no figures"),
        ("[rules", "new.toml"),
        (None, "cannot be read"),
    ],
)
def test_figures_that_cannot_be_are_said_before_anything_is_judged(logs, tmp_path, text, said):
    if text is not None:
        (tmp_path / "new.toml").write_text(text)
    done = run("season", logs, "--site", tmp_path / "new.toml")
    assert (done.exit_code, said in done.output, done.stdout) == (2, True, ""), done.output


def children(pid):
    """The processes of a season that judge logs."""
    found = []
    for one in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            parent = int((one / "stat").read_text().rpartition(")")[2].split()[1])
            if parent == pid and b"spawn_main" in (one / "cmdline").read_bytes():
                found.append(int(one.name))
    return found


@contextlib.contextmanager
def seasoning(*words):
    command = [sys.executable, "-m", "witnesspost.daemon", "season", *map(str, words)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def test_a_worker_that_is_killed_costs_nothing(logs):
    with seasoning(logs, "--json", "--jobs", 2) as process:
        killed = 0
        while process.poll() is None and not killed:
            for pid in children(process.pid)[:1]:
                os.kill(pid, signal.SIGKILL)
                killed += 1
            time.sleep(0.002)
        out, _ = process.communicate(timeout=120)
    assert (killed, process.returncode) == (1, 0)
    assert len(out.splitlines()) == len(sounded(logs))


def test_a_log_that_kills_each_worker_is_named(logs):
    """As one does that needs more memory than there is."""
    with seasoning(logs / "kestrel-rover.0001.db", "--jobs", 1) as process:
        while process.poll() is None:
            for pid in children(process.pid):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            time.sleep(0.002)
        _, said = process.communicate(timeout=120)
    assert process.returncode == 1
    assert "the process that judged it died, 2 times" in said


class TestCluster:
    """A Dask cluster on this machine: workers are processes of their own."""

    @pytest.fixture
    def cluster(self):
        distributed = pytest.importorskip("distributed")
        options = {"threads_per_worker": 1, "processes": True, "dashboard_address": ":0"}  # None asks for the one usual port
        with distributed.LocalCluster(n_workers=2, **options) as cluster:
            yield cluster

    def test_it_says_the_same_as_processes_do(self, logs, cluster):
        done = run("season", logs, "--json", "--scheduler", cluster.scheduler_address)
        assert (done.exit_code, done.stdout) == (0, run("season", logs, "--json").stdout), done.stderr

    def test_a_worker_that_is_killed_costs_nothing(self, logs, cluster):
        """It is stopped before there is work, so that what it was given is undone when it is killed, however fast it is."""
        nanny = cluster.workers[0]
        os.kill(nanny.pid, signal.SIGSTOP)
        with seasoning(logs, "--json", "--scheduler", cluster.scheduler_address) as process:
            given = cluster.scheduler.workers[nanny.worker_address].processing
            while not given:
                assert process.poll() is None
                time.sleep(0.01)
            os.kill(nanny.pid, signal.SIGKILL)
            out, said = process.communicate(timeout=120)
        assert (process.returncode, len(out.splitlines())) == (0, len(sounded(logs))), said

    def test_no_scheduler_and_no_workers_are_said(self, logs, cluster):
        done = run("season", logs, "--scheduler", "tcp://127.0.0.1:9")
        assert (done.exit_code, "no scheduler answers there" in done.output) == (2, True)
        cluster.scale(0)
        while cluster.scheduler.workers:
            time.sleep(0.05)
        done = run("season", logs, "--scheduler", cluster.scheduler_address)
        assert (done.exit_code, "has no workers" in done.output) == (2, True), done.output


@pytest.mark.long
def test_thirty_invented_days_are_judged_as_they_were(tmp_path):
    """Each family of trouble, and days on which nothing was wrong: then is what sounded, and today's figures say the same."""
    names = [told.name for told in all_scenarios()]
    days = names[:: len(names) // DAYS][:DAYS]
    for number, name in enumerate(days):
        write_log(tmp_path / "logs", name, until_s=150, post=f"day-{number}")
    wanted = sounded(tmp_path / "logs")
    assert len({rule for rule, _, _ in wanted}) >= 5
    for grid in FOLDER.glob("*.gtx"):
        shutil.copy(grid, tmp_path / "logs")
    status, found, said = season(tmp_path / "logs")
    assert (status, said) == (0, "")
    assert found == {key: (count, count) for key, count in wanted.items()}
