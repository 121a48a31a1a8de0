"""What no loop of a ride file can pass: proven limits on contact, at once and tightened.

    quick = contact_bound(setting, window, departs)                      seconds
    tight = tightened_bound(setting, window, departs, best=best_of(timed), report=report)

`report(proof)` is called some times a second with a `Proof`: `proof.bound` (what the plan shows, never looser than the
one before), `proof.gap` to the best choice, `proof.seconds`, `proof.steps`, `proof.done`; answering False stops. It may
run on any thread; nothing is shared. Where it stood is kept in the user's cache folder under the hash of everything
it reckons with, and a later call with the same area and ride goes on from there.

What is covered: every closed ride from the start inside the window, as the search measures it; each direction of a
street at most once, no turning back but at the start, banned turns left out, no more ridden again than `repeat_share`
allows. Every second ridden counts, repeats and roundabouts included, and a planned halt. With a net no ride counts more
seconds than the window has, a street and a calling place count only if they can be reached before the window ends, at
the pace of any day, and the halt counts with the chance of the calling place that is passed. Without a net the seconds
out of contact are bounded from below too: they are what is kept small, while seconds in contact also pay for dawdling.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from routeplan.plan.loops import Window, question
from routeplan.plan.setting import Setting
from routeplan.plan.timetable import CALLING_WITHIN_M, Timed, planned_halt_s
from routeplan.plan.value import Bound
from routeplan.search import bounds
from routeplan.search.ball import Ball, make_ball
from routeplan.search.dual import Standing, descend, dual_figure
from routeplan.search.engine import Objective

STEPS = 60_000  # of one run on each limit; about a minute each where 40 km reach 15,000 streets
KEEP_EVERY_S = 10.0  # where it stands is written this often
CLOSE_ENOUGH = 0.005  # of the limit: a choice this near to it leaves nothing to prove
KEPT = 40  # standings in the cache folder, those last written
STATE_FORMAT = "routeplan proof 1"
QUICK = "proven by filling the streets within reach, each way once, {} into {}; every second ridden counts"
TIGHT = (
    "proven by a flow from the start and back to it that keeps count of the length ridden, each way of a street once; "
    "every second ridden counts"
)


@dataclass(frozen=True)
class Best:
    """What the choices reach: no limit can be better."""

    contact_s: float = 0.0
    out_s: float = np.inf  # least seconds out of contact


def best_of(timed: list[Timed]) -> Best:
    """The most contact and the least silence among rides."""
    out = (float(t.ridden.ride_time_s - np.nansum(t.ridden.duration_s * t.ridden.chance)) for t in timed)
    return Best(max((t.figures.contact_s for t in timed), default=0.0), min(out, default=np.inf))


@dataclass(frozen=True, eq=False)
class Proof:
    """How far a proof has come."""

    bound: Bound
    best: Best
    seconds: float  # since the call
    steps: int  # in all, earlier runs included
    done: bool  # nothing more is to be had
    parts: tuple[tuple[_Part, Standing], ...] = field(repr=False, default=())

    @property
    def gap(self) -> float:
        """How much better than the best choice a ride could still be, as a share of the limit that is told."""
        if self.bound.out_s_at_least is not None:
            return max(0.0, 1.0 - self.bound.out_s_at_least / max(self.best.out_s, 1e-9))
        return max(0.0, self.bound.contact_s_at_most / max(self.best.contact_s, 1e-9) - 1.0)

    @property
    def said(self) -> str:
        """One line of progress, in minutes with a tenth."""
        bound, best = self.bound, self.best
        if bound.out_s_at_least is not None:
            limit = f"no loop can have less than {bound.out_s_at_least / 60:.1f} min out of contact"
            found = f"the best choice has {best.out_s / 60:.1f}"
        else:
            limit = f"no loop can have more than {bound.contact_s_at_most / 60:.1f} min of the net in contact"
            found = f"the best choice has {best.contact_s / 60:.1f}"
        return f"{self.seconds:.0f} s: {limit}, {found} (gap {100 * self.gap:.1f} %)"

    def certificate(self) -> dict[str, Any]:
        """What `tests/search/check_certificate.py` checks: each limit's problem and prices, and how it is told."""
        told = {"contact_s_at_most": self.bound.contact_s_at_most, "out_s_at_least": self.bound.out_s_at_least,
                "how": self.bound.how, "scope": self.bound.scope}  # fmt: skip
        parts = []
        for part, at in self.parts:
            figure = bounds.with_rounding(part.given, at.figure)
            parts.append({"of": part.of, "constant": part.constant} | bounds.certificate_of(part.given, at, figure))
        return {"format": bounds.CERTIFICATE, "told": told, "parts": parts}


