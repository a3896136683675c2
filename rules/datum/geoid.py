"""Geoid separation N: ellipsoidal height h minus height above the geoid H, in metres, at a latitude and longitude.

Two sources: `"bundled"`, the package's EGM96 grid of 0.5°, and any .gtx or .tif grid that PROJ reads (a national model
that the office puts on the post).

The bundled grid against EGM96's own 15′ grid (measured by `data/make_egm96.py` over all 5′ points of the globe, weighted
by area): RMS 0.060 m, 95 % under 0.12 m, worst 1.99 m (28.25° N 16.75° W, a volcano in the Atlantic). The file holds
the worst error of each 2° × 2° cell, which is the stated error at a place. EGM96 itself departs from a national model by
decimetres to a metre; the figures here do not cover that: heights that must be better need the national grid.
"""

from __future__ import annotations

import array
import functools
import itertools
import math
import os
import struct
import sys
import zlib
from operator import mul
from pathlib import Path
from typing import Any, Protocol

from witnesspost.rules.site.model import Site

ROWS, COLUMNS = 361, 720
CELL_DEGREES = 2.0
_CELL_ROWS, _CELL_COLUMNS = 90, 180
_GTX_HEADER = struct.Struct(">4d2i")  # south, west, step north, step east, rows, columns


class GeoidError(ValueError):
    """A grid cannot be used; the text says which, why, and what was expected."""


class Geoid(Protocol):
    """A model of N. `separation_m` is None outside the model; `error_m` is 0 where none is stated."""

    name: str

    def separation_m(self, latitude: float, longitude: float) -> float | None:
        """N in metres at degrees north and east."""

    def error_m(self, latitude: float, longitude: float) -> float:
        """The model's stated error at the place, metres."""


def open_geoid(site: Site) -> Geoid:
    """The geoid that the site file names. Raises GeoidError."""
    named = site.project.geoid if site.project else "bundled"
    return bundled_geoid() if named == "bundled" else _grid(os.path.abspath(site.file(named)), named)


@functools.cache
def bundled_geoid() -> BundledGeoid:
    """The package's EGM96 grid, read once (half a megabyte)."""
    data = zlib.decompress(Path(__file__).with_name("data").joinpath("egm96-30min.z").read_bytes())
    steps = array.array("h", data[: 2 * ROWS * COLUMNS])
    if sys.byteorder == "big":
        steps.byteswap()
    nodes = array.array("h")
    for row in range(ROWS):
        nodes.extend(itertools.accumulate(steps[row * COLUMNS : (row + 1) * COLUMNS]))
    return BundledGeoid(nodes, data[2 * ROWS * COLUMNS :])


class BundledGeoid:
    """EGM96 at 0.5°: `nodes` are centimetres, 361 rows from the south pole, 720 columns from 180° W; `cells` the worst
    error of each 2° cell in centimetres. Between nodes: cubic convolution (Keys 1981, a = −1/2), which halves the error
    of the bilinear rule on this grid.
    """

    name = "EGM96, bundled 0.5° grid"

    def __init__(self, nodes: array.array[int], cells: bytes):
        self._nodes = nodes
        self._cells = cells
        # The sixteen nodes around the last place: a rover stays between four of them for days.
        self._last: tuple[tuple[int, int] | None, list[list[int]]] = (None, [])

    def separation_m(self, latitude: float, longitude: float) -> float:
        """N in metres; longitudes may also be 0 to 360."""
        row, south = _split((min(90.0, max(-90.0, latitude)) + 90.0) * 2)
        column, west = _split((longitude + 180.0) % 360.0 * 2)
        cell, around = self._last
        if cell != (row, column):
            around = [[self._node(row + dr, column + dc) for dc in (-1, 0, 1, 2)] for dr in (-1, 0, 1, 2)]
            self._last = (row, column), around
        across = _keys(west)
        centimetres: float = sum(
            weight * sum(map(mul, across, nodes)) for nodes, weight in zip(around, _keys(south), strict=True) if weight
        )
        return centimetres / 100.0

    def error_m(self, latitude: float, longitude: float) -> float:
        """The worst error against the 15′ grid in the 2° cell of the place, metres."""
        row = min(_CELL_ROWS - 1, int((latitude + 90.0) / CELL_DEGREES))
        column = int((longitude + 180.0) % 360.0 / CELL_DEGREES) % _CELL_COLUMNS
        return self._cells[row * _CELL_COLUMNS + column] / 100.0

    def _node(self, row: int, column: int) -> int:
        """A node's centimetres; beyond a pole the grid continues along the opposite meridian."""
        if row < 0:
            row, column = -row, column + COLUMNS // 2
        elif row >= ROWS:
            row, column = 2 * (ROWS - 1) - row, column + COLUMNS // 2
        return self._nodes[row * COLUMNS + column % COLUMNS]


