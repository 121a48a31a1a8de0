"""Compiled parts of settling small balls (see exact)."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from routeplan.compiled import kernel
from routeplan.search.kernels import clock_part


class Left(NamedTuple):
    """What may still be earned. i items: passages of streets, by gain per metre, most first; e edges."""

    gain: np.ndarray  # (i,) at most
    length: np.ndarray
    tail: np.ndarray
    head: np.ndarray
    slot: np.ndarray  # (i,) what it is a passage of
    number: np.ndarray  # (i,) passages of the slot before it, at least
    slot_of: np.ndarray  # (e,)
    homewards: np.ndarray  # (e, buckets) at most after this edge, with less than (bucket + 1) step metres left
    step: float
    short: float  # at most on edges shorter than a step, which homewards leaves out


class Standing(NamedTuple):
    """Where the search stands, to go on from. e edges, s streets."""

    depth: np.ndarray  # (1,) edges of the walk; -1: all is done
    edge: np.ndarray  # (e + 1,) of the walk
    turn: np.ndarray  # (e + 1,) which to try next at each depth
    sums: np.ndarray  # (e + 1, 4) length, value, repeated length, time so far
    ridden: np.ndarray  # (e,) uint8
    passed: np.ndarray  # (s,) times, by street
    taken: np.ndarray  # (e,) times, by slot
    best: np.ndarray  # (e + 1,) edges of the best walk
    best_count: np.ndarray  # (1,)
    best_value: np.ndarray  # (1,) to be passed
    listed: np.ndarray  # (most, e + 2) int32: edges, then which, of loops found; no rows: only the best is kept
    listed_count: np.ndarray  # (1,)


@kernel
def ways_home(net, gain, home, back, step, buckets):
    """(e, buckets): the most that a walk home earns after edge e with less than (bucket + 1) step metres left, streets
    ridden as often as it likes; -inf where none fits. back: buckets that an edge takes; one that takes none must not
    earn."""
    most = np.full((net.tail.size, buckets), -np.inf)
    for b in range(buckets):
        changed = True
        while changed:  # more than once where short edges follow each other
            changed = False
            for e in range(net.tail.size):
                h = net.head[e]
                if home[h] >= (b + 1) * step:
                    continue
                best = most[e, b]
                if h == net.start:
                    best = max(best, 0.0)
                for a in range(net.turn_first[e], net.turn_first[e + 1]):
                    f = net.turn_edge[a]
                    if back[f] <= b:
                        best = max(best, gain[f] + most[f, b - back[f]])
                if best > most[e, b]:
                    most[e, b] = best
                    changed = True
    return most


@kernel
def deepen(net, gain, again, rules, share, way, left, at, look_from, allowance):
    """Go on from `at` for `allowance` steps, or until no more can be listed; returns those taken. `share`: of a loop's
    length that may be ridden again.

    One long function: handing tuples of arrays on to another one would cost more than a step."""
    start = net.start
    longest = rules.longest
    slack = 1e-9 * longest
    clocked = net.clock_sum.size > 1
    items = left.gain.size
    listing = at.listed.shape[0] > 0
    full = False
    home = way[:, start].copy()
    edge, turn, sums, ridden, passed, taken = at.edge, at.turn, at.sums, at.ridden, at.passed, at.taken
    done = 0
    d = at.depth[0]
    while d >= 0 and done < allowance and not full:
        last = net.out_first[start + 1] if d == 0 else net.turn_first[edge[d - 1] + 1]
        if turn[d] >= last:
            d -= 1
            if d >= 0:
                e = edge[d]
                ridden[e] = 0
                passed[net.street[e]] -= 1
                taken[left.slot_of[e]] -= 1
            continue
        a = turn[d]
        turn[d] += 1
        done += 1
        e = np.int64(net.out_edge[a] if d == 0 else net.turn_edge[a])
        s = net.street[e]
        if ridden[e] or (rules.repeats == 0 and passed[s] > 0):
            continue
        h = net.head[e]
        length = sums[d, 0] + net.length[e]
        rest = longest - length + slack
        if home[h] > rest:
            continue
        value = sums[d, 1]
        repeat = sums[d, 2]
        time = sums[d, 3]
        if passed[s] > 0:
            value += again[e]
            repeat += net.length[e]
            if repeat > rules.repeat_m:
                continue
        else:
            value += gain[e]
            if rules.near_gain != 0.0:
                for c in range(net.near_first[s], net.near_first[s + 1]):
                    if passed[net.near_street[c]] > 0:
                        value += rules.near_gain * net.length[e]
                        break
        if d > 0:
            value += net.turn_gain[a]
        if clocked:
            value += clock_part(net.clock_sum, net.clock_begin, net.clock_step, net.clock_gain[e], net.time[e], time)
        allowed = rules.repeats == 0 or repeat <= share * length
        if h == start and rules.shortest <= length <= longest and allowed:
            total = value + rules.pull * abs(length - rules.target)
            if not listing and total > at.best_value[0]:
                at.best_value[0] = total
                at.best_count[0] = d + 1
                for c in range(d):
                    at.best[c] = edge[c]
                at.best[d] = e
            if listing:
                row = at.listed_count[0]
                at.listed[row, 0] = d + 1
                for c in range(d):
                    at.listed[row, c + 1] = edge[c]
                at.listed[row, d + 1] = e
                at.listed_count[0] += 1
                full = row + 1 == at.listed.shape[0]
        b = min(int(rest / left.step), left.homewards.shape[1] - 1)
        if not listing and value + left.homewards[e, b] + left.short <= at.best_value[0]:
            continue
        slot = left.slot_of[e]
        taken[slot] += 1
        if rest > look_from * longest:  # what is left within reach: is it worth it, is it long enough?
            earned = 0.0
            more = 0.0
            room = rest
            room_again = rules.repeat_m - repeat
            need = rules.shortest - length
            k = 0
            while k < items and room > 0.0:
                worth = left.gain[k]
                if worth <= 0.0 and more >= need:
                    break
                if taken[left.slot[k]] <= left.number[k]:
                    b = left.tail[k]
                    c = left.head[k]
                    part = left.length[k]
                    over = rest - part
                    if way[h, b] + way[c, start] <= over or way[h, c] + way[b, start] <= over:
                        part = min(part, room)
                        if left.number[k] > 0:
                            part = min(part, room_again)
                            room_again -= part
                        if worth <= 0.0:
                            part = min(part, need - more)
                        if left.length[k] > 0.0:
                            earned += worth * part / left.length[k]
                        elif worth > 0.0:
                            earned += worth
                        more += part
                        room -= part
                        if more >= need and (listing or value + earned > at.best_value[0]):
                            break  # enough to go on for
                k += 1
            done += k // 4
            if (not listing and value + earned <= at.best_value[0]) or more + slack < need:
                taken[slot] -= 1
                continue
        ridden[e] = 1
        passed[s] += 1
        edge[d] = e
        d += 1
        sums[d, 0] = length
        sums[d, 1] = value
        sums[d, 2] = repeat
        sums[d, 3] = time + net.time[e]
        turn[d] = net.turn_first[e]
    at.depth[0] = d
    return done
