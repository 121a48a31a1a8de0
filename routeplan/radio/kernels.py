"""Compiled twin of `short_path.link_loss_db`: one station, many receivers, profiles straight from rasters.

Symbols and sections are those of `p1812`, to be read beside it. The arithmetic differs, not the model:

- Points of a profile are equally spaced, so that positions count in intervals (i = 0..n) and slopes are in
  metres per interval: curvature adds k i (n - i) with k = 500 delta^2 / a. One pass over the points gathers
  every maximum; reciprocals 1/i come from a table, so that no point costs a division or a function.
- Angles are compared by their tangents, Fresnel parameters by their signed squares; both keep the order.
- The smooth profile of Lbulls is not walked: its slopes have one peak, found directly at the same points.
- Work that cannot change the result is left out: Lbulls where Ldsph <= 0, and the second effective radius
  where |Fi| < 1e-8 (p = 50), which is below 1e-6 dB.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from routeplan.compiled import kernel

# As in `woodland`, `short_path` and `batch`: written here again because numba's cache watches this file only.
NEAR_M, FULL_M, NEAR_POINTS, THIN_TOP_M = 250.0, 500.0, 25, 5.0
SHORT_M, LONG_M, NEAREST_M = 250.0, 500.0, 10.0
FEWEST_INTERVALS = 16


class Radio(NamedTuple):
    """What all links of one call share. Symbols of P.1812; f in GHz, wavelength in m, radii in km."""

    f: float
    wavelength: float
    p: float
    ae: float
    ab: float
    n0: float
    phi: float  # |latitude of the path centre| [deg]
    inverse_p: float  # I(p / 100)
    K_land: float  # K of section 4.2 is this times (a f)^(-1/3)
    K_sea: float
    gamma: float  # woodland: dB/m, and the loss that no depth exceeds [dB]
    Am: float


class Raster(NamedTuple):
    """Cells on one grid, row 0 the northmost, as flat arrays."""

    elevation: np.ndarray  # float32
    cover: np.ndarray  # float32, (0,) where there is none
    zone: np.ndarray  # uint8, (0,) where all is inland
    rows: int
    cols: int
    west_m: float
    north_m: float
    step_m: float


# ---- Rasters -----------------------------------------------------------------------------------------


@kernel
def bilinear(raster, c, r):
    """Height [m] at column c, row r (fractions allowed, inside the raster); NaN beside NaN."""
    ci, ri = int(c), int(r)
    return between(raster.elevation, raster.cols, ri * raster.cols + ci, c - ci, r - ri)


@kernel
def between(elevation, cols, at, u, v):
    """Bilinear height [m] at the shares u (east) and v (south) of the square of cell `at`."""
    at = np.uint64(at)
    below = at + np.uint64(cols)
    a, b = np.float64(elevation[at]), np.float64(elevation[at + np.uint64(1)])
    d, e = np.float64(elevation[below]), np.float64(elevation[below + np.uint64(1)])
    top = a + (b - a) * u
    return top + (d + (e - d) * u - top) * v


@kernel
def cell(raster, c, r):
    """Index of the cell that holds column c, row r (fractions allowed, inside the raster)."""
    return np.uint64(int(r + 0.5) * raster.cols + int(c + 0.5))


@kernel
def walk(n, cols, c0, r0, dc, dr, at, u, v, near):
    """Points i = 1..n-1 of the path: cell above and left of each, shares beyond it, and the nearest cell."""
    for i in range(1, n):
        c, r = c0 + dc * i, r0 + dr * i
        ci, ri = np.float64(np.int32(c)), np.float64(np.int32(r))
        u[i], v[i] = c - ci, r - ri
        at[i] = np.int32(ri * cols + ci)
        near[i] = np.int32(np.float64(np.int32(r + 0.5)) * cols + np.float64(np.int32(c + 0.5)))


@kernel
def zone_runs(zone, at, n):
    """Longest run of land, of inland, and all of the sea [intervals]; `at` (n + 1,) cells of the points."""
    longest_land = longest_inland = sea = 0.0
    land_from = inland_from = begin = 0.0  # where the present runs begin
    first = 0
    while first <= n:
        z = zone[np.uint64(at[first])]
        last = first
        while last < n and zone[np.uint64(at[last + 1])] == z:
            last += 1
        end = min(last + 0.5, float(n))
        if z == 1:
            sea += end - begin
            land_from = end
        else:
            longest_land = max(longest_land, end - land_from)
        if z == 4:
            longest_inland = max(longest_inland, end - inland_from)
        else:
            inland_from = end
        begin = end
        first = last + 1
    return longest_land, longest_inland, sea


# ---- 1 Radio-meteorology -----------------------------------------------------------------------------


@kernel
def beta0_percent(dtm, dlm, phi):
    """b0 [percent] and tau."""
    tau = 1 - math.exp(-4.12e-4 * dlm**2.41)
    mu1 = min(1.0, (10.0 ** (-dtm / (16 - 6.6 * tau)) + 10.0 ** (-5 * (0.496 + 0.354 * tau))) ** 0.2)
    if phi <= 70:
        return 10.0 ** (-0.015 * phi + 1.67) * mu1 ** (0.065 + 0.0176 * phi), tau
    return 4.17 * mu1**1.3, tau


@kernel
def inverse_normal(x):
    """I(x) for x <= 0.5 (all that beta0 and p can be)."""
    T = math.sqrt(-2 * math.log(max(x, 1e-6)))
    C = ((0.010328 * T + 0.802853) * T + 2.515516698) / (((0.001308 * T + 0.189269) * T + 1.432788) * T + 1)
    return T - C


# ---- 2 and 4.1 What the points of a profile decide ---------------------------------------------------


@kernel
def steepest(z, n, ht, hr, k, inverse):
    """max (z - ht)/i - k i and max (z - hr)/(n - i) - k (n - i): steepest slopes [m/interval]."""
    from_t = from_r = -math.inf
    for i in range(1, n):
        j = n - i
        from_t = max(from_t, (z[i] - ht) * inverse[i] - k * i)
        from_r = max(from_r, (z[i] - hr) * inverse[j] - k * j)
    return from_t, from_r


@kernel
def edges_below_sight(h, g, n, hts, hrs, k, inverse):
    """Greatest signed square of [z + k i (n - i) - ray] / sqrt(i (n - i)): over h, its last point, over g."""
    best_h = best_g = -math.inf
    lt = 1
    rise = (hrs - hts) / n
    for i in range(1, n):
        j = n - i
        ray = hts + rise * i - k * i * j
        weight = inverse[i] * inverse[j]
        a, b = h[i] - ray, g[i] - ray
        a = a * abs(a) * weight
        b = b * abs(b) * weight
        if a >= best_h:
            best_h = a
            lt = i
        if b > best_g:
            best_g = b
    return best_h, lt, best_g


# ---- 4 Diffraction -----------------------------------------------------------------------------------


@kernel
def bullington_loss(nu, D):
    """J(nu), and the Bullington loss that it stands for [dB]."""
    if nu <= -0.78:
        return 0.0
    a = nu - 0.1
    Luc = 6.9 + 20 * math.log10(math.sqrt(a * a + 1) + a)
    return Luc + (1 - math.exp(-Luc / 6)) * (10 + 0.02 * D)


@kernel
def bullington_point(from_t, from_r, n, ht, hr, k, per_interval):
    """nu over the point where the steepest rays from both ends meet; slopes as `steepest` gives them."""
    Stim, Srim = from_t + k * n, from_r + k * n
    db = (hr - ht + Srim * n) / (Stim + Srim)
    height = ht + Stim * db - (ht * (n - db) + hr * db) / n
    return height * math.sqrt(per_interval * n / (db * (n - db)))


@kernel
def greatest_nu(best, per_interval, n):
    """nu from the signed square that `edges_below_sight` gives."""
    return math.copysign(math.sqrt(abs(best) * per_interval * n), best)


@kernel
def smooth_nu(i, n, ht, hr, k):
    """nu, but for a constant factor, of the smooth Earth's bulge at point i."""
    j = n - i
    return (k * i * j - (ht * j + hr * i) / n) / math.sqrt(i * j)


