"""Weights on edges: what riding each piece of road, each way, costs in time and effort, and whom it reaches.

Everything is kept by *directed piece*: arrays of shape (2, m), row 0 along a street's own direction, row 1 against
it; m counts the pieces between neighbouring road points. What holds "at a piece" in one direction is taken at the
point where it begins in that direction, so that a route's samples and the sums over edges are the same numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from routeplan.geo import bearing_deg
from routeplan.ride.pacing import STOPS, Rider, bend_speed_m_s, headwind_m_s, ride_pieces, stop_cost
from routeplan.ride.surfaces import rolling_coefficients, speed_caps_m_s
from routeplan.roads.network import FERRY_M_S, Network
from routeplan.roads.tags import MARKS, SURFACES

SLOWEST_BEND_M_S = 1.5  # a hairpin drawn with few points is not ridden slower than this


@dataclass(frozen=True)
class Pieces:
    """Where the directed pieces lie; arrays (m,) or (2, m)."""

    network: Network
    point: np.ndarray  # (m,) index of the piece's first point in the network's point arrays
    street: np.ndarray  # (m,)
    first: np.ndarray  # (streets,) index of each street's first piece
    way: np.ndarray  # (m,) row of network.ways
    length_m: np.ndarray  # (m,)
    grade: np.ndarray  # (2, m), uphill positive
    heading_deg: np.ndarray  # (2, m)
    bend_radius_m: np.ndarray  # (m,), inf where straight

    @cached_property
    def start_point(self) -> np.ndarray:
        """(2, m) point at which a rider enters the piece."""
        return np.stack([self.point, self.point + 1])

    def edge_sums(self, values: np.ndarray) -> np.ndarray:
        """Sums (e,) over each directed edge of `values` (2, m)."""
        by_street = np.add.reduceat(values, self.first, axis=1)
        network = self.network
        return by_street[np.where(network.edge_forward, 0, 1), network.edge_street]

    def along(self, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(direction, piece) of every directed piece ridden along `edges`, in order."""
        network = self.network
        last = np.append(self.first[1:], len(self.point))
        runs, ways = [], []
        for edge in edges:
            street = network.edge_street[edge]
            run = np.arange(self.first[street], last[street])
            forward = network.edge_forward[edge]
            runs.append(run if forward else run[::-1])
            ways.append(np.full(len(run), 0 if forward else 1))
        if not runs:
            return np.empty(0, dtype=int), np.empty(0, dtype=int)
        return np.concatenate(ways), np.concatenate(runs)


def pieces_of(network: Network) -> Pieces:
    """Cut a network into its directed pieces. Heights must be fitted (NaN heights give NaN grades)."""
    point = np.flatnonzero(network.piece_way >= 0)
    counts = np.diff(network.point_first) - 1
    street = np.repeat(np.arange(len(counts)), counts)
    first = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(int)
    x, y, height = network.point_x_m, network.point_y_m, network.point_height_m
    length = np.hypot(x[point + 1] - x[point], y[point + 1] - y[point])
    with np.errstate(invalid="ignore", divide="ignore"):
        rise = np.where(length > 0.05, (height[point + 1] - height[point]) / np.maximum(length, 0.05), 0.0)
    heading = bearing_deg(x[point], y[point], x[point + 1], y[point + 1])
    return Pieces(
        network=network,
        point=point,
        street=street,
        first=first,
        way=network.piece_way[point],
        length_m=length,
        grade=np.stack([rise, -rise]),
        heading_deg=np.stack([heading, (heading + 180.0) % 360.0]),
        bend_radius_m=_bend_radius_m(street, length, heading),
    )


def _bend_radius_m(street: np.ndarray, length_m: np.ndarray, heading_deg: np.ndarray) -> np.ndarray:
    """Radius (m,) of the tighter bend at a piece's two ends, from the change of heading within its street."""
    turn = np.abs((np.diff(heading_deg) + 180.0) % 360.0 - 180.0)
    with np.errstate(divide="ignore"):
        radius = (length_m[1:] + length_m[:-1]) / 2 / np.radians(turn)
    radius[street[1:] != street[:-1]] = np.inf
    both = np.full(len(length_m), np.inf)
    both[1:] = radius
    both[:-1] = np.minimum(both[:-1], radius)
    return both


