"""The trade-off picture: effort to the right, contact upwards, one lettered ring for each choice.

How to read it: docs/reading_the_pictures.md.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from routeplan.output.look import BODY, SMALL, nice_step
from routeplan.output.scene import Line, Room, Scene, Text, png, svg, text_width, wrapped
from routeplan.plan.value import Plan, Route
from routeplan.plan.words import has_net, whole

CALMER_M = 1000.0  # fewer metres on busy roads are noticed from here on
HONEST_POINTS = 0.05  # smaller differences of contact share are not called differences


def trade_off_png(plan: Plan, *, chosen: str | None = None, scale: float = 1.0) -> bytes:
    """The trade-off as PNG, 640 pixels wide at scale 1."""
    return png(trade_off_scene(plan, chosen=chosen), scale=scale)


def trade_off_svg(plan: Plan, *, width: float = 640.0, chosen: str | None = None, css: bool = False) -> str:
    """The trade-off as SVG; `css` for use inside an HTML page."""
    return svg(trade_off_scene(plan, width=width, chosen=chosen), css=css)


def in_minutes(plan: Plan) -> bool:
    """Whether contact is counted in net minutes (else in percent of the ride)."""
    return any(has_net(route) for route in plan.routes)


def contact_figure(route: Route, share: float, by_minutes: bool) -> float:
    """A contact share as net minutes, or as percent of the ride."""
    return share * route.net_s / 60 if by_minutes else share * 100


def best_step(plan: Plan) -> tuple[Route, Route, str] | None:
    """The step between two choices that buys most contact per kilojoule, and the sentence that says it.

    The two are neighbours on the trade-off; of mended rides the first is always the usual one, which is what a rider
    compares with. None where no step is larger than what may be called a difference.
    """
    by_minutes = in_minutes(plan)
    front = frontier(plan)
    mended = plan.job == "mend"
    pairs = [(plan.routes[0], other) for other in plan.routes[1:]] if mended else list(pairwise(front))
    steps = []
    for a, b in pairs:
        gain, more_kj = b.contact_share - a.contact_share, b.effort_kj - a.effort_kj
        if gain >= HONEST_POINTS and (more_kj > 0 or mended):
            steps.append((gain / more_kj if more_kj > 0 else np.inf, gain, a, b))
    if not steps:
        return None
    _, _, a, b = max(steps, key=lambda step: step[:2])
    more = whole(b.effort_kj) - whole(a.effort_kj)
    gain = whole(contact_figure(b, b.contact_share, by_minutes)) - whole(contact_figure(a, a.contact_share, by_minutes))
    what = "minutes" if by_minutes else "points of contact share"
    if more > 0:
        return a, b, f"{more} kJ more than {a.id} buys {gain} {what}"
    return a, b, f"{gain} {what} more than {a.id} for " + (f"{-more} kJ less" if more else "no more effort")


def frontier(plan: Plan) -> list[Route]:
    """Choices that no other beats in both effort and contact, least effort first."""
    ordered = sorted(plan.routes, key=lambda r: (r.effort_kj, -r.contact_share, r.id))
    best, front = -1.0, []
    for route in ordered:
        if route.contact_share > best:
            best = route.contact_share
            front.append(route)
    return front


def calmer(plan: Plan) -> list[Route]:
    """Choices off the frontier that are there for a kilometre less on busy roads than all that beat them."""
    front = frontier(plan)

    def beats(other: Route, route: Route) -> bool:
        return other.effort_kj <= route.effort_kj and other.contact_share >= route.contact_share

    on_it = {route.id for route in front}
    off = [route for route in plan.routes if route.id not in on_it]
    return [r for r in off if all(o.busy_m - r.busy_m >= CALMER_M for o in front if beats(o, r))]


def sentence(plan: Plan) -> str:
    """What the picture says, in words."""
    if len(plan.routes) < 2:
        return "One choice only."
    step = best_step(plan)
    if step is not None:
        return f"{step[1].id}: {step[2]}."
    if plan.job == "mend":
        return f"No mended ride has 5 points of contact more than {plan.routes[0].id}: compare the dead minutes."
    shares = [route.contact_share for route in plan.routes]
    if max(shares) - min(shares) < HONEST_POINTS:
        return "The choices differ by less than 5 points of contact: choose by effort and by the road."
    return "No step from one choice to the next buys 5 points of contact."


def trade_off_scene(plan: Plan, *, width: float = 640.0, chosen: str | None = None) -> Scene:
    """The trade-off, `width` pixels wide (320 to 900). The chosen ring (by default the first choice) is filled."""
    narrow = width < 480
    height = 320.0 if narrow else 460.0
    scene = Scene(width, height, f"Effort against contact. {sentence(plan)}")
    room = Room(scene)
    left, right, top, base = (42.0 if narrow else 60.0), width - 16, 30.0, height - 46
    by_minutes = in_minutes(plan)
    routes = plan.routes
    if not routes:
        return scene
    chosen = routes[0].id if chosen is None else chosen

    def values(route: Route) -> tuple[float, float, float]:
        low, high = route.contact_share_range
        return tuple(contact_figure(route, share, by_minutes) for share in (low, route.contact_share, high))  # type: ignore[return-value]

    most = routes[0].net_s / 60 if by_minutes else 100.0
    limits = [_limit(plan, route, by_minutes, most) for route in routes]
    heights = [v for route in routes for v in values(route)] + [v for v in limits if v is not None]
    span = max(max(heights) - min(heights), 15.0)
    y_step = nice_step(span, 6)
    y_low = max(0.0, np.floor((max(heights) - span - 0.3 * y_step) / y_step) * y_step)
    y_high = min(np.ceil((max(heights) + 0.4 * y_step) / y_step) * y_step, most + 0.35 * y_step)
    efforts = [route.effort_kj for route in routes]
    pad = max(max(efforts) - min(efforts), 40.0) * 0.12
    x_low, x_high = min(efforts) - pad, max(efforts) + pad

    def px(effort: float) -> float:
        return left + (effort - x_low) / (x_high - x_low) * (right - left)

    def py(value: float) -> float:
        return base - (value - y_low) / (y_high - y_low) * (base - top)

    _axes(scene, room, left, right, top, base, px, py, (x_low, x_high), (y_low, y_high), y_step, by_minutes, narrow)
    top_line = None
    if most <= y_high:
        scene.line([(left, py(most)), (right, py(most))], "hair", 0.8)
        top_line = (left, py(most) - 1, right, py(most) + 1)
    front = frontier(plan)
    for a, b in pairwise(front):
        corner = (px(b.effort_kj), py(values(a)[1]))
        scene.line([(px(a.effort_kj), py(values(a)[1])), corner, (corner[0], py(values(b)[1]))], "hair", 1.2)
    for route in routes:
        x, (low, _, high) = px(route.effort_kj), values(route)
        scene.add(
            Line(
                tuple(
                    np.array(p)
                    for p in (
                        [(x, py(low)), (x, py(high))],
                        [(x - 3, py(low)), (x + 3, py(low))],
                        [(x - 3, py(high)), (x + 3, py(high))],
                    )
                ),
                "hair",
                1.2,
            )
        )
    proven = _proven(scene, room, plan, routes, limits, px, py, left, right, by_minutes)  # the rings lie on its line
    _rings(scene, room, [(route, px(route.effort_kj), py(values(route)[1])) for route in routes], chosen)
    for route in routes:  # words keep clear of the ranges
        x, (low, _, high) = px(route.effort_kj), values(route)
        room.take((x - 4, py(high), x + 4, py(low)))
    for a, b in pairwise(front):  # and of the steps
        x, turn, foot, head = px(a.effort_kj), px(b.effort_kj), py(values(a)[1]), py(values(b)[1])
        room.take((x, foot - 2, turn, foot + 2))
        room.take((turn - 2, head, turn + 2, foot))
    if top_line is not None:
        room.take(top_line)
    room.put(proven)
    _annotate(scene, room, plan, px, py, values, (left, right, top, base))
    for route in calmer(plan):
        x, y = px(route.effort_kj), py(values(route)[1])
        beside = [Text(x + 14, y + dy, "calmer", SMALL, halo=1.5) for dy in (4, 20, -12)]
        room.put([*beside, *(Text(x - 14, y + dy, "calmer", SMALL, anchor="end", halo=1.5) for dy in (4, 20, -12))])
    return scene


def _limit(plan: Plan, route: Route, by_minutes: bool, most: float) -> float | None:
    """The proven figure for a ride like this one: net minutes, or percent of its own ride time."""
    if plan.bound is None:
        return None
    at_most = plan.bound.contact_s_at_most
    if by_minutes:
        return min(at_most / 60, most)
    at_most = min(at_most, route.ride_time_s - (plan.bound.out_s_at_least or 0.0))
    return min(at_most / max(route.ride_time_s, 1.0) * 100, most)


def _axes(scene, room, left, right, top, base, px, py, x_range, y_range, y_step, by_minutes, narrow):  # type: ignore[no-untyped-def]
    scene.line([(left, top), (left, base), (right, base)], width=1.2)
    x_step = nice_step(x_range[1] - x_range[0], 5 if narrow else 8)
    for effort in np.arange(np.ceil(x_range[0] / x_step) * x_step, x_range[1] + 1e-6, x_step):
        scene.line([(px(effort), base), (px(effort), base + 5)], width=1.0)
        room.put([Text(px(effort), base + 18, f"{effort:.0f}", BODY, anchor="middle")])
    for value in np.arange(y_range[0], y_range[1] + 1e-6, y_step):
        scene.line([(left - 5, py(value)), (left, py(value))], width=1.0)
        room.put([Text(left - 9, py(value) + 4, f"{value:.0f}", BODY, anchor="end")])
    room.put([Text((left + right) / 2, base + 36, "effort, kJ", BODY, anchor="middle")])
    title = "net minutes in contact" if by_minutes else "contact share of the ride, %"
    room.put([Text(left - 30 if not narrow else 4, top - 12, title, BODY)])


def _rings(scene: Scene, room: Room, points: list[tuple[Route, float, float]], chosen: str) -> None:
    """Lettered rings; one that would lie on another is set aside, with a hair line to its place."""
    r = 8.5
    centres: list[tuple[float, float]] = []
    told: list[str] = []
    for route, x, y in sorted(points, key=lambda p: (p[0].id != chosen, p[0].id)):
        at = (x, y)
        for reach in (0, 1, 2):
            spots = [
                (x + reach * 21 * np.cos(a), y + reach * 21 * np.sin(a)) for a in np.arange(0, 2 * np.pi, np.pi / 4)
            ]
            free = [s for s in spots if all(np.hypot(s[0] - c[0], s[1] - c[1]) > 2 * r + 2 for c in centres)]
            if free:
                at = free[0]
                break
        centres.append(at)
        told.append(f"{route.id}:{at[0]:.0f}:{at[1]:.0f}")
        if at != (x, y):
            scene.line([(x, y), at], width=0.8)
            scene.disc(x, y, 2.2, "ink")
        filled = route.id == chosen
        scene.disc(*at, r, "ink" if filled else "paper", edge="ink", width=2.0)
        label = Text(at[0], at[1] + 4, route.id, BODY, "paper" if filled else "ink", bold=True, anchor="middle")
        scene.add(label)
        room.take((at[0] - r - 2, at[1] - r - 2, at[0] + r + 2, at[1] + r + 2))
    scene.data["rings"] = " ".join(told)  # where a page puts its buttons


def _proven(scene, room, plan, routes, limits, px, py, left, right, by_minutes):  # type: ignore[no-untyped-def]
    """The proven limit: one dashed line for net minutes, a dash above each choice for shares of its own time.

    Gives where its words may stand, the best place first.
    """
    if plan.bound is None:
        return []
    if not by_minutes and min(limits) >= 100.0:
        return []  # the top of the scale says it already
    if by_minutes:
        y = py(limits[0])
        scene.line([(left, y), (right, y)], width=1.6, dash=(8, 4))
        what = "loop" if plan.job == "loop" else "ride"
        said = f"no {what} inside this window can pass {whole(limits[0])}"
        room.take((left, y - 2, right, y + 2))
        half = text_width(said, SMALL) / 2
        spots = [right - half - 2, left + half + 8, (left + right) / 2]
        return [Text(x, y + dy, said, SMALL, anchor="middle", halo=1.5) for dy in (-6, 14) for x in spots]
    for route, limit in zip(routes, limits):
        x, y = px(route.effort_kj), py(limit)
        scene.line([(x - 14, y), (x + 14, y)], width=1.6, dash=(8, 4))
        room.take((x - 14, y - 2, x + 14, y + 2))
    said = "dashes: proven limit for a ride of that time"
    x, y = px(routes[0].effort_kj), py(limits[0])
    half = text_width(said, SMALL) / 2
    x = min(max(x, left + half + 4), right - half)
    return [Text(x, y + dy, said, SMALL, anchor="middle", halo=1.5) for dy in (-6, 16, 30)]


def _annotate(scene, room, plan, px, py, values, frame):  # type: ignore[no-untyped-def]
    """The sentence, with a hair line to the ring it speaks of."""
    left, right, top, base = frame
    step = best_step(plan)
    words = step[2] if step is not None else sentence(plan)
    lines = wrapped(words, BODY, (right - left) * 0.62)
    widest = max(text_width(line, BODY) for line in lines)
    tall = 15 * len(lines)
    target = (px(step[1].effort_kj), py(values(step[1])[1])) if step is not None else ((left + right) / 2, base)
    best = None
    ceiling = top + 8
    if plan.bound is not None and in_minutes(plan):  # the hair line shall not cross the limit and its words
        limit = _limit(plan, plan.routes[0], True, plan.routes[0].net_s / 60)
        ceiling = max(ceiling, py(limit) + 22)
    for x in np.linspace(left + 10, right - widest - 6, 14):
        for y in np.linspace(ceiling, base - tall - 8, 14):
            box = (x, y, x + widest, y + tall)
            if room.free(box):
                far = np.hypot(x + widest / 2 - target[0], y + tall / 2 - target[1])
                if step is not None and x - 6 < target[0] < x + widest + 6:
                    far += 200.0  # its hair line would run along the range
                if best is None or far < best[0]:
                    best = (far, x, y)
    if best is None:
        return
    _, x, y = best
    if step is not None:
        near = (min(max(target[0], x), x + widest), min(max(target[1], y - 2), y + tall + 2))
        away = np.array(near) - np.array(target)
        length = float(np.hypot(*away))
        if length > 14:
            scene.line([np.array(target) + away / length * 10, near], width=0.8)
    for k, line in enumerate(lines):
        scene.text(x, y + 12 + 15 * k, line, BODY, halo=1.5)
    room.take((x, y, x + widest, y + tall))
