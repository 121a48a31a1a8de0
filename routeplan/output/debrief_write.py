"""What a debrief prints, and its files: report, pictures, learnt values, evidence, reports as columns, log."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from routeplan import __version__
from routeplan.geo import latlon_to_locator
from routeplan.output import atomic
from routeplan.plan.debriefed import Debrief
from routeplan.plan.words import after, counted

FORMAT = "routeplan debrief 1"
COLUMNS = ("time", "distance_m", "latitude", "longitude", "station", "report", "worked", "chance", "margin_to_db",
           "margin_from_db", "surprise", "beacon", "mount", "where")  # fmt: skip


def debrief_text(found: Debrief, width: int = 80) -> str:
    """The debrief for a terminal."""
    import textwrap

    lines = [found.plan.title, ""]
    for text in found.sentences:
        lines += textwrap.wrap(text, width, initial_indent="- ", subsequent_indent="  ")
    if found.changes:
        lines += ["", "Changed since last time:"]
        for text in found.changes:
            lines += textwrap.wrap(text, width, initial_indent="- ", subsequent_indent="  ")
    for source in found.sources:
        used = counted(source.used, "report")
        lines += ["", f"{source.name}: {source.kind}, {used} used, {len(source.wrong)} not used"]
        for text in (*source.notes, *source.wrong[:5]):
            lines += textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="    ")
        if len(source.wrong) > 5:
            lines.append(f"  and {len(source.wrong) - 5} more")
    for text in found.warnings:
        lines += ["", *textwrap.wrap(f"Warning: {text}", width, subsequent_indent="  ")]
    return "\n".join(lines)


def write_debrief(found: Debrief, folder: Path, *, progress: Callable[[str], None] | None = None) -> list[Path]:
    """Write every file into `folder` (made if need be) and give their paths, the ones to open first."""
    from routeplan.output.debrief_map import debrief_map_png
    from routeplan.output.debrief_report import debrief_html
    from routeplan.output.debrief_strip import debrief_strip_png

    jobs: list[tuple[str, Callable[[], bytes | str]]] = [
        ("debrief.html", lambda: debrief_html(found)),
        ("debrief_strip.png", lambda: debrief_strip_png(found)),
        ("debrief_map.png", lambda: debrief_map_png(found)),
        ("learnt.toml", lambda: found.learnt_toml),
        ("evidence.csv", lambda: found.evidence_csv),
        ("heard.csv", lambda: heard_csv(found)),
        ("log.adi", lambda: log_adif(found)),
        ("debrief.json", lambda: debrief_json(found)),
    ]
    written = []
    # Everything is made before anything is written, so that a debrief in place of an older one is whole or not at all.
    made = [(name, make()) for name, make in jobs]
    for name, data in made:
        if progress is not None:
            progress(f"writing {name}")
        written.append(atomic.write_bytes(Path(folder) / name, data if isinstance(data, bytes) else data.encode()))
    return written


def heard_csv(found: Debrief) -> str:
    """Every report on the ride as columns; times are local with their offset."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for h in found.heard:
        writer.writerow([
            after(found.began, h.time_s).isoformat(timespec="seconds"), f"{h.distance_m:.0f}", f"{h.latitude_deg:.5f}",
            f"{h.longitude_deg:.5f}", h.station, h.words, "yes" if h.worked else "no", _number(h.chance, 3),
            _number(h.margin_to_db, 1), _number(h.margin_from_db, 1), _number(h.surprise, 2), "yes" if h.beacon else "",
            h.mount, h.where,
        ])  # fmt: skip
    return out.getvalue()


def _number(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else ""


def log_adif(found: Debrief) -> str:
    """Contacts of the ride as an ADIF log: reports, locator, predicted margins in fields of our own.

    Calls without an answer and beacons are no contacts and stay in heard.csv.
    """
    from routeplan.plan.debrief import log_text

    records = []
    transmit_w = next((a.value for a in found.plan.assumptions if a.key == "set.transmit_w"), "")
    modes = {net.frequency_mhz: net.mode for net in found.plan.nets}
    for h in found.heard:
        if h.beacon or not h.worked:
            continue
        when = after(found.began, h.time_s).astimezone(UTC)
        records.append({
            "station": h.station, "when": when, "frequency_mhz": h.frequency_mhz,
            "mode": "FM" if "FM" in modes.get(h.frequency_mhz, "FM") else "DIGITALVOICE",
            "they_said": h.they_said, "i_said": h.i_said, "latitude": h.latitude_deg, "longitude": h.longitude_deg,
            "locator": latlon_to_locator(h.latitude_deg, h.longitude_deg), "transmit_w": transmit_w,
            "margin_to_db": h.margin_to_db, "margin_from_db": h.margin_from_db, "chance": h.chance,
        })  # fmt: skip
    return log_text(records, __version__, datetime.now(UTC))


def debrief_json(found: Debrief) -> str:
    """The comparison as JSON; the plan's own document has the ride's columns."""
    document: dict[str, Any] = {"format": FORMAT, "title": found.plan.title, "began": found.began}
    for name in ("sentences", "changes", "warnings", "sources", "groups", "reliability", "surprises", "ride",
                 "residual", "cover", "validation", "heard"):  # fmt: skip
        value = getattr(found, name)
        document[name] = [asdict(v) if hasattr(v, "__dataclass_fields__") else v for v in value] if isinstance(
            value, tuple
        ) else (asdict(value) if value is not None else None)  # fmt: skip
    document["stations"] = {name: asdict(estimate) for name, estimate in found.station_estimates}
    return json.dumps(_plain(document), allow_nan=False, ensure_ascii=False, indent=1) + "\n"


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, dict):
        return {key: _plain(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value
