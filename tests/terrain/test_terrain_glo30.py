"""Download of GLO-30 pieces from a loopback server that behaves as real ones do, well and badly."""

from __future__ import annotations

import re
import socket
import threading
import urllib.error
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from routeplan.errors import DownloadError, InputError
from routeplan.geo import Projection
from routeplan.terrain import Extent, glo30
from routeplan.terrain.tiles import read_tiles

STEP = 1 / 600  # the test's tiles are coarser than the real 1 arc-second


def height_at(latitude: Any, longitude: Any) -> Any:
    return 500 + 3000 * (np.asarray(latitude) - 42) + 1000 * np.sin(np.asarray(longitude) * 20)


def tile_bytes(south: int, west: int, bands: int = 1) -> bytes:
    """A tile as the real ones are: tiled and deflated, half a cell off to the north-west."""
    import rasterio
    from rasterio.transform import Affine

    cells = round(1 / STEP)
    latitude = south + 1 - STEP * np.arange(cells)
    longitude = west + STEP * np.arange(cells)
    values = height_at(latitude[:, None], longitude[None, :]).astype("float32")
    values = values + np.random.default_rng(1).normal(0, 0.001, values.shape).astype("float32")  # do not pack well
    with rasterio.MemoryFile() as memory:
        with memory.open(
            driver="GTiff", height=cells, width=cells, count=bands, dtype="float32", crs="EPSG:4326", tiled=True,
            blockxsize=128, blockysize=128, compress="deflate",
            transform=Affine(STEP, 0, west - STEP / 2, 0, -STEP, south + 1 + STEP / 2),
        ) as out:  # fmt: skip
            for band in range(1, bands + 1):
                out.write(values, band)
        return bytes(memory.read())


