"""Compiled loops of the search: bounded shortest paths, the segment sweep, the walk's measure, local search, Pareto labels.

All of them take plain arrays, never raise and never look at a clock of the machine; the public functions check
their input first and call them in slices. Plain twins for reading live in the tests.

Words used here. A *walk* is an array of directed edges. The *sweep* is a dynamic programme over (edge just ridden,
length bucket) that keeps one label each and looks along the label's own chain of parents for streets it has ridden.
"""  # noqa: E501

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from routeplan.compiled import kernel

ROW = 14  # streets of a chain that lie together, in one line of the processor's cache
OUTSIDE = -(2**60)  # offset of an edge outside the region of a sweep


class Net(NamedTuple):
    """Streets near the start, as arrays. e edges, n nodes, s streets, t turns."""

    tail: np.ndarray  # (e,) int32
    head: np.ndarray  # (e,) int32
    length: np.ndarray  # (e,) float64 [m]
    street: np.ndarray  # (e,) int32
    out_first: np.ndarray  # (n + 1,) int32: edges leaving node i are out_edge[out_first[i]:out_first[i + 1]]
    out_edge: np.ndarray
    in_first: np.ndarray
    in_edge: np.ndarray
    turn_first: np.ndarray  # (e + 1,) int32: edges that may follow edge i
    turn_edge: np.ndarray  # (t,) int32
    turn_gain: np.ndarray  # (t,) float64
    near_first: np.ndarray  # (s + 1,) int32: streets beside street i
    near_street: np.ndarray
    time: np.ndarray  # (e,) float64 [s]
    clock_gain: np.ndarray  # (e,) float64
    clock_sum: np.ndarray  # (w + 1,) float64, integral of the weight from clock_begin; one entry: no clock
    clock_begin: float
    clock_step: float
    start: int


class Rules(NamedTuple):
    """What a walk is asked for beside its edges' gains."""

    near_gain: float  # per metre of a street whose neighbour has been ridden
    target: float  # [m]
    pull: float  # gain per metre of distance from the target, <= 0
    repeats: int  # 1: the other direction of a ridden street may be ridden, at the gain `again`
    repeat_m: float  # at most so many metres of it
    shortest: float
    longest: float


class Work(NamedTuple):
    """Space that the sweep and the local search write into; one for each thread."""

    label_value: np.ndarray
    label_length: np.ndarray
    label_time: np.ndarray
    label_repeat: np.ndarray
    label_aside: np.ndarray
    label_link: np.ndarray  # (labels, 2) int32: parent label, edge
    label_next: np.ndarray
    label_done: np.ndarray
    label_row: np.ndarray  # (labels, ROW + 2) int32: the chain's last passages, label of the row before, their number
    slot: np.ndarray  # (slots,) int32: label of an edge and bucket, or -1
    used: np.ndarray  # (2,) int64: labels and slots of the last sweep
    offset: np.ndarray  # (e,) int64: slot of (edge, bucket) is offset[edge] + bucket, or OUTSIDE
    region: np.ndarray  # (e,) int32
    gain: np.ndarray  # (e,) gains as shaken
    aside: np.ndarray  # (e,) a cost of each edge that labels sum up aside
    edge_mark: np.ndarray  # (e,) int64
    street_mark: np.ndarray  # (s,) int64
    rest_edge: np.ndarray  # (e,) uint8
    rest_street: np.ndarray  # (s,) int32
    rest_near: np.ndarray  # (s,) int32
    to: np.ndarray  # (n,) distance to the end of the segment
    out: np.ndarray  # (n,) distance from its beginning
    heap_key: np.ndarray
    heap_node: np.ndarray
    settled: np.ndarray  # (n,) int32
    parent: np.ndarray  # (n,) int32
    zone: np.ndarray  # (n,) distance from the middle of a zone
    zone_settled: np.ndarray  # (n,) int32
    stamp: np.ndarray  # (1,) int64
    guide: np.ndarray  # (e, b) float32: see guide_home; one row: none
    home: np.ndarray  # (e, b) float32: the least still to be summed up aside, by the length left; one row: none


@kernel
def adjacency(end, n):
    """Edges by node in order of index: (first (n + 1,), edge (e,))."""
    first = np.zeros(n + 1, np.int32)
    for i in end:
        first[i + 1] += 1
    for i in range(n):
        first[i + 1] += first[i]
    place = np.empty(n, np.int32)
    for i in range(n):
        place[i] = first[i]
    edge = np.empty(end.size, np.int32)
    for e in range(end.size):
        edge[place[end[e]]] = e
        place[end[e]] += 1
    return first, edge


