"""Heights of all road points at once: near the raster, within the grades that such roads have.

An elevation model alone gives absurd grades on mountain roads: a road cut into a steep side slope lies half a
cell beside the height that is read for it. All points of the network are therefore fitted together, by sparse
least squares. The sum that is made small has, per metre of road,

    data       ((h - raster) / sigma)^2 / L_e         sigma^2 = s0^2 + (slope of the ground x misplacement)^2
    bends      (change of grade)^2 / (c^2 l)          roads change their grade slowly (c by class)
    grade      (g / (0.6 G))^2 / 300 m                G: usual largest grade of the class
    limits     (excess of g beyond its bounds / 0.02)^2 / 50 m     bounds: -G to G, or an incline tag's

data and limits growing linearly far out (Huber), solved by reweighting. On bridges, in tunnels and on ferries the
raster says nothing; they are straight between the abutments of the whole chain of such pieces. There is one
height for each point and each node, so climb equals descent round any loop. Numbers without a source are
judgement, chosen on a mountain network and checked on networks whose heights are known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from routeplan.roads.tags import KINDS

# Usual largest grade by kind of road [-]: beyond it the fit pays. Judgement, near common design limits for
# mountain roads (8 % on main roads, 12 % on local ones) and what forest tracks and paths reach.
GRADE_LIMIT: dict[str, float] = {
    "trunk": 0.08,
    "primary": 0.09,
    "secondary": 0.10,
    "tertiary": 0.11,
    "unclassified": 0.12,
    "residential": 0.13,
    "living_street": 0.13,
    "service": 0.14,
    "cycleway": 0.10,
    "track": 0.16,
    "path": 0.35,
    "bridleway": 0.20,
    "footway": 0.20,
    "pedestrian": 0.12,
    "steps": 0.60,
    "ferry": 0.01,
}
_PAVED_CORE = (
    *("trunk", "primary", "secondary", "tertiary", "unclassified", "residential", "living_street"),
    "service",
)
_SHORTEST_M = 0.5  # pieces are taken to be at least this long
_PRIOR_LENGTH_M, _PRIOR_SHARE = 300.0, 0.6
_LIMIT_LENGTH_M, _LIMIT_SOFTNESS = 50.0, 0.02
_BEND_PER_SQRT_M = 0.04  # change of grade over L metres at a limit of 10 %: 0.04 sqrt(L / 100 m), and so on
_LIMIT_LINEAR = 0.03  # beyond such an excess of grade the price grows linearly
_ROBUST = 2.0  # beyond so many sigma the price of a residual grows linearly
_SETTLED_M = 0.25
CLIMB_BIAS_SHARE = 0.05  # of a climb: what the fit may be off as a whole


class HeightFit(NamedTuple):
    """height_m: (p,) fitted heights [m], equal at equal nodes, NaN where no road joined to it has data."""

    height_m: np.ndarray
    report: HeightReport


@dataclass(frozen=True)
class HeightReport:
    """What the fit did, for the manifest and for people. Shares: of road length off bridges and tunnels."""

    points: int
    unknown_points: int  # no height at all
    interpolated_points: int  # the raster says nothing there (void), the roads around do
    moved_m: tuple[float, float, float]  # median, 90th percentile and largest distance from the raster
    moved_over_10_m_km: float
    grade_90_before: float  # 90th percentile of the paved core, raster heights
    grade_90_after: float
    beyond_limit_share: float  # of length steeper than 1.25 times its class's usual largest grade
    structures: int  # chains of bridge, tunnel or ferry
    structures_km: float
    incline_tags_km: float
    climb_sigma_m_per_sqrt_km: float
    climb_bias_share: float
    rounds: int

    def climb_uncertainty_m(self, length_m: float, climb_m: float) -> float:
        """Standard deviation of the climb [m] of a ride of `length_m`."""
        scatter = self.climb_sigma_m_per_sqrt_km * np.sqrt(length_m / 1000.0)
        return float(np.hypot(scatter, self.climb_bias_share * climb_m))


def fit_heights(
    network: Any,
    raster_height_m: np.ndarray,
    *,
    ground_slope: np.ndarray | None = None,
    raster_step_m: float = 30.0,
    raster_sigma_m: float | None = None,
    misplacement_m: float | None = None,
    rounds_at_most: int = 10,
) -> HeightFit:
    """Fit the heights of all points of a `Network`.

    raster_height_m : (p,) raw raster at the points [m], NaN where it has none.
    ground_slope : (p,) slope of the ground [-]; None: flat.
    raster_step_m : native cell size; errors are taken as correlated over it (at least 40 m).
    raster_sigma_m : standard error of the raster [m]; default 2 m at 30 m cells and in proportion, at least
        1 m (GLO-30 below 2 m LE90 relative; SRTM measured 5.7 to 9.2 m RMSE, part of it common to a region).
    misplacement_m : standard horizontal error between road and raster; default a quarter of a cell.
    """
    first, count = network.point_first, len(network.point_x_m)
    streets = len(first) - 1
    unknown = len(network.node_x_m) + np.arange(count)
    unknown[first[:-1]] = network.street_start
    unknown[first[1:] - 1] = network.street_end
    inner = np.ones(count, bool)
    inner[first[1:] - 1] = False
    a = np.nonzero(inner)[0]
    # close up the numbering: nodes, then inner points
    used, number = np.unique(unknown, return_inverse=True)
    ways, row = network.ways, network.piece_way[a]
    kind = np.asarray(ways.kind)[row]
    lifted = (np.asarray(ways.bridge) | np.asarray(ways.tunnel) | np.asarray(ways.ferry))[row]
    limit = np.array([GRADE_LIMIT[k] for k in KINDS])[kind]
    incline = np.asarray(ways.incline, dtype=float)[row]
    sign = np.asarray(ways.incline_sign)[row] if hasattr(ways, "incline_sign") else np.zeros(len(row), int)
    length = np.hypot(network.point_x_m[a + 1] - network.point_x_m[a], network.point_y_m[a + 1] - network.point_y_m[a])
    step = raster_step_m
    s0 = max(1.0, step * 2.0 / 30.0) if raster_sigma_m is None else raster_sigma_m
    misplaced = step / 4 if misplacement_m is None else misplacement_m
    slope = np.zeros(count) if ground_slope is None else np.nan_to_num(np.asarray(ground_slope, dtype=float))

    size = len(used)
    one = np.zeros(size, np.intp)  # some point of each unknown
    one[number] = np.arange(count)
    chain = Chain(
        begin=number[a],
        end=number[a + 1],
        length_m=np.maximum(length, _SHORTEST_M),
        low=_bound(limit, incline, sign, -1),
        high=_bound(limit, incline, sign, +1),
        limit=limit,
        lifted=lifted,
        x_m=network.point_x_m[one],
        y_m=network.point_y_m[one],
    )
    raster = np.asarray(raster_height_m, dtype=float)[one]
    sigma = np.hypot(s0, slope[one] * misplaced)
    street = np.searchsorted(first, a, side="right") - 1
    height, rounds, scatter = fit_chain(
        chain,
        raster,
        sigma,
        error_length_m=max(step, 40.0),
        rounds_at_most=rounds_at_most,
        group=street,
        groups=streets,
    )
    report = _report(chain, raster, height, kind, np.isfinite(incline) | (sign != 0), rounds, scatter, count, number)
    return HeightFit(height[number], report)


def _bound(limit: np.ndarray, incline: np.ndarray, sign: np.ndarray, side: int) -> np.ndarray:
    """Lowest (-1) or highest (+1) grade of each piece. A number in a tag is often the steepest part."""
    tagged = np.isfinite(incline)
    slack = np.maximum(0.03, 0.4 * np.abs(incline))
    bound = np.where(tagged, incline + side * slack, side * np.maximum(limit, np.abs(np.nan_to_num(incline))))
    return np.where(~tagged & (sign == -side), 0.0, bound)


@dataclass(frozen=True)
class Chain:
    """Pieces of road between points that each have one height. Arrays over pieces, but x_m, y_m over points.

    begin, end : point indices. low, high : bounds of the grade from begin to end. limit : usual largest
    grade. lifted : on a bridge, in a tunnel, on a ferry.
    """

    begin: np.ndarray
    end: np.ndarray
    length_m: np.ndarray
    low: np.ndarray
    high: np.ndarray
    limit: np.ndarray
    lifted: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray


def fit_chain(
    chain: Chain,
    raster_m: np.ndarray,
    sigma_m: np.ndarray,
    *,
    error_length_m: float,
    rounds_at_most: int = 10,
    group: np.ndarray | None = None,
    groups: int = 0,
) -> tuple[np.ndarray, int, float]:
    """Heights (m,), rounds used, and the scatter of climb [m per sqrt(km)] from draws of the fit's errors.

    raster_m : (m,) heights, NaN where unknown. sigma_m : (m,) their standard errors.
    group : of each piece, the street whose climb is one figure in the scatter.
    """
    from scipy import sparse
    from scipy.sparse.linalg import splu

    size, pieces, length = len(raster_m), len(chain.begin), chain.length_m
    if pieces == 0:
        return raster_m.astype(float), 0, 0.0
    known = np.isfinite(raster_m)
    reached = _joined_to(chain, known)
    z = np.where(known, raster_m, np.median(raster_m[known]) if known.any() else 0.0)
    free = np.where(chain.lifted, 0.0, length / 2)
    ends_there = np.bincount(np.concatenate([chain.begin, chain.end]), minlength=size) == 1
    support = _at_points(chain, free, size)
    support = np.where(ends_there, _at_points(chain, length / 2, size), support) * known
    data = support / error_length_m / sigma_m**2

    row = np.arange(pieces)
    grade = sparse.csr_matrix(
        (
            np.concatenate([-1 / length, 1 / length]),
            (np.concatenate([row, row]), np.concatenate([chain.begin, chain.end])),
        ),
        shape=(pieces, size),
    )
    left, mid, right, l1, l2, p1, p2 = _bends(chain, size)
    bend_row = np.arange(len(mid))
    bend = sparse.csr_matrix(
        (
            np.concatenate([1 / l1, -1 / l1 - 1 / l2, 1 / l2]),
            (np.concatenate([bend_row] * 3), np.concatenate([left, mid, right])),
        ),
        shape=(len(mid), size),
    )
    looseness = (_BEND_PER_SQRT_M * chain.limit / 0.10) ** 2 / 100.0  # per metre
    bend_weight = 1 / (np.minimum(looseness[p1], looseness[p2]) * np.maximum((l1 + l2) / 2, 8.0))
    grade_weight = np.where(chain.lifted, 1e-3, length / _PRIOR_LENGTH_M / (_PRIOR_SHARE * chain.limit) ** 2)
    limit_weight = length / _LIMIT_LENGTH_M / _LIMIT_SOFTNESS**2
    fixed = (bend.T @ sparse.diags(bend_weight) @ bend).tocsc()

    h, weight = z, data.copy()
    settling = support > 0
    over = np.zeros(pieces)  # bound that is passed, as a target; NaN: none
    over[:] = np.nan
    factor, rounds = None, 0
    for _ in range(rounds_at_most):
        rounds += 1
        active = np.isfinite(over)
        excess = np.abs(grade @ h - np.nan_to_num(over))
        pull = np.where(active, limit_weight / np.maximum(1.0, excess / _LIMIT_LINEAR), 0.0)
        matrix = fixed + grade.T @ sparse.diags(grade_weight + pull) @ grade + sparse.diags(weight + 1e-9)
        factor = splu(
            matrix.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        )
        new = factor.solve((weight + 1e-9) * z + grade.T @ (pull * np.nan_to_num(over)))
        moved = float(np.quantile(np.abs(new - h)[settling], 0.995)) if settling.any() else 0.0
        h = new
        g = grade @ h
        over = np.where(g > chain.high, chain.high, np.where(g < chain.low, chain.low, np.nan))
        weight = data / np.maximum(1.0, np.abs(h - z) / sigma_m / _ROBUST)
        if moved < _SETTLED_M:
            break
    scatter = 0.0
    if factor is not None and group is not None and groups:
        scatter = _climb_scatter(chain, factor, h, bend, bend_weight, grade, grade_weight + pull, weight, group, groups)
    h = _straight(chain, h, size)
    return np.where(reached, h, np.nan), rounds, scatter


def _at_points(chain: Chain, per_piece: np.ndarray, size: int) -> np.ndarray:
    return np.bincount(chain.begin, per_piece, minlength=size) + np.bincount(chain.end, per_piece, minlength=size)


def _joined_to(chain: Chain, known: np.ndarray) -> np.ndarray:
    """Points whose connected piece of network has at least one known height."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    size = len(known)
    graph = coo_matrix((np.ones(len(chain.begin), np.int8), (chain.begin, chain.end)), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    has = np.zeros(label.max() + 1, bool)
    has[label[known]] = True
    return has[label]


def _bends(chain: Chain, size: int) -> tuple[np.ndarray, ...]:
    """Pairs of pieces through a point along which a road goes on: left, mid, right points, lengths, pieces.

    At points of two pieces the pair; at junctions the pairs that each lie best opposite each other, within 45
    degrees of straight on.
    """
    mid = np.concatenate([chain.begin, chain.end])
    far = np.concatenate([chain.end, chain.begin])
    piece = np.tile(np.arange(len(chain.begin)), 2)
    order = np.argsort(mid, kind="stable")
    mid, far, piece = mid[order], far[order], piece[order]
    dx, dy = chain.x_m[far] - chain.x_m[mid], chain.y_m[far] - chain.y_m[mid]
    norm = np.maximum(np.hypot(dx, dy), 1e-9)
    dx, dy = dx / norm, dy / norm
    degree = np.bincount(mid, minlength=size)
    i_parts, j_parts = [], []
    for apart in range(1, int(degree.max())):
        i = np.arange(len(mid) - apart)
        i = i[mid[i] == mid[i + apart]]
        i_parts.append(i)
        j_parts.append(i + apart)
    if not i_parts:
        i_parts = j_parts = [np.zeros(0, np.intp)]
    i, j = np.concatenate(i_parts), np.concatenate(j_parts)
    cosine = dx[i] * dx[j] + dy[i] * dy[j]
    best = np.full(len(mid), 9.0)
    np.minimum.at(best, i, cosine)
    np.minimum.at(best, j, cosine)
    through = (cosine <= best[i]) & (cosine <= best[j]) & (cosine < -np.cos(np.pi / 4))
    take = (through | (degree[mid[i]] == 2)) & (piece[i] != piece[j])
    i, j = i[take], j[take]
    p1, p2 = piece[i], piece[j]
    return far[i], mid[i], far[j], chain.length_m[p1], chain.length_m[p2], p1, p2


def _straight(chain: Chain, h: np.ndarray, size: int) -> np.ndarray:
    """Heights along bridges, tunnels and ferries made linear between the ends of each whole chain."""
    from scipy import sparse
    from scipy.sparse.linalg import spsolve

    held = np.zeros(size, bool)  # touches ordinary road, or is a dead end: an abutment
    held[chain.begin[~chain.lifted]] = True
    held[chain.end[~chain.lifted]] = True
    degree = np.bincount(np.concatenate([chain.begin, chain.end]), minlength=size)
    held |= degree < 2
    a, b, stiff = chain.begin[chain.lifted], chain.end[chain.lifted], 1 / chain.length_m[chain.lifted]
    graph = sparse.coo_matrix((stiff, (a, b)), shape=(size, size))
    _, label = sparse.csgraph.connected_components(graph, directed=False)
    anchored = np.zeros(label.max() + 1, bool)
    anchored[label[held]] = True
    inner = ~held & anchored[label]
    if not inner.any():
        return h
    index = np.cumsum(inner) - 1
    weights = graph.tocsr()
    weights = weights + weights.T
    laplace: Any = (sparse.diags(np.asarray(weights.sum(axis=1)).ravel()) - weights).tocsr()
    right = -(laplace[inner][:, ~inner] @ h[~inner])
    out = h.copy()
    out[inner] = np.atleast_1d(spsolve(laplace[inner][:, inner].tocsc(), right))[index[inner]]
    return out


def _climb_scatter(
    chain: Chain,
    factor: Any,
    h: np.ndarray,
    bend: Any,
    bend_weight: np.ndarray,
    grade: Any,
    grade_weight: np.ndarray,
    data: np.ndarray,
    group: np.ndarray,
    groups: int,
    draws: int = 6,
) -> float:
    """Standard deviation of climb [m per sqrt(km)] over draws from the fit's own errors (seeded)."""
    random = np.random.default_rng(20260101)
    length_km = np.bincount(group, chain.length_m, minlength=groups) / 1000
    climbs = []
    for _ in range(draws):
        noise = bend.T @ (np.sqrt(bend_weight) * random.standard_normal(len(bend_weight)))
        noise = noise + grade.T @ (np.sqrt(grade_weight) * random.standard_normal(len(grade_weight)))
        noise = noise + np.sqrt(data) * random.standard_normal(len(data))
        drawn = h + factor.solve(noise)
        rise = np.abs(drawn[chain.end] - drawn[chain.begin]) / 2
        climbs.append(np.bincount(group, np.where(chain.lifted, 0.0, rise), minlength=groups))
    variance = np.var(np.array(climbs), axis=0, ddof=1)
    return float(np.sqrt(variance.sum() / max(length_km.sum(), 1e-9)))


def _report(
    chain: Chain,
    raster: np.ndarray,
    height: np.ndarray,
    kind: np.ndarray,
    tagged: np.ndarray,
    rounds: int,
    scatter: float,
    points: int,
    number: np.ndarray,
) -> HeightReport:
    from scipy import sparse

    size = len(raster)
    ground = ~chain.lifted
    before = (raster[chain.end] - raster[chain.begin]) / chain.length_m
    after = (height[chain.end] - height[chain.begin]) / chain.length_m
    core = ground & np.isin(kind, [KINDS.index(k) for k in _PAVED_CORE]) & np.isfinite(before) & np.isfinite(after)
    support = _at_points(chain, np.where(ground, chain.length_m / 2, 0.0), size)
    moved = np.abs(height - raster)
    told = np.isfinite(moved) & (support > 0)
    lifted = np.nonzero(chain.lifted)[0]
    graph = sparse.coo_matrix(
        (np.ones(len(lifted), np.int8), (chain.begin[lifted], chain.end[lifted])), shape=(size, size)
    )
    _, label = sparse.csgraph.connected_components(graph, directed=False)
    known = np.isfinite(after) & ground
    beyond = known & (np.abs(after) > 1.25 * chain.limit)
    return HeightReport(
        points=points,
        unknown_points=int((~np.isfinite(height))[number].sum()),
        interpolated_points=int((np.isfinite(height) & ~np.isfinite(raster))[number].sum()),
        moved_m=(
            weighted_quantile(moved[told], support[told], 0.5),
            weighted_quantile(moved[told], support[told], 0.9),
            float(moved[told].max(initial=0.0)),
        ),
        moved_over_10_m_km=float(support[told & (np.nan_to_num(moved) > 10)].sum() / 1000),
        grade_90_before=weighted_quantile(np.abs(before[core]), chain.length_m[core], 0.9),
        grade_90_after=weighted_quantile(np.abs(after[core]), chain.length_m[core], 0.9),
        beyond_limit_share=float(chain.length_m[beyond].sum() / max(chain.length_m[known].sum(), 1e-9)),
        structures=len(np.unique(label[chain.begin[lifted]])),
        structures_km=float(chain.length_m[lifted].sum() / 1000),
        incline_tags_km=float(chain.length_m[tagged].sum() / 1000),
        climb_sigma_m_per_sqrt_km=scatter,
        climb_bias_share=CLIMB_BIAS_SHARE,
        rounds=rounds,
    )


def weighted_quantile(values: np.ndarray, weights: np.ndarray, q: float) -> float:
    """Smallest value below or at which a share `q` of the weight lies; 0 for nothing."""
    if len(values) == 0:
        return 0.0
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, q * total[-1])])
