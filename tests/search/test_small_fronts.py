"""The trade-off on small networks against every loop there is."""

from __future__ import annotations

import sys
import threading
import time
from collections import Counter
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from routeplan.errors import NoLoopError
from routeplan.search import engine, front, kernels, sums, trade_off, tradeoff, union

sys.path.insert(0, str(Path(__file__).parent))
from every_loop import KINDS, Truth, case, costs_of, every_loop, found_share, truth, volume_share

STEPS = 60_000  # of the listing: about 0.2 s
CASES = [(kind, junctions) for kind in KINDS for junctions in (40, 150)]
LISTING = tradeoff.LISTING


@pytest.fixture(autouse=True)
def only_sums(monkeypatch: pytest.MonkeyPatch) -> None:
    """Weighted sums are searched here, though every loop could be looked at."""
    monkeypatch.setattr(tradeoff, "LISTING", 0)


@cache
def searched(kind: str, junctions: int) -> tuple[Truth, list, np.ndarray]:
    """The truth, the loops of the pool as lists of edges, and which of them are given as not dominated."""
    seed = 2
    while (known := truth(kind, junctions, seed, STEPS)) is None or known.loops < 20:
        seed += 1
    asked = known.asked
    try:
        pool = trade_off(asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start,
                         known.shortest_m, known.longest_m, **asked.rules())  # fmt: skip
    except NoLoopError:
        return known, [], np.zeros(0, dtype=bool)
    walks = [edges.tolist() for edges in pool.edges]
    assert pool.costs == pytest.approx(np.array([costs_of(asked, walk) for walk in walks]))
    return known, walks, pool.non_dominated


@pytest.mark.parametrize("kind, junctions", CASES)
def test_property_same_trade_off_on_any_number_of_threads(kind: str, junctions: int) -> None:
    known = searched(kind, junctions)[0]
    asked = known.asked
    pools = [
        trade_off(asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start,
                  known.shortest_m, known.longest_m, **asked.rules(), budget=3_000_000, threads=threads)
        for threads in (1, 2, 8)
    ]  # fmt: skip
    walks, *others = ([edges.tolist() for edges in pool.edges] for pool in pools)
    assert all(other == walks for other in others)
    assert len({pool.steps for pool in pools}) == 1


