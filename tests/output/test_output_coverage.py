"""Files, picture and words of a coverage, as another program and a rider get them."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image as Picture

from routeplan.cli import main
from routeplan.output import coverage_files, coverage_map, coverage_text
from routeplan.output.scene import Image, Line, Scene, Text, png
from routeplan.plan import coverage
from routeplan.plan.area import Area
from routeplan.plan.ridefile import read_ride_text

RIDE = """
[start]
position = [36.5884, -84.2476]
time_zone = "America/New_York"
[[station]]
name = "QB1/RIM"
position = [36.6300, -84.2000]
kind = "vertical on the chimney"
[[station]]
name = "QB2TOP"
position = [36.5700, -84.3000]
kind = "hill repeater"
[[station]]
name = "QB3HF"
position = [36.5700, -84.3000]
hears_mhz = 3.65
talks_mhz = 3.66
[contact]
rule = "all"
"""


def quiet(text: str) -> None:
    pass


@pytest.fixture(scope="module")
def tiles_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("tiles")


@pytest.fixture(scope="module")
def made(fault_area: Area, tiles_folder: Path) -> Iterator[coverage.Coverage]:
    with coverage.cover(fault_area, read_ride_text(RIDE), tiles_folder=tiles_folder, progress=quiet) as found:
        yield found


@pytest.fixture(scope="module")
def written(made: coverage.Coverage, tmp_path_factory: pytest.TempPathFactory) -> coverage_files.Written:
    return coverage_files.write_coverage(made, tmp_path_factory.mktemp("out"))


def path_of(written: coverage_files.Written, name: str) -> Path:
    return next(path for path in written.paths if path.name == name)


def test_files_property_all_there_and_nothing_else(written: coverage_files.Written):
    names = ["coverage.png", "station_QB1_RIM.tif", "station_QB2TOP.tif", "rule.tif", "coverage.json"]
    assert [path.name for path in written.paths] == names
    assert sorted(path.name for path in written.paths[0].parent.iterdir()) == sorted(names)


def test_geotiff_property_is_cloud_optimised_and_says_what_it_is(
    made: coverage.Coverage, written: coverage_files.Written, fault_area: Area
):
    import rasterio

    rows, cols = made.ground.shape
    for name in ("station_QB1_RIM.tif", "station_QB2TOP.tif", "rule.tif"):
        with rasterio.open(path_of(written, name)) as file:
            assert file.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
            assert (file.height, file.width, file.count) == (rows, cols, 3)
            assert file.units == ("dB", "dB", "1")
            assert file.descriptions[2].startswith("chance of")
            assert all(np.isnan(value) for value in file.nodatavals)
            assert file.overviews(1)
            x, y = fault_area.projection.to_xy(36.6, -84.25)
            from rasterio.warp import transform

            assert np.ravel(transform("EPSG:4326", file.crs, [-84.25], [36.6])) == pytest.approx([x, y], abs=0.01)
            assert file.xy(0, 0) == pytest.approx((made.ground.west_m, made.ground.north_m))
            tags = file.tags()
            assert "P.1812" in tags["source"] and tags["licence"]
            assert all(line in tags["TIFFTAG_COPYRIGHT"] for line in fault_area.attribution)
    with rasterio.open(path_of(written, "station_QB1_RIM.tif")) as file:
        assert file.tags()["station"] == "QB1/RIM"
        assert float(file.tags()["margin_needed_db"]) == pytest.approx(made.margin_needed_db[0], abs=0.01)


def test_geotiff_property_holds_every_cell(made: coverage.Coverage, written: coverage_files.Written):
    import rasterio

    with (
        rasterio.open(path_of(written, "station_QB2TOP.tif")) as station,
        rasterio.open(path_of(written, "rule.tif")) as rule,
    ):
        of_station, of_rule = station.read(), rule.read()
    for part in made.parts():
        row, past_row, col, past_col = part.window
        window = np.s_[:, row:past_row, col:past_col]
        assert np.array_equal(of_station[window][:2], part.margin_db[1], equal_nan=True)
        assert np.array_equal(of_station[window][2], part.chance[1], equal_nan=True)
        assert np.array_equal(of_rule[window][2], part.chance[2], equal_nan=True)
    with rasterio.open(path_of(written, "station_QB1_RIM.tif")) as other:
        assert np.array_equal(of_rule[0], np.minimum(other.read(1), of_station[0]), equal_nan=True)  # rule "all"


def test_files_property_are_the_same_every_time(
    made: coverage.Coverage, written: coverage_files.Written, tmp_path: Path
):
    again = coverage_files.write_coverage(made, tmp_path)
    for first, second in zip(written.paths, again.paths):
        assert first.read_bytes() == second.read_bytes(), first.name


def test_file_names_property_are_plain_and_apart():
    names = coverage_files.file_names(["QA1", "qa1", "../x", "", "rule", "Q" * 300])
    assert len({name.lower() for name in names}) == len(names)
    assert all(name.replace("_", "").replace("-", "").isalnum() and len(name) < 80 for name in names)


# --- words -------------------------------------------------------------------------------------------------------


def test_document_property_figures_add_up(made: coverage.Coverage, written: coverage_files.Written):
    document = json.loads(path_of(written, "coverage.json").read_text())
    assert document == json.loads(coverage_text.json_text(coverage_text.document(made, written.shares)))
    for figures in (*document["stations"], document["rule"]):
        total = figures["in_contact_share"] + figures["weak_share"] + figures["dead_share"]
        assert total == pytest.approx(1, abs=2e-4)
        low, high = figures["in_contact_share_range"]
        assert low <= figures["in_contact_share"] <= high
    assert document["not_predicted"] == ["QB3HF"]
    station = document["stations"][0]
    assert station["margin_needed_db"] == pytest.approx(1.28155 * station["spread_db"], abs=0.02)
    parts = station["spread_parts_db"].values()
    assert station["spread_db"] == pytest.approx(np.sqrt(sum(part**2 for part in parts)), abs=0.02)


def test_summary_property_fits_a_terminal(made: coverage.Coverage, written: coverage_files.Written):
    text = coverage_text.summary(made, written.shares)
    assert max(map(len, text.splitlines())) <= 80
    for words in ("QB1/RIM", "rule: all stations", "9 in 10", "QB3HF: not predicted", "validate"):
        assert words in " ".join(text.split())
    lines = text.splitlines()
    assert lines[1].startswith("QB1/RIM") and "(" in lines[1]


def test_comparison_property_fits_a_terminal():
    rows = [
        coverage.Row("", 338.1, 163, 53.2, 0.2, (269, 1403), 2400.0),
        coverage.Row('station.A long name with spaces.kind="vertical on the chimney"', 1, 2, 3, 0, (0, 2), 2399.9),
        coverage.Row("set.transmit_w=10", 1338.1, 1163, 1053.2, 0, (1269, 1403), 3600.0),
    ]
    compared = coverage.Comparison(tuple(rows), 554.3, True, 30.6, 8400.0, 3600.0, 0.9, ("a note",))
    text = coverage_text.comparison(compared)
    assert max(map(len, text.splitlines())) <= 80
    assert "40.0" in text and "(+20.0)" in text and "-0.0" not in text.splitlines()[2]
    assert "0.2 km without elevation" in " ".join(text.split())
    assert coverage_text.comparison_document(compared)["rows"][0]["change"] is None
    alone = coverage.Comparison((rows[0]._replace(loop_contact_s=None),), 554.3, False, None, None, 0.0, 0.9, ())
    assert "loop" not in coverage_text.comparison(alone)
    json.loads(coverage_text.json_text(coverage_text.comparison_document(alone)))


# --- picture -----------------------------------------------------------------------------------------------------


def test_scene_property_images_stand_upright():
    rgba = np.zeros((4, 4, 4), dtype=np.uint8)
    rgba[:2, :, 0] = rgba[:2, :, 3] = 255  # the upper half red
    scene = Scene(40, 40)
    scene.add(Image(0, 0, 40, 40, rgba))
    pixels = np.asarray(Picture.open(io.BytesIO(png(scene))))
    assert pixels[4, 20, 1] < 40 and pixels[36, 20, 1] > 200


def test_picture_property_tint_lies_where_the_chance_is(made: coverage.Coverage, written: coverage_files.Written):
    """The tint's darkness at a place of the picture follows the raster's chance at the same place."""
    thinned = coverage_map.Thinned.of(made)
    for part in made.parts():
        thinned.take(part)
    ground = thinned.ground
    rng = np.random.default_rng(5)
    for row, col in zip(rng.integers(0, ground.elevation_m.shape[0], 60), rng.integers(0, thinned.chance.shape[2], 60)):
        x, y = ground.west_m + col * ground.step_m, ground.north_m - row * ground.step_m
        expected = made.contacts.chance_in_passing(np.array([x]), np.array([y]))[0]
        assert thinned.chance[-1, row, col] == pytest.approx(expected, abs=1e-4, nan_ok=True)
    scene = coverage_map.coverage_scene(made, thinned, written.shares)
    tints = [item for item in scene.items if isinstance(item, Image) and item.role == "chance"]
    assert len(tints) == 3  # the rule and two stations
    assert (tints[0].rgba[..., 3] == coverage_map._tint(thinned.chance[-1], "ink")[..., 3]).all()
    lighter, darker = coverage_map._tint(np.array([0.2, 0.9]), "ink")[:, 3]
    assert lighter < darker


def test_picture_property_says_whom_and_whence(
    made: coverage.Coverage, written: coverage_files.Written, fault_area: Area
):
    thinned = coverage_map.Thinned.of(made)
    for part in made.parts():
        thinned.take(part)
    scene = coverage_map.coverage_scene(made, thinned, written.shares)
    texts = [item for item in scene.items if isinstance(item, Text)]
    said = " ".join(item.text for item in texts)
    for words in ("Where you reach all stations", "QB1/RIM", "QB2TOP", "N", "km", *fault_area.attribution):
        assert words in said
    for item in texts:
        left, top, right, bottom = item.box()
        assert left >= 0 and right <= scene.width and top >= 0 and bottom <= scene.height, item.text
    contours = [item for item in scene.items if isinstance(item, Line) and item.role == "reach"]
    assert {item.dash for item in contours} == {(5.0, 3.0), (0.9, 2.6)}
    assert png(scene)[:4] == b"\x89PNG"


# --- command line ------------------------------------------------------------------------------------------------


def test_command_property_json_and_table(fault_area: Area, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("platformdirs.user_cache_path", lambda name: tmp_path / "cache")
    ride = tmp_path / "ride.toml"
    ride.write_text(RIDE)
    options = [
        "coverage",
        str(fault_area.folder),
        str(ride),
        "--out",
        str(tmp_path / "out"),
        "--compare",
        "set.mount=hand",
    ]
    result = CliRunner().invoke(main, [*options, "--json", "-"])
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert document["coverage"]["format"] == "routeplan coverage 1"
    assert document["comparison"]["rows"][1]["change"] == "set.mount=hand"
    result = CliRunner().invoke(main, [*options, "--json", str(tmp_path / "figures.json")])
    assert "known already" in result.stderr
    assert "rule: all stations" in result.stdout and "as it is" in result.stdout
    assert json.loads((tmp_path / "figures.json").read_text()) == document
