"""After the ride, end to end on the demo island: invented tracks and reports with a known truth."""

from __future__ import annotations

import json
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "afterwards"))

from invented_files import fit_bytes
from simulated_ride import BEGINS_S, Recorded, iso, recorded, ride_text, setting_of, wander

from routeplan import cli
from routeplan.errors import InputError
from routeplan.output import debrief_write
from routeplan.plan import learnt, ridefile
from routeplan.plan.debrief import debrief
from routeplan.plan.setting import make_contacts

TRUE_DB = {"QI2WK": 3.0, "QI5PS": -7.0}
THRESHOLDS_DB = (-12.0, -9.0, -6.0, 0.0, 10.0)


def quiet(text: str) -> None:
    """No progress."""


@pytest.fixture(scope="module")
def island(demo_area):
    """Area, ride file's text, and the streets round its start; QI5PS is set far enough to be hard to work."""
    text = ride_text(demo_area)
    return demo_area, text, setting_of(demo_area, text, 9000.0)


def ride_of(island, seed: int, days: float = 0.0) -> Recorded:
    """A recorded ride of 90 minutes."""
    _, _, setting = island
    return recorded(
        setting, wander(setting, seed, 5400), begins_s=BEGINS_S + days * 86400, every_s=2.0, seed=seed, slower=1.0
    )


def reports_of(island, ride: Recorded, seed: int, *, count: int = 15, clock_s: float = 0.0) -> str:
    """CSV of calls along it; truth: TRUE_DB and 5 dB of scatter, everything else as predicted."""
    _, _, setting = island
    rng = np.random.default_rng(seed)
    lines = ["time_utc,station,they_heard_me,i_heard_them"]
    contacts = setting.contacts
    for k in np.sort(rng.choice(len(ride.time_s), count, replace=False)):
        which = int(rng.integers(2))
        name = contacts.names[which]
        x, y = ride.x_m[k : k + 1], ride.y_m[k : k + 1]
        margins = contacts.margins_db(contacts.losses_db(x, y), np.full((2, 1), 60.0))[which, :, 0]
        true = margins + TRUE_DB[name] + rng.normal(0, 5.0)
        they, i = (sum(m >= t for t in THRESHOLDS_DB) for m in true)
        said = ",no" if min(they, i) < 3 else f"{they},{i}"
        lines.append(f"{iso(ride.time_s[k] + clock_s)},{name},{said}")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def first(island, tmp_path_factory):
    """One debrief, with a wrong line and a stranger in the reports."""
    area, text, _ = island
    folder = tmp_path_factory.mktemp("first")
    ride = ride_of(island, 1)
    (folder / "ride.toml").write_text(text)
    (folder / "track.gpx").write_text(ride.gpx())
    (folder / "heard.csv").write_text(reports_of(island, ride, 1) + "soon,QI2WK,59,59\n19:30,QI2WX,59,59\n")
    found = debrief(
        area, ridefile.read_ride(folder / "ride.toml"), folder / "track.gpx", [folder / "heard.csv"], progress=quiet
    )
    return folder, ride, found


def test_the_ride_is_the_ridden_one(first):
    _, ride, found = first
    route = found.plan.routes[0]
    assert route.ride_time_s == pytest.approx(ride.time_s[-1] - ride.time_s[0], abs=2)
    assert found.began.timestamp() == pytest.approx(ride.time_s[0])
    middle = len(ride.time_s) // 2
    x = np.interp(ride.time_s[middle] - ride.time_s[0], route.samples.time_s, route.samples.x_m)
    y = np.interp(ride.time_s[middle] - ride.time_s[0], route.samples.time_s, route.samples.y_m)
    assert np.hypot(x - ride.x_m[middle], y - ride.y_m[middle]) < 60
    assert (np.diff(route.samples.time_s) > 0).all()


