"""Elevation files -> one raster in working coordinates.

GeoTIFF in any coordinate system, and SRTM's .hgt alone, zipped or gzipped; several tiles are joined. Every
fault of every file is found before anything is raised.
"""

from __future__ import annotations

import contextlib
import gzip
import math
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from routeplan.errors import Fault, InputError
from routeplan.geo import Projection
from routeplan.terrain.grid import Extent, Grid

CELLS_AT_MOST = 16_000_000  # of the raster in working coordinates: 64 MB; finer sources are averaged to fit
UNDECLARED_VOIDS = (-32768.0, -32767.0, -9999.0)  # taken as "no data" even where the file does not say so
LOWEST_M, HIGHEST_M = -500.0, 8900.0  # shore of the Dead Sea -430 m, Everest 8849 m
_HGT_SIZES = {1201 * 1201: (1201, 1201), 3601 * 3601: (3601, 3601), 3601 * 1801: (3601, 1801)}
_HGT_BYTES_AT_MOST = 2 * 3601 * 3601
_BLOCK_CELLS_AT_MOST = 1 << 26
_GDAL: dict[str, Any] = {
    "GTIFF_REPORT_COMPD_CS": True,  # tell the vertical system too
    "GDAL_PAM_ENABLED": False,  # no side files
    "GDAL_DISABLE_READDIR_ON_OPEN": True,
    "GDAL_CACHEMAX": 64,  # MB
}
_SURFACE_NAMES = (
    "srtm",
    "dsm",
    "glo30",
    "glo-30",
    "glo90",
    "copernicus",
    "aster",
    "aw3d",
    "nasadem",
    "surface",
)
_SRTM_RIGHTS = "NASA SRTM, public domain"
COPERNICUS_RIGHTS = (
    "© DLR e.V. 2010-2014 and © Airbus Defence and Space GmbH 2014-2018, provided under COPERNICUS by the "
    "European Union and ESA; all rights reserved"
)
_METRES = ("", "m", "metre", "meter", "metres", "meters")
_ELLIPSOID = ("ellipsoid", "4979", "geodetic height")


@dataclass(frozen=True)
class Tile:
    """What one elevation file is, for the manifest and for people.

    kind : "terrain", "surface" or "" where the file does not tell.
    rights : licence or copyright line, "" where unknown.
    """

    path: Path
    crs: str
    vertical_datum: str
    rows: int
    cols: int
    native_step_m: float
    kind: str
    rights: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Elevation:
    """Heights [m] in working coordinates as read: voids are NaN.

    covered : bool (rows, cols), cells over which some file lies (with or without a height there).
    """

    grid: Grid
    covered: np.ndarray
    tiles: tuple[Tile, ...]

    @property
    def void_cells(self) -> int:
        """Cells over which a file lies that holds no height for them."""
        return int((self.covered & ~np.isfinite(self.grid.values)).sum())


