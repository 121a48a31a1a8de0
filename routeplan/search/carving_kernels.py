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

SLOT_BITS = 6  # of a key for each end of a piece
SLOTS = 63  # for edges that lead across, from 1 on, at most
PIECES = 5  # of a state, at most, so that they fit into the key
SIGHT = 64  # bits of a word: edges that two parts share, and streets beside others, at most
NEIGHBOURS = 64  # of a set while the network is carved up, at most
TOGETHER, PAYS = 8, 1e-9  # sets joined anew at once; what it must pay, in arcs reckoned with before
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
def carve(start, pair_first, pair_node, pair_weight, growth, noise, tries, part):
    """A carving with few edges across: sets grow together greedily, the best of `tries` with some noise.

    pair_first, pair_node, pair_weight : neighbours of each node, and how much leads to them; growth : of a set's states
    with each edge across, as it is reckoned. Fills part (n - 1, 2), the two parts of sets n, n + 1 ...; returns the
    number of arcs reckoned with, inf where no carving was found."""
    n = pair_first.size - 1
    near = np.empty((2 * n, NEIGHBOURS), np.int32)
    weight = np.empty((2 * n, NEIGHBOURS))
    count = np.empty(2 * n, np.int64)
    across = np.empty(2 * n)
    partner = np.empty(2 * n, np.int64)
    score = np.empty(2 * n)
    alive = np.empty(n, np.int64)
    now = np.empty((n - 1, 2), np.int64)
    least = np.inf
    random = np.array([np.uint64(88172645463325252)])
    for attempt in range(tries):
        some = noise * attempt / tries
        fits = True
        for v in range(n):
            count[v] = 0
            across[v] = 0.0
            for a in range(pair_first[v], pair_first[v + 1]):
                across[v] += pair_weight[a]
                if pair_node[a] != start and v != start:
                    if count[v] == NEIGHBOURS:
                        return np.inf
                    near[v, count[v]] = pair_node[a]
                    weight[v, count[v]] = pair_weight[a]
                    count[v] += 1
        left = 0
        for v in range(n):
            if v != start:
                alive[left] = v
                left += 1
        for v in range(n):
            partner[v] = -2
        cost = 0.0
        new = n
        while left > 1:
            best = np.int64(-1)
            for k in range(left):
                v = alive[k]
                if partner[v] == -2:  # to be looked for
                    partner[v] = -1
                    score[v] = np.inf
                    for x in range(count[v]):
                        u = near[v, x]
                        both = across[v] + across[u] - 2.0 * weight[v, x]
                        s = growth**both - growth ** across[v] - growth ** across[u]
                        if some > 0.0:
                            s += some * growth**both * np.log(-np.log(1e-12 + draw(random)))
                        if s < score[v]:
                            score[v] = s
                            partner[v] = u
                if partner[v] >= 0 and (best < 0 or score[v] < score[best]):
                    best = v
            if best < 0:  # nothing hangs together any more
                p = alive[0]
                q = alive[1]
                share = 0.0
            else:
                p = best
                q = partner[best]
                share = 0.0
                for x in range(count[p]):
                    if near[p, x] == q:
                        share = weight[p, x]
            both = across[p] + across[q] - 2.0 * share
            cost += growth ** (0.5 * (across[p] + across[q] + both))
            if cost >= least:
                fits = False
                break
            now[new - n, 0] = p
            now[new - n, 1] = q
            across[new] = both
            count[new] = 0
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
                        weight[new, there] += weight[w, x]
                        continue
                    if count[new] == NEIGHBOURS:
                        fits = False
                        break
                    near[new, count[new]] = u
                    weight[new, count[new]] = weight[w, x]
                    count[new] += 1
            if not fits:
                break
            for x in range(count[new]):  # the neighbours know one set less
                u = near[new, x]
                k = 0
                for y in range(count[u]):
                    if near[u, y] != p and near[u, y] != q:
                        near[u, k] = near[u, y]
                        weight[u, k] = weight[u, y]
                        k += 1
                near[u, k] = new
                weight[u, k] = weight[new, x]
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
        if fits and cost < least:
            least = cost
            for k in range(n - 2):
                part[k, 0] = now[k, 0]
                part[k, 1] = now[k, 1]
            part[n - 2, 0] = alive[0]
            part[n - 2, 1] = start
    return least


