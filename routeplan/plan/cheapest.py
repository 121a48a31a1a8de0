"""Cheapest ways from one place to all others, or from all others to one: scipy's Dijkstra on directed edges."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from routeplan.errors import UnreachableError

LEAST_COST = 1e-6  # scipy takes 0 for "no edge"


class Tree(NamedTuple):
    """Cheapest ways between a root and every node; n nodes."""

    cost: np.ndarray  # (n,), inf where there is no way
    edge: np.ndarray  # (n,) last edge on the way from the root (backwards: first edge on the way to it), -1 without


def cheapest(
    tail: np.ndarray, head: np.ndarray, cost: np.ndarray, root: int, node_count: int, *, backwards: bool = False
) -> Tree:
    """Cheapest ways from `root`, or with `backwards` to it. cost (e,) >= 0; of parallel edges the cheapest counts."""
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import dijkstra

    near, far = (head, tail) if backwards else (tail, head)
    order = np.lexsort((np.arange(len(tail)), cost, far, near))
    first = np.ones(len(order), dtype=bool)
    first[1:] = (near[order][1:] != near[order][:-1]) | (far[order][1:] != far[order][:-1])
    edge = order[first]
    weight = np.maximum(cost[edge], LEAST_COST)
    graph = csr_array((weight, (near[edge], far[edge])), shape=(node_count, node_count))
    total, before = dijkstra(graph, indices=root, return_predecessors=True)
    key = near[edge].astype(np.int64) * node_count + far[edge]
    nodes = np.flatnonzero(before >= 0)
    by_node = np.full(node_count, -1)
    by_node[nodes] = edge[np.searchsorted(key, before[nodes].astype(np.int64) * node_count + nodes)]
    return Tree(total, by_node)


def way_to(tree: Tree, tail: np.ndarray, root: int, node: int) -> list[int]:
    """Edges from the tree's root to a node. Raises UnreachableError where there is no way."""
    edges: list[int] = []
    while node != root:
        edge = int(tree.edge[node])
        if edge < 0:
            raise UnreachableError(f"no way leads from place {root} to place {node}")
        edges.append(edge)
        node = int(tail[edge])
    return edges[::-1]
