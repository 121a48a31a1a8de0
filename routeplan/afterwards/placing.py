"""Puts reports on a ridden track, by time or by place: clocks that are off, gaps, beacons that nobody received."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from routeplan.afterwards.reports import NOT_HEARD, Report
from routeplan.afterwards.tracks import Track

NEAR_M = 75.0  # a position this close to the track agrees with it
CLOCK_AGREES_S = 20.0
OWN_WITHIN_M = 500.0
OWN_SHARE = 0.5  # of a sender's positions that must lie on the track for it to be the rider's own
GAP_S, GAP_M = 300.0, 500.0  # between two track points; inside, the place is not known
ODD_TIME_S = 86_400.0  # from the middle of the ride: no ride is that long
EARLY_S = 300.0  # a report so long before the track begins, or after its end, still belongs to the ride
STANDING_M_S = 0.8
COARSEST_M = 300.0  # a place that is known no better does not place a report


@dataclass(frozen=True)
class Ridden:
    """A clean track in working coordinates; n points, times strictly ascending."""

    time_s: np.ndarray  # since 1970
    x_m: np.ndarray
    y_m: np.ndarray
    notes: tuple[str, ...]  # what was mended


class Place(NamedTuple):
    """Where and when a report belongs; `why_not` says why it has no place."""

    time_s: float
    x_m: float
    y_m: float
    heading_deg: float
    speed_m_s: float
    why_not: str = ""


def cleaned(track: Track, x_m: np.ndarray, y_m: np.ndarray) -> Ridden:
    """Points with a time, in the order of time, each moment once; what had to be mended is told."""
    notes = []
    good = np.isfinite(track.time_s) & np.isfinite(x_m) & np.isfinite(y_m)
    if track.skipped or not good.all():
        notes.append(f"{track.skipped + int((~good).sum())} track points without place or time are left out")
    index = np.flatnonzero(good)
    if len(index):
        odd = np.abs(track.time_s[index] - np.median(track.time_s[index])) > ODD_TIME_S
        if odd.any():
            notes.append(f"{int(odd.sum())} track points with times a day or more off are left out")
            index = index[~odd]
    if len(index) and (np.diff(track.time_s[index]) < 0).any():
        notes.append("track points out of the order of time were sorted")
        index = index[np.argsort(track.time_s[index], kind="stable")]
    time = track.time_s[index]
    first = np.concatenate([[True], np.diff(time) > 0]) if len(index) else np.zeros(0, dtype=bool)
    index = index[first]
    x, y, time = x_m[index], y_m[index], track.time_s[index]
    if len(index) > 2:
        with np.errstate(divide="ignore"):
            speed = np.hypot(np.diff(x), np.diff(y)) / np.diff(time)
        # One wild fix has two fast steps, from it and to it.
        wild = np.zeros(len(index), dtype=bool)
        wild[1:-1] = (speed[1:] > 40) & (speed[:-1] > 40)
        if wild.any():
            notes.append(f"{int(wild.sum())} wild track points are left out")
            x, y, time = x[~wild], y[~wild], time[~wild]
    gaps = (np.diff(time) > GAP_S) & (np.hypot(np.diff(x), np.diff(y)) > GAP_M)
    if gaps.any():
        longest = float(np.diff(time)[gaps].max())
        many = f"{int(gaps.sum())} gaps" if gaps.sum() > 1 else "a gap"
        notes.append(f"the track has {many}, the longest of {longest / 60:.0f} min; reports in it have no place")
    return Ridden(time, x, y, tuple(notes))


def clock_offset_s(ridden: Ridden, time_s: np.ndarray, x_m: np.ndarray, y_m: np.ndarray) -> tuple[float, int]:
    """What to add to reports' times so that they agree with the track, and how many reports say so.

    The offset on which most of the reports with a place agree within CLOCK_AGREES_S; (0, 0) where none is on the track.
    """
    from scipy.spatial import cKDTree

    known = np.flatnonzero(np.isfinite(time_s) & np.isfinite(x_m) & np.isfinite(y_m))
    if not len(known):
        return 0.0, 0
    known = known[:: max(1, len(known) // 400)]
    tree = cKDTree(np.column_stack([ridden.x_m, ridden.y_m]))
    near = tree.query_ball_point(np.column_stack([x_m[known], y_m[known]]), NEAR_M)
    offsets, owners = [], []
    for k, points in zip(known, near):
        if points:
            passes = np.sort(ridden.time_s[points]) - time_s[k]
            # One offset for each passage: the middle of a run of neighbouring points.
            for run in np.split(passes, np.flatnonzero(np.diff(passes) > 60) + 1):
                offsets.append(float(np.median(run)))
                owners.append(int(k))
    if not offsets:
        return 0.0, 0
    order = np.argsort(offsets, kind="stable")
    value, owner = np.array(offsets)[order], np.array(owners)[order]
    begin = np.searchsorted(value, value - CLOCK_AGREES_S)
    end = np.searchsorted(value, value + CLOCK_AGREES_S, side="right")
    most = int(np.argmax((end - begin) - 1e-9 * np.abs(value)))
    chosen = slice(int(begin[most]), int(end[most]))
    return float(np.median(value[chosen])), len(set(owner[chosen].tolist()))


def hour_slip_s(time_s: np.ndarray, begin_s: float, end_s: float) -> float:
    """Whole hours [s] by which reports miss the ride, as a wrong time zone makes them; 0 where they do not.

    Only where most reports lie outside the ride, and one shift alone, or the smallest, brings most of them into it.
    """
    known = time_s[np.isfinite(time_s)]
    if len(known) < 2:
        return 0.0

    def inside(shift: float) -> float:
        return float(np.mean((known + shift >= begin_s - EARLY_S) & (known + shift <= end_s + EARLY_S)))

    if inside(0.0) > 0.5:
        return 0.0
    shifts = sorted((h * 3600.0 for h in range(-14, 15)), key=abs)
    best = max(shifts, key=lambda s: (round(inside(s), 2), -abs(s)))
    return best if inside(best) >= 0.8 else 0.0


def own_beacons(ridden: Ridden, reports: list[Report], x_m: np.ndarray, y_m: np.ndarray) -> list[bool]:
    """Whether each beacon was sent by the rider: most of its sender's positions lie on the track."""
    from scipy.spatial import cKDTree

    if not reports:
        return []
    distance, _ = cKDTree(np.column_stack([ridden.x_m, ridden.y_m])).query(np.column_stack([x_m, y_m]))
    by_sender: dict[str, list[float]] = {}
    for report, off in zip(reports, distance):
        by_sender.setdefault(report.source, []).append(off - report.place_within_m)
    own = {name: float(np.mean(np.array(offs) < OWN_WITHIN_M)) > OWN_SHARE for name, offs in by_sender.items()}
    return [own[report.source] for report in reports]


