"""Streets that run side by side: the two carriageways of one road, and neighbours a rider would call the same way."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from routeplan.roads.network import LONGEST_PIECE_M, Network

TWINS_WITHIN_M = 30.0
TWINS_SHARE = 0.6  # of the shorter side's length that must run beside the other
PARALLEL_DEG = 30.0
NEAR_AT_LEAST_M = 60.0  # shorter stretches side by side are what every junction has


class NearStreets(NamedTuple):
    """Pairs of streets side by side: streets[i] = (a, b), a < b; length_m[i]: how much of a, and of b, runs so."""

    streets: np.ndarray  # int32 (k, 2), sorted
    length_m: np.ndarray  # float64 (k, 2)


class _Beside(NamedTuple):
    a: np.ndarray  # street whose piece it is
    b: np.ndarray  # street beside it
    length_m: np.ndarray
    against: np.ndarray  # bool: the piece of b points the other way


def _pieces_beside(network: Network, within_m: float, streets: np.ndarray | None = None) -> _Beside:
    """For each piece of a and street b: the piece's length, where the nearest piece of b runs beside it.

    Beside: within the distance, within 30 degrees of parallel, and to the side rather than ahead (more than 45
    degrees off the piece's own direction), so that the continuation of a street is not beside it.
    """
    from scipy.spatial import cKDTree

    pieces = np.flatnonzero((network.piece_way >= 0) & (network.piece_length_m > 0.5))
    if streets is not None:
        pieces = pieces[streets[network.point_street[pieces]]]
    if len(pieces) < 2:
        return _Beside(*(np.zeros(0, t) for t in (np.int32, np.int32, float, bool)))
    street = network.point_street[pieces]
    x0, y0 = network.point_x_m[pieces], network.point_y_m[pieces]
    dx, dy = network.point_x_m[pieces + 1] - x0, network.point_y_m[pieces + 1] - y0
    mx, my, length = x0 + dx / 2, y0 + dy / 2, network.piece_length_m[pieces]
    pairs = cKDTree(np.column_stack((mx, my))).query_pairs(within_m + LONGEST_PIECE_M / 2, output_type="ndarray")
    pairs = pairs[street[pairs[:, 0]] != street[pairs[:, 1]]]
    cosine = (dx[pairs[:, 0]] * dx[pairs[:, 1]] + dy[pairs[:, 0]] * dy[pairs[:, 1]]) / (
        length[pairs[:, 0]] * length[pairs[:, 1]]
    )
    keep = np.abs(cosine) > np.cos(np.radians(PARALLEL_DEG))
    pairs, against = pairs[keep], cosine[keep] < 0
    i, j = np.concatenate((pairs, pairs[:, ::-1])).T
    against = np.concatenate((against, against))
    share, distance = network.foot(pieces[j], mx[i], my[i])
    ox, oy = x0[j] + share * dx[j] - mx[i], y0[j] + share * dy[j] - my[i]
    ahead = np.abs(ox * dx[i] + oy * dy[i]) / length[i]
    # Two straight streets on top of each other (distance 0) are beside as well.
    ok = (distance <= within_m) & (
        (ahead <= distance * np.sqrt(0.5) + 0.5) & (distance > 0.2) | (share > 0.01) & (share < 0.99)
    )
    i, j, against, distance = i[ok], j[ok], against[ok], distance[ok]
    order = np.lexsort((j, distance, street[j], i))
    i, j, against = i[order], j[order], against[order]
    first = np.ones(len(i), bool)
    first[1:] = (i[1:] != i[:-1]) | (street[j[1:]] != street[j[:-1]])
    i, j, against = i[first], j[first], against[first]
    return _Beside(street[i], street[j], length[i], against)


def near_streets(network: Network, within_m: float = 40.0, at_least_m: float = NEAR_AT_LEAST_M) -> NearStreets:
    """Pairs of streets that run beside each other within `within_m`, for at least `at_least_m` of one of them.

    One-way twins of a dual carriageway are among them. Pairs are sorted; each appears once.
    """
    beside = _pieces_beside(network, within_m)
    low, high = np.minimum(beside.a, beside.b).astype(np.int64), np.maximum(beside.a, beside.b)
    key, index = np.unique(low * network.street_count + high, return_inverse=True)
    length = np.zeros((len(key), 2))
    np.add.at(length, (index, (beside.a > beside.b).astype(int)), beside.length_m)
    long = length.max(axis=1) >= at_least_m if len(key) else np.zeros(0, bool)
    pairs = np.column_stack((key // max(network.street_count, 1), key % max(network.street_count, 1))).astype(np.int32)
    return NearStreets(pairs[long], length[long])


def twin_groups(network: Network) -> Network:
    """The network with `street_group` set: the two one-way sides of one road, closer than 30 m, share a label.

    A pair is one to one (the longest stretch side by side first), points in opposite directions, and covers at
    least 60 % of its shorter side; roundabouts are left alone.
    """
    oneway = network.street_forward != network.street_backward
    oneway &= ~network.ways.roundabout[network.street_way]
    group = np.arange(network.street_count, dtype=np.int32)
    beside = _pieces_beside(network, TWINS_WITHIN_M, oneway)
    opposite = np.where(
        network.street_forward[beside.a] == network.street_forward[beside.b], beside.against, ~beside.against
    )
    a, b, length = beside.a[opposite], beside.b[opposite], beside.length_m[opposite]
    key, index = np.unique(a.astype(np.int64) * network.street_count + b, return_inverse=True)
    covered = np.bincount(index, length, minlength=len(key)) if len(key) else np.zeros(0)
    a, b = key // max(network.street_count, 1), key % max(network.street_count, 1)
    own = network.street_length_m
    good = (own[a] <= own[b]) & (covered >= TWINS_SHARE * own[a])
    taken = np.zeros(network.street_count, bool)
    for k in np.flatnonzero(good)[np.argsort(-covered[good], kind="stable")]:
        if not taken[a[k]] and not taken[b[k]]:
            taken[a[k]] = taken[b[k]] = True
            group[max(a[k], b[k])] = min(a[k], b[k])
    return replace(network, street_group=group)
