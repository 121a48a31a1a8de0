"""Elevation files: what is read is where and what it should be, and what is wrong is said in full."""

from __future__ import annotations

import gzip
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from routeplan.errors import InputError
from routeplan.geo import Projection
from routeplan.terrain import Extent, tiles
from routeplan.terrain.tiles import read_tiles

CENTRE = Projection(42.5, 1.5)
SMALL = Extent(-3000.0, -3000.0, 3000.0, 3000.0)


def height_at(latitude: Any, longitude: Any) -> Any:
    """An invented, smooth ground: bilinear reading of 1 arc-second cells is within centimetres of it."""
    return 1000 + 200 * np.sin(np.radians(longitude) * 400) + 4000 * (np.asarray(latitude) - 42.5)


def write_tif(path: Path, west: float, north: float, cells: tuple[int, int], step: float, **options: Any) -> Path:
    """A GeoTIFF in degrees (or options["crs"]) whose cells hold `height_at` of their centres."""
    import rasterio
    from rasterio.transform import Affine

    rows, cols = cells
    longitude = west + step * (np.arange(cols) + 0.5)
    latitude = north - step * (np.arange(rows) + 0.5)
    values = options.pop("values", height_at(latitude[:, None], longitude[None, :]))
    unit, tags = options.pop("unit", None), options.pop("tags", {})
    profile = {
        "driver": "GTiff", "height": rows, "width": cols, "count": 1, "dtype": "float32", "crs": "EPSG:4326",
        "transform": Affine(step, 0.0, west, 0.0, -step, north),
    } | options  # fmt: skip
    with rasterio.open(path, "w", **profile) as out:
        for band in range(1, profile["count"] + 1):
            out.write(np.broadcast_to(values, (rows, cols)).astype(profile["dtype"]), band)
        if unit:
            out.units = (unit,) * profile["count"]
        out.update_tags(**tags)
    return path


@pytest.fixture(scope="module")
def tile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """About 9 x 12 km at 1 arc-second round the centre."""
    return write_tif(tmp_path_factory.mktemp("tiles") / "dtm.tif", 1.44, 42.56, (432, 432), 1 / 3600)


def truth(elevation: tiles.Elevation) -> np.ndarray:
    grid = elevation.grid
    rows, cols = grid.values.shape
    x = grid.west_m + grid.step_m * np.arange(cols)
    y = grid.north_m - grid.step_m * np.arange(rows)
    latitude, longitude = CENTRE.to_latlon(*np.meshgrid(x, y))
    return height_at(latitude, longitude)


def test_heights_lie_where_they_should(tile: Path) -> None:
    read = read_tiles([tile], CENTRE, SMALL)
    assert read.grid.step_m == 23.0  # 1 arc-second of longitude at 42.5 N is 22.8 m
    assert read.covered.all()
    assert read.void_cells == 0
    assert read.grid.values == pytest.approx(truth(read), abs=0.1)
    assert read.grid.west_m % read.grid.step_m == 0
    assert read.grid.extent.overlap(SMALL) == read.grid.extent


def test_whole_file_without_an_extent(tile: Path) -> None:
    read = read_tiles([tile], CENTRE)
    inside = np.isfinite(read.grid.values)
    assert inside.mean() > 0.98
    assert read.grid.values[inside] == pytest.approx(truth(read)[inside], abs=1.0)  # half cells at the border
    assert read.void_cells == 0


def test_another_coordinate_system(tmp_path: Path) -> None:
    from pyproj import Transformer

    to_degrees = Transformer.from_crs("EPSG:32631", "EPSG:4326", always_xy=True)
    west, north, step = 370_000.0, 4_712_000.0, 30.0
    x = west + step * (np.arange(500) + 0.5)
    y = north - step * (np.arange(500) + 0.5)
    longitude, latitude = to_degrees.transform(*np.meshgrid(x, y))
    path = write_tif(tmp_path / "utm.tif", west, north, (500, 500), step, crs="EPSG:32631",
                     values=height_at(latitude, longitude))  # fmt: skip
    read = read_tiles([path], CENTRE, SMALL)
    assert read.grid.step_m == 30.0
    assert read.grid.values == pytest.approx(truth(read), abs=0.2)


def test_adjoining_tiles_leave_no_seam(tile: Path, tmp_path: Path) -> None:
    step = 1 / 3600
    a = write_tif(tmp_path / "a.tif", 1.44, 42.56, (432, 216), step)
    b = write_tif(tmp_path / "b.tif", 1.44 + 216 * step, 42.56, (432, 216), step)
    joined = read_tiles([a, b], CENTRE, SMALL)
    assert np.array_equal(joined.grid.values, read_tiles([tile], CENTRE, SMALL).grid.values)
    assert len(joined.tiles) == 2


