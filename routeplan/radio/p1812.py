"""Basic transmission loss of one path after Recommendation ITU-R P.1812, version 8 (2025).

The sections stand in the order of the Recommendation and keep its symbols, so that code and paper can be
laid side by side. Inside: f in GHz, distances in km, heights in m above sea level, angles in mrad, losses
in dB. This is the readable version; `kernels.py` holds its fast twin for many receivers over a raster.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from routeplan.errors import Fault, InputError

SEA, COASTAL_LAND, INLAND = 1, 3, 4
LIGHT_SPEED_GHZ_M = 0.2998  # as the Recommendation rounds it: wavelength = 0.2998 / f

_Floats = NDArray[np.float64]


def basic_loss_db(
    distance_m: ArrayLike,
    height_m: ArrayLike,
    cover_m: ArrayLike,
    zone: ArrayLike,
    *,
    frequency_hz: float,
    tx_height_m: float,
    rx_height_m: float,
    polarisation: str = "vertical",
    time_percent: float = 50.0,
    location_percent: float = 50.0,
    location_sigma_db: float = 0.0,
    delta_n: float = 40.0,
    n0: float = 325.0,
    latitude_deg: float,
    tx_to_coast_m: float | None = None,
    rx_to_coast_m: float | None = None,
) -> float:
    """Loss [dB] not exceeded for `time_percent` of the time at `location_percent` of the locations.

    distance_m : (n,) from the transmitter, first 0, ascending, n >= 3, last 250 m to 3,000 km
    height_m : (n,) ground above sea level; a NaN gives NaN
    cover_m : (n,) representative height of woods or buildings; ignored at both ends; a NaN between gives NaN
    zone : (n,) 1 sea, 3 coastal land (below 100 m and within 50 km of the sea), 4 inland
    frequency_hz : 30 MHz to 6 GHz
    tx_height_m, rx_height_m : antennas above ground, 1 to 3,000 m
    polarisation : "vertical" or "horizontal"
    time_percent : 1 to 50; 50 is the median, small values the strong-signal tail
    location_percent : 1 to 99; location_sigma_db : spread inside the pixel, see `location_spread_db`
    delta_n : mean lapse of refractivity in the lowest km [N/km], positive
    n0 : refractivity at sea level [N]
    latitude_deg : of the path's centre, -80 to 80
    tx_to_coast_m, rx_to_coast_m : over land to the coast along the path; None is 500 km, or 0 at sea

    Raises InputError (a ValueError) that lists every argument outside these limits.
    """
    return terms(
        distance_m,
        height_m,
        cover_m,
        zone,
        frequency_hz=frequency_hz,
        tx_height_m=tx_height_m,
        rx_height_m=rx_height_m,
        polarisation=polarisation,
        time_percent=time_percent,
        location_percent=location_percent,
        location_sigma_db=location_sigma_db,
        delta_n=delta_n,
        n0=n0,
        latitude_deg=latitude_deg,
        tx_to_coast_m=tx_to_coast_m,
        rx_to_coast_m=rx_to_coast_m,
    )["Lb"]


def terms(
    distance_m: ArrayLike,
    height_m: ArrayLike,
    cover_m: ArrayLike,
    zone: ArrayLike,
    *,
    frequency_hz: float,
    tx_height_m: float,
    rx_height_m: float,
    polarisation: str = "vertical",
    time_percent: float = 50.0,
    location_percent: float = 50.0,
    location_sigma_db: float = 0.0,
    delta_n: float = 40.0,
    n0: float = 325.0,
    latitude_deg: float,
    tx_to_coast_m: float | None = None,
    rx_to_coast_m: float | None = None,
) -> dict[str, float]:
    """Every intermediate value of `basic_loss_db`, under the symbols of the Recommendation.

    Distances in km, heights in m, angles in mrad, losses in dB, b0 in percent, Ep_1kW in dB(uV/m) for 1 kW
    e.r.p. Names ending in _50 hold for the median effective Earth radius, in _b for the one exceeded
    for b0 percent of the time; pathtype is 1 in line of sight, 2 beyond the horizon; hst_n and hsr_n are the
    smooth-Earth heights of section 2.1, hst and hsr those of section 2.4. Where the profile has a NaN
    every value is NaN.
    """
    d = np.asarray(distance_m, dtype=float) / 1000
    h = np.asarray(height_m, dtype=float)
    R = np.asarray(cover_m, dtype=float)
    zone = np.asarray(zone)
    check_link(
        frequency_hz=frequency_hz,
        heights_m={"tx_height_m": tx_height_m, "rx_height_m": rx_height_m},
        polarisation=polarisation,
        time_percent=time_percent,
        delta_n=delta_n,
        latitude_deg=latitude_deg,
        more=(
            *_profile_faults(d, h, R, zone),
            *_location_faults(location_percent, location_sigma_db),
            *_coast_faults(tx_to_coast_m, rx_to_coast_m),
        ),
    )
    if np.isnan(h).any() or np.isnan(R[1:-1]).any():
        return dict.fromkeys(TERMS.split(), np.nan)

    f, p, pL = frequency_hz / 1e9, float(time_percent), float(location_percent)
    D, htg, hrg = float(d[-1]), float(tx_height_m), float(rx_height_m)
    hts, hrs = float(h[0] + htg), float(h[-1] + hrg)
    vertical = polarisation == "vertical"

    # Clutter stands on the ground between the terminals; only the actual path's Bullington sees it.
    g = h.copy()
    g[1:-1] += R[1:-1]

    # 1 Radio-meteorology
    ae, ab = effective_radii_km(delta_n)
    dtm, dlm, omega = stretches(d, zone)
    b0, tau = beta0_percent(dtm, dlm, latitude_deg)

    # 2 Profile analysis
    hst_n, hsr_n = smooth_earth(d, h)
    hstd, hsrd = smooth_earth_for_diffraction(d, h, hts, hrs, hst_n, hsr_n)
    horizon = horizons(d, h, hts, hrs, ae, f)
    theta_t, theta_r, dlt, dlr = horizon.theta_t, horizon.theta_r, horizon.dlt, horizon.dlr
    theta = 1000 * D / ae + theta_t + theta_r
    hst, hsr = min(hst_n, h[0]), min(hsr_n, h[-1])
    hte, hre = htg + h[0] - hst, hrg + h[-1] - hsr
    between = slice(horizon.lt, horizon.lr + 1)
    hm = float(np.max(h[between] - (hst + (hsr - hst) / D * d[between])))

    # 3 Line of sight
    Lbfs = 92.4 + 20 * np.log10(f) + 10 * np.log10(D**2 + ((hts - hrs) / 1000) ** 2)
    Lb0p = Lbfs + focusing(p, dlt, dlr)
    Lb0b = Lbfs + focusing(b0, dlt, dlr)

    # 4 Diffraction
    ends = (hts, hrs, hts - hstd, hrs - hsrd)
    Ld_50, Lbulla_50, Lbulls_50, Ldsph_50 = delta_bullington(d, g, *ends, ae, f, omega, vertical)
    Ld_b, Lbulla_b, Lbulls_b, Ldsph_b = delta_bullington(d, g, *ends, ab, f, omega, vertical)
    Fi = inverse_normal(p / 100) / inverse_normal(b0 / 100) if p > b0 else 1.0
    Ldp = Ld_50 + Fi * (Ld_b - Ld_50)
    Lbd50 = Lbfs + Ld_50
    Lbd = Lb0p + Ldp

    # 5 Tropospheric scatter
    Lbs = troposcatter(D, f, theta, n0, p)

    # 6 Ducting and layer reflection
    dct = _coast_km(tx_to_coast_m, zone[0])
    dcr = _coast_km(rx_to_coast_m, zone[-1])
    Lba = ducting(D, f, p, ae, b0, tau, omega, theta_t, theta_r, dlt, dlr, hte, hre, hm, hts, hrs, dct, dcr)

    # 7 Combination
    Fj = 1 - 0.5 * (1 + np.tanh(2.4 * (theta - 0.3) / 0.3))
    Fk = 1 - 0.5 * (1 + np.tanh(1.5 * (D - 20) / 20))
    if p < b0:
        Lminb0p = Lb0p + (1 - omega) * Ldp
    else:
        Lminb0p = Lbd50 + (Lb0b + (1 - omega) * Ldp - Lbd50) * Fi
    Lminbap = 2.5 * np.logaddexp(Lba / 2.5, Lb0p / 2.5)
    Lbda = Lbd if Lminbap > Lbd else Lminbap + (Lbd - Lminbap) * Fk
    Lbam = Lbda + (Lminb0p - Lbda) * Fj
    Lbc = -5 / np.log(10) * np.logaddexp(-0.2 * np.log(10) * Lbs, -0.2 * np.log(10) * Lbam)

    # 8 Locations
    Lloc = 0.0 if zone[-1] == SEA else -inverse_normal(pL / 100) * location_sigma_db
    Lb = max(Lb0p, Lbc + Lloc)

    values = {
        "phi_path": latitude_deg, "dtm": dtm, "dlm": dlm, "b0": b0, "ae": ae, "ab": ab, "omega": omega,
        "dct": dct, "dcr": dcr, "dtot": D, "hts": hts, "hrs": hrs,
        "hst_n": hst_n, "hsr_n": hsr_n, "hst": hst, "hsr": hsr, "hstd": hstd, "hsrd": hsrd,
        "hte": hte, "hre": hre, "hm": hm, "dlt": dlt, "dlr": dlr,
        "theta_t": theta_t, "theta_r": theta_r, "theta": theta, "pathtype": 2.0 if horizon.beyond else 1.0,
        "Lbfs": Lbfs, "Lb0p": Lb0p, "Lb0b": Lb0b,
        "Lbulla_50": Lbulla_50, "Lbulls_50": Lbulls_50, "Ldsph_50": Ldsph_50, "Ld_50": Ld_50,
        "Lbulla_b": Lbulla_b, "Lbulls_b": Lbulls_b, "Ldsph_b": Ldsph_b, "Ld_b": Ld_b,
        "Fi": Fi, "Ldp": Ldp, "Lbd50": Lbd50, "Lbd": Lbd, "Lbs": Lbs, "Lba": Lba,
        "Fj": Fj, "Fk": Fk, "Lminb0p": Lminb0p, "Lminbap": Lminbap, "Lbda": Lbda, "Lbam": Lbam,
        "Lbc": Lbc, "Lloc": Lloc, "Lb": Lb, "Ep_1kW": 199.36 + 20 * np.log10(f) - Lb,
    }  # fmt: skip
    return {key: float(value) for key, value in values.items()}


TERMS = (
    "phi_path dtm dlm b0 ae ab omega dct dcr dtot hts hrs hst_n hsr_n hst hsr hstd hsrd hte hre hm dlt dlr "
    "theta_t theta_r theta pathtype Lbfs Lb0p Lb0b Lbulla_50 Lbulls_50 Ldsph_50 Ld_50 Lbulla_b Lbulls_b "
    "Ldsph_b Ld_b Fi Ldp Lbd50 Lbd Lbs Lba Fj Fk Lminb0p Lminbap Lbda Lbam Lbc Lloc Lb Ep_1kW"
)


# ---- 0 Limits ----------------------------------------------------------------------------------------


def check_link(
    *,
    frequency_hz: float,
    heights_m: dict[str, float],
    polarisation: str,
    time_percent: float,
    delta_n: float,
    latitude_deg: float,
    more: tuple[Fault, ...] = (),
) -> None:
    """Raise InputError with every argument that is outside the limits of the Recommendation (section 0)."""
    faults = list(more)
    if not 30e6 <= frequency_hz <= 6e9:
        faults.append(
            Fault(
                f"{frequency_hz:g} Hz is outside 30 MHz to 6 GHz",
                "frequency_hz",
                "give hertz: 145.5 MHz is 145.5e6" if frequency_hz < 30e6 else "",
            )
        )
    for name, height in heights_m.items():
        if not 1 <= height <= 3000:
            faults.append(Fault(f"{height:g} m above ground is outside 1 to 3,000 m", name))
    if polarisation not in ("vertical", "horizontal"):
        faults.append(Fault(f"{polarisation!r} is unknown", "polarisation", "use 'vertical' or 'horizontal'"))
    if not 1 <= time_percent <= 50:
        faults.append(
            Fault(f"{time_percent:g} is outside 1 to 50 percent", "time_percent", "50 is the median")
        )
    if not 0 < delta_n < 157:
        faults.append(
            Fault(f"{delta_n:g} is outside 0 to 157 N/km", "delta_n", "give the lapse as a positive number")
        )
    if not abs(latitude_deg) <= 80:
        faults.append(Fault(f"{latitude_deg:g} is outside -80 to 80 degrees", "latitude_deg"))
    if faults:
        raise InputError(faults)


def _profile_faults(d: _Floats, h: _Floats, R: _Floats, zone: NDArray[Any]) -> list[Fault]:
    if d.ndim != 1 or not d.shape == h.shape == R.shape == zone.shape:
        shapes = f"{d.shape}, {h.shape}, {R.shape}, {zone.shape}"
        return [Fault(f"shapes {shapes} differ", "distance_m, height_m, cover_m, zone", "give four (n,)")]
    if len(d) < 3:
        return [Fault(f"{len(d)} points", "distance_m", "a profile needs three or more")]
    faults = []
    if d[0] != 0 or not (np.diff(d) > 0).all():
        faults.append(Fault("does not ascend from 0", "distance_m"))
    elif not 0.25 <= d[-1] <= 3000:
        mend = "shorter paths: routeplan.radio.short_path" if d[-1] < 0.25 else ""
        faults.append(Fault(f"path of {1000 * d[-1]:g} m is outside 250 m to 3,000 km", "distance_m", mend))
    if np.isinf(h).any():
        faults.append(Fault("infinite value", "height_m", "use NaN where nothing is known"))
    if not (R[1:-1] >= 0)[~np.isnan(R[1:-1])].all() or np.isinf(R[1:-1]).any():
        faults.append(Fault("below 0 or infinite", "cover_m"))
    strange = sorted(set(zone.tolist()) - {SEA, COASTAL_LAND, INLAND})
    if strange:
        faults.append(Fault(f"{strange[0]!r} is no zone", "zone", "1 sea, 3 coastal land, 4 inland"))
    return faults


def _location_faults(location_percent: float, location_sigma_db: float) -> list[Fault]:
    faults = []
    if not 1 <= location_percent <= 99:
        faults.append(Fault(f"{location_percent:g} is outside 1 to 99 percent", "location_percent"))
    if not 0 <= location_sigma_db < np.inf:
        faults.append(Fault(f"{location_sigma_db:g} dB is below 0 or no number", "location_sigma_db"))
    return faults


def _coast_faults(tx_to_coast_m: float | None, rx_to_coast_m: float | None) -> list[Fault]:
    named = {"tx_to_coast_m": tx_to_coast_m, "rx_to_coast_m": rx_to_coast_m}
    return [
        Fault(f"{value:g} m is below 0 or no number", name, "None where the sea is far")
        for name, value in named.items()
        if value is not None and not value >= 0
    ]


def _coast_km(to_coast_m: float | None, zone: int) -> float:
    if to_coast_m is not None:
        return to_coast_m / 1000
    return 0.0 if zone == SEA else 500.0


# ---- 1 Radio-meteorology -----------------------------------------------------------------------------


def effective_radii_km(delta_n: float) -> tuple[float, float]:
    """Effective Earth radius: median ae, and ab exceeded for beta0 percent of the time."""
    k50 = 157 / (157 - delta_n)
    return 6371 * k50, 6371 * 3.0


def stretches(d: _Floats, zone: NDArray[Any]) -> tuple[float, float, float]:
    """dtm, dlm: longest continuous land and inland stretch [km]; omega: share of the path over the sea."""
    sea, inland = zone == SEA, zone == INLAND
    dtm = max(_runs_km(d, ~sea), default=0.0)
    dlm = max(_runs_km(d, inland), default=0.0)
    return dtm, dlm, sum(_runs_km(d, sea)) / float(d[-1])


def _runs_km(d: _Floats, inside: NDArray[np.bool_]) -> list[float]:
    """Lengths of the runs of points inside; a run reaches half the gap to the neighbour beyond each end."""
    middle = (d[1:] + d[:-1]) / 2
    begins = np.concatenate([d[:1], middle])
    ends = np.concatenate([middle, d[-1:]])
    steps = np.diff(np.concatenate([[0], inside.astype(int), [0]]))
    first, past = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    return [float(ends[j - 1] - begins[i]) for i, j in zip(first, past)]


def beta0_percent(dtm: float, dlm: float, phi: float) -> tuple[float, float]:
    """beta0: time [percent] with a strong lapse at low heights, and tau on the way to it."""
    tau = 1 - np.exp(-4.12e-4 * dlm**2.41)
    mu1 = min(1.0, (10 ** (-dtm / (16 - 6.6 * tau)) + 10 ** (-5 * (0.496 + 0.354 * tau))) ** 0.2)
    if abs(phi) <= 70:
        mu4 = mu1 ** (-0.935 + 0.0176 * abs(phi))
        return 10 ** (-0.015 * abs(phi) + 1.67) * mu1 * mu4, tau
    mu4 = mu1**0.3
    return 4.17 * mu1 * mu4, tau


def inverse_normal(x: float) -> float:
    """Inverse complementary cumulative normal distribution, as the Recommendation approximates it."""
    x = min(max(x, 1e-6), 1 - 1e-6)
    if x > 0.5:
        return -inverse_normal(1 - x)
    T = np.sqrt(-2 * np.log(x))
    C = ((0.010328 * T + 0.802853) * T + 2.515516698) / (((0.001308 * T + 0.189269) * T + 1.432788) * T + 1)
    return T - C


# ---- 2 Profile analysis, bare ground -----------------------------------------------------------------


def smooth_earth(d: _Floats, h: _Floats) -> tuple[float, float]:
    """2.1: hst, hsr, heights of the smooth-Earth surface at both ends [m]."""
    D = float(d[-1])
    v1 = np.sum(np.diff(d) * (h[1:] + h[:-1]))
    v2 = np.sum(np.diff(d) * (h[1:] * (2 * d[1:] + d[:-1]) + h[:-1] * (d[1:] + 2 * d[:-1])))
    return float((2 * v1 * D - v2) / D**2), float((v2 - v1 * D) / D**2)


def smooth_earth_for_diffraction(
    d: _Floats, h: _Floats, hts: float, hrs: float, hst: float, hsr: float
) -> tuple[float, float]:
    """2.2: hstd, hsrd, the surface lowered under obstacles and kept below the ground at both ends [m]."""
    D = float(d[-1])
    di = d[1:-1]
    H = h[1:-1] - (hts * (D - di) + hrs * di) / D
    hobs = float(np.max(H))
    if hobs <= 0:
        hstp, hsrp = hst, hsr
    else:
        aobt, aobr = float(np.max(H / di)), float(np.max(H / (D - di)))
        hstp = hst - hobs * aobt / (aobt + aobr)
        hsrp = hsr - hobs * aobr / (aobt + aobr)
    return min(hstp, float(h[0])), min(hsrp, float(h[-1]))


class Horizon(NamedTuple):
    """2.3: horizon angles above the horizontal [mrad], distances to them [km], points, path type."""

    theta_t: float
    theta_r: float
    dlt: float
    dlr: float
    lt: int
    lr: int
    beyond: bool


def horizons(d: _Floats, h: _Floats, hts: float, hrs: float, ae: float, f: float) -> Horizon:
    """2.3: horizons of both antennas over the bare ground at the median effective Earth radius."""
    D = float(d[-1])
    di, hi = d[1:-1], h[1:-1]
    theta = 1000 * np.arctan((hi - hts) / (1000 * di) - di / (2 * ae))
    theta_td = 1000 * np.arctan((hrs - hts) / (1000 * D) - D / (2 * ae))
    theta_rd = 1000 * np.arctan((hts - hrs) / (1000 * D) - D / (2 * ae))
    if np.max(theta) > theta_td:
        back = 1000 * np.arctan((hi - hrs) / (1000 * (D - di)) - (D - di) / (2 * ae))
        lt, lr = 1 + int(np.argmax(theta)), 1 + _last_argmax(back)
        theta_t, theta_r, beyond = np.max(theta), np.max(back), True
    else:
        nu = fresnel_nu(hi + 500 * di * (D - di) / ae, hts, hrs, di, D, 0.2998 / f)
        lt = lr = 1 + _last_argmax(nu)
        theta_t, theta_r, beyond = theta_td, theta_rd, False
    return Horizon(float(theta_t), float(theta_r), float(d[lt]), float(D - d[lr]), lt, lr, beyond)


def _last_argmax(values: _Floats) -> int:
    return len(values) - 1 - int(np.argmax(values[::-1]))


def fresnel_nu(
    z: ArrayLike, ht: float, hr: float, d: ArrayLike, D: float, wavelength_m: float
) -> NDArray[np.float64]:
    """Fresnel parameter [-] of an edge at height z [m], d [km] along a ray from ht to hr [m], D [km] long."""
    z, d = np.asarray(z, dtype=float), np.asarray(d, dtype=float)
    return (z - (ht * (D - d) + hr * d) / D) * np.sqrt(0.002 * D / (wavelength_m * d * (D - d)))


# ---- 3 Line of sight ---------------------------------------------------------------------------------


def focusing(q: float, dlt: float, dlr: float) -> float:
    """E(q): correction for multipath and focusing at q percent of the time [dB]."""
    return 2.6 * (1 - np.exp(-0.1 * (dlt + dlr))) * np.log10(q / 50)


# ---- 4 Diffraction -----------------------------------------------------------------------------------


def knife_edge_loss_db(nu: ArrayLike) -> NDArray[np.float64]:
    """J(nu): loss over one edge [dB], same shape; 0 where nu <= -0.78. Also Rec. ITU-R P.526, section 4.1."""
    nu = np.asarray(nu, dtype=float)
    a = np.maximum(nu, -0.78) - 0.1
    return np.where(nu > -0.78, 6.9 + 20 * np.log10(np.sqrt(a**2 + 1) + a), 0.0)


def bullington(d: _Floats, z: _Floats, ht: float, hr: float, ap: float, f: float) -> float:
    """4.1: Bullington loss over the profile z [dB]; only the points between the ends count."""
    D, Ce, wavelength_m = float(d[-1]), 1 / ap, LIGHT_SPEED_GHZ_M / f
    di = d[1:-1]
    zi = z[1:-1] + 500 * Ce * di * (D - di)
    Stim = float(np.max((zi - ht) / di))
    Str = (hr - ht) / D
    if Stim < Str:
        nu = float(np.max(fresnel_nu(zi, ht, hr, di, D, wavelength_m)))
    else:
        Srim = float(np.max((zi - hr) / (D - di)))
        db = (hr - ht + Srim * D) / (Stim + Srim)
        nu = float(fresnel_nu(ht + Stim * db, ht, hr, db, D, wavelength_m))
    Luc = float(knife_edge_loss_db(nu))
    return Luc + (1 - np.exp(-Luc / 6)) * (10 + 0.02 * D)


LAND, SEA_WATER = (22.0, 0.003), (80.0, 5.0)  # relative permittivity, conductivity [S/m]


def first_term(D: float, f: float, a: float, ht: float, hr: float, omega: float, vertical: bool) -> float:
    """4.2: first-term spherical-Earth loss Ldft [dB], land and sea mixed by the share omega over the sea."""

    def over(ground: tuple[float, float]) -> float:
        epsr, sigma = ground
        K = 0.036 * (a * f) ** (-1 / 3) * ((epsr - 1) ** 2 + (18 * sigma / f) ** 2) ** -0.25
        if vertical:
            K *= (epsr**2 + (18 * sigma / f) ** 2) ** 0.5
        beta = (1 + 1.6 * K**2 + 0.67 * K**4) / (1 + 4.5 * K**2 + 1.53 * K**4)
        X = 21.88 * beta * (f / a**2) ** (1 / 3) * D
        F = 11 + 10 * np.log10(X) - 17.6 * X if X >= 1.6 else -20 * np.log10(X) - 5.6488 * X**1.425

        def G(h: float) -> float:
            B = beta * 0.9575 * beta * (f**2 / a) ** (1 / 3) * h
            if B > 2:
                gain = 17.6 * np.sqrt(B - 1.1) - 5 * np.log10(B - 1.1) - 8
            else:
                gain = 20 * np.log10(B + 0.1 * B**3)
            return max(gain, 2 + 20 * np.log10(K))

        return -F - G(ht) - G(hr)

    return omega * over(SEA_WATER) + (1 - omega) * over(LAND)


def spherical_earth(
    D: float, f: float, ap: float, ht: float, hr: float, omega: float, vertical: bool
) -> float:
    """4.3: spherical-Earth diffraction loss Ldsph [dB] for antennas ht, hr [m] above the smooth Earth."""
    dlos = np.sqrt(2 * ap) * (np.sqrt(0.001 * ht) + np.sqrt(0.001 * hr))
    if D >= dlos:  # noqa: SIM300
        return first_term(D, f, ap, ht, hr, omega, vertical)
    c = (ht - hr) / (ht + hr)
    m = 250 * D**2 / (ap * (ht + hr))
    inner = min(1.0, max(-1.0, 3 * c / 2 * np.sqrt(3 * m / (m + 1) ** 3)))
    b = 2 * np.sqrt((m + 1) / (3 * m)) * np.cos(np.pi / 3 + np.arccos(inner) / 3)
    d1 = D / 2 * (1 + b)
    d2 = D - d1
    hse = ((ht - 500 * d1**2 / ap) * d2 + (hr - 500 * d2**2 / ap) * d1) / D
    hreq = 17.456 * np.sqrt(d1 * d2 * (LIGHT_SPEED_GHZ_M / f) / D)
    if hse > hreq:
        return 0.0
    aem = 500 * (D / (np.sqrt(ht) + np.sqrt(hr))) ** 2
    return (1 - hse / hreq) * max(0.0, first_term(D, f, aem, ht, hr, omega, vertical))


def delta_bullington(
    d: _Floats,
    g: _Floats,
    hts: float,
    hrs: float,
    htep: float,
    hrep: float,
    ap: float,
    f: float,
    omega: float,
    vertical: bool,
) -> tuple[float, float, float, float]:
    """4.4: Ld, Lbulla, Lbulls, Ldsph [dB]; htep, hrep are hte' and hre', antennas above the smooth Earth."""
    Lbulla = bullington(d, g, hts, hrs, ap, f)
    Lbulls = bullington(d, np.zeros_like(d), htep, hrep, ap, f)
    Ldsph = spherical_earth(float(d[-1]), f, ap, htep, hrep, omega, vertical)
    return Lbulla + max(Ldsph - Lbulls, 0.0), Lbulla, Lbulls, Ldsph


# ---- 5 Tropospheric scatter --------------------------------------------------------------------------


def troposcatter(D: float, f: float, theta: float, n0: float, p: float) -> float:
    """Lbs: loss by scatter from the troposphere [dB]."""
    Lf = 25 * np.log10(f) - 2.5 * np.log10(f / 2) ** 2
    return 190.1 + Lf + 20 * np.log10(D) + 0.573 * theta - 0.15 * n0 - 10.125 * np.log10(50 / p) ** 0.7


# ---- 6 Ducting and layer reflection ------------------------------------------------------------------


def ducting(
    D: float,
    f: float,
    p: float,
    ae: float,
    b0: float,
    tau: float,
    omega: float,
    theta_t: float,
    theta_r: float,
    dlt: float,
    dlr: float,
    hte: float,
    hre: float,
    hm: float,
    hts: float,
    hrs: float,
    dct: float,
    dcr: float,
) -> float:
    """Lba: loss by ducts and layer reflection [dB]."""

    def shielding(theta: float, dl: float) -> float:
        th = theta - 0.1 * dl
        if th <= 0:
            return 0.0
        return 20 * np.log10(1 + 0.361 * th * np.sqrt(f * dl)) + 0.264 * th * f ** (1 / 3)

    def over_sea(dc: float, dl: float, hs: float) -> float:
        if omega < 0.75 or dc > 5 or dc > dl:
            return 0.0
        return -3 * np.exp(-0.25 * dc**2) * (1 + np.tanh(0.07 * (50 - hs)))

    Alf = 45.375 - 137 * f + 92.5 * f**2 if f < 0.5 else 0.0
    Af = (
        102.45
        + 20 * np.log10(f)
        + 20 * np.log10(dlt + dlr)
        + Alf
        + shielding(theta_t, dlt)
        + shielding(theta_r, dlr)
        + over_sea(dct, dlt, hts)
        + over_sea(dcr, dlr, hrs)
    )
    gd = 5e-5 * ae * f ** (1 / 3)
    thp = 1000 * D / ae + min(theta_t, 0.1 * dlt) + min(theta_r, 0.1 * dlr)
    dI = min(D - dlt - dlr, 40.0)
    log_mu3 = 0.0 if hm <= 10 else -4.6e-5 * (hm - 10) * (43 + 6 * dI) / np.log(10)
    alpha = max(-3.4, -0.6 - 3.5e-9 * D**3.1 * tau)
    log_mu2 = min(0.0, alpha * np.log10(500 * D**2 / (ae * (np.sqrt(hte) + np.sqrt(hre)) ** 2)))
    log_b = np.log10(b0) + log_mu2 + log_mu3  # the logarithm, for b itself underflows over steep ground
    Gam = (
        1.076 / (2.0058 - log_b) ** 1.012 * np.exp(-(9.51 - 4.8 * log_b + 0.198 * log_b**2) * 1e-6 * D**1.13)
    )
    log_pb = np.log10(p) - log_b
    Ap = -12 + (1.2 + 3.7e-3 * D) * log_pb + 12 * 10 ** (Gam * log_pb)
    return Af + gd * thp + Ap


# ---- 8 Locations -------------------------------------------------------------------------------------


def location_spread_db(
    frequency_hz: float, *, width_m: float, rx_height_m: float = 1.5, cover_m: float = 0.0
) -> float:
    """Standard deviation [dB] of the local median inside a square of side `width_m` round the receiver.

    rx_height_m : antenna above ground; cover_m : height of woods or buildings right there (0 on open road).
    It is the spread about the prediction for one pixel, not the model's error and not fading.
    """
    sigma_L = (0.52 + 0.024 * frequency_hz / 1e9) * width_m**0.28
    uh = min(1.0, max(0.0, 1 - (rx_height_m - cover_m) / 10))
    return uh * sigma_L
