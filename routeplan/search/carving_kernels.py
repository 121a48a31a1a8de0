"""Compiled loops of the search on every loop of a network: the network is carved up into a tree of node sets.

A *carving* is a binary tree: its leaves are the nodes of the network, numbered as they are, and each further set joins
two smaller ones, so that a set's number is greater than those of its parts. The last set is everything, the start is
its second part. What a loop does within a set falls into *pieces*: each comes in by one edge and goes out by another,
both leading across to other nodes. A *state* of a set is its pieces, by these edges alone, and which of its streets
have been ridden that others still to be met lie beside. An *arc* joins states of the two parts to one of the whole; a
state of a leaf is a *passing*, one way to ride through the node. All arrays are plain; nothing raises.
"""

from __future__ import annotations

import numpy as np

from routeplan.compiled import kernel

NEIGHBOURS = 64  # of a set while the network is carved up, at most
PROMISING = 2.0  # how many times the arcs of the best carving a try may be reckoned with, to be joined anew
PAYS = 1e-9  # what sets joined anew must pay, in arcs reckoned with before
MIX = 0x9E3779B97F4A7C15  # 2^64 over the golden ratio: spreads keys over a table (Knuth, TAOCP vol. 3, 6.4)


@kernel
def draw(state):
    """A number from 0 to 1 from state (1,) uint64, which goes on (xorshift: Marsaglia 2003, J. Stat. Software 8)."""
    x = state[0]
    x ^= x << np.uint64(13)
    x ^= x >> np.uint64(7)
    x ^= x << np.uint64(17)
    state[0] = x
    return np.float64(x >> np.uint64(11)) / 9007199254740992.0


@kernel
def grow(start, pair_first, pair_node, pair_weight, growth, noise, random, most, part):
    """A carving with few edges across, drawn with some noise: sets grow together greedily.

    random : see draw; the other arguments are those of carve. Returns the number of arcs reckoned with, inf where it is
    more than `most` or a set had too many neighbours."""
    n = pair_first.size - 1
    near = np.empty((2 * n, NEIGHBOURS), np.int32)
    fewer = np.empty((2 * n, NEIGHBOURS))  # growth to twice what leads there, less than 1
    count = np.zeros(2 * n, np.int64)
    grown = np.ones(2 * n)  # growth to the edges across
    partner = np.empty(2 * n, np.int64)
    score = np.empty(2 * n)
    alive = np.empty(n, np.int64)
    left = 0
    for v in range(n):
        for a in range(pair_first[v], pair_first[v + 1]):
            once = growth ** pair_weight[a]
            grown[v] *= once
            if pair_node[a] != start and v != start:
                if count[v] == NEIGHBOURS:
                    return np.inf
                near[v, count[v]] = pair_node[a]
                fewer[v, count[v]] = 1.0 / (once * once)
                count[v] += 1
        partner[v] = -2  # to be looked for
        if v != start:
            alive[left] = v
            left += 1
    cost = 0.0
    new = n
    while left > 1:
        best = np.int64(-1)
        for k in range(left):
            v = alive[k]
            if partner[v] == -2:
                partner[v] = -1
                score[v] = np.inf
                for x in range(count[v]):
                    u = near[v, x]
                    both = grown[v] * grown[u] * fewer[v, x]
                    s = both - grown[v] - grown[u]
                    if noise > 0.0:
                        s += noise * both * np.log(-np.log(1e-12 + draw(random)))
                    if s < score[v]:
                        score[v] = s
                        partner[v] = u
            if partner[v] >= 0 and (best < 0 or score[v] < score[best]):
                best = v
        if best < 0:  # nothing hangs together any more
            p = alive[0]
            q = alive[1]
        else:
            p = best
            q = partner[best]
        grown[new] = grown[p] * grown[q]
        for x in range(count[p]):
            if near[p, x] == q:
                grown[new] *= fewer[p, x]
        cost += np.sqrt(grown[p] * grown[q] * grown[new])
        if not cost <= most or cost == np.inf:  # beyond all numbers it may be none
            return np.inf
        part[new - n, 0] = p
        part[new - n, 1] = q
        for side in range(2):
            w = p if side == 0 else q
            other = q if side == 0 else p
            for x in range(count[w]):
                u = near[w, x]
                if u == other:
                    continue
                there = -1
                for y in range(count[new]):
                    if near[new, y] == u:
                        there = y
                if there >= 0:
                    fewer[new, there] *= fewer[w, x]
                    continue
                if count[new] == NEIGHBOURS:
                    return np.inf
                near[new, count[new]] = u
                fewer[new, count[new]] = fewer[w, x]
                count[new] += 1
        for x in range(count[new]):  # the neighbours know one set less
            u = near[new, x]
            k = 0
            for y in range(count[u]):
                if near[u, y] != p and near[u, y] != q:
                    near[u, k] = near[u, y]
                    fewer[u, k] = fewer[u, y]
                    k += 1
            near[u, k] = new
            fewer[u, k] = fewer[new, x]
            count[u] = k + 1
            partner[u] = -2
        partner[new] = -2
        k = 0
        for x in range(left):
            if alive[x] != p and alive[x] != q:
                alive[k] = alive[x]
                k += 1
        alive[k] = new
        left = k + 1
        new += 1
    part[n - 2, 0] = alive[0]
    part[n - 2, 1] = start
    return cost


