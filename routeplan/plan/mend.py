"""An existing ride with its dead stretches, and small detours that take them out.

Detours are looked for with the weights of the edges, the best of them together are ridden in full, and of those a few
are shown beside the ride as it is. None shown is worse than the usual ride: in dead time, in the longest silence, in
contact, in what is ridden twice or beside itself, on foot or turned back on. All are weighed with the halt that a ride
of this ride file is planned with. The ride is ridden for its own sake, so a short cut is as much of a change as a way
round, and is bounded.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from routeplan import search
from routeplan.plan import words
from routeplan.plan.followed import Followed
from routeplan.plan.loops import SIDE_STREET_PRICE_S_M, STRESS_PRICE_S_M, WALK_PRICE, price_kj, side_street_m
from routeplan.plan.ridden import DEAD_BELOW, Ridden
from routeplan.plan.setting import Progress, Setting
from routeplan.plan.talk import runs
from routeplan.plan.timetable import (
    LABELLED_DEAD_S,
    LETTERS,
    Timed,
    calling_rows,
    nearest_name,
    time_route,
    with_check_in_halt,
)
from routeplan.search.pareto import non_dominated

WITHIN_M = 3000.0  # of a dead stretch the ride is left, and joined again; judgement
SHORTER_SHARE = 0.1  # of its length that a mended ride may lose, and no more than it may gain; judgement
TIMED_AT_MOST = 60  # choices that are ridden in full
WORTH_S, WORTH_SHARE = 60.0, 0.2  # a detour takes out so much dead time, and so much of its stretch, or is left out
TELLING_S = 60.0  # a dearer choice takes out this much more dead time than a cheaper one, or is not shown
OUT_S, OUT_SHARE = 20.0, 0.15  # a stretch counts as taken out when no more than the larger of these is left
TOO_FAR_M = 1e7
FAR_KJ = 10.0  # beyond the dearest choice, so that it too covers some of the trade-off
REPEATS_M, BESIDE_M, ON_FOOT_S, CONTACT_SHARE = 20.0, 100.0, 60.0, 0.005  # no choice is worse by more than these


@dataclass(frozen=True)
class Silence:
    """A dead stretch of the usual ride."""

    letter: str
    first: int  # positions among the ride's edges
    past: int
    row: int  # rows of the ridden
    past_row: int
    seconds: float
    begin_m: float
    end_m: float
    near: str


@dataclass(frozen=True)
class Choice:
    """A mended ride: timed, and what is left of each silence of the usual one [s]."""

    timed: Timed
    left_s: tuple[float, ...]
    where: tuple[tuple[float, str], ...]  # places at which the usual ride is left [m] and the roads taken


@dataclass(frozen=True)
class MendedRides:
    """The usual ride, then the choices, cheapest first; a reason for each, and notes."""

    rides: tuple[Timed, ...]
    reasons: tuple[str, ...]
    notes: tuple[str, ...]


def room_m(extra_km: float) -> float:
    """How far from the track streets are looked at: as far as a detour of so much more length can lead, and a field."""
    return 500.0 + 1000.0 * extra_km


Watch = Callable[[Callable[[], MendedRides]], bool]  # is given the rides so far; False ends the search


def mend_ride(
    followed: Followed, departs: datetime, progress: Progress, reason: str, watch: Watch | None = None
) -> MendedRides:
    """Small changes of a given ride that take out its dead stretches.

    reason : what is said of the ride as it is. watch : is shown that ride first, then the changes as they are ridden.
    """
    setting = followed.setting
    usual = with_check_in_halt(setting, time_route(setting, followed.edges, departs))
    if watch is not None and not watch(lambda: MendedRides((usual,), (reason,), ())):
        return MendedRides((usual,), (reason,), ("stopped before small changes were looked for",))
    silences = silences_of(setting, usual.ridden)
    if not silences:
        note = f"the ride has no dead stretch of {words.whole(LABELLED_DEAD_S)} s or more: nothing to mend"
        return MendedRides((usual,), (reason,), (note,))
    def seen(choices: list[Choice]) -> bool:
        def so_far() -> MendedRides:
            few = _few(setting, usual, choices, setting.ride.ride.choices)
            told = (reason, *(_reason(choice, usual, silences) for choice in few))
            return MendedRides((usual, *(c.timed for c in few)), told, ())

        return watch is None or watch(so_far)

    progress(f"detours round {len(silences)} dead stretches")
    choices, epsilon = _choices(setting, usual, silences, progress, seen)
    shown = _few(setting, usual, choices, setting.ride.ride.choices)
    reasons = [reason, *(_reason(choice, usual, silences) for choice in shown)]
    notes = [_how(setting, epsilon)]
    notes += [
        _stop_instead(setting, usual.ridden, silence)
        for k, silence in enumerate(silences)
        if silence.seconds >= WORTH_S and not any(_is_out(c, k, silences) or _is_shorter(c, k, silences) for c in shown)
    ]
    return MendedRides((usual, *(c.timed for c in shown)), tuple(reasons), tuple(notes))


def silences_of(setting: Setting, ridden: Ridden) -> list[Silence]:
    """The dead stretches that have a letter."""
    network, pieces = setting.network, setting.pieces
    point = pieces.start_point[ridden.way, ridden.piece]
    letters = iter(LETTERS)
    found = []
    for a, b in runs(ridden.chance < DEAD_BELOW):
        seconds = float(ridden.time_s[b] - ridden.time_s[a])
        if seconds < LABELLED_DEAD_S:
            continue
        middle = point[(a + b) // 2 if b < len(point) else (a + b - 1) // 2]
        first, last = np.searchsorted(ridden.edge_first, [a, b - 1], side="right") - 1
        begin_m, end_m = float(ridden.distance_m[a]), float(ridden.distance_m[b])
        near = nearest_name(setting, float(network.point_x_m[middle]), float(network.point_y_m[middle]))
        found.append(Silence(next(letters, ""), int(first), int(last) + 1, a, b, seconds, begin_m, end_m, near))
    return found


def _choices(
    setting: Setting,
    usual: Timed,
    silences: Sequence[Silence],
    progress: Progress,
    seen: Callable[[list[Choice]], bool] = lambda choices: True,
) -> tuple[list[Choice], float]:
    """Mended rides, ridden in full, that are nowhere worse than the usual one; the share within which all are.

    seen : is shown those so far; False ends it.
    """
    network = setting.network
    longer_m = setting.ride.ride.extra_km_at_most * 1000.0
    street = network.edge_street_group.astype(np.int64)
    street = np.where(network.ways.roundabout[network.street_way[network.edge_street]], -1, street)
    dead_s = setting.pieces.edge_sums(setting.riding.time_s * ~(setting.contact.chance >= DEAD_BELOW))
    on_foot = setting.edge_walked_s > ON_FOOT_S
    on_foot[usual.ridden.edges] = False
    length_m = np.where(
        on_foot, TOO_FAR_M, network.edge_length_m
    )  # no detour pushes a bicycle that the usual ride rides
    arguments = (
        network.edge_tail, network.edge_head, length_m, _effort_kj(setting), dead_s, usual.ridden.edges,
    )  # fmt: skip
    shorter_m = min(longer_m, SHORTER_SHARE * usual.ridden.length_m)
    rules: dict[str, Any] = {
        "longer_at_most_m": longer_m,
        "shorter_at_most_m": shorter_m,
        "street": street,
        "banned_turns": network.banned_turns,
    }
    stretches = [(s.first, s.past) for s in silences]
    found = search.find_detours(*arguments, stretches, within_m=WITHIN_M, **rules)
    detours = [
        detour
        for each, silence in zip(found, silences)
        for detour in each.detours
        if -detour.dead_s >= max(WORTH_S, WORTH_SHARE * silence.seconds)
    ]
    if not detours:
        return [], 0.0
    together = search.combine(*arguments, detours, **rules)
    progress(f"{len(together.mended)} choices among {len(detours)} detours")
    mended = _spread(together.mended)
    choices: list[Choice] = []
    for one in mended:
        timed = with_check_in_halt(setting, time_route(setting, one.edges, usual.departs))
        if _no_worse(setting, timed, usual):
            taken = [detours[k] for k in one.detours]
            left = _left_s(usual.ridden, silences, taken, dead_s)
            where = tuple((_at_m(usual.ridden, d.first), _road(setting, d.edges)) for d in taken)
            choices.append(Choice(timed, left, where))
            if not seen(choices):
                break
    return choices, max([together.epsilon, *(each.epsilon for each in found)])


def _effort_kj(setting: Setting) -> np.ndarray:
    """Effort of each edge with the prices of side streets, traffic and walking, at the rider's mean power."""
    mean_kw = setting.edge_effort_kj.sum() / max(setting.edge_time_s.sum(), 1.0)
    priced_s = side_street_m(setting) * SIDE_STREET_PRICE_S_M + setting.edge_walked_s * WALK_PRICE
    priced_s = priced_s + setting.edge_stress_m * STRESS_PRICE_S_M * setting.ride.rider.stress_weight
    return setting.edge_effort_kj + priced_s * mean_kw


