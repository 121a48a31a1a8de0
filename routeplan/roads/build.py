"""From ways as OpenStreetMap draws them to the street network: contraction, blocked gates, turn bans, tunnels.

Everything is arrays but one walk along the chains, which is a plain loop over pieces (about 1 us each).
"""

from __future__ import annotations

import itertools
from array import array
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from routeplan.geo import Projection
from routeplan.roads import tags
from routeplan.roads.network import LONGEST_PIECE_M, Network, Ways, assemble
from routeplan.roads.tags import Attributes


class RawWays(NamedTuple):
    """Rideable ways as drawn: w ways with r node references in all."""

    way_id: np.ndarray  # int64 (w,)
    row: np.ndarray  # int32 (w,): index into attributes
    first: np.ndarray  # int64 (w + 1,): references of way i are first[i]:first[i + 1]
    node_id: np.ndarray  # int64 (r,)
    latitude_deg: np.ndarray  # float64 (r,), NaN where the file lacks the node
    longitude_deg: np.ndarray
    attributes: Sequence[Attributes]


class NodeFacts(NamedTuple):
    """What a node on a road says: flags of tags.MARKS, and seconds to pass its barrier (tags.BLOCKED: not at all)."""

    mark: int
    delay_s: float


class Restriction(NamedTuple):
    """A turn restriction by way of a node, or of a way."""

    from_ways: tuple[int, ...]
    via: int
    to_ways: tuple[int, ...]
    only: bool  # only_*: every other turn is banned
    by_way: bool = False  # `via` is a way


def build_network(
    ways: RawWays,
    projection: Projection,
    node_facts: Mapping[int, NodeFacts],
    restrictions: Sequence[Restriction],
) -> tuple[Network, int]:
    """The contracted network, heights NaN, twins of dual carriageways grouped; how many restrictions it leaves out."""
    from routeplan.roads.parallel import twin_groups

    rows = list(ways.attributes)
    node_id, lat, lon, a, b, way = _pieces(ways)
    x, y = projection.to_xy(lat, lon)
    x, y = np.asarray(x, float), np.asarray(y, float)
    a, b, way = _without_zero_pieces(a, b, way, x, y)
    node_id, x, y, a, b = _cut_at_blocked(node_id, x, y, a, b, node_facts)
    length = np.hypot(x[b] - x[a], y[b] - y[a])
    way_row = _long_tunnels(rows, ways.row, a, b, way, length, len(x))
    row = way_row[way]

    via = {r.via for r in restrictions if not r.by_way} | _ends_of(ways, [r.via for r in restrictions if r.by_way])
    keep = np.isin(node_id, np.fromiter(via, np.int64, len(via)))
    mate = _mates(a, b, _legal_codes(rows)[row], keep, len(x))
    order, turned, first = _chains(mate, len(a))
    order, turned = _forward_first(order, turned, first, rows, row)

    tail = np.where(turned, b[order], a[order])
    head = np.where(turned, a[order], b[order])
    start, end = tail[first[:-1]], head[first[1:] - 1]
    places = np.unique(np.concatenate((start, end)))
    rows, chain_row = _turned_rows(rows, row[order], turned)

    parts = np.maximum(1, np.ceil(length[order] / LONGEST_PIECE_M - 1e-9)).astype(np.int64)
    point = _Points(tail, head, parts, first)
    mark, delay = _facts_at(node_id, node_facts)

    forward = np.array([r.forward for r in rows])[chain_row[first[:-1]]]
    backward = np.array([r.backward for r in rows])[chain_row[first[:-1]]]
    ends = _StreetEnds(np.searchsorted(places, start), np.searchsorted(places, end),
                       ways.way_id[way[order[first[:-1]]]], ways.way_id[way[order[first[1:] - 1]]])  # fmt: skip
    turns, left_out = _banned(restrictions, {int(i): k for k, i in enumerate(node_id[places])}, ends, forward, backward)
    network = assemble(
        node_id=node_id[places], node_x_m=x[places], node_y_m=y[places],
        node_signal=(mark[places] & tags.SIGNAL) > 0,
        street_start=ends.start, street_end=ends.end, street_way_id=ends.start_way,
        street_group=np.arange(len(start), dtype=np.int32), point_first=point.first,
        point_x_m=point.of(x), point_y_m=point.of(y), point_height_m=np.full(point.count, np.nan),
        point_mark=point.at_nodes(mark), point_delay_s=point.at_nodes(delay), piece_way=point.pieces(chain_row),
        forward=forward, backward=backward, ways=Ways.of(rows),
        turns=turns,
    )  # fmt: skip
    del a, b, way, row, x, y, length, mate, order, turned, tail, head, point, mark, delay  # the peak is what follows
    return twin_groups(network), left_out


