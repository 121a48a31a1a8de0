"""What the roads would have bought that a rider's own cap on traffic stress leaves out."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from routeplan.errors import NoLoopError, UnreachableError
from routeplan.plan import words
from routeplan.plan.ridefile import Ride, with_changes
from routeplan.plan.setting import Setting
from routeplan.plan.timetable import Timed

NO_CAP = 3.0  # stress from which every road is let in
BUDGET = 10_000_000  # label offers of this search: about a second
TELLING_MIN = 1  # fewer minutes of contact, ...
TELLING_KJ = 0.04  # ... and a smaller share of effort, are no purchase


def without_cap(ride: Ride) -> Ride | None:
    """The ride with every road let in, however busy; None where the rider has set no cap."""
    if ride.rider.stress_at_most >= NO_CAP:
        return None
    return with_changes(ride, {"rider.stress_at_most": NO_CAP})


def bought(
    setting: Setting, chosen: Sequence[Timed], let_in: Callable[[Ride], tuple[Setting, Sequence[Timed]]]
) -> tuple[str, ...]:
    """One sentence on what the roads above the cap would have bought; none without a cap.

    let_in : looks for rides again, briefly, for a ride file without the cap.
    """
    ride = without_cap(setting.ride)
    if ride is None:
        return ()
    cap = setting.ride.rider.stress_at_most
    above = f"roads above traffic stress {cap:g}, left out at your wish,"
    try:
        other, rides = let_in(ride)
    except (NoLoopError, UnreachableError):
        return ()
    left_out_km = (other.network.street_length_m.sum() - setting.network.street_length_m.sum()) / 1000.0
    if left_out_km < 0.1:
        return (f"No {above} are in reach.",)
    most, most_before = (max(group, key=lambda t: t.figures.contact_s) for group in (rides, chosen))
    least, least_before = (min(group, key=lambda t: t.ridden.effort_kj) for group in (rides, chosen))
    more_min = words.minutes(most.figures.contact_s) - words.minutes(most_before.figures.contact_s)
    less_kj = words.whole(least_before.ridden.effort_kj) - words.whole(least.ridden.effort_kj)
    gains = []
    if more_min >= TELLING_MIN:
        gains.append(f"{more_min} min more contact ({_ride(other, most, cap)})")
    if less_kj > TELLING_KJ * least_before.ridden.effort_kj:
        gains.append(f"{less_kj} kJ less effort ({_ride(other, least, cap)})")
    told = " or ".join(gains) if gains else "neither more contact nor less effort that would tell"
    return (f"The {left_out_km:.0f} km of {above} would have bought {told}.",)


def _ride(setting: Setting, timed: Timed, cap: float) -> str:
    """Length of a ride, and how much of it runs on roads above the cap."""
    pieces = setting.pieces
    busy_m = np.where(setting.network.ways.stress[pieces.way] > cap, pieces.length_m, 0.0)
    above_m = pieces.edge_sums(np.broadcast_to(busy_m, (2, len(busy_m))))[timed.ridden.edges].sum()
    return f"{words.km(timed.ridden.length_m)}, {words.km(above_m)} of it on those roads"