def _spread(mended: Sequence[search.Mended]) -> list[search.Mended]:
    """All, or of many those that no other passes in change of effort and dead time, and some evenly among them."""
    if len(mended) <= TIMED_AT_MOST:
        return list(mended)
    kept = [mended[k] for k in non_dominated(np.array([(abs(m.effort), m.dead_s) for m in mended]))]
    few = np.unique(np.linspace(0, len(kept) - 1, min(len(kept), TIMED_AT_MOST)).astype(int))
    return [kept[k] for k in few]


def _no_worse(setting: Setting, timed: Timed, usual: Timed) -> bool:
    """Whether a mended ride is an improvement, and in nothing that a rider minds worse than the usual one."""
    a, b = timed.ridden, usual.ridden
    walked = [float(r.duration_s[r.walking].sum()) for r in (a, b)]
    return (
        timed.figures.dead_s <= usual.figures.dead_s - LABELLED_DEAD_S
        and timed.figures.longest_dead_s <= usual.figures.longest_dead_s + 1.0
        and timed.figures.share >= usual.figures.share - CONTACT_SHARE
        and timed.figures.unknown_m <= usual.figures.unknown_m + REPEATS_M
        and a.repeated_m <= b.repeated_m + REPEATS_M
        and timed.nearby_m <= usual.nearby_m + BESIDE_M
        and walked[0] <= walked[1] + ON_FOOT_S
        and turns_back(setting, a.edges) <= turns_back(setting, b.edges)
    )


