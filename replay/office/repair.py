"""A stored point's repaired numbers, in the file's own terms."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from witnesspost.replay.office.base import Segment
from witnesspost.replay.office.comparison import Comparison
from witnesspost.replay.office.field_points import FieldPoint
from witnesspost.rules.coordinates import Ecef, Enu, Geodetic
from witnesspost.rules.datum.geodesy import to_ecef, to_geodetic


class Repaired(NamedTuple):
    """The new numbers as the file would write them (`height` None where it has none), and what was added: east, north, up."""

    first: float
    second: float
    height: float | None
    vector_m: Enu


def repaired(comparison: Comparison, number: int, point: FieldPoint, segment: Segment | None, receivers_m: float) -> Repaired:
    """The stored point, in the project's terms, moved by the vector of a wrong base, and back into the file's terms.

    `receivers_m` is the geoid's separation that the receiver gave when the point was stored.
    """
    frame, difference = comparison.frame, comparison.difference
    ellipsoid = frame.project_frame.ellipsoid
    east_m, north_m = comparison.on_log_plane(number)
    latitude, longitude = (float(angle[0]) for angle in frame.degrees_of(np.array([east_m]), np.array([north_m])))
    height_m = comparison.height_m(point) if point.height is not None else 0.0
    separation_m = comparison.separation_m(latitude, longitude, receivers_m)
    stored = to_ecef(*Geodetic(latitude, longitude, height_m - difference.up_m + separation_m), ellipsoid)
    vector = segment.vector if segment is not None and segment.standing == "wrong" else Ecef(0.0, 0.0, 0.0)
    true = to_geodetic(Ecef(*(a + b for a, b in zip(stored, vector, strict=True))), ellipsoid)
    there = np.array([true.latitude]), np.array([true.longitude])
    first, second = frame.numbers(*difference.to_file(*frame.plane_of(*there)))
    height, up_m = None, 0.0
    if point.height is not None:
        height = (true.height_m - float(frame.separation(*there)[0])) / frame.height_unit_m
        up_m = (height - point.height) * frame.height_unit_m
    old_east_m, old_north_m = frame.plane(np.array([point.first]), np.array([point.second]))
    new_east_m, new_north_m = frame.plane(first, second)
    vector_m = Enu(float(new_east_m[0] - old_east_m[0]), float(new_north_m[0] - old_north_m[0]), up_m)
    return Repaired(float(first[0]), float(second[0]), height, vector_m)
