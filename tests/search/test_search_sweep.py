"""The sweep over the whole ball against a twin in plain Python, label by label in the same order."""

from __future__ import annotations

import numpy as np
import pytest
from every_loop import road_like

from routeplan.search import engine, kernels
from routeplan.search.ball import make_ball


def swept(ball, objective, step_m, only=None):
    """(edges of the best loop, its value): one label for each (edge just ridden, length bucket)."""
    net, rules = ball.net, objective.rules()
    follow = np.split(np.arange(net.turn_edge.size), net.turn_first[1:-1])
    begin = net.out_edge[net.out_first[net.start] : net.out_first[net.start + 1]]
    labels: dict[tuple[int, int], dict] = {}
    waiting: dict[int, list[tuple[int, int]]] = {}

    def clock(edge, t):
        if net.clock_sum.size == 1:
            return 0.0
        cells = net.clock_begin + net.clock_step * np.arange(net.clock_sum.size)
        d = max(net.time[edge], 1e-6)
        to, since = np.interp([t + d, t], cells, net.clock_sum)
        return net.clock_gain[edge] * (to - since) / d

    def offer(chain, value, length, time, repeated, edge, turn):
        street = net.street[edge]
        longer = length + net.length[edge]
        fits = ball.out_m[net.tail[edge]] + net.length[edge] + ball.back_m[net.head[edge]] <= objective.longest_m
        if not fits or longer + ball.back_m[net.head[edge]] > objective.longest_m:
            return
        if edge in chain or (only is not None and not only[edge]):
            return
        ridden = {int(net.street[e]) for e in chain}
        value = value + turn + clock(edge, time)
        if street in ridden:
            repeated += net.length[edge]
            if not rules.repeats or repeated > rules.repeat_m:
                return
            value += objective.again[edge]
        else:
            value += objective.gain[edge]
            beside = net.near_street[net.near_first[street] : net.near_first[street + 1]].tolist()
            if rules.near_gain and ridden & set(beside):
                value += rules.near_gain * net.length[edge]
        key = (int(edge), int(longer / step_m))
        old = labels.get(key)
        if old is not None and (old["settled"] or value <= old["value"]):
            return
        labels[key] = {"chain": [*chain, int(edge)], "value": value, "length": longer, "time": time + net.time[edge],
                       "repeated": repeated, "settled": False}  # fmt: skip
        if old is None:
            waiting.setdefault(key[1], []).append(key)

    for edge in begin:
        offer([], 0.0, 0.0, 0.0, 0.0, edge, 0.0)
    best, most = [], -np.inf
    while waiting:
        bucket = min(waiting)
        key = waiting[bucket].pop()
        if not waiting[bucket]:
            del waiting[bucket]
        label = labels[key]
        label["settled"] = True
        if net.head[key[0]] == net.start and objective.shortest_m <= label["length"] <= objective.longest_m:
            total = label["value"] + rules.pull * abs(label["length"] - rules.target)
            if total > most:
                best, most = label["chain"], total
        for turn in follow[key[0]]:
            offer(label["chain"], label["value"], label["length"], label["time"], label["repeated"],
                  net.turn_edge[turn], net.turn_gain[turn])  # fmt: skip
    return best, most


@pytest.mark.parametrize("kind", ["plain", "repeats", "clock", "near", "some streets"])
def test_twin_of_the_sweep(kind):
    network = road_like(150, 4)
    edges = network.tail.size
    gain = network.chance * network.length_m - 0.3 * network.length_m
    more = {}
    if kind == "clock":
        more = {"time_s": network.time_s, "clock_gain": network.time_s, "clock": (600.0, 60.0, np.ones(20))}
    if kind == "near":
        more = {"near": np.random.default_rng(0).integers(0, network.street.max() + 1, (150, 2))}
    start = int(network.starts(1, seed=2)[0])
    ball, cut = make_ball(
        network.tail, network.head, network.length_m, start, 8e3, 9e3, street=network.street,
        may_repeat=kind == "repeats", per_edge={"gain": gain}, **more,
    )  # fmt: skip
    again = -0.2 * ball.net.length
    objective = engine.Objective(
        ball.summed(cut["gain"]), again, 8e3, 9e3, -0.4 if kind == "near" else 0.0, 8.5e3, -0.1,
        kind == "repeats", 1500.0,
    )  # fmt: skip
    only = np.isin(ball.net.street, np.flatnonzero(np.arange(edges) % 29)) if kind == "some streets" else None
    expected, value = swept(ball, objective, 200.0, only)
    walks, _ = engine.whole(ball, objective, 200.0, only=only)
    assert len(expected) > kernels.ROW
    assert walks[0].tolist() == expected
    if kind == "plain":
        joined = objective.gain[expected].sum() - 0.1 * abs(ball.net.length[expected].sum() - 8.5e3)
        assert joined == pytest.approx(value, rel=1e-12)


def test_the_closings_of_one_sweep_are_loops_best_first():
    network = road_like(150, 4)
    start = int(network.starts(1, seed=2)[0])
    ball, cut = make_ball(
        network.tail, network.head, network.length_m, start, 6e3, 8e3, street=network.street,
        per_edge={"gain": network.chance * network.length_m},
    )  # fmt: skip
    objective = engine.Objective(ball.summed(cut["gain"]), np.zeros(ball.net.tail.size), 6e3, 8e3)
    walks, _ = engine.whole(ball, objective, 200.0, most=8)
    net = ball.net
    assert 1 < len(walks) <= 8
    for walk in walks:
        assert net.tail[walk[0]] == net.start == net.head[walk[-1]]
        assert (net.head[walk[:-1]] == net.tail[walk[1:]]).all()
        assert len(set(net.street[walk].tolist())) == walk.size
        assert 6e3 <= net.length[walk].sum() <= 8e3
    gains = [objective.gain[walk].sum() for walk in walks]
    assert gains == sorted(gains, reverse=True)
