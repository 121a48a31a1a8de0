"""Invented files of every kind that a debrief reads, and how to spoil them."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

import numpy as np

FIT_EPOCH = datetime(1989, 12, 31, tzinfo=UTC).timestamp()

CSV = """time,station,they_heard_me,i_heard_them,note
19:42,QI2WK,59,57,top of the hill
19:50:30,QI2WK,,no,behind the ridge
2026-08-27T20:01:00Z,QI5PS,R3 S4,yes,
20:10,QI5PS,no,,
"""
CARD = "over,code\n1,c\n2,n\n3,0\n"
ADIF = """A log, invented.
<ADIF_VER:5>3.1.6 <EOH>
<CALL:5>QI2WK <QSO_DATE:8>20260827 <TIME_ON:6>194200 <FREQ:7>145.450 <MODE:2>FM <RST_RCVD:2>59 <RST_SENT:2>57
<MY_GRIDSQUARE:8>HN31lf06 <EOR>
<CALL:5>QI5PS <QSO_DATE:8>20260827 <TIME_ON:4>1950 <BAND:2>2M <MODE:2>FM <RST_RCVD:1>4 <EOR>
"""
BEACONS = "\n".join(
    [
        "# received on Thursday evening, invented",
        "2026-08-27T19:05:10Z QX1ABC-7>APRS,QI2WK*,WIDE2-1:!4110.86N/03301.29Wb088/010/A=000123",
        "2026-08-27T19:06:10Z QX1ABC-7>APRS,qAR,QI5PS:@271906z4110.9 N/03301.3 Wb",
        "QX1ABC-7>APRS,WIDE1-1*:/190710h4110.90N/03301.40Wb",
        "2026-08-27 19:08:10 UTC: QX1ABC-7>APRS:=/<V\\!5&V#b7>7P[",
        'QX1ABC-7>TQQP9V,qAR,QI2WK:`|Ym"4^b/',
        "2026-08-27T19:09:10Z QX9ZZZ>APRS:>a status, no position",
        "2026-08-27T19:10:10Z QX1ABC-7>APRS:!nonsense",
    ]
)
GPX = """<?xml version="1.0"?>
<gpx version="1.1" creator="invented" xmlns="http://www.topografix.com/GPX/1/1"><trk><name>A ride</name><trkseg>
<trkpt lat="41.18095" lon="-33.02152"><ele>12.5</ele><time>2026-08-27T19:05:00Z</time></trkpt>
<trkpt lat="41.18105" lon="-33.02142"><ele>12.9</ele><time>2026-08-27T19:05:05Z</time></trkpt>
<trkpt lat="41.18115" lon="-33.02132"><ele>13.1</ele><time>2026-08-27T19:05:10Z</time></trkpt>
</trkseg></trk></gpx>
"""


def fit_bytes(
    latitude_deg: np.ndarray, longitude_deg: np.ndarray, elevation_m: np.ndarray, time_s: np.ndarray
) -> bytes:
    """A FIT file with one record for each point; layout from the public protocol description."""
    body = bytes([0x40, 0, 0]) + struct.pack("<HB", 20, 4)
    for number, size, kind in ((253, 4, 0x86), (0, 4, 0x85), (1, 4, 0x85), (2, 2, 0x84)):
        body += bytes([number, size, kind])
    for north, east, metres, seconds in zip(latitude_deg, longitude_deg, elevation_m, time_s):
        semicircles = [round(float(v) * 2**31 / 180) for v in (north, east)]
        body += b"\0" + struct.pack("<IiiH", int(seconds - FIT_EPOCH), *semicircles, round((float(metres) + 500) * 5))
    head = struct.pack("<BBHI4s", 14, 0x10, 2132, len(body), b".FIT")
    head += struct.pack("<H", _crc(head))
    return head + body + struct.pack("<H", _crc(head + body))


def _crc(data: bytes) -> int:
    table = (
        0x0000,
        0xCC01,
        0xD801,
        0x1400,
        0xF001,
        0x3C00,
        0x2800,
        0xE401,
        0xA001,
        0x6C00,
        0x7800,
        0xB401,
        0x5000,
        0x9C01,
        0x8801,
        0x4400,
    )
    crc = 0
    for byte in data:
        for part in (byte & 0xF, byte >> 4):
            crc = ((crc >> 4) & 0x0FFF) ^ table[crc & 0xF] ^ table[part]
    return crc


FIT = fit_bytes(
    np.array([41.18, 41.181, 41.182]),
    np.array([-33.02, -33.021, -33.022]),
    np.array([12.0, 13.0, 14.0]),
    np.array([1787857500.0, 1787857505.0, 1787857510.0]),
)


def mutations(original: bytes, count: int, seed: int = 0) -> Iterator[bytes]:
    """`original` spoilt at random: bytes changed, cut out, doubled, swapped, inserted; lines too."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        data = bytearray(original)
        for _ in range(int(rng.integers(1, 6))):
            _spoil(data, rng)
        yield bytes(data)


_TOKENS = (
    b"\0",
    b"\xff",
    b"\n",
    b",",
    b";",
    b'"',
    b"<",
    b">",
    b"&",
    b"nan",
    b"inf",
    b"1e999",
    b"99999999999999999999",
    b"-",
    b"<CALL:99999>",
    b"<EOR>",
    b"9" * 5000,
    b"\xc3\xa9",
    b"T25:61:61Z",
    b"<trkpt/>",
    b"*",
    b"}A>B:",
    b"\r",
)


def _spoil(data: bytearray, rng: np.random.Generator) -> None:
    if not data:
        return
    at, to = sorted(rng.integers(0, len(data) + 1, 2).tolist())
    tricks: list[Callable[[], None]] = [
        lambda: data.__setitem__(min(at, len(data) - 1), int(rng.integers(256))),
        lambda: data.__delitem__(slice(at, min(to, at + 40))),
        lambda: data.__setitem__(slice(at, at), bytes(data[at : min(to, at + 200)])),
        lambda: data.__setitem__(slice(at, at), _TOKENS[int(rng.integers(len(_TOKENS)))]),
        lambda: data.__delitem__(slice(at, None)),
        lambda: data.__setitem__(slice(at, at + 8), rng.integers(0, 256, 8, dtype=np.uint8).tobytes()),
        lambda: data.__setitem__(min(at, len(data) - 1), int(data[min(to, len(data) - 1)])),
    ]
    tricks[int(rng.integers(len(tricks)))]()
