"""The ride strip: a ride along its time, with the ground, the net, overs, dead stretches and each station's chance.

How to read it: docs/reading_the_pictures.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routeplan.output.look import BODY, HEAD, SMALL, accent, marker, marker_ring, nice_step
from routeplan.output.rows import Stop, held, stops
from routeplan.output.scene import Area, Line, Room, Scene, Text, png, shortened, svg, text_width, wrapped
from routeplan.plan.value import Plan, Route, Stretch
from routeplan.plan.words import after, clock, headline, in_tenths, minutes, net_window

WIDE, PHONE = 1210.0, 360.0
STEP_PX = 1.5  # width of one drawn piece of a curve
KINDS = ("town", "village", "pass", "peak", "summit", "hamlet", "suburb")  # landmarks named first


@dataclass(frozen=True)
class Frame:
    """Where time and the rows lie on the picture."""

    left: float
    right: float
    end_s: float

    def x(self, seconds: float) -> float:
        return self.left + (self.right - self.left) * float(np.clip(seconds / self.end_s, 0, 1))


def strip_png(plan: Plan, route: Route, *, scale: float = 1.0) -> bytes:
    """The strip of one choice as PNG, 1210 pixels wide at scale 1."""
    return png(strip_scene(plan, route), scale=scale)


def strip_svg(plan: Plan, route: Route, *, width: float = WIDE, css: bool = False) -> str:
    """The strip of one choice as SVG; `css` for use inside an HTML page."""
    return svg(strip_scene(plan, route, width=width), css=css)


def strip_scene(
    plan: Plan, route: Route, *, width: float = WIDE, heading: bool = True, miles: bool = False, feet: bool = False
) -> Scene:
    """The strip of one choice, `width` pixels wide (360 to 1600); its height follows from what is on it.

    heading : the choice's letter and figures on top; without it where the page around says them.
    miles : distances along the bottom in miles. feet : heights in feet.
    """
    narrow = width < 640
    frame = Frame(40.0 if narrow else 112.0, width - (8.0 if narrow else 18.0), max(route.samples.time_s[-1], 1.0))
    scene = Scene(width, 0.0, f"Ride strip of choice {route.id}: {route.headline or headline(route)}")
    room = Room(scene)
    y = 6.0
    if heading:
        y = _heading(scene, room, plan, route, frame, y, narrow)
    y = _nets(scene, room, plan, route, frame, y)
    y = _overs(scene, room, route, frame, y)
    top = y
    y = _ground(scene, room, route, frame, y + 4, 96.0 if narrow else 168.0, unit=FEET if feet else METRES)
    y = _dead(scene, room, route, frame, y)
    for index in range(len(plan.stations)):
        y = _band(scene, room, plan, route, frame, index, y, narrow)
    _light(scene, room, route, frame, top + 4, y)
    y = _quiet(scene, room, route, frame, y)
    y = _axis(scene, room, route, frame, y, narrow, unit=MILES if miles else KILOMETRES)
    y = _landmarks(scene, room, route, frame, y)
    scene.height = float(np.ceil(y + 6))
    scene.data = {
        "route": route.id,
        "left": f"{frame.left:g}",
        "right": f"{frame.right:g}",
        "end": f"{frame.end_s:.0f}",
        "top": f"{top:.0f}",
        "bottom": f"{y:.0f}",
    }
    return scene


def brief_strip_scene(plan: Plan, route: Route, *, width: float, stations: int = 3) -> Scene:
    """A low strip for the ride card: numbers and letters only, no words, the best `stations` of the plan."""
    frame = Frame(30.0, width - 4.0, max(route.samples.time_s[-1], 1.0))
    scene = Scene(width, 0.0, f"Ride strip of choice {route.id}")
    room = Room(scene)
    y = _nets(scene, room, plan, route, frame, 0.0, brief=True)
    y = _overs(scene, room, route, frame, y, brief=True)
    top = y
    y = _ground(scene, room, route, frame, y + 3, 28.0, brief=True)
    y = _dead(scene, room, route, frame, y, brief=True)
    for index in range(min(len(plan.stations), stations)):
        y = _band(scene, room, plan, route, frame, index, y, False, brief=True)
    _light(scene, room, route, frame, top + 3, y + 4, brief=True)
    y = _axis(scene, room, route, frame, y, True, brief=True)
    scene.height = float(np.ceil(y))
    return scene


def _tall(scene: Scene) -> None:
    scene.height = 1e6  # while rows are being laid out there is always room below


def _name(scene: Scene, room: Room, frame: Frame, y: float, name: str) -> None:
    label = Text(frame.left - 7, y, name, SMALL, "quiet", anchor="end")
    room.put([label])


def _heading(scene: Scene, room: Room, plan: Plan, route: Route, frame: Frame, y: float, narrow: bool) -> float:
    _tall(scene)
    left = 8.0 if narrow else frame.left
    size = 13.0 if narrow else HEAD
    r = size * 0.72
    scene.disc(left + r, y + 0.62 * size + 4, r, "paper", edge="ink", width=1.8)
    room.put([Text(left + r, y + size + 3.5, route.id, size - 1, bold=True, anchor="middle")])
    indent = left + 2 * r + 8
    for line in wrapped(route.headline or headline(route), size, scene.width - indent - 8, True):
        y += size + 4
        room.put([Text(indent, y, line, size, bold=True)])
    y += 3
    for line in wrapped(_how_to_read(plan, route), SMALL, scene.width - left - 8):
        y += SMALL + 4
        room.put([Text(left, y, line, SMALL, "quiet")])
    return y + 10


def _how_to_read(plan: Plan, route: Route) -> str:
    words = [
        "Bands: chance of contact in tenths. Dark: hears you. Light: you hear it.",
        f"Dashed: {in_tenths(plan.contact_chance)}. Dotted: 1 in 2.",
    ]
    if route.samples.walking.any():
        words.append("Short bars: on foot.")
    if route.samples.repeated.any():
        words.append("Double line: out and back.")
    return " ".join(words)


def _nets(scene: Scene, room: Room, plan: Plan, route: Route, frame: Frame, y: float, brief: bool = False) -> float:
    """Brackets of the nets; an end that lies outside the ride is left open with an arrow."""
    _tall(scene)
    seen = [(net, b, e) for net, (b, e) in zip(plan.nets, net_window(route, plan)) if e > 0 and b < frame.end_s]
    if not seen:
        return y
    rows: list[float] = []
    for net, begin, end in sorted(seen, key=lambda item: item[1]):
        row = next((k for k, until in enumerate(rows) if until < begin), len(rows))
        rows[row : row + 1] = [end]
        line_y = y + (5 + 9 * row if brief else 21 + 24 * row)
        a, b = frame.x(begin), frame.x(end)
        scene.line([(a, line_y), (b, line_y)], width=2.0)
        for x, inside, turn in ((a, begin >= 0, 1), (b, end <= frame.end_s, -1)):
            if inside:
                scene.line([(x, line_y - 5), (x, line_y + 5)], width=2.0)
            else:
                scene.line([(x + 5 * turn, line_y - 4), (x, line_y), (x + 5 * turn, line_y + 4)], width=2.0)
        if brief:
            continue
        times = f"{net.begins:%H:%M}-{net.ends:%H:%M}"
        texts = [f"{net.name} {times}", f"net {times}", times, f"net {net.begins:%H:%M}"]
        half = [text_width(text, BODY, True) / 2 for text in texts]
        middles = [min(max((a + b) / 2, frame.left + h), frame.right - h) for h in half]
        room.put([Text(m, line_y - 8, t, BODY, bold=True, anchor="middle") for m, t in zip(middles, texts)])
    if brief:
        return y + 9 * len(rows) + 1
    if len(rows) == 1:
        _name(scene, room, frame, y + 24, "net")
    return y + 24 * len(rows) + 5


def _stretch_labels(frame: Frame, stretch: Stretch, y: float, size: float, color: str = "ink") -> list[Text]:
    """`3 · 12 min` where the stretch is long enough for it, or the label alone; never outside the frame."""
    out = []
    begin, end = frame.x(stretch.begin_s), frame.x(stretch.end_s)
    middle = (begin + end) / 2
    for text in (f"{stretch.label} · {max(1, minutes(stretch.end_s - stretch.begin_s))} min", stretch.label):
        half = text_width(text, size) / 2
        if text != stretch.label and half > (end - begin) / 2 + 5:
            continue
        out.append(Text(min(max(middle, frame.left + half), frame.right - half), y, text, size, color, anchor="middle"))
    return out


def _longest_first(stretches: tuple[Stretch, ...]) -> list[Stretch]:
    return sorted(stretches, key=lambda s: (s.begin_s - s.end_s, s.begin_s))


def _overs(scene: Scene, room: Room, route: Route, frame: Frame, y: float, brief: bool = False) -> float:
    _tall(scene)
    if not route.overs:
        return y
    y += SMALL + 8
    if not brief:
        _name(scene, room, frame, y + 2, "overs")
    for over in _longest_first(route.overs):
        a, b = frame.x(over.begin_s), frame.x(over.end_s)
        scene.line([(a, y), (max(b - 1.0, a + 1.5), y)], width=4.0)
    for over in _longest_first(route.overs):
        room.put(_stretch_labels(frame, over, y - 5, SMALL)[-1 if brief else 0 :])
    return y + 5


def _curve(route: Route, frame: Frame, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """x [px] and the column's value there, NaN where the nearest sample is not known."""
    time_s, values = held(route.samples, values)
    x = np.linspace(frame.left, frame.right, int((frame.right - frame.left) / STEP_PX) + 1)
    at = np.linspace(0, frame.end_s, len(x))
    known = np.isfinite(values)
    if not known.any():
        return x, np.full(len(x), np.nan)
    out = np.interp(at, time_s[known], values[known])
    nearest = np.searchsorted((time_s[1:] + time_s[:-1]) / 2, at)
    return x, np.where(known[np.minimum(nearest, len(known) - 1)], out, np.nan)


