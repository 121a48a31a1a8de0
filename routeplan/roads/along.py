"""A ridden sequence of directed edges laid out point by point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routeplan.errors import InputError
from routeplan.roads.network import Network


@dataclass(frozen=True)
class Along:
    """n pieces and n + 1 places along a route; the end of one street and the start of the next are one place."""

    edges: np.ndarray  # (k,) as ridden
    piece: np.ndarray  # int64 (n,): the network point that the piece belongs to (index into piece_way)
    forward: np.ndarray  # bool (n,): ridden along the street's own direction
    edge: np.ndarray  # int64 (n,): position in `edges`
    point: np.ndarray  # int64 (n + 1,): a network point at each place
    node: np.ndarray  # int64 (n + 1,): the network's place where two streets meet (and at both ends), else -1
    distance_m: np.ndarray  # float64 (n + 1,), from 0
    x_m: np.ndarray  # float64 (n + 1,)
    y_m: np.ndarray
    height_m: np.ndarray

    def grade(self, network: Network, over_m: float = 100.0) -> np.ndarray:
        """Grade of each piece [-], float64 (n,): rise over `over_m` of road about its middle; NaN without heights."""
        middle = (self.distance_m[1:] + self.distance_m[:-1]) / 2
        back = np.clip(middle - over_m / 2, 0, self.distance_m[-1])
        ahead = np.clip(middle + over_m / 2, 0, self.distance_m[-1])
        rise = np.interp(ahead, self.distance_m, self.height_m) - np.interp(back, self.distance_m, self.height_m)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(ahead > back, rise / (ahead - back), 0.0)


def along(network: Network, edges: np.ndarray) -> Along:
    """Lay out a route. Raises InputError where one edge does not begin at the end of the one before."""
    edges = np.asarray(edges, np.int64)
    if not len(edges):
        raise InputError("a route without any edge has no places")
    gap = np.flatnonzero(network.edge_head[edges[:-1]] != network.edge_tail[edges[1:]])
    if len(gap):
        raise InputError(f"edge {edges[gap[0] + 1]} does not begin where edge {edges[gap[0]]} ends", "route")
    street, forward = network.edge_street[edges].astype(np.int64), network.edge_forward[edges]
    count = np.diff(network.point_first)[street] - 1
    edge = np.repeat(np.arange(len(edges)), count)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    ahead = forward[edge]
    first, last = network.point_first[street][edge], network.point_first[street + 1][edge] - 1
    entered = np.where(ahead, first + step, last - step)
    piece = np.where(ahead, entered, entered - 1)
    final = network.point_first[street[-1] + 1] - 1 if forward[-1] else network.point_first[street[-1]]
    point = np.append(entered, final)
    node = np.full(len(point), -1, np.int64)
    begins = np.cumsum(count) - count
    node[begins] = network.edge_tail[edges]
    node[-1] = network.edge_head[edges[-1]]
    return Along(
        edges, piece, ahead, edge, point, node, np.concatenate(([0.0], np.cumsum(network.piece_length_m[piece]))),
        network.point_x_m[point], network.point_y_m[point], network.point_height_m[point],
    )  # fmt: skip
