"""How fast losses are, and how much they hang on the step of the profile.

    python tests/benchmarks/bench_radio_loss.py [speed] [map] [step] [step30]

speed  links a second on invented hills of 1,000 x 1,000 cells, against what sampling the same elevation and
       cover profiles alone costs (asked: at most 6 times; 250,000 links a second on two cores at 380 points),
       and twice the points (asked: twice the time, not more)
map    1,000 x 1,000 cells of 30 m for three stations (asked: under 20 s on two cores, 1 GB)
step   a real place, from the folder named by ROUTEPLAN_REAL_AREA (one .osm.pbf, one .tif): how far a loss
       moves when the profile's step is halved (asked: under 1 dB in 95 % of links); step30: on cells of 30 m

Best of three, in processor time of all threads together, which other programs disturb least: a machine with two
free cores does twice the links a second that are printed. Slow is anything past the asked figures.
"""

from __future__ import annotations

import math
import os
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from routeplan.radio import batch, p1812

CELLS, STEP_M = 1000, 30.0
LINK = {"frequency_hz": 145e6, "latitude_deg": 45.0, "rx_height_m": 1.5}
GRID = {"west_m": 0.0, "north_m": 0.0, "step_m": STEP_M}


def hills() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Elevation (rough on every scale, 450 m from valley to top), woods on 37 % of it, sea in the lowest."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(1)
    shape = (CELLS, CELLS)
    layers = ((3, 20), (12, 60), (50, 150))
    elevation = 500 + sum(gaussian_filter(rng.standard_normal(shape), s) * s * m for s, m in layers)
    wood = gaussian_filter(rng.standard_normal(shape), 5) > 0.02
    zone = np.where(elevation < np.quantile(elevation, 0.1), 1, 4)
    return elevation.astype(np.float32), np.where(wood, 15, 0).astype(np.float32), zone.astype(np.uint8)


def best_s(run: Callable[[], object], times: int = 3) -> float:
    """Processor time of all threads together [s]."""
    took = []
    for _ in range(times):
        begun = time.process_time()
        run()
        took.append(time.process_time() - begun)
    return min(took)


def sampling_alone() -> Callable[..., None]:
    """The same profiles of elevation and cover, only added up."""
    from routeplan.compiled import kernel
    from routeplan.radio import kernels

    bilinear, cell = kernels.bilinear, kernels.cell

    def sample(first, past, raster, tx_x, tx_y, rx_x, rx_y, out):
        step = raster.step_m
        c0, r0 = tx_x / step, -tx_y / step
        for link in range(first, past):
            n = max(16, math.ceil(math.hypot(rx_x[link] - tx_x, rx_y[link] - tx_y) / step))
            dc, dr = (rx_x[link] / step - c0) / n, (-rx_y[link] / step - r0) / n
            total = 0.0
            for i in range(n + 1):
                total += bilinear(raster, c0 + dc * i, r0 + dr * i)
                total += raster.cover[cell(raster, c0 + dc * i, r0 + dr * i)]
            out[link] = total

    return kernel(sample)


