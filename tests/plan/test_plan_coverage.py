"""Coverage: tiles that are kept and resumed, here and on a cluster whose worker and client die; what a change does."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import routeplan
from routeplan.errors import InputError, RouteplanError
from routeplan.plan import coverage, tiles
from routeplan.plan.area import Area
from routeplan.plan.ridefile import Ride, read_ride_text, with_changes
from routeplan.plan.tiles import Store, Tile
from routeplan.radio import chance

RIDE = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[ride]
length_km = 12
choices = 1
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
kind = "vertical on the chimney"
[[station]]
name = "QB2RPT"
position = [36.5700, -84.3000]
kind = "hill repeater"
hears_mhz = 145.0
talks_mhz = 145.6
[[net]]
name = "net"
frequency_mhz = 145.45
mode = "FM"
begins = "18:40"
lasts_min = 30
control = "QB1RIM"
"""


def quiet(text: str) -> None:
    pass


@pytest.fixture(scope="module")
def ride() -> Ride:
    return read_ride_text(RIDE)


def hashes(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.glob("*.tile")}


# --- tiles -------------------------------------------------------------------------------------------------------


def test_windows_property_cover_every_cell_once():
    for shape in ((5, 7), (256, 256), (300, 513)):
        seen = np.zeros(shape, dtype=int)
        for row, past_row, col, past_col in tiles.windows(shape, 100):
            seen[row:past_row, col:past_col] += 1
        assert (seen == 1).all()


def test_store_property_damaged_tiles_are_missing(tmp_path: Path):
    store = Store(tmp_path)
    losses = np.arange(6, dtype=np.float32).reshape(2, 3)
    tile = Tile("k", (), (0, 2, 0, 3))
    assert store.missing([tile]) == [tile]
    store.put(tile, losses)
    assert store.missing([tile]) == []
    assert (store.get(tile) == losses).all()
    whole = store.path(tile).read_bytes()
    for damaged in (whole[:-1], b"", whole[:40], whole[:-1] + bytes([whole[-1] ^ 1]), b"x" + whole):
        store.path(tile).write_bytes(damaged)
        assert store.get(tile) is None
    store.put(tile, losses.T)  # of another shape
    assert store.get(tile) is None


def test_store_property_trim_keeps_what_is_in_use(tmp_path: Path):
    store = Store(tmp_path)
    made = [Tile(f"k{i}", (), (0, 10, 0, 10)) for i in range(5)]
    for age, tile in enumerate(made):
        store.put(tile, np.zeros((10, 10), np.float32))
        os.utime(store.path(tile), (1000 + age, 1000 + age))
    size = store.path(made[0]).stat().st_size
    store.trim(made[:1], most_bytes=3 * size)
    assert [store.path(tile).exists() for tile in made] == [True, False, False, True, True]


def test_tile_key_property_hangs_on_what_the_loss_hangs_on(fault_area: Area, ride: Ride, tmp_path: Path):
    def keys(changed: Ride) -> set[str]:
        done: list[str] = []
        store = {"tiles_folder": tmp_path / "none", "tile_cells": 4000, "progress": quiet}
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(tiles, "losses_of", lambda tile, ground, threads=None: np.zeros(tile.shape, np.float32))
            with coverage.cover(fault_area, changed, done=lambda tile, worker: done.append(tile.key), **store) as found:
                return {tile.key for tile in found.tiles}

    base = keys(ride)
    assert len(base) == 3  # the repeater hears and talks on two frequencies
    assert keys(with_changes(ride, {"set.transmit_w": 1})) == base
    assert len(keys(with_changes(ride, {"station.QB1RIM.antenna_height_m": 20})) & base) == 2
    assert not keys(with_changes(ride, {"radio.time_percent": 10})) & base


# --- in this process ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(fault_area: Area, ride: Ride, tmp_path_factory: pytest.TempPathFactory) -> Iterator[coverage.Coverage]:
    with coverage.cover(
        fault_area, ride, tiles_folder=tmp_path_factory.mktemp("tiles"), tile_cells=128, progress=quiet
    ) as found:
        yield found


