"""Rides from here to there over invented lanes on real ground: limits, trade-off, places to pass, faults."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from routeplan.errors import UnreachableError
from routeplan.plan import jobs
from routeplan.plan.area import Area
from routeplan.plan.between import _front, _legs, find_routes, route_reasons
from routeplan.plan.loops import Window, lost_s, passes_via, question
from routeplan.plan.ridefile import read_ride
from routeplan.plan.setting import Setting, departures, from_here_to_there
from routeplan.plan.timetable import time_route

WAY = """
[start]
position = [36.5628, -84.2843]
departs = 2026-06-11T10:00:00
time_zone = "America/New_York"
[ride]
end = [36.6130, -84.2140]
length_at_most_km = 14
{more}
[set]
frequency_mhz = 145.5
[[station]]
name = "QA1FELL"
position = [36.6000, -84.2900]
kind = "vertical on the chimney"
{other}
"""


def setting_of(area: Area, folder: Path, more: str = "", other: str = "") -> Setting:
    path = folder / "way.toml"
    path.write_text(WAY.format(more=more, other=other))
    return from_here_to_there(area, read_ride(path), progress=lambda text: None)


@pytest.fixture(scope="module")
def setting(fault_area: Area, tmp_path_factory: pytest.TempPathFactory) -> Setting:
    return setting_of(fault_area, tmp_path_factory.mktemp("between"))


def test_property_choices_lead_there_within_the_length_and_none_passes_another(setting: Setting):
    chosen, _ = find_routes(setting, departures(setting.ride), lambda text: None)
    network = setting.network
    assert chosen
    for timed in chosen:
        edges = timed.ridden.edges
        assert network.edge_tail[edges[0]] == setting.start and network.edge_head[edges[-1]] == setting.end
        assert np.array_equal(network.edge_head[edges[:-1]], network.edge_tail[edges[1:]])
        assert timed.ridden.length_m <= 14_000 + 1e-6
    effort = [t.ridden.effort_kj for t in chosen]
    assert effort == sorted(effort)
    lost = [lost_s(t) for t in chosen]
    assert lost == sorted(lost, reverse=True)  # dearer ones are quieter
    reasons = route_reasons(chosen)
    assert sum("the least time out of contact" in reason for reason in reasons) == 1


def test_property_no_random_way_passes_what_was_found(setting: Setting):
    """Ways by shaken shortest paths, weighed as the search weighs them (walking and side streets priced)."""
    from routeplan.plan.cheapest import cheapest, way_to

    asked = question(setting, Window("m", 0.0, 0.0, 14_000.0), False)
    costs = np.column_stack([asked.measure, asked.loss_s, asked.effort_kj])
    legs = _legs(setting, asked)
    found = _front(setting, asked, legs, costs, 14_000.0)
    assert found.complete and found.epsilon == 0
    rng = np.random.default_rng(3)
    within = 0
    for _ in range(60):
        share = rng.dirichlet([1, 1, 1]) / costs.mean(axis=0)
        cost = (costs @ share) * rng.uniform(0.7, 1.4, len(costs))
        tree = cheapest(asked.tail, asked.head, cost, legs.start, legs.size)
        way = costs[way_to(tree, asked.tail, legs.start, legs.end)].sum(axis=0)
        if way[0] <= 14_000:
            within += 1
            assert (found.costs <= way + 1e-6).all(axis=1).any()
    assert within > 20


def test_places_are_passed_in_their_order(fault_area: Area, tmp_path: Path):
    places = ("[36.6000, -84.2600]", "[36.5750, -84.2400]")
    via = setting_of(fault_area, tmp_path, f"length_at_most_km = 30\nvia = [{', '.join(places)}]".split("\n", 1)[1])
    via = replace(via, ride=replace(via.ride, ride=replace(via.ride.ride, length_at_most_km=30.0)))
    chosen, _ = find_routes(via, departures(via.ride), lambda text: None)
    assert chosen and all(passes_via(via, timed) for timed in chosen)
    for timed in chosen:
        streets = via.network.edge_street[timed.ridden.edges]
        first, second = (int(np.flatnonzero(streets == street)[0]) for street in via.via_streets)
        last_of_second = int(np.flatnonzero(streets == via.via_streets[1])[-1])
        assert first < last_of_second and second >= 0
    back = setting_of(fault_area, tmp_path, f"via = [{places[1]}, {places[0]}]")
    asked = question(back, Window("m", 0.0, 0.0, 14_000.0), False)
    legs = _legs(back, asked)
    assert legs.size == 3 * (max(asked.tail.max(), asked.head.max()) + 1)
    assert len(legs.edge) == 3 * len(asked.tail)


def test_too_short_a_length_names_the_shortest_way(setting: Setting, fault_area: Area, tmp_path: Path):
    short = setting_of(fault_area, tmp_path)
    short = replace(short, ride=replace(short.ride, ride=replace(short.ride.ride, length_at_most_km=8.5)))
    with pytest.raises(UnreachableError, match=r"the shortest way from the start to the end has \d+\.\d km"):
        find_routes(short, departures(short.ride), lambda text: None)


def test_job_makes_a_plan_with_reasons_and_bound(fault_area: Area, tmp_path: Path):
    path = tmp_path / "way.toml"
    net = '[[net]]\nfrequency_mhz = 145.5\nbegins = "10:10"\nlasts_min = 30\ncontrol = "QA1FELL"'
    path.write_text(WAY.format(more="", other=net))
    plan = jobs.plan("between", fault_area, read_ride(path), progress=lambda text: None)
    assert plan.job == "between" and plan.bound is not None
    assert all(route.contact_s <= plan.bound.contact_s_at_most + 1e-6 for route in plan.routes)
    assert any("passing times" in note for note in plan.notes)


def test_roundabouts_are_ridden_round(setting: Setting):
    """Routes are found with each ring as one place; on the network's own edges they follow each other."""
    chosen, _ = find_routes(setting, departures(setting.ride), lambda text: None)
    again = time_route(setting, chosen[0].ridden.edges, chosen[0].departs)
    assert again.ridden.length_m == pytest.approx(chosen[0].ridden.length_m)
