"""How the pole leans while the rover is checked: what hinders a check, and what the receiver takes off itself."""

from __future__ import annotations

from witnesspost.rules.facts import Tilt
from witnesspost.rules.site.model import Site

_FRESH_S = 5.0  # an older word of the tilt sensor says nothing


class Lean:
    """The last word of the tilt sensor, by the limits of a check: `lean_deg` plain, `compensated_deg` where the receiver makes
    up for it. Angles are degrees off the plumb line.
    """

    def __init__(self, site: Site, lean_deg: float, compensated_deg: float):
        self._compensates = site.tilt is not None and site.tilt.compensates
        self._lean_deg, self._compensated_deg = lean_deg, compensated_deg
        self._tilt: Tilt | None = None
        self._leaning: Tilt | None = None  # that word, where the pole leans past its limit by it

    def put(self, tilt: Tilt) -> None:
        """Take in one word of the sensor's."""
        leans = tilt.angle_deg is not None and abs(tilt.angle_deg) > self._lean_deg and not self._compensated(tilt)
        self._tilt, self._leaning = tilt, tilt if leans else None

    def leans(self, t: float) -> bool:
        """True while the pole leans past its limit: nobody checks in with it."""
        return self._leaning is not None and t - self._leaning.t <= _FRESH_S

    def angle_deg(self, t: float) -> float | None:
        """How far the pole leans that nothing reduces; None where no sensor says it."""
        tilt = self._tilt
        if tilt is None or tilt.angle_deg is None or t - tilt.t > _FRESH_S:
            return None
        return 0.0 if self._compensated(tilt) else abs(tilt.angle_deg)

    def taken_off_deg(self, t: float) -> float | None:
        """The lean that the receiver takes off, where it is one."""
        tilt = self._tilt
        if tilt is None or tilt.angle_deg is None or t - tilt.t > _FRESH_S or not self._compensated(tilt):
            return None
        return abs(tilt.angle_deg) if abs(tilt.angle_deg) > self._lean_deg else None

    def _compensated(self, tilt: Tilt) -> bool:
        return self._compensates and bool(tilt.aligned) and abs(tilt.angle_deg or 0.0) <= self._compensated_deg
