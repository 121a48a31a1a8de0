"""Chance of one station, of a rule, of minutes along a ride."""

from __future__ import annotations

import itertools
import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtri
from scipy.stats import multivariate_normal, norm

from routeplan.errors import InputError
from routeplan.radio import chance
from routeplan.radio.chance import bearing_correlation, contact_chance, contact_minutes, resolve_rule, rule_chance

CHANCES = st.lists(st.floats(0.001, 0.999), min_size=2, max_size=4)


# --- one station ---


def test_contact_chance_is_phi_of_the_lesser_margin():
    got = contact_chance([10.0, -5.0, 0.0], [20.0, 30.0, 0.0], 8.0)
    assert got == pytest.approx(norm.cdf([10 / 8, -5 / 8, 0.0]))


def test_no_data_stays_no_data():
    assert np.isnan(contact_chance([np.nan, 5.0], [5.0, np.nan], 8.0)).all()


# sqrt(3^2 + 8^2) dB: 0.9 needs 11 dB (printed to 1 dB; 10.95 computed).
def test_margin_needed_published():
    assert chance.margin_needed_db(0.9, math.hypot(3, 8)) == pytest.approx(10.95, abs=0.01)


# Rec. ITU-R P.1812, section 4.8: about 1.9 dB for 100 m squares on 2 m.
def test_location_spread_published():
    assert chance.location_spread_db(145.5, height_m=0.0) == pytest.approx(1.9, abs=0.05)
    assert chance.location_spread_db(145.5, height_m=1.5) == pytest.approx(0.85 * 1.9, abs=0.05)
    assert chance.location_spread_db(145.5, height_m=30.0) == 0.0


def test_spread_adds_in_squares_and_splits_in_squares():
    s = chance.Spread(location_db=1.9, model_db=8.0, body_db=2.0, noise_db=3.9)
    assert s.sigma_db == pytest.approx(math.sqrt(1.9**2 + 64 + 4 + 3.9**2))
    assert math.hypot(s.constant_db, s.changing_db) == pytest.approx(s.sigma_db)
    with pytest.raises(InputError):
        chance.Spread(0.0, 0.0, 0.0, 0.0)
    with pytest.raises(InputError, match="model_db"):
        chance.Spread(model_db=-1.0)


# --- the rule ---


# Two links of chance 0.7, computed: all 0.49 / 0.56, any 0.91 / 0.84 for correlation 0 / 0.5 (printed to
# 0.01).
@pytest.mark.parametrize(
    "rule, rho, value", [("all", 0, 0.49), ("all", 0.5, 0.56), ("any", 0, 0.91), ("any", 0.5, 0.84)]
)
def test_two_links_published(rule, rho, value):
    assert rule_chance([0.7, 0.7], rule, rho) == pytest.approx(value, abs=0.005)


# Orthant probability of two normals, textbook (Sheppard 1899): 1/4 + asin(rho) / (2 pi).
@pytest.mark.parametrize("rho", [0.0, 0.2, 0.5, 0.8, 0.9])
def test_two_even_links_published(rho):
    assert rule_chance([0.5, 0.5], "all", rho) == pytest.approx(0.25 + math.asin(rho) / (2 * math.pi), abs=3e-4)


# Three normals: 1/8 + 3 asin(rho) / (4 pi), textbook.
@pytest.mark.parametrize("rho", [0.0, 0.3, 0.5, 0.8])
def test_three_even_links_published(rho):
    assert rule_chance([0.5] * 3, "all", rho) == pytest.approx(0.125 + 3 * math.asin(rho) / (4 * math.pi), abs=5e-4)


@pytest.mark.parametrize(
    "bearings", [[0, 90], [0, 10, 200], [0, 20, 25], [0, 10, 90, 200], [0, 15, 180, 195], [0, 40, 80, 120]]
)
def test_against_the_multivariate_normal_of_another_library(bearings):
    rng = np.random.default_rng(len(bearings))
    matrix = bearing_correlation(bearings)
    p = rng.uniform(0.02, 0.99, (len(bearings), 25))
    other = multivariate_normal(np.zeros(len(bearings)), matrix)
    every = [other.cdf(ndtri(column)) for column in p.T]
    none = [other.cdf(-ndtri(column)) for column in p.T]
    assert rule_chance(p, "all", matrix) == pytest.approx(np.array(every), abs=2e-3)
    assert rule_chance(p, "any", matrix) == pytest.approx(1 - np.array(none), abs=2e-3)


