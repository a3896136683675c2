"""How far a stored point may be out, 95 %, in plan and in height: each part with where its figure comes from.

| part | one sigma, or 95 % | from |
|---|---|---|
| rover | GST's sigmas; else 8 mm + 1 ppm and 15 mm + 1 ppm of the distance to the base | measured, or assumed |
| base coordinate | what the broadcast is off the sheet; of a given one what was stated | measured, or stated |
| repair | the vector's tilt over the distance: |e|·b / 2.4 × 10⁷ m | computed |
| centring and antenna height | 2 mm, 2 mm | assumed |
| check-ins | the scatter of what the check-ins left, in plan and height | measured |
| geoid | 2 ppm of the distance to the base: only its differential part counts within a site | assumed |
| frame | the accuracy of PROJ's operation, or of the fit of the site's own grid | stated |
| tilt | the pole's length times what the sensor says beyond its own half degree, 0.25° at least | measured, or assumed |

A sigma counts 2.45 times in plan (two axes: the 95 % radius of a circular normal distribution, √(−2 ln 0.05)) and 1.96 times in
height. Parts are independent, and add up as squares. What is assumed is common practice, no source.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

PLAN, HEIGHT = 2.45, 1.96
ROVER_M, ROVER_PPM = (0.008, 0.015), (1.0, 1.0)
CENTRING_M = 0.002
GEOID_PPM = 2.0
BUBBLE_DEG = 0.25  # a circular bubble that is looked at: common practice, no source
SENSOR_DEG = 0.5  # of a tilt sensor, as `rules.datum.rover_causes` has it: common practice, no source
TILTED_BASE_M = 2.4e7
"""A base out by e tilts a baseline of b by about e·b over four times the earth's radius: common practice, no source."""

MOST_TILTED_M = 0.020  # past it the baselines must be computed again

Origin = Literal["measured", "stated", "assumed", "computed"]


class Part(NamedTuple):
    """One part of an uncertainty: its name, 95 % in plan and in height (metres), and where it comes from."""

    name: str
    plan_m: float
    height_m: float
    origin: Origin


class Uncertainty(NamedTuple):
    """The parts, and what they add up to."""

    parts: tuple[Part, ...]

    @property
    def plan_m(self) -> float:
        """95 % in plan."""
        return math.sqrt(sum(part.plan_m**2 for part in self.parts))

    @property
    def height_m(self) -> float:
        """95 % in height."""
        return math.sqrt(sum(part.height_m**2 for part in self.parts))


def rover(sigma_east_m: float, sigma_north_m: float, sigma_up_m: float, distance_m: float) -> Part:
    """The rover's own; NaN where no GST was said."""
    if math.isfinite(sigma_east_m + sigma_north_m + sigma_up_m):
        plan = math.hypot(sigma_east_m, sigma_north_m) / math.sqrt(2.0)
        return Part("rover", PLAN * plan, HEIGHT * sigma_up_m, "measured")
    plan, up = (fixed + ppm * 1e-6 * distance_m for fixed, ppm in zip(ROVER_M, ROVER_PPM, strict=True))
    return Part("rover", PLAN * plan, HEIGHT * up, "assumed")


def centring() -> Part:
    """Of the base's tripod, its antenna height and the rover's pole."""
    return Part("centring", PLAN * CENTRING_M, HEIGHT * CENTRING_M, "assumed")


def geoid(distance_m: float, *, orthometric: bool) -> Part:
    """What a geoid may be out between the base and the point."""
    return Part("geoid", 0.0, HEIGHT * GEOID_PPM * 1e-6 * distance_m if orthometric else 0.0, "assumed")


def tilt(pole_m: float, angle_deg: float) -> Part:
    """Of a pole that is held upright, by the mean of what its sensor said; NaN where none did."""
    known = math.isfinite(angle_deg)
    lean = math.radians(max(BUBBLE_DEG, angle_deg - SENSOR_DEG) if known else BUBBLE_DEG)
    return Part("tilt", pole_m * math.sin(lean), pole_m * (1.0 - math.cos(lean)), "measured" if known else "assumed")


def tilted_base(wrong_m: float, distance_m: float) -> Part:
    """What one vector leaves of a base that was out."""
    left = wrong_m * distance_m / TILTED_BASE_M
    return Part("repair", left, left, "computed")


FIGURES = {
    "rover_m": ROVER_M, "rover_ppm": ROVER_PPM, "centring_m": CENTRING_M, "geoid_ppm": GEOID_PPM, "bubble_deg": BUBBLE_DEG,
    "sensor_deg": SENSOR_DEG, "tilted_base_m": TILTED_BASE_M, "most_tilted_m": MOST_TILTED_M, "plan_factor": PLAN,
    "height_factor": HEIGHT,
}  # fmt: skip
"""All of the above, for the audit head."""
