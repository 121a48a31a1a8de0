"""Where the stations and the contact rule can be worked: every cell of an area, and what a change would do to it.

    with cover(area, ride) as covered:      losses tile by tile, here or on a cluster; what is done already is kept
        for part in covered.parts(): ...    margins and chances of one window after the other: memory stays bounded
    compare(area, ride, ["set.transmit_w=10"]) -> Comparison

The rider is moving and side on to every station, as on the map of a plan.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from routeplan.errors import Fault, InputError, NoLoopError, RouteplanError
from routeplan.plan import tiles as tiling
from routeplan.plan.area import Area
from routeplan.plan.contact import Contacts, ContactWeights, contact_weights
from routeplan.plan.loops import find_loops, loop_window
from routeplan.plan.ridefile import Ride, parse_change, require, with_changes
from routeplan.plan.setting import (
    Progress,
    Setting,
    allowed,
    departures,
    make_contacts,
    raise_off_the_raster,
    round_a_start,
)
from routeplan.plan.tiles import Done, Rasters, Store, Tile, Window
from routeplan.plan.timetable import Timed
from routeplan.plan.weights import Pieces, pieces_of
from routeplan.plan.whatif import contact_s_with
from routeplan.radio import chance
from routeplan.roads.network import Network

DEAD_BELOW = 0.5
COMMON_ERROR_DB = 5.0  # shares are shown for all links so much worse and better
SIDE_ON_DEG = 90.0
SAID_EVERY_S = 2.0


class Part(NamedTuple):
    """One window of the map. Row j < k is station j, row k is the contact rule; NaN where there is no data."""

    window: Window
    margin_db: np.ndarray  # (k + 1, 2 to and from, rows, cols) float32; of the rule see `rule_margin_db`
    chance: np.ndarray  # (k + 1, rows, cols) float32
    worse: np.ndarray  # the same with all links COMMON_ERROR_DB worse
    better: np.ndarray
    land: np.ndarray  # (rows, cols) bool: land within the extent of the area's roads


class Shares(NamedTuple):
    """Cells by class, for one station or the rule: land within the extent of the area's roads.

    Beyond that extent the raster holds a margin of hills that matter to paths, not to rides.
    """

    in_contact: int
    weak: int
    dead: int
    unknown: int  # without elevation data somewhere on the path: left out of the shares
    in_contact_worse: int  # with all links COMMON_ERROR_DB worse
    in_contact_better: int

    @property
    def known(self) -> int:
        return self.in_contact + self.weak + self.dead

    def share(self, cells: int) -> float:
        """Part of the known cells, NaN where none is known."""
        return cells / self.known if self.known else float("nan")


@dataclass(frozen=True)
class Coverage:
    """The map of one ride file, its losses lying in a store of tiles."""

    area: Area
    ride: Ride
    contacts: Contacts
    ground: Rasters
    store: Store
    windows: tuple[Window, ...]
    links: tuple[tuple[dict[str, float], dict[str, float]], ...]  # per station, to it and from it

    @property
    def names(self) -> list[str]:
        return self.contacts.names

    @cached_property
    def tiles(self) -> tuple[Tile, ...]:
        """Every tile once, window by window."""
        every = (self._tile(link, window) for window in self.windows for both in self.links for link in both)
        return tuple({tile.key: tile for tile in every}.values())

    def _tile(self, link: dict[str, float], window: Window) -> Tile:
        return tiling.tile_of(self.ground, link, window)

    def losses_db(self, window: Window) -> np.ndarray:
        """Loss (k, 2, rows, cols) to and from each station. Raises RouteplanError where a tile is gone."""
        row, past_row, col, past_col = window
        losses = np.empty((len(self.links), 2, past_row - row, past_col - col))
        held: dict[str, np.ndarray] = {}
        for k, both in enumerate(self.links):
            for way, link in enumerate(both):
                tile = self._tile(link, window)
                if tile.key not in held:
                    found = self.store.get(tile)
                    if found is None:
                        raise RouteplanError(
                            f"a finished tile is gone or damaged: {self.store.path(tile)}; give the same command again"
                        )
                    held[tile.key] = found
                losses[k, way] = held[tile.key]
        return losses

    def part(self, window: Window) -> Part:
        """Margins and chances of one window."""
        contacts = self.contacts
        losses = self.losses_db(window)
        margins = contacts.margins_db(losses, np.full((len(self.links), *losses.shape[2:]), SIDE_ON_DEG))
        rule = contacts.rule_chance(margins)
        over_all = rule_margin_db(margins, self._rule)
        over_all[:, np.isnan(rule)] = np.nan
        lesser = margins.min(axis=1)

        def chances(shift_db: float, rule: np.ndarray) -> np.ndarray:
            sigma = contacts.sigma_db[:, None, None]
            single = chance.contact_chance(lesser + shift_db, lesser + shift_db, sigma)
            return np.concatenate([single, rule[None]]).astype(np.float32)

        row, past_row, col, past_col = window
        return Part(
            window,
            np.concatenate([margins, over_all[None]]).astype(np.float32),
            chances(0.0, rule),
            chances(-COMMON_ERROR_DB, contacts.rule_chance(margins, -COMMON_ERROR_DB)),
            chances(COMMON_ERROR_DB, contacts.rule_chance(margins, COMMON_ERROR_DB)),
            self._counted[row:past_row, col:past_col],
        )

    def parts(self) -> Iterator[Part]:
        """Every window, row by row from the north-west."""
        return map(self.part, self.windows)

    @cached_property
    def _counted(self) -> np.ndarray:
        """Cells (rows, cols) that count in the shares."""
        network, grid = self.area.network, self.area.elevation
        top, left = grid.cell(network.point_x_m.min(), network.point_y_m.max())
        bottom, right = grid.cell(network.point_x_m.max(), network.point_y_m.min())
        counted = np.zeros(self.ground.shape, dtype=bool)
        counted[max(0, top) : bottom + 1, max(0, left) : right + 1] = True
        return counted & (self.ground.zone != 1)

    @property
    def _rule(self) -> chance.Rule:
        return chance.resolve_rule(self.contacts.rule, self.names, self.contacts.reaches)

    @property
    def margin_needed_db(self) -> np.ndarray:
        """Margin (k,) at which the chance of each station reaches what counts as contact."""
        return chance.margin_needed_db(self.ride.contact.chance, self.contacts.sigma_db)

    @property
    def not_predicted(self) -> list[str]:
        """Stations on bands for which there is no prediction: not on the map, nor in the rule."""
        return sorted({s.name for s in self.ride.stations} - set(self.names))


def rule_margin_db(margins_db: np.ndarray, rule: chance.Rule) -> np.ndarray:
    """How much [dB] all links can become worse before the rule fails on their medians, (2, ...) from (k, 2, ...).

    The best way to each person, and of these the one that the rule still needs: the best for "any", the worst for
    "all". Both directions on their own. A station without data counts as out of reach.
    """
    known = np.where(np.isnan(margins_db), -np.inf, margins_db)
    people = np.stack([known[list(way)].max(axis=0) for way in rule.ways])
    return np.sort(people, axis=0)[len(people) - rule.at_least]


def shares_of(part: Part, contact_chance: float) -> np.ndarray:
    """Counts (k + 1, 6) of the part's cells of land, columns as in Shares; those of several parts add up."""
    land = part.land
    value, worse, better = part.chance[:, land], part.worse[:, land], part.better[:, land]
    within, dead, unknown = value >= contact_chance, value < DEAD_BELOW, np.isnan(value)
    weak = ~(within | dead | unknown)
    classes = (within, weak, dead, unknown, worse >= contact_chance, better >= contact_chance)
    return np.stack([c.sum(axis=1) for c in classes], axis=1).astype(np.int64)


