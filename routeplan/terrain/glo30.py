"""Elevation of anywhere: Copernicus GLO-30, read in pieces over HTTP.

The tiles are Cloud-Optimised GeoTIFFs of one degree; only the blocks over the wanted rectangle are fetched, by
rasterio's ranged reads. Each piece is kept in the user's cache folder with its SHA-256, so that a second call,
or a call after a break, fetches only what is missing. Tiles that the server does not have are open sea.

GLO-30 is a surface model (roofs and trees included), heights in metres above the EGM2008 geoid.
"""

from __future__ import annotations

import contextlib
import hashlib
import http.client
import math
import os
import socket
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs

from routeplan.errors import DownloadError, InputError
from routeplan.terrain.tiles import COPERNICUS_RIGHTS

ADDRESS = "https://copernicus-dem-30m.s3.amazonaws.com"  # the public bucket of the Copernicus DEM
ADDRESS_VARIABLE = "ROUTEPLAN_GLO30_ADDRESS"
PATTERN = "{name}/{name}.tif"
TILES_AT_MOST = 16
_BUSY = (429, 500, 502, 503, 504)
_PAUSE_AT_MOST_S = 60.0


def tile_name(south_deg: int, west_deg: int) -> str:
    """Name of the tile whose south-west corner is there: "Copernicus_DSM_COG_10_N42_00_E001_00_DEM"."""
    north_south = f"{'N' if south_deg >= 0 else 'S'}{abs(south_deg):02d}"
    east_west = f"{'E' if west_deg >= 0 else 'W'}{abs(west_deg):03d}"
    return f"Copernicus_DSM_COG_10_{north_south}_00_{east_west}_00_DEM"


def address_of(address: str | None = None) -> str:
    """Base address of the tiles: the one given, else of the environment, else the public bucket."""
    return (address or os.environ.get(ADDRESS_VARIABLE) or ADDRESS).rstrip("/")


def download(
    extent_deg: tuple[float, float, float, float],
    *,
    address: str | None = None,
    cache: Path | None = None,
    attempts: int = 5,
    pause_s: float = 2.0,
    timeout_s: float = 30.0,
    progress: Callable[[str], None] | None = None,
) -> list[Path]:
    """Files in the cache that hold the elevation of `extent_deg` (south, west, north, east).

    address : base address of the tiles; default the environment variable ROUTEPLAN_GLO30_ADDRESS, else ADDRESS.
    attempts, pause_s : tries for each tile, and the first pause between them; it doubles, or is what the server
        asks for (Retry-After), at most a minute.
    Raises DownloadError naming the address and what came instead, once the tries are used up; what was fetched
    before stays in the cache.
    """
    say = progress or (lambda text: None)
    address = address_of(address)
    folder = cache if cache is not None else platformdirs.user_cache_path("routeplan") / "glo30"
    corners = _corners(extent_deg)
    paths, sea = [], []
    for k, (south, west) in enumerate(corners):
        name = tile_name(south, west)
        box = (
            max(extent_deg[0], south),
            max(extent_deg[1], west),
            min(extent_deg[2], south + 1),
            min(extent_deg[3], west + 1),
        )
        key = hashlib.sha256(f"{address} {name} {box}".encode()).hexdigest()[:16]
        path = folder / f"{name}_{key}.tif"
        if _whole(path):
            say(f"elevation tile {k + 1} of {len(corners)}: in the cache")
            paths.append(path)
            continue
        url = f"{address}/{PATTERN.format(name=name)}"
        say(f"elevation tile {k + 1} of {len(corners)}: fetching {name}")
        found = _patiently(lambda: _fetch(url, (south, west), box, timeout_s), url, attempts, pause_s, say)  # noqa: B023
        if found is None:
            sea.append((name, path, box))
            continue
        _keep(path, *found)
        paths.append(path)
    if not paths and sea:
        raise DownloadError(
            f"{address}: none of the {len(sea)} elevation tiles is there ({sea[0][0]} ...); "
            "is the address right, or is all of the area open sea?"
        )
    for name, path, box in sea:
        say(f"{name}: the server has no such tile, so it is open sea")
        _keep(path, *_open_sea(box))
        paths.append(path)
    return paths


