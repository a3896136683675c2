"""What works around the watch: one companion for each job, and all that it may ask of the post.

    pipeline ──changes──► a bounded queue each ──► see, turn        (each companion on a thread of its own)
    loop ──► Pulse (every turn), Status (every second) ◄── pulse(), snapshot()
    inbox ◄── tell(fact)

A companion imports neither the pipeline nor the service nor another companion: it meets them only through `PostView`.
"""

from __future__ import annotations

import datetime as dt
from typing import Protocol

from msgspec import Struct
from witnesspost.daemon.state import State
from witnesspost.daemon.status.snapshot import LogStatus, PortStatus, Status
from witnesspost.daemon.status.told import OfficeStatus
from witnesspost.rules.alert import Change, RowKey
from witnesspost.rules.facts import Fact
from witnesspost.rules.site.model import Site


class Pulse(Struct, frozen=True, kw_only=True):
    """What the loop says of itself each time it comes round, at `t`: no sentences, so that nothing in it can fail.

    `utc` is `t` by the receivers' word. `shown` is the post's state, `silent` true where it is not to be heard. `ready` once
    the log could be written and each port was tried. `stuck` names the port readers that no longer come round. `lost_bytes`
    are those that found no room on their way to the log. `check_passed_t` is when the last check on a control point was done,
    None where it has not passed. `ended` once the log is closed.
    """

    t: float
    utc: dt.datetime | None = None
    shown: State
    silent: bool
    ready: bool
    ports: tuple[PortStatus, ...]
    stuck: tuple[str, ...]
    log: LogStatus
    lost_bytes: int
    check_passed_t: float | None = None
    ended: bool = False


class PostView(Protocol):
    """All that a companion may ask of the post and do to it, from any thread. Nothing here waits."""

    def now(self) -> float:
        """The run's clock, seconds."""

    def pulse(self) -> Pulse:
        """The loop's last word."""

    def snapshot(self) -> Status | None:
        """How things stand, for a person; None until the loop has come round once."""

    def show_office(self, link: OfficeStatus) -> None:
        """How the link to the office is, for the snapshot."""

    def row_key(self, change: Change) -> RowKey | None:
        """Where the log has one of the last changes; None while it is not written: an alarm comes before the log."""

    def plan(self) -> Site:
        """The site file, as it was read: today's set-up is in the snapshot."""

    def tell(self, fact: Fact) -> None:
        """An input to the rules, logged and replayed. Raises TooMuchTold where more is told than the loop can take."""

    def say(self, words: str, *, lasting: bool = False) -> None:
        """A line for people, in the journal or on the terminal; in the status too while the run lasts, if `lasting`."""

    def said(self, after: int) -> tuple[int, list[str]]:
        """What companions have said since line number `after` (0 the first): the number to ask with next, and the lines."""

    def wake(self, t: float = 0.0) -> None:
        """Call this companion's `turn` at `at`, or at once, if that is before its next turn."""

    def end_service(self) -> None:
        """End the service, its log closed; the service manager starts it again."""


class Companion(Protocol):
    """One job around the watch. Its constructor must not fail: what can fail belongs in `start`.

    All four are called on a thread of the companion's own, each with a deadline. An exception in any of them ends this
    companion: `stop` is called, and after a pause another one is made. One that is `vital` ends the service when that does
    not help.
    """

    @property
    def name(self) -> str:
        """What people call it."""

    @property
    def vital(self) -> bool:
        """True where the post must not go on without it."""

    def start(self, post: PostView) -> None:
        """Once, before all else."""

    def see(self, changes: list[Change]) -> None:
        """Alerts changed."""

    def turn(self, t: float) -> None:
        """Time goes on: called at least twice a second."""

    def stop(self) -> None:
        """Let go of everything. Also called where `start` has not come to its end and, from another thread, where this
        companion hangs: so that the next one can have what it holds. If it comes back, once more from its own."""


class TooMuchTold(Exception):
    """A companion tells facts faster than the loop can take them."""
