"""Repairs of a ride: the smallest detours round a stretch of it, and the best of them together.

A detour leaves the ride at one of its places, rides streets that the ride does not use, and joins it again further on.
So it never turns back where it leaves or joins, and never rides a street a second time. Both steps are asked of
`pareto_routes`: the first, for each place of leaving, on a graph of the streets beside the ride and the ride after; the
second on the ride itself as a chain of places, with the detours as other ways along it, so that detours never overlap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from routeplan.errors import Fault, InputError
from routeplan.search.ball import check_pairs, edge_array, node_array, streets_of
from routeplan.search.pareto import non_dominated, pareto_routes
from routeplan.search.values import ParetoResult

GAIN_AT_LEAST_S = 1.0  # less dead time than that taken out is none
WHOLE_WITHIN_S = 1.0  # of one search; what takes longer is looked for anew, within the next of these shares
EPSILONS = (0.0, 0.002, 0.01, 0.05)


@dataclass(frozen=True, eq=False)
class Detour:
    """Edges in place of positions first..past - 1 of the ride. Figures are those of the ride with it, less without."""

    first: int
    past: int
    edges: np.ndarray
    length_m: float
    effort: float
    dead_s: float  # negative: dead time taken out


@dataclass(frozen=True, eq=False)
class Mended:
    """A ride with some detours, none of which overlap, and what it has more than the ride as it was."""

    edges: np.ndarray
    detours: tuple[int, ...]  # into the detours given
    length_m: float
    effort: float
    dead_s: float


@dataclass(frozen=True, eq=False)
class Detours:
    """Detours round one stretch, the least effort first."""

    detours: tuple[Detour, ...]
    epsilon: float  # above 0: every other is passed by at most this share of the costs of the ride round the stretch


@dataclass(frozen=True, eq=False)
class Choices:
    """Rides mended with some of the detours, the least effort first."""

    mended: tuple[Mended, ...]
    epsilon: float  # above 0: every other is passed by at most this share of the costs of the whole ride


@dataclass(frozen=True, eq=False)
class _Given:
    """A ride on arrays, checked."""

    tail: np.ndarray
    head: np.ndarray
    cost: np.ndarray  # (e, 3): length, effort, dead
    street: np.ndarray
    walk: np.ndarray
    banned: np.ndarray
    at_m: np.ndarray  # (k + 1,) distance along the ride at its places


def find_detours(
    tail: Any,
    head: Any,
    length_m: Any,
    effort: Any,
    dead_s: Any,
    walk: Any,
    stretches: Sequence[tuple[int, int]],
    *,
    longer_at_most_m: float,
    shorter_at_most_m: float | None = None,
    within_m: float = 3000.0,
    street: Any = None,
    banned_turns: Any = None,
    at_most: int = 30,
) -> tuple[Detours, ...]:
    """For each stretch of a ride the detours that no other passes in length, effort and dead time.

    tail, head, length_m, effort, dead_s : (e,) directed edges and what they cost, all >= 0
    walk : (k,) edges of the ride, each beginning where the one before ends; places may recur
    stretches : (first, past) positions in the walk; a detour leaves the ride less than `within_m` before the stretch
        and joins it less than `within_m` after, and leaves out at least one edge
    longer_at_most_m, shorter_at_most_m : bounds on the change of length (shorter: as longer where not given); no detour
        leads to a place to which a way beside the ride is shorter than that
    street : (e,) equal for the edges of one street (None: as in `best_loops`); below 0: may be ridden again, as the
        ring of a roundabout
    banned_turns : (m, 2) edges of which the second may not follow the first
    at_most : so many for each stretch, spread over the dead time that they take out

    Detours that take out no dead time are left out. Raises InputError with every fault.
    """
    given = _checked(tail, head, length_m, effort, dead_s, walk, stretches, street, banned_turns)
    shorter_at_most_m = longer_at_most_m if shorter_at_most_m is None else shorter_at_most_m
    beside = _beside(given)
    return tuple(
        _round(given, beside, stretch, within_m, longer_at_most_m, shorter_at_most_m, at_most) for stretch in stretches
    )


def combine(
    tail: Any,
    head: Any,
    length_m: Any,
    effort: Any,
    dead_s: Any,
    walk: Any,
    detours: Sequence[Detour],
    *,
    longer_at_most_m: float,
    shorter_at_most_m: float | None = None,
    street: Any = None,
    banned_turns: Any = None,
) -> Choices:
    """Choices among detours for the whole ride that no other passes in change of length, effort and dead time.

    The change of length counts whichever way a detour changes it, so that short cuts do not hide the rest.

    Detours of one choice do not overlap, do not share a street and do not turn back from one to the next. Arguments as
    in `find_detours`. Choices that take out no dead time are left out.
    """
    given = _checked(tail, head, length_m, effort, dead_s, walk, [], street, banned_turns)
    shorter_at_most_m = longer_at_most_m if shorter_at_most_m is None else shorter_at_most_m
    count = len(given.walk)
    ride = given.cost[given.walk]
    ride[:, 0] = 0.0
    before = np.arange(count)
    first = np.concatenate([before, np.array([d.first for d in detours], dtype=np.int64)])
    past = np.concatenate([before + 1, np.array([d.past for d in detours], dtype=np.int64)])
    others = np.array([given.cost[d.edges].sum(axis=0) for d in detours]).reshape(-1, 3)
    others[:, 0] = [abs(d.length_m) for d in detours]
    cost = np.concatenate([ride, others])
    whole = given.cost[given.walk].sum(axis=0)
    bans = _clashes(given, detours, count)
    found = _front(first, past, cost, 0, count, longer_at_most_m + shorter_at_most_m, bans)
    mended = []
    for arcs in found.edges:
        taken = tuple(int(a) - count for a in arcs if a >= count)
        parts = [given.walk[a : a + 1] if a < count else detours[a - count].edges for a in arcs.tolist()]
        edges = np.concatenate(parts)
        change = given.cost[edges].sum(axis=0) - whole
        good = change[2] <= -GAIN_AT_LEAST_S and -shorter_at_most_m <= change[0] <= longer_at_most_m
        if good and not _rides_twice([detours[k] for k in taken], given):
            mended.append(Mended(edges, taken, *map(float, change)))
    return Choices(tuple(sorted(mended, key=lambda m: (m.effort, m.dead_s, m.length_m))), found.epsilon)


def _front(
    tail: np.ndarray, head: np.ndarray, cost: np.ndarray, start: int, end: int, limit: float, bans: np.ndarray
) -> ParetoResult:
    """All routes that no other passes, or within the first of EPSILONS that does not take long."""
    for epsilon in EPSILONS:
        within_s = None if epsilon == EPSILONS[-1] else WHOLE_WITHIN_S
        found = pareto_routes(
            tail, head, cost, start, end, limit=limit, banned_turns=bans, epsilon=epsilon, time_limit_s=within_s
        )
        if found.complete:
            break
    return found


@dataclass(frozen=True, eq=False)
class _Beside:
    """The streets beside a ride, by tail: rows first[i]:first[i + 1] leave node i."""

    edge: np.ndarray
    tail: np.ndarray
    head: np.ndarray
    first: np.ndarray
    cost: np.ndarray  # (rows, 3)


def _beside(given: _Given) -> _Beside:
    """All edges but those of streets that the ride uses."""
    edge = np.flatnonzero((given.street < 0) | ~np.isin(given.street, given.street[given.walk]))
    edge = edge[np.argsort(given.tail[edge], kind="stable")]
    nodes = int(max(given.tail.max(), given.head.max())) + 1
    first = np.searchsorted(given.tail[edge], np.arange(nodes + 1)).astype(np.int32)
    return _Beside(edge, given.tail[edge], given.head[edge], first, given.cost[edge])


def _round(
    given: _Given,
    beside: _Beside,
    stretch: tuple[int, int],
    within_m: float,
    longer_m: float,
    shorter_m: float,
    at_most: int,
) -> Detours:
    """Detours round one stretch: those of each place at which the ride may be left."""
    first, past = stretch
    at_m = given.at_m
    begin = min(int(np.searchsorted(at_m, at_m[first] - within_m, side="left")), first)
    end = max(int(np.searchsorted(at_m, at_m[past] + within_m, side="right")) - 1, past)
    found: list[Detour] = []
    epsilon = 0.0
    for leave in range(begin, past):
        detours, within = _leaving(given, beside, leave, np.arange(max(first, leave) + 1, end + 1), longer_m, shorter_m)
        found += detours
        epsilon = max(epsilon, within)
    return Detours(_spread(found, at_most), epsilon)


def _leaving(
    given: _Given, beside: _Beside, leave: int, join_at: np.ndarray, longer_m: float, shorter_m: float
) -> tuple[list[Detour], float]:
    """Detours that leave the ride at one of its places and join it at one of others, and the epsilon of the search.

    Places to which a way leads that is too short are left out, so that it does not hide the longer ways to others."""
    from routeplan.search.route_kernels import least

    place = np.append(given.tail[given.walk], given.head[given.walk[-1]])
    at_m, end = given.at_m, int(join_at[-1])
    reach_m = float(at_m[end] - at_m[leave]) + longer_m
    source = int(place[leave])
    out = np.arange(beside.first[source], beside.first[source + 1])
    if leave:
        before = given.walk[leave - 1]
        out = out[~_is_banned(given, np.full(len(out), before), beside.edge[out])]
    if not len(out):
        return [], 0.0
    nodes = len(beside.first) - 1
    to_m = least(beside.first, beside.head, beside.cost, 0, source, reach_m, np.ones(nodes, bool))
    replaced_m = at_m[join_at] - at_m[leave]
    way_m = to_m[place[join_at]]
    join_at = join_at[(way_m >= replaced_m - shorter_m) & (way_m <= replaced_m + longer_m)]
    if not len(join_at):
        return [], 0.0

    # Node 0 is the place of leaving, 1 the end; then the places of the ride after it, then the nodes of streets.
    count = end - leave
    after = np.r_[0, 2 + np.arange(1, count), 1]  # of place leave + i
    node = 2 + count + np.arange(nodes)
    chain = given.walk[leave:end]
    rows = np.flatnonzero(np.isfinite(to_m[beside.tail]) & np.isfinite(to_m[beside.head]))
    single, onto = _pairs(beside.head[out], place[join_at])
    onto = join_at[onto]
    single = out[single]
    last, upon = _pairs(beside.head[rows], place[join_at])
    last, upon = rows[last], join_at[upon]
    parts = [  # tail, head, edge, place of joining
        (after[:-1], after[1:], chain, np.full(count, -1)),  # the ride as it is, and after
        (np.zeros(len(out), int), node[beside.head[out]], beside.edge[out], np.full(len(out), -1)),
        (np.zeros(len(single), int), after[onto - leave], beside.edge[single], onto),
        (node[beside.tail[rows]], node[beside.head[rows]], beside.edge[rows], np.full(len(rows), -1)),
        (node[beside.tail[last]], after[upon - leave], beside.edge[last], upon),
    ]
    tail, head, edge, meets = (np.concatenate([p[k] for p in parts]).astype(np.int64) for k in range(4))
    good = np.ones(len(edge), bool)
    joins = np.flatnonzero((meets >= 0) & (meets < len(given.walk)))
    good[joins] = ~_is_banned(given, edge[joins], given.walk[meets[joins]])
    tail, head, edge, meets = tail[good], head[good], edge[good], meets[good]
    ends = (np.arange(len(edge)) >= count) & ((tail == 0) | (meets >= 0))
    bans = np.concatenate(
        [_turns_between(given.banned, edge, tail, head), _turns_back(given.street[edge], tail, head, ends)]
    )
    bans = bans[(bans >= count).all(axis=1)]
    whole = given.cost[chain].sum(axis=0)
    found = _front(tail, head, given.cost[edge], 0, 1, float(whole[0]) + longer_m, bans)
    detours = []
    for arcs in found.edges:
        if arcs[0] < count:
            continue  # the ride as it is
        joined = int(np.flatnonzero(meets[arcs] >= 0)[0])
        change = given.cost[edge[arcs]].sum(axis=0) - whole
        if change[2] <= -GAIN_AT_LEAST_S and change[0] >= -shorter_m:
            detours.append(_trimmed(given, leave, int(meets[arcs[joined]]), edge[arcs[: joined + 1]], change))
    return detours, found.epsilon


def _trimmed(given: _Given, first: int, past: int, edges: np.ndarray, change: np.ndarray) -> Detour:
    """A detour without what it shares with the ride at its ends: edges of a ring that both pass."""
    walk = given.walk
    while len(edges) > 1 and past - first > 1 and edges[0] == walk[first]:
        first, edges = first + 1, edges[1:]
    while len(edges) > 1 and past - first > 1 and edges[-1] == walk[past - 1]:
        past, edges = past - 1, edges[:-1]
    return Detour(first, past, edges, *map(float, change))


def _is_banned(given: _Given, into: np.ndarray, out: np.ndarray) -> np.ndarray:
    """Whether pairs of edges are among the banned turns."""
    count = len(given.tail)
    return np.isin(into.astype(np.int64) * count + out, given.banned[:, 0] * count + given.banned[:, 1])


def _pairs(of: np.ndarray, among: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Indices (i, j) of all equal entries of two arrays."""
    order = np.argsort(among, kind="stable")
    low = np.searchsorted(among[order], of, side="left")
    count = np.searchsorted(among[order], of, side="right") - low
    i = np.repeat(np.arange(len(of)), count)
    step = np.arange(len(i)) - np.repeat(np.cumsum(count) - count, count)
    return i, order[low[i] + step]


