"""Edges that can only be ridden one after the other become one: most places in a road network are no choice."""

from __future__ import annotations

import numpy as np


def chains_of(
    head: np.ndarray,
    street: np.ndarray,
    turn_first: np.ndarray,
    turn_edge: np.ndarray,
    start: int,
    apart: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """(first (c + 1,), edge): chain i is edge[first[i]:first[i + 1]], in riding order; chains by their first edge.

    Edge e is joined to f where f alone may follow e and e alone may precede f, not through the start, and the other
    directions of both streets are joined likewise (or neither has one). `apart` (s,): streets left as they are.
    Edges of rings that hang on nothing are in no chain."""
    count = head.size
    follow = np.diff(turn_first)
    before = np.bincount(turn_edge, minlength=count)
    only = np.full(count, -1, np.int64)
    one = np.flatnonzero(follow == 1)
    only[one] = turn_edge[turn_first[one]]
    linked = only >= 0
    linked[linked] &= before[only[linked]] == 1
    linked &= (head != start) & ~apart[street]
    e = np.flatnonzero(linked)
    linked[e] &= (street[e] != street[only[e]]) & ~apart[street[only[e]]]

    number = np.bincount(street, minlength=apart.size)
    order = np.argsort(street, kind="stable")
    first_of = np.cumsum(number) - number
    other = np.full(count, -1, np.int64)  # the other edge of the street, where there are two
    pair = np.flatnonzero(number == 2)
    x, y = order[first_of[pair]], order[first_of[pair] + 1]
    other[x], other[y] = y, x
    e = np.flatnonzero(linked)
    f = only[e]
    single = (number[street[e]] == 1) & (number[street[f]] == 1)
    double = (number[street[e]] == 2) & (number[street[f]] == 2)
    mirrored = double & linked[other[f]] & (only[other[f]] == other[e])
    linked[e] = single | mirrored
    # a link whose mirror has just been refused goes too (refusals above are symmetric, so one pass is enough)

    only[~linked] = -1
    has_before = np.zeros(count, bool)
    has_before[only[linked]] = True
    first, edge = [0], []
    for begin in np.flatnonzero(~has_before).tolist():
        at = begin
        while at >= 0:
            edge.append(at)
            at = int(only[at])
        first.append(len(edge))
    return np.array(first, np.int64), np.array(edge, np.int64)
