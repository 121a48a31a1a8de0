"""After the ride: does learning find the truth, do the chances hold, how long does it take, what spoils a reader.

    python tests/benchmarks/bench_afterwards.py [SEEDS] [MUTATIONS]

Wanted, over 400 seeds of three 90-minute rides on the demo island with 15 reports each of one station: root mean square
error of the station's offset at most 2 dB, 80 % intervals that hold the truth in 76 to 84 %, the residual spread within
20 %; contact chances on a fourth ride within two standard errors (clustered by ride) in each tenth that holds 400
samples or more. A ride of 5 hours with 20,000 fixes and 2,000 beacons in under 5 s. No traceback from 5,000 spoilt
files of each kind. Learning is slow above 50 ms for 45 reports.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

sys.path.insert(0, str(Path(__file__).parents[1] / "afterwards"))

from simulated_reports import RESIDUAL_DB, RIDE_DB, Line, errors_along, lines_of, simulate
from simulated_ride import iso, recorded, ride_text, setting_of, wander
from test_afterwards_mutations import HEARD, TRACKS, spoilt

from routeplan.afterwards.learn import fit
from routeplan.plan import demo, ridefile
from routeplan.plan.debrief import debrief
from routeplan.plan.on_the_ride import prior_of

pytestmark = pytest.mark.benchmark
RIDES = 30
STATIONS_DB = (-20.0, 12.0)  # a station enters where its median margin along the rides lies within


def island_lines() -> tuple[list[Line], object]:
    """Predictions of the demo's net evening along wandering rides, and what is believed beforehand."""
    setting = setting_of(demo.area(), demo.ride_file("net_evening").read_text(), 16_000.0)
    lines = lines_of(setting, range(RIDES))
    every = np.concatenate([line.margins_db.min(axis=1) for line in lines], axis=1)
    median = np.median(every, axis=1)
    usable = np.flatnonzero((median > STATIONS_DB[0]) & (median < STATIONS_DB[1]))
    return [replace(line, margins_db=line.margins_db[usable]) for line in lines], prior_of(setting.contacts)


def learning(seeds: int, *, both: bool = False) -> None:
    """Offsets, intervals and spread against the truth; chances on a ride to come."""
    lines, prior = island_lines()
    errors, inside, spreads, tenths = [], [], [], []
    spent = 0.0
    for seed in range(seeds):
        rng = np.random.default_rng(9000 + seed)
        which = slice(None) if both else [seed % lines[0].margins_db.shape[0]]
        chosen = [replace(lines[k], margins_db=lines[k].margins_db[which]) for k in rng.choice(RIDES, 4, replace=False)]
        evidence, truth = simulate(chosen[:3], seed)
        begin = time.perf_counter()
        fitted = fit(evidence, prior)
        spent += time.perf_counter() - begin
        spreads.append(fitted.residual.value / RESIDUAL_DB - 1)
        for k, offset in enumerate(truth.offset_db):
            found = fitted.station(f"Q{k}", "rack")
            errors.append(found.value - offset)
            inside.append(found.low <= offset <= found.high)
        found = fitted.station("Q0", "rack")
        sigma = np.sqrt(fitted.residual.value**2 + found.sd**2 + fitted.prior.ride_db**2)
        margin = chosen[3].margins_db[0].min(axis=0)
        error = errors_along(chosen[3].distance_m, rng) + rng.normal(0, RIDE_DB) + truth.offset_db[0]
        tenths.append((ndtr((margin + found.value) / sigma), (margin + error >= 0).astype(float)))
    stations = "both stations, some 22 reports each" if both else "one station, 45 reports"
    print(f"learning, {seeds} seeds, {stations}: {spent / seeds * 1000:.0f} ms a fit")
    print(
        f"  offset: rms error {np.sqrt(np.mean(np.square(errors))):.2f} dB, bias {np.mean(errors):+.2f} dB (2 wanted)"
    )
    print(f"  80 % intervals hold {np.mean(inside) * 100:.1f} % (76 to 84 wanted)")
    print(
        f"  residual spread: rms error {np.sqrt(np.mean(np.square(spreads))) * 100:.0f} %, "
        f"bias {np.mean(spreads) * 100:+.0f} % (20 wanted)"
    )
    if not both:
        calibration(tenths)