def test_the_ground_fills_the_map(first):
    from routeplan.output.map import map_view

    _, _, found = first
    ground, view = found.plan.background, map_view(found.plan, width=1000.0)
    rows, cols = ground.elevation_m.shape
    slack_m = ground.step_m
    assert ground.west_m - slack_m <= view.west_m and view.north_m <= ground.north_m + slack_m
    assert view.west_m + view.width / view.scale <= ground.west_m + (cols + 1) * ground.step_m
    assert view.north_m - view.height / view.scale >= ground.north_m - (rows + 1) * ground.step_m


@pytest.mark.parametrize(("across_m", "down_m"), [(1000.0, 30_000.0), (30_000.0, 1000.0), (9000.0, 10_000.0)])
def test_property_corners_give_a_narrow_ride_its_ground(across_m, down_m):
    from routeplan.plan import background as grounds

    x, y = np.array([500.0, 500.0 + across_m]), np.array([-down_m, 0.0])
    corner_x, corner_y = grounds.map_corners(x, y)
    wide, high = (float(np.ptp(c)) + 2 * grounds.MARGIN_M for c in (corner_x, corner_y))
    assert grounds.FLATTEST - 1e-9 <= high / wide <= grounds.TALLEST + 1e-9
    assert corner_x.mean() == pytest.approx(x.mean()) and corner_y.mean() == pytest.approx(y.mean())
    assert corner_x[0] <= x[0] and corner_y[1] >= y[1]


def test_reports_lie_where_they_were_made(first):
    _, ride, found = first
    assert len(found.heard) == 15
    for heard in found.heard:
        assert heard.x_m == pytest.approx(np.interp(heard.time_s, ride.time_s - ride.time_s[0], ride.x_m), abs=5)
        assert 0 <= heard.chance <= 1 and np.isfinite(heard.margin_to_db)
    source = found.sources[0]
    assert source.used == 15 and len(source.wrong) == 2
    assert "line 17: no time" in source.wrong[0] and "did you mean QI2WK?" in source.wrong[1]


def test_times_and_climb_against_the_model(first):
    _, _, found = first
    assert found.ride.standing_s == pytest.approx(360, abs=120)  # three stops of two minutes
    moving = found.ride.ridden_s - found.ride.standing_s
    assert moving == pytest.approx(found.ride.model_s, rel=0.05)
    assert found.ride.climb_track_m == pytest.approx(found.ride.climb_model_m, rel=0.2, abs=25)
    power = next(v for v in found.ride.values if v.key == "rider.power_w")
    assert power.estimate.low < 110 < power.estimate.high


def test_property_a_pause_of_the_recorder_is_a_stop(island, first, tmp_path):
    area, _, _ = island
    folder, ride, found = first
    half = len(ride.time_s) // 2
    paused = replace(ride, time_s=ride.time_s + np.where(np.arange(len(ride.time_s)) > half, 700.0, 0.0))
    (tmp_path / "track.gpx").write_text(paused.gpx())
    again = debrief(area, ridefile.read_ride(folder / "ride.toml"), tmp_path / "track.gpx", [], progress=quiet)
    assert again.ride.standing_s == pytest.approx(found.ride.standing_s + 700.0, abs=20.0)
    assert again.ride.model_s == pytest.approx(found.ride.model_s, abs=5.0)
    assert again.ride.ridden_s == pytest.approx(found.ride.ridden_s + 700.0, abs=2.0)