def placed(ridden: Ridden, time_s: np.ndarray, x_m: np.ndarray, y_m: np.ndarray, within_m: np.ndarray) -> list[Place]:
    """A place on the track for each report: by its time, or by its place where it has no time.

    x_m, y_m : NaN where no place is given.   within_m : how well it is known.
    """
    from scipy.spatial import cKDTree

    begin, end = ridden.time_s[0], ridden.time_s[-1]
    tree = cKDTree(np.column_stack([ridden.x_m, ridden.y_m]))
    out = []
    for time, x, y, coarse in zip(time_s, x_m, y_m, within_m):
        if np.isfinite(time):
            if not begin - EARLY_S <= time <= end + EARLY_S:
                side = "before" if time < begin else "after"
                out.append(_no_place(f"{_span(min(abs(time - begin), abs(time - end)))} {side} the ride", time))
                continue
            time = float(np.clip(time, begin, end))
        elif np.isfinite(x):
            if coarse > COARSEST_M:
                out.append(_no_place("its place is too coarse and it has no time"))
                continue
            distance, index = tree.query([x, y])
            if distance > max(NEAR_M, coarse):
                out.append(_no_place(f"{distance:.0f} m off the track"))
                continue
            time = float(ridden.time_s[index])
        else:
            out.append(_no_place("neither time nor place"))
            continue
        out.append(place_at(ridden, time))
    return out