def test_coverage_property_equals_contact_at_any_cell(made: coverage.Coverage):
    """Every cell is what the plan's own map says for its centre, to float32."""
    contacts, ground = made.contacts, made.ground
    rng = np.random.default_rng(3)
    compared = 0
    for window in made.windows[::5]:
        part = made.part(window)
        row, past_row, col, past_col = window
        r, c = rng.integers(0, past_row - row, 40), rng.integers(0, past_col - col, 40)
        x, y = ground.west_m + (col + c) * ground.step_m, ground.north_m - (row + r) * ground.step_m
        margins = contacts.margins_db(contacts.losses_db(x, y), np.full((2, 40), 90.0))
        assert part.margin_db[:2, :, r, c] == pytest.approx(margins, abs=1e-3, nan_ok=True)
        assert part.chance[2, r, c] == pytest.approx(contacts.chance_in_passing(x, y), abs=1e-4, nan_ok=True)
        compared += int(np.isfinite(margins).all(axis=(0, 1)).sum())
    assert compared > 50


def test_coverage_property_worse_and_better_enclose(made: coverage.Coverage):
    total = np.zeros((3, 6), dtype=np.int64)
    for part in made.parts():
        known = ~np.isnan(part.chance)
        assert (part.worse[known] <= part.chance[known] + 1e-6).all()
        assert (part.chance[known] <= part.better[known] + 1e-6).all()
        total += coverage.shares_of(part, 0.9)
    for row in map(coverage.Shares._make, total.tolist()):
        assert row.in_contact_worse <= row.in_contact <= row.in_contact_better
        assert row.share(row.in_contact) + row.share(row.weak) + row.share(row.dead) == pytest.approx(1)
    assert len({sum(row[:4]) for row in total.tolist()}) == 1  # everyone's cells of land
    assert total[2, 0] >= total[:2, 0].max()  # the rule is "any"


def test_margin_needed_published():
    """Phi^-1(0.9) = 1.2815516 (any table of the normal distribution)."""
    assert float(chance.margin_needed_db(0.9, 8.0)) == pytest.approx(8 * 1.2815516, abs=1e-6)


def test_docs_property_state_the_margins_needed():
    page = (Path(__file__).parents[2] / "docs" / "coverage.md").read_text(encoding="utf-8")
    sigmas = [np.sqrt(8.0**2 + 1.9**2 + 2.0**2 + noise**2) for noise in (0.0, 5.8)]
    for words, wanted in (("1 in 2", 0.5), ("7 in 10", 0.7), ("8 in 10", 0.8), ("9 in 10", 0.9), ("19 in 20", 0.95)):
        first, second = (f"{float(chance.margin_needed_db(wanted, sigma)):.1f}" for sigma in sigmas)
        assert f"| {words} | {first} dB | {second} dB |" in page


def test_rule_margin_property_is_where_the_rule_fails():
    rng = np.random.default_rng(1)
    margins = rng.normal(0, 10, (4, 2, 50))
    for given, reaches in (
        ("any", {}), ("all", {}), (2, {}), (["b", "d"], {}), ("all", {"a": ("p", "q"), "b": ("q",)}),
    ):  # fmt: skip
        rule = chance.resolve_rule(given, ["a", "b", "c", "d"], reaches)
        least = coverage.rule_margin_db(margins, rule)
        assert rule.holds(margins - (least - 1e-9) > 0).all()
        assert not rule.holds(margins - (least + 1e-9) > 0).any()
    margins[0] = np.nan
    assert (coverage.rule_margin_db(margins, chance.resolve_rule("all", 4)) == -np.inf).all()


def test_a_stopped_run_goes_on(fault_area: Area, ride: Ride, made: coverage.Coverage, tmp_path: Path):
    """Ctrl-C after five tiles: they are kept, the next run does the others, and the files are those of one run."""
    ran: list[str] = []
    said: list[str] = []

    def stop(tile: Tile, worker: str) -> None:
        ran.append(tile.key)
        if len(ran) == 5:
            raise KeyboardInterrupt

    options: dict[str, Any] = {"tiles_folder": tmp_path, "tile_cells": 128}
    with pytest.raises(KeyboardInterrupt), coverage.cover(fault_area, ride, done=stop, progress=said.append, **options):
        pass
    assert "5 tiles more are kept" in said[-1]
    again: list[str] = []
    with coverage.cover(
        fault_area, ride, done=lambda tile, worker: again.append(tile.key), progress=said.append, **options
    ) as found:
        assert len(ran) + len(again) == len(found.tiles) == len({*ran, *again})
        assert any("5 of them known already" in text for text in said)
        found.store.path(found.tiles[0]).unlink()
        with pytest.raises(RouteplanError, match="give the same command again"):
            found.part(found.windows[0])
    third: list[str] = []
    with coverage.cover(
        fault_area, ride, done=lambda tile, worker: third.append(tile.key), progress=quiet, **options
    ) as found:
        assert third == [found.tiles[0].key]
    assert hashes(tmp_path) == hashes(made.store.folder)


