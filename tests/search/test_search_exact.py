"""Small balls settled exactly, against every loop there is; and what is said where there is none."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from routeplan.errors import NoLoopError
from routeplan.search import best_loops, engine, exact
from routeplan.search.ball import make_ball

sys.path.insert(0, str(Path(__file__).parent))
from every_loop import KINDS, Case, every_loop, truth
from road_like import road_like

ONCE = 1  # label offers: the search itself hardly looks


@cache
def asked(kind: str) -> tuple[Case, float, float, list[list[int]]]:
    """A small case, its window, every loop of it."""
    seed = 0
    while (known := truth(kind, 40, seed, 30_000)) is None or known.loops < 20:
        seed += 1
    listed = every_loop(known.asked, known.shortest_m, known.longest_m)
    return known.asked, known.shortest_m, known.longest_m, listed


def value_of(asked: Case, walk: list[int], gain: np.ndarray, prices: dict) -> float:
    """What a walk earns: a plain twin of the search's measure."""
    total, time, ridden = 0.0, 0.0, set()
    turn = dict(zip(map(tuple, prices["turns"].tolist()), prices["turn_gain"].tolist(), strict=True))
    near = {frozenset(pair) for pair in prices["near"].tolist()}
    for before, e in zip([None, *walk], walk, strict=False):
        s, length = int(asked.street[e]), float(asked.length_m[e])
        total += turn.get((before, e), 0.0)
        if s in ridden:
            total += prices["repeat_gain_per_m"] * length
        else:
            total += gain[e]
            if any(frozenset((s, other)) in near for other in ridden):
                total += prices["near_gain_per_m"] * length
        ridden.add(s)
        if asked.clock is not None:
            begin, step, weight = asked.clock
            so_far = np.r_[0.0, np.cumsum(weight * step)]
            x = begin + step * np.arange(so_far.size)
            passing = float(asked.time_s[e])
            counted = np.interp(time + passing, x, so_far) - np.interp(time, x, so_far)
            total += float(asked.clock_gain[e]) * counted / passing
            time += passing
    length = float(asked.length_m[walk].sum())
    return total + prices["length_gain_per_m"] * abs(length - prices["target_length_m"])