def _no_place(why: str, time_s: float = np.nan) -> Place:
    nan = float("nan")
    return Place(time_s, nan, nan, nan, nan, why)


def _span(seconds: float) -> str:
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 48 * 3600 else f"{seconds / 86400:.0f} days"


def place_at(ridden: Ridden, time_s: float) -> Place:
    """Place, heading and speed at a moment of the ride; no place inside a gap of the track."""
    t = ridden.time_s
    after = int(np.clip(np.searchsorted(t, time_s), 1, len(t) - 1))
    step_s, step_m = (
        t[after] - t[after - 1],
        np.hypot(ridden.x_m[after] - ridden.x_m[after - 1], ridden.y_m[after] - ridden.y_m[after - 1]),
    )
    if step_s > GAP_S and step_m > GAP_M:
        return _no_place("in a gap of the track", time_s)
    x, y = float(np.interp(time_s, t, ridden.x_m)), float(np.interp(time_s, t, ridden.y_m))
    a, b = max(time_s - 8.0, t[0]), min(time_s + 8.0, t[-1])
    dx, dy = (float(np.interp(b, t, c) - np.interp(a, t, c)) for c in (ridden.x_m, ridden.y_m))
    speed = float(np.hypot(dx, dy) / max(b - a, 1e-9))
    return Place(time_s, x, y, float(np.degrees(np.arctan2(dx, dy)) % 360.0), speed)


# --- beacons that nobody received ----------------------------------------------------------------------------------


class Rhythm(NamedTuple):
    """The interval at which beacons were sent, as the received ones tell it."""

    interval_s: float
    missed_s: np.ndarray  # times of those sent in between and not received


def rhythm(time_s: np.ndarray, begin_s: float, end_s: float) -> Rhythm | None:
    """The fixed interval behind received beacons, and the ones that are missing; None where there is no clear one.

    Beacons that are sent by turns and speed have none: of them only the received are known, which says nothing of how
    many were not.
    """
    times = np.unique(time_s[np.isfinite(time_s)])
    times = times[np.concatenate([[True], np.diff(times) > 3.0])] if len(times) else times
    if len(times) < 8:
        return None
    gaps = np.diff(times)
    short = np.sort(gaps)[: max(4, len(gaps) // 2)]
    interval = float(np.median(short))
    for _ in range(3):
        multiple = np.maximum(np.round(gaps / interval), 1)
        fits = np.abs(gaps - multiple * interval) <= np.maximum(4.0, 0.06 * interval)
        if not fits.any():
            return None
        interval = float(gaps[fits].sum() / multiple[fits].sum())
    if fits.mean() < 0.7 or not 4.0 <= interval <= 1800.0:
        return None
    missed = [
        np.arange(times[0] - interval, begin_s, -interval)[::-1],
        *(np.linspace(a, b, round((b - a) / interval) + 1)[1:-1] for a, b in itertools.pairwise(times)
          if (b - a) > 1.5 * interval),
        np.arange(times[-1] + interval, end_s, interval),
    ]  # fmt: skip
    return Rhythm(interval, np.concatenate(missed))


def missed_reports(like: Report, missed_s: np.ndarray) -> list[Report]:
    """Reports of beacons that one station did not receive."""
    nan = float("nan")
    return [
        replace(like, they=NOT_HEARD, time_s=float(t), latitude_deg=nan, longitude_deg=nan, where="beacons in between")
        for t in missed_s
    ]