def _runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and past-last index of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(mask, dtype=int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist()))


def _under(x: np.ndarray, y: np.ndarray, base: float) -> list[np.ndarray]:
    """Closed rings of the area between a curve and its base, one for each run of known values."""
    rings = []
    for a, b in _runs(np.isfinite(y)):
        if b - a > 1:
            curve = np.stack([x[a:b], y[a:b]], axis=1)
            rings.append(np.vstack([[(x[a], base)], curve, [(x[b - 1], base)]]))
    return rings


def _paths(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, ...]:
    return tuple(np.stack([x[a:b], y[a:b]], axis=1) for a, b in _runs(np.isfinite(y)) if b - a > 1)


def _no_data(scene: Scene, room: Room, x: np.ndarray, y: np.ndarray, top: float, base: float) -> None:
    for a, b in _runs(~np.isfinite(y)):
        left, right = x[a], x[min(b, len(x) - 1)]
        scene.line([(left, base - 3), (right, base - 3)], "hair", 1.0, dash=(1, 4))
        if right - left > text_width("no data", SMALL) + 6:
            room.put([Text((left + right) / 2, (top + base) / 2, "no data", SMALL, "quiet", anchor="middle")])


METRES, FEET = ("m", 1.0), ("ft", 0.3048)


def _ground(
    scene: Scene,
    room: Room,
    route: Route,
    frame: Frame,
    y: float,
    height: float,
    brief: bool = False,
    unit: tuple[str, float] = METRES,
) -> float:
    _tall(scene)
    name, in_metres = unit
    x, ground = _curve(route, frame, route.samples.elevation_m / in_metres)
    if np.isfinite(ground).any():
        low, high = float(np.nanmin(ground)), float(np.nanmax(ground))
    else:
        low, high = 0.0, 1.0
    least = 40.0 / in_metres
    step = nice_step(max(high - low, least), 4)
    floor = np.floor(low / step) * step
    if floor == step:  # close to the sea: show it
        floor = 0.0
    span = max(high - floor, least) * 1.12
    base = y + height

    def up(level: np.ndarray | float) -> np.ndarray:
        return base - (np.asarray(level) - floor) / span * height

    line = up(ground)
    rings = _under(x, line, base)
    if rings:
        scene.add(Area(tuple(rings), "ground"))
        scene.add(Line(_paths(x, line), width=1.4))
    _no_data(scene, room, x, line, y, base)
    _along_ground(scene, route, frame, x, line)
    if not brief:
        for stop in stops(route):
            _stop(scene, room, frame, stop, x, line)
    scene.line([(frame.left, y), (frame.left, base), (frame.right, base)], width=1.0)
    if brief:
        room.put([Text(frame.left - 4, y + SMALL, f"{high:.0f}", SMALL, anchor="end")])
        return base + 2
    label = np.arange(floor, high + 1e-6, step)
    for level in label:
        at = float(up(level))
        scene.line([(frame.left - 4, at), (frame.left, at)], width=1.0)
        told = f" {name}" if level == label[-1] else ""
        room.put([Text(frame.left - 7, at + 4, f"{level:.0f}{told}", SMALL, anchor="end")])
    room.put([Text(frame.left - 7, y + height * 0.36, "ground", SMALL, "quiet", anchor="end")])
    return base + 3