def _ends_of(ways: RawWays, wanted: Sequence[int]) -> set[int]:
    """First and last nodes of these ways."""
    rows = np.flatnonzero(np.isin(ways.way_id, np.array(wanted, dtype=np.int64)))
    return {int(n) for k in rows for n in (ways.node_id[ways.first[k]], ways.node_id[ways.first[k + 1] - 1])}


def _facts_at(node_id: np.ndarray, facts: Mapping[int, NodeFacts]) -> tuple[np.ndarray, np.ndarray]:
    """Marks, uint8, and delays [s], float32, of the nodes; blocked ones (cut already) delay nobody."""
    mark, delay = np.zeros(len(node_id), np.uint8), np.zeros(len(node_id), np.float32)
    ids = np.fromiter(facts, np.int64, len(facts))
    for i in np.flatnonzero(np.isin(node_id, ids)).tolist():
        fact = facts[int(node_id[i])]
        mark[i] = fact.mark
        delay[i] = 0.0 if fact.delay_s == tags.BLOCKED else fact.delay_s
    return mark, delay


def _pieces(ways: RawWays) -> tuple[np.ndarray, ...]:
    """Distinct nodes (id, lat, lon) and straight pieces (a, b, way) between nodes whose location is known."""
    node_id, at, inverse = np.unique(ways.node_id, return_index=True, return_inverse=True)
    inverse = inverse.astype(np.int32)
    lat, lon = ways.latitude_deg[at], ways.longitude_deg[at]
    way = np.repeat(np.arange(len(ways.way_id), dtype=np.int32), np.diff(ways.first))
    inside = np.ones(max(len(inverse) - 1, 0), bool)
    inside[ways.first[1:-1] - 1] = False  # no piece from one way into the next
    known = np.isfinite(lat)[inverse]
    inside &= known[:-1] & known[1:] & (inverse[:-1] != inverse[1:])
    a, b, of = inverse[:-1][inside], inverse[1:][inside], way[:-1][inside]
    used, index = np.unique(np.concatenate((a, b)), return_inverse=True)
    index = index.astype(np.int32)  # half the memory, here and in all that is indexed by it
    return node_id[used], lat[used], lon[used], index[: len(a)], index[len(a) :], of


def _without_zero_pieces(
    a: np.ndarray, b: np.ndarray, way: np.ndarray, x: np.ndarray, y: np.ndarray
) -> tuple[np.ndarray, ...]:
    """Join the two nodes of a piece shorter than 1 cm into one, and drop the piece."""
    zero = np.hypot(x[b] - x[a], y[b] - y[a]) < 0.01
    if not zero.any():
        return a, b, way
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    _, label = connected_components(
        coo_array((np.ones(zero.sum()), (a[zero], b[zero])), shape=(len(x), len(x))), directed=False
    )
    lowest = np.full(label.max() + 1, len(x), np.int64)
    np.minimum.at(lowest, label, np.arange(len(x)))
    a, b = lowest[label[a]], lowest[label[b]]
    kept = a != b
    return a[kept], b[kept], way[kept]


def _cut_at_blocked(
    node_id: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    a: np.ndarray,
    b: np.ndarray,
    facts: Mapping[int, NodeFacts],
) -> tuple[np.ndarray, ...]:
    """Every piece that ends at a blocked node gets an end of its own there, so that nothing passes."""
    blocked = np.array([i for i, fact in facts.items() if fact.delay_s == tags.BLOCKED], np.int64)
    if not len(blocked):
        return node_id, x, y, a, b
    ends = np.concatenate((a, b))
    at = np.flatnonzero(np.isin(node_id[ends], blocked))
    old = ends[at]
    ends[at] = len(x) + np.arange(len(at))
    node_id = np.concatenate((node_id, -1 - np.arange(len(at))))
    return node_id, np.concatenate((x, x[old])), np.concatenate((y, y[old])), ends[: len(a)], ends[len(a) :]


