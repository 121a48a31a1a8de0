"""The report: one HTML file that needs nothing else, on a phone or a desk, on paper, by day or night.

Without scripts everything reads: pictures are drawn into the page as SVG, once for a wide and once for a narrow
screen. With scripts, pointing at a strip shows the place on its map, and the other way round.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files
from typing import Any

import numpy as np

from routeplan.output import look, rows
from routeplan.output.cautions import cautions
from routeplan.output.map import View, base_items, map_scene, map_view
from routeplan.output.scene import Scene, svg
from routeplan.output.strip import strip_scene
from routeplan.output.table import bound_sentence, extras, figures
from routeplan.output.text_strip import spoken
from routeplan.output.trade_off import sentence, trade_off_svg
from routeplan.plan.on_air import beacon_plan, exposure_lines
from routeplan.plan.value import CallingPlace, Plan, Route
from routeplan.plan.words import (
    arrives,
    clock,
    credit,
    day,
    has_net,
    headline,
    hours,
    in_tenths,
    km,
    longest_overs,
    minutes,
    sentence_of,
    whole,
)

WIDE_STRIP, NARROW_STRIP = 1040.0, 344.0
WIDE_MAP, NARROW_MAP = 1040.0, 344.0
POINTS = 240  # places of a ride that strip and map are linked by


def report_html(plan: Plan) -> str:
    """The whole report as one HTML text, under 3 MB for five choices of a day's ride."""
    wide, narrow = map_view(plan, width=WIDE_MAP - 28, left=14.0), map_view(plan, width=NARROW_MAP)
    body = [
        _head(plan),
        _choices(plan),
        *(_route(plan, route, (wide, narrow)) for route in plan.routes),
        _what_if(plan),
        _warnings(plan),
        _cautions(plan),
        _assumptions(plan),
        _method(plan),
    ]
    links = {route.id: _link(plan, route, wide) for route in plan.routes}
    data = json.dumps(links, separators=(",", ":")).replace("</", "<\\/")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n<meta name="referrer" content="no-referrer">\n'
        f'<link rel="icon" href="data:,">\n<title>{escape(plan.title)}</title>\n<style>{_css()}</style>\n'
        "</head>\n<body>\n"
        f"{_ground(plan, wide)}\n<main>\n{''.join(body)}</main>\n"
        f'<script type="application/json" id="links">{data}</script>\n<script>{_part("report.js")}</script>\n'
        "</body>\n</html>\n"
    )


# --- parts -------------------------------------------------------------------------------------------------------


def _head(plan: Plan) -> str:
    when = day(plan.routes[0].departs) if plan.routes else ""
    nets = "".join(
        f"<p>{escape(net.name)}: {net.begins:%H:%M} to {net.ends:%H:%M}, {net.frequency_mhz:.3f} MHz {escape(net.mode)}"
        f"{', control ' + escape(net.control) if net.control else ''}</p>"
        for net in plan.nets
    )
    jump = " ".join(f'<a href="#ride-{escape(r.id)}">{escape(r.id)}</a>' for r in plan.routes)
    return (
        f"<header><h1>{escape(plan.title)}</h1><p>{when}, {escape(str(plan.area.get('name', '')))}</p>{nets}"
        f'<nav class="jump">Choices: {jump} <a href="#cautions">Cautions</a> '
        '<a href="#assumptions">Assumptions</a></nav></header>\n'
    )


def _choices(plan: Plan) -> str:
    if not plan.routes:
        return ""
    parts = ['<section id="choices"><h2>The choices</h2>']
    if len(plan.routes) > 1:
        parts.append(f"<p>{escape(sentence(plan))}</p>")
        said = "".join(map(_reason, plan.routes))
        parts.append('<div class="beside">')
        parts.append(
            _both(trade_off_svg(plan, width=640, css=True), trade_off_svg(plan, width=344, css=True), "chooser")
        )
        parts.append(f'<ul class="whys">{said}</ul></div>')
    kind = "Net minutes in contact" if any(map(has_net, plan.routes)) else "In contact"
    head = ["", "km", "h:min (range)", "Effort, kJ", "Climb, m", kind, "Longest dead"]
    lines = []
    for route in plan.routes:
        f = figures(route)
        lines.append(
            [
                f'<a href="#ride-{escape(route.id)}"><b>{escape(route.id)}</b></a>',
                f["km"],
                f"{f['time']} ({f['range']})",
                f["effort"],
                f["climb"],
                escape(f["contact"]),
                f["dead"],
            ]
        )
    parts.append(_table(head, lines, "figures", raw=True))
    if bound_sentence(plan):
        parts.append(f"<p>{escape(bound_sentence(plan))}</p>")
    parts.append("</section>\n")
    return "".join(parts)


