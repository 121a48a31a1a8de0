"""A noisy track put on the streets: which edges were ridden, and where on them each track point lies.

A hidden Markov model after Newson and Krumm, "Hidden Markov map matching through noise and sparseness", ACM
GIS 2009: a candidate costs its squared distance from the track point over the noise, a step costs the
difference between the way on the streets and the straight line. The path of least cost is found forward,
point by point. Where no candidate lies near, or no way joins two points, the track is cut and begins anew.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from routeplan.errors import InputError
from routeplan.roads.network import LONGEST_PIECE_M, Network

SPACING_M = 25.0  # the track is thinned to this before matching
CANDIDATES = 6  # nearest streets looked at for each point
REACH, REACH_MORE_M = (
    1.5,
    200.0,
)  # a way on the streets longer than this times the straight line, plus, is none
BACK_M = 60.0  # so far noise may set the rider back along a street
HAIRPIN_M = 50.0  # places on one street this far apart along it are two candidates
TURN_COST = 8.0  # of turning back on a street: noise makes no turns, a real one shows after some 75 m
LONG_STOP_S = 3600.0


@dataclass(frozen=True)
class Match:
    """Streets ridden, and the track on them; t track points, k edges.

    Distances count along the way ridden, from the track's first matched place; a cut adds nothing. Edge i is
    ridden from `enters_m[i]` on; where a rider turned back in the middle of a street it is not ridden whole.
    """

    edges: np.ndarray  # int32 (k,): directed edges in order
    begins_m: np.ndarray  # float64 (k,): distance at which each edge's own tail lies (it may lie before the track)
    enters_m: np.ndarray  # float64 (k,): distance at which the rider comes onto the edge
    part: np.ndarray  # int32 (k,): stretch number; a new one begins after every cut
    distance_m: np.ndarray  # float64 (t,): of each track point along the way, NaN where unmatched
    off_m: np.ndarray  # float64 (t,): of each track point from its place on the street, NaN where unmatched
    edge_at: np.ndarray  # int32 (t,): position in `edges` of each track point, -1 where unmatched
    offset_m: np.ndarray  # float64 (t,): along that edge from its tail, NaN where unmatched

    @property
    def matched_share(self) -> float:
        return float(np.isfinite(self.distance_m).mean()) if len(self.distance_m) else 0.0

    @property
    def length_m(self) -> float:
        known = self.distance_m[np.isfinite(self.distance_m)]
        return float(known[-1]) if len(known) else 0.0


def match_track(
    network: Network,
    x_m: np.ndarray,
    y_m: np.ndarray,
    time_s: np.ndarray | None = None,
    *,
    noise_m: float = 10.0,
    within_m: float = 50.0,
    beta_m: float = 15.0,
    gap_m: float = 2000.0,
) -> Match:
    """Put a track on the streets.

    x_m, y_m : (t,) in order, working coordinates; NaN is a lost fix. time_s : (t,) or None, used only to
    cut where more than an hour and gap_m / 4 lie between two points.
    noise_m : standard deviation of a fix. within_m : how far a street may lie. beta_m : scale of detours.
    gap_m : longest hole in the track that is bridged by a way on the streets.
    Raises InputError where no point lies near a street.
    """
    x_m, y_m = np.asarray(x_m, float), np.asarray(y_m, float)
    if x_m.shape != y_m.shape or x_m.ndim != 1 or not len(x_m):
        raise InputError(f"a track of {x_m.shape} and {y_m.shape} coordinates")
    kept = _thinned(x_m, y_m, SPACING_M)
    smooth_x, smooth_y = _smoothed(x_m, y_m, kept)
    steps = _candidates(network, smooth_x, smooth_y, kept, within_m)
    steps = [step for step in steps if len(step.edge)]
    if not steps:
        raise InputError(
            f"no point of the track lies within {within_m:.0f} m of a street", "track", "is it in this area?"
        )
    ways = _Ways(network, REACH * gap_m + REACH_MORE_M)
    stretches = _cheapest(steps, ways, smooth_x, smooth_y, time_s, noise_m, beta_m, gap_m)
    return _laid_out(network, stretches, ways, (smooth_x, smooth_y), (x_m, y_m), within_m)


@dataclass(frozen=True)
class _Step:
    """Candidates of one thinned track point."""

    at: int  # index of the track point
    edge: np.ndarray  # directed edges
    offset_m: np.ndarray  # along the edge, from its tail
    off_m: np.ndarray


def _thinned(x: np.ndarray, y: np.ndarray, spacing_m: float) -> list[int]:
    """Indices of points at least `spacing_m` apart, the first and the last finite one included."""
    finite = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if not len(finite):
        return []
    xs, ys = x[finite].tolist(), y[finite].tolist()
    kept, last_x, last_y = [0], xs[0], ys[0]
    square = spacing_m * spacing_m
    for i in range(1, len(xs)):
        if (xs[i] - last_x) ** 2 + (ys[i] - last_y) ** 2 >= square:
            kept.append(i)
            last_x, last_y = xs[i], ys[i]
    if kept[-1] != len(xs) - 1 and len(kept) > 1:
        kept.append(len(xs) - 1)
    return finite[kept].tolist()


def _smoothed(x: np.ndarray, y: np.ndarray, kept: list[int]) -> tuple[np.ndarray, np.ndarray]:
    """The track with each kept point at the mean of the points around it (within half the spacing).

    Thinning picks the points that noise has thrown farthest; their neighbours say where the rider was.
    """
    out_x, out_y = x.copy(), y.copy()
    radius = (SPACING_M / 2) ** 2
    for at in kept:
        near = slice(max(0, at - 8), at + 9)
        dx, dy = x[near] - x[at], y[near] - y[at]
        close = dx * dx + dy * dy <= radius
        out_x[at], out_y[at] = x[at] + dx[close].mean(), y[at] + dy[close].mean()
    return out_x, out_y


def _candidates(network: Network, x: np.ndarray, y: np.ndarray, kept: list[int], within_m: float) -> list[_Step]:
    """For each kept point the nearest place on each street around, in both directions that are allowed."""
    tree, pieces = network._tree
    if not len(pieces) or not kept:
        return []
    where = np.column_stack((x[kept], y[kept]))
    balls = tree.query_ball_point(where, within_m + LONGEST_PIECE_M / 2, return_sorted=True)
    edge_of = np.full((network.street_count, 2), -1, np.int64)
    edge_of[network.edge_street, network.edge_forward.astype(int)] = np.arange(network.edge_count)
    steps = []
    for at, ball in zip(kept, balls):
        near = pieces[np.asarray(ball, np.int64)]
        share, distance = network.foot(near, x[at], y[at])
        street = network.point_street[near]
        order = np.lexsort((near, distance))
        order = order[distance[order] <= within_m]
        offsets = network.point_offset_m[near] + share * network.piece_length_m[near]
        best = _apart(order.tolist(), street.tolist(), offsets.tolist())
        chosen, along = street[best], offsets[best]
        length = network.street_length_m[chosen]
        edge = np.concatenate((edge_of[chosen, 1], edge_of[chosen, 0]))
        offset = np.concatenate((along, length - along))
        off = np.concatenate((distance[best], distance[best]))
        allowed = edge >= 0
        steps.append(_Step(at, edge[allowed], offset[allowed], off[allowed]))
    return steps


def _apart(order: list[int], street: list[int], offset: list[float]) -> list[int]:
    """The nearest pieces, one of each street, or several where it comes by again (hairpins)."""
    best: list[int] = []
    for i in order:
        if all(street[i] != street[k] or abs(offset[i] - offset[k]) > HAIRPIN_M for k in best):
            best.append(i)
            if len(best) == CANDIDATES:
                break
    return best


class _Ways:
    """Shortest ways on the streets between places, remembered by their begin."""

    def __init__(self, network: Network, limit_m: float) -> None:
        first, head = network.csr()
        self.first, self.head = first.tolist(), head.tolist()
        self.length, self.tail = network.edge_length_m.tolist(), network.edge_tail.tolist()
        self.reverse = network.edge_reverse.tolist()
        self.limit_m = limit_m
        self.known: dict[int, tuple[float, dict[int, float], dict[int, int], dict[int, int]]] = {}

    def from_place(self, place: int, reach_m: float) -> tuple[dict[int, float], dict[int, int], dict[int, int]]:
        """Distances to all places within `reach_m`, the last edge of the way to each, and the first."""
        got = self.known.get(place)
        if got is not None and got[0] >= reach_m:
            return got[1:]
        reach_m = min(max(reach_m * 2, 300.0), self.limit_m)
        distance: dict[int, float] = {}
        came, lead = {place: -1}, {place: -1}
        tentative = {place: 0.0}
        heap = [(0.0, place)]
        first, head, length = self.first, self.head, self.length
        while heap:
            d, at = heapq.heappop(heap)
            if at in distance:
                continue
            distance[at] = d
            for edge in range(first[at], first[at + 1]):
                onward, there = head[edge], d + length[edge]
                if there <= reach_m and there < tentative.get(onward, np.inf):
                    tentative[onward] = there
                    came[onward] = edge
                    lead[onward] = edge if at == place else lead[at]
                    heapq.heappush(heap, (there, onward))
        self.known[place] = (reach_m, distance, came, lead)
        return distance, came, lead

    def between(self, here: int, there: int, reach_m: float) -> list[int]:
        """Edges of the shortest way from one place to another (empty when they are the same)."""
        _, came, _ = self.from_place(here, reach_m)
        out: list[int] = []
        while there != here:
            edge = came[there]
            out.append(edge)
            there = self.tail[edge]
        return out[::-1]


class _Move(NamedTuple):
    """From one candidate to the next: how far it is on the streets, and how."""

    way_m: float  # negative where noise sets the rider back on the same street
    how: str  # "stay" on the edge, "go" by way of its end, "turn" back on the street
    turns: int  # how often the rider turns back on a street


def _move(ways: _Ways, edge: int, offset: float, onto: int, onto_offset: float, reach_m: float) -> _Move | None:
    """The shortest move, None where the next place cannot be reached within `reach_m`."""
    if onto == edge and onto_offset >= offset - BACK_M:  # going back a little on a street is noise
        return _Move(onto_offset - offset, "stay", 0)
    if onto == ways.reverse[edge]:
        return _Move(abs(ways.length[edge] - onto_offset - offset), "turn", 1)
    distance, came, lead = ways.from_place(ways.head[edge], reach_m)
    there = ways.tail[onto]
    between = distance.get(there)
    if between is None:
        return None
    turns = (lead[there] == ways.reverse[edge] >= 0) + (came[there] == ways.reverse[onto] >= 0)
    return _Move(ways.length[edge] - offset + between + onto_offset, "go", turns)


def _cheapest(
    steps: list[_Step],
    ways: _Ways,
    x: np.ndarray,
    y: np.ndarray,
    time_s: np.ndarray | None,
    noise_m: float,
    beta_m: float,
    gap_m: float,
) -> list[list[tuple[_Step, int]]]:
    """The least-cost candidates, as stretches of (step, candidate)."""
    stretches: list[list[tuple[_Step, int]]] = []
    cost: list[float] = []
    back: list[list[int]] = []  # of the running stretch: for each candidate, the one before it
    begin = 0

    def close(end: int) -> None:
        best = int(np.argmin(cost))
        chain = []
        for i in range(end - 1, begin - 1, -1):
            chain.append((steps[i], best))
            best = back[i - begin][best]
        stretches.append(chain[::-1])

    for i, step in enumerate(steps):
        emission = (0.5 * (step.off_m / noise_m) ** 2).tolist()
        new_cost, came = [np.inf] * len(emission), [-1] * len(emission)
        before = steps[i - 1]
        straight = float(np.hypot(x[step.at] - x[before.at], y[step.at] - y[before.at]))
        hole = straight > gap_m
        if time_s is not None and time_s[step.at] - time_s[before.at] > LONG_STOP_S:
            hole |= straight > gap_m / 4
        if i and not hole:
            reach = REACH * straight + REACH_MORE_M
            now = list(zip(step.edge.tolist(), step.offset_m.tolist()))
            for j, (edge, offset) in enumerate(zip(before.edge.tolist(), before.offset_m.tolist())):
                if cost[j] == np.inf:
                    continue
                for k, (onto, onto_offset) in enumerate(now):
                    move = _move(ways, edge, offset, onto, onto_offset, reach)
                    if move is None:
                        continue
                    total = cost[j] + abs(move.way_m - straight) / beta_m + TURN_COST * move.turns
                    if total < new_cost[k]:
                        new_cost[k], came[k] = total, j
        if min(new_cost) == np.inf:
            if i:
                close(i)
            cost, back, begin = emission, [came], i
        else:
            cost = [c + e for c, e in zip(new_cost, emission)]
            back.append(came)
    close(len(steps))
    return stretches


def _laid_out(
    network: Network,
    stretches: list[list[tuple[_Step, int]]],
    ways: _Ways,
    smooth: tuple[np.ndarray, np.ndarray],
    track: tuple[np.ndarray, np.ndarray],
    within_m: float,
) -> Match:
    """Edges of the stretches in order; track points between matched ones by their share of the straight line."""
    x, y = smooth
    edges: list[int] = []
    begins: list[float] = []
    enters: list[float] = []
    part: list[int] = []
    anchors: list[tuple[int, int, float, int]] = []  # track index, position in edges, distance along, stretch
    now = 0.0

    def ride(edge: int, begin_m: float, enter_m: float, number: int) -> None:
        edges.append(edge)
        begins.append(begin_m)
        enters.append(enter_m)
        part.append(number)

    for number, chain in enumerate(stretches):
        step, k = chain[0]
        edge, offset = int(step.edge[k]), float(step.offset_m[k])
        ride(edge, now - offset, now, number)
        anchors.append((step.at, len(edges) - 1, now, number))
        for step, k in chain[1:]:
            last = anchors[-1][0]
            straight = float(np.hypot(x[step.at] - x[last], y[step.at] - y[last]))
            reach = REACH * straight + REACH_MORE_M
            onto, onto_offset = int(step.edge[k]), float(step.offset_m[k])
            move = _move(ways, edge, offset, onto, onto_offset, reach)
            assert move is not None
            if move.how == "turn":
                turn = max(offset, ways.length[edge] - onto_offset, now - begins[-1])
                turn_m = begins[-1] + turn
                ride(onto, turn_m - (ways.length[edge] - turn), turn_m, number)
            elif move.how == "go":
                for passed in (*ways.between(ways.head[edge], ways.tail[onto], reach), onto):
                    end = begins[-1] + ways.length[edges[-1]]
                    ride(passed, end, end, number)
            edge, offset = onto, onto_offset
            now = max(now, begins[-1] + offset)
            anchors.append((step.at, len(edges) - 1, now, number))
    columns = np.array(edges, np.int32), np.array(begins), np.array(enters), np.array(part, np.int32)
    return _with_points(network, *columns, anchors, *track, within_m)


def _with_points(
    network: Network,
    edges: np.ndarray,
    begins: np.ndarray,
    enters: np.ndarray,
    part: np.ndarray,
    anchors: list[tuple[int, int, float, int]],
    x: np.ndarray,
    y: np.ndarray,
    within_m: float,
) -> Match:
    at, position, along, number = (np.array(column) for column in zip(*anchors))
    index = np.arange(len(x))
    after = np.clip(np.searchsorted(at, index, side="right"), 1, max(len(at) - 1, 1))
    a = after - 1
    b = np.minimum(after, len(at) - 1)
    dx, dy = x[at[b]] - x[at[a]], y[at[b]] - y[at[a]]
    square = dx * dx + dy * dy
    with np.errstate(invalid="ignore"):
        share = np.clip(((x - x[at[a]]) * dx + (y - y[at[a]]) * dy) / np.where(square > 0, square, 1.0), 0.0, 1.0)
    distance = along[a] + share * (along[b] - along[a])
    distance[at] = along
    known = np.isfinite(x) & np.isfinite(y) & (index >= at[0]) & (index <= at[-1])
    known &= (number[a] == number[b]) | np.isin(index, at)
    edge_at = np.clip(
        np.searchsorted(enters, np.where(known, distance, 0.0), side="right") - 1, position[a], position[b]
    )
    edge_at[at] = position
    offset = np.where(known, distance, 0.0) - begins[edge_at]
    street, forward = network.edge_street[edges[edge_at]], network.edge_forward[edges[edge_at]]
    px, py, _ = network.at(street, np.where(forward, offset, network.street_length_m[street] - offset))
    off = np.hypot(px - x, py - y)
    known &= off <= 2 * within_m
    distance = np.fmax.accumulate(np.where(known, distance, np.nan))  # noise does not ride backward
    return Match(
        edges=edges,
        begins_m=begins,
        enters_m=enters,
        part=part,
        distance_m=np.where(known, distance, np.nan),
        off_m=np.where(known, off, np.nan),
        edge_at=np.where(known, edge_at, -1).astype(np.int32),
        offset_m=np.where(known, offset, np.nan),
    )
