"""Loops by a method that shares nothing with `routeplan.search`: best-known values for its benchmark.

    python tests/benchmarks/other_method.py [--start 3 ...] [--seconds 600] [--seed 0]

Large neighbourhood search by mixed integer programming (HiGHS): a loop through random places is kept, all streets near
a stretch of it are freed, and the best way through them is solved for, the rest of the loop being pieces that may be
taken whole (either way round) or left out. What several restarts found is merged: the best loop among the streets of
all of them (as tours are merged by Cook and Seymour, INFORMS J. on Computing 15 (2003) 233). Cycles apart from the
start are cut off, in the relaxation and again after each integer solution, until none is left.

`--start` counts the benchmark's starts from 0 (all of them without it). Seconds are the processor's. What is better
than `best_known_loops.json` is written there at once; figures there only ever rise, and each has its loop beside it,
which `checked_gain` counts anew.
"""

from __future__ import annotations

import argparse
import fcntl
import itertools
import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse.csgraph import breadth_first_order, dijkstra, maximum_flow
from scipy.spatial import cKDTree

KNOWN = Path(__file__).with_name("best_known_loops.json")
NETWORK = {"junctions": 30_000, "seed": 1, "km": 40.0, "within": 0.05, "starts": 12, "starts_seed": 5}
_MOST_CPU_OF_ONE_S = 5.0  # for one integer programme; what it found by then counts
_BETTER = 1e-7  # relative; less is rounding


# ------------------------------------------------------------------------------------------------ what a loop is


def checked_gain(edges, tail, head, length_m, gain, street, start, shortest_m, longest_m) -> float:
    """Gain of a loop, summed anew; ValueError where it is none. In plain Python, apart from all that searches."""
    edges = [int(e) for e in edges]
    if not edges or tail[edges[0]] != start or head[edges[-1]] != start:
        raise ValueError(f"does not begin and end at {start}")
    for e, f in itertools.pairwise(edges):
        if head[e] != tail[f]:
            raise ValueError(f"edge {f} does not follow edge {e}")
    if len({int(street[e]) for e in edges}) != len(edges):  # this also forbids to turn back
        raise ValueError("rides a street twice")
    ridden_m = sum(float(length_m[e]) for e in edges)
    if not shortest_m - 1e-6 <= ridden_m <= longest_m + 1e-6:
        raise ValueError(f"{ridden_m:.1f} m lies outside the window {shortest_m:.1f} to {longest_m:.1f} m")
    return sum(float(gain[e]) for e in edges)


# ------------------------------------------------------------------------------------------------ best known values


def known_loops(path: Path = KNOWN) -> dict:
    """Start (as text) -> {"other": {...}, "best": {...}}, each with gain, by, seconds and edges."""
    return json.loads(path.read_text())["starts"] if path.exists() else {}


def raise_known(start: int, gain: float, by: str, seconds: float, edges, path: Path = KNOWN) -> bool:
    """Writes a loop down if it passes what is known; whether it does."""
    one = {"gain": round(float(gain), 3), "by": by, "seconds": round(seconds, 1), "edges": [int(e) for e in edges]}
    passed = False
    with _entry(start, path) as entry:
        for key in ("other", "best") if by == "other method" else ("best",):
            if key not in entry or one["gain"] > entry[key]["gain"] * (1 + _BETTER):
                entry[key] = one
                passed = True
    return passed


def note_seconds(start: int, seconds: float, path: Path = KNOWN) -> None:
    """Adds to the seconds that the other method has looked for loops from this start."""
    with _entry(start, path) as entry:
        entry["other_looked_s"] = round(entry.get("other_looked_s", 0.0) + seconds, 1)