@dataclass(frozen=True, eq=False)
class _Asked:
    """One search problem in the numbers of a bound, on the streets within reach."""

    ball: Ball
    contact: Objective  # seconds in contact; with a net nothing beside the clock
    out: Objective | None  # less the seconds out of contact; None with a net
    clock: bounds.Clock | None
    ring_s: float  # contact on the start's own roundabout
    halt_s: float
    window_s: float  # of the nets, 0 without
    scope: str

    def bound(self, contact_s: float, out_s: float | None, how: str) -> Bound:
        """`contact_s` is the search's figure, a net's halt within."""
        if self.window_s:
            at_most = contact_s + self.ring_s
            if at_most >= self.window_s:
                at_most, how = self.window_s, "the window's whole length"
            elif self.halt_s:
                how += f", and so does a halt of {self.halt_s / 60:.0f} min at the best calling place"
            return Bound(float(at_most), how, self.scope)
        return replace(
            with_halt(contact_s + self.ring_s, how, self.halt_s, 0.0),
            scope=self.scope, out_s_at_least=None if out_s is None else max(float(out_s), 0.0),
        )  # fmt: skip


def contact_bound(setting: Setting, window: Window, departs: list[datetime]) -> Bound:
    """A proven figure that the contact of no such loop can pass, every second ridden counted, repeats and halts too."""
    return _quick(_asked(setting, window, departs))


def _quick(asked: _Asked) -> Bound:
    ball, clock = asked.ball, asked.clock
    how = QUICK.format("the best for their length first,", "the longest length")
    if clock is None:
        assert asked.out is not None
        contact_s = bounds.quick(ball, asked.contact).gain_at_most
        return asked.bound(contact_s, -bounds.quick(ball, asked.out).gain_at_most, how)
    by_edge = replace(asked.contact, gain=ball.summed(clock.worth), again=ball.summed(clock.worth))
    by_length = bounds.quick(ball, by_edge).gain_at_most
    halted_s = 0.0 if clock.halt is None else float(clock.halt.max(initial=0.0))
    by_window = fill(clock.worth, clock.takes, clock.window) * (1 + 1e-9)
    if by_window < by_length:
        how = QUICK.format("the best contact first,", "the net's window")
    return asked.bound(min(by_length, by_window) + halted_s, None, how)


def tightened_bound(
    setting: Setting,
    window: Window,
    departs: list[datetime],
    *,
    best: Best,
    report: Callable[[Proof], bool] = lambda proof: True,
    resume: bool = True,
    steps: int = STEPS,
    folder: Path | None = None,
) -> Bound:
    """The bound of `contact_bound`, made as tight as a flow with lengths makes it in `steps` steps a limit.

    best    : what the choices reach, for the gap and to stop where nothing is left to prove
    report  : told how far it has come; False stops
    resume  : go on from where an earlier call with the same numbers stood, and keep where this one stands
    folder  : where that is kept; None: the user's cache folder
    """
    bound = None
    for proof in proofs(setting, window, departs, best=best, resume=resume, steps=steps, folder=folder):
        bound = proof.bound
        if not report(proof):
            break
    assert bound is not None
    return bound


