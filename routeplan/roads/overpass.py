"""Roads of a circle downloaded from an Overpass server, as OpenStreetMap XML for `roads.reader`.

One query of our own brings ways, turn restrictions, ferries, land use, water and places. (OSMnx's client keeps
neither relations nor XML, so it does not serve here.) The circle's box is cut into tiles; each tile's answer is
checked, packed and kept in the cache with its checksum, so that a broken download goes on where it stopped.
"""

from __future__ import annotations

import gzip
import hashlib
import http.client
import math
import os
import socket
import time
import urllib.error
import urllib.parse
import urllib.request
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import platformdirs

from routeplan.errors import DownloadError, InputError
from routeplan.roads.reader import ATTRIBUTION, GROUND

ADDRESS = "https://overpass-api.de/api/interpreter"
ADDRESS_VARIABLE = "ROUTEPLAN_OVERPASS"
LONGEST_RADIUS_M = 60_000.0  # judgement: beyond, an extract is kinder to a public server and quicker
TILE_DEG = 0.2  # of latitude: about 22 km
KEEP_S = 30 * 86400.0  # answers in the cache are taken for this long
SERVER_S = 180  # the query's own time limit on the server
ATTEMPTS = 6
FIRST_WAIT_S, LONGEST_WAIT_S = 5.0, 120.0
LARGEST_BYTES = 1_000_000_000  # of one tile, unpacked
RETRY = frozenset({408, 429, 500, 502, 503, 504})


@dataclass(frozen=True)
class Download:
    """What was fetched (or found in the cache), for the reader and the area's manifest."""

    paths: tuple[Path, ...]
    sha256: tuple[str, ...]
    fetched: tuple[str, ...]  # UTC, ISO 8601
    address: str
    query: str  # of the first tile
    box_deg: tuple[float, float, float, float]  # south, west, north, east
    attribution: str = ATTRIBUTION


class _TryAgain(Exception):
    """The server is busy, or the answer broke: worth another attempt after `wait_s` (None: the usual wait)."""

    def __init__(self, what: str, wait_s: float | None = None) -> None:
        self.wait_s = wait_s
        super().__init__(what)


def box_around(latitude_deg: float, longitude_deg: float, radius_m: float) -> tuple[float, float, float, float]:
    """South, west, north, east [deg] of the box round a circle. Raises InputError at the poles and the date line."""
    where = f"{latitude_deg:.4f},{longitude_deg:.4f}"
    if not (-90 <= latitude_deg <= 90 and -180 <= longitude_deg <= 180):
        raise InputError("no such place", where, "give latitude, longitude in degrees")
    if not 0 < radius_m <= LONGEST_RADIUS_M:
        raise InputError(f"a radius of {radius_m / 1000:g} km", where,
                         f"up to {LONGEST_RADIUS_M / 1000:.0f} km; beyond, give an extract with --roads")  # fmt: skip
    north = math.degrees(radius_m / 6_371_008.8)
    if abs(latitude_deg) + north > 85:
        raise InputError("too near a pole", where, "choose a place below 84 degrees")
    east = north / math.cos(math.radians(abs(latitude_deg) + north))
    if abs(longitude_deg) + east > 180:
        raise InputError("the circle crosses the antimeridian", where, "choose a place farther from it")
    return latitude_deg - north, longitude_deg - east, latitude_deg + north, longitude_deg + east


def tiles_of(box_deg: tuple[float, float, float, float]) -> list[tuple[float, float, float, float]]:
    """The box cut into equal tiles no higher than TILE_DEG and about as wide."""
    south, west, north, east = box_deg
    rows = max(1, math.ceil((north - south) / TILE_DEG - 1e-9))
    wide = TILE_DEG / math.cos(math.radians(max(abs(south), abs(north))))
    columns = max(1, math.ceil((east - west) / wide - 1e-9))
    high, wide = (north - south) / rows, (east - west) / columns
    return [(south + i * high, west + j * wide, south + (i + 1) * high, west + (j + 1) * wide)
            for i in range(rows) for j in range(columns)]  # fmt: skip


