"""All files of a plan, with sensible names, whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from routeplan.output import atomic
from routeplan.plan.document import to_text
from routeplan.plan.value import Plan


def json_text(plan: Plan, *, share: bool = False) -> str:
    """The plan as JSON text; `share` cuts it first."""
    return to_text(_given(plan, share))


def write_json(plan: Plan, path: Path, *, share: bool = False) -> Path:
    """The plan as a JSON file."""
    return atomic.write_text(path, json_text(plan, share=share))


def write_certificate(certificate: dict[str, Any], folder: Path) -> Path:
    """What a proof of a plan's bound rests on, as certificate.json in `folder`; it names no place and no station."""
    return atomic.write_text(folder / "certificate.json", json.dumps(certificate) + "\n")


def _given(plan: Plan, share: bool) -> Plan:
    if not share:
        return plan
    from routeplan.output.share import shared

    return shared(plan)


def write_all(
    plan: Plan,
    folder: Path,
    *,
    share: bool = False,
    progress: Callable[[str], None] | None = None,
    everything: bool = True,
) -> list[Path]:
    """Write every file of the plan into `folder` (made if need be) and give their paths, the ones to open first.

    share : write the shared copy instead (see `share.shared`). everything=False leaves out what is not needed to
    choose and ride: GeoPackage, KML, CSV, calendar, and card and map of all choices but the first.
    """
    from routeplan.output import calendar, card, columns, features, gpx, report, strip, trade_off
    from routeplan.output import map as maps

    plan = _given(plan, share)
    folder = Path(folder)
    carded = plan.routes if everything else plan.routes[:1]
    jobs: list[tuple[str, str, Callable[[], bytes | str]]] = [
        ("report", "report.html", lambda: report.report_html(plan)),
        ("pictures", "trade_off.png", lambda: trade_off.trade_off_png(plan)),
        ("pictures", "map.png", lambda: maps.map_png(plan)),
        *(("pictures", f"strip_{r.id}.png", lambda r=r: strip.strip_png(plan, r)) for r in plan.routes),  # type: ignore[misc]
        *(("tracks", f"ride_{r.id}.gpx", lambda r=r: gpx.gpx(plan, r)) for r in plan.routes),  # type: ignore[misc]
        *(("cards", f"card_{r.id}.pdf", lambda r=r: card.card_pdf(plan, r)) for r in carded),  # type: ignore[misc]
        ("plan", "plan.json", lambda: to_text(plan)),
    ]
    if everything:
        jobs += [
            ("map files", "rides.geojson", lambda: features.geojson(plan)),
            ("map files", "rides.kml", lambda: features.kml(plan)),
            *(("columns", f"ride_{r.id}.csv", lambda r=r: columns.samples_csv(plan, r)) for r in plan.routes),  # type: ignore[misc]
            *(("calendar", f"ride_{r.id}.ics", lambda r=r: calendar.calendar(plan, r)) for r in plan.routes),  # type: ignore[misc]
            *(("maps", f"map_{r.id}.png", lambda r=r: maps.map_png(plan, route=r)) for r in plan.routes[1:]),  # type: ignore[misc]
        ]
    written, said = [], ""
    for what, name, make in jobs:
        if progress is not None and what != said:
            progress(f"writing {what}")
        said = what
        data = make()
        written.append(atomic.write_bytes(folder / name, data if isinstance(data, bytes) else data.encode()))
    if everything:
        with atomic.replacing(folder / "rides.gpkg") as temporary:
            features.write_geopackage(plan, temporary)
        written.append(folder / "rides.gpkg")
    return written