def turns_back(setting: Setting, edges: np.ndarray) -> int:
    """How often a ride turns back on the street just ridden."""
    group = setting.network.edge_street_group[edges]
    forward = setting.network.edge_forward[edges]
    same = setting.network.edge_street[edges][1:] == setting.network.edge_street[edges][:-1]
    return int(((group[1:] == group[:-1]) & (~same | (forward[1:] != forward[:-1]))).sum())


def _left_s(
    ridden: Ridden, silences: Sequence[Silence], taken: Sequence[search.Detour], dead_s: np.ndarray
) -> tuple[float, ...]:
    """Seconds left of each silence: what is still ridden of it, and what is dead on a detour that replaces it most."""
    position = np.repeat(np.arange(len(ridden.edges)), np.diff(np.append(ridden.edge_first, len(ridden.piece))))
    left = [s.seconds for s in silences]
    for detour in taken:
        replaced = (position >= detour.first) & (position < detour.past)
        gone = [float(ridden.duration_s[s.row : s.past_row][replaced[s.row : s.past_row]].sum()) for s in silences]
        left = [seconds - less for seconds, less in zip(left, gone)]
        left[int(np.argmax(gone))] += float(dead_s[detour.edges].sum())
    return tuple(left)


def _at_m(ridden: Ridden, position: int) -> float:
    """Distance at which a ride comes to its edge of that position."""
    return float(ridden.distance_m[ridden.edge_first[position]])


