"""The jobs from ride file to plan on one small place: repeaters, packages of words, modes, bands, sameness."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fault_place import NET, RIM, START, lanes_text, quiet

from routeplan.errors import InputError
from routeplan.output import table
from routeplan.output.report import report_html
from routeplan.output.write import json_text
from routeplan.plan import jobs, ridefile
from routeplan.plan.area import Area, make_area
from routeplan.plan.value import Plan, Route
from routeplan.radio import ground_wave

LOOP = "[ride]\nlength_km = 10\nchoices = 2\n"


@pytest.fixture(scope="module")
def looped(fault_area: Area) -> Plan:
    return jobs.plan("loop", fault_area, ridefile.read_ride_text(START + LOOP + RIM + NET), progress=quiet, quick=True)


@pytest.fixture(scope="module")
def usual(looped: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first loop as the track of a usual ride."""
    return written_track(looped.routes[0], tmp_path_factory.mktemp("usual") / "usual.gpx")


def written_track(route: Route, path: Path) -> Path:
    samples = route.samples
    points = "".join(
        f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"/>' for lat, lon in zip(samples.latitude_deg, samples.longitude_deg)
    )
    path.write_text(
        f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>'
    )
    return path


@pytest.fixture(scope="module")
def checked(fault_area: Area, usual: Path) -> Any:
    """The plan of the usual ride with these sections of a ride file."""

    def check(*sections: str) -> Plan:
        text = START + '[ride]\nfollow = "usual.gpx"\n' + "".join(sections)
        return jobs.plan("check", fault_area, ridefile.read_ride_text(text, folder=usual.parent), progress=quiet)

    return check


# Sameness


