"""Losses of whole rasters, tile by tile: what is to be done, what is done already, and doing the rest.

A tile is one link (a station, a frequency, two antenna heights) over one window of the raster. It is kept as a file
named by the hash of everything its losses hang on, with a checksum inside; a second run, also of another ride file
with the same stations, computes only tiles that are missing. Tiles do not hang on power, antennas or noise, so those
may change for nothing.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import platformdirs

from routeplan.errors import InputError
from routeplan.radio import batch
from routeplan.terrain.grid import Grid

TILE_CELLS = 256  # a side: about a second of work, a quarter of a megabyte
KEPT_BYTES = 2 * 2**30  # of tiles that no run of now needs
_HEAD = b"routeplan tile 1\n"
_MODEL = ("kernels", "batch", "p1812", "short_path", "woodland")  # modules of radio that a loss hangs on

Window = tuple[int, int, int, int]  # first row, past the last row, first column, past the last column
Progress = Callable[[str], None]
Done = Callable[["Tile", str], None]


@dataclass(frozen=True)
class Rasters:
    """What every path of a map crosses; `key` is the hash of it all."""

    elevation: np.ndarray  # (rows, cols) float32
    cover: np.ndarray
    zone: np.ndarray
    west_m: float
    north_m: float
    step_m: float
    key: str

    @property
    def shape(self) -> tuple[int, int]:
        return self.elevation.shape[0], self.elevation.shape[1]


def rasters(elevation: Grid, cover: Grid, zone: Grid) -> Rasters:
    """The rasters of one area, contiguous and hashed."""
    values = (
        np.ascontiguousarray(elevation.values, dtype=np.float32),
        np.ascontiguousarray(cover.values, dtype=np.float32),
        np.ascontiguousarray(zone.values, dtype=np.uint8),
    )
    place = (float(elevation.west_m), float(elevation.north_m), float(elevation.step_m))
    mark = hashlib.sha256(repr((values[0].shape, place)).encode())
    for array in values:
        mark.update(array.data)
    return Rasters(*values, *place, mark.hexdigest())


@cache
def model_key() -> str:
    """Hash of the code that makes a loss: a tile of other code is another tile."""
    folder = Path(batch.__file__).parent
    mark = hashlib.sha256()
    for name in _MODEL:
        mark.update((folder / f"{name}.py").read_bytes())
    return mark.hexdigest()


@dataclass(frozen=True)
class Tile:
    """One link over one window. `link` holds the station and the radio as `batch.losses_db` names them."""

    key: str
    link: tuple[tuple[str, float], ...]
    window: Window

    @property
    def shape(self) -> tuple[int, int]:
        row, past_row, col, past_col = self.window
        return past_row - row, past_col - col


def windows(shape: tuple[int, int], cells: int = TILE_CELLS) -> list[Window]:
    """Windows that cover a raster, row by row from the north-west."""
    rows, cols = shape
    return [
        (row, min(row + cells, rows), col, min(col + cells, cols))
        for row in range(0, rows, cells)
        for col in range(0, cols, cells)
    ]


def tile_of(ground: Rasters, link: Mapping[str, float], window: Window) -> Tile:
    """The tile of a link and a window."""
    sorted_link = tuple(sorted((name, float(value)) for name, value in link.items()))
    inputs = json.dumps([ground.key, model_key(), sorted_link, window])
    return Tile(hashlib.sha256(inputs.encode()).hexdigest(), sorted_link, window)


def losses_of(tile: Tile, ground: Rasters, threads: int | None = None) -> np.ndarray:
    """The tile's losses [dB], float32 (rows, cols) of its window; the same bits wherever it is computed."""
    return batch.loss_map_db(
        ground.elevation,
        ground.cover,
        ground.zone,
        west_m=ground.west_m,
        north_m=ground.north_m,
        step_m=ground.step_m,
        window=tile.window,
        threads=threads,
        **dict(tile.link),  # type: ignore[arg-type]
    )


# --- what is done already ---


class Store:
    """Finished tiles, one file each, in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def path(self, tile: Tile) -> Path:
        return self.folder / f"{tile.key}.tile"

    def get(self, tile: Tile) -> np.ndarray | None:
        """The tile's losses, or None where it is not there, or damaged."""
        try:
            data = self.path(tile).read_bytes()
        except OSError:
            return None
        at = len(_HEAD) + 65
        if data[: len(_HEAD)] != _HEAD or data[len(_HEAD) : at] != _checksum(data[at:]) + b"\n":
            return None
        with suppress(ValueError, EOFError):
            losses = np.load(io.BytesIO(data[at:]), allow_pickle=False)
            return losses if losses.shape == tile.shape else None
        return None

    def put(self, tile: Tile, losses: np.ndarray) -> None:
        """Keep a tile: the file appears whole or not at all. Raises InputError where there is no room."""
        held = io.BytesIO()
        np.save(held, losses, allow_pickle=False)
        body = held.getvalue()
        name = ""
        try:
            handle, name = tempfile.mkstemp(dir=self.folder, suffix=".part")
            with os.fdopen(handle, "wb") as file:
                file.write(_HEAD + _checksum(body) + b"\n" + body)
            os.replace(name, self.path(tile))
        except OSError as error:
            raise InputError(error.strerror or str(error), str(self.folder), "make room there") from error
        finally:
            with suppress(OSError):
                os.unlink(name)

    def missing(self, tiles: Iterable[Tile]) -> list[Tile]:
        """Those that are not there, or damaged, in order. The others count as used now."""
        absent = []
        for tile in tiles:
            if self.get(tile) is None:
                absent.append(tile)
            else:
                with suppress(OSError):
                    os.utime(self.path(tile))
        return absent

    def trim(self, keep: Iterable[Tile], most_bytes: int = KEPT_BYTES) -> None:
        """Remove the tiles longest unused beyond `most_bytes`, and none of `keep`."""
        kept = {self.path(tile).name for tile in keep}
        held = []
        for path in self.folder.glob("*.tile"):
            with suppress(OSError):
                held.append((path.stat().st_mtime, path.stat().st_size, path))
        excess = sum(size for _, size, _ in held) - most_bytes
        for _, size, path in sorted(held):
            if excess <= 0:
                return
            if path.name not in kept:
                path.unlink(missing_ok=True)
                excess -= size


def _checksum(body: bytes) -> bytes:
    return hashlib.sha256(body).hexdigest().encode()


@contextmanager
def open_store(folder: Path | None, say: Progress) -> Iterator[Store]:
    """The store in `folder`, by default in the user's cache folder; a passing one where that cannot be written."""
    folder = folder or platformdirs.user_cache_path("routeplan") / "coverage"
    try:
        store = Store(folder)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError:
        say(f"{folder} cannot be written: a run that is stopped will have to begin anew")
        with tempfile.TemporaryDirectory(prefix="routeplan-tiles-") as passing:
            yield Store(Path(passing))
        return
    yield store


# --- doing the rest ---


def compute_here(tiles: Sequence[Tile], ground: Rasters, store: Store, done: Done, threads: int | None = None) -> None:
    """Compute tiles one after the other, each on all cores, and keep each as it is finished."""
    for tile in tiles:
        store.put(tile, losses_of(tile, ground, threads))
        done(tile, "")
