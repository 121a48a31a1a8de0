"""Building roads one after another over the ground; later roads use and join the earlier ones."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import binary_dilation

from . import paths
from .frame import COARSE
from .terrain import Ground, _halve


@dataclass(frozen=True)
class Manner:
    """How a kind of road takes the ground."""

    grade_soft: float  # a grade at which a metre costs twice
    grade_hard: float  # above it, each per cent costs as much as four metres more
    bend_m: float  # what turning back costs
    built_factor: float  # a metre of road that is there already


FAST = Manner(0.030, 0.055, 900, 0.9)
MAIN = Manner(0.040, 0.075, 400, 0.45)
LANE = Manner(0.055, 0.095, 220, 0.45)
PASS = Manner(0.070, 0.095, 260, 0.8)
FARM = Manner(0.060, 0.105, 160, 0.6)
TRACK = Manner(0.080, 0.130, 150, 0.7)
RAIL = Manner(0.012, 0.022, 1500, 1.5)


# How far hedges, walls and outcrops push a road from its ideal line
WANDER_M = {"coast": 4.0, "road": 6.0, "pass": 5.0, "lane": 9.0, "farm": 10.0, "track": 10.0}


@dataclass
class Line:
    """One road as built: island metres, kind of builder, further facts."""

    points: np.ndarray
    kind: str
    facts: dict = field(default_factory=dict)


class Works:
    """The roads so far, and where they are on the coarse raster."""

    def __init__(self, ground: Ground):
        self.height = _halve(ground.height_m)
        self.open = (_halve(ground.land.astype(float)) > 0.8) & (_halve(ground.lake.astype(float)) < 0.05)
        self.open &= ~binary_dilation(_halve(ground.lake.astype(float)) > 0, iterations=1)
        self.dear = np.ones(self.height.shape)
        self.dear += 0.7 * np.clip(_halve(ground.slope) - 0.2, 0, 0.4) / 0.2
        self.dear += 0.6 * (_halve((ground.coast_m < 90).astype(float)) > 0.3)
        self.built = np.zeros(self.height.shape, bool)
        self.near = np.zeros(self.height.shape, bool)
        self.lines: list[Line] = []
        self._points = np.empty((0, 2))  # of all lines that may be joined, and which line each is of
        self._owner = np.empty(0, np.int64)

    def add(self, points: np.ndarray, kind: str, usable: bool = True, **facts) -> Line:
        """Take a line as it is."""
        line = Line(np.round(np.asarray(points, float), 1), kind, facts)
        self.lines.append(line)
        if usable:
            self.join(len(self.lines) - 1)
        return line

    def join(self, k: int) -> None:
        """From now on later roads may use line `k` and join it."""
        dense = paths.resample(self.lines[k].points, 12.0)
        r, c = COARSE.cell(dense[:, 0], dense[:, 1])
        self.built[r, c] = True
        self.open[r, c] = True
        for dr in range(-2, 3):
            for dc in range(-2, 3):
                self.near[np.clip(r + dr, 0, COARSE.rows - 1), np.clip(c + dc, 0, COARSE.columns - 1)] = True
        self._points = np.vstack([self._points, self.lines[k].points])
        self._owner = np.concatenate([self._owner, np.full(len(self.lines[k].points), k)])

    def snap(self, x: float, y: float) -> tuple[np.ndarray, int, float]:
        """Nearest point of a road that may be joined: position, line number, distance [m]."""
        distance = np.hypot(self._points[:, 0] - x, self._points[:, 1] - y)
        index = int(distance.argmin())
        return self._points[index], int(self._owner[index]), float(distance[index])

    def route(
        self,
        start,
        goal,
        manner: Manner,
        kind: str,
        *,
        longest_m: float = np.inf,
        shun: np.ndarray | None = None,
        alone: bool = False,
        **facts,
    ) -> list[Line]:
        """Build what is missing between `start` and `goal` (x, y), or any road where `goal` is None.

        shun: cells (coarse raster, bool) to keep away from. alone: a line of its own that follows no built road.
        """
        r, c = COARSE.cell(*start)
        if goal is None:
            goals, aim = self.built.copy(), np.int64(-1)
        else:
            goals = np.zeros_like(self.built)
            goals[COARSE.cell(*goal)] = True
            aim = np.int64(np.flatnonzero(goals)[0])
        built = np.zeros_like(self.built) if alone else self.built
        dear = np.where(self.near & ~built, 2.2 * self.dear, self.dear)
        if shun is not None:
            dear, built = np.where(shun, 5 * dear, dear), built & ~shun
        opened = self.open.copy()
        opened[r, c] = True
        if goal is not None:
            opened |= goals
        cells = paths.cheapest(
            self.height,
            opened,
            dear,
            built,
            np.int64(r * COARSE.columns + c),
            goals,
            COARSE.step_m,
            manner.grade_soft,
            manner.grade_hard,
            manner.bend_m,
            manner.built_factor,
            paths.MOVES,
            aim,
        )
        if len(cells) < 2:
            return []
        runs = [cells] if alone else self._missing(cells)
        return [line for run in runs if (line := self._build(run, start, goal, kind, longest_m, facts))]

    def _missing(self, cells):
        """Runs of the path that are not on built road, with the road cells at their ends."""
        rows, columns = cells // COARSE.columns, cells % COARSE.columns
        road = self.built[rows, columns]
        moves = ~(road[:-1] & road[1:])
        runs, first = [], None
        for k, new in enumerate(moves):
            if new and first is None:
                first = k
            if first is not None and (not new or road[k + 1] or k == len(moves) - 1):
                last = k + 1 if new else k
                runs.append(cells[first : last + 1])
                first = None
        return runs

    def _build(self, run, start, goal, kind, longest_m, facts):
        rows, columns = run // COARSE.columns, run % COARSE.columns
        x, y = COARSE.centre(rows, columns)
        p = np.column_stack([x, y]).astype(float)
        owners = []
        for end, place in ((0, start), (-1, goal)):
            if self.built[rows[end], columns[end]]:
                at, owner, distance = self.snap(*p[end])
                if distance < 90:
                    p[end] = at
                    owners.append(owner)
            elif place is not None and np.hypot(*(p[end] - place)) < COARSE.step_m:
                p[end] = place
        if np.hypot(*(p[0] - p[-1])) < 25 and len(p) <= 3:
            return None
        line = _wander(paths.smooth(p), WANDER_M.get(kind, 0.0))
        long = paths.lengths(line)[-1]
        if long > longest_m or long < 40 or (len(owners) == 2 and owners[0] == owners[1] and long < 260):
            return None
        return self.add(line, kind, **facts)


def _wander(points, most_m):
    """A line pushed about a little, its ends kept."""
    x, y = points[:, 0], points[:, 1]
    along = paths.lengths(points)
    taper = np.clip(np.minimum(along, along[-1] - along) / 90.0, 0, 1) * most_m
    dx = 0.6 * np.sin(y / 37 + x / 91) + 0.4 * np.sin(x / 53 - y / 23 + 1)
    dy = 0.6 * np.sin(x / 41 - y / 83 + 2) + 0.4 * np.sin(y / 59 + x / 27 + 3)
    return points + (taper * np.stack([dx, dy])).T
