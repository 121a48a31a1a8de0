"""Woodland by P.833, and what becomes of cover round an antenna."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.radio import batch, short_path, woodland

LINK = {"frequency_hz": 145e6, "tx_height_m": 30.0, "rx_height_m": 1.5}


# Rec. ITU-R P.833-9, table 1: mixed woodland near St. Petersburg
@pytest.mark.parametrize(
    "frequency_mhz, gamma_db_m, greatest_db",
    [
        (105.9, 0.04, 9.4),
        (466.475, 0.12, 18.0),
        (949.0, 0.17, 26.5),
        (1852.2, 0.30, 29.0),
        (2117.5, 0.34, 34.1),
    ],
)
def test_published_table(frequency_mhz: float, gamma_db_m: float, greatest_db: float) -> None:
    assert woodland.specific_db_m(frequency_mhz * 1e6) == pytest.approx(gamma_db_m, rel=1e-9)
    assert woodland.greatest_db(frequency_mhz * 1e6) == pytest.approx(greatest_db, rel=1e-9)


# Rec. ITU-R P.833-9, the fit Am = A1 f^alpha to the same measurements: A1 = 1.37 dB, alpha = 0.42
@pytest.mark.parametrize("frequency_mhz", [50.0, 70.2, 145.0, 433.0, 1296.0])
def test_published_fit_of_the_greatest_loss(frequency_mhz: float) -> None:
    assert woodland.greatest_db(frequency_mhz * 1e6) == pytest.approx(1.37 * frequency_mhz**0.42, rel=0.11)


def test_property_loss_grows_with_depth_and_levels_off() -> None:
    loss = woodland.loss_db(np.array([0.0, 1.0, 50.0, 200.0, 1e5]), 145e6)
    assert loss[0] == 0
    assert loss[1] == pytest.approx(woodland.specific_db_m(145e6), rel=0.01)
    assert (np.diff(loss) > 0).all()
    assert loss[-1] == pytest.approx(woodland.greatest_db(145e6))


def test_property_cover_of_the_profile_begins_at_250_m() -> None:
    d = np.linspace(0, 2000, 201)
    raised = woodland.profile_cover_m(d, np.full(201, 12.0))
    assert (raised[d <= 250] == 0).all() and (raised[d >= 1750] == 0).all()
    assert (raised[(d >= 500) & (d <= 1500)] == 12).all()
    assert raised[np.flatnonzero(d == 370)[0]] == pytest.approx(12 * 120 / 250)
    np.testing.assert_allclose(raised, raised[::-1])
    assert (woodland.profile_cover_m(np.linspace(0, 500, 51), np.full(51, 12.0)) == 0).all()


def depth(cover_m: float, antenna_m: float, slope: float) -> float:
    near = woodland.near_distances_m(5000.0)
    return woodland.depth_m(near, np.zeros(25), np.full(25, cover_m), antenna_m + slope * near)


def test_property_depth_of_the_ray() -> None:
    assert depth(15.0, 1.5, 0.0) == pytest.approx(250)  # level through the wood
    assert depth(15.0, 30.0, 0.0) == 0  # above the crowns
    assert depth(0.0, 1.5, 0.0) == 0
    # climbing 10 %: 85 m in full, then 50 m through the thinning top of 5 m, whose mean share is a half
    assert depth(15.0, 1.5, 0.1) == pytest.approx(85 + 25, abs=5)
    assert depth(10.0, 9.0, 0.0) == pytest.approx(50)  # a chimney just below the roofs: a fifth


def wood_loss(cover_m: float, length_m: float = 4000.0, **change: float) -> float:
    d = np.linspace(0, length_m, 101)
    near = np.full(25, cover_m)
    return short_path.woodland_loss_db(d, np.zeros(101), near * 0, near, **(LINK | change))


def test_property_rider_in_a_wood() -> None:
    assert wood_loss(0.0) == 0
    assert 6 < wood_loss(15.0) < woodland.greatest_db(145e6)
    assert wood_loss(15.0, frequency_hz=433e6) > wood_loss(15.0) + 4
    assert wood_loss(15.0, tx_height_m=600.0) < wood_loss(15.0)  # the ray leaves the wood upwards


def test_property_missing_cover_stays_missing() -> None:
    assert np.isnan(wood_loss(float("nan")))


@pytest.mark.parametrize("frequency_hz", [70.2e6, 145e6, 433e6])
def test_property_step_of_the_profile_matters_little_in_a_wood(frequency_hz: float) -> None:
    """As walls of P.1812 alone the same wood costs 3 dB (4 m) to 8 dB (70 cm) more at 15 m than at 120 m."""
    got = []
    for step_m in (120.0, 60.0, 30.0, 15.0):
        cells = int(6000 / step_m) + 1
        cover = np.full((cells, cells), 15.0, np.float32)
        loss = batch.losses_db(
            np.zeros_like(cover), cover, None,
            west_m=0.0, north_m=0.0, step_m=step_m, tx_x_m=700.0, tx_y_m=-1000.0, tx_height_m=40.0,
            rx_x_m=[4711.0], rx_y_m=[-5003.0], rx_height_m=1.5, frequency_hz=frequency_hz, latitude_deg=47.0,
        )  # fmt: skip
        got.append(float(loss[0]))
    assert np.ptp(got) < 0.5
