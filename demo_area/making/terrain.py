"""The ground: outline of the island, ridge and escarpment, valleys, lake, rivers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter, label, zoom

from . import erosion
from .frame import COARSE, FINE, Raster, random

# The main ridge from west to east: x, y of the crest, its height, how wide the gentle side is [m]
CREST = np.array(
    [
        (-9300, -200, 230, 3200),
        (-7600, 1000, 420, 3600),
        (-5900, 1900, 560, 4200),
        (-4300, 2500, 520, 4400),
        (-3000, 2500, 400, 4400),
        (-1500, 2200, 640, 4800),
        (300, 2100, 700, 5000),
        (1900, 2400, 610, 4800),
        (3200, 2900, 430, 4400),
        (4500, 3200, 590, 4200),
        (6200, 3300, 500, 3600),
        (7700, 2800, 330, 3000),
        (9300, 1700, 210, 2600),
    ],
    float,
)
# Lone hills: x, y, height, radius [m]
HILLS = [
    (-5600, -3300, 330, 2300),
    (-7600, -2200, 190, 1700),
    (5400, -3500, 250, 1500),
    (8600, -1300, 170, 1500),
    (-1800, -5400, 130, 1300),
    (2200, -1700, 120, 1500),
    (-6400, 5000, 130, 1100),
    (3600, 6300, 100, 900),
]
# Bays (bitten out of the outline) and headlands (added): x, y, radius, depth
BAYS = [
    (-1200, 9300, 2300, 0.34),
    (4300, -8500, 2500, 0.36),
    (-11200, -3600, 1900, 0.30),
    (11300, 4300, 1700, 0.22),
    (-4300, -8900, 1700, 0.22),
    (7600, 7500, 1500, 0.16),
    (-8300, 6300, 1500, 0.20),
    (10600, -4400, 1300, 0.16),
]
HEADS = [
    (-4700, 8200, 1500, 0.24),
    (2500, 8300, 1500, 0.20),
    (7300, -7400, 1700, 0.26),
    (-10800, 900, 1800, 0.16),
    (11000, 900, 1500, 0.16),
    (1100, -8600, 1300, 0.14),
    (-8800, -5900, 1400, 0.20),
]
# The drowned valley (inlet) of the main river: its middle line, narrow at the bridge
INLET = np.array([(700, -9800), (350, -8600), (0, -7500), (250, -6500), (-100, -5700)], float)


@dataclass(frozen=True)
class Ground:
    """What the makers of roads need to know. Fine rasters unless said otherwise."""

    height_m: np.ndarray
    land: np.ndarray
    lake: np.ndarray
    lake_level_m: float
    drained_m2: np.ndarray
    receiver: np.ndarray  # flat
    coast_m: np.ndarray  # distance to the sea, on land

    @property
    def slope(self) -> np.ndarray:
        south, east = np.gradient(gaussian_filter(self.height_m, 1.0), FINE.step_m)
        return np.hypot(south, east)


def noise(raster: Raster, wavelength_m: float, roughness: float, name: str) -> np.ndarray:
    """Fractal noise, mean 0, standard deviation 1: power falls as f^-roughness below `wavelength_m`."""
    white = random(name).standard_normal((FINE.rows, FINE.columns))
    fy = np.fft.fftfreq(FINE.rows, FINE.step_m)[:, None]
    fx = np.fft.rfftfreq(FINE.columns, FINE.step_m)[None, :]
    f = np.hypot(fx, fy)
    gain = (1.0 + (f * wavelength_m) ** 2) ** (-roughness / 2)
    gain[0, 0] = 0.0
    field = np.fft.irfft2(np.fft.rfft2(white) * gain, s=white.shape)
    field = (field - field.mean()) / field.std()
    return field if raster is FINE else _halve(field)


def _halve(field: np.ndarray) -> np.ndarray:
    rows, columns = field.shape
    return field.reshape(rows // 2, 2, columns // 2, 2).mean(axis=(1, 3))


def _along(x, y, line):
    """Distance to a polyline, place along it (vertex number and fraction), side (> 0: left), per cell."""
    best = np.full(x.shape, np.inf)
    place = np.zeros(x.shape)
    side = np.zeros(x.shape)
    for k in range(len(line) - 1):
        (ax, ay), (bx, by) = line[k, :2], line[k + 1, :2]
        dx, dy = bx - ax, by - ay
        t = np.clip(((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy), 0, 1)
        ex, ey = x - ax - t * dx, y - ay - t * dy
        d = np.hypot(ex, ey)
        nearer = d < best
        best = np.where(nearer, d, best)
        place = np.where(nearer, k + t, place)
        side = np.where(nearer, dx * ey - dy * ex, side)
    return best, place, side


def outline(x, y) -> np.ndarray:
    """Land where positive: a bent ellipse with noise, bays, headlands and the inlet."""
    bent = y - 700 * (x / 10_000) ** 2 + 500
    s = 1.0 - np.sqrt((x / 11_700) ** 2 + (bent / 8_300) ** 2)
    s += 0.055 * noise(FINE, 5_000, 2.2, "coast") + 0.016 * noise(FINE, 1_300, 2.4, "shore")
    for bx, by, radius, depth in BAYS:
        s -= depth * np.exp(-((x - bx) ** 2 + (y - by) ** 2) / (2 * (radius / 1.6) ** 2))
    for hx, hy, radius, depth in HEADS:
        s += depth * np.exp(-((x - hx) ** 2 + (y - hy) ** 2) / (2 * (radius / 1.6) ** 2))
    d, place, _ = _along(x, y, INLET)
    width = np.interp(place, [0, 1, 2, 3, 4], [620, 330, 150, 260, 60])
    width = width * (1 + 0.12 * noise(FINE, 700, 2.0, "inlet"))
    return np.minimum(s, np.where(place < 4, (d - width) / 2_500, s))


def design(x, y) -> np.ndarray:
    """Height [m] before the rain: ridge with scarp to the north and long slope to the south, lone hills."""
    wx = 420 * noise(FINE, 3_500, 2.4, "warp x")
    wy = 420 * noise(FINE, 3_500, 2.4, "warp y")
    d, place, side = _along(x + wx, y + wy, CREST)
    k = np.arange(len(CREST))
    top, gentle = np.interp(place, k, CREST[:, 2]), np.interp(place, k, CREST[:, 3])
    scarp = np.exp(-((d / 620) ** 1.6))
    dip = 0.75 * np.exp(-((d / (0.55 * gentle)) ** 1.5)) + 0.25 * np.exp(-((d / 700) ** 2))
    ridge = top * np.where(side > 0, 0.80 * scarp + 0.20 * np.exp(-d / 1_200), dip)
    hills = np.zeros_like(x)
    for hx, hy, height, radius in HILLS:
        hills = np.maximum(hills, height * np.exp(-((np.hypot(x + wx - hx, y + wy - hy) / radius) ** 2)))
    roll = 26 * noise(FINE, 2_600, 2.2, "roll") + 24
    return np.hypot(ridge, hills) + np.maximum(roll, 0)


def make_ground() -> Ground:
    """The whole ground, in about ten seconds."""
    x, y = FINE.mesh()
    potential = outline(x, y)
    land = _largest(potential > 0)
    islets = _islets(potential > 0, land)
    coast = distance_transform_edt(land) * FINE.step_m
    plan = design(x, y) * (1 - np.exp(-coast / 500.0)) + np.minimum(coast / 90.0, 8.0)
    coarse_land = _halve(land.astype(float)) > 0.5
    start, _, _ = erosion.fill(_halve(plan), coarse_land, 0.02)
    start += 7 * noise(COARSE, 1_400, 1.8, "pits")
    h = erosion.erode(
        start, coarse_land, 0.010 * _halve(plan), COARSE.step_m, steps=55, strength=0.07, spread=0.45
    )
    h = zoom(h, 2, order=1, grid_mode=True, mode="nearest")
    h = gaussian_filter(h, 1.0)
    h = np.where(land, h + 0.9 * noise(FINE, 400, 1.6, "rough") * np.clip(h / 60, 0.15, 1.5), 0)
    h = erosion.erode(h, land, np.zeros_like(h), FINE.step_m, steps=6, strength=0.004, spread=0.45)
    h *= 690.0 / h.max()
    h = np.where(land, h + _cliffs(coast, h), 0.0)
    h = np.where(land, np.maximum(h, 0.6 + np.minimum(coast, 300) / 120), 0.0)
    filled, receiver, order = erosion.fill(h, land, 2e-3)
    receiver = erosion.steepest(filled, land, receiver)
    order = order[np.argsort(filled.ravel()[order], kind="stable")]
    drained = erosion.drainage(receiver, order, FINE.step_m**2).reshape(h.shape)
    h, lake, level = _dam(filled, receiver, order, drained)
    h = np.where(islets, 4 + 14 * np.clip(distance_transform_edt(islets) / 6, 0, 1), h)
    h = np.round(h * 8) / 8
    return Ground(h, land | islets, lake, level, drained, receiver, coast)


def _largest(mask):
    parts, _ = label(mask)
    size = np.bincount(parts.ravel())
    size[0] = 0
    return parts == size.argmax()


def _islets(mask, main):
    """Up to three rocks off the shore, of 2 to 60 ha."""
    parts, n = label(mask & ~main)
    size = np.bincount(parts.ravel(), minlength=n + 1)
    size[0] = 0
    keep = [k for k in np.argsort(-size, kind="stable")[:3] if 22 <= size[k] <= 700]
    return np.isin(parts, keep)


def _cliffs(coast, h):
    """Sea cliffs where the shore is high and far from the bays."""
    x, y = FINE.mesh()
    wild = np.clip(0.5 + 0.9 * noise(FINE, 3_000, 2.5, "cliff") - 0.25 * (y < -4000), 0, 1.6)
    for bx, by, radius, _ in BAYS:
        wild = wild * (1 - np.exp(-((((x - bx) ** 2 + (y - by) ** 2) / (1.5 * radius) ** 2) ** 2)))
    d, _, _ = _along(x, y, INLET)
    wild = wild * (1 - np.exp(-((d / 1500) ** 2)))
    back = np.exp(-((coast / 1_700) ** 2))
    return 34 * wild * (1 - np.exp(-coast / 45.0)) * back * np.clip(h / 25, 0.1, 1)


def _dam(h, receiver, order, drained):
    """A reservoir behind an 18 m dam, where it floods nearest to 45 ha: heights, lake mask, level."""
    rows, columns = h.shape
    flat, area = h.ravel(), drained.ravel()
    candidates = [at for at in order if 3.5e6 < area[at] < 7e6 and 70 < flat[at] < 240]
    best, found = np.inf, None
    for at in candidates[::3]:
        level = flat[at] + 18
        lake = _upstream(at, level, flat, receiver, order)
        ha = lake.sum() * FINE.step_m**2 / 1e4
        if abs(ha - 45) < best:
            best, found = abs(ha - 45), (lake, level, at)
    lake, level, _ = found
    out = np.where(lake, level, flat).reshape(rows, columns)
    return out, lake.reshape(rows, columns), float(level)


def _upstream(at, level, flat, receiver, order):
    below = np.zeros(flat.size, bool)
    below[at] = True
    for cell in order[np.searchsorted(flat[order], flat[at]) :]:
        if flat[cell] > level:
            break
        if below[receiver[cell]]:
            below[cell] = True
    below[at] = False
    return below