@contextmanager
def cover(
    area: Area,
    ride: Ride,
    *,
    cluster: str | None = None,
    tiles_folder: Path | None = None,
    tile_cells: int = tiling.TILE_CELLS,
    done: Done | None = None,
    progress: Progress,
) -> Iterator[Coverage]:
    """The coverage of a ride file, with every tile computed that was not there already.

    cluster : address of a Dask scheduler, or "local" to start one here; None computes in this process.
    tiles_folder : where tiles are kept, by default in the user's cache folder.
    done : called with each tile as it is finished and the worker that did it.
    Stopped with Ctrl-C, or by a fault, it keeps the tiles that are finished. Raises InputError for a station off the
    raster and the like, RouteplanError where a cluster fails.
    """
    require(ride, "coverage")
    raise_off_the_raster(area, ride, {})
    roads = roads_in_reach(area, ride)
    contacts = make_contacts(area, ride, roads.point_x_m, roads.point_y_m)
    ground = tiling.rasters(contacts.ground.elevation, contacts.ground.cover, contacts.ground.zone)
    links = tuple(
        (
            contacts.link_arguments(work, work.transmit_mhz, work.rider),
            contacts.link_arguments(work, work.listen_mhz, work.rider_from),
        )
        for work in contacts.workable
    )
    with tiling.open_store(tiles_folder, progress) as store:
        covered = Coverage(area, ride, contacts, ground, store, tuple(tiling.windows(ground.shape, tile_cells)), links)
        _compute_missing(covered, cluster, done, progress)
        yield covered