def test_the_finer_tile_wins(tile: Path, tmp_path: Path) -> None:
    coarse = write_tif(tmp_path / "coarse.tif", 1.4, 42.6, (72, 72), 1 / 360, values=np.full((72, 72), 5.0))
    read = read_tiles([coarse, tile], CENTRE, Extent(-8000, -3000, 8000, 3000))
    assert read.grid.step_m == 23.0
    middle = read.grid.sample(0.0, 0.0)
    assert middle == pytest.approx(height_at(42.5, 1.5), abs=0.2)
    assert read.grid.sample(-7000.0, 0.0) == pytest.approx(5.0)


def test_a_missing_tile_is_not_covered_and_no_void(tmp_path: Path) -> None:
    a = write_tif(tmp_path / "a.tif", 1.44, 42.56, (432, 216), 1 / 3600)
    read = read_tiles([a], CENTRE, SMALL)
    assert read.void_cells == 0
    assert read.grid.extent.east_m < 100  # clipped to the file


def test_voids_are_nan_and_counted(tmp_path: Path) -> None:
    values = np.full((432, 432), 500.0)
    values[200:210, 200:210] = -32768
    values[300, 300] = -9999  # not declared, and still no height
    path = write_tif(tmp_path / "holes.tif", 1.44, 42.56, (432, 432), 1 / 3600, values=values, nodata=-32768)
    read = read_tiles([path], CENTRE, SMALL)
    assert np.nanmin(read.grid.values) == pytest.approx(500)
    cell_ratio = (30.9 * 22.8) / 23.0**2
    assert read.void_cells == pytest.approx(101 * cell_ratio, rel=0.1)
    assert read.covered.all()


def test_a_finer_source_is_averaged_to_fit(tile: Path) -> None:
    read = read_tiles([tile], CENTRE, SMALL, step_m=100.0)
    assert read.grid.values == pytest.approx(truth(read), abs=1.5)


def hgt_bytes(south: int = 42, west: int = 1, size: int = 1201) -> bytes:
    longitude = west + np.arange(size) / (size - 1)
    latitude = south + 1 - np.arange(size) / (size - 1)
    values = np.round(height_at(latitude[:, None], longitude[None, :])).astype(">i2")
    values[5, 5] = -32768
    return values.tobytes()


def test_hgt_alone_zipped_and_gzipped_are_equal(tmp_path: Path) -> None:
    data = hgt_bytes()
    plain = tmp_path / "N42E001.hgt"
    plain.write_bytes(data)
    packed = tmp_path / "N42E001.hgt.gz"
    packed.write_bytes(gzip.compress(data, 1))
    archive = tmp_path / "N42E001.SRTMGL3.hgt.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
        out.writestr("N42E001.hgt", data)
    first = read_tiles([plain], CENTRE, SMALL)
    assert first.grid.values == pytest.approx(truth(first), abs=1.2)  # whole metres, 90 m cells
    assert first.tiles[0].kind == "surface"
    for path in (packed, archive):
        assert np.array_equal(read_tiles([path], CENTRE, SMALL).grid.values, first.grid.values)


def test_adjoining_hgt_share_their_border(tmp_path: Path) -> None:
    for west in (0, 1):
        (tmp_path / f"N42E00{west}.hgt").write_bytes(hgt_bytes(west=west))
    at = Projection(42.5, 1.0)
    read = read_tiles([tmp_path / "N42E000.hgt", tmp_path / "N42E001.hgt"], at, SMALL)
    assert read.covered.all()
    assert np.isfinite(read.grid.values).all()


@pytest.mark.parametrize(
    ("options", "word"),
    [
        ({"unit": "ft"}, "'ft', not metres"),
        ({"crs": None}, "no coordinate system"),
        ({"count": 3, "dtype": "uint8"}, "3 bands"),
        ({"dtype": "uint8", "values": np.full((1, 1), 50.0)}, "picture or classes"),
        ({"crs": "EPSG:4979"}, "ellipsoid"),
        ({"values": np.full((1, 1), 12_000.0)}, "no height in metres"),
        ({"values": np.full((1, 1), -3000.0)}, "void value"),
    ],
)
def test_wrong_rasters_are_named(tmp_path: Path, options: dict[str, Any], word: str) -> None:
    path = write_tif(tmp_path / "wrong.tif", 1.44, 42.56, (432, 432), 1 / 3600, **options)
    with pytest.raises(InputError, match=word) as caught:
        read_tiles([path], CENTRE, SMALL)
    assert "wrong.tif" in str(caught.value)
    assert caught.value.faults[0].mend


def test_vertical_system_in_feet_is_named(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "navd.tif", 1.44, 42.56, (432, 432), 1 / 3600, crs="EPSG:4269+6360")
    with pytest.raises(InputError, match="not metres"):
        read_tiles([path], CENTRE, SMALL)


