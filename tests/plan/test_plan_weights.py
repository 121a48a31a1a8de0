"""Weights on edges and what follows from them: the same sums whichever way they are added up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from routeplan.errors import UnreachableError
from routeplan.plan import ridefile
from routeplan.plan.area import Area
from routeplan.plan.bound import fill
from routeplan.plan.cheapest import cheapest, way_to
from routeplan.plan.clock import NetClock
from routeplan.plan.contact import NOWHERE_DB
from routeplan.plan.loops import loop_window, question
from routeplan.plan.ridden import Halt, contact_figures, ride_along
from routeplan.plan.setting import Setting, departures, round_a_start
from routeplan.plan.timetable import time_route, with_check_in_halt
from routeplan.plan.weights import pieces_of, ride_weights

RIDE = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[ride]
length_km = 10
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
kind = "vertical on the chimney"
[[station]]
name = "QB2TOWN"
position = [36.5600, -84.2700]
kind = "in the loft"
[wind]
speed_m_s = 3
from_deg = 200
"""


@pytest.fixture(scope="module")
def setting(fault_area: Area) -> Setting:
    ride = ridefile.read_ride_text(RIDE)
    return round_a_start(fault_area, ride, reach_m=5000, progress=lambda text: None)


def walk(setting: Setting, steps: int, seed: int = 3) -> np.ndarray:
    """A random ride that does not turn back at once."""
    rng = np.random.default_rng(seed)
    network, at, edges = setting.network, setting.start, []
    for _ in range(steps):
        onward = [
            e for e in np.flatnonzero(network.edge_tail == at) if not edges or e != network.edge_reverse[edges[-1]]
        ]
        edges.append(int(rng.choice(onward)))
        at = int(network.edge_head[edges[-1]])
    return np.array(edges)


def test_edge_sums_are_what_riding_the_edges_adds_up_to(setting: Setting):
    edges = walk(setting, 40)
    ridden = ride_along(edges, setting.pieces, setting.riding, setting.contact)
    assert ridden.length_m == pytest.approx(setting.network.edge_length_m[edges].sum())
    assert ridden.ride_time_s == pytest.approx(setting.edge_time_s[edges].sum())
    assert ridden.effort_kj == pytest.approx(setting.edge_effort_kj[edges].sum())
    known = np.isfinite(ridden.chance)
    assert np.sum((ridden.duration_s * ridden.chance)[known]) == pytest.approx(setting.edge_contact_s[edges].sum())


def test_both_ways_of_a_street_climb_what_the_other_descends(setting: Setting):
    rise = setting.pieces.grade * setting.pieces.length_m
    assert np.allclose(rise[0], -rise[1])
    # one height a place: every street that meets there ends or begins as high
    network = setting.network
    ends = np.concatenate([network.street_start, network.street_end])
    points = np.concatenate([network.point_first[:-1], network.point_first[1:] - 1])
    order = np.lexsort((points, ends))
    same = np.diff(ends[order]) == 0
    assert np.allclose(np.diff(network.point_height_m[points[order]])[same], 0)
    up = setting.pieces.edge_sums(rise)
    there, back = network.edges_of_street(0)
    assert up[there] == pytest.approx(-up[back])


def test_uphill_takes_longer_and_more_work_than_downhill(setting: Setting):
    steep = np.abs(setting.pieces.grade[0]) > 0.05
    uphill = np.where(setting.pieces.grade[0] > 0, 0, 1)
    m = np.arange(len(uphill))
    still = ride_weights(setting.pieces, setting.ride.pacing_rider)
    assert steep.sum() > 20
    assert (still.effort_j[uphill, m][steep] > still.effort_j[1 - uphill, m][steep]).all()
    assert (still.time_s[uphill, m][steep] > still.time_s[1 - uphill, m][steep]).mean() > 0.99


def test_wind_makes_the_two_ways_differ(setting: Setting):
    still = ride_weights(setting.pieces, setting.ride.pacing_rider)
    blown = ride_weights(setting.pieces, setting.ride.pacing_rider, wind_m_s=5, wind_from_deg=0)
    level = np.abs(setting.pieces.grade[0]) < 0.01
    north = level & (np.abs((setting.pieces.heading_deg[0] + 180) % 360 - 180) < 30)
    assert north.sum() > 5
    assert (blown.time_s[0][north] > still.time_s[0][north]).all()
    assert (blown.time_s[1][north] < still.time_s[1][north]).all()


def test_a_tunnel_is_dead_and_known_to_be(setting: Setting):
    from routeplan.plan.contact import contact_weights

    ways = replace(setting.network.ways, tunnel=np.ones(len(setting.network.ways), dtype=bool))
    buried = pieces_of(replace(setting.network, ways=ways))
    weights = contact_weights(buried, setting.contacts)
    assert (weights.margin_db == NOWHERE_DB).all()
    assert (weights.chance < 1e-6).all()


