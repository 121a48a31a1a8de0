"""The strip of a debrief: the predicted chance along the ride, and on it what was heard.

Each report is a stick from the chance that was predicted to what came of it: up to the top where the contact was
worked, down to the line where it was not. Short sticks: as predicted. Long sticks: surprises.
"""

from __future__ import annotations

import numpy as np

from routeplan.output.look import BODY, HEAD, SMALL, accent, marker, marker_ring, nice_step
from routeplan.output.scene import Area, Line, Room, Scene, Text, png, shortened, text_width, wrapped
from routeplan.output.strip import WIDE, Frame, time_ticks
from routeplan.plan.debriefed import Debrief, Heard
from routeplan.plan.value import Route
from routeplan.plan.words import clock, hours, km

HOW = (
    "Bands: predicted chance of good speech in tenths (dark: hears you, light: you hear it). Sticks: your reports, "
    "from the predicted chance of being worked at all (R3) to what came of it. Disc on top: worked. Ring: not. "
    "Small: beacons."
)


def debrief_strip_png(found: Debrief, *, scale: float = 1.0) -> bytes:
    """The strip as PNG, 1210 pixels wide at scale 1."""
    return png(debrief_strip_scene(found), scale=scale)


def debrief_strip_scene(found: Debrief, *, width: float = WIDE, heading: bool = True) -> Scene:
    """The strip, `width` pixels wide (340 to 1600); its height follows from what is on it."""
    route = found.plan.routes[0]
    narrow = width < 640
    frame = Frame(
        40.0 if narrow else 112.0, width - (8.0 if narrow else 18.0), max(float(route.samples.time_s[-1]), 1.0)
    )
    scene = Scene(width, 1e6, "The ride as predicted and as heard")
    room = Room(scene)
    y = 8.0
    if heading:
        y = _heading(scene, room, found, route, frame, narrow)
    y = _ground(scene, room, route, frame, y, 70.0 if narrow else 110.0) + 12
    for index, station in enumerate(found.plan.stations):
        y = _band(scene, room, found, frame, index, station.name, y, narrow)
    y = _axis(scene, room, route, frame, y, narrow)
    scene.height = float(np.ceil(y + 8))
    return scene


def _heading(scene: Scene, room: Room, found: Debrief, route: Route, frame: Frame, narrow: bool) -> float:
    left, y = (8.0 if narrow else frame.left), 4.0
    size = 13.0 if narrow else HEAD
    said = f"{found.plan.title}: {km(route.length_m)}, {hours(route.ride_time_s)}. {' '.join(found.sentences[:1])}"
    for line in wrapped(said, size, scene.width - left - 8, True):
        y += size + 4
        room.put([Text(left, y, line, size, bold=True)])
    y += 3
    for line in wrapped(HOW, SMALL, scene.width - left - 8):
        y += SMALL + 4
        room.put([Text(left, y, line, SMALL, "quiet")])
    return y + 12


def _curve(route: Route, frame: Frame, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    x = np.linspace(frame.left, frame.right, int((frame.right - frame.left) / 1.5) + 1)
    at = np.linspace(0, frame.end_s, len(x))
    row = np.clip(np.searchsorted(route.samples.time_s, at, side="right") - 1, 0, len(values) - 1)
    return x, np.asarray(values, dtype=float)[row]


def _filled(scene: Scene, x: np.ndarray, y: np.ndarray, base: float, color: str, opacity: float) -> None:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.isfinite(y).astype(int), [0]])))
    for a, b in zip(edges[::2], edges[1::2]):
        if b - a > 1:
            curve = np.stack([x[a:b], y[a:b]], axis=1)
            scene.add(Area((np.vstack([[(x[a], base)], curve, [(x[b - 1], base)]]),), color, opacity))


