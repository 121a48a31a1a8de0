"""Streets that hang on others: what a loop cannot reach without riding some street twice.

A bridge is a street without which its two sides hang together no more: a loop that passes it comes back over it. So a
place beyond bridges costs their length again, and what lies beyond more of them than may be ridden twice is left out.
One-way streets count as both ways here, which keeps this true.
"""

from __future__ import annotations

import numpy as np

MARGIN_M = 1e-6
SHORTEST_M = 1e-3  # what a street counts at least: one without length is a bridge too


def bridge_metres(
    tail: np.ndarray, head: np.ndarray, street: np.ndarray, length_m: np.ndarray, start: int
) -> tuple[np.ndarray, np.ndarray]:
    """((n,) metres of bridges between the start and each node, inf where nothing leads; (n,) bool: on a street that is
    no bridge), of (e,) edges. Bridges are found by random marks of 64 bits on all streets but a tree's: where the marks
    of all that leave a subtree cancel, nothing but its tree street leaves it."""
    from scipy import sparse
    from scipy.sparse.csgraph import breadth_first_order, dijkstra

    nodes = int(max(tail.max(initial=start), head.max(initial=start))) + 1
    ends = np.stack([street, np.minimum(tail, head), np.maximum(tail, head)], 1).astype(np.int64)
    ends, first = np.unique(ends, axis=0, return_index=True)  # streets, not directions
    a, b = ends[:, 1], ends[:, 2]

    def graph(weight: np.ndarray) -> sparse.csr_matrix:  # streets between the same two nodes, no bridges, are summed
        return sparse.coo_matrix((weight, (a, b)), shape=(nodes, nodes)).tocsr()

    order, before = breadth_first_order(graph(np.ones(a.size)), start, directed=False)
    by_child = np.full(nodes, -1)  # the tree's street to each node
    for x, y in ((a, b), (b, a)):
        of = np.flatnonzero((before[y] == x) & (x != y))
        by_child[y[of]] = of
    others = np.ones(a.size, bool)
    others[by_child[by_child >= 0]] = False
    marks = np.random.default_rng(0).integers(1, 2**63, a.size, dtype=np.uint64)
    mark = np.zeros(nodes, np.uint64)
    for ends_of in (a, b):
        np.bitwise_xor.at(mark, ends_of[others], marks[others])
    for node in order[:0:-1].tolist():
        mark[before[node]] ^= mark[node]
    bridge = np.zeros(a.size, bool)
    below = order[1:]
    bridge[by_child[below]] = mark[below] == 0
    on_a_ring = np.zeros(nodes, bool)
    on_a_ring[a[~bridge]] = on_a_ring[b[~bridge]] = True
    weight = np.where(bridge, np.maximum(length_m[first], SHORTEST_M), 1e-12)
    metres = dijkstra(graph(weight), directed=False, indices=start)
    return metres, on_a_ring


def passable(
    tail: np.ndarray, head: np.ndarray, street: np.ndarray, length_m: np.ndarray, start: int, again_m: float
) -> tuple[np.ndarray, float]:
    """((e,) bool: edges that a loop can pass which rides no more than `again_m` metres twice; metres that every loop
    rides twice, at least)."""
    metres, on_a_ring = bridge_metres(tail, head, street, length_m, start)
    least = float(metres[on_a_ring].min(initial=np.inf))
    keep = np.maximum(metres[tail], metres[head]) <= again_m + MARGIN_M
    return keep & (least <= again_m + MARGIN_M), max(least - MARGIN_M, 0.0)