@kernel
def shortest(first, adjacent, other, weight, source, limit, floor, wanted, wanted_count, dist, parent, settled, key, node):  # noqa: E501
    """Dijkstra from `source`, not beyond `limit`, and beyond `floor` only while wanted nodes are missing.

    wanted : bool (n,) or empty (then all are), `wanted_count` of them true. Fills `dist` (inf where not
    settled), `parent` (edge, -1), `settled` (order). Ties by node. Returns the number of settled nodes."""
    for i in range(dist.size):
        dist[i] = np.inf
        parent[i] = -1
    dist[source] = 0.0
    key[0] = 0.0
    node[0] = source
    size = 1
    count = 0
    left = wanted_count
    while size > 0:
        d = key[0]
        v = node[0]
        size -= 1
        if size > 0:  # sift the last down from the root
            k = key[size]
            x = node[size]
            i = 0
            while True:
                c = 2 * i + 1
                if c >= size:
                    break
                if c + 1 < size and (key[c + 1] < key[c] or (key[c + 1] == key[c] and node[c + 1] < node[c])):
                    c += 1
                if key[c] < k or (key[c] == k and node[c] < x):
                    key[i] = key[c]
                    node[i] = node[c]
                    i = c
                else:
                    break
            key[i] = k
            node[i] = x
        if d > dist[v]:
            continue
        settled[count] = v
        count += 1
        if wanted.size > 0:
            if wanted[v]:
                left -= 1
            if left <= 0 and d > floor:
                break
        for a in range(first[v], first[v + 1]):
            e = adjacent[a]
            w = other[e]
            nd = d + weight[e]
            if nd <= limit and nd < dist[w]:
                dist[w] = nd
                parent[w] = e
                if size < key.size:
                    i = size
                    size += 1
                    while i > 0:
                        p = (i - 1) // 2
                        if nd < key[p] or (nd == key[p] and w < node[p]):
                            key[i] = key[p]
                            node[i] = node[p]
                            i = p
                        else:
                            break
                    key[i] = nd
                    node[i] = w
    for i in range(size):  # reached but not settled
        if dist[node[i]] >= key[i]:
            dist[node[i]] = np.inf
    return count


@kernel
def between(net, begin, end, limit, work):
    """Distances to `end` into work.to and from `begin` into work.out, not beyond `limit`; the nodes reached from the
    beginning lie in work.settled, then -1. Returns their number."""
    none = np.empty(0, np.bool_)
    zero = np.int64(0)
    shortest(net.in_first, net.in_edge, net.tail, net.length, end, limit, 0.0, none, zero,
             work.to, work.parent, work.settled, work.heap_key, work.heap_node)  # fmt: skip
    n = shortest(net.out_first, net.out_edge, net.head, net.length, begin, limit, 0.0, none, zero,
                 work.out, work.parent, work.settled, work.heap_key, work.heap_node)  # fmt: skip
    if n < work.settled.size:
        work.settled[n] = -1
    return n


@kernel
def turns(tail, head, street, out_first, out_edge, start, may_turn_at_start):
    """Edges that may follow each edge: not the street just ridden, except (if told) through the start."""
    e_count = tail.size
    first = np.zeros(e_count + 1, np.int32)
    for e in range(e_count):
        v = head[e]
        n = 0
        for a in range(out_first[v], out_first[v + 1]):
            if street[out_edge[a]] != street[e] or (may_turn_at_start and v == start and out_edge[a] != e):
                n += 1
        first[e + 1] = first[e] + n
    follow = np.empty(first[e_count], np.int32)
    n = 0
    for e in range(e_count):
        v = head[e]
        for a in range(out_first[v], out_first[v + 1]):
            if street[out_edge[a]] != street[e] or (may_turn_at_start and v == start and out_edge[a] != e):
                follow[n] = out_edge[a]
                n += 1
    return first, follow


@kernel
def weight_to(clock_sum, clock_begin, clock_step, t):
    """Integral of the clock's weight from its beginning to `t` [s]."""
    last = clock_sum.size - 1
    x = (t - clock_begin) / clock_step
    if x <= 0.0:
        return 0.0
    if x >= last:
        return clock_sum[last]
    k = int(x)
    return clock_sum[k] + (x - k) * (clock_sum[k + 1] - clock_sum[k])


@kernel
def clock_part(clock_sum, clock_begin, clock_step, gain, duration, t):
    """Gain of passing an edge from time `t` on: its clock gain times the mean weight over the passage.

    Takes single arrays, for handing over a whole net costs more than the work here."""
    if clock_sum.size == 1 or gain == 0.0:
        return 0.0
    d = max(duration, 1e-6)
    weight = weight_to(clock_sum, clock_begin, clock_step, t + d) - weight_to(clock_sum, clock_begin, clock_step, t)
    return gain * weight / d