@dataclass(frozen=True)
class _Source:
    """A raster that can be read by window. `crs` is a horizontal pyproj CRS, `transform` an affine to it."""

    tile: Tile
    crs: Any
    transform: Any
    nodata: float | None
    array: np.ndarray | None = None  # .hgt: held in memory
    scale: float = 1.0
    offset: float = 0.0

    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of the outer pixel edges, in `crs`."""
        cols, rows = self.tile.cols, self.tile.rows
        x, y = _apply(self.transform, np.array([0, cols, 0, cols]), np.array([0, 0, rows, rows]))
        return float(min(x)), float(min(y)), float(max(x)), float(max(y))


def _apply(t: Any, column: Any, row: Any) -> tuple[Any, Any]:
    """x, y of places in a raster by its affine transform (or the other way by the inverse)."""
    return t.a * column + t.b * row + t.c, t.d * column + t.e * row + t.f


def open_tiles(paths: Sequence[str | Path]) -> list[_Source]:
    """Look at the head of every file; InputError with every fault of every file."""
    sources: list[_Source] = []
    faults: list[Fault] = []
    if not paths:
        raise InputError("no elevation file is given", mend="name at least one GeoTIFF or .hgt file")
    for path in paths:
        try:
            sources.append(_open(Path(path)))
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return sources


def read_tiles(
    paths: Sequence[str | Path],
    projection: Projection,
    extent: Extent | None = None,
    *,
    needed: Extent | None = None,
    step_m: float | None = None,
) -> Elevation:
    """Heights of all files in working coordinates, on square cells over `extent` (None: all that is covered).

    needed : what must be met at least in part, such as the extent of the roads (default: `extent`).
    step_m : cell size [m]; None takes the finer native step of the finest file, rounded to 1 m (coarser where
        the raster would pass CELLS_AT_MOST; then the source is averaged, never skipped over).
    Cells are bilinear in the source where its nearest cell holds data, NaN elsewhere. Where files overlap the
    finest wins, then the first. Raises InputError with every fault of every file, or naming both extents
    where files and roads do not overlap.
    """
    from pyproj import Transformer
    from rasterio.warp import transform_bounds

    sources = open_tiles(paths)
    faults: list[Fault] = []
    sources.sort(key=lambda s: s.tile.native_step_m)
    target = projection.proj4
    union: Extent | None = None
    for source in sources:
        try:
            box = Extent(*transform_bounds(source.crs.to_wkt(), target, *source.bounds(), densify_pts=31))
        except Exception:  # a world raster has no finite image; it covers whatever is asked for
            box = Extent(-math.inf, -math.inf, math.inf, math.inf)
        if not all(map(math.isfinite, box)):
            box = Extent(-math.inf, -math.inf, math.inf, math.inf)
        union = (
            box
            if union is None
            else Extent(min(union[0], box[0]), min(union[1], box[1]), max(union[2], box[2]), max(union[3], box[3]))
        )
    assert union is not None
    shared = union if extent is None else extent.overlap(union)
    needed = needed or extent
    if shared is None or (needed is not None and needed.overlap(union) is None):
        assert needed is not None
        raise InputError(
            f"the elevation covers {_latlon_text(union, projection)}, the roads "
            f"{_latlon_text(needed, projection)}: they do not overlap",
            ", ".join(str(s.tile.path) for s in sources),
            "give the elevation tiles that lie there",
        )
    if not all(map(math.isfinite, shared)):
        raise InputError("the elevation covers the whole world", str(sources[0].tile.path), "cut out the part needed")
    if step_m is None:
        step_m = float(max(1, round(sources[0].tile.native_step_m)))
        area = (shared.east_m - shared.west_m) * (shared.north_m - shared.south_m)
        step_m = max(step_m, float(math.ceil(math.sqrt(area / CELLS_AT_MOST))))
    west = math.ceil(shared.west_m / step_m) * step_m
    north = math.floor(shared.north_m / step_m) * step_m
    cols = math.floor((shared.east_m - west) / step_m) + 1
    rows = math.floor((north - shared.south_m) / step_m) + 1
    if rows < 3 or cols < 3:
        raise InputError(
            f"only {max(rows, 0)} x {max(cols, 0)} cells of elevation lie over the roads",
            str(sources[0].tile.path),
            "give the tiles that lie there",
        )
    grid = Grid(np.full((rows, cols), np.nan, np.float32), west, north, step_m)
    covered = np.zeros((rows, cols), bool)
    for group in _aligned(sources):
        to_source = Transformer.from_crs(target, group[0].crs, always_xy=True)
        try:
            values, state = _warp(group, grid, to_source)
        except InputError as error:
            faults.extend(error.faults)
            continue
        take = ~np.isfinite(grid.values) & (state == 1)
        grid.values[take] = values[take]
        covered |= state > 0
    if not faults:
        faults = _range_faults(grid, sources)
    if faults:
        raise InputError(faults)
    return Elevation(grid, covered, tuple(s.tile for s in sources))


def _range_faults(grid: Grid, sources: list[_Source]) -> list[Fault]:
    known = grid.values[np.isfinite(grid.values)]
    where = ", ".join(str(s.tile.path) for s in sources)
    if known.size == 0:
        return []
    low, high = float(known.min()), float(known.max())
    if high > HIGHEST_M:
        return [
            Fault(
                f"the highest value, {high:.0f}, is no height in metres: feet or decimetres?",
                where,
                "convert it to metres",
            )
        ]
    if low < LOWEST_M:
        return [
            Fault(
                f"the lowest value, {low:.0f}, is no height in metres: an undeclared void value?",
                where,
                "set the file's no-data value",
            )
        ]
    return []


def _latlon_text(extent: Extent, projection: Projection) -> str:
    """ "42.43 to 42.66 N, 1.41 to 1.79 E" for messages."""
    if not all(map(math.isfinite, extent)):
        return "the whole world"
    x = np.array([extent.west_m, extent.east_m, extent.west_m, extent.east_m])
    y = np.array([extent.south_m, extent.south_m, extent.north_m, extent.north_m])
    latitude, longitude = projection.to_latlon(x, y)
    return latlon_box_text(min(latitude), min(longitude), max(latitude), max(longitude))


def latlon_box_text(south: float, west: float, north: float, east: float) -> str:
    """A box in degrees as people write it: "42.43 to 42.66 N, 1.41 to 1.79 E"."""

    def span(low: float, high: float, plus: str, minus: str) -> str:
        if low >= 0:
            return f"{low:.2f} to {high:.2f} {plus}"
        if high <= 0:
            return f"{-low:.2f} to {-high:.2f} {minus}"
        return f"{-low:.2f} {minus} to {high:.2f} {plus}"

    return f"{span(south, north, 'N', 'S')}, {span(west, east, 'E', 'W')}"


# --- opening ---


def _open(path: Path) -> _Source:
    if not path.is_file():
        raise InputError("there is no such file", str(path), "check the name")
    name = path.name.lower()
    if name.endswith((".hgt", ".hgt.gz", ".zip")):
        return _open_hgt(path)
    with path.open("rb") as file:
        head = file.read(256)
    if len(head) == 0:
        raise InputError("the file is empty", str(path), "fetch it again")
    if head[:4] not in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        raise InputError(
            f"not a GeoTIFF: {_what_it_looks_like(head)}",
            str(path),
            "give a GeoTIFF, or an .hgt file (alone, .zip or .gz)",
        )
    return _open_geotiff(path)


def _what_it_looks_like(head: bytes) -> str:
    start = head.lstrip().lower()
    if start.startswith((b"<!doctype html", b"<html")):
        return "it holds a web page, so a download went wrong"
    if start.startswith((b"<?xml", b"<osm")):
        return "it holds XML"
    if b"OSMHeader" in head:
        return "it holds OpenStreetMap data"
    if head.startswith(b"PK"):
        return "it is a zip archive"
    if head.startswith(b"\x1f\x8b"):
        return "it is compressed with gzip"
    if head.startswith((b"\x89PNG", b"\xff\xd8\xff")):
        return "it is a picture"
    return "it starts with " + " ".join(f"{b:02x}" for b in head[:4])


@contextlib.contextmanager
def _quietly() -> Iterator[None]:
    """Without rasterio's warning on rasters that lack their placement: we say it as a fault."""
    from rasterio.errors import NotGeoreferencedWarning

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        yield