@kernel
def smooth_slope(n, ht, k):
    """max -ht/i - k i over the points: its one peak is at sqrt(ht / k)."""
    i = min(max(int(math.sqrt(ht / k)), 1), n - 1)
    j = min(i + 1, n - 1)
    return max(-ht / i - k * i, -ht / j - k * j)


@kernel
def smooth_bullington(n, D, ht, hr, k, per_interval):
    """Lbulls [dB]: Bullington over a profile of zeros. In sight nu has one peak (it is concave in the angle
    atan sqrt(i / (n - i))), so that halving finds it."""
    from_t = smooth_slope(n, ht, k)
    if from_t + k * n < (hr - ht) / n:
        low, high = 1, n - 1
        while low < high:
            middle = (low + high) // 2
            if smooth_nu(middle, n, ht, hr, k) < smooth_nu(middle + 1, n, ht, hr, k):
                low = middle + 1
            else:
                high = middle
        nu = smooth_nu(low, n, ht, hr, k) * math.sqrt(per_interval * n)
    else:
        nu = bullington_point(from_t, smooth_slope(n, hr, k), n, ht, hr, k, per_interval)
    return bullington_loss(nu, D)


@kernel
def height_gain(beta, K, scale, h):
    """G of section 4.2 [dB]; scale = (f^2 / a)^(1/3)."""
    B = 0.9575 * beta * beta * scale * h
    if B > 2:
        gain = 17.6 * math.sqrt(B - 1.1) - 5 * math.log10(B - 1.1) - 8
    else:
        gain = 20 * math.log10(B + 0.1 * B**3)
    return max(gain, 2 + 20 * math.log10(K))