def test_loops_are_measured_where_no_sum_is_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two threads that write into the same space would let pass loops that are none, once in many runs."""
    used: dict[bool, set[int]] = {True: set(), False: set()}

    def noted(measure, *given):
        used[threading.current_thread() is threading.main_thread()].add(id(given[-1].street_mark))
        return measure(*given)

    for name in ("measure", "measure_all"):
        monkeypatch.setattr(kernels, name, partial(noted, getattr(kernels, name)))
    known = searched(*CASES[0])[0]
    asked = known.asked
    trade_off(asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start,
              known.shortest_m, known.longest_m, **asked.rules(), budget=3_000_000, threads=2)  # fmt: skip
    assert used[True] and used[False]
    assert not used[True] & used[False]


@pytest.mark.parametrize("kind, junctions", CASES)
def test_property_every_loop_of_the_trade_off_is_allowed(kind: str, junctions: int) -> None:
    known, walks, unpassed = searched(kind, junctions)
    allowed = set(map(tuple, every_loop(known.asked, known.shortest_m, known.longest_m, STEPS)))
    assert set(map(tuple, walks)) <= allowed
    costs = np.array([costs_of(known.asked, walk) for walk in walks])
    for k in np.flatnonzero(unpassed):
        assert not ((costs <= costs[k] - 1e-9).all(axis=1)).any()


def test_property_most_of_the_true_front_is_found() -> None:
    shares, volumes = [], []
    for kind, junctions in CASES:
        known, walks, _ = searched(kind, junctions)
        costs = np.array([costs_of(known.asked, walk) for walk in walks]).reshape(-1, 2)
        shares.append(found_share(known, costs))
        volumes.append(volume_share(known, costs))
        assert volumes[-1] <= 1.0 + 1e-9  # nothing found passes what was listed
    assert np.median(shares) >= 0.9 and np.median(volumes) >= 0.99
    assert min(volumes) >= 0.8


@pytest.mark.parametrize("kind, junctions", CASES)
def test_the_whole_front_where_loops_are_few(kind: str, junctions: int, monkeypatch: pytest.MonkeyPatch) -> None:
    known = searched(kind, junctions)[0]
    assert 20 <= known.loops <= tradeoff.LISTED
    asked = known.asked
    monkeypatch.setattr(tradeoff, "LISTING", LISTING)
    monkeypatch.setattr(tradeoff, "_one", None)  # no sum is searched
    pool = trade_off(asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start,
                     known.shortest_m, known.longest_m, **asked.rules())  # fmt: skip
    assert found_share(known, pool.costs[pool.non_dominated]) == 1.0
    walks = [edges.tolist() for edges in pool.edges]
    assert set(map(tuple, walks)) <= set(map(tuple, every_loop(asked, known.shortest_m, known.longest_m, STEPS)))
    assert pool.costs == pytest.approx(np.array([costs_of(asked, walk) for walk in walks]))
    assert 0 < pool.steps <= LISTING


def test_listing_of_loops_worked_by_hand() -> None:
    """A square with a diagonal: two triangles and the square, each both ways; from a stem to it, out and back."""
    ends = np.array([(0, 1), (1, 2), (2, 3), (3, 0), (0, 2)])
    tail, head = ends.ravel(), ends[:, ::-1].ravel()
    street = np.repeat(np.arange(5), 2)
    square = replace(case("planar", 12, 0), tail=tail, head=head, street=street, length_m=np.ones(10), start=0)
    square = replace(square, effort=np.ones(10), loss=np.ones(10))
    assert len(every_loop(square, 3.0, 3.0)) == 4
    assert len(every_loop(square, 3.0, 4.0)) == 6
    assert len(every_loop(replace(square, banned=np.array([(0, 2)])), 3.0, 4.0)) == 4
    assert len(every_loop(replace(square, start=1), 3.0, 4.0)) == 4
    more = {"length_m": np.ones(12), "start": 4}
    stem = replace(
        square, tail=np.r_[tail, 4, 0], head=np.r_[head, 0, 4], street=np.r_[street, 5, 5], **more
    )
    assert every_loop(stem, 3.0, 6.0) == []
    assert len(every_loop(replace(stem, may_repeat=True, length_m=np.r_[np.ones(10), 0.5, 0.5]), 3.0, 5.0)) == 6


def test_both_ways_round_are_found_where_neither_passes_the_other() -> None:
    """A square: clockwise is easier, the other way has more contact."""
    tail, head = np.array([0, 1, 2, 3, 1, 2, 3, 0]), np.array([1, 2, 3, 0, 0, 1, 2, 3])
    effort, loss = np.repeat([10.0, 20.0], 4), np.repeat([50.0, 20.0], 4)
    length_m, street = np.full(8, 1000.0), np.arange(8) % 4

    def costs(e: int) -> list[list[float]]:
        found = trade_off(tail[:e], head[:e], length_m[:e], effort[:e], loss[:e], 0, 3500.0, 4500.0, street=street[:e],
                          budget=100_000)  # fmt: skip
        return found.costs[found.non_dominated].tolist()

    assert costs(8) == [[40.0, 200.0], [80.0, 80.0]]
    assert costs(7) == [[40.0, 200.0]]  # the last street one way only


def test_a_window_that_leaves_few_loops_is_not_said_to_have_none() -> None:
    """20 junctions and a stem: every loop of the window passes nearly every junction, and no sweep closes one."""
    known = truth("lollipop", 20, 0, 1_000_000)
    assert known is not None
    asked = known.asked
    ask = (asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start)
    pool = trade_off(*ask, known.shortest_m, known.longest_m, **asked.rules())
    assert found_share(known, pool.costs) > 0.0
    longest = float(asked.length_m.sum())
    with pytest.raises(NoLoopError, match="there is no loop"):
        trade_off(*ask, longest - 1.0, longest, **asked.rules())


def test_the_search_for_any_loop_waits_for_the_sums_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    """They write into the same space."""
    searched: list[int] = []
    search_one, search_any = tradeoff._one, tradeoff._any_loop

    def one_by_one(front, one, *given):
        searched.append(one.number)
        time.sleep(0.2 * one.number)  # the last one begun ends last
        found = search_one(front, one, *given)
        searched.remove(one.number)
        return found

    def any_loop(*given):
        alone.append(not searched)
        return search_any(*given)

    monkeypatch.setattr(tradeoff, "_one", one_by_one)
    monkeypatch.setattr(tradeoff, "_any_loop", any_loop)
    asked, alone = case("lollipop", 20, 0), list[bool]()
    longest = float(asked.length_m.sum())
    with pytest.raises(NoLoopError):
        trade_off(asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start, longest - 1.0, longest,
                  **asked.rules())  # fmt: skip
    assert alone == [True]


def test_metres_ridden_again_have_a_price_by_turns_where_they_come_near_the_limit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Else labels use the limit up on the way out, and none is left for the way home."""
    prices: list[float] = []
    search_one = tradeoff._one

    def noted(front, one, *given):
        prices.append(one.repeat_price_m)
        assert one.repeat_price_m <= -0.6 * one.worth_per_m
        return search_one(front, one, *given)

    monkeypatch.setattr(tradeoff, "_one", noted)
    asked = case("lollipop", 60, 3)
    for share, priced in ((0.06, True), (0.9, False)):  # 300 m of stem are ridden again
        prices.clear()
        trade_off(asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start, 5e3, 6e3,
                  **(asked.rules() | {"repeat_share_at_most": share}), budget=6_000_000, threads=1)  # fmt: skip
        assert len(prices) > 4
        assert (max(prices[2:]) > 0.0) == priced  # the first two know of no loop
        assert min(prices) == 0.0


