"""Checks a bound's certificate in exact rational arithmetic. Stands alone: python check_certificate.py FILE.json

A certificate of `routeplan loop --prove` holds one problem for each limit under `parts`; the seconds out of contact are
bounded from below as the loss of a problem whose gains are not above 0.

A problem: the loop problem (edges with tail, head, length, street, gain at a first and a later passage;
start; window) and one price for each row of the linear relaxation that is written out below. Weak duality: for any
prices (those of "<=" rows not below 0), sum(price * right side) + sum over variables of the larger of (gain - price @
column) * low and the same * high is at least the gain of every loop. Nothing else is assumed; the solver is not
trusted."""

from __future__ import annotations

import heapq
import json
import sys
from fractions import Fraction


def distances(ends, lengths, nodes, start):
    """Shortest distances from `start` along (tail, head) pairs; None where there is no way."""
    leaving = [[] for _ in range(nodes)]
    for (a, b), length in zip(ends, lengths):
        leaving[a].append((b, length))
    best = [None] * nodes
    heap = [(Fraction(0), start)]
    while heap:
        d, v = heapq.heappop(heap)
        if best[v] is not None:
            continue
        best[v] = d
        for w, length in leaving[v]:
            if best[w] is None:
                heapq.heappush(heap, (d + length, w))
    return best


def bound(c) -> Fraction:
    """The exact figure that the certificate's prices give."""
    tail, head, street, start = c["tail"], c["head"], c["street"], c["start"]
    length, gain, again = ([Fraction(v) for v in c[k]] for k in ("length", "gain", "again"))
    longest, shortest, slack = Fraction(c["longest"]), Fraction(c["shortest"]), Fraction(c["slack"])
    target, pull = Fraction(c["target"]), Fraction(c["pull"])
    edges, nodes, streets = range(len(tail)), max(*tail, *head) + 1, max(street) + 1
    assert all(v >= 0 for v in length) and pull <= 0
    out = distances(list(zip(tail, head)), length, nodes, start)
    back = distances(list(zip(head, tail)), length, nodes, start)
    room = [None if out[tail[e]] is None or back[head[e]] is None else
            longest - length[e] - back[head[e]] - out[tail[e]] for e in edges]  # fmt: skip
    room = [None if r is None or r < 0 else r for r in room]
    members = [[] for _ in range(streets)]
    for e in edges:
        members[street[e]].append(e)

    prices = iter([Fraction(v) for v in c["price"]])
    value = Fraction(0)

    def row(right, equal=False):
        """The next row's price; its right side enters the figure."""
        nonlocal value
        p = next(prices)
        assert equal or p >= 0, "a price of a <= row is negative"
        value += p * right
        return p

    x, z = [Fraction(0)] * len(tail), [Fraction(0)] * len(tail)  # price @ column
    w, further = [Fraction(0)] * streets, [Fraction(0)] * streets
    balance = [row(0, equal=True) for _ in range(nodes)]
    ridden = [row(0, equal=True) for _ in range(nodes)]
    for e in edges:
        near = out[tail[e]] or 0
        x[e] += balance[head[e]] - balance[tail[e]] + ridden[tail[e]] * near - ridden[head[e]] * (near + length[e])
        z[e] += ridden[tail[e]] - ridden[head[e]]
    total, away = ridden[start], Fraction(0)
    for e in edges:  # z <= room x
        p = row(0)
        z[e] += p
        x[e] -= p * (room[e] or 0)
    for s in range(streets):
        p = row(1)
        w[s] -= p
        for e in members[s]:
            x[e] += p
    if c["may_repeat"]:
        for s in range(streets):
            if len(members[s]) > 1:
                further[s] = max(again[e] - gain[e] for e in members[s])
        for s in range(streets):
            if further[s] > 0:
                p = row(0)
                w[s] += p * len(members[s])
                for e in members[s]:
                    x[e] -= p * (len(members[s]) - 1)
        p = row(Fraction(c["repeat_at_most"]))
        for s in range(streets):
            w[s] += p * min(length[e] for e in members[s])
    if c["follow"] is not None:
        for e in edges:
            if head[e] != start:
                p = row(0)
                x[e] += p
                for f in c["follow"][e]:
                    x[f] -= p
    p = row(-1 if c["leaves"] else 0)
    for e in edges:
        if tail[e] == start:
            x[e] -= p
    above, below = row(target + slack), row(slack - target)
    total += above - below
    away -= above + below
    clock, counted = c["clock"], Fraction(0)
    if clock is not None:  # an item of an edge earns on the clock only where the edge is ridden, and while it lasts
        items = [row(0) for _ in clock["of"]]
        for e, p in zip(clock["of"], items):
            x[e] -= p
        window, one = row(Fraction(clock["window"])), row(1)
        for k, (worth, takes, alone) in enumerate(zip(clock["worth"], clock["takes"], items)):
            halt = one if k >= len(items) - clock["halts"] else 0  # the last items are halts: one in all
            counted += max(0, Fraction(worth) - alone - window * Fraction(takes) - halt)
    value += counted
    assert next(prices, None) is None, "more prices than rows"

    for e in edges:
        if room[e] is not None:
            value += max(0, gain[e] - x[e]) + room[e] * max(0, -z[e])
    if c["may_repeat"]:
        value += sum(max(0, further[s] - w[s]) * (len(members[s]) - 1) for s in range(streets))
    value += max(-total * shortest, -total * longest)
    return value + max(0, (pull - away) * (longest + target + slack))


def main() -> int:
    with open(sys.argv[1], encoding="utf-8") as file:
        certificate = json.load(file)
    told = certificate.get("told", {})
    if told:
        print(f"no {told['scope']} can pass {told['contact_s_at_most']:.1f} s in contact ({told['how']})")
    good = True
    for part in certificate.get("parts", [certificate]):
        exact = bound(part)
        proven = exact <= Fraction(part["gain_at_most"])
        claimed = part["gain_at_most"] + part.get("constant", 0.0)
        if part.get("of") == "out_s":  # a loss: the limit is from below
            claimed = -claimed
        print(f"{part.get('of', 'gain')}: exact {float(exact):.9g}, claimed {part['gain_at_most']:.9g}; "
              f"with what is added {claimed:.9g}: {'proven' if proven else 'NOT PROVEN'}")  # fmt: skip
        good = good and proven
        limit = told.get({"out_s": "out_s_at_least", "contact_s": "contact_s_at_most"}.get(part.get("of", ""), ""))
        if limit is not None and (limit > max(claimed, 0.0) if part["of"] == "out_s" else limit < claimed):
            print(f"  the {limit:.1f} s that are told do not rest on this, but on the streets or the window alone")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
