"""How long an area takes to make and to load, and the height fit alone.

    python tests/benchmarks/bench_area.py [FOLDER]

FOLDER holds one *.osm.pbf and one *.tif (default: the demo's, or what ROUTEPLAN_REAL_AREA names). Each figure is
the best of three; the ratios mean something on any machine. Measured on two cores (a mountain area of 34 x 29 km,
6700 junctions, 1870 km with all paths and tracks; raster of 870 x 850 cells): make 5.1 s and 410 MB, of that the
roads 2 s and the fit 2 s; load 0.035 s from the cache and 0.2 s from the files. Slow would be: make above 6 times
the reading of the roads, a load above a tenth of the making, a fit above 3 s per 1000 km.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any


def best_of_three(run: Callable[[], Any]) -> tuple[float, Any]:
    """Shortest time [s] of three, and the last result."""
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        result = run()
        times.append(time.perf_counter() - begin)
    return min(times), result


def main() -> None:
    import numpy as np

    from routeplan.plan import area as areas
    from routeplan.roads.heights import fit_heights
    from routeplan.roads.reader import read_osm
    from routeplan.terrain import smooth

    default = os.environ.get("ROUTEPLAN_REAL_AREA") or Path(__file__).parents[2] / "demo_area"
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else default)
    roads, terrain = sorted(folder.glob("*.osm.pbf")), sorted(folder.glob("*.tif"))
    with tempfile.TemporaryDirectory() as made:
        areas._cache_folder = lambda: Path(made) / "cache"
        begin = time.perf_counter()
        make = partial(areas.make_area, Path(made) / "area", roads=roads, terrain=terrain, replace=True)
        area = make()
        first_s = time.perf_counter() - begin
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        make_s, _ = best_of_three(make)
        read_s, _ = best_of_three(lambda: read_osm(roads))
        load_s, _ = best_of_three(lambda: areas.load_area(Path(made) / "area"))
        files_s, _ = best_of_three(lambda: areas._read_files(area.folder, area.manifest))
        network, grid = area.network, area.elevation
        raster = grid.sample(network.point_x_m, network.point_y_m)
        slope = grid.like(np.hypot(*np.gradient(smooth(grid, 60).values, grid.step_m)))
        at_roads = slope.sample(network.point_x_m, network.point_y_m)
        fit_s, fit = best_of_three(
            lambda: fit_heights(network, raster, ground_slope=at_roads, raster_step_m=grid.step_m)
        )
    km = network.street_length_m.sum() / 1000
    print(f"{folder.name}: {km:.0f} km, {network.street_count} streets, {grid.values.size} cells")
    print(f"make             {make_s:6.2f} s   ({first_s:.2f} s the first time, {peak_mb:.0f} MB at most)")
    print(f"make / roads     {make_s / read_s:6.2f}     (reading the roads alone: {read_s:.2f} s)")
    print(f"load             {load_s:6.3f} s   ({files_s:.3f} s without the cache)")
    print(f"make / load      {make_s / load_s:6.0f}")
    print(f"height fit       {fit_s:6.2f} s   {fit.report.rounds} rounds, {1000 * fit_s / km:.2f} s per 1000 km")


if __name__ == "__main__":
    main()
