"""The table of bands, and frequencies in the wrong unit."""

from __future__ import annotations

import itertools

import pytest

from routeplan.errors import InputError
from routeplan.radio import ground_wave
from routeplan.radio.bands import BANDS, band_of


@pytest.mark.parametrize(
    "frequency_mhz, name, predicted",
    [
        (3.65, "80 m", "not predicted"), (7.1, "40 m", "not predicted"), (29.6, "10 m", "ground wave"),
        (51.5, "6 m", "terrain"), (70.45, "4 m", "terrain"), (145.5, "2 m", "terrain"),
        (433.5, "70 cm", "terrain"), (1297.5, "23 cm", "terrain"),
    ],
)  # fmt: skip
def test_bands(frequency_mhz, name, predicted):
    band = band_of(frequency_mhz)
    assert (band.name, band.predicted) == (name, predicted)
    assert band.lowest_mhz <= band.middle_mhz <= band.highest_mhz
    assert band.wavelength_m == pytest.approx(299.792458 / band.middle_mhz)


def test_bands_do_not_overlap_and_ask_for_the_licence():
    edges = [(b.lowest_mhz, b.highest_mhz) for b in BANDS]
    assert edges == sorted(edges) and all(a[1] < b[0] for a, b in itertools.pairwise(edges))
    assert all("licence" in b.note for b in BANDS if b.predicted == "terrain")


@pytest.mark.parametrize(
    "given, unit", [(145500, "kHz"), (145500000, "Hz"), (0.1455, "GHz"), (70450, "kHz"), (433500, "kHz")]
)
def test_wrong_unit_is_recognised(given, unit):
    with pytest.raises(InputError, match=f"in {unit}.*meant [0-9.]+ MHz"):
        band_of(given)


def test_145500_means_145_5():
    with pytest.raises(InputError, match=r"meant 145\.5 MHz"):
        band_of(145500, where="[[net]] frequency_mhz, line 12")


@pytest.mark.parametrize("given", [0.0, -145.0, 160.0, 100.0, float("nan"), float("inf")])
def test_outside_every_band(given):
    with pytest.raises(InputError, match="no amateur band"):
        band_of(given)


def test_ground_wave_only_on_10_m():
    assert ground_wave.how_predicted(29.6) == "upper limit, hills ignored"
    assert ground_wave.how_predicted(7.1) == "not predicted"
    assert ground_wave.how_predicted(145.5) == "terrain"
    for frequency_mhz in (3.65, 7.1, 145.5):
        with pytest.raises(InputError, match="not predicted by ground wave"):
            ground_wave.ground_wave_loss_db([1000.0], frequency_mhz=frequency_mhz, tx_height_m=2.0, rx_height_m=2.0)


@pytest.mark.skipif(not ground_wave.available(), reason="optional library proplib-lfmf is not installed")
def test_ground_wave_property_rises_with_distance_and_less_over_sea():
    distance = [50.0, 300.0, 1000.0, 3000.0, 10_000.0, float("nan")]
    land = ground_wave.ground_wave_loss_db(distance, frequency_mhz=29.6, tx_height_m=1.2, rx_height_m=10.0)
    sea = ground_wave.ground_wave_loss_db(
        distance, frequency_mhz=29.6, tx_height_m=1.2, rx_height_m=10.0, ground=ground_wave.SEA
    )
    assert land[0] != land[0] and land[-1] != land[-1]  # too near, no data
    assert (land[2:5] > land[1:4]).all() and (sea[1:5] < land[1:5]).all()
    # over the sea and near, no more than free space and 10 dB (29.6 MHz, 1 km: 61.9 dB)
    assert 61 < sea[2] < 72
    with pytest.raises(InputError, match="0 to 50 m"):
        ground_wave.ground_wave_loss_db([1000.0], frequency_mhz=29.6, tx_height_m=80.0, rx_height_m=2.0)
