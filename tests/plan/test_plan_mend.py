"""A given ride and small detours round its dead stretches: on the demo island, and on lanes on real ground."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from routeplan.afterwards.tracks import read_gpx
from routeplan.plan import jobs, mend
from routeplan.plan.area import Area
from routeplan.plan.followed import Followed, follow
from routeplan.plan.ridefile import Ride, read_ride
from routeplan.plan.setting import departures
from routeplan.plan.timetable import time_route

WEEKLY = Path(__file__).parents[2] / "demo_area" / "rides" / "weekly.toml"


def quiet(text: str) -> None:
    pass


@pytest.fixture(scope="module")
def weekly() -> Ride:
    return read_ride(WEEKLY)


@pytest.fixture(scope="module")
def followed(demo_area: Area, weekly: Ride) -> Followed:
    assert weekly.ride.follow is not None
    room = mend.room_m(weekly.ride.extra_km_at_most)
    return follow(demo_area, weekly, read_gpx(weekly.ride.follow), room_m=room, progress=quiet)


@pytest.fixture(scope="module")
def mended(followed: Followed, weekly: Ride) -> mend.MendedRides:
    return mend.mend_ride(followed, departures(weekly)[0], quiet, "as it is")


def test_the_usual_ride_comes_first_and_small_changes_help(mended: mend.MendedRides, followed: Followed):
    usual, *others = mended.rides
    np.testing.assert_array_equal(usual.ridden.edges, followed.edges)
    assert mended.reasons[0] == "as it is"
    assert others, "the island's usual ride can be mended"
    assert min(t.figures.dead_s for t in others) < usual.figures.dead_s - 120


def test_property_no_choice_is_worse(mended: mend.MendedRides, followed: Followed, weekly: Ride):
    setting = followed.setting
    network = setting.network
    usual, *others = mended.rides
    for timed in others:
        edges = timed.ridden.edges
        assert network.edge_tail[edges[0]] == setting.start and network.edge_head[edges[-1]] == setting.end
        assert np.array_equal(network.edge_head[edges[:-1]], network.edge_tail[edges[1:]])
        assert timed.figures.dead_s <= usual.figures.dead_s - mend.LABELLED_DEAD_S
        assert timed.figures.longest_dead_s <= usual.figures.longest_dead_s + 1
        assert timed.figures.share >= usual.figures.share - mend.CONTACT_SHARE
        assert timed.ridden.repeated_m <= usual.ridden.repeated_m + mend.REPEATS_M
        assert mend.turns_back(setting, edges) <= mend.turns_back(setting, usual.ridden.edges)
        more_m = timed.ridden.length_m - usual.ridden.length_m
        assert -mend.SHORTER_SHARE * usual.ridden.length_m - 1 <= more_m
        assert more_m <= weekly.ride.extra_km_at_most * 1000 + 1
    effort = [t.ridden.effort_kj for t in others]
    assert effort == sorted(effort)


def test_reasons_say_what_is_taken_out_and_where(mended: mend.MendedRides):
    for reason in mended.reasons[1:]:
        assert "dead stretch" in reason and "leaves it at" in reason
        assert "kJ" in reason and ("minutes" in reason or "seconds" in reason)


def test_property_silence_left_adds_up(followed: Followed, weekly: Ride):
    """What is left of the named silences, with the unnamed ones, is about the dead time of the mended ride."""
    usual = time_route(followed.setting, followed.edges, departures(weekly)[0])
    silences = mend.silences_of(followed.setting, usual.ridden)
    unnamed_s = usual.figures.dead_s - sum(s.seconds for s in silences)
    choices, epsilon = mend._choices(followed.setting, usual, silences, quiet)
    assert choices and epsilon == 0
    for choice in choices:
        assert sum(choice.left_s) + unnamed_s == pytest.approx(choice.timed.figures.dead_s, abs=unnamed_s + 1)


def test_where_no_detour_may_be_longer_the_places_to_stop_are_named(followed: Followed, weekly: Ride):
    """A stretch that no detour helps is named, with the nearest calling place that has contact."""
    strict = replace(weekly, ride=replace(weekly.ride, extra_km_at_most=0.0))
    bound = replace(followed, setting=replace(followed.setting, ride=strict))
    result = mend.mend_ride(bound, departures(weekly)[0], quiet, "")
    told = [note for note in result.notes if note.startswith("no small detour helps")]
    assert told and all("stop at" in note or "contact" in note for note in told)
    longest = max(mend.silences_of(followed.setting, result.rides[0].ridden), key=lambda s: s.seconds)
    assert any(f"dead stretch {longest.letter} " in note for note in told)


def test_ride_without_silence_has_nothing_to_mend(followed: Followed, weekly: Ride):
    contact = replace(followed.setting.contact, chance=np.ones_like(followed.setting.contact.chance))
    loud = replace(followed, setting=replace(followed.setting, contact=contact))
    result = mend.mend_ride(loud, departures(weekly)[0], quiet, "as it is")
    assert len(result.rides) == 1 and "nothing to mend" in result.notes[0]


def test_letters_are_those_of_the_plan(demo_area: Area, weekly: Ride):
    plan = jobs.plan("mend", demo_area, weekly, progress=quiet)
    assert plan.job == "mend" and plan.bound is None and len(plan.routes) >= 2
    labels = {s.label for s in plan.routes[0].dead_stretches if s.label}
    told = plan.routes[1].why.split(":")[0]
    named = {word.strip(",") for word in told.split() if len(word.strip(",")) == 1 and word[0].isupper()}
    assert named and named <= labels
    assert len(plan.routes) <= 1 + weekly.ride.choices


LANES = """
[start]
departs = 2026-06-11T18:00:00
time_zone = "America/New_York"
[ride]
follow = "lanes.gpx"
extra_km_at_most = 5
[set]
frequency_mhz = 145.5
[[station]]
name = "QA1FELL"
position = [36.5750, -84.2850]
kind = "vertical on the chimney"
"""


def test_real_ground_with_a_loop_of_lanes(fault_area: Area, tmp_path: Path):
    """Round a block of lanes: whatever is shown is a ride from start to end that is nowhere worse."""
    network = fault_area.network
    corners = [(-2700, -1800), (1800, -1800), (1800, 1800), (-2700, 1800)]
    nodes = [int(np.argmin(np.hypot(network.node_x_m - x, network.node_y_m - y))) for x, y in corners]
    from routeplan.plan.cheapest import cheapest, way_to

    edges: list[int] = []
    for a, b in zip(nodes, [*nodes[1:], nodes[0]]):
        tree = cheapest(network.edge_tail, network.edge_head, network.edge_length_m, a, network.node_count)
        edges += way_to(tree, network.edge_tail, a, b)
    points: list[str] = []
    for edge in edges:
        street = network.edge_street[edge]
        at = np.arange(network.point_first[street], network.point_first[street + 1])
        at = at if network.edge_forward[edge] else at[::-1]
        latitude, longitude = fault_area.projection.to_latlon(network.point_x_m[at], network.point_y_m[at])
        points += [f'<trkpt lat="{p:.6f}" lon="{q:.6f}"/>' for p, q in zip(latitude, longitude)]
    (tmp_path / "lanes.gpx").write_text(
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="test"><trk><trkseg>'
        + "".join(points) + "</trkseg></trk></gpx>"
    )  # fmt: skip
    (tmp_path / "lanes.toml").write_text(LANES)
    plan = jobs.plan("mend", fault_area, read_ride(tmp_path / "lanes.toml"), progress=quiet)
    usual, *others = plan.routes
    assert usual.dead_s > 60
    assert others, "lanes on every side: some detour helps"
    for route in others:
        assert route.dead_s < usual.dead_s and route.longest_dead_s <= usual.longest_dead_s + 1
        assert route.length_m <= usual.length_m + 5000