class Server:
    """Serves files by path with ranges; `trouble(path, hit)` may take an answer over (returns True)."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.requests: list[tuple[str, str]] = []
        self.sent = 0
        self.trouble: Callable[[Any, int], bool] = lambda handler, hit: False
        server = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                server.requests.append((self.path, self.headers.get("Range", "")))
                if not server.trouble(self, len(server.requests)):
                    server.answer(self)

            do_HEAD = do_GET

            def log_message(self, *_: Any) -> None:
                pass

        self.http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.http.handle_error = lambda *_: None  # type: ignore[method-assign]  # the client hung up
        self.http.daemon_threads = True
        self.address = f"http://127.0.0.1:{self.http.server_address[1]}"
        self.thread = threading.Thread(target=self.http.serve_forever, kwargs={"poll_interval": 0.01})
        self.thread.start()

    def answer(self, handler: Any) -> None:
        data = self.files.get(handler.path)
        if data is None:
            self.say(handler, 404, b"<Error><Code>NoSuchKey</Code></Error>", "application/xml")
            return
        asked = re.fullmatch(r"bytes=(\d+)-(\d*)", handler.headers.get("Range", ""))
        if asked is None:
            self.say(handler, 200, data, "image/tiff")
            return
        begin, end = int(asked[1]), min(int(asked[2] or len(data) - 1), len(data) - 1)
        piece = data[begin : end + 1]
        self.say(handler, 206, piece, "image/tiff", **{"Content-Range": f"bytes {begin}-{end}/{len(data)}"})

    def say(self, handler: Any, status: int, body: bytes, kind: str, **headers: str) -> None:
        handler.send_response(status)
        for name, value in ({"Content-Type": kind, "Content-Length": str(len(body))} | headers).items():
            handler.send_header(name, value)
        handler.end_headers()
        if handler.command != "HEAD":
            handler.wfile.write(body)
            self.sent += len(body)

    def cut_off(self, handler: Any) -> bool:
        """Promise more than is sent, and hang up."""
        data = self.files[handler.path]
        if handler.command == "HEAD":
            return False
        handler.send_response(206)
        asked = re.fullmatch(r"bytes=(\d+)-(\d*)", handler.headers.get("Range", ""))
        begin = int(asked[1]) if asked else 0
        end = min(int(asked[2] or len(data) - 1), len(data) - 1) if asked else len(data) - 1
        handler.send_header("Content-Type", "image/tiff")
        handler.send_header("Content-Range", f"bytes {begin}-{end}/{len(data)}")
        handler.send_header("Content-Length", str(end + 1 - begin))
        handler.end_headers()
        handler.wfile.write(data[begin : (begin + end) // 2])
        handler.close_connection = True
        return True


@pytest.fixture(scope="module")
def tiles() -> dict[str, bytes]:
    names = {(42, 1): glo30.tile_name(42, 1), (42, 2): glo30.tile_name(42, 2)}
    return {f"/{name}/{name}.tif": tile_bytes(*corner) for corner, name in names.items()}


@pytest.fixture
def server(tiles: dict[str, bytes]) -> Iterator[Server]:
    server = Server()
    server.files = dict(tiles)
    yield server
    server.http.shutdown()
    server.http.server_close()
    server.thread.join()


BOX = (42.45, 1.5, 42.55, 1.6)


def get(server: Server, cache: Path, box: tuple[float, float, float, float] = BOX, **more: Any) -> list[Path]:
    return glo30.download(box, address=server.address, cache=cache, pause_s=0.01, timeout_s=5, **more)


def test_names_of_tiles() -> None:
    assert glo30.tile_name(42, 1) == "Copernicus_DSM_COG_10_N42_00_E001_00_DEM"
    assert glo30.tile_name(-8, -35) == "Copernicus_DSM_COG_10_S08_00_W035_00_DEM"
    assert glo30._corners((-0.5, -0.5, 0.5, 0.5)) == [(-1, -1), (-1, 0), (0, -1), (0, 0)]
    assert glo30._corners((42.0, 1.0, 43.0, 2.0)) == [(42, 1)]


def test_a_piece_is_fetched_by_ranges_and_is_right(server: Server, tmp_path: Path) -> None:
    (path,) = get(server, tmp_path)
    name = glo30.tile_name(42, 1)
    assert server.sent < 0.7 * len(server.files[f"/{name}/{name}.tif"])
    assert sum(asked != "" for _, asked in server.requests) >= 2
    centre = Projection(42.5, 1.55)
    read = read_tiles([path], centre, Extent(-3000, -4000, 3000, 4000))
    assert read.covered.all()
    assert read.tiles[0].kind == "surface"
    assert "EGM2008" in read.tiles[0].vertical_datum
    assert "COPERNICUS" in read.tiles[0].rights
    rows, cols = read.grid.values.shape
    x = read.grid.west_m + read.grid.step_m * np.arange(cols)
    y = read.grid.north_m - read.grid.step_m * np.arange(rows)
    truth = height_at(*centre.to_latlon(*np.meshgrid(x, y)))
    assert read.grid.values == pytest.approx(truth, abs=2.0)


def test_two_tiles_and_the_cache(server: Server, tmp_path: Path) -> None:
    box = (42.45, 1.95, 42.55, 2.05)
    lines: list[str] = []
    first = get(server, tmp_path, box, progress=lines.append)
    assert len(first) == 2
    assert len(lines) == 2
    read = read_tiles(first, Projection(42.5, 2.0), Extent(-3000, -4000, 3000, 4000))
    assert read.covered.all()
    count = len(server.requests)
    assert get(server, tmp_path, box) == first
    assert len(server.requests) == count  # nothing was asked again


def test_a_break_is_resumed_and_a_damaged_piece_fetched_anew(server: Server, tmp_path: Path) -> None:
    box = (42.45, 1.95, 42.55, 2.05)
    second = glo30.tile_name(42, 2)
    server.trouble = lambda handler, hit: second in handler.path and server.cut_off(handler)
    with pytest.raises(DownloadError, match=f"{second}.*2 tries"):
        get(server, tmp_path, box, attempts=2)
    assert len(list(tmp_path.glob("*.tif"))) == 1
    server.trouble = lambda handler, hit: False
    server.requests.clear()
    paths = get(server, tmp_path, box)
    assert all(second in path for path, _ in server.requests)
    paths[0].write_bytes(paths[0].read_bytes()[:-20])
    server.requests.clear()
    assert get(server, tmp_path, box) == paths
    assert server.requests
    assert all(second not in path for path, _ in server.requests)


def test_busy_server_is_asked_again(server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pauses: list[float] = []
    monkeypatch.setattr(glo30.time, "sleep", pauses.append)

    def busy(handler: Any, hit: int) -> bool:
        if hit <= 3:
            headers = {"Retry-After": "7"} if hit == 2 else {}
            server.say(handler, 429 if hit < 3 else 503, b"slow down", "text/plain", **headers)
        return hit <= 3

    server.trouble = busy
    assert len(get(server, tmp_path)) == 1
    assert pauses == [0.01, 7.0, 0.04]


def test_cut_off_half_way_is_tried_again(server: Server, tmp_path: Path) -> None:
    cut: list[str] = []

    def trouble(handler: Any, hit: int) -> bool:
        if hit < 2 or len(cut) >= 2 or not server.cut_off(handler):
            return False
        cut.append(handler.path)
        return True

    server.trouble = trouble
    lines: list[str] = []
    (path,) = get(server, tmp_path, progress=lines.append)
    assert path.exists()
    assert len(cut) == 2
    assert any("trying again" in line for line in lines)


def test_always_busy_is_an_error_and_leaves_nothing(server: Server, tmp_path: Path) -> None:
    server.trouble = lambda handler, hit: server.say(handler, 429, b"", "text/plain") is None
    with pytest.raises(DownloadError, match=r"busy.*429.*3 tries"):
        get(server, tmp_path, attempts=3)
    assert len(server.requests) == 3
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("status", "body", "kind", "word"),
    [
        (200, b"<!DOCTYPE html><html>Sign in</html>", "text/html", "web page"),
        (206, b"  <html>", "image/tiff", "web page"),
        (206, b"PK\x03\x04", "image/tiff", "no GeoTIFF"),
        (200, b"II*\0" + bytes(600), "image/tiff", "parts of files"),
        (403, b"no", "text/plain", "refused .status 403"),
    ],
)
def test_wrong_answers_are_named_at_once(
    server: Server, tmp_path: Path, status: int, body: bytes, kind: str, word: str
) -> None:
    server.trouble = lambda handler, hit: server.say(handler, status, body, kind) is None
    with pytest.raises(DownloadError, match=word):
        get(server, tmp_path)
    assert len(server.requests) == 1  # asking again would not help
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("wrong", ["place", "bands"])
def test_the_wrong_tile_is_named(server: Server, tmp_path: Path, tiles: dict[str, bytes], wrong: str) -> None:
    name = glo30.tile_name(42, 1)
    server.files[f"/{name}/{name}.tif"] = tile_bytes(43, 5) if wrong == "place" else tile_bytes(42, 1, bands=2)
    with pytest.raises(DownloadError, match="wrong tile came"):
        get(server, tmp_path)
    assert not list(tmp_path.iterdir())


def test_tiles_that_are_not_there_are_open_sea(server: Server, tmp_path: Path) -> None:
    paths = get(server, tmp_path, (42.45, 1.95, 42.55, 3.05))
    assert len(paths) == 3
    read = read_tiles(paths, Projection(42.5, 3.02), Extent(-1000, -3000, 1000, 3000))
    assert (read.grid.values == 0).all()
    with pytest.raises(DownloadError, match="none of the 1 elevation tiles"):
        get(server, tmp_path, (10.1, 10.1, 10.2, 10.2))


def test_no_server_at_all(tmp_path: Path) -> None:
    with pytest.raises(DownloadError, match="no answer"):
        glo30.download(BOX, address="http://127.0.0.1:9", cache=tmp_path, attempts=2, pause_s=0.01, timeout_s=2)


def test_wrong_rectangles(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="antimeridian"):
        glo30.download((42, 179.5, 43, -179.5), cache=tmp_path)
    with pytest.raises(InputError, match="at most"):
        glo30.download((0, 0, 20, 20), cache=tmp_path)


def test_address_from_the_environment(server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(glo30.ADDRESS_VARIABLE, server.address + "/")
    assert len(glo30.download(BOX, cache=tmp_path)) == 1


def test_a_server_that_is_not_found_ends_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: Any, **__: Any) -> None:
        raise urllib.error.URLError(socket.gaierror(-2, "Name or service not known"))

    pauses: list[float] = []
    monkeypatch.setattr(glo30.time, "sleep", pauses.append)
    monkeypatch.setattr("urllib.request.urlopen", unknown)
    with pytest.raises(DownloadError, match="is this computer online"):
        glo30.download(BOX, cache=tmp_path, address="http://no.invalid")
    assert pauses == []