def test_what_is_merged_is_the_best_and_some_that_differ() -> None:
    asked = case("road-like", 150, 3)
    random = np.random.default_rng(1)
    alike = [np.r_[np.arange(0, 60, 2), [2 * k + 60]] for k in range(30)]
    others = [random.permutation(asked.street.size)[:31] for _ in range(12)]
    net = SimpleNamespace(street=asked.street)

    def chosen(loops):
        walks = [walk.astype(np.int32) for walk in loops]
        return tradeoff._to_merge(net, walks, -np.arange(len(walks), dtype=float))

    def same(found, loops):
        return [walk.tolist() for walk in found] == [walk.tolist() for walk in loops]

    merged, differing = chosen([*alike, *others, *alike[:3]])
    assert same(merged, [*alike[: tradeoff.LIKE], *others[: tradeoff.OTHER]])
    assert same(differing, others[: tradeoff.OTHER])
    merged, differing = chosen([alike[0], others[0], *alike[1:], others[1]])  # one that differs may be among the best
    assert same(merged, [alike[0], others[0], *alike[1 : tradeoff.LIKE - 1], others[1]])
    assert same(differing, others[:2])


def test_not_every_loop_kept_on_the_way_is_given_in_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = case("road-like", 250, 3)
    ask = (asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start, 5e3, 6e3)
    monkeypatch.setattr(tradeoff, "GIVEN", front.RESERVE)
    every = trade_off(*ask, **asked.rules(), budget=15_000_000)
    monkeypatch.setattr(tradeoff, "GIVEN", 20)
    given = trade_off(*ask, **asked.rules(), budget=15_000_000)
    best = every.non_dominated.sum()
    assert len(every.edges) > 40
    assert given.non_dominated.sum() == best
    assert max(best, 20) <= len(given.edges) <= 20 + best


def _three_loops(middle: tuple[float, float], small: bool = True, ways: object = None) -> Any:
    """A front of three loops, the outer ones at (0, 10) and (10, 0)."""
    loops = [(0.0, 10.0), middle, (10.0, 0.0)]
    found = [SimpleNamespace(priced=np.array(c), joined=np.array([k]), streets=[k]) for k, c in enumerate(loops)]
    return SimpleNamespace(
        unpassed=lambda: found, scale=lambda: np.array([10.0, 10.0]), tried=Counter(), looked=Counter(), ways=ways,
        costed=SimpleNamespace(edge_costs=np.zeros((1, 2)), small=small, street_length=np.zeros(3)),
    )  # fmt: skip


@pytest.mark.parametrize("small", [True, False])
def test_a_front_bent_inwards_is_searched_below_a_limit(small: bool) -> None:
    """Three loops: where the middle one lies above the line between the others, a sum never looks between them."""

    def limits(middle: tuple[float, float]) -> set[float]:
        front = _three_loops(middle, small)
        random = np.random.default_rng(1)
        drawn = [sums._next_weights(front, random, 1) for _ in range(40)]
        for weights, away, most in drawn:
            assert weights.sum() == pytest.approx(1.0)
            assert away is None or most == np.inf
            if most < np.inf:
                assert weights[1] > 0.5
        return {most for _, _, most in drawn}

    assert limits((2.0, 2.0)) == {np.inf}
    bent = limits((8.0, 8.0))
    if not small:
        assert bent == {np.inf}
    else:
        gaps = {(0.0 < most < 8.0, 8.0 < most < 10.0) for most in bent}
        assert gaps == {(True, False), (False, True)}


