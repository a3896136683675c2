"""A companion of the service that fails is left behind; the log, the rules and the other companions go on."""

import threading

import pytest
from witnesspost.daemon.log.reading import LogFile
from witnesspost.daemon.service import Service
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.conftest import epoch_frame

SITE = """
[post]
name = "kestrel-rover"
role = "rover"
[[stream]]
name = "corrections"
port = "{port}"
carries = ["corrections"]
[rules.corrections-stopped]
on_delay_s = 0.4
first_silence_s = 0.4
"""


class Listener:
    """Keeps what it hears, and fails in the way it is told to."""

    def __init__(self, fails=None):
        self.fails = fails
        self.heard = []
        self.turns = 0
        self.news = threading.Event()

    def changed(self, changes):
        if self.fails == "changed":
            raise ZeroDivisionError("a bug")
        self.heard += [(c.rule, c.cause) for c in changes if c.change == "raised"]
        if len(self.heard) >= 2:
            self.news.set()

    def turn(self, service, t):
        self.turns += 1
        if self.fails == "turn":
            raise ZeroDivisionError("a bug")
        return ()

    def close(self):
        pass


@pytest.mark.parametrize("fails", ["changed", "turn"])
def test_a_companion_that_fails_is_left_behind_and_named(tmp_path, line, fails):
    text = SITE.format(port=line.path)
    site = site_from_toml(text, str(tmp_path / "site.toml"))
    broken, sound = Listener(fails), Listener()
    service = Service(site, text, [broken, sound])
    runs = threading.Thread(target=service.run)
    runs.start()
    assert service.readers[0].tried.wait(20)
    line.send(epoch_frame(1))
    assert sound.news.wait(20)
    service.stop()
    runs.join(20)
    assert not runs.is_alive()
    assert sorted(sound.heard) == [("corrections-stopped", "line-silent"), ("post-health", "rule-failed")]
    assert broken.heard == []
    with LogFile.open(tmp_path / "log" / "kestrel-rover.0001.db") as log:
        assert log.ended() == "stopped"
        assert epoch_frame(1) in [what for _, _, what in log.inputs()]
        assert {(c.rule, c.cause) for c in log.changes()} == set(sound.heard)
