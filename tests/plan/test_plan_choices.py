"""Which loops are shown: what holds of the choices whatever the pool, calmer rides among them, and when to leave."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest
from fault_place import NET, RIM, START, lanes_text, quiet

from routeplan import search
from routeplan.errors import NoLoopError
from routeplan.output import report, table, trade_off
from routeplan.output.write import json_text
from routeplan.plan import calm, jobs, loops, reasons, ridefile
from routeplan.plan.area import Area, make_area
from routeplan.plan.document import to_document
from routeplan.plan.loops import SHARED_AT_MOST, choose, loop_window, question
from routeplan.plan.setting import BUSY_STRESS, Setting, departures, round_a_start
from routeplan.plan.timetable import Timed, make_route, time_route

LOOP = "[ride]\nlength_km = 12\ntolerance = 0.2\nchoices = 5\n"


@pytest.fixture(scope="module")
def busy_area(fault_elevation: Path, tmp_path_factory: pytest.TempPathFactory) -> Area:
    """The lanes with a fast main road for every fifth of them."""
    folder = tmp_path_factory.mktemp("busy")
    main = '"primary"/><tag k="maxspeed" v="80"/>'
    (folder / "lanes.osm").write_text(lanes_text().replace('"tertiary"/>', main))
    return make_area(folder / "area", roads=[folder / "lanes.osm"], terrain=[fault_elevation], elevation_kind="terrain")


def setting_of(area: Area, text: str) -> Setting:
    ride = ridefile.read_ride_text(text)
    reach_m = loop_window(ride, departures(ride)[0]).reach_m
    return round_a_start(area, ride, reach_m=reach_m, progress=quiet)


@pytest.fixture(scope="module")
def pools(busy_area: Area) -> Callable[[str], tuple[Setting, list[Timed]]]:
    """A setting, and many loops of it that were looked for by costs drawn at random."""
    made: dict[str, tuple[Setting, list[Timed]]] = {}

    def pool(sections: str) -> tuple[Setting, list[Timed]]:
        if sections in made:
            return made[sections]
        setting = setting_of(busy_area, START + LOOP + RIM + sections)
        window = loop_window(setting.ride, departures(setting.ride)[0])
        asked = question(setting, window, bool(setting.nets))
        random = np.random.default_rng(5)
        found: list[Timed] = []
        for repeat in (False, False, True, False):
            costs = random.random((2, len(asked.tail))) * asked.measure
            pool = search.trade_off(
                asked.tail, asked.head, asked.measure, costs[0], costs[1], asked.start, window.shortest, window.longest,
                street=asked.street, may_repeat=repeat, banned_turns=asked.banned, budget=4_000_000,
            )  # fmt: skip
            for edges in pool.edges:
                whole = setting.graph.expand(edges, start=setting.start, end=setting.start)
                found.append(time_route(setting, whole, departures(setting.ride)[0]))
        made[sections] = setting, found
        return made[sections]

    return pool


def shared_share(setting: Setting, one: Timed, other: Timed) -> float:
    """Written anew: length of the streets both ride over that of the shorter one's streets."""
    sets = [set(setting.network.edge_street[t.ridden.edges].tolist()) for t in (one, other)]
    length = [sum(setting.network.street_length_m[s] for s in streets) for streets in (*sets, sets[0] & sets[1])]
    return length[2] / min(length[:2])


@pytest.mark.parametrize("sections", ["", NET, "[rider]\nstress_weight = 0\n"])
def test_property_choices_of_random_pools(pools: Callable[[str], tuple[Setting, list[Timed]]], sections: str) -> None:
    setting, every = pools(sections)
    window = loop_window(setting.ride, departures(setting.ride)[0])
    traffic = "stress_weight" not in sections
    random = np.random.default_rng(11)
    several = 0
    for size in (1, 2, 5, 15, 40, 100, len(every), len(every)):
        some = [every[k] for k in random.choice(len(every), min(size, len(every)), replace=False)]
        shown = choose(setting, some, window)
        again = choose(setting, some, window)
        assert [t.ridden.edges.tolist() for t in shown] == [t.ridden.edges.tolist() for t in again]
        assert 1 <= len(shown) <= setting.ride.ride.choices
        several += len(shown) > 1
        efforts = [t.ridden.effort_kj for t in shown]
        assert efforts == sorted(efforts)
        for one, other in permutations(shown, 2):
            assert shared_share(setting, one, other) <= SHARED_AT_MOST + 1e-9
            better = one.ridden.effort_kj <= other.ridden.effort_kj and one.figures.share >= other.figures.share
            assert not better or (traffic and calm.less_busy_m(other, one) > 0)
        told = reasons.ride_reasons(shown)
        assert len(told) == len(shown) and all(told)
    assert several