def _corners(extent_deg: tuple[float, float, float, float]) -> list[tuple[int, int]]:
    south, west, north, east = extent_deg
    if not (-90 <= south < north <= 90 and -180 <= west < east <= 180):
        raise InputError("the rectangle is empty or crosses the antimeridian", f"{extent_deg}", "make two areas")
    corners = [
        (lat, lon)
        for lat in range(math.floor(south), math.ceil(north))
        for lon in range(math.floor(west), math.ceil(east))
    ]
    if len(corners) > TILES_AT_MOST:
        raise InputError(f"needs {len(corners)} elevation tiles, at most {TILES_AT_MOST}", "", "take a smaller radius")
    return corners


class _Busy(Exception):
    """Worth another try. `after_s`: what the server asked for, or None."""

    def __init__(self, what: str, after_s: float | None = None) -> None:
        super().__init__(what)
        self.after_s = after_s


def _patiently(fetch: Callable[[], Any], url: str, attempts: int, pause_s: float, say: Callable[[str], None]) -> Any:
    """What `fetch` gives, after as many tries as it takes."""
    for attempt in range(1, attempts + 1):
        try:
            return fetch()
        except _Busy as error:
            if attempt == attempts:
                raise DownloadError(f"{url}: {error} ({attempts} tries); try again later") from error
            pause = min(error.after_s if error.after_s is not None else pause_s * 2 ** (attempt - 1), _PAUSE_AT_MOST_S)
            say(f"{error}; trying again in {pause:.0f} s")
            time.sleep(pause)
    raise AssertionError("unreachable")


def _fetch(
    url: str, corner: tuple[int, int], box: tuple[float, float, float, float], timeout_s: float
) -> tuple[np.ndarray, Any] | None:
    """Heights over the box and their transform; None where the server has no such tile."""
    if not _there(url, timeout_s):
        return None
    import rasterio
    from rasterio.errors import RasterioError
    from rasterio.transform import Affine
    from rasterio.windows import Window

    options = {
        "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
        "GDAL_HTTP_TIMEOUT": str(math.ceil(timeout_s)),
        "GDAL_HTTP_CONNECTTIMEOUT": str(math.ceil(timeout_s)),
        "GDAL_HTTP_MAX_RETRY": "0",  # tries are counted here
        "GDAL_PAM_ENABLED": False,
        "CPL_VSIL_CURL_NON_CACHED": f"/vsicurl/{url}",  # a try after a failure must not see the failure again
    }
    try:
        with rasterio.Env(**options), rasterio.open(f"/vsicurl/{url}", driver="GTiff") as src:
            _check(src, url, corner)
            t = src.transform
            south, west, north, east = box
            col0 = max(0, math.floor((west - t.c) / t.a) - 2)
            row0 = max(0, math.floor((north - t.f) / t.e) - 2)
            col1 = min(src.width, math.ceil((east - t.c) / t.a) + 2)
            row1 = min(src.height, math.ceil((south - t.f) / t.e) + 2)
            values = src.read(1, window=Window(col0, row0, col1 - col0, row1 - row0)).astype(np.float32)
            if src.nodata is not None:
                values[values == src.nodata] = np.nan
    except RasterioError as error:
        text = str(error.__cause__ or error).strip().splitlines()
        raise _Busy(f"the tile could not be read to its end ({text[0][:120] if text else 'cut off'})") from error
    return values, Affine(t.a, 0.0, t.c + col0 * t.a, 0.0, t.e, t.f + row0 * t.e)


