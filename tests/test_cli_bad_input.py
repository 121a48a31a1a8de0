"""Bad input through the command line: exit status 2, what is wrong and how to mend it, and nothing left behind."""

from __future__ import annotations

import gzip
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from fault_place import EAST, NORTH, SOUTH, WEST, lanes_text

from routeplan.cli import main
from routeplan.plan.area import Area

RIDE = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[ride]
length_km = 12
[set]
transmit_w = 5
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
antenna_height_m = 10
antenna_gain_dbi = 2
[[net]]
frequency_mhz = 145.5
begins = "19:00"
"""

# A line of the ride file, what stands in its place, and what the rider is told.
RADIO = {
    "station under the ground": ("antenna_height_m = 10", "antenna_height_m = -10", ["line 13", "under the ground"]),
    "station above 3 km": ("antenna_height_m = 10", "antenna_height_m = 3400", ["line 13", "above 3 km"]),
    "negative power": ("transmit_w = 5", "transmit_w = -5", ["line 9", "must not be negative"]),
    "gain of 60 dBi": ("antenna_gain_dbi = 2", "antenna_gain_dbi = 60", ["line 14", "6"]),
    "frequency in kHz": ("frequency_mhz = 145.5", "frequency_mhz = 145500", ["line 16", "in kHz? Then write 145.5"]),
    "locator with a wrong letter": (
        "position = [36.6300, -84.2000]",
        'locator = "EM7Zxo"',
        ["line 12", "character 4 is 'Z'"],
    ),
}


def refused(arguments: list[object], words: list[str]) -> None:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output and result.stdout == ""
    assert all(word in result.stderr for word in words), result.stderr


@pytest.mark.parametrize("case", RADIO)
@pytest.mark.parametrize("command", ["loop", "coverage"])
def test_radio_slips_are_named(case: str, command: str, tmp_path: Path, fault_area: Area) -> None:
    line, slip, words = RADIO[case]
    path = tmp_path / "ride.toml"
    path.write_text(RIDE.replace(line, slip))
    refused([command, fault_area.folder, path, "--out", tmp_path / "out"], words)
    assert [p.name for p in tmp_path.iterdir()] == ["ride.toml"]


def test_all_radio_slips_are_named_at_once(tmp_path: Path, fault_area: Area) -> None:
    text = RIDE
    for line, slip, _ in (RADIO[case] for case in RADIO if case != "station above 3 km"):
        text = text.replace(line, slip)
    path = tmp_path / "ride.toml"
    path.write_text(text)
    refused(["loop", fault_area.folder, path], [w for c, r in RADIO.items() if c != "station above 3 km" for w in r[2]])


# Roads and elevation


def osm(folder: Path, text: str, name: str = "roads.osm") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def cut_pbf(folder: Path) -> Path:
    import osmium

    whole = folder / "whole.osm.pbf"
    with osmium.SimpleWriter(str(whole)) as writer:
        for thing in osmium.FileProcessor(str(osm(folder, lanes_text()))):
            writer.add(thing)
    path = folder / "cut.osm.pbf"
    path.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    return path


def bomb(folder: Path) -> Path:
    path = folder / "bomb.osm.gz"
    with gzip.open(path, "wb", compresslevel=9) as stream:
        stream.write(b"<osm>")
        for _ in range(60):
            stream.write(b" " * 1_000_000)
    return path


def far_lanes(folder: Path) -> Path:
    """The same lanes, some 20 degrees further south."""
    return osm(folder, lanes_text().replace('lat="36.', 'lat="16.'))


ROADS: dict[str, tuple[Callable[[Path], Path], list[str]]] = {
    "a pbf cut off half way": (cut_pbf, ["cut.osm.pbf", "cut off"]),
    "no roads": (lambda f: osm(f, '<osm version="0.6"></osm>'), ["roads.osm", "holds no roads"]),
    "no road for a bicycle": (
        lambda f: osm(f, lanes_text().replace("unclassified", "motorway").replace("tertiary", "motorway")),
        ["roads.osm", "bicycle may ride"],
    ),
    "a track in place of roads": (
        lambda f: osm(f, '<?xml version="1.0"?><gpx version="1.1"><trk/></gpx>'),
        ["roads.osm", "GPX track, not roads"],
    ),
    "entities": (
        lambda f: osm(f, '<!DOCTYPE osm [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;">]><osm>&b;</osm>'),
        ["roads.osm", "entities"],
    ),
    "a bomb": (bomb, ["bomb.osm.gz", "unpacks to more than"]),
    "elsewhere": (far_lanes, ["16.", "36."]),
}


def raster(folder: Path, **options: Any) -> Path:
    """Smooth ground of the fault's extent as a GeoTIFF, with something wrong about it."""
    import rasterio
    from rasterio.transform import from_bounds

    unit = options.pop("unit", None)
    path = folder / "ground.tif"
    profile = {"driver": "GTiff", "width": 200, "height": 200, "count": 1, "dtype": "float32", "crs": "EPSG:4326",
               "transform": from_bounds(WEST, SOUTH, EAST, NORTH, 200, 200)} | options  # fmt: skip
    with rasterio.open(path, "w", **profile) as file:
        file.write(np.full((200, 200), 300.0, dtype=np.float32), 1)
        if unit:
            file.units = (unit,)
    return path