def test_in_a_carved_ball_a_sum_looks_as_deep_as_the_front_is_bent_inwards() -> None:
    random = np.random.default_rng(1)
    bent = _three_loops((8.0, 7.0), ways=object())  # both gaps are below one side of the hull
    looked = []
    for turn in range(3, 9):
        looked.append(sums._next_side(bent, random, turn))
        bent.looked[looked[-1][2]] += 1
    for weights, _, _ in looked:
        assert weights == pytest.approx([0.5, 0.5])
    # corners of the gaps: (8, 10) and (10, 7), of a range of 10, where the ends of the side come to a half
    assert [deep for _, deep, _ in looked[:2]] == pytest.approx([0.4, 0.35])  # the larger gap comes first
    assert sorted(Counter(gap for *_, gap in looked).values()) == [3, 3]

    full = _three_loops((2.0, 1.0), ways=object())  # the middle one is a corner of the hull
    (one, deep, _), (other, less_deep, _) = (sums._next_side(full, random, turn) for turn in (3, 4))
    sides = [np.array([0.92, 0.22]) / 1.14, np.array([0.12, 0.82]) / 0.94]
    corners = [np.array([0.2, 1.0]), np.array([1.0, 0.1])]
    values = [sides[0] @ [0.2, 0.1], sides[1] @ [0.2, 0.1]]
    assert one == pytest.approx(sides[0]) and other == pytest.approx(sides[1])
    assert [deep, less_deep] == pytest.approx([w @ c - v for w, c, v in zip(sides, corners, values, strict=True)])


def test_a_side_that_is_being_searched_is_left_to_either_hand() -> None:
    """Sums begun before others are looked at: two gaps below one side, then the side between the ends and a corner."""
    bent = _three_loops((8.0, 7.0), ways=object())
    random = np.random.default_rng(1)
    weights = [sums._next_side(bent, random, turn)[0] for turn in range(3, 6)]
    lean = sums.LEANING / (1.0 + sums.LEANING)
    assert weights[0] == pytest.approx([0.5, 0.5])
    assert weights[1] == pytest.approx([1.0 - lean, lean])
    assert weights[2] == pytest.approx([lean, 1.0 - lean])
    for gap in bent.tried:
        bent.looked[gap] = bent.tried[gap]
    assert sums._next_side(bent, random, 6)[0] == pytest.approx([0.5, 0.5])

    full = _three_loops((2.0, 1.0), ways=object())  # two sides: each is searched once before any is looked at
    one, other = (sums._next_side(full, random, turn)[0] for turn in (3, 4))
    assert one == pytest.approx(np.array([0.92, 0.22]) / 1.14) and other == pytest.approx(np.array([0.12, 0.82]) / 0.94)


def test_when_the_time_is_over_good_loops_are_not_put_together_any_more(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = Counter[str]()

    def counted(name: str, call: Any, *given: Any, **named: Any) -> Any:
        calls[name] += 1
        return call(*given, **named)

    for module, name in ((engine, "tightened"), (engine, "merged"), (union, "loops_on")):
        monkeypatch.setattr(module, name, partial(counted, name, getattr(module, name)))
    merged = tradeoff._merged
    asked = case("road-like", 250, 3)
    seen = []
    for checks in (0, 1, 9):

        def late(*given: Any, checks: int = checks) -> Any:
            asks = iter(range(100))
            return merged(*given[:-1], SimpleNamespace(passed=lambda: next(asks) >= checks))

        calls.clear()
        monkeypatch.setattr(tradeoff, "_merged", late)
        trade_off(
            asked.tail, asked.head, asked.length_m, asked.effort, asked.loss, asked.start, 5e3, 6e3, **asked.rules(),
            budget=3_000_000,
        )
        seen.append((calls["tightened"] > 0, calls["merged"] > 0, calls["loops_on"] > 0))
    assert seen == [(True, False, False), (True, True, False), (True, True, True)]
