"""Paths under 250 m and their way into P.1812."""

from __future__ import annotations

import numpy as np
import pytest
from radio_places import STEP_M, invented_cover, jacksboro, readable_loss_db

from routeplan.radio import batch, p1812, short_path

LINK = {"frequency_hz": 145e6, "tx_height_m": 10.0, "rx_height_m": 1.5}


def test_published_free_space() -> None:
    """Rec. ITU-R P.525: 32.4 + 20 log f + 20 log d."""
    assert short_path.free_space_loss_db(100, 0, 145e6) == pytest.approx(
        32.4 + 20 * np.log10(145) + 20 * np.log10(0.1)
    )


def test_property_clear_short_path_is_free_space() -> None:
    d = np.array([0.0, 60.0, 120.0])
    h = np.array([30.0, 0.0, 30.0])
    loss = short_path.short_loss_db(d, h, **LINK)
    assert loss == pytest.approx(short_path.free_space_loss_db(120, 8.5, 145e6))


def test_published_single_edge_on_a_short_path() -> None:
    """P.526, section 4.5.1 by hand: edge 20 m above a level ray, 100 m from both ends, 300 MHz.

    nu = 20 sqrt(0.002 * 0.2 / (0.99933 * 0.01)) = 4.0013, J = 6.9 + 20 log(4.0267 + 3.9013) = 24.884 dB,
    B = J + (1 - exp(-J / 6)) 10.004 = 34.730 dB.
    """
    d, h = np.array([0.0, 100.0, 200.0]), np.array([0.0, 30.0, 0.0])
    link = {"frequency_hz": 300e6, "tx_height_m": 10.0, "rx_height_m": 10.0}
    loss = short_path.short_loss_db(d, h, **link)
    assert loss - short_path.free_space_loss_db(200, 0, 300e6) == pytest.approx(34.73, abs=0.01)


def test_property_share_of_p1812() -> None:
    assert [short_path.p1812_share(D) for D in (0, 250, 375, 500, 9e3)] == [0, 0, 0.5, 1, 1]


def test_property_from_500_m_it_is_p1812() -> None:
    d = np.linspace(0, 3000, 101)
    h = 100 + 20 * np.sin(d / 200)
    zone, none = np.full(101, 4), np.zeros(25)
    got = short_path.link_loss_db(d, h, h * 0, zone, none, none, **LINK, latitude_deg=45)
    assert got == p1812.basic_loss_db(d, h, h * 0, zone, **LINK, latitude_deg=45)


@pytest.mark.parametrize("where", [0, 2, 4])
def test_property_missing_height_is_nan(where: int) -> None:
    d = np.linspace(0, 200, 5)
    h = np.zeros(5)
    h[where] = np.nan
    args = (d, h, h * 0, np.full(5, 4), np.zeros(25), np.zeros(25))
    assert np.isnan(short_path.link_loss_db(*args, **LINK, latitude_deg=45))


def sweep(elevation, cover, x, y, heading_deg, frequency_hz, step_m):
    """Losses [dB] along a straight line of receivers from 200 m to 600 m, every metre."""
    s = np.arange(200.0, 600.5, 1.0)
    heading = np.radians(heading_deg)
    return batch.losses_db(
        elevation, cover, None, west_m=0.0, north_m=0.0, step_m=step_m, tx_x_m=x, tx_y_m=y, tx_height_m=10.0,
        rx_x_m=x + s * np.sin(heading), rx_y_m=y + s * np.cos(heading), rx_height_m=1.5,
        frequency_hz=frequency_hz, latitude_deg=45.0,
    )  # fmt: skip


@pytest.mark.parametrize("frequency_hz", [51e6, 145e6, 433e6, 1.3e9])
def test_property_no_step_from_200_to_600_m(frequency_hz: float) -> None:
    """On level, sloping, rolling ground and in an even wood the loss moves by less than 1 dB per metre."""
    rows, cols = np.mgrid[0:60, 0:60] * 30.0
    wood = np.full((60, 60), 15.0, np.float32)
    for ground in (0 * rows, 0.1 * cols, 15 * np.sin(cols / 90) * np.cos(rows / 120)):
        for cover in (None, wood):
            for heading_deg in (0, 35, 90, 200):
                loss = sweep(ground.astype(np.float32), cover, 905.0, -895.0, heading_deg, frequency_hz, 30.0)
                assert np.abs(np.diff(loss)).max() < 1.0


def test_property_steps_on_real_ground_are_rare() -> None:
    """Lines on the Jacksboro fault with woods and towns, 2 m band: nine in ten without 1 dB in any metre.

    What is left are creases of the bilinear ground and edges of woods right beside the rider.
    """
    rng = np.random.default_rng(4)
    worst = []
    for _ in range(60):
        x, y = rng.uniform(20, 380) * STEP_M, -rng.uniform(20, 320) * STEP_M
        loss = sweep(jacksboro(), invented_cover(), x, y, rng.uniform(0, 360), 145e6, STEP_M)
        worst.append(np.abs(np.diff(loss)).max())
    assert np.quantile(worst, 0.85) < 1.0
    assert max(worst) < 3.0


def test_property_readable_twin_agrees_on_short_paths() -> None:
    tx = (9000.0, -9000.0)
    link = {"frequency_hz": 433e6, "tx_height_m": 8.0, "rx_height_m": 1.5, "latitude_deg": 36.6}
    for distance in (0.5, 9.9, 10.1, 40.0, 249.9, 250.1, 499.9, 500.1):
        rx = (tx[0] + 0.6 * distance, tx[1] - 0.8 * distance)
        got = batch.losses_db(
            jacksboro(), invented_cover(), None, west_m=0.0, north_m=0.0, step_m=STEP_M,
            tx_x_m=tx[0], tx_y_m=tx[1], rx_x_m=[rx[0]], rx_y_m=[rx[1]], **link,
        )  # fmt: skip
        assert got[0] == pytest.approx(readable_loss_db(jacksboro(), invented_cover(), None, tx, rx, **link))
