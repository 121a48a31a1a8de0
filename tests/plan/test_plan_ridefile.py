"""Ride files: defaults, every fault at once with its line, local times, changes, the template and the docs."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from routeplan.errors import InputError
from routeplan.plan import ridedocs
from routeplan.plan.ridefile import (
    document_text,
    parse_change,
    read_ride,
    read_ride_text,
    require,
    template_text,
    with_changes,
    write_template,
)
from routeplan.plan.ridekeys import SECTIONS, keys_of
from routeplan.plan.tomlfile import lines_of

DOCS = Path(__file__).parents[2] / "docs" / "ride_file.md"

SMALL = """\
[start]
position = [42.5063, 1.5218]
departs = 2026-06-11T18:30:00
time_zone = "Europe/Andorra"
[ride]
length_km = 40
[[station]]
name = "Q1A"
position = [42.55, 1.6]
kind = "hill repeater"
[[station]]
name = "Q2B"
locator = "JN02sm"
[net]
frequency_mhz = 145.5
begins = "19:30"
lasts_min = 60
control = "Q2B"
"""


def faults_of(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_ride_text(text, "evening.toml")
    return [str(fault) for fault in caught.value.faults]


def one_fault(section: str, line: str) -> str:
    """The one fault of a small file in which a line of a section is added or replaced."""
    key = line.partition("=")[0].strip()
    header = f"[[{section}]]" if section == "station" else f"[{section}]"
    before, found, after = SMALL.partition(header)
    body, bracket, rest = after.partition("\n[")
    body = re.sub(rf"(?m)^{key} = .*$", "", body)
    if section == "station" and key == "position":
        body = re.sub(r"(?m)^locator = .*$", "", body)
    text = f"{before}{found or header}\n{line}{body}{bracket}{rest}\n"
    faults = faults_of(text)
    assert len(faults) == 1, faults
    number = text.split("\n").index(line) + 1
    assert faults[0].startswith(f"evening.toml, line {number}, {section}.{key} = ")
    return faults[0]


# Reading


def test_property_sections_are_named_like_the_file():
    ride = read_ride_text(SMALL)
    assert ride.start.position == (42.5063, 1.5218)
    assert ride.start.departs == dt.datetime(2026, 6, 11, 18, 30, tzinfo=ZoneInfo("Europe/Andorra"))
    assert ride.start.departs.utcoffset() == dt.timedelta(hours=2)
    assert ride.ride.length_km == 40 and ride.ride.tolerance == 0.05 and ride.ride.choices == 5
    assert [s.name for s in ride.stations] == ["Q1A", "Q2B"]
    assert ride.stations[1].position == pytest.approx((42.52, 1.54), abs=0.05)
    assert ride.nets[0].begins == dt.datetime(2026, 6, 11, 17, 30, tzinfo=dt.UTC)
    assert ride.nets[0].ends == dt.datetime(2026, 6, 11, 18, 30, tzinfo=dt.UTC)
    assert ride.nets[0].ends.tzinfo == ZoneInfo("Europe/Andorra")
    assert ride.contact.rule == "any" and ride.contact.chance == 0.9
    assert ride.set.frequency_mhz == 145.5 and ride.set.mount == "rack"
    assert ride.rider.climb_power_w == pytest.approx(1.35 * ride.rider.power_w)
    assert ride.time_zone == "Europe/Andorra"
    assert ride.pacing_rider.total_mass_kg == 102
    assert ride.duty.transmit == 0.10


def test_property_a_file_on_disk_reads_like_its_text(tmp_path):
    path = tmp_path / "evening.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert read_ride(path).stations == read_ride_text(SMALL).stations


def test_property_every_value_has_an_origin():
    ride = read_ride_text(SMALL)
    told = {a.key: a for a in ride.assumptions}
    assert len(told) == len(ride.assumptions)
    assert told["ride.length_km"].origin == "ride file" and not told["ride.length_km"].guess
    assert told["rider.power_w"].guess and told["rider.power_w"].origin.startswith("default: ")
    assert told["rider.climb_power_w"].value == 148.5
    assert told["station.Q1A.kind"].value == "hill repeater"
    assert told["set.frequency_mhz"].origin == "default: that of the first net"
    assert told["net.begins"].value == "2026-06-11T19:30:00+02:00"
    json.dumps([a._asdict() if hasattr(a, "_asdict") else vars(a) for a in ride.assumptions])


def test_property_every_default_says_where_it_comes_from():
    for section, kind in SECTIONS.items():
        for name, key in keys_of(kind).items():
            assert key.help, f"{section}.{name}"
            needed = key.default not in (None, (), "") and key.default == key.default
            if needed:
                assert key.origin, f"{section}.{name} has a default without an origin"
                assert key.kind(list(key.default) if isinstance(key.default, tuple) else key.default) is not None


def test_property_nets_and_stations_single_or_several():
    two = SMALL.replace("[net]", "[[net]]") + '[[net]]\nfrequency_mhz = 433.5\nbegins = "20:30"\nname = "late"\n'
    assert [n.frequency_mhz for n in read_ride_text(two).nets] == [145.5, 433.5]
    one = '[station]\nname = "Q1A"\nposition = [42.55, 1.6]\n'
    assert len(read_ride_text(one).stations) == 1


def test_property_sensitivity_in_microvolts():
    # 0.25 uV at 50 ohm are 1.25e-15 W, -119.03 dBm
    assert read_ride_text("[set]\nsensitivity_uv = 0.25\n").set.sensitivity_dbm == pytest.approx(-119.03)


@pytest.mark.parametrize(
    "written, rule",
    [
        ('"all"', "all"),
        ('["Q2B"]', ("Q2B",)),
        ("{ at_least = 2 }", {"at_least": 2}),
    ],
)
def test_property_rules(written, rule):
    assert read_ride_text(SMALL + f"[contact]\nrule = {written}\n").contact.rule == rule


def test_property_surfaces_by_one_word():
    for word, count in (('"paved"', 2), ('["firm"]', 3), ('"any"', 6), ('["gravel", "paved"]', 3)):
        assert len(read_ride_text(f"[rider]\nsurfaces = {word}\n").rider.surfaces) == count


def test_property_a_coarse_start_is_told():
    assert "9 by 5 km" in read_ride_text('[start]\nlocator = "JN02sm"\n').warnings[0]
    assert not read_ride_text('[start]\nlocator = "JN02sm55"\n').warnings


def test_property_wind_by_points_of_the_compass():
    for word, deg in (("SW", 225), ("south-west", 225), ("n", 0), ("NNW", 337.5)):
        assert read_ride_text(f'[wind]\nspeed_m_s = 4\nfrom_deg = "{word}"\n').wind.from_deg == deg
    assert read_ride_text("[wind]\nspeed_m_s = 4\nfrom_deg = 360\n").wind.from_deg == 0


def test_property_departures_between_and_home_by():
    text = SMALL.replace(
        "departs = 2026-06-11T18:30:00",
        "departs_between = [2026-06-11T18:00:00, 2026-06-11T19:15:00]",
    ).replace("length_km = 40", 'home_by = "21:30"')
    ride = read_ride_text(text)
    assert [d.hour for d in ride.start.departs_between] == [18, 19]
    assert ride.ride.home_by == dt.datetime(2026, 6, 11, 21, 30, tzinfo=ZoneInfo("Europe/Andorra"))
    assert ride.nets[0].begins.date() == dt.date(2026, 6, 11)


def test_property_home_by_after_midnight_is_the_next_day():
    text = SMALL.replace("18:30:00", "22:30:00").replace("length_km = 40", 'home_by = "00:45"')
    assert read_ride_text(text).ride.home_by.day == 12


def test_property_a_time_with_its_offset_needs_no_zone():
    ride = read_ride_text("[start]\nposition = [42.5, 1.5]\ndeparts = 2026-06-11T18:30:00+02:00\n")
    assert ride.start.departs.utcoffset() == dt.timedelta(hours=2) and ride.time_zone is None


def test_property_a_net_that_is_over_is_told():
    ride = read_ride_text(SMALL.replace('begins = "19:30"', 'begins = "10:00"'))
    assert len(ride.warnings) == 1 and "over before" in ride.warnings[0]


# Local times


def test_property_a_time_that_does_not_exist():
    fault = one_fault("start", "departs = 2026-03-29T02:30:00")  # clocks go forward at 02:00
    assert "does not exist" in fault and "03:30" in fault


def test_property_a_time_that_comes_twice_and_how_to_mend_it():
    fault = one_fault("start", "departs = 2026-10-25T02:30:00")
    assert "comes twice" in fault and "2026-10-25T02:30:00+02:00" in fault and "+01:00" in fault
    mended = SMALL.replace("2026-06-11T18:30:00", "2026-10-25T02:30:00+01:00")
    assert read_ride_text(mended).start.departs.utcoffset() == dt.timedelta(hours=1)


def test_property_a_net_at_a_time_that_comes_twice():
    text = SMALL.replace("2026-06-11T18:30", "2026-10-25T00:30").replace("19:30", "02:15")
    (fault,) = faults_of(text)
    assert "net.begins" in fault and "comes twice" in fault


def test_property_a_net_across_the_change_of_clocks_lasts_as_long():
    text = SMALL.replace("2026-06-11T18:30", "2026-10-25T00:30").replace("19:30", "01:30")
    net = read_ride_text(text.replace("lasts_min = 60", "lasts_min = 120")).nets[0]
    assert net.ends.timestamp() - net.begins.timestamp() == 7200
    assert (net.ends.hour, net.ends.minute) == (2, 30)


def test_property_a_local_time_needs_its_zone():
    (fault,) = faults_of("[start]\nposition = [42.5, 1.5]\ndeparts = 2026-06-11T18:30:00\n")
    assert "time zone" in fault and "time_zone =" in fault


def test_property_a_net_by_the_clock_needs_a_day():
    (fault,) = faults_of('[net]\nfrequency_mhz = 145.5\nbegins = "19:30"\n')
    assert "day is not known" in fault


# Bad input: each named with the likely slip


@pytest.mark.parametrize(
    "section, line, told",
    [
        ("net", "frequency_mhz = 145500", "in kHz? Then write 145.5"),
        ("net", "frequency_mhz = 145500000", "in Hz? Then write 145.5"),
        ("net", "frequency_mhz = 154.5", "band"),
        ("net", 'mode = "SSB"', "mode"),
        ("net", "begins = 1930", '"19:30"'),
        ("net", 'begins = "7:30 pm"', "24-hour"),
        ("net", 'begins = "25:30"', "no such time"),
        ("net", 'control = "Q2C"', 'did you mean "Q2B"'),
        ("net", "lasts_min = -60", "without the minus sign: 60"),
        ("rider", "mass_kg = 800", "Then write 80"),
        ("rider", "mass_kg = -80", "without the minus sign"),
        ("rider", "power_w = -110", "must not be negative"),
        ("rider", "power_w = 11000", "no bicycle ride"),
        ("rider", "power_w = nan", "finite"),
        ("rider", 'power_w = "110"', "write 110 without quotes"),
        ("rider", "power_w = true", "not a number"),
        ("rider", "drag_area_m2 = 6.0", "Then write 0.6"),
        ("rider", "climb_power_w = 90", "at least power_w"),
        ("rider", 'surfaces = ["smoth"]', 'did you mean "smooth"'),
        ("rider", "rolling = { smoth = 0.006 }", 'did you mean "smooth"'),
        ("ride", "tolerance = 5", "in percent? Then write 0.05"),
        ("ride", "choices = 2.5", "whole"),
        ("ride", "length_km = 40000", "in metres? Then write 40"),
        ("ride", "length_km = 0", "out of range"),
        ("ride", "end = [1.5218, 42.5063]", "km from the start"),
        ("ride", "via = [[42.51, 1.53], [42.5]]", "entry 2"),
        ("ride", 'follow = "nowhere.gpx"', "no such file"),
        ("ride", 'home_by = "12:00"', "hours after the departure"),
        ("ride", 'ferries = "no"', "true or false"),
        ("set", "transmit_w = 5000", "in milliwatts? Then write 5"),
        ("set", "transmit_w = -5", "must not be negative"),
        ("set", 'mount = "rak"', '"rack"'),
        ("set", 'antenna = "quater wave"', "quarter wave"),
        ("set", "battery_wh = 1800", "in mAh at 7.4 V? Then write 13.32"),
        ("set", "sensitivity_dbm = 119", "Then write -119"),
        ("set", "sensitivity_dbm = 0.2", "sensitivity_uv"),
        ("station", "antenna_gain_dbi = 60", "no antenna"),
        ("station", "antenna_height_m = -5", "under the ground"),
        ("station", "antenna_height_m = 3500", "above 3 km"),
        ("station", "transmit_w = -25", "must not be negative"),
        ("station", "feeder_db = -3", "without the minus sign"),
        ("station", 'surroundings = "towm"', '"town"'),
        ("station", "position = [1.6, 42.55]", "swapped? [42.55, 1.6]"),
        ("station", "position = [42.55, -71.6]", "km from the start"),
        ("station", "position = [42.55, 1.6, 3.0]", "latitude and longitude"),
        ("station", "position = [42, 55, 1, 6]", "write [42.55, 1.6]"),
        ("station", "position = [-142.0, 42.5]", "write [42.5, -142]"),
        ("station", 'access = "tone 77"', "only a repeater"),
        ("start", 'time_zone = "Europe/Andora"', 'did you mean "Europe/Andorra"'),
        ("start", "departs = 2026-06-11", "a day without a time"),
        ("start", 'departs = "half past six"', "not a day and time"),
        ("contact", "chance = 0.4", "above 0.5"),
        ("contact", "chance = 90", "in percent? Then write 0.9"),
        ("contact", 'rule = ["Q2C"]', "did you mean"),
        ("contact", "rule = { at_least = 3 }", "only 2 stations"),
        ("contact", 'rule = "some"', "not known"),
        ("weather", "pressure_hpa = 29.92", "inches"),
        ("weather", "humidity = 60", "Then write 0.6"),
        ("radio", 'noise = "rual"', "rural"),
    ],
)
def test_property_likely_slips_are_named(section, line, told):
    assert told in one_fault(section, line)


def test_property_a_locator_with_a_wrong_letter():
    (fault,) = faults_of(SMALL.replace("JN02sm", "JN0Zsm"))
    assert "line 13, station.locator" in fault and "character 4 is 'Z'" in fault


def test_property_start_with_latitude_out_of_range():
    faults = faults_of("[start]\nposition = [142.5, 1.5]\n")
    assert "swapped" in faults[0] and "[1.5, 142.5]" in faults[0]


def test_property_all_faults_at_once_in_the_order_of_the_file():
    faults = faults_of(
        """\
