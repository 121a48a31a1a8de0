"""The ride strip in characters: one row for each station, time along the row, height of a block = chance of contact."""

from __future__ import annotations

import numpy as np

from routeplan.output.rows import held
from routeplan.plan.value import Plan, Route, Samples
from routeplan.plan.words import after, clock, counted, hours, minutes, net_window

BLOCKS = " ▁▂▃▄▅▆▇█"
DIGITS = "0123456789"
NAMES = 14  # columns before the strip


def worst_per_cell(samples: Samples, values: np.ndarray, cells: int) -> np.ndarray:
    """Mean of `values` over equal spans of time, (cells,); NaN where a span has no data.

    Cells hold time, not places: a slow climb takes more of the strip than a fast descent.
    """
    time_s, values = held(samples, values)
    end = time_s[-1]
    at = np.minimum((time_s / max(end, 1e-9) * cells).astype(int), cells - 1)
    known = np.isfinite(values)
    total = np.bincount(at[known], values[known], cells)
    count = np.bincount(at[known], minlength=cells)
    unknown = np.bincount(at[~known], minlength=cells)
    centre = (np.arange(cells) + 0.5) / cells * end
    filled = np.interp(centre, time_s[known], values[known]) if known.any() else np.full(cells, np.nan)
    out = np.where(count > 0, total / np.maximum(count, 1), filled)
    return np.where((count == 0) & (unknown > 0), np.nan, out)


def text_strip(plan: Plan, route: Route, *, width: int = 80, unicode: bool = True) -> str:
    """A few lines of at most `width` columns; `unicode=False` keeps to ASCII and gives tenths as digits."""
    cells = width - NAMES - 1
    samples, end = route.samples, max(route.samples.time_s[-1], 1e-9)

    def cell(seconds: float) -> int:
        return int(np.clip(seconds / end * cells, 0, cells - 1))

    def row(name: str, body: str) -> str:
        if len(name) > NAMES - 1:
            name = name[: NAMES - 2] + ("…" if unicode else ".")
        return f"{name:<{NAMES}}{body}".rstrip()

    lines = []
    for net, (begin, stop) in zip(plan.nets, net_window(route, plan)):
        if stop > 0 and begin < end:
            lines.append(
                row(f"net {net.begins:%H:%M}", _bracket(cell(max(begin, 0)), cell(min(stop, end)), cells, unicode))
            )
    ground = worst_per_cell(samples, samples.elevation_m, cells)
    metres = samples.elevation_m[np.isfinite(samples.elevation_m)]
    low, high = (metres.min(), metres.max()) if metres.size else (0.0, 1.0)
    lines.append(row(f"{low:.0f}-{high:.0f} m", _heights((ground - low) / max(high - low, 1.0), unicode)))
    for station in plan.stations:
        if station.name in samples.stations:
            chance = worst_per_cell(samples, samples.stations[station.name].chance, cells)
            lines.append(row(station.name, _heights(chance, unicode)))
    for name, stretches, mark in (("overs", route.overs, "="), ("dead", route.dead_stretches, ".")):
        body = [" "] * cells
        for stretch in sorted(stretches, key=lambda s: s.end_s - s.begin_s):
            first, last = cell(stretch.begin_s), cell(stretch.end_s)
            body[first : last + 1] = mark * (last + 1 - first)
            if len(stretch.label) <= last + 1 - first:  # a number is whole or not there
                place = first + (last + 1 - first - len(stretch.label)) // 2
                body[place : place + len(stretch.label)] = stretch.label
        if stretches:
            lines.append(row(name, "".join(body[:cells])))
    lines += [row(name, body) for name, body in _axis(route, cells)]
    return "\n".join(lines)


def _bracket(first: int, last: int, cells: int, unicode: bool) -> str:
    left, line, right = ("├", "─", "┤") if unicode else ("|", "-", "|")
    inside = max(0, last - first - 1)
    return " " * first + left + line * inside + (right if last > first else "")


def _heights(share: np.ndarray, unicode: bool) -> str:
    """One character for each share of 0 to 1; "?" where it is not known."""
    steps = BLOCKS if unicode else DIGITS
    level = np.clip(np.nan_to_num(share) * len(steps), 0, len(steps) - 1).astype(int)
    return "".join("?" if np.isnan(value) else steps[k] for value, k in zip(share, level))


def _axis(route: Route, cells: int) -> list[tuple[str, str]]:
    """Rows of clock times and kilometres, at whole quarters of an hour where they fit."""
    end = route.samples.time_s[-1]
    step = next((s for s in (900, 1800, 3600, 7200, 14400) if end / s * 8 < cells), 28800)
    local = after(route.departs, 0)
    offset = (
        (local.minute * 60 + local.second) % step if step <= 3600 else (local.hour * 3600 + local.minute * 60) % step
    )
    times, lengths = [" "] * cells, [" "] * cells
    for seconds in [0.0, *np.arange(step - offset, end, step)]:
        place = int(seconds / end * cells)
        km = f"{np.interp(seconds, route.samples.time_s, route.samples.distance_m) / 1000:.1f}"
        before = times[max(0, place - 1) : place + 6]
        if place + 5 <= cells and all(c == " " for c in before):
            times[place : place + 5] = clock(route.departs, seconds)
            lengths[place : place + len(km)] = km
    return [("time", "".join(times)), ("km", "".join(lengths))]


def legend(plan: Plan) -> str:
    """One line that says how to read the strip."""
    return "Height of a block: chance of contact both ways; overs numbered, dead stretches lettered."


def spoken(route: Route) -> str:
    """The strip in one sentence, for those who cannot see it."""
    overs = f"{counted(len(route.overs), 'over')}, {minutes(route.usable_contact_s)} min in all"
    dead = f"longest dead stretch {minutes(route.longest_dead_s)} min"
    return f"{hours(route.ride_time_s)} from {clock(route.departs)}: {overs}; {dead}."


def shows_blocks(encoding: str | None) -> bool:
    """Whether a terminal of that encoding can show the blocks; where not, ask for `unicode=False`."""
    try:
        (BLOCKS + "├─┤…").encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