def test_the_rider_s_body_makes_the_two_ways_differ(setting: Setting):
    chest = ridefile.with_changes(setting.ride, {"set.mount": "chest"})
    from routeplan.plan.contact import contact_weights
    from routeplan.plan.setting import make_contacts

    network = setting.network
    contacts = make_contacts(setting.area, chest, network.point_x_m, network.point_y_m)
    margin = contact_weights(setting.pieces, contacts).margin_db[0, 0]
    assert np.nanmax(np.abs(margin[0] - margin[1])) > 5


def test_a_halt_adds_its_minutes_and_nothing_else(setting: Setting):
    edges = walk(setting, 30)
    plain = ride_along(edges, setting.pieces, setting.riding, setting.contact)
    margin = np.full((2, 2), 20.0)
    halted = ride_along(edges, setting.pieces, setting.riding, setting.contact, Halt(25, 600.0, margin, 1.0))
    assert halted.ride_time_s == pytest.approx(plain.ride_time_s + 600)
    assert halted.length_m == pytest.approx(plain.length_m)
    assert halted.effort_kj == pytest.approx(plain.effort_kj)
    assert halted.standing.sum() == 1 and halted.standing[25]
    assert halted.duration_s[25] == pytest.approx(600)
    figures = [contact_figures(r, NetClock(), 0.9) for r in (plain, halted)]
    assert figures[1].contact_s == pytest.approx(figures[0].contact_s + 600)


def test_missing_data_is_left_out_and_counted(setting: Setting):
    edges = walk(setting, 30)
    ridden = ride_along(edges, setting.pieces, setting.riding, setting.contact)
    chance = ridden.chance.copy()
    chance[10:20] = np.nan
    gap = contact_figures(replace(ridden, chance=chance), NetClock(), 0.9)
    assert gap.unknown_m == pytest.approx(ridden.distance_m[20] - ridden.distance_m[10])
    rest = np.delete(ridden.duration_s * ridden.chance, np.s_[10:20]).sum()
    assert gap.contact_s == pytest.approx(rest)
    assert gap.counted_s == pytest.approx(np.delete(ridden.duration_s, np.s_[10:20]).sum())


def test_turns_of_the_search_are_those_of_the_timetable(setting: Setting):
    window = loop_window(setting.ride, departures(setting.ride)[0])
    asked = question(setting, window, False)
    priced = {tuple(pair) for pair in asked.turns.tolist()}
    for seed in range(5):
        edges = walk(setting, 30, seed)
        rows = {edge: row for row, edge in enumerate(setting.graph.edge.tolist())}
        counted = sum((rows[a], rows[b]) in priced for a, b in zip(edges[:-1].tolist(), edges[1:].tolist()))
        timed = time_route(setting, edges, departures(setting.ride)[0])
        assert counted == timed.turns


def test_without_a_net_there_is_no_halt(setting: Setting):
    timed = time_route(setting, walk(setting, 30), departures(setting.ride)[0])
    assert with_check_in_halt(setting, timed) is timed


def test_fill_takes_the_best_first_and_the_last_in_part():
    gain, measure = np.array([10.0, 6.0, 1.0]), np.array([2.0, 2.0, 2.0])
    assert fill(gain, measure, 3.0) == pytest.approx(13.0)
    assert fill(gain, measure, 100.0) == pytest.approx(17.0)
    assert fill(gain, measure, 0.0) == 0.0


def test_cheapest_by_hand():
    tail, head = np.array([0, 0, 1, 2, 1]), np.array([1, 2, 2, 3, 2])
    cost = np.array([1.0, 5.0, 3.0, 1.0, 2.0])  # of the parallel edges 1 -> 2 the second is cheaper
    tree = cheapest(tail, head, cost, 0, 5)
    assert tree.cost[:4].tolist() == [0.0, 1.0, 3.0, 4.0]
    assert np.isinf(tree.cost[4])
    assert way_to(tree, tail, 0, 3) == [0, 4, 3]
    home = cheapest(tail, head, cost, 3, 5, backwards=True)
    assert home.cost[:4].tolist() == [4.0, 3.0, 1.0, 0.0]
    assert home.edge[:4].tolist() == [0, 4, 3, -1]
    with pytest.raises(UnreachableError):
        way_to(tree, tail, 0, 4)


def test_wished_places_are_passed(fault_area: Area):
    from routeplan.plan import jobs

    ride = ridefile.with_changes(ridefile.read_ride_text(RIDE), {"ride.via": [[36.6000, -84.2300]], "ride.choices": 2})
    plan = jobs.plan("loop", fault_area, ride, progress=lambda text: None)
    x, y = fault_area.projection.to_xy(36.6000, -84.2300)
    for route in plan.routes:
        assert np.hypot(route.samples.x_m - x, route.samples.y_m - y).min() < 500
