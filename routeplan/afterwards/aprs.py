"""Position beacons as other stations received them: text lines into reports.

From the public protocol text "APRS Protocol Reference 1.0.1" (2000), in our own words: positions without and with a
time stamp (chapters 6 and 8), compressed positions (9), Mic-E (10), third-party packets (17). Other packets are
left out and counted.
"""

from __future__ import annotations

import calendar
import math
import re
from datetime import UTC, datetime
from typing import NamedTuple

from routeplan.afterwards.reports import HeardFile, Reception, Report, WrongLine, nearest_day_s, time_of

RECEIVED = Reception(5, 5)
KNOT_M_S = 1852 / 3600
LATITUDE_MINUTE_M = 1852.0


class Packet(NamedTuple):
    """A received line taken apart."""

    source: str
    destination: str
    path: tuple[str, ...]
    information: str


class Position(NamedTuple):
    """Where a packet says its sender is."""

    latitude_deg: float
    longitude_deg: float
    within_m: float  # half the cell that ambiguity leaves; 0: as exact as the format
    stamp: str = ""  # time stamp of seven characters, or ""
    speed_m_s: float = math.nan
    course_deg: float = math.nan


class NoPosition(Exception):
    """A packet of another kind: nothing is wrong with it."""


class Malformed(Exception):
    """Why a packet cannot be read."""


_HEAD = re.compile(r"([A-Za-z0-9]{1,9}(?:-[A-Za-z0-9]{1,2})?)>([^:,]{1,9})((?:,[^:,]*)*):(.+)", re.S)
_LOGGED = re.compile(
    r"\[?(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2}:\d{2})(?:\.\d+)?\s*(Z|UTC|[+-]\d{2}:?\d{2})?\]?:?\s+(?=\S)"
    r"|\[?(\d{2}:\d{2}:\d{2})\s*(?:Z|UTC)?\]?:?\s+(?=\S)"
)


def read_beacons(text: str, name: str, *, around_s: float = math.nan) -> HeardFile:
    """Reports from received lines; text decoded as Latin-1, since Mic-E uses all bytes.

    A line may begin with the time of reception, UTC unless it names a zone. Without it the packet's own time stamp
    counts, without a day: that nearest to `around_s`.
    """
    reports, wrong, left_out = [], [], 0
    for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), 1):
        line = line.rstrip("\r")
        if not line.strip() or line.startswith("#"):
            continue
        where = f"{name}, line {number}"
        try:
            logged_s, rest = _logged(line, around_s)
            packet = take_apart(rest)
            position = position_of(packet)
        except NoPosition:
            left_out += 1
            continue
        except Malformed as error:
            wrong.append(WrongLine(where, str(error), line.strip()[:60]))
            continue
        time_s = logged_s if math.isfinite(logged_s) else stamp_s(position.stamp, around_s)
        reports.append(
            Report(
                station=receiver(packet) or name.rsplit(".", 1)[0],
                they=RECEIVED,
                i=None,
                answered=None,
                time_s=time_s,
                latitude_deg=position.latitude_deg,
                longitude_deg=position.longitude_deg,
                place_within_m=position.within_m,
                beacon=True,
                source=packet.source,
                where=where,
            )
        )
    return HeardFile(name, "beacons", tuple(reports), tuple(wrong), left_out)


def _logged(line: str, around_s: float) -> tuple[float, str]:
    found = _LOGGED.match(line)
    if not found:
        return math.nan, line.lstrip()
    rest = line[found.end() :]
    if found[4]:
        return time_of(found[4], UTC, around_s), rest
    zone = {"Z": "+00:00", "UTC": "+00:00", None: "+00:00"}.get(found[3], found[3])
    return time_of(f"{found[1]}T{found[2]}{zone}", UTC, around_s), rest


def take_apart(line: str) -> Packet:
    """Source, destination, path and information of "SOURCE>DESTINATION,PATH:information"."""
    found = _HEAD.match(line)
    if not found:
        raise Malformed("not SOURCE>DESTINATION,PATH:information")
    information = found[4]
    if information.startswith("}"):  # third party: the packet that was passed on counts
        inner = _HEAD.match(information[1:])
        if not inner:
            raise Malformed("a third-party packet without a packet in it")
        return Packet(inner[1].upper(), inner[2], tuple(inner[3].split(",")[1:]), inner[4])
    return Packet(found[1].upper(), found[2], tuple(found[3].split(",")[1:]), information)


