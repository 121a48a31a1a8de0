"""The benchmark's other method, and the best known loops it wrote down."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "benchmarks"))
from other_method import best_among, checked_gain, find_loop, known_loops, raise_known, within_reach
from road_like import road_like

from routeplan.search import best_loops


@pytest.mark.parametrize("seed", [1, 2, 4, 7])
def test_property_the_other_method_and_best_loops_agree_on_small_networks(seed):
    net = road_like(60, seed)
    gain = (np.random.default_rng(seed).random(net.street.max() + 1) ** 2)[net.street] * net.length_m
    start = int(net.starts(1)[0])
    window = (4000.0, 5000.0)
    ours = best_loops(net.tail, net.head, net.length_m, gain, start, *window, street=net.street, budget=1_000_000)
    task = within_reach(net.x_m, net.y_m, net.tail, net.head, net.length_m, gain, net.street, start, *window)
    edges = task.name[find_loop(task, 20.0)]
    got = checked_gain(edges, net.tail, net.head, net.length_m, gain, net.street, start, *window)
    assert got == pytest.approx(ours.loops[0].gain, rel=1e-6)


def test_property_a_region_is_mended_without_leaving_the_rules():
    net = road_like(400, 4)
    gain = net.chance * net.length_m
    start = int(net.starts(1)[0])
    rules = (net.tail, net.head, net.length_m, gain, net.street, start, 9000.0, 11000.0)
    task = within_reach(net.x_m, net.y_m, *rules)
    loop = best_loops(*rules[:4], start, 9000.0, 11000.0, street=net.street, budget=20_000).loops[0].edges
    at = {int(e): k for k, e in enumerate(task.name)}
    loop = [at[int(e)] for e in loop]
    for k in range(0, len(loop), max(1, len(loop) // 4)):
        away = np.hypot(task.x_m[task.tail] - task.x_m[task.tail[loop[k]]],
                        task.y_m[task.tail] - task.y_m[task.tail[loop[k]]])  # fmt: skip
        free = np.zeros(task.street.max() + 1, bool)
        free[task.street[away < 800.0]] = True
        better, proven = best_among(task, free, loop, time.process_time() + 5.0)
        assert proven
        if better is not None:
            assert checked_gain(task.name[better], *rules) > checked_gain(task.name[loop], *rules)
            loop = better


def test_property_the_checker_names_what_is_wrong():
    tail, head, length, street = [0, 1, 1, 2, 2, 0], [1, 0, 2, 1, 0, 2], [100.0] * 6, [0, 0, 1, 1, 2, 2]
    rules = (tail, head, length, length, street, 0)
    assert checked_gain([0, 2, 4], *rules, 250, 350) == 300
    for edges, window, fault in [
        ([0, 2], (0, 400), "begin and end"), ([0, 4], (0, 400), "follow"), ([0, 1], (0, 400), "twice"),
        ([0, 2, 4], (310, 400), "window"), ([], (0, 400), "begin and end"),
    ]:  # fmt: skip
        with pytest.raises(ValueError, match=fault):
            checked_gain(edges, *rules, *window)


def test_property_known_values_only_ever_rise(tmp_path):
    path = tmp_path / "known.json"
    assert raise_known(7, 100.0, "sweep", 1.0, [1, 2], path)
    assert raise_known(7, 90.0, "other method", 5.0, [1, 3], path)
    assert not raise_known(7, 89.0, "other method", 6.0, [1, 4], path)
    assert not raise_known(7, 100.0, "sweep", 9.0, [1, 4], path)
    entry = known_loops(path)["7"]
    assert (entry["best"]["gain"], entry["best"]["by"]) == (100.0, "sweep")
    assert (entry["other"]["gain"], entry["other"]["edges"]) == (90.0, [1, 3])
    assert raise_known(7, 101.0, "other method", 600.0, [5], path)
    assert known_loops(path)["7"]["best"] == known_loops(path)["7"]["other"]
    assert json.loads(path.read_text())["network"]["junctions"] == 30_000
