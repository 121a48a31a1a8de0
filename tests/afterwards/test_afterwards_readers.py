"""Readers of reports and tracks."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import invented_files as files
import numpy as np
import pytest

from routeplan.afterwards import adif, aprs
from routeplan.afterwards.reports import (
    CLEAR,
    COLUMNS,
    NOISY,
    NOT_HEARD,
    READABLE,
    Reception,
    read_csv,
    read_heard,
    time_of,
)
from routeplan.afterwards.tracks import read_track
from routeplan.errors import InputError

AROUND_S = datetime(2026, 8, 27, 20, 0, tzinfo=UTC).timestamp()


def test_csv_of_reports():
    found = read_csv(files.CSV, "heard.csv", zone=ZoneInfo("Atlantic/Azores"), around_s=AROUND_S)
    assert found.kind == "reports" and not found.wrong
    first, second, third, fourth = found.reports
    assert (first.they, first.i, first.answered) == (Reception(5, 5, 9), Reception(5, 5, 7), True)
    assert datetime.fromtimestamp(first.time_s, UTC).hour == 19  # the Azores keep UTC in summer
    assert (second.they, second.i, second.answered) == (None, None, False) and second.words == "called, no answer"
    assert (third.they, third.i) == (Reception(3, 3, 4), READABLE)
    assert third.time_s == datetime(2026, 8, 27, 20, 1, tzinfo=UTC).timestamp()
    assert fourth.answered is False and fourth.where == "heard.csv, line 5"


def test_csv_other_people_write():
    text = "\ufeffUTC;Call;RST rcvd;RST sent;lat;lon;comment\n19:42;QI2WK;5/9+20dB;55;41,5;-33,25;hello\n# a remark\n\n"
    report = read_csv(text.lstrip("\ufeff"), "log.csv", around_s=AROUND_S).reports[0]
    assert report.they == Reception(5, 5, 9) and (report.latitude_deg, report.longitude_deg) == (41.5, -33.25)


@pytest.mark.parametrize(
    "line, why",
    [
        ("25:10,QI2WK,59,", "no time"),
        (",QI2WK,59,", "neither a time nor a place"),
        ("19:10,,59,", "no station"),
        ("19:10,QI2WK,,", "neither they_heard_me"),
        ("19:10,QI2WK,99,", "not like 59"),
        ("19:10,QI2WK,loud,", "not like 59"),
        ("19:10,QI2WK,59,59,QI5PS,x,y", "cells under"),
    ],
)
def test_csv_wrong_line_is_named_and_the_rest_read(line, why):
    text = f"time,station,they_heard_me,i_heard_them\n19:42,QI2WK,59,57\n{line}\n19:43,QI2WK,59,57\n"
    found = read_csv(text, "heard.csv", around_s=AROUND_S)
    assert len(found.reports) == 2 and len(found.wrong) == 1
    assert found.wrong[0].where == "heard.csv, line 3" and why in found.wrong[0].why


def test_card_with_and_without_header():
    for text in (files.CARD, files.CARD.split("\n", 1)[1]):
        found = read_csv(text, "card.csv")
        assert found.kind == "card" and [r.over for r in found.reports] == ["1", "2", "3"]
        assert [(r.they, r.answered) for r in found.reports] == [(CLEAR, True), (NOISY, True), (None, False)]


def test_adif(tmp_path):
    pytest.importorskip("adif_io")
    (tmp_path / "log.adi").write_text(files.ADIF)
    first, second = read_heard(tmp_path / "log.adi").reports
    assert first.they == Reception(5, 5, 9) and first.i == Reception(5, 5, 7) and first.answered
    assert first.time_s == datetime(2026, 8, 27, 19, 42, tzinfo=UTC).timestamp()
    assert first.latitude_deg == pytest.approx(41.23, abs=0.01) and first.place_within_m == 230.0
    assert second.they == Reception(4, 4) and second.i is None and not second.placed


def test_adif_one_bad_contact_does_not_spoil_the_rest(tmp_path):
    pytest.importorskip("adif_io")
    bad = "<CALL:5>QI2WK <CALL:5>QI2WK <EOR>\n<CALL:5>QI2WK <QSO_DATE:8>20269927 <TIME_ON:4>1950 <EOR>\n"
    (tmp_path / "log.adi").write_text(files.ADIF + bad)
    found = read_heard(tmp_path / "log.adi")
    assert len(found.reports) == 2 and [w.where for w in found.wrong] == ["log.adi, contact 3", "log.adi, contact 4"]


def test_adif_written_reads_back():
    adif_io = pytest.importorskip("adif_io")
    text = adif.adif_text(
        [{"CALL": "QI2WK", "COMMENT": "Größe", "RST_SENT": ""}], "0", datetime(2026, 8, 27, tzinfo=UTC)
    )
    contacts, header = adif_io.read_from_string(text)
    assert dict(contacts[0]) == {"CALL": "QI2WK", "COMMENT": "Gr??e"} and header["ADIF_VER"] == "3.1.6"
    assert adif.location(-33.02152, "EW") == "W033 01.291" and adif.location(59.99999999, "NS") == "N060 00.000"


# APRS Protocol Reference 1.0.1 (2000): examples of chapters 6, 8, 9 and 10, printed to the last digit of the format.
@pytest.mark.parametrize(
    "information, latitude, longitude",
    [
        ("!4903.50N/07201.75W-Test 001234", 49 + 3.50 / 60, -(72 + 1.75 / 60)),
        ("@092345z4903.50N/07201.75W>Test1234", 49 + 3.50 / 60, -(72 + 1.75 / 60)),
        ("=/5L!!<*e7>7P[", 49.5, -72.75),
        ("=/5L!!<*e7> sTComment", 49.5, -72.75),
    ],
)
def test_aprs_positions_published(information, latitude, longitude):
    found = aprs.position_of(aprs.take_apart(f"QX1ABC>APRS:{information}"))
    assert found.latitude_deg == pytest.approx(latitude, abs=5e-6)
    assert found.longitude_deg == pytest.approx(longitude, abs=5e-6)


def test_aprs_compressed_course_and_speed_published():
    found = aprs.position_of(aprs.take_apart("QX1ABC>APRS:=/5L!!<*e7>7P["))
    assert found.course_deg == 88.0  # chapter 9: 88 degrees, 36.2 knots
    assert found.speed_m_s / aprs.KNOT_M_S == pytest.approx(36.2, abs=0.05)


def test_aprs_mic_e_published():
    # Chapter 10: destination S32U6T is 33 25.64 N, west; (_fn"Oj/ is longitude 12 07.74 without the offset of 100
    # degrees, 20 knots and 251 degrees.
    found = aprs.position_of(aprs.take_apart('QX1ABC>S32U6T:`(_fn"Oj/'))
    assert found.latitude_deg == pytest.approx(33 + 25.64 / 60, abs=1e-9)
    assert found.longitude_deg == pytest.approx(-(12 + 7.74 / 60), abs=1e-9)
    assert found.speed_m_s == pytest.approx(20 * aprs.KNOT_M_S) and found.course_deg == 251.0
    offset = aprs.position_of(aprs.take_apart('QX1ABC>S32UVT:`(_fn"Oj/'))
    assert offset.longitude_deg == pytest.approx(-(112 + 7.74 / 60), abs=1e-9)


def mic_e(latitude: float, longitude: float) -> str:
    """A line in Mic-E, written separately from the reader."""
    digits = f"{int(abs(latitude)):02d}{round(abs(latitude) % 1 * 6000):04d}"
    bits = ["0", "0", "0", "P" if latitude > 0 else "0", "P" if abs(longitude) >= 100 or abs(longitude) < 10 else "0",
            "P" if longitude < 0 else "0"]  # fmt: skip
    address = "".join(chr(ord(bit) + int(digit)) for bit, digit in zip(bits, digits))
    degrees, hundredths = int(abs(longitude)), round(abs(longitude) % 1 * 6000)
    d = (
        degrees - 100 + 28
        if degrees >= 110
        else degrees + 8
        if degrees >= 100
        else degrees + 118
        if degrees < 10
        else degrees + 28
    )
    m = hundredths // 100
    m = m + 88 if m < 10 else m + 28
    return f"QX1ABC>{address}:`{chr(d)}{chr(m)}{chr(hundredths % 100 + 28)}\x1c\x1c\x1c>/"


def test_property_mic_e_round_trip():
    rng = np.random.default_rng(4)
    for _ in range(400):
        latitude = round(float(rng.uniform(-89, 89)) * 6000) / 6000
        longitude = round(float(rng.uniform(-179, 179)) * 6000) / 6000
        found = aprs.position_of(aprs.take_apart(mic_e(latitude, longitude)))
        assert found.latitude_deg == pytest.approx(latitude, abs=1e-6)
        assert found.longitude_deg == pytest.approx(longitude, abs=1e-6)


@pytest.mark.parametrize("blanks, within_m", [(1, 92.6), (2, 926.0), (3, 9260.0), (4, 55560.0)])
def test_aprs_ambiguity(blanks, within_m):
    latitude = list("4903.55")
    for at in (6, 5, 3, 2)[:blanks]:
        latitude[at] = " "
    found = aprs.position_of(aprs.take_apart(f"QX1ABC>APRS:!{''.join(latitude)}N/07201.75W-"))
    assert found.within_m == pytest.approx(within_m)
    assert abs(found.latitude_deg - (49 + 3.55 / 60)) * 60 * 1852 <= within_m + 1


@pytest.mark.parametrize(
    "line, who",
    [
        ("QX1ABC>APRS,QI2WK*,WIDE2-1:!x", "QI2WK"),
        ("QX1ABC>APRS,QI2WK,QI5PS*,WIDE2*:!x", "QI2WK"),
        ("QX1ABC>APRS,WIDE1-1,WIDE2-1,qAR,QI5PS-10:!x", "QI5PS-10"),
        ("QX1ABC>APRS,QI2WK*,qAR,QI5PS:!x", "QI2WK"),
        ("QX1ABC>APRS,WIDE1*,qAR,QI5PS:!x", ""),
        ("QX1ABC>APRS:!x", ""),
    ],
)
def test_aprs_who_heard_the_sender(line, who):
    assert aprs.receiver(aprs.take_apart(line)) == who


def test_aprs_time_stamps():
    def of(*parts: int) -> float:
        return datetime(*parts, tzinfo=UTC).timestamp()

    assert aprs.stamp_s("092345z", of(2026, 8, 10, 1)) == of(2026, 8, 9, 23, 45)
    assert aprs.stamp_s("312345z", of(2026, 9, 1, 0)) == of(2026, 8, 31, 23, 45)
    assert aprs.stamp_s("234517h", of(2026, 8, 10, 0, 10)) == of(2026, 8, 9, 23, 45, 17)
    assert np.isnan(aprs.stamp_s("992345z", of(2026, 8, 10))) and np.isnan(aprs.stamp_s("092345z", np.nan))


def test_aprs_file(tmp_path):
    (tmp_path / "beacons.txt").write_bytes(files.BEACONS.encode("latin-1"))
    found = read_heard(tmp_path / "beacons.txt", around_s=AROUND_S)
    assert found.kind == "beacons" and found.left_out == 1
    assert [w.where for w in found.wrong] == ["beacons.txt, line 8"]
    assert [r.station for r in found.reports] == ["QI2WK", "QI5PS", "beacons", "beacons", "QI2WK"]
    assert all(r.placed and r.beacon for r in found.reports)
    assert [np.isfinite(r.time_s) for r in found.reports] == [True, True, True, True, False]


def test_times_as_people_write_them():
    zone = ZoneInfo("Europe/Andorra")
    assert time_of("23:50", zone, AROUND_S) == datetime(2026, 8, 27, 21, 50, tzinfo=UTC).timestamp()
    late = datetime(2026, 8, 27, 22, 30, tzinfo=UTC).timestamp()
    assert time_of("0:10", zone, late) == datetime(2026, 8, 27, 22, 10, tzinfo=UTC).timestamp()
    assert np.isnan(time_of("24:10", zone, AROUND_S)) and np.isnan(time_of("soon", zone, AROUND_S))


# --- files of other kinds


@pytest.mark.parametrize(
    "data, said",
    [
        (b"", "an empty file"),
        (b"PK\x03\x04rest", "not a text file"),
        (files.GPX.encode(), "XML or HTML"),
        (b"a,b,c\n1,2,3\n", "no reports: its first line"),
        (b"time,station,they_heard_me\n", "no report in it"),
    ],
)
def test_heard_of_another_kind(data, said, tmp_path):
    path = tmp_path / "file"
    path.write_bytes(data)
    with pytest.raises(InputError, match=said):
        read_heard(path)


def test_not_heard_is_data():
    found = read_csv("time,station,they_heard_me,i_heard_them\n19:42,QI2WK,no,55\n", "heard.csv", around_s=AROUND_S)
    report = found.reports[0]
    assert (report.they, report.i, report.answered) == (NOT_HEARD, Reception(5, 5, 5), None)


# --- tracks


def test_fit_track(tmp_path):
    pytest.importorskip("fitdecode")
    (tmp_path / "ride.fit").write_bytes(files.FIT)
    track = read_track(tmp_path / "ride.fit")
    assert track.latitude_deg == pytest.approx([41.18, 41.181, 41.182], abs=1e-6)
    assert track.elevation_m == pytest.approx([12.0, 13.0, 14.0]) and np.diff(track.time_s).tolist() == [5.0, 5.0]


def test_gpx_track(tmp_path):
    (tmp_path / "ride.gpx").write_text(files.GPX)
    track = read_track(tmp_path / "ride.gpx")
    assert len(track) == 3 and track.name == "A ride" and np.diff(track.time_s).tolist() == [5.0, 5.0]


def test_no_track(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_track(tmp_path / "none.gpx")
    (tmp_path / "ride.gpx").write_text(files.CSV)
    with pytest.raises(InputError, match="not XML"):
        read_track(tmp_path / "ride.gpx")


def test_the_page_names_every_column():
    page = (Path(__file__).parents[2] / "docs" / "debrief.md").read_text()
    assert all(f"`{column}`" in page for column in COLUMNS)
