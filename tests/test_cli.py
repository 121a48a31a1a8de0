"""The command line as a rider meets it: what it says when something is wrong, and with what exit status."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from routeplan import __version__
from routeplan.cli import main
from routeplan.plan.area import Area

RIDE = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[ride]
length_km = 12
choices = 2
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
kind = "vertical on the chimney"
"""


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def ride_file(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = RIDE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "ride.toml"
    path.write_text(text)
    return path


def commands(group=main, path=()):
    for name, command in group.commands.items():
        yield (*path, name), command
        if hasattr(command, "commands"):
            yield from commands(command, (*path, name))


def test_version():
    assert __version__ in run("--version").stdout


@pytest.mark.parametrize("path", [path for path, _ in commands()], ids=" ".join)
def test_every_command_has_help_with_an_example(path):
    result = run(*path, "--help")
    assert result.exit_code == 0
    assert "Example" in result.output or hasattr(dict(commands())[path], "commands")
    assert f"routeplan {path[0]}" in result.output or hasattr(dict(commands())[path], "commands")


# What is wrong, the change that makes it so, and words that the message must hold.
WRONG = {
    "start outside the area": (
        ("[36.5884, -84.2476]", "[36.9884, -84.2476]"),
        ["[start] position", "outside the area"],
    ),
    "start away from roads": (("[36.5884, -84.2476]", "[36.7000, -84.1200]"), ["500 m", "nearest lies"]),
    "station off the raster": (("[36.6300, -84.2000]", "[36.6300, -83.7000]"), ["QB1RIM", "outside the area"]),
    "length that cannot be had": (
        ("length_km = 12", "length_km = 0.6"),
        ["no loop of 0.6 to 0.6 km", "nearest that was found has"],
    ),
    "unknown key": (("length_km", "lenght_km"), ["line 7", "lenght_km", "length_km"]),
    "unknown kind": (("vertical on the chimney", "chimny"), ["chimny", "did you mean"]),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_input_is_told_and_ends_with_2(case, tmp_path: Path, fault_area: Area):
    change, told = WRONG[case]
    result = run("loop", fault_area.folder, ride_file(tmp_path, change), "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert all(word in result.stderr for word in told), result.stderr
    assert result.stdout == ""
    assert not (tmp_path / "out").exists()


def test_all_faults_of_a_ride_file_are_told_at_once(tmp_path: Path, fault_area: Area):
    path = ride_file(
        tmp_path,
        ("length_km = 12", "lenght_km = 12\ntolerance = 5"),
        ("[[station]]", "[rider]\nmass_kg = -80\n[[station]]"),
        ("[36.6300, -84.2000]", "[-84.2000, 136.6300]\ntransmit_w = 0"),
        ('kind = "vertical on the chimney"', 'kind = "vertical on the chimny"'),
    )
    result = run("loop", fault_area.folder, path)
    assert result.exit_code == 2
    for word in ("lenght_km", "tolerance", "mass_kg", "transmit_w", "chimny"):
        assert word in result.stderr


def test_a_damaged_area_is_told(tmp_path: Path, fault_area: Area):
    copy = tmp_path / "area"
    shutil.copytree(fault_area.folder, copy)
    raster = copy / "elevation.tif"
    raster.write_bytes(raster.read_bytes()[:-100])
    result = run("area", "show", copy)
    assert result.exit_code == 2
    assert "elevation.tif" in result.stderr


@pytest.mark.parametrize("name", ["area", "ride.toml"])
def test_a_missing_file_is_told(name, tmp_path: Path, fault_area: Area):
    area = tmp_path / "nowhere" if name == "area" else fault_area.folder
    ride = ride_file(tmp_path) if name == "area" else tmp_path / "nowhere.toml"
    result = run("loop", area, ride)
    assert result.exit_code == 2
    assert "nowhere" in result.stderr


def test_json_on_standard_output_is_all_there_is(tmp_path: Path, fault_area: Area):
    result = run("loop", fault_area.folder, ride_file(tmp_path), "--json", "-")
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    assert document["job"] == "loop"
    assert 1 <= len(document["routes"]) <= 2
    for route in document["routes"]:
        assert 11_400 <= route["length_m"] <= 12_600


def test_the_table_fits_80_columns(tmp_path: Path, fault_area: Area):
    result = run("loop", fault_area.folder, ride_file(tmp_path))
    assert result.exit_code == 0, result.stderr
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "A " in result.stdout


def test_a_new_ride_file_reads_back_and_is_not_overwritten(tmp_path: Path):
    path = tmp_path / "evening.toml"
    assert run("ride", "new", path).exit_code == 0
    text = path.read_text()
    again = run("ride", "new", path)
    assert again.exit_code == 2 and "evening.toml" in again.stderr
    assert path.read_text() == text


def test_area_show(fault_area: Area):
    result = run("area", "show", fault_area.folder)
    assert result.exit_code == 0
    assert "km in" in result.stdout


def test_helps_fit_80_columns_and_the_list_is_not_cut(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    for path, _ in [((), main), *commands()]:
        lines = run(*path, "--help").output.splitlines()
        assert max(map(len, lines)) <= 80, path
        assert not any(line.endswith("...") for line in lines if not line.startswith("Usage:")), path