lenght_km = 30
[start]
position = [42.5, 1.5]
locator = "JN02sm"
[ryde]
length_km = 30
[ride]
lenght_km = 40
length_km = 30
hours = 2
[set]
surfaces = ["smooth"]
transmit_w = -5
[[station]]
name = "Q1A"
[[station]]
name = "q1a"
position = [42.5, 1.5]
hears_mhz = 145.0
"""
    )
    lines = [int(re.search(r"line (\d+)", f).group(1)) for f in faults]
    assert lines == sorted(lines) and len(faults) == 10
    told = "\n".join(faults)
    for words in (
        "line 4, start.locator",
        "line 5, ryde: unknown section; did you mean [ride]?",
        "line 8, ride.lenght_km: unknown key; did you mean length_km?",
        "both length_km and hours",
        "line 12, set.surfaces: unknown key; it belongs under [rider]",
        "line 13, set.transmit_w = -5",
        "no place",
        "two stations of one name",
        "a repeater has two frequencies",
    ):
        assert words in told


@pytest.mark.parametrize(
    "line, told",
    [
        ("departs = 2026-06-11T18:30", "write the seconds too"),
        ("begins = 19:30", "in quotes"),
        ("length_km = 40,5", "decimal point"),
        ("length_km = 40 km", "the unit is in the key's name"),
        ("kind = beam", "put words in quotes"),
        ("length_km = 40\nlength_km = 41", "twice"),
        ("just words", "KEY = VALUE"),
        ("name = “Q1A”", "quotes"),
    ],
)
def test_property_what_is_not_toml_is_told_by_line(line, told):
    (fault,) = faults_of("[ride]\n" + line + "\n")
    assert re.match(r"evening.toml, line [23]: ", fault) and "not TOML" in fault and told in fault


def test_property_files_that_are_no_ride_files(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_ride(tmp_path / "evening.toml")
    (tmp_path / "evening.toml").write_text("[ride]\n")
    with pytest.raises(InputError, match=r"did you mean .*evening\.toml"):
        read_ride(tmp_path / "evning.toml")
    with pytest.raises(InputError, match="folder"):
        read_ride(tmp_path)
    (tmp_path / "picture.toml").write_bytes(b"\x89PNG\r\n\x1a\n\xff\xfe")
    with pytest.raises(InputError, match="UTF-8"):
        read_ride(tmp_path / "picture.toml")
    (tmp_path / "large.toml").write_text("# " + "x" * 1_100_000)
    with pytest.raises(InputError, match="too large"):
        read_ride(tmp_path / "large.toml")
    (tmp_path / "deep.toml").write_text("a = " + "[" * 100_000)
    with pytest.raises(InputError, match=r"deep\.toml"):
        read_ride(tmp_path / "deep.toml")


@pytest.mark.parametrize("text", ["net = 3\n", "[[start]]\n", "station = [1, 2]\n", "learnt = 3\n", "start = 1\n"])
def test_property_tables_of_a_wrong_kind(text):
    assert len(faults_of(text)) == 1


def test_property_lines_of_keys_in_awkward_text():
    text = '''\
# [not] = "a section"
[start]   # here
name = """
[ride]
length_km = 1
"""
via = [
  [1.0, 2.0],  # ] closing nothing
  [3.0, "]"],
]
"departs" = 1
[[station]]
[[ station ]]
rule = { at_least = 2 }
'''
    lines = lines_of(text)
    assert lines[("start",)] == 2 and lines[("start", "name")] == 3 and lines[("start", "via")] == 7
    assert lines[("start", "departs")] == 11 and lines[("station", 0)] == 12 and lines[("station", 1)] == 13
    assert lines[("station", 1, "rule")] == 14 and ("ride",) not in lines


# Jobs


@pytest.mark.parametrize(
    "job, missing",
    [
        ("loop", ["position", "length_km", "station"]),
        ("between", ["position", "end", "length_at_most_km", "station"]),
        ("mend", ["follow", "station"]),
        ("check", ["follow", "station"]),
        ("coverage", ["station"]),
    ],
)
def test_property_each_job_says_all_that_it_misses(job, missing):
    with pytest.raises(InputError) as caught:
        require(read_ride_text(""), job)
    assert len(caught.value.faults) == len(missing)
    for fault, word in zip(caught.value.faults, missing):
        assert word in fault.what and job in fault.what and fault.mend


def test_property_a_complete_ride_is_accepted():
    ride = read_ride_text(SMALL)
    require(ride, "loop")
    assert ride.start.position is not None and ride.ride.length_km == 40 and ride.stations


def test_property_tracks_are_looked_for_beside_the_ride_file(tmp_path):
    (tmp_path / "usual.gpx").write_text("<gpx/>")
    (tmp_path / "weekly.toml").write_text(SMALL.replace("length_km = 40", 'follow = "usual.gpx"'))
    ride = read_ride(tmp_path / "weekly.toml")
    assert ride.ride.follow == tmp_path / "usual.gpx"
    require(ride, "mend")


# Learnt values


def test_property_learnt_values_stand_behind_the_ride_files_own(tmp_path):
    (tmp_path / "learnt.toml").write_text(
        "[rider]\npower_w = 123\nmass_kg = 70\n[radio]\nmodel_error_db = 5.5\n[offset_db]\nQ1A = -2.0\n"
    )
    path = tmp_path / "evening.toml"
    path.write_text('learnt = "learnt.toml"\n' + SMALL + "[rider]\nmass_kg = 85\n")
    ride = read_ride(path)
    assert (ride.rider.power_w, ride.rider.mass_kg, ride.radio.model_error_db) == (123, 85, 5.5)
    assert ride.learnt == {"offset_db": {"Q1A": -2.0}}
    told = {a.key: a.origin for a in ride.assumptions}
    assert told["rider.power_w"] == "learnt: learnt.toml" and told["rider.mass_kg"] == "ride file"


def test_property_faults_of_learnt_values_name_their_file(tmp_path):
    path = tmp_path / "evening.toml"
    path.write_text('learnt = "learnt.toml"\n' + SMALL)
    with pytest.raises(InputError, match=r"line 1, learnt.*no such file"):
        read_ride(path)
    (tmp_path / "learnt.toml").write_text("[rider]\npower_w = -3\npowr_w = 3\n")
    with pytest.raises(InputError) as caught:
        read_ride(path)
    assert all("learnt.toml" in fault.where for fault in caught.value.faults) and len(caught.value.faults) == 2


# Changes


def test_property_changes_are_read_like_the_file():
    ride = read_ride_text(SMALL)
    changed = with_changes(ride, {"set.transmit_w": "10", "set.mount": "chest", "station.q1a.antenna_height_m": 30})
    assert (changed.set.transmit_w, changed.set.mount, changed.stations[0].antenna_height_m) == (10, "chest", 30)
    assert changed.stations[1] == ride.stations[1] and ride.set.transmit_w == 5
    assert with_changes(ride, {"station.2.kind": "indoors"}).stations[1].kind == "indoors"
    assert with_changes(ride, {"net.lasts_min": 30}).nets[0].lasts_min == 30
    assert with_changes(ride, {"contact.rule": '["Q1A"]'}).contact.rule == ("Q1A",)
    assert "set.transmit_w" in {a.key for a in changed.assumptions if a.origin == "ride file"}


@pytest.mark.parametrize(
    "change, told",
    [
        ({"set.transmit_w": "-3"}, "without the minus sign"),
        ({"set.transmt_w": 3}, "did you mean set.transmit_w"),
        ({"sett.transmit_w": 3}, "did you mean set"),
        ({"station.kind": "indoors"}, "which station"),
        ({"station.Q9Z.kind": "indoors"}, "which station"),
        ({"set.x.mount": "chest"}, "unknown"),
        ({"set.mount": "chset"}, "chest"),
    ],
)
def test_property_changes_that_cannot_stand(change, told):
    with pytest.raises(InputError) as caught:
        with_changes(read_ride_text(SMALL), change)
    (name,) = change
    assert name in str(caught.value) or name.split(".")[-1] in str(caught.value)
    assert told in str(caught.value) or told == "unknown"


def test_property_changes_on_a_command_line():
    assert parse_change("set.transmit_w=10") == ("set.transmit_w", 10)
    assert parse_change("set.mount = chest") == ("set.mount", "chest")
    assert parse_change("contact.rule={at_least=2}") == ("contact.rule", {"at_least": 2})
    for wrong in ("set.transmit_w", "=3", "set.transmit_w="):
        with pytest.raises(InputError, match="KEY=VALUE"):
            parse_change(wrong)


# Writing


@pytest.mark.parametrize("text", [SMALL, template_text()])
def test_property_a_written_ride_reads_back(text):
    document = read_ride_text(text).document
    assert read_ride_text(document_text(document)).document == document


def test_property_awkward_text_is_quoted():
    document = {"start": {"name": 'Q"1\\ \u00e9\t\x07'}}
    import tomllib

    assert tomllib.loads(document_text(document)) == document


def test_property_template_is_a_sound_ride_file(tmp_path):
    path = tmp_path / "new.toml"
    write_template(path, kept=tmp_path / "none.toml")
    ride = read_ride(path)
    require(ride, "loop")
    assert all(s.name.startswith("Q") for s in ride.stations) and len(ride.stations) == 3
    assert not ride.warnings
    with pytest.raises(InputError, match="is there already"):
        write_template(path, kept=tmp_path / "none.toml")


def test_property_templates_remarks_show_the_defaults():
    plain = read_ride_text(template_text())
    for line in template_text().split("\n"):
        match = re.fullmatch(r"# ([a-z_0-9]+ = \S.*?)(\s+#.*|\s{4,}.*)?", line)
        if not match or match.group(1).split()[0] in (
            "departs_between", "end", "length_at_most_km", "follow", "via", "avoid",
        ):  # fmt: skip
            continue
        key, _, value = match.group(1).partition(" = ")
        sections = [s for s, kind in SECTIONS.items() if key in keys_of(kind) and s != "station"]
        shown = read_ride_text(f"[{sections[0]}]\n{key} = {value}\n")
        assert getattr(getattr(shown, sections[0]), key) == getattr(getattr(plain, sections[0]), key), line


KEPT = """\
# My stations
[start]
locator = "JN02sm"
time_zone = "Europe/Andorra"