def _open_geotiff(path: Path) -> _Source:
    import rasterio
    from pyproj import CRS
    from rasterio.errors import RasterioError

    faults = []
    try:
        with _quietly(), rasterio.Env(**_GDAL), rasterio.open(path, driver="GTiff") as src:
            crs_text = src.crs.to_wkt() if src.crs else ""
            transform, rows, cols, bands = src.transform, src.height, src.width, src.count
            dtype, nodata, unit = src.dtypes[0], src.nodata, (src.units[0] or "").strip().lower()
            scale, offset = src.scales[0], src.offsets[0]
            block = src.block_shapes[0]
            tags = {k.upper(): v for k, v in src.tags().items()}
    except (RasterioError, ValueError, OSError) as error:
        raise InputError(
            f"cannot be opened as a GeoTIFF ({_short(error)})", str(path), "it may be cut off: fetch it again"
        ) from error
    if bands != 1:
        faults.append(
            Fault(
                f"has {bands} bands, so it is a picture or a stack, not heights",
                str(path),
                "give a file with one band of heights in metres",
            )
        )
    if bands == 1 and dtype in ("uint8", "int8"):
        what = "its values are single bytes, so it is a picture or classes, not heights"
        faults.append(Fault(what, str(path), "give heights in metres; land-cover classes go to --cover"))
    if np.dtype(dtype).kind not in "iuf":
        faults.append(Fault(f"its values are {dtype}, not numbers", str(path), "give heights in metres"))
    if block[0] * block[1] > _BLOCK_CELLS_AT_MOST:
        faults.append(
            Fault(
                f"its blocks of {block[0]} x {block[1]} cells are too large to unpack",
                str(path),
                "write it anew in tiles of 512 x 512",
            )
        )
    datum, kind = "", _kind_of(path, tags)
    crs: Any = None
    if not crs_text:
        faults.append(
            Fault(
                "has no coordinate system (no datum), so its place on the Earth is unknown",
                str(path),
                "write the coordinate system into it (EPSG:4326?); if it was cut off, fetch it again",
            )
        )
    else:
        whole = CRS.from_wkt(crs_text)
        crs, datum, crs_unit = _parts(whole)
        if not (crs.is_geographic or crs.is_projected):
            faults.append(
                Fault(
                    f"its coordinate system ({whole.name}) is not tied to the Earth",
                    str(path),
                    "write the right one into it, for example EPSG:4326",
                )
            )
        if any(word in datum.lower() for word in _ELLIPSOID):
            faults.append(
                Fault(
                    "its heights are above the ellipsoid, not above the sea (tens of metres apart)",
                    str(path),
                    "convert them to heights above the geoid (EGM96 or EGM2008)",
                )
            )
        unit = unit or crs_unit
    if unit not in _METRES:
        faults.append(
            Fault(
                f"its heights are in {unit!r}, not metres",
                str(path),
                "convert the values to metres (one foot is 0.3048 m) and set the unit",
            )
        )
    if not transform.is_rectilinear and crs is not None and abs(transform.determinant) < 1e-30:
        faults.append(Fault("its cells have no size", str(path), "write its placement into it"))
    if transform.is_identity:
        faults.append(Fault("does not say where on the Earth it lies", str(path), "write its placement into it"))
    if faults:
        raise InputError(faults)
    notes = () if datum else ("vertical datum not stated; taken as metres above mean sea level",)
    step = _native_step_m(crs, transform, rows, cols)
    tile = Tile(path, _crs_name(crs), datum or "not stated", rows, cols, step, kind, _rights(path, tags), notes)
    return _Source(tile, crs, transform, nodata, None, scale, offset)


