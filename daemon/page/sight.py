"""What the page knows of the post at one moment: the loop's pulse and the snapshot, with the age of both."""

from __future__ import annotations

import datetime as dt
from typing import NamedTuple

from msgspec.structs import replace
from witnesspost.daemon.clock import system_utc
from witnesspost.daemon.companion import PostView, Pulse
from witnesspost.daemon.lines import span
from witnesspost.daemon.local_time import CLOCK_CAN_BE_RIGHT, Instant, run_text
from witnesspost.daemon.page import words
from witnesspost.daemon.state import WORDS
from witnesspost.daemon.status.snapshot import AlertStatus, Status
from witnesspost.rules.book import words as book
from witnesspost.rules.language.speech import ENGLISH

UNHEARD_S = 3.0


class Sight(NamedTuple):
    """One look. `t` is now; `status` is None until the loop has come round once."""

    t: float
    pulse: Pulse
    status: Status | None
    zone: dt.tzinfo

    @classmethod
    def of(cls, post: PostView, zone: dt.tzinfo) -> Sight:
        """The post as it is."""
        status = post.snapshot()
        return cls(post.now(), post.pulse(), status and _translated(status), zone)

    @property
    def unheard_s(self) -> float | None:
        """For how long the watch has said nothing, where that is too long for its state to be believed."""
        silent_s = self.t - self.pulse.t
        return silent_s if silent_s >= UNHEARD_S or self.pulse.ended else None

    @property
    def key(self) -> str:
        """The state: one of `daemon.state.State`, or "unheard"."""
        if self.unheard_s is not None:
            return "unheard"
        return "starting" if self.pulse.shown == "dark" or self.status is None else self.pulse.shown

    @property
    def word(self) -> str:
        """The state as people read it."""
        if self.unheard_s is not None:
            return words.UNHEARD.format(seconds=self.unheard_s)
        return words.phrase(WORDS.get(self.pulse.shown, self.key))

    @property
    def roots(self) -> list[AlertStatus]:
        """What stands and is nobody's consequence, worst first."""
        return [alert for alert in self.alerts if alert.because_of is None]

    @property
    def alerts(self) -> list[AlertStatus]:
        """All that stands."""
        return self.status.alerts if self.status is not None else []

    def clock(self, t: float, utc: str | None = None) -> str:
        """The instant `t` as a person nearby reads it: the time of day, with its date where that is not today."""
        now = self._now()
        at = dt.datetime.fromisoformat(utc) if utc else now.utc + dt.timedelta(seconds=t - self.t) if now else None
        if at is None:
            return run_text(t)
        local = at.astimezone(self.zone)
        today = now is not None and now.utc.astimezone(self.zone).date() == local.date()
        clock = f"{local:%H:%M}" if today else f"{local:%Y-%m-%d %H:%M}"
        return words.ABOUT.format(clock=clock) if now is not None and now.about and not utc else clock

    def lasted(self, alert: AlertStatus) -> str:
        """For how long, up to now."""
        return words.FOR.format(span=span(self.lasted_s(alert)))

    @property
    def late_s(self) -> float:
        """How old the snapshot is."""
        return self.t - self.status.up_s if self.status is not None else 0.0

    def lasted_s(self, alert: AlertStatus) -> float:
        """For how long, up to now."""
        return alert.for_s + self.late_s

    def began_t(self, alert: AlertStatus) -> float:
        """When it began."""
        return self.t - self.lasted_s(alert)

    def _now(self) -> Instant | None:
        """What time it is, where anybody knows."""
        if self.pulse.utc is not None:
            return Instant(self.pulse.utc + dt.timedelta(seconds=self.t - self.pulse.t))
        system = system_utc()
        return Instant(system, about=True) if system >= CLOCK_CAN_BE_RIGHT else None


def _translated(status: Status) -> Status:
    """The snapshot as the phone's reader reads it."""
    spoken, phrase = words.speech(), words.phrase
    if spoken is ENGLISH:
        return status
    alerts = []
    for alert in status.alerts:
        say, steps = book.words(alert.sentence(status.role), spoken)
        hints, held = [phrase(hint) for hint in alert.hints], alert.held and phrase(alert.held)
        alerts.append(replace(alert, say=say, steps=steps, hints=hints, held=held))
    lines = {name: [phrase(text) for text in getattr(status, name)] for name in ("ready", "missing", "problems")}
    return replace(status, alerts=alerts, **lines)