def proofs(
    setting: Setting,
    window: Window,
    departs: list[datetime],
    *,
    best: Best,
    resume: bool = True,
    steps: int = STEPS,
    folder: Path | None = None,
) -> Iterator[Proof]:
    """The proofs that `tightened_bound` reports, one after another; the first is that of an earlier run or the quick
    one. Leaving off at any of them is allowed."""
    began = time.perf_counter()
    asked = _asked(setting, window, departs)
    quick = _quick(asked)
    parts = [_Part.of_(asked, "contact_s", asked.contact)]
    if asked.out is not None:
        parts.insert(0, _Part.of_(asked, "out_s", asked.out))
    store = _Store(folder) if resume else None
    at: list[Standing | None] = [store.load(part) if store else None for part in parts]
    before = [0 if standing is None else standing.steps for standing in at]
    running = [None if s is not None and s.done else descend(part.programme, s) for part, s in zip(parts, at)]

    def proof() -> Proof:
        figures = {part.of: bounds.with_rounding(part.given, s.figure) for part, s in zip(parts, at) if s is not None}
        out_s = None if asked.out is None else -figures.get("out_s", np.inf)
        tight = asked.bound(figures.get("contact_s", np.inf), out_s, TIGHT)
        at_most = min(tight.contact_s_at_most, quick.contact_s_at_most)
        if quick.out_s_at_least is None or tight.out_s_at_least is None:
            told = replace(tight if at_most < quick.contact_s_at_most else quick, contact_s_at_most=at_most)
        else:  # silence is what is told
            at_least = max(tight.out_s_at_least, quick.out_s_at_least)
            told = replace(tight if at_least > quick.out_s_at_least else quick,
                           contact_s_at_most=at_most, out_s_at_least=at_least)  # fmt: skip
        known = tuple((part, s) for part, s in zip(parts, at) if s is not None)
        return Proof(
            told, best, time.perf_counter() - began, sum(s.steps for _, s in known),
            all(run is None for run in running), known,
        )  # fmt: skip

    def settled(part: _Part, standing: Standing, told: Bound) -> bool:
        if part.of == "contact_s":
            near = told.contact_s_at_most <= best.contact_s * (1 + CLOSE_ENOUGH)
        else:
            near = (told.out_s_at_least or 0.0) >= best.out_s * (1 - CLOSE_ENOUGH)
        return near or standing.done

    now = proof()
    if quick.contact_s_at_most <= best.contact_s * (1 + CLOSE_ENOUGH):
        running = [run if part.of != "contact_s" else None for part, run in zip(parts, running)]
        now = replace(now, done=all(run is None for run in running))
    kept = time.perf_counter()
    try:
        yield now
        for k, (part, run) in enumerate(zip(parts, running)):
            for standing in run or ():
                at[k] = standing
                if settled(part, standing, proof().bound) or standing.steps >= before[k] + steps:
                    running[k] = None
                yield proof()
                if running[k] is None:
                    break
                if store and time.perf_counter() - kept > KEEP_EVERY_S:
                    store.keep(parts, at)
                    kept = time.perf_counter()
    finally:
        if store:
            store.keep(parts, at)


