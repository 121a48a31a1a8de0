"""How the figures of a plan are said: one wording for terminal, pictures, card and report.

Every output takes its texts from here, so that a number never reads differently in two places.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

from routeplan.plan.value import Plan, Route

HOME_WITHIN_M = 1000.0  # a track that ends this near its start led home: shared ones have 500 m cut off at both ends


def whole(value: float) -> int:
    """Nearest whole number, halves upwards (as people round)."""
    return int(value + 0.5) if value >= 0 else -int(-value + 0.5)


def minutes(seconds: float) -> int:
    """Whole minutes of a time [s]."""
    return whole(seconds / 60.0)


def hours(seconds: float) -> str:
    """A time [s] as "1 h 52" or "52 min"."""
    total = minutes(seconds)
    return f"{total // 60} h {total % 60:02d}" if total >= 60 else f"{total} min"


def h_min(seconds: float) -> str:
    """A time [s] as "1:52"."""
    total = minutes(seconds)
    return f"{total // 60}:{total % 60:02d}"


def km(metres: float) -> str:
    """A length [m] as "32.4 km"."""
    return f"{metres / 1000:.1f} km"


def place(latitude_deg: float, longitude_deg: float) -> str:
    """ "42.5063 N 1.5218 W"."""
    north, east = ("N" if latitude_deg >= 0 else "S"), ("E" if longitude_deg >= 0 else "W")
    return f"{abs(latitude_deg):.4f} {north} {abs(longitude_deg):.4f} {east}"


def counted(number: int, thing: str) -> str:
    """ "1 station", "2 stations"."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def percent(share: float, digits: int = 0) -> str:
    """ "73 %" of a share."""
    return f"{100 * share:.{digits}f} %"


def after(start: datetime, seconds: float) -> datetime:
    """Aware local time `seconds` after `start`, counted in real time across a change of clocks."""
    return (start.astimezone(UTC) + timedelta(seconds=float(seconds))).astimezone(start.tzinfo)


def seconds_between(start: datetime, end: datetime) -> float:
    """Real seconds from one aware time to another."""
    return (end.astimezone(UTC) - start.astimezone(UTC)).total_seconds()


def clock(start: datetime, seconds: float = 0.0) -> str:
    """Local wall time, "19:30", to the nearest minute."""
    return after(start, seconds + 30).strftime("%H:%M") if seconds else start.strftime("%H:%M")


def day(when: datetime) -> str:
    """ "Thursday 11 June 2026"."""
    days = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
    months = (
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    )
    return f"{days[when.weekday()]} {when.day} {months[when.month - 1]} {when.year}"


def arrives(plan: Plan, route: Route) -> str:
    """"back 20:51" of a ride that ends where it began, "there 15:30" of one to another place, else "ends 15:30"."""
    samples = route.samples
    apart_m = math.hypot(samples.x_m[-1] - samples.x_m[0], samples.y_m[-1] - samples.y_m[0])
    closed = plan.job == "loop" or apart_m <= HOME_WITHIN_M
    word = "there" if plan.job == "between" else "back" if closed else "ends"
    return f"{word} {clock(route.departs, float(samples.time_s[-1]))}"


def has_net(route: Route) -> bool:
    return route.net_s > 0


def contact(route: Route) -> str:
    """ "49 of 60 min (41-55)" of the net, or "81 % (70-88)" of the ride without one."""
    low, high = route.contact_share_range
    if has_net(route):
        share, total = route.net_s / 60.0, whole(route.net_s / 60.0)
        return f"{whole(route.contact_share * share)} of {total} min ({whole(low * share)}-{whole(high * share)})"
    return f"{whole(route.contact_share * 100)} % ({whole(low * 100)}-{whole(high * 100)})"


def contact_phrase(route: Route) -> str:
    """The same figures as `contact`, as words of a headline."""
    text, bracket = contact(route).rsplit(" ", 1)
    if has_net(route):
        return f"{text.removesuffix(' min')} net minutes in contact {bracket}"
    return f"{text} of the ride in contact {bracket}"


def longest_overs(route: Route, most: int = 2) -> str:
    """ "14 min (over 3) and 9 min (over 5)": the longest overs inside the nets' windows; "" where there are none."""
    return " and ".join(f"{max(1, minutes(seconds))} min (over {label})" for label, seconds in route.net_overs[:most])


def ride_time_range(route: Route) -> str:
    """ "1:44-2:05", 10th to 90th percentile."""
    return f"{h_min(route.ride_time_range_s[0])}-{h_min(route.ride_time_range_s[1])}"


def headline(route: Route) -> str:
    """ "32.4 km, 1 h 52, 410 m up, 49 of 60 net minutes in contact (41-55)"."""
    return f"{km(route.length_m)}, {hours(route.ride_time_s)}, {whole(route.climb_m)} m up, {contact_phrase(route)}"


def in_tenths(chance: float) -> str:
    """A chance as "9 in 10", "19 in 20" or "1 in 2": the wording of the contour lines."""
    if abs(chance - 0.5) < 1e-9:
        return "1 in 2"
    for parts in (10, 20, 100):
        if abs(chance * parts - round(chance * parts)) < 1e-9:
            return f"{round(chance * parts)} in {parts}"
    return f"{chance:.2f}"


def frequency(mhz: float) -> str:
    """ "145.450 MHz", with as many figures as it needs and three at least."""
    text = f"{mhz:.5f}".rstrip("0")
    whole_part, _, rest = text.partition(".")
    return f"{whole_part}.{rest.ljust(3, '0')} MHz"


def net_window(route: Route, plan: Plan) -> list[tuple[float, float]]:
    """Begin and end of each net [s after departure of this route]; may lie outside the ride."""
    return [(seconds_between(route.departs, net.begins), seconds_between(route.departs, net.ends)) for net in plan.nets]


def sentence_of(text: str) -> str:
    """`text` as a sentence: a capital at its head, a full stop at its end."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if not text or text[-1] in ".!?" else ".")


def credit(plan: Plan) -> str:
    """Whom the map's data come from: the area's attribution, or else its sources, on one line."""
    named = plan.area.get("attribution") or plan.area.get("sources") or ""
    if isinstance(named, str):
        return named
    return "; ".join(map(str, named.values() if isinstance(named, dict) else named))
