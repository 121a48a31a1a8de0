"""Loss of one real link: P.1812, with its own rules for short paths and for cover round the antennas.

P.1812 begins at 250 m and sees cover as walls. A link of the planner may be shorter and its rider stands
among trees, so that `link_loss_db` joins three models:

    up to 250 m          free space, and Bullington's edge over the bare profile (Rec. ITU-R P.526, 4.5.1)
    250 m to 500 m       both, P.1812 with a share that grows from 0 to 1 along the distance
    from 500 m           P.1812
    always               woodland round both antennas by Rec. ITU-R P.833 (see `woodland`)

This is the readable twin of `batch.losses_db`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from routeplan.radio import p1812, woodland

SHORT_M, LONG_M = 250.0, 500.0
NEAREST_M = 10.0  # below this a link counts as 10 m of free space


def p1812_share(path_m: float) -> float:
    """Share [-] of P.1812 in the loss: 0 up to 250 m, 1 from 500 m, straight between."""
    return float(np.clip((path_m - SHORT_M) / (LONG_M - SHORT_M), 0.0, 1.0))


def free_space_loss_db(path_m: float, rise_m: float, frequency_hz: float) -> float:
    """Free-space loss [dB] as in P.1812, section 3, over `path_m` on the map and `rise_m` of height."""
    slant_km = max(np.hypot(path_m, rise_m), NEAREST_M) / 1000
    return float(92.4 + 20 * np.log10(frequency_hz / 1e9) + 20 * np.log10(slant_km))


def short_loss_db(
    distance_m: ArrayLike,
    height_m: ArrayLike,
    *,
    frequency_hz: float,
    tx_height_m: float,
    rx_height_m: float,
    delta_n: float = 40.0,
) -> float:
    """Free space and Bullington's edge over the bare profile [dB]; arguments as in `p1812.basic_loss_db`."""
    d, h = np.asarray(distance_m, dtype=float), np.asarray(height_m, dtype=float)
    hts, hrs = h[0] + tx_height_m, h[-1] + rx_height_m
    free = free_space_loss_db(d[-1], hts - hrs, frequency_hz)
    if d[-1] < NEAREST_M or np.isnan(h).any():
        return free + float(np.sum(h) * 0)
    ae, _ = p1812.effective_radii_km(delta_n)
    return free + p1812.bullington(d / 1000, h, hts, hrs, ae, frequency_hz / 1e9)


def woodland_loss_db(
    distance_m: ArrayLike,
    height_m: ArrayLike,
    tx_near_cover_m: ArrayLike,
    rx_near_cover_m: ArrayLike,
    *,
    frequency_hz: float,
    tx_height_m: float,
    rx_height_m: float,
    delta_n: float = 40.0,
) -> float:
    """Loss [dB] in the cover round both antennas (P.833), along the rays to their horizons.

    tx_near_cover_m, rx_near_cover_m : (25,) cover at `woodland.near_distances_m(path)` from either antenna
    """
    d, h = np.asarray(distance_m, dtype=float), np.asarray(height_m, dtype=float)
    if d[-1] < NEAREST_M or np.isnan(h).any():
        return float(np.sum(h) * 0)
    hts, hrs = h[0] + tx_height_m, h[-1] + rx_height_m
    ae, _ = p1812.effective_radii_km(delta_n)
    horizon = p1812.horizons(d / 1000, h, hts, hrs, ae, frequency_hz / 1e9)
    near = woodland.near_distances_m(d[-1])
    loss = 0.0
    for antenna, theta, cover, along in (
        (hts, horizon.theta_t, tx_near_cover_m, near),
        (hrs, horizon.theta_r, rx_near_cover_m, d[-1] - near),
    ):
        ray = antenna + np.tan(theta / 1000) * near
        depth = woodland.depth_m(near, np.interp(along, d, h), cover, ray)
        loss += float(woodland.loss_db(depth, frequency_hz))
    return loss


def link_loss_db(
    distance_m: ArrayLike,
    height_m: ArrayLike,
    cover_m: ArrayLike,
    zone: ArrayLike,
    tx_near_cover_m: ArrayLike,
    rx_near_cover_m: ArrayLike,
    *,
    frequency_hz: float,
    tx_height_m: float,
    rx_height_m: float,
    polarisation: str = "vertical",
    time_percent: float = 50.0,
    delta_n: float = 40.0,
    n0: float = 325.0,
    latitude_deg: float,
) -> float:
    """Median-location loss [dB] of one link of any length up to 3,000 km; NaN where data are missing.

    Arguments as in `p1812.basic_loss_db` (n >= 3 points, the last farther than 0) and `woodland_loss_db`.
    """
    d = np.asarray(distance_m, dtype=float)
    heights = {"tx_height_m": tx_height_m, "rx_height_m": rx_height_m}
    p1812.check_link(
        frequency_hz=frequency_hz,
        heights_m=heights,
        polarisation=polarisation,
        time_percent=time_percent,
        delta_n=delta_n,
        latitude_deg=latitude_deg,
    )
    near = {"frequency_hz": frequency_hz, **heights, "delta_n": delta_n}
    share = p1812_share(d[-1])
    loss = 0.0
    if share < 1:
        loss += (1 - share) * short_loss_db(d, height_m, **near)
    if share > 0:
        loss += share * p1812.basic_loss_db(
            d,
            height_m,
            woodland.profile_cover_m(d, cover_m),
            zone,
            polarisation=polarisation,
            time_percent=time_percent,
            n0=n0,
            latitude_deg=latitude_deg,
            **near,
        )
    if np.isnan(np.asarray(cover_m, dtype=float)[1:-1]).any():
        return float("nan")
    return loss + woodland_loss_db(d, height_m, tx_near_cover_m, rx_near_cover_m, **near)