def test_three_rides_find_the_truth_and_the_next_plan_uses_it(island, tmp_path):
    area, text, setting = island
    values = {}
    for number in range(3):
        ride = ride_of(island, 10 + number, days=7.0 * number)
        learnt_line = 'learnt = "learnt.toml"\n' if number else ""
        (tmp_path / "ride.toml").write_text(learnt_line + text)
        (tmp_path / "track.gpx").write_text(ride.gpx())
        (tmp_path / "heard.csv").write_text(reports_of(island, ride, 20 + number))
        found = debrief(
            area,
            ridefile.read_ride(tmp_path / "ride.toml"),
            tmp_path / "track.gpx",
            [tmp_path / "heard.csv"],
            progress=quiet,
        )
        (tmp_path / "learnt.toml").write_text(found.learnt_toml)
        (tmp_path / "evidence.csv").write_text(found.evidence_csv)
        values[number] = dict(found.station_estimates)
    assert found.learnt.rides == 3 and found.learnt.reports == 45
    assert found.validation is not None and found.validation.rides == 3
    low, high = values[2]["QI5PS"].low, values[2]["QI5PS"].high
    assert low - 2.5 < TRUE_DB["QI5PS"] < high + 2.5 and values[2]["QI5PS"].value < -1
    assert values[2]["QI5PS"].sd < values[0]["QI5PS"].sd
    assert found.changes

    # The next plan: the offset acts on both margins, and the plan says from what it was learnt.
    (tmp_path / "next.toml").write_text('learnt = "learnt.toml"\n' + text)
    ride_ = ridefile.read_ride(tmp_path / "next.toml")
    contacts = make_contacts(area, ride_, setting.network.point_x_m, setting.network.point_y_m)
    by_name = dict(zip(contacts.names, contacts.workable))
    told = {a.key: a for a in learnt.learnt_assumptions(ride_)}
    offset = told["station.QI5PS.learnt_offset_db"]
    mount = told["set.learnt_offset_db"].value if "set.learnt_offset_db" in told else 0.0
    assert by_name["QI5PS"].learnt_db == pytest.approx(offset.value + mount, abs=0.11)
    assert "on 3 rides" in offset.origin
    default = setting.contacts.workable[contacts.names.index("QI5PS")].spread
    assert by_name["QI5PS"].spread.constant_db < default.constant_db
    notes = learnt.learnt_notes(ride_)
    assert notes[0].startswith("Learnt from 3 rides, 45 reports")

    # Another mast: what was learnt of the old one is not used, and that is said.
    (tmp_path / "moved.toml").write_text('learnt = "learnt.toml"\n' + text.replace("chimney", "mast", 2))
    try:
        moved = ridefile.read_ride(tmp_path / "moved.toml")
    except InputError:
        moved = ridefile.with_changes(
            ride_, {"station.QI5PS.antenna_height_m": 20, "station.QI2WK.antenna_height_m": 20}
        )
    assert "QI5PS has changed" in " ".join(learnt.learnt_notes(moved))
    assert not any("QI5PS" in a.key for a in learnt.learnt_assumptions(moved))

    # The same ride again replaces itself.
    again = debrief(area, ride_, tmp_path / "track.gpx", [tmp_path / "heard.csv"], progress=quiet)
    assert again.learnt.reports == 45


def test_without_reports_nothing_of_stations_is_learnt(island, first):
    area, _text, _ = island
    folder, _, _ = first
    found = debrief(area, ridefile.read_ride(folder / "ride.toml"), folder / "track.gpx", [], progress=quiet)
    assert found.learnt.stations == () and "offset" not in tomllib.loads(found.learnt_toml)
    assert found.sentences[0] == "No report could be compared with the prediction."
    assert debrief_write.debrief_text(found)


def test_a_wrong_time_zone_is_seen(island, first, tmp_path):
    area, _, _ = island
    folder, ride, _ = first
    (tmp_path / "heard.csv").write_text(reports_of(island, ride, 1, clock_s=2 * 3600))
    found = debrief(
        area, ridefile.read_ride(folder / "ride.toml"), folder / "track.gpx", [tmp_path / "heard.csv"], progress=quiet
    )
    assert found.sources[0].used == 15 and "another time zone" in found.sources[0].notes[0]


def beacon_line(seconds: float, latitude: float, longitude: float, who: str) -> str:
    def part(value: float, width: int, letters: str) -> str:
        hundredths = round(abs(value) * 6000)
        return f"{hundredths // 6000:0{width}d}{hundredths % 6000 / 100:05.2f}{letters[int(value < 0)]}"

    return f"{iso(seconds)[:19]}Z QX1ABC-7>APRS,{who}*:!{part(latitude, 2, 'NS')}/{part(longitude, 3, 'EW')}b"


