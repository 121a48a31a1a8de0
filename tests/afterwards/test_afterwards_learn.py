"""Learning from reports, on simulated rides whose truth is known and drawn from another model."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.stats import norm
from simulated_reports import RESIDUAL_DB, Line, simulate

from routeplan.afterwards import compare
from routeplan.afterwards.evidence import (
    ERRORS_DB,
    NOBODY,
    Evidence,
    evidence_csv,
    joined,
    likelihood,
    no_evidence,
    read_evidence,
    said_chance,
    weights,
)
from routeplan.afterwards.learn import Prior, cross_validated, fit
from routeplan.afterwards.reports import NOT_HEARD, Reception
from routeplan.afterwards.riding import fit_rider

PRIOR = Prior(residual_db=7.3)


def invented_line(seed: int, stations: int = 1) -> Line:
    """Margins that wander over hills along 25 km, about 5 dB."""
    rng = np.random.default_rng(seed)
    at = np.arange(250) * 100.0
    margins = []
    for _ in range(stations):
        waves = sum(
            rng.normal(0, 6) * np.sin(2 * np.pi * at / length + rng.uniform(0, 6)) for length in (3000, 7000, 16000)
        )
        margins.append(np.stack([3 + waves, 8 + waves]))
    return Line(at, np.array(margins))


LINES = [invented_line(seed) for seed in range(12)]


def ride_trio(seed: int):
    rng = np.random.default_rng(seed)
    return simulate([LINES[k] for k in rng.choice(len(LINES), 3, replace=False)], seed)


def test_without_reports_the_answer_is_the_default():
    fitted = fit(no_evidence(), PRIOR)
    station = fitted.station("Q0", "rack")
    assert station.value == 0.0 and not station.learnt and station.reports == 0
    assert station.sd == pytest.approx(np.hypot(PRIOR.station_db, PRIOR.mount_db))
    assert fitted.residual.value == pytest.approx(PRIOR.residual_db, rel=0.03) and not fitted.residual.learnt
    assert fitted.cover.value == 1.0 and not fitted.cover.learnt


def test_simulated_truth_is_recovered():
    """A short version of tests/benchmarks/bench_afterwards.py, with room for 60 seeds instead of 400."""
    errors, inside, spreads = [], [], []
    for seed in range(60):
        evidence, truth = ride_trio(seed)
        fitted = fit(evidence, PRIOR)
        found = fitted.station("Q0", "rack")
        errors.append(found.value - truth.offset_db[0])
        inside.append(found.low <= truth.offset_db[0] <= found.high)
        spreads.append(fitted.residual.value / RESIDUAL_DB - 1)
    assert np.sqrt(np.mean(np.square(errors))) < 2.5
    assert 0.66 <= np.mean(inside) <= 0.93
    assert np.sqrt(np.mean(np.square(spreads))) < 0.26


def test_plain_twin_one_station_on_a_grid():
    """The same posterior by brute force: offset and residual on grids, no Newton, no Laplace."""
    evidence, _ = ride_trio(3)
    evidence = replace(evidence, ride=np.full(len(evidence), "one", dtype=object))
    prior = replace(PRIOR, ride_db=1e-3, mount_db=1e-3)
    chance, weight = likelihood(evidence), weights(evidence)
    offsets, residuals = np.arange(-25, 25.01, 0.25), np.exp(np.linspace(np.log(2.2), np.log(16), 13))
    table = np.empty((len(residuals), len(offsets)))
    for a, residual in enumerate(residuals):
        for b, offset in enumerate(offsets):
            inside = (chance * norm.pdf(ERRORS_DB, offset, residual)).sum(axis=1) * 0.75
            table[a, b] = weight @ np.log(inside) + norm.logpdf(offset, 0, prior.station_db)
            table[a, b] += norm.logpdf(np.log(residual / prior.residual_db), 0, prior.residual_spread)
    posterior = np.exp(table - table.max())
    posterior /= posterior.sum()
    mean = float((posterior.sum(axis=0) * offsets).sum())
    sd = float(np.sqrt((posterior.sum(axis=0) * (offsets - mean) ** 2).sum()))
    found = fit(evidence, prior)
    assert found.station("Q0").value == pytest.approx(mean, abs=0.25)
    assert found.station("Q0").sd == pytest.approx(sd, rel=0.12)
    log = float((posterior.sum(axis=1) * np.log(residuals)).sum())
    assert found.residual.value == pytest.approx(np.exp(log), rel=0.05)


def test_property_more_reports_never_widen_much():
    few, _ = simulate(LINES[:1], 5, reports=5)
    many, _ = simulate(LINES[:3], 5, reports=40)
    assert fit(many, PRIOR).station("Q0").sd < fit(few, PRIOR).station("Q0").sd < PRIOR.station_db


def test_calls_without_answer_pull_a_station_down():
    evidence, _ = ride_trio(7)
    silent = replace(
        evidence, they=(None,) * len(evidence), i=(None,) * len(evidence), answered=(False,) * len(evidence)
    )
    assert fit(silent, PRIOR).station("Q0").high < 0


def test_contacts_alone_are_no_sample_of_all_calls():
    """With only the successes kept, the fit that knows of it stays nearer to the truth than the one that does not."""
    naive, aware = [], []
    for seed in range(25):
        evidence, truth = ride_trio(seed)
        kept = evidence.take(evidence.worked > 0)
        naive.append(fit(kept, PRIOR).station("Q0").value - truth.offset_db[0])
        known = replace(kept, selected=np.ones(len(kept), dtype=bool))
        aware.append(fit(known, PRIOR).station("Q0").value - truth.offset_db[0])
    assert np.mean(naive) > 1.0  # too rosy
    assert abs(np.mean(aware)) < 0.6 * np.mean(naive)


def test_selected_beacons_say_nothing():
    evidence, _ = ride_trio(2)
    n = len(evidence)
    beacons = replace(
        evidence, they=(Reception(5, 5),) * n, i=(None,) * n, answered=(None,) * n,
        beacon_db=np.full(n, -3.0), selected=np.ones(n, dtype=bool),
    )  # fmt: skip
    fitted = fit(beacons, PRIOR).station("Q0")
    assert fitted.value == pytest.approx(0.0, abs=1e-6) and not fitted.learnt


def test_cover_scale_is_found_where_it_differs():
    rng = np.random.default_rng(1)
    evidence, _ = simulate(LINES[:4], 9, reports=60)
    per_half = rng.choice([0.0, 8.0], len(evidence))  # dB for half the height of the cover
    cover = np.stack([-per_half, np.zeros(len(evidence)), per_half], axis=1)
    margin = rng.uniform(-3, 12, len(evidence))
    true = margin - 0.6 * per_half + rng.normal(0, 4, len(evidence))  # cover acts 1.3 times as tall
    they = tuple(Reception(r, r) if (r := int(sum(m >= t for t in (-12, -9, -6, 0, 10)))) else NOT_HEARD for m in true)
    given = replace(
        evidence, to_db=margin, from_db=margin + 30, cover_db=cover, they=they, i=(None,) * len(they),
        answered=(None,) * len(they),
    )  # fmt: skip
    found = fit(given, PRIOR).cover
    assert found.learnt and found.low < 1.3 < found.high and found.value > 1.12
    assert not fit(replace(given, cover_db=cover * 0), PRIOR).cover.learnt


def test_close_reports_count_less():
    evidence, _ = ride_trio(1)
    apart = replace(evidence, distance_m=np.arange(len(evidence)) * 50_000.0)
    together = replace(evidence, distance_m=np.zeros(len(evidence)))
    assert weights(apart) == pytest.approx(1.0)
    for ride in set(evidence.ride):
        assert weights(together)[evidence.ride == ride].sum() == pytest.approx(1.0)


def test_property_chances_of_all_reports_add_up():
    margin = np.linspace(-30, 40, 200)
    parts = sum(said_chance(Reception(r, r), margin) for r in range(1, 6))
    silent = (said_chance(NOT_HEARD, margin) - NOBODY) / (1 - NOBODY)  # nobody there: also in calls that would be heard
    assert parts + silent == pytest.approx(1.0, abs=1e-9)


def test_cross_validation_needs_two_rides_and_rewards_a_real_offset():
    one, _ = simulate(LINES[:1], 4)
    assert cross_validated(one, PRIOR) is None
    gains = []
    for seed in range(12):
        evidence, truth = ride_trio(seed)
        if abs(truth.offset_db[0]) > 3:
            check = cross_validated(evidence, PRIOR)
            gains.append(check.learnt - check.default)
            assert check.rides == 3
    assert np.mean(gains) > 0


def test_evidence_file_round_trip():
    evidence, _ = ride_trio(11)
    again = read_evidence(evidence_csv(evidence), "evidence.csv")
    for f in fields(Evidence):
        a, b = getattr(evidence, f.name), getattr(again, f.name)
        if isinstance(a, tuple):
            assert a == b
        elif a.dtype == float:
            assert b == pytest.approx(a, abs=0.006, nan_ok=True)
        else:
            assert (a == b).all()
    assert len(joined([evidence, again])) == 2 * len(evidence)


def test_reliability_and_brier():
    chance = np.array([0.05] * 20 + [0.95] * 20)
    worked = np.array([0.0] * 19 + [1.0] + [1.0] * 19 + [0.0])
    found = compare.reliability(chance, worked)
    assert [t.reports for t in found.tenths] == [20, 20]
    assert found.tenths[0].worked == pytest.approx(0.05) and found.brier == pytest.approx(0.0475)
    assert found.brier_of_the_mean == pytest.approx(0.25)
    assert np.isnan(compare.reliability(np.empty(0), np.empty(0)).brier)


def test_groups_find_the_bias():
    evidence, _ = simulate([invented_line(3, stations=2)], 2, reports=60)
    shifted = replace(evidence, to_db=evidence.to_db - 6, from_db=evidence.from_db - 6)
    chance = np.full(len(evidence), 0.5)
    before = {g.name: g.bias.value for g in compare.groups(evidence, chance)}
    after = {g.name: g.bias.value for g in compare.groups(shifted, chance)}
    assert {"Q0", "Q1", "2 m", "rack", "open"} <= set(before)
    assert after["rack"] - before["rack"] == pytest.approx(6.0, abs=1.5)


# --- the rider


def invented_times(factors: dict[str, float]) -> np.ndarray:
    """Times [s] of 60 stretches of 500 m by simple physics: climbs, flats and descents."""
    from routeplan.ride import speed_m_s

    grade = np.tile([-0.05, -0.03, -0.01, 0.0, 0.02, 0.05], 10)
    power = 110 * factors["power_w"] * np.where(grade > 0.03, 1.35 * factors["climb_factor"], 1.0)
    power = np.where(grade < -0.02, 0.0, power)
    speed = speed_m_s(power, grade=grade, mass_kg=100.0, rolling_coefficient=0.006 * factors["rolling"],
                      drag_area_m2=0.6 * factors["drag_area_m2"])  # fmt: skip
    return 500.0 / speed


def test_rider_from_times():
    rng = np.random.default_rng(0)
    true = {"power_w": 1.15, "climb_factor": 1.0, "drag_area_m2": 0.85, "rolling": 1.0}
    ridden = invented_times(true) * np.exp(rng.normal(0, 0.06, 60))
    ridden[7] *= 2.5  # a gate
    found = fit_rider(invented_times, ridden, day_spread=0.05)
    assert found.factors["drag_area_m2"].value == pytest.approx(0.85, abs=0.06)
    assert found.factors["power_w"].low < 1.15 < found.factors["power_w"].high
    assert found.factors["power_w"].value > 1.05 and found.factors["drag_area_m2"].learnt


def test_rider_without_enough_stretches_is_the_default():
    ridden = np.full(60, np.nan)
    ridden[:5] = 100.0
    found = fit_rider(invented_times, ridden)
    assert all(e.value == 1.0 and not e.learnt for e in found.factors.values())
