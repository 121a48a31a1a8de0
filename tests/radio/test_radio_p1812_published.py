"""P.1812 against published and reference values, every intermediate on its own."""

from __future__ import annotations

import csv
import os
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from short_profiles import SHORT_PATHS

from routeplan.radio import p1812

OFFICIAL = Path(os.environ.get("ROUTEPLAN_P1812_CASES", "no such folder"))
needs_official = pytest.mark.skipif(
    not (OFFICIAL / "cases_official.csv").is_file(),
    reason="set ROUTEPLAN_P1812_CASES to the folder that holds cases_official.csv (official validation set)",
)


@lru_cache
def short_terms(index: int) -> dict[str, float]:
    path = SHORT_PATHS[index]
    distance_m = np.array(path.distance_km) * 1000
    return p1812.terms(distance_m, path.height_m, path.cover_m, path.zone, **path.link)


# Reference software of ITU-R Study Group 3, P.1812-8, printed to 6 decimals
@pytest.mark.parametrize(
    "index, key",
    [pytest.param(i, key, id=f"{path.name}-{key}") for i, path in enumerate(SHORT_PATHS) for key in path.expected],
)
def test_published_short_profiles(index: int, key: str) -> None:
    assert short_terms(index)[key] == pytest.approx(SHORT_PATHS[index].expected[key], abs=1e-6, rel=0)


@pytest.mark.parametrize("path", SHORT_PATHS, ids=lambda path: path.name)
def test_published_short_profiles_loss(path) -> None:
    distance_m = np.array(path.distance_km) * 1000
    loss = p1812.basic_loss_db(distance_m, path.height_m, path.cover_m, path.zone, **path.link)
    assert isinstance(loss, float)
    assert loss == pytest.approx(path.expected["Lb"], abs=1e-6, rel=0)


@lru_cache
def official_rows() -> list[dict[str, str]]:
    with open(OFFICIAL / "cases_official.csv", newline="") as file:
        return list(csv.DictReader(file))


@lru_cache
def official_terms() -> list[dict[str, float]]:
    out = []
    for row in official_rows():
        profile = np.genfromtxt(OFFICIAL / "profiles" / f"{row['profile']}.csv", delimiter=",", names=True)
        out.append(
            p1812.terms(
                profile["d_km"] * 1000,
                profile["h_m"],
                profile["R_m"],
                profile["zone"].astype(int),
                frequency_hz=float(row["f_MHz"]) * 1e6,
                tx_height_m=float(row["htg_m"]),
                rx_height_m=float(row["hrg_m"]),
                polarisation={"1": "horizontal", "2": "vertical"}[row["pol"]],
                time_percent=float(row["p_pct"]),
                location_percent=float(row["pL_pct"]),
                location_sigma_db=float(row["sigmaL_dB"]),
                delta_n=float(row["DN"]),
                n0=float(row["N0"]),
                latitude_deg=float(row["phi_path"]),
            )
        )
    return out


# ITU-R Study Group 3, official validation set of P.1812; intermediates in the set's own columns
@needs_official
@pytest.mark.parametrize("key", p1812.TERMS.split())
def test_published_official_cases(key: str) -> None:
    assert len(official_rows()) == 63
    got = np.array([terms[key] for terms in official_terms()])
    want = np.array([float(row[key]) for row in official_rows()])
    np.testing.assert_allclose(got, want, atol=1e-6, rtol=1e-9)


@needs_official
def test_published_inverse_normal_table() -> None:
    with open(OFFICIAL / "inv_cum_norm.csv", newline="") as file:
        for row in csv.DictReader(file):
            assert p1812.inverse_normal(float(row["x"])) == pytest.approx(float(row["I"]), abs=1e-9)


@needs_official
def test_published_location_spread_table() -> None:
    with open(OFFICIAL / "sigma_loc.csv", newline="") as file:
        for row in csv.DictReader(file):
            got = p1812.location_spread_db(
                float(row["f_GHz"]) * 1e9,
                width_m=float(row["wa_m"]),
                rx_height_m=float(row["h_m"]),
                cover_m=float(row["R_m"]),
            )
            assert got == pytest.approx(float(row["sigma_dB"]), abs=1e-8)


