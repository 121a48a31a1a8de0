"""A coverage and a comparison in words and numbers: for a terminal of 80 columns, and as JSON."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Sequence
from typing import Any

from routeplan.plan.coverage import COMMON_ERROR_DB, Comparison, Coverage, Row, Shares
from routeplan.plan.words import hours, in_tenths, whole

WIDTH = 80
FORMAT = "routeplan coverage 1"
COMPARISON_FORMAT = "routeplan comparison 1"


def rule_words(rule: Any) -> str:
    """ "any station", "all stations", "at least 2 stations", "QB1RIM and QB2TOP"."""
    if isinstance(rule, str):
        return {"any": "any station", "all": "all stations"}.get(rule, rule)
    if isinstance(rule, dict):
        return f"at least {rule['at_least']} stations"
    return " and ".join(map(str, rule))


def document(covered: Coverage, shares: Sequence[Shares]) -> dict[str, Any]:
    """The figures of a coverage as plain values for JSON; shares are parts of the land within the
    extent of the area's roads, None where nothing is known."""
    contacts, ride = covered.contacts, covered.ride
    cell_km2 = (covered.ground.step_m / 1000) ** 2
    rows, cols = covered.ground.shape

    def figures(row: Shares) -> dict[str, Any]:
        def share(cells: int) -> float | None:
            return round(row.share(cells), 4) if row.known else None

        return {
            "in_contact_share": share(row.in_contact),
            "weak_share": share(row.weak),
            "dead_share": share(row.dead),
            "in_contact_share_range": [share(row.in_contact_worse), share(row.in_contact_better)],
            "in_contact_km2": round(row.in_contact * cell_km2, 2),
            "land_km2": round((row.known + row.unknown) * cell_km2, 2),
            "unknown_km2": round(row.unknown * cell_km2, 2),
        }

    stations = []
    for work, needed, row in zip(contacts.workable, covered.margin_needed_db, shares):
        latitude, longitude = covered.area.projection.to_latlon(work.x_m, work.y_m)
        spread = work.spread
        stations.append(
            {
                "name": work.name,
                "position": [round(float(latitude), 6), round(float(longitude), 6)],
                "rider_transmits_mhz": work.transmit_mhz,
                "rider_listens_mhz": work.listen_mhz,
                "spread_db": round(spread.sigma_db, 2),
                "spread_parts_db": {
                    "model": round(spread.model_db, 2),
                    "location": round(spread.location_db, 2),
                    "body": round(spread.body_db, 2),
                    "noise": round(spread.noise_db, 2),
                },
                "margin_needed_db": round(float(needed), 2),
                **figures(row),
            }
        )
    return {
        "format": FORMAT,
        "area": covered.area.name,
        "attribution": list(covered.area.attribution),
        "cells": [rows, cols],
        "cell_m": covered.ground.step_m,
        "land": "within the extent of the area's roads",
        "contact_chance": ride.contact.chance,
        "common_error_db": COMMON_ERROR_DB,
        "stations": stations,
        "rule": {"rule": contacts.rule, **figures(shares[-1])},
        "not_predicted": covered.not_predicted,
    }


def summary(covered: Coverage, shares: Sequence[Shares]) -> str:
    """Shares of the land for each station and the rule, and what margin the chance asks for."""
    rule = f"rule: {rule_words(covered.contacts.rule)}"
    names = [*covered.names, rule]
    wide = min(30, max(12, *(len(name) for name in names)))
    contact = f"in contact (+-{COMMON_ERROR_DB:g} dB)"
    lines = [f"{'of the land':<{wide}}  {contact:>20}  {'weak':>6}  {'dead':>6}  {'km2':>8}"]
    for name, row in zip(names, shares):
        cells = row.in_contact, row.in_contact_worse, row.in_contact_better
        middle, low, high = (_percent(row.share(c)) for c in cells)
        km2 = (row.known + row.unknown) * (covered.ground.step_m / 1000) ** 2
        first, *more = textwrap.wrap(name, wide) or [""]
        lines.append(
            f"{first:<{wide}}  {f'{middle} % ({low}-{high})':>20}  {_percent(row.share(row.weak)) + ' %':>6}  "
            f"{_percent(row.share(row.dead)) + ' %':>6}  {km2:>8.0f}"
        )
        lines += more
    lines.append("")
    chance = covered.ride.contact.chance
    needed = covered.margin_needed_db
    spreads = [work.spread.sigma_db for work in covered.contacts.workable]
    low, high = f"{min(needed):.0f}", f"{max(needed):.0f}"
    margin = low if low == high else f"{low} to {high}"
    low, high = f"{min(spreads):.0f}", f"{max(spreads):.0f}"
    spread = low if low == high else f"{low} to {high}"
    lines += textwrap.wrap(
        f"In contact: {in_tenths(chance)} or better, for which the predicted margin must be {margin} dB, since the "
        f"truth differs from it by {spread} dB (standard deviation). Weak: down to 1 in 2. No measurements at handheld "
        "height were at hand to validate this.",
        WIDTH,
    )
    lines += textwrap.wrap("Land: what lies within the extent of the area's roads.", WIDTH)
    if unknown := max(row.unknown for row in shares):
        km2 = unknown * (covered.ground.step_m / 1000) ** 2
        lines += textwrap.wrap(f"Left out: up to {km2:.1f} km2 behind ground without elevation data.", WIDTH)
    for name in covered.not_predicted:
        lines += textwrap.wrap(f"! {name}: not predicted on its band, not on the map nor in the rule", WIDTH)
    return "\n".join(lines)


