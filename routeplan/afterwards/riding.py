"""Learning the rider from the clock: power, drag and rolling from the times of stretches of a ride.

The times of some hundred metres each are compared with those of the ride model in logarithms, by Gauss-Newton with
normal priors and Huber's weights, so that a stop for a gate does not count as a weak leg. Power and drag are alike on
the flat and tell themselves apart on climbs and descents; what the ride did not hold stays at its default.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from routeplan.afterwards.learn import Z80, Estimate

PARAMETERS = ("power_w", "climb_factor", "drag_area_m2", "rolling")
PRIOR_SPREAD = {
    "power_w": 0.20,
    "climb_factor": 0.10,
    "drag_area_m2": 0.20,
    "rolling": 0.20,
}  # of logarithms; judgement
TIME_SPREAD = 0.12  # of the logarithm of a stretch's time about the model: gusts, corners, traffic; judgement
MODEL_SPREAD = 0.03  # the model's own error over a whole ride; judgement
HUBER = 1.5
FEWEST = 8  # stretches


@dataclass(frozen=True)
class RiderFit:
    """Estimates by parameter: factors on the values the prediction used, and what they narrow to."""

    factors: dict[str, Estimate]
    stretches: int
    spread: float  # of the logarithm of a stretch's time that is left


def fit_rider(
    times_s: Callable[[dict[str, float]], np.ndarray],
    ridden_s: np.ndarray,
    *,
    day_spread: float = 0.10,
    prior_spread: dict[str, float] | None = None,
) -> RiderFit:
    """Factors on power, climbing factor, drag area and rolling that explain the ridden times.

    times_s : the model's times (n,) for factors by name (1.0: as predicted).   ridden_s : (n,), NaN to leave out.
    day_spread : how much the power differs from day to day; one ride tells the usual power no better.
    """
    spread = dict(PRIOR_SPREAD if prior_spread is None else prior_spread)
    usual_sd = np.array([spread[name] for name in PARAMETERS])
    own_sd = np.array([day_spread if name == "power_w" else MODEL_SPREAD for name in PARAMETERS])
    sds = np.hypot(usual_sd, own_sd)  # of the day's values about the usual ones
    theta = np.zeros(len(PARAMETERS))
    usable = np.isfinite(ridden_s) & (ridden_s > 0)
    n = int(usable.sum())
    if n < FEWEST:
        return RiderFit({name: _estimate(0.0, sd, name, 0) for name, sd in zip(PARAMETERS, usual_sd)}, n, float("nan"))
    observed = np.log(ridden_s[usable])

    def model(values: np.ndarray) -> np.ndarray:
        return np.log(times_s(dict(zip(PARAMETERS, np.exp(values).tolist())))[usable])

    precision = np.diag(1 / sds**2)
    for _ in range(6):
        predicted = model(theta)
        slope = np.column_stack([(model(theta + step) - predicted) / 0.02 for step in 0.02 * np.eye(len(theta))])
        residual = observed - predicted
        weight = np.minimum(1.0, HUBER * TIME_SPREAD / np.maximum(np.abs(residual), 1e-9)) / TIME_SPREAD**2
        precision = (slope * weight[:, None]).T @ slope + np.diag(1 / sds**2)
        step = np.linalg.solve(precision, slope.T @ (weight * residual) - theta / sds**2)
        theta = theta + np.clip(step, -0.3, 0.3)
        if np.abs(step).max() < 1e-3:
            break
    day_sd = np.sqrt(np.diag(np.linalg.inv(precision)))
    left = float(1.4826 * np.median(np.abs(observed - model(theta))))
    out = {}
    for k, name in enumerate(PARAMETERS):
        usual, sd = _usual(float(theta[k]), float(day_sd[k]), float(usual_sd[k]), float(own_sd[k]))
        out[name] = _estimate(usual, sd, name, n)
    return RiderFit(out, n, left)


def _usual(day: float, day_sd: float, usual_sd: float, own_sd: float) -> tuple[float, float]:
    """The usual value and its spread, from the day's as fitted about 0: one day is one sample of the days."""
    told = 1 / day_sd**2 - 1 / (usual_sd**2 + own_sd**2)  # precision of what the ride alone says of its day
    if told <= 1e-9:
        return 0.0, usual_sd
    alone = day / day_sd**2 / told
    variance = 1 / told + own_sd**2
    precision = 1 / usual_sd**2 + 1 / variance
    return alone / variance / precision, precision**-0.5


def _estimate(log_value: float, sd: float, name: str, n: int) -> Estimate:
    """As factor; what counts as learnt is judged against the default, not against earlier rides."""
    value = float(np.exp(log_value))
    low, high = float(np.exp(log_value - Z80 * sd)), float(np.exp(log_value + Z80 * sd))
    return Estimate(value, low, high, float(sd), PRIOR_SPREAD[name], n, 1 if n else 0)