def query(box_deg: tuple[float, float, float, float]) -> str:
    """The Overpass QL of one tile: everything that `roads.reader` looks at, ways with all their nodes."""
    box = "({:.6f},{:.6f},{:.6f},{:.6f})".format(*box_deg)
    wanted = [f'way["highway"]{box};', f'way["route"="ferry"]{box};', f'way["natural"="coastline"]{box};',
              f'relation["type"~"^restriction"]{box};', f'way["amenity"="parking"]{box};']  # fmt: skip
    for key, values in GROUND.items():
        words = "|".join(sorted(values))
        wanted += [f'{kind}["{key}"~"^({words})$"]{box};' for kind in ("way", 'relation["type"="multipolygon"]')]
    wanted += [f"node{test}{box};" for test in (
        '["place"]', '["natural"~"^(peak|saddle)$"]', '["mountain_pass"="yes"]', '["junction"="yes"]["name"]',
        '["tourism"~"^(viewpoint|picnic_site)$"]', '["amenity"~"^(shelter|parking|bench|drinking_water)$"]',
        '["highway"~"^(bus_stop|rest_area|passing_place)$"]', '["leisure"="picnic_table"]')]  # fmt: skip
    return f"[out:xml][timeout:{SERVER_S}];\n(\n  " + "\n  ".join(wanted) + "\n);\n(._;>;);\nout body;\n"


def download_roads(
    latitude_deg: float,
    longitude_deg: float,
    radius_m: float,
    *,
    address: str | None = None,
    cache: str | Path | None = None,
    progress: Callable[[str], None] | None = None,
    timeout_s: float = SERVER_S + 30.0,
    sleep: Callable[[float], None] = time.sleep,
    keep_s: float = KEEP_S,
) -> Download:
    """Fetch the roads round a place, tile by tile; tiles already in the cache are not fetched again.

    address : of the server; None takes the environment variable ROUTEPLAN_OVERPASS, else ADDRESS.
    cache : folder; None takes the user's cache. timeout_s : longest silence of the server.
    Raises DownloadError when the server refuses, stays busy, or sends something else.
    """
    say = progress or (lambda text: None)
    address = address or os.environ.get(ADDRESS_VARIABLE) or ADDRESS
    if urllib.parse.urlsplit(address).scheme not in ("http", "https"):
        raise InputError("is no web address", address, f"give http(s)://..., or unset {ADDRESS_VARIABLE}")
    box = box_around(latitude_deg, longitude_deg, radius_m)
    tiles = tiles_of(box)
    folder = Path(cache) if cache is not None else platformdirs.user_cache_path("routeplan") / "overpass"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror})", str(folder), "choose another cache folder") from error
    paths, sums, times = [], [], []
    for number, tile in enumerate(tiles, 1):
        text = query(tile)
        path = folder / f"roads-{hashlib.sha256((address + text).encode()).hexdigest()[:20]}.osm.gz"
        say(f"roads, tile {number} of {len(tiles)}")
        digest = _kept(path, keep_s)
        if digest is None:
            digest = _fetch(address, text, path, say, timeout_s, sleep)
        paths.append(path)
        sums.append(digest)
        times.append(time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(path.stat().st_mtime)))
    return Download(tuple(paths), tuple(sums), tuple(times), address, query(tiles[0]), box)


def _kept(path: Path, keep_s: float) -> str | None:
    """Checksum of an answer in the cache, None where it is missing, old, or not what was written."""
    note = path.with_suffix(".sha256")
    try:
        if time.time() - path.stat().st_mtime > keep_s:
            return None
        digest = _sha256(path)
        return digest if note.read_text().strip() == digest else None
    except OSError:
        return None


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _fetch(
    address: str, text: str, path: Path, say: Callable[[str], None], timeout_s: float, sleep: Callable[[float], None]
) -> str:
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    wait_s = FIRST_WAIT_S
    try:
        for attempt in range(1, ATTEMPTS + 1):
            try:
                _fetch_once(address, text, part, say, timeout_s)
                break
            except _TryAgain as busy:
                if attempt == ATTEMPTS:
                    raise DownloadError(f"{address}: {busy}, {ATTEMPTS} times; try later, choose a smaller radius, or "
                                        f"name another server in {ADDRESS_VARIABLE}") from busy  # fmt: skip
                pause = min(busy.wait_s if busy.wait_s is not None else wait_s, LONGEST_WAIT_S)
                wait_s = min(wait_s * 2, LONGEST_WAIT_S)
                say(f"roads: {busy}; again in {pause:.0f} s")
                sleep(pause)
        digest = _sha256(part)
        part.replace(path)
        note = path.with_suffix(".sha256")
        note.with_suffix(".part").write_text(digest + "\n")
        note.with_suffix(".part").replace(note)
        return digest
    finally:
        part.unlink(missing_ok=True)