def _reason(route: Route) -> str:
    """One choice in the list beside the chooser; a narrow screen, which has no table, gets the other figures too."""
    f = figures(route)
    more = f"{f['range']} h; {f['effort']} kJ; longest dead {f['dead']}"
    return (
        f'<li><a href="#ride-{escape(route.id)}"><b>{escape(route.id)}</b></a> '
        f"{escape(route.headline or headline(route))}<br>"
        f'{escape(sentence_of(route.why))} <span class="narrow quiet">{more}</span></li>'
    )


def _route(plan: Plan, route: Route, views: tuple[View, View]) -> str:
    said = route.headline or headline(route)
    parts = [
        f'<article id="ride-{escape(route.id)}" data-ride="{escape(route.id)}">',
        f'<h2><span class="ring">{escape(route.id)}</span> {escape(said)}</h2>',
        f"<p>{escape(sentence_of(route.why))} {escape(extras(route))}</p>",
    ]
    parts.append(
        f"<p>Leaves {clock(route.departs)}, {arrives(plan, route)}.{_late(route)}"
        f" Battery used: {whole(route.battery_share * 100)} %.</p>"
    )
    strips = [svg(strip_scene(plan, route, width=w, heading=False), css=True) for w in (WIDE_STRIP, NARROW_STRIP)]
    parts.append(
        f'<figure class="strip">{_both(*strips)}<figcaption>{escape(_strip_caption(plan))}</figcaption></figure>'
    )
    parts.append('<p class="readout" aria-live="off">&nbsp;</p>')
    maps = [
        _on_ground(map_scene(plan, route=route, width=w, heading=False, base=False), view, views[0])
        for w, view in zip((WIDE_MAP, NARROW_MAP), views)
    ]
    parts.append(f'<figure class="map">{_both(*maps)}</figure>')
    parts.append('<div class="columns">')
    if route.overs:
        lines = [
            [s.label, f"{s.begins}-{s.ends}", s.begin_km, f"{s.minutes} min", s.where]
            for s in rows.spans(route, route.overs)
        ]
        parts.append(f"<div><h3>Overs</h3>{_table(['', 'From, to', 'km', 'Time', 'Where'], lines)}</div>")
    if route.dead_stretches:
        lines = [
            [s.label, s.begins, s.ends, s.begin_km, f"{s.minutes} min", s.note or s.where]
            for s in rows.spans(route, route.dead_stretches)
            if s.label
        ]
        parts.append(
            f"<div><h3>Dead stretches</h3>{_table(['', 'Last call', 'Back at', 'km', 'Time', 'Where'], lines)}</div>"
        )
    if route.calling_places:
        parts.append(
            "<div class='full'><h3>Calling places</h3>"
            f"{''.join(_calling(plan, route, place) for place in rows.calling_places(route))}</div>"
        )
    if route.ways_home:
        homes = [
            [
                f"{way.distance_m / 1000:.1f}",
                clock(route.departs, way.time_s),
                km(way.home_m),
                f"{minutes(way.home_s)} min",
                way.text,
            ]
            for way in route.ways_home
        ]
        heads = ["From km", "At", "Home in", "", "By"]
        parts.append(f"<div class='full'><h3>Ways home</h3>{_table(heads, homes, 'homes')}</div>")
    parts.append(f"<div><h3>Ride</h3>{_table(['', ''], _ride_lines(route))}</div>")
    beacons = beacon_plan(plan, route)
    if beacons is not None:
        parts.append(f"<div><h3>Position beacons</h3>{_paragraphs(beacons.lines())}</div>")
    exposure = exposure_lines(plan, route)
    if exposure:
        parts.append(f"<div class='full'><h3>RF exposure screening</h3>{_list(exposure)}</div>")
    parts.append("</div>")
    if route.warnings:
        parts.append(_list(route.warnings, "warn"))
    parts.append(f'<p class="quiet">{escape(spoken(route))}</p></article>\n')
    return "".join(parts)


def _calling(plan: Plan, route: Route, place: CallingPlace) -> str:
    name = rows.called(place)
    named = name if name == place.kind else f"{name} ({place.kind})"
    return (
        f"<p><b>{clock(route.departs, place.time_s)}, km {place.distance_m / 1000:.1f}</b> {escape(named)}: "
        f"call {escape(place.best_station)}, {_in_ten(place.chance)}. "
        f"<span class='quiet'>Nobody answers: {escape(rows.what_if_nobody(plan, route, place))}.</span></p>"
    )


