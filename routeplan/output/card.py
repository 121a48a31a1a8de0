"""The ride card: one A5 sheet, two sides, to read at arm's length at a stop. Black and white, 12 points or more.

Front: what to do when, on time and 15 minutes late, with boxes to tick at every over. Back: the strip, calling
places, ways home, what to say in an emergency, cautions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from routeplan.output import rows
from routeplan.output.cautions import CARD
from routeplan.output.look import PRINT
from routeplan.output.scene import Scene, pdf, shortened, text_width, wrapped
from routeplan.output.strip import KINDS, brief_strip_scene
from routeplan.plan.value import CallingPlace, Plan, Route
from routeplan.plan.words import arrives, clock, day, frequency, headline, minutes, net_window

WIDTH, HEIGHT = 420.0, 595.0  # A5 in points
EDGE = 16.0
TYPE, LEAD = 12.0, 15.6
INNER = WIDTH - 2 * EDGE
SMALLEST_STRIP = 9.5  # pixels of the strip's smallest letters, before it is scaled to TYPE
TICKS = ("clear", "noisy", "no answer")


@dataclass(frozen=True)
class Row:
    """One line of the running order. `rank` 0 is never left out; larger ranks go first when space is short."""

    distance_m: float
    time_s: float
    text: str
    rank: int
    fixed: bool = False  # wall time that does not move when the ride is late
    tick: bool = False
    strong: bool = False
    lasts_s: float = 0.0  # among rows of one rank the longest stay longest


def card_pdf(plan: Plan, route: Route) -> bytes:
    """The card of one choice as a PDF of two A5 pages."""
    return pdf(card_scenes(plan, route), title=f"{plan.title} - {route.id}", palette=PRINT)


def card_scenes(plan: Plan, route: Route) -> list[Scene]:
    """Front and back."""
    return [_front(plan, route), _back(plan, route)]


def running_order(plan: Plan, route: Route) -> list[Row]:
    """Everything there is to do or pass, by distance."""
    samples, out = route.samples, []

    def metres(seconds: float) -> float:
        return float(np.interp(seconds, samples.time_s, samples.distance_m))

    for mark in route.landmarks:
        rank = 2 + (KINDS.index(mark.kind) if mark.kind in KINDS else len(KINDS))
        ends = mark.distance_m < 200 or mark.distance_m > samples.distance_m[-1] - 200
        out.append(Row(mark.distance_m, mark.time_s, mark.name, 0 if ends else rank))
    for begin, end in net_window(route, plan):
        for seconds, word in ((begin, "begins"), (end, "ends")):
            if 0 <= seconds <= samples.time_s[-1]:
                out.append(Row(metres(seconds), seconds, f"NET {word}", 0, fixed=True, strong=True))
    for over in route.overs:
        station = rows.best_station(plan, route, over.begin_m, over.end_m)
        who = f", {station.letter}" if station is not None else ""
        long = max(1, minutes(over.end_s - over.begin_s))
        text = f"over {over.label} to {clock(route.departs, over.end_s)}, {long} min{who}"
        out.append(Row(over.begin_m, over.begin_s, text, 1, tick=True, strong=True, lasts_s=over.end_s - over.begin_s))
    for dead in route.dead_stretches:
        if not dead.label:
            continue  # too short to act on
        out.append(
            Row(
                dead.begin_m,
                dead.begin_s,
                f"dead {dead.label}: last call before, back {clock(route.departs, dead.end_s)}",
                1,
                lasts_s=dead.end_s - dead.begin_s,
            )
        )
        out.append(Row(dead.end_m, dead.end_s, f"back in contact after {dead.label}", 3))  # its time was told above
    for stop in rows.stops(route):
        out.append(Row(stop.distance_m, stop.begin_s, f"stop {minutes(stop.lasts_s)} min", 1, lasts_s=stop.lasts_s))
    for number, place in enumerate(rows.calling_places(route), 1):
        out.append(Row(place.distance_m, place.time_s, f"call {number}: {rows.called(place)}", 2))
    if route.lights_from_s is not None and route.lights_from_s < samples.time_s[-1]:
        out.append(Row(metres(route.lights_from_s), route.lights_from_s, "lights on", 1, fixed=True))
    return sorted(out, key=lambda row: (row.distance_m, row.time_s, row.rank, row.text))


def kept(order: list[Row], most: int) -> list[Row]:
    """At most `most` rows: those of the highest rank are left out first, of one rank the shortest."""
    if len(order) <= most:
        return order
    best = sorted(range(len(order)), key=lambda k: (order[k].rank, -order[k].lasts_s, k))[:most]
    return [order[k] for k in sorted(best)]


class _Page:
    """A page under construction, from the top down."""

    def __init__(self, title: str) -> None:
        self.scene = Scene(WIDTH, HEIGHT, title)
        self.y = EDGE

    def text(self, text: str, *, bold: bool = False, indent: float = 0.0, most: int = 3) -> None:
        """Lines of text, wrapped; at most `most` of them."""
        lines = wrapped(text, TYPE, INNER - indent, bold)
        if len(lines) > most:
            lines = [*lines[: most - 1], shortened(" ".join(lines[most - 1 :]), TYPE, INNER - indent, bold)]
        for line in lines:
            self.y += LEAD
            self.scene.text(EDGE + indent, self.y - 3.5, shortened(line, TYPE, INNER - indent, bold), TYPE, bold=bold)

    def head(self, text: str) -> None:
        self.y += 4
        self.text(text, bold=True, most=1)
        self.scene.line([(EDGE, self.y), (WIDTH - EDGE, self.y)], width=0.8)

    def room(self) -> float:
        return HEIGHT - EDGE - self.y


def _front(plan: Plan, route: Route) -> Scene:
    page = _Page(f"Ride card {route.id}, front")
    scene = page.scene
    r = 11.0
    scene.disc(EDGE + r, EDGE + r + 1, r, "paper", edge="ink", width=1.8)
    scene.text(EDGE + r, EDGE + r + 6, route.id, 13, bold=True, anchor="middle")
    lines = wrapped(route.headline or headline(route), 13.0, INNER - 2 * r - 8, True)
    for k, line in enumerate(lines):
        scene.text(EDGE + 2 * r + 8, EDGE + 13 + 16 * k, line, 13, bold=True)
    page.y = EDGE + max(16.0 * len(lines), 2 * r) + 4
    page.text(
        f"{day(route.departs)}, leave {clock(route.departs)}, {arrives(plan, route)}",
        most=1,
    )
    for net in plan.nets:
        control = f", control {net.control}" if net.control else ""
        page.text(
            f"NET {net.begins:%H:%M}-{net.ends:%H:%M} {frequency(net.frequency_mhz)} {net.mode}{control}",
            bold=True,
            most=2,
        )
    fallback = next((s for s in plan.stations if s.repeater), None)
    for station in plan.stations[:4]:
        page.text(
            f"{station.letter}  {station.name}: {rows.channel(station)}"
            + (" (fallback)" if station is fallback else ""),
            most=2,
        )
    page.y += 3
    _table(page, plan, route)
    return scene


def _table(page: _Page, plan: Plan, route: Route) -> None:
    scene = page.scene
    ticks = [EDGE + 14.0 * k for k in range(3)]
    on_time, late, length, what = EDGE + 82.0, EDGE + 124.0, EDGE + 164.0, EDGE + 172.0
    page.y += LEAD
    for x, text in ((on_time, "time"), (late, "late"), (length, "km")):
        scene.text(x, page.y - 4, text, TYPE, anchor="end", bold=True)
    for x, text in zip(ticks, ("c", "n", "0")):
        scene.text(x + 5, page.y - 4, text, TYPE, anchor="middle", bold=True)
    scene.line([(EDGE, page.y), (WIDTH - EDGE, page.y)], width=1.0)
    most = int((page.room() - 2 * LEAD - 6) / LEAD)
    for row in kept(running_order(plan, route), most):
        page.y += LEAD
        base = page.y - 4
        if row.tick:
            for x in ticks:
                scene.line(
                    [(x, base - 9), (x + 10, base - 9), (x + 10, base + 1), (x, base + 1), (x, base - 9)], width=0.9
                )
        shift = 0.0 if row.fixed else rows.LATE_S
        for x, text in (
            (on_time, clock(route.departs, row.time_s)),
            (late, clock(route.departs, row.time_s + shift)),
            (length, f"{row.distance_m / 1000:.1f}"),
        ):
            scene.text(x, base, text, TYPE, anchor="end", bold=row.strong and x == on_time)
        scene.text(what, base, shortened(row.text, TYPE, WIDTH - EDGE - what, row.strong), TYPE, bold=row.strong)
        scene.line([(EDGE, page.y), (WIDTH - EDGE, page.y)], "hair", 0.4)
    page.y = HEIGHT - EDGE - 2 * LEAD
    page.text("Tick at each over: c clear, n noisy, 0 no answer.", most=1)
    page.text("late: 15 minutes behind. Net times do not move.", most=1)


def _back(plan: Plan, route: Route) -> Scene:
    page = _Page(f"Ride card {route.id}, back")
    scale = TYPE / SMALLEST_STRIP
    strip = brief_strip_scene(plan, route, width=INNER / scale)
    page.scene.place(strip, EDGE, page.y, scale)
    page.y += strip.height * scale + 2
    footer = wrapped(CARD, TYPE, INNER)
    emergency = [line for spot in rows.emergency_spots(plan, route, 3) for line in _spot_lines(spot)]
    homes = [
        f"km {way.distance_m / 1000:.1f}: {way.home_m / 1000:.1f} km, {minutes(way.home_s)} min by {way.text}"
        for way in route.ways_home[:3]
    ]
    longest = 2 if len(rows.calling_places(route)) < 3 else 1  # lines of a way home; the report has all of it
    home_lines = [wrapped(text, TYPE, INNER)[:longest] for text in homes]
    need = LEAD * (len(footer) + len(emergency) + 1) + 8 + (LEAD * (1 + sum(map(len, home_lines))) + 4 if homes else 0)
    _calling(page, plan, route, page.room() - need - 10)
    if homes:
        page.head("Ways home")
        for text in homes:
            page.text(text, most=longest)
    page.head("Emergency: telephone first (112)")
    for line in emergency:
        page.text(line, most=1)
    page.y = HEIGHT - EDGE - LEAD * len(footer)
    page.scene.line([(EDGE, page.y), (WIDTH - EDGE, page.y)], width=0.8)
    page.text(CARD, most=4)
    return page.scene


def _calling(page: _Page, plan: Plan, route: Route, space: float) -> None:
    """Calling places with their last resort each; as many as there is room for, those near the net first."""
    places = list(enumerate(rows.calling_places(route), 1))
    if not places or space < 4 * LEAD:
        return
    page.head("Calling places")
    space -= LEAD + 4
    general = "Nobody answers: move a metre, hold the set high, full power, then as after the arrow."
    page.text(general)
    most = int((space - LEAD * len(wrapped(general, TYPE, INNER))) / LEAD)
    windows = net_window(route, plan)

    def order(item: tuple[int, CallingPlace]) -> tuple[bool, float]:
        inside = any(begin <= item[1].time_s <= end for begin, end in windows)
        return (not inside, -item[1].chance if item[1].chance == item[1].chance else 0.0)

    for number, place in sorted(sorted(places, key=order)[:most]):
        last = rows.last_resort(plan, route, place, brief=True)
        name = shortened(rows.called(place), TYPE, 130)
        page.text(
            f"{number}  {clock(route.departs, place.time_s)} {name}: {_letter(plan, place.best_station)} > {last}",
            most=1,
        )


def _letter(plan: Plan, name: str) -> str:
    return next((s.letter for s in plan.stations if s.name == name), name)


def _spot_lines(spot: rows.Spot) -> list[str]:
    head, tail = f"{spot.time} km {spot.km} ", f": {spot.out}"
    road = shortened(spot.road, TYPE, INNER - text_width(head + tail, TYPE) - 6) if spot.road else ""
    return [f"{head}{road}{tail}", f"{spot.position}  {spot.locator}"]