def test_property_equal_rides_are_shown_once(pools: Callable[[str], tuple[Setting, list[Timed]]]) -> None:
    setting, every = pools("")
    window = loop_window(setting.ride, departures(setting.ride)[0])
    assert len(choose(setting, [every[0], every[0], every[0]], window)) == 1


# Traffic


def with_figures(like: Timed, *, effort_kj: float, share: float, busy_m: float) -> Timed:
    """The same ride with other figures."""
    ridden = replace(like.ridden, effort_j=like.ridden.effort_j * (effort_kj / like.ridden.effort_kj))
    figures = like.figures._replace(contact_s=share * like.figures.counted_s)
    return replace(like, ridden=ridden, figures=figures, busy_m=busy_m)


def test_calmer_is_what_a_rider_notices(pools: Callable[[str], tuple[Setting, list[Timed]]]) -> None:
    _, every = pools("")
    busy = replace(every[0], busy_m=12_000.0)
    assert calm.less_busy_m(replace(busy, busy_m=11_100.0), busy) == 0.0  # under a kilometre
    assert calm.less_busy_m(replace(busy, busy_m=9_900.0), busy) == 0.0  # under a fifth
    assert calm.less_busy_m(replace(busy, busy_m=9_500.0), busy) == 2_500.0
    assert calm.less_busy_m(busy, replace(busy, busy_m=0.0)) == 0.0


def test_a_calm_ride_takes_a_place_and_says_what_it_costs(pools: Callable[[str], tuple[Setting, list[Timed]]]) -> None:
    setting, every = pools("")
    apart = [every[0]]
    for timed in every:
        if all(calm.shared_share(setting, timed, o) <= SHARED_AT_MOST for o in apart):
            apart.append(timed)
    assert len(apart) >= 3
    lazy = with_figures(apart[0], effort_kj=400.0, share=0.6, busy_m=6000.0)
    calmer = with_figures(apart[1], effort_kj=420.0, share=0.52, busy_m=2900.0)
    silent = with_figures(apart[2], effort_kj=421.0, share=0.2, busy_m=0.0)
    no_calmer = with_figures(apart[2], effort_kj=421.0, share=0.55, busy_m=5500.0)
    hard = with_figures(apart[2], effort_kj=600.0, share=0.55, busy_m=0.0)
    too_like = with_figures(apart[0], effort_kj=420.0, share=0.58, busy_m=0.0)

    def chosen(*pool: Timed) -> Timed | None:
        costs = np.array([(t.ridden.effort_kj, 1000.0 * (1 - t.figures.share)) for t in pool])
        return calm.calm_choice(setting, pool, costs, [lazy], np.array([[400.0, 400.0]]), SHARED_AT_MOST)

    assert chosen(silent, no_calmer, hard, too_like) is None
    assert chosen(silent, no_calmer, calmer, hard, too_like) is calmer
    told = reasons.ride_reasons([lazy, calmer])[1]
    less_min = round(0.08 * calmer.ridden.ride_time_s / 60)
    assert told.startswith("3.1 km less on busy roads than A for 20 kJ more")
    assert f"and {less_min} minutes less contact" in told
    rich = with_figures(apart[1], effort_kj=420.0, share=0.8, busy_m=9000.0)
    assert "with 3.0 km more on busy roads" in reasons.ride_reasons([lazy, rich])[1]


