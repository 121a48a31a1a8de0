"""The picture of a coverage: the contact rule large, each station small beneath it.

Chance is one hue from light to dark over grey relief, with two contours: dashed at the chance that counts as
contact, dotted at 1 in 2. Each station has its accent, the rule the last one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np

from routeplan.output import map as maps
from routeplan.output.coverage_text import rule_words
from routeplan.output.look import BODY, HEAD, PAPER, SMALL, accent
from routeplan.output.scene import Image, Line, Room, Scene, Text, png, wrapped
from routeplan.plan.background import background
from routeplan.plan.coverage import Coverage, Part, Shares
from routeplan.plan.jobs import planned_stations
from routeplan.plan.value import Background, PlannedStation
from routeplan.plan.words import in_tenths, whole

WIDTH = 1200.0
PANELS_IN_A_ROW = 3
GAP = 16.0
SIDE = 14.0  # left free on both sides
DARKEST = 0.72  # how much of the paper the tint of a certain contact covers
STEPS = 10  # of the tint: a raster of few tones is read more easily, and half as large
RULE_COLOR = "accent3"  # of a rule on several stations: the accent that stations take last
NEAR_STATIONS = 0.3  # of the roads' extent: so far round it stations widen the picture, farther ones are pointed at
RELIEF = 0.55  # of the relief's tone on other maps: here the tint leads


@dataclass(frozen=True)
class Thinned:
    """Chances (k + 1, rows, cols) on the cells that the picture's ground shows, filled part by part."""

    ground: Background
    chance: np.ndarray
    first_row: int  # of the coverage, where the ground begins
    first_col: int
    every: int

    @classmethod
    def of(cls, covered: Coverage) -> Thinned:
        """Empty, over the extent of the area's roads and the stations that are not far from it."""
        network, grid = covered.area.network, covered.ground
        x, y = network.point_x_m, network.point_y_m
        reach = NEAR_STATIONS * max(np.ptp(x), np.ptp(y))
        near = [
            (work.x_m, work.y_m)
            for work in covered.contacts.workable
            if x.min() - reach < work.x_m < x.max() + reach and y.min() - reach < work.y_m < y.max() + reach
        ]
        x, y = np.append(x, [at[0] for at in near]), np.append(y, [at[1] for at in near])
        ground = background(covered.area, x, y)
        empty = np.full((len(covered.names) + 1, *ground.elevation_m.shape), np.nan, dtype=np.float32)
        first_row = round((grid.north_m - ground.north_m) / grid.step_m)
        first_col = round((ground.west_m - grid.west_m) / grid.step_m)
        return cls(ground, empty, first_row, first_col, round(ground.step_m / grid.step_m))

    def take(self, part: Part) -> None:
        """Fill in the cells of one part."""
        row, past_row, col, past_col = part.window
        rows, of_rows = _shown(row, past_row, self.first_row, self.every, self.chance.shape[1])
        cols, of_cols = _shown(col, past_col, self.first_col, self.every, self.chance.shape[2])
        self.chance[:, rows[:, None], cols] = part.chance[:, of_rows[:, None], of_cols]