@kernel
def first_term_over(D, f, a, ht, hr, K_af):
    """-F - G - G of section 4.2 over one kind of ground [dB]."""
    cube_a = a ** (1 / 3)
    cube_f = f ** (1 / 3)
    K = K_af / (cube_a * cube_f)
    K2 = K * K
    beta = (1 + 1.6 * K2 + 0.67 * K2 * K2) / (1 + 4.5 * K2 + 1.53 * K2 * K2)
    X = 21.88 * beta * cube_f / (cube_a * cube_a) * D
    F = 11 + 10 * math.log10(X) - 17.6 * X if X >= 1.6 else -20 * math.log10(X) - 5.6488 * X**1.425
    scale = cube_f * cube_f / cube_a
    return -F - height_gain(beta, K, scale, ht) - height_gain(beta, K, scale, hr)


@kernel
def first_term(D, a, ht, hr, omega, radio):
    """Ldft [dB]."""
    loss = 0.0
    for share, K_af in ((omega, radio.K_sea), (1 - omega, radio.K_land)):
        if share > 0:
            loss += share * first_term_over(D, radio.f, a, ht, hr, K_af)
    return loss


@kernel
def spherical_earth(D, ap, ht, hr, omega, radio):
    """Ldsph [dB]."""
    dlos = math.sqrt(2 * ap) * (math.sqrt(0.001 * ht) + math.sqrt(0.001 * hr))
    a, share = ap, 1.0
    if dlos > D:
        c = (ht - hr) / (ht + hr)
        m = 250 * D * D / (ap * (ht + hr))
        inner = min(1.0, max(-1.0, 1.5 * c * math.sqrt(3 * m / (m + 1) ** 3)))
        b = 2 * math.sqrt((m + 1) / (3 * m)) * math.cos(math.pi / 3 + math.acos(inner) / 3)
        d1 = D / 2 * (1 + b)
        d2 = D - d1
        hse = ((ht - 500 * d1 * d1 / ap) * d2 + (hr - 500 * d2 * d2 / ap) * d1) / D
        hreq = 17.456 * math.sqrt(d1 * d2 * radio.wavelength / D)
        if hse > hreq:
            return 0.0
        a, share = 500 * (D / (math.sqrt(ht) + math.sqrt(hr))) ** 2, 1 - hse / hreq
    Ldft = first_term(D, a, ht, hr, omega, radio)
    return share * max(0.0, Ldft) if dlos > D else Ldft