def _stop(scene: Scene, room: Room, frame: Frame, stop: Stop, x: np.ndarray, line: np.ndarray) -> None:
    """A halt: its minutes above the ground, between two short posts."""
    a, b = frame.x(stop.begin_s), frame.x(stop.begin_s + stop.lasts_s)
    known = np.isfinite(line)
    if not known.any():
        return
    level = float(np.interp((a + b) / 2, x[known], line[known]))
    for at in (a, b):
        scene.line([(at, level - 8), (at, level)], width=1.0)
    text = f"stop {minutes(stop.lasts_s)} min"
    if text_width(text, SMALL) > b - a + 20:
        text = "stop"
    room.put([Text((a + b) / 2, level - 5, text, SMALL, anchor="middle", halo=1.0)])


def _along_ground(scene: Scene, route: Route, frame: Frame, x: np.ndarray, line: np.ndarray) -> None:
    """Short bars across the ground line where the rider walks; a second line where the way is ridden again."""
    time_s, samples = route.samples.time_s, route.samples
    known = np.isfinite(line)
    if not known.any():
        return
    bars = []
    for a, b in _runs(samples.walking):
        left, right = frame.x(time_s[max(a - 1, 0)]), frame.x(time_s[b - 1])
        for at in np.arange(left + 1, max(right, left + 1.5), 4.0):
            middle = float(np.interp(at, x[known], line[known]))
            bars.append(np.array([(at, middle - 4), (at, middle + 4)]))
    if bars:
        scene.add(Line(tuple(bars), width=1.2))
    doubled = []
    for a, b in _runs(samples.repeated):
        left, right = frame.x(time_s[max(a - 1, 0)]), frame.x(time_s[b - 1])
        at = np.linspace(left, right, max(2, int((right - left) / STEP_PX)))
        doubled.append(np.stack([at, np.interp(at, x[known], line[known]) - 3.5], axis=1))
    if doubled:
        scene.add(Line(tuple(doubled), width=1.2))


