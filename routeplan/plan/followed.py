"""A ride that is given as a track: put on the streets, and weighed like a planned one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routeplan.afterwards.tracks import Track
from routeplan.errors import InputError
from routeplan.plan import words
from routeplan.plan.area import Area
from routeplan.plan.cheapest import cheapest, way_to
from routeplan.plan.ridefile import Ride
from routeplan.plan.setting import (
    Progress,
    Setting,
    allowed,
    cut_at,
    make_setting,
    place_on_a_street,
    raise_off_the_raster,
)
from routeplan.roads.build import fuse
from routeplan.roads.match import Match, match_track
from routeplan.roads.tags import CHOICES

STREETS_WITHIN_M = 300.0  # of the track: what matching it needs
MATCHED_AT_LEAST = 0.5  # share of the track's points


@dataclass(frozen=True)
class Followed:
    """A track on the streets of a setting."""

    setting: Setting
    edges: np.ndarray  # directed edges from the setting's start to its end
    match: Match
    bridged_m: float  # length of the gaps that were closed along the shortest way


def follow(area: Area, ride: Ride, track: Track, *, room_m: float, progress: Progress) -> Followed:
    """Put a track on the streets, with all streets within `room_m` of it in the setting for changes.

    Streets that the ride file would leave out are kept where the track runs on them: who has ridden there, may.
    """
    x, y = area.projection.to_xy(track.latitude_deg, track.longitude_deg)
    x, y = np.asarray(x), np.asarray(y)
    _raise_elsewhere(area, track, x, y, ride.ride.follow.name if ride.ride.follow else "the track")
    raise_off_the_raster(area, ride, {})
    network = fuse(area.network.subset(_near(area, ride, x, y, max(room_m, STREETS_WITHIN_M))))
    network, start = cut_at(network, place_on_a_street(network, (x[0], y[0]), "the track's start"))
    network, end = cut_at(network, place_on_a_street(network, (x[-1], y[-1]), "the track's end"))
    progress(f"matching {len(track)} track points to the streets")
    match = match_track(network, x, y, track.time_s if np.isfinite(track.time_s).all() else None)
    if match.matched_share < MATCHED_AT_LEAST:
        raise InputError(
            f"only {words.percent(match.matched_share)} of the track lies on streets of this area",
            "the track",
            "is it of this area, and on roads?",
        )
    setting = make_setting(area, ride, network, start, end, progress)
    edges, bridged = _joined(setting, match.edges)
    return Followed(setting, edges, match, bridged)


def _raise_elsewhere(area: Area, track: Track, x: np.ndarray, y: np.ndarray, name: str) -> None:
    inside = np.asarray(area.elevation.contains(x, y))
    if not inside.all():
        k = int(np.argmin(inside))
        first = float(track.latitude_deg[k]), float(track.longitude_deg[k])
        raise InputError(
            f"{int((~inside).sum())} of {len(x)} points lie outside the area, the first at {words.place(*first)}",
            name,
            "make a larger area" if inside.any() else "is it a track of another place?",
        )


def _near(area: Area, ride: Ride, x: np.ndarray, y: np.ndarray, room_m: float) -> np.ndarray:
    """Streets (s,) near the track: all kinds close to it, those the rider would ride further away."""
    from scipy.spatial import cKDTree

    network = area.network
    points = np.column_stack([network.point_x_m, network.point_y_m])
    distance, _ = cKDTree(np.column_stack([x, y])).query(points, distance_upper_bound=room_m)
    close = np.logical_or.reduceat(distance <= room_m, network.point_first[:-1])
    beside = np.logical_or.reduceat(distance <= 40.0, network.point_first[:-1])
    return close & (allowed(area, ride) | (beside & network.allowed_streets(CHOICES)))


def _joined(setting: Setting, matched: np.ndarray) -> tuple[np.ndarray, float]:
    """The matched edges as one ride from start to end: gaps are closed along the shortest way."""
    network = setting.network
    edges: list[int] = []
    at = setting.start
    bridged = 0.0
    for edge in [*matched.tolist(), -1]:
        target = setting.end if edge < 0 else int(network.edge_tail[edge])
        if at != target:
            gap = _shortest(setting, at, target)
            bridged += float(network.edge_length_m[gap].sum())
            edges += gap
        if edge >= 0:
            edges.append(edge)
            at = int(network.edge_head[edge])
    return np.array(edges, dtype=np.int64), bridged


def _shortest(setting: Setting, start: int, end: int) -> list[int]:
    """Edges of the shortest way."""
    network = setting.network
    tree = cheapest(network.edge_tail, network.edge_head, network.edge_length_m, start, network.node_count)
    return way_to(tree, network.edge_tail, start, end)
