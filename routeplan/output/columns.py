"""The samples of a route as CSV (RFC 4180): one header line, one row a place, empty where there is no data."""

from __future__ import annotations

import csv
import io

import numpy as np

from routeplan.plan.value import Plan, Route


def samples_csv(plan: Plan, route: Route) -> str:
    """Columns: distance_m, time_s, local_time, position, elevation, chance of the rule, and five for each station."""
    samples = route.samples
    local = np.datetime64(route.departs.replace(tzinfo=None).isoformat(), "s")
    columns: dict[str, list[str]] = {
        "distance_m": _figures(samples.distance_m, 1),
        "time_s": _figures(samples.time_s, 1),
        "local_time": []
        if not len(samples.time_s)
        else (local + np.round(samples.time_s).astype("timedelta64[s]")).astype(str).tolist(),
        "latitude_deg": _figures(samples.latitude_deg, 6),
        "longitude_deg": _figures(samples.longitude_deg, 6),
        "elevation_m": _figures(samples.elevation_m, 1),
        "chance": _figures(samples.chance, 3),
        "walking": ["1" if flag else "0" for flag in samples.walking],
        "repeated": ["1" if flag else "0" for flag in samples.repeated],
    }
    for name, station in samples.stations.items():
        columns[f"{name} margin_to_db"] = _figures(station.margin_to_db, 1)
        columns[f"{name} margin_from_db"] = _figures(station.margin_from_db, 1)
        columns[f"{name} chance_to"] = _figures(station.chance_to, 3)
        columns[f"{name} chance_from"] = _figures(station.chance_from, 3)
        columns[f"{name} chance"] = _figures(station.chance, 3)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values()))
    return out.getvalue()


def _figures(values: np.ndarray, places: int) -> list[str]:
    return ["" if value != value else f"{value:.{places}f}" for value in values.tolist()]
