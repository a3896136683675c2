"""From a station position to the alert: with PROJ to load, with PROJ loaded, and with every shift known; and the memory.

    python -m tests.bench.datum

Each run is a process of its own. Figures to hold: under 1 s with loading, under 50 ms once PROJ is loaded.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time

RUNS = 5
_ONE_RUN = "--one-run"


def main() -> None:
    """Print medians and worst of the runs, for each place."""
    rows: dict[str, list[dict[str, float]]] = {}
    for place in ("0", "1", "2"):
        for _ in range(RUNS):
            said = subprocess.run(
                [sys.executable, "-m", "tests.bench.datum", _ONE_RUN, place], capture_output=True, text=True, check=True
            )
            row = json.loads(said.stdout)
            rows.setdefault(row.pop("place"), []).append(row)
    print(f"{'place':22} {'measured':34} {'median':>9} {'worst':>9}")
    for place, runs in rows.items():
        for what in runs[0]:
            values = [run[what] for run in runs]
            print(f"{place:22} {what:34} {statistics.median(values):9.1f} {max(values):9.1f}")


def one_run(place_number: int) -> None:
    """One process: a wrong base first (PROJ loads), then another wrong coordinate, with the wire's facts at hand."""
    from witnesspost.rules.book.base_datum import BaseDatum
    from witnesspost.rules.engine.scene import Scene
    from witnesspost.rules.facts import Station, Utc
    from witnesspost.rules.site.model import figures_of
    from witnesspost.rules.site.reading import site_from_table

    assert "pyproj" not in sys.modules
    # The truths need pyproj themselves: they come from a process of their own.
    folder = tempfile.TemporaryDirectory()
    made = subprocess.run(
        [sys.executable, "-c", _MAKE, str(place_number), folder.name], capture_output=True, text=True, check=True
    )
    name, table, today, right, wrong, other = json.loads(made.stdout)
    import datetime as dt

    def rule() -> tuple[BaseDatum, Scene]:
        site = site_from_table(table)
        scene = Scene(site)
        scene.see(Utc(t=0.1, stream="line", utc=dt.datetime.fromisoformat(today), source="RMC"))
        return BaseDatum(site, figures_of(site, BaseDatum.name, BaseDatum.Figures), scene), scene

    def judge_ms(judge: BaseDatum, scene: Scene, t: float, at: list[float], alert: bool) -> float:
        x, y, z = at
        fact = Station(
            t=t, stream="line", station_id=417, message=1005, x_m=x, y_m=y, z_m=z, antenna_height_m=None, itrf_year=0
        )
        begun = time.perf_counter()
        scene.see(fact)
        judge.see(fact)
        found = list(judge.judge(t))
        taken = 1000 * (time.perf_counter() - begun)
        assert bool(found) is alert
        return taken

    resident = {"before PROJ": _resident_mib()}
    first, scene = rule()
    right_first = bool(place_number % 2)
    loaded_ms = judge_ms(first, scene, 1.0, right if right_first else wrong, not right_first)
    second, scene = rule()
    judge_ms(second, scene, 1.0, right, False)
    again_ms = judge_ms(second, scene, 2.0, wrong, True)
    warm_ms = judge_ms(second, scene, 3.0, other, True)
    quiet_ms = judge_ms(second, scene, 4.0, right, False)
    row = {
        "place": name + (" (right first)" if right_first else ""),
        "to the verdict, PROJ loading, ms": loaded_ms,
        "to the alert, PROJ loaded, ms": again_ms,
        "to the next alert, ms": warm_ms,
        "a right coordinate, ms": quiet_ms,
        "resident before PROJ, MiB": resident["before PROJ"],
        "resident after, MiB": _resident_mib(),
    }
    print(json.dumps(row))


_MAKE = """
import json, shutil, sys
from tests.proof.datum_table import PLACES, TODAY, cases, ecef, site_table, _n, ANTENNA_M
place = PLACES[int(sys.argv[1])]
right = ecef(place.latitude, place.longitude, place.height + _n(place) + ANTENNA_M)
made = cases(place)
wrong, other = made["orthometric-as-ellipsoidal"].broadcast, made["autonomous-base"].broadcast
table = site_table(place)
table["project"]["geoid"] = shutil.copy(table["project"]["geoid"], sys.argv[2])
print(json.dumps([place.name, table, TODAY.isoformat(), right, wrong, other]))
"""


def _resident_mib() -> float:
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmRSS"))


if __name__ == "__main__":
    if sys.argv[1:2] == [_ONE_RUN]:
        one_run(int(sys.argv[2]))
    else:
        main()
