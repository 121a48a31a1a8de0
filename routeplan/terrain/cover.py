"""What stands on the ground: heights of woods and buildings over the bare ground, for profiles.

Heights are the representative clutter heights that Rec. ITU-R P.1812 gives by default (suburban 10 m; urban,
trees and forest 15 m; water, open and rural 0 m); where a source is finer the extra classes are judgement.

Surface models (SRTM, GLO-30) already hold part of what stands on the ground. Adding cover on top would count
it twice, and leaving cover out would stand a rider's antenna on the roof of the wood. So on a surface model
the cover's height is taken OUT of the raster first (`bare_ground`) and given back as cover: what a ray meets
is the raster as measured, what a terminal stands on is the ground beneath.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from routeplan.errors import Fault, InputError
from routeplan.geo import Projection
from routeplan.terrain.grid import Grid

WOOD_M, SUBURB_M, TOWN_M, LOW_M = 15.0, 10.0, 15.0, 5.0
CORRIDOR_M = 15.0  # nothing stands this near the centre line of a road

# OpenStreetMap "key=value" -> height [m]. P.1812 defaults; orchards and scrub: judgement.
OSM_COVER_M: dict[str, float] = {
    "landuse=forest": WOOD_M,
    "natural=wood": WOOD_M,
    "landuse=residential": SUBURB_M,
    "landuse=commercial": SUBURB_M,
    "landuse=retail": SUBURB_M,
    "landuse=industrial": SUBURB_M,
    "landuse=orchard": LOW_M,
    "natural=water": 0.0,
    "landuse=reservoir": 0.0,
    "waterway=riverbank": 0.0,
}

# ESA WorldCover 2020/2021, product user manual, table of classes. Shrubs: judgement.
WORLDCOVER_M: dict[int, float] = {
    10: WOOD_M,  # tree cover
    20: 2.0,  # shrubland
    30: 0.0,  # grassland
    40: 0.0,  # cropland
    50: SUBURB_M,  # built-up
    60: 0.0,  # bare, sparse vegetation
    70: 0.0,  # snow and ice
    80: 0.0,  # permanent water bodies
    90: 0.0,  # herbaceous wetland
    95: WOOD_M,  # mangroves
    100: 0.0,  # moss and lichen
}

# CORINE Land Cover, level 3, by code. Heights of 111, 141, 142, 222, 223, 244, 323 and 324: judgement.
_CORINE_TALL: dict[int, float] = {
    111: TOWN_M,
    112: SUBURB_M,
    121: SUBURB_M,
    141: LOW_M,
    142: LOW_M,
    222: LOW_M,
    223: LOW_M,
    244: LOW_M,
    311: WOOD_M,
    312: WOOD_M,
    313: WOOD_M,
    323: 2.0,
    324: LOW_M,
}
_CORINE_CODES = (
    *(
        111,
        112,
        121,
        122,
        123,
        124,
        131,
        132,
        133,
        141,
        142,
        211,
        212,
        213,
        221,
        222,
        223,
        231,
        241,
        242,
        243,
    ),
    *(
        244,
        311,
        312,
        313,
        321,
        322,
        323,
        324,
        331,
        332,
        333,
        334,
        335,
        411,
        412,
        421,
        422,
        423,
        511,
        512,
        521,
    ),
    *(522, 523),
)
CORINE_M: dict[int, float] = {code: _CORINE_TALL.get(code, 0.0) for code in _CORINE_CODES}

CLASS_TABLES: dict[str, dict[int, float]] = {"ESA WorldCover": WORLDCOVER_M, "CORINE Land Cover": CORINE_M}


class CoverRaster(NamedTuple):
    """A land-cover file on the area's cells. heights_m: float32, NaN where the file says nothing."""

    heights_m: np.ndarray
    table: str  # name of the class table, or "heights in metres"


def cover_from_polygons(grid: Grid, polygons: Sequence[Any], heights_m: Sequence[float]) -> np.ndarray:
    """Cover height [m], float32 (rows, cols), on the cells of `grid`; 0 where no polygon lies.

    polygons : shapely (multi)polygons in working coordinates; a cell belongs to the polygon over its centre.
    Where polygons overlap the tallest wins, except that height 0 (water) wins over all.
    """
    from rasterio.features import rasterize

    out = np.zeros(grid.values.shape, np.float32)
    heights = np.asarray(heights_m, dtype=np.float32)
    if len(heights) == 0:
        return out
    # Painted in this order, a later shape covers an earlier one: low to tall, then water.
    order = np.argsort(np.where(heights > 0, heights, np.inf), kind="stable")
    rasterize(
        ((polygons[i], float(heights[i])) for i in order if not polygons[i].is_empty),
        out=out,
        transform=grid.affine(),
    )
    return out


