"""Antennas, mounts and the body."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routeplan.radio import antennas
from routeplan.radio.antennas import ANTENNAS, CHEST, HELICAL, MOUNTS, QUARTER_WAVE, RACK, Body

BODIES = st.builds(Body, st.floats(0, 10), st.floats(0, 30), st.sampled_from([0, 180]))


# Capacitance of a disc alone in space: C = 8 eps0 a, textbook; 15 cm: 10.63 pF, so 103 ohm at 145.5 MHz.
@pytest.mark.parametrize("frequency_mhz, loss_db", [(433.5, 0.8), (145.5, 3.9), (70.45, 8.6), (51.5, 11.0)])
def test_small_plate_worked_by_hand(frequency_mhz, loss_db):
    farad = 8 * 8.854e-12 * 0.15
    load = complex(36.5, -1 / (2 * np.pi * frequency_mhz * 1e6 * farad))
    by_hand = -10 * np.log10(1 - abs((load - 50) / (load + 50)) ** 2)
    assert antennas.small_plate_loss_db(frequency_mhz) == pytest.approx(by_hand, abs=1e-3)
    assert by_hand == pytest.approx(loss_db, abs=0.05)


def test_property_a_larger_plate_helps():
    loss = [float(antennas.small_plate_loss_db(70.45, a)) for a in (0.1, 0.15, 0.3, 0.6)]
    assert loss == sorted(loss, reverse=True) and loss[-1] < 2.0


def test_helical_gain_published():
    """One handheld's stock helical, free-standing at 146 MHz: about -9 dBd, i.e. -6.85 dBi."""
    gain = HELICAL.directivity_dbi - HELICAL.loss_db(146.0, on_plate=False)
    assert gain == pytest.approx(-9 + 2.15, abs=0.1)


def test_four_metres_on_the_rack_is_poor_and_a_half_wave_is_not():
    quarter, half = QUARTER_WAVE, ANTENNAS["half wave"]
    assert quarter.loss_db(70.45, on_plate=True) - quarter.loss_db(433.5, on_plate=True) > 6
    assert half.loss_db(70.45, on_plate=True) < quarter.loss_db(70.45, on_plate=True) - 5


@given(BODIES, st.floats(-720, 720))
def test_property_body_is_periodic_symmetric_and_bounded(body, angle):
    loss = float(body.loss_db(angle))
    assert loss == pytest.approx(float(body.loss_db(-angle)), abs=1e-6)
    assert loss == pytest.approx(float(body.loss_db(angle + 360)), abs=1e-6)
    least, most = sorted((body.free_db, body.through_db))
    assert least - 1e-9 <= loss <= most + 1e-9
    assert body.loss_db(body.best_deg) == pytest.approx(least, abs=1e-9)
    assert least - 1e-9 <= body.round_about_db <= most + 1e-9


@given(BODIES)
def test_property_body_is_smooth(body):
    loss = body.loss_db(np.arange(0, 361, 1.0))
    assert np.abs(np.diff(loss)).max() <= abs(body.through_db - body.free_db) * 0.02 + 1e-12


def test_shadow_lies_where_the_rider_is():
    assert RACK.body.loss_db(0) > RACK.body.loss_db(180)  # whip behind the back: worst ahead
    assert CHEST.body.loss_db(180) > CHEST.body.loss_db(0)  # set before the chest: worst behind


def test_every_number_has_an_origin():
    for table in (ANTENNAS, MOUNTS, antennas.STATION_ANTENNAS):
        for name, value in table.items():
            assert value.name == name and len(value.origin) > 10


def test_no_data_angle_stays_no_data():
    assert np.isnan(RACK.body.loss_db(np.nan))


def test_pin_gains_by_band():
    """Today's numbers, no authority: quarter wave on the rack, 6 m to 23 cm [dBi]."""
    gains = [1.8 - QUARTER_WAVE.loss_db(f, on_plate=True) for f in (51.5, 70.45, 145.5, 433.5, 1297.5)]
    assert gains == pytest.approx([-9.2, -6.8, -2.1, 1.0, 1.6], abs=0.01)