def _long_tunnels(
    rows: list[Attributes],
    way_row: np.ndarray,
    a: np.ndarray,
    b: np.ndarray,
    way: np.ndarray,
    length: np.ndarray,
    count: int,
) -> np.ndarray:
    """Rows of the ways, where those in a tube longer than LONG_TUNNEL_M without bicycle=yes become a choice.

    A tube is all tunnel ways that hang together; its length is their sum. New rows are appended to `rows`.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    tube = np.array([r.long_tunnel_counts for r in rows], bool)[way_row[way]]
    if not tube.any():
        return way_row
    _, label = connected_components(
        coo_array((np.ones(tube.sum()), (a[tube], b[tube])), shape=(count, count)), directed=False
    )
    total = np.bincount(label[a[tube]], length[tube], minlength=label.max() + 1)
    long_ways = np.unique(way[tube][total[label[a[tube]]] > tags.LONG_TUNNEL_M])
    new, out = {}, way_row.copy()
    for w in long_ways.tolist():
        row = rows[way_row[w]]
        if row.tunnel_bicycle or row.choice == "ferry":
            continue
        if way_row[w] not in new:
            new[way_row[w]] = len(rows)
            rows.append(row._replace(choice="tunnel", rule="long-tunnel"))
        out[w] = new[way_row[w]]
    return out


def _legal_codes(rows: Sequence[Attributes]) -> np.ndarray:
    """(rows, 3) ints: allowed forward, allowed backward, and everything else that must not change along a street."""
    rest: dict[tuple, int] = {}
    codes = []
    for r in rows:
        same = (r.walk, r.steps, r.ferry, r.choice, r.roundabout)
        codes.append((r.forward, r.backward, rest.setdefault(same, len(rest))))
    return np.array(codes, np.int32).reshape(-1, 3)


def _mates(a: np.ndarray, b: np.ndarray, code: np.ndarray, keep: np.ndarray, count: int) -> np.ndarray:
    """For each half piece (2 i at a, 2 i + 1 at b): the half piece that goes on beyond the node, -1 at a place.

    A node is passed when exactly two pieces meet there and the same is allowed on both in the same direction.
    """
    node = np.column_stack((a, b)).ravel()
    out = np.column_stack((code[:, 0], code[:, 1])).ravel()  # allowed away from the node
    into = np.column_stack((code[:, 1], code[:, 0])).ravel()
    rest = np.repeat(code[:, 2], 2)
    order = np.argsort(node, kind="stable")
    degree = np.bincount(node, minlength=count)
    two = np.flatnonzero((degree == 2) & ~keep)
    first = (np.cumsum(degree) - degree)[two]
    one, other = order[first], order[first + 1]
    same = (out[one] == into[other]) & (into[one] == out[other]) & (rest[one] == rest[other])
    mate = np.full(len(node), -1, np.int32)
    mate[one[same]], mate[other[same]] = other[same], one[same]
    return mate


def _chains(mate_of: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pieces in the order of the chains, whether each is passed against its drawing, and the first of each chain."""
    mate = array("q", mate_of.astype(np.int64).tobytes())  # as quick as a list, a fifth of its size
    seen = bytearray(count)
    order, first = array("q"), array("q", [0])
    starts = array("q", np.flatnonzero(mate_of < 0).astype(np.int64).tobytes())
    rings = range(0, 2 * count, 2)  # what is left then is rings without any place
    for half in itertools.chain(starts, rings):
        if seen[half >> 1]:
            continue
        while half >= 0 and not seen[half >> 1]:
            seen[half >> 1] = 1
            order.append(half)
            half = mate[half ^ 1]
        first.append(len(order))
    halves = np.array(order, np.int64)
    return halves >> 1, (halves & 1).astype(bool), np.array(first, np.int64)