def test_a_folder_that_cannot_be_written_is_no_hindrance(tmp_path: Path):
    (tmp_path / "file").write_text("")
    said: list[str] = []
    with tiles.open_store(tmp_path / "file" / "tiles", said.append) as store:
        store.put(Tile("k", (), (0, 1, 0, 1)), np.zeros((1, 1), np.float32))
    assert "cannot be written" in said[0]
    assert not store.folder.exists()


def test_station_off_the_raster_is_named(fault_area: Area, ride: Ride, tmp_path: Path):
    far = with_changes(ride, {"station.QB1RIM.position": [36.63, -83.7]})
    with (
        pytest.raises(InputError, match=r"QB1RIM.*outside the area"),
        coverage.cover(fault_area, far, tiles_folder=tmp_path, progress=quiet),
    ):
        pass


# --- what would it change? ---------------------------------------------------------------------------------------


def test_compare_property_more_power_more_road(fault_area: Area, ride: Ride):
    changes = ["set.transmit_w=0.5", "set.transmit_w=10", "set.battery_wh=20", "contact.rule=all"]
    compared = coverage.compare(fault_area, ride, changes, progress=quiet)
    base, less, more, same, every = compared.rows
    assert [row.change for row in compared.rows] == ["", *changes]
    assert less.in_contact_km < base.in_contact_km <= more.in_contact_km
    assert same._replace(change="") == base
    assert every.in_contact_km < base.in_contact_km
    for row in compared.rows:
        total = row.in_contact_km + row.weak_km + row.dead_km + row.unknown_km
        assert total == pytest.approx(compared.road_km)
        assert row.in_contact_range_km[0] <= row.in_contact_km <= row.in_contact_range_km[1]
        assert 0 <= row.loop_contact_s <= compared.net_s + 1e-6
    assert less.loop_contact_s < base.loop_contact_s
    assert compared.net_s == 1800


def test_compare_without_a_loop_takes_the_whole_area(fault_area: Area):
    text = "\n".join(RIDE[RIDE.index("[[station]]") : RIDE.index("[[net]]")].splitlines())
    compared = coverage.compare(fault_area, read_ride_text(text), ["set.mount=hand"], progress=quiet)
    assert not compared.in_reach and compared.loop_km is None
    assert compared.rows[0].loop_contact_s is None
    assert compared.road_km == pytest.approx(fault_area.network.street_length_m.sum() / 1000, rel=0.01)


def test_compare_tells_all_faults_at_once(fault_area: Area, ride: Ride):
    with pytest.raises(InputError) as caught:
        coverage.compare(fault_area, ride, ["set.watts=10", "rider.power_w=200", "nonsense"], progress=quiet)
    text = str(caught.value)
    assert len(caught.value.faults) == 3
    for words in ("set.watts", "does not change whom you reach", "KEY=VALUE"):
        assert words in text


# --- on a cluster ------------------------------------------------------------------------------------------------

CLIENT = """
import os, sys
from pathlib import Path
from routeplan.plan import area, coverage, ridefile

def told(tile, worker):
    print("tile", tile.key, worker, flush=True)
    sys.stdin.readline()  # goes on when it is told to

ride = ridefile.read_ride(sys.argv[2])
if __name__ == "__main__":
    with coverage.cover(area.load_area(sys.argv[1]), ride, cluster=sys.argv[3], tiles_folder=Path(sys.argv[4]),
                        tile_cells=128, done=told, progress=lambda text: None) as covered:
        print("all", len(covered.tiles), flush=True)
"""


def started(*arguments: object, folder: Path, **more: Any) -> subprocess.Popen:
    """A python process of its own in a folder of its own; only compiled code is shared."""
    folder.mkdir(exist_ok=True)
    environment = os.environ | {
        "PYTHONPATH": str(Path(routeplan.__file__).parent.parent),
        "XDG_CACHE_HOME": str(folder / "cache"),
        "PYTHONWARNINGS": "ignore",
    }
    with (folder / "errors.txt").open("w") as errors:
        return subprocess.Popen(
            [sys.executable, *map(str, arguments)], cwd=folder, env=environment, stderr=errors, **more
        )