def zip_bomb(folder: Path) -> Path:
    path = folder / "N36W085.hgt.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("N36W085.hgt", b"\0" * 60_000_000)
    return path


TERRAIN: dict[str, tuple[Callable[[Path], Path], list[str]]] = {
    "no datum": (lambda f: raster(f, crs=None), ["ground.tif", "no coordinate system (no datum)"]),
    "in feet": (lambda f: raster(f, unit="ft"), ["ground.tif", "'ft', not metres"]),
    "a vertical system in feet": (lambda f: raster(f, crs="EPSG:4269+6360"), ["ground.tif", "not metres"]),
    "heights above the ellipsoid": (lambda f: raster(f, crs="EPSG:4979"), ["ground.tif", "ellipsoid", "geoid"]),
    "a zip bomb": (zip_bomb, ["N36W085.hgt.zip", "more than the largest"]),
}


@pytest.mark.parametrize("case", ROADS)
def test_roads_that_are_none(case: str, tmp_path: Path, fault_elevation: Path) -> None:
    make, words = ROADS[case]
    (tmp_path / "given").mkdir()
    roads = make(tmp_path / "given")
    refused(["area", "make", tmp_path / "area", "--roads", roads, "--terrain", fault_elevation], words)
    assert [p.name for p in tmp_path.iterdir()] == ["given"]


@pytest.mark.parametrize("case", TERRAIN)
def test_elevation_that_is_none(case: str, tmp_path: Path) -> None:
    make, words = TERRAIN[case]
    (tmp_path / "given").mkdir()
    terrain, roads = make(tmp_path / "given"), osm(tmp_path / "given", lanes_text())
    before = sorted(p.name for p in (tmp_path / "given").iterdir())
    refused(["area", "make", tmp_path / "area", "--roads", roads, "--terrain", terrain], words)
    assert [p.name for p in tmp_path.iterdir()] == ["given"]
    assert sorted(p.name for p in (tmp_path / "given").iterdir()) == before


def test_another_datum_is_brought_to_the_areas_own(tmp_path: Path, fault_elevation: Path) -> None:
    """NAD27, whose places lie some tens of metres off here, is no fault: it is said in the file, and carried over."""
    roads, terrain = osm(tmp_path, lanes_text()), raster(tmp_path, crs="EPSG:4267")
    result = CliRunner().invoke(
        main, ["area", "make", str(tmp_path / "area"), "--roads", str(roads), "--terrain", str(terrain)]
    )
    assert result.exit_code == 0, result.output
    assert "EPSG:4267" in (tmp_path / "area" / "manifest.toml").read_text()
