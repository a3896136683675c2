"""Where logs are judged: on processes of this machine, or on the workers of a Dask cluster.

A log that ends the process that judges it (memory, a signal) is tried once more; if it does so again it is named, and the
others are judged all the same.
"""

from __future__ import annotations

import contextlib
import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from witnesspost.replay.office.season.figures import Tables
from witnesspost.replay.office.season.judging import Judged, judge

_TRIES = 2
_LOOK_EVERY_S = 20.0  # whether a cluster that gives nothing has workers at all


class NoCluster(Exception):
    """There is no scheduler at that address, or it has no workers. The text is one line."""


def on_processes(paths: Sequence[str], tables: Tables | None, grids: str | None, jobs: int) -> Iterator[Judged]:
    """Judge the logs, `jobs` at a time, in the order of `paths` as far as they are begun; each as it is done.

    Each process is a pool of its own: when it dies, it is known which log it was at.
    """
    waiting = [(path, 1) for path in reversed(paths)]
    idle = [_pool() for _ in range(min(jobs, len(paths)))]
    at: dict[Future[Judged], tuple[str, int, ProcessPoolExecutor]] = {}
    try:
        while waiting or at:
            while waiting and idle:
                path, attempt = waiting.pop()
                pool = idle.pop()
                at[pool.submit(judge, path, tables, grids)] = path, attempt, pool
            done, _ = wait(at, return_when=FIRST_COMPLETED)
            for future in done:
                path, attempt, pool = at.pop(future)
                try:
                    judged = future.result()
                except BrokenProcessPool:
                    pool.shutdown()
                    idle.append(_pool())
                    if attempt < _TRIES:
                        waiting.append((path, attempt + 1))
                        continue
                    judged = _given_up(path)
                else:
                    idle.append(pool)
                yield judged
    finally:
        for pool in [*idle, *(pool for _, _, pool in at.values())]:
            pool.shutdown(wait=False, cancel_futures=True)


def on_cluster(paths: Sequence[str], tables: Tables | None, grids: str | None, address: str) -> Iterator[Judged]:
    """Judge the logs on the workers of the Dask scheduler at `address`; each as it is done. They must see the logs at the same
    paths, and have this program. Raises NoCluster."""
    import distributed

    try:
        client = distributed.Client(address, timeout=10)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise NoCluster(f"{address}: no scheduler answers there ({' '.join(str(error).split())})") from None
    with contextlib.closing(client):
        _look_for_workers(client, address)
        left = {client.submit(judge, path, tables, grids, pure=False): path for path in paths}
        while left:
            try:
                waited = distributed.wait(  # type: ignore[no-untyped-call]
                    list(left), timeout=_LOOK_EVERY_S, return_when="FIRST_COMPLETED"
                )
            except TimeoutError:
                _look_for_workers(client, address)
                continue
            for future in waited.done:
                path, failed = left.pop(future), future.exception()
                if failed is None:
                    yield future.result()
                elif isinstance(failed, distributed.KilledWorker):
                    yield _given_up(path)
                else:
                    yield Judged(path=path, spoilt=f"{path}: {type(failed).__name__}: {' '.join(str(failed).split())}")
                future.release()


def _look_for_workers(client: object, address: str) -> None:
    if not client.scheduler_info(n_workers=-1)["workers"]:  # type: ignore[attr-defined]
        raise NoCluster(f"{address}: has no workers; start some with `dask worker {address}`")


def _pool() -> ProcessPoolExecutor:
    return ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"))


def _given_up(path: str) -> Judged:
    return Judged(path=path, spoilt=f"{path}: the process that judged it died, {_TRIES} times")
