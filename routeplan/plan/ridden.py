"""A route second by second: the pieces ridden in order, when each is passed, and the figures that follow.

A row of a route's samples is a place; what it says of contact holds from there to the next row. So expected
contact is the sum over rows of chance times the seconds to the next row, here and in the search's weights alike.
A halt is a row of its own: no distance, some minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from routeplan.plan.clock import NetClock
from routeplan.plan.contact import ContactWeights
from routeplan.plan.talk import runs
from routeplan.plan.weights import Pieces, RideWeights

DEAD_BELOW = 0.5
NEARBY_M = 40.0  # two streets this close are one place to a rider ...
NEARBY_APART_M = 400.0  # ... when the ride passes them this far apart, or further
TURN_DEG = 45.0


class Halt(NamedTuple):
    """A stop of some minutes where a route enters its k-th piece; contact while standing there."""

    at: int
    seconds: float
    margin_db: np.ndarray  # (k stations, 2)
    chance: float  # of the contact rule


@dataclass(frozen=True)
class Ridden:
    """A route as the pieces it rides (and its halts): n rows, n + 1 places."""

    edges: np.ndarray
    edge_first: np.ndarray  # (edges,) row at which each edge begins
    way: np.ndarray  # (n,) 0 along the street's own direction, 1 against it
    piece: np.ndarray  # (n,)
    distance_m: np.ndarray  # (n + 1,)
    time_s: np.ndarray  # (n + 1,)
    effort_j: np.ndarray  # (n,)
    hard_s: np.ndarray  # (n,)
    walking: np.ndarray  # (n,) bool
    standing: np.ndarray  # (n,) bool: a halt
    repeated: np.ndarray  # (n,) bool: on a street ridden before
    chance: np.ndarray  # (n,) of the contact rule, NaN without data
    margin_db: np.ndarray  # (k, 2, n) to and from each station

    @property
    def duration_s(self) -> np.ndarray:
        """(n,) seconds on each row."""
        return np.diff(self.time_s)

    @property
    def length_m(self) -> float:
        return float(self.distance_m[-1])

    @property
    def ride_time_s(self) -> float:
        return float(self.time_s[-1])

    @property
    def effort_kj(self) -> float:
        return float(self.effort_j.sum()) / 1000.0

    @property
    def repeated_m(self) -> float:
        return float(np.diff(self.distance_m)[self.repeated].sum())


def ride_along(
    edges: np.ndarray, pieces: Pieces, riding: RideWeights, contact: ContactWeights, halt: Halt | None = None
) -> Ridden:
    """Ride `edges` (directed, head to tail) from time 0, with at most one halt on the way."""
    edges = np.asarray(edges)
    way, piece = pieces.along(edges)
    streets = pieces.network.edge_street[edges]
    counts = np.diff(pieces.network.point_first)[streets] - 1
    edge_first = np.cumsum(counts) - counts
    _, first_seen = np.unique(streets, return_index=True)
    again = np.ones(len(streets), dtype=bool)
    again[first_seen] = False
    columns = {
        "way": way,
        "piece": piece,
        "length_m": pieces.length_m[piece],
        "duration_s": riding.time_s[way, piece],
        "effort_j": riding.effort_j[way, piece],
        "hard_s": riding.hard_s[way, piece],
        "walking": riding.walking[way, piece],
        "standing": np.zeros(len(piece), dtype=bool),
        "repeated": np.repeat(again, counts),
        "chance": contact.chance[way, piece],
        "margin_db": contact.margin_db[:, :, way, piece],
    }
    if halt is not None and len(piece):
        columns = _with_halt(columns, halt)
        edge_first = edge_first + (edge_first >= halt.at) - (edge_first == halt.at)
    length, duration = columns.pop("length_m"), columns.pop("duration_s")
    return Ridden(
        edges=edges,
        edge_first=edge_first,
        distance_m=np.concatenate([[0.0], np.cumsum(length)]),
        time_s=np.concatenate([[0.0], np.cumsum(duration)]),
        **columns,
    )


def _with_halt(columns: dict[str, np.ndarray], halt: Halt) -> dict[str, np.ndarray]:
    """The columns with one more row: a copy of the row the halt precedes, without way or work."""
    stands: dict[str, Any] = {
              "length_m": 0.0, "duration_s": halt.seconds, "effort_j": 0.0, "hard_s": 0.0, "walking": False,
              "standing": True, "chance": halt.chance, "margin_db": halt.margin_db}  # fmt: skip
    return {
        name: np.insert(column, halt.at, stands.get(name, column[..., halt.at]), axis=-1)
        for name, column in columns.items()
    }


class ContactFigures(NamedTuple):
    """Contact of one route, seconds unless said."""

    contact_s: float
    counted_s: float  # what the share is of: the window's length, or the ride time with data
    net_ridden_s: float
    in_contact_s: float
    dead_s: float
    longest_dead_s: float
    unknown_m: float

    @property
    def share(self) -> float:
        return self.contact_s / self.counted_s if self.counted_s > 0 else float("nan")


def contact_figures(ridden: Ridden, clock: NetClock, in_contact_from: float) -> ContactFigures:
    """Expected contact and dead time. Rows without data are left out of shares and counted in metres."""
    duration, chance = ridden.duration_s, ridden.chance
    known = np.isfinite(chance)
    counting = clock.seconds(duration, ridden.standing)
    dead = chance < DEAD_BELOW
    unknown_net_s = float(np.sum(counting[~known]))
    return ContactFigures(
        contact_s=float(np.sum((counting * chance)[known])),
        counted_s=(clock.length_s - unknown_net_s) if clock.length_s else float(duration[known].sum()),
        net_ridden_s=float(np.sum(counting)) if clock.length_s else 0.0,
        in_contact_s=float(duration[chance >= in_contact_from].sum()),
        dead_s=float(duration[dead].sum()),
        longest_dead_s=float(max((ridden.time_s[b] - ridden.time_s[a] for a, b in runs(dead)), default=0.0)),
        unknown_m=float(np.diff(ridden.distance_m)[~known].sum()),
    )


def turn_rows(ridden: Ridden, pieces: Pieces) -> np.ndarray:
    """Rows (k,) that begin with a turn of more than TURN_DEG at a place where one can choose."""
    network = pieces.network
    choice = np.bincount(network.edge_tail, minlength=network.node_count) > 2
    heading = pieces.heading_deg[ridden.way, ridden.piece]
    at = ridden.edge_first[1:]
    change = np.abs((heading[at] - heading[at - 1] + 180.0) % 360.0 - 180.0)
    return at[(change > TURN_DEG) & choice[network.edge_tail[ridden.edges[1:]]]]


def nearby_m(ridden: Ridden, pieces: Pieces) -> float:
    """Metres ridden within NEARBY_M of another street of the same ride, as if the two were different roads.

    Crossings do not count: the other street must run the same way or the opposite one, within 30 degrees.
    """
    from scipy.spatial import cKDTree

    network = pieces.network
    point = pieces.start_point[ridden.way, ridden.piece]
    where = np.column_stack([network.point_x_m[point], network.point_y_m[point]])
    pairs = cKDTree(where).query_pairs(NEARBY_M, output_type="ndarray")
    if not len(pairs):
        return 0.0
    a, b = pairs.T
    streets = pieces.street[ridden.piece]
    heading = pieces.heading_deg[ridden.way, ridden.piece]
    apart = np.abs(ridden.distance_m[a] - ridden.distance_m[b])
    apart = np.minimum(apart, ridden.length_m - apart)
    parallel = np.abs((heading[a] - heading[b] + 90.0) % 180.0 - 90.0) < 30.0
    close = (streets[a] != streets[b]) & parallel & (apart > NEARBY_APART_M)
    # Each pair is one place ridden twice; the later passage is the one too many.
    later = np.unique(np.maximum(a, b)[close])
    return float(np.diff(ridden.distance_m)[later].sum())
