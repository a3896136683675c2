"""A site file that could not be used, looked at again until it can: the companion `site file`."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from witnesspost.daemon.companion import PostView
from witnesspost.rules.alert import Change

_LOOK_S = 5.0


class Mending:
    """Says what is wrong with the site file at `path`, and ends the service when it is `usable`: started again, it is read."""

    name = "site file"
    vital = False

    def __init__(self, path: str, faults: Sequence[str], usable: Callable[[], bool]):
        self._path, self._faults, self._usable = path, faults, usable
        self._look_at = 0.0

    def start(self, post: PostView) -> None:
        """Say each fault."""
        self._post = post
        for fault in self._faults:
            post.say(fault, lasting=True)

    def see(self, changes: list[Change]) -> None:
        """Nothing to do with it."""

    def turn(self, t: float) -> None:
        """Read the file now and then."""
        if t < self._look_at:
            return
        self._look_at = t + _LOOK_S
        if not self._usable():
            return
        self._post.say(f"{self._path} can be used now: starting again")
        self._post.end_service()

    def stop(self) -> None:
        """Nothing to let go of."""