_ALIAS = re.compile(r"(WIDE|TRACE|RELAY|TCPIP|TCPXX|ECHO|GATE|RFONLY|NOGATE)[0-9-]*\*?", re.I)


def receiver(packet: Packet) -> str:
    """Who heard the sender directly: the first digipeater that was used, else the gateway; "" if neither is named."""
    path = list(packet.path)
    gateway = ""
    for k, hop in enumerate(path):
        if re.fullmatch(r"qA[A-Za-z]", hop):
            gateway = path[k + 1].strip("*") if k + 1 < len(path) else ""
            path = path[:k]
            break
    last_used = max((k for k, hop in enumerate(path) if hop.endswith("*")), default=-1)
    if last_used < 0:
        return gateway.upper()
    first = path[0].strip("*")
    return "" if _ALIAS.fullmatch(first) else first.upper()


# --- positions ---------------------------------------------------------------------------------------------------


def position_of(packet: Packet) -> Position:
    """The position in a packet. Raises NoPosition for other kinds, Malformed for a position that cannot be read."""
    text = packet.information
    kind, body = text[0], text[1:]
    if kind in "!=":
        return _position(body)
    if kind in "/@":
        stamp = body[:7]
        if not re.fullmatch(r"\d{6}[z/h]", stamp):
            raise Malformed(f"time stamp {stamp!r} is not like 092345z")
        return _position(body[7:])._replace(stamp=stamp)
    if kind in "`'\x1c\x1d":
        return _mic_e(packet.destination, body)
    at = text.find("!", 0, 40)  # a position may follow within the first 40 characters (chapter 5)
    if at > 0 and kind not in ">:;)_T?<":
        try:
            return _position(text[at + 1 :])
        except Malformed:
            raise NoPosition from None
    raise NoPosition


def _position(body: str) -> Position:
    if not body:
        raise Malformed("ends before the position")
    if body[0].isdigit() or body[0] == " ":
        return _plain(body)
    if re.match(r"[/\\A-Za-j]", body[0]):
        return _compressed(body)
    raise Malformed(f"no position begins with {body[0]!r}")


_PLAIN = re.compile(r"(\d{2})([0-5 ][0-9 ])\.([0-9 ]{2})([NSns])(.)(\d{3})([0-5 ][0-9 ])\.([0-9 ]{2})([EWew])(.)")


def _plain(body: str) -> Position:
    """DDMM.mmN/DDDMM.mmW and symbol; spaces for digits leave the place open, the latitude's count for both."""
    found = _PLAIN.match(body)
    if not found:
        raise Malformed("position is not like 4903.50N/07201.75W")
    digits = found[2] + found[3]
    blanks = len(digits) - len(digits.rstrip(" "))
    if " " in digits.rstrip(" "):
        raise Malformed("spaces amid the digits of the latitude")
    latitude = int(found[1]) + _minutes(digits, blanks) / 60
    longitude = int(found[6]) + _minutes(found[7] + found[8], blanks) / 60
    if latitude > 90 or longitude > 180:
        raise Malformed("no such place on the Earth")
    extension = body[found.end() : found.end() + 7]
    speed = course = math.nan
    if re.fullmatch(r"\d{3}/\d{3}", extension):
        course, speed = float(extension[:3]), int(extension[4:]) * KNOT_M_S
    return Position(
        -latitude if found[4] in "Ss" else latitude, -longitude if found[9] in "Ww" else longitude,
        _blur_m(blanks), "", speed, course,
    )  # fmt: skip


def _minutes(digits: str, blanks: int) -> float:
    """Minutes of "MMmm" with the last `blanks` digits unknown: the middle of what they leave open."""
    known = digits[: 4 - blanks].replace(" ", "0") + "0000"
    return int(known[:4]) / 100 + _open_minutes(blanks) / 2


def _open_minutes(blanks: int) -> float:
    return (0.0, 0.1, 1.0, 10.0, 60.0)[blanks]


def _blur_m(blanks: int) -> float:
    return _open_minutes(blanks) / 2 * LATITUDE_MINUTE_M