def cover_from_raster(paths: Sequence[str | Path], grid: Grid, projection: Projection) -> CoverRaster:
    """Cover height of land-cover files on the cells of `grid`, by nearest cell.

    A file holds either classes (ESA WorldCover or CORINE codes: whole numbers) or heights above ground in
    metres (floating point, or a unit of metres). Raises InputError naming values that fit no table.
    """
    import rasterio
    from rasterio.enums import Resampling
    from rasterio.errors import RasterioError
    from rasterio.vrt import WarpedVRT

    out = np.full(grid.values.shape, np.nan, np.float32)
    faults, table = [], ""
    for path in paths:
        try:
            with (
                rasterio.Env(GDAL_PAM_ENABLED=False, GDAL_CACHEMAX=64),
                rasterio.open(path, driver="GTiff") as src,
            ):
                if src.crs is None or src.count != 1:
                    what = "has no coordinate system" if src.crs is None else f"has {src.count} bands, not one"
                    faults.append(Fault(what, str(path), "give a GeoTIFF with one band of land-cover classes"))
                    continue
                rows, cols = grid.values.shape
                kind = np.dtype(src.dtypes[0]).kind
                unused = {"f": np.nan, "u": 255, "i": -128}.get(kind, 0)  # no class of any table
                void = unused if src.nodata is None else src.nodata
                with WarpedVRT(
                    src,
                    crs=projection.proj4,
                    transform=grid.affine(),
                    width=cols,
                    height=rows,
                    resampling=Resampling.nearest,
                    src_nodata=void,
                    nodata=void,
                    num_threads=1,
                ) as warped:
                    values = warped.read(1)
                    known = ~np.isnan(values) if np.isnan(void) else values != void
                metres = values.dtype.kind == "f" or (src.units[0] or "").lower() in ("m", "metre", "meter")
        except (RasterioError, OSError, ValueError) as error:
            text = str(error.__cause__ or error).strip().splitlines()
            faults.append(
                Fault(
                    f"cannot be read as a GeoTIFF ({text[0][:160] if text else 'damaged'})",
                    str(path),
                    "give a GeoTIFF with land-cover classes; if it is one, fetch it again",
                )
            )
            continue
        try:
            heights, name = _class_heights(values, known, metres, str(path))
        except InputError as error:
            faults.extend(error.faults)
            continue
        table = table or name
        take = known & ~np.isfinite(out)
        out[take] = heights[take]
    if faults:
        raise InputError(faults)
    return CoverRaster(out, table)


def _class_heights(values: np.ndarray, known: np.ndarray, metres: bool, where: str) -> tuple[np.ndarray, str]:
    if metres:
        known &= np.isfinite(values)
        heights = np.where(known, values, 0).astype(np.float32)
        if heights.size and (heights.max() > 150 or heights.min() < 0):
            raise InputError(
                f"heights from {heights.min():.0f} to {heights.max():.0f} m do not stand on the ground",
                where,
                "give heights above ground in metres, 0 to 150",
            )
        return heights, "heights in metres"
    found = np.unique(values[known]).tolist()
    found = [v for v in found if v != 0]  # 0: no data in both products
    for name, table in CLASS_TABLES.items():
        if all(v in table for v in found):
            lookup = np.zeros(1024, np.float32)
            for code, height in table.items():
                lookup[code] = height
            known &= values != 0
            return lookup[np.where(known, values, 0).astype(np.intp)], name
    strange = [v for v in found if v not in WORLDCOVER_M][:6]
    raise InputError(
        f"values {', '.join(map(str, strange))} are no land-cover classes known here",
        where,
        "give ESA WorldCover (10 to 100) or CORINE codes (111 to 523), or heights as floating point",
    )


def clear_corridor(cover_m: np.ndarray, grid: Grid, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
    """Cover [m] with every cell 0 that holds ground within CORRIDOR_M of a road's centre line.

    x_m, y_m : (k,) points along the centre lines, no farther apart than about 10 m (`along` makes them).
    """
    out = cover_m.copy()
    rows, cols = out.shape
    angle = np.arange(16) * (2 * np.pi / 16)
    ring = [(0.0, 0.0), *zip(CORRIDOR_M * np.cos(angle), CORRIDOR_M * np.sin(angle))]
    for dx, dy in ring:
        row, col = grid.cell(x_m + dx, y_m + dy)
        on = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        out[row[on], col[on]] = 0
    return out


def along(
    x_m: np.ndarray, y_m: np.ndarray, begins: np.ndarray, ends: np.ndarray, spacing_m: float = 10.0
) -> tuple[np.ndarray, np.ndarray]:
    """Points at most `spacing_m` apart on the pieces from point begins[k] to point ends[k], ends included."""
    length = np.hypot(x_m[ends] - x_m[begins], y_m[ends] - y_m[begins])
    parts = np.maximum(1, np.ceil(length / spacing_m)).astype(np.intp)
    first = np.repeat(np.cumsum(parts) - parts, parts)
    share = (np.arange(parts.sum()) - first) / np.repeat(parts, parts)
    b, e = np.repeat(begins, parts), np.repeat(ends, parts)
    x = np.concatenate([x_m[b] + (x_m[e] - x_m[b]) * share, x_m[ends]])
    y = np.concatenate([y_m[b] + (y_m[e] - y_m[b]) * share, y_m[ends]])
    return x, y


def bare_ground(surface: Grid, cover_m: np.ndarray) -> Grid:
    """Ground beneath a surface model [m]: its height less what stands there (cover before any clearing).

    Judgement: how much of a wood a satellite's radar sees differs (SRTM about half, GLO-30 most of it).
    Taking out the full cover keeps obstacles as high as measured and their height over a terminal among them
    as high as on a terrain model, which is what decides the loss at a handheld.
    """
    return surface.like((surface.values - cover_m).astype(np.float32))