@kernel
def turn_between(net, e, f):
    """Index of the turn from edge `e` to edge `f`, or -1."""
    for a in range(net.turn_first[e], net.turn_first[e + 1]):
        if net.turn_edge[a] == f:
            return a
    return -1


@kernel
def measure(net, gain, again, rules, walk, count, work):
    """(value, length, repeated, time, faults) of a closed walk from the start; faults > 0: it is not one.

    Faults: does not begin or end at the start, edges that do not follow each other, an edge ridden twice."""
    work.stamp[0] += 1
    stamp = work.stamp[0]
    value = 0.0
    length = 0.0
    repeated = 0.0
    time = 0.0
    faults = 0
    if count == 0 or net.tail[walk[0]] != net.start or net.head[walk[count - 1]] != net.start:
        faults += 1
    for i in range(count):
        e = walk[i]
        s = net.street[e]
        if i > 0:
            a = turn_between(net, np.int64(walk[i - 1]), np.int64(e))
            if a < 0:
                faults += 1
            else:
                value += net.turn_gain[a]
        if work.edge_mark[e] == stamp:
            faults += 1
        if work.street_mark[s] == stamp:
            value += again[e]
            repeated += net.length[e]
        else:
            value += gain[e]
            if rules.near_gain != 0.0:
                for a in range(net.near_first[s], net.near_first[s + 1]):
                    if work.street_mark[net.near_street[a]] == stamp:
                        value += rules.near_gain * net.length[e]
                        break
        work.edge_mark[e] = stamp
        work.street_mark[s] = stamp
        value += clock_part(net.clock_sum, net.clock_begin, net.clock_step, net.clock_gain[e], net.time[e], time)
        time += net.time[e]
        length += net.length[e]
    return value + rules.pull * abs(length - rules.target), length, repeated, time, faults


@kernel
def measure_all(net, gain, again, rules, walks, first, work):
    """As measure, for each of the walks walks[first[i]:first[i + 1]]: (m, 5)."""
    found = np.empty((first.size - 1, 5))
    for i in range(first.size - 1):
        walk = walks[first[i] : first[i + 1]]
        value, length, repeated, time, faults = measure(net, gain, again, rules, walk, walk.size, work)
        found[i, 0] = value
        found[i, 1] = length
        found[i, 2] = repeated
        found[i, 3] = time
        found[i, 4] = faults
    return found


@kernel
def passage(street, tail, head):
    """A street and the way it is ridden, in one number."""
    return 2 * street + (tail < head)


@kernel
def on_chain(rows, label, street, shift):
    """Whether a street (shift 1) or a passage (shift 0) is on a label's chain."""
    p = label
    while p >= 0:
        row = rows[p]
        hits = 0
        for q in range(ROW):
            hits += row[q] >> shift == street
        if hits > 0:
            return True
        p = row[ROW]
    return False


@kernel
def edge_on_chain(link, label, edge):
    """Whether an edge is on a label's chain."""
    p = label
    while p >= 0:
        if link[p, 1] == edge:
            return True
        p = link[p, 0]
    return False