def test_beacons_of_a_receiver_with_a_slow_clock(island, first, tmp_path):
    area, _, _ = island
    folder, ride, _ = first
    sent = np.arange(10, len(ride.time_s), 30)
    lines = [
        beacon_line(ride.time_s[k] - 400, ride.latitude_deg[k], ride.longitude_deg[k], "QI2WK-1")
        for n, k in enumerate(sent)
        if n % 3
    ]
    lines += [beacon_line(ride.time_s[50], 42.5, -33.0, "QI2WK").replace("QX1ABC-7", "QX9ZZZ")]
    (tmp_path / "beacons.txt").write_text("\n".join(lines))
    found = debrief(
        area, ridefile.read_ride(folder / "ride.toml"), folder / "track.gpx", [tmp_path / "beacons.txt"], progress=quiet
    )
    notes = " ".join(found.sources[0].notes)
    assert "400 s behind" in notes and "of another sender" in notes and "every 60 s" in notes
    received = [h for h in found.heard if h.worked]
    assert abs(len(received) - len(lines) + 1) <= 1
    assert abs(len(found.heard) - len(sent)) <= 3
    assert np.interp(received[10].time_s, ride.time_s - ride.time_s[0], ride.x_m) == pytest.approx(
        received[10].x_m, abs=30
    )


def test_a_card(island, first, tmp_path):
    area, _, _ = island
    folder, _, before = first
    overs = before.plan.routes[0].overs
    assert overs
    (tmp_path / "card.csv").write_text(f"{overs[0].label},c\n{len(overs) + 50},0\n")
    found = debrief(
        area, ridefile.read_ride(folder / "ride.toml"), folder / "track.gpx", [tmp_path / "card.csv"], progress=quiet
    )
    assert len(found.heard) == 1 and found.heard[0].worked
    assert overs[0].begin_s <= found.heard[0].time_s <= overs[0].end_s
    assert "no over" in found.sources[0].wrong[0]


def test_fit_instead_of_gpx(island, first, tmp_path):
    pytest.importorskip("fitdecode")
    area, _, _ = island
    folder, ride, before = first
    (tmp_path / "track.fit").write_bytes(
        fit_bytes(ride.latitude_deg, ride.longitude_deg, ride.elevation_m, ride.time_s)
    )
    found = debrief(area, ridefile.read_ride(folder / "ride.toml"), tmp_path / "track.fit", [], progress=quiet)
    assert found.plan.routes[0].length_m == pytest.approx(before.plan.routes[0].length_m, rel=0.02)


# --- what is no such ride


def test_a_track_of_another_place(island, first, tmp_path):
    area, _, _ = island
    folder, ride, _ = first
    far = replace(ride, latitude_deg=ride.latitude_deg + 3)
    (tmp_path / "track.gpx").write_text(far.gpx())
    with pytest.raises(InputError, match=r"outside the area.*another place"):
        debrief(area, ridefile.read_ride(folder / "ride.toml"), tmp_path / "track.gpx", [], progress=quiet)


def test_a_track_without_times(island, first, tmp_path):
    area, _, _ = island
    folder, ride, _ = first
    import re

    (tmp_path / "track.gpx").write_text(re.sub(r"<time>.*?</time>", "", ride.gpx()))
    with pytest.raises(InputError, match="no times"):
        debrief(area, ridefile.read_ride(folder / "ride.toml"), tmp_path / "track.gpx", [], progress=quiet)


def test_a_track_in_the_future_and_of_another_day(island, first):
    area, _, _ = island
    folder, ride, _ = first
    found = debrief(
        area,
        ridefile.read_ride(folder / "ride.toml"),
        folder / "track.gpx",
        [],
        progress=quiet,
        now_s=float(ride.time_s[0]) - 10 * 86400,
    )
    assert any("in the future" in text for text in found.warnings)


