"""The area: made whole or not at all, exact when read back, damage and misfits named."""

from __future__ import annotations

import json
import os
import threading
import time
import tomllib
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from routeplan.errors import DownloadError, InputError
from routeplan.plan import area as areas
from routeplan.plan import demo
from routeplan.plan.area import Area, describe, load_area, make_area, to_toml

REAL = os.environ.get("ROUTEPLAN_REAL_AREA")
LATITUDE, LONGITUDE = 37.5, -31.5  # open ocean


def osm_text() -> str:
    """A round island of 3 km: a grid of lanes, a bridge, a wood, a coastline, a village."""
    nodes: list[str] = []
    ways: list[str] = []

    def node(x_m: float, y_m: float, tags: str = "") -> int:
        latitude = LATITUDE + y_m / 110_990
        longitude = LONGITUDE + x_m / (111_320 * np.cos(np.radians(LATITUDE)))
        place = f'lat="{latitude:.7f}" lon="{longitude:.7f}"'
        nodes.append(f'<node id="{len(nodes) + 1}" {place} version="1">{tags}</node>')
        return len(nodes)

    def way(refs: list[int], **tags: str) -> None:
        refs_text = "".join(f'<nd ref="{r}"/>' for r in refs)
        tag_text = "".join(f'<tag k="{k.replace("__", ":")}" v="{v}"/>' for k, v in tags.items())
        ways.append(f'<way id="{len(ways) + 1}" version="1">{refs_text}{tag_text}</way>')

    lanes = [[node(x, y) for x in range(-1600, 1601, 400)] for y in range(-1600, 1601, 400)]
    for k, row in enumerate(lanes):
        way(row, highway="tertiary", name=f"Lane {k}", surface="asphalt")
        kind, oneway = "residential" if k % 2 else "track", "yes" if k == 3 else "no"
        way([other[k] for other in lanes], highway=kind, oneway=oneway)
    way([lanes[0][0], node(-1800, -1600), lanes[1][0]], highway="tertiary", bridge="yes")
    way([lanes[8][8], node(1800, 1700)], highway="unclassified", incline="-8%")
    corners = [node(x, y) for x, y in ((200, 200), (1000, 200), (1000, 1000), (200, 1000))]
    way([*corners, corners[0]], natural="wood")
    angle = np.linspace(0, 2 * np.pi, 37)[:-1]
    coast = [node(3000 * np.cos(a), 3000 * np.sin(a)) for a in angle]
    way([*coast, coast[0]], natural="coastline")
    node(-500, 300, '<tag k="place" v="village"/><tag k="name" v="Quiet Cove"/>')
    node(-410, 0, '<tag k="tourism" v="viewpoint"/>')
    return f'<?xml version="1.0"?><osm version="0.6">{"".join(nodes)}{"".join(ways)}</osm>'


def write_elevation(
    path: Path,
    centre: tuple[float, float] = (LATITUDE, LONGITUDE),
    wood_m: float = 0.0,
    step: float = 1 / 3600,
    cells: int = 320,
    **tags: str,
) -> Path:
    """1 arc-second heights of the island, 0 m at sea, one small void on land and one at sea."""
    import rasterio
    from rasterio.transform import Affine

    west, north = centre[1] - step * cells / 2, centre[0] + step * cells / 2
    longitude = west + step * (np.arange(cells) + 0.5)
    latitude = north - step * (np.arange(cells) + 0.5)
    x = (longitude - centre[1])[None, :] * 111_320 * np.cos(np.radians(centre[0]))
    y = (latitude - centre[0])[:, None] * 110_990
    r = np.hypot(x, y)
    heights = np.where(r < 3000, 2 + (3000 - r) * 0.06, 0.0)
    heights = heights + wood_m * ((x > 200) & (x < 1000) & (y > 200) & (y < 1000))
    heights[150:153, 100:103] = -32768
    heights[5:8, 5:8] = -32768
    with rasterio.open(
        path, "w", driver="GTiff", height=cells, width=cells, count=1, dtype="float32", crs="EPSG:4326",
        transform=Affine(step, 0, west, 0, -step, north), nodata=-32768, compress="deflate",
    ) as out:  # fmt: skip
        out.write(heights.astype("float32"), 1)
        out.update_tags(**tags)
    return path


