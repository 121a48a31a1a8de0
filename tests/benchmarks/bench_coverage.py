"""How long a coverage takes from nothing to its files, and how much memory.

    python tests/benchmarks/bench_coverage.py [CELLS] [STATIONS]

1,000 x 1,000 cells of 30 m (invented hills, woods and sea), three stations: losses of every cell, margins, chances of
stations and rule, GeoTIFFs, picture. Asked: under 20 s on two cores, under 1 GB. Slow is anything past that. Three
runs, the best counts; each in a process of its own, so that memory is that of one run. The second of each is with all
tiles there already.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np


def hills(cells: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Elevation, woods on a third of it, sea in the lowest tenth."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(1)
    shape = (cells, cells)
    layers = ((3, 20), (12, 60), (50, 150))
    elevation = 500 + sum(gaussian_filter(rng.standard_normal(shape), s) * s * m for s, m in layers)
    wood = gaussian_filter(rng.standard_normal(shape), 5) > 0.02
    zone = np.where(elevation < np.quantile(elevation, 0.1), 1, 4)
    return elevation.astype(np.float32), np.where(wood, 15, 0).astype(np.float32), zone.astype(np.uint8)


def one(cells: int, count: int) -> None:
    from routeplan.output.coverage_files import write_coverage
    from routeplan.plan import coverage, demo
    from routeplan.plan.ridefile import read_ride_text
    from routeplan.terrain.grid import Grid

    island = demo.area()
    half = (cells - 1) * 15.0
    place = (-half, half, 30.0)
    elevation, cover, zone = (Grid(values, *place) for values in hills(cells))
    area = replace(island, elevation=elevation, cover=cover, zone=zone)
    rng = np.random.default_rng(4)
    text = ""
    for k, (x, y) in enumerate(rng.uniform(-half * 0.97, half * 0.97, (count, 2))):
        latitude, longitude = area.projection.to_latlon(x, y)
        text += (
            f'[[station]]\nname = "QB{k}ST"\nposition = [{latitude}, {longitude}]\nkind = "vertical on the chimney"\n'
        )
    ride = read_ride_text(text)
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    with tempfile.TemporaryDirectory() as folder:
        for title in ("from nothing", "all tiles there"):
            begun, busy = time.perf_counter(), time.process_time()
            with coverage.cover(area, ride, tiles_folder=Path(folder) / "t", progress=lambda text: None) as covered:
                losses = time.perf_counter() - begun
                write_coverage(covered, Path(folder) / "out")
            took, busy = time.perf_counter() - begun, time.process_time() - busy
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{cells} x {cells} cells, {count} stations, {title}: {took:.1f} s (losses {losses:.1f}), "
                f"{busy:.1f} s of processor, peak {peak_mb:.0f} MB (before: {before_mb:.0f})",
                flush=True,
            )


if __name__ == "__main__":
    if sys.argv[1:2] == ["one"]:
        one(int(sys.argv[2]), int(sys.argv[3]))
    else:
        cells, count = [*sys.argv[1:], "1000", "3"][:2] if len(sys.argv) != 2 else (sys.argv[1], "3")
        for _ in range(3):
            subprocess.run([sys.executable, __file__, "one", str(cells), str(count)], check=True)
