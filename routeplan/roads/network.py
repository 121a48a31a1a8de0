"""The street network as columns: places (nodes), streets with their shape, directed edges, way attributes.

A street is an undirected chain between two places where a rider can choose, or where what is allowed changes.
Its shape is points no more than 30 m apart. Points of street k are rows point_first[k]:point_first[k + 1],
both end places included; piece i is the straight bit from point i to point i + 1 of the same street, so the
last point of each street has no piece (piece_way -1). Directed edges are sorted by (tail, street), forward
before backward. All functions return new values; nothing is changed in place.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any

import numpy as np

from routeplan.errors import InputError
from routeplan.roads import tags
from routeplan.roads.tags import (  # noqa: F401  (the flags of point_mark, for users of the network)
    BARRIER,
    CROSSING,
    LEVEL_CROSSING,
    MINI_ROUNDABOUT,
    SIGNAL,
    STOP_OR_GIVE_WAY,
    TRAFFIC_CALMING,
)

LONGEST_PIECE_M = 30.0
FERRY_M_S = 3.0  # crossing without a tagged duration: about 6 knots (judgement)


@dataclass(frozen=True)
class Ways:
    """Columns over the distinct attribute rows of ways; directions are along the street's pieces that name the row."""

    kind: np.ndarray  # uint8, index into tags.KINDS
    surface: np.ndarray  # uint8, index into tags.SURFACES
    surface_tagged: np.ndarray  # bool
    speed_limit_km_h: np.ndarray  # float32, NaN not posted
    traffic_km_h: np.ndarray  # float32, posted or usual on the kind; 0 without motor traffic
    lanes: np.ndarray  # float32, NaN not tagged
    name: tuple[str, ...]
    ref: tuple[str, ...]
    forward: np.ndarray  # bool: may be ridden (or walked) along the piece
    backward: np.ndarray  # bool
    walk: np.ndarray  # bool: pushed or carried
    steps: np.ndarray  # bool
    dismount: np.ndarray  # bool: pushed, and no steps
    bridge: np.ndarray  # bool
    tunnel: np.ndarray  # bool: also galleries and building passages
    tunnel_bicycle: np.ndarray  # bool: bicycle=yes or designated
    long_tunnel_counts: np.ndarray  # bool: a real tube
    roundabout: np.ndarray  # bool
    link: np.ndarray  # bool: a slip road
    cycle_lane: np.ndarray  # bool
    calm: np.ndarray  # bool: living street, cycle street
    lit: np.ndarray  # bool
    incline: np.ndarray  # float32 fraction, NaN not tagged
    incline_sign: np.ndarray  # int8
    ferry: np.ndarray  # bool
    ferry_s: np.ndarray  # float32, whole crossing, NaN not tagged
    choice: np.ndarray  # uint8, index into tags.CHOICES
    rule: tuple[str, ...]  # row of tags.ACCESS (or "long-tunnel") that let it in

    def __len__(self) -> int:
        return len(self.kind)

    @cached_property
    def stress(self) -> np.ndarray:
        """Traffic stress of each row, 0 calm to 3 heavy (see `roads.stress`)."""
        from routeplan.roads.stress import stress

        return stress(self)

    @cached_property
    def rows(self) -> tuple[tags.Attributes, ...]:
        """Every row as a named tuple of plain values."""
        return tuple(self.row(index) for index in range(len(self)))

    def row(self, index: int) -> tags.Attributes:
        """One row as a named tuple of plain values."""
        words = {"kind": tags.KINDS, "surface": tags.SURFACES, "choice": tags.CHOICES}
        values = {}
        for field in tags.Attributes._fields:
            value = getattr(self, field)[index]
            value = value.item() if isinstance(value, np.generic) else value
            values[field] = words[field][value] if field in words else value
        return tags.Attributes(**values)

    @staticmethod
    def of(rows: Sequence[tags.Attributes]) -> Ways:
        """Columns of a sequence of rows."""
        return Ways(
            **{field: _column(field, [getattr(row, field) for row in rows]) for field in tags.Attributes._fields}
        )


_WORDS = {"kind": tags.KINDS, "surface": tags.SURFACES, "choice": tags.CHOICES}
_FLOATS = frozenset({"speed_limit_km_h", "traffic_km_h", "lanes", "incline", "ferry_s"})