@pytest.mark.parametrize("cores", [1, 8])
def test_property_the_same_plan_whatever_the_number_of_threads(
    fault_area: Area, looped: Plan, cores: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One thread for each core that may be used (see compiled.in_slices)."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda process: set(range(cores)), raising=False)
    again = jobs.plan("loop", fault_area, ridefile.read_ride_text(START + LOOP + RIM + NET), progress=quiet, quick=True)
    assert json_text(again) == json_text(looped)


# Figures that go with a route


def test_property_food_follows_from_effort_and_efficiency(checked: Any) -> None:
    usual, efficient = checked(RIM), checked(RIM, "[rider]\ngross_efficiency = 0.25\n")
    route = usual.routes[0]
    assert route.food_kcal == pytest.approx(route.effort_kj / 0.20 / 4.184)
    assert efficient.routes[0].food_kcal == pytest.approx(route.food_kcal * 0.20 / 0.25)
    assert "kcal" in report_html(usual)


def test_property_quiet_zones_count_each_metre_once(looped: Plan) -> None:
    for route in looped.routes:
        mask = np.zeros(int(route.length_m) + 1, dtype=bool)
        for zone in route.quiet_zones:
            mask[round(zone.begin_m) : round(zone.end_m)] = True
        assert route.quiet_m == pytest.approx(mask.sum(), abs=2 * len(route.quiet_zones))
        assert route.quiet_m < sum(zone.end_m - zone.begin_m for zone in route.quiet_zones)


def test_property_overs_keep_the_definition(looped: Plan) -> None:
    """At least 60 s, in contact, outside quiet zones; the longest inside the window are named first."""
    window = (900.0, 2700.0)
    for route in looped.routes:
        for over in route.overs:
            assert over.end_s - over.begin_s >= 60.0
            inside = (route.samples.time_s >= over.begin_s) & (route.samples.time_s < over.end_s)
            assert (route.samples.chance[inside] >= looped.contact_chance).all()
            if "halt" not in over.note:
                assert all(z.end_m <= over.begin_m + 1 or z.begin_m >= over.end_m - 1 for z in route.quiet_zones)
        seconds = {o.label: min(o.end_s, window[1]) - max(o.begin_s, window[0]) for o in route.overs}
        longest = sorted(((s, label) for label, s in seconds.items() if s >= 60.0), key=lambda item: -item[0])
        assert [label for label, _ in route.net_overs] == [label for _, label in longest]
        assert route.net_overs and [s for _, s in route.net_overs] == pytest.approx([s for s, _ in longest])
        assert f"(over {route.net_overs[0][0]})" in table.extras(route)


@pytest.mark.parametrize("net", [NET, ""])
def test_property_where_talking_is_barred_overs_are_stops(fault_area: Area, net: str) -> None:
    text = START + LOOP + "[set]\ntalk_while_riding = false\n" + RIM + net
    plan = jobs.plan("loop", fault_area, ridefile.read_ride_text(text), progress=quiet, quick=True)
    for route in plan.routes:
        distance, time_s = route.samples.distance_m, route.samples.time_s
        for over in route.overs:
            inside = (time_s[:-1] >= over.begin_s) & (time_s[:-1] < over.end_s)
            assert (np.diff(distance)[inside] < 0.01).all()
        assert route.usable_contact_s <= sum(o.end_s - o.begin_s for o in route.overs) * 1.01
    assert any("overs are stops" in text for text in plan.cautions)


# Words, modes and repeaters


REPEATER = """
[[station]]
name = "QB7RPT"
position = [36.6300, -84.2000]
kind = "hill repeater"
hears_mhz = 145.0
talks_mhz = 145.6
access = 77.0
reaches = ["QB8FAR", "QB9FAR"]
"""
HOME = """
[[station]]
name = "QB2HOME"
position = [36.5700, -84.2300]
kind = "indoors"
"""


def test_a_repeater_counts_as_whom_it_reaches(checked: Any) -> None:
    alone, whole = checked(REPEATER), checked(REPEATER, HOME, '[contact]\nrule = ["QB8FAR"]\n')
    planned = alone.stations[0]
    assert (planned.transmit_mhz, planned.frequency_mhz) == (145.0, 145.6)
    assert planned.repeater and planned.access == "tone 77 Hz"
    # working one whom it reaches is working it: both links, in by one frequency and out by the other
    samples = whole.routes[0].samples
    through = samples.stations["QB7RPT"]
    np.testing.assert_allclose(samples.chance, through.chance, atol=2e-3)
    np.testing.assert_allclose(through.chance, np.minimum(through.chance_to, through.chance_from), atol=1e-9)
    assert (np.abs(through.margin_to_db - through.margin_from_db) > 0.01).all()
    # two people through one repeater and one at home: three can be worked
    three = checked(REPEATER, HOME, "[contact]\nrule = { at_least = 3 }\n").routes[0].samples.chance
    every = checked(REPEATER, HOME, '[contact]\nrule = "all"\n').routes[0].samples.chance
    np.testing.assert_allclose(three, every, atol=2e-3)
    assert (three <= through.chance + 2e-3).all()
    with pytest.raises(InputError, match="3 can be worked"):
        checked(REPEATER, HOME, "[contact]\nrule = { at_least = 4 }\n")


def test_property_plain_words_stand_for_stated_numbers(checked: Any) -> None:
    """A better kind, more power, a better place for the set: never a poorer contact; what words stand for is told."""
    shares = [
        checked(RIM.replace("vertical on the chimney", kind)).routes[0].contact_share
        for kind in ("indoors", "in the loft", "vertical on the chimney", "beam on a mast")
    ]
    assert shares == sorted(shares) and shares[0] < shares[-1]
    hand, rack = (checked(RIM, f'[set]\nmount = "{mount}"\nantenna = "half wave"\n') for mount in ("hand", "rack"))
    assert hand.routes[0].contact_s < rack.routes[0].contact_s
    told = {a.key: a for a in hand.assumptions}
    assert told["station.QB1RIM.antenna_height_m"].value == 10.0
    assert told["set.transmit_w"].guess and not told["set.mount"].guess
    high = checked(RIM + "antenna_height_m = 25.0\n")
    assert {a.key: a for a in high.assumptions}["station.QB1RIM.antenna_height_m"].origin == "ride file"
    assert high.routes[0].contact_s >= checked(RIM).routes[0].contact_s


def test_modes_outside_nets_are_the_sets_own(checked: Any) -> None:
    fm, digital, data = (
        checked(RIM, f'[set]\nmode = "{mode}"\n').routes[0].samples.stations["QB1RIM"].margin_to_db
        for mode in ("FM", "digital voice", "data beacon")
    )
    # wanted C/N [dB] and bandwidth [Hz]: 23 in 7800, 16.2 in 5500; the noise floor takes the bandwidth's part
    np.testing.assert_allclose(digital - fm, 23 - 16.2 + 10 * np.log10(7800 / 5500), atol=1e-9)
    # a packet of 0.8 s at 5 m/s must outlast the fades: half of them do 17.17 dB above their static 8 dB, in 12 kHz
    np.testing.assert_allclose(data - fm, 23 - (8 + 17.17) + 10 * np.log10(7800 / 12000), atol=0.01)
    net = checked(RIM, NET + 'mode = "digital voice"\n').routes[0].samples.stations["QB1RIM"].margin_to_db
    np.testing.assert_allclose(net, digital, atol=1e-9)


# Bands that terrain does not tell


def test_hf_is_never_dead_and_never_in_the_share(checked: Any) -> None:
    plain = checked(RIM, NET)
    forty = NET.replace("145.5", "7.1") + 'name = "forty"\ncontrol = "QB40"\n'
    ten = NET.replace("145.5", "29.6") + 'name = "ten"\ncontrol = "QB10"\n'
    far = '[[station]]\nname = "{}"\nposition = [36.6000, -84.2300]\n'
    plan = checked(RIM, far.format("QB40"), far.format("QB10"), forty.replace("18:45", "19:00"), NET, ten)
    route = plan.routes[0]
    assert route.contact_s == plain.routes[0].contact_s and route.net_s == plain.routes[0].net_s
    assert list(route.samples.stations) == ["QB1RIM"]
    told = {name: next(text for text in plan.warnings if text.startswith(name)) for name in ("QB40", "QB10")}
    assert "40 m: not predicted; left out of the contact share" in told["QB40"]
    assert "ground wave" in told["QB10"] and "left out" in told["QB10"]
    if ground_wave.available():
        assert "Upper limit, hills ignored" in told["QB10"]
    assert any(text.startswith("net 'forty' on 40 m: not predicted") for text in plan.warnings)
    assert not any("dead" in text for text in told.values())
    text = table.table(plan)
    assert "QB40" in text and "not predicted" in text


def test_a_ride_file_of_hf_stations_alone_is_told_what_to_add(checked: Any) -> None:
    with pytest.raises(InputError, match="on 80 m: not predicted") as caught:
        checked(RIM, NET.replace("145.5", "3.65"))
    assert "6 m to 23 cm" in str(caught.value)


# What would change the choice


def test_the_guess_that_tells_most_is_named_in_one_line(checked: Any) -> None:
    unsaid = RIM.replace('kind = "vertical on the chimney"', "")
    plan = checked(unsaid, '[set]\nmount = "rack"\nantenna = "half wave"\n')
    guessed = {a.key for a in plan.assumptions if a.guess}
    line = next(text for text in plan.notes if text.startswith("Of what was guessed"))
    key = line.removeprefix("Of what was guessed, ").split(" ", 1)[0]
    assert key in guessed and "contact on the first ride" in line
    # the largest change of all that were tried on guesses; mount and antenna were given, so they are none
    change = line.split("most: ")[1].split(" gives ")[0]
    tried = dict(plan.what_if)
    assert abs(tried[change]) == max(abs(s) for c, s in tried.items() if "the set" not in c and "half wave" not in c)
    assert line in " ".join(table.table(plan).split()) and line in report_html(plan)


def test_roads_above_the_cap_are_told_as_what_they_would_have_bought(fault_area: Area, looped: Plan) -> None:
    longer = LOOP.replace("10", "16")
    capped = ridefile.read_ride_text(START + longer + RIM + "[rider]\nstress_at_most = 0.5\n")
    plan = jobs.plan("loop", fault_area, capped, progress=quiet, quick=True)
    (line,) = [text for text in plan.notes if "above traffic stress" in text]
    assert line.startswith("The 72 km of roads above traffic stress 0.5, left out at your wish, would have bought")
    assert "of it on those roads)" in line
    assert not any("left out at your wish" in text for text in looped.notes)


def test_a_cap_that_leaves_out_nothing_says_so(fault_area: Area) -> None:
    capped = ridefile.read_ride_text(START + LOOP + RIM + "[rider]\nstress_at_most = 2.9\n")
    plan = jobs.plan("loop", fault_area, capped, progress=quiet, quick=True)
    assert "No roads above traffic stress 2.9, left out at your wish, are in reach." in plan.notes


def test_names_are_known_whatever_their_case(checked: Any) -> None:
    plan = checked(RIM, HOME, NET + 'control = "qb2home"\n', '[contact]\nrule = ["qb1rim"]\n')
    assert plan.nets[0].control == "QB2HOME"
    samples = plan.routes[0].samples
    np.testing.assert_allclose(samples.chance, samples.stations["QB1RIM"].chance, atol=2e-3)


# The planned halt


@pytest.fixture(scope="module")
def viewed_area(fault_elevation: Path, tmp_path_factory: pytest.TempPathFactory) -> Area:
    """The lanes with viewpoints at half of their corners: places to call from."""
    folder = tmp_path_factory.mktemp("viewed")
    corner = re.compile(r'<node id="(\d+)" version="1" (lat="[^"]*" lon="[^"]*")/>')
    viewpoint = '<tag k="tourism" v="viewpoint"/>'
    text = corner.sub(
        lambda m: f'<node id="{m[1]}" version="1" {m[2]}>{viewpoint if int(m[1]) % 2 == 0 else ""}</node>', lanes_text()
    )
    (folder / "lanes.osm").write_text(text)
    return make_area(folder / "area", roads=[folder / "lanes.osm"], terrain=[fault_elevation], elevation_kind="terrain")


def halted_s(route: Route) -> float:
    """Seconds that a route stands still at one place."""
    still = np.diff(route.samples.distance_m) < 0.01
    return float(np.diff(route.samples.time_s)[still].sum())


@pytest.mark.parametrize(
    "sections, halt_s",
    [
        (("[set]\ntalk_while_riding = true\n", ""), 0.0),  # nobody waits for a call
        (("[set]\ntalk_while_riding = true\n", NET), 600.0),
        (("[set]\ntalk_while_riding = false\n", ""), 600.0),
    ],
)
def test_property_the_halt_is_part_of_the_time_that_was_given(
    viewed_area: Area, sections: tuple[str, str], halt_s: float
) -> None:
    text = START + "[ride]\nhours = 1.25\nchoices = 3\n" + RIM + "".join(sections)
    plan = jobs.plan("loop", viewed_area, ridefile.read_ride_text(text), progress=quiet, quick=True)
    assert plan.bound is not None
    for route in plan.routes:
        # a ride that passes no calling place in time has no halt, and is shorter by that
        assert halted_s(route) == 0.0 or halted_s(route) == pytest.approx(halt_s)
        assert 0.95 * 4500 <= route.ride_time_s + halt_s - halted_s(route) <= 1.05 * 4500
        assert route.contact_s <= plan.bound.contact_s_at_most
        if halted_s(route):
            assert any("with a halt" in over.note for over in route.overs)
    assert not halt_s or any(map(halted_s, plan.routes))


def test_property_home_by_holds_with_the_halt(viewed_area: Area) -> None:
    text = START + '[ride]\nhome_by = "19:40"\nchoices = 3\n' + RIM + NET
    plan = jobs.plan("loop", viewed_area, ridefile.read_ride_text(text), progress=quiet, quick=True)
    for route in plan.routes:
        assert route.ride_time_s + 600.0 - halted_s(route) <= 70 * 60 and not route.warnings
    assert any(map(halted_s, plan.routes))


def test_property_a_checked_or_mended_ride_halts_as_a_loop_does(viewed_area: Area, tmp_path: Path) -> None:
    text = START + "[ride]\nhours = 1.25\nchoices = 3\n" + RIM + NET
    looped = jobs.plan("loop", viewed_area, ridefile.read_ride_text(text), progress=quiet, quick=True)
    route = next(r for r in looped.routes if halted_s(r))
    written_track(route, tmp_path / "again.gpx")
    followed = START + '[ride]\nfollow = "again.gpx"\n' + RIM
    for job in ("check", "mend"):
        ride = ridefile.read_ride_text(followed + NET, folder=tmp_path)
        again = jobs.plan(job, viewed_area, ride, progress=quiet).routes[0]
        assert halted_s(again) == pytest.approx(halted_s(route)) == pytest.approx(600.0)
        assert again.ride_time_s == pytest.approx(route.ride_time_s, abs=20.0)
        assert again.contact_share == pytest.approx(route.contact_share, abs=0.01)
        alone = ridefile.read_ride_text(followed, folder=tmp_path)
        assert halted_s(jobs.plan(job, viewed_area, alone, progress=quiet).routes[0]) == 0.0
