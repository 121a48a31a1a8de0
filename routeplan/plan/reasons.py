"""Plain reasons: what a choice costs, and what it buys."""

from __future__ import annotations

import string
from collections.abc import Sequence

from routeplan.plan import words
from routeplan.plan.calm import less_busy_m
from routeplan.plan.followed import Followed
from routeplan.plan.ridefile import Ride
from routeplan.plan.timetable import Timed

FOUND = "These loops are the best that were found; only what no loop can pass is proven."
TELLING_POINTS = 0.05  # contact shares closer than this are not called different


def letters(count: int) -> list[str]:
    """A, B, C, ..."""
    return list(string.ascii_uppercase[:count])


def ride_reasons(chosen: Sequence[Timed]) -> list[str]:
    """One sentence for each ride, cheapest first: what it buys over the cheaper ones."""
    sentences = []
    several = len({timed.departs for timed in chosen}) > 1
    for k, timed in enumerate(chosen):
        leaves = f"; leaves {words.clock(timed.departs)}" if several else ""
        if k == 0:
            sentences.append("the least effort" + (" of these" if len(chosen) > 1 else "") + leaves + _blemishes(timed))
            continue
        before = max(range(k), key=lambda i: (chosen[i].figures.share, -i))
        sentences.append(_against(timed, chosen[before], letters(k)[before]) + leaves + _blemishes(timed))
    return sentences


def followed_reason(followed: Followed) -> str:
    """What to know of a ride that was given as a track."""
    told = f"the ride as given; {words.percent(followed.match.matched_share)} of its points lie on streets"
    if followed.bridged_m > 50:
        told += f", {words.km(followed.bridged_m)} of gaps closed along the shortest way"
    return told


def _against(timed: Timed, other: Timed, letter: str) -> str:
    # Differences of the figures as they are shown, so that a reader who subtracts finds the same.
    more_kj = words.whole(timed.ridden.effort_kj) - words.whole(other.ridden.effort_kj)
    more_m = timed.ridden.length_m - other.ridden.length_m
    effort = f"{more_kj} kJ more than {letter}"
    if abs(more_m) >= 1000:
        effort += f" ({words.km(abs(more_m))} {'longer' if more_m > 0 else 'shorter'})"
    points = timed.figures.share - other.figures.share
    calmer_m, busier_m = less_busy_m(timed, other), less_busy_m(other, timed)
    if abs(points) < TELLING_POINTS:
        if calmer_m:
            return f"{words.km(calmer_m)} less on busy roads than {letter} for {effort.replace(f' than {letter}', '')}"
        roads = f", {words.km(busier_m)} more on busy roads" if busier_m else ""
        return f"{effort}{roads}: other roads, contact does not differ tellingly"
    if timed.clock.windows_s:
        total_min = timed.clock.length_s / 60.0
        minutes = words.whole(timed.figures.share * total_min) - words.whole(other.figures.share * total_min)
        what = "net minutes"
    else:
        minutes, what = words.minutes(points * timed.ridden.ride_time_s), "minutes"
    if minutes > 0:
        roads = f", with {words.km(busier_m)} more on busy roads" if busier_m else ""
        roads = roads or (f" and {words.km(calmer_m)} less on busy roads" if calmer_m else "")
        return f"{effort} buys {minutes} {what} of contact{roads}"
    if calmer_m:
        price = effort.replace(f" than {letter}", "")
        return f"{words.km(calmer_m)} less on busy roads than {letter} for {price} and {-minutes} {what} less contact"
    return f"{effort} and {-minutes} {what} of contact less: other roads"


def _blemishes(timed: Timed) -> str:
    """What a rider would want to know before choosing."""
    ridden = timed.ridden
    told = []
    if ridden.repeated_m > 200:
        told.append(f"{words.km(ridden.repeated_m)} out and back")
    walked_m = float((ridden.distance_m[1:] - ridden.distance_m[:-1])[ridden.walking].sum())
    if walked_m > 100:
        told.append(f"{words.whole(walked_m / 10) * 10} m on foot")
    return f"; {', '.join(told)}" if told else ""


def cautions(ride: Ride) -> tuple[str, ...]:
    """What this ride's own set-up asks for, beside the cautions that go with every plan."""
    if ride.set.talk_while_riding:
        return ()
    return (
        "Talking while riding is switched off in the ride file: overs are stops, and usable contact counts those only.",
    )
