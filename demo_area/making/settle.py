"""Where people live: towns, villages, hamlets, farms; and the streets of towns and villages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.ndimage import distance_transform_edt, gaussian_filter
from shapely import ops

from . import paths
from .frame import FINE, random
from .terrain import Ground

# name, kind, x, y wanted, radius of the built-up ground [m], people
PLACES = [
    ("Port Sallow", "town", 600, 6100, 820, 6400),
    ("Hestermouth", "town", 4200, -6150, 960, 9100),
    ("Skarvik", "village", -5000, 6700, 260, 640),
    ("Ambrel", "village", -10100, 4300, 270, 720),
    ("Saint Orlo", "village", -11300, 500, 250, 410),
    ("Coombe Ferrin", "village", -8900, -2600, 230, 380),
    ("Wendrick", "village", -8300, -5700, 290, 830),
    ("Tollanmoor", "village", -4700, -6600, 260, 560),
    ("Pell Head", "village", -1500, -7600, 230, 350),
    ("Inverlode", "village", -500, -4900, 300, 980),
    ("Marrowby", "village", -1800, -2600, 250, 520),
    ("High Cassock", "village", -3600, -900, 200, 240),
    ("Osterley Bridge", "village", 1400, -2700, 230, 430),
    ("Mossgate", "village", 6600, -1100, 250, 470),
    ("Eastness", "village", 11100, 300, 270, 690),
    ("Quarrel Bay", "village", 9000, -3400, 220, 310),
    ("Larkhaven", "village", 8000, 4700, 280, 880),
    ("Northing", "village", 2300, 8200, 210, 260),
    ("Underscar", "village", 2300, 4350, 230, 390),
    ("Vellow", "village", -6600, 3950, 240, 450),
    ("Café Bruyère", "hamlet", 9300, 1300, 0, 40),
]


@dataclass(frozen=True)
class Place:
    name: str
    kind: str
    x_m: float
    y_m: float
    radius_m: float
    people: int


def make_places(ground: Ground, names: list[str]) -> list[Place]:
    """Towns and villages near where they are wanted, then hamlets where the land is kind."""
    ease = _ease(ground)
    kind_land = gaussian_filter(ease, 6)
    places = []
    for name, kind, x, y, radius, people in PLACES:
        where = _best_site(kind_land, x, y, 350 if kind == "town" else 550)
        places.append(Place(name, kind, *where, radius, people))
    rng = random("hamlets")
    supply = iter(names)
    for x, y in scatter(
        ease, 0.45, 1_250, rng, avoid=[(p.x_m, p.y_m, 900 + p.radius_m) for p in places], count=38
    ):
        places.append(Place(next(supply), "hamlet", x, y, 0, int(rng.integers(12, 90))))
    return places


def make_farms(ground: Ground, places: list[Place]) -> list[tuple[float, float]]:
    """Farms on the kind land between the places."""
    avoid = [(p.x_m, p.y_m, 380 + 1.1 * p.radius_m) for p in places]
    return scatter(_ease(ground), 0.28, 520, random("farms"), avoid=avoid, count=260)


def _ease(ground: Ground) -> np.ndarray:
    """How kind the land is to live on, 0 to 1."""
    slope = gaussian_filter(ground.slope, 4)
    ease = np.exp(-((slope / 0.13) ** 2)) * np.exp(-((ground.height_m / 330) ** 4))
    ease = ease * (1 - np.exp(-((ground.coast_m / 150) ** 2)))
    dry = distance_transform_edt(~ground.lake) * FINE.step_m
    return np.where(ground.land & (dry > 150), ease, 0)


def _best_site(ease, x, y, within):
    """The kindest cell near x, y, the nearer the better."""
    gx, gy = FINE.mesh()
    d = np.hypot(gx - x, gy - y)
    score = np.where(d < within, ease - 0.25 * d / within, -1)
    r, c = np.unravel_index(score.argmax(), score.shape)
    return tuple(float(v) for v in FINE.centre(r, c))


def scatter(ease, least, apart_m, rng, avoid, count):
    """Places at random where `ease` is above `least`, `apart_m` from one another and clear of `avoid`."""
    rows, columns = np.nonzero(ease > least)
    order = rng.permutation(len(rows))
    x, y = FINE.centre(rows[order], columns[order])
    taken = np.array([(a, b) for a, b, _ in avoid])
    clear = np.array([c for _, _, c in avoid])
    chosen: list[tuple[float, float]] = []
    for px, py in zip(x[:60_000], y[:60_000]):
        if (np.hypot(taken[:, 0] - px, taken[:, 1] - py) < clear).any():
            continue
        chosen.append((float(px), float(py)))
        taken, clear = np.vstack([taken, (px, py)]), np.append(clear, apart_m)
        if len(chosen) == count:
            break
    return chosen


def streets(
    place: Place, dry: shapely.Geometry, block_ha: float
) -> tuple[shapely.Polygon, list[tuple[np.ndarray, int]]]:
    """The built-up ground of a place, and its streets as (points, depth).

    A high street with roads leaving it (depth 0) divides the ground; each part is cut into blocks, again and
    again (the deeper, the smaller the street); then all is bent a little.
    """
    rng = random("streets " + place.name)
    ground = built_up(place, rng).intersection(dry)
    ground = max(getattr(ground, "geoms", [ground]), key=lambda g: g.area)
    ring = shapely.LineString(ground.exterior.coords)
    mains = _main_streets(place, ground, rng)
    cuts = [(line, 0) for line in mains]
    for sector in shapely.polygonize(list(shapely.union_all([ring, *mains]).geoms)).geoms:
        _cut(sector, block_ha * 1e4, 2, cuts, rng)
    for k, piece in enumerate(_pieces(ring, 9)):
        if k % 3 != 2:
            cuts.append((piece, 4))
    phase = rng.uniform(0, 6.28, 4)
    out = []
    for line, depth in cuts:
        p = paths.resample(np.array(line.coords), 18.0)
        if depth >= 5 and rng.random() < 0.12:  # a street that goes nowhere, or none
            if rng.random() < 0.4:
                continue
            p = p[: max(2, int(0.6 * len(p)))]
        out.append((_bend(p, phase), depth))
    return shapely.Polygon(_bend(np.array(ground.exterior.coords), phase)), out


def _main_streets(place, ground, rng):
    """A high street, and roads that leave it by turns left and right, to beyond the built-up ground."""
    r, n = place.radius_m, 7 if place.kind == "town" else 4
    axis = rng.uniform(0, np.pi)
    centre = np.array([place.x_m, place.y_m])
    along = np.array([np.cos(axis), np.sin(axis)])
    half = 0.45 * r
    lines = [shapely.LineString([centre - half * along, centre + half * along])]
    for k, t in enumerate(np.linspace(-1, 1, n)):
        if k in (0, n - 1):
            turn = axis + (np.pi if k == 0 else 0) + rng.normal(0, 0.15)
        else:
            turn = axis + (1 if k % 2 else -1) * (np.pi / 2 - 0.55 * t) + rng.normal(0, 0.12)
        start = centre + t * half * along
        ray = shapely.LineString([start, start + 4 * r * np.array([np.cos(turn), np.sin(turn)])])
        inside = ray.intersection(ground)
        first = min(getattr(inside, "geoms", [inside]), key=lambda g: g.distance(shapely.Point(start)))
        lines.append(ops.substring(ray, 0, first.length + 45))
    return lines


def built_up(place: Place, rng) -> shapely.Polygon:
    """A blob round the place."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    r = place.radius_m * (
        1 + 0.16 * np.sin(2 * angle + rng.uniform(0, 6)) + 0.10 * np.sin(3 * angle + rng.uniform(0, 6))
    )
    return shapely.Polygon(np.column_stack([place.x_m + r * np.cos(angle), place.y_m + r * np.sin(angle)]))


