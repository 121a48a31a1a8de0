"""Compiled loops of a sum over every loop of a carved network: bounds, and labels of a step of metres.

States, arcs and passings are those of carving_kernels. All arrays are plain; nothing raises.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from routeplan.compiled import kernel
from routeplan.search.carving_kernels import MIX

BUCKET_BITS = 13  # of a bucket's number, for metres; the band of the cost aside follows


@kernel
def weigh(pair, turn, number, gain, again, length, street, turn_gain, near_gain, near_again_m, aside, per_gain, own):
    """What each passing comes to: its turns, the edges that it goes out by, and half of what is ridden both ways.

    Fills `own`; of the cost aside, a unit of price is `per_gain`."""
    for w in range(number.size):
        price = near_gain[w]
        plain = 0.0
        metres = 0.0
        twice = near_again_m[w]
        beside = 0.0
        for x in range(number[w]):
            if turn[w, x] >= 0:
                price += turn_gain[turn[w, x]]
            f = pair[w, x, 1]
            plain += gain[f]
            metres += length[f]
            beside += aside[f]
            for y in range(number[w]):
                e = pair[w, y, 0]
                if street[e] == street[f]:
                    price += 0.25 * (again[e] - gain[e] + again[f] - gain[f])
                    twice += 0.5 * length[e]
        own.gain[w] = plain + price
        own.metres[w] = metres
        own.again_m[w] = twice
        own.aside[w] = beside - per_gain * price


@kernel
def inside(arc, arc_gain, scale, value, by):
    """The most that each state can come to, and the arc by which: fills both beyond the leaf states."""
    for a in range(arc_gain.size):
        v = value[arc[a, 0]] + value[arc[a, 1]] + scale * arc_gain[a]
        t = arc[a, 2]
        if v > value[t]:
            value[t] = v
            by[t] = a


@kernel
def outside(arc, arc_gain, scale, value, rest, through):
    """The most that all the rest of a loop can come to: fills rest (states,), 0 in the last and -inf in the others, and
    through (arcs,): the most of a loop by each."""
    for a in range(arc_gain.size - 1, -1, -1):
        r = rest[arc[a, 2]]
        through[a] = -np.inf
        if r == -np.inf:
            continue
        r += scale * arc_gain[a]
        i = arc[a, 0]
        j = arc[a, 1]
        through[a] = r + value[i] + value[j]
        rest[i] = max(rest[i], r + value[j])
        rest[j] = max(rest[j], r + value[i])


@kernel
def summed(arc, by, leaf_states, leaf, end, stack):
    """Sum of `leaf` (leaf states,) over the best way of a state."""
    stack[0] = end
    count = 1
    total = 0.0
    while count > 0:
        count -= 1
        s = stack[count]
        if s < leaf_states:
            total += leaf[s]
        else:
            stack[count] = arc[by[s], 0]
            stack[count + 1] = arc[by[s], 1]
            count += 2
    return total


class Own(NamedTuple):
    """What each passing comes to (see weigh)."""

    gain: np.ndarray
    metres: np.ndarray
    again_m: np.ndarray
    aside: np.ndarray  # a cost summed up aside


class Window(NamedTuple):
    """What a closed loop must keep to."""

    shortest: float  # [m]
    longest: float
    again_share: float  # of its length, ridden again
    target: float  # [m]
    pull: float  # gain per metre of distance from the target, <= 0
    aside_most: float


class Need(NamedTuple):
    """The gain that a loop must come to, by the cost aside: `least`, and in steps from `begin` on."""

    gain: np.ndarray
    begin: float
    step: float
    least: float


class Rest(NamedTuple):
    """Bounds of all the rest of a loop, by state."""

    price: np.ndarray  # (k,) of a metre
    most: np.ndarray  # (k, states) gain at each price
    fewest_m: np.ndarray
    most_m: np.ndarray
    least_aside: np.ndarray


class Labels(NamedTuple):
    """Labels of states, at most one for each step of metres and band of the cost aside."""

    step: float  # [m]
    band: float  # inf: all in one
    table: np.ndarray  # label by state and bucket, -1: none; its size a power of 2
    newest: np.ndarray  # (states,) label, -1
    gain: np.ndarray  # (labels,)
    metres: np.ndarray
    again_m: np.ndarray
    aside: np.ndarray
    one: np.ndarray  # labels that it is made of, -1 - passing
    two: np.ndarray
    state: np.ndarray
    bucket: np.ndarray
    older: np.ndarray  # the next one of the same state
    spare: np.ndarray  # of the best loop that goes on from it: see onward
    rest_gain: np.ndarray  # and what that adds
    rest_m: np.ndarray
    rest_aside: np.ndarray
    ends: np.ndarray  # labels of closed loops


@kernel
def bucket_of(metres, aside, step, band):
    """Number of the bucket of a label."""
    number = np.int64(metres / step)
    if band < np.inf:
        number |= np.int64(max(aside, 0.0) / band) << BUCKET_BITS
    return number


@kernel
def at_place(labels, state, bucket):
    """Where the table has the label of a state and a bucket, or would have it."""
    mask = np.uint64(labels.table.size - 1)
    name = (np.uint64(state) << np.uint64(32)) ^ np.uint64(bucket)
    h = np.int64((name * np.uint64(MIX) >> np.uint64(32)) & mask)
    while labels.table[h] >= 0 and (
        labels.state[labels.table[h]] != state or labels.bucket[labels.table[h]] != bucket
    ):
        h = np.int64(np.uint64(h + 1) & mask)
    return h


@kernel
def beyond(metres, window):
    """Metres that a loop is too short or too long."""
    return max(0.0, max(window.shortest - metres, metres - window.longest))


@kernel
def spare(gain, aside, need):
    """What a loop comes to beyond what it must."""
    b = min(max(np.int64((aside - need.begin) / need.step), 0), need.gain.size - 1)
    return gain - max(need.gain[b], need.least)


@kernel
def hoped_for(state, gain, metres, aside, labels, price, window, need):
    """The most that is spare of a loop that goes on from a state as one of `labels` of much the same length does."""
    most = -np.inf
    around = 1 if labels.band < np.inf else 0
    first = max(int(metres / labels.step) - 1, 0)
    for further in range(3):
        z = first + further
        for y in range(-around, around + 1):
            about = aside + y * labels.band if around > 0 else aside
            bucket = bucket_of((z + 0.5) * labels.step, about, labels.step, labels.band)
            k = labels.table[at_place(labels, state, bucket)]
            if k >= 0:
                missed = beyond(metres + labels.rest_m[k], window)
                more = spare(gain + labels.rest_gain[k], aside + labels.rest_aside[k], need) - price * missed
                most = max(most, more)
    return most


@kernel
def labelled(arc, arc_gain, arc_again_m, scale, own, per_gain, window, need, rest, cutoff, before, before_least, labels):  # noqa: E501
    """Labels of loops that come to `cutoff`.

    own : an Own; per_gain : of the cost aside, for the arcs' own gain; window, need, rest : see there; before : coarser
    labels, by which `before_least` must be spare; none: its table has one place. Fills `labels`, whose table and newest
    are -1, and returns (labels, ends), labels -1 where room ran out."""
    end = labels.newest.size - 1
    price = rest.price[0]
    count = 0
    closed = 0
    for a in range(arc_gain.size):
        t = np.int64(arc[a, 2])
        near = scale * arc_gain[a]
        for side in range(2):
            s = arc[a, side]
            if s < own.gain.size and labels.newest[s] < 0:
                if count == labels.gain.size:
                    return -1, closed
                labels.gain[count] = own.gain[s]
                labels.metres[count] = own.metres[s]
                labels.again_m[count] = own.again_m[s]
                labels.aside[count] = own.aside[s]
                labels.one[count] = -1 - s
                labels.state[count] = s
                labels.bucket[count] = bucket_of(own.metres[s], own.aside[s], labels.step, labels.band)
                labels.older[count] = -1
                labels.newest[s] = count
                count += 1
        x = labels.newest[arc[a, 0]]
        while x >= 0:
            y = labels.newest[arc[a, 1]]
            while y >= 0:
                v = labels.gain[x] + labels.gain[y] + near
                m = labels.metres[x] + labels.metres[y]
                r = labels.again_m[x] + labels.again_m[y] + arc_again_m[a]
                b = labels.aside[x] + labels.aside[y] - per_gain * near
                low = max(m + rest.fewest_m[t], window.shortest)
                high = min(m + rest.most_m[t], window.longest)
                i, j = x, y
                y = labels.older[y]
                if low > high or r > window.again_share * high or b + rest.least_aside[t] > window.aside_most:
                    continue
                middle = min(max(window.target, low), high)
                hopeful = True
                for k in range(rest.price.size):
                    p = rest.price[k]
                    at = low if p < 0.0 else high  # the length that suits best: here, or nearest to the target
                    worth = max(
                        p * at + window.pull * abs(at - window.target),
                        p * middle + window.pull * abs(middle - window.target),
                    )
                    if v - p * m + rest.most[k, t] + worth < cutoff:
                        hopeful = False
                        break
                if not hopeful:
                    continue
                c = np.int64(-1)
                h = np.int64(0)
                here = bucket_of(m, b, labels.step, labels.band)
                if t != end:
                    h = at_place(labels, t, here)
                    c = np.int64(labels.table[h])
                    if c >= 0 and labels.gain[c] - price * labels.metres[c] >= v - price * m:
                        continue
                    coarser = before.table.size > 1
                    if coarser and hoped_for(t, v, m, b, before, abs(price), window, need) < before_least:
                        continue
                if c < 0:
                    if count == labels.gain.size or closed == labels.ends.size:
                        return -1, closed
                    c = np.int64(count)
                    count += 1
                    labels.state[c] = t
                    labels.bucket[c] = here
                    labels.older[c] = -1
                    if t == end:
                        labels.ends[closed] = c
                        closed += 1
                        v += window.pull * abs(m - window.target)
                    else:
                        labels.older[c] = labels.newest[t]
                        labels.newest[t] = c
                        labels.table[h] = c
                labels.gain[c] = v
                labels.metres[c] = m
                labels.again_m[c] = r
                labels.aside[c] = b
                labels.one[c] = i
                labels.two[c] = j
            x = labels.older[x]
    return count, closed


@kernel
def onward(arc, arc_gain, arc_again_m, scale, per_gain, window, need, price, count, labels, most):
    """The best loop that goes on from each of `count` labels; metres that it is too short or too long are paid for.

    Best: most is spare. Fills their spare, rest_gain, rest_m and rest_aside, and most (arcs,): of a loop by each."""
    labels.spare[:count] = -np.inf
    labels.rest_gain[:count] = -np.inf
    labels.rest_m[:count] = 0.0
    labels.rest_aside[:count] = 0.0
    end = labels.newest.size - 1
    for a in range(arc_gain.size - 1, -1, -1):
        t = np.int64(arc[a, 2])
        near = scale * arc_gain[a]
        most[a] = -np.inf
        x = labels.newest[arc[a, 0]]
        while x >= 0:
            y = labels.newest[arc[a, 1]]
            while y >= 0:
                v = labels.gain[x] + labels.gain[y] + near
                m = labels.metres[x] + labels.metres[y]
                b = labels.aside[x] + labels.aside[y] - per_gain * near
                if t == end:
                    if labels.again_m[x] + labels.again_m[y] + arc_again_m[a] > window.again_share * m:
                        v = -np.inf
                    v += window.pull * abs(m - window.target)
                else:
                    c = labels.table[at_place(labels, t, bucket_of(m, b, labels.step, labels.band))]
                    if c >= 0:
                        v += labels.rest_gain[c]
                        m += labels.rest_m[c]
                        b += labels.rest_aside[c]
                    else:
                        v = -np.inf
                if v > -np.inf:
                    more = spare(v, b, need) - price * beyond(m, window)
                    most[a] = max(most[a], more)
                    for side in range(2):
                        z = x if side == 0 else y
                        if more > labels.spare[z]:
                            labels.spare[z] = more
                            labels.rest_gain[z] = v - labels.gain[z]
                            labels.rest_m[z] = m - labels.metres[z]
                            labels.rest_aside[z] = b - labels.aside[z]
                y = labels.older[y]
            x = labels.older[x]


@kernel
def ridden(label, one, two, pair, turn, number, follows, stack, walk):
    """Edges of a closed loop's label, from the start on, into `walk`; returns their number. follows : (e,) space."""
    first = np.int64(-1)
    last = np.int64(-1)
    stack[0] = label
    left = 1
    while left > 0:
        left -= 1
        c = stack[left]
        if one[c] >= 0:
            stack[left] = one[c]
            stack[left + 1] = two[c]
            left += 2
            continue
        w = -1 - one[c]
        for x in range(number[w]):
            if turn[w, x] < 0:
                last = np.int64(pair[w, x, 0])
                first = np.int64(pair[w, x, 1])
            else:
                follows[pair[w, x, 0]] = pair[w, x, 1]
    count = 0
    e = first
    while count < walk.size:
        walk[count] = e
        count += 1
        if e == last:
            break
        e = np.int64(follows[e])
    return count