def _compute_missing(covered: Coverage, cluster: str | None, done: Done | None, progress: Progress) -> None:
    tiles, store = covered.tiles, covered.store
    missing = store.missing(tiles)
    rows, cols = covered.ground.shape
    known = f", {len(tiles) - len(missing)} of them known already" if len(missing) < len(tiles) else ""
    progress(f"{cols} x {rows} cells, {len(covered.links)} stations: {len(tiles)} tiles{known}")
    if not missing:
        return
    finished, begun = 0, math.nan  # the first tile is not counted: it may wait for workers, or compile
    said = time.monotonic()

    def count(tile: Tile, worker: str) -> None:
        nonlocal finished, begun, said
        finished += 1
        now = time.monotonic()
        if now - said >= SAID_EVERY_S or finished == len(missing):
            said = now
            left = (len(missing) - finished) * (now - begun) / max(1, finished - 1)
            progress(f"{finished} of {len(missing)} tiles" + (f", about {left:.0f} s to go" if left >= 1 else ""))
        if finished == 1:
            begun = now
        if done is not None:
            done(tile, worker)

    try:
        if cluster is None:
            tiling.compute_here(missing, covered.ground, store, count)
        else:
            from routeplan.plan import cluster as clusters

            with clusters.connected(cluster) as client:
                clusters.compute_on(client, missing, covered.ground, store, count)
    except BaseException:
        if finished:
            progress(f"{finished} tiles more are kept: the same command goes on from there")
        raise
    store.trim(tiles)


def roads_in_reach(area: Area, ride: Ride) -> Network:
    """The streets that a loop of the ride file can touch, or all that may be ridden where it asks for no loop."""
    network, streets = area.network, allowed(area, ride)
    if _asks_for_a_loop(ride):
        assert ride.start.position is not None
        start_x, start_y = area.projection.to_xy(*ride.start.position)
        reach_m = loop_window(ride, departures(ride)[0]).reach_m
        near = np.hypot(network.point_x_m - start_x, network.point_y_m - start_y) <= reach_m
        near = streets & np.logical_and.reduceat(near, network.point_first[:-1])
        streets = near if near.any() else streets
    return network.subset(streets)


def _asks_for_a_loop(ride: Ride) -> bool:
    wish = ride.ride
    length = wish.length_km is not None or wish.hours is not None or wish.home_by is not None
    return ride.start.position is not None and length and wish.end is None and wish.follow is None


# --- what would it change? ---------------------------------------------------------------------------------------


class Row(NamedTuple):
    """The answer with one change; kilometres of road, the mean of both ways along it."""

    change: str  # as it was given: "set.transmit_w=10"; "" for the file as it is
    in_contact_km: float
    weak_km: float
    dead_km: float
    unknown_km: float
    in_contact_range_km: tuple[float, float]  # with all links COMMON_ERROR_DB worse and better
    loop_contact_s: float | None  # expected contact of the loop, inside the nets' windows where there are nets