def _there(url: str, timeout_s: float) -> bool:
    """Ask for the first bytes: False where there is no such tile; what is no GeoTIFF is named."""
    request = urllib.request.Request(url, headers={"Range": "bytes=0-511", "User-Agent": "routeplan"})
    try:
        with urllib.request.urlopen(request, timeout=timeout_s) as answer:
            kind = answer.headers.get("Content-Type", "")
            head = answer.read(512)
            status = answer.status
    except urllib.error.HTTPError as error:
        error.close()
        if error.code == 404:
            return False
        if error.code in _BUSY:
            after = error.headers.get("Retry-After", "") if error.headers else ""
            what = "the server is busy" if error.code == 429 else "the server has trouble"
            raise _Busy(f"{what} (status {error.code})", float(after) if after.isdigit() else None) from error
        raise DownloadError(f"{url}: the server refused (status {error.code}); is the address right?") from error
    except (OSError, http.client.HTTPException) as error:
        reason = getattr(error, "reason", None)
        if isinstance(reason, socket.gaierror):
            raise DownloadError.not_found(url, reason) from error
        raise _Busy(f"no answer ({error})") from error
    if "html" in kind.lower() or head.lstrip()[:1] == b"<":
        raise DownloadError(
            f"{url}: a web page came in place of elevation; is the address right, or a log-in asked for?"
        )
    if head[:4] not in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        raise DownloadError(f"{url}: what came is no GeoTIFF; is the address right?")
    if status != 206:
        raise DownloadError(f"{url}: the server does not send parts of files (status {status}); use another address")
    return True


def _check(src: Any, url: str, corner: tuple[int, int]) -> None:
    """Is this the tile that was asked for?"""
    south, west = corner
    bounds = src.bounds
    right_place = max(
        abs(bounds.left - west), abs(bounds.bottom - south), abs(bounds.right - west - 1), abs(bounds.top - south - 1)
    ) < 0.01  # fmt: skip
    if src.count != 1 or src.crs is None or src.crs.to_epsg() != 4326 or not right_place:
        raise DownloadError(
            f"{url}: the wrong tile came: it covers {bounds.bottom:.2f} to {bounds.top:.2f} N, {bounds.left:.2f} to "
            f"{bounds.right:.2f} E, {src.count} bands; use another address"
        )


def _open_sea(box: tuple[float, float, float, float]) -> tuple[np.ndarray, Any]:
    """Height 0 over the box, at 10 arc-seconds."""
    from rasterio.transform import Affine

    south, west, north, east = box
    step = 1 / 360
    rows, cols = math.ceil((north - south) / step) + 1, math.ceil((east - west) / step) + 1
    return np.zeros((rows, cols), np.float32), Affine(step, 0.0, west - step / 2, 0.0, -step, north + step / 2)


def _keep(path: Path, values: np.ndarray, transform: Any) -> None:
    """Write a piece and its checksum, each whole or not at all."""
    import rasterio

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        os.close(handle)
        try:
            with rasterio.Env(GDAL_PAM_ENABLED=False), rasterio.open(
                name, "w", driver="GTiff", height=values.shape[0], width=values.shape[1], count=1, dtype="float32",
                crs="EPSG:4326+3855", transform=transform, nodata=np.nan, compress="deflate", predictor=3,
            ) as out:  # fmt: skip
                out.write(values, 1)
                out.units = ("m",)
                out.update_tags(ELEVATION_KIND="surface", TIFFTAG_COPYRIGHT=COPERNICUS_RIGHTS)
            seal = hashlib.sha256(Path(name).read_bytes()).hexdigest()
            os.replace(name, path)
            path.with_suffix(".sha256").write_text(seal)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as error:
        raise InputError(f"the elevation cannot be kept ({error})", str(path.parent), "make room") from error


def _whole(path: Path) -> bool:
    """Is the piece in the cache, and as it was written?"""
    try:
        return path.with_suffix(".sha256").read_text() == hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return False
