"""Compiled states of a carved network: all that a loop can do within each set, and how that is put together.

Sets, states, arcs and passings are those of carving_kernels. All arrays are plain; nothing raises.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from routeplan.compiled import kernel
from routeplan.search.carving_kernels import MIX, first_with_both

SLOT_BITS = 6  # of a key for each end of a piece
SLOTS = 63  # for edges that lead across, from 1 on, at most
PIECES = 5  # of a state, at most, so that they fit into the key
SIGHT = 64  # bits of a word: edges that two parts share, and streets beside others, at most


class Beside(NamedTuple):
    """Pairs of streets near each other."""

    one: np.ndarray  # (pairs,) streets
    other: np.ndarray
    gain: np.ndarray  # (pairs,) of riding both, which must not be where it is `never`
    again_m: np.ndarray  # what of that is metres ridden again
    at: np.ndarray  # (pairs,) the first set that meets both
    order: np.ndarray  # of `at`
    left: np.ndarray  # (pairs,) which of the two its parts know
    right: np.ndarray


class Sets(NamedTuple):
    """Sets of a carving."""

    part: np.ndarray  # (joins, 2)
    first: np.ndarray  # (sets,) states
    last: np.ndarray
    edge_first: np.ndarray  # (sets,) of `across`
    edge_last: np.ndarray
    across: np.ndarray  # edges that lead across
    bit_street: np.ndarray  # (sets, SIGHT) streets of which it is remembered whether they were ridden
    bit_count: np.ndarray  # (sets,)
    used: np.ndarray  # (2,) edges that lead across, pairs of streets told of


class States(NamedTuple):
    """States, and arcs that make them."""

    key: np.ndarray  # (states,) uint64: pieces
    known: np.ndarray  # (states,) uint64: streets ridden that lie beside others still to be met
    arc: np.ndarray  # (arcs, 3) states of both parts and of the whole
    gain: np.ndarray  # (arcs,) float32
    again_m: np.ndarray
    table: np.ndarray  # states of the last set, by key; older ones are passed over; its size a power of 2
    used: np.ndarray  # (2,) states, arcs


class Meeting(NamedTuple):
    """How the states of two parts fit together."""

    own_slot: np.ndarray  # (2, SLOTS + 1) of the whole, by those of both parts; 0: between the two
    shared: np.ndarray  # and which of the edges between them, from 1 on
    share_tells: np.ndarray  # as bits of a word
    near_tells: np.ndarray  # which pair's street a slot knows, of those told of here
    near_bit: np.ndarray  # (2, SIGHT) and a bit
    bit_tells: np.ndarray  # which bits of the whole
    bit_bit: np.ndarray
    twin: np.ndarray  # (SLOTS + 1,) slot of the whole for the other way of the same street, 0: none
    slot: np.ndarray  # (edges,) space
    mark: np.ndarray  # (edges,) space, 0
    charged: np.ndarray  # (2,) pairs of streets told of here: the first of `order`, and how many
    shares: np.ndarray  # (2, states of a part) uint64: edges between the parts
    near: np.ndarray  # uint64: streets of pairs
    known: np.ndarray  # uint64: what the whole remembers
    pieces: np.ndarray  # (2, states of a part, 2 PIECES) uint8: slots
    number: np.ndarray  # (2, states of a part) of pieces
    heads: np.ndarray  # space of a table
    begin: np.ndarray  # by state of the first part: the first of the second that shares the same, -1
    then: np.ndarray  # by state of the second part: the next one
    many: np.ndarray  # and how many from it on
    tries: np.ndarray  # before each state of the first part


def no_sets(part: np.ndarray, edges: int) -> Sets:
    """Room for what leads across, nothing in it yet. part : (joins, 2); edges : of the network."""
    count = 2 * part.shape[0] + 1
    first, last, edge_first, edge_last, bit_count = (np.zeros(count, np.int64) for _ in range(5))
    across = np.empty(64 * count + 4 * edges, np.int64)
    bit_street = np.full((count, SIGHT), -1, np.int32)
    return Sets(part, first, last, edge_first, edge_last, across, bit_street, bit_count, np.zeros(2, np.int64))


def no_states(most: int, table_bits: int) -> States:
    """Room for so many states and arcs, none of them yet, and for half as many in a set as its table has places."""
    gain, again_m = (np.empty(most, np.float32) for _ in range(2))
    return States(
        np.empty(most, np.uint64), np.empty(most, np.uint64), np.empty((most, 3), np.int32), gain, again_m,
        np.full(1 << table_bits, -1, np.int32), np.zeros(2, np.int64),
    )  # fmt: skip


def no_meeting(edges: int, most: int) -> Meeting:
    """Room for parts of so many states, of a network of so many edges."""
    own_slot, shared = (np.zeros((2, SLOTS + 1), np.int64) for _ in range(2))
    share_tells, near_tells, bit_tells = (np.zeros((2, SLOTS + 1), np.uint64) for _ in range(3))
    near_bit, bit_bit = (np.zeros((2, SIGHT), np.uint64) for _ in range(2))
    shares, near, known = (np.empty((2, most), np.uint64) for _ in range(3))
    begin, then, many = (np.empty(most, np.int32) for _ in range(3))
    return Meeting(
        own_slot, shared, share_tells, near_tells, near_bit, bit_tells, bit_bit, np.zeros(SLOTS + 1, np.int64),
        np.zeros(edges, np.int64), np.zeros(edges, np.int64), np.zeros(2, np.int64), shares, near, known,
        np.empty((2, most, 2 * PIECES), np.uint8), np.empty((2, most), np.int32), np.empty(4 * most, np.int32), begin,
        then, many, np.empty(most + 1, np.int64),
    )  # fmt: skip


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
def joined_pieces(x, y, by, m, comes, goes):
    """Pieces of state `x` of one part and `y` of the other put together where one goes out by an edge that the other
    comes in by: how many there are, -1 where some close a ring or are too many.

    by : (2, SIGHT + 1) the piece of each part that comes in by each edge between them. Fills comes and goes, slots of
    the whole."""
    count = 0
    seen = 0
    for side in range(2):
        state = x if side == 0 else y
        for z in range(m.number[side, state]):
            begin = m.own_slot[side, m.pieces[side, state, 2 * z]]
            if begin == 0:
                continue
            if count == PIECES:
                return -1
            here = side
            piece = z
            end = 0
            while end == 0:
                seen += 1
                s = m.pieces[here, x if here == 0 else y, 2 * piece + 1]
                end = m.own_slot[here, s]
                if end == 0:
                    piece = by[1 - here, m.shared[here, s]]
                here = 1 - here
            comes[count] = begin
            goes[count] = end
            count += 1
    return count if seen == m.number[0, x] + m.number[1, y] else -1


@kernel
def one_ring(x, y, by, m):
    """Whether the pieces of two states, all of them between the two, close one single ring."""
    count = m.number[0, x]
    if count != m.number[1, y] or count == 0:
        return False
    piece = 0
    for seen in range(1, count + 1):
        there = by[1, m.shared[0, m.pieces[0, x, 2 * piece + 1]]]
        piece = by[0, m.shared[1, m.pieces[1, y, 2 * there + 1]]]
        if piece == 0:
            return seen == count
    return False


@kernel
def crossed_both_ways(count, comes, goes, twin):
    """Streets that some pieces cross both ways."""
    number = 0
    for x in range(count):
        t = twin[comes[x]]
        if t > 0:
            for y in range(count):
                if goes[y] == t:
                    number += 1
    return number


@kernel
def beside_at(v, pairs, count, street, charge, beside, near_gain):
    """What `near_gain` comes to where a passing of node `v` rides both of two streets near each other."""
    gain = 0.0
    for c in range(charge, beside.order.size):
        q = beside.order[c]
        if beside.at[q] != v:
            break
        has_one = False
        has_other = False
        for x in range(count):
            for y in range(2):
                has_one = has_one or street[pairs[x, y]] == beside.one[q]
                has_other = has_other or street[pairs[x, y]] == beside.other[q]
        if has_one and has_other:
            gain += near_gain[q]
    return gain


@kernel
def remembered(ends, parent, top, sets):
    """A bit for each street whose nodes both lie in a set, until it is asked for no more.

    ends, parent, top : see carving_kernels.charges. Fills bit_street and bit_count, which is 0; False where there are
    too many."""
    for s in range(top.size):
        if top[s] < 0:
            continue
        a = first_with_both(ends[s, 0], ends[s, 1], parent)
        while a < top[s]:
            if sets.bit_count[a] == SIGHT:
                return False
            sets.bit_street[a, sets.bit_count[a]] = s
            sets.bit_count[a] += 1
            a = parent[a]
    return True


@kernel
def meeting(k, street, beside, sets, m):
    """What the slots and bits of the parts of join `k` mean for the whole, whose edges are put after the others.

    Fills `m` but for what is told by state; False where room ran out."""
    whole = sets.part.shape[0] + 1 + k
    across = sets.across
    begin = sets.used[0]
    used = begin
    between = 0
    for side in range(2):
        for a in range(sets.edge_first[sets.part[k, side]], sets.edge_last[sets.part[k, side]]):
            m.mark[across[a]] += 1
        for s in range(SLOTS + 1):
            m.own_slot[side, s] = m.shared[side, s] = 0
            m.share_tells[side, s] = m.near_tells[side, s] = m.bit_tells[side, s] = 0
        for z in range(SIGHT):
            m.near_bit[side, z] = m.bit_bit[side, z] = 0
    for side in range(2):
        p = sets.part[k, side]
        knows = beside.left if side == 0 else beside.right
        for a in range(sets.edge_first[p], sets.edge_last[p]):
            e = across[a]
            s = a - sets.edge_first[p] + 1
            if m.mark[e] == 1:
                if used == across.size or used - begin == SLOTS:
                    return False
                across[used] = e
                used += 1
                m.own_slot[side, s] = used - begin
            elif side == 0:
                if between == SIGHT:
                    return False
                between += 1
                m.slot[e] = between
            if m.mark[e] == 2:
                m.shared[side, s] = m.slot[e]
                m.share_tells[side, s] = np.uint64(1) << np.uint64(m.slot[e] - 1)
                for x in range(sets.bit_count[whole]):
                    if sets.bit_street[whole, x] == street[e]:
                        m.bit_tells[side, s] |= np.uint64(1) << np.uint64(x)
            for c in range(m.charged[1]):
                if street[e] == knows[beside.order[m.charged[0] + c]]:
                    m.near_tells[side, s] |= np.uint64(1) << np.uint64(c)
        for z in range(sets.bit_count[p]):
            t = sets.bit_street[p, z]
            for x in range(sets.bit_count[whole]):
                if sets.bit_street[whole, x] == t:
                    m.bit_bit[side, z] |= np.uint64(1) << np.uint64(x)
            for c in range(m.charged[1]):
                if t == knows[beside.order[m.charged[0] + c]]:
                    m.near_bit[side, z] |= np.uint64(1) << np.uint64(c)
    for side in range(2):
        for a in range(sets.edge_first[sets.part[k, side]], sets.edge_last[sets.part[k, side]]):
            m.mark[across[a]] = 0
    for s in range(SLOTS + 1):
        m.twin[s] = 0
    for a in range(begin, used):
        for b in range(begin, used):
            if a != b and street[across[a]] == street[across[b]]:
                m.twin[a - begin + 1] = b - begin + 1
    sets.edge_first[whole], sets.edge_last[whole] = begin, used
    sets.used[0] = used
    return True


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
    while count < widest.shape[0] and across <= widest[count, 0]:
        count += 1
    return count


@kernel
def leaves(n, start, street, out_first, out_edge, in_first, in_edge, turn_first, turn_edge, repeats, widest, never, beside, sets, states, slot, pair, turn, number, near_gain, near_again_m):  # noqa: E501
    """States of the nodes, 0 to n - 1: fills pair, turn and number as passings does, and what is beside in each.

    near_gain, near_again_m : (leaf states,). False where room ran out."""
    comes = np.empty(PIECES, np.int64)
    goes = np.empty(PIECES, np.int64)
    across = sets.across
    count = 0
    charge = 0
    for v in range(n):
        begin = used = sets.used[0]
        if used + (out_first[v + 1] - out_first[v]) + (in_first[v + 1] - in_first[v]) > across.size:
            return False
        for a in range(out_first[v], out_first[v + 1]):
            across[used] = out_edge[a]
            used += 1
        for a in range(in_first[v], in_first[v + 1]):
            across[used] = in_edge[a]
            used += 1
        if used - begin > SLOTS:
            return False
        sets.edge_first[v], sets.edge_last[v] = begin, used
        sets.used[0] = used
        for a in range(begin, used):
            slot[across[a]] = a - begin + 1
        sets.first[v] = count
        listed = count + passings(
            v, 1 if v == start else 0, street, out_first, out_edge, in_first, in_edge, turn_first, turn_edge, repeats,
            pieces_at_most(used - begin, widest), pair[count:], turn[count:], number[count:],
        )  # fmt: skip
        if listed == number.size or listed >= states.key.size:
            return False
        while charge < beside.order.size and beside.at[beside.order[charge]] < v:
            charge += 1
        for w in range(count, listed):
            gain = beside_at(v, pair[w], number[w], street, charge, beside, beside.gain)
            if gain <= never:
                continue
            for x in range(number[w]):
                comes[x] = slot[pair[w, x, 0]]
                goes[x] = slot[pair[w, x, 1]]
            states.key[count] = key_of(number[w], comes, goes)
            states.known[count] = 0
            near_gain[count] = gain
            near_again_m[count] = beside_at(v, pair[w], number[w], street, charge, beside, beside.again_m)
            for x in range(number[w]):
                pair[count, x, 0] = pair[w, x, 0]
                pair[count, x, 1] = pair[w, x, 1]
                turn[count, x] = turn[w, x]
            number[count] = number[w]
            count += 1
        sets.last[v] = count
    states.used[0] = count
    return True


@kernel
def met(k, street, beside, sets, states, m):
    """Make ready to join the parts of join `k`: how many pairs of states fit by the edges between them, -1 where room
    ran out.

    Fills `m`; all joins before must be done."""
    whole = sets.part.shape[0] + 1 + k
    charge = sets.used[1]
    while charge < beside.order.size and beside.at[beside.order[charge]] < whole:
        charge += 1
    m.charged[0] = charge
    while charge < beside.order.size and beside.at[beside.order[charge]] == whole:
        charge += 1
    m.charged[1] = charge - m.charged[0]
    sets.used[1] = charge
    if m.charged[1] > SIGHT or not meeting(k, street, beside, sets, m):
        return -1
    nothing = np.zeros(SIGHT, np.uint64)
    comes = np.empty(PIECES, np.int64)
    goes = np.empty(PIECES, np.int64)
    for side in range(2):
        first = sets.first[sets.part[k, side]]
        count = sets.last[sets.part[k, side]] - first
        if count >= m.then.size:
            return -1
        for x in range(count):
            key = states.key[first + x]
            known = states.known[first + x]
            m.shares[side, x] = told_by(key, np.uint64(0), m.share_tells[side], nothing)
            m.near[side, x] = told_by(key, known, m.near_tells[side], m.near_bit[side])
            m.known[side, x] = told_by(key, known, m.bit_tells[side], m.bit_bit[side])
            pieces = pieces_of(key, comes, goes)
            m.number[side, x] = pieces
            for z in range(pieces):
                m.pieces[side, x, 2 * z] = comes[z]
                m.pieces[side, x, 2 * z + 1] = goes[z]
    second = sets.last[sets.part[k, 1]] - sets.first[sets.part[k, 1]]
    heads = m.heads[: places_for(second)]
    heads[:] = -1
    for y in range(second - 1, -1, -1):
        h = place_of(m.shares[1, y], m.shares[1], heads)
        m.then[y] = heads[h]
        m.many[y] = 1 + (m.many[heads[h]] if heads[h] >= 0 else 0)
        heads[h] = y
    m.tries[0] = 0
    first = sets.last[sets.part[k, 0]] - sets.first[sets.part[k, 0]]
    for x in range(first):
        y = heads[place_of(m.shares[0, x], m.shares[1], heads)]
        m.begin[x] = y
        m.tries[x + 1] = m.tries[x] + (m.many[y] if y >= 0 else 0)
    sets.first[whole] = sets.last[whole] = states.used[0]
    return m.tries[first]


@kernel
def bits_of(word):
    """Number of bits that are 1."""
    count = 0
    while word != 0:
        word &= word - np.uint64(1)
        count += 1
    return count


@kernel
def state_at(key, known, begin, states):
    """Where the table has a state from number `begin` on, or would have it."""
    mask = np.uint64(states.table.size - 1)
    h = np.int64(((key ^ known * np.uint64(MIX)) * np.uint64(MIX) >> np.uint64(32)) & mask)
    while states.table[h] >= begin and (
        states.key[states.table[h]] != key or states.known[states.table[h]] != known
    ):
        h = np.int64(np.uint64(h + 1) & mask)
    return h


@kernel
def number_of(key, known, begin, states):
    """The number of a state from `begin` on, a new one where it has none; -1 where room ran out."""
    h = state_at(key, known, begin, states)
    if states.table[h] < begin:
        count = states.used[0]
        if count == states.key.size or 2 * (count - begin) > states.table.size:
            return -1
        states.table[h] = count
        states.key[count] = key
        states.known[count] = known
        states.used[0] = count + 1
    return states.table[h]


@kernel
def joined(k, begin, end, widest, never, beside, sets, m, states):
    """States of join `k` and their arcs, from states `begin` to `end` of the first part on: put after the others of
    `states`, whose last set's they are. False where room ran out.

    widest : see carving.ways_of. Loops end in the state of the last join."""
    last = k == sets.part.shape[0] - 1
    whole = sets.part.shape[0] + 1 + k
    across = sets.edge_last[whole] - sets.edge_first[whole]
    most = pieces_at_most(across, widest)
    own = states.used[0]
    by = np.zeros((2, SIGHT + 1), np.int64)
    comes = np.empty(PIECES, np.int64)
    goes = np.empty(PIECES, np.int64)
    for x in range(begin, end):
        y = np.int64(m.begin[x])
        between = bits_of(m.shares[0, x])
        for z in range(m.number[0, x]):
            by[0, m.shared[0, m.pieces[0, x, 2 * z]]] = z
        while y >= 0:
            b = y
            y = np.int64(m.then[y])
            if not last and m.number[0, x] + m.number[1, b] - between > most:
                continue
            gain = 0.0
            again_m = 0.0
            both = m.near[0, x] & m.near[1, b]
            c = m.charged[0]
            while both != 0:
                if both & np.uint64(1) != 0:
                    gain += beside.gain[beside.order[c]]
                    again_m += beside.again_m[beside.order[c]]
                both >>= np.uint64(1)
                c += 1
            if gain <= never:
                continue
            for z in range(m.number[1, b]):
                by[1, m.shared[1, m.pieces[1, b, 2 * z]]] = z
            key = np.uint64(0)
            known = np.uint64(0)
            if last:
                if not one_ring(x, b, by, m):
                    continue
            else:
                count = joined_pieces(x, b, by, m, comes, goes)
                if count < 0 or across > widest[max(count, 1) - 1, crossed_both_ways(count, comes, goes, m.twin)]:
                    continue
                key = key_of(count, comes, goes)
                known = m.known[0, x] | m.known[1, b]
            t = number_of(key, known, own, states)
            a = states.used[1]
            if t < 0 or a == states.gain.size:
                return False
            states.arc[a, 0] = sets.first[sets.part[k, 0]] + x
            states.arc[a, 1] = sets.first[sets.part[k, 1]] + b
            states.arc[a, 2] = t
            states.gain[a] = gain
            states.again_m[a] = again_m
            states.used[1] = a + 1
    return True


@kernel
def brought_in(k, own, side, sets, states):
    """States of join `k` in `side` from number `own` on, and all arcs there, are put after those in `states`, as if
    they had been joined there. False where room ran out."""
    begin = sets.first[sets.part.shape[0] + 1 + k]
    number = np.empty(side.used[0] - own, np.int32)
    for x in range(number.size):
        number[x] = number_of(side.key[own + x], side.known[own + x], begin, states)
        if number[x] < 0:
            return False
    used = states.used[1]
    if used + side.used[1] > states.gain.size:
        return False
    for a in range(side.used[1]):
        states.arc[used + a, 0] = side.arc[a, 0]
        states.arc[used + a, 1] = side.arc[a, 1]
        states.arc[used + a, 2] = number[side.arc[a, 2] - own]
        states.gain[used + a] = side.gain[a]
        states.again_m[used + a] = side.again_m[a]
    states.used[1] = used + side.used[1]
    side.used[1] = 0
    return True


@kernel
def up_to_many(k, many, street, widest, never, beside, sets, m, states):
    """Do join `k` and those after it, up to one of which so many pairs of states fit, which is made ready but not done:
    its number, that of joins where there is none; -1 where room ran out."""
    while k < sets.part.shape[0]:
        tries = met(k, street, beside, sets, states, m)
        if tries < 0:
            return -1
        if tries >= many:
            break
        first = sets.last[sets.part[k, 0]] - sets.first[sets.part[k, 0]]
        if not joined(k, 0, first, widest, never, beside, sets, m, states):
            return -1
        sets.last[sets.part.shape[0] + 1 + k] = states.used[0]
        k += 1
    return k
