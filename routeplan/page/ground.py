"""What the page's map draws beneath the ride: relief as one picture, streets as numbers."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from routeplan.output.look import NIGHT, PAPER
from routeplan.plan.area import Area
from routeplan.plan.background import KINDS, MAJOR, MIDDLE

CELLS_AT_MOST = 1400  # of the relief, along its longer side
STREETS_WITHIN_M = 4.0  # how far a drawn street may lie beside the true one
WOODS_M = 12.0
NAMED = ("city", "town", "village", "hamlet", "peak")


def facts(area: Area) -> dict[str, Any]:
    """What the page must know of an area before anything is drawn."""
    network, places = area.network, area.places
    west, south, east, north = area.elevation.extent
    x, y = network.point_x_m, network.point_y_m
    order = sorted(
        (NAMED.index(kind), name, kind, round(float(px)), round(float(py)))
        for name, kind, px, py in zip(places.name, places.kind, places.x_m, places.y_m)
        if name and kind in NAMED
    )
    return {
        "name": area.name,
        "extent_m": [west, south, east, north],
        "roads_m": [float(x.min()), float(y.min()), float(x.max()), float(y.max())],
        "streets": network.street_count,
        "street_km": round(float(network.street_length_m.sum()) / 1000.0),
        "attribution": list(area.attribution),
        "places": [[name, kind, px, py] for _, name, kind, px, py in order[:3000]],
    }


def relief_png(area: Area, *, dark: bool = False) -> bytes:
    """Grey relief, woods and water as a PNG over the extent of the elevation raster; clear where nothing is drawn."""
    from PIL import Image

    grid = area.elevation
    every = max(1, -(-max(grid.values.shape) // CELLS_AT_MOST))
    step = grid.step_m * every
    elevation = grid.values[::every, ::every]
    sea = area.zone.values[::every, ::every] == 1
    out = _shaded(elevation, sea, step, dark)
    woods = (area.cover.values[::every, ::every] >= WOODS_M) & ~sea
    rows, cols = np.indices(woods.shape)
    dots = woods & (rows % 3 == 0) & ((cols + rows) % 3 == 0)
    palette = NIGHT if dark else PAPER
    out[dots] = (*_rgb(palette["quiet"]), 150)
    out[sea] = (*_rgb(palette["water"]), 255)
    out[_shore(sea)] = (*_rgb(palette["hair"]), 255)
    file = io.BytesIO()
    Image.fromarray(out).save(file, "PNG", compress_level=4)
    return file.getvalue()


def relief_extent(area: Area) -> tuple[float, float, float, float]:
    """West, south, east, north [m] that the picture of `relief_png` covers: whole thinned cells."""
    grid = area.elevation
    every = max(1, -(-max(grid.values.shape) // CELLS_AT_MOST))
    rows, cols = (-(-n // every) for n in grid.values.shape)
    west, north = grid.west_m - grid.step_m / 2, grid.north_m + grid.step_m / 2
    return west, north - rows * every * grid.step_m, west + cols * every * grid.step_m, north


def _shaded(elevation: np.ndarray, sea: np.ndarray, step_m: float, dark: bool) -> np.ndarray:
    """Ink laid on by the slope's turn from a light in the north-west; on dark paper the lit sides are drawn."""
    known = np.isfinite(elevation)
    z = np.where(known, elevation, np.nanmin(elevation) if known.any() else 0.0).astype(float)
    down, right = np.gradient(z, step_m)
    land = np.hypot(down, right)[~sea & known]
    stretch = 0.75 / max(float(np.percentile(land, 97)) if land.size else 1.0, 0.05)
    right, down = right * stretch, down * stretch
    light = (0.5 * right + 0.5 * down + 0.707) / np.sqrt(1 + right**2 + down**2)
    ink = np.clip((light - 0.62) * 0.55, 0.0, 0.4) if dark else np.clip((0.80 - light) * 0.62, 0.0, 0.55)
    out = np.empty((*z.shape, 4), dtype=np.uint8)
    out[..., :3] = _rgb((NIGHT if dark else PAPER)["ink"])
    out[..., 3] = np.where(known, ink * 255, 0)
    return out


def _shore(sea: np.ndarray) -> np.ndarray:
    land = ~sea
    edge = np.zeros_like(sea)
    edge[1:] |= sea[1:] & land[:-1]
    edge[:-1] |= sea[:-1] & land[1:]
    edge[:, 1:] |= sea[:, 1:] & land[:, :-1]
    edge[:, :-1] |= sea[:, :-1] & land[:, 1:]
    return edge


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def streets_bytes(area: Area) -> bytes:
    """All streets, thinned, as little-endian numbers:

    uint32 n and p; uint32 (n + 1) first point of each street; float32 (p, 2) x, y; uint8 (n,) rank, 0 minor, 1 middle,
    2 major. The major ones come last, to be painted on top.
    """
    import shapely

    network = area.network
    first = network.point_first
    xy = np.column_stack([network.point_x_m, network.point_y_m])
    rank = np.array([2 if k in MAJOR else 1 if k in MIDDLE else 0 for k in KINDS], dtype=np.uint8)
    street_rank = rank[network.ways.kind[network.piece_way[first[:-1]]]]
    order = np.argsort(street_rank, kind="stable")
    lines = shapely.linestrings(xy, indices=np.repeat(np.arange(network.street_count), np.diff(first)))
    thin = shapely.simplify(lines, STREETS_WITHIN_M, preserve_topology=False)[order]
    points, of = shapely.get_coordinates(thin, return_index=True)
    starts = np.searchsorted(of, np.arange(network.street_count + 1)).astype("<u4")
    head = np.array([network.street_count, len(points)], dtype="<u4")
    return head.tobytes() + starts.tobytes() + points.astype("<f4").tobytes() + street_rank[order].tobytes()
