"""What a field file and the log differ by, where many points share it: solved robustly, and named.

    plane:   w = a·z + b        w the file's east + i·north, z the log's on the same plane, a = scale·e^(i·rotation)
    height:  file − log = c

The solution is a consensus (RANSAC: Fischler and Bolles, Communications of the ACM 24, 1981) of pairs of points drawn by a
fixed generator, then least squares over those that agree. Names:

| name | what is shared |
|---|---|
| `ground scale` | one factor about the grid's origin, or about a point: ground distances for grid distances |
| `other frame` | a step that another frame in use there predicts; or a scale or a rotation that no site's calibration has |
| `local calibration` | any other similarity in plan, with its parameters |
| `other geoid` | heights differ as another model at hand does from the file's |
| `other pole height` | one constant in height that no model explains |
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

FEWEST = 4  # points that must agree before anything is named
SHARE = 0.5  # of the points, that must agree in plan
AGREE_M = 0.05
LEAST_M = 0.005  # a smaller difference is none
_HEIGHT_SHARE = 0.3  # of the points, that must agree in height: poles are changed in the course of a day
_HEIGHT_AGREE_M = 0.02
_DRAWS = 400
_DRAWN_FROM = 2000
_ANY_GRIDS_SCALE = 0.1  # from 1: further off than any map projection in use; common practice, no source
_SEED = 7
_SAME_M = 0.02
_FRAME_M = 0.06
MOST_SCALE_PPM = 1000.0  # of a calibration, as a site's own grid is warned of
MOST_TURN_DEG = 1.0  # of a calibration, beyond what lies between grid north and true north; common practice, no source


class Difference(Struct, frozen=True, kw_only=True):
    """File against log. `a` and `b` take the log's plane to the file's (metres); `up_m` is what the file's heights are more,
    less what `geoid` explains. `names` are what is shared, each with its words; `plausible` is false where no calibration of a
    site has such an `a`; `inliers` how many points agree in plan."""

    names: dict[str, str]
    a: complex = 1.0
    b: complex = 0.0
    up_m: float = 0.0
    geoid: str | None = None
    plausible: bool = True
    inliers: int = 0
    of: int = 0
    rms_m: float = 0.0
    height_inliers: int = 0

    def to_log(self, east_m: Array, north_m: Array) -> tuple[Array, Array]:
        """The log's plane of the file's."""
        z = (east_m + 1j * north_m - self.b) / self.a
        return z.real, z.imag

    def to_file(self, east_m: Array, north_m: Array) -> tuple[Array, Array]:
        """The file's plane of the log's."""
        w = self.a * (east_m + 1j * north_m) + self.b
        return w.real, w.imag


class Step(NamedTuple):
    """What another frame in use there predicts: its name, and how far the file would then be off the log, in plan."""

    name: str
    east_m: float
    north_m: float


def solve(
    file_m: Complex,
    log_m: Complex,
    up_m: Array,
    *,
    models: Mapping[str, Array],
    frames: Sequence[Step] = (),
    grid: bool = True,
    convergence_deg: float = 0.0,
) -> Difference:
    """What the file's points differ by from the log's: `file_m` and `log_m` are east + i·north, `up_m` file's height less log's
    (NaN where unknown), `models` what each other geoid model's heights would differ by there, by name;
    `convergence_deg` is the angle between grid north and true north there."""
    n = len(file_m)
    if n < FEWEST:
        return Difference(names={}, of=n)
    names: dict[str, str] = {}
    shared = plausible = True
    a, b, agree = _similarity(file_m, log_m)
    if int(agree.sum()) < max(FEWEST, SHARE * n):
        names["nothing shared"] = f"no similarity brings more than {int(agree.sum())} of {n} points together"
        a, b = 1.0 + 0j, 0j
        shared = False
    elif not is_calibration(a, convergence_deg):
        plausible = False
        names["other frame"] = (
            f"scale {abs(a):.8f}, rotation {math.degrees(cmath.phase(a)):+.2f}°: no calibration of a site does that; "
            "state the file's own --frame"
        )
    else:
        a, b = _named(file_m[agree], log_m[agree], a, b, frames, grid, names)
    left = np.abs(file_m - (a * log_m + b))
    agree = left < AGREE_M
    # Of points that were not found in plan, heights say nothing.
    up, geoid, height_inliers = _heights(up_m, models, names) if shared else (0.0, None, 0)
    return Difference(
        names=names,
        a=a,
        b=b,
        up_m=up,
        geoid=geoid,
        plausible=plausible,
        inliers=int(agree.sum()),
        of=n,
        rms_m=float(np.sqrt(np.mean(left[agree] ** 2))) if agree.any() else math.nan,
        height_inliers=height_inliers,
    )


def is_calibration(a: complex, convergence_deg: float) -> bool:
    """True of a scale and a rotation that a site's own grid may have."""
    turn_deg = abs(math.degrees(cmath.phase(a)))
    return abs(abs(a) - 1.0) * 1e6 <= MOST_SCALE_PPM and turn_deg <= MOST_TURN_DEG + abs(convergence_deg)


def agreeing(file_m: Complex, log_m: Complex) -> int:
    """How many points one similarity brings together; 0 where its scale is no grid's: one that shrinks the log to a spot brings
    any stack of points there."""
    a, _, agree = _similarity(file_m, log_m)
    return int(agree.sum()) if abs(abs(a) - 1.0) < _ANY_GRIDS_SCALE else 0


def similarity(file_m: Complex, log_m: Complex) -> tuple[complex, complex]:
    """The least-squares a and b of w = a·z + b."""
    z0, w0 = log_m.mean(), file_m.mean()
    z, w = log_m - z0, file_m - w0
    spread = float(np.sum(np.abs(z) ** 2))
    a = complex(np.sum(np.conj(z) * w) / spread) if spread > 0 else 1.0 + 0j
    return a, complex(w0 - a * z0)