def _fetch_once(address: str, text: str, part: Path, say: Callable[[str], None], timeout_s: float) -> None:
    request = urllib.request.Request(
        address, urllib.parse.urlencode({"data": text}).encode(),
        {"User-Agent": "routeplan (bicycle route planning)", "Accept-Encoding": "gzip"},
    )  # fmt: skip
    try:
        with (
            urllib.request.urlopen(request, timeout=timeout_s) as answer,
            gzip.open(part, "wb", compresslevel=5) as out,
        ):
            tail = _copy(answer, out, say)
    except urllib.error.HTTPError as error:
        error.close()
        if error.code in RETRY:
            raise _TryAgain(f"the server is busy ({error.code})", _retry_after(error.headers)) from error
        raise DownloadError(
            f"{address}: the server refuses ({error.code} {error.reason}); is it an Overpass server?"
        ) from error
    except (urllib.error.URLError, TimeoutError, http.client.HTTPException, ConnectionError, zlib.error) as error:
        reason = getattr(error, "reason", None) or error
        if isinstance(reason, socket.gaierror):  # nobody has to wait for what a network that is down will not tell
            raise DownloadError.not_found(address, reason) from error
        raise _TryAgain(f"no answer, or cut off ({reason or type(error).__name__})") from error
    if b"</osm>" not in tail:
        raise _TryAgain("the answer was cut off")
    if b"<remark>" in tail and b"error" in tail:
        note = tail.split(b"<remark>")[1].split(b"</remark>")[0].decode("utf-8", "replace").strip()
        raise _TryAgain(f"the server gave up: {note[:120]}")


def _copy(answer: Any, out: Any, say: Callable[[str], None]) -> bytes:
    """Unpack and check while it streams; returns the last bytes of the text."""
    packed = answer.headers.get("Content-Encoding", "").lower() == "gzip"
    unpack = zlib.decompressobj(31) if packed else None
    total, told, head, tail = 0, 0, b"", b""
    while True:
        raw = answer.read1(1 << 16) if hasattr(answer, "read1") else answer.read(1 << 16)
        chunk = raw if unpack is None else unpack.decompress(raw, 1 << 20)
        while True:
            total += len(chunk)
            head = (head + chunk)[:2048] if len(head) < 2048 else head
            tail = (tail + chunk)[-4096:]
            out.write(chunk)
            if total > LARGEST_BYTES:
                raise DownloadError(f"the answer is larger than {LARGEST_BYTES / 1e6:.0f} MB; choose a smaller radius")
            if unpack is None or not unpack.unconsumed_tail:
                break
            chunk = unpack.decompress(unpack.unconsumed_tail, 1 << 20)
        if len(head) >= 256 or not raw:
            _refuse_page(head)
        if total - told > 5_000_000:
            told = total
            say(f"roads: {total / 1e6:.0f} MB")
        if not raw:
            break
    length = answer.headers.get("Content-Length")
    if answer.length not in (None, 0):  # fewer bytes than the server announced
        raise _TryAgain(f"the answer was cut off ({length} bytes announced)")
    return tail


def _refuse_page(head: bytes) -> None:
    start = head.lstrip().lower()
    if b"<osm" in start:
        return
    if b"<html" in start or start.startswith(b"<!doctype html"):
        words = " ".join(_words(head.decode("utf-8", "replace")).split())[:120]
        raise _TryAgain(f"a web page came in place of data ({words})")
    raise _TryAgain("the answer is no OpenStreetMap data" if start else "the answer is empty")


def _words(page: str) -> str:
    import re

    return re.sub(r"<[^>]*>", " ", re.sub(r"<(style|script|head)\b.*?(</\1>|$)", " ", page, flags=re.S | re.I))


def _retry_after(headers: Any) -> float | None:
    text = (headers.get("Retry-After") or "").strip() if headers else ""
    if text.isdigit():
        return float(text)
    try:
        return max(0.0, parsedate_to_datetime(text).timestamp() - time.time())
    except (TypeError, ValueError):
        return None
