"""Compiled loops of the search on the streets of a few loops: their nodes are taken up one after the other.

What a loop does among the nodes taken up so far falls into *pieces*: each comes in by one edge and goes out by another,
both leading across to nodes still to come. A *state* is the set of pieces, by these edges alone, and which streets have
been ridden that others still to come lie beside. A *passing* is one way to ride through a node: which edge is followed
by which. An *arc* leads from a state by a passing to the next one. All arrays are plain; nothing raises.
"""

from __future__ import annotations

import numpy as np

from routeplan.compiled import kernel

PIECES = 4  # of a state, at most: two bytes of its key each
PAIRS = 6  # times that a loop rides through a node, at most
MOST_ACROSS = 12  # edges between a node and those taken up before it, at most
SLOTS = 256  # for edges that lead across; none has slot 0
END, BEGIN = 0, 1  # states: the loop is closed; no street is ridden yet
GROWTH = 1.5  # of the number of states with each edge that leads across, as it is reckoned
MIX = 0x9E3779B97F4A7C15  # 2^64 over the golden ratio: spreads keys over a table (Knuth, TAOCP vol. 3, 6.4)


@kernel
def node_order(tail, head, out_first, out_edge, in_first, in_edge, tries, order):
    """Order in which few edges lead across from nodes taken up to the others: greedy, the best of `tries` beginnings.

    Fills order (n,)."""
    n = order.size
    degree = np.zeros(n, np.int64)
    for e in range(tail.size):
        degree[tail[e]] += 1
        degree[head[e]] += 1
    least = np.inf
    across = np.empty(n, np.int64)
    touched = np.empty(n, np.int64)  # when a node was first led to; n: not yet, -1: taken up
    now = np.empty(n, np.int64)
    tries = min(tries, n)
    for attempt in range(tries):
        across[:] = 0
        touched[:] = n
        at = attempt * n // tries
        cut = 0
        cost = 0.0
        for k in range(n):
            if k > 0:
                at = -1
                for v in range(n):
                    if touched[v] < 0 or (touched[v] == n and at >= 0):
                        continue
                    if at >= 0 and touched[at] < n:
                        more = degree[v] - 2 * across[v] - (degree[at] - 2 * across[at])
                        if more > 0 or (more == 0 and touched[v] >= touched[at]):
                            continue
                    at = v
            now[k] = at
            cut += degree[at] - 2 * across[at]
            touched[at] = -1
            for a in range(out_first[at], out_first[at + 1]):
                v = head[out_edge[a]]
                across[v] += 1
                if touched[v] == n:
                    touched[v] = k
            for a in range(in_first[at], in_first[at + 1]):
                v = tail[in_edge[a]]
                across[v] += 1
                if touched[v] == n:
                    touched[v] = k
            cost += GROWTH**cut
            if cost >= least:
                break
        if cost < least:
            least = cost
            order[:] = now