def _column(field: str, values: list[Any]) -> Any:
    if field in ("name", "ref", "rule"):
        return tuple(values)
    if field in _WORDS:
        return np.array([_WORDS[field].index(value) for value in values], np.uint8)
    if field in _FLOATS:
        return np.array(values, np.float32)
    return np.array(values, np.int8 if field == "incline_sign" else bool)


@dataclass(frozen=True)
class Near:
    """Where a point falls on the network."""

    street: int
    point: int  # global index of the point at the begin of the piece
    offset_m: float  # along the street from its start
    distance_m: float  # from the asked place
    x_m: float
    y_m: float


@dataclass(frozen=True)
class Network:
    """Streets in columns; n places, s streets, p points, e directed edges. See the head of this module."""

    node_id: np.ndarray  # int64 (n,), OSM id, negative for places made here
    node_x_m: np.ndarray  # float64 (n,)
    node_y_m: np.ndarray
    node_signal: np.ndarray  # bool (n,): traffic lights at the place
    street_start: np.ndarray  # int32 (s,)
    street_end: np.ndarray
    street_length_m: np.ndarray  # float64 (s,), sum of the pieces
    street_way_id: np.ndarray  # int64 (s,): OSM id of the first way
    street_group: np.ndarray  # int32 (s,): equal for the two one-way sides of one road, otherwise the street's own
    point_first: np.ndarray  # int64 (s + 1,)
    point_x_m: np.ndarray  # float64 (p,)
    point_y_m: np.ndarray
    point_height_m: np.ndarray  # float64 (p,), NaN until fitted
    point_mark: np.ndarray  # uint8 (p,), flags of tags.MARKS
    point_delay_s: np.ndarray  # float32 (p,): time to pass a barrier there
    piece_way: np.ndarray  # int32 (p,): row of `ways`, -1 at the last point of a street
    edge_street: np.ndarray  # int32 (e,)
    edge_forward: np.ndarray  # bool (e,)
    edge_tail: np.ndarray  # int32 (e,)
    edge_head: np.ndarray
    ways: Ways
    banned_turns: np.ndarray  # int32 (m, 2): edge in, edge out

    @property
    def node_count(self) -> int:
        return len(self.node_id)

    @property
    def street_count(self) -> int:
        return len(self.street_start)

    @property
    def edge_count(self) -> int:
        return len(self.edge_street)

    @cached_property
    def edge_length_m(self) -> np.ndarray:
        return self.street_length_m[self.edge_street]

    @cached_property
    def edge_street_group(self) -> np.ndarray:
        """Label of each edge to be used as `street=` in a search: both sides of a dual carriageway share it."""
        return self.street_group[self.edge_street]

    @cached_property
    def point_street(self) -> np.ndarray:
        """Street of each point, int32 (p,)."""
        return np.repeat(np.arange(self.street_count, dtype=np.int32), np.diff(self.point_first))

    @cached_property
    def piece_length_m(self) -> np.ndarray:
        """Length of the piece that begins at each point, float64 (p,); 0 at the last point of a street."""
        length = np.zeros(len(self.point_x_m))
        length[:-1] = np.hypot(np.diff(self.point_x_m), np.diff(self.point_y_m))
        length[self.point_first[1:] - 1] = 0.0
        return length

    @cached_property
    def point_offset_m(self) -> np.ndarray:
        """Distance of each point from the start of its street, float64 (p,)."""
        along = np.concatenate(([0.0], np.cumsum(self.piece_length_m)[:-1])) if len(self.point_x_m) else np.zeros(0)
        return along - np.repeat(along[self.point_first[:-1]], np.diff(self.point_first))

    @cached_property
    def street_way(self) -> np.ndarray:
        """Row of `ways` of each street's first piece: what is allowed is the same along the whole street."""
        return self.piece_way[self.point_first[:-1]]

    @cached_property
    def street_choice(self) -> np.ndarray:
        """Index into tags.CHOICES of each street."""
        return self.ways.choice[self.street_way]

    @cached_property
    def street_forward(self) -> np.ndarray:
        allowed = np.zeros(self.street_count, bool)
        allowed[self.edge_street[self.edge_forward]] = True
        return allowed

    @cached_property
    def street_backward(self) -> np.ndarray:
        allowed = np.zeros(self.street_count, bool)
        allowed[self.edge_street[~self.edge_forward]] = True
        return allowed

    @cached_property
    def edge_reverse(self) -> np.ndarray:
        """The edge the other way along the same street, -1 where that is not allowed; int32 (e,)."""
        row = np.full((self.street_count, 2), -1, np.int32)
        row[self.edge_street, self.edge_forward.astype(int)] = np.arange(self.edge_count, dtype=np.int32)
        return row[self.edge_street, 1 - self.edge_forward.astype(int)]

    def edges_of_street(self, street: int) -> tuple[int, int]:
        """(forward edge, backward edge) of a street, -1 where not allowed."""
        at = np.flatnonzero(self.edge_street == street)
        forward = at[self.edge_forward[at]]
        backward = at[~self.edge_forward[at]]
        return (int(forward[0]) if len(forward) else -1, int(backward[0]) if len(backward) else -1)

    def csr(self) -> tuple[np.ndarray, np.ndarray]:
        """(first, head): edges out of place i are first[i]:first[i + 1]; int64 (n + 1,), int32 (e,)."""
        count = np.bincount(self.edge_tail, minlength=self.node_count)
        return np.concatenate(([0], np.cumsum(count))).astype(np.int64), self.edge_head

    def components(self) -> np.ndarray:
        """Label of the strongly connected part of each place, int32 (n,); 0 is the part with the longest streets."""
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import connected_components

        first, head = self.csr()
        graph = csr_array((np.ones(len(head), np.int8), head, first), shape=(self.node_count, self.node_count))
        count, label = connected_components(graph, directed=True, connection="strong")
        inside = label[self.street_start] == label[self.street_end]
        weight = np.bincount(label[self.street_start[inside]], self.street_length_m[inside], minlength=count)
        rank = np.empty(count, np.int32)
        rank[np.lexsort((np.arange(count), -weight))] = np.arange(count, dtype=np.int32)
        return rank[label]

    def reach(self, start: int, end: int | None = None) -> np.ndarray:
        """Places that can be reached from `start` (and from which `end` can be reached), bool (n,)."""
        there = self._spread(start, self.edge_tail, self.edge_head)
        return there if end is None else there & self._spread(end, self.edge_head, self.edge_tail)

    def _spread(self, start: int, tail: np.ndarray, head: np.ndarray) -> np.ndarray:
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import breadth_first_order

        graph = csr_array((np.ones(len(tail), np.int8), (tail, head)), shape=(self.node_count, self.node_count))
        seen = np.zeros(self.node_count, bool)
        seen[breadth_first_order(graph, start, return_predecessors=False)] = True
        return seen

    @cached_property
    def _tree(self) -> Any:
        from scipy.spatial import cKDTree

        pieces = np.flatnonzero(self.piece_way >= 0)
        x = (self.point_x_m[pieces] + self.point_x_m[pieces + 1]) / 2
        y = (self.point_y_m[pieces] + self.point_y_m[pieces + 1]) / 2
        return cKDTree(np.column_stack((x, y))), pieces

    def foot(self, pieces: np.ndarray, x_m: Any, y_m: Any) -> tuple[np.ndarray, np.ndarray]:
        """Nearest place on each piece: share of its length in [0, 1], and distance [m]; same shape as pieces."""
        ax, ay = self.point_x_m[pieces], self.point_y_m[pieces]
        dx, dy = self.point_x_m[pieces + 1] - ax, self.point_y_m[pieces + 1] - ay
        square = dx * dx + dy * dy
        share = np.clip(((x_m - ax) * dx + (y_m - ay) * dy) / np.where(square > 0, square, 1.0), 0.0, 1.0)
        return share, np.hypot(ax + share * dx - x_m, ay + share * dy - y_m)

    def nearest_street(
        self, x_m: float, y_m: float, *, within_m: float = np.inf, streets: np.ndarray | None = None
    ) -> Near | None:
        """The nearest street to a place, or None when none lies `within_m`.

        streets : bool (s,), look only at these. Ties go to the lower point index.
        """
        tree, pieces = self._tree
        radius, widest = 100.0, np.inf if np.isinf(within_m) else within_m
        while len(pieces):
            radius = min(radius, widest)
            near = pieces[np.sort(np.array(tree.query_ball_point((x_m, y_m), radius + LONGEST_PIECE_M), np.int64))]
            if streets is not None:
                near = near[streets[self.point_street[near]]]
            if len(near):
                share, distance = self.foot(near, x_m, y_m)
                best = int(np.argmin(distance))
                if distance[best] <= radius:
                    point, part = int(near[best]), float(share[best])
                    offset = float(self.point_offset_m[point] + part * self.piece_length_m[point])
                    px = self.point_x_m[point] + part * (self.point_x_m[point + 1] - self.point_x_m[point])
                    py = self.point_y_m[point] + part * (self.point_y_m[point + 1] - self.point_y_m[point])
                    return Near(
                        int(self.point_street[point]),
                        point,
                        offset,
                        float(distance[best]),
                        float(px),
                        float(py),
                    )
            if radius >= widest or radius > 1e7:
                return None
            radius *= 4
        return None

    def at(self, street: Any, offset_m: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """x, y, height [m] of places `offset_m` from the start of streets; broadcasts, offsets are clipped."""
        street, offset = np.broadcast_arrays(np.asarray(street, np.int64), np.asarray(offset_m, float))
        offset = np.clip(offset, 0.0, self.street_length_m[street])
        base = np.concatenate(([0.0], np.cumsum(self.street_length_m + 1.0)))  # streets end to end, 1 m apart
        axis = self.point_offset_m + base[self.point_street]
        point = np.searchsorted(axis, base[street] + offset, side="right") - 1
        point = np.clip(point, self.point_first[street], self.point_first[street + 1] - 2)
        length = self.piece_length_m[point]
        share = np.clip((offset - self.point_offset_m[point]) / np.where(length > 0, length, 1.0), 0.0, 1.0)
        x, y, h = (
            c[point] + share * (c[point + 1] - c[point]) for c in (self.point_x_m, self.point_y_m, self.point_height_m)
        )
        return x, y, h

    def allowed_streets(self, choices: Iterable[str] = tags.DEFAULT_CHOICES) -> np.ndarray:
        """bool (s,): streets that may be ridden when the rider allows `choices` (words of tags.CHOICES)."""
        codes = np.array([word in set(choices) | {""} for word in tags.CHOICES])
        return codes[self.street_choice]

    def subset(self, streets: np.ndarray) -> Network:
        """The network of the streets of a mask (s,); places without a street are dropped, rows of `ways` kept.

        Raises InputError when no street is left.
        """
        streets = np.asarray(streets, bool)
        kept = np.flatnonzero(streets)
        if not len(kept):
            raise InputError("no street is left to ride on", "roads", "allow more kinds of road, or a larger area")
        points = np.concatenate(
            [np.zeros(0, np.int64)] + [np.arange(self.point_first[k], self.point_first[k + 1]) for k in kept]
        )
        used = np.unique(np.concatenate((self.street_start[kept], self.street_end[kept])))
        new_node = np.full(self.node_count, -1, np.int32)
        new_node[used] = np.arange(len(used), dtype=np.int32)
        new_street = np.full(self.street_count, -1, np.int32)
        new_street[kept] = np.arange(len(kept), dtype=np.int32)
        _, group = np.unique(self.street_group[kept], return_inverse=True)
        first_of_group = np.full(len(kept), len(kept), np.int32)
        np.minimum.at(first_of_group, group, np.arange(len(kept), dtype=np.int32))
        return assemble(
            node_id=self.node_id[used], node_x_m=self.node_x_m[used], node_y_m=self.node_y_m[used],
            node_signal=self.node_signal[used], street_start=new_node[self.street_start[kept]],
            street_end=new_node[self.street_end[kept]], street_way_id=self.street_way_id[kept],
            street_group=first_of_group[group],
            point_first=np.concatenate(([0], np.cumsum(np.diff(self.point_first)[kept]))),
            point_x_m=self.point_x_m[points], point_y_m=self.point_y_m[points],
            point_height_m=self.point_height_m[points], point_mark=self.point_mark[points],
            point_delay_s=self.point_delay_s[points], piece_way=self.piece_way[points],
            forward=self.street_forward[kept], backward=self.street_backward[kept], ways=self.ways,
            turns=[(new_street[a], f, new_street[b], g) for a, f, b, g in self.turns() if streets[a] and streets[b]],
        )  # fmt: skip

    def turns(self) -> list[tuple[int, bool, int, bool]]:
        """Banned turns as (street in, forward, street out, forward)."""
        street, forward = self.edge_street.tolist(), self.edge_forward.tolist()
        return [(street[a], forward[a], street[b], forward[b]) for a, b in self.banned_turns.tolist()]

    def with_heights(self, height_m: np.ndarray) -> Network:
        """The same network with road heights, float64 (p,)."""
        if np.shape(height_m) != self.point_x_m.shape:
            raise InputError(f"{np.shape(height_m)} heights for {len(self.point_x_m)} points", "road heights")
        return replace(self, point_height_m=np.asarray(height_m, float))

    def with_place_on(self, street: int, offset_m: float) -> tuple[Network, int]:
        """Split a street `offset_m` from its start: (new network, index of the place there).

        Within 1 m of an end the place there is returned and nothing is split. The first part keeps the street's
        index, the second is the new last street; both carry the attributes, heights and turn bans of their half.
        Indices of places and other streets stay; indices of points and edges do not.
        """
        length = float(self.street_length_m[street])
        if not 0 <= offset_m <= length + 1e-6:
            raise InputError(f"offset {offset_m:.1f} m on a street of {length:.1f} m", f"street {street}")
        if offset_m <= 1.0:
            return self, int(self.street_start[street])
        if offset_m >= length - 1.0:
            return self, int(self.street_end[street])
        first, past = int(self.point_first[street]), int(self.point_first[street + 1])
        offset = self.point_offset_m[first:past]
        piece = first + int(np.searchsorted(offset, offset_m, side="right")) - 1
        share = (offset_m - offset[piece - first]) / self.piece_length_m[piece]

        def between(column: np.ndarray) -> float:
            return float(column[piece] + share * (column[piece + 1] - column[piece]))

        x, y = between(self.point_x_m), between(self.point_y_m)
        at_point = offset_m - offset[piece - first] < 0.01  # already a point: it becomes the place
        tail = slice(piece + (0 if at_point else 1), past)  # points of the second part, without the new one

        def columns(column: np.ndarray, new: Any, last_of_first: Any = None) -> np.ndarray:
            """The column with the first part cut and the second part appended."""
            head_part = column[first : piece + (0 if at_point else 1)]
            second = column[tail] if at_point else np.concatenate(([new], column[tail]))
            end = second[0] if last_of_first is None else last_of_first
            return np.concatenate((column[:first], head_part, [end], column[past:], second)).astype(column.dtype)

        new_node, new_street = self.node_count, self.street_count
        way = self.piece_way[piece]
        count = np.diff(self.point_first)
        n_second = (past - tail.start) + (0 if at_point else 1)
        counts = np.append(count, n_second)
        counts[street] = (piece - first) + (1 if at_point else 2)
        group = self.street_group.copy()
        group[group == group[street]] = np.flatnonzero(group == group[street])  # a split side is no twin any more
        forward, backward = self.street_forward, self.street_backward
        turns = []
        for a, f, b, g in self.turns():  # an edge in is named by its last part, an edge out by its first
            turns.append((new_street if a == street and f else a, f, new_street if b == street and not g else b, g))
        network = assemble(
            node_id=np.append(self.node_id, min(-1, int(self.node_id.min()) - 1)),
            node_x_m=np.append(self.node_x_m, x), node_y_m=np.append(self.node_y_m, y),
            node_signal=np.append(self.node_signal, False),
            street_start=np.append(self.street_start, new_node).astype(np.int32),
            street_end=np.append(np.where(np.arange(new_street) == street, new_node, self.street_end),
                                 self.street_end[street]).astype(np.int32),
            street_way_id=np.append(self.street_way_id, self.street_way_id[street]),
            street_group=np.append(group, new_street).astype(np.int32),
            point_first=np.concatenate(([0], np.cumsum(counts))),
            point_x_m=columns(self.point_x_m, x), point_y_m=columns(self.point_y_m, y),
            point_height_m=columns(self.point_height_m, between(self.point_height_m)),
            point_mark=columns(self.point_mark, 0), point_delay_s=columns(self.point_delay_s, 0.0, 0.0),
            piece_way=columns(self.piece_way, way, -1),
            forward=np.append(forward, forward[street]), backward=np.append(backward, backward[street]),
            ways=self.ways, turns=turns,
        )  # fmt: skip
        return network, new_node

    def to_columns(self) -> dict[str, Any]:
        """Every column by name, for a file: arrays, and lists of str; the columns of ways are called "ways.<name>"."""
        columns: dict[str, Any] = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "ways"}
        columns |= {f"ways.{f.name}": getattr(self.ways, f.name) for f in fields(Ways)}
        return {name: list(value) if isinstance(value, tuple) else value for name, value in columns.items()}

    @staticmethod
    def from_columns(columns: dict[str, Any]) -> Network:
        """The network whose `to_columns` this is."""
        texts = ("name", "ref", "rule")
        ways: dict[str, Any] = {}
        for field in fields(Ways):
            value = columns[f"ways.{field.name}"]
            ways[field.name] = tuple(map(str, value)) if field.name in texts else np.asarray(value)
        return Network(
            **{f.name: np.asarray(columns[f.name]) for f in fields(Network) if f.name != "ways"},
            ways=Ways(**ways),
        )