@dataclass(frozen=True)
class RideWeights:
    """What riding each directed piece costs; arrays (2, m). Stops are charged to the piece that ends at them."""

    time_s: np.ndarray
    effort_j: np.ndarray
    hard_s: np.ndarray
    walking: np.ndarray  # bool
    stop_s: np.ndarray  # part of time_s lost at the stop that ends the piece
    rolling_coefficient: np.ndarray  # (m,)
    speed_cap_m_s: np.ndarray  # (m,)
    on_foot: np.ndarray  # (m,) 0 ridden, 1 pushed, 2 carried
    ferry: np.ndarray  # (m,) bool
    air_density_kg_m3: float


def ride_weights(
    pieces: Pieces,
    rider: Rider,
    *,
    wind_m_s: float = 0.0,
    wind_from_deg: float = 0.0,
    air_density_kg_m3: float = 1.2,
    rolling: Mapping[str, float] | None = None,
) -> RideWeights:
    """Time and effort of every directed piece. Pieces without heights are ridden as if level.

    wind_m_s, wind_from_deg : at the rider. rolling : coefficients by surface word that replace the usual ones.
    """
    ways = pieces.network.ways
    surface = ways.surface[pieces.way]
    crr = rolling_coefficients(SURFACES, rolling)[surface]
    cap = np.minimum(speed_caps_m_s(SURFACES)[surface], bend_speed_m_s(pieces.bend_radius_m, bend_g=rider.bend_g))
    cap = np.maximum(cap, SLOWEST_BEND_M_S)
    on_foot = np.where(ways.steps[pieces.way], 2, np.where(ways.walk[pieces.way], 1, 0))
    ridden = ride_pieces(
        pieces.length_m,
        np.where(np.isfinite(pieces.grade), pieces.grade, 0.0),
        rolling_coefficient=crr,
        speed_cap_m_s=cap,
        walk=on_foot,
        headwind_m_s=headwind_m_s(pieces.heading_deg, wind_m_s=wind_m_s, from_deg=wind_from_deg),
        air_density_kg_m3=air_density_kg_m3,
        rider=rider,
    )
    stop_s, stop_j = _stops(pieces, ridden.speed_m_s, rider)
    ferry = ways.ferry[pieces.way]
    crossing_s = np.where(ferry, _ferry_s(pieces), 0.0)
    return RideWeights(
        time_s=np.where(ferry, crossing_s, ridden.time_s + stop_s),
        effort_j=np.where(ferry, 0.0, ridden.effort_j + stop_j),
        hard_s=np.where(ferry, 0.0, ridden.hard_s),
        walking=ridden.walking & ~ferry,
        stop_s=np.where(ferry, 0.0, stop_s),
        rolling_coefficient=crr,
        speed_cap_m_s=cap,
        on_foot=on_foot,
        ferry=ferry,
        air_density_kg_m3=air_density_kg_m3,
    )


def _stops(pieces: Pieces, speed_m_s: np.ndarray, rider: Rider) -> tuple[np.ndarray, np.ndarray]:
    """Seconds and joules (2, m) that the mark at each piece's end costs."""
    network = pieces.network
    seconds, joules = np.zeros_like(speed_m_s), np.zeros_like(speed_m_s)
    end_point = pieces.start_point[::-1]
    for kind, flag in MARKS.items():
        marked = (network.point_mark[end_point] & flag) > 0
        if marked.any():
            lost_s, lost_j = stop_cost(kind.replace(" ", "_"), speed_m_s[marked], rider=rider)
            seconds[marked] += lost_s
            joules[marked] += lost_j
    # Each barrier has its own time to pass; it takes the place of the usual barrier's.
    delay_s = network.point_delay_s[end_point]
    return seconds + np.where(delay_s > 0, delay_s - STOPS["barrier"].wait_s, 0.0), joules


def _ferry_s(pieces: Pieces) -> np.ndarray:
    network = pieces.network
    tagged_s = network.ways.ferry_s[pieces.way]
    whole_m = network.street_length_m[pieces.street]
    with np.errstate(invalid="ignore"):
        return np.where(np.isfinite(tagged_s), tagged_s * pieces.length_m / whole_m, pieces.length_m / FERRY_M_S)
