"""What would change the answer: the same route with another set, mount or station, one change at a time."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from routeplan.errors import InputError
from routeplan.plan.contact import NOWHERE_DB, Contacts
from routeplan.plan.ridden import Ridden, contact_figures
from routeplan.plan.ridefile import Ride, with_changes
from routeplan.plan.setting import Setting, make_contacts
from routeplan.plan.timetable import Timed
from routeplan.plan.words import minutes
from routeplan.radio.words import DEFAULT_KIND, MOUNTS

HIGHER_M = 5.0  # how much higher a guessed mast is tried


def what_if(setting: Setting, timed: Timed) -> tuple[tuple[str, float], ...]:
    """(change in words, change of contact_s), the most telling first; only changes that can be made are tried."""
    base = timed.figures.contact_s
    told = []
    known: dict[Any, np.ndarray] = {}
    for text, changes in _changes(setting):
        try:
            ride = with_changes(setting.ride, changes)
        except InputError:
            continue  # a value that this ride file cannot take, such as a power above what its set may have
        told.append((text, contact_s_with(setting, timed, ride, known) - base))
    return tuple(sorted(told, key=lambda item: (-abs(item[1]), item[0])))


def guess_line(setting: Setting, told: Sequence[tuple[str, float]], guesses: Container[str]) -> tuple[str, ...]:
    """One sentence that names the guess which would change the answer most; none where nothing tried was guessed.

    told : of `what_if`. guesses : keys of the assumptions that are guesses.
    """
    keys = {text: next(iter(changes)) for text, changes in _changes(setting)}
    guessed = [(text, seconds) for text, seconds in told if keys.get(text) in guesses]
    if not guessed:
        return ()
    text, seconds = guessed[0]
    if minutes(abs(seconds)) == 0:
        return ("No guess that was tried would change the first ride's contact by a minute.",)
    more = f"{minutes(abs(seconds))} min {'more' if seconds > 0 else 'less'} contact"
    return (f"Of what was guessed, {keys[text]} would tell most: {text} gives {more} on the first ride.",)


def contact_s_with(setting: Setting, timed: Timed, ride: Ride, known: dict[Any, np.ndarray] | None = None) -> float:
    """Expected contact [s] of the route as timed, with the radio side of another ride file.

    known : losses along this route that are reckoned already (see Contacts.losses_db).
    """
    network, ridden = setting.network, timed.ridden
    contacts = make_contacts(setting.area, ride, network.point_x_m, network.point_y_m)
    return contact_figures(_heard_by(setting, ridden, contacts, known), timed.clock, ride.contact.chance).contact_s


def _heard_by(setting: Setting, ridden: Ridden, contacts: Contacts, known: dict[Any, np.ndarray] | None) -> Ridden:
    """The same ride with the margins of other contacts; halts are reckoned standing."""
    network, pieces = setting.network, setting.pieces
    point = pieces.start_point[ridden.way, ridden.piece]
    x, y = network.point_x_m[point], network.point_y_m[point]
    losses = contacts.losses_db(x, y, known)
    heading = pieces.heading_deg[ridden.way, ridden.piece]
    off = np.abs((contacts.bearings_deg(x, y) - heading + 180.0) % 360.0 - 180.0)
    margins = contacts.margins_db(losses, off)
    silent = network.ways.tunnel[pieces.way[ridden.piece]] | setting.riding.ferry[ridden.piece]
    margins = np.where(silent, NOWHERE_DB, margins)
    if ridden.standing.any():
        at = ridden.standing
        margins[:, :, at] = contacts.margins_standing_db(losses[:, :, at])
    return replace(ridden, margin_db=margins, chance=contacts.rule_chance(margins))


def _changes(setting: Setting) -> Iterable[tuple[str, dict[str, Any]]]:
    ride = setting.ride
    watts = ride.set.transmit_w
    yield f"{2 * watts:g} W in place of {watts:g} W", {"set.transmit_w": 2 * watts}
    yield f"{watts / 5:g} W in place of {watts:g} W", {"set.transmit_w": watts / 5}
    for mount in MOUNTS:
        if mount != ride.set.mount and ride.set.mount in MOUNTS:
            yield f"the set {_where(mount)} in place of {_where(ride.set.mount)}", {"set.mount": mount}
    if ride.set.antenna != "half wave":
        yield f"a half wave in place of the {ride.set.antenna}", {"set.antenna": "half wave"}
    yield "noise as in a town where you ride", {"radio.noise": "residential"}
    unsaid = {s.name for s in ride.stations if s.kind is None and not s.repeater}
    for work in setting.contacts.workable:
        if work.name in unsaid:
            yield f"{work.name} indoors in place of {DEFAULT_KIND}", {f"station.{work.name}.kind": "indoors"}
        height = work.station.antenna_height_m + HIGHER_M
        yield f"{work.name}'s antenna {HIGHER_M:g} m higher", {f"station.{work.name}.antenna_height_m": height}


def _where(mount: str) -> str:
    return {"rack": "on the rack", "chest": "on the chest", "hand": "in the hand"}.get(mount, mount)