@kernel
def mark_nodes(a, mark, value, child, stack):
    """Put `value` at each node of set `a`. child : (sets, 2) its parts, -1 of a node; stack : space."""
    stack[0] = a
    size = 1
    while size > 0:
        size -= 1
        s = stack[size]
        if child[s, 0] < 0:
            mark[s] = value
        else:
            stack[size] = child[s, 0]
            stack[size + 1] = child[s, 1]
            size += 2


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
    """Up to TOGETHER sets that `r` is joined from, the widest taken apart first, into `below`; returns how many.

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
def best_joins(count, across, between, growth, across_of, split):
    """The best way to join `count` sets, two at a time: what is reckoned with (see carve).

    across : of each; between : (count, count) of two. Fills, for each subset of them as bits of its number: across_of,
    and split, one part of it."""
    full = (1 << count) - 1
    grown = np.empty(full + 1)
    best = np.zeros(full + 1)
    for some in range(1, full + 1):
        low = 0
        while (some >> low) & 1 == 0:
            low += 1
        rest = some ^ (1 << low)
        across_of[some] = across[low]
        if rest > 0:
            across_of[some] += across_of[rest]
            for j in range(count):
                if (rest >> j) & 1 == 1:
                    across_of[some] -= 2.0 * between[low, j]
        grown[some] = growth ** (0.5 * across_of[some])
        if rest == 0:
            continue
        best[some] = np.inf
        more = rest
        while True:  # the part with `low` in it, and every proper part of the rest
            more = (more - 1) & rest
            one = more | (1 << low)
            cost = best[one] + best[some ^ one] + grown[one] * grown[some ^ one] * grown[some]
            if cost < best[some]:
                best[some] = cost
                split[some] = one
            if more == 0:
                break
    return best[full]


@kernel
def carved_anew(start, pair_first, pair_node, pair_weight, growth, rounds, part):
    """Join up to TOGETHER sets that are next to each other in a carving anew, the best way there is, until none pays.

    The other arguments are those of carve, whose `part` is changed; returns the number of arcs reckoned with. (As for
    contracting tensor networks: Gray and Kourtis 2021, Quantum 5, 410; from memory.)"""
    n = pair_first.size - 1
    sets = 2 * n - 1
    child = np.full((sets, 2), -1)
    child[n:] = part
    root = part[n - 2, 0]
    stack = np.empty(sets, np.int64)
    mark = np.empty(n, np.int64)
    across = np.zeros(sets)
    for s in range(sets):
        mark[:] = 0
        mark_nodes(s, mark, 1, child, stack)
        for v in range(n):
            if mark[v] == 1:
                for a in range(pair_first[v], pair_first[v + 1]):
                    across[s] += pair_weight[a] * (1 - mark[pair_node[a]])
    below = np.empty(TOGETHER, np.int64)
    inner = np.empty(TOGETHER, np.int64)
    below_across = np.empty(TOGETHER)
    between = np.empty((TOGETHER, TOGETHER))
    across_of = np.empty(1 << TOGETHER)
    split = np.empty(1 << TOGETHER, np.int64)
    name = np.empty(1 << TOGETHER, np.int64)
    joined = np.empty(sets, np.int64)
    changed = np.ones(sets, np.bool_)
    for _ in range(rounds):
        before = changed.copy()
        changed[:] = False
        for at in range(from_the_top(root, child, joined, stack)):
            r = joined[at]
            count = spread_out(r, across, child, below, inner)
            touched = before[r] or changed[r]
            now = growth ** (0.5 * (across[r] + across[child[r, 0]] + across[child[r, 1]]))
            for i in range(count - 2):
                s = inner[i]
                touched = touched or before[s] or changed[s]
                now += growth ** (0.5 * (across[s] + across[child[s, 0]] + across[child[s, 1]]))
            if count < 3 or not touched:
                continue
            mark[:] = -1
            for i in range(count):
                below_across[i] = across[below[i]]
                mark_nodes(below[i], mark, i, child, stack)
            between[:] = 0.0
            for v in range(n):
                if mark[v] >= 0:
                    for a in range(pair_first[v], pair_first[v + 1]):
                        if mark[pair_node[a]] >= 0:
                            between[mark[v], mark[pair_node[a]]] += pair_weight[a]
            if best_joins(count, below_across, between, growth, across_of, split) >= now * (1.0 - PAYS):
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
        cost += growth ** (0.5 * (across[s] + across[child[s, 0]] + across[child[s, 1]]))
    part[n - 2, 0] = number[root]
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


@kernel
def passings(v, begins, street, out_first, out_edge, in_first, in_edge, turn_first, turn_edge, repeats, most, pair, turn, number):  # noqa: E501
    """Ways to ride through node `v`, or not at all, `most` times at most; returns how many, at most `number.size`.

    begins : 1 where the loop begins and ends here: then the first pair is its last edge and its first.
    Fills pair (ways, PIECES, 2), edges followed by edges; turn (ways, PIECES), -1 for the first pair of the start;
    number (ways,) of pairs."""
    ins = in_first[v + 1] - in_first[v]
    outs = out_first[v + 1] - out_first[v]
    at = np.empty(ins + 1, np.int64)  # turn looked at, of each edge that comes in
    new = -2  # of an edge not looked at yet
    now = np.empty((PIECES, 3), np.int64)
    had = np.empty(ins + 1, np.int64)  # pairs before this edge
    count = 0
    for q in range(ins * outs if begins == 1 else 1):
        had[0] = 0
        if begins == 1:
            now[0, 0] = in_edge[in_first[v] + q // outs]
            now[0, 1] = out_edge[out_first[v] + q % outs]
            now[0, 2] = -1
            had[0] = 1
            if repeats == 0 and street[now[0, 0]] == street[now[0, 1]]:
                continue
        depth = 0
        at[0] = new
        while depth >= 0:
            k = had[depth]
            if depth == ins:
                if count == number.size:
                    return count
                for x in range(k):
                    pair[count, x, 0] = now[x, 0]
                    pair[count, x, 1] = now[x, 1]
                    turn[count, x] = now[x, 2]
                number[count] = k
                count += 1
                depth -= 1
                continue
            e = np.int64(in_edge[in_first[v] + depth])
            fits = False
            if at[depth] == new:  # first without this edge
                at[depth] = turn_first[e] - 1
                had[depth + 1] = k
                fits = True
            else:
                at[depth] += 1
                a = at[depth]
                if a >= turn_first[e + 1] or k == most:
                    depth -= 1
                    continue
                f = np.int64(turn_edge[a])
                fits = repeats == 1 or street[e] != street[f]
                for x in range(k):
                    if now[x, 0] == e or now[x, 1] == f:
                        fits = False
                    elif repeats == 0:
                        for y in range(2):
                            s = street[now[x, y]]
                            if s == street[e] or s == street[f]:
                                fits = False
                if fits:
                    now[k, 0] = e
                    now[k, 1] = f
                    now[k, 2] = a
                    had[depth + 1] = k + 1
            if fits:
                depth += 1
                at[depth] = new
    return count


@kernel
def key_of(count, comes, goes):
    """Key of some pieces, which are put in the order of the slots by which they come in."""
    key = np.uint64(0)
    for x in range(count):
        least = x
        for y in range(x + 1, count):
            if comes[y] < comes[least]:
                least = y
        one = comes[least]
        two = goes[least]
        comes[least] = comes[x]
        goes[least] = goes[x]
        comes[x] = one
        goes[x] = two
        key |= np.uint64(one | two << SLOT_BITS) << np.uint64(2 * SLOT_BITS * x)
    return key


@kernel
def pieces_of(key, comes, goes):
    """Slots by which the pieces of a key come in and go out; returns how many."""
    count = 0
    while key != 0:
        comes[count] = np.int64(key & np.uint64(SLOTS))
        goes[count] = np.int64(key >> np.uint64(SLOT_BITS) & np.uint64(SLOTS))
        key >>= np.uint64(2 * SLOT_BITS)
        count += 1
    return count


@kernel
def told_by(key, known, slot_tells, bit_tells):
    """What a state tells: of all slots and all bits that it has, taken together."""
    told = np.uint64(0)
    while key != 0:
        told |= slot_tells[np.int64(key & np.uint64(SLOTS))]
        key >>= np.uint64(SLOT_BITS)
    x = 0
    while known != 0:
        if known & np.uint64(1) != 0:
            told |= bit_tells[x]
        known >>= np.uint64(1)
        x += 1
    return told


@kernel
def joined_pieces(a_count, a_comes, a_goes, a_slot, a_shared, a_by, b_count, b_comes, b_goes, b_slot, b_shared, b_by, comes, goes):  # noqa: E501
    """Pieces of two parts put together where one goes out by an edge that the other comes in by: how many there are,
    -1 where some close a ring or are too many.

    slot : of the whole, 0 for edges that both parts share; shared : their number, by : the piece that comes in there.
    Fills comes and goes, slots of the whole."""
    count = 0
    seen = 0
    for side in range(2):
        for x in range(a_count if side == 0 else b_count):
            begin = a_slot[a_comes[x]] if side == 0 else b_slot[b_comes[x]]
            if begin == 0:
                continue
            if count == PIECES:
                return -1
            here = side
            y = x
            end = 0
            while end == 0:
                seen += 1
                if here == 0:
                    s = a_goes[y]
                    end = a_slot[s]
                    if end == 0:
                        y = b_by[a_shared[s]]
                else:
                    s = b_goes[y]
                    end = b_slot[s]
                    if end == 0:
                        y = a_by[b_shared[s]]
                here = 1 - here
            comes[count] = begin
            goes[count] = end
            count += 1
    return count if seen == a_count + b_count else -1


@kernel
def one_ring(a_count, a_goes, a_shared, a_by, b_count, b_goes, b_shared, b_by):
    """Whether the pieces of two parts, all of them between the two, close one single ring."""
    if a_count != b_count or a_count == 0:
        return False
    y = 0
    for seen in range(1, a_count + 1):
        y = b_by[a_shared[a_goes[y]]]
        y = a_by[b_shared[b_goes[y]]]
        if y == 0:
            return seen == a_count
    return False


@kernel
def beside_at(v, pairs, count, street, order, charge, at, one, other, near_gain):
    """Gain where a passing of node `v` rides both of two streets near each other that meet there."""
    gain = 0.0
    for c in range(charge, order.size):
        q = order[c]
        if at[q] != v:
            break
        has_one = False
        has_other = False
        for x in range(count):
            for y in range(2):
                has_one = has_one or street[pairs[x, y]] == one[q]
                has_other = has_other or street[pairs[x, y]] == other[q]
        if has_one and has_other:
            gain += near_gain[q]
    return gain


@kernel
def remembered(ends, parent, top, bit_street, bit_count):
    """A bit for each street whose nodes both lie in a set, until it is asked for no more.

    Fills bit_street (sets, SIGHT) and bit_count (sets,), which begins with 0; False where there are too many."""
    for s in range(top.size):
        if top[s] < 0:
            continue
        a = first_with_both(ends[s, 0], ends[s, 1], parent)
        while a < top[s]:
            if bit_count[a] == SIGHT:
                return False
            bit_street[a, bit_count[a]] = s
            bit_count[a] += 1
            a = parent[a]
    return True


@kernel
def meeting(parts, whole, edge_first, edge_last, across, used, street, bit_street, bit_count, charged, left_street, right_street, mark, slot, own_slot, shared, share_tells, near_tells, bit_tells, near_bit, bit_bit):  # noqa: E501
    """What the slots and bits of two parts mean for the whole.

    across : edges that lead across, from edge_first to edge_last of each set; those of the whole are put at `used`.
    charged : pairs of streets whose gain is told here; mark, slot : space by edge, mark 0. Fills, for both parts:
    own_slot of the whole, 0 for the edges between the parts; `shared`, the numbers of these; as bits of a word
    share_tells, the same, near_tells and near_bit, which charged pairs' street a slot or a bit knows, bit_tells and
    bit_bit, which bits of the whole. Returns where the edges of the whole end, -1 where room ran out."""
    begin = used
    between = 0
    for side in range(2):
        for a in range(edge_first[parts[side]], edge_last[parts[side]]):
            mark[across[a]] += 1
    for side in range(2):
        for s in range(SLOTS + 1):
            own_slot[side, s] = shared[side, s] = 0
            share_tells[side, s] = near_tells[side, s] = bit_tells[side, s] = 0
        for z in range(SIGHT):
            near_bit[side, z] = bit_bit[side, z] = 0
    for side in range(2):
        p = parts[side]
        knows = left_street if side == 0 else right_street
        for a in range(edge_first[p], edge_last[p]):
            e = across[a]
            s = a - edge_first[p] + 1
            if mark[e] == 1:
                if used == across.size or used - begin == SLOTS:
                    return -1
                across[used] = e
                used += 1
                own_slot[side, s] = used - begin
            elif side == 0:
                if between == SIGHT:
                    return -1
                between += 1
                slot[e] = between
            if mark[e] == 2:
                shared[side, s] = slot[e]
                share_tells[side, s] = np.uint64(1) << np.uint64(slot[e] - 1)
                for x in range(bit_count[whole]):
                    if bit_street[whole, x] == street[e]:
                        bit_tells[side, s] |= np.uint64(1) << np.uint64(x)
            for c in range(charged.size):
                if street[e] == knows[charged[c]]:
                    near_tells[side, s] |= np.uint64(1) << np.uint64(c)
        for z in range(bit_count[p]):
            t = bit_street[p, z]
            for x in range(bit_count[whole]):
                if bit_street[whole, x] == t:
                    bit_bit[side, z] |= np.uint64(1) << np.uint64(x)
            for c in range(charged.size):
                if t == knows[charged[c]]:
                    near_bit[side, z] |= np.uint64(1) << np.uint64(c)
    for side in range(2):
        for a in range(edge_first[parts[side]], edge_last[parts[side]]):
            mark[across[a]] = 0
    return used


@kernel
def places_for(count):
    """Size of a table for so many, a power of 2 and at least twice as much."""
    size = 4
    while size < 2 * count:
        size *= 2
    return size


@kernel
def place_of(word, words, heads):
    """Where a table has the first of some words that is equal to `word`, or would have it (-1 there)."""
    mask = np.uint64(heads.size - 1)
    h = np.int64((word * np.uint64(MIX) >> np.uint64(32)) & mask)
    while heads[h] >= 0 and words[heads[h]] != word:
        h = np.int64(np.uint64(h + 1) & mask)
    return h


@kernel
def pieces_at_most(across, widest):
    """Pieces of a state of a set with so many edges that lead across."""
    count = 0
    while count < widest.size and across <= widest[count]:
        count += 1
    return count


@kernel
def states(part, start, tail, head, street, out_first, out_edge, in_first, in_edge, turn_first, turn_edge, one, other, near_gain, near_again_m, never, repeats, widest, parent, at, order, left_street, right_street, top, ends, key, known, leaf_gain, leaf_again_m, pair, turn, number, arc, arc_gain, arc_again_m, used):  # noqa: E501
    """Every state that can be reached, set after set of a carving, and the arcs that make them.

    one, other, near_gain, near_again_m : (pairs,) streets near each other, the gain of riding both, which must not be
    where it is `never`, and what of that is metres ridden again; parent ... ends : see charges; order : of `at`;
    widest : edges that lead across, at most, where a state may be in one piece, two ... Fills key and known (states,)
    uint64, those of the leaves first; leaf_gain and leaf_again_m (leaf states,); pair, turn, number as in passings;
    arc (arcs, 3): states of both parts and of the whole; arc_gain and arc_again_m (arcs,). Loops end in the last state.
    used : (3,) numbers of states, leaf states and arcs. Returns 0, or 1 where room ran out."""
    n = part.shape[0] + 1
    sets = 2 * n - 1
    first = np.empty(sets, np.int64)  # states of a set, leaves and joins each in their order
    last = np.empty(sets, np.int64)
    edge_first = np.empty(sets, np.int64)  # and edges that lead across from it
    edge_last = np.empty(sets, np.int64)
    room = 64 * sets + 4 * tail.size
    across = np.empty(room, np.int64)
    used_across = 0
    slot = np.zeros(tail.size, np.int64)
    comes = np.empty(PIECES + 1, np.int64)
    goes = np.empty(PIECES + 1, np.int64)
    count = 0
    charge = 0
    for v in range(n):
        begin = used_across
        if used_across + (out_first[v + 1] - out_first[v]) + (in_first[v + 1] - in_first[v]) > room:
            return 1
        for a in range(out_first[v], out_first[v + 1]):
            across[used_across] = out_edge[a]
            used_across += 1
        for a in range(in_first[v], in_first[v + 1]):
            across[used_across] = in_edge[a]
            used_across += 1
        if used_across - begin > SLOTS:
            return 1
        edge_first[v], edge_last[v] = begin, used_across
        for a in range(begin, used_across):
            slot[across[a]] = a - begin + 1
        first[v] = count
        count += passings(
            v, 1 if v == start else 0, street, out_first, out_edge, in_first, in_edge, turn_first, turn_edge, repeats,
            pieces_at_most(used_across - begin, widest), pair[count:], turn[count:], number[count:],
        )  # fmt: skip
        if count == number.size or count >= key.size:
            return 1
        while charge < order.size and at[order[charge]] < v:
            charge += 1
        listed = count
        count = first[v]
        for w in range(first[v], listed):
            gain = beside_at(v, pair[w], number[w], street, order, charge, at, one, other, near_gain)
            if gain <= never:
                continue
            for x in range(number[w]):
                comes[x] = slot[pair[w, x, 0]]
                goes[x] = slot[pair[w, x, 1]]
            key[count] = key_of(number[w], comes, goes)
            known[count] = 0
            leaf_gain[count] = gain
            leaf_again_m[count] = beside_at(v, pair[w], number[w], street, order, charge, at, one, other, near_again_m)
            for x in range(number[w]):
                pair[count, x, 0] = pair[w, x, 0]
                pair[count, x, 1] = pair[w, x, 1]
                turn[count, x] = turn[w, x]
            number[count] = number[w]
            count += 1
        last[v] = count
    leaf_states = count
    bits = 12
    while (1 << bits) < key.size and bits < 20:
        bits += 1
    table = np.full(1 << bits, -1, np.int32)
    mask = np.int64(table.size - 1)
    bit_street = np.full((sets, SIGHT), -1, np.int32)
    bit_count = np.zeros(sets, np.int64)
    if not remembered(ends, parent, top, bit_street, bit_count):
        return 1
    own_slot = np.zeros((2, SLOTS + 1), np.int64)  # of the whole
    shared = np.zeros((2, SLOTS + 1), np.int64)  # which of the edges that both parts share, from 1 on
    by = np.zeros((2, SIGHT + 1), np.int64)
    share_tells = np.zeros((2, SLOTS + 1), np.uint64)
    near_tells = np.zeros((2, SLOTS + 1), np.uint64)
    bit_tells = np.zeros((2, SLOTS + 1), np.uint64)
    near_bit = np.zeros((2, SIGHT), np.uint64)
    bit_bit = np.zeros((2, SIGHT), np.uint64)
    nothing = np.zeros(SIGHT, np.uint64)
    mark = np.zeros(tail.size, np.int64)
    side_comes = np.empty((2, PIECES), np.int64)
    side_goes = np.empty((2, PIECES), np.int64)
    arcs = 0
    for k in range(n - 1):
        whole = n + k
        is_last = k == n - 2
        while charge < order.size and at[order[charge]] < whole:
            charge += 1
        charged = 0
        while charge + charged < order.size and at[order[charge + charged]] == whole:
            charged += 1
        if charged > SIGHT:
            return 1
        begin = used_across
        used_across = meeting(
            part[k], whole, edge_first, edge_last, across, begin, street, bit_street, bit_count,
            order[charge : charge + charged], left_street, right_street, mark, slot, own_slot, shared, share_tells,
            near_tells, bit_tells, near_bit, bit_bit,
        )  # fmt: skip
        if used_across < 0:
            return 1
        edge_first[whole], edge_last[whole] = begin, used_across
        here_pieces = pieces_at_most(used_across - begin, widest)
        a_first, a_last = first[part[k, 0]], last[part[k, 0]]
        b_first, b_last = first[part[k, 1]], last[part[k, 1]]
        b_states = b_last - b_first
        b_shares = np.empty(b_states, np.uint64)
        b_near = np.empty(b_states, np.uint64)
        b_known = np.empty(b_states, np.uint64)
        b_next = np.empty(b_states, np.int32)  # that shares the same edges
        heads = np.empty(places_for(b_states), np.int32)
        for h in range(heads.size):
            heads[h] = -1
        for x in range(b_states - 1, -1, -1):
            b = b_first + x
            b_shares[x] = told_by(key[b], np.uint64(0), share_tells[1], nothing)
            b_near[x] = told_by(key[b], known[b], near_tells[1], near_bit[1])
            b_known[x] = told_by(key[b], known[b], bit_tells[1], bit_bit[1])
            h = place_of(b_shares[x], b_shares, heads)
            b_next[x] = heads[h]
            heads[h] = x
        first[whole] = count
        for a in range(a_first, a_last):
            shares = told_by(key[a], np.uint64(0), share_tells[0], nothing)
            r = np.int64(heads[place_of(shares, b_shares, heads)])
            if r < 0:
                continue
            a_near = told_by(key[a], known[a], near_tells[0], near_bit[0])
            a_known = told_by(key[a], known[a], bit_tells[0], bit_bit[0])
            a_count = pieces_of(key[a], side_comes[0], side_goes[0])
            for y in range(a_count):
                by[0, shared[0, side_comes[0, y]]] = y
            while r >= 0:
                b = b_first + r
                beside = a_near & b_near[r]
                new_known = a_known | b_known[r]
                r = np.int64(b_next[r])
                gain = 0.0
                again_m = 0.0
                c = 0
                while beside != 0:
                    if beside & np.uint64(1) != 0:
                        gain += near_gain[order[charge + c]]
                        again_m += near_again_m[order[charge + c]]
                    beside >>= np.uint64(1)
                    c += 1
                if gain <= never:
                    continue
                b_count = pieces_of(key[b], side_comes[1], side_goes[1])
                for y in range(b_count):
                    by[1, shared[1, side_comes[1, y]]] = y
                new = np.uint64(0)
                if is_last:
                    if not one_ring(a_count, side_goes[0], shared[0], by[0], b_count, side_goes[1], shared[1], by[1]):
                        continue
                    new_known = np.uint64(0)
                else:
                    together = joined_pieces(
                        a_count, side_comes[0], side_goes[0], own_slot[0], shared[0], by[0], b_count, side_comes[1],
                        side_goes[1], own_slot[1], shared[1], by[1], comes, goes,
                    )  # fmt: skip
                    if together < 0 or together > here_pieces:
                        continue
                    new = key_of(together, comes, goes)
                q = np.int64((new ^ new_known * np.uint64(MIX)) * np.uint64(MIX) >> np.uint64(64 - bits))
                while table[q] >= first[whole] and (key[table[q]] != new or known[table[q]] != new_known):
                    q = (q + 1) & mask
                if table[q] < first[whole]:
                    if count == key.size or 2 * (count - first[whole]) > table.size:
                        return 1
                    table[q] = count
                    key[count] = new
                    known[count] = new_known
                    count += 1
                if arcs == arc_gain.size:
                    return 1
                arc[arcs, 0] = a
                arc[arcs, 1] = b
                arc[arcs, 2] = table[q]
                arc_gain[arcs] = gain
                arc_again_m[arcs] = again_m
                arcs += 1
        last[whole] = count
    if first[sets - 1] == count:  # no loop at all: a last state that nothing makes
        count += 1
        arcs = 0
    used[0] = count
    used[1] = leaf_states
    used[2] = arcs
    return 0