def _parts(whole: Any) -> tuple[Any, str, str]:
    """Horizontal CRS, vertical datum and vertical unit of a pyproj CRS."""
    if whole.is_compound:
        flat, vertical = whole.sub_crs_list[0], whole.sub_crs_list[1]
        unit = vertical.axis_info[0].unit_name.lower() if vertical.axis_info else ""
        name = vertical.name
        if vertical.to_authority():
            name = f"{name} ({':'.join(vertical.to_authority())})"
        return flat.to_2d(), name, unit
    if len(whole.axis_info) == 3:
        unit = whole.axis_info[2].unit_name.lower()
        return whole.to_2d(), f"ellipsoid of {whole.name}", unit
    return whole, "", ""


def _crs_name(crs: Any) -> str:
    authority = crs.to_authority()
    return ":".join(authority) if authority else str(crs.name)


def _kind_of(path: Path, tags: dict[str, str]) -> str:
    stated = tags.get("ELEVATION_KIND", "").lower()
    if stated in ("terrain", "surface"):
        return stated
    name = path.name.lower()
    if any(word in name for word in _SURFACE_NAMES):
        return "surface"
    return "terrain" if re.search(r"dtm|terrain|bare", name) else ""


def _rights(path: Path, tags: dict[str, str]) -> str:
    """Licence line as the file states it, or as its name tells."""
    stated = tags.get("TIFFTAG_COPYRIGHT") or tags.get("LICENCE") or tags.get("LICENSE") or ""
    name = path.name.lower()
    if not stated and "srtm" in name:
        return _SRTM_RIGHTS
    if not stated and name.startswith("copernicus_dsm"):
        return COPERNICUS_RIGHTS
    return stated.strip()