@kernel
def first_with_both(a, b, parent):
    """The smallest set that two sets lie in."""
    while a != b:
        if a < b:
            a = parent[a]
        else:
            b = parent[b]
    return a


@kernel
def mark_nodes(a, mark, value, child, stack, node, count):
    """Put `value` at each node of set `a`, and the node after `count` others into `node`: how many there are then.

    child : (sets, 2) its parts, -1 of a node; stack : space."""
    stack[0] = a
    size = 1
    while size > 0:
        size -= 1
        s = stack[size]
        if child[s, 0] < 0:
            mark[s] = value
            node[count] = s
            count += 1
        else:
            stack[size] = child[s, 0]
            stack[size + 1] = child[s, 1]
            size += 2
    return count


@kernel
def from_the_top(root, child, found, stack):
    """Sets that are joined from others, each before its parts, into `found`; returns how many."""
    count = 0
    stack[0] = root
    size = 1
    while size > 0:
        size -= 1
        s = stack[size]
        if child[s, 0] >= 0:
            found[count] = s
            count += 1
            stack[size] = child[s, 0]
            stack[size + 1] = child[s, 1]
            size += 2
    return count


@kernel
def spread_out(r, across, child, below, inner):
    """Up to `below.size` sets that `r` is joined from, the widest taken apart first, into `below`; returns how many.

    Fills inner, the sets between them and `r`: two fewer."""
    below[0] = child[r, 0]
    below[1] = child[r, 1]
    count = 2
    while count < below.size:
        widest = -1
        for i in range(count):
            if child[below[i], 0] >= 0 and (widest < 0 or across[below[i]] > across[below[widest]]):
                widest = i
        if widest < 0:
            break
        s = below[widest]
        inner[count - 2] = s
        below[widest] = child[s, 0]
        below[count] = child[s, 1]
        count += 1
    return count


@kernel
def best_joins(count, grown_below, across, between, growth, fewer, best, grown, across_of, split):
    """The best way to join `count` sets, two at a time: what is reckoned with (see carve).

    grown_below, across : of each, growth to half its edges across, and these; between : (count, count) of two; fewer :
    space of that shape. Fills, for each subset of them as bits of its number: best, what is reckoned with; grown and
    across_of; split, one part of it."""
    for i in range(count):
        for j in range(i + 1, count):
            fewer[i, j] = 1.0 if between[i, j] == 0.0 else growth ** -between[i, j]
    full = (1 << count) - 1
    for some in range(1, full + 1):
        low = 0
        while (some >> low) & 1 == 0:
            low += 1
        rest = some ^ (1 << low)
        if rest == 0:
            best[some] = 0.0
            grown[some] = grown_below[low]
            across_of[some] = across[low]
            continue
        whole = grown_below[low] * grown[rest]
        leads = across[low] + across_of[rest]
        for j in range(low + 1, count):
            if (rest >> j) & 1 == 1:
                whole *= fewer[low, j]
                leads -= 2.0 * between[low, j]
        grown[some] = whole
        across_of[some] = leads
        least = np.inf
        more = rest
        while True:  # the part with `low` in it, and every proper part of the rest
            more = (more - 1) & rest
            one = more | (1 << low)
            cost = best[one] + best[some ^ one] + grown[one] * grown[some ^ one] * whole
            if cost < least:
                least = cost
                split[some] = one
            if more == 0:
                break
        best[some] = least
    return best[full]