def test_vertical_datum_is_kept(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "egm.tif", 1.44, 42.56, (432, 432), 1 / 3600, crs="EPSG:4326+3855")
    read = read_tiles([path], CENTRE, SMALL)
    assert "EGM2008" in read.tiles[0].vertical_datum
    assert read.grid.values == pytest.approx(truth(read), abs=0.1)


def test_kind_from_tag_or_name(tmp_path: Path) -> None:
    for name, tags, kind in (
        ("Copernicus_DSM_COG_10_N42_00_E001_00_DEM.tif", {}, "surface"),
        ("heights.tif", {}, ""),
        ("heights2.tif", {"ELEVATION_KIND": "terrain"}, "terrain"),
    ):
        path = write_tif(tmp_path / name, 1.44, 42.56, (40, 40), 1 / 360, tags=tags)
        assert read_tiles([path], CENTRE, SMALL).tiles[0].kind == kind


def test_cut_off_geotiff(tile: Path, tmp_path: Path) -> None:
    whole = tile.read_bytes()
    for share in (0.999, 0.5, 0.01):
        path = tmp_path / "cut.tif"
        path.write_bytes(whole[: int(len(whole) * share)])
        with pytest.raises(InputError, match="cut off"):
            read_tiles([path], CENTRE)


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("page.tif", b"<!DOCTYPE html><html><body>Too many requests</body></html>", "web page"),
        ("empty.tif", b"", "empty"),
        ("text.tif", b"hello", "not a GeoTIFF"),
        ("roads.tif", b"\x00\x00\x00\x0d\x0a\x09OSMHeader", "OpenStreetMap"),
        ("N42E001.hgt", b"\0" * 1000, "1000 bytes"),
        ("somewhere.hgt", b"\0" * (1201 * 1201 * 2), "N42E001.hgt"),
        ("N42E001.hgt.gz", b"\x1f\x8bnot gzip at all", "unpacked"),
        ("N42E001.zip", b"PK\x03\x04 not a zip", "unpacked"),
    ],
)
def test_files_that_are_no_rasters(tmp_path: Path, name: str, content: bytes, word: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=word):
        read_tiles([tmp_path / name], CENTRE, SMALL)


@pytest.mark.parametrize("slip", ["locked", "packing nobody knows", "stream", "gz stream"])
def test_archives_that_cannot_be_unpacked(tmp_path: Path, slip: str) -> None:
    path, noise = tmp_path / "N42E001.zip", np.random.default_rng(0).bytes(2000)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("N42E001.hgt", noise)
    data = bytearray(path.read_bytes())
    listed = data.index(b"PK\x01\x02")  # the entry of the list at the end
    if slip == "locked":
        data[6] |= 1
        data[listed + 8] |= 1
    elif slip == "packing nobody knows":
        data[8] = data[listed + 10] = 250
    elif slip == "stream":
        data[30 + len("N42E001.hgt")] |= 0b110  # a block type that there is none of
    else:
        path = tmp_path / "N42E001.hgt.gz"
        data = bytearray(gzip.compress(noise))
        data[10] |= 0b110
    path.write_bytes(data)
    with pytest.raises(InputError, match="cannot be unpacked"):
        read_tiles([path], CENTRE, SMALL)


def test_bombs_are_not_unpacked(tmp_path: Path) -> None:
    zeros = b"\0" * 60_000_000
    archive = tmp_path / "N42E001.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("N42E001.hgt", zeros)
    packed = tmp_path / "N42E002.hgt.gz"
    packed.write_bytes(gzip.compress(zeros, 1))
    for path in (archive, packed):
        with pytest.raises(InputError, match="more than the largest"):
            read_tiles([path], CENTRE, SMALL)


def test_all_faults_of_all_files_at_once(tmp_path: Path) -> None:
    feet = write_tif(tmp_path / "feet.tif", 1.44, 42.56, (40, 40), 1 / 360, unit="feet", count=2)
    (tmp_path / "page.tif").write_bytes(b"<html></html>")
    with pytest.raises(InputError) as caught:
        read_tiles([feet, tmp_path / "page.tif", tmp_path / "none.tif"], CENTRE, SMALL)
    assert len(caught.value.faults) == 4
    with pytest.raises(InputError, match="no elevation file"):
        read_tiles([], CENTRE, SMALL)


def test_no_overlap_names_both_extents(tile: Path) -> None:
    with pytest.raises(InputError) as caught:
        read_tiles([tile], Projection(46.0, 7.0), SMALL)
    assert "elevation covers 42.43 to 42.57 N, 1.43 to 1.57 E" in str(caught.value)  # rounded outwards
    assert "roads 45.97 to 46.03 N, 6.96 to 7.04 E" in str(caught.value)