def test_a_track_of_another_day_moves_the_net(island, first, tmp_path):
    area, _, _ = island
    folder, ride, _ = first
    later = replace(ride, time_s=ride.time_s + 14 * 86400)
    (tmp_path / "track.gpx").write_text(later.gpx())
    found = debrief(area, ridefile.read_ride(folder / "ride.toml"), tmp_path / "track.gpx", [], progress=quiet)
    assert any("the ride file is for" in text for text in found.warnings)
    assert found.plan.nets[0].begins.date() == found.began.date()


@pytest.mark.parametrize(
    "spoil, said",
    [
        (("routeplan learnt 1", "routeplan learnt 9"), "format"),
        (("sd_db = ", "sd_db = 9"), "is no number"),
        (("[[offset]]", "[[offset]]\nextra = [1]"), None),
    ],
)
def test_a_spoilt_learnt_file_is_named(island, first, tmp_path, spoil, said):
    _area, text, _ = island
    _, _, found = first
    spoilt = found.learnt_toml.replace(*spoil)
    (tmp_path / "learnt.toml").write_text(spoilt)
    (tmp_path / "ride.toml").write_text('learnt = "learnt.toml"\n' + text)
    ride_ = ridefile.read_ride(tmp_path / "ride.toml")
    if said is None or spoilt == found.learnt_toml:
        learnt.learnt_of(ride_)
    else:
        with pytest.raises(InputError, match=said):
            learnt.learnt_of(ride_)


# --- what is written


def test_files(first, tmp_path):
    _, _, found = first
    paths = {p.name: p for p in debrief_write.write_debrief(found, tmp_path / "after")}
    assert set(paths) == {
        "debrief.html",
        "debrief_strip.png",
        "debrief_map.png",
        "learnt.toml",
        "evidence.csv",
        "heard.csv",
        "log.adi",
        "debrief.json",
    }
    page = paths["debrief.html"].read_text()
    assert "What the ride says" in page and "http" not in page.replace("http://www.w3.org", "")
    document = json.loads(paths["debrief.json"].read_text())
    assert document["format"] == "routeplan debrief 1" and len(document["heard"]) == 15
    assert len(paths["heard.csv"].read_text().splitlines()) == 16
    worked = sum(h.worked for h in found.heard)
    assert paths["log.adi"].read_text().count("<EOR>") == worked
    assert "APP_ROUTEPLAN_MARGIN_TO_DB" in paths["log.adi"].read_text()
    assert all(paths[name].read_bytes()[:4] == b"\x89PNG" for name in ("debrief_strip.png", "debrief_map.png"))


def test_log_reads_back(first, tmp_path):
    pytest.importorskip("adif_io")
    from routeplan.afterwards.reports import read_heard

    _, _, found = first
    (tmp_path / "log.adi").write_text(debrief_write.log_adif(found))
    again = read_heard(tmp_path / "log.adi")
    worked = [h for h in found.heard if h.worked]
    assert not again.wrong and len(again.reports) == len(worked)
    for report, heard in zip(again.reports, worked):
        assert report.station == heard.station
        assert report.latitude_deg == pytest.approx(heard.latitude_deg, abs=1e-4)


def test_command(island, first, tmp_path):
    area, _, _ = island
    folder, _, _ = first
    arguments = [
        "debrief",
        str(area.folder),
        str(folder / "ride.toml"),
        "--track",
        str(folder / "track.gpx"),
        "--heard",
        str(folder / "heard.csv"),
        "--out",
        str(tmp_path / "after"),
    ]
    done = CliRunner().invoke(cli.main, arguments)
    assert done.exit_code == 0, done.output
    assert "calls were worked" in done.output and (tmp_path / "after" / "debrief.html").exists()
    wrong = CliRunner().invoke(cli.main, [*arguments[:3], "--track", str(folder / "ride.toml")])
    assert wrong.exit_code == 2 and "not XML" in wrong.output
