"""Files of a coverage: a Cloud-Optimised GeoTIFF for each station and the rule, the picture, the figures as JSON.

The raster is walked once, window by window, so that memory does not grow with it: bands go to a plain GeoTIFF in a
folder that passes, from which GDAL then makes the optimised one.
"""

from __future__ import annotations

import json
import re
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from routeplan import __version__
from routeplan.errors import InputError
from routeplan.output import atomic
from routeplan.output.coverage_text import document, json_text
from routeplan.plan.coverage import Coverage, Part, Shares, shares_of

BANDS = ("margin to the station", "margin from the station", "chance of contact")
RULE_BANDS = ("margin to the stations", "margin from the stations", "chance of the contact rule")
UNITS = ("dB", "dB", "1")
CACHE_MB = 64  # of GDAL, which by itself would take a twentieth of the memory


@dataclass(frozen=True)
class Written:
    """What was written, and what was counted on the way."""

    paths: tuple[Path, ...]
    shares: tuple[Shares, ...]  # per station, the rule last


def write_coverage(covered: Coverage, folder: Path, *, progress: Callable[[str], None] | None = None) -> Written:
    """Write every file of the coverage into `folder`, each whole or not at all; the picture comes first."""
    import rasterio

    from routeplan.output.coverage_map import Thinned, coverage_png

    say = progress or (lambda text: None)
    folder = Path(folder)
    names = [*file_names(covered.names), "rule"]
    thinned = Thinned.of(covered)
    shares = np.zeros((len(names), len(Shares._fields)), dtype=np.int64)
    say("margins and chances")
    paths = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with (
            tempfile.TemporaryDirectory(prefix=".writing-", dir=folder) as passing,
            rasterio.Env(GDAL_CACHEMAX=CACHE_MB, GDAL_PAM_ENABLED=False, GDAL_NUM_THREADS="ALL_CPUS"),
        ):
            plain = [Path(passing) / f"{name}.tif" for name in names]
            _write_bands(covered, plain, _counted(covered, shares, thinned))
            for name, source in zip(names, plain):
                say(f"writing {name}.tif")
                with atomic.replacing(folder / f"{name}.tif") as temporary:
                    _optimise(source, temporary)
                source.unlink()
                paths.append(folder / f"{name}.tif")
    except OSError as error:
        raise InputError(str(error), str(folder), "make room there, or choose another folder") from error
    counted = tuple(Shares(*row) for row in shares.tolist())
    say("writing coverage.png")
    picture = atomic.write_bytes(folder / "coverage.png", coverage_png(covered, thinned, counted))
    written = write_json(document(covered, counted), folder / "coverage.json")
    return Written((picture, *paths, written), counted)


def write_json(figures: dict[str, Any], path: Path) -> Path:
    """Plain values as a JSON file."""
    return atomic.write_text(path, json_text(figures) + "\n")


def file_names(names: Iterable[str]) -> list[str]:
    """Station names as names of files: "station_QB1RIM"; what a file system may not like becomes _."""
    taken: dict[str, int] = {}
    out = []
    for name in names:
        plain = "station_" + (re.sub(r"[^\w-]+", "_", name).strip("_")[:60] or "_")
        taken[plain.lower()] = taken.get(plain.lower(), 0) + 1
        out.append(plain if taken[plain.lower()] == 1 else f"{plain}_{taken[plain.lower()]}")
    return out


def _counted(covered: Coverage, shares: np.ndarray, thinned: Any) -> Iterable[Part]:
    for part in covered.parts():
        shares += shares_of(part, covered.ride.contact.chance)
        thinned.take(part)
        yield part


def _write_bands(covered: Coverage, paths: list[Path], parts: Iterable[Part]) -> None:
    """A plain tiled GeoTIFF for each station and the rule."""
    import rasterio
    from rasterio.windows import Window

    rows, cols = covered.ground.shape
    files = [
        rasterio.open(
            path, "w", driver="GTiff", width=cols, height=rows, count=3, dtype="float32", nodata=np.nan,
            crs=covered.area.projection.proj4, transform=covered.area.elevation.affine(), tiled=True,
            blockxsize=256, blockysize=256, interleave="band", bigtiff="if_safer",
        )
        for path in paths
    ]  # fmt: skip
    try:
        for k, file in enumerate(files):
            file.update_tags(**_tags(covered, k))
            for band, (what, unit) in enumerate(zip(BANDS if k < len(covered.names) else RULE_BANDS, UNITS), 1):
                file.set_band_description(band, what)
                file.set_band_unit(band, unit)
        for part in parts:
            row, past_row, col, past_col = part.window
            window = Window(col, row, past_col - col, past_row - row)
            for k, file in enumerate(files):
                file.write(np.concatenate([part.margin_db[k], part.chance[k][None]]), window=window)
    finally:
        for file in files:
            file.close()


def _optimise(source: Path, target: Path) -> None:
    """The same as a Cloud-Optimised GeoTIFF, with overviews."""
    import rasterio.shutil

    rasterio.shutil.copy(
        source, target, driver="COG", compress="DEFLATE", level=1, predictor="FLOATING_POINT",
        blocksize=256, overview_resampling="AVERAGE", num_threads="ALL_CPUS", bigtiff="IF_SAFER",
    )  # fmt: skip


def _tags(covered: Coverage, k: int) -> dict[str, str]:
    """What a reader of the file alone should know."""
    contacts, ride = covered.contacts, covered.ride
    how = "Rec. ITU-R P.1812, 50 % of the locations; rider moving, side on to every station"
    common = {
        "TIFFTAG_SOFTWARE": f"routeplan {__version__}",
        "TIFFTAG_COPYRIGHT": "; ".join(covered.area.attribution),
        "source": f"routeplan {__version__}: {how}",
        "licence": "; ".join(covered.area.attribution) or "not stated by the area's sources",
        "area": covered.area.name,
        "chance_that_counts_as_contact": f"{ride.contact.chance:g}",
        "not_validated": "no open measurements at handheld height on 2 m and 4 m were at hand",
    }
    if k == len(contacts.workable):
        rule = contacts.rule if isinstance(contacts.rule, str) else json.dumps(contacts.rule)
        return common | {
            "TIFFTAG_IMAGEDESCRIPTION": f"contact rule {rule} on {', '.join(contacts.names)}",
            "margin": "how much all links may become worse before the rule fails on the medians",
        }
    work = contacts.workable[k]
    return common | {
        "TIFFTAG_IMAGEDESCRIPTION": f"station {work.name}",
        "station": work.name,
        "station_antenna_height_m": f"{work.station.antenna_height_m:g}",
        "station_transmit_w": f"{work.station.transmit_w:g}",
        "rider_antenna_height_m": f"{work.rider.antenna_height_m:g}",
        "rider_transmit_w": f"{work.rider.transmit_w:g}",
        "rider_transmits_mhz": f"{work.transmit_mhz:g}",
        "rider_listens_mhz": f"{work.listen_mhz:g}",
        "mode": str(work.mode.name),
        "spread_db": f"{work.spread.sigma_db:.2f}",
        "margin_needed_db": f"{covered.margin_needed_db[k]:.2f}",
    }
