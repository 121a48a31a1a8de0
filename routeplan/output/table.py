"""The choices as a table for a terminal of 80 columns, and the strip of the first one below it."""

from __future__ import annotations

import textwrap

from routeplan.output.text_strip import legend, text_strip
from routeplan.plan.value import Plan, Route
from routeplan.plan.words import (
    arrives,
    clock,
    contact,
    day,
    h_min,
    has_net,
    hours,
    longest_overs,
    minutes,
    ride_time_range,
    sentence_of,
    whole,
)

WIDTH = 80


def figures(route: Route) -> dict[str, str]:
    """The figures of one choice, as every output says them."""
    return {
        "km": f"{route.length_m / 1000:.1f}",
        "time": h_min(route.ride_time_s),
        "range": ride_time_range(route),
        "effort": f"{whole(route.effort_kj)}",
        "climb": f"{whole(route.climb_m)}",
        "contact": contact(route),
        "dead": f"{minutes(route.longest_dead_s)} min",
    }


def table(plan: Plan, *, width: int = WIDTH, unicode: bool = True, strips: int = 1) -> str:
    """The plan as text. `strips`: of how many choices the strip is drawn; unicode=False keeps to ASCII."""
    lines = [*_wrapped(_title(plan), width), ""]
    kind = "net minutes heard" if any(map(has_net, plan.routes)) else "in contact"
    lines.append(
        f"  {'km':>6}  {'h:min (range)':<16} {'kJ':>6}  {'climb m':>7}  {kind:<21} {'longest dead':>12}".rstrip()
    )
    for route in plan.routes:
        f = figures(route)
        timing = f"{f['time']} ({f['range']})"
        lines.append(
            f"{route.id:<2}{f['km']:>6}  {timing:<16} {f['effort']:>6}  {f['climb']:>7}  "
            f"{f['contact']:<21} {f['dead']:>12}".rstrip()
        )
        for sentence in filter(None, (sentence_of(route.why), extras(route))):
            lines += _wrapped(sentence, width, "   ")
    if bound_sentence(plan):
        lines += ["", *_wrapped(bound_sentence(plan), width)]
    for route in plan.routes[:strips]:
        lines += [
            "",
            f"{route.id}  leaves {clock(route.departs)}, {arrives(plan, route)}",
        ]
        lines += [text_strip(plan, route, width=width, unicode=unicode)]
    if strips and plan.routes:
        lines += _wrapped(legend(plan), width)
    warnings = [*plan.warnings, *(f"{route.id}: {text}" for route in plan.routes for text in route.warnings)]
    if warnings:
        lines.append("")
    for warning in warnings:
        lines += _wrapped(f"! {warning}", width, "", "  ")
    guesses = [assumption.key for assumption in plan.assumptions if assumption.guess]
    if guesses:
        more = f" and {len(guesses) - 6} more (see the report)" if len(guesses) > 7 else ""
        shown = guesses[:6] if more else guesses
        lines += ["", *_wrapped(f"Guessed (set them in the ride file): {', '.join(shown)}{more}.", width)]
    for note in plan.notes:
        lines += _wrapped(sentence_of(note), width)
    text = "\n".join(lines)
    return text if unicode else text.encode("ascii", "replace").decode()


def _title(plan: Plan) -> str:
    when = f", {day(plan.routes[0].departs)}" if plan.routes else ""
    return f"{plan.title}{when}"


def extras(route: Route) -> str:
    """What a rider wants to know before choosing, where there is something to know that `why` does not say."""
    parts = []
    if route.chance_sentence:
        parts.append(route.chance_sentence)
    if longest_overs(route):
        parts.append(f"longest overs in the net {longest_overs(route)}")
    if minutes(route.walked_s) > 0 and "on foot" not in route.why:
        parts.append(f"{hours(route.walked_s)} on foot")
    if route.repeated_m >= 200 and "out and back" not in route.why:
        parts.append(f"{route.repeated_m / 1000:.1f} km out and back")
    if route.busy_m >= 500:
        parts.append(f"{route.busy_m / 1000:.1f} km on busy roads")
    if route.lights_from_s is not None:
        parts.append(f"lights from {clock(route.departs, route.lights_from_s)}")
    return "; ".join(parts)[:1].upper() + "; ".join(parts)[1:] + "." if parts else ""


def bound_sentence(plan: Plan) -> str:
    """The proven limit in words, beside the best choice; "" where there is none, or where it tells nothing."""
    if plan.bound is None:
        return ""
    with_net = any(map(has_net, plan.routes))
    bound, how = plan.bound, plan.bound.how
    what = bound.scope or f"{'loop' if plan.job == 'loop' else 'ride'} inside this window"
    out = {route.id: route.ride_time_s - route.contact_s for route in plan.routes}
    if not with_net and bound.out_s_at_least is not None and whole(bound.out_s_at_least / 60) > 0:
        least = min(out, key=lambda name: out[name])
        limit = f"less than {whole(bound.out_s_at_least / 60)} minutes out of contact"
        return f"No {what} can have {limit}; choice {least} has {whole(out[least] / 60)} ({how})."
    if not with_net and bound.contact_s_at_most >= max(route.ride_time_s for route in plan.routes):
        return ""
    kind = "net minutes in contact" if with_net else "minutes in contact"
    best = max(plan.routes, key=lambda route: route.contact_s)
    limit = f"more than {whole(bound.contact_s_at_most / 60)} {kind}"
    return f"No {what} can have {limit}; choice {best.id} has {whole(best.contact_s / 60)} ({how})."


def _wrapped(text: str, width: int, first: str = "", rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=first if rest is None else rest, break_long_words=True
    )