def calibration(tenths: list[tuple[np.ndarray, np.ndarray]]) -> None:
    predicted = np.concatenate([p for p, _ in tenths])
    truth = np.concatenate([t for _, t in tenths])
    ride = np.repeat(np.arange(len(tenths)), [len(p) for p, _ in tenths])
    for k in range(10):
        rows = np.minimum((predicted * 10).astype(int), 9) == k
        if rows.sum() < 400:
            continue
        off = truth[rows] - predicted[rows]
        error = np.sqrt(np.sum(np.bincount(ride[rows], off, len(tenths)) ** 2)) / rows.sum()
        print(
            f"  chance {k / 10:.1f} to {(k + 1) / 10:.1f}: {rows.sum():6d} samples, "
            f"predicted {predicted[rows].mean():.3f}, "
            f"came {truth[rows].mean():.3f}, {off.mean() / error:+.1f} standard errors"
        )


def beacon_line(seconds: float, latitude: float, longitude: float, who: str) -> str:
    parts = []
    for value, width, letters in ((latitude, 2, "NS"), (longitude, 3, "EW")):
        hundredths = round(abs(float(value)) * 6000)
        parts.append(f"{hundredths // 6000:0{width}d}{hundredths % 6000 / 100:05.2f}{letters[int(value < 0)]}")
    return f"{iso(seconds)[:19]}Z QX1ABC-7>APRS,{who}*:!{parts[0]}/{parts[1]}b"


def long_ride() -> None:
    """A ride of five hours with 20,000 fixes and 2,000 received beacons."""
    area = demo.area()
    text = ride_text(area)
    setting = setting_of(area, text, 16_000.0)
    ride = recorded(setting, wander(setting, 1, 5 * 3600.0), seed=1, every_s=0.92)
    rng = np.random.default_rng(3)
    lines = [
        beacon_line(
            ride.time_s[k], ride.latitude_deg[k], ride.longitude_deg[k], setting.contacts.names[rng.integers(2)]
        )
        for k in np.linspace(0, len(ride.time_s) - 1, 2000).astype(int)
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "ride.toml").write_text(text)
        (folder / "track.gpx").write_text(ride.gpx())
        (folder / "beacons.txt").write_text("\n".join(lines))
        for run in ("first, with compiling", "again"):
            begin = time.perf_counter()
            found = debrief(
                area,
                ridefile.read_ride(folder / "ride.toml"),
                folder / "track.gpx",
                [folder / "beacons.txt"],
                progress=lambda text: None,
            )
            spent = time.perf_counter() - begin
            hours = (ride.time_s[-1] - ride.time_s[0]) / 3600
            print(
                f"debrief of {hours:.1f} h, {len(ride.time_s)} fixes, {len(lines)} beacons, {len(found.heard)} reports "
                f"({run}): "
                f"{spent:.2f} s, {spent / 5:.2f} of the time wanted"
            )


def mutations(count: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for kind in (*HEARD, *TRACKS):
            begin = time.perf_counter()
            read, refused = spoilt(kind, count, Path(folder), seed=9)
            print(
                f"{count} spoilt files, {kind}: {read} read, {refused} refused, no traceback, "
                f"{time.perf_counter() - begin:.1f} s"
            )


def test_learning():
    learning(40)


def test_long_ride():
    long_ride()


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:3]]
    seeds_ = given[0] if given else 400
    mutations_ = given[1] if len(given) > 1 else 5000
    long_ride()
    mutations(mutations_)
    learning(seeds_)
    learning(seeds_, both=True)