def test_traffic_counts_only_where_it_can(busy_area: Area, fault_area: Area) -> None:
    assert calm.wanted(setting_of(busy_area, START + LOOP + RIM))
    assert not calm.wanted(setting_of(fault_area, START + LOOP + RIM))  # lanes only
    assert not calm.wanted(setting_of(busy_area, START + LOOP + RIM + "[rider]\nstress_weight = 0\n"))
    assert not calm.wanted(setting_of(busy_area, START + LOOP.replace("= 5", "= 1") + RIM))
    setting = setting_of(busy_area, START + LOOP + RIM + f"[rider]\nstress_at_most = {BUSY_STRESS - 0.1}\n")
    assert not calm.wanted(setting) and setting.edge_busy_m.sum() == 0


def test_busy_kilometres_are_shown_with_each_choice(busy_area: Area) -> None:
    plan = jobs.plan("loop", busy_area, ridefile.read_ride_text(START + LOOP + RIM), progress=quiet, quick=True)
    document = to_document(plan)
    for route, out in zip(plan.routes, document["routes"], strict=True):
        assert out["busy_m"] == route.busy_m and 0 <= route.busy_m <= route.length_m
        assert (f"{route.busy_m / 1000:.1f} km on busy roads" in table.extras(route)) == (route.busy_m >= 500)
    assert "On busy roads" in report.report_html(plan) and "busy_m" in json_text(plan)
    assert any("found" in note for note in plan.notes)
    first = replace(plan.routes[0], id="A", effort_kj=400.0, contact_share=0.6, busy_m=6000.0)
    second = replace(first, id="B", effort_kj=420.0, contact_share=0.55, busy_m=2900.0)
    assert trade_off.calmer(replace(plan, routes=(first, second))) == [second]
    assert "calmer" in trade_off.trade_off_svg(replace(plan, routes=(first, second)))
    busier = replace(second, busy_m=5100.0)
    assert "calmer" not in trade_off.trade_off_svg(replace(plan, routes=(first, busier)))
    for one, other in permutations(plan.routes, 2):
        passed = one.effort_kj <= other.effort_kj and one.contact_share >= other.contact_share
        assert not passed or one.busy_m > other.busy_m


# When to leave, and which way round


def test_departure_is_chosen_for_the_net(fault_area: Area) -> None:
    """Of departures from two hours before the net on, those shown have the ride fall into it; each is told."""
    between = 'departs_between = ["2026-06-11T16:45:00", "2026-06-11T19:15:00"]'
    text = START.replace("departs = 2026-06-11T18:30:00", between)
    ride = ridefile.read_ride_text(text + LOOP + RIM + NET)
    offered = departures(ride)
    assert len(offered) > 2
    plan = jobs.plan("loop", fault_area, ride, progress=quiet, quick=True)
    best = max(plan.routes, key=lambda route: route.contact_s)
    first = jobs.plan("loop", fault_area, ridefile.read_ride_text(
        START.replace("18:30", "16:45") + LOOP + RIM + NET), progress=quiet, quick=True)  # fmt: skip
    assert best.contact_s > max(route.contact_s for route in first.routes)  # these are home before the net begins
    for route in plan.routes:
        assert route.departs in offered
        told = f"{route.id}  leaves {route.departs:%H:%M}"
        assert told in table.table(plan, strips=len(plan.routes))


def test_late_figures_are_those_of_a_later_departure(fault_area: Area) -> None:
    """Contact 10 and 20 minutes late is the contact of the same ride that leaves so much later."""
    setting = setting_of(fault_area, START + LOOP + RIM + NET)
    ride = ridefile.read_ride_text(START + LOOP + RIM + NET)
    window = loop_window(ride, departures(ride)[0])
    chosen = loops.find_loops(setting, window, departures(ride), quiet, budget=10_000_000)
    for timed in chosen[:2]:
        route = make_route(setting, timed, letter="A", why="")
        assert [late for late, _ in route.late_contact_share] == [0.0, 10.0, 20.0]
        assert route.late_contact_share[0][1] == pytest.approx(route.contact_share)
        if timed.ridden.standing.any():
            continue  # a halt stays where it was planned
        for late, share in route.late_contact_share:
            later = time_route(setting, timed.ridden.edges, timed.departs + timedelta(minutes=late))
            assert share == pytest.approx(later.figures.share, abs=1e-9)