@kernel
def delta_bullington(Lbulla, n, D, htep, hrep, ap, omega, radio):
    """Ld [dB] from Lbulla over the real profile."""
    Ldsph = spherical_earth(D, ap, htep, hrep, omega, radio)
    if Ldsph <= 0:
        return Lbulla
    delta = D / n
    Lbulls = smooth_bullington(n, D, htep, hrep, 500 * delta * delta / ap, 0.002 / (radio.wavelength * delta))
    return Lbulla + max(Ldsph - Lbulls, 0.0)


# ---- 6 Ducting and layer reflection ------------------------------------------------------------------


@kernel
def shielding(theta, dl, f):
    """Ast or Asr [dB]."""
    th = theta - 0.1 * dl
    if th <= 0:
        return 0.0
    return 20 * math.log10(1 + 0.361 * th * math.sqrt(f * dl)) + 0.264 * th * f ** (1 / 3)


@kernel
def over_sea(omega, at_sea, dl, hs):
    """Act or Acr [dB]: the coast is 0 km away at sea, else 500 km."""
    if omega < 0.75 or not at_sea or dl < 0:
        return 0.0
    return -3 * (1 + math.tanh(0.07 * (50 - hs)))


@kernel
def ducting(D, b0, tau, theta_t, theta_r, dlt, dlr, hte, hre, hm, couplings, radio):
    """Lba [dB]; couplings = Act + Acr."""
    f = radio.f
    Alf = 45.375 - 137 * f + 92.5 * f * f if f < 0.5 else 0.0
    Af = 102.45 + 20 * math.log10(f * (dlt + dlr)) + Alf + couplings
    Af += shielding(theta_t, dlt, f) + shielding(theta_r, dlr, f)
    gd = 5e-5 * radio.ae * f ** (1 / 3)
    thp = 1000 * D / radio.ae + min(theta_t, 0.1 * dlt) + min(theta_r, 0.1 * dlr)
    log_b = math.log10(b0)
    if hm > 10:
        log_b -= 4.6e-5 * (hm - 10) * (43 + 6 * min(D - dlt - dlr, 40.0)) / math.log(10.0)
    alpha = max(-3.4, -0.6 - 3.5e-9 * D**3.1 * tau)
    sum_root = math.sqrt(hte) + math.sqrt(hre)
    log_b += min(0.0, alpha * math.log10(500 * D * D / (radio.ae * sum_root * sum_root)))
    Gam = 1.076 / (2.0058 - log_b) ** 1.012 * math.exp(-(9.51 - 4.8 * log_b + 0.198 * log_b * log_b) * 1e-6 * D**1.13)
    log_pb = math.log10(radio.p) - log_b
    return Af + gd * thp - 12 + (1.2 + 3.7e-3 * D) * log_pb + 12 * 10.0 ** (Gam * log_pb)


# ---- 7 Combination -----------------------------------------------------------------------------------


@kernel
def log_add(a, b):
    """log(exp a + exp b) without overflow."""
    return max(a, b) + math.log1p(math.exp(-abs(a - b)))


