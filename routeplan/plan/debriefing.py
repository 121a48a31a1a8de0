"""How a debrief is said: sentences, each with its range."""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np

from routeplan.afterwards.learn import Estimate
from routeplan.plan.area import Area
from routeplan.plan.debriefed import Debrief
from routeplan.plan.followed import Followed
from routeplan.plan.learnt import Learnt
from routeplan.plan.words import counted, day, hours, km, whole

NAMED_WITHIN_M = 3000.0
VALUES = {
    "rider.power_w": "Power on the flat (power_w)",
    "rider.climb_power_w": "Power on climbs (climb_power_w)",
    "rider.drag_area_m2": "The drag area (drag_area_m2)",
}
COVER_DB = 1.5  # where half or half as much again of the cover changes the loss by more, it is the cover that matters


def day_of(began: datetime) -> str:
    return f"{day(began)}, {began:%H:%M}"


def followed_in_words(followed: Followed) -> str:
    said = f"The ride as it was ridden; {whole(followed.match.matched_share * 100)} % of the track lies on streets."
    if followed.bridged_m > 100:
        said += f" {km(followed.bridged_m)} of gaps were closed along the shortest way."
    return said


def decibels(estimate: Estimate) -> str:
    """ "9 dB (5 to 13)": sizes, where the whole interval has the sign of the value, else with signs."""
    value, low, high = estimate.value, estimate.low, estimate.high
    if low >= 0:
        return f"{whole(value)} dB ({whole(low)} to {whole(high)})"
    if high <= 0:
        return f"{whole(-value)} dB ({whole(-high)} to {whole(-low)})"
    return f"{whole(abs(value))} dB ({whole(-low)} the one way to {whole(high)} the other)"


def place_in_words(area: Area, x_m: float, y_m: float) -> str:
    """ "near Hestermouth", or "" where nothing with a name is near."""
    places = area.places
    named = np.array([bool(name) for name in places.name], dtype=bool) & ~places.calling
    distance = np.where(named, np.hypot(places.x_m - x_m, places.y_m - y_m), np.inf)
    if not len(distance) or distance.min() > NAMED_WITHIN_M:
        return ""
    return f"near {places.name[int(distance.argmin())]}"


def surprise_in_words(
    area: Area, station: str, distance_m: float, x_m: float, y_m: float, error: Estimate, cover_db: float, reports: int
) -> str:
    """One sentence for one surprise."""
    where = place_in_words(area, x_m, y_m)
    at = f"{where} ({km(distance_m)})" if where else f"at {km(distance_m)}"
    what = "the woods or houses" if cover_db > COVER_DB else "the ground"
    cost = "cost" if cover_db > COVER_DB else "costs"
    sense = "more" if error.value < 0 else "less"
    plural = "reports" if reports > 1 else "report"
    return (
        f"{what} between {station} and the road {at} {cost} {decibels(error)} {sense} than assumed, "
        f"from {reports} {plural}"
    )


def sentences(found: Debrief) -> tuple[str, ...]:
    """What a rider should take home, the weightiest first."""
    out = [_overall(found)]
    for name, estimate in found.station_estimates:
        out.append(_station(name, estimate))
    out += [f"{s.sentence[:1].upper()}{s.sentence[1:]}." for s in found.surprises]
    if found.cover.learnt:
        out.append(f"Woods and houses act as if {found.cover.value:.2f} times as tall as assumed "
                   f"({found.cover.low:.2f} to {found.cover.high:.2f}).")  # fmt: skip
    out += [_reliable(found), *_ride(found), _trust(found)]
    return tuple(text for text in out if text)


def _overall(found: Debrief) -> str:
    heard = [h for h in found.heard if h.counted and math.isfinite(h.chance)]
    calls = [h for h in heard if not h.beacon]
    beacons = [h for h in heard if h.beacon]
    parts = []
    if calls:
        expected = sum(h.chance for h in calls)
        parts.append(
            f"{sum(h.worked for h in calls)} of {len(calls)} calls were worked; the plan had expected {expected:.0f}"
        )
    if beacons:
        expected = sum(h.chance for h in beacons)
        got = sum(h.worked for h in beacons)
        parts.append(f"{got} of {len(beacons)} beacons were received; the plan had expected {expected:.0f}")
    return "; ".join(parts) + "." if parts else "No report could be compared with the prediction."