@kernel
def sweep(net, gain, again, rules, walk, count, i, j, lowest, highest, step, slots, length_price, cutoff, guide_step, aside_per_gain, aside_most, work):  # noqa: E501
    """Best replacement of walk[i:j]: returns (label or -1, its value, work done).

    slots: at most so many (edge, bucket) are told apart, the buckets (`step` or wider) follow from it; where labels run
    out, no more are begun. cutoff: with a guide, labels that come to less with it are dropped. Labels sum up work.aside
    and `aside_per_gain` for each unit of price (turns, streets beside ridden ones, repeats); with work.home those that
    come to more than aside_most with it are dropped. The rest of the walk is marked in work.rest_*; distances to the
    segment's end lie in work.to and from its beginning in work.out; lowest, highest: length of the segment [m]. A value
    counts the segment, its turns, the rest's clock part and the pull to the target, less `length_price` a metre. With
    i = 0, j = count = 0 it finds a whole loop from the start."""
    first_edge = walk[i - 1] if i > 0 else -1
    next_edge = walk[j] if j < count else -1
    end = net.tail[next_edge] if next_edge >= 0 else net.start
    base_length = 0.0
    base_repeat = 0.0
    t0 = 0.0
    for a in range(count):
        if a < i or a >= j:
            base_length += net.length[walk[a]]
            s = net.street[walk[a]]
            if work.rest_street[s] > 1:
                base_repeat += 0.5 * net.length[walk[a]]
        if a < i:
            t0 += net.time[walk[a]]

    # region: edges on some way from begin to end that is short enough; buckets as wide as the room for labels asks
    size = 0
    span = 0.0
    for q in range(work.settled.size):
        v = work.settled[q]
        if v < 0:
            break
        for a in range(net.out_first[v], net.out_first[v + 1]):
            e = net.out_edge[a]
            spare = highest - work.to[net.head[e]] - work.out[v] - net.length[e]
            if spare >= 0.0 and not work.rest_edge[e] and (rules.repeats or work.rest_street[net.street[e]] == 0):
                work.region[size] = e
                size += 1
                span += spare
    work.used[:] = 0
    if size * 8 > slots:
        return np.int64(-1), -np.inf, size
    step = max(step, span / (slots - 5 * size))
    last_bucket = int(highest / step)
    heads = np.empty(last_bucket + 1, np.int64)
    for q in range(last_bucket + 1):
        heads[q] = -1
    room = 0
    for q in range(size):
        e = work.region[q]
        low = int((work.out[net.tail[e]] + net.length[e]) / step)
        high = int((highest - work.to[net.head[e]]) / step)
        work.offset[e] = room - low + 1  # one spare below and one above, for rounding
        room += max(high - low, 0) + 3
    slot = work.slot
    for q in range(room):
        slot[q] = -1
    done = room // 16 + size
    used = np.int64(0)
    most = work.label_value.size
    guide = work.guide
    guided = guide.shape[0] > 1
    home = work.home
    limited = home.shape[0] > 1

    label_value, label_length, label_time = work.label_value, work.label_length, work.label_time
    label_repeat, label_link, label_next = work.label_repeat, work.label_link, work.label_next
    label_done, label_row, label_aside = work.label_done, work.label_row, work.label_aside
    clock_sum, clock_begin, clock_step = net.clock_sum, net.clock_begin, net.clock_step
    clocked = clock_sum.size > 1

    # first labels, then bucket by bucket
    if first_edge >= 0:
        a0 = net.turn_first[first_edge]
        a1 = net.turn_first[first_edge + 1]
    else:
        a0 = net.out_first[net.start]
        a1 = net.out_first[net.start + 1]
    current = np.int64(-1)
    bucket = 0
    best = np.int64(-1)
    best_value = -np.inf
    value = 0.0
    length = 0.0
    time = t0
    repeat = base_repeat
    beside = 0.0
    is_first = True
    while True:
        done += 1
        for a in range(a0, a1):
            if is_first and first_edge < 0:
                f = net.out_edge[a]
                turn = 0.0
            else:
                f = net.turn_edge[a]
                turn = net.turn_gain[a]
            if work.offset[f] == OUTSIDE:
                continue
            nl = length + net.length[f]
            if nl + work.to[net.head[f]] > highest:
                continue
            done += 1
            now = value + turn
            if clocked:
                now += clock_part(clock_sum, clock_begin, clock_step, net.clock_gain[f], net.time[f], time)
            q = work.offset[f] + int(nl / step)
            k = np.int64(slot[q])
            if k < 0:
                if used == most:
                    continue
            elif label_done[k] == 2 or now + max(gain[f], again[f]) <= label_value[k]:
                continue
            if guided and now + max(gain[f], again[f]) + guide[f, int((highest - nl) / guide_step)] < cutoff:
                continue
            aside_now = beside + work.aside[f] - aside_per_gain * turn
            if limited and aside_now + home[f, int((highest - nl) / guide_step)] > aside_most:
                continue
            s = net.street[f]
            again_here = work.rest_street[s] > 0
            done += 1
            if on_chain(label_row, current, s, 1):
                if rules.repeats == 0:
                    continue
                way = passage(s, net.tail[f], net.head[f])
                if on_chain(label_row, current, way, 0) and edge_on_chain(label_link, current, f):
                    continue
                again_here = True
            new_repeat = repeat
            if again_here:
                if rules.repeats == 0:
                    continue
                new_repeat = repeat + net.length[f]
                if new_repeat > rules.repeat_m:
                    continue
                now += again[f]
                aside_now += aside_per_gain * (gain[f] - again[f])
            else:
                now += gain[f]
                if rules.near_gain != 0.0:
                    near = work.rest_near[s] > 0
                    if not near:
                        for c in range(net.near_first[s], net.near_first[s + 1]):
                            if on_chain(label_row, current, net.near_street[c], 1):
                                near = True
                                break
                    if near:
                        now += rules.near_gain * net.length[f]
                        aside_now -= aside_per_gain * rules.near_gain * net.length[f]
            b = int(nl / step)
            if b > last_bucket or (k >= 0 and now <= label_value[k]):
                continue
            if k < 0:
                k = used
                used += 1
                slot[q] = k
                label_done[k] = 1
                label_link[k, 1] = f
                label_next[k] = heads[b]
                heads[b] = k
            label_value[k] = now
            label_length[k] = nl
            label_time[k] = time + net.time[f]
            label_repeat[k] = new_repeat
            label_aside[k] = aside_now
            label_link[k, 0] = current
            fill = ROW
            if current >= 0:
                fill = label_row[current, ROW + 1]
            if fill < ROW:
                for c in range(ROW + 1):
                    label_row[k, c] = label_row[current, c]
            else:
                fill = 0
                for c in range(ROW):
                    label_row[k, c] = -1
                label_row[k, ROW] = current
            label_row[k, fill] = passage(s, net.tail[f], net.head[f])
            label_row[k, ROW + 1] = fill + 1
        is_first = False
        while bucket <= last_bucket and heads[bucket] < 0:
            bucket += 1
        if bucket > last_bucket:
            break
        current = heads[bucket]
        heads[bucket] = label_next[current]
        label_done[current] = 2
        e = np.int64(label_link[current, 1])
        value = label_value[current]
        length = label_length[current]
        time = np.float64(label_time[current])
        repeat = np.float64(label_repeat[current])
        beside = np.float64(label_aside[current])
        a0 = net.turn_first[e]
        a1 = net.turn_first[e + 1]
        if net.head[e] == end and length >= lowest and length <= highest:
            total = value + rules.pull * abs(base_length + length - rules.target) - length_price * length
            if next_edge >= 0:
                c = turn_between(net, e, np.int64(next_edge))
                if c < 0:
                    continue
                total += net.turn_gain[c]
                if clocked:
                    t = time
                    for c in range(j, count):
                        total += clock_part(
                            clock_sum, clock_begin, clock_step, net.clock_gain[walk[c]], net.time[walk[c]], t
                        )
                        t += net.time[walk[c]]
            if total > best_value:
                best_value = total
                best = current
    for p in range(size):  # type: ignore[assignment]
        work.offset[work.region[p]] = OUTSIDE
    work.used[0] = used
    work.used[1] = room
    return best, best_value, done


