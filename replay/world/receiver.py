"""A rover's receiver: what it makes of the corrections that reach it, and the sentences that say so.

The model's own figures (common practice, no source): corrections up to 10 s old (or four of their intervals) keep a fixed
solution, up to 30 s (six) a float, up to 60 s a differential one; a float comes 3 s after the first usable epoch and the
fix 9 to 24 s after it, or 4 to 9 s after a short gap. The fixed or float rover is off by exactly the base's own error,
since its vector is right; alone it is off by 1 to 2 m, slowly wandering.
"""

from __future__ import annotations

import math
import random
from typing import NamedTuple

from witnesspost.replay.world.sky import Vector

FIXED, FLOAT, DIFFERENTIAL, AUTONOMOUS, NONE = 4, 5, 2, 1, 0
"""GGA's quality indicator (NMEA 0183): the world's own, not that of `rules.gnss`, which it checks."""

FIXED_AGE_S, FLOAT_AGE_S, DIFFERENTIAL_AGE_S = 10.0, 30.0, 60.0
FLOAT_AFTER_S = 3.0
FIX_AFTER_S = (9.0, 24.0)
REFIX_AFTER_S = (4.0, 9.0)
LIMITS = {"none": NONE, "autonomous": AUTONOMOUS, "differential": DIFFERENTIAL, "float": FLOAT}

# Standard deviation of the wandering error by quality: horizontal and vertical metres, and its time constant.
_NOISE = {
    FIXED: (0.004, 0.007, 20.0),
    FLOAT: (0.15, 0.30, 60.0),
    DIFFERENTIAL: (0.45, 0.90, 120.0),
    AUTONOMOUS: (0.90, 1.50, 300.0),
}


class EpochHeard(NamedTuple):
    """A whole epoch of observations from a station; `t` is the moment it is for, in the scenario's seconds."""

    station_id: int
    t: float
    two_frequencies: bool


class StationHeard(NamedTuple):
    """A station's position as broadcast, less where its antenna really is: the error that its rovers inherit (ECEF)."""

    station_id: int
    error_m: Vector


class Solution(NamedTuple):
    """What the receiver says at one moment. `error_m` is ECEF metres; `age_s` and `station_id` are None when alone."""

    quality: int
    error_m: Vector
    sigma_m: tuple[float, float]
    age_s: float | None
    station_id: int | None


