"""External noise, system noise, receivers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routeplan.errors import InputError
from routeplan.radio import noise
from routeplan.radio.noise import CITY, GALACTIC, QUIET_RURAL, RESIDENTIAL, RURAL


# Rec. ITU-R P.372-17, Table 1 constants at printed precision: F_am = c - d log f, inside each fit's validity.
@pytest.mark.parametrize(
    "category, frequency_mhz, figure_db",
    [
        (CITY, 70, 25.7), (CITY, 145, 16.9), (RESIDENTIAL, 70, 21.4), (RESIDENTIAL, 145, 12.6),
        (RURAL, 70, 16.1), (RURAL, 145, 7.3), (GALACTIC, 70, 9.6), (GALACTIC, 145, 2.3), (GALACTIC, 433, -8.6),
    ],
)  # fmt: skip
def test_man_made_noise_published(category, frequency_mhz, figure_db):
    assert noise.man_made_figure_db(category, frequency_mhz) == pytest.approx(figure_db, abs=0.05)


# Rec. ITU-R P.372-17: deciles; location deviation from memory of the same.
@pytest.mark.parametrize(
    "category, upper, lower, place",
    [(CITY, 11.0, 6.7, 8.4), (RESIDENTIAL, 10.6, 5.3, 5.8), (RURAL, 9.2, 4.6, 6.8), (GALACTIC, 2.0, 2.0, 0.0)],
)
def test_spreads_published(category, upper, lower, place):
    assert (category.upper_decile_db, category.lower_decile_db, category.location_sigma_db) == (upper, lower, place)
    assert category.time_sigma_db == pytest.approx((upper + lower) / 2 / 1.2816)


# k T0 B with k = 1.380649e-23 J/K and T0 = 290 K, printed to 0.05 dB.
@pytest.mark.parametrize(
    "hertz, dbm", [(1, -173.98), (7800, -135.05), (8500, -134.7), (12000, -133.2), (15000, -132.2)]
)
def test_noise_floor_published(hertz, dbm):
    assert noise.noise_floor_dbm(hertz) == pytest.approx(dbm, abs=0.05)


# 50 ohm: 0.5 uV = -113 dBm, 0.2 to 0.28 uV = -121 to -118 dBm, +6 dBuV e.m.f. = -107 dBm (printed to 1 dB).
@pytest.mark.parametrize(
    "microvolts, emf, dbm", [(0.5, False, -113), (0.2, False, -121), (0.28, False, -118), (2, True, -107)]
)
def test_microvolts_published(microvolts, emf, dbm):
    assert noise.dbm_from_microvolts(microvolts, emf=emf) == pytest.approx(dbm, abs=0.5)


def test_fallback_above_the_tables_is_continuous_and_stated():
    below, above = noise.man_made_figure_db(RURAL, [249.99, 250.01])
    assert below == pytest.approx(above, abs=0.01)
    assert noise.man_made_figure_db(RESIDENTIAL, 433) == pytest.approx(3.1, abs=0.05)
    assert noise.beyond_published(RESIDENTIAL, 433) and not noise.beyond_published(RESIDENTIAL, 145)
    assert not noise.beyond_published(QUIET_RURAL, 145)  # the sky decides there, and its fit holds


@given(st.sampled_from(list(noise.CATEGORIES.values())), st.floats(1.0, 3000.0))
def test_property_never_below_the_sky(category, frequency_mhz):
    assert noise.external_figure_db(category, frequency_mhz) >= noise.man_made_figure_db(GALACTIC, frequency_mhz)


@given(st.floats(10.0, 2900.0), st.floats(1.01, 3.0))
def test_property_noise_falls_with_frequency_and_towards_the_country(frequency_mhz, factor):
    for category in noise.CATEGORIES.values():
        here, higher = noise.external_figure_db(category, [frequency_mhz, frequency_mhz * factor])
        assert higher < here
    ordered = [noise.external_figure_db(c, frequency_mhz) for c in (CITY, RESIDENTIAL, RURAL, QUIET_RURAL)]
    assert ordered == sorted(ordered, reverse=True)


@given(st.floats(-20, 40), st.floats(0, 20), st.floats(0, 20))
def test_property_system_noise(external_db, loss_db, figure_db):
    """f = f_a - 1 + l f_r: no less than the receiver alone when f_a >= 1; external share is its
    derivative.
    """
    at = noise.system_figure_db(external_db, loss_db=loss_db, noise_figure_db=figure_db)
    f = 10 ** (external_db / 10) - 1 + 10 ** ((loss_db + figure_db) / 10)
    assert at == pytest.approx(10 * math.log10(f))
    step = 1e-4
    up = noise.system_figure_db(external_db + step, loss_db=loss_db, noise_figure_db=figure_db)
    share = noise.external_share(external_db, loss_db=loss_db, noise_figure_db=figure_db)
    assert share == pytest.approx(min(1.0, float(up - at) / step), abs=1e-3)


def test_property_lossless_quiet_receiver_hears_external_noise_only():
    assert noise.system_figure_db(12.6, loss_db=0.0, noise_figure_db=0.0) == pytest.approx(12.6)


def test_receiver_figure_from_sensitivity():
    narrow = noise.receiver_figure_db(-119.0)
    wide = noise.receiver_figure_db(-119.0, bandwidth_hz=12000.0, sinad_12_cn_db=5.0)
    assert narrow == pytest.approx(9.05, abs=0.01) and wide == pytest.approx(narrow, abs=0.2)
    assert noise.receiver_figure_db(-130.0) == 0.0


@pytest.mark.parametrize(
    "said, dbm",
    [(-119, -119), ("-119 dBm", -119), ("-119dBm", -119), ("0.25 uV", -119.03), ("0.25µV", -119.03),
     (0.25, -119.03), ("0.5 uV emf", -119.03), ("−119 dBm", -119)],
)  # fmt: skip
def test_sensitivity_is_understood(said, dbm):
    assert noise.sensitivity_dbm(said) == pytest.approx(dbm, abs=0.01)


@pytest.mark.parametrize("said", ["", "good", "-119 dBuV", 119, "5 uV uV x", -60, "0 uV", "-119 dBm uV", math.nan])
def test_wrong_sensitivity_is_named(said):
    with pytest.raises(InputError, match="sensitivity"):
        noise.sensitivity_dbm(said)


@pytest.mark.parametrize("frequency_mhz", [0.0, -145.0, np.nan])
def test_impossible_frequency(frequency_mhz):
    with pytest.raises(InputError):
        noise.external_figure_db(RURAL, frequency_mhz)
