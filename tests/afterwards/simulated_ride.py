"""Invented rides on the demo area, as a recorder would keep them: tests and benchmarks share them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from routeplan.plan import ridefile
from routeplan.plan.area import Area
from routeplan.plan.setting import Setting, allowed, make_setting
from routeplan.roads.build import fuse

BEGINS_S = datetime(2026, 8, 27, 19, 5, tzinfo=UTC).timestamp()

RIDE = """
[start]
position = [{latitude}, {longitude}]
departs = 2026-08-27T18:05:00
time_zone = "Atlantic/Azores"

[ride]
length_km = 30

[[station]]
name = "QI2WK"
position = [{north1}, {east1}]
kind = "vertical on the chimney"

[[station]]
name = "QI5PS"
position = [{north2}, {east2}]
kind = "vertical on the chimney"

[[net]]
frequency_mhz = 145.450
begins = "18:30"
lasts_min = 60
control = "QI2WK"
"""


@dataclass(frozen=True)
class Recorded:
    """A ride of n fixes."""

    time_s: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    latitude_deg: np.ndarray
    longitude_deg: np.ndarray
    elevation_m: np.ndarray

    def gpx(self) -> str:
        """As a GPX file's text."""
        points = "\n".join(
            f'<trkpt lat="{a:.6f}" lon="{o:.6f}"><ele>{z:.1f}</ele><time>{iso(t)}</time></trkpt>'
            for a, o, z, t in zip(self.latitude_deg, self.longitude_deg, self.elevation_m, self.time_s)
        )
        return (
            '<?xml version="1.0"?><gpx version="1.1" creator="invented" xmlns="http://www.topografix.com/GPX/1/1">'
            f"<trk><name>A ride</name><trkseg>\n{points}\n</trkseg></trk></gpx>\n"
        )


def iso(seconds: float) -> str:
    return datetime.fromtimestamp(float(seconds), UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def ride_text(area: Area, *, learnt: str = "") -> str:
    """A ride file on the area, with two invented stations some kilometres from the middle of its roads."""
    network = area.network
    x, y = float(np.median(network.point_x_m)), float(np.median(network.point_y_m))
    high = np.nanargmax(
        np.where(np.hypot(network.point_x_m - x, network.point_y_m - y) < 6000, network.point_height_m, -1)
    )
    near = network.nearest_street(x, y)
    places = [
        (near.x_m, near.y_m),
        (network.point_x_m[high], network.point_y_m[high]),
        (near.x_m + 300, near.y_m + 4200),
    ]
    (a, b), (c, d), (e, f) = (area.projection.to_latlon(*place) for place in places)
    text = RIDE.format(latitude=f"{a:.5f}", longitude=f"{b:.5f}", north1=f"{c:.5f}", east1=f"{d:.5f}",
                       north2=f"{e:.5f}", east2=f"{f:.5f}")  # fmt: skip
    return (f'learnt = "{learnt}"\n' if learnt else "") + text


def setting_of(area: Area, text: str, reach_m: float = 9000.0) -> Setting:
    """All streets round the start that may be ridden, weighed."""
    ride = ridefile.read_ride_text(text)
    network = area.network
    x, y = area.projection.to_xy(*ride.start.position)
    close = np.hypot(network.point_x_m - x, network.point_y_m - y) < reach_m
    streets = np.logical_and.reduceat(close, network.point_first[:-1]) & allowed(area, ride)
    network = fuse(area.network.subset(streets))
    label = network.components()
    main = (label[network.street_start] == 0) & (label[network.street_end] == 0)
    near = network.nearest_street(x, y, streets=main)
    network, node = network.with_place_on(near.street, near.offset_m)
    return make_setting(area, ride, network, node, node, lambda text: None)


def wander(setting: Setting, seed: int, time_s: float) -> np.ndarray:
    """Directed edges of a ride of about that time: on at random, back the same street only at dead ends."""
    network, rng = setting.network, np.random.default_rng(seed)
    leaving: dict[int, list[int]] = {}
    for edge, tail in enumerate(network.edge_tail.tolist()):
        leaving.setdefault(tail, []).append(edge)
    seen = np.zeros(network.street_count)
    at, edges, spent, last = setting.start, [], 0.0, -1
    while spent < time_s:
        choices = leaving[at]
        onward = [e for e in choices if network.edge_street[e] != last] or choices
        weight = np.array([network.edge_length_m[e] / (1 + 50 * seen[network.edge_street[e]]) for e in onward])
        edge = int(rng.choice(onward, p=weight / weight.sum()))
        last = int(network.edge_street[edge])
        seen[last] += 1
        edges.append(edge)
        spent += float(setting.edge_time_s[edge])
        at = int(network.edge_head[edge])
    return np.array(edges)


def recorded(setting: Setting, edges: np.ndarray, *, begins_s: float = BEGINS_S, every_s: float = 1.0, seed: int = 0,
             slower: float = 1.0, stops: int = 3) -> Recorded:  # fmt: skip
    """The ride with fixes every some seconds, 3 m of noise, and some stops of two minutes."""
    from routeplan.plan.ridden import ride_along

    rng = np.random.default_rng(seed)
    way = ride_along(edges, setting.pieces, setting.riding, setting.contact)
    network = setting.network
    point = setting.pieces.start_point[way.way, way.piece]
    point = np.append(point, setting.pieces.start_point[1 - way.way[-1], way.piece[-1]])
    time = way.time_s * slower
    at = np.arange(0.0, time[-1], every_s)
    metres = np.interp(at, time, way.distance_m)
    clock = at.copy()
    for stop in np.sort(rng.uniform(0.1, 0.9, stops)) * at[-1]:
        clock[at > stop] += 120.0
    even = np.arange(0.0, clock[-1], every_s)
    metres = np.interp(even, clock, metres)
    smooth = np.ones(5) / 5
    x, y = (
        np.interp(metres, way.distance_m, c[point]) + np.convolve(rng.normal(0, 3.0, len(even)), smooth, "same")
        for c in (network.point_x_m, network.point_y_m)
    )
    height = np.interp(metres, way.distance_m, network.point_height_m[point])
    latitude, longitude = setting.area.projection.to_latlon(x, y)
    return Recorded(begins_s + even, x, y, latitude, longitude, height)
