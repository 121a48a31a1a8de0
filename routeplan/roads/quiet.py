"""Quiet zones: where the rider should keep both hands and both ears for the road.

Roundabouts, junctions with a larger road, signals, crossings, steep or fast descents, hard climbs, fast roads
without a lane, tunnels. Each with a lead before it and a tail behind it; all figures are prudence, not proof,
and the rider can change them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from routeplan.roads import tags
from routeplan.roads.along import Along, along
from routeplan.roads.network import Network

# How large a road is among roads; a junction counts where a street at least "tertiary" and larger than one's own joins.
KIND_RANK = {
    "trunk": 6,
    "primary": 5,
    "secondary": 4,
    "tertiary": 3,
    "unclassified": 2,
    "residential": 2,
}  # others: 1
LARGER_AT_LEAST = 3
WHYS = ("roundabout", "junction with a larger road", "signal", "crossing", "stop or give way", "level crossing",
        "steep descent", "fast descent", "climb", "fast road without a lane", "tunnel")  # fmt: skip


class QuietZone(NamedTuple):
    begin_m: float  # along the route
    end_m: float
    why: str  # of WHYS


@dataclass(frozen=True)
class QuietRules:
    """Lead and tail distances [m] and limits. Judgement: 50 m are 7 s at 25 km/h, time to end a sentence."""

    before_m: float = 50.0
    after_m: float = 20.0
    roundabout_m: float = 50.0  # before the ring and after it
    descent_grade: float = -0.06
    climb_grade: float = 0.06
    fast_m_s: float = 30 / 3.6
    fast_road_km_h: float = 80.0  # posted or usual speed of motor traffic, from here on
    shortest_slope_m: float = 60.0  # steep or fast stretches shorter than this are no zone
    join_m: float = 10.0  # gaps shorter than this between two zones of one kind are closed


DEFAULT_RULES = QuietRules()


def place_rank(network: Network) -> np.ndarray:
    """Rank of the largest road that meets each place, uint8 (n,). Links and roundabouts count as their road."""
    rank_of = np.array([KIND_RANK.get(kind, 1) for kind in tags.KINDS], np.uint8)
    rank = np.zeros(network.node_count, np.uint8)
    last = network.piece_way[network.point_first[1:] - 2]
    np.maximum.at(rank, network.street_start, rank_of[network.ways.kind[network.street_way]])
    np.maximum.at(rank, network.street_end, rank_of[network.ways.kind[last]])
    return rank


def quiet_zones(
    network: Network,
    edges: np.ndarray,
    *,
    grade: np.ndarray | None = None,
    speed_m_s: np.ndarray | None = None,
    rules: QuietRules = DEFAULT_RULES,
) -> tuple[QuietZone, ...]:
    """Quiet zones along a route, sorted by their begin; zones of different kinds may overlap.

    edges : directed edges as ridden. grade [-], speed_m_s : (n,) by piece in the order ridden (as `along` counts
    them); grade None takes the fitted heights over 100 m, NaN is no slope; speed None leaves fast descents out.
    """
    route = along(network, edges)
    if grade is None:
        grade = route.grade(network)
    way = network.piece_way[route.piece]
    ways = network.ways
    zones: list[QuietZone] = []

    def spots(where: np.ndarray, why: str) -> None:
        for at in route.distance_m[where]:
            zones.append(QuietZone(at - rules.before_m, at + rules.after_m, why))

    def stretches(mask: np.ndarray, why: str, lead_m: float, tail_m: float, shortest_m: float = 0.0) -> None:
        for a, b in _runs(mask):
            if route.distance_m[b] - route.distance_m[a] >= shortest_m:
                zones.append(QuietZone(route.distance_m[a] - lead_m, route.distance_m[b] + tail_m, why))

    mark = network.point_mark[route.point]
    for flag, why in ((tags.SIGNAL, "signal"), (tags.CROSSING, "crossing"), (tags.LEVEL_CROSSING, "level crossing"),
                      (tags.STOP_OR_GIVE_WAY, "stop or give way")):  # fmt: skip
        spots((mark & flag) > 0, why)
    mini = np.flatnonzero(mark & tags.MINI_ROUNDABOUT)
    for at in route.distance_m[mini]:
        zones.append(QuietZone(at - rules.roundabout_m, at + rules.roundabout_m, "roundabout"))
    stretches(ways.roundabout[way], "roundabout", rules.roundabout_m, rules.roundabout_m)
    spots(_larger_road(network, route, way), "junction with a larger road")

    with np.errstate(invalid="ignore"):
        stretches(grade < rules.descent_grade, "steep descent", rules.after_m, rules.after_m, rules.shortest_slope_m)
        stretches((grade > rules.climb_grade) & ~ways.walk[way], "climb", 0.0, 0.0, rules.shortest_slope_m)
        if speed_m_s is not None:
            fast = np.asarray(speed_m_s) > rules.fast_m_s
            stretches(fast & (grade < 0), "fast descent", rules.after_m, rules.after_m, rules.shortest_slope_m)
    traffic = ways.traffic_km_h[way] >= rules.fast_road_km_h
    stretches(traffic & ~ways.cycle_lane[way], "fast road without a lane", rules.before_m, rules.after_m)
    stretches(ways.tunnel[way], "tunnel", rules.before_m, rules.after_m)
    return _merged(zones, float(route.distance_m[-1]), rules.join_m)


def quiet_mask(
    zones: tuple[QuietZone, ...], distance_m: np.ndarray, without: frozenset[str] = frozenset()
) -> np.ndarray:
    """bool (n,): pieces between consecutive distances (n + 1,) that touch a zone whose why is not in `without`."""
    quiet = np.zeros(len(distance_m) - 1, bool)
    for zone in zones:
        if zone.why not in without:
            first = np.searchsorted(distance_m[1:], zone.begin_m, side="right")
            past = np.searchsorted(distance_m[:-1], zone.end_m, side="left")
            quiet[first:past] = True
    return quiet


def _larger_road(network: Network, route: Along, way: np.ndarray) -> np.ndarray:
    """Indices of places where a road larger than the one ridden in, or out, meets the route."""
    rank_of = np.array([KIND_RANK.get(kind, 1) for kind in tags.KINDS])
    own = rank_of[network.ways.kind[way]]
    at = np.flatnonzero(route.node >= 0)
    here = place_rank(network)[route.node[at]].astype(int)
    smaller = np.minimum(own[np.maximum(at - 1, 0)], own[np.minimum(at, len(own) - 1)])
    return at[(here > smaller) & (here >= LARGER_AT_LEAST)]


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    change = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return list(zip(change[::2].tolist(), change[1::2].tolist()))


def _merged(zones: list[QuietZone], length_m: float, join_m: float) -> tuple[QuietZone, ...]:
    """Zones of one kind joined where they touch, cut to the route, sorted by begin."""
    out: list[QuietZone] = []
    for why in WHYS:
        begin = end = None
        for zone in sorted(z for z in zones if z.why == why):
            if end is not None and begin is not None and zone.begin_m <= end + join_m:
                end = max(end, zone.end_m)
                continue
            if end is not None and begin is not None:
                out.append(QuietZone(begin, end, why))
            begin, end = zone.begin_m, zone.end_m
        if end is not None and begin is not None:
            out.append(QuietZone(begin, end, why))
    cut = [QuietZone(float(max(0.0, z.begin_m)), float(min(length_m, z.end_m)), z.why) for z in out]
    return tuple(sorted(z for z in cut if z.end_m > z.begin_m))
