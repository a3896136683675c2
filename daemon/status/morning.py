"""The ready line once a morning, and a line for each check-in that passes. The companion `morning`."""

from __future__ import annotations

import datetime as dt

from witnesspost.daemon.companion import PostView
from witnesspost.rules.alert import Change


class Morning:
    """Says once a day of `zone` that all which work needs is there, as soon as it is; and what each passed check measured."""

    name = "morning"
    vital = False

    def __init__(self, zone: dt.tzinfo = dt.UTC):
        self._zone = zone
        self._day: str | None = None
        self._checked_t: float | None = None

    def start(self, post: PostView) -> None:
        """Look at this post."""
        self._post = post

    def see(self, changes: list[Change]) -> None:
        """Nothing: the snapshot knows."""

    def turn(self, t: float) -> None:
        """Say what is new."""
        status = self._post.snapshot()
        if status is None:
            return
        check = status.check
        if check is not None and (self._checked_t is None or status.up_s - check.ago_s > self._checked_t + 0.5):
            self._checked_t = status.up_s - check.ago_s
            if check.passed:
                self._post.say(f"check-in on {check.point} passed ({check.millimetres}: east, north, up)")
        day = "" if status.utc is None else str(dt.datetime.fromisoformat(status.utc).astimezone(self._zone).date())
        if not status.missing and day != self._day:
            if self._day != "":  # said already, before anybody had said the date
                self._post.say(f"ready: {', '.join(status.ready)}")
            self._day = day

    def stop(self) -> None:
        """Nothing to let go of."""