# Rec. ITU-R P.526, section 4.1, J(nu) = 6.9 + 20 log(sqrt((nu - 0.1)^2 + 1) + nu - 0.1) by hand to 0.01 dB
@pytest.mark.parametrize("nu, loss_db", [(-1.0, 0.0), (-0.78, 0.0), (0.0, 6.03), (1.0, 13.93), (2.4, 20.54)])
def test_published_knife_edge(nu: float, loss_db: float) -> None:
    assert p1812.knife_edge_loss_db(nu) == pytest.approx(loss_db, abs=0.01)


# The exact Fresnel integral of one edge; P.526 states its approximation holds for nu > -0.78
@pytest.mark.parametrize("nu", [-0.5, 0.0, 0.5, 1.0, 2.0, 4.0])
def test_published_knife_edge_is_the_fresnel_integral(nu: float) -> None:
    from scipy.special import fresnel

    s, c = fresnel(nu)
    exact = -20 * np.log10(np.hypot(1 - c - s, c - s) / 2)
    assert p1812.knife_edge_loss_db(nu) == pytest.approx(exact, abs=0.25)


# By hand: a 50 m edge in the middle of 10 km of flat ground seen from two masts of 20 m, 600 MHz.
# Flattened for the median Earth the edge stands 50 + 500 * 25 / 8549.12 = 51.462 m above the ends' ground and
# 31.462 m above the ray: nu = 31.462 sqrt(0.02 / (0.49967 * 25)) = 1.2589,
# J = 6.9 + 20 log(1.5307 + 1.1589) = 15.494 dB, B = 15.494 + (1 - exp(-15.494 / 6)) * 10.2 = 24.923 dB.
def test_published_bullington_by_hand() -> None:
    d, z = np.array([0.0, 5.0, 10.0]), np.array([0.0, 50.0, 0.0])
    ae, _ = p1812.effective_radii_km(40.0)
    assert p1812.bullington(d, z, 20.0, 20.0, ae, 0.6) == pytest.approx(24.923, abs=0.002)


# pycraf's documentation and radio handbooks: 10 km on 145.5 MHz is 95.70 dB; P.1812 rounds 92.45 to 92.4
def test_published_free_space() -> None:
    d = np.linspace(0, 10_000, 101)
    h = np.full(101, -100.0)
    h[[0, -1]] = 900.0  # nothing near the ray
    terms = p1812.terms(
        d, h, h * 0, np.full(101, 4),
        frequency_hz=145.5e6, tx_height_m=10, rx_height_m=10, latitude_deg=50,
    )  # fmt: skip
    assert terms["Lbfs"] == pytest.approx(95.705, abs=0.06)
    assert terms["Lb"] == pytest.approx(terms["Lbfs"], abs=0.01)


# Profiles of equal steps without cover near the ends, laid along the first row of a raster
@needs_official
def test_published_official_cases_through_the_kernel() -> None:
    from routeplan.radio import batch

    met = 0
    for row in official_rows():
        profile = np.genfromtxt(OFFICIAL / "profiles" / f"{row['profile']}.csv", delimiter=",", names=True)
        d, cover = profile["d_km"] * 1000, profile["R_m"]
        near = (d < 500) | (d[-1] - d < 500)
        near[[0, -1]] = False
        if np.ptp(np.diff(d)) > 1e-6 or cover[near].any() or len(d) < 17 or row["pL_pct"] != "50":
            continue
        cover[[0, -1]] = 0
        elevation, covers, zone = (
            np.repeat(values[None], 2, axis=0) for values in (profile["h_m"], cover, profile["zone"].astype(int))
        )
        loss = batch.losses_db(
            elevation,
            covers,
            zone,
            west_m=0.0,
            north_m=0.0,
            step_m=d[-1] / (len(d) - 1),
            spacing_m=d[-1] / (len(d) - 1) * (1 + 1e-9),
            tx_x_m=0.0,
            tx_y_m=0.0,
            tx_height_m=float(row["htg_m"]),
            rx_x_m=[d[-1] * (1 - 1e-15)],
            rx_y_m=[0.0],
            rx_height_m=float(row["hrg_m"]),
            frequency_hz=float(row["f_MHz"]) * 1e6,
            polarisation={"1": "horizontal", "2": "vertical"}[row["pol"]],
            time_percent=float(row["p_pct"]),
            delta_n=float(row["DN"]),
            n0=float(row["N0"]),
            latitude_deg=float(row["phi_path"]),
        )
        assert loss[0] == pytest.approx(float(row["Lb"]), abs=1e-4), row["case_id"]  # heights are float32
        met += 1
    assert met >= 9