def _dead(scene: Scene, room: Room, route: Route, frame: Frame, y: float, brief: bool = False) -> float:
    _tall(scene)
    if not route.dead_stretches:
        return y + 3
    y += 6
    letters = []
    if brief:  # the letter stands among its dots
        for stretch in _longest_first(route.dead_stretches):
            letter = _stretch_labels(frame, stretch, y + 3.6, SMALL)[-1]
            if letter.text and room.put([letter]):
                letters.append(letter.box())
    r = 1.6
    for stretch in route.dead_stretches:
        a, b = frame.x(stretch.begin_s), frame.x(stretch.end_s)
        for x in np.arange(a, max(b - 2 * r, a) + 1e-6, 6.0) + r:
            if not any(left - r - 1 < x < right + r + 1 for left, _, right, _ in letters):
                scene.disc(x, y, r, "ink")
    if brief:
        return y + 9
    _name(scene, room, frame, y + 8, "dead")
    for stretch in _longest_first(route.dead_stretches):
        room.put(_stretch_labels(frame, stretch, y + 6 + SMALL, SMALL))
    return y + SMALL + 12


def _band(
    scene: Scene,
    room: Room,
    plan: Plan,
    route: Route,
    frame: Frame,
    index: int,
    y: float,
    narrow: bool,
    brief: bool = False,
) -> float:
    """One station: chance in both directions over time."""
    _tall(scene)
    station = plan.stations[index]
    columns = route.samples.stations.get(station.name)
    color, height = accent(index), 22.0 if brief else 44.0 if narrow else 58.0
    if narrow:  # the name stands above its band
        _station_name(
            scene, room, station.name, station.letter, index, frame.left, y + 12, frame.right - frame.left, "start"
        )
        y += 17
    base = y + height
    if columns is not None:
        x, to = _curve(route, frame, columns.chance_to)
        _, back = _curve(route, frame, columns.chance_from)
        light, dark = base - back * height, base - to * height
        for line, opacity in ((light, 0.30), (dark, 0.72)):
            rings = _under(x, line, base)
            if rings:
                scene.add(Area(tuple(rings), color, opacity))
        if _paths(x, light):
            scene.add(Line(_paths(x, light), color, 1.0))
        _no_data(scene, room, x, np.where(np.isfinite(dark), light, np.nan), y, base)
    for chance, dash in ((plan.contact_chance, (4.0, 2.5)), (0.5, (1.0, 2.2))):
        at = base - chance * height
        scene.line([(frame.left, at), (frame.right, at)], width=0.8, dash=dash)
        if brief:
            continue
        scene.line([(frame.left - 3, at), (frame.left, at)], width=0.8)
        room.put([Text(frame.left - 6, at + 3, f"{chance * 10:g}", SMALL, anchor="end")])
    scene.line([(frame.left, y), (frame.left, base), (frame.right, base)], width=1.0)
    if brief:
        scene.area(marker_ring(marker(index), frame.left - 22, base - height / 2, 3.8), color)
        room.put([Text(frame.left - 5, base - height / 2 + 4, station.letter, BODY, color, bold=True, anchor="end")])
        return base + 5
    room.put([Text(frame.left - 6, base + 3, "0", SMALL, anchor="end")])
    if not narrow:
        _station_name(
            scene, room, station.name, station.letter, index, frame.left - 26, y + height / 2, frame.left - 44, "end"
        )
    return base + 9


