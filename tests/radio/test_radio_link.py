"""The link budget: the page worked by hand, properties, and what wrong numbers are told."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from routeplan.errors import InputError
from routeplan.radio import chance, link, noise, p1812, quality, words
from routeplan.radio.antennas import Body

PAGE = Path(__file__).parents[2] / "docs" / "link_budget.md"
FM = quality.mode_of("FM")
STATION = words.resolve_station(frequency_mhz=145.5, kind="vertical on the chimney", surroundings="town").value
RIDER = words.resolve_set(frequency_mhz=145.5).value


def margins(loss_db, station=STATION, rider=RIDER, **more):
    more = {"frequency_mhz": 145.5, "mode": FM, "off_heading_deg": 60.0} | more
    return link.margins_db(loss_db, station=station, rider=rider, **more)


# --- the page worked by hand ---


@pytest.fixture(scope="module")
def page():
    """Rows of the page by section: {section: {line: (value, places printed)}}."""
    sections, name = {}, ""
    for text in PAGE.read_text(encoding="utf-8").splitlines():
        if text.startswith("## "):
            name = text[3:]
        row = re.fullmatch(r"\| (.+?) \| .+ \| (-?\d+(?:\.\d+)?) \|", text)
        if row:
            places = len(row[2].partition(".")[2])
            sections.setdefault(name, {})[row[1].strip("*")] = (float(row[2]), places)
    return sections


def agrees(printed, computed):
    value, places = printed
    return abs(value - computed) <= 0.5 * 10**-places + 1e-9


@pytest.fixture(scope="module")
def path_terms():
    distance = np.linspace(0, 10_000, 101)
    height = np.zeros(101)
    height[[0, -1]], height[40] = 150.0, 180.0
    return p1812.terms(
        distance,
        height,
        np.zeros(101),
        np.full(101, 4),
        frequency_hz=145.5e6,
        tx_height_m=10.0,
        rx_height_m=1.2,
        latitude_deg=46.0,
    )


def test_page_path_published_formulas(page, path_terms):
    """Every step again in plain arithmetic, and the whole against the program's P.1812."""
    rows = page["The loss of the path"]
    earth_km = 6371 * 157 / 117
    wavelength = 0.2998 / 0.1455
    line = 160 + (151.2 - 160) * 0.4
    bulge = 4 * 6 / (2 * earth_km) * 1000
    above = 180 + bulge - line
    nu = above * math.sqrt(2 * 10_000 / (wavelength * 4000 * 6000))
    edge = 6.9 + 20 * math.log10(math.sqrt((nu - 0.1) ** 2 + 1) + nu - 0.1)
    more = (1 - math.exp(-edge / 6)) * (10 + 0.02 * 10)
    free = 92.4 + 20 * math.log10(0.1455) + 10 * math.log10(100 + 0.0088**2)
    steps = (earth_km, wavelength, line, bulge, above, nu, edge, more, free, free + edge + more)
    assert len(steps) == len(rows)
    for (name, printed), computed in zip(rows.items(), steps):
        assert agrees(printed, computed), name
    assert path_terms["Lb"] == pytest.approx(free + edge + more, abs=1e-3)


def test_page_needed_power_published_formulas(page):
    rows = page["What has to be overcome"]
    floor = 10 * math.log10(1.380649e-23 * 290 * 7800) + 30
    res, rural = 72.5 - 27.7 * math.log10(145.5), 67.2 - 27.7 * math.log10(145.5)
    nf_s, nf_r = -120 - floor - 7, -119 - floor - 7
    sys_s = 10 * math.log10(10 ** (res / 10) - 1 + 10 ** ((2.0 + nf_s) / 10))
    angles = np.radians(np.arange(0, 360, 1.0))
    body = -10 * math.log10(np.mean(10 ** (-(0.5 + 4.5 * ((1 + np.cos(angles)) / 2) ** 2) / 10)))
    loss = 3.9 + 0.3 + body
    sys_r = 10 * math.log10(10 ** (rural / 10) - 1 + 10 ** ((loss + nf_r) / 10))
    steps = (floor, res, nf_s, sys_s, 23.0, floor + sys_s + 23, rural, nf_r, body, loss, sys_r, floor + sys_r + 23)
    assert len(steps) == len(rows)
    for (name, printed), computed in zip(rows.items(), steps):
        assert agrees(printed, computed), name


