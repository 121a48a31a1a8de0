"""The best loops on the streets of a few loops, against every loop listed one by one."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import combinations

import numpy as np
import pytest
from every_loop import KINDS, REPEAT_SHARE, case, every_loop
from test_search_sweep import both_ways_of

from routeplan.search import carving, carving_kernels, carving_sums, engine, kernels, union
from routeplan.search.ball import make_ball

FAR_M = 1e6
SMALL = {  # junctions and seed of cases with 20 to 1,000 loops
    "road-like": ((16, 42), (22, 41)), "planar": ((12, 40), (14, 42)), "lollipop": ((14, 1), (16, 2)),
    "through the start": ((9, 2), (16, 40)), "banned turns": ((16, 1), (22, 41)),
    "one-way pairs": ((16, 41), (22, 42)), "side by side": ((9, 2), (12, 41)), "clock": ((16, 42), (18, 1)),
}  # fmt: skip
assert set(SMALL) == set(KINDS)


def ball_of(asked, near=None):
    """The ball of a whole small case, with a price on every turn."""
    turns = [
        (e, f)
        for e in range(asked.tail.size)
        for f in np.flatnonzero(asked.tail == asked.head[e]).tolist()
        if asked.street[f] != asked.street[e] or (asked.may_repeat and asked.head[e] == asked.start)
    ]
    gain = -np.random.default_rng(5).uniform(0.0, 80.0, len(turns))
    ball, cut = make_ball(
        asked.tail, asked.head, asked.length_m, asked.start, 0.0, FAR_M, street=asked.street, near=near,
        may_repeat=asked.may_repeat, banned_turns=asked.banned, turns=turns, turn_gain=gain, time_s=asked.time_s,
        clock_gain=asked.clock_gain, clock=asked.clock, per_edge={"effort": asked.effort, "loss": asked.loss},
    )  # fmt: skip
    return ball, cut


def objective_of(ball, cut, shortest_m, longest_m, **more):
    gain = ball.summed(-cut["effort"] - 0.1 * cut["loss"])
    again = gain - 0.02 * ball.net.length
    return engine.Objective(
        gain + ball.turns_inside, again + ball.turns_inside, shortest_m, longest_m, repeats=ball.may_repeat,
        repeat_m=REPEAT_SHARE * longest_m if ball.may_repeat else 0.0, **more,
    )  # fmt: skip


def every_own_path(ways):
    """Every way to make the last state: (walk on the ways' own network, gain where near streets are ridden, metres on
    other parts of those)."""
    pair, turn, number = ways.passings
    made = [[] for _ in range(ways.arcs.states)]
    for w in range(number.size):
        pairs = [(*pair[w, x].tolist(), int(turn[w, x])) for x in range(number[w])]
        begins = [(e, f) for e, f, t in pairs if t < 0]
        made[w] = [({e: f for e, f, t in pairs if t >= 0}, begins, float(ways.beside[w]), float(ways.again_m[w]))]
    for (a, b, t), gain, again_m in zip(*(x.tolist() for x in ways.arcs.plain), strict=True):
        made[t] += [
            (x[0] | y[0], x[1] + y[1], x[2] + y[2] + gain, x[3] + y[3] + again_m) for x in made[a] for y in made[b]
        ]
    for follows, begins, beside, again_m in made[-1]:
        ((last, first),) = begins
        walk = [first]
        while walk[-1] != last:
            walk.append(follows[walk[-1]])
        assert len(walk) == len(follows) + 1  # one ring, not two
        yield walk, beside, again_m


def every_path(ways):
    """The same on the network that the ways were asked for."""
    found = []
    for walk, beside, again_m in every_own_path(ways):
        edges = ways.edge[walk]
        found.append((edges[edges >= 0].tolist(), beside, again_m))
    return found


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("which", [0, 1])
def test_the_ways_to_the_last_state_are_all_loops_and_each_is_one(kind, which):
    asked = case(kind, *SMALL[kind][which])
    asked = replace(asked, length_m=np.ones(asked.tail.size))
    ball, _ = ball_of(asked)
    ways = carving.ways_of(ball.net, asked.may_repeat)
    paths = [ball.edge[ball.expanded(np.array(walk))].tolist() for walk, *_ in every_path(ways)]
    assert len({tuple(walk) for walk in paths}) == len(paths)
    if asked.may_repeat:  # the share of streets ridden again is not looked at here
        def twice(walk):
            return len(walk) - len({int(asked.street[e]) for e in walk})
        paths = [walk for walk in paths if twice(walk) <= REPEAT_SHARE * len(walk)]
    assert sorted(paths) == sorted(every_loop(asked, 0.0, 1000.0))
    assert len(paths) >= 15


def test_a_finer_step_is_tried_where_no_loop_of_the_first_has_a_length_asked_for(monkeypatch):
    monkeypatch.setattr(carving, "STEPS_M", (1e6, 0.5))  # labels of any length share the first step: the best is left
    asked = case("road-like", *SMALL["road-like"][0])
    ball, cut = ball_of(asked)
    lengths = np.sort([asked.length_m[walk].sum() for walk in every_loop(asked, 0.0, FAR_M, 10**6)])
    ways = carving.ways_of(ball.net, asked.may_repeat)
    aside = engine.Aside(ball.summed(cut["effort"]))
    work = engine.Space(ball).work(0)
    missed = 0
    for low in lengths[:: len(lengths) // 15]:
        objective = objective_of(ball, cut, low, low + 50.0)
        loops = _edges_of(ball, every_loop(asked, low, low + 50.0, 10**6))
        best = engine.values(ball.net, objective, [ball.joined(walk) for walk in loops], work).max()
        found = []
        for finer in (1.0, 2e6):
            monkeypatch.setattr(carving, "FINER", finer)
            walks, _ = carving.best_of(
                ways, objective, aside=aside, least=-np.inf, slack=0.0, band_width=1.0, most=20
            )  # fmt: skip
            found.append(walks)
        assert found[1]
        if not found[0]:
            assert engine.values(ball.net, objective, found[1], work)[0] == pytest.approx(best)
            missed += 1
    assert missed > 3


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("target_m", [0.0, 1.0])
@pytest.mark.parametrize("steps_m", [(0.5,), (8.0, 2.0, 0.5)])
def test_the_best_loop_of_a_length(kind, target_m, steps_m, monkeypatch):
    monkeypatch.setattr(carving, "STEPS_M", steps_m)  # lengths are whole metres: labels share only equal ones
    for junctions, seed in SMALL[kind]:
        asked = case(kind, junctions, seed)
        ball, cut = ball_of(replace(asked, clock_gain=None, clock=None))
        lengths = np.sort([asked.length_m[walk].sum() for walk in every_loop(asked, 0.0, FAR_M, 10**6)])
        low, high = np.quantile(lengths, [0.4, 0.7])
        pull = {"target_m": target_m * 0.5 * (low + high), "pull_per_m": -0.05 * target_m}
        objective = objective_of(ball, cut, low, high, **pull)
        loops = [ball.joined(walk) for walk in _edges_of(ball, every_loop(asked, low, high, 10**6))]
        work = engine.Space(ball).work(0)
        best = engine.values(ball.net, objective, loops, work).max()
        effort = ball.summed(cut["effort"])
        found, spent = union.loops_on(
            ball, objective, loops, aside=engine.Aside(effort), least=-np.inf, slack=0.2 * abs(best),
            band_width=1.0, most=20,
        )  # fmt: skip
        value = engine.values(ball.net, objective, found, work)
        assert value[0] == pytest.approx(best)
        assert (value >= best - 0.2 * abs(best) - 1e-6).all()
        assert len({int(effort[walk].sum()) for walk in found}) == len(found) > 0
        assert spent > 0
        for walk in found:
            _, length, repeated, _, faults = kernels.measure(
                ball.net, objective.gain, objective.again, objective.rules(), walk, walk.size, work
            )
            assert (faults, low <= length <= high, repeated <= objective.repeat_m) == (0, True, True)


def _edges_of(ball, walks):
    """Walks of the caller's edges as edges of the ball's fine net."""
    number = np.full(ball.edge.max() + 1, -1)
    number[ball.edge] = np.arange(ball.edge.size)
    return [number[walk] for walk in walks]


def test_a_limit_of_the_cost_aside_holds():
    asked = case("road-like", 22, 41)
    ball, cut = ball_of(asked)
    objective = objective_of(ball, cut, 0.0, FAR_M)
    loops = [ball.joined(walk) for walk in _edges_of(ball, every_loop(asked, 0.0, FAR_M, 10**6))]
    effort = ball.summed(cut["effort"])
    aside = np.array([effort[walk].sum() for walk in loops])
    turned_round = replace(objective, gain=-objective.gain, again=-objective.again)
    space = engine.Space(ball)
    value = engine.values(ball.net, turned_round, loops, space.work(0))
    for part in (0.05, 0.3, 0.8):
        most = float(np.quantile(aside, part))
        asked_for = {"aside": engine.Aside(effort, most=most), "band_width": 1e-3, "most": 10**6}
        found, _ = union.loops_on(ball, turned_round, loops, least=0.0, slack=np.inf, **asked_for)
        assert 0 < len(found) <= (aside <= most).sum()
        assert max(effort[walk].sum() for walk in found) <= most + 1e-9
        least = float(np.median(value[aside <= most]))
        good, _ = union.loops_on(ball, turned_round, loops, least=least, slack=0.0, **asked_for)
        assert 0 < len(good) < len(found)
        assert max(effort[walk].sum() for walk in good) <= most + 1e-9
        assert engine.values(ball.net, turned_round, good, space.work(0)).min() >= least - 1e-9
    assert value.size > 100


def test_of_two_streets_beside_each_other_the_shorter_counts():
    asked = case("road-like", 22, 42)
    random = np.random.default_rng(2)
    near = random.choice(np.unique(asked.street), (12, 2))
    ball, _ = ball_of(asked, near)
    pairs = {
        (min(s, t), max(s, t))
        for s in range(ball.net.near_first.size - 1)
        for t in ball.net.near_street[ball.net.near_first[s] : ball.net.near_first[s + 1]].tolist()
    }
    metres = np.zeros(ball.net.street.max() + 1)
    metres[ball.net.street] = ball.net.length
    charged = 0
    for walk, beside, again_m in every_path(carving.ways_of(ball.net, False, near_per_m=1.0)):
        assert again_m == 0.0
        streets = set(ball.net.street[walk].tolist())
        expected = sum(min(metres[s], metres[t]) for s, t in pairs if s in streets and t in streets)
        assert beside == pytest.approx(expected, rel=1e-5)
        charged += beside > 0
    assert charged > 5


@pytest.mark.parametrize("kind", KINDS)
def test_twins_that_lie_apart_are_one_street(kind):
    ridden_both = 0
    for junctions, seed in SMALL[kind]:
        asked = case(kind, junctions, seed)
        street = asked.street.copy()
        random = np.random.default_rng(seed)
        for one, other in random.choice(np.unique(street), (street.max() // 6, 2), replace=False):
            street[street == other] = one
        asked = replace(asked, street=street)
        ball, _ = ball_of(asked)
        paths = every_path(carving.ways_of(ball.net, asked.may_repeat, again_per_m=-1.0))
        if not asked.may_repeat:
            found = [tuple(ball.edge[ball.expanded(np.array(joined))].tolist()) for joined, *_ in paths]
            assert sorted(found) == sorted(tuple(walk) for walk in every_loop(asked, 0.0, FAR_M, 10**6))
            ridden_both += len(every_loop(case(kind, junctions, seed), 0.0, FAR_M, 10**6)) > len(found)
            continue
        for joined, gain, again_m in paths:
            tail, head = ball.net.tail[joined], ball.net.head[joined]
            parts = np.stack([ball.net.street[joined], np.minimum(tail, head), np.maximum(tail, head)])
            each, at = np.unique(parts, axis=1, return_index=True)
            metres = ball.net.length[np.array(joined)[at]]
            pairs = [
                sorted((metres[i], metres[j]))
                for i, j in combinations(range(metres.size), 2)
                if each[0, i] == each[0, j]
            ]
            assert again_m == pytest.approx(sum(longer for _, longer in pairs), rel=1e-5)
            assert gain == pytest.approx(-sum(shorter for shorter, _ in pairs))
            ridden_both += len(pairs) > 0
    assert ridden_both > 0


def test_the_clock_is_read_when_a_single_walk_passes():
    asked = case("clock", 16, 42)
    ball, _ = ball_of(asked)
    zero = np.zeros(ball.net.tail.size)
    work = engine.Space(ball).work(0)
    earned = 0
    for walk in _edges_of(ball, every_loop(asked, 0.0, FAR_M, 10**6)[:50]):
        walk = ball.joined(walk).astype(np.int32)
        rules = engine.Objective(zero, zero, 0.0, FAR_M).rules()
        timed = kernels.measure(ball.net._replace(turn_gain=ball.net.turn_gain * 0), zero, zero, rules, walk,
                                walk.size, work)[0]  # fmt: skip
        assert union.by_the_clock(ball.net, [walk])[walk].sum() == pytest.approx(timed)
        earned += timed > 0
    assert earned > 10


def test_where_no_walk_passes_the_clock_is_read_between_two_times():
    asked = case("clock", 16, 42)
    net = ball_of(asked)[0].net
    earliest, lasts = np.full(net.tail.size, 40.0), np.linspace(1.0, 900.0, net.tail.size)
    read = union.by_the_clock(net, [], earliest, earliest + lasts)
    at = net.clock_begin + net.clock_step * np.arange(net.clock_sum.size)
    lasts = np.maximum(lasts, net.time)
    fine = [np.interp(40.0 + np.linspace(0.0, last, 4001), at, net.clock_sum) for last in lasts]
    mean = np.array([np.diff(sums).sum() / last for sums, last in zip(fine, lasts, strict=True)])
    assert read == pytest.approx(net.clock_gain * mean)
    assert (read > 0.0).any()
    assert union.by_the_clock(net, []).tolist() == [0.0] * net.tail.size
    walk = np.array([0, 1], np.int32)
    assert union.by_the_clock(net, [walk], earliest, earliest + lasts)[walk] == pytest.approx(
        union.by_the_clock(net, [walk])[walk]
    )


def test_fewer_pieces_and_less_room_leave_loops_out():
    asked = case("planar", 14, 42)
    net = ball_of(asked)[0].net

    def loops(**limits):
        return {tuple(walk) for walk, *_ in every_path(carving.ways_of(net, asked.may_repeat, **limits))}

    every, one_piece = loops(), loops(widest=[[63]])
    assert one_piece < every and one_piece
    assert one_piece < loops(widest=[[63], [63]]) <= every
    assert loops(widest=[[4]]) == loops(widest=[]) == set()
    assert carving.ways_of(net, asked.may_repeat, most_arcs=10) is None


def within(part, net, walk):
    """(pieces, streets crossed both ways, edges that lead across) of each set of a carving but the last; of nodes these
    streets are not looked at."""
    n = part.shape[0] + 1
    nodes = [{v} for v in range(n)]
    for a, b in part[:-1].tolist():
        nodes.append(nodes[a] | nodes[b])
    for some in nodes:
        across = [(u in some) != (v in some) for u, v in zip(net.tail.tolist(), net.head.tolist(), strict=True)]
        streets = [net.street[e] for e in walk if across[e]]
        both_ways = len(streets) - len(set(streets)) if len(some) > 1 else 0
        yield len(streets) // 2, both_ways, sum(across)


@pytest.mark.parametrize("widest", [
    [[99] * 6, [99] * 6, [99] * 6, [99] * 6, [99] * 6], [[99, 99], [99], [99]], [[99, 8], [8, 8], [8, 6]],
])  # fmt: skip
def test_loops_are_those_whose_pieces_and_streets_crossed_both_ways_are_few(widest, monkeypatch):
    asked = case("lollipop", 14, 1)
    net = ball_of(asked)[0].net
    carved, left_out = {}, 0
    carving_of = carving._carving

    def carving_kept(*given):
        carved["part"] = carving_of(*given)
        return carved["part"]

    monkeypatch.setattr(carving, "_carving", carving_kept)
    every = carving.ways_of(net, True)
    fits = {tuple(walk) for walk, *_ in every_own_path(carving.ways_of(net, True, widest=widest))}
    for walk, *_ in every_own_path(every):
        allowed = all(
            p == 0 or (p <= len(widest) and d < len(widest[p - 1]) and across <= widest[p - 1][d])
            for p, d, across in within(carved["part"], every.net, walk)
        )
        assert allowed == (tuple(walk) in fits)
        left_out += not allowed
    assert fits and (left_out > 0) == (widest[0] != [99] * 6)


@pytest.mark.parametrize("may_repeat", [False, True])
def test_two_threads_make_the_same_ways_as_one(may_repeat, monkeypatch):
    net = both_ways_of(may_repeat)[0].net
    one = carving.ways_of(net, may_repeat, threads=1)
    for many in (1, 50):
        monkeypatch.setattr(carving, "MANY", many)
        for threads in (1, 2):
            two = carving.ways_of(net, may_repeat, threads=threads)
            for a, b in zip((*one.passings, *one.arcs.plain), (*two.passings, *two.arcs.plain), strict=True):
                np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("may_repeat", [False, True])
def test_what_memory_held_before_does_not_show_in_the_ways(may_repeat, monkeypatch):
    net = both_ways_of(may_repeat)[0].net
    ways = carving.ways_of(net, may_repeat)
    for held in (0, 0xA5):

        def soiled(shape, dtype=float, held=held):
            array = np.zeros(shape, dtype)
            array.reshape(-1).view(np.uint8)[:] = held
            return array

        monkeypatch.setattr(np, "empty", soiled)
        same = carving.ways_of(net, may_repeat)
        for a, b in zip((*ways.passings, *ways.arcs.plain), (*same.passings, *same.arcs.plain), strict=True):
            np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize("may_repeat", [False, True])
def test_too_many_ways_leave_out_the_last_walks(may_repeat, monkeypatch):
    ball, _, objective, space, walks = both_ways_of(may_repeat)
    value = engine.values(ball.net, objective, walks, space.work(0))
    walks = [walks[k] for k in np.argsort(-value, kind="stable")[10:30]]
    asked = {"aside": engine.Aside(ball.net.length), "least": -np.inf, "slack": 0.0, "band_width": 1e9, "most": 1}

    def best(some):
        found, _ = union.loops_on(ball, objective, some, **asked)
        return engine.values(ball.net, objective, found, space.work(0)).max(initial=-np.inf)

    of_all, given = best(walks), np.sort(value)[::-1][10]
    assert of_all > given + 1.0
    monkeypatch.setattr(union, "ARCS", 800)
    assert given <= best(walks) < of_all
    monkeypatch.setattr(carving, "LABELS", 1)
    assert union.loops_on(ball, objective, walks, **asked)[0] == []


def test_metres_ridden_again_are_at_most_a_share_of_the_loop_not_of_the_longest():
    asked = case("lollipop", 16, 2)
    ball, cut = ball_of(replace(asked, clock_gain=None, clock=None))
    objective = objective_of(ball, cut, 0.0, FAR_M)
    loops = [ball.joined(walk) for walk in _edges_of(ball, every_loop(asked, 0.0, FAR_M, 10**6))]
    length = np.array([ball.net.length[walk].sum() for walk in loops])
    firsts = [walk[np.unique(ball.net.street[walk], return_index=True)[1]] for walk in loops]
    again = length - [ball.net.length[walk].sum() for walk in firsts]
    share = float(np.median(again / length))
    objective = replace(objective, longest_m=2.0 * length.max(), repeat_m=2.0 * share * length.max())
    found, _ = union.loops_on(
        ball, objective, loops, aside=engine.Aside(ball.net.length), least=-np.inf, slack=np.inf, band_width=1e-3,
        most=10**6,
    )  # fmt: skip
    kept = {tuple(walk.tolist()) for walk, r, m in zip(loops, again, length, strict=True) if r <= share * m}
    assert {tuple(walk.tolist()) for walk in found} <= kept
    assert 0 < len(found) <= len(kept) < len(loops)


@pytest.mark.parametrize("part", [0.0, 0.5])
def test_every_loop_that_none_passes_is_found_beside_those_known(part, monkeypatch):
    monkeypatch.setattr(carving, "STEPS_M", (0.5, 0.5))
    monkeypatch.setattr(carving, "BANDS", (1.0, 1.0))
    of_fronts = met_in_all = 0
    for kind in ("road-like", "planar", "banned turns", "one-way pairs"):
        for junctions, seed in SMALL[kind]:
            asked = case(kind, junctions, seed)
            ball, cut = ball_of(replace(asked, clock_gain=None, clock=None))
            ball = replace(ball, net=ball.net._replace(turn_gain=0.0 * ball.net.turn_gain))
            effort, loss = ball.summed(cut["effort"]), ball.summed(cut["loss"])
            every = every_loop(asked, 0.0, FAR_M, 10**6)
            low = float(np.quantile([asked.length_m[walk].sum() for walk in every], 0.6))
            gain = -0.3 * effort - loss
            objective = replace(objective_of(ball, cut, low, FAR_M), gain=gain, again=gain)
            loops = [ball.joined(walk) for walk in _edges_of(ball, every_loop(asked, low, FAR_M, 10**6))]
            costs = np.array([(effort[walk].sum(), loss[walk].sum()) for walk in loops])
            best = np.array([not ((costs <= c).all(axis=1) & (costs < c).any(axis=1)).any() for c in costs])
            front = np.unique(costs[best].round(6), axis=0)
            known = front[np.random.default_rng(3).random(len(front)) < part]
            found, _ = carving.best_of(
                carving.ways_of(ball.net, asked.may_repeat), objective, aside=engine.Aside(effort), least=-np.inf,
                slack=np.inf, band_width=1e-6, most=10**6, share=0.3,
                known=np.stack([known[:, 0], -0.3 * known[:, 0] - known[:, 1]], axis=1),
            )  # fmt: skip
            met = {(effort[walk].sum().round(6), loss[walk].sum().round(6)) for walk in found}
            assert {tuple(c) for c in front} <= met
            assert len(met) <= len(loops)
            of_fronts, met_in_all = of_fronts + len(front), met_in_all + len(met)
    assert 20 < of_fronts < met_in_all


def test_what_is_needed_is_what_a_known_loop_comes_to():
    random = np.random.default_rng(8)
    costs = np.cumsum(random.random((40, 2)), axis=0) * [1.0, -1.0] + [5.0, 60.0]  # none passes another
    share = 0.7
    known = np.stack([costs[:, 0], -share * costs[:, 0] - costs[:, 1]], axis=1)
    need = carving._needed(known, share)
    step = need.step
    assert step == pytest.approx(np.ptp(costs[:, 0]) * 1.1 / carving.NEEDS)
    for _ in range(500):
        effort, loss = random.uniform(costs.min(axis=0), costs.max(axis=0))
        spare = carving_sums.spare.py_func(-share * effort - loss, effort, need)
        if (costs + np.array([step, 0.0]) <= [effort, loss]).all(axis=1).any():
            assert spare < share * step
        if not (costs - np.array([step, 0.0]) <= [effort, loss]).all(axis=1).any():
            assert spare > -share * step
    assert carving_sums.spare.py_func(-1e3, costs[0, 0] - 10 * step, need) == -1e3 - need.gain[0]
    assert carving._needed(None, share).gain.tolist() == [-np.inf]


def test_a_sum_that_is_over_ends_with_what_was_found():
    ball, _, objective, _, _ = both_ways_of(False)
    ways = carving.ways_of(ball.net, False)
    asked = {"aside": engine.Aside(ball.net.length), "least": -np.inf, "slack": 0.0, "band_width": 1e9, "most": 1}
    assert carving.best_of(ways, objective, **asked, over=lambda: True)[0] == []
    asks: list[int] = []
    whole, _ = carving.best_of(ways, objective, **asked, over=lambda: bool(asks.append(0)))
    asks_at_all = len(asks)

    def late():
        asks.append(0)
        return len(asks) >= 2 * asks_at_all

    part, _ = carving.best_of(ways, objective, **asked, over=late)
    assert len(whole) == 1 and len(part) == 1


def reckoned(part, pairs, growth):
    """(arcs reckoned with, nodes of each set) of a carving, and whether it is one."""
    n = part.shape[0] + 1
    nodes = [{v} for v in range(n)]
    for a, b in part.tolist():
        assert max(a, b) < len(nodes) and not nodes[a] & nodes[b]
        nodes.append(nodes[a] | nodes[b])
    assert len(nodes[-1]) == n
    across = [sum(w for (a, b), w in pairs.items() if (a in s) != (b in s)) for s in nodes]
    joins = [growth ** (0.5 * (across[n + k] + across[a] + across[b])) for k, (a, b) in enumerate(part.tolist())]
    return sum(joins[:-1]), nodes


def network_of(random, n):
    """Pairs of nodes that hang together, and the same as carve takes them."""
    pairs = {(v, int(random.integers(v))): float(random.choice([0.5, 1.0, 1.25])) for v in range(1, n)}
    for a, b in random.integers(n, size=(n, 2)).tolist():
        if a != b and (b, a) not in pairs:
            pairs[a, b] = 1.0
    both = sorted([(a, b, w) for (a, b), w in pairs.items()] + [(b, a, w) for (a, b), w in pairs.items()])
    first = np.searchsorted([a for a, _, _ in both], np.arange(n + 1))
    return pairs, (first, np.array([b for _, b, _ in both]), np.array([w for _, _, w in both]))


@pytest.mark.parametrize("seed", range(6))
def test_sets_joined_anew_are_a_carving_and_cost_no_more(seed):
    random = np.random.default_rng(seed)
    pairs, net = network_of(random, 30)
    part = np.empty((29, 2), np.int64)
    before = carving_kernels.grow(0, *net, 3.0, 0.1, np.array([1 + seed], np.uint64), np.inf, part)
    assert before == pytest.approx(reckoned(part, pairs, 3.0)[0])
    after = carving_kernels.carved_anew(0, *net, 3.0, 10, 8, part)
    cost, nodes = reckoned(part, pairs, 3.0)
    assert after == pytest.approx(cost)
    assert after <= before * (1 + 1e-9)
    assert part[-1, 1] == 0 and nodes[-2] == set(range(1, 30))


@pytest.mark.parametrize("heavy", [100.0, 400.0, 1000.0])
def test_no_carving_where_what_is_reckoned_with_grows_beyond_all_numbers(heavy):
    _, (first, node, weight) = network_of(np.random.default_rng(1), 30)
    asked = 0, first, node, heavy * weight, 3.0
    part = np.empty((29, 2), np.int64)
    for noise in (0.0, 0.1):
        assert carving_kernels.grow(*asked, noise, np.ones(1, np.uint64), np.inf, part) == np.inf
    assert carving_kernels.carve(*asked, 0.1, 0, 3, 10, 6, part) == np.inf


def test_a_few_sets_are_joined_in_the_best_way_there_is():
    better = 0
    for seed in range(8):
        pairs, net = network_of(np.random.default_rng(seed), 8)
        part = np.empty((7, 2), np.int64)
        before = carving_kernels.grow(0, *net, 3.0, 0.0, np.ones(1, np.uint64), np.inf, part)
        after = carving_kernels.carved_anew(0, *net, 3.0, 10, 8, part)

        @cache
        def grown(some, pairs=pairs):
            return 3.0 ** (0.5 * sum(w for (a, b), w in pairs.items() if (a in some) != (b in some)))

        @cache
        def least(some, grown=grown):
            if len(some) == 1:
                return 0.0
            head, *rest = sorted(some)
            ways = []
            for size in range(len(rest)):
                for more in combinations(rest, size):
                    one = frozenset((head, *more))
                    ways.append(least(one) + least(some - one) + grown(one) * grown(some - one) * grown(some))
            return min(ways)

        assert after == pytest.approx(least(frozenset(range(1, 8))))
        better += after < before * 0.999
    assert better > 0