@kernel
def by_edge(work, first, last):
    """Slots of the last sweep's labels on each edge, first to last; (e,) both, equal where there are none."""
    for e in range(first.size):
        first[e] = last[e] = 0
    for q in range(work.used[1]):
        if work.slot[q] >= 0:  # those of one edge lie side by side, by length
            e = work.label_link[work.slot[q], 1]
            if last[e] == 0:
                first[e] = q
            last[e] = q + 1


@kernel
def guide_home(net, gain, edge, length, value, step, window, guide):
    """What labels of the turned net are worth after their edge: guide[e, b] rises to the best of those whose length
    after the edge lies in step b (or the next) or up to `window` below.

    edge, length, value : (labels,) edge just ridden, and what the label comes to with it; guide : -inf at first"""
    steps = guide.shape[1]
    reach = int(window / step) + 1
    for k in range(edge.size):
        e = edge[k]
        worth = np.float32(value[k] - gain[e])
        b = int(max(length[k] - net.length[e], 0.0) / step)
        for c in range(max(b - 1, 0), min(b + reach, steps - 1) + 1):
            if worth > guide[e, c]:
                guide[e, c] = worth
    for e in range(guide.shape[0]):
        if net.head[e] == net.start:
            for b in range(min(reach + 1, steps)):
                guide[e, b] = max(guide[e, b], np.float32(0.0))


@kernel
def meet(net, gain, rules, length_price, every, aside_most, fore, aft, ends, total, mate):
    """What labels of a sweep from the start come to with the best label of a sweep from the end on their edge: those on
    whose edge the length passes a multiple of `every` [m], for a loop need not be put together on each of its edges.

    fore, aft : the two sweeps' work, `aft` on the turned net; values less `length_price` a metre where it is not 0.
    aside_most : pairs that sum up more aside are passed over. ends : (4, e) space. Fills total (labels,), -inf where
    there is none, and mate (labels,); streets that both ways ride are not looked at. Returns the number of pairs."""
    by_edge(fore, ends[0], ends[1])
    by_edge(aft, ends[2], ends[3])
    clock_sum, clock_begin, clock_step = net.clock_sum, net.clock_begin, net.clock_step
    pairs = 0
    for e in range(net.tail.size):
        low = ends[2, e]
        for q in range(ends[1, e] - 1, ends[0, e] - 1, -1):
            k = fore.slot[q]
            if k < 0:
                continue
            total[k] = -np.inf
            length = fore.label_length[k] - net.length[e]
            if int(length / every) == int(fore.label_length[k] / every):
                continue
            value = fore.label_value[k] - gain[e]
            beside = fore.label_aside[k] - fore.aside[e]
            value -= clock_part(
                clock_sum, clock_begin, clock_step, net.clock_gain[e], net.time[e], fore.label_time[k] - net.time[e]
            )
            while low < ends[3, e] and (aft.slot[low] < 0 or length + aft.label_length[aft.slot[low]] < rules.shortest):
                low += 1
            for r in range(low, ends[3, e]):
                m = aft.slot[r]
                if m < 0:
                    continue
                whole = length + aft.label_length[m]
                if whole > rules.longest:
                    break
                pairs += 1
                if beside + aft.label_aside[m] > aside_most:
                    continue
                v = value + aft.label_value[m] + rules.pull * abs(whole - rules.target) - length_price * whole
                if v > total[k]:
                    total[k] = v
                    mate[k] = m
    return pairs


