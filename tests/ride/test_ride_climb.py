"""Climb and the errors of heights."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.ride.climb import climb_m, grade_sigma, spurious_climb_m


def test_published_grade_error():  # C28, C29: two heights of 2 m error, 60 m apart
    assert 100 * grade_sigma(2.0, 60.0) == pytest.approx(4.71405, rel=1e-3)
    assert 100 * grade_sigma(2.0, 60.0, correlation=0.9) == pytest.approx(1.49071, rel=1e-3)


def test_published_spurious_climb():  # C30: half-normal mean, s / sqrt(pi)
    assert spurious_climb_m(1.5) == pytest.approx(0.846284, rel=1e-3)


def test_property_spurious_climb_against_draws():
    heights = np.random.default_rng(5).normal(0, 1.5, 200_000)
    assert climb_m(heights) / (len(heights) - 1) == pytest.approx(spurious_climb_m(1.5), rel=0.01)


def test_property_climb_round_a_loop_equals_descent():
    heights = np.random.default_rng(6).normal(100, 20, 500)
    loop = np.append(heights, heights[0])
    assert climb_m(loop) == pytest.approx(climb_m(loop[::-1]))
    assert climb_m([3.0, 1.0, 4.0, 1.0, 5.0]) == 7.0
    assert np.isnan(climb_m([1.0, np.nan, 2.0]))
