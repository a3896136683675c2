"""The ready line once a morning, and a line for each check-in that passes. The companion `morning`."""

from __future__ import annotations

import datetime as dt

from witnesspost.daemon.companion import PostView
from witnesspost.daemon.lines import check_line, ready_words
from witnesspost.daemon.status.snapshot import Status
from witnesspost.rules.alert import Change
from witnesspost.rules.language.speech import ENGLISH, Speech

BEGINS = dt.timedelta(hours=4)  # after midnight: a post that runs through the night says nothing then
PATIENCE_S = 900.0  # what is missing by then is said; a crew takes a quarter of an hour to set up: common practice, no source


class Morning:
    """Says once a day of `zone` that all which work needs is there, as soon as it is; what of it is still missing after a
    while, once; and what each passed check measured."""

    name = "morning"
    vital = False

    def __init__(self, zone: dt.tzinfo = dt.UTC, speech: Speech = ENGLISH):
        self._zone = zone
        self._phrase = speech.phrase
        self._day: str | None = None
        self._ready_said = self._missing_said = False
        self._begun_t = 0.0
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
        self._tell_check(status)
        self._begin_day(self._day_of(status), status.up_s)
        if not status.missing and not self._ready_said:
            self._ready_said = True
            self._post.say(ready_words("ready", "not ready yet", status.ready, (), self._phrase))
        elif status.missing and not (self._ready_said or self._missing_said) and status.up_s - self._begun_t >= PATIENCE_S:
            self._missing_said = True
            self._post.say(ready_words("ready", "not ready yet", status.ready, status.missing, self._phrase))

    def stop(self) -> None:
        """Nothing to let go of."""

    def _tell_check(self, status: Status) -> None:
        check = status.check
        if check is not None and (self._checked_t is None or status.up_s - check.ago_s > self._checked_t + 0.5):
            self._checked_t = status.up_s - check.ago_s
            if check.passed and not check.again:
                self._post.say(self._phrase(check_line(check.point, check.east_m, check.north_m, check.up_m, check.by)))

    def _begin_day(self, day: str, up_s: float) -> None:
        if day == self._day:
            return
        dated_now = self._day == ""  # it is still the day on which nobody had said the date
        self._day = day
        if not dated_now:
            self._ready_said = self._missing_said = False
            self._begun_t = up_s

    def _day_of(self, status: Status) -> str:
        """The working day, by its local date; "" while nobody has said it."""
        if status.utc is None:
            return ""
        return str((dt.datetime.fromisoformat(status.utc).astimezone(self._zone) - BEGINS).date())