def _cut(block, target_m2, depth, cuts, rng):
    if block.area < target_m2 * (0.8 + 0.9 * rng.random()) or depth > 12:
        return
    box = np.array(block.minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(box[:3], axis=0)
    k = int(np.hypot(*sides[0]) < np.hypot(*sides[1]))
    long, short = sides[k], sides[1 - k]
    middle = box[:4].mean(axis=0) + long * rng.uniform(-0.11, 0.11)
    turn = np.radians(rng.normal(0, 7))
    across = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ short
    knife = shapely.LineString([middle - across, middle + across])
    parts = [g for g in ops.split(block, knife).geoms if g.area > 0]
    if len(parts) < 2:
        return
    shared = knife.intersection(block)
    for piece in getattr(shared, "geoms", [shared]):
        if piece.length > 30:
            cuts.append((piece, depth))
    for part in parts:
        _cut(part, target_m2, depth + 1, cuts, rng)


def _pieces(line, n):
    return [ops.substring(line, k / n, (k + 1) / n, normalized=True) for k in range(n)]


def _bend(p, phase):
    x, y = p[:, 0], p[:, 1]
    dx = 20 * np.sin(y / 130 + phase[0]) + 14 * np.sin((x + y) / 210 + phase[1])
    dy = 20 * np.sin(x / 140 + phase[2]) + 14 * np.sin((x - y) / 190 + phase[3])
    return np.column_stack([x + dx, y + dy])
