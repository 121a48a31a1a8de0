"""Compiled loops of the routes from here to there: lower bounds, labels with a dominance staircase, routes read back.

They take plain arrays, never raise and never look at a clock; `pareto.py` checks, calls them in slices and makes room.

Words used here. A *label* is a way from the start to a node, with its costs. The *staircase* of a node holds, of the
labels expanded there, those that no other passes in the second and third cost: rising in the second, falling in the
third.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from routeplan.compiled import kernel

WHOLE, MORE_STEPS, MORE_ROOM = 0, 1, 2


class Arcs(NamedTuple):
    """The graph, by tail: arcs first[i]:first[i + 1] leave node i. n nodes, a arcs."""

    first: np.ndarray  # (n + 1,) int32
    head: np.ndarray  # (a,) int32
    cost: np.ndarray  # (a, 3) float64


class Labels(NamedTuple):
    """Room for labels and for the heap of those that wait; N of each."""

    cost: np.ndarray  # (N, 3) float64
    node: np.ndarray  # (N,) int32
    link: np.ndarray  # (N, 2) int32: parent label, arc
    key: np.ndarray  # (N, 2) float64, the heap: lower bound of the whole route's first and second cost
    item: np.ndarray  # (N,) int32, the heap: label


class Stairs(NamedTuple):
    """Staircases of all nodes in one pool: steps first[i] : first[i] + count[i] belong to node i."""

    first: np.ndarray  # (n,) int64
    count: np.ndarray  # type: ignore[assignment]  # (n,) int32; hides tuple.count, which nobody asks for
    room: np.ndarray  # (n,) int32
    step: np.ndarray  # (P, 3) float64: costs of a label


@kernel
def push(key, item, size, k0, k1, new):
    """Put an item on the heap; returns its size. Least key first, ties by number."""
    i = size
    while i > 0:
        p = (i - 1) // 2
        if k0 < key[p, 0] or (k0 == key[p, 0] and (k1 < key[p, 1] or (k1 == key[p, 1] and new < item[p]))):
            key[i, 0] = key[p, 0]
            key[i, 1] = key[p, 1]
            item[i] = item[p]
            i = p
        else:
            break
    key[i, 0] = k0
    key[i, 1] = k1
    item[i] = new
    return size + 1


@kernel
def drop(key, item, size):
    """Take the first off the heap; returns its size."""
    size -= 1
    k0 = key[size, 0]
    k1 = key[size, 1]
    last = item[size]
    i = 0
    while True:
        c = 2 * i + 1
        if c >= size:
            break
        d = c + 1
        if d < size and (
            key[d, 0] < key[c, 0]
            or (key[d, 0] == key[c, 0] and (key[d, 1] < key[c, 1] or (key[d, 1] == key[c, 1] and item[d] < item[c])))
        ):
            c = d
        if key[c, 0] < k0 or (key[c, 0] == k0 and (key[c, 1] < k1 or (key[c, 1] == k1 and item[c] < last))):
            key[i, 0] = key[c, 0]
            key[i, 1] = key[c, 1]
            item[i] = item[c]
            i = c
        else:
            break
    key[i, 0] = k0
    key[i, 1] = k1
    item[i] = last
    return size


@kernel
def least(first, other, cost, column, root, most, inside):
    """Least sums (n,) of one cost from `root` along arcs, over nodes `inside`; inf above `most` and without a way."""
    n = first.size - 1
    total = np.full(n, np.inf)
    key = np.empty((other.size + 1, 2))
    item = np.empty(other.size + 1, np.int32)
    total[root] = 0.0
    size = push(key, item, 0, 0.0, 0.0, root)
    while size > 0:
        d = key[0, 0]
        v = item[0]
        size = drop(key, item, size)
        if d > total[v]:
            continue
        for a in range(first[v], first[v + 1]):
            w = other[a]
            t = d + cost[a, column]
            if t < total[w] and t <= most and inside[w]:
                total[w] = t
                size = push(key, item, size, t, 0.0, np.int64(w))
    return total


@kernel
def at_or_before(stairs, v, c1):
    """Position of the last step of node v with a second cost of at most c1, or one before its first."""
    low = stairs.first[v]
    high = low + stairs.count[v]
    while low < high:
        middle = (low + high) // 2
        if stairs.step[middle, 1] <= c1:
            low = middle + 1
        else:
            high = middle
    return low - 1


@kernel
def passed(stairs, v, c0, c1, c2):
    """Whether a label expanded at node v costs no more in any way."""
    if stairs.count[v] == 0:
        return False
    k = at_or_before(stairs, v, c1)
    return k >= stairs.first[v] and stairs.step[k, 2] <= c2 and stairs.step[k, 0] <= c0


@kernel
def stand(stairs, state, v, c0, c1, c2):
    """Put a label on the staircase of node v and take off the steps that it passes in the second and third cost."""
    step = stairs.step
    first = stairs.first[v]
    below = at_or_before(stairs, v, c1)
    if below >= first and step[below, 2] <= c2:
        return  # as good a step is there, dearer in the first cost by a rounding: it stays
    begin = below + 1
    while begin > first and step[begin - 1, 1] == c1:
        begin -= 1
    past = first + stairs.count[v]
    end = begin
    while end < past and step[end, 2] >= c2:
        end += 1
    if end == begin:
        if stairs.count[v] == stairs.room[v]:
            moved = state[3]
            room = max(2, 2 * stairs.room[v])
            for i in range(first, past):
                for k in range(3):  # slices of rows would take long to compile
                    step[moved + i - first, k] = step[i, k]
            begin += moved - first
            past += moved - first
            stairs.first[v] = moved
            stairs.room[v] = room
            state[3] = moved + room
            state[4] = max(state[4], room)
        for i in range(past, begin, -1):
            for k in range(3):
                step[i, k] = step[i - 1, k]
        stairs.count[v] += 1
    elif end > begin + 1:
        shift = end - begin - 1
        for i in range(end, past):
            for k in range(3):
                step[i - shift, k] = step[i, k]
        stairs.count[v] -= shift
    step[begin, 0] = c0
    step[begin, 1] = c1
    step[begin, 2] = c2


@kernel
def search(arcs, bound, shrink, end, limit, cover, labels, stairs, found, state, steps):
    """Expand labels in order of their lower bounds until none waits (WHOLE), `steps` are spent or the room is.

    bound : (n, 3) least costs to the end; shrink (3,) : what makes a sum with them safe against rounding
    cover : 1 + epsilon. found : room for the labels that reached the end
    state : (labels, heap's size, found, pool used, widest staircase, widest fan), kept between calls."""
    expanded = 0
    while state[1] > 0:
        room = state[0] + state[5] <= labels.node.size and state[2] < found.size
        if not room or state[3] + 2 * state[4] + 2 > stairs.step.shape[0]:
            return MORE_ROOM
        if expanded >= steps:
            return MORE_STEPS
        expanded += 1
        label = labels.item[0]
        state[1] = drop(labels.key, labels.item, state[1])
        v = labels.node[label]
        g0 = labels.cost[label, 0]
        g1 = labels.cost[label, 1]
        g2 = labels.cost[label, 2]
        if passed(stairs, v, g0, g1, g2):
            continue
        if v == end:
            stand(stairs, state, v, g0, g1, g2)
            found[state[2]] = label
            state[2] += 1
            continue
        if passed(stairs, end, (g0 + bound[v, 0]) * shrink[0] * cover, (g1 + bound[v, 1]) * shrink[1] * cover,
                  (g2 + bound[v, 2]) * shrink[2] * cover):  # fmt: skip
            continue
        stand(stairs, state, v, g0, g1, g2)
        for a in range(arcs.first[v], arcs.first[v + 1]):
            w = arcs.head[a]
            if bound[w, 0] == np.inf:
                continue
            c0 = g0 + arcs.cost[a, 0]
            c1 = g1 + arcs.cost[a, 1]
            c2 = g2 + arcs.cost[a, 2]
            f0 = (c0 + bound[w, 0]) * shrink[0]
            f1 = (c1 + bound[w, 1]) * shrink[1]
            if f0 > limit or (w == end and c0 > limit) or passed(stairs, w, c0, c1, c2):
                continue
            if passed(stairs, end, f0 * cover, f1 * cover, (c2 + bound[w, 2]) * shrink[2] * cover):
                continue
            new = state[0]
            state[0] += 1
            labels.cost[new, 0] = c0
            labels.cost[new, 1] = c1
            labels.cost[new, 2] = c2
            labels.node[new] = w
            labels.link[new, 0] = label
            labels.link[new, 1] = a
            state[1] = push(labels.key, labels.item, state[1], f0, f1, new)
    return WHOLE


@kernel
def read_back(link, ends):
    """Arcs of the ways to some labels: (first (m + 1,), arc)."""
    first = np.zeros(ends.size + 1, np.int64)
    for i in range(ends.size):
        label = ends[i]
        first[i + 1] = first[i]
        while link[label, 0] >= 0:
            first[i + 1] += 1
            label = link[label, 0]
    arc = np.empty(first[ends.size], np.int32)
    for i in range(ends.size):
        label = ends[i]
        at = first[i + 1]
        while link[label, 0] >= 0:
            at -= 1
            arc[at] = link[label, 1]
            label = link[label, 0]
    return first, arc