def _short(error: BaseException) -> str:
    """First line of what the reading library says."""
    cause = error.__cause__ or error
    return str(cause).strip().splitlines()[0][:160] if str(cause).strip() else type(cause).__name__


def _native_step_m(crs: Any, transform: Any, rows: int, cols: int) -> float:
    """The shorter side [m] of the cell amid the raster, measured in working coordinates' datum."""
    from pyproj import Geod, Transformer

    to_degrees = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    x, y = _apply(transform, cols / 2 + np.array([0.0, 1.0, 0.0]), rows / 2 + np.array([0.0, 0.0, 1.0]))
    longitude, latitude = to_degrees.transform(x, y)
    geod = Geod(ellps="WGS84")
    sides = [geod.inv(longitude[0], latitude[0], longitude[i], latitude[i])[2] for i in (1, 2)]
    return float(min(sides))


_HGT_NAME = re.compile(r"([NS])(\d{2})([EW])(\d{3})", re.IGNORECASE)


def _open_hgt(path: Path) -> _Source:
    from pyproj import CRS
    from rasterio.transform import Affine

    data, name = _hgt_bytes(path)
    place = _HGT_NAME.search(name)
    if place is None:
        raise InputError(
            "the name does not tell the tile's south-west corner",
            f"{path} ({name})",
            "an .hgt file is called like N42E001.hgt",
        )
    shape = _HGT_SIZES.get(len(data) // 2) if len(data) % 2 == 0 else None
    if shape is None:
        raise InputError(
            f"holds {len(data)} bytes, which no .hgt tile does (2884802 or 25934402): cut off?",
            str(path),
            "fetch it again",
        )
    rows, cols = shape
    south = int(place[2]) * (1 if place[1].upper() == "N" else -1)
    west = int(place[4]) * (1 if place[3].upper() == "E" else -1)
    if abs(south) > 90 or abs(west) > 180:
        raise InputError(f"{place[0]} is no place on the Earth", str(path), "check the name")
    dx, dy = 1.0 / (cols - 1), 1.0 / (rows - 1)
    transform = Affine(dx, 0.0, west - dx / 2, 0.0, -dy, south + 1 + dy / 2)
    crs = CRS.from_epsg(4326)
    array = np.frombuffer(data, dtype=">i2").reshape(rows, cols)
    step = _native_step_m(crs, transform, rows, cols)
    tile = Tile(path, "EPSG:4326", "EGM96 (as the SRTM format has it)", rows, cols, step, "surface", _SRTM_RIGHTS)
    return _Source(tile, crs, transform, -32768.0, array)


def _hgt_bytes(path: Path) -> tuple[bytes, str]:
    """Content and name of the .hgt in a plain, zip or gz file; never unpacks more than the largest tile."""
    limit = _HGT_BYTES_AT_MOST + 1
    lower = path.name.lower()
    try:
        if lower.endswith(".zip"):
            with zipfile.ZipFile(path) as archive:
                members = [m for m in archive.infolist() if m.filename.lower().endswith(".hgt")]
                if len(members) != 1:
                    raise InputError(
                        f"holds {len(members)} .hgt files, not one",
                        str(path),
                        "give an archive with a single .hgt file, or unpack it",
                    )
                with archive.open(members[0]) as file:
                    data, name = file.read(limit), Path(members[0].filename).name
        elif lower.endswith(".gz"):
            with gzip.open(path) as packed:
                data, name = packed.read(limit), path.name
        else:
            with path.open("rb") as plain:
                data, name = plain.read(limit), path.name
    except InputError:
        raise
    except (OSError, EOFError, zipfile.BadZipFile, zlib.error, RuntimeError, ValueError) as error:
        # RuntimeError: zipfile's for an archive with a password, or packed in a way that it does not know
        raise InputError(f"cannot be unpacked ({_short(error)})", str(path), "fetch it again") from error
    if len(data) >= limit:
        raise InputError(
            "unpacks to more than the largest .hgt tile (25934402 bytes)",
            str(path),
            "it is not an .hgt tile; do not use it",
        )
    return data, name


# --- warping ---


def _aligned(sources: list[_Source]) -> list[list[_Source]]:
    """Sources whose cells continue each other's (same system, size and phase), so that no seam shows."""
    groups: list[list[_Source]] = []
    for source in sources:
        t = source.transform
        for group in groups:
            g = group[0].transform
            same_cells = all(abs(a - b) <= 1e-7 * abs(g.a) for a, b in ((t.a, g.a), (t.b, g.b), (t.d, g.d), (t.e, g.e)))
            if same_cells and t.b == 0 and t.d == 0 and source.crs == group[0].crs:
                column, row = (t.c - g.c) / g.a, (t.f - g.f) / g.e
                if abs(column - round(column)) < 0.01 and abs(row - round(row)) < 0.01:
                    group.append(source)
                    break
        else:
            groups.append([source])
    return groups


def _warp(group: list[_Source], grid: Grid, to_source: Any) -> tuple[np.ndarray, np.ndarray]:
    """Heights on the grid's cells and their state: 0 not covered, 1 height, 2 void."""
    from rasterio.enums import Resampling
    from rasterio.transform import Affine
    from rasterio.warp import reproject

    first = group[0]
    inverse = ~first.transform
    x, y = _border(grid)
    source_x, source_y = to_source.transform(x, y)
    column, row = _apply(inverse, source_x, source_y)
    ok = np.isfinite(column) & np.isfinite(row)
    state = np.zeros(grid.values.shape, np.uint8)
    values = np.full(grid.values.shape, np.nan, np.float32)
    if not ok.any():
        return values, state
    window = (
        math.floor(column[ok].min()) - 2,
        math.floor(row[ok].min()) - 2,
        math.ceil(column[ok].max()) + 3,
        math.ceil(row[ok].max()) + 3,
    )
    shrink = max(1, round(grid.step_m / first.tile.native_step_m * 0.75))
    mosaic, known = _mosaic(group, window, shrink)
    if mosaic is None:
        return values, state
    col0, row0 = known
    t = first.transform
    corner_x, corner_y = _apply(t, col0, row0)
    transform = Affine(t.a * shrink, t.b * shrink, corner_x, t.d * shrink, t.e * shrink, corner_y)
    crs = first.crs.to_wkt()
    code = np.where(np.isinf(mosaic), np.uint8(0), np.where(np.isnan(mosaic), np.uint8(2), np.uint8(1)))
    mosaic[np.isinf(mosaic)] = np.nan
    shared: dict[str, Any] = {
        "src_transform": transform,
        "src_crs": crs,
        "dst_transform": grid.affine(),
        "dst_crs": str(to_source.source_crs.to_wkt()),
        "num_threads": 1,
        "tolerance": 0.01,
    }
    reproject(mosaic, values, src_nodata=np.nan, dst_nodata=np.nan, resampling=Resampling.bilinear, **shared)
    reproject(code, state, src_nodata=0, dst_nodata=0, resampling=Resampling.nearest, **shared)
    state[(state == 1) & ~np.isfinite(values)] = 0
    values[state != 1] = np.nan
    return values, state


def _border(grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """Points round the grid and across it, enough to bound its image in another system."""
    west, south, east, north = grid.extent.grown(grid.step_m)
    x, y = np.meshgrid(np.linspace(west, east, 17), np.linspace(south, north, 17))
    return x.ravel(), y.ravel()


def _mosaic(
    group: list[_Source], window: tuple[int, int, int, int], shrink: int
) -> tuple[np.ndarray | None, tuple[int, int]]:
    """Source cells of the window (col0, row0, col1, row1 of the first source), averaged `shrink`-fold.

    Voids are NaN, cells that no file covers are +inf. Returns the array and its first column and row.
    """
    first = group[0]
    boxes = []
    for source in group:
        column = round((source.transform.c - first.transform.c) / first.transform.a)
        row = round((source.transform.f - first.transform.f) / first.transform.e) if first.transform.e else 0
        if len(group) == 1:
            column = row = 0
        boxes.append((column, row, column + source.tile.cols, row + source.tile.rows))
    col0 = max(window[0], min(b[0] for b in boxes))
    row0 = max(window[1], min(b[1] for b in boxes))
    col1 = min(window[2], max(b[2] for b in boxes))
    row1 = min(window[3], max(b[3] for b in boxes))
    if col0 >= col1 or row0 >= row1:
        return None, (0, 0)
    rows, cols = -(-(row1 - row0) // shrink), -(-(col1 - col0) // shrink)
    out = np.full((rows, cols), np.inf, np.float32)
    for source, box in zip(group, boxes):
        c0, r0 = max(col0, box[0]), max(row0, box[1])
        c1, r1 = min(col1, box[2]), min(row1, box[3])
        if shrink > 1:  # whole blocks of the mosaic only
            c0, r0 = col0 + -(-(c0 - col0) // shrink) * shrink, row0 + -(-(r0 - row0) // shrink) * shrink
            c1, r1 = col0 + (c1 - col0) // shrink * shrink, row0 + (r1 - row0) // shrink * shrink
        if c0 >= c1 or r0 >= r1:
            continue
        piece = _read(source, c0 - box[0], r0 - box[1], c1 - c0, r1 - r0, shrink)
        at = (
            slice((r0 - row0) // shrink, (r0 - row0) // shrink + piece.shape[0]),
            slice((c0 - col0) // shrink, (c0 - col0) // shrink + piece.shape[1]),
        )
        held = out[at]
        out[at] = np.where(np.isfinite(held), held, piece)
    return out, (col0, row0)


def _read(source: _Source, column: int, row: int, cols: int, rows: int, shrink: int) -> np.ndarray:
    """Heights [m] of a window, float32, voids NaN."""
    if source.array is not None:
        raw = source.array[row : row + rows, column : column + cols].astype(np.float32)
        raw[raw == source.nodata] = np.nan
        if shrink > 1:
            blocks = raw.reshape(rows // shrink, shrink, cols // shrink, shrink)
            raw = blocks.mean(axis=(1, 3))
        return raw
    import rasterio
    from rasterio.enums import Resampling
    from rasterio.errors import RasterioError
    from rasterio.windows import Window

    try:
        with rasterio.Env(**_GDAL), rasterio.open(source.tile.path, driver="GTiff") as src:
            raw = src.read(
                1,
                window=Window(column, row, cols, rows),
                out_shape=(rows // shrink, cols // shrink),
                resampling=Resampling.average if shrink > 1 else Resampling.nearest,
            )
    except (RasterioError, OSError, ValueError) as error:
        raise InputError(
            f"cannot be read to its end ({_short(error)}): cut off?", str(source.tile.path), "fetch it again"
        ) from error
    out = raw.astype(np.float32)
    voids = (
        UNDECLARED_VOIDS if source.nodata is None or math.isnan(source.nodata) else (source.nodata, *UNDECLARED_VOIDS)
    )
    for void in voids:
        out[raw == np.float32(void) if raw.dtype.kind == "f" else raw == void] = np.nan
    out[~np.isfinite(out)] = np.nan
    if source.scale != 1.0 or source.offset != 0.0:
        out = out * np.float32(source.scale) + np.float32(source.offset)
    return out