@kernel
def passings(v, begins, street, out_first, out_edge, in_first, in_edge, turn_first, turn_edge, repeats, pair, turn, number):  # noqa: E501
    """Ways to ride through node `v`, or not at all, at most `number.size` of them; returns how many.

    begins : 1 where the loop begins and ends here: then the first pair is its last edge and its first.
    Fills pair (ways, PAIRS, 2), edges followed by edges; turn (ways, PAIRS), -1 for the first pair of the start;
    number (ways,) of pairs."""
    ins = in_first[v + 1] - in_first[v]
    outs = out_first[v + 1] - out_first[v]
    at = np.empty(ins + 1, np.int64)  # turn looked at, of each edge that comes in
    new = -2  # of an edge not looked at yet
    now = np.empty((PAIRS, 3), np.int64)
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
                if a >= turn_first[e + 1] or k == PAIRS:
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
def ridden_through(code, pairs, count, slot, tail, head, place, k, piece_in, piece_out):
    """A state's key after a passing at place `k`: (key, 1 while pieces are open or none has begun, 2 once the loop is
    closed, 0 where it cannot be ridden so)."""
    pieces = 0
    while pieces < PIECES and code >> np.uint64(16 * pieces) & np.uint64(255) != 0:
        piece_in[pieces] = np.int64(code >> np.uint64(16 * pieces) & np.uint64(255))
        piece_out[pieces] = np.int64(code >> np.uint64(16 * pieces + 8) & np.uint64(255))
        pieces += 1
    for x in range(count):
        e = pairs[x, 0]
        f = pairs[x, 1]
        ends = -1  # the piece that goes out by e, the one that comes in by f
        starts = -1
        for y in range(pieces):
            if place[tail[e]] < k and piece_out[y] == slot[e]:
                ends = y
            if place[head[f]] < k and piece_in[y] == slot[f]:
                starts = y
        if ends >= 0 and ends == starts:
            return np.uint64(0), 2 if pieces == 1 and x == count - 1 else 0
        comes = piece_in[ends] if ends >= 0 else slot[e]
        goes = piece_out[starts] if starts >= 0 else slot[f]
        for y in (max(ends, starts), min(ends, starts)):  # the later one first, for the last takes its place
            if y >= 0:
                pieces -= 1
                piece_in[y] = piece_in[pieces]
                piece_out[y] = piece_out[pieces]
        piece_in[pieces] = comes
        piece_out[pieces] = goes
        pieces += 1
    if pieces > PIECES:
        return np.uint64(0), 0
    key = np.uint64(0)
    for x in range(pieces):  # in the order of the edges by which they come in
        least = x
        for y in range(x + 1, pieces):
            if piece_in[y] < piece_in[least]:
                least = y
        comes = piece_in[least]
        goes = piece_out[least]
        piece_in[least] = piece_in[x]
        piece_out[least] = piece_out[x]
        piece_in[x] = comes
        piece_out[x] = goes
        key |= np.uint64(comes | goes << 8) << np.uint64(16 * x)
    return key, 1


@kernel
def beside_others(pairs, count, street, turn_of, k, near_first, near_street, near_gain, known, bit_of, newly):
    """(gain where streets near those ridden are ridden, bits of the streets known then) of a passing."""
    fresh = 0
    for x in range(count):
        for y in range(2):
            s = np.int64(street[pairs[x, y]])
            is_new = s < turn_of.size and turn_of[s] == k and near_first[s + 1] > near_first[s]
            for z in range(fresh):
                is_new = is_new and newly[z] != s
            if is_new:
                newly[fresh] = s
                fresh += 1
    gain = 0.0
    after = known
    for x in range(fresh):
        s = newly[x]
        for a in range(near_first[s], near_first[s + 1]):
            other = near_street[a]
            ridden = turn_of[other] < k and known & bit_of[other] != 0
            for y in range(x):
                ridden = ridden or newly[y] == other
            if ridden:
                gain += near_gain[a]
        after |= bit_of[s]
    return gain, after


@kernel
def take_slots(v, k, place, out_first, out_edge, in_first, in_edge, tail, head, taken, slot, bit_here):
    """Slots for the edges between node `v` at place `k` and nodes still to come; for those from before, bits by slot.

    Returns the number of the latter, -1 where slots or bits run out."""
    here = 0
    for side in range(2):
        first, adjacent, other = (in_first, in_edge, tail) if side == 0 else (out_first, out_edge, head)
        for a in range(first[v], first[v + 1]):
            e = adjacent[a]
            if place[other[e]] < k:
                if here == MOST_ACROSS:
                    return -1
                bit_here[slot[e]] = 1 << here
                here += 1
                continue
            s = 1
            while s < SLOTS and taken[s] == 1:
                s += 1
            if s == SLOTS:
                return -1
            taken[s] = 1
            slot[e] = s
    return here


@kernel
def give_slots(v, k, place, out_first, out_edge, in_first, in_edge, tail, head, taken, slot, bit_here):
    """Back the slots and bits of the edges from before, which lead across no more."""
    for side in range(2):
        first, adjacent, other = (in_first, in_edge, tail) if side == 0 else (out_first, out_edge, head)
        for a in range(first[v], first[v + 1]):
            e = adjacent[a]
            if place[other[e]] < k:
                taken[slot[e]] = 0
                bit_here[slot[e]] = 0