def until(what: Any, seconds: float = 60.0) -> Any:
    end = time.monotonic() + seconds
    while not (found := what()):
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.05)
    return found


def test_a_worker_dies_then_the_client(fault_area: Area, ride: Ride, made: coverage.Coverage, tmp_path: Path):
    """Two workers in folders of their own. Each runs a quarter of the tiles or more; one is killed, then the client.

    The next client computes none of the finished tiles again, and all files equal those of one process.
    """
    pytest.importorskip("distributed")
    ride_path, kept, address_file = tmp_path / "ride.toml", tmp_path / "tiles", tmp_path / "scheduler.json"
    ride_path.write_text(RIDE)
    total = len(made.tiles)
    quarter = -(-total // 4)
    running: list[subprocess.Popen] = []
    try:
        scheduler = started(
            "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
            "--scheduler-file", address_file, folder=tmp_path / "scheduler",
        )  # fmt: skip
        running.append(scheduler)
        until(lambda: address_file.exists() and address_file.read_text().strip().endswith("}"))
        address = json.loads(address_file.read_text())["address"]
        workers = {
            name: started(
                "-m", "distributed.cli.dask_worker", address, "--name", name, "--nthreads", "1", "--no-nanny",
                "--no-dashboard", "--local-directory", tmp_path / name, folder=tmp_path / name,
            )
            for name in ("one", "two")
        }  # fmt: skip
        running += workers.values()
        from distributed import Client

        with Client(address, set_as_default=False) as watching:
            watching.wait_for_workers(2, timeout=60)

        def client(name: str) -> subprocess.Popen:
            process = started(
                "-c", CLIENT, fault_area.folder, ride_path, address, kept, folder=tmp_path / name, text=True,
                stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            )  # fmt: skip
            running.append(process)
            return process

        def next_line(process: subprocess.Popen) -> list[str]:
            line = process.stdout.readline().split()
            assert line, (process.poll(), (tmp_path / "first" / "errors.txt").read_text()[-2000:])
            return line

        def go_on(process: subprocess.Popen) -> None:
            process.stdin.write("\n")
            process.stdin.flush()

        first, ran, by = client("first"), [], {"one": 0, "two": 0}
        killed = ""
        while True:
            _, key, worker = next_line(first)
            ran.append(key)
            by[worker] += 1
            if not killed and by[worker] >= quarter:
                killed = worker
                workers[killed].kill()
                workers[killed].wait()
            elif killed and min(by.values()) >= quarter:
                break
            go_on(first)
        first.kill()
        first.wait()
        assert min(by.values()) >= quarter
        assert len(ran) < total
        finished = hashes(kept)
        assert {name.removesuffix(".tile") for name in finished} >= set(ran)

        second, again = client("second"), []
        while (line := next_line(second))[0] == "tile":
            again.append(line[1])
            assert line[2] != killed
            go_on(second)
        assert line == ["all", str(total)]
        assert not {f"{key}.tile" for key in again} & set(finished)
        assert len(again) + len(finished) == total
        everything = hashes(kept)
        assert everything == hashes(made.store.folder)
        assert {name: everything[name] for name in finished} == finished
        assert not list((tmp_path / killed).rglob("*.tile"))  # workers write nothing of ours
    finally:
        for process in running:
            process.kill()
            process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with contextlib.suppress(BrokenPipeError):
                        pipe.close()


def test_nobody_answers(fault_area: Area, ride: Ride, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    pytest.importorskip("distributed")
    from routeplan.plan import cluster

    monkeypatch.setattr(cluster, "ANSWERS_WITHIN_S", 0.5)
    for address in ("tcp://127.0.0.1:9", "nonsense"):
        with (
            pytest.raises(InputError, match="dask scheduler"),
            coverage.cover(fault_area, ride, cluster=address, tiles_folder=tmp_path, progress=quiet),
        ):
            pass


def test_without_the_extra(fault_area: Area, ride: Ride, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(InputError, match=r"routeplan\[cluster\]"),
        coverage.cover(fault_area, ride, cluster="local", tiles_folder=tmp_path, progress=quiet),
    ):
        pass
