"""What takes long: days without a network, and a whole `watch` that is killed."""

import contextlib
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import tracemalloc
from pathlib import Path

import pytest
from witnesspost.daemon.commands.watch import companions
from witnesspost.daemon.log.reading import LogFile
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.conftest import Line
from tests.daemon.log.feeding import SITE
from tests.daemon.publish.broker import Broker, free_port
from tests.daemon.publish.post import Post
from tests.daemon.publish.test_publish import in_the_logs
from tests.daemon.test_service import SITE as LIVE
from tests.daemon.test_service import feed_epochs, until_written
from tests.daemon.view import until

CHANGES = 5000
DAYS = 3


@pytest.fixture
def quick_folder(tmp_path):
    """One in memory, where there is such: thousands of commits are synced each."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else tmp_path) as name:
        yield Path(name)


@pytest.mark.slow
def test_three_days_without_a_network(quick_folder, open_folder, listen):
    port = free_port()
    post = Post(quick_folder / "log", port)
    each = CHANGES // (2 * DAYS)
    for _ in range(2 * DAYS):
        post.says(each)
        post.t += 43_200.0 - each
        post.log.tick(post.t)  # a file a day
    post.says(CHANGES - post.said)
    assert len([*post.folder.glob("*.db")]) >= DAYS
    post.until(lambda: post.link is not None and post.link.waiting == CHANGES)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    broker = Broker(open_folder)
    post.publish.stop()
    post.log.close(post.t, "stopped")
    try:
        office = listen(broker.port)
        again = Post(post.folder, broker.port)
        most = 0

        def all_there():
            nonlocal most
            most = max(most, again.publish._sender.waiting)
            return len(office.heard) >= CHANGES and len(office.changes()) == CHANGES

        again.until(all_there, 300.0)  # how soon is measured: `tests.bench office`
        assert office.changes() == in_the_logs(post.folder)
        assert len(office.of("change")) == CHANGES
        assert most <= 200
        office.heard.clear()
        again.until(lambda: again.link.waiting == 0)
        again.end()
        assert tracemalloc.get_traced_memory()[0] - before < 2_000_000
    finally:
        tracemalloc.stop()
        broker.kill()


@pytest.mark.slow
def test_a_watch_that_is_killed_tells_all_of_it(tmp_path, broker, listen, watch):
    office = listen(broker.port)
    line = Line(tmp_path / "tty")
    text = LIVE.format(port=line.path) + f'[office]\nbroker = "mqtt://127.0.0.1:{broker.port}"\n'
    for number in (1, 2, 3):
        post = watch(text)
        post.until_said("open")
        feed_epochs(line.send, 5)
        post.until_change("raised", "corrections-stopped")
        until_written(tmp_path / "log" / f"kestrel-rover.{number:04d}.db", "raised")
        if number < 3:
            post.process.kill()
            post.process.wait(10)

    def all_told():
        wanted = []
        for path in sorted((tmp_path / "log").glob("*.db")):
            with contextlib.suppress(sqlite3.Error), LogFile.open(path) as log:
                rows = log.select("SELECT alert, n FROM alert ORDER BY n")
                wanted += [("kestrel-rover", log.run_name, alert, n) for alert, n in rows]
        return wanted and office.changes() == wanted

    until(all_told, 30.0)
    status = subprocess.run(
        [sys.executable, "-m", "witnesspost.daemon", "status", "kestrel-rover", "--json"],
        env={**os.environ, "RUNTIME_DIRECTORY": str(tmp_path)},
        capture_output=True,
        check=True,
    )
    assert json.loads(status.stdout)["office"]["up"] is True
    assert post.stop() == 0
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0003.db") as log:
        rows = log.select("SELECT alert, change, rule, t, n FROM alert ORDER BY n")
        logged = [((alert, change, rule, t), (log.run_name, n)) for alert, change, rule, t, n in rows]
    printed = [tuple(told[key] for key in ("alert", "change", "rule", "t")) for told in post.changes]
    assert printed == [change for change, _ in logged]
    assert ("raised", "corrections-stopped") in [(change, rule) for _, change, rule, _ in printed]
    for told, (_, row) in zip(post.changes, logged, strict=True):
        # What the log had not written a second after its alarm is printed without its place there.
        assert (told["run"], told["seq"]) in (row, (None, None))


def test_where_there_is_no_office_nothing_of_it_is_loaded():
    program = (
        "import sys\n"
        "from witnesspost.daemon.commands.watch import companions\n"
        "from witnesspost.rules.site.reading import site_from_toml\n"
        f"companions(site_from_toml({SITE!r}), [], False)\n"
        "assert 'paho' not in sys.modules and 'ssl' not in sys.modules, 'loaded'\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True, cwd="/", env={"PYTHONPATH": ":".join(sys.path)})
    office = site_from_toml(SITE + '[office]\nbroker = "mqtts://broker.kestrel.example"\n')
    assert "office" in [make().name for make in companions(office, [], False)]
