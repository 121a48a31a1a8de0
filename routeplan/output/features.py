"""What a plan holds as geographic features, once, for GeoJSON, GeoPackage and KML.

Layers: routes (lines), contact (pieces of a route by contact class), stretches (overs, dead, quiet), places
(calling places, landmarks), stations. Coordinates are longitude, latitude, elevation on WGS 84.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import pairwise
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from routeplan.output.map import contact_classes
from routeplan.output.rows import place_at
from routeplan.plan.value import Plan, Route, Samples
from routeplan.plan.words import clock, headline

CLASSES = {2: "in contact", 1: "weak", 0: "dead", -1: "no data"}


@dataclass(frozen=True)
class Feature:
    """One feature: `kind` Point or LineString; coordinates as GeoJSON has them; flat properties."""

    layer: str
    kind: str
    coordinates: list[Any]
    properties: dict[str, Any]


def _position(latitude: float, longitude: float, elevation: float = np.nan) -> list[float]:
    out = [round(longitude, 6), round(latitude, 6)]
    return [*out, round(elevation, 1)] if elevation == elevation else out


def _line(samples: Samples, begin_m: float, end_m: float) -> list[list[float]]:
    """Positions from one distance to another: the ends exactly, every sample between."""
    inner = np.flatnonzero((samples.distance_m > begin_m) & (samples.distance_m < end_m))
    rows = np.stack([samples.latitude_deg, samples.longitude_deg, samples.elevation_m], axis=1)[inner].tolist()
    line = [_position(*row) for row in [place_at(samples, begin_m), *rows, place_at(samples, end_m)]]
    if len({len(position) for position in line}) > 1:  # never two and three numbers in one line
        line = [position[:2] for position in line]
    return line


def features(plan: Plan) -> list[Feature]:
    """Every feature of the plan, layer by layer."""
    out: list[Feature] = []
    for route in plan.routes:
        out.append(
            Feature("routes", "LineString", _line(route.samples, 0.0, route.samples.distance_m[-1]), _about(route))
        )
    for route in plan.routes:
        out += _contact(plan, route)
    for route in plan.routes:
        for kind, stretches in (("over", route.overs), ("dead", route.dead_stretches), ("quiet", route.quiet_zones)):
            for s in stretches:
                about = {
                    "route": route.id,
                    "kind": kind,
                    "label": s.label,
                    "note": s.note,
                    "begin_m": round(s.begin_m, 1),
                    "end_m": round(s.end_m, 1),
                    "begins": clock(route.departs, s.begin_s),
                    "ends": clock(route.departs, s.end_s),
                }
                out.append(Feature("stretches", "LineString", _line(route.samples, s.begin_m, s.end_m), about))
    for route in plan.routes:
        for place in route.calling_places:
            about = {
                "route": route.id,
                "name": place.name,
                "kind": place.kind,
                "distance_m": round(place.distance_m, 1),
                "time": clock(route.departs, place.time_s),
                "chance": _known(place.chance),
                "station": place.best_station,
            }
            out.append(Feature("places", "Point", _position(place.latitude_deg, place.longitude_deg), about))
    for station in plan.stations:
        about = {
            "name": station.name,
            "letter": station.letter,
            "description": station.description,
            "frequency_mhz": station.frequency_mhz,
            "repeater": station.repeater,
        }
        out.append(Feature("stations", "Point", _position(station.latitude_deg, station.longitude_deg), about))
    return out


def _known(value: float) -> float | None:
    return round(value, 4) if value == value else None


def _about(route: Route) -> dict[str, Any]:
    return {
        "route": route.id,
        "headline": route.headline or headline(route),
        "why": route.why,
        "departs": route.departs.isoformat(),
        "length_m": route.length_m,
        "ride_time_s": route.ride_time_s,
        "effort_kj": route.effort_kj,
        "climb_m": route.climb_m,
        "contact_share": _known(route.contact_share),
        "contact_s": route.contact_s,
        "longest_dead_s": route.longest_dead_s,
    }


def _contact(plan: Plan, route: Route) -> list[Feature]:
    kinds = contact_classes(route.samples, plan.contact_chance)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(kinds)) + 1, [len(kinds)]])
    out = []
    for a, b in pairwise(edges):
        begin, end = float(route.samples.distance_m[a]), float(route.samples.distance_m[b])
        about = {
            "route": route.id,
            "contact": CLASSES[int(kinds[a])],
            "begin_m": round(begin, 1),
            "end_m": round(end, 1),
        }
        out.append(Feature("contact", "LineString", _line(route.samples, begin, end), about))
    return out


def geojson(plan: Plan) -> str:
    """One FeatureCollection (RFC 7946): WGS 84, longitude first, no crs member."""
    document = {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": {"layer": f.layer, **f.properties},
                "geometry": {"type": f.kind, "coordinates": f.coordinates},
            }
            for f in features(plan)
        ],
    }
    return json.dumps(document, allow_nan=False, ensure_ascii=False, separators=(",", ":")) + "\n"


def write_geopackage(plan: Plan, path: Any) -> None:
    """A GeoPackage (OGC 12-128) with one layer for each kind of feature, EPSG:4326."""
    import pyogrio
    import shapely

    every = features(plan)
    for number, layer in enumerate(dict.fromkeys(f.layer for f in every)):
        rows = [f for f in every if f.layer == layer]
        shapes = [shapely.LineString if f.kind == "LineString" else shapely.Point for f in rows]
        flat = np.array([make(_flat(f)) for make, f in zip(shapes, rows)], dtype=object)
        names = list(rows[0].properties)
        columns = [_field([f.properties[name] for f in rows]) for name in names]
        pyogrio.raw.write(
            str(path),
            shapely.to_wkb(flat),
            columns,
            names,
            geometry_type=rows[0].kind,
            crs="EPSG:4326",
            driver="GPKG",
            layer=layer,
            append=number > 0,
        )


def _flat(feature: Feature) -> Any:
    points = feature.coordinates if feature.kind == "LineString" else [feature.coordinates]
    flat = [position[:2] for position in points]
    return flat if feature.kind == "LineString" else flat[0]


def _field(values: list[Any]) -> np.ndarray:
    if all(isinstance(value, bool) for value in values):
        return np.array(values, dtype=bool)
    if all(isinstance(value, int | float) or value is None for value in values):
        return np.array([np.nan if value is None else value for value in values], dtype=float)
    return np.array([None if value is None else str(value) for value in values], dtype=object)


KML_LINES = {"in contact": 5, "weak": 2, "dead": 1, "no data": 1}  # widths; the class is the name too


def kml(plan: Plan) -> str:
    """KML 2.2 (OGC 07-147r2): a folder for each choice with its line by contact, overs and dead stretches; stations."""
    styles = [
        f'<Style id="{name.replace(" ", "-")}"><LineStyle><color>ff332a1f</color><width>{width}</width></LineStyle>'
        "</Style>"
        for name, width in KML_LINES.items()
    ]
    every = features(plan)
    folders = []
    for route in plan.routes:
        marks = []
        for f in every:
            about = f.properties
            if about.get("route") != route.id:
                continue
            if f.layer == "contact":
                marks.append(_placemark(about["contact"], "", f, about["contact"].replace(" ", "-")))
            elif f.layer == "stretches" and about["kind"] != "quiet":
                marks.append(
                    _placemark(f"{about['kind']} {about['label']}", f"{about['begins']} to {about['ends']}", f, None)
                )
            elif f.layer == "places":
                marks.append(_placemark(about["name"] or about["kind"], f"{about['kind']}, {about['time']}", f, None))
        name, text = f"{route.id}  {route.headline or headline(route)}", route.why
        folders.append(
            f"<Folder><name>{escape(name)}</name><description>{escape(text)}</description>{''.join(marks)}</Folder>"
        )
    stations = [
        _placemark(f.properties["name"], f.properties["description"], f, None) for f in every if f.layer == "stations"
    ]
    folders.append(f"<Folder><name>stations</name>{''.join(stations)}</Folder>")
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<name>{escape(plan.title)}</name>{''.join(styles)}{''.join(folders)}</Document></kml>\n"
    )


def _placemark(name: str, text: str, feature: Feature, style: str | None) -> str:
    points = feature.coordinates if feature.kind == "LineString" else [feature.coordinates]
    where = " ".join(",".join(map(str, position)) for position in points)
    url = f"<styleUrl>#{style}</styleUrl>" if style else ""
    body = (
        f"<tessellate>1</tessellate><coordinates>{where}</coordinates>"
        if feature.kind == "LineString"
        else f"<coordinates>{where}</coordinates>"
    )
    said = f"<description>{escape(text)}</description>" if text else ""
    return f"<Placemark><name>{escape(name)}</name>{said}{url}<{feature.kind}>{body}</{feature.kind}></Placemark>"