def _strip_caption(plan: Plan) -> str:
    return (
        "Along the time of the ride. Bands: chance of contact in tenths; dark: it hears you, light: you hear it; "
        f"dashed: {in_tenths(plan.contact_chance)}, dotted: 1 in 2. Hatched: quiet zones, where not to transmit."
    )


def _late(route: Route) -> str:
    parts = []
    for late, share in route.late_contact_share:
        if late <= 0:
            continue
        said = f"{whole(share * route.net_s / 60)} net minutes" if has_net(route) else f"{whole(share * 100)} %"
        parts.append(f"{late:g} min late: {said}")
    return f" In contact when {', '.join(parts)}." if parts else ""


def _ride_lines(route: Route) -> list[list[str]]:
    lines = [
        ["Climb", f"{whole(route.climb_m)} m (±{whole(route.climb_uncertainty_m)})"],
        ["Food, for scale", f"{whole(route.food_kcal / 10) * 10} kcal" if route.food_kcal == route.food_kcal else ""],
        ["Hard time", hours(route.hard_s)],
        ["On foot", hours(route.walked_s)],
        ["In contact", hours(route.in_contact_s)],
        ["Contact in overs", hours(route.usable_contact_s)],
        ["Expected contact", hours(route.contact_s)],
        ["Dead", hours(route.dead_s)],
        ["Longest overs in the net", longest_overs(route)],
        ["In quiet zones", km(route.quiet_m) if route.quiet_m == route.quiet_m else ""],
        ["Out and back", km(route.repeated_m)],
        ["Beside ways ridden before", km(route.nearby_m)],
        ["On busy roads", km(route.busy_m) if route.busy_m == route.busy_m else ""],
        ["Turns", f"{route.turns_per_km:.1f} per km"],
    ]
    if has_net(route):
        lines.insert(6, ["Net ridden", f"{minutes(route.net_ridden_s)} of {minutes(route.net_s)} min"])
    if route.unknown_m > 0:
        lines.append(["Without elevation data", km(route.unknown_m)])
    return [line for line in lines if line[1]]


def _what_if(plan: Plan) -> str:
    if not plan.what_if or not plan.routes:
        return ""
    changes = sorted(plan.what_if, key=lambda item: -abs(item[1]))
    lines = [[change, f"{'+' if seconds >= 0 else '-'}{minutes(abs(seconds))} min"] for change, seconds in changes]
    return (
        "<section><h2>What would change the answer most</h2>"
        f"<p>Expected contact on {escape(plan.routes[0].id)}, one change at a time.</p>"
        f"{_table(['Change', 'Contact'], lines)}</section>\n"
    )


def _warnings(plan: Plan) -> str:
    every = [*plan.warnings, *(f"{r.id}: {text}" for r in plan.routes for text in r.warnings)]
    return f'<section id="warnings"><h2>Warnings</h2>{_list(every, "warn")}</section>\n' if every else ""


def _cautions(plan: Plan) -> str:
    lines = "".join(f"<dt>{escape(topic)}</dt><dd>{escape(text)}</dd>" for topic, text in cautions(plan))
    return f'<section id="cautions"><h2>Cautions</h2><dl>{lines}</dl></section>\n'


def _assumptions(plan: Plan) -> str:
    lines = [[a.key, _value(a.value), "guess" if a.guess else "", a.origin] for a in plan.assumptions]
    stations = [
        [s.letter, s.name, s.description, rows.channel(s), "repeater" if s.repeater else ""] for s in plan.stations
    ]
    return (
        '<section id="assumptions"><h2>What the plan rests on</h2><h3>Stations</h3>'
        f"{_table(['', 'Name', 'As reckoned', 'Channel', ''], stations)}<h3>Assumptions</h3>"
        f"<p>Guesses are marked: set them in the ride file where you know better.</p>"
        f"{_table(['Key', 'Value', '', 'Origin'], lines)}</section>\n"
    )


def _value(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}" if abs(value) < 1e6 and value == round(value, 3) else f"{value:.5f}"
    if isinstance(value, list | tuple):
        return ", ".join(map(_value, value))
    return str(value)


def _method(plan: Plan) -> str:
    notes = "".join(f"<p>{escape(sentence_of(note))}</p>" for note in plan.notes)
    return (
        f"<section><h2>How it was found</h2>{notes}<p>Ranges of contact: a common error of 5 dB on all links, "
        "either way; differences under 5 points are not differences. "
        "Ranges of time: one ride in ten is faster, one in ten slower.</p>"
        f'<p class="quiet">{escape(credit(plan))}</p><p class="quiet">Made by routeplan.</p></section>\n'
    )


