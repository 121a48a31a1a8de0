"""Whom a ride reaches: the stations of a ride file in numbers, their margins along roads, the rule's chance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from routeplan.geo import bearing_deg
from routeplan.plan.remembered import Losses
from routeplan.plan.weights import Pieces
from routeplan.radio import batch, chance
from routeplan.radio.link import RiderSet, Station, margins_db
from routeplan.radio.quality import Mode
from routeplan.radio.words import Stated
from routeplan.terrain.grid import Grid

NOWHERE_DB = -99.0  # the margin in a tunnel or on a ferry: no contact, and that is known


@dataclass(frozen=True)
class Ground:
    """The rasters that a path crosses, and the air above them."""

    elevation: Grid
    cover: Grid
    zone: Grid
    latitude_deg: float
    delta_n: float
    n0: float
    time_percent: float


@dataclass(frozen=True)
class Workable:
    """One station as this ride works it: where it stands, on which frequencies, with what spread of error."""

    name: str
    x_m: float
    y_m: float
    station: Station
    rider: RiderSet  # on the frequency the rider transmits on
    rider_from: RiderSet  # on the frequency the rider listens to
    transmit_mhz: float
    listen_mhz: float
    mode: Mode
    spread: chance.Spread
    stated: tuple[Stated, ...]  # what the station's plain words stood for
    rider_stated: tuple[Stated, ...]
    learnt_db: float = 0.0  # what reports of earlier rides add to both margins


@dataclass(frozen=True)
class Contacts:
    """All stations of a ride and the contact rule on them."""

    workable: tuple[Workable, ...]
    ground: Ground
    rule: Any
    reaches: Mapping[str, tuple[str, ...]]
    correlation: np.ndarray  # (k, k) of the stations' errors

    @property
    def names(self) -> list[str]:
        return [w.name for w in self.workable]

    @property
    def sigma_db(self) -> np.ndarray:
        """(k,) spread of each station's margin."""
        return np.array([w.spread.sigma_db for w in self.workable])

    def losses_db(
        self,
        x_m: np.ndarray,
        y_m: np.ndarray,
        known: dict[Any, np.ndarray] | None = None,
        remembered: Losses | None = None,
    ) -> np.ndarray:
        """Basic loss (k, 2, n) between each station and the places, on the way to it and from it.

        known : losses at the same places, by what they hang on; read and added to, so that a change of power or
        noise does not have the paths reckoned again. remembered : losses at any places over these very rasters.
        """
        known = {} if known is None else known
        losses = np.empty((len(self.workable), 2, len(x_m)))
        for k, work in enumerate(self.workable):
            ways = ((work.transmit_mhz, work.rider), (work.listen_mhz, work.rider_from))
            for way, (mhz, rider) in enumerate(ways):
                link = self.link_arguments(work, mhz, rider)
                key = (id(self.ground.cover), *link.values())
                if key not in known:
                    reckon = partial(self._loss_db, link)
                    key_of_link = tuple(link.values())
                    known[key] = (
                        reckon(x_m, y_m) if remembered is None else remembered.at(key_of_link, x_m, y_m, reckon)
                    )
                losses[k, way] = known[key]
        return losses

    def _loss_db(self, link: dict[str, Any], x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        ground = self.ground
        return batch.losses_db(
            ground.elevation.values,
            ground.cover.values,
            ground.zone.values,
            west_m=ground.elevation.west_m,
            north_m=ground.elevation.north_m,
            step_m=ground.elevation.step_m,
            rx_x_m=x_m,
            rx_y_m=y_m,
            **link,
        )

    def link_arguments(self, work: Workable, mhz: float, rider: RiderSet) -> dict[str, Any]:
        """What the loss of a link hangs on beside the rasters and the rider's place, as `batch.losses_db` names it."""
        return {
            "tx_x_m": work.x_m,
            "tx_y_m": work.y_m,
            "tx_height_m": work.station.antenna_height_m,
            "rx_height_m": rider.antenna_height_m,
            "frequency_hz": mhz * 1e6,
            "latitude_deg": self.ground.latitude_deg,
            "time_percent": self.ground.time_percent,
            "delta_n": self.ground.delta_n,
            "n0": self.ground.n0,
        }

    def margins_db(self, losses_db: np.ndarray, off_heading_deg: Any, *, moving: bool = True) -> np.ndarray:
        """Margins (k, 2, ...) to and from each station, from losses (k, 2, ...) and angles (k, ...)."""
        margins = np.empty(np.broadcast_shapes(losses_db.shape, (1, 1, *np.shape(off_heading_deg)[1:])))
        for k, work in enumerate(self.workable):
            margins[k] = margins_db(
                losses_db[k, 0],
                station=work.station,
                rider=work.rider,
                frequency_mhz=work.transmit_mhz,
                mode=work.mode,
                off_heading_deg=off_heading_deg[k],
                moving=moving,
                may_shift=not moving,
                loss_from_db=losses_db[k, 1],
                from_mhz=work.listen_mhz,
                rider_from=work.rider_from,
            )
            margins[k] += work.learnt_db
        return margins

    def rule_chance(self, margins_db: np.ndarray, shift_db: float = 0.0) -> np.ndarray:
        """Chance (...) of the contact rule from margins (k, 2, ...), all links better by `shift_db`."""
        flat = margins_db.min(axis=1).reshape(len(self.workable), -1)
        single = chance.contact_chance(flat + shift_db, flat + shift_db, self.sigma_db[:, None])
        return chance.rule_chance(single, self.rule, self.correlation, names=self.names, reaches=self.reaches).reshape(
            margins_db.shape[2:]
        )

    def bearings_deg(self, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """Bearing (k, n) from the places to each station."""
        return np.stack([bearing_deg(x_m, y_m, work.x_m, work.y_m) for work in self.workable])

    def chance_standing(self, x_m: np.ndarray, y_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Chance of the rule (n,) for a rider who stands there and faces as is best, and margins (k, 2, n)."""
        margins = self.margins_standing_db(self.losses_db(x_m, y_m))
        return self.rule_chance(margins), margins

    def margins_standing_db(self, losses_db: np.ndarray) -> np.ndarray:
        """Margins (k, 2, n) of a rider who stands and faces as is best, from losses (k, 2, n)."""
        best = np.array([[work.rider.body.best_deg] for work in self.workable])
        off = np.broadcast_to(best, (len(self.workable), losses_db.shape[-1]))
        return self.margins_db(losses_db, off, moving=False)

    def chance_in_passing(self, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """Chance of the rule (n,) for a rider who passes there, side on to every station."""
        margins = self.margins_db(self.losses_db(x_m, y_m), np.full((len(self.workable), len(x_m)), 90.0))
        return self.rule_chance(margins)


@dataclass(frozen=True)
class ContactWeights:
    """Whom each directed piece reaches; NaN where there is no data."""

    margin_db: np.ndarray  # (k, 2 to and from, 2 ways, m)
    chance: np.ndarray  # (2 ways, m) of the contact rule


def contact_weights(pieces: Pieces, contacts: Contacts, remembered: Losses | None = None) -> ContactWeights:
    """Margins and chance of every directed piece, taken at the point where it is entered.

    remembered : losses over these very rasters that were reckoned before.
    """
    network = pieces.network
    x, y = network.point_x_m, network.point_y_m
    losses = contacts.losses_db(x, y, remembered=remembered)
    bearings = contacts.bearings_deg(x, y)
    at = pieces.start_point
    off = np.abs((bearings[:, at] - pieces.heading_deg + 180.0) % 360.0 - 180.0)
    margins = contacts.margins_db(losses[:, :, at], off)
    silent = network.ways.tunnel[pieces.way] | network.ways.ferry[pieces.way]
    margins = np.where(silent, NOWHERE_DB, margins)
    return ContactWeights(margins, contacts.rule_chance(margins))


def mean_correlation(bearings_deg: np.ndarray, far: float = chance.CORRELATION) -> np.ndarray:
    """Correlation (k, k) of the stations' errors for a whole ride, from bearings (k, n) seen along it.

    far : between stations in different directions; those in one direction correlate no less.
    """
    some = bearings_deg[:, :: max(1, bearings_deg.shape[1] // 400)]
    return chance.bearing_correlation(some, far=far, near=max(far, chance.NEAR_CORRELATION))
