"""One station number, one sender? Two bases with the same number on one channel say their positions in turns.

A base whose coordinate is typed anew says the new one from then on. Where an old position comes again in its own turn, as if
nothing had been, while another has come between, two senders say them. Source: common practice (makers give all their
receivers the same number), no source.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from witnesspost.rules.facts import Station

APART_M = 100.0  # nearer than that, nobody's neighbour stands
_SAME_M = 0.01
_IN_TURN = 1.5  # of its interval: it has missed no turn
_FIRST_S = 15.0  # while it has said its position once alone
_GONE_S = 60.0  # of a sender that is not heard any more
_KEPT = 4


class Shared(NamedTuple):
    """Two senders of one number: the one that was heard first, the other, and how far they are apart."""

    first: Station
    other: Station
    since: float

    @property
    def apart_m(self) -> float:
        return apart_m(self.first, self.other)


class Senders:
    """The places that each station number has said, and which of them come in turns."""

    def __init__(self) -> None:
        self._places: dict[int, list[_Place]] = {}  # by station: the one said last comes last
        self._shared: dict[int, tuple[_Place, _Place, float]] = {}

    def put(self, said: Station) -> None:
        """Take in one position."""
        places = self._places.setdefault(said.station_id, [])
        here = next((place for place in reversed(places) if apart_m(place.said, said) <= _SAME_M), None)
        if here is None:
            places.append(_Place(said))
            del places[:-_KEPT]
            return
        last = places[-1]
        if last is not here:
            in_turn = said.t - here.said.t <= (_IN_TURN * here.interval_s if here.interval_s else _FIRST_S)
            if in_turn and said.station_id not in self._shared and apart_m(last.said, said) > APART_M:
                self._shared[said.station_id] = here, last, last.began_t
            places.remove(here)
            places.append(here)
        here.again(said)

    def shared(self, station_id: int, t: float) -> Shared | None:
        """The two senders of this number, while both are heard; None where there is one."""
        found = self._shared.get(station_id)
        if found is None:
            return None
        first, other, since = found
        if t - min(first.said.t, other.said.t) > max(_GONE_S, 3 * first.interval_s, 3 * other.interval_s):
            del self._shared[station_id]
            return None
        return Shared(first.said, other.said, since)


class _Place:
    def __init__(self, said: Station):
        self.said = said
        self.began_t = said.t
        self.interval_s = 0.0

    def again(self, said: Station) -> None:
        apart_s = said.t - self.said.t
        if apart_s > 0:
            self.interval_s = apart_s
        self.said = said


def apart_m(one: Station, two: Station) -> float:
    """Metres between two positions that were said."""
    return math.dist((one.x_m, one.y_m, one.z_m), (two.x_m, two.y_m, two.z_m))