def _station_name(
    scene: Scene, room: Room, name: str, letter: str, index: int, x: float, y: float, width: float, anchor: str
) -> None:
    """Marker, letter and name in the station's accent; a long name takes two lines, or three small ones."""
    color, r = accent(index), 4.5
    if anchor == "start":
        scene.area(marker_ring(marker(index), x + r, y - 4, r), color)
        room.put([Text(x + 14, y, shortened(f"{letter}  {name}", BODY, width - 14, True), BODY, color, bold=True)])
        return
    size, lead, lines = BODY, 13, wrapped(name, BODY, width, True)
    if len(lines) > 2 or any(text_width(line, BODY, True) > width for line in lines):
        size, lead, lines = SMALL, 11, wrapped(name, SMALL, width, True)
        lines = [*lines[:2], " ".join(lines[2:])] if len(lines) > 3 else lines
    y -= lead * len(lines) / 2
    mark = text_width(letter, BODY, True) + 7 + 2 * r
    scene.area(marker_ring(marker(index), x - mark + r, y, r), color)
    room.put([Text(x, y + 4, letter, BODY, color, bold=True, anchor="end")])
    for k, line in enumerate(lines):
        said = shortened(line, size, width, True)
        room.put([Text(x, y + 5 + lead * (k + 1), said, size, color, bold=True, anchor="end")])


def _light(
    scene: Scene, room: Room, route: Route, frame: Frame, top: float, bottom: float, brief: bool = False
) -> None:
    """Shade after sunset; a line where lights are wanted."""
    _tall(scene)
    if route.sunset_s is not None and route.sunset_s < frame.end_s:
        a = frame.x(route.sunset_s)
        scene.box(a, top, frame.right - a, bottom - top - 9, "ink", 0.10)
        if not brief:
            _light_label(scene, room, frame, a, top, f"sunset {clock(route.departs, route.sunset_s)}")
    if route.lights_from_s is not None and 0 < route.lights_from_s < frame.end_s:
        b = frame.x(route.lights_from_s)
        scene.line([(b, top), (b, bottom - 9)], width=0.8, dash=(6, 2, 1, 2))
        if scene.width >= 640:
            _light_label(scene, room, frame, b, top + SMALL + 3, f"lights {clock(route.departs, route.lights_from_s)}")


