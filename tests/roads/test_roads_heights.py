"""Road heights: held against networks whose heights are known, and the rules that the fit must keep."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d, map_coordinates

from routeplan.roads import tags
from routeplan.roads.heights import GRADE_LIMIT, fit_heights, weighted_quantile
from routeplan.roads.network import Network, Ways, assemble

REAL = os.environ.get("ROUTEPLAN_REAL_AREA")


def way(highway: str = "tertiary", **more: str) -> tags.Attributes:
    return tags.attributes({"highway": highway} | {k.replace("_", ":"): v for k, v in more.items()})


def network_of(streets: list[tuple[int, int, np.ndarray, int]], nodes: np.ndarray, rows: list[Any]) -> Network:
    """Streets (start, end, (k, 2) points, row of ways or array of rows) between nodes (n, 2)."""
    counts = [len(points) for _, _, points, _ in streets]
    xy = np.concatenate([points for _, _, points, _ in streets]).astype(float)
    piece_way = np.concatenate([np.append(np.broadcast_to(r, len(p) - 1), -1) for _, _, p, r in streets])
    total, both = sum(counts), np.ones(len(streets), bool)
    return assemble(
        forward=both, backward=both, turns=[], node_id=np.arange(len(nodes)), node_x_m=nodes[:, 0].astype(float),
        node_y_m=nodes[:, 1].astype(float), node_signal=np.zeros(len(nodes), bool),
        street_start=np.array([s[0] for s in streets]), street_end=np.array([s[1] for s in streets]),
        street_way_id=np.arange(len(streets)), street_group=np.arange(len(streets), dtype=np.int32),
        point_first=np.concatenate([[0], np.cumsum(counts)]), point_x_m=xy[:, 0], point_y_m=xy[:, 1],
        point_height_m=np.full(total, np.nan), point_mark=np.zeros(total, np.uint8),
        point_delay_s=np.zeros(total, np.float32), piece_way=piece_way.astype(np.int32), ways=Ways.of(rows),
    )  # fmt: skip


def straight_road(length_m: float, rows: list[Any], row: Any = 0, step_m: float = 20.0) -> Network:
    x = np.linspace(0, length_m, round(length_m / step_m) + 1)
    points = np.column_stack([x, np.zeros(len(x))])
    return network_of([(0, 1, points, row)], points[[0, -1]], rows)


def lattice(size: int = 9, spacing_m: float = 500.0, seed: int = 1) -> Network:
    """A net of winding lanes."""
    random = np.random.default_rng(seed)
    nodes = np.stack(np.meshgrid(np.arange(size), np.arange(size)), -1).reshape(-1, 2) * spacing_m
    nodes = nodes + random.uniform(-80, 80, nodes.shape)
    streets = []
    for a in range(size * size):
        for b in (a + 1, a + size):
            if b < size * size and (b == a + size or b % size):
                t = np.linspace(0, 1, 26)[:, None]
                side = np.array([[nodes[a][1] - nodes[b][1], nodes[b][0] - nodes[a][0]]])
                bend = np.sin(np.pi * t) * random.uniform(-0.15, 0.15) + np.sin(2 * np.pi * t) * 0.05
                streets.append((a, b, nodes[a] + (nodes[b] - nodes[a]) * t + side * bend, 0))
    return network_of(streets, nodes, [way()])


class Noise:
    """Correlated errors of a raster of 30 m cells, read bilinearly as a raster is."""

    def __init__(self, sigma_m: float, correlation_m: float, seed: int, extent_m: float = 6000.0) -> None:
        from scipy.ndimage import gaussian_filter

        random = np.random.default_rng(seed)
        cells = int(2 * extent_m / 30)
        field = gaussian_filter(random.normal(size=(cells, cells)), correlation_m / 30 / np.sqrt(2), mode="wrap")
        self.field, self.extent_m = field / field.std() * sigma_m, extent_m

    def __call__(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        at = [(np.asarray(y) + self.extent_m) / 30, (np.asarray(x) + self.extent_m) / 30]
        return map_coordinates(self.field, at, order=1, mode="grid-wrap")


def ground(x: Any, y: Any) -> Any:
    """Hills of 120 m on which such lanes have grades up to about 12 %."""
    return 400 + 60 * np.sin(np.asarray(x) / 700) * np.cos(np.asarray(y) / 900) + 0.01 * np.asarray(x)


def climb_m(network: Network, height: np.ndarray) -> float:
    rise = np.diff(height)
    rise[network.point_first[1:-1] - 1] = 0
    return float(np.maximum(rise, 0).sum())


def test_known_network_under_noise() -> None:
    network = lattice()
    x, y = network.point_x_m, network.point_y_m
    true = ground(x, y)
    noise = Noise(1.2, 40, 3)(x, y)
    fit = fit_heights(network, true + noise)
    assert np.std(fit.height_m - true) < 0.8 * np.std(noise)
    assert climb_m(network, fit.height_m) == pytest.approx(climb_m(network, true), rel=0.06)
    assert fit.report.moved_m[0] < 2.0
    assert fit.report.unknown_points == 0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_climb_of_a_known_profile_within_6_percent(seed: int) -> None:
    """40 km with about 850 m of climb, raster errors of 1.2 m correlated over 40 m."""
    network = straight_road(40_000.0, [way("secondary")])
    x = network.point_x_m
    random = np.random.default_rng(seed)
    true = gaussian_filter1d(random.normal(size=len(x)), 25, mode="reflect")
    true *= 844 / climb_m(network, true)
    noise = gaussian_filter1d(random.normal(size=len(x)), 40 / 20 / np.sqrt(2))
    noise *= 1.2 / noise.std()
    raw = true + noise
    assert climb_m(network, raw) > 1.1 * 844
    fit = fit_heights(network, raw)
    assert climb_m(network, fit.height_m) == pytest.approx(844, rel=0.06)
    off = climb_m(network, fit.height_m) - 844
    assert abs(off) < 2.5 * fit.report.climb_uncertainty_m(40_000, 844)


def test_road_on_a_side_slope_read_beside_its_place() -> None:
    """A level road round spurs of a 60 % slope, the raster misplaced by 17 m: what makes raw grades absurd."""
    x = np.linspace(0, 6000, 301)
    y = 150 * np.sin(x / 250)
    points = np.column_stack([x, y])
    network = network_of([(0, 1, points, 0)], points[[0, -1]], [way("secondary")])
    true = 1000 + 0.04 * x
    off = gaussian_filter1d(np.random.default_rng(5).normal(size=len(x)), 3)
    raster = true + 0.6 * 17 * off / off.std()
    fit = fit_heights(network, raster, ground_slope=np.full(len(x), 0.6), raster_step_m=68.0)
    step = np.hypot(np.diff(x), np.diff(y))
    raw_90 = weighted_quantile(np.abs(np.diff(raster) / step), step, 0.9)
    assert raw_90 > 0.18
    assert fit.report.grade_90_before == pytest.approx(raw_90)
    assert fit.report.grade_90_after < 0.11
    assert np.sqrt(np.mean((fit.height_m - true) ** 2)) < 0.8 * np.sqrt(np.mean((raster - true) ** 2))


def test_climb_equals_descent_round_any_loop() -> None:
    network = lattice()
    fit = fit_heights(network, ground(network.point_x_m, network.point_y_m) + Noise(2, 40, 6)(
        network.point_x_m, network.point_y_m))  # fmt: skip
    ends = np.concatenate([network.point_first[:-1], network.point_first[1:] - 1])
    node = np.concatenate([network.street_start, network.street_end])
    order = np.argsort(node, kind="stable")
    same = node[order][1:] == node[order][:-1]
    assert (np.diff(fit.height_m[ends][order])[same] == 0).all()


def test_bridge_and_tunnel_chains_are_straight() -> None:
    """Two bridge ways and, farther on, two tunnel ways in a row: one line over the whole chain of each."""
    rows = [way(), way(bridge="yes"), way("tertiary", bridge="viaduct", surface="concrete"), way(tunnel="yes"),
            way("tertiary", tunnel="yes", lit="yes")]  # fmt: skip
    x = np.linspace(0, 6000, 301)
    middle = (x[:-1] + x[1:]) / 2
    row = np.select(
        [(middle > 1000) & (middle < 1200), (middle > 1200) & (middle < 1400), (middle > 3000) & (middle < 3500),
         (middle > 3500) & (middle < 4000)], [1, 2, 3, 4], 0,
    )  # fmt: skip
    true = 500 + 0.03 * x
    raster = true - 60 * np.exp(-(((x - 1200) / 90) ** 2)) + 150 * np.exp(-(((x - 3500) / 250) ** 2))
    network = straight_road(6000.0, rows, row)
    fit = fit_heights(network, raster)
    for begin, end in ((1000, 1400), (3000, 4000)):
        on = (x >= begin) & (x <= end)
        line = np.interp(x[on], [begin, end], fit.height_m[np.searchsorted(x, [begin, end])])
        assert fit.height_m[on] == pytest.approx(line, abs=1e-6)
        assert fit.height_m[on] == pytest.approx(true[on], abs=4.0)
    assert fit.report.structures == 2
    assert fit.report.structures_km == pytest.approx(1.4)


def test_bridge_that_forks_stays_level_with_its_ends() -> None:
    nodes = np.array([[0, 0], [200, 0], [300, 100], [300, -100]], float)
    streets = []
    for a, b in ((0, 1), (1, 2), (1, 3)):
        t = np.linspace(0, 1, 11)[:, None]
        streets.append((a, b, nodes[a] + (nodes[b] - nodes[a]) * t, 1))
    for a, far in ((0, [-400, 0]), (2, [700, 500]), (3, [700, -500])):
        t = np.linspace(0, 1, 21)[:, None]
        nodes = np.vstack([nodes, far])
        streets.append((a, len(nodes) - 1, nodes[a] + (nodes[-1] - nodes[a]) * t, 0))
    network = network_of(streets, nodes, [way(), way(bridge="yes")])
    raster = np.where((network.point_x_m > 10) & (network.point_x_m < 290), 60.0, 100.0)
    fit = fit_heights(network, raster)
    assert fit.height_m == pytest.approx(100.0, abs=0.5)


def test_ferry_takes_no_height_from_the_raster() -> None:
    rows = [way(), tags.attributes({"route": "ferry"})]
    network = straight_road(3000.0, rows, np.where(np.arange(150) // 50 == 1, 1, 0))
    x = network.point_x_m
    raster = np.where((x > 1000) & (x < 2000), 55.0, 5.0)
    fit = fit_heights(network, raster)
    assert fit.height_m == pytest.approx(5.0, abs=0.5)


def test_voids_are_bridged_by_the_road_and_counted() -> None:
    network = straight_road(6000.0, [way()])
    raster = 300 + 0.05 * network.point_x_m
    holed = raster.copy()
    holed[100:130] = np.nan
    fit = fit_heights(network, holed)
    assert fit.height_m == pytest.approx(raster, abs=1.5)
    assert fit.report.interpolated_points == 30


def test_roads_without_any_data_stay_unknown() -> None:
    x = np.linspace(0, 1000, 51)
    near, far = np.column_stack([x, 0 * x]), np.column_stack([x, 0 * x + 5000])
    nodes = np.array([near[0], near[-1], far[0], far[-1]])
    network = network_of([(0, 1, near, 0), (2, 3, far, 0)], nodes, [way()])
    raster = np.concatenate([np.full(51, 40.0), np.full(51, np.nan)])
    fit = fit_heights(network, raster)
    assert np.isfinite(fit.height_m[:51]).all()
    assert np.isnan(fit.height_m[51:]).all()
    assert fit.report.unknown_points == 51
    nothing = fit_heights(network, np.full(102, np.nan))
    assert np.isnan(nothing.height_m).all()


def test_incline_tags_are_heard() -> None:
    """A short ramp that the raster smooths away, tagged 20 %: the fit steepens it."""
    rows = [way("residential"), way("residential", incline="20%")]
    x = np.linspace(0, 1000, 51)
    middle = (x[:-1] + x[1:]) / 2
    row = ((middle > 450) & (middle < 550)).astype(int)
    true = np.interp(x, [0, 450, 550, 1000], [100, 100, 120, 120])
    raster = gaussian_filter1d(true, 4)
    steepest = {}
    for name, used in (("tagged", rows), ("untagged", [rows[0], rows[0]])):
        network = network_of([(0, 1, np.column_stack([x, 0 * x]), row)], np.array([[0, 0], [1000, 0]]), used)
        steepest[name] = np.abs(np.diff(fit_heights(network, raster).height_m) / 20).max()
    assert steepest["tagged"] > steepest["untagged"] + 0.005


def test_incline_words_forbid_the_other_way() -> None:
    rows = [way(), way(incline="up")]
    network = straight_road(2000.0, rows, np.where(np.arange(100) // 20 == 2, 1, 0))
    raster = 100 - 8 * np.exp(-(((network.point_x_m - 1000) / 120) ** 2)) + 0.002 * network.point_x_m
    free = fit_heights(straight_road(2000.0, [rows[0]]), raster).height_m
    told = fit_heights(network, raster).height_m
    assert np.diff(told[40:61]).min() > 0.7 * np.diff(free[40:61]).min()


@pytest.mark.parametrize("kind", ["secondary", "path"])
def test_a_truly_steep_way_is_not_flattened(kind: str) -> None:
    """A kilometre at 30 %: the end of the climb keeps its height within the raster's error."""
    network = straight_road(3000.0, [way(kind, bicycle="yes")])
    raster = np.interp(network.point_x_m, [0, 1000, 2000, 3000], [1000, 1000, 1300, 1300])
    fit = fit_heights(network, raster)
    assert np.abs(fit.height_m - raster)[[0, 75, 150]].max() < 12
    assert fit.height_m[-1] - fit.height_m[0] == pytest.approx(300, abs=15)


