"""Tiles on a Dask cluster (the `cluster` extra).

Workers need routeplan, of the same version, and nothing else: no file of the area and no folder shared with others.
The client sends them the rasters once; each sends the losses of its tiles back, and the client alone writes files.
When a worker dies its tiles go to the others; when the client dies, what it had received is kept.
"""

from __future__ import annotations

import logging
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from typing import Any

import numpy as np

from routeplan.errors import InputError, RouteplanError
from routeplan.plan.tiles import Done, Rasters, Store, Tile, losses_of, model_key

ANSWERS_WITHIN_S = 10.0
NO_WORKER_FOR_S = 60.0
IN_FLIGHT = 3  # tiles at a time for each thread of a worker: enough to keep it busy, few to hold


def tile_on_worker(tile: Tile, ground: Rasters, model: str) -> tuple[np.ndarray, str]:
    """Run by a worker, one thread for each tile: the losses, and the worker's name."""
    from distributed import get_worker

    if model != model_key():
        raise RuntimeError("another version of routeplan is installed there")
    return losses_of(tile, ground, threads=1), str(get_worker().name)


@contextmanager
def connected(address: str) -> Iterator[Any]:
    """A client of the scheduler at `address`; "local" starts one with a worker process for each core.

    Raises InputError where the extra is missing or nobody answers.
    """
    try:
        import distributed
    except ImportError:
        raise InputError(
            "distributed is not installed", f"--cluster {address}", "pip install 'routeplan[cluster]'"
        ) from None
    if address == "local":
        with _local(distributed) as cluster, distributed.Client(cluster) as client:
            yield client
        return
    try:
        client = distributed.Client(address, timeout=ANSWERS_WITHIN_S)
    except (OSError, ValueError) as error:  # a TimeoutError is an OSError
        raise InputError(
            f"no scheduler answers ({error})", f"--cluster {address}", "start one with: dask scheduler"
        ) from None
    with client:
        yield client


def _local(distributed: Any) -> Any:
    """A cluster of this machine's cores, reached from this machine alone; processes are spawned, as by default.

    They start deaf to Ctrl-C, which a terminal sends to all: the client hears it, and ends them in good order.
    """
    main = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGINT, signal.SIG_IGN) if main else None
    try:
        return distributed.LocalCluster(
            processes=True,
            threads_per_worker=1,
            dashboard_address=None,
            host="127.0.0.1",
            silence_logs=logging.CRITICAL,
        )
    finally:
        if main:
            signal.signal(signal.SIGINT, before)


def compute_on(client: Any, tiles: Sequence[Tile], ground: Rasters, store: Store, done: Done) -> None:
    """Compute tiles on the cluster; keep each as it comes back. Raises RouteplanError where the workers cannot."""
    try:
        _compute(client, tiles, ground, store, done)
    except (OSError, CancelledError) as error:  # what becomes of calls to a scheduler that is gone
        text = f"the scheduler does not answer any more ({error}); start it and give the same command again"
        raise RouteplanError(text) from None


def _compute(client: Any, tiles: Sequence[Tile], ground: Rasters, store: Store, done: Done) -> None:
    waiting = list(reversed(tiles))
    running: dict[Any, Tile] = {}
    shipped, room, last_heard = None, 0, time.monotonic()
    while waiting or running:
        if shipped is None:
            shipped, last_heard = _ship(client, ground), time.monotonic()
        if len(running) <= room // 2:  # workers come and go: count them now and then
            room = max(2, IN_FLIGHT * sum(client.nthreads().values()))
        while waiting and len(running) < room:
            tile = waiting.pop()
            future = client.submit(tile_on_worker, tile, shipped, model_key(), pure=False)
            running[future] = tile
        for future in _settled(list(running)):
            tile, last_heard = running.pop(future), time.monotonic()
            if future.status == "finished":
                losses, worker = future.result()
                store.put(tile, losses)
                future.release()
                done(tile, worker)
            elif future.status == "error":
                raise _failure(future.exception())
            else:  # lost with the worker that held the rasters: send them again
                waiting.append(tile)
                shipped = None
        if client.nthreads():
            last_heard = time.monotonic()
        elif time.monotonic() - last_heard > NO_WORKER_FOR_S:
            raise RouteplanError(
                f"the cluster has no worker left, and {len(waiting) + len(running)} tiles are missing; what is done "
                "is kept: start workers and give the same command again"
            )


def _ship(client: Any, ground: Rasters) -> Any:
    """Send the rasters to every worker; a worker that comes later fetches them from another."""
    try:
        client.wait_for_workers(1, timeout=NO_WORKER_FOR_S)
        return client.scatter(ground, broadcast=True, hash=False)
    except TimeoutError:
        raise RouteplanError("the cluster has no worker; start one with: dask worker ADDRESS") from None


def _settled(futures: list[Any]) -> list[Any]:
    """Those of the futures that are finished or have failed, after waiting a little for the first."""
    from distributed import wait

    try:
        return list(wait(futures, timeout=2.0, return_when="FIRST_COMPLETED").done)
    except TimeoutError:
        return []
    except Exception:  # some were cancelled: their status says which
        return [future for future in futures if future.status != "pending"]


def _failure(error: BaseException | None) -> RouteplanError:
    text = str(error) or type(error).__name__
    return RouteplanError(
        f"a worker could not compute its tile: {text.splitlines()[0]}; workers need the same version of routeplan as "
        "here, and memory for the area's rasters"
    )