# --- pieces ------------------------------------------------------------------------------------------------------


def _both(wide: str, narrow: str, kind: str = "") -> str:
    return f'<div class="wide {kind}">{wide}</div><div class="narrow {kind}">{narrow}</div>'


def _table(head: Sequence[str], lines: Iterable[Sequence[str]], kind: str = "", raw: bool = False) -> str:
    """A table; on a narrow screen it scrolls sideways by itself rather than the page."""
    say = (lambda text: text) if raw else escape
    top = "".join(f"<th>{escape(text)}</th>" for text in head)
    body = "".join("<tr>" + "".join(f"<td>{say(cell)}</td>" for cell in line) + "</tr>" for line in lines)
    top = f"<thead><tr>{top}</tr></thead>" if any(head) else ""
    return f'<div class="table"><table class="{kind}">{top}<tbody>{body}</tbody></table></div>'


def _list(items: Iterable[str], kind: str = "") -> str:
    return f'<ul class="{kind}">' + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"


def _paragraphs(lines: Iterable[str]) -> str:
    return "".join(f"<p>{escape(line)}</p>" for line in lines)


def _in_ten(chance: float) -> str:
    return (
        "not known"
        if chance != chance
        else f"{min(9, int(chance * 10 + 0.5))} in 10"
        if chance < 0.95
        else "nearly sure"
    )


def _ground(plan: Plan, view: View) -> str:
    """What lies beneath every map, drawn once and used by all of them."""
    if plan.background is None:
        return ""
    base = Scene(view.width, view.height)
    flat = View(view.west_m, view.north_m, view.scale, 0.0, 0.0, view.width, view.height)
    base.add(*base_items(plan.background, flat, plan.contact_chance))
    drawn = svg(base, css=True)
    inner = drawn[drawn.index(">") + 1 : drawn.rindex("</svg>")]
    return f'<svg class="store" width="0" height="0" aria-hidden="true"><defs><g id="ground">{inner}</g></defs></svg>'


def _on_ground(scene: Scene, view: View, drawn: View) -> str:
    text = svg(scene, css=True)
    cut = text.index("</title>") + len("</title>") if "</title>" in text else text.index(">") + 1
    shift = f"translate({view.left:g} {view.top:g}) scale({view.width / drawn.width:.5f})"
    return f'{text[:cut]}<use href="#ground" transform="{shift}"/>{text[cut:]}'


def _link(plan: Plan, route: Route, view: View) -> dict[str, Any]:
    """Places of the ride for the linked pictures: clock, kilometre, chances, and x, y in parts of the map's frame."""
    s = route.samples
    at = np.linspace(0, s.time_s[-1], POINTS)
    px = view.xy(np.interp(at, s.time_s, s.x_m), np.interp(at, s.time_s, s.y_m))
    parts = (px - (view.left, view.top)) / (view.width, view.height)
    metres = np.interp(at, s.time_s, s.distance_m)
    chances = {}
    for station in plan.stations:
        if station.name in s.stations:
            column = s.stations[station.name].chance
            nearest = np.clip(np.searchsorted(s.time_s, at), 0, len(column) - 1)
            chances[f"{station.letter} {station.name}"] = [
                None if c != c else round(float(c) * 10) for c in column[nearest]
            ]
    return {
        "t": [clock(route.departs, seconds) for seconds in at],
        "km": [round(m / 1000, 1) for m in metres.tolist()],
        "x": np.round(parts[:, 0], 4).tolist(),
        "y": np.round(parts[:, 1], 4).tolist(),
        "c": chances,
        "road": _road_runs(route, metres),
        "shape": round(view.height / view.width, 5),
    }


def _road_runs(route: Route, metres: np.ndarray) -> list[list[Any]]:
    out: list[list[Any]] = []
    for k, distance in enumerate(metres):
        name = rows.road_at(route, float(distance))
        if not out or out[-1][1] != name:
            out.append([k, name])
    return out


def _part(name: str) -> str:
    """Style or script of the page, kept beside this module as files of their own kind."""
    return files("routeplan.output").joinpath(name).read_text(encoding="utf-8")


def _css() -> str:
    light = ";".join(f"--{name}:{value}" for name, value in look.PAPER.items())
    dark = ";".join(f"--{name}:{value}" for name, value in look.NIGHT.items())
    night = f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}"
    return f":root{{{light}}}{night}{_part('report.css')}"
