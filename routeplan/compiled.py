"""The one compile policy for numba kernels, and the one way to run them on several threads.

Kernels are compiled without fast-math (NaN means "no data" and must survive) and without numba's own
parallel loops: each thread runs the plain kernel on its own slice of the items, so that results are
equal to the last bit for any number of threads.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import platformdirs


def _prepare_cache() -> bool:
    """Point numba at the user's cache folder; where that cannot be written say so and return False."""
    folder = Path(
        os.environ.setdefault("NUMBA_CACHE_DIR", str(platformdirs.user_cache_path("routeplan") / "kernels"))
    )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        print(f"routeplan: {folder} cannot be written; kernels are compiled anew each time", file=sys.stderr)
        return False


_CACHE = _prepare_cache()


def kernel(function: Callable[..., Any]) -> Any:
    """Compile `function` at its first call: cached on disk, without the interpreter lock, no fast-math."""
    import numba

    return numba.njit(cache=_CACHE, nogil=True)(function)


def all_to_compile() -> bool:
    """Whether no kernel is compiled yet for this user: the first run takes longer, and should say so."""
    return not any(Path(os.environ["NUMBA_CACHE_DIR"]).rglob("*.nbi"))


def in_slices(run: Callable[[int, int], None], count: int, threads: int | None = None) -> None:
    """Call `run(first, past_last)` on slices that together cover range(count), on `threads` threads.

    threads : None takes every core this process may use. Slices are disjoint; `run` writes only its own.
    """
    if threads is None:
        threads = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    if threads == 1 or count < 2:
        run(0, count)
        return
    step = max(1, -(-count // (threads * 8)))
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(run, i, min(i + step, count)) for i in range(0, count, step)]:
            done.result()
