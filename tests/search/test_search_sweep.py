"""The sweep over the whole ball against a twin in plain Python, label by label in the same order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from every_loop import road_like

from routeplan.search import engine, kernels
from routeplan.search.ball import make_ball, only_on, turned


def swept(ball, objective, step_m):
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
        if edge in chain:
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


@pytest.mark.parametrize("kind", ["plain", "repeats", "clock", "near"])
def test_twin_of_the_sweep(kind):
    network = road_like(150, 4)
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
    expected, value = swept(ball, objective, 200.0)
    walks, _ = engine.whole(ball, objective, 200.0)
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


def test_a_turned_ball_gives_a_walk_from_its_end_the_same_worth():
    network = road_like(150, 4)
    random = np.random.default_rng(3)
    start = int(network.starts(1, seed=2)[0])
    turns = np.stack([random.integers(0, network.tail.size, 4000) for _ in range(2)], 1)
    ball, cut = make_ball(
        network.tail, network.head, network.length_m, start, 6e3, 8e3, street=network.street,
        turns=turns, turn_gain=random.normal(0, 50, 4000), time_s=network.time_s, clock_gain=network.time_s,
        clock=(300.0, 60.0, random.random(15)), per_edge={"gain": network.chance * network.length_m},
    )  # fmt: skip
    objective = engine.Objective(ball.summed(cut["gain"]), np.zeros(ball.net.tail.size), 6e3, 8e3)
    work = engine.Space(ball).work(0)
    walks, _ = engine.whole(ball, objective, 200.0, most=8)
    values = []
    for walk in walks:
        there = kernels.measure(ball.net, objective.gain, objective.again, objective.rules(), walk, walk.size, work)
        back = turned(ball, there[3])
        end_first = walk[::-1].copy()
        again = kernels.measure(
            back.net, objective.gain, objective.again, objective.rules(), end_first, walk.size, work
        )
        assert again == pytest.approx(there, rel=1e-9)
        assert there[4] == 0
        values.append(there[0] - objective.gain[walk].sum())
    assert np.ptp(values) > 1.0  # turns and clock count

    found, _ = engine.whole(turned(ball, 1800.0), objective, 200.0, worth_per_m=0.5)
    net, loop = ball.net, found[0][::-1]
    assert (net.head[loop[:-1]] == net.tail[loop[1:]]).all()
    assert net.tail[loop[0]] == net.start == net.head[loop[-1]]


def both_ways_of(may_repeat):
    """(network's ball, turned ball, objective, space, loops) of sweeps in three buckets."""
    network = road_like(150, 4)
    start = int(network.starts(1, seed=2)[0])
    ball, cut = make_ball(
        network.tail, network.head, network.length_m, start, 6e3, 8e3, street=network.street, may_repeat=may_repeat,
        time_s=network.time_s, per_edge={"gain": network.chance * network.length_m - 0.3 * network.length_m},
    )  # fmt: skip
    again = -0.5 * ball.net.length
    objective = engine.Objective(
        ball.summed(cut["gain"]), again, 6e3, 8e3, 0.0, 7e3, -0.1, may_repeat, 1000.0 if may_repeat else 0.0
    )
    back, space = turned(ball, 1800.0), engine.Space(ball)
    walks, _ = engine.both_ways(
        (ball, back), objective, (80.0, 40.0, 20.0), first=1, worth_per_m=0.4, slack=500.0,
        aside=engine.Aside(ball.net.length), band_width=50.0, most=4, space=space, chain=0,
    )  # fmt: skip
    return ball, back, objective, space, walks


@pytest.mark.parametrize("may_repeat", [False, True])
def test_sweeps_from_both_ends_give_loops_of_the_rules(may_repeat):
    ball, back, objective, space, walks = both_ways_of(may_repeat)
    rules = objective.rules()
    values = []
    for walk in walks:
        value, length, repeated, _, faults = kernels.measure(
            ball.net, objective.gain, objective.again, rules, walk, walk.size, space.work(0))  # fmt: skip
        assert faults == 0
        assert 6e3 <= length <= 8e3
        assert repeated <= objective.repeat_m
        values.append(value)
    assert len({walk.tobytes() for walk in walks}) > 12  # more than the sweeps' own closings
    alone, _ = engine.whole(back, objective, 400.0, worth_per_m=0.4)
    first = alone[0][::-1].copy()
    assert max(values) >= kernels.measure(
        ball.net, objective.gain, objective.again, rules, first, first.size, space.work(0))[0]  # fmt: skip


def test_labels_of_two_sweeps_meet_at_their_best():
    ball, back, objective, space, _ = both_ways_of(False)
    for chain, side in ((0, ball), (2, back)):
        engine.whole(side, objective, 300.0, space=space, chain=chain)
    fore, aft = space.wides[0], space.wides[2]
    net = ball.net
    total, mate = np.full(fore.used[0], -np.inf), np.empty(fore.used[0], np.int32)
    ends = np.empty((4, net.tail.size), np.int64)
    kernels.meet(net, objective.gain, objective.rules(), 0.0, 2e3, np.inf, fore, aft, ends, total, mate)
    used = aft.used[0]
    edge_of_aft = aft.label_link[:used, 1].copy()
    guide = np.full((net.tail.size, 52), -np.inf, np.float32)
    labels = edge_of_aft, aft.label_length[:used], aft.label_value[:used]
    kernels.guide_home(net, objective.gain, *labels, 8e3 / 50, 2e3, guide)
    fitting = met = 0
    for k in np.random.default_rng(1).integers(0, fore.used[0], 400):
        e = fore.label_link[k, 1]
        m = np.flatnonzero(edge_of_aft == e)
        length = fore.label_length[k] + aft.label_length[m] - net.length[e]
        value = fore.label_value[k] + aft.label_value[m] - objective.gain[e] - 0.1 * abs(length - 7e3)
        inside = (length >= 6e3) & (length <= 8e3)
        put_together = int((fore.label_length[k] - net.length[e]) / 2e3) < int(fore.label_length[k] / 2e3)
        best = pytest.approx(value[inside].max(), rel=1e-9) if inside.any() and put_together else -np.inf
        assert total[k] == best
        met += put_together and inside.any()
        if inside.any():
            fitting += 1
            home = guide[e, int((8e3 - fore.label_length[k]) / (8e3 / 50))]
            assert home >= np.float32((aft.label_value[m] - objective.gain[e])[inside].max()) * (1 - 1e-6) - 1e-3
    assert fitting > 50
    assert met > 20


def test_labels_kept_come_to_the_costs_of_their_chains_by_other_weights():
    network = road_like(150, 4)
    start = int(network.starts(1, seed=2)[0])
    costs = {"effort": network.effort_j, "loss": (1.0 - network.chance) * network.time_s}
    ball, cut = make_ball(
        network.tail, network.head, network.length_m, start, 6e3, 8e3, street=network.street, time_s=network.time_s,
        per_edge=costs,
    )  # fmt: skip
    effort, loss = (ball.summed(cut[name]) for name in costs)
    weights = np.array([0.002, 1.0])
    zero = np.zeros(loss.size)
    objective = engine.Objective(-(weights[0] * effort + weights[1] * loss), zero, 6e3, 8e3)
    back, space = turned(ball, 1800.0), engine.Space(ball)

    def loops(objective, weights, known=(), before=()):
        return engine.both_ways(
            (ball, back), objective, (20.0, 10.0), first=0, worth_per_m=-0.2, slack=20.0, aside=engine.Aside(effort),
            band_width=1e3, most=4, space=space, chain=0, known=known, weights=weights, before=before,
        )[0]  # fmt: skip

    loops(objective, weights)
    other, walk = np.array([0.006, 0.4]), np.empty(engine.LONGEST_WALK, np.int32)
    sides = space.labels(0, weights, -0.2)
    for labels, work in zip(sides, (space.wides[0], space.wides[engine.CHAINS]), strict=True):
        value = labels.value(other, 0.05)
        for k in np.random.default_rng(3).integers(0, labels.edge.size, 50).tolist():
            edges = walk[: kernels.chain(k, work, walk)]
            assert labels.edge[k] == edges[-1]
            worth = 0.05 * ball.net.length[edges].sum()
            expected = -(other[0] * effort[edges].sum() + other[1] * loss[edges].sum() + worth)
            assert value[k] == pytest.approx(expected, rel=1e-4)

    asked = engine.Objective(-(other[0] * effort + other[1] * loss), zero, 6e3, 8e3)
    alone = max(loops(asked, other), key=lambda w: asked.gain[w].sum())
    looked = int(space.wides[0].used[0])
    guided = loops(asked, other, [alone], sides[1:])
    assert max(asked.gain[w].sum() for w in guided) >= asked.gain[alone].sum() - 20.0  # within the slack
    assert 0 < space.wides[0].used[0] < 0.8 * looked


def loops_on(ball, objective, edges):
    """Every loop of the rules on some edges, no street ridden twice, depth first."""
    net, found = ball.net, []
    allowed = np.isin(np.arange(net.tail.size), edges)

    def go_on(chain, length):
        last = chain[-1]
        if net.head[last] == net.start and length >= objective.shortest_m:
            found.append(np.array(chain, np.int32))
        ridden = {int(net.street[e]) for e in chain}
        for f in net.turn_edge[net.turn_first[last] : net.turn_first[last + 1]].tolist():
            longer = length + net.length[f]
            fits = longer + ball.back_m[net.head[f]] <= objective.longest_m
            if allowed[f] and fits and int(net.street[f]) not in ridden:
                go_on([*chain, f], longer)

    for e in np.flatnonzero(allowed & (net.tail == net.start)).tolist():
        go_on([e], net.length[e])
    return found


def test_pin_merged_loops_come_near_the_best_on_the_edges_of_those_given():
    ball, _, objective, space, walks = both_ways_of(False)
    own, found_more = space.work(0), 0
    order = np.argsort(-engine.values(ball.net, objective, walks, own), kind="stable").tolist()
    for begin in (10, 30, 60):
        some = [walks[k] for k in order[begin : begin + 4]]
        ridden = np.unique(np.concatenate(some))
        every = engine.values(ball.net, objective, loops_on(ball, objective, ridden), own)
        loops, offers = engine.merged(
            ball, objective, some[:2], some[2:], first=0, worth_per_m=0.4, slack=500.0,
            aside=engine.Aside(ball.net.length), band_width=50.0, most=4, space=space, chain=0,
        )  # fmt: skip
        assert offers > 0
        assert np.isin(np.concatenate(loops), ridden).all()
        value = engine.values(ball.net, objective, loops, own)
        assert every.max() * (1.0 - 1e-4) <= value.max() <= every.max() * (1.0 + 1e-9)
        found_more += value.max() > engine.values(ball.net, objective, some, own).max()
    assert found_more > 0


def test_a_sweep_of_everything_follows_one_of_some_streets():
    ball, _, objective, space, walks = both_ways_of(False)
    before, _ = engine.whole(ball, objective, 200.0, space=space)
    engine.merged(
        ball, objective, walks[:2], [], first=0, worth_per_m=0.4, slack=500.0, aside=engine.Aside(ball.net.length),
        band_width=50.0, most=4, space=space, chain=0,
    )  # fmt: skip
    after, _ = engine.whole(ball, objective, 200.0, space=space)
    assert np.array_equal(before[0], after[0])


@pytest.mark.parametrize("kind", ["repeats", "near"])
def test_labels_sum_up_the_cost_aside_with_its_prices(kind):
    """Of turns, repeats and streets beside ridden ones, each unit of gain that they take is so much of the cost."""
    network, random = road_like(150, 4), np.random.default_rng(5)
    start = int(network.starts(1, seed=2)[0])
    ball, cut = make_ball(
        network.tail, network.head, network.length_m, start, 6e3, 8e3, street=network.street,
        may_repeat=kind == "repeats", near=random.integers(0, network.street.max() + 1, (150, 2)),
        per_edge={"gain": network.chance * network.length_m, "effort": network.effort_j},
    )  # fmt: skip
    net = ball.net._replace(turn_gain=-100.0 * random.random(ball.net.turn_gain.size))
    gain, effort = ball.summed(cut["gain"]), ball.summed(cut["effort"])
    near = -0.4 if kind == "near" else 0.0
    objective = engine.Objective(gain, gain - 0.3 * net.length, 6e3, 8e3, near, 7e3, -0.1, kind == "repeats", 2e3)
    space, walk = engine.Space(ball), np.empty(engine.LONGEST_WALK, np.int32)
    engine.whole(replace(ball, net=net), objective, 100.0, aside=engine.Aside(effort, per_gain=7.0), space=space)
    work, priced = space.wides[0], 0
    for k in random.integers(0, work.used[0], 300).tolist():
        edges = walk[: kernels.chain(k, work, walk)].tolist()
        price, ridden = 0.0, set()
        for before, edge in zip([None, *edges], edges, strict=False):
            street = int(net.street[edge])
            beside = net.near_street[net.near_first[street] : net.near_first[street + 1]].tolist()
            if before is not None:
                price -= net.turn_gain[kernels.turn_between(net, before, edge)]
            if street in ridden:
                price += 0.3 * net.length[edge]
                priced += 1
            elif near and ridden & set(beside):
                price += 0.4 * net.length[edge]
                priced += 1
            ridden.add(street)
        assert work.label_aside[k] == pytest.approx(effort[edges].sum() + 7.0 * price, rel=1e-5)
    assert priced > 20


def test_pin_the_best_loops_within_a_limit_of_the_cost_aside(monkeypatch):
    monkeypatch.setattr(engine, "MERGED_M", (20.0, 10.0, 5.0))  # for loops of 7 km
    ball, back, objective, space, walks = both_ways_of(False)
    own, cost = space.work(0), ball.net.length * np.random.default_rng(2).uniform(0.5, 1.5, ball.net.tail.size)
    order = np.argsort(-engine.values(ball.net, objective, walks, own), kind="stable").tolist()
    some = [walks[k] for k in order[10:14]]
    every = loops_on(ball, objective, np.concatenate(some))
    value, aside = engine.values(ball.net, objective, every, own), np.array([cost[walk].sum() for walk in every])

    def merged(**limit):
        return engine.merged(
            ball, objective, some, [], first=0, worth_per_m=0.4, slack=500.0, aside=engine.Aside(cost, **limit),
            band_width=50.0, most=4, space=space, chain=0,
        )[0]  # fmt: skip

    free = merged()
    labels = [[], []]
    for asked in (objective, replace(objective, gain=-cost)):
        engine.both_ways(
            (ball, back), asked, (40.0, 40.0), first=0, worth_per_m=0.0, slack=500.0, aside=engine.Aside(cost),
            band_width=50.0, most=4, space=space, chain=0,
        )  # fmt: skip
        for kept, new in zip(labels, space.labels(0, np.array([1.0, 1.0]), 0.0), strict=True):
            kept.append(new)
    home = engine.least_home((ball, back), objective, cost, labels)
    assert max(cost[walk].sum() for walk in free) > np.quantile(aside, 0.5)
    for part in (0.1, 0.3, 0.5):
        most = float(np.quantile(aside, part))
        loops = merged(most=most, home=home)
        assert max(cost[walk].sum() for walk in loops) <= most * (1.0 + 1e-6)
        best = value[aside <= most].max()
        assert best < value.max()
        assert engine.values(ball.net, objective, loops, own).max() == pytest.approx(best, rel=1e-4)


def part_of(may_repeat):
    """(ball with prices, objective, space, walks, the ball of their edges alone, the walks there, objective there)."""
    ball, _, objective, space, walks = both_ways_of(may_repeat)
    random = np.random.default_rng(4)
    ball = replace(ball, net=ball.net._replace(turn_gain=-50.0 * random.random(ball.net.turn_gain.size)))
    walks = walks[:6]
    ridden = np.isin(np.arange(ball.net.tail.size), np.concatenate(walks))
    part, number = only_on(ball, ridden), np.cumsum(ridden) - 1
    few = replace(
        objective, gain=part.summed(objective.gain[part.edge]) + part.turns_inside,
        again=part.summed(objective.again[part.edge]) + part.turns_inside,
    )  # fmt: skip
    return ball, objective, space, walks, part, [part.joined(number[walk]) for walk in walks], few


@pytest.mark.parametrize("may_repeat", [False, True])
def test_walks_on_some_edges_alone_are_worth_what_they_are_on_all(may_repeat):
    ball, objective, space, walks, part, there, few = part_of(may_repeat)
    own, alone = space.work(0), engine.Space(part).work(0)
    assert part.net.tail.size < 0.7 * ball.net.tail.size
    assert part.fine.tail.size == np.unique(np.concatenate(walks)).size > part.net.tail.size  # chains are joined
    for walk, short in zip(walks, there, strict=True):
        assert short.size < walk.size
        assert np.array_equal(part.edge[part.expanded(short)], walk)
        value, length, repeated, _, faults = kernels.measure(
            ball.net, objective.gain, objective.again, objective.rules(), walk, walk.size, own)  # fmt: skip
        again = kernels.measure(part.net, few.gain, few.again, few.rules(), short, short.size, alone)
        assert again[:3] == pytest.approx((value, length, repeated), rel=1e-9)
        assert again[4] == faults == 0


@pytest.mark.parametrize("may_repeat", [False, True])
def test_stretches_are_replaced_only_by_better_ones_that_keep_the_rules(may_repeat):
    ball, _, objective, space, walks = both_ways_of(may_repeat)
    own, improved = space.work(0), 0
    for walk in walks[:8]:
        for worth in (-0.2, 0.0, 0.4):
            value = objective.gain[walk].sum()
            if may_repeat:
                value = engine.values(ball.net, replace(objective, pull_per_m=0.0), [walk], own)[0]
            value -= worth * ball.net.length[walk].sum()
            near, offers = engine.tightened(ball, objective, walk, worth, 1.0, own)
            assert len(near) == len(engine.STRETCHES_M) and offers > 0
            for one in near:
                _, length, repeated, _, faults = kernels.measure(
                    ball.net, objective.gain, objective.again, objective.rules(), one, one.size, own)  # fmt: skip
                assert faults == 0
                assert repeated <= objective.repeat_m
                better = engine.values(ball.net, replace(objective, pull_per_m=0.0), [one], own)[0] - worth * length
                assert better >= value - 1e-6
                improved += better > value + 1.0
                value = better
    assert improved > 10


@pytest.mark.parametrize("worth", [0.0, 0.5, 0.9])
def test_each_detour_is_ridden_where_it_pays_at_the_worth_of_a_metre(worth):
    """A ring of eight one-way streets of 400 m, beside each one of 500 m with another gain."""
    corner = np.arange(8)
    ring = np.stack([corner, (corner + 1) % 8], 1)
    more = np.array([5.0, 30.0, 45.0, 60.0, 80.0, 95.0, -10.0, 110.0])  # gain of the longer way less that of the street
    tail, head = np.r_[ring[:, 0], ring[:, 0]], np.r_[ring[:, 1], ring[:, 1]]
    length, gain = np.repeat([400.0, 500.0], 8), np.r_[np.zeros(8), more]
    ball, cut = make_ball(
        tail, head, length, 0, 3200.0, 4000.0, street=np.arange(16), per_edge={"gain": gain},
    )  # fmt: skip
    objective = engine.Objective(ball.summed(cut["gain"]), np.zeros(ball.net.tail.size), 3200.0, 4000.0)
    begins = ball.edge[ball.part[ball.first[:-1]]]
    straight = np.array([np.flatnonzero(begins == k)[0] for k in range(8)], np.int32)
    near, _ = engine.tightened(ball, objective, straight, worth, 1.0, engine.Space(ball).work(0))
    assert begins[near[-1]].tolist() == [k + 8 if more[k] > worth * 100.0 else k for k in range(8)]