@kernel
def states(order, start, tail, head, street, out_first, out_edge, in_first, in_edge, turn_first, turn_edge, near_first, near_street, near_gain, repeats, key, beside, arc_first, arc_to, arc_way, arc_gain, pair, turn, number, way_first, used):  # noqa: E501
    """Every state that can be reached, node after node in the given order, and the arcs between them.

    near_gain : of riding both a street and one of near_street. Fills key and beside (states,) uint64; arc_first
    (states + 1,); arc_to, arc_way, arc_gain (arcs,): where an arc leads, its passing, gain where near streets are
    ridden; pair, turn, number as in passings; way_first (n + 1,) by place in the order. Arcs lead to later states or to
    END. used : (3,) numbers of states, arcs and passings. Returns 0, or 1 where room ran out."""
    n = order.size
    place = np.empty(n, np.int64)
    for k in range(n):
        place[order[k]] = k
    slot = np.zeros(tail.size, np.int64)  # of an edge that leads across, from 1 on
    taken = np.zeros(SLOTS, np.uint8)
    bit_here = np.zeros(SLOTS, np.int64)  # of the slots of edges that lead to the node just taken up
    way_of = np.empty(1 << MOST_ACROSS, np.int32)  # first passing that uses just these
    next_way = np.empty(number.size, np.int32)
    piece_in = np.empty(PIECES + PAIRS, np.int64)
    piece_out = np.empty(PIECES + PAIRS, np.int64)
    newly = np.empty(2 * PAIRS, np.int64)
    # the place where a street is first met, and the last one where a street beside it is
    streets = near_first.size - 1
    turn_of = np.full(streets, n, np.int64)
    for e in range(tail.size):
        if street[e] < streets:
            turn_of[street[e]] = min(turn_of[street[e]], place[tail[e]], place[head[e]])
    wanted = np.full(streets, -1, np.int64)
    for s in range(streets):
        for a in range(near_first[s], near_first[s + 1]):
            if turn_of[near_street[a]] < n:
                wanted[s] = max(wanted[s], turn_of[near_street[a]])
    bit_of = np.zeros(streets, np.uint64)
    free_bits = ~np.uint64(0)
    bits = 16
    table = np.empty(1 << bits, np.int32)
    key[:2] = 0
    beside[:2] = 0
    arc_first[:2] = 0
    level = BEGIN
    count = 2
    arcs = 0
    ways = 0
    begun = False
    for k in range(n):
        v = order[k]
        begun = begun or v == start
        way_first[k] = ways
        ways += passings(
            v, 1 if v == start else 0, street, out_first, out_edge, in_first, in_edge, turn_first, turn_edge, repeats,
            pair[ways:], turn[ways:], number[ways:],
        )  # fmt: skip
        if ways == number.size:
            return 1
        here = take_slots(v, k, place, out_first, out_edge, in_first, in_edge, tail, head, taken, slot, bit_here)
        if here < 0:
            return 1
        way_of[: 1 << here] = -1
        for w in range(ways - 1, way_first[k] - 1, -1):
            mask = 0
            for x in range(number[w]):
                mask |= bit_here[slot[pair[w, x, 0]]] | bit_here[slot[pair[w, x, 1]]]
            next_way[w] = way_of[mask]
            way_of[mask] = w
        gone = np.uint64(0)
        for s in range(streets):
            if turn_of[s] == k and wanted[s] > k and free_bits != 0:
                bit_of[s] = free_bits & (~free_bits + np.uint64(1))
                free_bits &= ~bit_of[s]
            if wanted[s] == k:
                gone |= bit_of[s]
        next_level = count
        table[:] = -1
        for s in range(level, next_level):
            arc_first[s] = arcs
            mask = 0
            for x in range(2 * PIECES):
                mask |= bit_here[np.int64(key[s] >> np.uint64(8 * x) & np.uint64(255))]
            w = way_of[mask]
            while w >= 0:
                new, open_ = ridden_through(
                    key[s], pair[w], number[w], slot, tail, head, place, k, piece_in, piece_out
                )
                if (open_ == 2 and begun) or (open_ == 1 and (new != 0 or not begun)):
                    gain, known = beside_others(
                        pair[w], number[w], street, turn_of, k, near_first, near_street, near_gain, beside[s],
                        bit_of, newly,
                    )  # fmt: skip
                    known &= ~gone
                    to = END
                    if open_ == 1:
                        q = np.int64((new ^ known * np.uint64(MIX)) * np.uint64(MIX) >> np.uint64(64 - bits))
                        while table[q] >= 0 and (key[table[q]] != new or beside[table[q]] != known):
                            q = (q + 1) & (table.size - 1)
                        if table[q] < 0:
                            if count == key.size or 2 * (count - next_level) > table.size:
                                return 1
                            table[q] = count
                            key[count] = new
                            beside[count] = known
                            count += 1
                        to = int(table[q])
                    if arcs == arc_to.size:
                        return 1
                    arc_to[arcs] = to
                    arc_way[arcs] = w
                    arc_gain[arcs] = gain
                    arcs += 1
                w = next_way[w]
        level = next_level
        for s in range(streets):
            if wanted[s] == k and bit_of[s] != 0:
                free_bits |= bit_of[s]
                bit_of[s] = 0
        give_slots(v, k, place, out_first, out_edge, in_first, in_edge, tail, head, taken, slot, bit_here)
    arc_first[level : count + 1] = arcs
    way_first[n] = ways
    used[0] = count
    used[1] = arcs
    used[2] = ways
    return 0