@dataclass(frozen=True)
class Comparison:
    """Rows for the file as it is and for each change, over the same roads and along the same loop."""

    rows: tuple[Row, ...]
    road_km: float
    in_reach: bool  # roads in reach of the start, or all of the area
    loop_km: float | None
    loop_time_s: float | None
    net_s: float  # length of the nets' windows; 0 without a net
    contact_chance: float
    notes: tuple[str, ...]


def compare(area: Area, ride: Ride, changes: Sequence[str], *, progress: Progress) -> Comparison:
    """What each change ("KEY=VALUE") would do to the roads in contact and to the best-covered loop, one at a time.

    Raises one InputError with the faults of all changes.
    """
    require(ride, "coverage")
    rides = _changed(area, ride, changes)
    notes: list[str] = []
    setting: Setting | None = None
    timed: Timed | None = None
    if _asks_for_a_loop(ride):
        window = loop_window(ride, departures(ride)[0])
        setting = round_a_start(area, ride, reach_m=window.reach_m, progress=progress)
        try:
            found = find_loops(setting, window, departures(ride), progress)
            timed = max(found, key=lambda t: t.figures.share)
        except NoLoopError:
            notes.append("no loop of the ride file's length was found: only roads are compared")
        pieces = setting.pieces
    else:
        raise_off_the_raster(area, ride, {})
        pieces = pieces_of(area.network.subset(allowed(area, ride)))
        progress(f"{pieces.length_m.sum() / 1000:.0f} km of streets in the area")
    network = pieces.network
    rows = []
    for change, changed in rides:
        progress(change or "the ride file as it is")
        contacts = make_contacts(area, changed, network.point_x_m, network.point_y_m)
        weights = contact_weights(pieces, contacts)
        contact_s = None
        if setting is not None and timed is not None:
            contact_s = timed.figures.contact_s if not change else contact_s_with(setting, timed, changed)
        rows.append(_row(change, pieces, contacts, weights, changed.contact.chance, contact_s))
    return Comparison(
        rows=tuple(rows),
        road_km=float(pieces.length_m.sum()) / 1000,
        in_reach=setting is not None,
        loop_km=None if timed is None else timed.ridden.length_m / 1000,
        loop_time_s=None if timed is None else timed.ridden.ride_time_s,
        net_s=0.0 if timed is None else timed.clock.length_s,
        contact_chance=ride.contact.chance,
        notes=tuple(notes),
    )


_HEARD = ("set", "station", "net", "contact", "radio")  # sections that contact hangs on


def _changed(area: Area, ride: Ride, changes: Sequence[str]) -> list[tuple[str, Ride]]:
    rides = [("", ride)]
    faults: list[Fault] = []
    for text in changes:
        try:
            name, value = parse_change(text)
            changed = with_changes(ride, {name: value})
            if name.split(".")[0] not in _HEARD:
                mend = f"contact hangs on keys of {', '.join(f'[{section}]' for section in _HEARD)}"
                raise InputError("does not change whom you reach", f"change {text}", mend)
            raise_off_the_raster(area, changed, {})
            rides.append((text, changed))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(list(dict.fromkeys(faults)))
    return rides


def _row(
    change: str, pieces: Pieces, contacts: Contacts, weights: ContactWeights, least: float, contact_s: float | None
) -> Row:
    km = pieces.length_m / 2000.0  # half of a piece for each way along it

    def length(chosen: np.ndarray) -> float:
        return float((chosen * km).sum())

    value: Any = weights.chance
    worse, better = (contacts.rule_chance(weights.margin_db, s) for s in (-COMMON_ERROR_DB, COMMON_ERROR_DB))
    return Row(
        change=change,
        in_contact_km=length(value >= least),
        weak_km=length((value >= DEAD_BELOW) & (value < least)),
        dead_km=length(value < DEAD_BELOW),
        unknown_km=length(np.isnan(value)),
        in_contact_range_km=(length(worse >= least), length(better >= least)),
        loop_contact_s=contact_s,
    )
