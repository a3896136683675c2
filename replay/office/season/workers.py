"""Where runs are judged: on processes of this machine, or on the workers of a Dask cluster.

A run that ends the process that judges it (memory, a signal) is tried once more; if it does so again its logs are named, and
the others are judged all the same.
"""

from __future__ import annotations

import contextlib
import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from witnesspost.replay.office.season.figures import Tables
from witnesspost.replay.office.season.judging import Judged, judge
from witnesspost.replay.office.season.runs import Run

_TRIES = 2
_LOOK_EVERY_S = 20.0  # whether a cluster that gives nothing has workers at all


class NoCluster(Exception):
    """There is no scheduler at that address, or it has no workers. The text is one line."""


def on_processes(runs: Sequence[Run], tables: Tables | None, grids: str | None, jobs: int) -> Iterator[Judged]:
    """Judge the runs, `jobs` at a time, in their order as far as they are begun; each as it is done.

    Each process is a pool of its own: when it dies, it is known which run it was at.
    """
    waiting = [(run, 1) for run in reversed(runs)]
    idle = [_pool() for _ in range(min(jobs, len(runs)))]
    at: dict[Future[Judged], tuple[Run, int, ProcessPoolExecutor]] = {}
    try:
        while waiting or at:
            while waiting and idle:
                run, attempt = waiting.pop()
                pool = idle.pop()
                at[pool.submit(judge, run, tables, grids)] = run, attempt, pool
            done, _ = wait(at, return_when=FIRST_COMPLETED)
            for future in done:
                run, attempt, pool = at.pop(future)
                try:
                    judged = future.result()
                except BrokenProcessPool:
                    pool.shutdown()
                    idle.append(_pool())
                    if attempt < _TRIES:
                        waiting.append((run, attempt + 1))
                        continue
                    judged = _given_up(run)
                else:
                    idle.append(pool)
                yield judged
    finally:
        for pool in [*idle, *(pool for _, _, pool in at.values())]:
            pool.shutdown(wait=False, cancel_futures=True)


def on_cluster(runs: Sequence[Run], tables: Tables | None, grids: str | None, address: str) -> Iterator[Judged]:
    """Judge the runs on the workers of the Dask scheduler at `address`; each as it is done. They must see the logs at the same
    paths, and have this program. Raises NoCluster."""
    import distributed

    try:
        client = distributed.Client(address, timeout=10)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise NoCluster(f"{address}: no scheduler answers there ({' '.join(str(error).split())})") from None
    with contextlib.closing(client):
        _look_for_workers(client, address)
        left = {client.submit(judge, run, tables, grids, pure=False): run for run in runs}
        while left:
            try:
                waited = distributed.wait(  # type: ignore[no-untyped-call]
                    list(left), timeout=_LOOK_EVERY_S, return_when="FIRST_COMPLETED"
                )
            except TimeoutError:
                _look_for_workers(client, address)
                continue
            for future in waited.done:
                run, failed = left.pop(future), future.exception()
                if failed is None:
                    yield future.result()
                elif isinstance(failed, distributed.KilledWorker):
                    yield _given_up(run)
                else:
                    yield _spoilt(run, f"{type(failed).__name__}: {' '.join(str(failed).split())}")
                future.release()


def _look_for_workers(client: object, address: str) -> None:
    if not client.scheduler_info(n_workers=-1)["workers"]:  # type: ignore[attr-defined]
        raise NoCluster(f"{address}: has no workers; start some with `dask worker {address}`")


def _pool() -> ProcessPoolExecutor:
    return ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))


def _given_up(run: Run) -> Judged:
    return _spoilt(run, f"the process that judged it died, {_TRIES} times")


def _spoilt(run: Run, why: str) -> Judged:
    return Judged(run=run, spoilt=[f"{path}: {why}" for path in run.paths])