def test_any_correlation_and_many_stations():
    """Random correlation matrices, some nearly singular: within 0.02 of the other library, and never slow."""
    rng = np.random.default_rng(4)
    for k in (3, 4, 5, 6):
        root = rng.normal(size=(k, k + 1))
        scale = np.sqrt(np.diag(root @ root.T))
        matrix = root @ root.T / scale / scale[:, None]
        p = rng.uniform(0.05, 0.95, (k, 5))
        every = [multivariate_normal(np.zeros(k), matrix).cdf(ndtri(column)) for column in p.T]
        assert rule_chance(p, "all", matrix) == pytest.approx(np.array(every), abs=0.02)
    for k in (8, 12):
        p = rng.uniform(0.05, 0.95, (k, 100))
        some = rule_chance(p, "any", bearing_correlation(rng.uniform(0, 360, k)))
        assert (some >= p.max(axis=0) - 0.02).all() and (some <= 1).all()


def brute(p, holds):
    """Chance of a rule over independent stations, state by state."""
    total = 0.0
    for state in itertools.product((0, 1), repeat=len(p)):
        if holds(state):
            total += math.prod(q if up else 1 - q for q, up in zip(p, state))
    return total


@given(CHANCES, st.data())
def test_property_independent_stations_by_counting_states(p, data):
    least = data.draw(st.integers(1, len(p)))
    assert rule_chance(p, {"at_least": least}, 0.0) == pytest.approx(brute(p, lambda s: sum(s) >= least), abs=1e-9)


@settings(max_examples=40)
@given(CHANCES, st.floats(0, 0.9))
def test_property_bounds_and_order(p, rho):
    each = [float(rule_chance(p, {"at_least": k}, rho)) for k in range(1, len(p) + 1)]
    assert each == sorted(each, reverse=True)
    assert max(p) - 2e-3 <= each[0] <= min(1, sum(p)) + 2e-3
    assert max(0, sum(p) - len(p) + 1) - 2e-3 <= each[-1] <= min(p) + 2e-3
    assert each[0] == float(rule_chance(p, "any", rho)) and each[-1] == float(rule_chance(p, "all", rho))


@settings(max_examples=40)
@given(CHANCES, st.floats(0, 0.9), st.floats(0.001, 0.3))
def test_property_monotone_in_each_chance(p, rho, more):
    better = [min(0.999, p[0] + more), *p[1:]]
    for rule in ("any", "all"):
        assert rule_chance(better, rule, rho) >= rule_chance(p, rule, rho) - 2e-4


@settings(max_examples=30)
@given(CHANCES, st.floats(0, 0.9), st.randoms())
def test_property_order_of_stations_does_not_matter(p, rho, random):
    shuffled = random.sample(p, len(p))
    assert rule_chance(p, "any", rho) == pytest.approx(float(rule_chance(shuffled, "any", rho)), abs=1e-4)


def test_property_correlation_helps_all_and_hurts_any():
    rho = [0.0, 0.3, 0.6, 0.9]
    every = [float(rule_chance([0.7, 0.6, 0.8], "all", r)) for r in rho]
    some = [float(rule_chance([0.7, 0.6, 0.8], "any", r)) for r in rho]
    assert every == sorted(every) and some == sorted(some, reverse=True)


def test_certain_and_hopeless_stations():
    assert rule_chance([[1.0, 0.0], [0.3, 0.3]], "any") == pytest.approx([1.0, 0.3], abs=2e-4)
    assert rule_chance([[1.0, 0.0], [0.3, 0.3]], "all") == pytest.approx([0.3, 0.0], abs=2e-4)


def test_unknown_station_matters_only_where_it_can():
    p = np.array([[np.nan, np.nan, np.nan], [0.7, 1.0, np.nan]])
    some, every = rule_chance(p, "any"), rule_chance(p, "all")
    assert np.isnan(some[0]) and some[1] == pytest.approx(1.0, abs=1e-3) and np.isnan(some[2])
    assert np.isnan(every).all()
    assert rule_chance([[0.0], [np.nan]], "all")[0] == pytest.approx(0.0, abs=1e-12)
    assert rule_chance([[0.4], [np.nan]], ["Q0AA"], names=["Q0AA", "Q0BB"])[0] == 0.4  # not asked for


