"""The map: grey relief, woods, water, streets, reach of the contact rule, stations and the rides.

Contact is told by the form of the line first: full, thin, round dots; doubled where it is ridden again, short bars
where the rider walks. How to read it: docs/reading_the_pictures.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from routeplan.output.look import BODY, HEAD, PAPER, SMALL, accent, marker, marker_ring, nice_step
from routeplan.output.rows import called, calling_places
from routeplan.output.scene import Area, Image, Line, Room, Scene, Text, png, shortened, text_width, wrapped
from routeplan.plan.background import FLATTEST, TALLEST
from routeplan.plan.value import Background, Plan, PlannedStation, Route, Samples
from routeplan.plan.words import credit, headline, in_tenths

WOODS_M = 12.0  # cover of this height and more is stippled as woods
TOWNS_FIRST = ("city", "town", "village", "peak", "hamlet", "suburb", "isolated_dwelling", "locality")


@dataclass(frozen=True)
class View:
    """Where working coordinates lie on the picture: x_px = left + (x - west_m) * scale, y downwards from north_m."""

    west_m: float
    north_m: float
    scale: float  # pixels per metre
    left: float
    top: float
    width: float
    height: float

    def xy(self, x_m: Any, y_m: Any) -> np.ndarray:
        """(..., 2) pixels of points in working coordinates."""
        across = self.left + (np.asarray(x_m) - self.west_m) * self.scale
        down = self.top + (self.north_m - np.asarray(y_m)) * self.scale
        return np.stack([across, down], axis=-1)

    def holds(self, point: np.ndarray, margin: float = 0.0) -> bool:
        x, y = point
        return bool(
            self.left + margin <= x <= self.left + self.width - margin
            and self.top + margin <= y <= self.top + self.height - margin
        )


def map_png(plan: Plan, *, route: Route | None = None, scale: float = 1.0, width: float = 1200.0) -> bytes:
    """The map as PNG with one choice on top (by default the first), the others thin and grey."""
    return png(map_scene(plan, route=route, width=width), scale=scale)


def map_view(plan: Plan, *, width: float, left: float = 0.0, top: float = 0.0) -> View:
    """The part of the area that holds all rides and the stations that are not too far off."""
    x = np.concatenate([route.samples.x_m for route in plan.routes] or [np.array([s.x_m for s in plan.stations])])
    y = np.concatenate([route.samples.y_m for route in plan.routes] or [np.array([s.y_m for s in plan.stations])])
    west, east, south, north = float(x.min()), float(x.max()), float(y.min()), float(y.max())
    reach = 0.6 * max(east - west, north - south, 3000.0)
    for station in plan.stations:
        if west - reach < station.x_m < east + reach and south - reach < station.y_m < north + reach:
            west, east = min(west, station.x_m), max(east, station.x_m)
            south, north = min(south, station.y_m), max(north, station.y_m)
    margin = 0.07 * max(east - west, north - south, 2000.0)
    west, east, south, north = west - margin, east + margin, south - margin, north + margin
    if plan.background is not None:  # nothing is drawn beyond the area
        b, half = plan.background, plan.background.step_m / 2
        rows, cols = b.elevation_m.shape
        edge_east, edge_south = b.west_m + cols * b.step_m - half, b.north_m - rows * b.step_m + half
        if b.west_m - half < x.min() and x.max() < edge_east and edge_south < y.min() and y.max() < b.north_m + half:
            west, east = max(west, b.west_m - half), min(east, edge_east)
            south, north = max(south, edge_south), min(north, b.north_m + half)
    tall = min(max(north - south, FLATTEST * (east - west)), TALLEST * (east - west))
    if north - south > tall:  # a long narrow ride from north to south: widen the view
        middle, half = (west + east) / 2, (north - south) / TALLEST / 2
        west, east, tall = middle - half, middle + half, north - south
    north = (south + north) / 2 + tall / 2
    scale = width / (east - west)
    return View(west, north, scale, left, top, width, float(np.round(tall * scale)))


def map_scene(
    plan: Plan, *, route: Route | None = None, width: float = 1200.0, heading: bool = True, base: bool = True
) -> Scene:
    """The map, `width` pixels wide. base=False leaves out what lies beneath the rides (for pages that draw it once)."""
    narrow = width < 640
    route = route if route is not None else (plan.routes[0] if plan.routes else None)
    scene = Scene(
        width, 1e6, "Map" if route is None else f"Map of choice {route.id}: {route.headline or headline(route)}"
    )
    room = Room(scene, margin=2.0)
    side = 0.0 if narrow else 14.0
    top = _heading(scene, room, route, side, narrow) if heading and route is not None else 0.0
    view = map_view(plan, width=width - 2 * side, left=side, top=top)
    if base and plan.background is not None:
        scene.add(*base_items(plan.background, view, plan.contact_chance))
    if route is not None:
        for other in plan.routes:
            if other.id != route.id:
                scene.add(
                    Line((_thinned(view.xy(other.samples.x_m, other.samples.y_m), 2.0),), "quiet", 1.2, round=True)
                )
        scene.add(*ride_items(route.samples, view, plan.contact_chance))
    _mask(scene, view)
    _take_frame(scene, room, view)
    if route is not None:
        _labels(scene, room, plan, route, view, narrow)
    bottom = _footer(scene, room, plan, view, side, narrow)
    scene.height = float(np.ceil(bottom + 6))
    if route is not None:
        scene.data = {"map": route.id}
    return scene


def _heading(scene: Scene, room: Room, route: Route, side: float, narrow: bool) -> float:
    size = 13.0 if narrow else HEAD
    r, left, y = size * 0.72, side + 4, 4.0
    scene.disc(left + r, y + 0.62 * size + 4, r, "paper", edge="ink", width=1.8)
    room.put([Text(left + r, y + size + 3.5, route.id, size - 1, bold=True, anchor="middle")])
    for line in wrapped(route.headline or headline(route), size, scene.width - left - 2 * r - 16, True):
        y += size + 4
        room.put([Text(left + 2 * r + 8, y, line, size, bold=True)])
    return y + 12


# --- beneath the rides -----------------------------------------------------------------------------------------


def base_items(background: Background, view: View, contact_chance: float) -> list[Any]:
    """Water, relief, woods, streets and the reach of the rule, clipped to nothing: `view` is masked later."""
    cut = _crop(background, view)
    if cut is None:
        return []
    elevation, cover, sea, x, y = cut
    items: list[Any] = []
    corner_a, corner_b = view.xy(x[0], y[0]), view.xy(x[-1], y[-1])
    half = (x[1] - x[0]) / 2 * view.scale
    place = (
        corner_a[0] - half,
        corner_a[1] - half,
        corner_b[0] - corner_a[0] + 2 * half,
        corner_b[1] - corner_a[1] + 2 * half,
    )
    items.append(Image(*place, _relief(elevation, sea, x[1] - x[0]), role="relief"))
    wet = np.pad(sea.astype(float), 1, mode="edge")  # to the edge of the outermost cells
    wet_x, wet_y = (np.concatenate([[2 * v[0] - v[1]], v, [2 * v[-1] - v[-2]]]) for v in (x, y))
    shore = _lines(wet_x, wet_y, wet, 0.5, view)
    water = _filled(wet_x, wet_y, wet, 0.5, 2.0, view)
    if water:
        items.append(Area(tuple(water), "water", role="water"))
        items.append(Line(tuple(shore), "hair", 1.0))
    dots = _stipple(cover, sea, x, y, view)
    if len(dots):
        items.append(Line(tuple(dots), "quiet", 1.3, round=True, opacity=0.6, role="woods"))
    items += _streets(background, view)
    items += _reach(background, view, contact_chance)
    return items


def _crop(background: Background, view: View) -> Any:
    """The rasters inside the view, thinned to about one cell per pixel; None where the view lies outside."""
    step, (rows, cols) = background.step_m, background.elevation_m.shape
    first = max(0, int((view.west_m - background.west_m) / step) - 1)
    last = min(cols, int((view.west_m + view.width / view.scale - background.west_m) / step) + 3)
    upper = max(0, int((background.north_m - view.north_m) / step) - 1)
    lower = min(rows, int((background.north_m - view.north_m + view.height / view.scale) / step) + 3)
    if last - first < 3 or lower - upper < 3:
        return None
    thin = max(1, int(np.floor(1.2 / (step * view.scale))))
    window = (slice(upper, lower, thin), slice(first, last, thin))
    x = background.west_m + np.arange(first, last, thin) * step
    y = background.north_m - np.arange(upper, lower, thin) * step
    return background.elevation_m[window], background.cover_m[window], background.sea[window], x, y


def _relief(elevation: np.ndarray, sea: np.ndarray, step_m: float) -> np.ndarray:
    """Ink laid on thinly by the slope's turn from a light in the north-west, (rows, cols, 4) uint8."""
    z = np.where(np.isfinite(elevation), elevation, np.nanmin(elevation) if np.isfinite(elevation).any() else 0.0)
    down, right = np.gradient(z.astype(float), step_m)
    slope = np.hypot(down, right)
    steep = np.percentile(slope[~sea], 97) if (~sea).any() else 1.0
    stretch = 0.75 / max(steep, 0.05)  # gentle country is drawn as clearly as mountains
    right, down = right * stretch, down * stretch
    light = (0.5 * right + 0.5 * down + 0.707) / np.sqrt(1 + right**2 + down**2)
    dark = np.clip((0.80 - light) * 0.62, 0.0, 0.55)
    ink = tuple(int(PAPER["ink"][k : k + 2], 16) for k in (1, 3, 5))
    out = np.empty((*z.shape, 4), dtype=np.uint8)
    out[..., :3] = ink
    out[..., 3] = np.where(sea, 0, np.round(dark * 32) / 32 * 255)
    return out