def speed() -> None:
    from routeplan.compiled import in_slices

    elevation, cover, zone = hills()
    rng = np.random.default_rng(2)
    m, width = 40_000, (CELLS - 1) * STEP_M
    x, y = rng.uniform(0, width, m), -rng.uniform(0, width, m)
    by_bearing = np.argsort(np.arctan2(y + width / 2, x - width / 2))  # as `losses_db` does it
    x, y = x[by_bearing], y[by_bearing]
    tx = {"tx_x_m": width / 2, "tx_y_m": -width / 2, "tx_height_m": 10.0}
    points = np.hypot(x - width / 2, y + width / 2).mean() / STEP_M
    raster = batch._raster(elevation, cover, zone, 0.0, 0.0, STEP_M, STEP_M)
    sample, out = sampling_alone(), np.empty(m)

    def only_sample(threads: int | None) -> None:
        in_slices(lambda i, j: sample(i, j, raster, tx["tx_x_m"], tx["tx_y_m"], x, y, out), m, threads)

    only_sample(1)
    print(f"{m} links, {points:.0f} points each on average")
    for threads in (1, None):
        base = best_s(lambda: only_sample(threads))  # noqa: B023
        print(f"threads {threads or 'all'}: sampling alone {base / m / points * 1e9:.1f} ns a point")
        for name, args, more in (
            ("bare", (elevation, None, None), {}),
            ("cover", (elevation, cover, None), {}),
            ("cover and sea", (elevation, cover, zone), {}),
            ("cover, 200 m mast", (elevation, cover, None), {"tx_height_m": 200.0}),
            ("cover, 10 % of the time", (elevation, cover, None), {"time_percent": 10.0}),
            ("cover, twice the points", (elevation, cover, None), {"spacing_m": STEP_M / 2}),
        ):

            def run() -> None:
                batch.losses_db(*args, **(GRID | LINK | tx | more), rx_x_m=x, rx_y_m=y, threads=threads)  # noqa: B023

            run()
            took = best_s(run)
            per_380 = m / took * points / 380
            print(f"  {name:24} {took / base:4.2f} x sampling, {per_380:8.0f} links/s and core at 380 points")


def whole_map() -> None:
    elevation, cover, zone = hills()
    stations = ((500.0, -500.0, 10.0), (15_000.0, -15_000.0, 12.0), (29_000.0, -8000.0, 20.0))
    batch.loss_map_db(elevation, cover, zone, **GRID, **LINK, tx_x_m=0.0, tx_y_m=0.0, tx_height_m=9.0, every=99)
    begun, busy = time.perf_counter(), time.process_time()
    for x, y, height in stations:
        loss = batch.loss_map_db(elevation, cover, zone, **GRID, **LINK, tx_x_m=x, tx_y_m=y, tx_height_m=height)
        print(f"station at {x:.0f}, {y:.0f}: median {np.nanmedian(loss):.1f} dB")
    took, busy = time.perf_counter() - begun, time.process_time() - busy
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"three maps of {CELLS} x {CELLS} cells: {took:.1f} s on the wall, {busy:.1f} s of processor, "
        f"peak memory {peak_mb:.0f} MB"
    )


