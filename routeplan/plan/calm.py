"""A calmer ride as a choice of its own: when it is looked for, what calmer means, and which ride it is.

Effort and contact spread the choices. Traffic is a third thing that a rider may care for, and three would spread five
choices thin: so one place among them is for a ride that the others pass in effort and contact, but that keeps off busy
roads where they do not. Without busy roads in reach, or where the rider gives traffic no weight, two are all.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from routeplan import search
from routeplan.plan.setting import Setting
from routeplan.plan.timetable import Timed

# All judgement.
BUDGET_SHARE = 0.2  # of a search for loops, for those that are calm
FEW_BUSY = 0.02  # a smaller share of the streets in reach is not worth keeping off
CALMER_M = 1000.0  # fewer metres on busy roads are noticed from here on ...
CALMER_SHARE = 0.2  # ... and from this share of them
HARDER = 1.1  # times the effort of the hardest of the others: nobody goes further to be calm
LESS_CONTACT = 0.15  # nor gives more than this of a contact share below the poorest of the others
AS_EASY, AS_GOOD = 1.01, 0.02  # effort and contact share that are as good as another's
POINTS = 4096


def wanted(setting: Setting) -> bool:
    """Whether traffic counts beside effort and contact: several choices, some weight, and roads to keep off."""
    if setting.ride.ride.choices < 2 or setting.ride.rider.stress_weight <= 0:
        return False
    length_m = setting.network.edge_length_m
    return float(setting.edge_busy_m.sum()) >= FEW_BUSY * float(length_m.sum())


def less_busy_m(timed: Timed, other: Timed) -> float:
    """Metres on busy roads that a ride has less than another, where a rider would notice; else 0."""
    less = other.busy_m - timed.busy_m
    return less if less >= max(CALMER_M, CALMER_SHARE * other.busy_m) else 0.0


def worth_a_look(found: Sequence[Timed]) -> bool:
    """Whether half of the loops found could be noticeably calmer at all."""
    return bool(np.median([timed.busy_m for timed in found]) >= CALMER_M)


def calm_choice(
    setting: Setting, pool: Sequence[Timed], costs: np.ndarray, shown: Sequence[Timed], shown_costs: np.ndarray,
    shared_at_most: float,
) -> Timed | None:  # fmt: skip
    """The ride of the pool that adds most to those shown by being calmer; None where none is.

    costs, shown_costs : (n, 2) and (s, 2), effort and loss with prices, as the choices are made by.
    """
    fits = np.array([_fits(setting, timed, shown, shared_at_most) for timed in pool], dtype=bool)
    if not fits.any():
        return None
    some = np.flatnonzero(fits)
    busy_m = np.array([timed.busy_m for timed in pool])
    of_some = np.column_stack([costs[some], busy_m[some]])
    of_shown = np.column_stack([shown_costs, np.array([timed.busy_m for timed in shown])])
    every = np.concatenate([of_some, of_shown])
    span = np.maximum(np.ptp(every, axis=0), 1e-9)
    points = every.min(axis=0) + np.random.default_rng(0).random((POINTS, 3)) * 1.25 * span
    left = points[~(points[:, None] >= of_shown[None]).all(axis=2).any(axis=1)]
    gained = (left[:, None] >= of_some[None]).all(axis=2).sum(axis=0)
    best = int(np.lexsort([np.arange(some.size), of_some[:, 0], -gained])[0])
    return pool[int(some[best])] if gained[best] else None


def _fits(setting: Setting, timed: Timed, shown: Sequence[Timed], shared_at_most: float) -> bool:
    """Whether a ride is calmer than all shown that are as good in effort and contact, and not too like any."""
    effort, share = timed.ridden.effort_kj, timed.figures.share
    if effort > HARDER * max(o.ridden.effort_kj for o in shown):
        return False
    if share < min(o.figures.share for o in shown) - LESS_CONTACT:
        return False
    as_good = [o for o in shown if o.ridden.effort_kj <= AS_EASY * effort and o.figures.share >= share - AS_GOOD]
    if not all(less_busy_m(timed, o) for o in as_good or shown):
        return False
    return all(shared_share(setting, timed, o) <= shared_at_most for o in shown)


def shared_share(setting: Setting, one: Timed, other: Timed) -> float:
    """Length of the streets that two rides share, over that of the streets of the shorter one."""
    network = setting.network
    first, second = (np.unique(network.edge_street[t.ridden.edges]) for t in (one, other))
    return search.shared_share(first, second, network.street_length_m)
