"""What no loop of a ride file can pass: the plan's proven bound on contact."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from routeplan import search
from routeplan.plan.loops import Window, asked_longest_s, question
from routeplan.plan.setting import Setting
from routeplan.plan.timetable import planned_halt_s
from routeplan.plan.value import Bound


def contact_bound(setting: Setting, window: Window, departs: list[datetime]) -> Bound:
    """A proven figure that the contact of no such loop can pass, every second ridden counted, repeats and halts too."""
    asked = question(setting, window, bool(setting.nets))
    repeats = setting.ride.ride.repeat_share
    halt_s = planned_halt_s(setting.ride)
    at_most, how = 0.0, ""
    for departure in departs:
        clock = setting.clock(departure)
        result = search.best_loops(
            asked.tail,
            asked.head,
            asked.measure,
            np.zeros_like(asked.contact_s) if clock.windows_s else asked.contact_s,
            asked.start,
            window.shortest,
            window.longest,
            street=asked.street,
            may_repeat=repeats > 0,
            repeat_share_at_most=repeats,
            banned_turns=asked.banned,
            time_s=asked.time_s,
            clock_gain=asked.contact_s if clock.windows_s else None,
            clock=clock.upper_table(asked_longest_s(asked, window), halt_s) if clock.windows_s else None,
            count=0,
        )
        again_s = fill(asked.contact_s, asked.measure, repeats * window.longest)
        if result.gain_at_most + again_s > at_most:
            at_most, how = result.gain_at_most + again_s, result.proof
    return with_halt(at_most, how, halt_s, setting.clock(departs[0]).length_s)


def with_halt(at_most_s: float, how: str, halt_s: float, window_s: float) -> Bound:
    """A bound of contact while riding, with a planned halt counted in full, and no more than the net's window has."""
    at_most_s += halt_s
    if window_s and at_most_s >= window_s:
        return Bound(contact_s_at_most=float(window_s), how="the window's whole length")
    told = f"; a halt of {halt_s / 60:.0f} min counted in full" if halt_s else ""
    return Bound(contact_s_at_most=float(at_most_s), how=how + told)


def fill(gain: np.ndarray, measure: np.ndarray, room: float) -> float:
    """The most that edges ridden again can add: those of the best gain per measure, each once, the last in part."""
    order = np.argsort(-gain / np.maximum(measure, 1e-9), kind="stable")
    before = np.cumsum(measure[order]) - measure[order]
    part = np.clip((room - before) / np.maximum(measure[order], 1e-9), 0.0, 1.0)
    return float(np.sum(gain[order] * part))