def _light_label(scene: Scene, room: Room, frame: Frame, x: float, top: float, text: str) -> None:
    y = top + SMALL + 1
    room.put([Text(x + 3, y, text, SMALL, halo=1.5), Text(x - 3, y, text, SMALL, anchor="end", halo=1.5)])


def _quiet(scene: Scene, room: Room, route: Route, frame: Frame, y: float) -> float:
    _tall(scene)
    height = 18.0
    _name(scene, room, frame, y + height / 2 + 4, "quiet")
    taken: list[list[float]] = []
    for begin_s, end_s in _ridden_parts(route):
        a, b = frame.x(begin_s), max(frame.x(end_s), frame.x(begin_s) + 2.5)
        if taken and a - taken[-1][1] < 1.5:
            taken[-1][1] = max(b, taken[-1][1])
        else:
            taken.append([a, b])
    for a, b in taken:
        b = min(b, frame.right)
        scene.hatch(min(a, b - 2.5), y, max(b - a, 2.5), height)
    return y + height + 2


def _ridden_parts(route: Route) -> list[tuple[float, float]]:
    """Begin and end [s] of the quiet zones, in order, without the halts in them: who stands there may talk."""
    parts = [(zone.begin_s, zone.end_s) for zone in route.quiet_zones]
    for stop in stops(route):
        a, b = stop.begin_s, stop.begin_s + stop.lasts_s
        cut = [((begin, min(end, a)), (max(begin, b), end)) for begin, end in parts]
        parts = [part for pair in cut for part in pair if part[1] > part[0]]
    return sorted(parts)


def time_ticks(route: Route, end_s: float, most: int) -> list[float]:
    """Seconds after departure of round wall-clock times, at most `most` of them."""
    step = next((s for s in (300, 600, 900, 1800, 3600, 7200, 14400, 28800) if end_s / s <= most), 86400)
    local = after(route.departs, 0)
    past = (local.hour * 3600 + local.minute * 60 + local.second) % step
    return list(np.arange(step - past if past else 0.0, end_s + 1, step))


KILOMETRES, MILES = ("km", 1000.0), ("mi", 1609.344)


def _axis(
    scene: Scene,
    room: Room,
    route: Route,
    frame: Frame,
    y: float,
    narrow: bool,
    brief: bool = False,
    unit: tuple[str, float] = KILOMETRES,
) -> float:
    """Clock times, and the kilometres (or miles) reached by then."""
    _tall(scene)
    scene.line([(frame.left, y), (frame.right, y)], width=1.0)
    ticks = time_ticks(route, frame.end_s, 5 if narrow else 10)
    for seconds in [0.0, frame.end_s, *ticks]:
        x = frame.x(seconds)
        time, km = (
            clock(route.departs, seconds),
            f"{np.interp(seconds, route.samples.time_s, route.samples.distance_m) / unit[1]:.1f}",
        )
        half = text_width(time, BODY) / 2
        at = min(max(x, half + 1), scene.width - half - 1)
        if room.put([Text(at, y + 6 + BODY, time, BODY, anchor="middle")]):
            scene.line([(x, y), (x, y + 4)], width=1.0)
            if not brief:
                room.put([Text(at, y + 10 + 2 * BODY, km, BODY, "quiet", anchor="middle")])
    if brief:
        return y + 8 + BODY
    _name(scene, room, frame, y + 6 + BODY, "time")
    _name(scene, room, frame, y + 10 + 2 * BODY, unit[0])
    return y + 14 + 2 * BODY


def _landmarks(scene: Scene, room: Room, route: Route, frame: Frame, y: float) -> float:
    """Names of places passed, the larger ones first, as far as there is room."""
    _tall(scene)
    order = sorted(route.landmarks, key=lambda m: (KINDS.index(m.kind) if m.kind in KINDS else len(KINDS), m.time_s))
    drawn = False
    for mark in order:
        half = text_width(mark.name, SMALL) / 2
        x = min(max(frame.x(mark.time_s), frame.left + half), frame.right - half)
        if half * 2 < frame.right - frame.left and room.put(
            [Text(x, y + SMALL + 5, mark.name, SMALL, "quiet", anchor="middle")]
        ):
            scene.line([(frame.x(mark.time_s), y), (frame.x(mark.time_s), y + 5)], "hair", 1.0)
            drawn = True
    return y + SMALL + 8 if drawn else y