@kernel
def combination(D, omega, theta, dlt, dlr, b0, Fi, Lbfs, Ld_50, Ld_b, Lba, radio):
    """Lb [dB] at 50 percent of the locations, from all that stands before section 7, and troposcatter (5)."""
    f, p = radio.f, radio.p
    Ldp = Ld_50 + Fi * (Ld_b - Ld_50)
    focus = 2.6 * (1 - math.exp(-0.1 * (dlt + dlr)))
    Lb0p = Lbfs + focus * math.log10(p / 50)
    Lb0b = Lbfs + focus * math.log10(b0 / 50)
    Lbd50 = Lbfs + Ld_50
    Lbd = Lb0p + Ldp
    Lf = 25 * math.log10(f) - 2.5 * math.log10(f / 2) ** 2
    Lbs = 190.1 + Lf + 20 * math.log10(D) + 0.573 * theta - 0.15 * radio.n0
    Lbs -= 10.125 * math.log10(50 / p) ** 0.7
    Fj = 1 - 0.5 * (1 + math.tanh(2.4 * (theta - 0.3) / 0.3))
    Fk = 1 - 0.5 * (1 + math.tanh(1.5 * (D - 20) / 20))
    if p < b0:
        Lminb0p = Lb0p + (1 - omega) * Ldp
    else:
        Lminb0p = Lbd50 + (Lb0b + (1 - omega) * Ldp - Lbd50) * Fi
    Lminbap = 2.5 * log_add(Lba / 2.5, Lb0p / 2.5)
    Lbda = Lbd if Lminbap > Lbd else Lminbap + (Lbd - Lminbap) * Fk
    Lbam = Lbda + (Lminb0p - Lbda) * Fj
    tenth = 0.2 * math.log(10.0)
    Lbc = -log_add(-tenth * Lbs, -tenth * Lbam) / tenth
    return max(Lb0p, Lbc)


# ---- Woodland round an antenna -----------------------------------------------------------------------


@kernel
def woodland_loss(raster, h, n, c0, r0, c1, r1, path_m, antenna_m, slope_m, sign, radio):
    """P.833 loss [dB] along the ray of tangent slope_m [m/m] near an antenna (see `woodland`)."""
    spacing = min(NEAR_M, path_m / 2) / NEAR_POINTS
    inside = 0.0
    for q in range(NEAR_POINTS):
        s = (q + 0.5) * spacing
        share = s / path_m if sign > 0 else 1 - s / path_m
        cover = np.float64(raster.cover[cell(raster, c0 + (c1 - c0) * share, r0 + (r1 - r0) * share)])
        i = min(int(share * n), n - 1)
        ground = h[i] + (h[i + 1] - h[i]) * (share * n - i)
        above = ground + cover - antenna_m - slope_m * s
        if above > cover:
            above = cover
        if above > THIN_TOP_M:
            above = THIN_TOP_M
        if not above < 0:  # lets NaN through
            inside += above / THIN_TOP_M
    return radio.Am * (1 - math.exp(-inside * spacing * radio.gamma / radio.Am))


# ---- One station, many receivers ---------------------------------------------------------------------