def test_the_way_round_is_chosen(fault_area: Area) -> None:
    """The ride shown is not passed by the same streets ridden the other way round."""
    setting = setting_of(fault_area, START + LOOP + RIM + NET)
    ride = setting.ride
    window = loop_window(ride, departures(ride)[0])
    chosen = loops.find_loops(setting, window, departures(ride), quiet, budget=20_000_000)
    network = setting.network
    other_way = {(int(s), bool(f)): e for e, (s, f) in enumerate(zip(network.edge_street, network.edge_forward))}
    compared = 0
    for timed in chosen:
        edges = timed.ridden.edges[::-1]
        back = [other_way.get((int(network.edge_street[e]), not network.edge_forward[e])) for e in edges]
        if None in back:
            continue
        compared += 1
        turned = time_route(setting, np.array(back), timed.departs)
        assert [network.edge_tail[e] for e in back[1:]] == [network.edge_head[e] for e in back[:-1]]
        costs = [t.ridden.effort_kj + loops.price_kj(t, window) for t in (timed, turned)]
        lost = [loops.lost_s(t) for t in (timed, turned)]
        assert not (costs[1] < costs[0] and lost[1] < lost[0])
    assert compared


# What cannot be


def test_no_loop_names_the_nearest_length(fault_area: Area) -> None:
    text = START + "[ride]\nlength_km = 1.0\ntolerance = 0.05\n" + RIM
    with pytest.raises(NoLoopError, match=r"no loop of 0\.9 to 1\.1 km .* nearest .* has \d\.\d km") as error:
        jobs.plan("loop", fault_area, ridefile.read_ride_text(text), progress=quiet, quick=True)
    assert error.value.nearest_length_m is not None
    nearest_km = error.value.nearest_length_m / 1000
    again = text.replace("length_km = 1.0", f"length_km = {nearest_km:.3f}")
    plan = jobs.plan("loop", fault_area, ridefile.read_ride_text(again), progress=quiet, quick=True)
    assert all(abs(route.length_m / 1000 - nearest_km) <= 0.05 * nearest_km for route in plan.routes)


def test_a_loop_inside_the_window_is_never_told_as_the_nearest_outside(
    fault_area: Area, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the trade-off comes back with nothing, the nearest loop is shown if it lies in the window."""

    def nothing(*arguments: object, **more: object) -> None:
        raise NoLoopError("none", None)

    monkeypatch.setattr(search, "trade_off", nothing)
    text = START + "[ride]\nlength_km = 10\n" + RIM
    plan = jobs.plan("loop", fault_area, ridefile.read_ride_text(text), progress=quiet, quick=True)
    assert len(plan.routes) == 1 and 9_500 <= plan.routes[0].length_m <= 10_500


def test_without_a_net_departures_differ_by_daylight(fault_area: Area) -> None:
    between = 'departs_between = ["2026-06-11T03:00:00", "2026-06-11T08:00:00"]'
    text = START.replace("departs = 2026-06-11T18:30:00", between) + LOOP + RIM
    plan = jobs.plan("loop", fault_area, ridefile.read_ride_text(text), progress=quiet, quick=True)
    assert {route.lights_from_s for route in plan.routes} == {None}
    assert len({route.departs for route in plan.routes}) == 1 and plan.routes[0].departs.hour >= 5


def test_departures_are_told_where_they_differ(pools: Callable[[str], tuple[Setting, list[Timed]]]) -> None:
    _, every = pools("")
    assert not any("leaves" in told for told in reasons.ride_reasons(every[:2]))
    later = replace(every[1], departs=every[1].departs + timedelta(minutes=20))
    told = reasons.ride_reasons([every[0], later])
    assert "leaves 18:30" in told[0] and "leaves 18:50" in told[1]


def test_what_only_repeats_keep_from_being_a_loop_is_told_so(fault_area: Area, monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(*arguments: object, **more: object) -> None:
        raise NoLoopError("none", 10_000.0)

    monkeypatch.setattr(search, "trade_off", nothing)
    monkeypatch.setattr(search, "best_loops", nothing)
    text = START + "[ride]\nlength_km = 10\n" + RIM
    with pytest.raises(NoLoopError, match=r"9\.5 to 10\.5 km .* twice .* one of 10\.0 km does: raise repeat_share"):
        jobs.plan("loop", fault_area, ridefile.read_ride_text(text), progress=quiet, quick=True)
