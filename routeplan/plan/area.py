"""The area: roads, elevation, cover and water of one region, prepared once, in one folder of open formats.

`make_area` builds the folder atomically from files; `load_area` holds it to its own hashes and reads it. The
formats are written down in docs/area_format.md.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import shutil
import tempfile
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs

from routeplan import __version__
from routeplan.errors import Fault, InputError
from routeplan.geo import EARTH_RADIUS_M, Projection
from routeplan.plan import writable
from routeplan.plan.remembered import Losses
from routeplan.roads.network import Network
from routeplan.roads.places import Places
from routeplan.terrain.grid import Extent, Grid, smooth

FORMAT = "routeplan area 1"
MARGIN_M = 15_000.0  # elevation kept round the roads, for the hills between
MANIFEST = "manifest.toml"
RASTERS = ("elevation", "cover", "zone", "filled")
TABLES = ("streets", "junctions", "ways", "turns", "places", "ground")
_FILES = (*(f"{name}.tif" for name in RASTERS), *(f"{name}.parquet" for name in TABLES))
_MADE_WITH = f"routeplan {__version__}"
_REMAKE = "make it again: routeplan area make --replace"
_CACHE_FORMAT = 1
_CACHED_AREAS = 12
_SLOPE_SIGMA_M = 60.0

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Ground:
    """Land as polygons for maps, in working coordinates.

    Polygon k has rings ring_of[k]:ring_of[k + 1], the outer one first; ring r has points
    point_of[r]:point_of[r + 1].
    """

    kind: tuple[str, ...]  # "natural=wood", "landuse=residential", "natural=water", ...
    ring_of: np.ndarray
    point_of: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray

    def __len__(self) -> int:
        return len(self.kind)

    def __iter__(self) -> Iterator[tuple[str, list[np.ndarray]]]:
        """(kind, rings), each ring (k, 2) x, y."""
        xy = np.column_stack([self.x_m, self.y_m])
        for k, kind in enumerate(self.kind):
            rings = range(self.ring_of[k], self.ring_of[k + 1])
            yield kind, [xy[self.point_of[r] : self.point_of[r + 1]] for r in rings]


@dataclass(frozen=True)
class Area:
    """A region ready to be planned on. All in working coordinates (`projection`), heights above the sea.

    elevation : ground beneath what stands on it, as the radio model takes it [m]; NaN unknown.
    cover : height of woods and buildings on it [m], 0 along roads. zone : 1 sea, 3 coastal land, 4 inland.
    filled : 1 where the elevation was interpolated over a small void.
    """

    folder: Path
    manifest: dict[str, Any]
    projection: Projection
    elevation: Grid
    cover: Grid
    zone: Grid
    filled: Grid
    network: Network
    places: Places
    ground: Ground

    @property
    def name(self) -> str:
        return str(self.manifest["name"])

    @property
    def elevation_kind(self) -> str:
        """What the elevation files held: "terrain" or "surface"."""
        return str(self.manifest["elevation"]["kind"])

    @property
    def attribution(self) -> tuple[str, ...]:
        """Lines that must stand beside anything drawn from this area."""
        return tuple(dict.fromkeys(s["rights"] for s in self.manifest["source"] if s["rights"]))

    @cached_property
    def losses(self) -> Losses:
        """Path losses that were reckoned over the rasters before."""
        return Losses()

    def climb_uncertainty_m(self, length_m: float, climb_m: float) -> float:
        """Standard deviation of the climb [m] of a ride of `length_m`."""
        heights = self.manifest["heights"]
        scatter = heights["climb_sigma_m_per_sqrt_km"] * np.sqrt(length_m / 1000.0)
        return float(np.hypot(scatter, heights["climb_bias_share"] * climb_m))


# --- making ---


def make_area(
    folder: str | Path,
    *,
    roads: Sequence[str | Path],
    terrain: Sequence[str | Path],
    cover: Sequence[str | Path] = (),
    elevation_kind: str | None = None,
    extent_deg: tuple[float, float, float, float] | None = None,
    roads_rights: str | None = None,
    name: str | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> Area:
    """Prepare an area from OpenStreetMap files and elevation files.

    extent_deg : (south, west, north, east): only roads inside; None takes all.
    roads_rights : licence and attribution of the roads where they are not OpenStreetMap's own.
    cover : land-cover rasters; without them, and where they say nothing, cover comes from the roads' file.
    elevation_kind : "terrain" or "surface" (roofs and trees included); None goes by what the files say.
    replace : whether another area in the folder gives way; one made from the same files in the same way is
    simply given, or made anew where it is damaged.
    The folder appears complete or not at all. Raises InputError with every fault of the files.
    """
    folder, say = Path(folder), progress or (lambda text: None)
    asked = {
        "roads": _sums(roads),
        "terrain": _sums(terrain),
        "cover": _sums(cover),
        "elevation_kind": elevation_kind or "",
        "extent_deg": [float(v) for v in extent_deg or ()],
        "roads_rights": roads_rights or "",
    }
    target = _target(folder, asked, replace, say)
    if target.stands is not None:
        return target.stands
    inputs = _Inputs(
        tuple(map(Path, roads)),
        tuple(map(Path, terrain)),
        tuple(map(Path, cover)),
        elevation_kind,
        extent_deg,
        roads_rights,
        {},
    )
    return _make(target, inputs, name, say)


def download_area(
    folder: str | Path,
    around: str,
    radius_km: float,
    *,
    cover: Sequence[str | Path] = (),
    name: str | None = None,
    replace: bool = False,
    progress: Progress | None = None,
) -> Area:
    """Prepare an area of roads and elevation fetched round `around` ("LAT,LON" in degrees).

    Roads come from an Overpass server, elevation from Copernicus GLO-30 tiles; both addresses can be set by
    environment variables (ROUTEPLAN_OVERPASS, ROUTEPLAN_GLO30_ADDRESS). What was fetched stays in the user's cache
    folder, so that a broken download goes on where it stopped. An area of the same place and radius that stands in
    the folder is given as it is; `replace` as in `make_area`. Raises DownloadError or InputError.
    """
    from routeplan.roads.overpass import box_around, download_roads
    from routeplan.terrain import glo30

    folder, say = Path(folder), progress or (lambda text: None)
    latitude, longitude = _place(around)
    asked = {"around": [latitude, longitude], "radius_km": float(radius_km), "cover": _sums(cover)}
    target = _target(folder, asked, replace, say)
    if target.stands is not None:
        return target.stands
    box = box_around(latitude, longitude, radius_km * 1000)
    fetched = download_roads(latitude, longitude, radius_km * 1000, progress=say)
    tiles = glo30.download(_grown(box, MARGIN_M), progress=say)
    origins = {
        path.name: {"from": fetched.address, "fetched": moment}
        for path, moment in zip(fetched.paths, fetched.fetched, strict=True)
    } | {path.name: {"from": glo30.address_of()} for path in tiles}
    inputs = _Inputs(fetched.paths, tuple(tiles), tuple(map(Path, cover)), None, box, None, origins)
    return _make(target, inputs, name, say)


def _grown(box: tuple[float, float, float, float], margin_m: float) -> tuple[float, float, float, float]:
    """A box in degrees and at least `margin_m` round it, ending at the poles and the antimeridian."""
    south, west, north, east = box
    high = math.degrees(margin_m / EARTH_RADIUS_M)
    wide = high / math.cos(math.radians(min(89.0, max(abs(south), abs(north)) + high)))
    return max(-90.0, south - high), max(-180.0, west - wide), min(90.0, north + high), min(180.0, east + wide)


def _place(around: str) -> tuple[float, float]:
    """Latitude and longitude of "LAT,LON"."""
    try:
        latitude, longitude = (float(part) for part in around.split(","))
    except ValueError:
        latitude = longitude = math.nan
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        raise InputError("is no place", f"{around!r}", "give latitude,longitude in degrees, like 42.51,1.52")
    return latitude, longitude


@dataclass(frozen=True)
class _Inputs:
    roads: tuple[Path, ...]
    terrain: tuple[Path, ...]
    cover: tuple[Path, ...]
    elevation_kind: str | None
    extent_deg: tuple[float, float, float, float] | None
    roads_rights: str | None
    origins: dict[str, dict[str, Any]]  # of downloaded files, by name: for the manifest


def _make(target: _Target, inputs: _Inputs, name: str | None, say: Progress) -> Area:
    if inputs.elevation_kind not in (None, "terrain", "surface"):
        raise InputError(f"{inputs.elevation_kind!r} is no kind of elevation", mend='say "terrain" or "surface"')
    folder = target.folder
    data = _gather(inputs, say)
    data.manifest["name"] = name or folder.resolve().name
    data.manifest["asked"] = target.asked
    with _appearing(folder, target.may_replace) as made:
        say("writing the area")
        _write(made, data)
    area = load_area(folder)
    say(f"{folder}: {area.network.street_count} streets, {area.elevation.values.size} cells")
    return area


@dataclass(frozen=True)
class _Data:
    manifest: dict[str, Any]
    projection: Projection
    grids: dict[str, Grid]
    network: Network
    places: Places
    ground: Ground


def _gather(inputs: _Inputs, say: Progress) -> _Data:
    from routeplan.roads.heights import fit_heights
    from routeplan.roads.reader import read_osm
    from routeplan.terrain import cover as covers
    from routeplan.terrain import zones
    from routeplan.terrain.tiles import open_tiles, read_tiles
    from routeplan.terrain.voids import fill_voids

    faults: list[Fault] = []
    try:
        open_tiles(inputs.terrain)
    except InputError as error:
        faults.extend(error.faults)
    try:
        osm = read_osm(inputs.roads, extent=inputs.extent_deg, progress=say)
    except InputError as error:
        faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    projection, network = osm.projection, osm.network

    say("elevation: reading and warping")
    extent = Extent(*osm.extent_m)
    read = read_tiles(inputs.terrain, projection, extent.grown(MARGIN_M), needed=extent)
    kind, kind_origin = _kind(read.tiles, inputs.elevation_kind)
    filled = fill_voids(read.grid, inside=read.covered)
    coast = [np.column_stack(projection.to_xy(line[:, 0], line[:, 1])) for line in osm.coastline]
    sea = zones.find_sea(filled.grid, coast, _coast_known(extent, coast))
    sea_voids = sea.sea & ~np.isfinite(filled.grid.values)
    surface = filled.grid.like(np.where(sea_voids, np.float32(0), filled.grid.values))
    x, y = network.point_x_m, network.point_y_m
    at_roads = surface.sample(x, y)
    if not np.isfinite(at_roads).any():
        raise InputError(
            f"no road lies on the elevation: the roads cover {_box_text(osm.extent_deg)}, the elevation "
            f"{_box_text(_extent_deg(surface.extent, projection))}",
            ", ".join(map(str, inputs.terrain)),
            "give the elevation tiles that lie there",
        )

    say("ground cover and water")
    ground = _ground(osm.ground, projection)
    standing, cover_how = _cover(surface, ground, inputs.cover, projection)
    standing[sea.sea] = 0
    elevation = covers.bare_ground(surface, standing) if kind == "surface" else surface
    begins = np.flatnonzero(network.piece_way >= 0)
    row = network.piece_way[begins]
    begins = begins[~(network.ways.ferry[row] | network.ways.tunnel[row])]
    cleared = covers.clear_corridor(standing, surface, *covers.along(x, y, begins, begins + 1))
    zone = zones.zones(elevation, sea.sea)

    say("road heights")
    rough = smooth(surface, _SLOPE_SIGMA_M).values
    slope = surface.like(np.hypot(*np.gradient(rough, surface.step_m)).astype(np.float32)).sample(x, y)
    fit = fit_heights(network, at_roads, ground_slope=slope, raster_step_m=max(t.native_step_m for t in read.tiles))
    network = network.with_heights(fit.height_m)

    grids = {
        "elevation": elevation.like(np.round(elevation.values, 2)),
        "cover": surface.like(cleared),
        "zone": zone,
        "filled": surface.like(filled.mask.astype(np.uint8)),
    }
    report = fit.report
    manifest = {
        "format": FORMAT,
        "name": "",
        "made_with": _MADE_WITH,
        "projection": {
            "latitude_deg": projection.latitude_deg,
            "longitude_deg": projection.longitude_deg,
            "proj4": projection.proj4,
        },
        "roads": {
            "extent_deg": list(osm.extent_deg),
            "data_of": osm.timestamp,
            "counts": osm.counts,
            "ways_kept_by_rule": osm.kept,
            "ways_left_out_by_rule": osm.dropped,
        },
        "elevation": {
            "kind": kind,
            "kind_origin": kind_origin,
            "unit": "m",
            "vertical_datum": "; ".join(dict.fromkeys(t.vertical_datum for t in read.tiles)),
            "cover_taken_out": kind == "surface",
            "extent_deg": list(_extent_deg(surface.extent, projection)),
            "rows": surface.values.shape[0],
            "cols": surface.values.shape[1],
            "west_m": surface.west_m,
            "north_m": surface.north_m,
            "step_m": surface.step_m,
            "lowest_m": float(np.nanmin(elevation.values)),
            "highest_m": float(np.nanmax(elevation.values)),
            "void_cells": read.void_cells,
            "void_cells_filled": filled.filled_cells,
            "void_patches_filled": filled.filled_patches,
            "void_cells_left": filled.left_cells - int((sea_voids & read.covered).sum()),
            "void_cells_at_sea": int(sea_voids.sum()),
        },
        "cover": {
            "unit": "m",
            "how": cover_how,
            "share_covered": float((cleared > 0).mean()),
            "cleared_within_m": covers.CORRIDOR_M,
        },
        "zone": {
            "how": sea.how,
            "sea_share": float((zone.values == zones.SEA).mean()),
            "coastal_share": float((zone.values == zones.COASTAL).mean()),
        },
        "heights": {f.name: getattr(report, f.name) for f in fields(report)},
        "source": [
            *(
                _source("roads", p, inputs.roads_rights or osm.attribution) | inputs.origins.get(p.name, {})
                for p in inputs.roads
            ),
            *(
                _source("terrain", t.path, t.rights)
                | inputs.origins.get(t.path.name, {})
                | {
                    "crs": t.crs,
                    "vertical_datum": t.vertical_datum,
                    "native_step_m": round(t.native_step_m, 2),
                }
                | ({"notes": list(t.notes)} if t.notes else {})
                for t in read.tiles
            ),
            *(_source("cover", p, "") for p in inputs.cover),
        ],
    }
    return _Data(manifest, projection, grids, network, osm.places, ground)


def _kind(tiles: Sequence[Any], stated: str | None) -> tuple[str, str]:
    """Terrain or surface, and how that is known."""
    if stated is not None:
        return stated, "stated"
    kinds = {t.kind for t in tiles}
    if "surface" in kinds:
        return "surface", "by the name or tags of the files"
    if kinds == {"terrain"}:
        return "terrain", "by the name or tags of the files"
    return "terrain", "assumed: the files do not say whether roofs and trees are in them"


def _coast_known(extent: Extent, coast: Sequence[np.ndarray]) -> Extent:
    """Where the coastline can be taken as complete: round the roads and the coast itself."""
    if not coast:
        return extent
    xy = np.concatenate(coast)
    return Extent(
        min(extent.west_m, float(xy[:, 0].min())),
        min(extent.south_m, float(xy[:, 1].min())),
        max(extent.east_m, float(xy[:, 0].max())),
        max(extent.north_m, float(xy[:, 1].max())),
    )


def _ground(polygons: Sequence[Any], projection: Projection) -> Ground:
    rings = [ring for polygon in polygons for ring in polygon.rings]
    ring_of = np.cumsum([0, *(len(p.rings) for p in polygons)])
    point_of = np.cumsum([0, *(len(ring) for ring in rings)])
    latlon = np.concatenate(rings) if rings else np.zeros((0, 2))
    x, y = projection.to_xy(latlon[:, 0], latlon[:, 1])
    return Ground(tuple(p.kind for p in polygons), ring_of, point_of, np.asarray(x), np.asarray(y))


def _cover(grid: Grid, ground: Ground, files: Sequence[str | Path], projection: Projection) -> tuple[np.ndarray, str]:
    """Height of what stands on every cell [m], roads not cleared, and where it is from."""
    import shapely

    from routeplan.terrain.cover import OSM_COVER_M, cover_from_polygons, cover_from_raster

    polygons, heights = [], []
    for kind, rings in ground:
        if kind in OSM_COVER_M:
            polygons.append(shapely.Polygon(rings[0], rings[1:]))
            heights.append(OSM_COVER_M[kind])
    standing = cover_from_polygons(grid, polygons, heights)
    how = "land use of the road data"
    if files:
        raster = cover_from_raster(files, grid, projection)
        known = np.isfinite(raster.heights_m)
        standing = np.where(known, raster.heights_m, standing).astype(np.float32)
        how = f"land-cover raster ({raster.table}), and land use of the road data where it says nothing"
    standing[~np.isfinite(grid.values)] = 0
    return standing, how


def _extent_deg(extent: Extent, projection: Projection) -> tuple[float, float, float, float]:
    """South, west, north, east [deg] round a rectangle in working coordinates."""
    x = np.linspace(extent.west_m, extent.east_m, 9)
    y = np.linspace(extent.south_m, extent.north_m, 9)
    x, y = (a.ravel() for a in np.meshgrid(x, y))
    latitude, longitude = projection.to_latlon(x, y)
    return tuple(round(float(v), 5) for v in (latitude.min(), longitude.min(), latitude.max(), longitude.max()))  # type: ignore[return-value]


def _box_text(box: Sequence[float]) -> str:
    from routeplan.terrain.tiles import latlon_box_text

    return latlon_box_text(*box)


def _source(role: str, path: Path, rights: str) -> dict[str, Any]:
    return {
        "role": role,
        "file": path.name,
        "bytes": path.stat().st_size,
        "sha256": _sha256(path),
        "rights": rights,
    }


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sums(paths: Sequence[str | Path]) -> list[str]:
    """Hashes of input files by which they are known again; of one that cannot be read, "": its reader tells why."""
    sums = []
    for path in map(Path, paths):
        try:
            sums.append(_sha256(path))
        except OSError:
            sums.append("")
    return sums


# --- the folder appears complete or not at all ---


@dataclass(frozen=True)
class _Target:
    """Where an area is wanted. `stands`: the one asked for, where it is there already."""

    folder: Path
    asked: dict[str, Any]  # what the area is made from, for the manifest
    may_replace: bool
    stands: Area | None = None


def _target(folder: Path, asked: dict[str, Any], replace: bool, say: Progress) -> _Target:
    """The folder, seen to be free and writable. Raises InputError, so that an area never gives way unasked."""
    if folder.exists() and not folder.is_dir():
        raise InputError("is a file, not a folder", str(folder), "name a folder for the area")
    if folder.exists() and any(folder.iterdir()) and not (folder / MANIFEST).exists():
        raise InputError("the folder holds other files and is no area", str(folder), "name a new or empty folder")
    writable.check(folder=folder.resolve().parent)
    if replace or not (folder / MANIFEST).exists():
        return _Target(folder, asked, replace)
    try:
        _, manifest = _read_manifest(folder)
    except InputError:
        manifest = {}
    if manifest.get("asked") != asked or manifest.get("made_with") != _MADE_WITH:
        raise InputError(_held(manifest), str(folder), "name another folder, or make the area anew with --replace")
    try:
        area = load_area(folder)
    except InputError:
        say(f"{folder}: the area that stands there is damaged, and made anew")
        return _Target(folder, asked, True)
    say(f"{folder}: this area stands already, and stays as it is; --replace makes it anew")
    return _Target(folder, asked, False, area)


def _held(manifest: dict[str, Any]) -> str:
    """What stands in the way, in words."""
    if not manifest:
        return "holds an area already, a damaged one or of another format"
    if manifest.get("made_with") != _MADE_WITH:
        return f"holds an area already, made with {manifest.get('made_with')}"
    around = manifest.get("asked", {}).get("around")
    if around:
        return f"holds an area already, {manifest['asked']['radius_km']:g} km round {around[0]:g},{around[1]:g}"
    names = [source["file"] for source in manifest.get("source", ())]
    return f"holds an area already, made from {', '.join(names[:3])}{' and more' if len(names) > 3 else ''}"


@contextlib.contextmanager
def _appearing(folder: Path, may_replace: bool) -> Iterator[Path]:
    """A temporary folder beside `folder` that takes its name if the block succeeds, or goes."""
    folder = folder.resolve()
    new_parents = [p for p in folder.parents if not p.exists()]
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}.new."))
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror})", str(folder.parent), "choose another place") from error
    try:
        yield made
        made.chmod(0o755)
        old = None
        if folder.exists():
            if not may_replace and any(folder.iterdir()):
                raise InputError("an area has appeared here meanwhile", str(folder), "see what it is; or use --replace")
            old = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}.old."))
            os.rename(folder, old / "area")
        try:
            os.rename(made, folder)
        except BaseException:
            if old is not None and not folder.exists():
                os.rename(old / "area", folder)
            raise
        finally:
            if old is not None:
                shutil.rmtree(old, ignore_errors=True)
    except BaseException as error:
        shutil.rmtree(made, ignore_errors=True)
        for parent in new_parents:
            with contextlib.suppress(OSError):
                parent.rmdir()
        if isinstance(error, OSError):
            what = f"the area cannot be written ({error.strerror or error})"
            raise InputError(what, str(folder), "make room or choose another place") from error
        raise


def _write(folder: Path, data: _Data) -> None:
    for name in RASTERS:
        _write_raster(folder / f"{name}.tif", data.grids[name], data.projection)
    _write_network(folder, data.network, data.projection)
    _write_places(folder / "places.parquet", data.places, data.projection)
    _write_ground(folder / "ground.parquet", data.ground, data.projection)
    files = [
        {"name": name, "bytes": (folder / name).stat().st_size, "sha256": _sha256(folder / name)} for name in _FILES
    ]
    text = to_toml(data.manifest | {"file": files})
    seal = hashlib.sha256(text.encode()).hexdigest()
    (folder / MANIFEST).write_text(f'{text}\n[seal]\nsha256 = "{seal}" # of all above\n', encoding="utf-8")


def _write_raster(path: Path, grid: Grid, projection: Projection) -> None:
    import rasterio

    rows, cols = grid.values.shape
    heights = grid.values.dtype == np.float32
    with rasterio.Env(GDAL_PAM_ENABLED=False), rasterio.open(
        path, "w", driver="GTiff", height=rows, width=cols, count=1, dtype=grid.values.dtype,
        crs=projection.proj4, transform=grid.affine(), nodata=np.nan if heights else None, compress="deflate",
        predictor=3 if heights else 2, tiled=True, blockxsize=256, blockysize=256,
    ) as out:  # fmt: skip
        out.write(grid.values, 1)
        if heights:
            out.units = ("m",)


def _geo_table(columns: dict[str, Any], shapes: Any, types: list[str], projection: Projection) -> Any:
    """An arrow table with the metadata of GeoParquet 1.1; geometry as ISO WKB in working coordinates."""
    import pyarrow as pa
    import shapely
    from pyproj import CRS

    geometry = pa.array(shapely.to_wkb(shapes, flavor="iso"), pa.binary())
    table = pa.table({"geometry": geometry, **columns})
    bounds = shapely.total_bounds(shapes) if len(shapes) else np.zeros(4)
    column = {
        "encoding": "WKB",
        "geometry_types": types,
        "crs": CRS.from_proj4(projection.proj4).to_json_dict(),
        "bbox": [float(v) for v in bounds],
    }
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": column}}
    return table.replace_schema_metadata({"geo": json.dumps(geo)})


def _write_table(path: Path, table: Any) -> None:
    import pyarrow.parquet as pq

    pq.write_table(table, path, compression="zstd")


def _write_network(folder: Path, network: Network, projection: Projection) -> None:
    import pyarrow as pa
    import shapely

    first = network.point_first
    lists = pa.array(first.astype(np.int32))
    row = network.street_way
    words = _way_words(network)
    xyz = np.column_stack([network.point_x_m, network.point_y_m, network.point_height_m])
    lines = shapely.linestrings(xyz, indices=network.point_street)
    columns = {
        "start": network.street_start,
        "end": network.street_end,
        "forward": network.street_forward,
        "backward": network.street_backward,
        "length_m": network.street_length_m,
        "way_id": network.street_way_id,
        "group": network.street_group,
        "kind": pa.array([words["kind"][r] for r in row]),
        "surface": pa.array([words["surface"][r] for r in row]),
        "name": pa.array([network.ways.name[r] for r in row]),
        "ref": pa.array([network.ways.ref[r] for r in row]),
        "mark": pa.ListArray.from_arrays(lists, pa.array(network.point_mark)),
        "delay_s": pa.ListArray.from_arrays(lists, pa.array(network.point_delay_s)),
        "way": pa.ListArray.from_arrays(lists, pa.array(network.piece_way)),
    }
    _write_table(folder / "streets.parquet", _geo_table(columns, lines, ["LineString Z"], projection))
    points = shapely.points(network.node_x_m, network.node_y_m)
    columns = {"id": network.node_id, "signal": network.node_signal}
    _write_table(folder / "junctions.parquet", _geo_table(columns, points, ["Point"], projection))
    ways = {f.name: words.get(f.name, getattr(network.ways, f.name)) for f in fields(network.ways)}
    ways = {name: pa.array(list(v) if isinstance(v, tuple) else v) for name, v in ways.items()}
    _write_table(folder / "ways.parquet", pa.table(ways))
    turns = np.array(network.turns(), np.int64).reshape(-1, 4)
    names = ("street_in", "forward_in", "street_out", "forward_out")
    columns = {n: turns[:, k].astype(bool if k % 2 else np.int32) for k, n in enumerate(names)}
    _write_table(folder / "turns.parquet", pa.table(columns))


def _way_words(network: Network) -> dict[str, list[str]]:
    """Codes of the ways as words, which outlive a change of the codes."""
    return {name: [words[c] for c in getattr(network.ways, name)] for name, words in _words().items()}


def _words() -> dict[str, tuple[str, ...]]:
    from routeplan.roads import tags

    return {"kind": tags.KINDS, "surface": tags.SURFACES, "choice": tags.CHOICES}


def _write_places(path: Path, places: Places, projection: Projection) -> None:
    import pyarrow as pa
    import shapely

    columns = {f.name: getattr(places, f.name) for f in fields(places) if f.name not in ("x_m", "y_m")}
    columns = {k: pa.array(list(v), pa.string()) if isinstance(v, tuple) else pa.array(v) for k, v in columns.items()}
    _write_table(path, _geo_table(columns, shapely.points(places.x_m, places.y_m), ["Point"], projection))


def _write_ground(path: Path, ground: Ground, projection: Projection) -> None:
    import pyarrow as pa
    import shapely

    shapes = np.array([shapely.Polygon(rings[0], rings[1:]) for _, rings in ground], dtype=object)
    columns = {"kind": pa.array(list(ground.kind), pa.string())}
    _write_table(path, _geo_table(columns, shapes, ["Polygon"], projection))


# --- loading ---


def load_area(folder: str | Path) -> Area:
    """Read an area that `make_area` wrote; InputError where there is none, a damaged one or another format.

    Every file is held to its size and SHA-256 in the manifest. The arrays then come from the user's cache
    folder, where an earlier load left them under the manifest's hash, or from the files themselves.
    """
    folder = Path(folder)
    text, manifest = _read_manifest(folder)
    _check_files(folder, manifest)
    projection = Projection(
        float(manifest["projection"]["latitude_deg"]), float(manifest["projection"]["longitude_deg"])
    )
    key = hashlib.sha256(f"{_CACHE_FORMAT} {__version__}\n{text}".encode()).hexdigest()[:32]
    columns = _read_cache(key)
    if columns is None:
        columns = _read_files(folder, manifest)
        _write_cache(key, columns)
    return _area(folder, manifest, projection, columns)


def _read_manifest(folder: Path) -> tuple[str, dict[str, Any]]:
    path = folder / MANIFEST
    mend = "make one with: routeplan area make"
    if not folder.is_dir():
        raise InputError("there is no such area", str(folder), mend)
    if not path.is_file():
        raise InputError(f"the folder is no area: it has no {MANIFEST}", str(folder), mend)
    try:
        text = path.read_text(encoding="utf-8")
        manifest = tomllib.loads(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"the manifest is damaged ({error})", str(path), _REMAKE) from error
    if manifest.get("format") != FORMAT:
        raise InputError(
            f"the area's format is {manifest.get('format')!r}, this version reads {FORMAT!r}",
            str(path),
            _REMAKE,
        )
    body = text.partition("\n[seal]\n")[0]
    if manifest.get("seal", {}).get("sha256") != hashlib.sha256(body.encode()).hexdigest():
        raise InputError("the manifest was changed since it was written", str(path), _REMAKE)
    return text, manifest


def _check_files(folder: Path, manifest: dict[str, Any]) -> None:
    faults = []
    for entry in manifest["file"]:
        path = folder / entry["name"]
        what = ""
        if not path.is_file():
            what = "is missing"
        elif path.stat().st_size != entry["bytes"]:
            what = f"is damaged: {path.stat().st_size} bytes, not {entry['bytes']}"
        elif _sha256(path) != entry["sha256"]:
            what = "is damaged: its content is not what was written"
        if what:
            faults.append(Fault(what, str(path), _REMAKE))
    if faults:
        raise InputError(faults)


def _read_files(folder: Path, manifest: dict[str, Any]) -> dict[str, Any]:
    """Everything of an area as named arrays, from the files of open formats."""
    import pyarrow.parquet as pq
    import rasterio
    import shapely

    columns: dict[str, Any] = {}
    for name in RASTERS:
        with (
            rasterio.Env(GDAL_PAM_ENABLED=False),
            rasterio.open(folder / f"{name}.tif", driver="GTiff") as src,
        ):
            columns[f"grid.{name}"] = src.read(1)
    network = _read_network(folder)
    columns |= {f"network.{k}": v for k, v in network.to_columns().items()}
    table = pq.read_table(folder / "places.parquet")
    xy = shapely.get_coordinates(shapely.from_wkb(table["geometry"].to_numpy()))
    for f in fields(Places):
        if f.name in ("x_m", "y_m"):
            columns[f"places.{f.name}"] = np.ascontiguousarray(xy[:, int(f.name == "y_m")])
        else:
            columns[f"places.{f.name}"] = table[f.name].to_numpy()
    table = pq.read_table(folder / "ground.parquet")
    shapes = shapely.from_wkb(table["geometry"].to_numpy())
    rings, of = shapely.get_rings(shapes, return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    columns |= {
        "ground.kind": table["kind"].to_numpy(),
        "ground.ring_of": np.searchsorted(of, np.arange(len(shapes) + 1)),
        "ground.point_of": np.searchsorted(ring, np.arange(len(rings) + 1)),
        "ground.x_m": np.ascontiguousarray(xy[:, 0]),
        "ground.y_m": np.ascontiguousarray(xy[:, 1]),
    }
    return {
        name: np.array(list(map(str, v)), dtype=np.str_) if isinstance(v, list) or v.dtype == object else v
        for name, v in columns.items()
    }


def _read_network(folder: Path) -> Network:
    import pyarrow.parquet as pq
    import shapely

    from routeplan.roads.network import Ways, assemble

    def flat(column: Any) -> np.ndarray:
        return column.combine_chunks().values.to_numpy(zero_copy_only=False)

    streets = pq.read_table(folder / "streets.parquet")
    xyz, street = shapely.get_coordinates(
        shapely.from_wkb(streets["geometry"].to_numpy()), include_z=True, return_index=True
    )
    table = pq.read_table(folder / "ways.parquet")
    text = {f.name for f in fields(Ways) if f.name in ("name", "ref", "rule")}
    ways = {f.name: table[f.name].to_numpy() for f in fields(Ways)}
    ways = {name: tuple(map(str, v)) if name in text else v for name, v in ways.items()}
    for name, words in _words().items():
        ways[name] = np.array([words.index(w) for w in ways[name]], np.uint8)
    junctions = pq.read_table(folder / "junctions.parquet")
    xy = shapely.get_coordinates(shapely.from_wkb(junctions["geometry"].to_numpy()))
    turns = pq.read_table(folder / "turns.parquet")
    return assemble(
        forward=streets["forward"].to_numpy(),
        backward=streets["backward"].to_numpy(),
        turns=zip(*(turns[name].to_pylist() for name in turns.column_names)),
        node_id=junctions["id"].to_numpy(),
        node_x_m=np.ascontiguousarray(xy[:, 0]),
        node_y_m=np.ascontiguousarray(xy[:, 1]),
        node_signal=junctions["signal"].to_numpy(),
        street_start=streets["start"].to_numpy(),
        street_end=streets["end"].to_numpy(),
        street_way_id=streets["way_id"].to_numpy(),
        street_group=streets["group"].to_numpy(),
        point_first=np.searchsorted(street, np.arange(len(streets) + 1)),
        point_x_m=np.ascontiguousarray(xyz[:, 0]),
        point_y_m=np.ascontiguousarray(xyz[:, 1]),
        point_height_m=np.ascontiguousarray(xyz[:, 2]),
        point_mark=flat(streets["mark"]),
        point_delay_s=flat(streets["delay_s"]),
        piece_way=flat(streets["way"]),
        ways=Ways(**ways),
    )


def _area(folder: Path, manifest: dict[str, Any], projection: Projection, columns: dict[str, Any]) -> Area:
    told = manifest["elevation"]
    place = (float(told["west_m"]), float(told["north_m"]), float(told["step_m"]))
    grids = {name: Grid(columns[f"grid.{name}"], *place) for name in RASTERS}

    def part(prefix: str) -> dict[str, Any]:
        start = f"{prefix}."
        return {name.removeprefix(start): v for name, v in columns.items() if name.startswith(start)}

    places = {k: tuple(v.tolist()) if v.dtype.kind == "U" else v for k, v in part("places").items()}
    ground = part("ground")
    network = {k: v.tolist() if v.dtype.kind == "U" else v for k, v in part("network").items()}
    return Area(
        folder,
        manifest,
        projection,
        network=Network.from_columns(network),
        places=Places(**places),  # type: ignore[arg-type]
        ground=Ground(**(ground | {"kind": tuple(ground["kind"].tolist())})),
        **grids,
    )


# --- cache of the arrays, in the user's cache folder ---


def _cache_folder() -> Path:
    return platformdirs.user_cache_path("routeplan") / "areas"


def _read_cache(key: str) -> dict[str, Any] | None:
    path = _cache_folder() / f"{key}.npz"
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as held:
            columns = {name: held[name] for name in held.files}
        os.utime(path)
        return columns
    except Exception:  # absent, damaged or unreadable: the files of the area say it all
        return None


def _write_cache(key: str, columns: dict[str, Any]) -> None:
    """Leave the arrays for the next load; where the cache cannot be written, each load reads the files."""
    folder = _cache_folder()
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=folder, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **columns)
            os.replace(name, folder / f"{key}.npz")
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
        held = sorted(folder.glob("*.npz"), key=lambda p: p.stat().st_mtime)
        for old in held[:-_CACHED_AREAS]:
            old.unlink(missing_ok=True)


# --- words ---


def describe(area: Area) -> str:
    """What `routeplan area show` prints: extent, counts, heights, sources and licences."""
    m, network = area.manifest, area.network
    e, r, h, z = m["elevation"], m["roads"], m["heights"], m["zone"]
    counts = r["counts"]
    unread, at_times = counts.get("restrictions_by_way_ignored", 0), counts.get("restrictions_by_time", 0)
    left, interpolated, unknown = e["void_cells_left"], h["interpolated_points"], h["unknown_points"]
    rows = [
        ("roads", f"{_box_text(r['extent_deg'])}"),
        ("", f"{counts['road_length_m'] / 1000:.0f} km in {network.street_count} streets"),
        ("", f"{network.node_count} junctions, dead ends and changes of what is allowed"),
        ("", f"{len(area.places)} named and calling places; {counts['ways_dropped']} ways left out"),
        *([("", f"{at_times} turns banned at some hours are taken as banned")] if at_times else []),
        *([("", f"{unread} turn restrictions by way of roads are left out: mind the signs")] if unread else []),
        ("elevation", f"{_box_text(e['extent_deg'])}"),
        ("", f"{e['kind']} model ({e['kind_origin']})"),
        ("", f"{e['cols']} x {e['rows']} cells of {e['step_m']:g} m"),
        ("", f"{e['lowest_m']:.0f} to {e['highest_m']:.0f} m above the sea"),
        ("", f"vertical datum: {e['vertical_datum']}"),
        ("voids", f"{e['void_cells']} cells: {e['void_cells_filled']} filled, {left} left unknown"),
        ("cover", f"{m['cover']['how']}; {m['cover']['share_covered']:.0%} of the cells"),
        *([("", "taken out of the surface model, and given back as cover")] if e["cover_taken_out"] else []),
        ("water", z["how"]),
        *([("", f"{z['sea_share']:.0%} of the cells are sea")] if z["sea_share"] else []),
        ("heights", f"roads moved {h['moved_m'][0]:.1f} m (median), a tenth over {h['moved_m'][1]:.1f} m"),
        ("", f"steepest tenth of paved roads: over {h['grade_90_before']:.1%} in the raster, "
             f"{h['grade_90_after']:.1%} fitted"),
        ("", f"{h['structures']} bridges, tunnels and ferries made straight ({h['structures_km']:.1f} km)"),
        *([("", f"{interpolated} points over voids go by the roads around")] if interpolated else []),
        *([("", f"{unknown} points have no height at all")] if unknown else []),
    ]  # fmt: skip
    for source in m["source"]:
        rows.append((source["role"], f"{source['file']} ({source['bytes'] / 1e6:.1f} MB)"))
        rows.append(("", source["rights"] or "licence not stated by the file"))
        if "from" in source:
            rows.append(("", f"from {source['from']}" + (f", {source['fetched']}" if "fetched" in source else "")))
        rows.extend(("", note) for note in source.get("notes", ()))
    return "\n".join([area.name, *(f"  {word:<10} {text}" for word, text in rows)])


def to_toml(table: dict[str, Any], prefix: str = "") -> str:
    """A nested dict of plain values, lists and lists of dicts as TOML; read back equal by tomllib."""
    lines, tables = [], []
    for key, value in table.items():
        name = key if key.replace("_", "").replace("-", "").isalnum() and key.isascii() else json.dumps(key)
        if isinstance(value, dict):
            tables.append(f"\n[{prefix}{name}]\n{to_toml(value, f'{prefix}{name}.')}")
        elif isinstance(value, list | tuple) and value and isinstance(value[0], dict):
            tables.extend(f"\n[[{prefix}{name}]]\n{to_toml(item, f'{prefix}{name}.')}" for item in value)
        else:
            lines.append(f"{name} = {_toml_value(value)}\n")
    return "".join(lines) + "".join(tables)


def _toml_value(value: Any) -> str:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml_value, value)) + "]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
