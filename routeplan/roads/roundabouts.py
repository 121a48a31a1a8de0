"""A roundabout as one place, for a search: its ring is not a street to be ridden once but a place with turns.

The network keeps the ring as it is drawn. `as_places` gives the arrays of a graph in which every ring is one
place, and puts the ring's edges back into a route found there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routeplan.errors import InputError
from routeplan.roads.network import Network


@dataclass(frozen=True)
class RoundaboutPlaces:
    """Graph with rings drawn together; q edges of the network are left, places keep the network's numbers."""

    edge: np.ndarray  # int64 (q,): index of each remaining edge in the network
    tail: np.ndarray  # int32 (q,)
    head: np.ndarray
    place: np.ndarray  # int32 (n,): the place that stands for each of the network's places
    network: Network

    @property
    def ring_length_m(self) -> np.ndarray:
        """Half of the ring that ends each remaining edge [m], float64 (q,): what its length leaves out on average."""
        ring = self.place[self.network.edge_tail] == self.place[self.network.edge_head]
        ring &= self.network.ways.roundabout[self.network.street_way[self.network.edge_street]]
        length = np.bincount(self.place[self.network.edge_tail[ring]], self.network.edge_length_m[ring],
                             minlength=self.network.node_count)  # fmt: skip
        return length[self.head] / 2

    def expand(self, edges: np.ndarray, *, start: int | None = None, end: int | None = None) -> np.ndarray:
        """The network's edges of a route given by rows of `edge`: the way round each ring is put in.

        start, end : the network's own places, where the route begins or ends on a ring.
        """
        network = self.network
        ridden = self.edge[np.asarray(edges, np.int64)].tolist()
        out: list[int] = []
        at = start
        for edge in ridden:
            tail = int(network.edge_tail[edge])
            if at is not None and at != tail:
                out += self._round(at, tail)
            out.append(edge)
            at = int(network.edge_head[edge])
        if end is not None and at is not None and at != end:
            out += self._round(at, end)
        return np.array(out, np.int64)

    def _round(self, here: int, there: int) -> list[int]:
        """Fewest ring edges from one place of a ring to another."""
        network = self.network
        first, head = network.csr()
        came: dict[int, int] = {here: -1}
        waiting = [here]
        for at in waiting:
            if at == there:
                break
            for edge in range(int(first[at]), int(first[at + 1])):
                onward = int(head[edge])
                on_ring = network.ways.roundabout[network.street_way[network.edge_street[edge]]]
                if on_ring and onward not in came and self.place[onward] == self.place[here]:
                    came[onward] = edge
                    waiting.append(onward)
        if there not in came:
            raise InputError(f"no way round from place {here} to place {there}", "roundabout")
        out: list[int] = []
        while came[there] >= 0:
            out.append(came[there])
            there = int(network.edge_tail[came[there]])
        return out[::-1]


def as_places(network: Network) -> RoundaboutPlaces:
    """Draw every closed ring of roundabout streets together into one place, the lowest of its numbers."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    n = network.node_count
    ring = network.ways.roundabout[network.street_way[network.edge_street]]
    tail, head = network.edge_tail[ring], network.edge_head[ring]
    _, label = connected_components(coo_array((np.ones(len(tail), np.int8), (tail, head)), shape=(n, n)),
                                    directed=True, connection="strong")  # fmt: skip
    place = np.full(label.max() + 1 if n else 0, n, np.int32)
    np.minimum.at(place, label, np.arange(n, dtype=np.int32))
    place = place[label]
    inside = ring & (place[network.edge_tail] == place[network.edge_head])
    left = np.flatnonzero(~inside)
    return RoundaboutPlaces(left, place[network.edge_tail[left]], place[network.edge_head[left]], place, network)
