"""Losses from one station to many receivers over rasters: checks and threads round the compiled kernel."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routeplan import compiled
from routeplan.errors import Fault, InputError
from routeplan.radio import p1812, woodland

FEWEST_INTERVALS = 16


def intervals(path_m: float, spacing_m: float) -> int:
    """Number of equal intervals of a profile.

    At least 16: with fewer, one metre more of a short path that adds an interval moves every point a long
    way, and the loss jumps by several dB.
    """
    return max(FEWEST_INTERVALS, math.ceil(path_m / spacing_m))


def losses_db(
    elevation_m: ArrayLike,
    cover_m: ArrayLike | None,
    zone: ArrayLike | None,
    *,
    west_m: float,
    north_m: float,
    step_m: float,
    tx_x_m: float,
    tx_y_m: float,
    tx_height_m: float,
    rx_x_m: ArrayLike,
    rx_y_m: ArrayLike,
    rx_height_m: ArrayLike,
    frequency_hz: float,
    latitude_deg: float,
    polarisation: str = "vertical",
    time_percent: float = 50.0,
    delta_n: float = 40.0,
    n0: float = 325.0,
    spacing_m: float | None = None,
    threads: int | None = None,
) -> NDArray[np.float64]:
    """Loss [dB] of each link from one station to n receivers, at 50 percent of the locations, shape (n,).

    elevation_m : (rows, cols) raw raster, row 0 the northmost, NaN for no data
    cover_m : (rows, cols) height of woods or buildings; None for none
    zone : (rows, cols) 1 sea, 3 coastal land, 4 inland; None for all inland
    west_m, north_m : x, y of the CENTRE of the first cell; step_m : side of the square cells
    tx_x_m, tx_y_m, tx_height_m : the station, height above ground 1 to 3,000 m
    rx_x_m, rx_y_m : (n,); rx_height_m : (n,) or one for all, 1 to 3,000 m above ground
    others : as in `p1812.basic_loss_db`
    spacing_m : of the profile's points; None is the raster's step
    threads : None takes every core; the result does not depend on it

    Profiles have `intervals(D, spacing)` equal intervals, bilinear heights, and cover and zone of the cell
    that holds the point. Short paths, and cover round the antennas, as `short_path.link_loss_db` says, whose
    compiled twin this is. NaN where a profile meets missing data or leaves the raster (the station outside:
    everywhere). Raises InputError that lists every argument outside its limits.
    """
    from routeplan.radio import kernels

    spacing_m = step_m if spacing_m is None else float(spacing_m)
    raster = _raster(elevation_m, cover_m, zone, west_m, north_m, step_m, spacing_m)
    x, y, rx_height = (
        np.array(a, dtype=float).ravel() for a in np.broadcast_arrays(np.atleast_1d(rx_x_m), rx_y_m, rx_height_m)
    )
    known = {"tx_height_m": tx_height_m}
    if rx_height.size:
        known |= {"lowest rx_height_m": rx_height.min(), "highest rx_height_m": rx_height.max()}
    p1812.check_link(
        frequency_hz=frequency_hz,
        heights_m=known,
        polarisation=polarisation,
        time_percent=time_percent,
        delta_n=delta_n,
        latitude_deg=latitude_deg,
    )
    radio = _radio(frequency_hz, polarisation, time_percent, delta_n, n0, latitude_deg)
    loss = np.full(x.shape, np.nan)
    column, row = (tx_x_m - west_m) / step_m, (north_m - tx_y_m) / step_m
    if not (0 <= column <= raster.cols - 1 and 0 <= row <= raster.rows - 1):
        return loss
    longest = intervals(step_m * float(np.hypot(raster.rows, raster.cols)), spacing_m)
    inverse = np.ones(longest + 2)
    inverse[1:] = 1 / np.arange(1, len(inverse))
    # By bearing, so that neighbouring profiles meet the same cells: half the time, and the same losses.
    order = np.argsort(np.arctan2(y - tx_y_m, x - tx_x_m), kind="stable")
    x, y, rx_height, sorted_loss = x[order], y[order], rx_height[order], loss.copy()

    def run(first: int, past: int) -> None:
        kernels.losses_db(
            first, past, raster, spacing_m, radio, float(tx_x_m), float(tx_y_m), float(tx_height_m),
            x, y, rx_height, inverse, sorted_loss,
        )  # fmt: skip

    compiled.in_slices(run, len(x), threads)
    loss[order] = sorted_loss
    return loss


CELLS_AT_ONCE = 500_000


def loss_map_db(
    elevation_m: ArrayLike,
    cover_m: ArrayLike | None,
    zone: ArrayLike | None,
    *,
    west_m: float,
    north_m: float,
    step_m: float,
    rx_height_m: float,
    every: int = 1,
    window: tuple[int, int, int, int] | None = None,
    **others: Any,
) -> NDArray[np.float32]:
    """Loss [dB] from one station to the centre of every `every`-th cell, float32 (rows, cols) of those cells.

    window : first row, past the last row, first column, past the last column; None is the whole raster. The
        losses of a window are those of the whole map, to the last bit: maps may be made tile by tile.
    others : the station and the radio, as in `losses_db`

    Cell (i, j) of the result is cell (first row + i every, first column + j every) of the raster.
    """
    rows, cols = np.shape(elevation_m)
    row, past_row, col, past_col = (0, rows, 0, cols) if window is None else window
    faults = []
    if every < 1:
        faults.append(Fault(f"{every} is below 1", "every", "1 takes every cell"))
    if not (0 <= row < past_row <= rows and 0 <= col < past_col <= cols):
        faults.append(Fault(f"{window} is not inside {rows} rows and {cols} columns", "window"))
    if faults:
        raise InputError(faults)
    x = west_m + step_m * np.arange(col, past_col, every)
    y = north_m - step_m * np.arange(row, past_row, every)
    loss = np.empty((len(y), len(x)), np.float32)
    at_once = max(1, CELLS_AT_ONCE // len(x))
    for first in range(0, len(y), at_once):
        part = y[first : first + at_once]
        loss[first : first + at_once] = losses_db(
            elevation_m,
            cover_m,
            zone,
            west_m=west_m,
            north_m=north_m,
            step_m=step_m,
            rx_x_m=np.tile(x, len(part)),
            rx_y_m=np.repeat(part, len(x)),
            rx_height_m=rx_height_m,
            **others,
        ).reshape(len(part), len(x))
    return loss


_ZONES = (p1812.SEA, p1812.COASTAL_LAND, p1812.INLAND)


def _raster(
    elevation_m: ArrayLike,
    cover_m: ArrayLike | None,
    zone: ArrayLike | None,
    west_m: float,
    north_m: float,
    step_m: float,
    spacing_m: float,
) -> Any:
    """The rasters as the kernel takes them: no cover, or all inland, as empty arrays."""
    from routeplan.radio.kernels import Raster

    elevation = np.ascontiguousarray(elevation_m, dtype=np.float32)
    cover = None if cover_m is None else np.ascontiguousarray(cover_m, dtype=np.float32)
    zones = None if zone is None else np.ascontiguousarray(zone, dtype=np.uint8)
    faults = []
    if elevation.ndim != 2 or min(elevation.shape) < 2:
        faults.append(Fault(f"shape {elevation.shape}", "elevation_m", "a raster of at least 2 x 2 cells"))
    if elevation.size > 2**31 - 1:
        faults.append(Fault(f"{elevation.size} cells", "elevation_m", "cut it to 2,147,483,647 or fewer"))
    for name, other in (("cover_m", cover), ("zone", zones)):
        if other is not None and other.shape != elevation.shape:
            faults.append(Fault(f"shape {other.shape} is not {elevation.shape}", name, "one grid for all"))
    for name, size in (("step_m", step_m), ("spacing_m", spacing_m)):
        if not size > 0:
            faults.append(Fault(f"{size:g} m", name, "give a length above 0"))
    if cover is not None and (cover < 0).any():
        faults.append(Fault("a height below 0", "cover_m"))
    if zones is not None and np.delete(np.bincount(zones.ravel(), minlength=5), _ZONES).any():
        faults.append(Fault("a value that is no zone", "zone", "1 sea, 3 coastal land, 4 inland"))
    if faults:
        raise InputError(faults)
    if cover is None or not (cover != 0).any():  # NaN counts as cover
        cover = np.empty((0, 0), np.float32)
    if zones is None or (zones == p1812.INLAND).all():
        zones = np.empty((0, 0), np.uint8)
    rows, cols = elevation.shape
    corner = float(west_m), float(north_m)
    return Raster(elevation.ravel(), cover.ravel(), zones.ravel(), rows, cols, *corner, float(step_m))


def _radio(
    frequency_hz: float,
    polarisation: str,
    time_percent: float,
    delta_n: float,
    n0: float,
    latitude_deg: float,
) -> Any:
    from routeplan.radio.kernels import Radio

    f = frequency_hz / 1e9
    ae, ab = p1812.effective_radii_km(delta_n)

    def K(epsr: float, sigma: float) -> float:
        value = 0.036 * ((epsr - 1) ** 2 + (18 * sigma / f) ** 2) ** -0.25
        return value * (epsr**2 + (18 * sigma / f) ** 2) ** 0.5 if polarisation == "vertical" else value

    return Radio(
        f=f,
        wavelength=p1812.LIGHT_SPEED_GHZ_M / f,
        p=float(time_percent),
        ae=ae,
        ab=ab,
        n0=float(n0),
        phi=abs(float(latitude_deg)),
        inverse_p=float(p1812.inverse_normal(time_percent / 100)),
        K_land=K(*p1812.LAND),
        K_sea=K(*p1812.SEA_WATER),
        gamma=woodland.specific_db_m(frequency_hz),
        Am=woodland.greatest_db(frequency_hz),
    )