def _similarity(file_m: Complex, log_m: Complex) -> tuple[complex, complex, NDArray[np.bool_]]:
    """A consensus of pairs, then least squares over those that agree, until they stay the same."""
    rng = np.random.default_rng(_SEED)
    some = np.arange(len(file_m))
    if len(some) > _DRAWN_FROM:
        some = np.sort(rng.choice(some, _DRAWN_FROM, replace=False))
    w, z = file_m[some], log_m[some]
    spread = float(np.median(np.abs(z - np.median(z.real) - 1j * np.median(z.imag)))) or 1.0
    best: tuple[int, complex, complex] = (int((np.abs(w - z) < AGREE_M).sum()), 1.0 + 0j, 0j)
    for one, two in rng.integers(0, len(some), (_DRAWS, 2)).tolist():
        if abs(z[one] - z[two]) < 0.5 * spread:
            continue
        a = complex((w[one] - w[two]) / (z[one] - z[two]))
        b = complex(w[one] - a * z[one])
        count = int((np.abs(w - (a * z + b)) < AGREE_M).sum())
        if count > best[0]:
            best = count, a, b
    _, a, b = best
    agree = np.abs(file_m - (a * log_m + b)) < AGREE_M
    for _ in range(8):
        if int(agree.sum()) < 2:
            break
        a, b = similarity(file_m[agree], log_m[agree])
        now = np.abs(file_m - (a * log_m + b)) < AGREE_M
        if bool((now == agree).all()):
            break
        agree = now
    return a, b, agree


def _named(
    w: Complex, z: Complex, a: complex, b: complex, frames: Sequence[Step], grid: bool, names: dict[str, str]
) -> tuple[complex, complex]:
    """The simplest similarity that holds the points to half a centimetre, and its name."""
    reach = float(np.max(np.abs(z - z.mean()))) or 1.0

    def fits(a: complex, b: complex) -> bool:
        return float(np.sqrt(np.mean(np.abs(w - (a * z + b)) ** 2))) <= max(LEAST_M, 1.3 * own) + 1e-9

    own = float(np.sqrt(np.mean(np.abs(w - (a * z + b)) ** 2)))
    if fits(1.0 + 0j, 0j) or (abs((w - z).mean()) < LEAST_M and abs(a - 1.0) * reach < LEAST_M):
        return 1.0 + 0j, 0j
    scale = complex(float(np.sum((np.conj(z) * w).real) / np.sum(np.abs(z) ** 2)))
    if grid and fits(scale, 0j):
        names["ground scale"] = f"by the factor {scale.real:.8f} about the grid's origin"
        return scale, 0j
    step = complex((w - z).mean())
    if fits(1.0 + 0j, step):
        near = [one for one in frames if abs(complex(one.east_m, one.north_m) - step) < _FRAME_M]
        if near:
            best = min(near, key=lambda one: abs(complex(one.east_m, one.north_m) - step))
            names["other frame"] = f"{best.name}: {step.real:+.3f} m east, {step.imag:+.3f} m north"
        else:
            names["local calibration"] = f"a shift of {step.real:+.3f} m east, {step.imag:+.3f} m north"
        return 1.0 + 0j, step
    turn_s = math.degrees(cmath.phase(a)) * 3600.0
    if abs(cmath.phase(a)) * reach < LEAST_M:
        z0, w0 = complex(z.mean()), complex(w.mean())
        k = float(np.sum((np.conj(z - z0) * (w - w0)).real) / np.sum(np.abs(z - z0) ** 2))
        b = w0 - k * z0
        about = b / (1.0 - k)
        names["ground scale"] = f"by the factor {k:.8f} about {about.real:.1f} east, {about.imag:.1f} north"
        return complex(k), b
    middle = complex(z.mean())
    moved = a * middle + b - middle
    shift = f"{moved.real:+.3f} m east, {moved.imag:+.3f} m north"
    names["local calibration"] = f"scale {abs(a):.8f}, rotation {turn_s:+.1f}″, and at the points' middle {shift}"
    return a, b


def _heights(up_m: Array, models: Mapping[str, Array], names: dict[str, str]) -> tuple[float, str | None, int]:
    """The constant that most heights share, and the geoid model that explains it, if one does."""
    known = ~np.isnan(up_m)
    count = int(known.sum())
    if count < FEWEST:
        return 0.0, None, 0
    best, agree = _mode(up_m[known])
    if abs(best) < LEAST_M or agree < max(FEWEST, _HEIGHT_SHARE * count):
        return 0.0, None, agree
    for model, by in models.items():
        left = (up_m - by)[known]
        left = left[~np.isnan(left)]
        if len(left) < FEWEST:
            continue
        constant, same = _mode(left)
        if abs(constant) < _SAME_M and same >= 0.9 * agree:
            names["other geoid"] = f"{model}: heights differ by {best:+.3f} m, as that model does"
            return constant, model, same
    names["other pole height"] = f"heights differ by {best:+.3f} m all over: a pole or antenna height, or a geoid nobody named"
    return best, None, agree


def _mode(values: Array) -> tuple[float, int]:
    """The mean of the most values that lie within 2 cm of one another on either side, and how many they are."""
    ordered = np.sort(values)
    upper = np.searchsorted(ordered, ordered + 2 * _HEIGHT_AGREE_M, "right")
    first = int(np.argmax(upper - np.arange(len(ordered))))
    group = ordered[first : upper[first]]
    return float(group.mean()), len(group)