def _shown(first: int, past: int, begin: int, every: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Places of the picture between rows `first` and `past` of the raster, and where in that part they lie."""
    place = np.arange(count)
    at = begin + place * every
    inside = (at >= first) & (at < past)
    return place[inside], at[inside] - first


def coverage_png(covered: Coverage, thinned: Thinned, shares: Sequence[Shares], *, scale: float = 1.0) -> bytes:
    """The picture as PNG."""
    return png(coverage_scene(covered, thinned, shares), scale=scale)


def coverage_scene(covered: Coverage, thinned: Thinned, shares: Sequence[Shares], *, width: float = WIDTH) -> Scene:
    """The picture, `width` pixels wide; `shares` per station, the rule last."""
    stations = planned_stations(cast(Any, covered))  # it reads area, ride and contacts alone
    rule = rule_words(covered.contacts.rule)
    scene = Scene(width, 1e6, f"Coverage: {rule}")
    alone = len(stations) == 1
    inner = width - 2 * SIDE
    title = f"Where you reach {stations[0].name if alone else rule}"
    y = _heading(scene, title, shares[-1], covered, 4.0, HEAD, left=SIDE)
    y = _panel(scene, covered, thinned, stations, -1, (SIDE, y + 8, inner), accent(0) if alone else RULE_COLOR)
    if not alone:
        in_row = -(-len(stations) // -(-len(stations) // PANELS_IN_A_ROW))  # rows as full as can be
        across = (inner - GAP * (in_row - 1)) / in_row
        for first in range(0, len(stations), in_row):
            top, bottom = y + GAP, y + GAP
            for k in range(first, min(first + in_row, len(stations))):
                left = SIDE + (k - first) * (across + GAP)
                station = stations[k]
                title = f"{station.letter}  {station.name}"
                below = _heading(scene, title, shares[k], covered, top, BODY + 1, left=left, color=accent(k))
                bottom = max(bottom, _panel(scene, covered, thinned, stations, k, (left, below + 5, across), accent(k)))
            y = bottom
    scene.height = float(np.ceil(_footer(scene, covered, y + 20) + 6))
    return scene


def _heading(
    scene: Scene, title: str, shares: Shares, covered: Coverage, top: float, size: float, left: float = 0.0,
    color: str = "ink",
) -> float:  # fmt: skip
    """Whom the map is of, and how much of the land is in contact; gives the y below it."""
    scene.text(left, top + size, title, size, color, bold=True)
    if not shares.known:
        return top + size + 4
    middle, low, high = (
        whole(100 * shares.share(cells))
        for cells in (shares.in_contact, shares.in_contact_worse, shares.in_contact_better)
    )
    weak, dead = (whole(100 * shares.share(cells)) for cells in (shares.weak, shares.dead))
    text = f"{middle} % of the land in contact ({low}-{high}), {weak} % weak, {dead} % dead"
    scene.text(left, top + size + 16, text, BODY if size >= HEAD else SMALL)
    return top + size + 20


def _panel(
    scene: Scene,
    covered: Coverage,
    thinned: Thinned,
    stations: Sequence[PlannedStation],
    k: int,
    place: tuple[float, float, float],
    color: str,
) -> float:
    """One map at (left, top), so wide; gives the y of its lower edge. k = -1: of the rule, with names."""
    left, top, across = place
    ground, values = thinned.ground, thinned.chance[k]
    rows, cols = values.shape
    scale = min(across / (cols * ground.step_m), 1.15 * across / (rows * ground.step_m))
    wide, high = cols * ground.step_m * scale, rows * ground.step_m * scale
    half = ground.step_m / 2
    view = maps.View(ground.west_m - half, ground.north_m + half, scale, left + (across - wide) / 2, top, wide, high)
    small = k >= 0
    beneath = maps.base_items(_fitting(ground, scale), view, covered.ride.contact.chance)
    beneath = [_paler(item) if isinstance(item, Image) else item for item in beneath]
    at = next((i for i, item in enumerate(beneath) if isinstance(item, Image)), -1) + 1
    tint = Image(view.left, view.top, wide, high, _tint(np.where(ground.sea, np.nan, values), color), role="chance")
    scene.add(*beneath[:at], tint, *beneath[at:])
    scene.add(*_contours(ground, values, view, covered.ride.contact.chance, small))
    right, bottom = view.left + view.width, view.top + view.height
    scene.line([(view.left, top), (right, top), (right, bottom), (view.left, bottom), (view.left, top)], width=1.0)
    room = Room(scene, margin=2.0)
    if not small:
        maps._corner(scene, room, view, np.zeros((0, 2)))
    nothing = np.zeros((0, 2))
    shown = [(i, s) for i, s in enumerate(stations) if not small or i == k]
    for i, station in shown:
        maps._station(scene, room, view, station, i)
    if not small:
        for i, station in shown:
            maps._station_label(room, view, station, i, nothing)
        _names(room, ground, view)
    return bottom


def _paler(relief: Image) -> Image:
    rgba = relief.rgba.copy()
    rgba[..., 3] = np.round(rgba[..., 3] * RELIEF)
    return replace(relief, rgba=rgba)


def _fitting(ground: Background, scale: float) -> Background:
    """The ground for a map of that scale: on a small one only roads that lead somewhere."""
    if scale > 0.02:  # 50 m to the pixel
        return ground
    least = 1 if scale > 0.01 else 2
    kept = np.flatnonzero(np.asarray(ground.street_class) >= least)
    return replace(
        ground,
        street_lines=tuple(ground.street_lines[i] for i in kept),
        street_class=np.asarray(ground.street_class)[kept],
    )


def _tint(chance: np.ndarray, color: str) -> np.ndarray:
    """One hue from light to dark in STEPS steps, clear where nothing is known; (rows, cols, 4) uint8."""
    hue = PAPER[color]
    out = np.empty((*chance.shape, 4), dtype=np.uint8)
    out[..., :3] = [int(hue[i : i + 2], 16) for i in (1, 3, 5)]
    step = np.round(np.nan_to_num(chance, nan=0.0) * STEPS) / STEPS
    out[..., 3] = np.round(255 * DARKEST * step**1.3)
    return out


def _contours(ground: Background, chance: np.ndarray, view: maps.View, counts: float, small: bool) -> list[Line]:
    """Dotted at 1 in 2, dashed at the chance that counts; specks shorter than a letter are left out."""
    rows, cols = chance.shape
    x = ground.west_m + np.arange(cols) * ground.step_m
    y = ground.north_m - np.arange(rows) * ground.step_m
    land = np.where(ground.sea, np.nan, chance)
    out = []
    for level, dash in ((0.5, (0.9, 2.6)), (counts, (5.0, 3.0))):
        lines = maps._lines(x, y, land, level, view, shortest_px=30.0 if small else 45.0)
        if lines:
            out.append(Line(tuple(lines), "ink", 0.7 if small else 0.9, dash=dash, opacity=0.85, role="reach"))
    return out


def _names(room: Room, ground: Background, view: maps.View) -> None:
    first = maps.TOWNS_FIRST
    for name, kind, x, y in sorted(
        ground.place_names, key=lambda n: first.index(n[1]) if n[1] in first else len(first)
    )[:40]:
        at = view.xy(x, y)
        if view.holds(at, 4) and kind not in ("peak", "hamlet"):
            size = BODY if kind in ("city", "town") else SMALL
            room.put([Text(at[0], at[1] + 4, name, size, anchor="middle", halo=1.8), *maps._around(at, name, size)])


def _footer(scene: Scene, covered: Coverage, y: float) -> float:
    """What tones and lines mean, how sure it is, and the sources."""
    x, color = SIDE, RULE_COLOR if len(covered.names) > 1 else accent(0)
    steps = np.linspace(0.1, 1.0, STEPS)
    scene.add(Image(x, y - 9, 80.0, 11.0, np.repeat(_tint(steps, color)[None], 2, axis=0)))
    scene.line([(x, y - 9), (x + 80, y - 9), (x + 80, y + 2), (x, y + 2), (x, y - 9)], "hair", 0.6)
    scene.text(x + 88, y, "chance of contact, 1 in 10 to certain", SMALL)
    x += 300
    for dash, text in (
        ((5.0, 3.0), f"{in_tenths(covered.ride.contact.chance)}: in contact"),
        ((0.9, 2.6), "1 in 2: weak, and dead beyond"),
    ):
        scene.line([(x, y - 3.5), (x + 26, y - 3.5)], width=0.9, dash=dash)
        scene.text(x + 34, y, text, SMALL)
        x += 190
    rows = [
        "For a rider who moves, side on to every station. Brackets: all links 5 dB worse and better. The model is "
        "checked against its standard, not against measurements at a rider's height.",
        "; ".join(covered.area.attribution),
    ]
    for text in filter(None, rows):
        for line in wrapped(text, SMALL, scene.width - 2 * SIDE):
            y += 15
            scene.text(SIDE, y, line, SMALL, "quiet")
    return y
