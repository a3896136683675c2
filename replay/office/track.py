"""Where the rover was: a day's epochs on the plane of a field file, and the occupations among them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from witnesspost.replay.office.epochs import Epochs
from witnesspost.replay.office.field_frame import FieldFrame
from witnesspost.replay.office.occupations import Occupation, occupations

_FEW = 30  # epochs, up to which plain numbers are faster than arrays: most of 200,000 points have a handful


class Mean(NamedTuple):
    """The means of an occupation's epochs: on the plane (metres), above the ellipsoid, in degrees, and what the receiver gave
    as the geoid's separation (NaN where it gave none)."""

    east_m: float
    north_m: float
    height_m: float
    latitude: float
    longitude: float
    separation_m: float


class Track:
    """`east_m` and `north_m` are those of `epochs`, one each; `occupations` are in the order of time."""

    def __init__(self, epochs: Epochs, frame: FieldFrame):
        self.epochs = epochs
        self.east_m, self.north_m = frame.plane_of(epochs.latitude, epochs.longitude)
        self.occupations = occupations(epochs, self.east_m, self.north_m)

    def mean(self, visit: Occupation) -> Mean:
        """The means over one visit."""
        e, part, count = self.epochs, slice(visit.first, visit.last + 1), visit.last + 1 - visit.first
        columns = (self.east_m, self.north_m, e.height_m, e.latitude, e.longitude, e.separation_m)
        if count <= _FEW:
            return Mean(*(sum(column[part].tolist()) / count for column in columns))
        return Mean(*(float(np.mean(column[part])) for column in columns))