class Receiver:
    """The rover's receiver: tell it what arrives, in order, and ask for its solution, in order of time.

    `of_a_service`: its corrections are a service's, whose station may change its number without a loss of the fix.
    """

    def __init__(self, axes: tuple[Vector, Vector, Vector], rng: random.Random, *, of_a_service: bool = False) -> None:
        self._of_a_service = of_a_service
        self._axes = axes
        self._rng = rng
        self._errors: dict[int, Vector] = {}
        self._station: int | None = None
        self._epoch_t = -math.inf
        self._heard_t = -math.inf
        self._began_t = math.inf
        self._fix_at = math.inf
        self._limited_t = math.inf
        self._interval_s = 1.0
        self._walk: Vector = (0.0, 0.0, 0.0)
        self._walk_quality = NONE
        self._walk_t = 0.0

    def hear(self, t: float, heard: object) -> None:
        """A message has arrived unharmed at `t`."""
        if isinstance(heard, StationHeard):
            self._errors[heard.station_id] = heard.error_m
            if self._of_a_service and self._station is not None:
                self._station = heard.station_id
        elif isinstance(heard, EpochHeard) and heard.station_id in self._errors:
            if heard.station_id != self._station:
                if self._station is not None and t - self._heard_t < FIXED_AGE_S:
                    return
                self._station, self._epoch_t = heard.station_id, -math.inf
            gap = heard.t - self._epoch_t
            if gap < 0.5 * DIFFERENTIAL_AGE_S:
                self._interval_s += 0.3 * (gap - self._interval_s)
            if gap > self._fixed_age_s:
                again = REFIX_AFTER_S if gap <= self._float_age_s else FIX_AFTER_S
                if gap > self._float_age_s:
                    self._began_t = t
                self._fix_at = t + self._rng.uniform(*again) if heard.two_frequencies else math.inf
            elif not heard.two_frequencies:
                self._fix_at = math.inf
            elif self._fix_at == math.inf:
                self._fix_at = t + self._rng.uniform(*FIX_AFTER_S)
            self._epoch_t = max(self._epoch_t, heard.t)
            self._heard_t = t

    def restart(self) -> None:
        """It was switched off: what it had heard is forgotten."""
        self._errors.clear()
        self._station, self._epoch_t, self._heard_t = None, -math.inf, -math.inf
        self._began_t = self._fix_at = self._limited_t = math.inf

    def solution(self, t: float, satellites: int, limit: int | None = None) -> Solution:
        """The solution for the moment `t`; `limit` is the best quality that the place allows."""
        age = t - self._epoch_t
        quality = self._quality(t, age)
        if satellites < 4:
            quality = NONE
        elif satellites < 5:
            quality = min(quality, AUTONOMOUS)
        if limit is None:
            self._limited_t = math.inf
        elif _RANK[limit] < _RANK[quality]:
            quality = limit
            self._limited_t = min(self._limited_t, t)
            if limit != FLOAT:
                self._began_t = t
            if self._fix_at < math.inf:
                # A blink is forgotten as soon as it is over, a stretch under trees takes a new fix.
                self._fix_at = max(self._fix_at, t + min(t - self._limited_t, REFIX_AFTER_S[0]))
        if quality == NONE:
            return Solution(NONE, (0.0, 0.0, 0.0), (0.0, 0.0), None, None)
        flat, up, _tau = _NOISE[quality]
        error = self._wander(t, quality)
        if quality == AUTONOMOUS or self._station is None:
            return Solution(quality, error, (flat, up), None, None)
        base = self._errors[self._station]
        error = (error[0] + base[0], error[1] + base[1], error[2] + base[2])
        return Solution(quality, error, (flat, up), age, self._station)

    @property
    def _fixed_age_s(self) -> float:
        return max(FIXED_AGE_S, 4.0 * self._interval_s)

    @property
    def _float_age_s(self) -> float:
        return max(FLOAT_AGE_S, 6.0 * self._interval_s)

    def _quality(self, t: float, age: float) -> int:
        if age > DIFFERENTIAL_AGE_S:
            return AUTONOMOUS
        if age > self._float_age_s or t < self._began_t + FLOAT_AFTER_S:
            return DIFFERENTIAL
        return FIXED if age <= self._fixed_age_s and t >= self._fix_at else FLOAT

    def _wander(self, t: float, quality: int) -> Vector:
        """The error's slow walk: a first-order Gauss–Markov process of the quality's size, begun anew with each."""
        flat, up, tau = _NOISE[quality]
        gauss = self._rng.gauss
        if quality != self._walk_quality:
            local = (gauss(0, flat), gauss(0, flat), gauss(0, up))
            self._walk_quality = quality
        else:
            keep = math.exp(-max(t - self._walk_t, 0.0) / tau)
            fresh = math.sqrt(1 - keep * keep)
            e, n, u = self._walk
            local = (
                keep * e + fresh * gauss(0, flat),
                keep * n + fresh * gauss(0, flat),
                keep * u + fresh * gauss(0, up),
            )
        self._walk, self._walk_t = local, t
        (ex, ey, ez), (nx, ny, nz), (ux, uy, uz) = self._axes
        e, n, u = local
        return (e * ex + n * nx + u * ux, e * ey + n * ny + u * uy, e * ez + n * nz + u * uz)


_RANK = {NONE: 0, AUTONOMOUS: 1, DIFFERENTIAL: 2, FLOAT: 3, FIXED: 4}
