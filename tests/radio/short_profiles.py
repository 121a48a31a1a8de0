"""Nine short invented paths and what the reference software gives for them.

Expected values: reference software of ITU-R Study Group 3 for Rec. ITU-R P.1812-8 (OFCOM Switzerland), run
on 2026-11-25, printed to six decimals. Keys and units as in `routeplan.radio.p1812.terms`.
"""

from __future__ import annotations

from typing import Any, NamedTuple


class ShortPath(NamedTuple):
    name: str
    distance_km: tuple[float, ...]
    height_m: tuple[float, ...]
    cover_m: tuple[float, ...]
    zone: tuple[int, ...]
    link: dict[str, Any]  # keyword arguments of `basic_loss_db`
    expected: dict[str, float]


# fmt: off
SHORT_PATHS = (
    ShortPath(
        name="flat field, 2 m band",
        distance_km=(0, 1, 2, 3, 4, 5, 6,),
        height_m=(50, 50, 50, 50, 50, 50, 50,),
        cover_m=(0, 0, 0, 0, 0, 0, 0,),
        zone=(4, 4, 4, 4, 4, 4, 4,),
        link={
            "frequency_hz": 145e6, "tx_height_m": 10, "rx_height_m": 1.5, "polarisation": "vertical",
            "time_percent": 50, "location_percent": 50, "location_sigma_db": 0, "delta_n": 45, "n0": 325,
            "latitude_deg": 50,
        },
        expected={
            "phi_path": 50, "dtm": 6, "dlm": 6, "b0": 7.059877, "ae": 8930.776786, "ab": 19113, "omega": 0,
            "hst": 50, "hsr": 50, "hstd": 50, "hsrd": 50, "hte": 10, "hre": 1.5, "hm": 0, "dlt": 5,
            "dlr": 1, "theta_t": -1.752582, "theta_r": 1.080749, "theta": 1e-06, "pathtype": 1,
            "Lbfs": 91.190394, "Lb0p": 91.190394, "Lb0b": 90.193065, "Lbulla_50": 11.169861,
            "Lbulls_50": 11.169861, "Ldsph_50": 34.955223, "Ld_50": 34.955223, "Ld_b": 34.714796, "Fi": 0,
            "Ldp": 34.955223, "Lbd50": 126.145617, "Lbd": 126.145617, "Lminb0p": 126.145617,
            "Lba": 192.600053, "Lminbap": 192.600053, "Lbda": 126.145617, "Lbam": 126.145617,
            "Lbs": 132.700152, "Lbc": 126.041997, "Lloc": 0, "Lb": 126.041997,
        },
    ),
    ShortPath(
        name="one ridge, 2 m band",
        distance_km=(0, 1, 2, 3, 4, 5, 6, 7, 8,),
        height_m=(60, 65, 80, 140, 250, 150, 90, 70, 65,),
        cover_m=(0, 0, 0, 0, 0, 0, 0, 0, 0,),
        zone=(4, 4, 4, 4, 4, 4, 4, 4, 4,),
        link={
            "frequency_hz": 145e6, "tx_height_m": 12, "rx_height_m": 1.5, "polarisation": "vertical",
            "time_percent": 50, "location_percent": 50, "location_sigma_db": 0, "delta_n": 45, "n0": 325,
            "latitude_deg": 50,
        },
        expected={
            "phi_path": 50, "dtm": 8, "dlm": 8, "b0": 6.664888, "ae": 8930.776786, "ab": 19113, "omega": 0,
            "hst": 60, "hsr": 65, "hstd": 17.984375, "hsrd": 28.140625, "hte": 12, "hre": 1.5, "hm": 187.5,
            "dlt": 4, "dlr": 4, "theta_t": 44.247157, "theta_r": 45.619382, "theta": 90.762318,
            "pathtype": 2, "Lbfs": 93.689162, "Lb0p": 93.689162, "Lb0b": 92.436132, "Lbulla_50": 34.869036,
            "Lbulls_50": 0, "Ldsph_50": 0, "Ld_50": 34.869036, "Ld_b": 34.845728, "Fi": 0, "Ldp": 34.869036,
            "Lbd50": 128.558198, "Lbd": 128.558198, "Lminb0p": 128.558198, "Lba": 258.414255,
            "Lminbap": 258.414255, "Lbda": 128.558198, "Lbam": 128.558198, "Lbs": 187.205734,
            "Lbc": 128.558198, "Lloc": 0, "Lb": 128.558198,
        },
    ),
    ShortPath(
        name="one ridge, 70 cm band",
        distance_km=(0, 1, 2, 3, 4, 5, 6, 7, 8,),
        height_m=(60, 65, 80, 140, 250, 150, 90, 70, 65,),
        cover_m=(0, 0, 0, 0, 0, 0, 0, 0, 0,),
        zone=(4, 4, 4, 4, 4, 4, 4, 4, 4,),
        link={
            "frequency_hz": 433e6, "tx_height_m": 12, "rx_height_m": 1.5, "polarisation": "vertical",
            "time_percent": 50, "location_percent": 50, "location_sigma_db": 0, "delta_n": 45, "n0": 325,
            "latitude_deg": 50,
        },
        expected={
            "phi_path": 50, "dtm": 8, "dlm": 8, "b0": 6.664888, "ae": 8930.776786, "ab": 19113, "omega": 0,
            "hst": 60, "hsr": 65, "hstd": 17.984375, "hsrd": 28.140625, "hte": 12, "hre": 1.5, "hm": 187.5,
            "dlt": 4, "dlr": 4, "theta_t": 44.247157, "theta_r": 45.619382, "theta": 90.762318,
            "pathtype": 2, "Lbfs": 103.19156, "Lb0p": 103.19156, "Lb0b": 101.93853, "Lbulla_50": 39.70855,
            "Lbulls_50": 0, "Ldsph_50": 0, "Ld_50": 39.70855, "Ld_b": 39.685332, "Fi": 0, "Ldp": 39.70855,
            "Lbd50": 142.90011, "Lbd": 142.90011, "Lminb0p": 142.90011, "Lba": 258.410063,
            "Lminbap": 258.410063, "Lbda": 142.90011, "Lbam": 142.90011, "Lbs": 201.226765,
            "Lbc": 142.90011, "Lloc": 0, "Lb": 142.90011,
        },
    ),
    ShortPath(
        name="one ridge, 4 m band, horizontal",
        distance_km=(0, 1, 2, 3, 4, 5, 6, 7, 8,),
        height_m=(60, 65, 80, 140, 250, 150, 90, 70, 65,),
        cover_m=(0, 0, 0, 0, 0, 0, 0, 0, 0,),
        zone=(4, 4, 4, 4, 4, 4, 4, 4, 4,),
        link={
            "frequency_hz": 70.2e6, "tx_height_m": 12, "rx_height_m": 1.5, "polarisation": "horizontal",
            "time_percent": 50, "location_percent": 50, "location_sigma_db": 0, "delta_n": 45, "n0": 325,
            "latitude_deg": 50,
        },
        expected={
            "phi_path": 50, "dtm": 8, "dlm": 8, "b0": 6.664888, "ae": 8930.776786, "ab": 19113, "omega": 0,
            "hst": 60, "hsr": 65, "hstd": 17.984375, "hsrd": 28.140625, "hte": 12, "hre": 1.5, "hm": 187.5,
            "dlt": 4, "dlr": 4, "theta_t": 44.247157, "theta_r": 45.619382, "theta": 90.762318,
            "pathtype": 2, "Lbfs": 87.388544, "Lb0p": 87.388544, "Lb0b": 86.135514, "Lbulla_50": 31.659796,
            "Lbulls_50": 1.65062, "Ldsph_50": 2.275132, "Ld_50": 32.284308, "Ld_b": 32.215277, "Fi": 0,
            "Ldp": 32.284308, "Lbd50": 119.672852, "Lbd": 119.672852, "Lminb0p": 119.672852,
            "Lba": 252.397305, "Lminbap": 252.397305, "Lbda": 119.672852, "Lbam": 119.672852,
            "Lbs": 177.286707, "Lbc": 119.672852, "Lloc": 0, "Lb": 119.672852,
        },
    ),
    ShortPath(
        name="woods round the rider",
        distance_km=(0, 0.5, 1, 1.5, 2, 2.25, 2.5, 2.75, 3,),
        height_m=(40, 42, 45, 44, 50, 55, 52, 50, 48,),
        cover_m=(0, 0, 0, 10, 15, 15, 15, 15, 15,),
        zone=(4, 4, 4, 4, 4, 4, 4, 4, 4,),
        link={
            "frequency_hz": 145e6, "tx_height_m": 10, "rx_height_m": 1.5, "polarisation": "vertical",
            "time_percent": 50, "location_percent": 50, "location_sigma_db": 0, "delta_n": 45, "n0": 325,
            "latitude_deg": 50,
        },
        expected={
            "phi_path": 50, "dtm": 3, "dlm": 3, "b0": 7.671595, "ae": 8930.776786, "ab": 19113, "omega": 0,
            "hst": 40, "hsr": 48, "hstd": 38.711806, "hsrd": 48, "hte": 10, "hre": 1.5, "hm": 9,
            "dlt": 2.25, "dlr": 0.75, "theta_t": 2.09625, "theta_r": 7.291214, "theta": 9.723382,
            "pathtype": 2, "Lbfs": 85.169785, "Lb0p": 85.169785, "Lb0b": 84.621196, "Lbulla_50": 24.922577,
            "Lbulls_50": 10.289842, "Ldsph_50": 27.753541, "Ld_50": 42.386275, "Ld_b": 42.329004, "Fi": 0,
            "Ldp": 42.386275, "Lbd50": 127.55606, "Lbd": 127.55606, "Lminb0p": 127.55606, "Lba": 193.660819,
            "Lminbap": 193.660819, "Lbda": 127.55606, "Lbam": 127.55606, "Lbs": 132.251049,
            "Lbc": 127.319529, "Lloc": 0, "Lb": 127.319529,
        },
    ),
    ShortPath(
        name="two ridges, uneven spacing, 10 % time, 90 % locations",
        distance_km=(0, 0.4, 1.3, 2.9, 5, 6.2, 8.8, 11, 14.5, 18, 21.7, 24,),
        height_m=(210, 190, 120, 95, 310, 180, 140, 260, 330, 150, 120, 135,),
        cover_m=(0, 0, 10, 0, 15, 0, 0, 15, 15, 0, 10, 0,),
        zone=(4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4,),
        link={
            "frequency_hz": 145e6, "tx_height_m": 15, "rx_height_m": 1.5, "polarisation": "vertical",
            "time_percent": 10, "location_percent": 90, "location_sigma_db": 1.900641, "delta_n": 40,
            "n0": 325, "latitude_deg": 50,
        },
        expected={
            "phi_path": 50, "dtm": 24, "dlm": 24, "b0": 3.541561, "ae": 8549.119658, "ab": 19113,
            "omega": 0, "hst": 202.55026, "hsr": 135, "hstd": 114.82051, "hsrd": 112.71074, "hte": 22.44974,
            "hre": 1.5, "hm": 168.261355, "dlt": 5, "dlr": 9.5, "theta_t": 16.706018, "theta_r": 19.810216,
            "theta": 39.323541, "pathtype": 2, "Lbfs": 103.231644, "Lb0p": 101.840612, "Lb0b": 100.943456,
            "Lbulla_50": 33.534801, "Lbulls_50": 3.641908, "Ldsph_50": 5.129462, "Ld_50": 35.022355,
            "Ld_b": 34.562969, "Fi": 0.709328, "Ldp": 34.696499, "Lbd50": 138.253998, "Lbd": 136.537111,
            "Lminb0p": 136.399785, "Lba": 200.56331, "Lminbap": 200.56331, "Lbda": 136.537111,
            "Lbam": 136.537111, "Lbs": 159.393925, "Lbc": 136.537053, "Lloc": 2.436106, "Lb": 138.973159,
        },
    ),
    ShortPath(
        name="hilltop to valley, line of sight",
        distance_km=(0, 0.5, 1, 2, 3, 4, 5, 6,),
        height_m=(320, 280, 230, 160, 120, 100, 95, 92,),
        cover_m=(0, 0, 15, 0, 0, 0, 0, 0,),
        zone=(4, 4, 4, 4, 4, 4, 4, 4,),
        link={
            "frequency_hz": 433.5e6, "tx_height_m": 6, "rx_height_m": 1.5, "polarisation": "vertical",
            "time_percent": 50, "location_percent": 50, "location_sigma_db": 0, "delta_n": 45, "n0": 325,
            "latitude_deg": 50,
        },
        expected={
            "phi_path": 50, "dtm": 6, "dlm": 6, "b0": 7.059877, "ae": 8930.776786, "ab": 19113, "omega": 0,
            "hst": 258.958333, "hsr": 45.541667, "hstd": 258.958333, "hsrd": 45.541667, "hte": 67.041667,
            "hre": 47.958333, "hm": 38.826389, "dlt": 0.5, "dlr": 5.5, "theta_t": -39.066031,
            "theta_r": 38.395205, "theta": 0.001007, "pathtype": 1, "Lbfs": 100.709323, "Lb0p": 100.709323,
            "Lb0b": 99.711994, "Lbulla_50": 0, "Lbulls_50": 0, "Ldsph_50": 0, "Ld_50": 0, "Ld_b": 0,
            "Fi": 0, "Ldp": 0, "Lbd50": 100.709323, "Lbd": 100.709323, "Lminb0p": 100.709323,
            "Lba": 199.697071, "Lminbap": 199.697071, "Lbda": 100.709323, "Lbam": 100.709323,
            "Lbs": 146.735954, "Lbc": 100.709323, "Lloc": 0, "Lb": 100.709323,
        },
    ),
    ShortPath(
        name="coast and water, 1 % time",
        distance_km=(0, 2, 4, 6, 10, 15, 20, 26, 30, 34,),
        height_m=(80, 40, 12, 0, 0, 0, 0, 5, 30, 90,),
        cover_m=(0, 0, 0, 0, 0, 0, 0, 0, 10, 0,),
        zone=(4, 4, 3, 1, 1, 1, 1, 3, 4, 4,),
        link={
            "frequency_hz": 70.2e6, "tx_height_m": 10, "rx_height_m": 1.5, "polarisation": "vertical",
            "time_percent": 1, "location_percent": 50, "location_sigma_db": 0, "delta_n": 50, "n0": 325,
            "latitude_deg": 41,
        },
        expected={
            "phi_path": 41, "dtm": 11, "dlm": 6, "b0": 8.840007, "ae": 9348.102804, "ab": 19113,
            "omega": 0.529412, "hst": 5.785467, "hsr": 24.155709, "hstd": 5.785467, "hsrd": 24.155709,
            "hte": 84.214533, "hre": 67.344291, "hm": -13.889986, "dlt": 15, "dlr": 19,
            "theta_t": -1.774431, "theta_r": -1.862666, "theta": 4e-06, "pathtype": 1, "Lbfs": 99.956321,
            "Lb0p": 95.686419, "Lb0b": 98.065072, "Lbulla_50": 4.640193, "Lbulls_50": 5.825103,
            "Ldsph_50": 8.848922, "Ld_50": 7.664013, "Ld_b": 6.453627, "Fi": 1, "Ldp": 6.453627,
            "Lbd50": 107.620334, "Lbd": 102.140047, "Lminb0p": 98.72342, "Lba": 134.279521,
            "Lminbap": 134.279521, "Lbda": 102.140047, "Lbam": 98.75131, "Lbs": 123.174473,
            "Lbc": 98.751282, "Lloc": 0, "Lb": 98.751282,
        },
    ),
    ShortPath(
        name="far and low, 60 km",
        distance_km=(0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60,),
        height_m=(30, 60, 110, 90, 140, 180, 160, 120, 200, 150, 90, 60, 40,),
        cover_m=(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,),
        zone=(4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4, 4,),
        link={
            "frequency_hz": 145e6, "tx_height_m": 20, "rx_height_m": 1.5, "polarisation": "vertical",
            "time_percent": 50, "location_percent": 50, "location_sigma_db": 0, "delta_n": 45, "n0": 325,
            "latitude_deg": 50,
        },
        expected={
            "phi_path": 50, "dtm": 60, "dlm": 60, "b0": 1.310605, "ae": 8930.776786, "ab": 19113,
            "omega": 0, "hst": 30, "hsr": 40, "hstd": 30, "hsrd": 37.087847, "hte": 20, "hre": 1.5,
            "hm": 163.333333, "dlt": 10, "dlr": 20, "theta_t": 5.440085, "theta_r": 6.805172,
            "theta": 18.963597, "pathtype": 2, "Lbfs": 111.190385, "Lb0p": 111.190385, "Lb0b": 107.283209,
            "Lbulla_50": 30.924535, "Lbulls_50": 18.668456, "Ldsph_50": 51.984255, "Ld_50": 64.240334,
            "Ld_b": 61.102089, "Fi": 0, "Ldp": 64.240334, "Lbd50": 175.430719, "Lbd": 175.430719,
            "Lminb0p": 175.430719, "Lba": 267.203689, "Lminbap": 267.203689, "Lbda": 175.430719,
            "Lbam": 175.430719, "Lbs": 163.566292, "Lbc": 163.55711, "Lloc": 0, "Lb": 163.55711,
        },
    ),
)
# fmt: on