def _station(name: str, estimate: Estimate) -> str:
    reports = f"{counted(estimate.reports, 'report')} on {counted(estimate.rides, 'ride')}"
    if not estimate.learnt:
        say = "says" if estimate.reports == 1 else "say"
        return f"{name}: {reports} {say} too little to change what is reckoned."
    if estimate.low < 0 < estimate.high:
        size = whole(abs(estimate.value))
        most_likely = f", {size} dB {'stronger' if estimate.value > 0 else 'weaker'} at best guess" if size else ""
        return (
            f"{name} is about as reckoned{most_likely} "
            f"({whole(-estimate.low)} dB weaker to {whole(estimate.high)} stronger), from {reports}."
        )
    sense = "stronger" if estimate.value > 0 else "weaker"
    return f"{name} is {decibels(estimate)} {sense} than reckoned, from {reports}."


def _reliable(found: Debrief) -> str:
    r = found.reliability
    if r.reports < 8:
        return ""
    sense = "better" if r.brier < r.brier_of_the_mean else "no better"
    return (f"The predicted chances were {sense} than always saying the mean (Brier score {r.brier:.2f} against "
            f"{r.brier_of_the_mean:.2f}, {r.reports} reports).")  # fmt: skip


def _ride(found: Debrief) -> list[str]:
    ride = found.ride
    moving = ride.ridden_s - ride.standing_s
    low, high = ride.model_range_s
    out = [
        f"The ride took {hours(ride.ridden_s)}, {hours(ride.standing_s)} of it standing; {hours(moving)} in motion, "
        f"where the model had {hours(ride.model_s)} ({hours(low)} to {hours(high)})."
    ]
    if math.isfinite(ride.climb_track_m):
        out.append(f"Climb: {whole(ride.climb_track_m)} m by the recorder, {whole(ride.climb_model_m)} m by the model "
                   f"(±{whole(ride.climb_uncertainty_m)}).")  # fmt: skip
    for value in ride.values:
        e = value.estimate
        if not e.learnt or value.key == "rider.rolling":
            continue
        digits = 2 if value.key.endswith("m2") else 0
        range_ = f"{e.low:.{digits}f} to {e.high:.{digits}f}"
        said = f"{VALUES[value.key]} looks like {e.value:.{digits}f} ({range_}), {value.used:.{digits}f} was used"
        if value.stated:
            said += "; the ride file states it, so it is yours to change"
        out.append(said + ".")
    return out


def _trust(found: Debrief) -> str:
    check = found.validation
    if check is None:
        return (
            "One ride alone cannot be checked against another: trust what was learnt with its ranges."
            if found.heard
            else ""
        )
    sense = "better" if check.better else "worse"
    return (f"Each of {check.rides} rides predicted from the others: {sense} with what was learnt than without "
            f"(mean log score of a report {check.learnt:.2f} against {check.default:.2f}).")  # fmt: skip


def changes(before: Learnt, now: Learnt) -> tuple[str, ...]:
    """What is now learnt otherwise than before this ride."""
    if not before.rides:
        return ()
    out = []
    for offset in now.stations:
        old = before.station(offset.name)
        if old is None:
            out.append(f"{offset.name}: learnt for the first time, {offset.words}")
        elif abs(offset.offset_db - old.offset_db) >= 0.5:
            out.append(f"{offset.name}: {old.offset_db:+.1f} dB before, {offset.offset_db:+.1f} dB now")
    out += [f"{o.name}: no longer learnt" for o in before.stations if now.station(o.name) is None]
    if math.isfinite(before.residual_db) and abs(now.residual_db - before.residual_db) >= 0.3:
        out.append(f"scatter of predictions: {before.residual_db:.1f} dB before, {now.residual_db:.1f} dB now")
    return tuple(out) or ("nothing of weight",)
