"""RF exposure screening: published values and limits, and what is never said."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from routeplan.errors import InputError
from routeplan.radio import exposure as e

MINUTE = 60.0


# Formulas of OET Bulletin 65, limits of ICNIRP 2020 and 47 CFR 1.1310, exemption of FCC 19-126; computed to 5
# digits.
@pytest.mark.parametrize(
    "name, got, value",
    [
        ("R1", e.power_density_w_m2(5, 0, 1), 0.39789),
        ("R2", e.field_v_m(5, 0, 1), 12.247),
        ("R3", e.power_density_w_m2(5, 2.15, 0.6, duty=0.1), 0.18132),
        ("R4", e.power_density_w_m2(5, 2.15, 0.6, duty=0.1, ground=e.GROUND_USUAL), 0.46419),
        ("R5", e.distance_for_limit_m(2, 5, 2.15, ground=e.GROUND_NONE), 0.5713),
        ("R6", e.distance_for_limit_m(2, 5, 2.15, duty=0.5, ground=e.GROUND_USUAL), 0.64635),
        ("R7", e.icnirp_whole_body(433).power_density_w_m2, 2.165),
        ("R8", e.icnirp_whole_body(433).field_v_m, 28.612),
        ("R9", e.icnirp_local(433).power_density_w_m2, 10.735),
        ("R10", e.icnirp_local(433).field_v_m, 64.214),
        ("R11", e.fcc_public(433).power_density_w_m2, 2.8867),
        ("R12", e.fcc_exempt_erp_w(0.5, 145), 0.9575),
        ("R13", e.fcc_exempt_erp_w(0.5, 433), 1.3856),
        ("R14", e.reactive_near_field_m(145), 0.32906),
        ("R15", e.reactive_near_field_m(50.5), 0.94482),
        ("R16", e.time_averaged_w(5, [(0, 2 * MINUTE)], 30 * MINUTE), 0.33333),
        ("R17", e.time_averaged_w(5, [(100, 100 + 3 * MINUTE)], 6 * MINUTE), 2.5),
        ("R18", e.time_averaged_w(5, [(90 * i, 90 * i + 0.8) for i in range(40)], 1800), 0.044444),
    ],
)
def test_check_values_published(name, got, value):
    assert got == pytest.approx(value, rel=5e-5), name


# ICNIRP 2020 and 47 CFR 1.1310 at 50.5, 70.2 and 145 MHz: 27.7 V/m and 2 W/m2; local 62 V/m and 10 W/m2; FCC
# 2 W/m2.
@pytest.mark.parametrize("frequency_mhz", [50.5, 70.2, 145.0])
def test_limits_published(frequency_mhz):
    whole, local, fcc = (f(frequency_mhz) for f in (e.icnirp_whole_body, e.icnirp_local, e.fcc_public))
    assert (whole.field_v_m, whole.power_density_w_m2, whole.averaging_s) == (27.7, 2.0, 1800)
    assert (local.field_v_m, local.power_density_w_m2, local.averaging_s) == (62.0, 10.0, 360)
    assert (fcc.power_density_w_m2, fcc.averaging_s) == (2.0, 1800)


# Distances for 2 W/m2 (433 MHz: 2.165), 5 W, 2.15 dBi, all of the time and a tenth of it, three ground
# factors.
@pytest.mark.parametrize(
    "limit, duty, distances",
    [(2.0, 1.0, (0.571, 0.914, 1.143)), (2.165, 1.0, (0.549, 0.879, 1.098)),
     (2.0, 0.1, (0.181, 0.289, 0.361)), (2.165, 0.1, (0.174, 0.278, 0.347))],
)  # fmt: skip
def test_distances_published(limit, duty, distances):
    for ground, metres in zip((e.GROUND_NONE, e.GROUND_USUAL, e.GROUND_FULL), distances):
        assert e.distance_for_limit_m(limit, 5, 2.15, duty=duty, ground=ground) == pytest.approx(metres, abs=6e-4)


def test_no_exemption_inside_the_reactive_near_field():
    assert math.isnan(e.fcc_exempt_erp_w(0.5, 50.5)) and math.isnan(e.fcc_exempt_erp_w(0.5, 70.2))


def test_limits_outside_the_tables():
    for bad in (1.0, 10_000.0, float("nan")):
        with pytest.raises(InputError):
            e.icnirp_whole_body(bad)


@given(st.lists(st.floats(0.1, 600), min_size=1, max_size=8), st.floats(0.1, 600), st.floats(10, 3000))
def test_property_average_over_the_worst_window(lengths, pause, window):
    at, spans = 0.0, []
    for length in lengths:
        spans.append((at, at + length))
        at += length + pause
    averaged = e.time_averaged_w(5, spans, window)
    assert 5 * min(1, max(lengths) / window) - 1e-9 <= averaged <= 5 + 1e-9
    assert averaged <= 5 * sum(lengths) / window + 1e-9
    # no window of a fine sweep is worse
    for k in range(0, int(at), max(1, int(at) // 50)):
        inside = sum(max(0.0, min(b, k + window) - max(a, k)) for a, b in spans)
        assert 5 * inside / window <= averaged + 1e-6


@given(st.floats(0.01, 10), st.floats(-10, 20), st.floats(0.05, 1))
def test_property_distance_and_density_are_inverse(limit, gain, duty):
    distance = e.distance_for_limit_m(limit, 5, gain, duty=duty)
    assert e.power_density_w_m2(5, gain, distance, duty=duty, ground=e.GROUND_USUAL) == pytest.approx(limit)


OVERS = [(0.0, 300.0), (900.0, 1500.0)]


def test_screening_on_the_rack_gives_a_distance_on_2_m_only():
    on_2_m = e.screen(transmit_w=5, frequency_mhz=145.5, overs_s=OVERS)
    assert [r.distance_m is None for r in on_2_m.rows] == [False, True, False]
    assert on_2_m.rows[0].averaged_w == pytest.approx(5 * 0.5 * 900 / 1800)
    on_4_m = e.screen(transmit_w=5, frequency_mhz=70.45, overs_s=OVERS)
    assert on_4_m.rider_inside_near_field and all(r.distance_m is None for r in on_4_m.rows)


@pytest.mark.parametrize("mount", ["chest", "hand"])
def test_no_distance_on_the_body(mount):
    found = e.screen(transmit_w=5, frequency_mhz=145.5, overs_s=OVERS, mount=mount)
    text = "\n".join(found.lines())
    assert all(r.distance_m is None for r in found.rows)
    assert "maker" in text and "W averaged" in text and " m on" not in text


@pytest.mark.parametrize("mount", list(e.RIDER_DISTANCE_M))
@pytest.mark.parametrize("frequency_mhz", [29.6, 51.5, 70.45, 145.5, 433.5, 1297.5])
def test_screening_and_never_safe(mount, frequency_mhz):
    lines = e.screen(transmit_w=10, frequency_mhz=frequency_mhz, overs_s=OVERS, mount=mount).lines()
    text = "\n".join(lines).lower()
    assert "screening" in lines[0] and "not a statement of compliance" in lines[0]
    assert "safe" not in text and "harmless" not in text


def test_no_overs_no_power():
    found = e.screen(transmit_w=5, frequency_mhz=145.5, overs_s=[])
    assert all(r.averaged_w == 0 and r.distance_m is None for r in found.rows)


def test_wrong_values_are_named():
    with pytest.raises(InputError) as caught:
        e.screen(transmit_w=-5, frequency_mhz=145.5, overs_s=[], mount="hat", talk_share=2.0)
    assert len(caught.value.faults) == 3
    with pytest.raises(InputError, match="overlap"):
        e.time_averaged_w(5, [(0, 10), (5, 20)], 360)
