"""Detours round stretches of a ride, and the best of them together: worked by hand, and against plain enumeration."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest

from routeplan.errors import InputError
from routeplan.search import combine, find_detours


def ladder(rungs: int, side_m: float = 1100.0):
    """A straight ride over 0..rungs with a road beside it and a rung at each place; both directions of each street.

    Ride edges are 1000 m, the road beside `side_m`, rungs 100 m. Returns (tail, head, length, walk)."""
    ride = [(i, i + 1, 1000.0) for i in range(rungs)]
    beside = [(rungs + 1 + i, rungs + 2 + i, side_m) for i in range(rungs)]
    rung = [(i, rungs + 1 + i, 100.0) for i in range(rungs + 1)]
    streets = ride + beside + rung
    tail, head, length = (np.array(column) for column in zip(*streets, *[(b, a, m) for a, b, m in streets]))
    return tail, head, length, np.arange(rungs)


def with_dead(count: int, walk: np.ndarray, dead: dict[int, float]) -> np.ndarray:
    out = np.zeros(count)
    for position, seconds in dead.items():
        out[walk[position]] = seconds
    return out


def test_the_smallest_detour_round_a_stretch():
    tail, head, length, walk = ladder(8)
    dead = with_dead(len(tail), walk, {4: 200.0})
    (found,) = find_detours(tail, head, length, length / 10, dead, walk, [(4, 5)], longer_at_most_m=2000)
    best = found.detours[0]
    assert (best.first, best.past, best.dead_s) == (4, 5, -200.0)
    assert best.length_m == pytest.approx(300.0) and best.effort == pytest.approx(30.0)
    np.testing.assert_array_equal(head[best.edges[:-1]], tail[best.edges[1:]])
    assert found.epsilon == 0 and len(found.detours) == 1  # longer ones cost more and take out no more


def test_longer_detours_only_where_they_take_out_more():
    tail, head, length, walk = ladder(8)
    dead = with_dead(len(tail), walk, {3: 50.0, 4: 200.0, 5: 50.0})
    (found,) = find_detours(tail, head, length, length / 10, dead, walk, [(3, 6)], longer_at_most_m=2000)
    assert [(d.past - d.first, d.dead_s) for d in found.detours] == [(1, -200.0), (2, -250.0), (3, -300.0)]
    nearest = find_detours(tail, head, length, length / 10, dead, walk, [(3, 6)], longer_at_most_m=350)[0]
    assert [(d.first, d.past) for d in nearest.detours] == [(4, 5)]


def test_a_detour_keeps_off_the_streets_of_the_ride():
    """Out and back on one lane: the way round on the lane itself is no detour, the road beside it is."""
    tail, head, length, _ = ladder(4)
    half = len(tail) // 2
    walk = np.array([0, 1, 2, 3, half + 3, half + 2, half + 1, half + 0])
    dead = with_dead(len(tail), walk, {5: 100.0})
    (found,) = find_detours(tail, head, length, length, dead, walk, [(5, 6)], longer_at_most_m=3000)
    ridden = set((walk % half).tolist())
    assert found.detours and all(not ridden & set((d.edges % half).tolist()) for d in found.detours)
    bare = np.arange(half) < 4  # the lane alone
    keep = np.concatenate([bare, bare])
    row = np.cumsum(keep) - 1
    (none,) = find_detours(tail[keep], head[keep], length[keep], length[keep], dead[keep], row[walk], [(5, 6)],
                           longer_at_most_m=3000)  # fmt: skip
    assert none.detours == ()


def test_banned_turns_hold_where_the_detour_leaves_and_joins():
    tail, head, length, walk = ladder(8)
    dead = with_dead(len(tail), walk, {4: 200.0})
    rung_out = int(np.flatnonzero((tail == 4) & (head == 13))[0])
    rung_in = int(np.flatnonzero((tail == 14) & (head == 5))[0])
    banned = [(3, rung_out), (rung_in, 5), (2, 3)]  # the last is a turn that the ride makes anyway
    (found,) = find_detours(
        tail, head, length, length, dead, walk, [(4, 5)], longer_at_most_m=3000, banned_turns=banned
    )
    best = found.detours[0]
    assert (best.first, best.past) == (3, 6)


def test_too_short_a_way_is_left_out_and_does_not_hide_the_next():
    """A short cut from place 1 to 9 passes every other detour; where the ride may not be cut short it is barred."""
    tail, head, length, walk = ladder(10)
    tail, head, length = np.append(tail, 1), np.append(head, 9), np.append(length, 500.0)
    dead = with_dead(len(tail), walk, {4: 200.0})
    ask = {"longer_at_most_m": 2000, "within_m": 8000}
    (cut,) = find_detours(tail, head, length, length, dead, walk, [(4, 5)], **ask, shorter_at_most_m=9000)
    assert [(d.first, d.past) for d in cut.detours] == [(1, 9)]
    (kept,) = find_detours(tail, head, length, length, dead, walk, [(4, 5)], **ask, shorter_at_most_m=100)
    assert (kept.detours[0].first, kept.detours[0].past) == (4, 5)


def test_ring_may_be_ridden_again():
    """A roundabout on the ride: its ring has street -1 and serves ride and detour."""
    #       the ride is 0 > 1 > 2 > 3, ring 1 > 2 > 4 > 1; the way round leaves by 4
    tail = np.array([0, 1, 2, 2, 4, 4, 5])
    head = np.array([1, 2, 3, 4, 1, 5, 3])
    street = np.array([0, -1, 1, -1, -1, 2, 3])
    length = np.array([500.0, 10, 500, 10, 10, 400, 400])
    dead = np.array([0.0, 0, 90, 0, 0, 0, 0])
    (found,) = find_detours(tail, head, length, length, dead, [0, 1, 2], [(2, 3)], street=street, longer_at_most_m=900)
    assert found.detours[0].edges.tolist() == [3, 5, 6]


def plain_choices(detours, longer_m):
    """Every set of detours that do not overlap and take out dead time, by trying all."""
    for taken in product([False, True], repeat=len(detours)):
        few = sorted((d for d, take in zip(detours, taken) if take), key=lambda d: d.first)
        if few and all(a.past <= b.first for a, b in pairwise(few)):
            change = np.sum([(d.length_m, d.effort, d.dead_s) for d in few], axis=0)
            if change[0] <= longer_m:
                yield tuple(change)


def test_property_combinations_against_all_sets():
    tail, head, length, walk = ladder(24)
    rng = np.random.default_rng(4)
    length = length + rng.integers(0, 80, len(length))
    effort = rng.integers(1, 60, len(length)).astype(float)
    dead = with_dead(len(tail), walk, {3: 100.0, 4: 30.0, 11: 60.0, 18: 250.0, 19: 20.0})
    stretches = [(3, 5), (11, 12), (18, 20)]
    found = find_detours(tail, head, length, effort, dead, walk, stretches, longer_at_most_m=900, at_most=4)
    detours = [d for each in found for d in each.detours]
    assert 4 <= len(detours) <= 12
    choices = combine(tail, head, length, effort, dead, walk, detours, longer_at_most_m=900)
    every = set(plain_choices(detours, 900 + 1e-6))
    nowhere_larger = [v for v in every if not any(all(a <= b for a, b in zip(w, v)) and w != v for w in every)]
    np.testing.assert_allclose(
        sorted((m.length_m, m.effort, m.dead_s) for m in choices.mended), sorted(nowhere_larger), atol=1e-6
    )
    for mended in choices.mended:
        np.testing.assert_array_equal(head[mended.edges[:-1]], tail[mended.edges[1:]])
        assert length[mended.edges].sum() - length[walk].sum() == pytest.approx(mended.length_m)
        assert mended.detours


def test_two_detours_do_not_ride_one_street_twice():
    """Both stretches can be passed only over the same side road: one or the other, not both."""
    #       ride 0 > 1 > 2 > 3 > 4 > 5, then back at 1's side by other streets: 6 is beside both
    tail = np.array([0, 1, 2, 3, 4, 1, 6, 7, 2, 7, 3, 6])
    head = np.array([1, 2, 3, 4, 5, 6, 7, 2, 7, 6, 6, 4])
    #  detour of edge 1: 1 > 6 > 7 > 2; of edge 3 at 3: 3 > 6 > 4 : they share none; of edge 2: 2 > 7 > 6 > (4)
    length = np.full(12, 100.0)
    dead = np.array([0.0, 90, 90, 90, 0, 0, 0, 0, 0, 0, 0, 0])
    walk = np.arange(5)
    found = find_detours(tail, head, length, length, dead, walk, [(1, 2), (2, 4)], longer_at_most_m=900)
    detours = [d for each in found for d in each.detours]
    choices = combine(tail, head, length, length, dead, walk, detours, longer_at_most_m=900)
    streets = {6: 6, 9: 6, 7: 7, 8: 7}
    for mended in choices.mended:
        ridden = [streets.get(int(e), int(e)) for e in mended.edges]
        assert len(set(ridden)) == len(ridden)


def test_every_fault_at_once():
    tail, head, length, _ = ladder(3)
    bad = length.copy()
    bad[2] = np.nan
    with pytest.raises(InputError) as caught:
        find_detours(tail, head, bad, length, length, [0, 2], [(1, 5)], longer_at_most_m=1.0)
    text = str(caught.value)
    assert "edge 2: length_m is nan" in text and "edge 2 does not begin where edge 0 ends" in text and "(1, 5)" in text