def test_shapes_and_threads_do_not_matter():
    p = np.random.default_rng(0).uniform(size=(3, 30_000))
    whole = rule_chance(p, "any")
    assert np.array_equal(whole[:100], rule_chance(p[:, :100], "any"))
    assert np.array_equal(whole.reshape(300, 100), rule_chance(p.reshape(3, 300, 100), "any"))
    assert rule_chance([0.25], "any") == 0.25


# --- names and repeaters ---

NAMES = ["Q0AA", "Q0BB", "HILL"]
REACHES = {"HILL": ["Q0BB", "Q0CC"]}


def test_rules_by_name_and_through_repeaters():
    assert resolve_rule("any", 3).ways == ((0,), (1,), (2,))
    assert resolve_rule(["Q0AA", "Q0BB"], NAMES).ways == ((0,), (1,))
    through = resolve_rule(["Q0BB"], NAMES, REACHES)
    assert through.ways == ((1, 2),) and not through.simple
    assert resolve_rule(["Q0CC"], NAMES, REACHES).ways == ((2,),)
    assert resolve_rule("all", NAMES, REACHES).at_least == 3  # Q0AA, Q0BB and, through HILL, Q0CC
    assert resolve_rule(["HILL"], NAMES, REACHES).ways == ((2,),)
    assert resolve_rule("any", NAMES, {"HILL": []}).ways == ((0,), (1,), (2,))


@given(st.lists(st.floats(0.01, 0.99), min_size=3, max_size=3))
def test_property_repeater_counts_whom_it_reaches(p):
    two = rule_chance(p, {"at_least": 2}, 0.0, names=NAMES, reaches=REACHES)
    by_hand = brute(p, lambda s: s[0] + (s[1] or s[2]) + s[2] >= 2)
    assert two == pytest.approx(by_hand, abs=1e-6)


def test_repeater_rule_with_correlated_errors_by_simulation():
    rng = np.random.default_rng(1)
    p = np.array([0.6, 0.5, 0.7])
    z = math.sqrt(0.5) * (rng.normal(size=(1, 400_000)) + rng.normal(size=(3, 400_000)))
    up = z < ndtri(p)[:, None]
    drawn = np.mean(up[0] & (up[1] | up[2]))
    got = rule_chance(p, ["Q0AA", "Q0BB"], 0.5, names=NAMES, reaches=REACHES)
    assert got == pytest.approx(drawn, abs=4e-3)


@pytest.mark.parametrize(
    "rule, says",
    [
        ("som", "unknown contact rule"), ("al", 'did you mean "all"'), ({"least": 1}, "at_least"), ([], "unknown"),
        (["HILLS"], 'did you mean "HILL"'), ({"at_least": 4}, "use 1 to 3"), (0, "use 1 to 3"), (None, "unknown"),
    ],
)  # fmt: skip
def test_wrong_rules_are_named(rule, says):
    with pytest.raises(InputError, match=says):
        resolve_rule(rule, NAMES, REACHES)


def test_wrong_chances_and_correlations():
    for bad in (1.5, -0.1, np.ones((2, 3)), [[1, 0.5], [0.4, 1]], [[1, 2], [2, 1]]):
        with pytest.raises(InputError):
            rule_chance([0.5, 0.5], "any", bad)
    with pytest.raises(InputError):
        rule_chance([1.2, 0.5], "any")
    with pytest.raises(InputError):
        rule_chance(np.zeros((0, 5)), "any")


# --- correlation by bearing ---


@given(st.lists(st.floats(-360, 720), min_size=2, max_size=6))
def test_property_bearing_correlation_is_a_correlation(bearings):
    rho = bearing_correlation(bearings)
    assert np.allclose(rho, rho.T) and np.allclose(np.diag(rho), 1)
    assert np.linalg.eigvalsh(rho).min() > 0.05
    assert ((rho >= 0.5 - 1e-12) & (rho <= 1)).all()


def test_bearing_correlation_stated_values():
    rho = bearing_correlation([0.0, 0.0, 30.0, 180.0])
    assert rho[0, 1] == pytest.approx(0.9) and rho[0, 2] == pytest.approx(0.70, abs=0.01) and rho[0, 3] == 0.5
    along = bearing_correlation(np.array([[0.0, 0.0], [0.0, 180.0]]))
    assert along[0, 1] == pytest.approx(0.7)


# --- along a ride ---


def ride(k=2, n=600, seed=0):
    rng = np.random.default_rng(seed)
    margin = 8 * np.sin(np.linspace(0, 12, n)) + rng.normal(4, 2, (k, n))
    return margin, np.arange(n) * 30.0, np.full(n, 6.0)