def _turns_between(banned: np.ndarray, edge: np.ndarray, tail: np.ndarray, head: np.ndarray) -> np.ndarray:
    """Pairs (m, 2) of arcs that follow each other along a banned pair of edges."""
    row, into = _pairs(banned[:, 0], edge)
    pair, out = _pairs(banned[row, 1], edge)
    into = into[pair]
    return np.column_stack([into, out])[head[into] == tail[out]]


def _turns_back(street: np.ndarray, tail: np.ndarray, head: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Pairs (m, 2) of arcs that turn back on the street on which the ride is left or joined (`ends`)."""
    side = np.flatnonzero((street >= 0) & ends)
    into, out = _pairs(street[side], street)
    into = side[into]
    pairs = np.concatenate([np.column_stack([into, out]), np.column_stack([out, into])])
    return np.unique(pairs[(head[pairs[:, 0]] == tail[pairs[:, 1]]) & (pairs[:, 0] != pairs[:, 1])], axis=0)


def _spread(detours: list[Detour], at_most: int) -> tuple[Detour, ...]:
    """Those that no other passes, and of many some that are spread over the dead time they take out."""
    if not detours:
        return ()
    costs = np.array([(d.length_m, d.effort, d.dead_s) for d in detours])
    kept = [detours[k] for k in non_dominated(costs - costs.min(axis=0))]
    if len(kept) > at_most:
        # What counts most are effort and dead time: those first that no other passes in these two.
        two = np.array([(d.effort, d.dead_s) for d in kept])
        best = [kept[k] for k in non_dominated(two)]
        if len(best) > at_most:
            best = [best[k] for k in np.unique(np.linspace(0, len(best) - 1, at_most).astype(int))]
        rest = sorted((d for d in kept if d not in best), key=lambda d: (d.length_m, d.effort))
        kept = [*best, *rest[: at_most - len(best)]]
    return tuple(sorted(kept, key=lambda d: (d.effort, d.dead_s, d.length_m)))


def _clashes(given: _Given, detours: Sequence[Detour], count: int) -> np.ndarray:
    """Pairs (m, 2) of arcs of the chain that may not follow each other: banned turns, turns back between detours."""
    ends = [(int(given.walk[i]), int(given.walk[i]), i, i + 1) for i in range(count)]
    ends += [(int(d.edges[0]), int(d.edges[-1]), d.first, d.past) for d in detours]
    bans = set(map(tuple, given.banned.tolist()))
    leaving: dict[int, list[int]] = {}
    for arc, (_, _, first, _) in enumerate(ends):
        leaving.setdefault(first, []).append(arc)
    clashes = []
    for arc, (_, last, _, past) in enumerate(ends):
        for other in leaving.get(past, ()):
            onward = ends[other][0]
            if arc < count and other < count:
                continue  # as the ride goes anyway
            back = given.street[last] == given.street[onward] and given.street[last] >= 0
            if back or (last, onward) in bans:
                clashes.append((arc, other))
    return np.array(clashes, dtype=np.int64).reshape(-1, 2)


def _rides_twice(taken: Sequence[Detour], given: _Given) -> bool:
    """Whether a street is ridden by two of the detours."""
    streets = [np.unique(given.street[d.edges]) for d in taken]
    every = np.concatenate([np.empty(0, np.int64), *streets])
    every = every[every >= 0]
    return len(np.unique(every)) < len(every)


def _checked(
    tail: Any, head: Any, length_m: Any, effort: Any, dead_s: Any, walk: Any,
    stretches: Sequence[tuple[int, int]], street: Any, banned_turns: Any,
) -> _Given:  # fmt: skip
    faults: list[Fault] = []
    tail, head = node_array("tail", tail, faults), node_array("head", head, faults)
    count = len(tail)
    if len(head) != count:
        faults.append(Fault(f"{count} tails, {len(head)} heads", "tail, head", "give both for each edge"))
        raise InputError(faults)
    columns = {"length_m": length_m, "effort": effort, "dead_s": dead_s}
    cost = np.column_stack([edge_array(k, v, count, faults, negative=False) for k, v in columns.items()])
    banned = check_pairs("banned_turns", [] if banned_turns is None else banned_turns, count, faults)
    walk = np.asarray(walk)
    if walk.ndim != 1 or not walk.size or not np.issubdtype(walk.dtype, np.integer):
        faults.append(Fault("walk is no list of edges", "walk", "give the indices of its edges, one at least"))
    elif walk.min() < 0 or walk.max() >= count:
        faults.append(Fault(f"edges {walk.min()} to {walk.max()}", "walk", f"edges are 0 to {count - 1}"))
    else:
        for k in np.flatnonzero(head[walk[:-1]] != tail[walk[1:]])[:5]:
            at = f"walk, position {k + 1}"
            faults.append(Fault(f"edge {walk[k + 1]} does not begin where edge {walk[k]} ends", at))
        for first, past in stretches:
            if not 0 <= first < past <= walk.size:
                faults.append(Fault(f"({first}, {past})", "stretches", f"must lie within 0 and {walk.size}"))
    street = streets_of(tail, head) if street is None else np.asarray(street)
    if street.shape != (count,):
        faults.append(Fault(f"street has shape {street.shape}", "street", f"give one for each of {count} edges"))
    if faults:
        raise InputError(faults)
    at_m = np.concatenate([[0.0], np.cumsum(cost[walk, 0])])
    return _Given(tail, head, cost, street.astype(np.int64), walk.astype(np.int64), banned, at_m)