def _road(setting: Setting, edges: np.ndarray) -> str:
    """Name or number of the longest named road of a detour, or ""."""
    network = setting.network
    ways = network.street_way[network.edge_street[edges]]
    metres: dict[str, float] = {}
    for way, length in zip(ways.tolist(), network.edge_length_m[edges].tolist()):
        name = network.ways.name[way] or network.ways.ref[way]
        if name:
            metres[name] = metres.get(name, 0.0) + length
    return max(metres, key=lambda name: metres[name], default="")


def _few(setting: Setting, usual: Timed, choices: Sequence[Choice], at_most: int) -> list[Choice]:
    """Those that together cover the most of the trade-off between change of effort and dead time, cheapest first."""
    if not choices:
        return []
    base_s = usual.figures.dead_s
    unpassed = non_dominated(np.array([_seen(c.timed, usual) for c in choices]))
    choices = [choices[k] for k in unpassed]
    costs = np.array([(_change_kj(c.timed, usual), c.timed.figures.dead_s) for c in choices])
    kept = non_dominated(costs)
    far = costs[kept, 0].max() + FAR_KJ
    shown: list[int] = []
    while len(shown) < at_most:
        best, best_area = -1, 0.0
        covered = _covered(costs[shown], far, base_s)
        for k in kept.tolist():
            if k in shown or any(abs(costs[k, 1] - costs[o, 1]) < TELLING_S for o in shown):
                continue
            area = _covered(costs[[*shown, k]], far, base_s) - covered
            if area > best_area * (1 + 1e-9):
                best, best_area = k, area
        if best < 0:
            break
        shown.append(best)
    return sorted((choices[k] for k in shown), key=lambda c: c.timed.ridden.effort_kj)


def _seen(timed: Timed, usual: Timed) -> tuple[float, float, float]:
    """What a rider compares: effort, silence, and by how many 100 m the length is another."""
    apart = abs(timed.ridden.length_m - usual.ridden.length_m)
    return timed.ridden.effort_kj, timed.figures.dead_s, words.whole(apart / 100.0)


def _change_kj(timed: Timed, usual: Timed) -> float:
    """How much another ride a mended one is: its effort, more or less, and what it has more of turns and the like."""
    priced = price_kj(timed, None) - price_kj(usual, None)
    return abs(timed.ridden.effort_kj - usual.ridden.effort_kj) + max(priced, 0.0)


def _covered(costs: np.ndarray, far: float, most: float) -> float:
    """Area of the costs (m, 2) that some row passes, up to (far, most)."""
    area, lowest = 0.0, most
    for first, second in sorted(map(tuple, costs)):
        if second < lowest:
            area += max(far - first, 0.0) * (lowest - second)
            lowest = second
    return area


def _is_out(choice: Choice, k: int, silences: Sequence[Silence]) -> bool:
    return choice.left_s[k] <= max(OUT_S, OUT_SHARE * silences[k].seconds)


def _is_shorter(choice: Choice, k: int, silences: Sequence[Silence]) -> bool:
    return choice.left_s[k] <= (1.0 - WORTH_SHARE) * silences[k].seconds


