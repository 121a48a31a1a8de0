"""Pictures: no text on text, all inside, readable in grey, well-formed SVG, true places."""

from __future__ import annotations

import io
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image as Picture
from sample_plan import sample_plan

from routeplan.output import look
from routeplan.output.card import card_pdf, card_scenes, kept, running_order
from routeplan.output.map import contact_classes, map_scene, map_view
from routeplan.output.scene import Area, Line, Scene, Text, pdf, png, shortened, svg, text_width, wrapped
from routeplan.output.strip import _ridden_parts, brief_strip_scene, strip_scene, time_ticks
from routeplan.output.trade_off import best_step, frontier, sentence, trade_off_scene
from routeplan.plan.value import Stretch


def overlaps(scene: Scene) -> list[tuple[str, str]]:
    """Pairs of texts whose boxes cut into each other by more than half a pixel."""
    texts = list(dict.fromkeys(item for item in scene.items if isinstance(item, Text)))  # painted twice is one text
    boxes = [text.box() for text in texts]
    bad = []
    for i, (left, top, right, bottom) in enumerate(boxes):
        for j in range(i):
            west, north, east, south = boxes[j]
            if min(right, east) - max(left, west) > 0.5 and min(bottom, south) - max(top, north) > 0.5:
                bad.append((texts[i].text, texts[j].text))
    return bad


def outside(scene: Scene) -> list[str]:
    return [
        item.text
        for item in scene.items
        if isinstance(item, Text)
        and not (item.box()[0] >= -0.5 and item.box()[2] <= scene.width + 0.5 and 0 <= item.box()[3] <= scene.height)
    ]


def crowded(plan):
    """The plan with many short overs and dead stretches, and long names."""
    route = plan.routes[0]
    end_m, end_s = route.length_m, route.ride_time_s
    cuts = np.linspace(0, 1, 61)
    pieces = [
        Stretch(a * end_m, b * end_m, a * end_s, b * end_s, str(k + 1)) for k, (a, b) in enumerate(pairwise(cuts))
    ]
    dead = [replace(p, label=chr(65 + k % 26)) for k, p in enumerate(pieces[1::2])]
    names = tuple(replace(mark, name=f"{mark.name} under the long hill") for mark in route.landmarks)
    busy = replace(
        route, overs=tuple(pieces[::2]), dead_stretches=tuple(dead), quiet_zones=tuple(pieces), landmarks=names
    )
    station = replace(plan.stations[0], name="Observatory on the Highest Fell of All")
    samples = replace(busy.samples, stations={station.name: route.samples.stations[plan.stations[0].name]})
    return replace(plan, routes=(replace(busy, samples=samples),), stations=(station, *plan.stations[1:]))


PLANS = {
    "net": sample_plan(),
    "free": sample_plan("BD", net=False),
    "no data": sample_plan("B", no_data=True),
    "crowded": crowded(sample_plan("D")),
}


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("width", [344.0, 360.0, 640.0, 1040.0, 1210.0])
def test_strip_property_text_never_overlaps(name, width):
    plan = PLANS[name]
    for route in plan.routes:
        scene = strip_scene(plan, route, width=width)
        assert overlaps(scene) == []
        assert outside(scene) == []


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("width", [320.0, 344.0, 640.0, 900.0])
def test_trade_off_property_text_never_overlaps(name, width):
    scene = trade_off_scene(PLANS[name], width=width)
    assert overlaps(scene) == []
    assert outside(scene) == []


@pytest.mark.parametrize("choices", ["AB", "ABC", "BD", "ACE", "ABCDE"])
@pytest.mark.parametrize("width", [320.0, 640.0, 900.0])
def test_trade_off_property_no_step_runs_through_words(choices, width):
    scene = trade_off_scene(sample_plan(choices), width=width)
    hairs = [item for item in scene.items if isinstance(item, Line) and item.color == "hair"]
    steps = [path for item in hairs for path in item.paths if len(path) == 3]
    assert len(steps) == len(frontier(sample_plan(choices))) - 1
    along = np.concatenate([np.linspace(a, b, 200) for part in steps for a, b in pairwise(part)])
    for text in (item for item in scene.items if isinstance(item, Text) and not item.bold):
        west, north, east, south = text.box()
        x, y = along.T
        assert not ((x > west) & (x < east) & (y > north) & (y < south)).any(), text.text