def test_property_mean_of_drawn_rides_is_the_expected_contact():
    margin, along, seconds = ride()
    for rule, reaches in (("any", None), ("all", None), ({"at_least": 1}, {"b": ["a"]})):
        drawn = contact_minutes(
            margin, distance_m=along, seconds=seconds, rule=rule, constant_db=5.7, changing_db=6.5,
            draws=4000, seed=1, names=["a", "b"], reaches=reaches,
        )  # fmt: skip
        p = contact_chance(margin, margin, math.hypot(5.7, 6.5))
        expected = rule_chance(p, rule, names=["a", "b"], reaches=reaches) @ seconds / 60
        assert drawn.mean_min == pytest.approx(float(expected), abs=0.6)


def test_property_constant_error_widens_the_range():
    margin, along, seconds = ride()
    fixed, changing = (
        contact_minutes(margin, distance_m=along, seconds=seconds, constant_db=c, changing_db=v)
        for c, v in ((8.0, 0.1), (0.1, 8.0))
    )
    assert np.ptp(fixed.minutes) > 1.5 * np.ptp(changing.minutes)


def test_property_decorrelates_along_the_road():
    """One station at margin 0: neighbouring samples agree as exp(-distance / 500 m) says (arcsine law)."""
    both = contact_minutes(
        np.zeros((1, 2)),
        distance_m=[0.0, 500.0],
        seconds=[60.0, 60.0],
        constant_db=0.0,
        changing_db=5.0,
        draws=40_000,
    ).minutes
    same = np.mean((both == 0) | (both == 2))
    assert same == pytest.approx(0.5 + math.asin(math.exp(-1)) / math.pi, abs=0.01)


def test_sentence_and_quantiles():
    drawn = chance.ContactMinutes(np.arange(100.0), 60.0)
    assert drawn.at_least_min(0.8) == 20.0 and np.mean(drawn.minutes >= 20.0) == 0.8
    assert chance.ContactMinutes(np.full(10, 40.7), 60.0).sentence() == (
        "8 chances in 10 of at least 40 of the 60 minutes"
    )


def test_seeded_and_without_data():
    margin, along, seconds = ride()
    margin[:, :100] = np.nan
    a, b = (contact_minutes(margin, distance_m=along, seconds=seconds, constant_db=5.0, changing_db=5.0) for _ in "ab")
    assert np.array_equal(a.minutes, b.minutes) and a.minutes.max() <= 50.0 and a.window_min == 60.0
    c = contact_minutes(margin, distance_m=along, seconds=seconds, constant_db=5.0, changing_db=5.0, seed=1)
    assert not np.array_equal(a.minutes, c.minutes)
    with pytest.raises(InputError):
        contact_minutes(margin, distance_m=along[::-1], seconds=seconds, constant_db=5.0, changing_db=5.0)
    with pytest.raises(InputError):
        contact_minutes(margin, distance_m=along[:5], seconds=seconds, constant_db=5.0, changing_db=5.0)


# --- shares ---


def test_contact_share_with_and_without_a_net():
    p, t = np.array([1.0, 0.5, np.nan]), np.array([60.0, 60.0, 600.0])
    assert chance.contact_share(p, t) == pytest.approx(0.75)
    assert chance.contact_share(p, t, window_s=3600.0) == pytest.approx(90 / 3600)
    assert math.isnan(chance.contact_share([np.nan], [60.0]))


def test_share_range_for_a_common_error():
    margin, _, seconds = ride()
    low, middle, high = chance.contact_share_range(margin, seconds, 9.0, rule="any")
    assert low < middle < high
    p = rule_chance(contact_chance(margin + 5, margin + 5, 9.0), "any")
    assert high == pytest.approx(chance.contact_share(p, seconds))


def test_fast_enough():
    """Generous ceilings (a busy machine): usually 0.02 s for the rule and 0.04 s for the ride."""
    p = np.random.default_rng(0).uniform(size=(4, 100_000))
    margin, along, seconds = ride(k=3, n=2000)
    rule_chance(p[:, :10], "any")
    began = time.perf_counter()
    rule_chance(p, "any")
    middle = time.perf_counter()
    contact_minutes(margin, distance_m=along, seconds=seconds, constant_db=5.7, changing_db=6.5)
    assert middle - began < 0.5 and time.perf_counter() - middle < 1.0