def _asked(setting: Setting, window: Window, departs: list[datetime]) -> _Asked:
    """The streets within reach, what riding them earns at most, and the clock of all departures together."""
    asked = question(setting, window, bool(setting.nets))
    graph, repeats = setting.graph, setting.ride.ride.repeat_share
    edge = graph.edge
    at_best, halting = _edge_chance(setting), _standing(setting)
    ring_s, ring_best, ring_halting = _rings(setting, at_best, halting)
    contact_s = asked.contact_s + ring_s[graph.head]
    chance = np.maximum(at_best[edge], ring_best[graph.head])
    standing = np.maximum(halting[edge], ring_halting[graph.head])
    silent_s = np.maximum(asked.time_s - asked.contact_s, 0.0)
    ball, cut = make_ball(
        asked.tail, asked.head, asked.measure, asked.start, window.shortest, window.longest,
        street=asked.street, may_repeat=repeats > 0, banned_turns=asked.banned, time_s=asked.time_s,
        per_edge={"contact": contact_s, "chance": chance, "silent": silent_s, "standing": standing},
    )  # fmt: skip
    halt_s = planned_halt_s(setting.ride)
    clocks = [setting.clock(departure) for departure in departs]
    window_s = max(clock.length_s for clock in clocks)

    def objective(gain: np.ndarray) -> Objective:
        most = repeats * window.longest
        return Objective(gain, gain, window.shortest, window.longest, repeats=repeats > 0, repeat_m=most)

    clock, contact, out = None, cut["contact"], None
    if window_s:
        earliest_s = bounds.earliest_s(ball)
        counted = np.max([clock.counts_after(earliest_s) for clock in clocks], axis=0)
        worth = contact * counted
        takes = np.divide(worth, cut["chance"], out=np.zeros_like(worth), where=cut["chance"] > 0)
        halt = halt_s * cut["standing"] * (counted > 0)
        clock = bounds.Clock(worth, takes, window_s, halt, halt_s)
        contact = np.zeros_like(contact)
    else:
        out = objective(-ball.summed(cut["silent"]))
    return _Asked(
        ball, objective(ball.summed(contact)), out, clock, float(ring_s[asked.start]), halt_s, window_s,
        _scope(window),
    )  # fmt: skip


def _scope(window: Window) -> str:
    """The rides that a bound is proven for, in plain words; rounded inwards."""
    scale, unit = (1000.0, "km") if window.measure == "m" else (3600.0, "h")
    shortest = math.ceil(10 * (window.shortest + window.halt) / scale - 1e-9) / 10
    longest = math.floor(10 * (window.longest + window.halt) / scale + 1e-9) / 10
    return f"loop of {shortest:.1f} to {longest:.1f} {unit} from this start"


def _edge_chance(setting: Setting) -> np.ndarray:
    """(e,) largest contact chance on any piece of each edge; 0 without data."""
    network = setting.network
    chance = np.nan_to_num(setting.contact.chance, nan=0.0)
    by_street = np.maximum.reduceat(chance, setting.pieces.first, axis=1)
    return np.asarray(by_street[np.where(network.edge_forward, 0, 1), network.edge_street])


def _standing(setting: Setting) -> np.ndarray:
    """(e,) largest chance of a rider who halts on each edge where a ride may halt: near a calling place."""
    from scipy.spatial import cKDTree

    network, places, pieces = setting.network, setting.area.places, setting.pieces
    chance = np.zeros(len(network.point_x_m))
    where = np.column_stack([network.point_x_m, network.point_y_m])
    calling = np.column_stack([places.x_m, places.y_m])[places.calling]
    if planned_halt_s(setting.ride) and len(calling):
        near = np.isfinite(cKDTree(calling).query(where, distance_upper_bound=CALLING_WITHIN_M * (1 + 1e-9))[0])
        if near.any():
            chance[near] = np.nan_to_num(setting.contacts.chance_standing(*where[near].T)[0], nan=0.0)
    by_street = np.maximum.reduceat(chance[pieces.start_point], pieces.first, axis=1)
    return np.asarray(by_street[np.where(network.edge_forward, 0, 1), network.edge_street])


def _rings(setting: Setting, *chances: np.ndarray) -> tuple[np.ndarray, ...]:
    """(n,) contact of riding once round the roundabout at a place [s], then the largest of each of `chances` (e,) on
    it; 0 where there is none."""
    network, place = setting.network, setting.graph.place
    ring = place[network.edge_tail] == place[network.edge_head]
    ring &= network.ways.roundabout[network.street_way[network.edge_street]]
    at = place[network.edge_tail[ring]]
    contact_s = np.bincount(at, setting.edge_contact_s[ring], minlength=network.node_count)
    most = [np.zeros(network.node_count) for _ in chances]
    for values, chance in zip(most, chances):
        np.maximum.at(values, at, chance[ring])
    return contact_s, *most


