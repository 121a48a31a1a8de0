"""Logs in the Amateur Data Interchange Format: contacts into reports, and a ride's log out.

Field names and forms: ADIF 3.1.6 (2025), in our own words. Reading uses the optional library adif-io, writing none.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from routeplan.afterwards.reports import HeardFile, Report, WrongLine, reception_of
from routeplan.errors import InputError
from routeplan.geo import locator_to_latlon

VERSION = "3.1.6"
BANDS = (
    (50, 54, "6m"),
    (70, 71, "4m"),
    (144, 148, "2m"),
    (222, 225, "1.25m"),
    (420, 450, "70cm"),
    (1240, 1300, "23cm"),
)


def read_adif(text: str, name: str) -> HeardFile:
    """Reports from a log's text. RST_RCVD is how the station heard the rider, RST_SENT how the rider heard it.

    Raises InputError where adif-io is not installed or the log has no end of its header.
    """
    try:
        import adif_io
    except ImportError:
        raise InputError(
            "reading ADIF needs adif-io, which is not installed", name, "pip install 'routeplan[adif]', or give CSV"
        ) from None
    reports, wrong = [], []
    body = re.split(r"<eoh>", text, maxsplit=1, flags=re.I)[-1]
    records = [record for record in re.split(r"<eor>", body, flags=re.I) if "<" in record]
    for number, record in enumerate(records, 1):
        where = f"{name}, contact {number}"
        try:
            parsed, _ = adif_io.read_from_string(record[record.index("<") :] + "<eor>")
            reports.append(_report(dict(parsed[0]), where))
        except (adif_io.AdifError, ValueError, IndexError, KeyError, OverflowError) as error:
            wrong.append(WrongLine(where, str(error) or type(error).__name__, " ".join(record.split())[:60]))
    return HeardFile(name, "ADIF log", tuple(reports), tuple(wrong))


def _report(fields: Mapping[str, str], where: str) -> Report:
    station = fields.get("CALL", "").strip().upper()
    if not station:
        raise ValueError("no CALL")
    date, clock = fields.get("QSO_DATE", ""), fields.get("TIME_ON", "")
    if not re.fullmatch(r"\d{8}", date, re.ASCII) or not re.fullmatch(r"\d{4}(\d{2})?", clock, re.ASCII):
        raise ValueError(f"no time: QSO_DATE {date!r}, TIME_ON {clock!r}")
    moment = datetime.strptime(date + clock.ljust(6, "0"), "%Y%m%d%H%M%S").replace(tzinfo=UTC)
    they, i = reception_of(fields.get("RST_RCVD", "")), reception_of(fields.get("RST_SENT", ""))
    latitude, longitude, within = _place(fields)
    frequency = _float(fields.get("FREQ", ""))
    return Report(
        station=station, they=they, i=i, answered=True, time_s=moment.timestamp(),
        latitude_deg=latitude, longitude_deg=longitude, place_within_m=within,
        frequency_mhz=frequency if 1 <= frequency <= 3000 else math.nan, where=where,
    )  # fmt: skip


def _float(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


_PLACE = re.compile(r"([NSEWnsew])(\d{3}) (\d{2}\.\d{1,3})", re.ASCII)


def _place(fields: Mapping[str, str]) -> tuple[float, float, float]:
    north, east = _PLACE.fullmatch(fields.get("MY_LAT", "")), _PLACE.fullmatch(fields.get("MY_LON", ""))
    if north and east:
        latitude, longitude = ((int(m[2]) + float(m[3]) / 60) * (-1 if m[1] in "SWsw" else 1) for m in (north, east))
        if abs(latitude) <= 90 and abs(longitude) <= 180:
            return latitude, longitude, 0.0
    locator = fields.get("MY_GRIDSQUARE", "").strip()
    if len(locator) >= 6:
        try:
            return *locator_to_latlon(locator), 2300.0 if len(locator) < 8 else 230.0
        except InputError:
            pass
    return math.nan, math.nan, 0.0


# --- writing -----------------------------------------------------------------------------------------------------


def adif_text(records: Iterable[Mapping[str, Any]], version: str, written: datetime) -> str:
    """An ADI file's text from records of field names and values; non-ASCII letters become "?" as ADI demands."""
    head = {"ADIF_VER": VERSION, "PROGRAMID": "ROUTEPLAN", "PROGRAMVERSION": version,
            "CREATED_TIMESTAMP": f"{written.astimezone(UTC):%Y%m%d %H%M%S}"}  # fmt: skip
    lines = ["Log of a ride, written by routeplan.", *(_field(*item) for item in head.items()), "<EOH>"]
    for record in records:
        lines.append(" ".join(_field(key, value) for key, value in record.items() if str(value) != "") + " <EOR>")
    return "\n".join(lines) + "\n"


def _field(name: str, value: Any) -> str:
    text = "".join(c if " " <= c <= "~" else "?" for c in str(value))
    return f"<{name}:{len(text)}>{text}"


def band_name(frequency_mhz: float) -> str:
    """Band as ADIF names it, "" where it is none of the amateur bands known here."""
    return next((name for low, high, name in BANDS if low <= frequency_mhz <= high), "")


def location(degrees: float, letters: str) -> str:
    """Degrees as ADIF writes them, "N041 10.857"; letters "NS" or "EW"."""
    minutes = round(abs(degrees) * 60, 3)
    return f"{letters[degrees < 0]}{int(minutes // 60):03d} {minutes % 60:06.3f}"