def _forward_first(
    order: np.ndarray, turned: np.ndarray, first: np.ndarray, rows: Sequence[Attributes], row: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Turn the chains that may only be ridden backward."""
    forward, backward = np.array([r.forward for r in rows]), np.array([r.backward for r in rows])
    lead, lead_turned = row[order[first[:-1]]], turned[first[:-1]]
    ahead = np.where(lead_turned, backward[lead], forward[lead])
    flip = np.repeat(~ahead, np.diff(first))
    at = np.arange(len(order))
    begin, past = np.repeat(first[:-1], np.diff(first)), np.repeat(first[1:], np.diff(first))
    at = np.where(flip, begin + past - 1 - at, at)
    return order[at], turned[at] ^ flip


def _turned_rows(rows: list[Attributes], row: np.ndarray, turned: np.ndarray) -> tuple[list[Attributes], np.ndarray]:
    """Distinct rows as seen along the streets, and the row of each piece of the chains."""
    number: dict[tuple, int] = {}
    out: list[Attributes] = []
    pairs, inverse = np.unique(row.astype(np.int64) * 2 + turned, return_inverse=True)
    new = []
    for pair in pairs.tolist():
        seen = rows[pair >> 1].reversed() if pair & 1 else rows[pair >> 1]
        key = tuple("nan" if value != value else value for value in seen)
        if key not in number:
            number[key] = len(out)
            out.append(seen)
        new.append(number[key])
    return out, np.array(new, np.int32)[inverse]


class _Points:
    """Points of all streets: each piece cut into equal parts, the head of the last piece closing each street."""

    def __init__(self, tail: np.ndarray, head: np.ndarray, parts: np.ndarray, first: np.ndarray) -> None:
        self.tail, self.head = tail, head
        last = first[1:] - 1
        cells = parts.copy()
        cells[last] += 1  # and the end of the street
        self.piece = np.repeat(np.arange(len(parts)), cells)
        begin = np.cumsum(cells) - cells
        step = np.arange(cells.sum()) - begin[self.piece]
        self.share = step / parts[self.piece]
        self.is_end = step == parts[self.piece]
        self.first = np.concatenate((begin[first[:-1]], [cells.sum()])).astype(np.int64)
        self.count = int(cells.sum())

    def of(self, column: np.ndarray) -> np.ndarray:
        here, there = column[self.tail][self.piece], column[self.head][self.piece]
        return np.where(self.is_end, there, here + self.share * (there - here))

    def at_nodes(self, column: np.ndarray) -> np.ndarray:
        zero = np.zeros(1, column.dtype)
        value = np.where(self.share == 0, column[self.tail][self.piece], zero)
        return np.where(self.is_end, column[self.head][self.piece], value).astype(column.dtype)

    def pieces(self, column: np.ndarray) -> np.ndarray:
        return np.where(self.is_end, -1, column[self.piece]).astype(np.int32)


class _StreetEnds(NamedTuple):
    start: np.ndarray
    end: np.ndarray
    start_way: np.ndarray
    end_way: np.ndarray


Turn = tuple[int, bool, int, bool]  # street in, forward, street out, forward


def _banned(
    restrictions: Sequence[Restriction], place: Mapping[int, int], ends: _StreetEnds,
    forward: np.ndarray, backward: np.ndarray,
) -> tuple[list[Turn], int]:  # fmt: skip
    """Turn bans, and the number of restrictions that no ban of a pair of streets says exactly."""
    if not restrictions:
        return [], 0
    by_way = [r.via for r in restrictions if r.by_way]
    middle = {way: np.flatnonzero((ends.start_way == way) | (ends.end_way == way)) for way in by_way}
    wanted = {place[r.via] for r in restrictions if not r.by_way and r.via in place}
    wanted |= {int(c[k]) for streets in middle.values() for k in streets for c in (ends.start, ends.end)}
    meets: dict[int, list[tuple[int, bool, int]]] = {node: [] for node in wanted}  # (street, at its end, way)
    for column, way, at_end in ((ends.start, ends.start_way, False), (ends.end, ends.end_way, True)):
        for street in np.flatnonzero(np.isin(column, list(wanted))).tolist():
            meets[int(column[street])].append((street, at_end, int(way[street])))
    turns: list[Turn] = []
    left_out = 0
    for r in restrictions:
        if r.by_way:
            found = _banned_by_way(r, middle[r.via].tolist(), meets, ends, forward, backward)
            left_out += found is None
            turns += found or []
            continue
        at = meets.get(place.get(r.via, -1), [])
        into = [(street, at_end) for street, at_end, way in at if way in r.from_ways]
        to = [(street, not at_end) for street, at_end, way in at if way in r.to_ways]
        if not into or not to:
            continue
        for street, ahead in into:
            if r.only:
                out = [
                    (k, not at_end)
                    for k, at_end, _ in at
                    if (k, not at_end) not in to and (k, not at_end) != (street, not ahead)
                ]
            else:
                out = to if len(at) > 1 else []
            turns += [(street, ahead, k, onward) for k, onward in out]
    return turns, left_out


def _banned_by_way(
    r: Restriction, middle: Sequence[int], meets: Mapping[int, Sequence[tuple[int, bool, int]]], ends: _StreetEnds,
    forward: np.ndarray, backward: np.ndarray,
) -> list[Turn] | None:  # fmt: skip
    """The bans of a restriction by way of a way, where they are exact; None where they are not.

    A ban of three streets in a row is one of two where the middle one can be come to from the first only (then it may
    not go on into the third), or leads into the third only (then the first may not go into it).
    """
    if not middle:
        return []  # nobody rides there
    if r.only or len(middle) > 1:
        return None
    street = middle[0]
    rideable = (backward, forward)
    turns: list[Turn] = []
    for onward in (True, False):
        if not rideable[onward][street]:
            continue
        begin, end = (ends.start, ends.end) if onward else (ends.end, ends.start)
        before = [(k, at_end, way) for k, at_end, way in meets[int(begin[street])]
                  if k != street and rideable[at_end][k]]  # fmt: skip
        after = [(k, not at_end, way) for k, at_end, way in meets[int(end[street])]
                 if k != street and rideable[not at_end][k]]  # fmt: skip
        into = [(k, ahead) for k, ahead, way in before if way in r.from_ways]
        to = [(k, ahead) for k, ahead, way in after if way in r.to_ways]
        if not into or not to:
            continue
        if len(into) == len(before):
            turns += [(street, onward, k, ahead) for k, ahead in to]
        elif len(to) == len(after):
            turns += [(k, ahead, street, onward) for k, ahead in into]
        else:
            return None
    return turns


def fuse(network: Network) -> Network:
    """Join streets at places where there is nothing left to choose, as after `Network.subset`.

    A place goes when exactly two streets meet there, the same is allowed on both, and no turn ban hangs on it.
    Points, heights, marks and attributes are kept; streets and places are numbered anew.
    """
    a, b = network.street_start.astype(np.int64), network.street_end.astype(np.int64)
    rows = list(network.ways.rows)
    code = _legal_codes(rows)[network.street_way]
    code[:, 0], code[:, 1] = network.street_forward, network.street_backward
    keep = np.zeros(network.node_count, bool)
    keep[network.edge_head[network.banned_turns[:, 0]]] = True
    twin = np.bincount(network.street_group, minlength=network.street_count) > 1
    code[:, 2] = code[:, 2] * (network.street_count + 1) + np.where(
        twin[network.street_group], network.street_group + 1, 0
    )
    order, turned, first = _chains(_mates(a, b, code, keep, network.node_count), network.street_count)
    ahead = np.where(turned, network.street_backward[order], network.street_forward[order])
    flip = ~ahead[first[:-1]]
    for k in np.flatnonzero(flip):
        order[first[k] : first[k + 1]] = order[first[k] : first[k + 1]][::-1].copy()
        turned[first[k] : first[k + 1]] = ~turned[first[k] : first[k + 1]][::-1]

    count = np.diff(network.point_first)[order]
    begin, last = network.point_first[order], network.point_first[order + 1] - 1
    of = np.repeat(np.arange(len(order)), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    point = np.where(turned[of], last[of] - step, begin[of] + step)
    closes = np.zeros(len(order), bool)
    closes[first[1:] - 1] = True
    at_end = step == count[of] - 1
    kept = ~at_end | closes[of]  # the last point of a street is the first of the one that goes on
    piece = np.where(turned[of], point - 1, point)
    ends = at_end & closes[of]
    row = np.where(ends, 0, network.piece_way[np.where(ends, begin[of], piece)])
    rows, row = _turned_rows(rows, row, turned[of])
    row = np.where(ends, -1, row)[kept].astype(np.int32)
    chain_points = np.add.reduceat(np.bincount(of, kept, minlength=len(order)).astype(np.int64), first[:-1])

    start = np.where(turned, b[order], a[order])[first[:-1]]
    end = np.where(turned, a[order], b[order])[first[1:] - 1]
    places = np.unique(np.concatenate((start, end)))
    chain_of = np.empty(network.street_count, np.int64)
    chain_of[order] = np.repeat(np.arange(len(first) - 1), np.diff(first))
    is_turned = np.empty(network.street_count, bool)
    is_turned[order] = turned
    turns = [(int(chain_of[i]), bool(f ^ is_turned[i]), int(chain_of[j]), bool(g ^ is_turned[j]))
             for i, f, j, g in network.turns()]  # fmt: skip
    group = network.street_group[order[first[:-1]]]
    _, group = np.unique(group, return_inverse=True)
    lowest = np.full(len(start), len(start), np.int32)
    np.minimum.at(lowest, group, np.arange(len(start), dtype=np.int32))
    lead, lead_turned = order[first[:-1]], turned[first[:-1]]
    take = point[kept]
    return assemble(
        node_id=network.node_id[places], node_x_m=network.node_x_m[places], node_y_m=network.node_y_m[places],
        node_signal=network.node_signal[places], street_start=np.searchsorted(places, start),
        street_end=np.searchsorted(places, end), street_way_id=network.street_way_id[lead],
        street_group=lowest[group], point_first=np.concatenate(([0], np.cumsum(chain_points))),
        point_x_m=network.point_x_m[take], point_y_m=network.point_y_m[take],
        point_height_m=network.point_height_m[take],
        point_mark=network.point_mark[take], point_delay_s=network.point_delay_s[take], piece_way=row,
        forward=np.where(lead_turned, network.street_backward[lead], network.street_forward[lead]),
        backward=np.where(lead_turned, network.street_forward[lead], network.street_backward[lead]),
        ways=Ways.of(rows), turns=turns,
    )  # fmt: skip