def test_results_repeat_and_the_input_is_left_alone() -> None:
    network = lattice(5)
    raster = ground(network.point_x_m, network.point_y_m)
    before = raster.copy()
    first, second = fit_heights(network, raster), fit_heights(network, raster)
    assert np.array_equal(first.height_m, second.height_m)
    assert first.report == second.report
    assert np.array_equal(raster, before)
    assert np.isnan(network.point_height_m).all()


def test_every_kind_of_road_has_its_grade() -> None:
    assert set(GRADE_LIMIT) == set(tags.KINDS)


@pytest.mark.skipif(REAL is None, reason="ROUTEPLAN_REAL_AREA names no folder with a real place")
def test_real_place_paved_roads_have_usual_grades() -> None:
    from routeplan.roads.reader import read_osm
    from routeplan.terrain import Extent, smooth
    from routeplan.terrain.tiles import read_tiles
    from routeplan.terrain.voids import fill_voids

    folder = Path(str(REAL))
    osm = read_osm(sorted(folder.glob("*.osm.pbf")))
    read = read_tiles(sorted(folder.glob("*.tif")), osm.projection, Extent(*osm.extent_m).grown(2000))
    grid = fill_voids(read.grid, inside=read.covered).grid
    x, y = osm.network.point_x_m, osm.network.point_y_m
    slope = grid.like(np.hypot(*np.gradient(smooth(grid, 60).values, grid.step_m))).sample(x, y)
    fit = fit_heights(osm.network, grid.sample(x, y), ground_slope=slope, raster_step_m=grid.step_m)
    assert fit.report.grade_90_before > 0.18
    assert 0.08 < fit.report.grade_90_after < 0.12
    assert fit.report.moved_m[1] < 12