def test_page_margins_are_the_programs(page, path_terms):
    budget = link.budget(
        path_terms["Lb"], station=STATION, rider=RIDER, frequency_mhz=145.5, mode=FM, off_heading_deg=60.0
    )
    both = margins(path_terms["Lb"])
    for section, lines, total in (
        ("To the station", budget.to, both.to_db),
        ("From the station", budget.from_, both.from_db),
    ):
        *rows, last = page[section].items()
        assert len(rows) == len(lines)
        for (name, printed), term in zip(rows, lines):
            assert name.split(",")[0].split("  ")[0] in term.what.replace(" [dBm]", "").replace(" [dBi]", "")
            assert agrees(printed, float(term.value_db)), name
        assert agrees(last[1], float(total)), last
        assert float(total) == pytest.approx(sum(float(t.value_db) for t in lines), abs=1e-12)


def test_page_chance_is_the_programs(page, path_terms):
    rows = page["The chance"]
    spread = chance.Spread(
        location_db=chance.location_spread_db(145.5, height_m=RIDER.antenna_height_m),
        body_db=RIDER.body_sigma_db,
        noise_db=link.noise_spread_db(STATION, RIDER, 145.5),
    )
    to, back = margins(path_terms["Lb"])
    steps = (
        spread.location_db,
        spread.model_db,
        spread.body_db,
        spread.noise_db,
        spread.sigma_db,
        float(chance.contact_chance(to, back, spread.sigma_db)),
        float(chance.margin_needed_db(0.9, spread.sigma_db)),
    )
    assert len(steps) == len(rows)
    for (name, printed), computed in zip(rows.items(), steps):
        assert agrees(printed, computed), name


# --- published ---


# Computed from f = f_a - 1 + l f_r (Rec. ITU-R P.372): a whip of -8 dB, noise figure 8, rural. Charging the
# whip's loss to the signal alone makes the way from the station too pessimistic by so much.
@pytest.mark.parametrize("frequency_mhz, too_much_db", [(70.0, 5.6), (145.0, 1.8), (433.0, 0.0)])
def test_whip_loss_lowers_noise_too_published(frequency_mhz, too_much_db):
    whip = replace(RIDER, antenna_loss_db=8.0, feeder_db=0.0, noise_figure_db=8.0, body=Body(0.0, 0.0, 0))
    better = replace(whip, antenna_loss_db=0.0)
    honest = margins(120.0, rider=whip, frequency_mhz=frequency_mhz).from_db
    naive = margins(120.0, rider=better, frequency_mhz=frequency_mhz).from_db - 8.0
    assert honest - naive == pytest.approx(too_much_db, abs=0.45)


# --- properties ---


@settings(max_examples=50)
@given(loss=st.floats(60, 200), more=st.floats(0.01, 60), angle=st.floats(-360, 720))
def test_property_margins_fall_by_the_loss(loss, more, angle):
    near, far = margins(loss, off_heading_deg=angle), margins(loss + more, off_heading_deg=angle)
    assert near.to_db - far.to_db == pytest.approx(more)
    assert near.from_db - far.from_db == pytest.approx(more)


def test_property_power_counts_in_its_own_direction_only():
    base, louder = margins(120.0), margins(120.0, rider=replace(RIDER, transmit_w=10 * RIDER.transmit_w))
    assert louder.to_db - base.to_db == pytest.approx(10.0)
    assert louder.from_db == base.from_db


def test_property_lossless_links_are_reciprocal():
    """Same power, gain, receiver and surroundings at both ends: both margins are equal."""
    s = link.Station(10.0, 5.0, 2.0, antenna_loss_db=1.0, feeder_db=0.5, noise_figure_db=8.0, surroundings=noise.RURAL)
    r = link.RiderSet(1.5, 5.0, 3.0, 1.0, feeder_db=0.5, noise_figure_db=8.0, surroundings=noise.RURAL)
    to, back = margins(130.0, station=s, rider=r)
    assert to == pytest.approx(back)


