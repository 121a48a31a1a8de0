"""Wording of figures, the terminal table and the character strip."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from sample_plan import sample_plan

from routeplan.output import rows
from routeplan.output.table import extras, table
from routeplan.output.text_strip import shows_blocks, spoken, text_strip, worst_per_cell
from routeplan.plan import words


@pytest.mark.parametrize(
    "seconds, said, short",
    [
        (0, "0 min", "0:00"),
        (89, "1 min", "0:01"),
        (3569, "59 min", "0:59"),
        (3571, "1 h 00", "1:00"),
        (6720, "1 h 52", "1:52"),
    ],
)
def test_words_property_times(seconds, said, short):
    assert words.hours(seconds) == said
    assert words.h_min(seconds) == short


def test_words_property_how_a_ride_ends():
    plan = sample_plan("A")
    route = plan.routes[0]
    half = len(route.samples.x_m) // 2
    x = np.concatenate([route.samples.x_m[:half], np.full(len(route.samples.x_m) - half, route.samples.x_m[half])])
    open_ended = replace(route, samples=replace(route.samples, x_m=x))
    jobs = ("loop", "between", "mend", "check")
    said = {job: words.arrives(replace(plan, job=job), route).split()[0] for job in jobs}
    assert said == {"loop": "back", "between": "there", "mend": "back", "check": "back"}
    for job in ("mend", "check"):
        assert words.arrives(replace(plan, job=job), open_ended).startswith("ends ")


def test_words_property_headline():
    route = replace(
        sample_plan("A").routes[0],
        length_m=32_440,
        ride_time_s=6720,
        climb_m=410,
        net_s=3600,
        contact_share=49 / 60,
        contact_share_range=(41 / 60, 55 / 60),
    )
    assert words.headline(route) == "32.4 km, 1 h 52, 410 m up, 49 of 60 net minutes in contact (41-55)"
    free = replace(route, net_s=0.0, contact_share=0.814, contact_share_range=(0.7, 0.88))
    assert words.headline(free) == "32.4 km, 1 h 52, 410 m up, 81 % (70-88) of the ride in contact".replace(
        "81 % (70-88) of the ride in contact", "81 % of the ride in contact (70-88)"
    )


def test_words_property_time_is_counted_across_the_change_of_clocks():
    before = datetime(2026, 3, 29, 1, 30, tzinfo=ZoneInfo("Europe/Andorra"))
    assert words.clock(before, 3600) == "03:30"
    after = datetime(2026, 3, 29, 3, 30, tzinfo=ZoneInfo("Europe/Andorra"))
    assert words.seconds_between(before, after) == 3600


@pytest.mark.parametrize("chance, said", [(0.9, "9 in 10"), (0.5, "1 in 2"), (0.95, "19 in 20"), (0.8, "8 in 10")])
def test_words_property_chances(chance, said):
    assert words.in_tenths(chance) == said


@pytest.mark.parametrize("mhz, said", [(145.45, "145.450 MHz"), (433.0125, "433.0125 MHz"), (70.0, "70.000 MHz")])
def test_words_property_frequencies(mhz, said):
    assert words.frequency(mhz) == said


@pytest.mark.parametrize("plan", [sample_plan(), sample_plan("C", net=False), sample_plan("B", no_data=True)])
@pytest.mark.parametrize("unicode", [True, False])
def test_table_property_fits_eighty_columns(plan, unicode):
    long = replace(plan.stations[0], name="A station with a name much longer than any column")
    samples = replace(
        plan.routes[0].samples, stations={long.name: plan.routes[0].samples.stations[plan.stations[0].name]}
    )
    changed = replace(
        plan,
        stations=(long, *plan.stations[1:]),
        routes=(replace(plan.routes[0], samples=samples), *plan.routes[1:]),
        warnings=("A warning that goes on and on, " * 6,),
    )
    for each in (plan, changed):
        text = table(each, unicode=unicode, strips=5)
        assert max(map(len, text.splitlines())) <= 80
        assert unicode or text.isascii()


def test_table_property_says_what_a_rider_chooses_by():
    plan = sample_plan()
    text = table(plan)
    for route in plan.routes:
        line = next(line for line in text.splitlines() if line.startswith(f"{route.id} "))
        for figure in (f"{route.length_m / 1000:.1f}", words.h_min(route.ride_time_s), words.contact(route)):
            assert figure in line
        assert " ".join(route.why.split()[:5]) in text
    assert "Guessed" in text and "rider.power_w" in text
    assert "! Two stations stand on guessed heights." in text


def test_text_strip_property_one_row_for_each_station():
    plan = sample_plan("D")
    rows = text_strip(plan, plan.routes[0]).splitlines()
    for station in plan.stations:
        row = next(row for row in rows if row.startswith(station.name))
        assert len(row) <= 80
    digits = text_strip(plan, plan.routes[0], unicode=False)
    row = next(row for row in digits.splitlines() if row.startswith("Port Ansel"))
    assert set(row[14:]) <= set("0123456789")
    assert row[14] == "9"


def test_text_strip_property_no_data_is_not_zero():
    plan = sample_plan("B", no_data=True)
    row = next(r for r in text_strip(plan, plan.routes[0]).splitlines() if r.startswith("Fennick"))
    assert "?" in row


def test_text_strip_property_cells_hold_time_not_places():
    samples = sample_plan("A").routes[0].samples
    cells = worst_per_cell(samples, samples.time_s, 50)
    assert np.all(np.diff(cells) > 0)
    assert cells == pytest.approx((np.arange(50) + 0.5) / 50 * samples.time_s[-1], abs=samples.time_s[-1] / 50)


@pytest.mark.parametrize(
    "encoding, shows", [("utf-8", True), ("latin-1", False), ("ascii", False), (None, False), ("no such", False)]
)
def test_text_strip_property_knows_what_a_terminal_shows(encoding, shows):
    assert shows_blocks(encoding) == shows


def test_words_property_sentences():
    assert words.sentence_of("the least effort; 400 m on foot") == "The least effort; 400 m on foot."
    assert words.sentence_of("Ends. ") == "Ends."
    assert words.sentence_of("") == ""


def test_rows_property_halts_are_found():
    plan = sample_plan("A")
    samples = plan.routes[0].samples
    k = 200
    columns = {
        name: np.insert(getattr(samples, name), k, getattr(samples, name)[k])
        for name in samples.__dataclass_fields__
        if name != "stations"
    }
    columns["time_s"] = np.where(np.arange(len(samples.time_s) + 1) > k, columns["time_s"] + 600, columns["time_s"])
    halted = replace(plan.routes[0], samples=replace(samples, **columns))
    (stop,) = rows.stops(halted)
    assert stop.lasts_s == pytest.approx(600)
    assert stop.distance_m == samples.distance_m[k]
    assert rows.stops(plan.routes[0]) == []


def test_rows_property_of_near_calling_places_the_best_stays():
    route = sample_plan("A").routes[0]
    first = route.calling_places[0]
    crowd = tuple(replace(first, distance_m=first.distance_m + 100 * k, chance=0.6 + 0.1 * k) for k in range(4))
    best = rows.calling_places(replace(route, calling_places=crowd))
    assert [place.chance for place in best] == [pytest.approx(0.9)]


@pytest.mark.parametrize("name, said", [("lay-by at 16.0 km", "lay-by"), ("", "lay-by"), ("Quern Gate", "Quern Gate")])
def test_rows_property_calling_places_are_called_by_name(name, said):
    place = replace(sample_plan("A").routes[0].calling_places[0], name=name, kind="lay-by")
    assert rows.called(place) == said


def test_rows_property_what_holds_where_a_halt_begins_holds_until_it_ends():
    samples = sample_plan("A").routes[0].samples
    time_s = samples.time_s + np.where(np.arange(len(samples.time_s)) > 40, 600.0, 0.0)
    distance = samples.distance_m.copy()
    distance[41] = distance[40]
    halted = replace(samples, time_s=time_s, distance_m=distance)
    chance = np.linspace(0.0, 1.0, len(time_s))
    at, drawn = rows.held(halted, chance)
    assert len(at) == len(time_s) + 1 and np.all(np.diff(at) > 0)
    np.testing.assert_allclose(np.interp(time_s[40] + np.array([0.0, 300.0, 590.0]), at, drawn), chance[40])
    np.testing.assert_array_equal(np.interp(time_s, at, drawn), chance)
    cells = worst_per_cell(halted, chance, 60)
    span = time_s[-1] / 60
    inside = [k for k in range(60) if k * span > time_s[40] and (k + 1) * span < time_s[41]]
    assert len(inside) >= 3
    np.testing.assert_allclose(cells[inside], chance[40])


def test_table_property_what_the_reason_says_is_not_said_again():
    plan = sample_plan("A")
    route = replace(plan.routes[0], repeated_m=1200.0, walked_s=120.0, why="the least effort")
    assert "1.2 km out and back" in extras(route) and "2 min on foot" in extras(route)
    said = replace(route, why="the least effort; 1.2 km out and back, 190 m on foot")
    assert "out and back" not in extras(said) and "on foot" not in extras(said)


def test_words_property_places_and_percents():
    assert words.place(-33.5, 151.25) == "33.5000 S 151.2500 E"
    assert words.place(41.2, -33.02) == "41.2000 N 33.0200 W"
    assert words.percent(0.734) == "73 %" and words.percent(0.0123, 1) == "1.2 %"


def test_text_strip_property_its_heights_are_the_rides():
    plan = sample_plan("A")
    route = plan.routes[0]
    metres = route.samples.elevation_m
    assert f"{np.nanmin(metres):.0f}-{np.nanmax(metres):.0f} m " in text_strip(plan, route)
    one = replace(route, overs=route.overs[:1])
    assert ": 1 over, " in spoken(one) and " overs, " in spoken(replace(route, overs=()))
