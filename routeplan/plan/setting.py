"""The setting of one job: the streets in reach of a start, what riding them costs, and whom they reach."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

import numpy as np

from routeplan.errors import Fault, InputError
from routeplan.plan.area import Area
from routeplan.plan.arrivals import pace_spread, wind_at_rider
from routeplan.plan.cheapest import Tree, cheapest
from routeplan.plan.clock import NetClock, merged
from routeplan.plan.contact import (
    Contacts,
    ContactWeights,
    Ground,
    Workable,
    contact_weights,
    mean_correlation,
)
from routeplan.plan.hf import by_terrain, counting_nets, station_line
from routeplan.plan.learnt import learnt_cover, with_learnt
from routeplan.plan.ridefile import Net, Ride
from routeplan.plan.weights import Pieces, RideWeights, pieces_of, ride_weights
from routeplan.plan.words import after, counted, seconds_between
from routeplan.plan.words import place as place_in_words
from routeplan.radio import chance, words
from routeplan.radio.link import RiderSet, noise_spread_db
from routeplan.radio.quality import for_contact, mode_of
from routeplan.ride.weather import air_density_at_kg_m3
from routeplan.roads.build import fuse
from routeplan.roads.network import Network
from routeplan.roads.roundabouts import RoundaboutPlaces, as_places
from routeplan.roads.tags import SURFACES

BUSY_STRESS = 1.5  # traffic stress from which a road is called busy: between easy and busy of roads.stress
START_WITHIN_M = 500.0
NEAREST_REACH_M = 4000.0  # looked at round a start however short the ride, for the nearest that can be had
UNWANTED_SURFACE_M = 60.0  # of a surface the rider does not want: a gateway, a ford
FASTEST_M_S = 7.5  # mean speed that no loaded ride passes: bounds the reach of a time budget
# Key of [ride] that lets in each of roads.tags.CHOICES.
KEY_OF_CHOICE = {"trunk": "fast_roads", "fast": "fast_roads", "path": "paths", "steps": "steps", "ferry": "ferries",
                 "tunnel": "tunnels", "sidepath": "sidepath_roads", "destination": "destination_roads"}  # fmt: skip

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Setting:
    """Everything a search and a timetable need, for one area and one ride file."""

    area: Area
    ride: Ride
    network: Network  # the streets in reach that may be ridden, cut at start and end
    start: int  # node
    end: int  # node; the start for a loop
    pieces: Pieces
    riding: RideWeights
    contacts: Contacts
    contact: ContactWeights

    @cached_property
    def graph(self) -> RoundaboutPlaces:
        """The network as the search sees it: each roundabout one place."""
        return as_places(self.network)

    @cached_property
    def via_streets(self) -> np.ndarray:
        """Street of each place that the ride file wishes to pass. Raises InputError where no road is near."""
        streets = []
        for number, (latitude, longitude) in enumerate(self.ride.ride.via, 1):
            xy = self.area.projection.to_xy(latitude, longitude)
            near = self.network.nearest_street(*xy, within_m=START_WITHIN_M)
            if near is None:
                where = f"[ride] via, place {number}"
                raise InputError(
                    f"no street in reach within {START_WITHIN_M:.0f} m", where, "move it, or ask for more length"
                )
            streets.append(near.street)
        return np.array(streets, dtype=np.int64)

    @cached_property
    def edge_time_s(self) -> np.ndarray:
        return self.pieces.edge_sums(self.riding.time_s)

    @cached_property
    def edge_effort_kj(self) -> np.ndarray:
        return self.pieces.edge_sums(self.riding.effort_j) / 1000.0

    @cached_property
    def edge_contact_s(self) -> np.ndarray:
        """Expected contact of riding each edge [s]; a piece without data is priced as no contact."""
        known = np.nan_to_num(self.contact.chance, nan=0.0)
        return self.pieces.edge_sums(self.riding.time_s * known)

    @cached_property
    def edge_walked_s(self) -> np.ndarray:
        return self.pieces.edge_sums(self.riding.time_s * self.riding.walking)

    @cached_property
    def edge_stress_m(self) -> np.ndarray:
        """Metres of each edge weighted by its traffic stress above calm."""
        stress = np.maximum(self.network.ways.stress[self.pieces.way] - 1.0, 0.0)
        return self.pieces.edge_sums(np.broadcast_to(stress * self.pieces.length_m, (2, len(stress))))

    @cached_property
    def edge_busy_m(self) -> np.ndarray:
        """Metres of each edge on busy roads."""
        busy = self.network.ways.stress[self.pieces.way] >= BUSY_STRESS
        return self.pieces.edge_sums(np.broadcast_to(busy * self.pieces.length_m, (2, len(busy))))

    @cached_property
    def quickest_home(self) -> Tree:
        """The quickest way from each node to the end."""
        network = self.network
        return cheapest(
            network.edge_tail, network.edge_head, self.edge_time_s, self.end, network.node_count, backwards=True
        )

    @cached_property
    def nets(self) -> tuple[Net, ...]:
        """The nets whose windows count: those on bands that terrain tells of."""
        return counting_nets(self.ride)

    @cached_property
    def pace_spread(self) -> float:
        """Standard deviation of the time of passing, as a share of the time ridden so far [-]."""
        return pace_spread(self.ride, self.pieces, self.riding)

    def clock(self, departs: datetime) -> NetClock:
        """The nets' windows for a departure."""
        return NetClock(
            merged(
                [
                    (seconds_between(departs, net.begins), seconds_between(departs, net.ends))
                    for net in self.nets
                    if net.begins is not None
                ]
            ),
            self.pace_spread,
        )