@kernel
def carved_anew(start, pair_first, pair_node, pair_weight, growth, rounds, together, part):
    """Join up to `together` sets that are next to each other in a carving anew, the best way there is, until none pays.

    The other arguments are those of carve, whose `part` is changed; returns the number of arcs reckoned with. (As for
    contracting tensor networks: Gray and Kourtis 2021, Quantum 5, 410; from memory.)"""
    n = pair_first.size - 1
    sets = 2 * n - 1
    child = np.full((sets, 2), -1)
    child[n:] = part
    root = part[n - 2, 0]
    stack = np.empty(sets, np.int64)
    parent = np.full(sets, -1)
    for k in range(n - 1):
        parent[part[k, 0]] = parent[part[k, 1]] = n + k
    across = np.zeros(sets)
    for v in range(n):
        for a in range(pair_first[v], pair_first[v + 1]):
            both = first_with_both(v, pair_node[a], parent)
            s = v
            while s != both:
                across[s] += pair_weight[a]
                s = parent[s]
    grown = growth ** (0.5 * across)
    mark = np.full(n, -1)
    node = np.empty(n, np.int64)
    below = np.empty(together, np.int64)
    inner = np.empty(together, np.int64)
    across_below = np.empty(together)
    grown_below = np.empty(together)
    between = np.empty((together, together))
    fewer = np.empty((together, together))
    best = np.empty(1 << together)
    grown_of = np.empty(1 << together)
    across_of = np.empty(1 << together)
    split = np.empty(1 << together, np.int64)
    name = np.empty(1 << together, np.int64)
    joined = np.empty(sets, np.int64)
    changed = np.ones(sets, np.bool_)
    for _ in range(rounds):
        before = changed.copy()
        changed[:] = False
        for at in range(from_the_top(root, child, joined, stack)):
            r = joined[at]
            count = spread_out(r, across, child, below, inner)
            touched = before[r] or changed[r]
            now = grown[r] * grown[child[r, 0]] * grown[child[r, 1]]
            for i in range(count - 2):
                s = inner[i]
                touched = touched or before[s] or changed[s]
                now += grown[s] * grown[child[s, 0]] * grown[child[s, 1]]
            if count < 3 or not touched:
                continue
            nodes = 0
            for i in range(count):
                across_below[i] = across[below[i]]
                grown_below[i] = grown[below[i]]
                nodes = mark_nodes(below[i], mark, i, child, stack, node, nodes)
            between[:] = 0.0
            for x in range(nodes):
                v = node[x]
                for a in range(pair_first[v], pair_first[v + 1]):
                    if mark[pair_node[a]] >= 0:
                        between[mark[v], mark[pair_node[a]]] += pair_weight[a]
            for x in range(nodes):
                mark[node[x]] = -1
            least = best_joins(
                count, grown_below, across_below, between, growth, fewer, best, grown_of, across_of, split
            )  # fmt: skip
            if least >= now * (1.0 - PAYS):
                continue
            changed[r] = True
            free = count - 2
            name[(1 << count) - 1] = r
            stack[0] = (1 << count) - 1
            size = 1
            while size > 0:
                size -= 1
                some = stack[size]
                across[name[some]] = across_of[some]
                grown[name[some]] = grown_of[some]
                for side in range(2):
                    p = split[some] if side == 0 else some ^ split[some]
                    low = 0
                    while (p >> low) & 1 == 0:
                        low += 1
                    if p == 1 << low:
                        child[name[some], side] = below[low]
                    else:
                        free -= 1
                        changed[inner[free]] = True
                        child[name[some], side] = inner[free]
                        name[p] = inner[free]
                        stack[size] = p
                        size += 1
        if not changed.any():
            break
    count = from_the_top(root, child, joined, stack)
    number = np.arange(sets)  # those of sets that are joined are given anew, parts before the whole
    cost = 0.0
    for k in range(count):
        s = joined[count - 1 - k]
        number[s] = n + k
        part[k, 0] = number[child[s, 0]]
        part[k, 1] = number[child[s, 1]]
        cost += grown[s] * grown[child[s, 0]] * grown[child[s, 1]]
    part[n - 2, 0] = number[root]
    part[n - 2, 1] = start
    return cost


@kernel
def carve(start, pair_first, pair_node, pair_weight, growth, noise, begin, end, rounds, together, part):
    """A carving with few edges across: the best of some tries, `begin` to `end`, joined anew where they promise much.

    pair_first, pair_node, pair_weight : neighbours of each node, and how much leads to them; growth : of a set's states
    with each edge across, as it is reckoned; rounds, together : see carved_anew. Fills part (n - 1, 2), the two parts
    of sets n, n + 1 ...; returns the number of arcs reckoned with, inf where no carving was found."""
    now = np.empty_like(part)
    least = np.inf
    grown = np.inf
    random = np.empty(1, np.uint64)
    for attempt in range(begin, end):
        random[0] = np.uint64(attempt + 1) * np.uint64(MIX)
        cost = grow(start, pair_first, pair_node, pair_weight, growth, noise, random, PROMISING * grown, now)
        if cost == np.inf:
            continue
        grown = min(grown, cost)
        cost = carved_anew(start, pair_first, pair_node, pair_weight, growth, rounds, together, now)
        if cost < least:
            least = cost
            part[:] = now
    return least


@kernel
def charges(part, one, other, ends, parent, at, left_street, right_street, top):
    """Where it is told that two streets near each other are both ridden: the first set that meets both.

    one, other : (pairs,) streets; ends : (streets, 2) nodes. Fills parent (sets,) ; at (pairs,) the set, a node where
    both meet there; left_street, right_street (pairs,) which of the two its parts know; top (streets,) the last set for
    which it must be known whether a street was ridden."""
    n = part.shape[0] + 1
    parent[2 * n - 2] = -1
    for k in range(n - 1):
        parent[part[k, 0]] = n + k
        parent[part[k, 1]] = n + k
    top[:] = -1
    for q in range(one.size):
        at[q] = 2 * n
        for x in range(2):
            for y in range(2):
                a = first_with_both(ends[one[q], x], ends[other[q], y], parent)
                if a < at[q]:
                    at[q] = a
                    inside = ends[one[q], x]
                    while parent[inside] != a and inside != a:
                        inside = parent[inside]
                    if a >= n and part[a - n, 0] == inside:
                        left_street[q], right_street[q] = one[q], other[q]
                    else:
                        left_street[q], right_street[q] = other[q], one[q]
        top[one[q]] = max(top[one[q]], at[q])
        top[other[q]] = max(top[other[q]], at[q])
