"""Climb along a line of heights, and what errors of the heights do to it."""

from __future__ import annotations

from typing import Any

import numpy as np


def climb_m(height_m: Any) -> float:
    """Sum of all rises [m] along heights (n,), in riding order; NaN where a height is missing."""
    return float(np.maximum(np.diff(np.asarray(height_m, float)), 0.0).sum())


def grade_sigma(height_sigma_m: Any, length_m: Any, *, correlation: Any = 0.0) -> Any:
    """Standard deviation of the grade [-] between two heights, by error propagation.

    sqrt(2 (1 - rho)) s / L: two heights with the same error s [m] and correlation rho, L [m] apart.
    """
    return np.sqrt(2 * (1 - np.asarray(correlation, float))) * height_sigma_m / length_m


def spurious_climb_m(height_sigma_m: Any, *, correlation: Any = 0.0) -> Any:
    """Climb [m] that errors alone make, per step on the level: E[max(d, 0)], variance of d 2 (1 - rho) s^2.

    Half-normal mean; for independent errors s / sqrt(pi). On a slope well above the errors it goes to nothing.
    """
    return np.sqrt((1 - np.asarray(correlation, float)) / np.pi) * height_sigma_m