def random_prices(asked: Case, longest: float, random: np.random.Generator) -> dict:
    count, streets = asked.tail.size, np.unique(asked.street)
    turns = np.array([(e, f) for e in range(count) for f in np.flatnonzero(asked.tail == asked.head[e])])
    some = random.choice(len(turns), len(turns) // 3, replace=False)
    near = random.choice(streets, (10, 2))
    return {
        "turns": turns[some], "turn_gain": random.uniform(-80.0, 40.0, some.size),
        "near": near[near[:, 0] != near[:, 1]],
        "near_gain_per_m": -0.3, "repeat_gain_per_m": -0.2, "target_length_m": 0.9 * longest, "length_gain_per_m": -0.1,
    }  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_property_the_best_of_every_loop(kind: str) -> None:
    case_, shortest, longest, listed = asked(kind)
    random = np.random.default_rng(KINDS.index(kind))
    for priced, low in ((False, 0.0), (True, -0.4), (True, -1.0)):  # the last earns nothing but losses
        gain = (random.uniform(low, 1.0 + low, case_.tail.size) * case_.length_m).round(2)
        prices = random_prices(case_, longest, random)
        if not priced:
            prices |= dict.fromkeys(("near_gain_per_m", "repeat_gain_per_m", "length_gain_per_m"), 0.0)
            prices["turn_gain"] = 0.0 * prices["turn_gain"]
        result = best_loops(case_.tail, case_.head, case_.length_m, gain, case_.start, shortest, longest,
                            budget=ONCE, **case_.rules(), **prices)  # fmt: skip
        best = max(value_of(case_, walk, gain, prices) for walk in listed)
        assert result.loops[0].gain == pytest.approx(best, rel=1e-9, abs=1e-6)
        assert value_of(case_, result.loops[0].edges.tolist(), gain, prices) == pytest.approx(best, rel=1e-9, abs=1e-6)
        assert best - 1e-6 <= result.gain_at_most <= best + 1e-6 * abs(best)


def listed_loops(case_: Case, shortest: float, longest: float, most: int, steps: int = exact.STEPS) -> exact.Listed:
    """list_loops of a case, walks as lists of its edges."""
    rules = case_.rules()
    share = rules.pop("repeat_share_at_most")
    ball, _ = make_ball(case_.tail, case_.head, case_.length_m, case_.start, shortest, longest, **rules)
    none = np.zeros(ball.net.tail.size)
    objective = engine.Objective(
        none, none, shortest, longest, repeats=case_.may_repeat, repeat_m=share * longest)  # fmt: skip
    found = exact.list_loops(ball, objective, most, steps=steps)
    return replace(found, walks=[ball.edge[ball.expanded(walk)] for walk in found.walks])


@pytest.mark.parametrize("kind", KINDS)
def test_property_all_loops_are_listed(kind: str) -> None:
    case_, shortest, longest, listed = asked(kind)
    found = listed_loops(case_, shortest, longest, len(listed) + 1)
    assert found.complete
    assert sorted(walk.tolist() for walk in found.walks) == sorted(listed)
    some = listed_loops(case_, shortest, longest, 10)
    assert not some.complete
    assert [walk.tolist() for walk in some.walks] == [walk.tolist() for walk in found.walks[:10]]
    few = listed_loops(case_, shortest, longest, len(listed) + 1, steps=100)
    assert not few.complete and len(few.walks) < len(listed) and few.steps < 100 + 2 * exact.EDGES


def test_the_best_of_many_that_are_nearly_as_long() -> None:
    """Contact nearly everywhere: what counts is to fill the window to the last metres."""
    net = road_like(60, 2)
    result = best_loops(net.tail, net.head, net.length_m, net.chance * net.length_m, int(net.starts(1)[0]), 7000, 9000,
                        street=net.street, budget=3_000_000)  # fmt: skip
    assert result.loops[0].gain == pytest.approx(8992.7975, abs=1e-3)
    assert result.gain_at_most == pytest.approx(result.loops[0].gain, rel=1e-9)
    assert result.proof.startswith("every loop was looked at")


def test_a_loop_past_nearly_every_junction_is_found() -> None:
    """20 junctions and a stem: no sweep closes one of its few loops."""
    known = truth("lollipop", 20, 0, 1_000_000)
    assert known is not None
    case_ = known.asked
    found = listed_loops(case_, known.shortest_m, known.longest_m, 10_000)
    assert found.complete and len(found.walks) == known.loops
    result = best_loops(case_.tail, case_.head, case_.length_m, case_.length_m, case_.start, known.shortest_m,
                        known.longest_m, **case_.rules())  # fmt: skip
    assert known.shortest_m <= result.loops[0].length_m <= known.longest_m


@pytest.mark.parametrize("kind", KINDS)
def test_property_the_nearest_length_is_that_of_the_nearest_loop(kind: str) -> None:
    """A window in the widest gap between the lengths of loops: the nearer of its sides, and it can be had."""
    case_, _, longest, _ = asked(kind)
    lengths = np.unique([case_.length_m[walk].sum() for walk in every_loop(case_, 1.0, longest)])
    gap = int(np.argmax(np.diff(lengths)))
    low, high = lengths[gap], lengths[gap + 1]
    for window, nearest in (((0.7 * low + 0.3 * high, 0.6 * low + 0.4 * high), low),
                            ((0.4 * low + 0.6 * high, 0.3 * low + 0.7 * high), high),
                            ((0.5 * lengths[0], 0.8 * lengths[0]), lengths[0])):  # fmt: skip
        with pytest.raises(NoLoopError) as error:
            best_loops(case_.tail, case_.head, case_.length_m, np.zeros(case_.tail.size), case_.start, *window,
                       budget=ONCE, **case_.rules())  # fmt: skip
        assert error.value.nearest_length_m == nearest
        assert re.match("there is no loop|no way leads", str(error.value))
    found = best_loops(case_.tail, case_.head, case_.length_m, np.zeros(case_.tail.size), case_.start, high, high,
                       budget=ONCE, **case_.rules())  # fmt: skip
    assert found.loops[0].length_m == high


def both_ways(streets: list[tuple[int, int, float]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    a, b, length = (np.array(c) for c in zip(*streets, strict=True))
    return np.stack([a, b], 1).ravel(), np.stack([b, a], 1).ravel(), np.repeat(length.astype(float), 2)


def test_the_nearest_loop_is_not_ridden_twice_more_than_allowed() -> None:
    """A triangle on a stem of 1,000 m that only a fifth ridden again reaches, and one of 3,000 m at the start."""
    stem = [(0, 1, 1000), (1, 2, 1000), (2, 3, 1000), (3, 1, 1000)]
    tail, head, length = both_ways([*stem, (0, 4, 1000), (4, 5, 1000), (5, 0, 1000)])

    def nearest(share: float, shortest: float, longest: float) -> float | None:
        with pytest.raises(NoLoopError) as error:
            best_loops(tail, head, length, length, 0, shortest, longest, may_repeat=True, repeat_share_at_most=share)
        return error.value.nearest_length_m

    assert nearest(0.20, 11_000, 12_000) == 8000.0
    assert nearest(0.12, 11_000, 12_000) == 3000.0
    assert nearest(0.12, 1000, 2000) == 3000.0
    assert nearest(0.20, 5500, 5600) == 5000.0
    assert nearest(0.15, 5500, 5600) == 8000.0