@pytest.mark.parametrize("width", [320.0, 344.0, 640.0])
def test_trade_off_property_the_limit_runs_under_the_rings_and_its_words_clear_of_the_ranges(width):
    plan = sample_plan("ABC")
    most = max(r.contact_share * r.net_s for r in plan.routes)
    plan = replace(plan, bound=replace(plan.bound, contact_s_at_most=most))  # through the best choice's ring
    scene = trade_off_scene(plan, width=width)
    kinds = [(type(item), getattr(item, "dash", ())) for item in scene.items]
    rings = [k for k, item in enumerate(scene.items) if isinstance(item, Area) and item.edge == "ink"]
    assert kinds.index((Line, (8, 4))) < min(rings)
    said = next(item for item in scene.items if isinstance(item, Text) and "can pass" in item.text)
    west, north, east, south = said.box()
    hairs = [item for item in scene.items if isinstance(item, Line) and item.color == "hair"]
    for path in (path for item in hairs for path in item.paths if len(path) == 2 and path[0][0] == path[1][0]):
        x, low, high = path[0][0], *sorted(path[:, 1])
        assert not (west < x < east and low < south and north < high)


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("width", [320.0, 344.0, 640.0])
def test_trade_off_property_no_level_line_runs_through_words(name, width):
    scene = trade_off_scene(PLANS[name], width=width)
    levels = [
        (path[0], path[1])
        for item in scene.items
        if isinstance(item, Line) and item.color == "hair"
        for path in item.paths
        if len(path) == 2 and path[0][1] == path[1][1] and path[1][0] - path[0][0] > 100
    ]
    for text in (item for item in scene.items if isinstance(item, Text)):
        west, north, east, south = text.box()
        for (left, y), (right, _) in levels:
            assert text.bold or not (north < y < south and west < right and east > left), text.text


def discs(scene: Scene, across: float) -> list[tuple[float, float, float, float]]:
    """left, top, right, bottom of the filled discs of that width."""
    boxes = [(*item.rings[0].min(axis=0), *item.rings[0].max(axis=0)) for item in scene.items if isinstance(item, Area)]
    return [box for box in boxes if abs(box[2] - box[0] - across) < 0.1]


@pytest.mark.parametrize("name", PLANS)
def test_strip_property_every_dead_stretch_has_whole_dots(name):
    plan = PLANS[name]
    for route in plan.routes:
        dots = discs(strip_scene(plan, route, width=1210.0), 3.2)
        assert len(dots) >= len(route.dead_stretches)
        brief = brief_strip_scene(plan, route, width=310.0)
        texts = [item.box() for item in brief.items if isinstance(item, Text)]
        for left, top, right, bottom in discs(brief, 3.2):
            assert not any(left < e and right > w and top < s and bottom > n for w, n, e, s in texts)