@kernel
def draw(net, gain, again, rules, fore, aft, order, mate, band, walks, counts, work):
    """Loops from labels of two sweeps that meet (see meet), in the given order, as many as `walks` has rows.

    band : (order,) of each, below its own size; one loop is drawn for each band. Those that break the rules are passed
    over, and those drawn before. Returns (their number, looked at)."""
    drawn = 0
    looked = 0
    full = np.zeros(band.size, np.uint8)
    for q in range(order.size):
        if full[band[q]]:
            continue
        k = order[q]
        looked += 1
        work.stamp[0] += 1
        stamp = work.stamp[0]
        count = 0
        p = k
        while p >= 0:
            work.street_mark[net.street[fore.label_link[p, 1]]] = stamp
            work.edge_mark[fore.label_link[p, 1]] = stamp
            count += 1
            p = fore.label_link[p, 0]
        mine = count
        again_m = np.float64(fore.label_repeat[k])
        p = np.int64(aft.label_link[mate[k], 0])
        while p >= 0:
            f = aft.label_link[p, 1]
            if work.street_mark[net.street[f]] == stamp:
                again_m += net.length[f]
                if rules.repeats == 0 or work.edge_mark[f] == stamp or again_m > rules.repeat_m:
                    break
            count += 1
            p = aft.label_link[p, 0]
        if p >= 0 or count > walks.shape[1]:
            continue
        row = walks[drawn]
        p = k
        for a in range(mine - 1, -1, -1):
            row[a] = fore.label_link[p, 1]
            p = fore.label_link[p, 0]
        p = np.int64(aft.label_link[mate[k], 0])
        for a in range(mine, count):
            row[a] = aft.label_link[p, 1]
            p = aft.label_link[p, 0]
        if rules.repeats == 1:
            _, _, repeated, _, faults = measure(net, gain, again, rules, row, count, work)
            if faults > 0 or repeated > rules.repeat_m:
                continue
        known = False
        for d in range(drawn):
            same = counts[d] == count
            a = 0
            while same and a < count:
                same = walks[d, a] == row[a]
                a += 1
            if same:
                known = True
                break
        if known:
            continue
        counts[drawn] = count
        full[band[q]] = 1
        drawn += 1
        if drawn == walks.shape[0]:
            break
    return drawn, looked


@kernel
def chain(label, work, walk):
    """Edges of a label's chain into `walk`, first to last; returns their number."""
    count = 0
    p = label
    while p >= 0:
        count += 1
        p = work.label_link[p, 0]
    p = label
    k = count
    while p >= 0:
        k -= 1
        walk[k] = work.label_link[p, 1]
        p = work.label_link[p, 0]
    return count