def directed_edges(
    start: np.ndarray, end: np.ndarray, forward: np.ndarray, backward: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(street, forward, tail, head) of the edges of streets, sorted by (tail, street), forward first."""
    ahead, back = np.flatnonzero(forward), np.flatnonzero(backward)
    street = np.concatenate((ahead, back)).astype(np.int32)
    is_forward = np.concatenate((np.ones(len(ahead), bool), np.zeros(len(back), bool)))
    tail = np.where(is_forward, start[street], end[street]).astype(np.int32)
    head = np.where(is_forward, end[street], start[street]).astype(np.int32)
    order = np.lexsort((~is_forward, street, tail))
    return street[order], is_forward[order], tail[order], head[order]


def assemble(
    *, forward: np.ndarray, backward: np.ndarray, turns: Iterable[tuple[int, bool, int, bool]], **columns: Any
) -> Network:
    """A Network from columns of places, streets and points; edges, lengths and turn bans follow from them.

    turns : (street in, forward, street out, forward); those whose edges are not allowed anyway are dropped.
    """
    start, end = columns["street_start"].astype(np.int32), columns["street_end"].astype(np.int32)
    street, is_forward, tail, head = directed_edges(start, end, forward, backward)
    edge = np.full((len(start), 2), -1, np.int64)
    edge[street, is_forward.astype(int)] = np.arange(len(street))
    pairs = {(int(edge[a, int(f)]), int(edge[b, int(g)])) for a, f, b, g in turns}
    banned = np.array(sorted(pair for pair in pairs if min(pair) >= 0), np.int32).reshape(-1, 2)
    first = columns["point_first"].astype(np.int64)
    length = np.hypot(np.diff(columns["point_x_m"]), np.diff(columns["point_y_m"]))
    length = np.append(length, 0.0)
    length[first[1:] - 1] = 0.0
    return Network(
        **(columns | {"street_start": start, "street_end": end, "point_first": first}),
        street_length_m=np.add.reduceat(length, first[:-1]) if len(start) else np.zeros(0),
        edge_street=street, edge_forward=is_forward, edge_tail=tail, edge_head=head, banned_turns=banned,
    )  # fmt: skip


def nearest_street(network: Network, x_m: float, y_m: float, *, within_m: float = 500.0) -> Near:
    """The nearest street to a start; InputError with the distance where none lies `within_m`."""
    near = network.nearest_street(x_m, y_m)
    if near is None:
        raise InputError("the network has no street", mend="make the area from a file with roads")
    if near.distance_m > within_m:
        raise InputError(f"the nearest street lies {near.distance_m:.0f} m away (at most {within_m:.0f} m)",
                         mend="choose a start on or beside a road")  # fmt: skip
    return near
