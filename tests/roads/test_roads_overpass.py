"""Downloading roads from a server on this machine that behaves as the real ones do."""

from __future__ import annotations

import gzip
import socket
import threading
import time
import urllib.error
import urllib.parse
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from routeplan.errors import DownloadError, InputError
from routeplan.roads import overpass
from routeplan.roads.reader import read_osm

ROAD = {"highway": "residential"}


class Server:
    """Answers with the next of `script`; the last one stays. Each is (status, headers, body, how)."""

    def __init__(self):
        self.script, self.queries = [], []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"])).decode()
                outer.queries.append(urllib.parse.parse_qs(body)["data"][0])
                status, headers, text, how = outer.script.pop(0) if len(outer.script) > 1 else outer.script[0]
                if how == "silent":
                    time.sleep(1.0)
                    return
                packed = gzip.compress(text) if how == "gzip" else text
                self.send_response(status)
                for key, value in headers.items():
                    self.send_header(key, value)
                if how == "gzip":
                    self.send_header("Content-Encoding", "gzip")
                self.send_header("Content-Length", str(len(packed)))
                self.end_headers()
                if how == "cut":
                    self.wfile.write(packed[: len(packed) // 2])
                elif how == "slow":
                    for i in range(0, len(packed), len(packed) // 5 + 1):
                        self.wfile.write(packed[i : i + len(packed) // 5 + 1])
                        self.wfile.flush()
                        time.sleep(0.05)
                else:
                    self.wfile.write(packed)

            def log_message(self, *args):
                pass

        self.http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self.http.server_port}/api/interpreter"
        self.thread = threading.Thread(target=self.http.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self.thread.start()

    def close(self):
        self.http.shutdown()
        self.http.server_close()
        self.thread.join()


@pytest.fixture
def server():
    made = Server()
    yield made
    made.close()


@pytest.fixture
def good(map_text):
    text = map_text({1: (0, 0), 2: (500, 0), 3: (500, 500)}, [(1, [1, 2], ROAD), (2, [2, 3], ROAD)]).encode()
    return text + b"\n" + b"<!-- " + b"x" * 3000 + b" -->"


def fetch(server, tmp_path, radius_m=2000.0, **more):
    waits, said = [], []
    got = overpass.download_roads(0.0, 10.0, radius_m, address=server.address, cache=tmp_path / "cache",
                                  progress=said.append,
                                  timeout_s=0.5, sleep=waits.append, **more)  # fmt: skip
    return got, waits, said


@pytest.mark.parametrize("how", ["plain", "gzip", "slow"])
def test_good_answer_is_read_and_kept(server, tmp_path, good, how):
    server.script = [(200, {}, good, how)]
    got, waits, said = fetch(server, tmp_path)
    assert len(got.paths) == 1 and waits == [] and said == ["roads, tile 1 of 1"]
    assert read_osm(got.paths).network.street_length_m.sum() == pytest.approx(1000, rel=1e-3)
    assert "OpenStreetMap" in got.attribution and got.fetched[0].endswith("Z")
    again, _, _ = fetch(server, tmp_path)
    assert len(server.queries) == 1 and again.sha256 == got.sha256
    # A damaged copy is fetched anew, and so is an old one.
    got.paths[0].write_bytes(got.paths[0].read_bytes()[:-20])
    fetch(server, tmp_path)
    assert len(server.queries) == 2
    fetch(server, tmp_path, keep_s=-1.0)
    assert len(server.queries) == 3


@pytest.mark.parametrize(
    "bad, word",
    [
        ((429, {"Retry-After": "17"}, b"<html>slow down</html>", "plain"), "busy (429)"),
        ((504, {}, b"", "plain"), "busy (504)"),
        ((200, {}, None, "cut"), "cut off"),
        ((200, {}, b"", "silent"), "no answer, or cut off"),
        ((200, {}, b"<!DOCTYPE html><html><head>x</head><body>Dispatcher is down</body></html>", "plain"),
         "web page came in place of data (Dispatcher is down)"),
        ((200, {}, b"", "plain"), "empty"),
        ((200, {}, b'{"elements": []}', "plain"), "no OpenStreetMap data"),
        ((200, {}, b"<osm><remark> runtime error: Query timed out </remark></osm>", "plain"), "Query timed out"),
        ((200, {}, b"<osm><node id='1'/>", "plain"), "cut off"),
    ],
)  # fmt: skip
def test_one_bad_answer_then_a_good_one(server, tmp_path, good, bad, word):
    bad = (bad[0], bad[1], good if bad[2] is None else bad[2], bad[3])
    server.script = [bad, (200, {}, good, "plain")]
    got, waits, said = fetch(server, tmp_path)
    assert read_osm(got.paths).network.street_count == 1
    assert waits == [17.0 if "Retry-After" in bad[1] else overpass.FIRST_WAIT_S]
    assert any(word in line for line in said), said


def test_server_that_stays_busy(server, tmp_path):
    server.script = [(429, {}, b"", "plain")]
    with pytest.raises(DownloadError, match=r"busy \(429\), 6 times; try later") as caught:
        fetch(server, tmp_path)
    assert server.address in str(caught.value) and len(server.queries) == overpass.ATTEMPTS
    assert list((tmp_path / "cache").iterdir()) == []  # nothing half-written stays


def test_server_that_refuses_is_not_asked_again(server, tmp_path):
    server.script = [(403, {}, b"", "plain")]
    with pytest.raises(DownloadError, match="refuses"):
        fetch(server, tmp_path)
    assert len(server.queries) == 1


def test_nobody_listens(tmp_path):
    with pytest.raises(DownloadError, match="no answer"):
        overpass.download_roads(0, 10, 1000, address="http://127.0.0.1:9/", cache=tmp_path, sleep=lambda s: None)


def test_goes_on_at_the_tile_where_it_broke(server, tmp_path, good):
    server.script = [(200, {}, good, "plain"), (403, {}, b"", "plain")]
    with pytest.raises(DownloadError):
        fetch(server, tmp_path, radius_m=20_000.0)
    server.script = [(200, {}, good, "plain")]
    got, _, said = fetch(server, tmp_path, radius_m=20_000.0)
    assert len(got.paths) == 4 and len(set(server.queries)) == 4 and len(server.queries) == 2 + 3
    assert said[0] == "roads, tile 1 of 4"
    assert read_osm(got.paths).counts["ways"] == 2


def test_answer_too_large(server, tmp_path, good, monkeypatch):
    monkeypatch.setattr(overpass, "LARGEST_BYTES", 1000)
    server.script = [(200, {}, good, "gzip")]
    with pytest.raises(DownloadError, match="larger than"):
        fetch(server, tmp_path)
    assert list((tmp_path / "cache").iterdir()) == []


def test_address_from_the_environment(server, tmp_path, good, monkeypatch):
    server.script = [(200, {}, good, "plain")]
    monkeypatch.setenv(overpass.ADDRESS_VARIABLE, server.address)
    assert overpass.download_roads(0, 10, 1000, cache=tmp_path).address == server.address
    monkeypatch.setenv(overpass.ADDRESS_VARIABLE, "file:///etc/hosts")
    with pytest.raises(InputError, match="no web address"):
        overpass.download_roads(0, 10, 1000, cache=tmp_path)


def test_query_asks_for_all_that_the_reader_wants():
    text = overpass.query((42.4, 1.4, 42.5, 1.5))
    for word in ('way["highway"](42.400000,1.400000,42.500000,1.500000)', '"route"="ferry"', '"^restriction"', "forest",
                 "coastline", "multipolygon", "(._;>;);", "out body;", "[timeout:180]", '["place"]'):  # fmt: skip
        assert word in text


def test_boxes_and_tiles():
    south, west, north, east = overpass.box_around(60.0, 10.0, 10_000.0)
    assert north - south == pytest.approx(0.1799, abs=1e-3) and east - west > 2 * (north - south)
    tiles = overpass.tiles_of((60.0, 10.0, 60.5, 11.0))
    assert len(tiles) == 3 * 3 and tiles[0][:2] == (60.0, 10.0) and tiles[-1][2:] == pytest.approx((60.5, 11.0))
    cases = [(91, 0, 1e3, "no such place"), (0, 0, 1e6, "radius of 1000 km"), (84.9, 0, 2e4, "pole"),
             (0, 179.99, 5e3, "antimeridian"), (0, 0, 0, "radius of 0 km"), (0, 0, float("nan"), "radius")]  # fmt: skip
    for lat, lon, radius, match in cases:
        with pytest.raises(InputError, match=match):
            overpass.box_around(lat, lon, radius)


def test_a_name_that_is_not_found_ends_at_once(tmp_path, monkeypatch):
    def unknown(*_, **__):
        raise urllib.error.URLError(socket.gaierror(-2, "Name or service not known"))

    monkeypatch.setattr("urllib.request.urlopen", unknown)
    slept = []
    with pytest.raises(DownloadError, match=r"not found \(Name or service not known\); is this computer online"):
        overpass.download_roads(42.5, 1.5, 3000, cache=tmp_path, address="http://no.invalid/", sleep=slept.append)
    assert slept == []