def real_links(folder: Path, step_m: float | None) -> tuple[dict, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Grid, elevation, invented cover cleared along the roads, and points on the roads of a real place."""
    import osmium
    from scipy.ndimage import gaussian_filter

    from routeplan.geo import Projection
    from routeplan.terrain.cover import along, clear_corridor
    from routeplan.terrain.tiles import read_tiles
    from routeplan.terrain.voids import fill_voids

    lat, lon, starts = [], [], []
    wanted = osmium.filter.KeyFilter("highway")
    for way in osmium.FileProcessor(next(folder.glob("*.osm.pbf"))).with_locations().with_filter(wanted):
        if way.is_way():
            starts.append(len(lat))
            lat += [node.lat for node in way.nodes if node.location.valid()]
            lon += [node.lon for node in way.nodes if node.location.valid()]
    projection = Projection(float(np.mean(lat)), float(np.mean(lon)))
    x, y = map(np.asarray, projection.to_xy(lat, lon))
    grid = fill_voids(read_tiles([next(folder.glob("*.tif"))], projection, step_m=step_m).grid).grid
    field = gaussian_filter(np.random.default_rng(7).standard_normal(grid.values.shape), 300 / grid.step_m)
    cover = np.where(field > np.quantile(field, 0.6), 15, 0)
    cover = np.where(field < np.quantile(field, 0.1), 10, cover).astype(np.float32)
    begins = np.setdiff1d(np.arange(len(x) - 1), np.array(starts[1:]) - 1)
    cover = clear_corridor(cover, grid, *along(x, y, begins, begins + 1))
    inside = np.flatnonzero(grid.contains(x, y))
    placed = {"west_m": grid.west_m, "north_m": grid.north_m, "step_m": grid.step_m}
    return placed, grid.values, cover, x[inside], y[inside]


def step(step_m: float | None = None) -> None:
    name = os.environ.get("ROUTEPLAN_REAL_AREA")
    if not name:
        print("step: set ROUTEPLAN_REAL_AREA to a folder with one .osm.pbf and one .tif")
        return
    placed, elevation, cover, x, y = real_links(Path(name), step_m)
    rng = np.random.default_rng(3)
    print(f"cells of {placed['step_m']:.0f} m, {len(x)} road points; cover on {np.mean(cover > 0):.0%} of the cells")
    stations = rng.choice(len(x), 12, replace=False)
    for frequency_hz in (70.2e6, 145e6, 433e6):
        for title, woods in (("bare", None), ("with cover", cover)):
            moved, wall = [], []
            for k in stations:
                to = rng.choice(len(x), 800, replace=False)
                to = to[np.hypot(x[to] - x[k], y[to] - y[k]) > 300]
                args = dict(
                    tx_x_m=x[k], tx_y_m=y[k], tx_height_m=10.0, rx_x_m=x[to], rx_y_m=y[to], rx_height_m=1.5,
                    frequency_hz=frequency_hz, latitude_deg=42.5, **placed,
                )  # fmt: skip
                whole, half = (
                    batch.losses_db(elevation, woods, None, **args, spacing_m=placed["step_m"] / part)
                    for part in (1, 2)
                )
                moved.append(half - whole)
                if woods is not None:
                    wall.append(
                        wall_moves_db(placed, elevation, woods, (x[k], y[k]), x[to[:60]], y[to[:60]], frequency_hz)
                    )
            report(f"{frequency_hz / 1e6:5.1f} MHz {title}", np.concatenate(moved))
            if wall:
                report(f"{frequency_hz / 1e6:5.1f} MHz cover as walls", np.concatenate(wall))


def wall_moves_db(placed, elevation, cover, tx, rx_x, rx_y, frequency_hz) -> np.ndarray:
    """The same with P.1812 alone, where cover next to an antenna is a wall at the next profile point."""
    from routeplan.terrain.grid import Grid

    ground, woods = (Grid(v, **placed) for v in (elevation, cover))
    out = []
    for x, y in zip(rx_x, rx_y):
        D = np.hypot(x - tx[0], y - tx[1])
        loss = []
        for part in (1, 2):
            share = np.linspace(0, 1, batch.intervals(D, placed["step_m"] / part) + 1)
            at = tx[0] + (x - tx[0]) * share, tx[1] + (y - tx[1]) * share
            loss.append(
                p1812.basic_loss_db(
                    D * share,
                    ground.sample(*at),
                    woods.nearest(*at),
                    np.full(len(share), 4),
                    frequency_hz=frequency_hz,
                    tx_height_m=10.0,
                    rx_height_m=1.5,
                    latitude_deg=42.5,
                )
            )
        out.append(loss[1] - loss[0])
    return np.array(out)


def report(title: str, moved: np.ndarray) -> None:
    moved = moved[np.isfinite(moved)]
    quantiles = np.quantile(np.abs(moved), [0.5, 0.9, 0.95, 0.99])
    print(
        f"{title:28} {len(moved):6} links, half the step moves {np.mean(np.abs(moved) < 1):.1%} by less than 1 dB;"
        f" mean {moved.mean():+.2f}, 50/90/95/99 %: {' '.join(f'{q:.2f}' for q in quantiles)} dB"
    )


if __name__ == "__main__":
    for part in sys.argv[1:] or ("speed", "map", "step"):
        {"speed": speed, "map": whole_map, "step": step, "step30": lambda: step(30.0)}[part]()