def departures(ride: Ride) -> list[datetime]:
    """Departures to try: the one of the ride file, or one every ten minutes between two times."""
    if ride.start.departs is not None:
        return [ride.start.departs]
    if ride.start.departs_between is not None:
        first, last = ride.start.departs_between
        steps = int(seconds_between(first, last) // 600)
        every = max(1, math.ceil((steps + 1) / 7))
        return [after(first, 600 * k) for k in range(0, steps + 1, every)]
    zone = ride.start.time_zone or UTC
    now = datetime.now(zone)
    return [now.replace(minute=now.minute // 15 * 15, second=0, microsecond=0)]


def round_a_start(area: Area, ride: Ride, *, reach_m: float, progress: Progress) -> Setting:
    """The setting of a loop: as far round the start as a ride of twice `reach_m` gets.

    Raises InputError that names the place: a start outside the area or away from the roads, a station off the raster.
    """
    assert ride.start.position is not None
    where = "[start] position"
    start_xy = area.projection.to_xy(*ride.start.position)
    raise_off_the_raster(area, ride, {where: start_xy})
    streets = allowed(area, ride)
    start_xy = place_on_a_street(area.network, start_xy, where, streets)
    reach_m = max(reach_m, NEAREST_REACH_M)
    network = fuse(area.network.subset(streets & _within(area, [start_xy, start_xy], reach_m)))
    network, start = cut_at(network, start_xy)
    return make_setting(area, ride, network, start, start, progress)


def from_here_to_there(area: Area, ride: Ride, *, progress: Progress) -> Setting:
    """The setting of a ride to another place; raises as `round_a_start`."""
    assert ride.start.position is not None and ride.ride.end is not None and ride.ride.length_at_most_km is not None
    places = {
        "[start] position": area.projection.to_xy(*ride.start.position),
        "[ride] end": area.projection.to_xy(*ride.ride.end),
    }
    raise_off_the_raster(area, ride, places)
    streets = allowed(area, ride)
    start_xy, end_xy = (place_on_a_street(area.network, xy, where, streets) for where, xy in places.items())
    reach_m = ride.ride.length_at_most_km * 500.0
    within = streets & _within(area, [start_xy, end_xy], reach_m)
    if not within.any():
        apart = np.hypot(start_xy[0] - end_xy[0], start_xy[1] - end_xy[1]) / 1000
        raise InputError(
            f"start and end lie {apart:.1f} km apart in a straight line",
            f"[ride] length_at_most_km = {ride.ride.length_at_most_km:g}",
            "allow a longer ride",
        )
    network, start = cut_at(fuse(area.network.subset(within)), start_xy)
    network, end = cut_at(network, end_xy)
    return make_setting(area, ride, network, start, end, progress)


def make_setting(area: Area, ride: Ride, network: Network, start: int, end: int, progress: Progress) -> Setting:
    """Weigh every piece of a network by effort and by contact."""
    progress(f"{network.street_length_m.sum() / 1000:.0f} km of streets in reach")
    pieces = pieces_of(network)
    riding = ride_weights(
        pieces,
        ride.pacing_rider,
        wind_m_s=wind_at_rider(ride),
        wind_from_deg=ride.wind.from_deg,
        air_density_kg_m3=_air_density(ride, network.point_height_m),
        rolling=ride.rider.rolling,
    )
    contacts = make_contacts(area, ride, network.point_x_m, network.point_y_m)
    progress(f"links of {len(network.point_x_m)} road points to {counted(len(contacts.workable), 'station')}")
    remembered = area.losses if contacts.ground.cover is area.cover else None  # what was learnt changes the cover
    contact = contact_weights(pieces, contacts, remembered)
    return Setting(area, ride, network, start, end, pieces, riding, contacts, contact)


def _air_density(ride: Ride, height_m: np.ndarray) -> float:
    height = float(np.nanmean(height_m)) if np.isfinite(height_m).any() else 0.0
    weather = ride.weather
    return float(
        air_density_at_kg_m3(
            height,
            temperature_c=weather.temperature_c,
            temperature_at_m=height,
            sea_level_hpa=weather.pressure_hpa,
            humidity=weather.humidity,
        )
    )


def raise_off_the_raster(area: Area, ride: Ride, places: dict[str, tuple[float, float]]) -> None:
    """Raise InputError for every place, and every station, that the elevation does not cover."""
    west, south, east, north = area.elevation.extent
    low, high = area.projection.to_latlon(west, south), area.projection.to_latlon(east, north)
    covers = f"the area reaches from {place_in_words(*low)} to {place_in_words(*high)}"
    stations = {f"station {s.name!r}": area.projection.to_xy(*s.position) for s in ride.stations if s.position}
    faults = []
    for where, (x, y) in (places | stations).items():
        if not area.elevation.contains(x, y):
            latitude, longitude = area.projection.to_latlon(x, y)
            what = f"{place_in_words(latitude, longitude)} lies outside the area"
            faults.append(Fault(what, where, f"{covers}; make a larger one"))
        elif where in stations and not np.isfinite(area.elevation.sample(x, y)):
            faults.append(Fault("no elevation is known there", where, "add the elevation tile that covers it"))
    if faults:
        raise InputError(faults)


def _within(area: Area, ends_xy: list[tuple[float, float]], reach_m: float) -> np.ndarray:
    """Streets (s,) all of whose points a ride between the two ends of at most twice `reach_m` can touch."""
    network = area.network
    (ax, ay), (bx, by) = ends_xy
    x, y = network.point_x_m, network.point_y_m
    good = np.hypot(x - ax, y - ay) + np.hypot(x - bx, y - by) <= 2 * reach_m
    return np.logical_and.reduceat(good, network.point_first[:-1])


def allowed(area: Area, ride: Ride) -> np.ndarray:
    """Streets (s,) that the rider may and would ride."""
    network = area.network
    choices = [choice for choice, key in KEY_OF_CHOICE.items() if getattr(ride.ride, key)]
    good = np.ones(len(network.point_x_m), dtype=bool)
    for latitude, longitude in ride.ride.avoid:
        x, y = area.projection.to_xy(latitude, longitude)
        good &= np.hypot(network.point_x_m - x, network.point_y_m - y) > ride.ride.avoid_radius_m
    stress = np.where(network.piece_way >= 0, network.ways.stress[network.piece_way], 0.0)
    good &= stress <= ride.rider.stress_at_most
    wanted = np.isin(np.array(SURFACES), ride.rider.surfaces)[network.ways.surface[network.piece_way]]
    wanted |= network.ways.walk[network.piece_way]  # on foot any ground will do
    unwanted_m = np.add.reduceat(np.where(wanted, 0.0, network.piece_length_m), network.point_first[:-1])
    firm = unwanted_m <= UNWANTED_SURFACE_M
    return network.allowed_streets(choices) & firm & np.logical_and.reduceat(good, network.point_first[:-1])


def place_on_a_street(
    network: Network, xy: tuple[float, float], where: str, streets: np.ndarray | None = None
) -> tuple[float, float]:
    """The place on a street nearest to `xy`, on the largest connected part where that is near enough.

    streets : (s,) those that may be ridden; None: all. Raises InputError with the distance to the nearest.
    """
    streets = np.ones(network.street_count, dtype=bool) if streets is None else streets
    label = network.components()
    main = streets & (label[network.street_start] == 0) & (label[network.street_end] == 0)
    near = network.nearest_street(*xy, within_m=START_WITHIN_M, streets=main)
    near = near or network.nearest_street(*xy, streets=streets)
    if near is None or near.distance_m > START_WITHIN_M:
        away = "there is none in this area" if near is None else f"the nearest lies {near.distance_m:.0f} m away"
        raise InputError(
            f"no rideable road within {START_WITHIN_M:.0f} m: {away}", where, "choose a place on or beside a road"
        )
    return near.x_m, near.y_m


def cut_at(network: Network, xy: tuple[float, float]) -> tuple[Network, int]:
    """The network cut at the place nearest to `xy`, and the node there."""
    near = network.nearest_street(*xy)
    assert near is not None
    return network.with_place_on(near.street, near.offset_m)


def make_contacts(area: Area, ride: Ride, x_m: np.ndarray, y_m: np.ndarray) -> Contacts:
    """The ride's stations in numbers; (x, y) are places of the ride, for the correlation of the stations' errors."""
    found = (_workable(area, ride, s) for s in ride.stations)
    workable = tuple(with_learnt(ride, work) for work in found if work is not None)
    if not workable:
        told = "; ".join(station_line(s.name, resolved(area, ride, s).transmit_mhz) for s in ride.stations)
        raise InputError(
            f"none of the stations can be predicted by terrain ({told})",
            "[[net]] frequency_mhz",
            "add a station on 6 m to 23 cm: only there can contact along roads be reckoned",
        )
    ground = Ground(
        elevation=area.elevation,
        cover=learnt_cover(ride, area.cover),
        zone=area.zone,
        latitude_deg=area.projection.latitude_deg,
        delta_n=ride.radio.delta_n,
        n0=ride.radio.n0,
        time_percent=ride.radio.time_percent,
    )
    contacts = Contacts(
        workable=workable,
        ground=ground,
        rule=ride.contact.rule,
        reaches={w.name: w.station.reaches for w in workable if w.station.reaches},
        correlation=np.eye(len(workable)),
    )
    return replace(contacts, correlation=mean_correlation(contacts.bearings_deg(x_m, y_m), ride.radio.correlation))


def _workable(area: Area, ride: Ride, station: Any) -> Workable | None:
    work = resolved(area, ride, station)
    return work if by_terrain(work.transmit_mhz) and by_terrain(work.listen_mhz) else None


def resolved(area: Area, ride: Ride, station: Any) -> Workable:
    """A station of the ride file in numbers, on whatever band: that of the net it leads, else of the first net."""
    led = [n for n in ride.nets if n.control == station.name]
    net = next(iter([*led, *(n for n in ride.nets if by_terrain(n.frequency_mhz)), *ride.nets]), None)
    simplex = net.frequency_mhz if net is not None else float(ride.set.frequency_mhz or 0.0)
    transmit = float(station.hears_mhz or simplex)
    listen = float(station.talks_mhz or simplex)
    found = words.resolve_station(
        frequency_mhz=transmit,
        kind=station.kind,
        antenna_height_m=station.antenna_height_m,
        antenna_gain_dbi=station.antenna_gain_dbi,
        feeder_db=station.feeder_db,
        transmit_w=station.transmit_w,
        sensitivity=station.sensitivity_dbm,
        surroundings=station.surroundings,
        hears_mhz=station.hears_mhz,
        talks_mhz=station.talks_mhz,
        reaches=station.reaches,
    )
    rider = {mhz: _rider_set(ride, mhz) for mhz in {transmit, listen}}
    x, y = area.projection.to_xy(*station.position)
    mode = for_contact(mode_of(net.mode if net is not None else ride.set.mode, ride.radio.speech), transmit)
    spread = chance.Spread(
        location_db=chance.location_spread_db(transmit, height_m=rider[transmit].value.antenna_height_m),
        model_db=ride.radio.model_error_db,
        body_db=rider[transmit].value.body_sigma_db,
        noise_db=noise_spread_db(found.value, rider[transmit].value, transmit, listen),
    )
    return Workable(
        name=station.name,
        x_m=float(x),
        y_m=float(y),
        station=found.value,
        rider=rider[transmit].value,
        rider_from=rider[listen].value,
        transmit_mhz=transmit,
        listen_mhz=listen,
        mode=mode,
        spread=spread,
        stated=found.stated,
        rider_stated=rider[transmit].stated,
    )


def _rider_set(ride: Ride, mhz: float) -> words.Resolved[RiderSet]:
    handheld = ride.set
    return words.resolve_set(
        frequency_mhz=mhz,
        transmit_w=handheld.transmit_w,
        antenna=handheld.antenna,
        mount=handheld.mount,
        sensitivity=handheld.sensitivity_dbm,
        surroundings=ride.radio.noise,
        antenna_gain_dbi=handheld.antenna_gain_dbi,
        antenna_height_m=handheld.antenna_height_m,
        feeder_db=handheld.feeder_db,
    )
