"""Speech grades, fading, digital voice, data packets."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import j0

from routeplan.errors import InputError
from routeplan.radio import quality
from routeplan.radio.quality import MODES, for_contact, mode_of, packet_chance, packet_margin_db


# TIA TSB-88, from memory: faded C/N for DAQ 3, 3.4 and 4, and static C/N for 12 dB SINAD.
@pytest.mark.parametrize(
    "name, static_12, faded", [("FM 12.5 kHz", 7.0, (23.0, 26.0, 33.0)), ("FM 25 kHz", 5.0, (17.0, 20.0, 27.0))]
)
def test_speech_published(name, static_12, faded):
    assert MODES[name]["just readable"].static_cn_db == static_12
    assert tuple(MODES[name][g].faded_cn_db for g in ("readable", "good", "clear")) == faded
    static = tuple(MODES[name][g].static_cn_db - static_12 for g in ("readable", "good", "clear"))
    assert static == (5.0, 8.0, 13.0)  # SINAD 17, 20 and 25 dB


# Exponential power: 10 % of places lie 9.77 dB or more below the mean.
@pytest.mark.parametrize("share, allowance_db", [(0.9, 9.77), (0.5, 1.59), (0.99, 19.98)])
def test_rayleigh_published(share, allowance_db):
    assert quality.rayleigh_allowance_db(share) == pytest.approx(allowance_db, abs=0.005)


def test_two_independent_places_by_hand():
    """(1 - exp(-x))^2 = 0.1 gives x = 0.380, i.e. 4.20 dB; J0 has a zero at 2.4048, 0.383 wavelengths."""
    by_hand = -10 * math.log10(-math.log(1 - math.sqrt(0.1)))
    assert quality.rayleigh_allowance_db(0.9, 2.404826 / (2 * math.pi)) == pytest.approx(by_hand, abs=1e-4)


def test_half_a_wavelength_by_simulation():
    """The better of two places half a wavelength apart, drawn as correlated complex Gaussians."""
    rng = np.random.default_rng(3)
    n, rho = 400_000, j0(math.pi)
    a, b = rng.normal(size=(2, n)) + 1j * rng.normal(size=(2, n))
    power = np.maximum(abs(a) ** 2, abs(rho * a + math.sqrt(1 - rho**2) * b) ** 2) / 2
    drawn = -10 * np.log10(np.quantile(power, 0.1))
    assert quality.rayleigh_allowance_db(0.9, 0.5) == pytest.approx(drawn, abs=0.03)
    assert quality.rayleigh_allowance_db(0.9, 0.5) == pytest.approx(4.37, abs=0.01)


@given(st.floats(0.01, 0.99), st.floats(0.0, 3.0))
def test_property_a_second_place_never_hurts(share, shift):
    one, two = quality.rayleigh_allowance_db(share), quality.rayleigh_allowance_db(share, shift)
    assert two <= one + 1e-6


def test_property_fading_is_counted_once():
    for grades in MODES.values():
        for mode in grades.values():
            if mode.kind == "data":
                assert mode.required_cn_db(moving=True) == mode.required_cn_db(moving=False) == mode.static_cn_db
                continue
            assert mode.required_cn_db(moving=True) == mode.faded_cn_db
            assert mode.required_cn_db(moving=False) == pytest.approx(mode.static_cn_db + 9.773, abs=0.001)
            shifted = mode.required_cn_db(moving=False, may_shift=True)
            assert shifted == pytest.approx(mode.static_cn_db + 4.373, abs=0.001)


def test_property_better_grades_need_more():
    for name in ("FM 12.5 kHz", "FM 25 kHz"):
        needed = [m.required_cn_db() for m in MODES[name].values()]
        assert needed == sorted(needed) and len(set(needed)) == len(needed)


@pytest.mark.parametrize(
    "said, name", [("FM", "FM 12.5 kHz"), ("nfm", "FM 12.5 kHz"), ("wide FM", "FM 25 kHz"),
                   ("digital voice", "digital voice"), ("data", "data beacon"), ("FM 25 kHz", "FM 25 kHz")],
)  # fmt: skip
def test_modes_by_plain_words(said, name):
    assert mode_of(said).name == name


def test_default_grade_and_unknown_words():
    assert mode_of("FM").grade == "readable"
    assert mode_of("FM", "clear").grade == "clear"
    assert mode_of("digital voice", "clear").grade == "all or nothing"
    with pytest.raises(InputError, match="did you mean"):
        mode_of("digitel voice")
    with pytest.raises(InputError, match='did you mean "good"'):
        mode_of("FM", "goood")


# --- packets ---


def test_packet_chance_standing_is_rayleigh():
    assert quality.packet_chance(9.773) == pytest.approx(0.9, abs=1e-4)


def test_packet_chance_by_simulated_fading():
    """Jakes fading as a sum of 64 waves from all round, 5 m/s at 144.8 MHz, 0.8 s packets, margin 15 dB."""
    rng = np.random.default_rng(5)
    packets, waves, doppler = 4000, 64, 5 * 144.8 / 299.792458
    t = np.linspace(0, 0.8, 160)
    angle, phase = rng.uniform(0, 2 * np.pi, (2, packets, waves))
    field = sum(
        np.exp(1j * (2 * np.pi * doppler * np.cos(angle[:, w, None]) * t + phase[:, w, None])) for w in range(waves)
    )
    got = np.mean((abs(field) ** 2 / waves > 10**-1.5).all(axis=1))
    computed = quality.packet_chance(15.0, speed_m_s=5.0, frequency_mhz=144.8, packet_s=0.8)
    assert computed == pytest.approx(got, abs=0.05)


@given(st.floats(-40, 60), st.floats(0.1, 20), st.floats(0, 15))
def test_property_packet_chance(margin, more, speed):
    near, far = quality.packet_chance([margin + more, margin], speed_m_s=speed)
    assert 0 <= far <= near <= 1
    assert quality.packet_chance(margin, speed_m_s=speed) <= quality.packet_chance(margin)
    mean = quality.mean_packet_chance(margin, 8.0, speed_m_s=speed)
    assert 0 <= mean <= 1


def test_mean_packet_chance_without_spread_and_no_data():
    assert quality.mean_packet_chance(10.0, 0.0) == pytest.approx(quality.packet_chance(10.0))
    assert np.isnan(quality.mean_packet_chance([np.nan], 8.0)).all()


@pytest.mark.parametrize("frequency_mhz, over_db", [(70.45, 11.6), (145.5, 17.2), (433.5, 26.4)])
def test_property_data_counts_as_contact_where_half_the_packets_get_through(frequency_mhz, over_db):
    data = mode_of("data beacon")
    held = for_contact(data, frequency_mhz)
    over = held.required_cn_db(moving=True) - data.static_cn_db
    assert over == pytest.approx(over_db, abs=0.05)
    assert packet_chance(over, speed_m_s=5.0, frequency_mhz=frequency_mhz) == pytest.approx(0.5)
    assert packet_margin_db(0.9, frequency_mhz=frequency_mhz) == pytest.approx(
        9.77, abs=0.01
    )  # standing: Rayleigh alone
    assert held.required_cn_db(moving=False) == pytest.approx(data.static_cn_db + 9.77, abs=0.01)
    fm = mode_of("FM")
    assert for_contact(fm, frequency_mhz) is fm