def _compressed(body: str) -> Position:
    """Four characters of latitude, four of longitude, a symbol, course and speed, all in base 91 (chapter 9)."""
    if len(body) < 10:
        raise Malformed("a compressed position of less than 10 characters")
    values = [ord(c) - 33 for c in body[1:9]]
    if not all(0 <= v <= 90 for v in values):
        raise Malformed("characters outside base 91")
    y = ((values[0] * 91 + values[1]) * 91 + values[2]) * 91 + values[3]
    x = ((values[4] * 91 + values[5]) * 91 + values[6]) * 91 + values[7]
    latitude, longitude = 90 - y / 380926, -180 + x / 190463
    speed = course = math.nan
    if len(body) >= 13 and body[10] != " " and 0 <= ord(body[10]) - 33 <= 89 and (ord(body[12]) - 33) & 0x18 != 0x10:
        course = (ord(body[10]) - 33) * 4.0
        speed = (1.08 ** (ord(body[11]) - 33) - 1) * KNOT_M_S if 33 <= ord(body[11]) <= 126 else math.nan
    return Position(latitude, longitude, 0.0, "", speed, course)


def _mic_e(destination: str, body: str) -> Position:
    """Latitude in the destination address, longitude, speed and course in the information (chapter 10)."""
    address = destination.split("-")[0].upper()
    if len(address) != 6 or not re.fullmatch(r"[0-9A-LP-Z]{3}[0-9LP-Z]{3}", address):
        raise Malformed(f"destination {destination!r} holds no Mic-E latitude")
    if len(body) < 8:
        raise Malformed("Mic-E information of less than 9 characters")
    digits = "".join(_mic_e_digit(c) for c in address)
    blanks = len(digits) - len(digits.rstrip(" "))
    if blanks > 4 or " " in digits.rstrip(" "):
        raise Malformed("spaces amid the digits of the latitude")
    north, hundred, west = (c >= "P" for c in address[3:6])
    latitude = int(digits[:2]) + _minutes(digits[2:], blanks) / 60
    degrees, minutes, hundredths, tens, middle, units = (ord(c) - 28 for c in body[:6])
    if not (0 <= degrees <= 99 and 0 <= minutes <= 99 and 0 <= hundredths <= 99):
        raise Malformed("Mic-E longitude out of range")
    degrees += 100 * hundred
    degrees -= 80 * (180 <= degrees <= 189) + 190 * (190 <= degrees <= 199)
    minutes -= 60 * (minutes >= 60)
    longitude = degrees + _minutes(f"{minutes:02d}{hundredths:02d}", blanks) / 60
    if latitude > 90 or longitude > 180 or int(digits[2:4].replace(" ", "0")) > 59:
        raise Malformed("no such place on the Earth")
    speed = tens * 10 + middle // 10
    course = middle % 10 * 100 + units
    speed -= 800 * (speed >= 800)
    course -= 400 * (course >= 400)
    known = speed >= 0 and 0 <= course <= 360
    return Position(
        latitude if north else -latitude, -longitude if west else longitude, _blur_m(blanks), "",
        speed * KNOT_M_S if known else math.nan, float(course) if known else math.nan,
    )  # fmt: skip


def _mic_e_digit(character: str) -> str:
    if character in "KLZ":
        return " "
    return character if character.isdigit() else str((ord(character) - ord("A" if character < "K" else "P")) % 10)


# --- time stamps -------------------------------------------------------------------------------------------------


def stamp_s(stamp: str, around_s: float) -> float:
    """Seconds since 1970 of a time stamp: day, hour, minute (z; / is local, read as UTC) or hour, minute, second (h).

    The month, or the day, is the one that brings it nearest to `around_s`; NaN where there is no such time.
    """
    if not stamp or math.isnan(around_s):
        return math.nan
    a, b, c = int(stamp[:2]), int(stamp[2:4]), int(stamp[4:6])
    if stamp[6] == "h":
        return nearest_day_s(a * 3600 + b * 60 + c, UTC, around_s) if a < 24 and b < 60 and c < 60 else math.nan
    if not (1 <= a <= 31 and b < 24 and c < 60):
        return math.nan
    try:
        middle = datetime.fromtimestamp(around_s, UTC)
    except (ValueError, OverflowError, OSError):
        return math.nan
    moments = []
    for shift in (-1, 0, 1):
        month = middle.year * 12 + middle.month - 1 + shift
        year, month = divmod(month, 12)
        if 1 <= year <= 9999 and a <= calendar.monthrange(year, month + 1)[1]:
            moments.append(datetime(year, month + 1, a, b, c, tzinfo=UTC).timestamp())
    return min(moments, key=lambda moment: abs(moment - around_s), default=math.nan)
