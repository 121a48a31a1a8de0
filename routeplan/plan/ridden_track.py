"""A recorded track as a ride: on the streets, on the clock of the day, and what its times say of the rider."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import NamedTuple

import numpy as np

from routeplan.afterwards import placing
from routeplan.afterwards.riding import PRIOR_SPREAD, RiderFit, fit_rider
from routeplan.afterwards.tracks import Track
from routeplan.errors import InputError
from routeplan.plan import words
from routeplan.plan.area import Area
from routeplan.plan.followed import Followed
from routeplan.plan.ridden import Ridden, contact_figures
from routeplan.plan.ridefile import Ride, with_changes
from routeplan.plan.setting import Setting, wind_at_rider
from routeplan.plan.timetable import Timed, time_route
from routeplan.plan.weights import ride_weights
from routeplan.ride.surfaces import rolling_coefficients
from routeplan.roads.tags import SURFACES

INSIDE_SHARE = 0.5  # of the track's points that must lie in the area
FUTURE_S = 86_400.0
CLIMB_BAND_M = 4.0
STANDING_OVER_S, STANDS_BELOW_M_S = 15.0, 0.5
PAUSED_WITHIN_M = 30.0  # what fixes before and after a pause may differ by; judgement
STRETCH_M = 500.0  # of the ride, for learning from times


def on_the_ground(area: Area, track: Track, name: str, now_s: float | None) -> tuple[placing.Ridden, Track, list[str]]:
    """The track inside the area, cleaned, and the same points as a Track; InputError of another place or no times."""
    x, y = (np.asarray(v) for v in area.projection.to_xy(track.latitude_deg, track.longitude_deg))
    inside = np.asarray(area.elevation.contains(x, y))
    if inside.mean() < INSIDE_SHARE:
        raise InputError(
            f"{int((~inside).sum())} of {len(inside)} track points lie outside the area {area.name!r}, the first at "
            f"{words.place(track.latitude_deg[0], track.longitude_deg[0])}", name, "is it a ride of another place?",
        )  # fmt: skip
    warnings = []
    if not inside.all():
        warnings.append(f"{int((~inside).sum())} track points outside the area are left out")
    kept = _rows_of(track, inside)
    ridden = placing.cleaned(kept, x[inside], y[inside])
    if len(ridden.time_s) < 2:
        raise InputError(
            "the track has no times, so reports cannot be put on it", name, "export the recorded ride, not the plan"
        )
    now_s = datetime.now(UTC).timestamp() if now_s is None else now_s
    if ridden.time_s[-1] > now_s + FUTURE_S:
        when = datetime.fromtimestamp(ridden.time_s[-1], UTC)
        warnings.append(f"the track ends in the future, {when:%d %B %Y %H:%M} UTC: is the recorder's clock right?")
    order = np.searchsorted(ridden.time_s, kept.time_s)
    _, rows = np.unique(np.where(np.isfinite(kept.time_s), order, -1), return_index=True)
    rows = np.array([k for k in rows if np.isfinite(kept.time_s[k])])
    exact = np.isin(kept.time_s[rows], ridden.time_s)
    rows = rows[exact]
    clean = _rows_of(kept, rows)
    return ridden, clean, warnings + list(ridden.notes)


def _rows_of(track: Track, rows: np.ndarray) -> Track:
    """Those points: a mask or indices."""
    return replace(
        track,
        latitude_deg=track.latitude_deg[rows],
        longitude_deg=track.longitude_deg[rows],
        elevation_m=track.elevation_m[rows],
        time_s=track.time_s[rows],
    )


def zone_of(ride: Ride) -> tzinfo:
    return ride.start.time_zone or UTC


def middle_s(ridden: placing.Ridden) -> float:
    return float(ridden.time_s[0] + ridden.time_s[-1]) / 2


def began_at(ride: Ride, ridden: placing.Ridden) -> datetime:
    return datetime.fromtimestamp(float(ridden.time_s[0]), zone_of(ride))


def ride_name(began: datetime) -> str:
    return f"{began.astimezone(UTC):%Y-%m-%d %H:%M}"


def on_that_day(ride: Ride, begin_s: float) -> tuple[Ride, list[str]]:
    """The ride file with the departure of the track, so that nets fall on the day that was ridden."""
    zone = zone_of(ride)
    began = datetime.fromtimestamp(float(begin_s), zone).replace(microsecond=0)
    planned = ride.start.departs or (ride.start.departs_between or (None,))[0]
    notes = []
    if planned is not None and planned.astimezone(zone).date() != began.date():
        notes.append(f"the ride file is for {words.day(planned)}, the track is of {words.day(began)}")
    local = began.replace(tzinfo=None)
    key, value = ("departs_between", [local, local]) if ride.start.departs_between else ("departs", local)
    try:
        return with_changes(ride, {f"start.{key}": value}), notes
    except InputError:
        return ride, [*notes, "the nets of the ride file do not fit the day of the track and stay on their own"]


def _positions(followed: Followed) -> np.ndarray:
    """Place in `followed.edges` of each matched edge: the joined ride holds them in order, with bridges between."""
    at, out = 0, []
    edges = followed.edges.tolist()
    for edge in followed.match.edges.tolist():
        while at < len(edges) - 1 and edges[at] != edge:
            at += 1
        out.append(at)
        at += 1
    return np.minimum(np.array(out, dtype=int), max(len(edges) - 1, 0))


class Along(NamedTuple):
    """The way ridden against the clock: both ascending."""

    time_s: np.ndarray
    distance_m: np.ndarray

    def metres(self, time_s: np.ndarray | float) -> np.ndarray:
        return np.interp(time_s, self.time_s, self.distance_m)


def along_of(followed: Followed, track: Track, timed: Timed) -> Along:
    """Metres along the predicted route at each matched track point."""
    match, network = followed.match, followed.setting.network
    good = np.flatnonzero((match.edge_at >= 0) & np.isfinite(track.time_s))
    position = _positions(followed)[match.edge_at[good]]
    length = network.edge_length_m[followed.edges]
    begins = np.concatenate([[0.0], np.cumsum(length)])
    metres = begins[position] + np.clip(match.offset_m[good], 0.0, length[position])
    return Along(track.time_s[good], np.maximum.accumulate(metres))


def as_ridden(followed: Followed, track: Track, ridden: placing.Ridden, ride: Ride) -> Timed:
    """The followed route with the times at which its places were really passed."""
    planned = time_route(followed.setting, followed.edges, began_at(ride, ridden))
    along = along_of(followed, track, planned)
    way = planned.ridden
    metres, first = np.unique(along.distance_m, return_index=True)
    seconds = along.time_s[first] - ridden.time_s[0]
    time_s = np.interp(way.distance_m, metres, seconds)
    # What the matching did not reach at either end is ridden as the model has it.
    time_s[-1] = max(float(ridden.time_s[-1] - ridden.time_s[0]), time_s[-1])
    time_s[0] = 0.0
    time_s = np.maximum.accumulate(time_s)
    # Places passed at one moment are told apart by a thousandth of a second: nothing may divide by no time.
    time_s = time_s + np.arange(len(time_s)) * 1e-3
    real: Ridden = replace(way, time_s=time_s)
    return replace(
        planned, ridden=real, figures=contact_figures(real, planned.clock, followed.setting.ride.contact.chance)
    )


# --- what the times say of the rider ---------------------------------------------------------------------------


def rider_of(
    setting: Setting, timed: Timed, followed: Followed, track: Track, before_sd: dict[str, float]
) -> tuple[RiderFit, float]:
    """Power, drag and rolling from the times of stretches, and the seconds spent standing.

    before_sd : spread of the logarithm of each value as earlier rides left it, by parameter.
    """
    ride, way = setting.ride, timed.ridden
    along = along_of(followed, track, timed)
    step_s, step_m = np.diff(along.time_s), np.diff(along.distance_m)
    middle = (along.time_s[1:] + along.time_s[:-1]) / 2
    # Fixes jitter by metres, so standing shows only over some seconds.
    moved_m = along.metres(middle + STANDING_OVER_S / 2) - along.metres(middle - STANDING_OVER_S / 2)
    still = (moved_m < STANDING_OVER_S * STANDS_BELOW_M_S) & (step_s < placing.GAP_S)
    still |= (step_s >= placing.GAP_S) & (step_m < PAUSED_WITHIN_M)  # the recorder pauses by itself where one stands
    standing = np.concatenate([[0.0], np.cumsum(np.where(still, step_s, 0.0))])
    begins = np.arange(0.0, way.length_m - STRETCH_M / 2, STRETCH_M)
    ends = np.append(begins[1:], way.length_m)
    metres, last = np.unique(along.distance_m[::-1], return_index=True)
    at = len(along.distance_m) - 1 - last
    if len(metres) < 2:
        nothing = np.full(len(begins), np.nan)
        return fit_rider(lambda f: nothing, nothing), 0.0
    clock = np.interp(np.stack([begins, ends]), metres, along.time_s[at])
    stood = np.interp(np.stack([begins, ends]), metres, standing[at])
    ridden_s = (clock[1] - clock[0]) - (stood[1] - stood[0])
    row = np.clip(np.searchsorted(begins, way.distance_m[:-1], side="right") - 1, 0, len(begins) - 1)
    odd = setting.riding.ferry[way.piece] | way.walking
    # A stretch is used where it was ridden, tracked, and not through a gap.
    unusable = np.zeros(len(begins), dtype=bool)
    np.logical_or.at(unusable, row, odd)
    gap = np.flatnonzero((step_m > placing.GAP_M / 2) | (step_s > placing.GAP_S))
    for k in gap:
        unusable |= (begins < along.distance_m[k + 1]) & (ends > along.distance_m[k])
    unusable |= (begins < metres[0]) | (ends > metres[-1])
    speed = STRETCH_M / np.maximum(ridden_s, 1e-9)
    unusable |= (speed < 0.7) | (speed > 22.0)
    model = _Times(setting, way, row, len(begins))
    prior = {name: min(sd, before_sd.get(name, sd)) for name, sd in PRIOR_SPREAD.items()}
    fitted = fit_rider(
        model, np.where(unusable, np.nan, ridden_s), day_spread=ride.rider.power_spread, prior_spread=prior
    )
    return fitted, float(standing[-1])


@dataclass(frozen=True)
class _Times:
    """The model's times of stretches for factors on the rider's values."""

    setting: Setting
    way: Ridden
    row: np.ndarray
    count: int

    def __call__(self, factors: dict[str, float]) -> np.ndarray:
        setting, ride = self.setting, self.setting.ride
        rider = ride.pacing_rider
        power = rider.power_w * factors["power_w"]
        climb = rider.full_climb_power_w * factors["power_w"] * factors["climb_factor"]
        rider = replace(rider, power_w=power, climb_power_w=max(climb, power),
                        drag_area_m2=rider.drag_area_m2 * factors["drag_area_m2"])  # fmt: skip
        rolling = dict(zip(SURFACES, rolling_coefficients(SURFACES, ride.rider.rolling) * factors["rolling"]))
        riding = ride_weights(
            setting.pieces, rider, wind_m_s=wind_at_rider(ride), wind_from_deg=ride.wind.from_deg,
            air_density_kg_m3=setting.riding.air_density_kg_m3, rolling=rolling,
        )  # fmt: skip
        seconds = (riding.time_s - riding.stop_s)[self.way.way, self.way.piece]
        return np.maximum(np.bincount(self.row, weights=seconds, minlength=self.count), 1e-3)


def climb_of(track: Track, followed: Followed) -> float:
    """Sum of rises [m] that the recorder's heights show, in steps of 50 m with a dead band of 4 m; NaN without heights.

    Recorders drift and jitter: the band is what an air-pressure height changes by without a hill (judgement).
    """
    match = followed.match
    good = np.isfinite(track.elevation_m) & np.isfinite(match.distance_m)
    if good.sum() < 10:
        return math.nan
    metres, first = np.unique(np.maximum.accumulate(match.distance_m[good]), return_index=True)
    height = np.interp(np.arange(0.0, metres[-1] + 50.0, 50.0), metres, track.elevation_m[good][first])
    climb, low = 0.0, float(height[0])
    top = low
    for z in height[1:].tolist():
        if z > top:
            top = z
        elif z < top - CLIMB_BAND_M:
            climb += max(top - low, 0.0) if top - low > CLIMB_BAND_M else 0.0
            low = top = z
        if z < low:
            low = top = z
    return climb + (top - low if top - low > CLIMB_BAND_M else 0.0)
