"""A plan as the page needs it: the figures of each choice, and columns that strip and map are linked by."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from routeplan.output.cautions import cautions
from routeplan.output.look import MARKERS
from routeplan.output.rows import called, calling_places, spans
from routeplan.output.table import bound_sentence, extras, figures
from routeplan.output.text_strip import spoken
from routeplan.output.trade_off import sentence
from routeplan.plan.value import Plan, Route
from routeplan.plan.words import clock, contact, has_net, headline, hours, minutes, whole

POINTS = 700  # of a ride, in the page


def plan_view(plan: Plan) -> dict[str, Any]:
    """The plan for the page, JSON-ready."""
    return {
        "job": plan.job,
        "title": plan.title,
        "sentence": sentence(plan),
        "net": any(map(has_net, plan.routes)),
        "routes": [_route(plan, route) for route in plan.routes],
        "bound": bound_view(plan),
        "stations": [
            {"name": s.name, "letter": s.letter, "marker": MARKERS[k % len(MARKERS)], "description": s.description}
            for k, s in enumerate(plan.stations)
        ],
        "warnings": list(plan.warnings),
        "notes": list(plan.notes),
        "cautions": [list(caution) if isinstance(caution, tuple) else str(caution) for caution in cautions(plan)],
        "what_if": [[text, whole(seconds / 60)] for text, seconds in plan.what_if],
        "assumptions": [[a.key, _said(a.value), a.origin, a.guess] for a in plan.assumptions],
        "contact_chance": plan.contact_chance,
    }


def bound_view(plan: Plan) -> dict[str, Any] | None:
    """The proven limit in words, how it was had, and how far the best choice is from it; None if it tells nothing."""
    told = bound_sentence(plan)
    if plan.bound is None or not told:
        return None
    bound = plan.bound
    if bound.out_s_at_least is not None and "out of contact;" in told:
        best = min(route.ride_time_s - route.contact_s for route in plan.routes)
        limit, gap = bound.out_s_at_least, best - bound.out_s_at_least
    else:
        best = max(route.contact_s for route in plan.routes)
        limit, gap = bound.contact_s_at_most, bound.contact_s_at_most - best
    return {
        "sentence": told.removesuffix(f" ({bound.how}).") + ".",
        "how": bound.how,
        "limit_min": round(limit / 60, 1),
        "gap_min": abs(whole(limit / 60) - whole(best / 60)) if gap > 0 else 0,
    }


def _route(plan: Plan, route: Route) -> dict[str, Any]:
    samples = route.samples
    rows = np.unique(np.linspace(0, len(samples.distance_m) - 1, POINTS).round().astype(int))

    def column(values: Any, digits: int = 0) -> list[Any]:
        picked = np.asarray(values, dtype=float)[rows]
        out = np.round(picked, digits).tolist()
        return [None if v != v else int(v) if digits == 0 else v for v in out]

    shown = figures(route)
    return {
        "id": route.id,
        "key": fingerprint(route),
        "headline": route.headline or headline(route),
        "why": route.why,
        "extras": extras(route),
        "spoken": spoken(route),
        "leaves": clock(route.departs),
        "back": clock(route.departs, route.ride_time_s),
        "length_m": route.length_m,
        "range": shown["range"],
        "time": hours(route.ride_time_s),
        "effort_kj": whole(route.effort_kj),
        "climb_m": whole(route.climb_m),
        "climb_uncertainty_m": whole(route.climb_uncertainty_m),
        "hard_min": minutes(route.hard_s),
        "contact": contact(route),
        "contact_min": minutes(route.contact_s),
        "usable_min": minutes(route.usable_contact_s),
        "dead_min": minutes(route.dead_s),
        "longest_dead_min": minutes(route.longest_dead_s),
        "turns_per_km": round(route.turns_per_km, 1),
        "repeated_m": route.repeated_m,
        "nearby_m": route.nearby_m,
        "battery": whole(route.battery_share * 100),
        "net": has_net(route),
        "sentence": route.chance_sentence,
        "warnings": list(route.warnings),
        "overs": [_span(s) for s in spans(route, route.overs)],
        "dead": [_span(s) for s in spans(route, route.dead_stretches) if s.label],
        "calls": [
            {
                "name": called(place),
                "kind": place.kind,
                "at": clock(route.departs, place.time_s),
                "m": place.distance_m,
                "chance": whole(place.chance * 10) if place.chance == place.chance else None,
                "best": place.best_station,
            }
            for place in calling_places(route)
        ],
        "roads": [[round(r.begin_m), round(r.end_m), r.label] for r in route.road_names],
        "d": column(samples.distance_m),
        "t": column(samples.time_s),
        "x": column(samples.x_m, 1),
        "y": column(samples.y_m, 1),
        "z": column(samples.elevation_m),
        "p": column(samples.chance, 2),
        "walk": column(samples.walking),
        "again": column(samples.repeated),
        "s": {name: column(station.chance, 2) for name, station in samples.stations.items()},
    }


def fingerprint(route: Route) -> str:
    """The same for the same way ridden at the same time, whatever its letter."""
    samples = route.samples
    found = hashlib.blake2b(route.departs.isoformat().encode(), digest_size=8)
    for column in (samples.x_m, samples.y_m):
        found.update(np.ascontiguousarray(np.round(column, 1)).tobytes())
    return found.hexdigest()


def _span(span: Any) -> dict[str, Any]:
    return {
        "label": span.label,
        "from": span.begins,
        "to": span.ends,
        "km": float(span.begin_km),
        "min": span.minutes,
        "where": span.note or span.where,
    }


def _said(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, (list, tuple)):
        return ", ".join(map(_said, value))
    return str(value)