@contextmanager
def _entry(start: int, path: Path) -> Iterator[dict]:
    """What is known of a start, written down at the end; one process at a time."""
    name = f"best_known_{os.getuid()}_{path.stem}.lock"
    with open(Path(tempfile.gettempdir()) / name, "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        starts = known_loops(path)
        yield starts.setdefault(str(start), {})
        _write(path, starts)


def _write(path: Path, starts: dict) -> None:
    rows = ",\n".join(f"  {json.dumps(k)}: {json.dumps(starts[k])}" for k in sorted(starts, key=int))
    text = f'{{"network": {json.dumps(NETWORK)},\n "starts": {{\n{rows}\n}}}}\n'
    part = path.with_suffix(f".{os.getpid()}.part")
    part.write_text(text)
    part.replace(path)


# ------------------------------------------------------------------------------------------------ the search


@dataclass(frozen=True)
class Task:
    """Streets within reach of a start. Edges are renumbered; `name` gives the caller's numbers."""

    x_m: np.ndarray
    y_m: np.ndarray
    tail: np.ndarray
    head: np.ndarray
    length_m: np.ndarray
    gain: np.ndarray
    street: np.ndarray
    name: np.ndarray
    twin: np.ndarray  # (e,) the edge the other way, -1 in one-way streets
    start: int
    shortest_m: float
    longest_m: float


def within_reach(x_m, y_m, tail, head, length_m, gain, street, start, shortest_m, longest_m) -> Task:
    """Only edges from which the start is reached again within the longest length."""
    nodes = len(x_m)
    order = np.lexsort((length_m, head, tail))  # the shortest of parallel streets
    order = order[np.unique(tail[order].astype(np.int64) * nodes + head[order], return_index=True)[1]]
    near = sparse.csr_matrix((length_m[order], (tail[order], head[order])), shape=(nodes, nodes))
    out = dijkstra(near, indices=start, limit=longest_m)
    back = dijkstra(near.T.tocsr(), indices=start, limit=longest_m)
    name = np.flatnonzero(out[tail] + length_m + back[head] <= longest_m)
    street = np.unique(street[name], return_inverse=True)[1]
    tail, head = tail[name].astype(int), head[name].astype(int)
    twin = np.full(name.size, -1)
    by_street: dict[int, int] = {}
    for e, s in enumerate(street.tolist()):
        if s in by_street:
            twin[e], twin[by_street[s]] = by_street[s], e
        by_street[s] = e
    return Task(x_m, y_m, tail, head, length_m[name], gain[name], street, name, twin, int(start), shortest_m, longest_m)


def find_loop(task: Task, seconds: float, seed: int = 0, *, told=None):
    """The best loop (task's edges) found in so many seconds of the processor, None if none; `told(edges)` hears of each
    better one. Where the streets are few the optimum is solved for at once."""
    random = np.random.default_rng(seed)
    ends = time.process_time() + seconds
    streets = int(task.street.max()) + 1
    if streets <= 120:
        return best_among(task, np.ones(streets, bool), None, ends, cpu_s=seconds)[0]
    pool: list[list[int]] = []
    best: list[int] | None = None

    def worth(loop):
        return float(task.gain[loop].sum())

    while time.process_time() < ends:
        left = ends - time.process_time()
        rough = loops_through_places(task, random, min(6.0, 0.1 * seconds))
        if not rough:
            continue
        now = rough[min(len(rough) - 1, int(random.integers(0, 3)))]
        now = _improved(task, now, random, min(ends, time.process_time() + max(0.16 * seconds, 5.0)), told)
        pool.append(now)
        pool.sort(key=worth, reverse=True)
        del pool[8:]
        if len(pool) > 1:
            free = np.zeros(streets, bool)
            for loop in pool:
                free[task.street[loop]] = True
            merged, _ = best_among(task, free, pool[0], ends, cpu_s=4 * _MOST_CPU_OF_ONE_S)
            if merged is not None:
                if told:
                    told(merged)
                merged = _improved(task, merged, random, min(ends, time.process_time() + 0.1 * left), told)
                pool.insert(0, merged)
        if best is None or worth(pool[0]) > worth(best):
            best = pool[0]
            if told:
                told(best)
    return best


def _improved(task, loop, random, ends, told=None):
    """Frees regions until nothing moves or time is up."""
    middle = np.stack([task.x_m[task.tail] + task.x_m[task.head], task.y_m[task.tail] + task.y_m[task.head]], 1) / 2
    size, failed, streets = 200, 0, int(task.street.max()) + 1
    while time.process_time() < ends and failed < 60:
        n = len(loop)
        stretch = max(1, int(n * random.choice([0.02, 0.08, 0.15, 0.25, 0.35])))
        at = (int(random.integers(n)) + np.arange(stretch)) % n
        far, _ = cKDTree(middle[np.array(loop)[at]]).query(middle)
        nearest = np.full(streets, np.inf)
        np.minimum.at(nearest, task.street, far)
        free = np.zeros(streets, bool)
        free[np.argpartition(nearest, min(size, streets - 1))[:size]] = True
        began = time.process_time()
        better, proven = best_among(task, free, loop, ends)
        took = time.process_time() - began
        if took < 1.0:
            size = min(int(1.08 * size) + 1, 900)
        elif took > 2.5 or not proven:
            size = max(int(0.88 * size), 80)
        failed = failed + 1 if better is None else 0
        if better is not None:
            loop = better
            if told:
                told(loop)
    return loop


def loops_through_places(task: Task, random, seconds: float) -> list[list[int]]:
    """Loops of the window through two or three random places by cheapest paths that use no street twice, best first."""
    order = np.lexsort((task.length_m, task.head, task.tail))
    nodes = len(task.x_m)
    first = np.ones(order.size, bool)
    t, h = task.tail[order], task.head[order]
    first[1:] = (t[1:] != t[:-1]) | (h[1:] != h[:-1])
    order = order[first]
    used = np.unique(np.concatenate([task.tail, task.head]))
    place = np.full(nodes, -1)
    place[used] = np.arange(used.size)
    t, h = place[task.tail[order]], place[task.head[order]]
    pointer = np.searchsorted(t, np.arange(used.size + 1))
    edge_of = {(int(a), int(b)): int(e) for a, b, e in zip(t, h, order, strict=True)}
    worth = task.gain / task.length_m
    liked = np.zeros(nodes)
    np.maximum.at(liked, task.head, worth)
    liked = liked[used] + 0.05
    from_start = np.hypot(task.x_m[used] - task.x_m[task.start], task.y_m[used] - task.y_m[task.start])
    found: list[tuple[float, list[int]]] = []
    ends = time.process_time() + seconds
    while time.process_time() < ends:
        radius = task.longest_m * random.uniform(0.08, 0.36)
        weight = liked ** random.uniform(0, 3) * np.exp(-(((from_start - radius) / (0.3 * radius)) ** 2))
        if not weight.sum() > 0:
            continue
        stops = random.choice(used.size, int(random.integers(2, 5)), p=weight / weight.sum(), replace=False)
        turn = np.arctan2(task.y_m[used[stops]] - task.y_m[task.start], task.x_m[used[stops]] - task.x_m[task.start])
        stops = [int(place[task.start]), *stops[np.argsort(turn)].tolist(), int(place[task.start])]
        cost = task.length_m * (1.03 - random.uniform(0.3, 1) * worth) * random.uniform(0.8, 1.2, worth.size)
        loop: list[int] = []
        for a, b in itertools.pairwise(stops):
            ways = sparse.csr_matrix((cost[order], h, pointer), shape=(used.size, used.size))
            _, before = dijkstra(ways, indices=a, return_predecessors=True)
            path = []
            while b != a and before[b] >= 0:
                path.append(edge_of[int(before[b]), b])
                b = int(before[b])
            loop += path[::-1]
            shut = np.zeros(int(task.street.max()) + 1, bool)
            shut[task.street[path]] = True
            cost[shut[task.street]] = 1e12
        metres = task.length_m[loop].sum()
        once = len(set(task.street[loop].tolist())) == len(loop)
        whole = loop and task.tail[loop[0]] == task.start and task.head[loop[-1]] == task.start
        if whole and once and task.shortest_m <= metres <= task.longest_m:
            found.append((float(task.gain[loop].sum()), loop))
    return [loop for _, loop in sorted(found, reverse=True)]


# ------------------------------------------------------------------------------------------------ one programme


@dataclass
class _Way:
    """Edges that can only follow one another, from `a` to `b`; `back` is the other way round, None if there is none."""

    a: int
    b: int
    there: list[int] | None
    back: list[int] | None
    kept: bool = False


def _ways(task: Task, free: np.ndarray, loop) -> list[_Way]:
    """The free streets, and the pieces of the loop between them; what follows on only each other is joined."""
    ways = []

    def reverse(edges):
        other = [int(task.twin[e]) for e in reversed(edges)]
        return None if -1 in other else other

    for e in np.flatnonzero(free[task.street]).tolist():
        if task.twin[e] < 0 or e < task.twin[e]:
            ways.append(_Way(int(task.tail[e]), int(task.head[e]), [e], reverse([e])))
    piece: list[int] = []
    for e in [*(loop or []), -1]:
        if e >= 0 and not free[task.street[e]]:
            piece.append(e)
        elif piece:
            ways.append(_Way(int(task.tail[piece[0]]), int(task.head[piece[-1]]), piece, reverse(piece), kept=True))
            piece = []
    at: dict[int, set[int]] = {}
    for k, way in enumerate(ways):
        at.setdefault(way.a, set()).add(k)
        at.setdefault(way.b, set()).add(k)
    gone = np.zeros(len(ways), bool)
    todo = list(at)
    while todo:
        node = todo.pop()
        here = at[node]
        if node == task.start or not here:
            continue
        if len(here) == 1:
            (k,) = here
            way = ways[k]
            if way.a == way.b:
                if len(at) > 1:  # a cycle on its own that touches nothing else
                    gone[k] = True
                    here.clear()
                continue
            other = way.b if way.a == node else way.a
            gone[k] = True
            here.clear()
            at[other].discard(k)
            todo.append(other)
        elif len(here) == 2:
            k, m = here
            one, two = ways[k], ways[m]
            if one.a == one.b or two.a == two.b:
                continue
            if one.b != node:
                one = _Way(one.b, one.a, one.back, one.there, one.kept)
            if two.a != node:
                two = _Way(two.b, two.a, two.back, two.there, two.kept)
            there = one.there + two.there if one.there is not None and two.there is not None else None
            back = two.back + one.back if one.back is not None and two.back is not None else None
            here.clear()
            gone[m] = True
            ways[k] = _Way(one.a, two.b, there, back, one.kept or two.kept)
            at[two.b].discard(m)
            at[two.b].add(k)
            if there is None and back is None:
                gone[k] = True
                at[one.a].discard(k)
                at[two.b].discard(k)
            todo += [one.a, two.b]
    return [way for k, way in enumerate(ways) if not gone[k]]


def best_among(task: Task, free: np.ndarray, loop, ends: float, *, cpu_s: float = _MOST_CPU_OF_ONE_S):
    """The best loop among free streets and the pieces of `loop` between them, and whether that is proven (to a ten
    thousandth where pieces are kept). No loop: none found that passes `loop`. free: (streets,) bool."""
    began = time.process_time()
    ends = min(ends + 1.0, began + cpu_s)
    ways = _ways(task, free, loop)
    if not any(task.start in (w.a, w.b) for w in ways):
        return None, True
    arcs = [(k, w.a, w.b, w.there) for k, w in enumerate(ways) if w.there is not None]
    arcs += [(k, w.b, w.a, w.back) for k, w in enumerate(ways) if w.back is not None]
    way, a, b = (np.array([arc[i] for arc in arcs]) for i in range(3))
    node, ab = np.unique(np.concatenate([a, b]), return_inverse=True)
    a, b = ab[: a.size], ab[a.size :]
    n, m = len(arcs), node.size
    start = int(np.searchsorted(node, task.start))
    metres = np.array([task.length_m[arc[3]].sum() for arc in arcs])
    gain = np.array([task.gain[arc[3]].sum() for arc in arcs])
    each = np.arange(n)
    balance = sparse.csr_matrix((np.ones(n), (a, each)), shape=(m, n)) - sparse.csr_matrix(
        (np.ones(n), (b, each)), shape=(m, n))  # fmt: skip
    once = sparse.csr_matrix((np.ones(n), (way, each)), shape=(len(ways), n))
    km = metres / 1000.0
    rules = [
        LinearConstraint(balance, 0, 0), LinearConstraint(once, 0, 1),
        LinearConstraint(sparse.csr_matrix(km), task.shortest_m / 1000.0, task.longest_m / 1000.0),
        LinearConstraint(sparse.csr_matrix((a == start).astype(float)), 1, np.inf),
    ]  # fmt: skip
    upper = np.ones(n)
    kept = [k for k in range(n) if ways[way[k]].kept]
    if kept:
        longest = max(kept, key=lambda k: metres[k])  # all may turn round but this piece: else each loop counts twice
        both = np.flatnonzero(way == way[longest])
        if both.size == 2:
            upper[both[1]] = 0
    cost = -gain / 1000.0
    floor = -np.inf if loop is None else float(task.gain[loop].sum()) * (1 + _BETTER) / 1000.0
    cuts: list[sparse.csr_matrix] = []

    def solve(whole):
        rows = list(rules)
        if cuts:
            rows.append(LinearConstraint(sparse.vstack(cuts), 0, np.inf))
        if whole and np.isfinite(floor):
            rows.append(LinearConstraint(sparse.csr_matrix(gain / 1000.0), floor, np.inf))
        left = max(ends - time.process_time(), 0.05)
        return milp(cost, constraints=rows, integrality=np.full(n, int(whole)), bounds=Bounds(0, upper),
                    options={"time_limit": left, "mip_rel_gap": 1e-4 if kept else 1e-7})  # fmt: skip

    def cut(inside, x, on_way):
        """Rows that let ways among nodes `inside` be ridden only as often as these nodes are left; how many."""
        leaves = inside[a] & ~inside[b]
        within = np.unique(way[(x > 1e-6) & inside[a] & inside[b]])
        short = on_way[within] - x[leaves].sum()
        worst = within[np.argsort(-short)][:4]
        worst = worst[on_way[worst] - x[leaves].sum() > 0.02]
        cuts.extend(sparse.csr_matrix(leaves.astype(float) - (way == w)) for w in worst)
        return len(worst)

    def cut_off(x, over):
        """Cuts for what hangs together by more than `over` but not with the start; how many."""
        on = x > over
        graph = sparse.csr_matrix((np.ones(on.sum()), (a[on], b[on])), shape=(m, m))
        _, part = sparse.csgraph.connected_components(graph, directed=False)
        on_way = np.bincount(way, weights=x, minlength=len(ways))
        return sum(cut(part == p, x, on_way) for p in np.unique(part[a[on]]) if p != part[start])

    def cut_by_flow(x):
        """The same by least cuts between the start and busy nodes."""
        on_way = np.bincount(way, weights=x, minlength=len(ways))
        on = x > 1e-4
        room = sparse.coo_matrix((np.round(1e5 * x[on]).astype(np.int32), (a[on], b[on])), shape=(m, m)).tocsr()
        room.data = room.data.astype(np.int32)
        done = np.zeros(m, bool)
        done[start] = True
        count = 0
        for w in np.argsort(-on_way)[: (on_way > 0.1).sum()]:
            v = a[way == w][0]
            if done[v]:
                continue
            done[v] = True
            flow = maximum_flow(room, v, start)
            if flow.flow_value > 1e5 * (on_way[w] - 0.03):
                continue
            left = room - flow.flow
            left.data[left.data < 0] = 0
            left.eliminate_zeros()
            inside = np.zeros(m, bool)
            inside[breadth_first_order(left, v, return_predecessors=False)] = True
            done |= inside
            count += cut(inside, x, on_way)
            if count > 60:
                break
        return count

    for _ in range(80):
        answer = solve(whole=False)
        if answer.status == 2 or (answer.x is not None and -answer.fun <= floor):
            return None, True
        if answer.x is None:
            return None, False
        if not any(cut_off(answer.x, over) for over in (1e-4, 0.1, 0.25, 0.45)) and not cut_by_flow(answer.x):
            break
    while time.process_time() < ends:
        answer = solve(whole=True)
        if answer.status == 2:
            return None, True
        if answer.x is None:
            return None, False
        if not cut_off(np.round(answer.x), 0.5):
            chosen = np.flatnonzero(answer.x > 0.5)
            walk = _one_walk(task.start, [(int(node[a[k]]), int(node[b[k]]), arcs[k][3]) for k in chosen])
            inside = task.shortest_m <= task.length_m[walk].sum() <= task.longest_m  # the solver's rounding
            return (walk, answer.status == 0) if inside else (None, False)
    return None, False


def _one_walk(start: int, chosen) -> list[int]:
    """One closed walk over all chosen ways (Hierholzer)."""
    leaving: dict[int, list] = {}
    for one in chosen:
        leaving.setdefault(one[0], []).append(one)
    stack: list[tuple[int, list[int]]] = [(start, [])]
    walk: list[list[int]] = []
    while stack:
        at, came = stack[-1]
        if leaving.get(at):
            _, to, edges = leaving[at].pop()
            stack.append((to, edges))
        else:
            walk.append(came)
            stack.pop()
    return [e for edges in reversed(walk) for e in edges]


# ------------------------------------------------------------------------------------------------ the benchmark


def main() -> None:
    from road_like import road_like

    ask = argparse.ArgumentParser()
    ask.add_argument("--start", type=int, nargs="+", default=list(range(NETWORK["starts"])))
    ask.add_argument("--seconds", type=float, default=600.0)
    ask.add_argument("--seed", type=int, default=0)
    ask.add_argument("--dry", action="store_true", help="write nothing down")
    given = ask.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    net = road_like(NETWORK["junctions"], NETWORK["seed"])
    starts = net.starts(NETWORK["starts"], seed=NETWORK["starts_seed"])
    gain = net.chance * net.length_m
    window = [1000 * NETWORK["km"] * (1 + sign * NETWORK["within"]) for sign in (-1, 1)]
    for start in starts[given.start].tolist():
        began = time.process_time()
        task = within_reach(net.x_m, net.y_m, net.tail, net.head, net.length_m, gain, net.street, start, *window)
        most = 0.0

        def told(loop, start=start, task=task, began=began):
            nonlocal most
            edges = task.name[loop]
            got = checked_gain(edges, net.tail, net.head, net.length_m, gain, net.street, start, *window)
            took = time.process_time() - began
            if got > most:
                most = got
                print(f"start {start:6d}  {took:6.1f} s  {got:9.1f}", flush=True)
                if not given.dry:
                    raise_known(start, got, "other method", took, edges)

        try:
            find_loop(task, given.seconds, given.seed, told=told)
        finally:  # also when it is told to stop
            spent = time.process_time() - began
            if not given.dry:
                note_seconds(start, spent)
        print(f"start {start:6d}  {most:9.1f} after {spent:.0f} s", flush=True)


if __name__ == "__main__":
    main()