@kernel
def weigh(order, way_first, pair, turn, number, tail, head, street, gain, again, length, turn_gain, aside, per_gain, way_gain, way_length, way_repeat, way_aside):  # noqa: E501
    """What each passing comes to: its turns, and those of its edges that lead to nodes still to come.

    Fills the gain, metres, metres ridden again and the cost summed up aside, `per_gain` of it for each unit of price;
    which way a street is ridden first is not known: half of each."""
    place = np.empty(order.size, np.int64)
    for k in range(order.size):
        place[order[k]] = k
    seen = np.empty(2 * PAIRS, np.int64)
    for k in range(order.size):
        for w in range(way_first[k], way_first[k + 1]):
            price = 0.0
            plain = 0.0
            metres = 0.0
            twice = 0.0
            beside = 0.0
            count = 0
            for x in range(number[w]):
                if turn[w, x] >= 0:
                    price += turn_gain[turn[w, x]]
                for y in range(2):
                    e = pair[w, x, y]
                    if place[tail[e] if y == 0 else head[e]] < k:
                        continue
                    plain += gain[e]
                    metres += length[e]
                    beside += aside[e]
                    for z in range(count):
                        f = seen[z]
                        if street[f] == street[e]:
                            price += 0.5 * (again[e] - gain[e] + again[f] - gain[f])
                            twice += length[e]
                    seen[count] = e
                    count += 1
            way_gain[w] = plain + price
            way_length[w] = metres
            way_repeat[w] = twice
            way_aside[w] = beside - per_gain * price


@kernel
def homeward(arc_first, arc_to, arc_way, arc_gain, count, way_gain, way_length, way_aside, per_gain, price, best, best_m, fewest_m, most_m, least_aside):  # noqa: E501
    """From each state on: the most that can be gained less `price` a metre, and the metres of that way; the fewest and
    the most metres, and the least to be summed up aside, of any. Where nothing leads to the end, -inf."""
    best[END] = best_m[END] = fewest_m[END] = most_m[END] = least_aside[END] = 0.0
    for s in range(count - 1, BEGIN - 1, -1):
        best[s] = most_m[s] = -np.inf
        fewest_m[s] = least_aside[s] = np.inf
        best_m[s] = 0.0
        for a in range(arc_first[s], arc_first[s + 1]):
            t = arc_to[a]
            if best[t] == -np.inf:
                continue
            w = arc_way[a]
            v = way_gain[w] + arc_gain[a] - price * way_length[w] + best[t]
            if v > best[s]:
                best[s] = v
                best_m[s] = way_length[w] + best_m[t]
            fewest_m[s] = min(fewest_m[s], way_length[w] + fewest_m[t])
            most_m[s] = max(most_m[s], way_length[w] + most_m[t])
            least_aside[s] = min(least_aside[s], way_aside[w] - per_gain * arc_gain[a] + least_aside[t])


@kernel
def still_to_come(arc_first, arc_to, arc_way, arc_gain, count, way_gain, way_length, best, price, step, value, metres):
    """What can be gained from each state on by the metres that remain, one way for each `step` of them: fills value
    (states, steps), -inf where there is none, and metres. Of two ways the one of more gain less `price` a metre."""
    value[:] = -np.inf
    metres[:] = 0.0
    value[END, 0] = 0.0
    for s in range(count - 1, BEGIN - 1, -1):
        for a in range(arc_first[s], arc_first[s + 1]):
            t = arc_to[a]
            if best[t] == -np.inf:
                continue
            w = arc_way[a]
            gain = way_gain[w] + arc_gain[a]
            for c in range(value.shape[1]):
                if value[t, c] == -np.inf:
                    continue
                m = metres[t, c] + way_length[w]
                b = np.int64(m / step)
                if b >= value.shape[1]:
                    break
                v = value[t, c] + gain
                if v - price * m > value[s, b] - price * metres[s, b]:
                    value[s, b] = v
                    metres[s, b] = m