def _ground(scene: Scene, room: Room, route: Route, frame: Frame, y: float, height: float) -> float:
    x, ground = _curve(route, frame, route.samples.elevation_m)
    known = ground[np.isfinite(ground)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 1.0)
    step = nice_step(max(high - low, 40.0), 3)
    floor = np.floor(low / step) * step
    span = max(high - floor, 40.0) * 1.1
    base = y + height
    line = base - (ground - floor) / span * height
    _filled(scene, x, line, base, "ground", 1.0)
    good = np.isfinite(line)
    if good.any():
        scene.add(Line((np.stack([x[good], line[good]], axis=1),), width=1.3))
    scene.line([(frame.left, y), (frame.left, base), (frame.right, base)], width=1.0)
    for metres in np.arange(floor, high + 1e-6, step):
        at = base - (metres - floor) / span * height
        scene.line([(frame.left - 4, at), (frame.left, at)], width=1.0)
        room.put([Text(frame.left - 7, at + 4, f"{metres:.0f}", SMALL, anchor="end")])
    room.put([Text(frame.left - 7, y + 4, "m", SMALL, "quiet", anchor="end")])
    return base


def _band(
    scene: Scene, room: Room, found: Debrief, frame: Frame, index: int, name: str, y: float, narrow: bool
) -> float:
    route, station = found.plan.routes[0], found.plan.stations[index]
    color, height = accent(index), 62.0
    if narrow:
        y += 16
        scene.area(marker_ring(marker(index), frame.left + 5, y - 5, 4.5), color)
        room.put(
            [
                Text(
                    frame.left + 15,
                    y - 1,
                    shortened(f"{station.letter}  {name}", BODY, 250, True),
                    BODY,
                    color,
                    bold=True,
                )
            ]
        )
        y += 6
    else:
        scene.area(marker_ring(marker(index), frame.left - 52, y + 20, 4.5), color)
        room.put([Text(frame.left - 30, y + 24, station.letter, BODY, color, bold=True, anchor="end")])
        room.put(
            [
                Text(
                    frame.left - 26,
                    y + 40,
                    shortened(name, BODY, frame.left - 30, True),
                    BODY,
                    color,
                    bold=True,
                    anchor="end",
                )
            ]
        )
    base = y + height
    samples = route.samples.stations.get(name)
    if samples is not None:
        for column, opacity in ((samples.chance_from, 0.25), (samples.chance_to, 0.5)):
            x, chance = _curve(route, frame, column)
            _filled(scene, x, base - chance * height, base, color, opacity)
    for level in (0.0, 0.5, 1.0):
        at = base - level * height
        scene.line([(frame.left, at), (frame.right, at)], "hair", 0.6, dash=(1.0, 2.2) if level == 0.5 else ())
        room.put([Text(frame.left - 6, at + 3, f"{level * 10:g}", SMALL, anchor="end")])
    for report in (r for r in found.heard if r.station == name and r.beacon):
        _stick(scene, frame, report, base, height, 1.8)
    for report in (r for r in found.heard if r.station == name and not r.beacon):
        _stick(scene, frame, report, base, height, 4.2)
    return base + 14


def _stick(scene: Scene, frame: Frame, report: Heard, base: float, height: float, r: float) -> None:
    x = frame.x(report.time_s)
    end = base - height if report.worked else base
    if np.isfinite(report.chance):
        begin = base - report.chance * height
        if abs(begin - end) > 2:
            scene.line([(x, begin), (x, end)], width=1.6 if r > 3 else 0.6)
    scene.disc(x, end, r, "ink" if report.worked else "paper", edge="ink", width=1.4 if r > 3 else 0.7)


def _axis(scene: Scene, room: Room, route: Route, frame: Frame, y: float, narrow: bool) -> float:
    scene.line([(frame.left, y), (frame.right, y)], width=1.0)
    for seconds in [0.0, frame.end_s, *time_ticks(route, frame.end_s, 5 if narrow else 10)]:
        x, said = frame.x(seconds), clock(route.departs, seconds)
        half = text_width(said, BODY) / 2
        at = min(max(x, half + 1), scene.width - half - 1)
        if room.put([Text(at, y + 6 + BODY, said, BODY, anchor="middle")]):
            scene.line([(x, y), (x, y + 4)], width=1.0)
            metres = float(np.interp(seconds, route.samples.time_s, route.samples.distance_m))
            room.put([Text(at, y + 10 + 2 * BODY, f"{metres / 1000:.1f}", BODY, "quiet", anchor="middle")])
    room.put([Text(frame.left - 7, y + 10 + 2 * BODY, "km", SMALL, "quiet", anchor="end")])
    return y + 12 + 2 * BODY
