"""Where the rover was: a day's epochs on the plane of a field file, and the occupations among them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
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

    def means(self, visits: Sequence[Occupation]) -> NDArray[np.float64]:
        """The means over many visits at once, a row each, in `Mean`'s columns."""
        first = np.array([visit.first for visit in visits], int)
        ends = np.array([visit.last + 1 for visit in visits], int)
        order = np.argsort(first, kind="stable")  # so that what lies between two visits is summed up once, not once a visit
        bounds = np.column_stack([first[order], ends[order]]).ravel()
        found = np.empty((len(visits), len(Mean._fields)))
        e = self.epochs
        for number, column in enumerate((self.east_m, self.north_m, e.height_m, e.latitude, e.longitude, e.separation_m)):
            sums = np.add.reduceat(np.append(column, 0.0), bounds)[::2]
            found[order, number] = sums / (ends - first)[order]
        return found