def _reason(choice: Choice, usual: Timed, silences: Sequence[Silence]) -> str:
    """Such as "1.2 km and 35 kJ more take out dead stretches B and D: 9 minutes; leaves the usual ride at 12.4 km"."""
    ridden = choice.timed.ridden
    more_m = ridden.length_m - usual.ridden.length_m
    more_kj = words.whole(ridden.effort_kj) - words.whole(usual.ridden.effort_kj)
    out = [s.letter for k, s in enumerate(silences) if _is_out(choice, k, silences)]
    shorter = [
        s.letter
        for k, s in enumerate(silences)
        if _is_shorter(choice, k, silences) and not _is_out(choice, k, silences)
    ]
    deeds = []
    if out:
        deeds.append(f"take out the usual ride's dead stretch{'es' if len(out) > 1 else ''} {_and(out)}")
    if shorter:
        deeds.append(
            f"shorten {_and(shorter)}"
            if out
            else f"shorten the usual ride's dead stretch{'es' * (len(shorter) > 1)} {_and(shorter)}"
        )
    saved_s = usual.figures.dead_s - choice.timed.figures.dead_s
    did = " and ".join(deeds) or "take out silence here and there"
    told = f"{_price(more_m, more_kj)} {did}: {_minutes(saved_s)}"
    left = [f"at {words.km(at_m)}" + (f" by {road}" if road else "") for at_m, road in choice.where]
    return f"{told}; leaves it {_and(left)}"


def _price(more_m: float, more_kj: int) -> str:
    """What a choice costs: "1.2 km and 35 kJ more", "0.4 km less and 12 kJ more"."""
    metres = words.km(abs(more_m)) if abs(more_m) >= 950 else f"{words.whole(abs(more_m) / 10) * 10} m"
    length, effort = ("more" if more_m >= 0 else "less"), ("more" if more_kj >= 0 else "less")
    if abs(more_m) < 50:
        return f"{abs(more_kj)} kJ {effort}"
    if length == effort:
        return f"{metres} and {abs(more_kj)} kJ {effort}"
    return f"{metres} {length} and {abs(more_kj)} kJ {effort}"


def _minutes(seconds: float) -> str:
    if seconds < 90:
        return f"{words.whole(seconds / 10) * 10} seconds"
    return f"{words.minutes(seconds)} minutes"


def _and(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _how(setting: Setting, epsilon: float) -> str:
    extra = f"{setting.ride.ride.extra_km_at_most:g} km"
    told = f"detours leave the ride up to {WITHIN_M / 1000:g} km before a dead stretch, join it as near after, and "
    told += f"add at most {extra} in all; every dead stretch counts, in a net's window or not"
    if epsilon:
        told += "; all of them would take too long: each is within "
        told += f"{words.percent(epsilon, 1)} of one that was looked at"
    return told


def _stop_instead(setting: Setting, ridden: Ridden, silence: Silence) -> str:
    """What to do about a stretch that no detour shown helps."""
    where = f"{silence.begin_m / 1000:.1f}-{silence.end_m / 1000:.1f} km"
    where += f", {silence.near}" if silence.near else ""
    head = f"no small detour helps dead stretch {silence.letter} ({where})"
    row, index, standing, _ = calling_rows(setting, ridden)
    good = np.flatnonzero(np.nan_to_num(standing) >= setting.ride.contact.chance)
    at_m = ridden.distance_m[row[good]]
    away = np.maximum(silence.begin_m - at_m, 0) + np.maximum(at_m - silence.end_m, 0)
    if len(good) and away.min() <= WITHIN_M:
        nearest = int(np.argmin(away))
        place = index[good[nearest]]
        name, kind = setting.area.places.name[place], setting.area.places.kind[place]
        said = f"the {kind.replace('_', ' ')} {name} has" if name else f"the {kind.replace('_', ' ')} there has"
        return f"{head}: stop at {words.km(at_m[nearest])} instead: {said} contact"
    rows = np.flatnonzero(ridden.chance >= setting.ride.contact.chance)
    before, after = rows[rows < silence.row], rows[rows >= silence.past_row]
    told = [f"at {words.km(ridden.distance_m[r[k]])}" for r, k in ((before, -1), (after, 0)) if len(r)]
    if not told:
        return f"{head}, and nowhere on the ride is there contact to stop at"
    return f"{head}: no calling place near it has contact; the nearest road that has is {' and '.join(told)}"