@pytest.mark.parametrize("width", [344.0, 1200.0])
def test_map_property_no_name_stands_on_a_summit(width):
    plan = sample_plan("AB")
    x, y = plan.routes[0].samples.x_m[0], plan.routes[0].samples.y_m[0]
    crowd = tuple((f"Summit {k}", "peak", float(x + 900 * (k % 4)), float(y + 250 * (k // 4))) for k in range(16))
    plan = replace(plan, background=replace(plan.background, place_names=crowd))
    scene = map_scene(plan, route=plan.routes[0], width=width)
    marks = [i.paths[0] for i in scene.items if isinstance(i, Line) and i.color == "quiet" and len(i.paths[0]) == 4]
    assert len(marks) >= 2
    boxes = [(*mark.min(axis=0), *mark.max(axis=0)) for mark in marks]
    for west, north, east, south in boxes:
        for text in (item.box() for item in scene.items if isinstance(item, Text)):
            assert not (text[0] < east and text[2] > west and text[1] < south and text[3] > north)


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("width", [344.0, 1200.0])
def test_map_property_text_never_overlaps(name, width):
    plan = PLANS[name]
    scene = map_scene(plan, route=plan.routes[-1], width=width)
    assert overlaps(scene) == []
    assert outside(scene) == []


@pytest.mark.parametrize("name", PLANS)
def test_card_property_twelve_points_inside_and_apart(name):
    plan = PLANS[name]
    for route in plan.routes:
        for page in card_scenes(plan, route):
            assert (page.width, page.height) == (420.0, 595.0)  # A5
            assert min(item.size for item in page.items if isinstance(item, Text)) >= 12.0
            assert overlaps(page) == []
            assert outside(page) == []


def test_card_property_black_and_white():
    assert {value for name, value in look.PRINT.items() if name in ("ink", "paper")} == {"#000000", "#FFFFFF"}
    for value in look.PRINT.values():
        assert value[1:3] == value[3:5] == value[5:7]  # no hue


def test_card_property_keeps_what_matters_when_crowded():
    plan = PLANS["crowded"]
    order = running_order(plan, plan.routes[0])
    short = kept(order, 20)
    assert len(short) == 20
    assert {row.text for row in order if row.rank == 0} <= {row.text for row in short}
    assert [row.distance_m for row in short] == sorted(row.distance_m for row in short)
    # a place to call goes before the end of a dead stretch, whose time stands at its begin
    calls = {row.text for row in order if row.text.startswith("call ")}
    ends = {row.text for row in order if row.text.startswith("back in contact")}
    assert calls and ends
    for most in range(5, len(order) + 1):
        shown = {row.text for row in kept(order, most)}
        assert calls <= shown or not ends & shown


def test_card_property_pdf_is_two_a5_pages_without_names_or_dates():
    data = card_pdf(sample_plan("C"), sample_plan("C").routes[0])
    assert data.startswith(b"%PDF")
    assert data.count(b"/MediaBox [0 0 420 595]") == 2 or data.count(b"/MediaBox [ 0 0 420 595 ]") == 2
    assert b"CreationDate" not in data and b"/Author" not in data


def test_pdf_property_other_alphabets_bring_their_letters():
    scene = Scene(200, 100)
    scene.text(10, 50, "Λόφος 430")
    assert b"FontFile2" in pdf([scene], title="x")


def test_strip_property_tones_stay_apart_in_grey():
    """Dark and light of a band, ground and paper differ by at least 20 of 255 in luma, for every accent."""
    luma = np.array([0.299, 0.587, 0.114])

    def grey(name, opacity=1.0, beneath="paper"):
        top, under = (np.array([int(look.PAPER[n][k : k + 2], 16) for k in (1, 3, 5)]) for n in (name, beneath))
        return float((opacity * top + (1 - opacity) * under) @ luma)

    for k in range(4):
        light = grey(look.accent(k), 0.30)
        both = 0.72 * grey(look.accent(k)) + 0.28 * light
        tones = sorted([grey("paper"), light, both])
        assert np.diff(tones).min() > 20
    assert grey("paper") - grey("ground") > 20


def test_strip_property_stations_differ_by_form():
    assert len({look.marker(k) for k in range(6)}) == 6


def test_strip_property_sizes_and_svg():
    plan = sample_plan("D")
    scene = strip_scene(plan, plan.routes[0])
    image = Picture.open(io.BytesIO(png(scene)))
    assert image.size == (1210, int(scene.height))
    for css in (False, True):
        root = ElementTree.fromstring(svg(scene, css=css))
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root.find("{http://www.w3.org/2000/svg}title") is not None
    assert len(svg(scene)) < 120_000


def test_strip_property_png_shows_what_the_scene_says():
    """An over's bar is ink where its time lies, paper beside it."""
    plan = sample_plan("D")
    route = plan.routes[0]
    scene = strip_scene(plan, route)
    left, right, end = (float(scene.data[key]) for key in ("left", "right", "end"))
    bars = [item for item in scene.items if getattr(item, "width", 0) == 4.0 and hasattr(item, "paths")]
    assert len(bars) == len(route.overs)
    pixels = np.asarray(Picture.open(io.BytesIO(png(scene))).convert("L"))
    for over in route.overs:
        x = left + (right - left) * (over.begin_s + over.end_s) / 2 / end
        y = float(bars[0].paths[0][0, 1])
        assert pixels[int(y), int(x)] < 80
    gap = left + (right - left) * (route.dead_stretches[0].begin_s + 60) / end
    assert pixels[int(y), int(gap)] > 220


def test_strip_property_is_the_same_every_time():
    plan = sample_plan("C")
    assert svg(strip_scene(plan, plan.routes[0])) == svg(strip_scene(plan, plan.routes[0]))
    assert svg(map_scene(plan)) == svg(map_scene(plan))


def test_brief_strip_property_has_no_small_words():
    plan = sample_plan("D")
    scene = brief_strip_scene(plan, plan.routes[0], width=310.0)
    assert overlaps(scene) == []
    assert not any("min" in item.text for item in scene.items if isinstance(item, Text))


def test_strip_property_ticks_are_round_times():
    route = sample_plan("B").routes[0]  # departs 18:58 when alone it is 18:55
    for seconds in time_ticks(route, route.ride_time_s, 8):
        assert (route.departs.hour * 60 + route.departs.minute + seconds / 60) % 5 == pytest.approx(0)


def test_trade_off_property_frontier_and_sentence():
    plan = sample_plan()
    assert [route.id for route in frontier(plan)] == ["A", "B", "C", "D", "E"]
    step = best_step(plan)
    assert step is not None and step[2] in sentence(plan)
    flat = replace(plan, routes=tuple(replace(r, contact_share=0.5 + 0.01 * k) for k, r in enumerate(plan.routes)))
    assert best_step(flat) is None
    assert "less than 5 points" in sentence(flat)


def test_trade_off_property_mended_rides_are_compared_with_the_usual_one():
    plan = sample_plan("ABC")
    shares, efforts = (0.5, 0.58, 0.64), (500.0, 520.0, 530.0)
    routes = tuple(
        replace(r, contact_share=share, effort_kj=kj, net_s=0.0) for r, share, kj in zip(plan.routes, shares, efforts)
    )
    mended = replace(plan, job="mend", routes=routes)
    assert sentence(mended) == "C: 30 kJ more than A buys 14 points of contact share."
    assert sentence(replace(mended, job="loop")) == "C: 10 kJ more than B buys 6 points of contact share."
    less = replace(mended, routes=(routes[0], routes[1], replace(routes[2], effort_kj=490.0)))
    assert sentence(less) == "C: 14 points of contact share more than A for 10 kJ less."
    same = replace(mended, routes=(routes[0], replace(routes[1], contact_share=0.52)))
    assert sentence(same) == "No mended ride has 5 points of contact more than A: compare the dead minutes."


def test_trade_off_property_equal_choices_do_not_hide_each_other():
    plan = sample_plan()
    twins = replace(plan, routes=tuple(replace(r, effort_kj=800.0, contact_share=0.6) for r in plan.routes))
    scene = trade_off_scene(twins)
    letters = [item for item in scene.items if isinstance(item, Text) and item.text in "ABCDE" and item.bold]
    assert len(letters) == 5
    assert overlaps(scene) == []


def test_map_property_view_holds_every_ride_and_is_true_to_scale():
    plan = sample_plan()
    view = map_view(plan, width=1000)
    for route in plan.routes:
        px = view.xy(route.samples.x_m, route.samples.y_m)
        assert px[:, 0].min() > 0 and px[:, 0].max() < view.width
        assert px[:, 1].min() > 0 and px[:, 1].max() < view.height
    a, b = view.xy(0.0, 0.0), view.xy(1000.0, 0.0)
    c = view.xy(0.0, 1000.0)
    assert b[0] - a[0] == pytest.approx(a[1] - c[1]) == pytest.approx(1000 * view.scale)


def test_map_property_contact_classes():
    samples = sample_plan("B", no_data=True).routes[0].samples
    chance = np.array([1.0, 1.0, 0.7, 0.7, 0.2, np.nan, 0.95])
    part = replace(samples, chance=chance)
    assert contact_classes(part, 0.9).tolist() == [2, 1, 1, 0, -1, -1]


def test_map_property_far_stations_are_pointed_at():
    plan = sample_plan("A")
    far = replace(plan.stations[0], x_m=60_000.0)
    scene = map_scene(replace(plan, stations=(far, *plan.stations[1:])))
    assert any("km on" in item.text for item in scene.items if isinstance(item, Text))
    assert overlaps(scene) == []


def test_map_property_without_background():
    plan = replace(sample_plan("A"), background=None)
    assert overlaps(map_scene(plan)) == []
    assert png(map_scene(plan)).startswith(b"\x89PNG")


def test_scene_property_text_fits():
    assert text_width("abc", 20) == pytest.approx(2 * text_width("abc", 10), rel=1e-6)
    for line in wrapped("a line of words that is too long for it", 11, 100):
        assert text_width(line, 11) <= 100
    assert text_width(shortened("a very long name indeed", 11, 60), 11) <= 60


def test_strip_property_a_halt_is_no_quiet_zone():
    route = sample_plan("A").routes[0]
    samples = route.samples
    time_s = samples.time_s + np.where(np.arange(len(samples.time_s)) > 40, 600.0, 0.0)
    distance = samples.distance_m.copy()
    distance[41] = distance[40]
    a, b = float(time_s[40]), float(time_s[41])
    zones = tuple(
        replace(route.quiet_zones[0], begin_s=begin, end_s=end)
        for begin, end in ((a - 50, b + 30), (a - 200, a - 100), (a + 100, b - 100))
    )
    halted = replace(route, samples=replace(samples, time_s=time_s, distance_m=distance), quiet_zones=zones)
    assert _ridden_parts(halted) == [(a - 200, a - 100), (a - 50, a), (b, b + 30)]
    assert _ridden_parts(replace(route, quiet_zones=zones)) == sorted((z.begin_s, z.end_s) for z in zones)