@kernel
def losses_db(first, past, raster, spacing_m, radio, tx_x, tx_y, tx_height, rx_x, rx_y, rx_height, inverse, loss):
    """Fill loss[first:past] [dB]; tx inside the raster, `inverse` 1/i up to the longest profile.

    rx_x, rx_y, rx_height, loss : (m,) float64; NaN where the profile meets NaN or leaves the raster.
    """
    h = np.empty(len(inverse) + 1)
    raised = np.empty(len(inverse) + 1)
    at, near = np.empty(len(inverse) + 1, np.int32), np.empty(len(inverse) + 1, np.int32)
    u, v = np.empty(len(inverse) + 1), np.empty(len(inverse) + 1)
    elevation, covers, zones, cols = raster.elevation, raster.cover, raster.zone, raster.cols
    has_cover, has_zone = len(raster.cover) > 0, len(raster.zone) > 0
    c0, r0 = (tx_x - raster.west_m) / raster.step_m, (raster.north_m - tx_y) / raster.step_m
    c0, r0 = min(c0, cols - 1 - 1e-9), min(r0, raster.rows - 1 - 1e-9)
    h_tx = bilinear(raster, c0, r0)
    hts = h_tx + tx_height
    for link in range(first, past):
        loss[link] = math.nan
        c1, r1 = (rx_x[link] - raster.west_m) / raster.step_m, (raster.north_m - rx_y[link]) / raster.step_m
        if not (0 <= c1 <= raster.cols - 1 and 0 <= r1 <= raster.rows - 1):
            continue
        c1, r1 = min(c1, cols - 1 - 1e-9), min(r1, raster.rows - 1 - 1e-9)
        path_m = math.hypot(rx_x[link] - tx_x, rx_y[link] - tx_y)
        n = max(FEWEST_INTERVALS, math.ceil(path_m / spacing_m))
        D = path_m / 1000
        delta = D / n
        k = 500 * delta * delta / radio.ae
        h_rx = bilinear(raster, c1, r1)
        hrs = h_rx + rx_height[link]

        # One pass: the profile (h bare, g with cover), its sums, and every maximum of sections 2 and 4.1
        g = raised if has_cover else h
        dc, dr = (c1 - c0) / n, (r1 - r0) / n
        rise = (hrs - hts) / n
        delta_m, ramp_points = path_m / n, math.ceil(FULL_M / max(path_m / n, 1e-9))
        total = moment = check = 0.0
        hobs = plain_t = plain_r = max_t = max_r = max_gt = max_gr = -math.inf
        lt = lr = 1
        h[0], h[n] = h_tx, h_rx
        walk(n, cols, c0, r0, dc, dr, at, u, v, near)
        for i in range(1, n):
            j = n - i
            hi = between(elevation, cols, at[i], u[i], v[i])
            h[i] = hi
            total += hi
            moment += hi * i
            inverse_i, inverse_j = inverse[i], inverse[j]
            hobs = max(hobs, hi - (hts + rise * i))
            slope_t = (hi - hts) * inverse_i
            slope_r = (hi - hrs) * inverse_j
            plain_t = max(plain_t, slope_t)
            plain_r = max(plain_r, slope_r)
            slope_t -= k * i
            slope_r -= k * j
            if slope_t > max_t:
                max_t = slope_t
                lt = i
            if slope_r >= max_r:
                max_r = slope_r
                lr = i
            if has_cover:
                cover = np.float64(covers[np.uint64(near[i])])
                check += cover
                end = min(i, j)
                if end < ramp_points:
                    cover *= min(max((end * delta_m - NEAR_M) / (FULL_M - NEAR_M), 0.0), 1.0)
                g[i] = hi + cover
                if cover != 0:
                    max_gt = max(max_gt, slope_t + cover * inverse_i)
                    max_gr = max(max_gr, slope_r + cover * inverse_j)
        check += total + hts + hrs
        if math.isnan(check):
            continue
        max_gt, max_gr = max(max_gt, max_t), max(max_gr, max_r)
        Lbfs = 92.4 + 20 * math.log10(radio.f)
        slant_km = math.hypot(D, (hts - hrs) / 1000)
        Lbfs += 20 * math.log10(max(slant_km, NEAREST_M / 1000))
        if path_m < NEAREST_M:
            loss[link] = Lbfs
            continue

        # 2.3 Horizons; 4.1 Bullington at the median radius
        per_interval = 0.002 / (radio.wavelength * delta)
        in_sight = max_t <= rise - k * n
        clear = max_gt + k * n < rise
        best_g = 0.0
        if in_sight or clear:
            _, los, best_g = edges_below_sight(h, g, n, hts, hrs, k, inverse)
            if in_sight:
                lt = lr = los
                max_t, max_r = rise - k * n, -rise - k * n
        if clear:
            nu = greatest_nu(best_g, per_interval, n)
        else:
            nu = bullington_point(max_gt, max_gr, n, hts, hrs, k, per_interval)
        Lbulla = bullington_loss(nu, D)

        wood = 0.0
        if has_cover:
            for antenna, slope, sign in ((hts, max_t, 1.0), (hrs, max_r, -1.0)):
                wood += woodland_loss(raster, h, n, c0, r0, c1, r1, path_m, antenna, slope / delta_m, sign, radio)
        share = min(max((path_m - SHORT_M) / (LONG_M - SHORT_M), 0.0), 1.0)
        short = Lbfs + Lbulla if share < 1 else 0.0
        if share <= 0:
            loss[link] = short + wood
            continue

        # 1 Radio-meteorology
        dtm, dlm, omega = D, D, 0.0
        tx_at_sea = rx_at_sea = False
        if has_zone:
            near[0], near[n] = cell(raster, c0, r0), cell(raster, c1, r1)
            land, inland, sea = zone_runs(zones, near, n)
            dtm, dlm, omega = land * delta, inland * delta, sea / n
            tx_at_sea, rx_at_sea = zones[near[0]] == 1, zones[near[n]] == 1
        b0, tau = beta0_percent(dtm, dlm, radio.phi)

        # 2.1 Smooth Earth: sums of section 2.1 for equal intervals
        v1 = 2 * total + h_tx + h_rx
        v2 = 6 * moment + h_tx + h_rx * (3 * n - 1)
        hst = (2 * v1 * n - v2) / (n * n)
        hsr = (v2 - v1 * n) / (n * n)
        # 2.2 For diffraction
        hstd, hsrd = hst, hsr
        if hobs > 0:
            aobt, aobr = plain_t - rise, plain_r + rise
            hstd -= hobs * aobt / (aobt + aobr)
            hsrd -= hobs * aobr / (aobt + aobr)
        hstd, hsrd = min(hstd, h_tx), min(hsrd, h_rx)
        # 2.3 Angles
        theta_t, theta_r = 1000 * math.atan(max_t / delta_m), 1000 * math.atan(max_r / delta_m)
        dlt, dlr = lt * delta, D - lr * delta
        theta = 1000 * D / radio.ae + theta_t + theta_r
        # 2.4 For ducting
        hst, hsr = min(hst, h_tx), min(hsr, h_rx)
        slope = (hsr - hst) / n
        hm = -math.inf
        for i in range(min(lt, lr), max(lt, lr) + 1):
            hm = max(hm, h[i] - slope * i)
        hm -= hst

        # 4 Diffraction for both radii
        htep, hrep = hts - hstd, hrs - hsrd
        Fi = radio.inverse_p / inverse_normal(b0 / 100) if radio.p > b0 else 1.0
        Ld_50 = Ld_b = 0.0
        for ap in (radio.ae, radio.ab):
            if ap == radio.ab:
                k = 500 * delta * delta / ap
                max_gt, max_gr = steepest(g, n, hts, hrs, k, inverse)
                if max_gt + k * n < rise:
                    _, _, best_g = edges_below_sight(h, g, n, hts, hrs, k, inverse)
                    nu = greatest_nu(best_g, per_interval, n)
                else:
                    nu = bullington_point(max_gt, max_gr, n, hts, hrs, k, per_interval)
                Lbulla = bullington_loss(nu, D)
            Ld_b = delta_bullington(Lbulla, n, D, htep, hrep, ap, omega, radio)
            if ap == radio.ae:
                Ld_50 = Ld_b
                if abs(Fi) < 1e-8:
                    break

        # 6 and 7
        couplings = over_sea(omega, tx_at_sea, dlt, hts) + over_sea(omega, rx_at_sea, dlr, hrs)
        Lba = ducting(
            D, b0, tau, theta_t, theta_r, dlt, dlr,
            tx_height + h_tx - hst, rx_height[link] + h_rx - hsr, hm, couplings, radio,
        )  # fmt: skip
        Lb = combination(D, omega, theta, dlt, dlr, b0, Fi, Lbfs, Ld_50, Ld_b, Lba, radio)
        loss[link] = (1 - share) * short + share * Lb + wood
