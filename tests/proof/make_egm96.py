"""Makes `egm96-30min.z`, the bundled geoid, from the 15′ EGM96 grid (`egm96_15.gtx`, in Debian's package proj-data).

    python rules/data/make_egm96.py /usr/share/proj/egm96_15.gtx

Run by hand, never imported: the package reads only the file that this writes. EGM96 is a public model of NASA and NIMA
(now NGA). Prints the error of the bundled grid, read as the package reads it, against the 15′ grid read bilinearly.

The file: zlib over

    361 × 720 int16, little-endian: centimetres at 0.5° nodes, south to north, west to east from −180°; each but a row's
              first minus its western neighbour (which packs better)
     90 × 180 uint8: the worst error, centimetres rounded up, in each cell of 2° × 2°, south to north from −180°
              (255: 2.55 m or more)
"""

from __future__ import annotations

import argparse
import array
import itertools
import math
import struct
import sys
import zlib
from pathlib import Path

from witnesspost.rules.datum.geoid import CELL_DEGREES, COLUMNS, ROWS, BundledGeoid

TOP = Path(__file__).resolve().parents[2]
_STEPS = 3  # of a 15′ cell: 5′ points see what happens between the nodes as well


def main() -> None:
    """Write the file beside this script and print its error."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("gtx", type=Path)
    fine, rows, columns = _read_gtx(parser.parse_args().gtx)
    nodes = array.array("h")
    for row in range(0, rows, 2):
        nodes.extend(round(100 * fine[row * columns + column]) for column in range(0, columns, 2))
    assert len(nodes) == ROWS * COLUMNS
    cells = _errors(BundledGeoid(nodes, bytes(90 * 180)), fine, rows, columns)
    packed = array.array("h")
    for row in range(ROWS):
        line = nodes[row * COLUMNS : (row + 1) * COLUMNS]
        packed.append(line[0])
        packed.extend(east - west for west, east in itertools.pairwise(line))
    if sys.byteorder == "big":
        packed.byteswap()
    out = TOP / "rules/datum/data/egm96-30min.z"
    out.write_bytes(zlib.compress(packed.tobytes() + cells, 9))
    print(f"{out.name}: {out.stat().st_size} bytes")


def _read_gtx(path: Path) -> tuple[array.array[float], int, int]:
    """A .gtx grid's values (metres, south to north, west to east), rows, columns; it must be the global 15′ one."""
    data = path.read_bytes()
    south, west, step_north, step_east, rows, columns = struct.unpack(">4d2i", data[:40])
    if (south, west, step_north, step_east, rows, columns) != (-90.0, -180.0, 0.25, 0.25, 721, 1440):
        sys.exit(f"{path}: not the global 15′ grid; expected egm96_15.gtx of proj-data")
    values = array.array("f", data[40:])
    if sys.byteorder == "little":
        values.byteswap()
    return values, rows, columns


def _errors(bundled: BundledGeoid, fine: array.array[float], rows: int, columns: int) -> bytes:
    """The worst error of each cell in centimetres; prints RMS, 95 % (by area) and the worst."""
    worst = [0.0] * (90 * 180)
    squares = weights = 0.0
    histogram = [0.0] * 1000
    top = (0.0, 0.0, 0.0)
    for step in range((rows - 1) * _STEPS + 1):
        latitude = -90 + step / (4 * _STEPS)
        row, down = min(step // _STEPS, rows - 2), step / _STEPS - min(step // _STEPS, rows - 2)
        weight = math.cos(math.radians(latitude))
        for across in range(columns * _STEPS):
            longitude = -180 + across / (4 * _STEPS)
            column, right = divmod(across, _STEPS)
            a, b = row * columns + column, row * columns + (column + 1) % columns
            south = fine[a] + (fine[b] - fine[a]) * right / _STEPS
            north = fine[a + columns] + (fine[b + columns] - fine[a + columns]) * right / _STEPS
            error = abs(bundled.separation_m(latitude, longitude) - (south + (north - south) * down))
            squares, weights = squares + weight * error * error, weights + weight
            histogram[min(999, int(error * 100))] += weight
            top = max(top, (error, latitude, longitude))
            for cell in _cells(latitude, longitude):
                worst[cell] = max(worst[cell], error)
    share, edge = 0.0, 0
    while share < 0.95 * weights:
        share += histogram[edge]
        edge += 1
    print(f"RMS {math.sqrt(squares / weights):.3f} m, 95 % under {edge / 100:.2f} m, worst {top[0]:.2f} m at {top[1:]}")
    return bytes(min(255, math.ceil(100 * error)) for error in worst)


def _cells(latitude: float, longitude: float) -> set[int]:
    """The cells that a point belongs to: on an edge it counts for both sides."""
    rows = {min(89, max(0, int((latitude + 90 + nudge) / CELL_DEGREES))) for nudge in (-1e-6, 1e-6)}
    columns = {int((longitude + 180 + nudge) / CELL_DEGREES) % 180 for nudge in (360 - 1e-6, 1e-6)}
    return {row * 180 + column for row in rows for column in columns}


if __name__ == "__main__":
    main()