def _contours(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> Any:
    from contourpy import FillType, LineType, contour_generator

    return contour_generator(x, y, np.ma.masked_invalid(z), line_type=LineType.Separate, fill_type=FillType.OuterOffset)


def _lines(
    x: np.ndarray, y: np.ndarray, z: np.ndarray, level: float, view: View, shortest_px: float = 10.0
) -> list[np.ndarray]:
    out = []
    for line in _contours(x, y, z).lines(level):
        path = view.xy(line[:, 0], line[:, 1])
        if np.hypot(*np.diff(path, axis=0).T).sum() >= shortest_px:
            out.append(_thinned(path, 1.5))
    return out


def _filled(x: np.ndarray, y: np.ndarray, z: np.ndarray, low: float, high: float, view: View) -> list[np.ndarray]:
    points, offsets = _contours(x, y, z).filled(low, high)
    rings = []
    for polygon, cuts in zip(points, offsets):
        for a, b in pairwise(cuts):
            ring = _thinned(view.xy(polygon[a:b, 0], polygon[a:b, 1]), 1.5)
            if len(ring) > 3:
                rings.append(ring)
    return rings


def _thinned(path: np.ndarray, grid_px: float) -> np.ndarray:
    """A path without the points that fall into the pixel of the point before; both ends stay."""
    cell = np.round(path / grid_px)
    keep = np.ones(len(path), dtype=bool)
    keep[1:] = (np.diff(cell, axis=0) != 0).any(axis=1)
    keep[-1] = True
    return path[keep]


def _stipple(cover: np.ndarray, sea: np.ndarray, x: np.ndarray, y: np.ndarray, view: View) -> list[np.ndarray]:
    """Dots on woods: a jittered lattice, the same for the same view."""
    step = 6.0
    rows, cols = int(view.height / step), int(view.width / step)
    jitter = np.random.default_rng(7).uniform(-1.6, 1.6, (2, rows, cols))
    across = view.left + (np.arange(cols) + 0.5 + 0.5 * (np.arange(rows)[:, None] % 2)) * step + jitter[0]
    down = view.top + (np.arange(rows)[:, None] + 0.5) * step + jitter[1]
    col = np.round((view.west_m + (across - view.left) / view.scale - x[0]) / (x[1] - x[0])).astype(int)
    row = np.round((y[0] - view.north_m + (down - view.top) / view.scale) / (y[0] - y[1])).astype(int)
    inside = (col >= 0) & (col < len(x)) & (row >= 0) & (row < len(y))
    row, col = np.clip(row, 0, len(y) - 1), np.clip(col, 0, len(x) - 1)
    woods = inside & (cover[row, col] >= WOODS_M) & ~sea[row, col]
    dots = np.stack([across[woods], down[woods]], axis=-1)
    return list(np.stack([dots, dots + np.array([0.5, 0.0])], axis=1))


def _streets(background: Background, view: View) -> list[Line]:
    """Hair lines, three widths by class; points that fall into one pixel are drawn once."""
    lines = background.street_lines
    if not lines:
        return []
    count = np.array([len(line) for line in lines])
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    points = np.concatenate(lines)
    px = view.xy(points[:, 0], points[:, 1])
    low, high = np.minimum.reduceat(px, first), np.maximum.reduceat(px, first)
    seen = (
        (high[:, 0] > view.left)
        & (low[:, 0] < view.left + view.width)
        & (high[:, 1] > view.top)
        & (low[:, 1] < view.top + view.height)
    )
    cell = np.round(px / 1.2)
    keep = np.ones(len(px), dtype=bool)
    keep[1:] = (np.diff(cell, axis=0) != 0).any(axis=1)
    keep[first] = True
    keep[first + count - 1] = True
    keep &= np.repeat(seen, count)
    line_of = np.repeat(np.arange(len(lines)), count)[keep]
    kept = px[keep]
    parts = np.split(kept, np.flatnonzero(np.diff(line_of)) + 1) if len(kept) else []
    kinds = (
        np.asarray(background.street_class)[line_of[np.concatenate([[0], np.flatnonzero(np.diff(line_of)) + 1])]]
        if parts
        else []
    )
    out, fine = [], float(np.clip(view.width / 1000, 0.55, 1.0))
    for kind, width, opacity in ((0, 0.6, 0.55), (1, 0.9, 0.75), (2, 1.5, 0.9)):
        chosen = tuple(part for part, k in zip(parts, kinds) if k == kind and len(part) > 1)
        if chosen:
            out.append(Line(chosen, "hair", width * fine, opacity=opacity, role="street"))
    return out


def _reach(background: Background, view: View, contact_chance: float) -> list[Any]:
    """Where the rule holds: dashed at the chance that counts, dotted at 1 in 2, level hair lines over dead ground."""
    chance = background.chance
    if chance is None or chance.shape[0] < 3 or chance.shape[1] < 3:
        return []
    rows, cols = background.elevation_m.shape
    step_x = background.step_m * cols / chance.shape[1]
    step_y = background.step_m * rows / chance.shape[0]
    x = background.west_m - background.step_m / 2 + (np.arange(chance.shape[1]) + 0.5) * step_x
    y = background.north_m + background.step_m / 2 - (np.arange(chance.shape[0]) + 0.5) * step_y
    col = np.clip(((x - background.west_m) / background.step_m).round().astype(int), 0, cols - 1)
    row = np.clip(((background.north_m - y) / background.step_m).round().astype(int), 0, rows - 1)
    land = np.where(background.sea[np.ix_(row, col)], np.nan, chance)
    items: list[Any] = []
    ruled = _ruled(x, y, land, view)
    if ruled:
        items.append(Line(tuple(ruled), "quiet", 0.6, opacity=0.7, role="dead"))
    for level, dash in ((0.5, (0.9, 2.6)), (contact_chance, (5.0, 3.0))):
        lines = _lines(x, y, land, level, view, shortest_px=60.0)
        if lines:
            items.append(Line(tuple(lines), "ink", 0.9, dash=dash, opacity=0.8, role="reach"))
    return items


def _ruled(x: np.ndarray, y: np.ndarray, chance: np.ndarray, view: View) -> list[np.ndarray]:
    """Level hair lines over dead ground: seen in a black-and-white print, and told from relief by its form."""
    across = np.arange(view.left, view.left + view.width + 1, 2.0)
    down = np.arange(view.top + 3, view.top + view.height, 6.0)
    col = (view.west_m + (across - view.left) / view.scale - x[0]) / (x[1] - x[0])
    row = (y[0] - view.north_m + (down - view.top) / view.scale) / (y[0] - y[1])
    left, upper = np.floor(col).astype(int), np.floor(row).astype(int)
    inside = ((left >= 0) & (left < len(x) - 1))[None, :] & ((upper >= 0) & (upper < len(y) - 1))[:, None]
    left, upper = np.clip(left, 0, len(x) - 2), np.clip(upper, 0, len(y) - 2)
    a, b = (col - left)[None, :], (row - upper)[:, None]
    corner = [chance[np.ix_(upper + i, left + j)] for i in (0, 1) for j in (0, 1)]
    value = (corner[0] * (1 - a) + corner[1] * a) * (1 - b) + (corner[2] * (1 - a) + corner[3] * a) * b
    dead = inside & (value < 0.5)
    edges = np.diff(np.pad(dead.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    rows, first = np.nonzero(edges == 1)
    _, last = np.nonzero(edges == -1)
    return [
        np.array([(across[i], down[k]), (across[j - 1], down[k])]) for k, i, j in zip(rows, first, last) if j - i > 2
    ]


# --- the rides ---------------------------------------------------------------------------------------------------


def contact_classes(samples: Samples, contact_chance: float) -> np.ndarray:
    """Of each step between samples: 2 in contact, 1 weak, 0 dead, -1 no data, (n - 1,)."""
    middle = (samples.chance[1:] + samples.chance[:-1]) / 2
    return np.where(np.isnan(middle), -1, np.where(middle >= contact_chance, 2, np.where(middle >= 0.5, 1, 0)))


def ride_items(samples: Samples, view: View, contact_chance: float) -> list[Any]:
    """The ride: line form by contact, doubled where ridden again, short bars where walked, arrows for its sense."""
    px = view.xy(samples.x_m, samples.y_m)
    kind = contact_classes(samples, contact_chance)
    again = samples.repeated[1:] & samples.repeated[:-1]
    items: list[Any] = [Line((_thinned(px, 0.7),), "paper", 6.5, round=True, opacity=0.85)]
    for doubled in (False, True):
        paths: dict[int, list[np.ndarray]] = {-1: [], 0: [], 1: [], 2: []}
        keys = np.where(again == doubled, kind, 9)
        edges = np.concatenate([[0], np.flatnonzero(np.diff(keys)) + 1, [len(keys)]])
        for a, b in pairwise(edges):
            if b > a and keys[a] != 9:
                path = _thinned(px[a : b + 1], 0.7)
                if doubled and len(path) > 1:
                    items.append(Line((path,), "paper", 8.0, round=True))
                    paths[int(keys[a])] += [_beside(path, 2.4), _beside(path, -2.4)]
                else:
                    paths[int(keys[a])].append(path)
        thick = 1.9 if doubled else 3.4
        for form, style in (
            (2, {"width": thick, "round": True}),
            (1, {"width": 1.1 if doubled else 1.4, "round": True}),
            (0, {"width": 2.2 if doubled else 3.6, "dash": (0.0, 4.6 if doubled else 6.6), "round": True}),
            (-1, {"width": 1.0, "dash": (3.0, 3.0)}),
        ):
            if paths[form]:
                items.append(Line(tuple(paths[form]), "ink", **style))  # type: ignore[arg-type]
    items += _bars(samples, px)
    items += _arrows(px)
    return items


def _beside(path: np.ndarray, offset: float) -> np.ndarray:
    """The path shifted to its side by `offset` pixels."""
    along = np.gradient(path, axis=0)
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)
    return path + offset * np.stack([-along[:, 1], along[:, 0]], axis=1) / length[:, None]


def _spots(px: np.ndarray, first: float, every: float) -> tuple[np.ndarray, np.ndarray]:
    """Points along a path at equal distances, and the unit vectors along it there."""
    steps = np.diff(px, axis=0)
    along = np.concatenate([[0], np.cumsum(np.hypot(steps[:, 0], steps[:, 1]))])
    at = np.arange(first, along[-1], every)
    spots = np.stack([np.interp(at, along, px[:, 0]), np.interp(at, along, px[:, 1])], axis=1)
    ahead = np.stack([np.interp(at + 3, along, px[:, 0]), np.interp(at + 3, along, px[:, 1])], axis=1)
    back = np.stack([np.interp(at - 3, along, px[:, 0]), np.interp(at - 3, along, px[:, 1])], axis=1)
    way = ahead - back
    return spots, way / np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)[:, None]


def _bars(samples: Samples, px: np.ndarray) -> list[Line]:
    bars = []
    walked = np.concatenate([[0], np.asarray(samples.walking, dtype=int), [0]])
    edges = np.flatnonzero(np.diff(walked))
    for a, b in zip(edges[::2], edges[1::2]):
        piece = px[max(a - 1, 0) : b]
        if len(piece) > 1:
            spots, way = _spots(piece, 1.0, 5.0)
            side = np.stack([-way[:, 1], way[:, 0]], axis=1) * 4.5
            bars += list(np.stack([spots - side, spots + side], axis=1))
    return [Line(tuple(bars), "ink", 1.1)] if bars else []


def _arrows(px: np.ndarray) -> list[Any]:
    """Arrow heads beside the ride, on its right, where it does not turn sharply."""
    spots, way = _spots(px, 60.0, 130.0)
    side = np.stack([-way[:, 1], way[:, 0]], axis=1)
    out = []
    for at, along, right in zip(spots, way, side):
        tip = at + right * 8 + along * 5
        out.append(
            Area(
                (np.array([tip, tip - along * 9 + right * 3.2, tip - along * 9 - right * 3.2]),),
                "ink",
                edge="paper",
                width=0.6,
            )
        )
    return out


# --- labels and frame ------------------------------------------------------------------------------------------


def _mask(scene: Scene, view: View) -> None:
    """Paper over everything outside the frame, and the frame."""
    far = 5000.0
    outer = [
        (-far, -far),
        (scene.width + far, -far),
        (scene.width + far, view.top + view.height + far),
        (-far, view.top + view.height + far),
    ]
    inner = [
        (view.left, view.top),
        (view.left + view.width, view.top),
        (view.left + view.width, view.top + view.height),
        (view.left, view.top + view.height),
    ]
    header = [
        item
        for item in scene.items
        if isinstance(item, Text) or (isinstance(item, Area) and item.edge == "ink" and item.fill == "paper")
    ]
    scene.add(Area((np.array(outer), np.array(inner[::-1])), "paper"))
    scene.add(*header)  # the heading was painted over
    scene.line([*inner, inner[0]], width=1.0)


def _take_frame(scene: Scene, room: Room, view: View) -> None:
    right, bottom = view.left + view.width, view.top + view.height
    for box in (
        (view.left - 9, view.top, view.left + 2, bottom),
        (right - 2, view.top, right + 9, bottom),
        (view.left, bottom - 2, right, bottom + 2),
        (view.left, view.top - 2, right, view.top + 2),
    ):
        room.take(box)


def _labels(scene: Scene, room: Room, plan: Plan, route: Route, view: View, narrow: bool) -> None:
    px = view.xy(route.samples.x_m, route.samples.y_m)
    for k, station in enumerate(plan.stations):
        _station(scene, room, view, station, k)
    _corner(scene, room, view, px)
    busy = px[:: max(1, len(px) // 400)]
    line, _ = _spots(px, 0.0, 6.0)
    if view.holds(px[0]):
        closed = np.hypot(*(px[0] - px[-1])) < 30
        scene.disc(px[0][0], px[0][1], 5.0, "paper", edge="ink", width=2.0)
        room.take((px[0][0] - 6, px[0][1] - 6, px[0][0] + 6, px[0][1] + 6))
        around = _around(px[0], "start", BODY, gap=10.0, bold=True)
        _clear_of(room, line, around) or room.put(around)
        if not closed:
            scene.disc(px[-1][0], px[-1][1], 5.0, "ink", edge="ink", width=2.0)
            room.take((px[-1][0] - 6, px[-1][1] - 6, px[-1][0] + 6, px[-1][1] + 6))
            _clear_of(room, line, _around(px[-1], "end", BODY, gap=10.0, bold=True))
    for k, station in enumerate(plan.stations):  # their names first clear of the ride, over it if need be
        _station_label(room, view, station, k, line)
    for stretches, square in ((route.dead_stretches, True), (route.overs, False)):
        for stretch in sorted(stretches, key=lambda s: s.begin_s - s.end_s):
            middle = (stretch.begin_m + stretch.end_m) / 2
            at = np.array([np.interp(middle, route.samples.distance_m, px[:, k]) for k in (0, 1)])
            if stretch.label and view.holds(at):
                _badge(scene, room, at, busy, stretch.label, square)
    for x, y in line:
        room.take((x - 2, y - 2, x + 2, y + 2))
    for other in plan.routes:
        if other.id != route.id:
            _other_letter(scene, room, view, other, px)
    if plan.background is not None:
        names = sorted(
            plan.background.place_names, key=lambda n: TOWNS_FIRST.index(n[1]) if n[1] in TOWNS_FIRST else 99
        )
        for name, kind, x, y in names[: 25 if narrow else 60]:
            at = view.xy(x, y)
            if view.holds(at, 4):
                size = BODY + 2 if kind in ("city", "town") else BODY if kind in ("village", "peak") else SMALL
                if kind in ("peak", "summit"):
                    mark = [(at[0] - 4, at[1] + 3), (at[0], at[1] - 4), (at[0] + 4, at[1] + 3), (at[0] - 4, at[1] + 3)]
                    own = (at[0] - 4, at[1] - 4, at[0] + 4, at[1] + 3)
                    if not (room.free(own) and _beside_point(room, at, name, SMALL, color="quiet")):
                        continue
                    room.take(own)
                    scene.line(mark, "quiet", 1.0)
                else:
                    room.put([Text(at[0], at[1] + 4, name, size, anchor="middle", halo=1.8), *_around(at, name, size)])
    if not narrow:
        for place in calling_places(route):
            at = np.array([np.interp(place.distance_m, route.samples.distance_m, px[:, k]) for k in (0, 1)])
            if view.holds(at, 6) and _beside_point(room, at, called(place), SMALL, color="quiet"):
                scene.disc(at[0], at[1], 3.2, "paper", edge="ink", width=1.4)
                room.take((at[0] - 4, at[1] - 4, at[0] + 4, at[1] + 4))


def _around(at: np.ndarray, text: str, size: float, gap: float = 9.0, **style: Any) -> list[Text]:
    x, y = at
    low = 0.35 * size
    return [
        Text(x + gap, y + low, text, size, halo=1.8, **style),
        Text(x - gap, y + low, text, size, anchor="end", halo=1.8, **style),
        Text(x, y - gap, text, size, anchor="middle", halo=1.8, **style),
        Text(x, y + gap + 0.7 * size, text, size, anchor="middle", halo=1.8, **style),
        Text(x + gap, y - gap, text, size, halo=1.8, **style),
        Text(x - gap, y + gap + low, text, size, anchor="end", halo=1.8, **style),
    ]


def _beside_point(room: Room, at: np.ndarray, text: str, size: float, **style: Any) -> bool:
    return room.put(_around(at, text, size, **style))


def _station(scene: Scene, room: Room, view: View, station: PlannedStation, index: int) -> None:
    """Marker and letter at the place, or an arrow at the frame with the distance where it lies outside."""
    color, at, r = accent(index), view.xy(station.x_m, station.y_m), 7.0
    if view.holds(at, 2):
        scene.area(marker_ring(marker(index), at[0], at[1], r), color, edge="paper", width=1.5)
        room.take((at[0] - r - 1, at[1] - r - 1, at[0] + r + 1, at[1] + r + 1))
        return
    middle = np.array([view.left + view.width / 2, view.top + view.height / 2])
    way = at - middle
    reach = min((view.width / 2 - 14) / max(abs(way[0]), 1e-9), (view.height / 2 - 14) / max(abs(way[1]), 1e-9))
    edge, along = middle + way * reach, way / np.hypot(*way)
    side = np.array([-along[1], along[0]])
    scene.area(
        np.array([edge + along * 9, edge - along * 5 + side * 6, edge - along * 5 - side * 6]),
        color,
        edge="paper",
        width=1.2,
    )
    km = np.hypot(*(at - edge)) / view.scale / 1000
    _beside_point(
        room, edge, f"{station.letter}  {station.name}, {km:.0f} km on", BODY, color=color, bold=True, gap=13.0
    )


def _station_label(room: Room, view: View, station: PlannedStation, index: int, line: np.ndarray) -> None:
    at = view.xy(station.x_m, station.y_m)
    if view.holds(at, 2):
        style: dict[str, Any] = {"color": accent(index), "bold": True}
        full = _around(at, f"{station.letter}  {station.name}", BODY, gap=12.0, **style)
        short = _around(at, station.letter, BODY, gap=11.0, **style)
        _clear_of(room, line, full) or room.put(full) or room.put(short)


def _clear_of(room: Room, line: np.ndarray, choices: list[Text]) -> bool:
    """Draw the first choice that has room and does not touch the ride."""
    for text in choices:
        left, top, right, bottom = text.box()
        touched = (
            (line[:, 0] > left - 3) & (line[:, 0] < right + 3) & (line[:, 1] > top - 3) & (line[:, 1] < bottom + 3)
        ).any()
        if not touched and room.put([text]):
            return True
    return False


def _badge(scene: Scene, room: Room, at: np.ndarray, busy: np.ndarray, text: str, square: bool) -> None:
    """A number in a disc or a letter in a square, beside the ride, with a hair line to it."""
    r = 7.0
    best: tuple[float, np.ndarray] | None = None
    for reach in (15.0, 22.0, 30.0):
        for angle in np.arange(0, 2 * np.pi, np.pi / 8):
            spot = at + reach * np.array([np.cos(angle), np.sin(angle)])
            if not room.free((spot[0] - r, spot[1] - r, spot[0] + r, spot[1] + r)):
                continue
            clear = float(np.hypot(*(busy - spot).T).min())
            if clear > r + 3 and (best is None or clear - 0.4 * reach > best[0]):
                best = (clear - 0.4 * reach, spot)
        if best is not None:
            break
    if best is None:
        return
    x, y = best[1]
    scene.line([at, best[1]], width=0.8)
    if square:
        scene.box(x - r, y - r, 2 * r, 2 * r, "paper", edge="ink", width=1.2)
    else:
        scene.disc(x, y, r + 0.5, "ink", edge="paper", width=1.0)
    scene.add(Text(x, y + 3.6, text, SMALL + 0.5, "ink" if square else "paper", bold=True, anchor="middle"))
    room.take((x - r, y - r, x + r, y + r))


def _other_letter(scene: Scene, room: Room, view: View, other: Route, chosen_px: np.ndarray) -> None:
    """The letter of another choice, where it is farthest from the chosen one."""
    px = view.xy(other.samples.x_m, other.samples.y_m)[:: max(1, len(other.samples.x_m) // 150)]
    apart = np.hypot(*(px[:, None] - chosen_px[None, :: max(1, len(chosen_px) // 150)]).transpose(2, 0, 1)).min(axis=1)
    for k in np.argsort(-apart, kind="stable")[:40:4]:
        if apart[k] < 14:
            return
        x, y = px[k]
        if view.holds(px[k], 10) and room.free((x - 7, y - 7, x + 7, y + 7)):
            scene.disc(x, y, 7.5, "paper", edge="quiet", width=1.2)
            scene.add(Text(x, y + 4, other.id, BODY - 0.5, "quiet", bold=True, anchor="middle"))
            room.take((x - 8, y - 8, x + 8, y + 8))
            return


def _corner(scene: Scene, room: Room, view: View, ride: np.ndarray) -> None:
    """Scale bar and north, in the corner that the ride and the stations leave free."""
    bar_m = nice_step(view.width / view.scale * 0.08, 1)
    bar = bar_m * view.scale
    label = f"{bar_m / 1000:g} km"
    across, down = bar + 20 + text_width(label, SMALL), 36.0
    right, bottom = view.left + view.width - across - 6, view.top + view.height - down - 4
    corners = [(view.left + 6, bottom), (right, bottom), (right, view.top + 4), (view.left + 6, view.top + 4)]

    def crowd(corner: tuple[float, float]) -> int:
        left, top = corner
        inside = (ride[:, 0] > left) & (ride[:, 0] < left + across) & (ride[:, 1] > top) & (ride[:, 1] < top + down)
        return int(inside.sum()) + (0 if room.free((left, top, left + across, top + down)) else 100_000)

    left, top = min(corners, key=crowd)
    x, y = left + 8, top + down - 10
    scene.box(left, top, across, down, "paper", 0.8)
    scene.line([(x, y - 4), (x, y), (x + bar, y), (x + bar, y - 4)], width=1.6)
    scene.text(x + bar + 6, y + 2, label, SMALL)
    scene.line([(x + 3, y - 6), (x + 3, y - 20)], width=1.4)
    scene.area([(x + 3, y - 23), (x - 0.5, y - 15), (x + 6.5, y - 15)], "ink")
    scene.text(x + 12, y - 11, "N", SMALL, bold=True)
    room.take((left, top, left + across, top + down))


def _footer(scene: Scene, room: Room, plan: Plan, view: View, side: float, narrow: bool) -> float:
    """The line forms with their names, then the sources."""
    y, left = view.top + view.height + 18, max(side, 4.0)
    x = left
    forms: list[tuple[str, str]] = [
        ("full", f"in contact ({in_tenths(plan.contact_chance)})"),
        ("thin", "weak"),
        ("dots", "dead (below 1 in 2)"),
    ]
    if any(route.samples.repeated.any() for route in plan.routes):
        forms.append(("double", "out and back"))
    if any(route.samples.walking.any() for route in plan.routes):
        forms.append(("bars", "on foot"))
    if plan.background is not None and plan.background.chance is not None:
        forms += [
            ("dashed", f"reach: {in_tenths(plan.contact_chance)}"),
            ("dotted", "reach: 1 in 2"),
            ("wash", "dead ground"),
        ]
    for form, name in forms:
        long = 34 + text_width(name, SMALL) + 14
        if x + long > scene.width - 4 and x > left:
            x, y = left, y + 16
        _sample(scene, form, x, y - 3.5)
        room.put([Text(x + 34, y, name, SMALL)])
        x += long
    text = credit(plan)
    if text:
        for line in wrapped(shortened(text, SMALL, 3 * (scene.width - 2 * left)), SMALL, scene.width - 2 * left):
            y += 15
            room.put([Text(left, y, line, SMALL, "quiet")])
    return y + 4


def _sample(scene: Scene, form: str, x: float, y: float) -> None:
    line = np.array([(x, y), (x + 26, y)])
    if form == "double":
        scene.add(Line((line - np.array([0, 2.4]), line + np.array([0, 2.4])), "ink", 1.9, round=True))
    elif form == "bars":
        bars = [np.array([(x + k, y - 4.5), (x + k, y + 4.5)]) for k in (3, 8, 13, 18, 23)]
        scene.add(Line((line,), "ink", 1.4), Line(tuple(bars), "ink", 1.1))
    elif form == "wash":
        rules = tuple(np.array([(x, y + k), (x + 26, y + k)]) for k in (-5, 0, 5))
        scene.add(Line(rules, "quiet", 0.6, opacity=0.7))
    else:
        styles: dict[str, dict[str, Any]] = {
            "full": {"width": 3.4, "round": True},
            "thin": {"width": 1.4},
            "dots": {"width": 3.6, "dash": (0.0, 6.6), "round": True},
            "dashed": {"width": 0.9, "dash": (5.0, 3.0)},
            "dotted": {"width": 0.9, "dash": (0.9, 2.6)},
        }
        scene.add(Line((line,), "ink", **styles[form]))