@kernel
def labels(places, arc_first, arc_to, arc_way, arc_gain, way_gain, way_length, way_repeat, way_aside, per_gain, price, best, fewest_m, most_m, least_aside, aside_most, shortest, longest, repeat_m, target, pull, cutoff, step, coming, coming_m, coming_step, value, metres, twice, beside, parent, by, state, ends):  # noqa: E501
    """Labels of every state, one for each `step` of metres, without those that cannot come to `cutoff` with what is
    still to come.

    Fills value, metres, twice, beside, parent, by (passing) and state of each label, and ends: labels of closed loops.
    Returns (labels, ends), labels -1 where room ran out."""
    bits = 18
    table = np.full(1 << bits, -1, np.int32)
    steps = np.int64(longest / step) + 2
    value[0] = metres[0] = twice[0] = beside[0] = 0.0
    parent[0] = by[0] = -1
    state[0] = BEGIN
    count = 1
    closed = 0
    begin = 0
    for _ in range(places):
        end = count
        for p in range(begin, end):
            for a in range(arc_first[state[p]], arc_first[state[p] + 1]):
                t = arc_to[a]
                if best[t] == -np.inf:
                    continue
                w = arc_way[a]
                m = metres[p] + way_length[w]
                low = max(m + fewest_m[t], shortest)
                high = min(m + most_m[t], longest)
                r = twice[p] + way_repeat[w]
                aside = beside[p] + way_aside[w] - per_gain * arc_gain[a]
                if low > high or r > repeat_m or aside + least_aside[t] > aside_most:
                    continue
                v = value[p] + way_gain[w] + arc_gain[a]
                at = low if price < 0.0 else high  # the length that suits best: here, or nearest to the target
                middle = min(max(target, low), high)
                worth = max(price * at + pull * abs(at - target), price * middle + pull * abs(middle - target))
                if v - price * m + best[t] + worth < cutoff:
                    continue
                hopeful = t == END
                b = max(int((shortest - m) / coming_step), 0)
                while not hopeful and b < coming.shape[1] and b * coming_step <= longest - m:
                    hopeful = v + coming[t, b] + pull * abs(m + coming_m[t, b] - target) >= cutoff
                    b += 1
                if not hopeful:
                    continue
                c = -1
                if t != END:
                    name = np.uint64(t * steps + np.int64(m / step))
                    q = np.int64(name * np.uint64(MIX) >> np.uint64(64 - bits))
                    while table[q] >= end and (
                        state[table[q]] != t or np.int64(metres[table[q]] / step) != np.int64(m / step)
                    ):
                        q = (q + 1) & (table.size - 1)
                    c = int(table[q])
                    if c >= end and value[c] - price * metres[c] >= v - price * m:
                        continue
                if c < end:  # none there, or one of the place before
                    if count == value.size or 2 * (count - end) > table.size or closed == ends.size:
                        return -1, closed
                    c = count
                    count += 1
                    if t == END:
                        ends[closed] = c
                        closed += 1
                    else:
                        table[q] = c
                value[c] = v if t != END else v + pull * abs(m - target)
                metres[c] = m
                twice[c] = r
                beside[c] = aside
                parent[c] = p
                by[c] = w
                state[c] = t
        begin = end
    return count, closed


@kernel
def ridden(label, parent, by, pair, turn, number, follows, walk):
    """Edges of a closed loop's label, from the start on, into `walk`; returns their number. follows : (e,) space."""
    first = np.int64(-1)
    last = np.int64(-1)
    p = np.int64(label)
    while p >= 0:
        w = by[p]
        if w >= 0:
            for x in range(number[w]):
                if turn[w, x] < 0:
                    last = np.int64(pair[w, x, 0])
                    first = np.int64(pair[w, x, 1])
                else:
                    follows[pair[w, x, 0]] = pair[w, x, 1]
        p = np.int64(parent[p])
    count = 0
    e = first
    while count < walk.size:
        walk[count] = e
        count += 1
        if e == last:
            break
        e = np.int64(follows[e])
    return count
