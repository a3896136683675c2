"""A post that publishes: its log, which is real, and the companion, which takes its turns when a test says so."""

import time

import msgspec
from witnesspost.daemon.log.log import Log
from witnesspost.daemon.publish.publish import Publish
from witnesspost.rules.site.reading import site_from_toml

from tests.daemon.log.feeding import SITE, change
from tests.daemon.page.conftest import STATUS
from tests.daemon.view import View

PASSED = {"point": "KQ-1", "passed": True, "east_m": 0.004, "north_m": 0.0, "up_m": -0.003, "x_m": -1279034.1234}


class Post:
    """The post `name` with its logs in `folder`; `keys` are of `[office]`. `said` counts its changes."""

    def __init__(self, folder, port, keys="", name="kestrel-base", address="127.0.0.1", scheme="mqtt", **more):
        text = SITE.replace("kestrel-base", name) + f'[office]\nbroker = "{scheme}://{address}:{port}"\n{keys}'
        self.folder = folder
        self.site = site_from_toml(text, str(folder / "site.toml"))
        self.folder.mkdir(exist_ok=True)
        self.log = Log.start(folder, self.site, text, **more)
        self.view = View()
        self.view.site = self.site
        self.view.status = msgspec.structs.replace(STATUS, post=name, latitude=39.1234567, longitude=-104.9876543)
        self.said = 0
        self.t = 0.0
        self.publish = None
        self.begin()

    def begin(self):
        """The companion's life begins, as at a start of the service."""
        self.publish = Publish(self.site, self.site.office, self.folder, "0.1.0")
        self.publish.start(self.view)

    def says(self, count=1):
        """So many changes more, one alert each."""
        for _ in range(count):
            self.said += 1
            self.t += 1.0
            one = change(self.t, alert=self.said)
            self.log.change(one)
        self.publish.see([one])
        return one

    def checks(self, detail=PASSED):
        """A check on a control point."""
        self.t += 1.0
        self.log.event(self.t, "control-check", detail)

    def turn(self, t):
        """One turn, at `t`."""
        self.view.t = t
        self.publish.turn(t)

    def until(self, fits, timeout_s=20.0):
        """Turns, until it is so."""
        deadline = time.monotonic() + timeout_s
        while not fits():
            assert time.monotonic() < deadline, f"it never came; the link: {self.view.office}"
            self.turn(time.monotonic())
            time.sleep(0.003)

    @property
    def link(self):
        return self.view.office

    def up(self):
        self.until(lambda: self.link is not None and self.link.up)

    def end(self):
        """As at the end of the service."""
        self.publish.stop()
        self.log.close(self.t, "stopped")