@kernel
def random(state):
    """Uniform in [0, 1): xorshift64* of Vigna (2016), the state is one uint64 in an array."""
    x = state[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    state[0] = x
    return ((x * np.uint64(2685821657736338717)) >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@kernel
def copy(source, i, target, j, count):
    """source[i:i + count] into target[j:]; written out, for slices take long to compile."""
    for a in range(count):
        target[j + a] = source[i + a]


@kernel
def mark_rest(net, walk, count, i, j, sign, work):
    """Add (sign 1) or take away (-1) the walk outside [i, j) in the marks of the rest."""
    for a in range(count):
        if a < i or a >= j:
            e = walk[a]
            s = net.street[e]
            work.rest_edge[e] = 1 if sign > 0 else 0
            work.rest_street[s] += sign
            for c in range(net.near_first[s], net.near_first[s + 1]):
                work.rest_near[net.near_street[c]] += sign


@kernel
def improve(net, gain, again, loose, strict, strict_repeat, walk, counts, values, best, state, allowance, settings, log, seen, work):  # noqa: E501
    """Local search: replace segments of the walk by the best ones that the sweep finds, gains shaken, over and over.

    walk, best   : int32, current and best walk; counts = [edges of walk, edges of best, step within the cycle, then tallies: sweeps that
                   found a way, a new way, walks accepted, steps; last: 1 in a strict cycle]
    values       : [value of walk, value of best (-inf: none that is allowed)]
    loose, strict: rules; loose ones may let pass repeats (at the price `again`) that strict_repeat [m] does not allow
    settings     : [shortest segment, longest segment, bucket, shake, warmth, steps of a cycle,
                   price of each metre outside the window, share of steps with a
                   price on length, size of that price, how far below the window they may go, share with a zone, share
                   of strict cycles, fewest and most labels of a sweep]
    log          : int32, rows of 1 + walk.size: row 0 begins with the number of rows used, then (edges, walk) each
    seen         : uint64 (2^k,) hashes of logged walks
    Returns (steps taken, work done); stops after `allowance` work, or with a full log."""  # noqa: E501
    done = 0
    taken = 0
    scale = settings[6] / 3.0
    segment = np.empty(walk.size, np.int32)
    none = np.empty(0, np.bool_)
    zero = np.int64(0)
    while done < allowance:
        taken += 1
        done += 400
        counts[6] += 1
        count = counts[0]
        length = 0.0
        repeated = 0.0
        for a in range(count):
            length += net.length[walk[a]]
        phase = counts[2] / settings[5]
        counts[2] += 1
        rules = strict if counts[7] == 1 else loose
        heat = max(0.0, 1.0 - 1.25 * phase)
        # the segment
        size = settings[0] * (settings[1] / settings[0]) ** random(state)
        place = random(state) * (length + size) - size
        i = 0
        way = 0.0
        while i < count - 1 and way + net.length[walk[i]] <= place:
            way += net.length[walk[i]]
            i += 1
        j = i
        inside = 0.0
        while j < count and (j == i or way + inside < place + size):
            inside += net.length[walk[j]]
            j += 1
        rest = length - inside
        highest = min(max(rules.longest - rest, 0.9 * inside), inside * 1.35 + 1500.0)
        shake = settings[3] * heat * random(state) if random(state) < 0.8 else 0.0
        length_price = 0.0
        floor = rules.shortest
        if heat > 0.0 and random(state) < settings[7]:
            length_price = settings[8] * random(state) * heat * values[0] / max(length, 1.0)
            floor *= 1.0 - settings[9] * heat
        lowest = min(floor - rest, 0.95 * highest)
        # what the rest holds, and what lies between the ends
        n = between(net, np.int64(net.tail[walk[i]]), np.int64(net.head[walk[j - 1]]), highest, work)
        done += 4 * n
        for q in range(n):
            v = work.settled[q]
            for a in range(net.out_first[v], net.out_first[v + 1]):
                e = net.out_edge[a]
                work.gain[e] = gain[e]
                if shake > 0.0:
                    size = abs(gain[e]) + 0.2 * scale * net.length[e]
                    work.gain[e] += shake * (2.0 * random(state) - 1.0) * size
        if heat > 0.0 and n > 1 and random(state) < settings[10]:  # a zone looks better or worse than it is
            radius = 300.0 * 10.0 ** random(state)
            factor = 0.5 + 1.2 * random(state)
            v = work.settled[int(random(state) * n)]
            m = shortest(net.out_first, net.out_edge, net.head, net.length, np.int64(v), radius, 0.0, none, zero,
                         work.zone, work.parent, work.zone_settled, work.heap_key, work.heap_node)  # fmt: skip
            done += 2 * m
            for q in range(m):
                v = work.zone_settled[q]
                for a in range(net.out_first[v], net.out_first[v + 1]):
                    work.gain[net.out_edge[a]] *= factor
        mark_rest(net, walk, count, i, j, np.int64(1), work)
        step = max(settings[2], highest / 250.0)
        labels = np.int64(settings[12] * (settings[13] / settings[12]) ** random(state))
        label, value, spent = sweep(net, work.gain, again, rules, walk, count, i, j, lowest, highest, step, labels, length_price, -np.inf, 1.0, 0.0, np.inf, work)  # noqa: E501
        mark_rest(net, walk, count, i, j, np.int64(-1), work)
        done += spent
        if label >= 0:
            m = chain(label, work, segment)
            same = m == j - i
            if same:
                for a in range(m):
                    if segment[a] != walk[i + a]:
                        same = False
                        break
            counts[3] += 1
            if not same and count - (j - i) + m < walk.size:
                counts[4] += 1
                new = np.empty(count - (j - i) + m, np.int32)
                copy(walk, zero, new, zero, i)
                copy(segment, zero, new, i, m)
                copy(walk, j, new, i + m, count - j)
                value, length, repeated, time, faults = measure(net, gain, again, loose, new, new.size, work)  # noqa: RUF059
                done += new.size
                value -= settings[6] * max(0.0, floor - length, length - rules.longest)
                slack = -settings[4] * heat * np.log(max(random(state), 1e-12))
                was = values[0] - length_price * (rest + inside)
                if faults == 0 and value - length_price * length >= was - slack:
                    counts[5] += 1
                    counts[0] = new.size
                    copy(new, zero, walk, zero, new.size)
                    values[0] = value
                    if repeated <= strict_repeat and length >= rules.shortest and length <= rules.longest:
                        mixed = np.uint64(new.size)
                        for a in range(new.size):
                            mixed = (mixed ^ np.uint64(new[a])) * np.uint64(0x9E3779B97F4A7C15)
                            mixed ^= mixed >> np.uint64(29)
                        slot = np.int64(mixed & np.uint64(seen.size - 1))
                        if seen[slot] != mixed:
                            seen[slot] = mixed
                            log[0] += 1
                            log[log[0] * (walk.size + 1)] = new.size
                            copy(new, zero, log, log[0] * (walk.size + 1) + 1, new.size)
                        if value > values[1]:
                            values[1] = value
                            counts[1] = new.size
                            copy(new, zero, best, zero, new.size)
        if counts[2] >= settings[5]:
            counts[2] = 0
            counts[7] = 1 if values[1] > -np.inf and random(state) < settings[11] else 0
            if values[1] > -np.inf and (counts[7] == 1 or (values[1] > values[0] and random(state) < 0.7)):
                counts[0] = counts[1]
                copy(best, zero, walk, zero, counts[1])
                values[0] = values[1]
        if (log[0] + 2) * (walk.size + 1) > log.size:
            break
    return taken, done


@kernel
def tighten(net, gain, again, rules, walk, count, window, wider, step, slots, work):
    """Replace stretches of about `window` metres of the walk, each by the best way that is at most `wider` times as
    long, one after the other, overlapping by half; gains count alone, not the walk's length.

    step, slots : as in sweep. Returns (edges of the walk, work done)."""
    done = 0
    segment = np.empty(walk.size, np.int32)
    zero = np.int64(0)
    value = measure(net, gain, again, rules, walk, count, work)[0]
    i = zero
    while i < count:
        inside = 0.0
        j = i
        after = i + 1
        while j < count and (j == i or inside < window):
            inside += net.length[walk[j]]
            j += 1
            if inside < 0.5 * window:
                after = j
        highest = inside * wider
        done += 4 * between(net, np.int64(net.tail[walk[i]]), np.int64(net.head[walk[j - 1]]), highest, work)
        mark_rest(net, walk, count, i, j, np.int64(1), work)
        label, _, spent = sweep(net, gain, again, rules, walk, count, i, j, 0.0, highest, step, slots, 0.0, -np.inf, 1.0, 0.0, np.inf, work)  # noqa: E501
        mark_rest(net, walk, count, i, j, np.int64(-1), work)
        done += spent
        if label >= 0:
            m = chain(label, work, segment)
            if count - (j - i) + m < walk.size:
                new = np.empty(count - (j - i) + m, np.int32)
                copy(walk, zero, new, zero, i)
                copy(segment, zero, new, i, m)
                copy(walk, j, new, i + m, count - j)
                better, _, repeated, _, faults = measure(net, gain, again, rules, new, new.size, work)
                done += new.size
                if faults == 0 and repeated <= rules.repeat_m and better > value:
                    value = better
                    after += m - (j - i)
                    count = new.size
                    copy(new, zero, walk, zero, count)
        i = np.int64(max(after, i + 1))
    return count, done


@kernel
def peeled(tail, head, street, out_first, out_edge, in_first, in_edge, start):
    """Edges left after dead ends are taken away, over and over: an edge stays while some other street leads on from its
    head and some other street leads to its tail (the start needs neither)."""
    count = tail.size
    keep = np.empty(count, np.bool_)
    queued = np.empty(count, np.bool_)
    stack = np.empty(count, np.int32)
    for e in range(count):
        keep[e] = True
        queued[e] = True
        stack[e] = count - 1 - e
    top = count
    while top > 0:
        top -= 1
        e = stack[top]
        queued[e] = False
        if not keep[e]:
            continue
        on = head[e] == start
        for a in range(out_first[head[e]], out_first[head[e] + 1]):
            on = on or (keep[out_edge[a]] and street[out_edge[a]] != street[e])
        reached = tail[e] == start
        for a in range(in_first[tail[e]], in_first[tail[e] + 1]):
            reached = reached or (keep[in_edge[a]] and street[in_edge[a]] != street[e])
        if on and reached:
            continue
        keep[e] = False
        for a in range(in_first[tail[e]], in_first[tail[e] + 1]):
            f = in_edge[a]
            if keep[f] and not queued[f]:
                queued[f] = True
                stack[top] = f
                top += 1
        for a in range(out_first[head[e]], out_first[head[e] + 1]):
            f = out_edge[a]
            if keep[f] and not queued[f]:
                queued[f] = True
                stack[top] = f
                top += 1
    return keep