def test_property_no_data_stays_no_data_and_shapes_broadcast():
    to, back = margins(np.array([[120.0], [np.nan]]), off_heading_deg=np.array([0.0, 90.0, 180.0]))
    assert to.shape == back.shape == (2, 3)
    assert np.isnan(to[1]).all() and np.isnan(back[1]).all() and np.isfinite(to[0]).all()


def test_property_two_directions_of_a_street_differ():
    ahead, behind = margins(120.0, off_heading_deg=0.0), margins(120.0, off_heading_deg=180.0)
    assert behind.to_db - ahead.to_db == pytest.approx(4.5)  # whip on the rack: the rider sits ahead of it
    assert behind.from_db - ahead.from_db == pytest.approx(4.5)


def test_property_poorer_place_only_hurts_who_listens_there():
    base, noisy = margins(120.0), margins(120.0, rider=replace(RIDER, surroundings=noise.CITY))
    assert noisy.from_db < base.from_db and noisy.to_db == base.to_db


def test_repeater_has_two_losses_and_frequencies():
    hill = words.resolve_station(frequency_mhz=145.0, hears_mhz=145.0, talks_mhz=145.6, reaches=["Q0BB"]).value
    assert hill.is_repeater and hill.reaches == ("Q0BB",)
    to, back = margins(120.0, station=hill, frequency_mhz=145.0, from_mhz=145.6, loss_from_db=[130.0, np.nan])
    same = margins(120.0, station=hill, frequency_mhz=145.0, from_mhz=145.6)
    assert to == same.to_db
    assert back[0] == pytest.approx(same.from_db - 10) and np.isnan(back[1])


def test_repeater_across_bands_takes_a_set_for_each():
    uhf = words.resolve_set(frequency_mhz=433.0).value
    both = margins(120.0, from_mhz=433.0, rider_from=uhf)
    assert both.to_db == margins(120.0).to_db
    assert both.from_db == margins(120.0, rider=uhf, frequency_mhz=433.0).from_db


def test_noise_spread_vanishes_where_the_receiver_rules():
    assert link.noise_spread_db(STATION, RIDER, 145.5) > 3.0
    assert link.noise_spread_db(STATION, RIDER, 1297.5) < 1.0


def test_pin_default_margins_at_130_db():
    to, back = margins(130.0, off_heading_deg=0.0)
    assert (float(to), float(back)) == pytest.approx((1.79, 11.54), abs=0.01)


# --- wrong numbers ---


@pytest.mark.parametrize(
    "change, says",
    [
        ({"transmit_w": -5.0}, "was dBm meant"),
        ({"transmit_w": 5000.0}, "milliwatts"),
        ({"antenna_gain_dbi": 60.0}, "decimal point"),
        ({"antenna_height_m": -2.0}, "above the ground"),
        ({"antenna_height_m": 3001.0}, "not above the sea"),
        ({"antenna_height_m": math.nan}, "finite"),
        ({"feeder_db": -1.0}, "above 0"),
        ({"noise_figure_db": -119.0}, "noise figure"),
        ({"hears_mhz": 145.0}, "give both or none"),
        ({"reaches": ("Q0BB",)}, "only a repeater"),
    ],
)
def test_station_faults_are_named(change, says):
    with pytest.raises(InputError, match=says):
        replace(STATION, **change)


@pytest.mark.parametrize(
    "change, says",
    [
        ({"antenna_height_m": 130.0}, "centimetres"),
        ({"directivity_dbi": 60.0}, "no antenna"),
        ({"transmit_w": 0.0}, "above 0"),
        ({"antenna_loss_db": -3.0}, "number above 0"),
    ],
)
def test_rider_set_faults_are_named(change, says):
    with pytest.raises(InputError, match=says):
        replace(RIDER, **change)


def test_all_faults_at_once():
    with pytest.raises(InputError) as caught:
        link.Station(-1.0, -5.0, 60.0)
    assert len(caught.value.faults) == 3
