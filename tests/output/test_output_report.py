"""Report, and the writer of all files: self-contained, complete, whole files, the same numbers everywhere."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from sample_plan import sample_plan
from scipy.special import ndtr

from routeplan.errors import InputError
from routeplan.output import atomic, rows, write
from routeplan.output.card import card_scenes
from routeplan.output.cautions import GENERAL, cautions
from routeplan.output.report import report_html
from routeplan.output.scene import Text
from routeplan.output.strip import strip_scene
from routeplan.output.table import table
from routeplan.plan import words
from routeplan.plan.document import from_text
from routeplan.plan.on_air import beacon_plan, exposure_lines, frequency_mhz, spread_db


class Page(HTMLParser):
    """Text, attributes and open tags of an HTML page."""

    VOID = frozenset({"meta", "link", "br", "hr", "img", "input"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text, self.attributes, self.open, self.unclosed = "", [], [], []
        self.skip = False
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.attributes += [(tag, name, value) for name, value in attrs]
        self.skip = tag in ("script", "style")
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag):
        self.skip = False
        if self.open and self.open[-1] == tag:
            self.open.pop()
        else:
            self.unclosed.append(tag)

    def handle_data(self, data):
        if not self.skip:
            self.text += data + " "


@pytest.fixture(scope="module")
def plan():
    return sample_plan(no_data=True)


@pytest.fixture(scope="module")
def html(plan):
    return report_html(plan)


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


def test_report_property_asks_for_nothing_from_outside(html, page):
    assert len(html.encode()) < 3_000_000
    for tag, name, value in page.attributes:
        if name in ("src", "href", "xlink:href", "action", "data", "srcset", "poster"):
            assert value.startswith(("#", "data:")), (tag, name, value[:60])
    style = "".join(re.findall(r"<style>(.*?)</style>", html, re.S))
    assert "url(" not in style and "@import" not in style
    script = html[html.rindex("<script>") :]
    assert not re.search(r"fetch|XMLHttpRequest|import\(|WebSocket|sendBeacon|new Image", script)
    assert set(re.findall(r"https?://[^\"'< ]+", html)) <= {"http://www.w3.org/2000/svg"}


def test_report_property_is_well_formed(page):
    assert page.open == [] and page.unclosed == []


def test_report_property_is_complete(plan, page):
    text = " ".join(page.text.split())
    for route in plan.routes:
        assert route.headline in text
        assert route.why in text
        for over in route.overs:
            assert words.clock(route.departs, over.begin_s) in text
        for place in route.calling_places:
            assert place.name in text
    for topic, _ in GENERAL:
        assert topic in text
    for assumption in plan.assumptions:
        assert assumption.key in text and assumption.origin in text
    assert text.count(" guess ") >= 3
    assert "Two stations stand on guessed heights." in text
    assert "1.2 km of this ride have no elevation data." in text
    assert "set.mount = chest" in text
    assert "screening" in text
    assert "no loop inside this window can pass 57" in text


def test_report_property_order_strip_before_map(html):
    for part in html.split("<article ")[1:]:
        assert part.index('class="strip"') < part.index('class="map"')
    assert html.index('id="choices"') < html.index("<article ")


def test_report_property_texts_of_people_are_escaped():
    plan = replace(sample_plan("A"), title="<script>alert(1)</script>", notes=("a < b & c",))
    html = report_html(plan)
    assert "<script>alert" not in html
    assert "A &lt; b &amp; c." in html
    station = replace(plan.stations[0], name="</script><b>")
    samples = plan.routes[0].samples
    named = replace(samples, stations={station.name: samples.stations[plan.stations[0].name]})
    odd = replace(plan, stations=(station,), routes=(replace(plan.routes[0], samples=named),), title="x")
    assert Page(report_html(odd)).unclosed == []


def test_report_property_links_fit_the_pictures(plan, html):
    links = json.loads(re.search(r'<script type="application/json" id="links">(.*?)</script>', html, re.S).group(1))
    assert list(links) == [route.id for route in plan.routes]
    for route in plan.routes:
        link = links[route.id]
        assert len(link["t"]) == len(link["x"]) == len(link["y"]) == len(link["km"])
        assert all(0 <= v <= 1 for v in (*link["x"], *link["y"]))
        assert link["km"][-1] == pytest.approx(route.length_m / 1000, abs=0.06)


def words_of(scenes) -> str:
    return " ".join(item.text for scene in scenes for item in scene.items if isinstance(item, Text))


@pytest.mark.parametrize("net", [True, False])
def test_outputs_property_say_the_same_numbers(net):
    """The figures of the JSON document, worded anew here, stand on terminal, card, report and strip."""
    plan = sample_plan("BD", net=net)
    document = json.loads(write.json_text(plan))
    terminal, page = table(plan), " ".join(Page(report_html(plan)).text.split())
    for route, written in zip(plan.routes, document["routes"]):
        total = int(written["ride_time_s"] / 60 + 0.5)
        low, high = written["contact_share_range"]
        if net:
            scale = written["net_s"] / 60
            share = f"{int(written['contact_share'] * scale + 0.5)} of {int(scale + 0.5)}"
        else:
            scale = 100
            share = f"{int(written['contact_share'] * 100 + 0.5)} %"
        spread = f"({int(low * scale + 0.5)}-{int(high * scale + 0.5)})"
        length, climb = f"{written['length_m'] / 1000:.1f}", f"{int(written['climb_m'] + 0.5)}"
        said = [f"{length} km", f"{total // 60} h {total % 60:02d}", f"{climb} m up", share, spread]
        card, strip = words_of(card_scenes(plan, route)), words_of([strip_scene(plan, route)])
        for figure in said:
            for place, text in (("card", card), ("report", page), ("strip", strip)):
                assert figure in text, (figure, place)
        effort, dead = f"{int(written['effort_kj'] + 0.5)}", f"{int(written['longest_dead_s'] / 60 + 0.5)} min"
        line = next(line for line in terminal.splitlines() if line.startswith(f"{route.id} "))
        for figure in (length, f"{total // 60}:{total % 60:02d}", climb, share, spread, effort, dead):
            assert figure in line
            assert figure in page
        for over in written["overs"]:
            begins = words.clock(route.departs, over["begin_s"])
            assert begins in card and begins in page
        for dead_stretch in written["dead_stretches"]:
            ends = words.clock(route.departs, dead_stretch["end_s"])
            assert ends in card and ends in page


def test_card_property_holds_what_a_rider_needs_at_a_stop():
    plan = sample_plan("D")
    front, back = (words_of([scene]) for scene in card_scenes(plan, plan.routes[0]))
    for text in (
        "NET 19:30-20:30 145.450 MHz FM",
        "tone 77.0 Hz",
        "time",
        "late",
        "km",
        "NET begins",
        "over 1",
        "dead A: last call before",
    ):
        assert text in front
    for text in ("Calling places", "Nobody answers", "Ways home", "telephone first", "Ride first", " N ", " W "):
        assert text in back
    assert re.search(r"[A-R]{2}\d\d[a-x]{2}\d\d", back)


def test_cautions_property_cover_the_subjects():
    said = " ".join(f"{topic} {text}" for topic, text in cautions(sample_plan("A"))).lower()
    for subject in (
        "traffic",
        "licence",
        "thunderstorm",
        "power lines",
        "telephone first",
        "screening",
        "implant",
        "fuel",
    ):
        assert subject in said
    assert " safe" not in said.replace("safely", "")


def test_report_property_beacons_and_exposure_come_from_the_plan(plan, page):
    text = " ".join(page.text.split())
    assert "Position beacon every" in text
    assert "RF exposure screening, 145.45 MHz, 5 W" in text
    assert "averaged over the worst 30 min" in text
    assert exposure_lines(replace(plan, assumptions=()), plan.routes[0]) == ()


def test_beacons_property_follow_the_margins():
    plan = sample_plan("E")
    route = plan.routes[0]
    heard = beacon_plan(plan, route)
    louder = {
        name: replace(s, margin_to_db=s.margin_to_db + 10, chance_to=ndtr((s.margin_to_db + 10) / 9.0))
        for name, s in route.samples.stations.items()
    }
    better = beacon_plan(plan, replace(route, samples=replace(route.samples, stations=louder)))
    assert spread_db(route) == pytest.approx(9.0, rel=0.05)
    assert better.mean_wait_s < heard.mean_wait_s
    assert (
        beacon_plan(replace(plan, stations=(), nets=()), replace(route, samples=replace(route.samples, stations={})))
        is None
    )


def test_write_all_property_names_and_progress(plan, tmp_path):
    said = []
    paths = write.write_all(sample_plan("AB"), tmp_path / "new" / "ride", progress=said.append)
    names = {path.name for path in paths}
    assert {
        "report.html",
        "plan.json",
        "map.png",
        "trade_off.png",
        "strip_A.png",
        "ride_A.gpx",
        "card_A.pdf",
        "ride_B.csv",
        "ride_A.ics",
        "rides.geojson",
        "rides.gpkg",
        "rides.kml",
    } <= names
    assert {path.name for path in (tmp_path / "new" / "ride").iterdir()} == names  # no leftovers
    assert all(path.stat().st_size > 300 for path in paths)
    assert len(said) > 4
    assert from_text((tmp_path / "new" / "ride" / "plan.json").read_text()).title == plan.title


def test_write_property_a_short_list_for_a_quick_look(tmp_path):
    names = {path.name for path in write.write_all(sample_plan("A"), tmp_path, everything=False)}
    assert {"plan.json", "map.png", "strip_A.png", "ride_A.gpx", "trade_off.png"} <= names
    assert "rides.gpkg" not in names


def test_atomic_property_a_failed_write_leaves_what_was_there(tmp_path):
    path = tmp_path / "x.txt"
    path.write_text("old")
    with pytest.raises(RuntimeError), atomic.replacing(path) as temporary:
        temporary.write_text("half")
        raise RuntimeError
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["x.txt"]


def test_atomic_property_a_place_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="file"):
        atomic.write_text(tmp_path / "file" / "plan.json", "x")
    (tmp_path / "taken").mkdir()
    with pytest.raises(InputError, match="taken"):
        atomic.write_text(tmp_path / "taken", "x")


def test_write_json_property(tmp_path):
    path = write.write_json(sample_plan("A"), tmp_path / "p.json")
    assert path.read_text() == write.json_text(sample_plan("A"))


def test_on_air_property_a_net_on_hf_is_not_what_the_rider_talks_on():
    plan = sample_plan("A")
    hf = replace(plan.nets[0], frequency_mhz=3.65, mode="SSB")
    two_metres = replace(plan.nets[0], frequency_mhz=145.45)
    assert frequency_mhz(replace(plan, nets=(hf, two_metres))) == 145.45
    assert frequency_mhz(replace(plan, nets=(hf,))) == plan.stations[0].transmit_mhz
    assert frequency_mhz(replace(plan, nets=(hf,), stations=())) == 3.65
    assert frequency_mhz(replace(plan, nets=(), stations=())) is None
    alone, both = (replace(plan, nets=nets) for nets in ((two_metres,), (hf, two_metres)))
    assert beacon_plan(both, plan.routes[0]) == beacon_plan(alone, plan.routes[0])


def test_the_page_lists_the_calling_places_of_the_report():
    from routeplan.page.view import plan_view

    plan = sample_plan("AB")
    for route, seen in zip(plan.routes, plan_view(plan)["routes"]):
        assert [call["name"] for call in seen["calls"]] == [rows.called(p) for p in rows.calling_places(route)]
        assert seen["calls"]