@dataclass(frozen=True, eq=False)
class _Part:
    """One limit: its instance and programme."""

    of: str  # "contact_s", or "out_s" (its gain is the loss of it)
    given: dict[str, Any]
    programme: Any
    constant: float  # what is added to its figure before it is told
    key: str  # hash of the instance

    @staticmethod
    def of_(asked: _Asked, of: str, objective: Objective) -> _Part:
        given = bounds.instance_of(asked.ball, objective, asked.clock)
        key = hashlib.sha256(f"{STATE_FORMAT}\n{json.dumps(given, sort_keys=True)}".encode()).hexdigest()
        constant = asked.ring_s + (0.0 if asked.window_s else asked.halt_s) if of == "contact_s" else 0.0
        return _Part(of, given, bounds.programme(given), constant, key)


class _Store:
    """Where standings are kept between runs. What cannot be read is thrown away; figures are reckoned anew."""

    def __init__(self, folder: Path | None) -> None:
        import platformdirs

        self.folder = folder or platformdirs.user_cache_path("routeplan") / "proofs"

    def load(self, part: _Part) -> Standing | None:
        """Where a part stood; None where nothing usable is kept."""
        path = self.folder / f"{part.key[:32]}.npz"
        p = part.programme
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
                if str(kept["key"]) != part.key:
                    raise ValueError("of another problem")
                price, at, at_price = kept["price"], kept["at"], kept["at_price"]
                weight, steps, done = float(kept["weight"]), int(kept["steps"]), bool(kept["done"])
            shapes = (price.shape, at_price.shape, at.shape) == (p.most.shape, p.most.shape, p.gain.shape)
            finite = all(a.dtype == np.float64 and np.isfinite(a).all() for a in (price, at, at_price))
            if not (shapes and finite and 0 < weight < np.inf and steps >= 0):
                raise ValueError("damaged")
        except FileNotFoundError:
            return None
        except Exception:  # whatever a damaged file makes of the reader: it is thrown away
            with suppress(OSError):
                path.unlink(missing_ok=True)
            return None
        for prices in (price, at_price):
            np.maximum(prices[p.equal :], 0.0, out=prices[p.equal :])
        return Standing(dual_figure(p, price), price, at, at_price, weight, steps, done)

    def keep(self, parts: list[_Part], at: list[Standing | None]) -> None:
        """Write where the parts stand; a folder that cannot be written costs a later run its head start, no more."""
        for part, s in zip(parts, at):
            if s is None:
                continue
            path = self.folder / f"{part.key[:32]}.npz"
            temporary = path.with_suffix(f".{os.getpid()}.part")
            try:
                self.folder.mkdir(parents=True, exist_ok=True)
                with temporary.open("wb") as file:
                    np.savez_compressed(file, key=part.key, price=s.price, at=s.at, at_price=s.at_price,
                                        weight=s.weight, steps=s.steps, done=s.done)  # fmt: skip
                os.replace(temporary, path)
            except OSError:
                with suppress(OSError):
                    temporary.unlink(missing_ok=True)
        with suppress(OSError):
            for old in sorted(self.folder.glob("*.npz"), key=lambda kept: -kept.stat().st_mtime)[KEPT:]:
                old.unlink(missing_ok=True)


def with_halt(at_most_s: float, how: str, halt_s: float, window_s: float) -> Bound:
    """A bound of contact while riding, with a planned halt counted in full, and no more than the net's window has."""
    at_most_s += halt_s
    if window_s and at_most_s >= window_s:
        return Bound(contact_s_at_most=float(window_s), how="the window's whole length")
    told = f"; a halt of {halt_s / 60:.0f} min counted in full" if halt_s else ""
    return Bound(contact_s_at_most=float(at_most_s), how=how + told)


def fill(gain: np.ndarray, measure: np.ndarray, room: float) -> float:
    """The most that fits into `room`: edges of the best gain per measure first, each once, the last in part."""
    order = np.argsort(-gain / np.maximum(measure, 1e-9), kind="stable")
    before = np.cumsum(measure[order]) - measure[order]
    part = np.clip((room - before) / np.maximum(measure[order], 1e-9), 0.0, 1.0)
    return float(np.sum(gain[order] * part))
