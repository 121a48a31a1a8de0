"""Amateur bands: name, range, what one usually carries there, and how (or whether) this tool predicts
them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from routeplan.errors import InputError

Predicted = Literal["terrain", "ground wave", "not predicted"]
CHECK_LICENCE = "check your licence"


@dataclass(frozen=True)
class Band:
    """One band. The range is the widest of the three regions of the Radio Regulations, so always: check your
    licence.
    """

    name: str
    lowest_mhz: float
    highest_mhz: float
    middle_mhz: float  # where its FM or mobile working is, for tables by band
    typical_set: str
    typical_w: float
    predicted: Predicted
    note: str

    @property
    def wavelength_m(self) -> float:
        return 299.792458 / self.middle_mhz


_HF = "ground wave only tells of the nearest kilometres; the sky wave depends on the hour and the sun"
BANDS: tuple[Band, ...] = (
    Band("80 m", 3.5, 4.0, 3.65, "portable HF set, long wire", 10.0, "not predicted", _HF),
    Band("40 m", 7.0, 7.3, 7.1, "portable HF set, long wire or loaded whip", 10.0, "not predicted", _HF),
    Band("10 m", 28.0, 29.7, 29.6, "portable HF or 10 m FM set, loaded whip", 10.0, "ground wave",
         "upper limit: ground wave over smooth earth, hills ignored"),
    Band("6 m", 50.0, 54.0, 51.5, "multi-band set, long whip", 5.0, "terrain", CHECK_LICENCE),
    Band("4 m", 69.9, 70.5, 70.45, "handheld or converted mobile", 5.0, "terrain",
         f"allotted in some countries only: {CHECK_LICENCE}"),
    Band("2 m", 144.0, 148.0, 145.5, "handheld", 5.0, "terrain", CHECK_LICENCE),
    Band("70 cm", 420.0, 450.0, 433.5, "handheld", 5.0, "terrain", CHECK_LICENCE),
    Band("23 cm", 1240.0, 1325.0, 1297.5, "handheld with a third band", 1.0, "terrain",
         f"shared, and narrowed in many countries: {CHECK_LICENCE}"),
)  # fmt: skip


def band_of(frequency_mhz: float, where: str = "") -> Band:
    """The band that holds a frequency [MHz]. Error: none does; a frequency in kHz, Hz or GHz is recognised
    as such.
    """
    where = where or f"frequency_mhz = {frequency_mhz:g}"
    found = _lookup(frequency_mhz)
    if found:
        return found
    for factor, unit in ((1e-3, "kHz"), (1e-6, "Hz"), (1e3, "GHz")):
        meant = _lookup(frequency_mhz * factor)
        if meant:
            mhz = f"{frequency_mhz * factor:.6f}".rstrip("0").rstrip(".")
            raise InputError(f"given in {unit}? Frequencies are in MHz", where, f"meant {mhz} MHz ({meant.name})?")
    near = min(BANDS, key=lambda b: max(b.lowest_mhz / max(frequency_mhz, 1e-9), frequency_mhz / b.highest_mhz))
    table = ", ".join(f"{b.name} {b.lowest_mhz:g}-{b.highest_mhz:g}" for b in BANDS)
    raise InputError(
        f"in no amateur band known here ({table} MHz)", where, f"the nearest is {near.name}; {CHECK_LICENCE}"
    )


def _lookup(frequency_mhz: float) -> Band | None:
    return next((b for b in BANDS if b.lowest_mhz <= frequency_mhz <= b.highest_mhz), None)
