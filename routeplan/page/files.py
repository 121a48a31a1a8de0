"""The files of a plan, made when they are asked for."""

from __future__ import annotations

import io
import re
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path

from routeplan.errors import InputError
from routeplan.plan.value import Plan, Route

_OF_ROUTE = re.compile(r"(ride|card|strip|map)_([A-Z]{1,2})\.(gpx|pdf|png|csv|ics)", re.ASCII)
TYPES = {
    "gpx": "application/gpx+xml",
    "pdf": "application/pdf",
    "png": "image/png",
    "csv": "text/csv; charset=utf-8",
    "ics": "text/calendar; charset=utf-8",
    "html": "text/html; charset=utf-8",
    "json": "application/json",
    "geojson": "application/geo+json",
    "toml": "application/toml; charset=utf-8",
    "zip": "application/zip",
}


def plan_file(plan: Plan, ride_text: str, name: str, *, share: bool = False) -> bytes:
    """One file of a plan by its name. Raises InputError for a name that there is not."""
    if share:
        from routeplan.output.share import shared

        plan = shared(plan)
    data = _make(plan, ride_text, name, share)
    return data.encode() if isinstance(data, str) else data


def type_of(name: str) -> str:
    return TYPES.get(name.rpartition(".")[2], "application/octet-stream")


def _make(plan: Plan, ride_text: str, name: str, share: bool) -> bytes | str:
    from routeplan.output import report, trade_off, write

    whole: dict[str, Callable[[], bytes | str]] = {
        "report.html": lambda: report.report_html(plan),
        "trade_off.png": lambda: trade_off.trade_off_png(plan),
        "plan.json": lambda: write.json_text(plan),
        "all.zip": lambda: _zipped(plan, "" if share else ride_text),
    }
    if not share:
        whole["ride.toml"] = lambda: ride_text
    if name in whole:
        return whole[name]()
    found = _OF_ROUTE.fullmatch(name)
    route = next((r for r in plan.routes if found and r.id == found.group(2)), None)
    if found is None or route is None:
        raise InputError("no such file", repr(name)[:60], "choose one of those listed")
    return _of_route(plan, route, found.group(1), found.group(3))


def _of_route(plan: Plan, route: Route, what: str, ending: str) -> bytes | str:
    from routeplan.output import calendar, card, columns, gpx, strip
    from routeplan.output import map as maps

    makers: dict[tuple[str, str], Callable[[], bytes | str]] = {
        ("ride", "gpx"): lambda: gpx.gpx(plan, route),
        ("ride", "csv"): lambda: columns.samples_csv(plan, route),
        ("ride", "ics"): lambda: calendar.calendar(plan, route),
        ("card", "pdf"): lambda: card.card_pdf(plan, route),
        ("strip", "png"): lambda: strip.strip_png(plan, route),
        ("map", "png"): lambda: maps.map_png(plan, route=route),
    }
    if (what, ending) not in makers:
        raise InputError("no such file", f"{what}.{ending}", "choose one of those listed")
    return makers[what, ending]()


def _zipped(plan: Plan, ride_text: str) -> bytes:
    from routeplan.output import write

    out = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
        for path in write.write_all(plan, Path(folder)):
            file.write(path, path.name)
        if ride_text:
            file.writestr("ride.toml", ride_text)
    return out.getvalue()
