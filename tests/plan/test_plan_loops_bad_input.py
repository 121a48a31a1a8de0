"""Bad input of a loop through the command line and through the search: what is wrong, where, and what can be had."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from fault_place import lanes_text

from routeplan.cli import main
from routeplan.errors import InputError, NoLoopError
from routeplan.plan.area import Area, make_area
from routeplan.search import best_loops, trade_off

RIDE = """
[start]
position = [{position}]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[ride]
{wish}
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
kind = "vertical on the chimney"
"""
LANES, TRIANGLE, NOWHERE = "36.5884, -84.2476", "36.6650, -84.2476", "36.7000, -84.1200"


@pytest.fixture(scope="module")
def parted_area(fault_elevation: Path, tmp_path_factory: pytest.TempPathFactory) -> Area:
    """The lanes, and a triangle of lanes of 1.5 km a round that no street joins to them."""
    folder = tmp_path_factory.mktemp("parted")
    at = [(36.6650, -84.2476), (36.6695, -84.2476), (36.6672, -84.2427)]
    nodes = "".join(f'<node id="{9001 + k}" version="1" lat="{lat}" lon="{lon}"/>' for k, (lat, lon) in enumerate(at))
    ways = "".join(
        f'<way id="{9001 + k}" version="1"><nd ref="{9001 + k}"/><nd ref="{9001 + (k + 1) % 3}"/>'
        f'<tag k="highway" v="unclassified"/><tag k="name" v="Side {k}"/></way>'
        for k in range(3)
    )
    text = lanes_text()
    first_way = text.index("<way ")
    (folder / "lanes.osm").write_text(
        text[:first_way] + nodes + text[first_way:].replace("</osm>", ways + "</osm>")
    )  # fmt: skip
    return make_area(folder / "area", roads=[folder / "lanes.osm"], terrain=[fault_elevation], elevation_kind="terrain")


@pytest.mark.parametrize(
    "position, wish, words",
    [
        (LANES, "length_km = nan", ["length_km = nan", "not a finite number"]),
        (LANES, "length_km = -12", ["length_km = -12", "must not be negative"]),
        (NOWHERE, "length_km = 12", ["[start] position", "no rideable road within 500 m", "m away"]),
        (LANES, "length_km = 0.6", ["no loop of 0.6 to 0.6 km", "the nearest that was found has", "repeat_share"]),
        (LANES, "hours = 0.1", ["no loop of 0.1 to 0.1 h", "the nearest that was found has 0."]),
        (TRIANGLE, "length_km = 12", ["no loop of 11.4 to 12.6 km", "the nearest that was found has 1.5 km"]),
    ],
)
def test_bad_input_through_the_command_line(
    position: str, wish: str, words: list[str], parted_area: Area, tmp_path: Path
) -> None:
    path = tmp_path / "ride.toml"
    path.write_text(RIDE.format(position=position, wish=wish))
    result = CliRunner().invoke(main, ["loop", str(parted_area.folder), str(path), "--out", str(tmp_path / "out")])
    assert result.exit_code == 2 and "Traceback" not in result.output, result.output
    for word in words:
        assert word in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["ride.toml"]


def test_the_nearest_length_can_be_had(parted_area: Area, tmp_path: Path) -> None:
    """Asking for the length that the error names gives a loop."""
    path = tmp_path / "ride.toml"
    path.write_text(RIDE.format(position=TRIANGLE, wish="length_km = 12"))
    told = CliRunner().invoke(main, ["loop", str(parted_area.folder), str(path), "--json", "-"])
    nearest = re.search(r"found has ([0-9.]+) km", told.stderr)
    assert nearest is not None
    path.write_text(RIDE.format(position=TRIANGLE, wish=f"length_km = {nearest[1]}"))
    found = CliRunner().invoke(main, ["loop", str(parted_area.folder), str(path), "--json", "-"])
    assert found.exit_code == 0, found.stderr


# The search itself: a triangle, apart from it another, and a dead end on its own.

ENDS = np.array([(0, 1), (1, 2), (2, 0), (3, 4), (4, 5), (5, 3), (6, 7)])
TAIL, HEAD = ENDS.ravel(), ENDS[:, ::-1].ravel()
STREET = np.repeat(np.arange(7), 2)
LENGTH = np.repeat([1000.0, 1000.0, 1000.0, 500.0, 500.0, 500.0, 100.0], 2)


def by_gain(length_m: Any = LENGTH, start: Any = 0, shortest_m: float = 2500.0, longest_m: float = 3500.0) -> Any:
    return best_loops(TAIL, HEAD, length_m, np.ones(14), start, shortest_m, longest_m, street=STREET)


def by_costs(length_m: Any = LENGTH, start: Any = 0, shortest_m: float = 2500.0, longest_m: float = 3500.0) -> Any:
    ones = np.ones(14)
    return trade_off(TAIL, HEAD, length_m, ones, ones, start, shortest_m, longest_m, street=STREET, budget=1_000_000)


@pytest.mark.parametrize("find", [by_gain, by_costs])
def test_bad_input_of_a_search_names_edge_and_node(find: Callable[..., Any]) -> None:
    with pytest.raises(InputError, match="edge 3: length_m is nan"):
        find(np.where(np.arange(14) == 3, np.nan, LENGTH))
    with pytest.raises(InputError, match=r"edge 2: length_m is -5\.0"):
        find(np.where(np.arange(14) == 2, -5.0, LENGTH))
    for window in ((np.nan, 3500.0), (-1.0, 3500.0), (4000.0, 3000.0), (0.0, np.inf)):
        with pytest.raises(InputError, match="the window is"):
            find(LENGTH, 0, *window)
    for start in (99, -1, 1.5, None):
        with pytest.raises(InputError, match=rf"start is {start}; nodes are 0 to 7|start is {start}"):
            find(LENGTH, start)
    with pytest.raises(NoLoopError, match="node 6"):
        find(LENGTH, 6)
    with pytest.raises(NoLoopError, match="node 3; the nearest that was found has 1500 m") as error:
        find(LENGTH, 3)  # the triangle of the right length lies apart
    assert error.value.nearest_length_m == pytest.approx(1500.0)