class GridGeoid:
    """A grid file read by PROJ (`+proj=vgridshift`, bilinear)."""

    def __init__(self, path: str, name: str):
        self.name = name
        self._shift = _vgridshift(path, name)

    def separation_m(self, latitude: float, longitude: float) -> float | None:
        """N in metres, None where the grid does not cover the place."""
        from pyproj.exceptions import ProjError

        east = (longitude + 180.0) % 360.0 - 180.0
        try:
            n = self._shift.transform(east, latitude, 0.0, errcheck=True)[2]
        except ProjError:
            return None
        # A damaged file may decode to any number, which PROJ accepts: no geoid is 200 m.
        return float(n) if math.isfinite(n) and abs(n) < 200.0 else None

    def error_m(self, latitude: float, longitude: float) -> float:
        """0: a grid that the site file names is trusted."""
        return 0.0


@functools.lru_cache(maxsize=4)
def _grid(path: str, name: str) -> GridGeoid:
    return GridGeoid(path, name)


def _vgridshift(path: str, name: str) -> Any:
    """PROJ's transformer for the grid; degrees in, N out as the height. Raises GeoidError."""
    from pyproj import Transformer
    from pyproj.exceptions import ProjError

    what = f"read {name!r}"
    remedy = 'expected the path of a whole .gtx or .tif grid, or "bundled"'
    file = Path(path)
    if not file.is_file():
        raise GeoidError(f"{what}: no such file; {remedy}")
    if file.suffix.lower() not in (".gtx", ".tif", ".tiff"):
        raise GeoidError(f"{what}: neither .gtx nor .tif; {remedy}")
    if any(letter in path for letter in ',"'):
        raise GeoidError(f"{what}: PROJ cannot read a path with a comma or a quotation mark; move the file")
    try:
        size = file.stat().st_size
        with file.open("rb") as opened:
            head = opened.read(_GTX_HEADER.size)
    except OSError as error:
        raise GeoidError(f"{what}: cannot be read ({error.strerror}); {remedy}") from None
    if file.suffix.lower() == ".gtx":
        # PROJ opens a truncated .gtx without complaint and fails, or worse, only where a row is missing.
        if len(head) < _GTX_HEADER.size:
            raise GeoidError(f"{what}: truncated, {size} bytes; {remedy}")
        rows, columns = _GTX_HEADER.unpack(head)[4:]
        wanted = _GTX_HEADER.size + 4 * rows * columns
        if rows < 2 or columns < 2 or size < wanted:
            raise GeoidError(f"{what}: truncated or not a .gtx, {size} bytes of {wanted}; {remedy}")
    try:
        return Transformer.from_pipeline(f'+proj=vgridshift +grids="{path}" +multiplier=1')
    except ProjError as error:
        raise GeoidError(f"{what}: PROJ cannot read it ({str(error).splitlines()[0]}); {remedy}") from None


def _split(position: float) -> tuple[int, float]:
    whole = math.floor(position)
    return whole, position - whole


def _keys(f: float) -> tuple[float, float, float, float]:
    """Weights of the four nodes around a point that lies the fraction `f` past the second (Keys 1981, a = −1/2)."""
    return (
        ((-0.5 * f + 1.0) * f - 0.5) * f,
        (1.5 * f - 2.5) * f * f + 1.0,
        ((-1.5 * f + 2.0) * f + 0.5) * f,
        (0.5 * f - 0.5) * f * f,
    )
