"""What the last check on a control point said, for whoever judges the base by it."""

from __future__ import annotations

from typing import NamedTuple

from witnesspost.rules.coordinates import Ecef, Enu


class Checked(NamedTuple):
    """The rover stood on `point` and read it `offset` off (observed minus known, at the point), by a base that said `base`.

    `limits_m` are those in plan and up that decided whether it passed.
    """

    point: str
    base: Ecef
    offset: Enu
    limits_m: tuple[float, float]
    passed: bool