@pytest.fixture(scope="module", autouse=True)
def cache(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(areas, "_cache_folder", lambda: folder)
        yield folder


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("sources")
    (folder / "island.osm").write_text(osm_text())
    return folder / "island.osm", write_elevation(folder / "heights.tif", ELEVATION_KIND="terrain")


@pytest.fixture(scope="module")
def made(files: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Area:
    return make_area(tmp_path_factory.mktemp("areas") / "island", roads=[files[0]], terrain=[files[1]])


@pytest.fixture
def copy(made: Area, tmp_path: Path) -> Path:
    import shutil

    return Path(shutil.copytree(made.folder, tmp_path / "copy"))


def test_what_the_area_holds(made: Area) -> None:
    assert made.name == "island"
    assert made.elevation_kind == "terrain"
    assert made.elevation.values.dtype == np.float32
    assert made.zone.values.dtype == np.uint8
    assert made.elevation.extent == made.cover.extent == made.zone.extent == made.filled.extent
    assert np.isfinite(made.elevation.values).mean() > 0.97
    x, y = made.projection.to_xy(LATITUDE, LONGITUDE)
    assert made.elevation.sample(x, y) == pytest.approx(182, abs=2)
    assert made.zone.nearest(x, y) == 4
    assert made.zone.nearest(x + 3500, y) == 1
    assert made.zone.nearest(x - 2500, y) == 3
    assert made.cover.nearest(x + 600, y + 600) == 15.0
    assert made.cover.nearest(x + 400, y + 600) == 0.0  # a lane through the wood
    assert made.filled.values.sum() > 5
    assert "OpenStreetMap" in made.attribution[0]
    kinds = [kind for kind, _ in made.ground]
    assert kinds == ["natural=wood"]
    rings = next(rings for _, rings in made.ground)
    assert np.ptp(rings[0], axis=0) == pytest.approx([800, 800], rel=0.01)
    assert "Quiet Cove" in made.places.name


def test_road_heights_are_fitted(made: Area) -> None:
    network = made.network
    assert np.isfinite(network.point_height_m).all()
    raster = made.elevation.sample(network.point_x_m, network.point_y_m)
    on_ground = np.isfinite(raster) & ~network.ways.bridge[network.street_way][network.point_street]
    assert np.abs(network.point_height_m - raster)[on_ground].max() < 3
    ends = np.concatenate([network.point_first[:-1], network.point_first[1:] - 1])
    node = np.concatenate([network.street_start, network.street_end])
    for n in np.unique(node):
        assert np.ptp(network.point_height_m[ends[node == n]]) == 0
    assert made.climb_uncertainty_m(20_000, 300) > 0.05 * 300


def test_read_back_is_exact(made: Area, files: tuple[Path, Path]) -> None:
    """From the files and from the cache alike, and equal to what the reader gave."""
    from routeplan.roads.reader import read_osm

    fresh = read_osm(files[0]).network.with_heights(made.network.point_height_m)
    columns = areas._read_files(made.folder, made.manifest)
    from_files = areas._area(made.folder, made.manifest, made.projection, columns)
    from_cache = load_area(made.folder)
    for got in (made, from_files, from_cache):
        a, b = fresh.to_columns(), got.network.to_columns()
        assert a.keys() == b.keys()
        for name, value in a.items():
            if isinstance(value, list):
                assert value == list(b[name]), name
            else:
                assert value.dtype == b[name].dtype, name
                assert np.array_equal(value, b[name], equal_nan=value.dtype.kind == "f"), name
        for name in ("kind", "name"):
            assert getattr(got.places, name) == getattr(made.places, name)
        for name in areas.RASTERS:
            assert np.array_equal(getattr(got, name).values, getattr(made, name).values, equal_nan=True)
        assert got.ground.kind == made.ground.kind
        assert np.array_equal(got.ground.x_m, made.ground.x_m)
        assert np.array_equal(got.places.osm_id, made.places.osm_id)


def test_open_formats(made: Area) -> None:
    """Other programs read the files: geopandas with the right place on the Earth, rasterio with system and unit."""
    import geopandas
    import rasterio

    streets = geopandas.read_parquet(made.folder / "streets.parquet")
    assert len(streets) == made.network.street_count
    assert streets.geometry.length.to_numpy() == pytest.approx(made.network.street_length_m)
    south, west, north, east = made.manifest["roads"]["extent_deg"]
    assert streets.to_crs("EPSG:4326").total_bounds == pytest.approx([west, south, east, north], abs=1e-5)
    assert streets.geometry.has_z.all()
    for name in ("junctions", "places", "ground"):
        assert len(geopandas.read_parquet(made.folder / f"{name}.parquet")) > 0
    with rasterio.open(made.folder / "elevation.tif") as src:
        assert src.units == ("m",)
        assert np.isnan(src.nodata)
        x, y = made.elevation.west_m, made.elevation.north_m
        assert [v[0] for v in (src.sample([(x + 600, y - 600)]))] == made.elevation.nearest(x + 600, y - 600)


def test_manifest_is_complete(made: Area) -> None:
    manifest = tomllib.loads((made.folder / "manifest.toml").read_text())
    assert manifest["format"] == "routeplan area 1"
    assert manifest["elevation"]["kind_origin"] == "by the name or tags of the files"
    assert manifest["elevation"]["void_cells_left"] == 0
    assert manifest["elevation"]["void_cells_filled"] >= 9
    assert {f["name"] for f in manifest["file"]} == {p.name for p in made.folder.iterdir()} - {"manifest.toml"}
    assert [s["role"] for s in manifest["source"]] == ["roads", "terrain"]
    assert all(len(s["sha256"]) == 64 for s in manifest["source"])
    text = (made.folder / "manifest.toml").read_text()
    assert str(made.folder) not in text  # no paths of this machine


def test_making_twice_gives_the_same_bytes(made: Area, files: tuple[Path, Path], tmp_path: Path) -> None:
    again = make_area(tmp_path / "island", roads=[files[0]], terrain=[files[1]])
    assert again.manifest["file"] == made.manifest["file"]


def test_describe_says_it_in_words(made: Area) -> None:
    text = describe(made)
    for word in ("island", "37.4", "W", "terrain model", "sea", "heights.tif", "OpenStreetMap", "filled", "bridges"):
        assert word in text, word
    assert max(map(len, text.splitlines())) <= 100


def test_progress_is_told(files: tuple[Path, Path], tmp_path: Path) -> None:
    lines: list[str] = []
    make_area(tmp_path / "a", roads=[files[0]], terrain=[files[1]], progress=lines.append)
    assert len(lines) >= 5


def test_surface_model_gives_cover_back(made: Area, files: tuple[Path, Path], tmp_path: Path) -> None:
    """A 15 m wood in a surface model: the ground beneath is the terrain model's, the top is the measured one."""
    surface = write_elevation(tmp_path / "dsm.tif", wood_m=15.0)
    got = make_area(tmp_path / "a", roads=[files[0]], terrain=[surface])
    assert got.elevation_kind == "surface"
    assert got.manifest["elevation"]["cover_taken_out"]
    x, y = made.projection.to_xy(LATITUDE, LONGITUDE)
    inside_x, inside_y = x + np.array([500.0, 700.0]), y + np.array([500.0, 700.0])
    assert got.elevation.sample(inside_x, inside_y) == pytest.approx(made.elevation.sample(inside_x, inside_y), abs=0.1)
    assert (got.cover.nearest(inside_x, inside_y) == 15).all()
    stated = make_area(
        tmp_path / "b", roads=[files[0]], terrain=[surface], elevation_kind="terrain", roads_rights="invented"
    )
    assert stated.attribution[0] == "invented"
    assert stated.elevation.sample(inside_x, inside_y) == pytest.approx(
        made.elevation.sample(inside_x, inside_y) + 15, abs=0.1
    )


def test_land_cover_file(files: tuple[Path, Path], tmp_path: Path) -> None:
    import rasterio
    from rasterio.transform import Affine

    path = tmp_path / "cover.tif"
    with rasterio.open(path, "w", driver="GTiff", height=100, width=100, count=1, dtype="uint8", crs="EPSG:4326",
                       transform=Affine(0.001, 0, LONGITUDE - 0.05, 0, -0.001, LATITUDE + 0.05)) as out:  # fmt: skip
        out.write(np.full((100, 100), 50, np.uint8), 1)
    got = make_area(tmp_path / "a", roads=[files[0]], terrain=[files[1]], cover=[path])
    x, y = got.projection.to_xy(LATITUDE, LONGITUDE)
    assert got.cover.nearest(x - 200, y + 200) == 10.0
    assert got.cover.nearest(x + 3500, y) == 0.0  # the sea bears no town
    assert "ESA WorldCover" in describe(got)


# --- downloads ---


class Servers:
    """An Overpass server and a store of elevation tiles on one loopback port."""

    def __init__(self, tiles: dict[str, bytes]) -> None:
        self.asked: list[str] = []
        servers = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                self.rfile.read(int(self.headers["Content-Length"]))
                servers.asked.append("roads")
                self.give(200, osm_text().encode(), "application/osm3s+xml")

            def do_GET(self) -> None:
                servers.asked.append(self.path)
                data = tiles.get(self.path)
                if data is None:
                    self.give(404, b"", "text/plain")
                    return
                begin, _, end = self.headers.get("Range", "bytes=0-").removeprefix("bytes=").partition("-")
                last = min(int(end or len(data)), len(data) - 1)
                told = {"Content-Range": f"bytes {begin}-{last}/{len(data)}"} if "Range" in self.headers else {}
                self.give(206 if told else 200, data[int(begin) : last + 1], "image/tiff", **told)

            do_HEAD = do_GET

            def give(self, status: int, body: bytes, kind: str, **headers: str) -> None:
                self.send_response(status)
                for name, value in ({"Content-Type": kind, "Content-Length": str(len(body))} | headers).items():
                    self.send_header(name, value)
                self.end_headers()
                if self.command != "HEAD":
                    self.wfile.write(body)

            def log_message(self, *_: Any) -> None:
                pass

        self.http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.http.daemon_threads = True
        self.thread = threading.Thread(target=self.http.serve_forever, kwargs={"poll_interval": 0.01})
        self.thread.start()

    def close(self) -> None:
        self.http.shutdown()
        self.http.server_close()
        self.thread.join()


@pytest.fixture
def servers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    from routeplan.terrain import glo30

    name = glo30.tile_name(37, -32)
    tile = write_elevation(tmp_path / "tile.tif", centre=(37.5, -31.5), cells=600, step=1 / 600)
    running = Servers({f"/{name}/{name}.tif": tile.read_bytes()})
    tile.unlink()
    address = f"http://127.0.0.1:{running.http.server_address[1]}"
    monkeypatch.setenv("ROUTEPLAN_OVERPASS", address + "/api/interpreter")
    monkeypatch.setenv("ROUTEPLAN_GLO30_ADDRESS", address)
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *_: tmp_path / "cache")
    yield running
    running.close()


def test_download_round_a_place(servers: Servers, tmp_path: Path) -> None:
    lines: list[str] = []
    got = areas.download_area(tmp_path / "a", f"{LATITUDE},{LONGITUDE}", 5.0, progress=lines.append)
    assert got.network.street_count > 100
    assert got.elevation_kind == "surface"
    extent = got.elevation.extent
    assert extent.east_m - extent.west_m > 30_000  # hills 15 km beyond the roads are in
    assert any("COPERNICUS" in line for line in got.attribution)
    assert all(source["from"].startswith("http://127.0.0.1") for source in got.manifest["source"])
    assert "fetched" in got.manifest["source"][0]
    assert any("elevation tile" in line for line in lines)
    count = len(servers.asked)
    areas.download_area(tmp_path / "b", f"{LATITUDE},{LONGITUDE}", 5.0)
    assert len(servers.asked) == count  # all from the cache
    lines.clear()
    areas.download_area(tmp_path / "b", f"{LATITUDE}, {LONGITUDE}", 5, progress=lines.append)
    assert len(lines) == 1 and "stands already" in lines[0]
    with pytest.raises(InputError, match=f"holds an area already, 5 km round {LATITUDE:g},{LONGITUDE:g}"):
        areas.download_area(tmp_path / "b", f"{LATITUDE},{LONGITUDE}", 6.0)


def test_download_that_fails_leaves_no_area(servers: Servers, tmp_path: Path) -> None:
    with pytest.raises(DownloadError, match="none of the 1 elevation tiles"):
        areas.download_area(tmp_path / "a", "12.5,-31.5", 5.0)
    assert not (tmp_path / "a").exists()
    for wrong in ("somewhere", "91,0", "1,2,3", "42.5"):
        with pytest.raises(InputError, match="is no place"):
            areas.download_area(tmp_path / "a", wrong, 5.0)
    for box in ((12.0, 1.0, 12.2, 1.2), (84.0, 179.9, 84.9, 179.99)):
        south, west, north, east = areas._grown(box, 15_000)
        assert south < box[0] - 0.13
        assert west < box[1] - 0.13
        assert north > box[2]
        assert box[3] < east <= 180


# --- what goes wrong ---


def test_roads_and_elevation_apart_name_both(files: tuple[Path, Path], tmp_path: Path) -> None:
    far = write_elevation(tmp_path / "far.tif", centre=(LATITUDE + 0.12, LONGITUDE))
    very_far = write_elevation(tmp_path / "very_far.tif", centre=(10.0, 10.0))
    for path, text in ((far, "37.58 to 37.66 N"), (very_far, "9.9")):
        with pytest.raises(InputError) as caught:
            make_area(tmp_path / "a", roads=[files[0]], terrain=[path])
        assert text in str(caught.value) or "37.57 to 37.67 N" in str(caught.value)
        assert "37.49 to 37.52 N" in str(caught.value)
        assert "31.5" in str(caught.value)
        assert sorted(p.name for p in tmp_path.iterdir()) == ["far.tif", "very_far.tif"]


def test_faults_of_roads_and_elevation_together(tmp_path: Path) -> None:
    (tmp_path / "roads.osm").write_text("<gpx></gpx>")
    (tmp_path / "heights.tif").write_text("<html></html>")
    with pytest.raises(InputError) as caught:
        make_area(tmp_path / "a", roads=[tmp_path / "roads.osm"], terrain=[tmp_path / "heights.tif"])
    assert "roads.osm" in str(caught.value)
    assert "heights.tif" in str(caught.value)
    assert not (tmp_path / "a").exists()


def test_failure_while_writing_leaves_nothing(
    files: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(areas, "_write_places", full)
    with pytest.raises(InputError, match="No space left"):
        make_area(tmp_path / "deep" / "down" / "a", roads=[files[0]], terrain=[files[1]])
    assert list(tmp_path.iterdir()) == []


def test_an_old_area_survives_a_failed_making(
    copy: Path, files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(areas, "_write_ground", stopped)
    with pytest.raises(KeyboardInterrupt):
        make_area(copy, roads=[files[0]], terrain=[files[1]], replace=True)
    assert load_area(copy).network.street_count
    assert [p.name for p in copy.parent.iterdir()] == [copy.name]


def test_an_old_area_comes_back_when_the_last_step_fails(
    copy: Path, files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    rename = os.rename

    def failing(source: Any, target: Any) -> None:
        if ".new." in str(source):
            raise OSError(5, "Input/output error")
        rename(source, target)

    monkeypatch.setattr(areas.os, "rename", failing)
    with pytest.raises(InputError, match="Input/output"):
        make_area(copy, roads=[files[0]], terrain=[files[1]], replace=True)
    monkeypatch.undo()
    assert load_area(copy).network.street_count
    assert [p.name for p in copy.parent.iterdir()] == [copy.name]


def test_an_area_is_replaced_and_other_folders_are_not(copy: Path, files: tuple[Path, Path], tmp_path: Path) -> None:
    make_area(copy, roads=[files[0]], terrain=[files[1]], replace=True)
    assert [p.name for p in copy.parent.iterdir()] == [copy.name]
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.jpg").write_text("")
    with pytest.raises(InputError, match="no area"):
        make_area(tmp_path / "photos", roads=[files[0]], terrain=[files[1]])
    (tmp_path / "empty").mkdir()
    make_area(tmp_path / "empty", roads=[files[0]], terrain=[files[1]])


def test_the_same_area_stays_and_another_is_kept(copy: Path, files: tuple[Path, Path], tmp_path: Path) -> None:
    """`copy` was made from the two files by the same code."""
    before = {p.name: p.stat().st_mtime_ns for p in copy.iterdir()}
    said: list[str] = []
    make_area(copy, roads=[files[0]], terrain=[files[1]], progress=said.append)
    assert len(said) == 1 and "stands already" in said[0] and "--replace" in said[0]
    other = write_elevation(tmp_path / "other.tif", wood_m=5.0)
    wrong: list[dict[str, Any]] = [{"terrain": [other]}, {"terrain": [files[1]], "elevation_kind": "surface"}]
    for change in wrong:
        with pytest.raises(InputError, match=r"made from island.osm, heights.tif; name another .* --replace"):
            make_area(copy, roads=[files[0]], **change)
    with pytest.raises(InputError, match="holds an area already"):
        areas.download_area(copy, f"{LATITUDE},{LONGITUDE}", 5.0)
    assert {p.name: p.stat().st_mtime_ns for p in copy.iterdir()} == before
    make_area(copy, roads=[files[0]], terrain=[other], replace=True)
    assert {p.name: p.stat().st_mtime_ns for p in copy.iterdir()} != before


def test_the_same_area_damaged_is_made_anew(copy: Path, files: tuple[Path, Path]) -> None:
    (copy / "ways.parquet").write_bytes(b"")
    said: list[str] = []
    make_area(copy, roads=[files[0]], terrain=[files[1]], progress=said.append)
    assert "damaged" in said[0] and load_area(copy).network.street_count
    (copy / "manifest.toml").write_text("no manifest")
    with pytest.raises(InputError, match=r"a damaged one or of another format; .*--replace"):
        make_area(copy, roads=[files[0]], terrain=[files[1]])


def test_the_demo_is_made_anew_where_its_area_is_damaged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from routeplan.plan import demo

    asked: list[bool] = []
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *_: tmp_path)
    monkeypatch.setattr(demo, "make_area", lambda folder, replace, **_: asked.append(replace) or folder)
    made = demo.area()
    made.mkdir(parents=True)  # type: ignore[attr-defined]
    (made / "manifest.toml").write_text("no manifest")  # type: ignore[operator]
    assert demo.area() == made and asked == [True, True]


def test_an_area_of_another_version_is_kept(
    copy: Path, files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(areas, "_MADE_WITH", "routeplan 99")
    with pytest.raises(InputError, match=r"made with routeplan \d"):
        make_area(copy, roads=[files[0]], terrain=[files[1]])


def test_an_area_that_appears_meanwhile_is_kept(tmp_path: Path, files: tuple[Path, Path]) -> None:
    def other(text: str) -> None:
        if text == "road heights":
            (tmp_path / "a").mkdir()
            (tmp_path / "a" / "manifest.toml").write_text("of another run")

    with pytest.raises(InputError, match="meanwhile"):
        make_area(tmp_path / "a", roads=[files[0]], terrain=[files[1]], progress=other)
    assert (tmp_path / "a" / "manifest.toml").read_text() == "of another run"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_a_place_for_an_area_that_cannot_be_written_is_told_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    said: list[str] = []
    for make in (
        lambda folder: make_area(folder, roads=["none.osm"], terrain=["none.tif"], progress=said.append),
        lambda folder: areas.download_area(folder, "1,2", 5.0, progress=said.append),
    ):
        for folder in (tmp_path / "taken", tmp_path / "taken" / "deep" / "area"):
            with pytest.raises(InputError, match="taken: is a file, not a folder"):
                make(folder)
    assert said == [] and [p.name for p in tmp_path.iterdir()] == ["taken"]


@pytest.mark.parametrize("name", ["elevation.tif", "streets.parquet", "ways.parquet"])
@pytest.mark.parametrize("how", ["flip", "cut", "remove"])
def test_damage_is_recognised(copy: Path, name: str, how: str) -> None:
    path = copy / name
    data = bytearray(path.read_bytes())
    if how == "flip":
        data[len(data) // 2] ^= 1
        path.write_bytes(data)
    elif how == "cut":
        path.write_bytes(data[:-10])
    else:
        path.unlink()
    with pytest.raises(InputError, match=name):
        load_area(copy)


def test_all_damage_at_once(copy: Path) -> None:
    (copy / "zone.tif").unlink()
    (copy / "places.parquet").write_bytes(b"")
    with pytest.raises(InputError) as caught:
        load_area(copy)
    assert len(caught.value.faults) == 2


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda t: t.replace('unit = "m"', 'unit = "ft"'), "changed"),
        (lambda t: t[:200], "damaged|changed|format"),
        (lambda t: t.replace("area 1", "area 9"), "format"),
        (lambda t: t[: t.index("[seal]")], "changed"),
        (lambda t: "\x00" + t, "damaged"),
    ],
)
def test_manifest_damage(copy: Path, change: Any, word: str) -> None:
    path = copy / "manifest.toml"
    path.write_text(change(path.read_text()))
    with pytest.raises(InputError, match=word):
        load_area(copy)


def test_no_area_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such area"):
        load_area(tmp_path / "none")
    with pytest.raises(InputError, match="no area"):
        load_area(tmp_path)


def test_a_damaged_cache_is_passed_over(made: Area, cache: Path) -> None:
    load_area(made.folder)
    for path in cache.glob("*.npz"):
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert load_area(made.folder).network.street_count == made.network.street_count
    assert load_area(made.folder).network.street_count == made.network.street_count


def test_without_a_writable_cache(made: Area, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(areas, "_cache_folder", lambda: Path("/proc/none"))
    assert load_area(made.folder).network.street_count == made.network.street_count


def test_loads_at_the_same_time(made: Area, cache: Path) -> None:
    for path in cache.glob("*.npz"):
        path.unlink()
    counts: list[int] = []

    def load() -> None:
        counts.append(load_area(made.folder).network.street_count)

    threads = [threading.Thread(target=load) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert counts == [made.network.street_count] * 4
    assert not list(cache.glob("*.part"))


def test_toml_round_trip() -> None:
    table = {
        "a": 1, "b": 2.5, "c": "quote \" and \\ and ü\n", "d": [1, 2], "e": True, "odd key": "x",
        "t": {"x": float("inf"), "u": {"v": "w"}, "empty": {}}, "l": [{"p": 1}, {"p": 2, "q": {"r": 3}}], "none": [],
    }  # fmt: skip
    assert tomllib.loads(to_toml(table)) == table
    assert json.dumps(table["c"])


@pytest.mark.skipif(REAL is None, reason="ROUTEPLAN_REAL_AREA names no folder with a real place")
def test_real_place(tmp_path: Path) -> None:
    folder = Path(str(REAL))
    begin = time.perf_counter()
    got = make_area(
        tmp_path / "real", roads=sorted(folder.glob("*.osm.pbf")), terrain=sorted(folder.glob("*.tif"))
    )
    assert time.perf_counter() - begin < 40
    begin = time.perf_counter()
    load_area(got.folder)
    assert time.perf_counter() - begin < 1.0
    assert got.network.street_length_m.sum() > 500_000


def test_property_the_demo_is_made_anew_when_what_makes_it_changes(monkeypatch):
    now = demo._how_made()
    assert demo._how_made() == now
    monkeypatch.setattr(demo, "SAID", demo.SAID | {"roads_rights": "another"})
    assert demo._how_made() != now
    monkeypatch.undo()
    monkeypatch.setattr(demo, "FORMAT", "routeplan area 99")
    assert demo._how_made() != now
