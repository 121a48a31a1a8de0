"""The best loop by an exact method, for small networks: a mixed integer programme over turns, cycles cut off.

One binary for each turn (edge e, then f), one for leaving the start by f, one for coming home by e. Each edge is
entered as often as it is left; turns then make one way from the start to the start and, perhaps, cycles apart from
it, which are cut off until none is left."""

from __future__ import annotations

import time

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp


def best_gain(tail, head, length, gain, street, start, shortest, longest, *, may_repeat=False, banned=(), seconds=2.0):
    """Gain of the best loop (one gain a street), None where there is none, NaN where the solver needs longer."""
    tail, head, street = np.asarray(tail), np.asarray(head), np.asarray(street)
    edges = len(tail)
    names, street = np.unique(street, return_inverse=True)
    bans = {tuple(b) for b in np.asarray(banned, int).reshape(-1, 2).tolist()}
    turns = [
        (e, f) for e in range(edges) for f in range(edges)
        if head[e] == tail[f] and e != f and (e, f) not in bans
        and (street[e] != street[f] or (may_repeat and head[e] == start))
    ]  # fmt: skip
    t = np.array(turns, int).reshape(-1, 2)
    leave, home = np.flatnonzero(tail == start), np.flatnonzero(head == start)
    n = len(t) + len(leave) + len(home) + len(names)
    into = sparse.lil_matrix((edges, n))  # how often an edge is entered
    off = sparse.lil_matrix((edges, n))
    for k, (e, f) in enumerate(t):
        off[e, k] += 1
        into[f, k] += 1
    for k, f in enumerate(leave):
        into[f, len(t) + k] = 1
    for k, e in enumerate(home):
        off[e, len(t) + len(leave) + k] = 1
    into, off = into.tocsr(), off.tocsr()
    z = np.arange(n - len(names), n)
    once = np.zeros(n)
    once[len(t) : len(t) + len(leave)] = 1
    by_street = sparse.csr_matrix((np.ones(edges), (street, np.arange(edges))), shape=(len(names), edges)) @ into
    unit = sparse.csr_matrix((np.ones(len(names)), (np.arange(len(names)), z)), shape=(len(names), n))
    of_street = np.zeros(len(names))
    of_street[street] = gain
    rules = [
        LinearConstraint(into - off, 0, 0), LinearConstraint(into, 0, 1),
        LinearConstraint(sparse.csr_matrix(once), 1, 1),
        LinearConstraint(sparse.csr_matrix(np.asarray(length) @ into), shortest, longest),
        LinearConstraint(unit - by_street, -np.inf, 0),  # a gain only for a ridden street
        LinearConstraint(by_street - 2 * unit if may_repeat else by_street - unit, -np.inf, 0),  # and then always
    ]  # fmt: skip
    cost = np.zeros(n)
    cost[z] = -of_street
    began = time.monotonic()
    while (left := seconds - (time.monotonic() - began)) > 0:
        answer = milp(cost, constraints=rules, integrality=np.ones(n), bounds=Bounds(0, 1),
                      options={"time_limit": left, "mip_rel_gap": 1e-9})  # fmt: skip
        if answer.status == 2:
            return None
        if answer.status != 0:
            return np.nan
        used = answer.x > 0.5
        cycles = _cycles_apart(t[used[: len(t)]], leave[used[len(t) : len(t) + len(leave)]])
        if not cycles:
            return -answer.fun
        for cycle in cycles:
            inside = np.isin(np.arange(edges), cycle)
            out_of = np.zeros(n)
            out_of[: len(t)] = inside[t[:, 0]] & ~inside[t[:, 1]]
            out_of[len(t) + len(leave) : n - len(names)] = inside[home]
            rules.append(LinearConstraint(sparse.csr_matrix(out_of) - into[[cycle[0]]], 0, np.inf))
    return np.nan


def _cycles_apart(turns, first):
    """Cycles of edges that the way from the start does not pass."""
    after = {int(e): int(f) for e, f in turns}
    at = int(first[0])
    while at in after:
        at = after.pop(at)
    cycles = []
    while after:
        begin, at = after.popitem()
        cycle = [begin]
        while at != begin:
            cycle.append(at)
            at = after.pop(at)
        cycles.append(cycle)
    return cycles
