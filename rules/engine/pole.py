"""The pole, as its tilt sensor has it: how far it leans, and whether the receiver makes up for that."""

from __future__ import annotations

from witnesspost.rules.facts import Tilt
from witnesspost.rules.site.model import Site

PLUMB_DEG = 1.5  # off plumb so far a bubble is out of its ring, and a pole of 2 m is 5 cm aside; common practice, no source
LAID_DOWN_DEG = 45.0  # a pole that lies or is carried over the shoulder measures nothing
FRESH_S = 5.0  # a tilt that is older says nothing of now


class Pole:
    """The last word on the pole. Angles are degrees off the plumb line, None where nothing says them now."""

    def __init__(self, site: Site):
        self._compensates = site.tilt is not None and site.tilt.compensates
        self._last: Tilt | None = None
        self._angle_deg: float | None = None
        self._aligned: bool | None = None
        self.was_aligned = False

    def put(self, tilt: Tilt) -> None:
        """Take in one word of the sensor's."""
        self._last = tilt
        if tilt.angle_deg is not None:
            self._angle_deg = abs(tilt.angle_deg)
        if tilt.aligned is not None:
            self._aligned = tilt.aligned
            self.was_aligned = self.was_aligned or tilt.aligned

    def stays_plumb(self, tilt: Tilt) -> bool:
        """True where this word, not yet taken in, leaves it as plumb as it was."""
        before, now = self._angle_deg, tilt.angle_deg
        return (now is None or abs(now) <= PLUMB_DEG) and (before is None or before <= PLUMB_DEG)

    def lean_deg(self, t: float) -> float | None:
        """How far it leans."""
        return self._angle_deg if self._is_fresh(t) else None

    def aligned(self, t: float) -> bool | None:
        """Whether its sensor is aligned, None where that is not said."""
        return self._aligned if self._is_fresh(t) else None

    def compensated(self, t: float) -> bool:
        """True while the receiver itself reduces the point of a leaning pole: it can, and its sensor is aligned."""
        return self._compensates and self.aligned(t) is True

    def _is_fresh(self, t: float) -> bool:
        return self._last is not None and t - self._last.t <= FRESH_S