def _percent(share: float) -> str:
    return "?" if math.isnan(share) else str(whole(share * 100))


def json_text(document: dict[str, Any]) -> str:
    """Plain values as JSON text."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)


# --- what would it change? ---------------------------------------------------------------------------------------


def comparison_document(compared: Comparison) -> dict[str, Any]:
    """The comparison as plain values for JSON."""
    return {
        "format": COMPARISON_FORMAT,
        "road_km": round(compared.road_km, 3),
        "roads": "in reach of the start" if compared.in_reach else "of the area",
        "loop_km": None if compared.loop_km is None else round(compared.loop_km, 3),
        "loop_time_s": None if compared.loop_time_s is None else round(compared.loop_time_s, 1),
        "net_s": compared.net_s,
        "contact_chance": compared.contact_chance,
        "common_error_db": COMMON_ERROR_DB,
        "notes": list(compared.notes),
        "rows": [
            {
                "change": row.change or None,
                "in_contact_km": round(row.in_contact_km, 3),
                "in_contact_range_km": [round(km, 3) for km in row.in_contact_range_km],
                "weak_km": round(row.weak_km, 3),
                "dead_km": round(row.dead_km, 3),
                "unknown_km": round(row.unknown_km, 3),
                "loop_contact_s": None if row.loop_contact_s is None else round(row.loop_contact_s, 1),
            }
            for row in compared.rows
        ],
    }


def comparison(compared: Comparison) -> str:
    """The comparison as a table."""
    base = compared.rows[0]
    minutes = base.loop_contact_s is not None
    kind = "net min" if compared.net_s else "minutes"
    wide = WIDTH - (53 if minutes else 38)
    head = f"{'':<{wide}}  {f'in contact km (+-{COMMON_ERROR_DB:g} dB)':>22}  {'weak':>5}  {'dead':>5}"
    lines = [head + (f"  {kind}" if minutes else "")]
    for row in compared.rows:
        first, *more = _label(row.change or "as it is", wide)
        low, high = row.in_contact_range_km
        reach = f"{whole(row.in_contact_km)} ({whole(low)}-{whole(high)})"
        line = f"{first:<{wide}}  {reach:>22}  {whole(row.weak_km):>5}  {whole(row.dead_km):>5}"
        lines.append((line + (f"  {_loop_minutes(row, base):<12}" if minutes else "")).rstrip())
        lines += more
    lines.append("")
    where = "in reach of the start" if compared.in_reach else "of the area"
    told = (
        f"{whole(compared.road_km)} km of road {where}, both ways along them; in contact means "
        f"{in_tenths(compared.contact_chance)} or better."
    )
    if minutes:
        assert compared.loop_km is not None and compared.loop_time_s is not None
        what = (
            f"expected minutes of the {whole(compared.net_s / 60)} net minutes"
            if compared.net_s
            else "expected minutes"
        )
        told += (
            f" {what[0].upper()}{what[1:]} in contact on the best-covered loop of the file as it is "
            f"({compared.loop_km:.1f} km, {hours(compared.loop_time_s)})."
        )
    if len(compared.rows) > 1:
        told += " An error common to all links moves all rows alike: they differ more surely than the ranges suggest."
    unknown = max(row.unknown_km for row in compared.rows)
    if unknown >= 0.05:
        told += f" {unknown:.1f} km without elevation data are left out."
    lines += textwrap.wrap(told, WIDTH)
    for note in compared.notes:
        lines += textwrap.wrap(f"! {note}", WIDTH)
    return "\n".join(lines)


def _label(change: str, wide: int) -> list[str]:
    """A change on lines of its column, broken after dots and equals signs where it can be."""
    words = change.replace(".", ".\0").replace("=", "=\0").replace(" ", " \0").split("\0")
    lines = [""]
    for word in words:
        if lines[-1] and len(lines[-1] + word.rstrip()) > wide:
            lines.append("")
        lines[-1] += word
        while len(lines[-1].rstrip()) > wide:
            lines[-1:] = [lines[-1][:wide], lines[-1][wide:]]
    return [line.rstrip() for line in lines]


def _loop_minutes(row: Row, base: Row) -> str:
    assert row.loop_contact_s is not None and base.loop_contact_s is not None
    text = f"{row.loop_contact_s / 60:>5.1f}"
    if row is base:
        return text
    change = round((row.loop_contact_s - base.loop_contact_s) / 60, 1) + 0.0  # never -0.0
    return f"{text} {f'({change:+.1f})':>6}"
