"""GPX 1.1: the exact line as a track, and at most 50 named waypoints that a head unit can show.

Names are ASCII and short, since head units cut or garble others. Times are UTC.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from datetime import UTC
from xml.sax.saxutils import escape

import numpy as np

from routeplan.output.rows import called, calling_places, place_at
from routeplan.plan.value import Plan, Route, Samples
from routeplan.plan.words import after, clock, headline, minutes, net_window

MOST_WAYPOINTS = 50
LONGEST_NAME = 15  # characters; judgement from what small displays show
_SPECIAL = str.maketrans(
    {
        "ø": "o",
        "Ø": "O",
        "ł": "l",
        "Ł": "L",
        "ß": "ss",
        "æ": "ae",
        "Æ": "AE",
        "œ": "oe",
        "Œ": "OE",
        "đ": "d",
        "Đ": "D",
        "ð": "d",
        "þ": "th",
        "ı": "i",
        "'": "",
        "’": "",
        "–": "-",
        "—": "-",
    }
)


@dataclass(frozen=True)
class Waypoint:
    """A named place along a route; `rank` 0 is kept first when there are too many."""

    name: str
    description: str
    distance_m: float
    rank: int


def ascii_name(text: str, longest: int = LONGEST_NAME) -> str:
    """`text` in ASCII, at most `longest` characters, without what is not a letter, digit or plain sign."""
    plain = unicodedata.normalize("NFKD", text.translate(_SPECIAL)).encode("ascii", "ignore").decode()
    kept = "".join(c if c.isalnum() or c in " -/+." else " " for c in plain)
    return " ".join(kept.split())[:longest].strip()


def waypoints(plan: Plan, route: Route) -> list[Waypoint]:
    """What to mark along the route, by distance: start, net, overs, dead stretches, calling places, lights."""
    samples = route.samples
    found = [Waypoint("START", f"leave {clock(route.departs)}", 0.0, 0)]
    for net, (begin, end) in zip(plan.nets, net_window(route, plan)):
        for seconds, word in ((begin, "on"), (end, "ends")):
            if 0 <= seconds <= samples.time_s[-1]:
                name = ascii_name(f"NET {word.upper()} {clock(route.departs, seconds).replace(':', '')}")
                found.append(
                    Waypoint(name, f"{net.name} {word}, {net.frequency_mhz:g} MHz", _metres(samples, seconds), 0)
                )
    for over in route.overs:
        long = minutes(over.end_s - over.begin_s)
        found.append(
            Waypoint(f"OVER {over.label}", f"over {over.label}: {long} min in contact from here", over.begin_m, 1)
        )
    for dead in route.dead_stretches:
        if not dead.label:
            continue  # too short to act on
        long = minutes(dead.end_s - dead.begin_s)
        found.append(
            Waypoint(f"DEAD {dead.label}", f"last call: {long} min without contact from here", dead.begin_m, 1)
        )
        found.append(Waypoint(f"BACK {dead.label}", "back in contact", dead.end_m, 2))
    for number, place in enumerate(calling_places(route), 1):
        name = ascii_name(f"C{number} {called(place)}")
        found.append(Waypoint(name, f"{place.kind}: stop and call {place.best_station}", place.distance_m, 3))
    if route.lights_from_s is not None:
        found.append(
            Waypoint("LIGHTS ON", clock(route.departs, route.lights_from_s), _metres(samples, route.lights_from_s), 2)
        )
    for number, way in enumerate(route.ways_home, 1):
        found.append(Waypoint(f"WAY HOME {number}", way.text, way.distance_m, 4))
    best = sorted(range(len(found)), key=lambda k: (found[k].rank, found[k].distance_m))[:MOST_WAYPOINTS]
    return sorted((found[k] for k in best), key=lambda w: w.distance_m)


def _metres(samples: Samples, seconds: float) -> float:
    return float(np.interp(seconds, samples.time_s, samples.distance_m))


def gpx(plan: Plan, route: Route) -> str:
    """One route as GPX 1.1 text (schema http://www.topografix.com/GPX/1/1/gpx.xsd).

    Order inside as the schema asks: metadata, waypoints, track. Track points carry planned times.
    """
    samples = route.samples
    title = f"{plan.title} - {route.id}"
    low = samples.latitude_deg.min(), samples.longitude_deg.min()
    high = samples.latitude_deg.max(), samples.longitude_deg.max()
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="routeplan" xmlns="http://www.topografix.com/GPX/1/1" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        'xsi:schemaLocation="http://www.topografix.com/GPX/1/1 http://www.topografix.com/GPX/1/1/gpx.xsd">',
        f"<metadata><name>{escape(title)}</name><desc>{escape(route.headline or headline(route))}</desc>"
        f"<time>{_utc(route, 0.0)}</time>"
        f'<bounds minlat="{low[0]:.6f}" minlon="{low[1]:.6f}" maxlat="{high[0]:.6f}" maxlon="{high[1]:.6f}"/>'
        "</metadata>",
    ]
    for mark in waypoints(plan, route):
        latitude, longitude, up = place_at(samples, mark.distance_m)
        lines.append(
            f'<wpt lat="{latitude:.6f}" lon="{longitude:.6f}">{_elevation(up)}<name>{escape(mark.name)}</name>'
            f"<desc>{escape(mark.description)}</desc></wpt>"
        )
    lines.append(
        f"<trk><name>{escape(ascii_name(title, 40))}</name><desc>{escape(route.why)}</desc><type>cycling</type><trkseg>"
    )
    begin = route.departs.astimezone(UTC).timestamp()
    stamps = np.datetime_as_string(np.round(begin + samples.time_s).astype("datetime64[s]"), unit="s")
    rows = zip(
        samples.latitude_deg.tolist(), samples.longitude_deg.tolist(), samples.elevation_m.tolist(), stamps.tolist()
    )
    lines += [f'<trkpt lat="{a:.6f}" lon="{b:.6f}">{_elevation(z)}<time>{t}Z</time></trkpt>' for a, b, z, t in rows]
    lines.append("</trkseg></trk></gpx>")
    return "\n".join(lines) + "\n"


def _elevation(metres: float) -> str:
    return f"<ele>{metres:.1f}</ele>" if metres == metres else ""


def _utc(route: Route, seconds: float) -> str:
    return after(route.departs, seconds).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
