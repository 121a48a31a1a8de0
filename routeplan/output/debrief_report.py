"""The report of a debrief: one HTML file that needs nothing else. What it says stands first, figures follow."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

import numpy as np

from routeplan.output import report
from routeplan.output.debrief_map import debrief_map_scene
from routeplan.output.debrief_strip import HOW, debrief_strip_scene
from routeplan.output.look import BODY, SMALL
from routeplan.output.scene import Room, Scene, Text, svg
from routeplan.plan.debriefed import Debrief
from routeplan.plan.words import clock, hours, km

WIDE, NARROW = 1040.0, 344.0
LISTED = 400  # reports in the table; more stand in heard.csv


def debrief_html(found: Debrief) -> str:
    """The whole report as one HTML text."""
    body = "".join(
        part(found)
        for part in (_head, _said, _strip, _map, _chances, _groups, _learnt, _ride, _reports, _files, _method)
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n<meta name="referrer" content="no-referrer">\n'
        f'<link rel="icon" href="data:,">\n<title>{escape(found.plan.title)}</title>\n<style>{report._css()}</style>\n'
        f"</head>\n<body>\n<main>\n{body}</main>\n</body>\n</html>\n"
    )


def _head(found: Debrief) -> str:
    route = found.plan.routes[0]
    area = escape(str(found.plan.area.get("name", "")))
    return (
        f"<header><h1>{escape(found.plan.title)}</h1><p>{km(route.length_m)}, {hours(route.ride_time_s)}, {area}. "
        f"{escape(route.why)}</p></header>\n"
    )


def _said(found: Debrief) -> str:
    changed = ""
    if found.changes:
        changed = f"<h3>Changed since last time</h3>{_list(found.changes)}"
    warned = f"<h3>Warnings</h3>{_list(found.warnings, 'warn')}" if found.warnings else ""
    return f'<section id="said"><h2>What the ride says</h2>{_list(found.sentences)}{changed}{warned}</section>\n'


def _strip(found: Debrief) -> str:
    wide, narrow = (svg(debrief_strip_scene(found, width=w, heading=False), css=True) for w in (WIDE, NARROW))
    return (
        f'<section><h2>Predicted and heard</h2><figure class="strip">{_both(wide, narrow)}'
        f"<figcaption>{escape(HOW)}</figcaption></figure></section>\n"
    )


def _map(found: Debrief) -> str:
    wide, narrow = (svg(debrief_map_scene(found, width=w), css=True) for w in (WIDE, NARROW))
    lines = [[str(k), clock(found.began, s.begin_s), s.sentence] for k, s in enumerate(found.surprises, 1)]
    table = _table(["", "From", "Surprise"], lines) if lines else "<p>No part of the ride was a surprise.</p>"
    caption = "Discs: worked. Rings: not. The larger, the less it was expected. Beacons only where they surprise."
    return (
        f'<section><h2>Where it surprised</h2><figure class="map">{_both(wide, narrow)}'
        f"<figcaption>{caption}</figcaption></figure>{table}</section>\n"
    )


def _chances(found: Debrief) -> str:
    r = found.reliability
    if not r.tenths:
        return ""
    picture = svg(reliability_scene(found, width=344.0), css=True)
    lines = [
        [
            f"{t.low * 10:.0f} to {t.high * 10:.0f}",
            str(t.reports),
            f"{t.predicted * 100:.0f} %",
            f"{t.worked * 100:.0f} %",
            f"{t.low_share * 100:.0f} to {t.high_share * 100:.0f} %",
        ]
        for t in r.tenths
    ]
    return (
        "<section><h2>Did the chances hold?</h2>"
        f"<p>Of {r.reports} reports. Brier score {r.brier:.3f}; always saying the mean would have "
        f"{r.brier_of_the_mean:.3f}. "
        "Worked means R3 or better in what was tried.</p>"
        f'<div class="beside"><div>{picture}</div>'
        f"{_table(['Chance, tenths', 'Reports', 'Predicted', 'Worked', 'In tune'], lines)}</div></section>\n"
    )


def reliability_scene(found: Debrief, *, width: float = 344.0) -> Scene:
    """Share worked against predicted chance: on the diagonal the chances hold; bars are what chance alone would do."""
    left, top, side = 44.0, 12.0, width - 64.0
    scene = Scene(width, top + side + 44.0, "Reliability: share of reports worked against predicted chance")
    room = Room(scene)
    base = top + side
    scene.line([(left, base), (left + side, top)], "hair", 1.0, dash=(4.0, 2.5))
    most = max((t.reports for t in found.reliability.tenths), default=1)
    for t in found.reliability.tenths:
        x = left + t.predicted * side
        scene.line([(x, base - t.low_share * side), (x, base - t.high_share * side)], "hair", 1.2)
        scene.disc(x, base - t.worked * side, 2.5 + 5.0 * float(np.sqrt(t.reports / most)), "ink")
    scene.line([(left, top), (left, base), (left + side, base)], width=1.0)
    for k in range(0, 11, 2):
        at = left + side * k / 10
        scene.line([(at, base), (at, base + 4)], width=1.0)
        room.put([Text(at, base + 5 + SMALL, str(k), SMALL, anchor="middle")])
        scene.line([(left - 4, base - side * k / 10), (left, base - side * k / 10)], width=1.0)
        room.put([Text(left - 7, base - side * k / 10 + 3, str(k), SMALL, anchor="end")])
    room.put([Text(left + side / 2, base + 22 + BODY, "predicted chance, tenths", SMALL, "quiet", anchor="middle")])
    room.put([Text(left + 4, top + SMALL, "worked, tenths", SMALL, "quiet")])
    return scene


def _groups(found: Debrief) -> str:
    if not found.groups:
        return ""
    lines = [
        [
            g.kind,
            g.name,
            str(g.reports),
            f"{g.worked}",
            f"{g.expected:.1f}",
            _db(g.bias.value),
            f"{_db(g.bias.low)} to {_db(g.bias.high)}",
            f"{g.spread.value:.0f}",
        ]
        for g in found.groups
    ]
    head = ["", "Group", "Reports", "Worked", "Expected", "Out by, dB", "80 % range", "Scatter, dB"]
    return (
        "<section><h2>Where it was out</h2><p>Truth less prediction: above zero, better than predicted.</p>"
        f"{_table(head, lines)}</section>\n"
    )


def _learnt(found: Debrief) -> str:
    rows = [(name, f"{_db(e.value)} dB", f"{_db(e.low)} to {_db(e.high)}", e) for name, e in found.station_estimates]
    e = found.residual
    rows.append(("scatter", f"{e.value:.1f} dB", f"{e.low:.1f} to {e.high:.1f}", e))
    e = found.cover
    rows.append(("height of woods and houses", f"{e.value:.2f} times", f"{e.low:.2f} to {e.high:.2f}", e))
    lines = [[*said, str(e.reports), str(e.rides), "yes" if e.learnt else "too little"] for *said, e in rows]
    return (
        "<section><h2>What is learnt</h2><p>Name <code>learnt.toml</code> in a ride file, and the next plan uses it: "
        '<code>learnt = "learnt.toml"</code>, first line. Ranges hold the truth in 8 cases of 10.</p>'
        f"{_table(['', 'Value', '80 % range', 'Reports', 'Rides', 'Used'], lines)}</section>\n"
    )


def _ride(found: Debrief) -> str:
    ride = found.ride
    lines = []
    for v in ride.values:
        digits = 2 if v.used < 5 else 0
        e = v.estimate
        lines.append(
            [
                v.key,
                f"{v.used:.{digits}f}",
                f"{e.value:.{digits}f}",
                f"{e.low:.{digits}f} to {e.high:.{digits}f}",
                "stated by you" if v.stated else "yes" if e.learnt else "too little",
            ]
        )
    return (
        f"<section><h2>Legs and clock</h2><p>From {ride.stretches} stretches of half a kilometre.</p>"
        f"{_table(['', 'Used', 'By the clock', '80 % range', 'Learnt'], lines)}</section>\n"
    )


def _reports(found: Debrief) -> str:
    shown = [h for h in found.heard if not h.beacon][:LISTED]
    lines = [
        [
            clock(found.began, h.time_s),
            f"{h.distance_m / 1000:.1f}",
            h.station,
            h.words,
            _tenths(h.chance),
            f"{_db(h.margin_to_db)} / {_db(h.margin_from_db)}",
            _db(h.surprise, 1),
        ]
        for h in shown
    ]
    if not lines:
        return ""
    head = ["Time", "km", "Station", "Report", "Chance", "Margin to / from, dB", "Surprise, spreads"]
    return f"<section><h2>Reports</h2>{_table(head, lines, '')}</section>\n"


def _files(found: Debrief) -> str:
    parts = []
    for source in found.sources:
        said = f"{source.name}: {source.kind}, {source.used} used, {len(source.wrong)} not used"
        said += f", {source.left_out} lines of other kinds" if source.left_out else ""
        parts.append(f"<h3>{escape(said)}</h3>{_list([*source.notes, *source.wrong[:40]])}")
        if len(source.wrong) > 40:
            parts.append(f"<p>and {len(source.wrong) - 40} more.</p>")
    return f"<section><h2>Files of reports</h2>{''.join(parts)}</section>\n" if parts else ""


def _method(found: Debrief) -> str:
    lines = [[a.key, str(a.value), a.origin] for a in found.plan.assumptions]
    return (
        "<section><h2>How it was done</h2><p>The track was put on the streets and predicted as if planned. A report "
        "counts as what it says: R5 that the margin was some 10 dB or more, no answer that it was short or nobody was "
        "there. docs/debrief.md has the method.</p><details><summary>What the prediction rests on</summary>"
        f"{_table(['Key', 'Value', 'Origin'], lines)}</details>"
        f'<p class="quiet">{escape("; ".join(map(str, found.plan.area.get("attribution", []))))}</p>'
        '<p class="quiet">Made by routeplan.</p></section>\n'
    )


def _db(value: float, digits: int = 0) -> str:
    return "" if not np.isfinite(value) else f"{value:+.{digits}f}"


def _tenths(chance: float) -> str:
    return "" if not np.isfinite(chance) else f"{chance * 10:.0f}"


def _both(wide: str, narrow: str) -> str:
    return f'<div class="wide">{wide}</div><div class="narrow">{narrow}</div>'


def _table(head: Sequence[str], lines: Iterable[Sequence[str]], kind: str = "words") -> str:
    """A table; on a phone the lines of its cells may be broken, or it scrolls by itself (kind "")."""
    top = "".join(f"<th>{escape(text)}</th>" for text in head)
    rows = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in line) + "</tr>" for line in lines)
    return f'<div class="table"><table class="{kind}"><thead><tr>{top}</tr></thead><tbody>{rows}</tbody></table></div>'


def _list(items: Iterable[str], kind: str = "") -> str:
    return f'<ul class="{kind}">' + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"