[[station]]   # the club
name = "Q7CLUB"
position = [42.6, 1.55]
kind = "beam on a mast"
"""


def test_property_kept_stations_stand_in_a_new_ride_file(tmp_path):
    kept = tmp_path / "stations.toml"
    kept.write_text(KEPT)
    write_template(tmp_path / "new.toml", kept=kept)
    ride = read_ride(tmp_path / "new.toml")
    assert [s.name for s in ride.stations] == ["Q7CLUB"]
    assert ride.start.locator == "JN02sm" and ride.time_zone == "Europe/Andorra"
    assert "QI2WK" not in document_text(ride.document)
    kept.write_text(KEPT[KEPT.index("[[station]]") :])
    assert read_ride_text(template_text(kept)).start.position == (42.6, 1.55)


def test_property_kept_stations_that_are_wrong_are_named(tmp_path):
    kept = tmp_path / "stations.toml"
    kept.write_text(KEPT.replace("beam on a mast", "beem on a mast"))
    with pytest.raises(InputError, match=r"stations\.toml, line 9, station\.kind"):
        template_text(kept)
    kept.write_text("[rider]\nmass_kg = 80\n")
    with pytest.raises(InputError, match="not a file of stations"):
        write_template(tmp_path / "new.toml", kept=kept)
    assert not (tmp_path / "new.toml").exists()


def test_property_docs_list_every_key_as_the_table_has_it():
    assert DOCS.read_text(encoding="utf-8") == ridedocs.docs_page(), (
        "docs/ride_file.md is written by `python -m routeplan.plan.ridedocs > docs/ride_file.md`"
    )


ODD = [
    "0", "-1", "1e308", "-1e308", "nan", "inf", "99999999999999999999", "true", '""', '"x"', '"\\u0000"', "[]", "{}",
    "[1]", "[1, 2]", "[[1, 2]]", "[[]]", '[{ a = 1 }]', '["x", 1]', "{ a = 1 }", "{ at_least = 0 }", "12:00:00",
    "2026-06-11", "0001-01-01T00:00:00", "9999-12-31T23:59:59", "2026-06-11T18:30:00Z", '"19:30"', '"JN02"', 
    "[90, 180]",
    "[-90, -180]", "[nan, 1]", "[true, false]", '"' + "x" * 500 + '"',
]  # fmt: skip


@pytest.mark.parametrize("section", list(SECTIONS))
def test_property_odd_values_are_read_or_refused(section):
    """Whatever stands in a file, the answer is a ride or an InputError."""
    base = read_ride_text(SMALL).document
    for name in keys_of(SECTIONS[section]):
        for odd in ODD:
            text = document_text({k: v for k, v in base.items() if k != section}) + f"[{section}]\n{name} = {odd}\n"
            if section == "start" and name != "time_zone":
                text += 'time_zone = "Europe/Andorra"\n'
            try:
                ride = read_ride_text(text)
            except InputError as error:
                assert str(error)
                continue
            json.dumps([vars(a) for a in ride.assumptions])
            assert read_ride_text(document_text(ride.document)).rider == ride.rider
