"""What the page answers: areas, ground, rides, coverage. Without a socket."""

from __future__ import annotations

import base64
import json
import time
import tomllib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from page_browser import Browser, said

from routeplan.page.edited import edited
from routeplan.page.rides import from_json, to_json
from routeplan.plan import ridefile
from routeplan.plan.ridefile import document_text, template_text


def test_the_page_and_its_files(browser: Browser) -> None:
    page = browser.get("/")
    assert page.status == 200 and b"<title>routeplan</title>" in page.body
    for name in ("main.js", "page.css", "map.js"):
        assert browser.get(f"/static/{name}").status == 200
    assert b"--accent0:" in browser.get("/look.css").body
    policy = dict(page.headers)["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "http" not in policy


def test_nothing_in_the_page_points_outside(browser: Browser) -> None:
    from routeplan.page.app import _static

    for name, data in _static().items():
        text = data.decode().replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text and "https:" not in text and "//cdn" not in text, name


def test_hello_holds_words_and_explanations(browser: Browser) -> None:
    hello = said(browser.get("/api/hello"))
    assert hello["areas"][-1] == {"key": "demo", "name": "demo island"}
    assert "vertical on the chimney" in [word for word, _ in hello["words"]["kind"]]
    assert "rack" in [word for word, _ in hello["words"]["mount"]]
    assert all(text for _, text in [*hello["figures"].values(), *hello["fields"].values()])
    assert {k["name"] for k in hello["keys"]["ride"]} >= {"length_km", "hours", "home_by", "follow"}


def test_the_ground_of_the_map(browser: Browser, demo_area: Any) -> None:
    facts = said(browser.get("/api/area", area="demo"))
    assert facts["streets"] == demo_area.network.street_count
    relief = browser.get("/api/relief", area="demo", dark=1)
    assert relief.type == "image/png" and relief.body.startswith(b"\x89PNG")
    data = browser.get("/api/streets", area="demo").body
    n, p = np.frombuffer(data[:8], "<u4")
    first = np.frombuffer(data, "<u4", n + 1, 8)
    xy = np.frombuffer(data, "<f4", 2 * p, 8 + 4 * (n + 1)).reshape(-1, 2)
    assert n == demo_area.network.street_count and first[-1] == p and len(data) == 8 + 4 * (n + 1) + 8 * p + n
    assert np.diff(first.astype(int)).min() >= 2
    assert abs(xy[:, 0].min() - demo_area.network.point_x_m.min()) < 5


def test_a_place_of_the_map(browser: Browser, demo_area: Any) -> None:
    place = said(browser.get("/api/place", area="demo", x=0, y=0))
    x, y = demo_area.projection.to_xy(*place["position"])
    assert abs(x) < 0.2 and abs(y) < 0.2 and len(place["locator"]) == 8
    assert browser.get("/api/place", area="demo", x="nan", y=0).status == 422


def test_a_ride_is_looked_at(browser: Browser, evening: dict[str, Any]) -> None:
    seen = said(browser.post("/api/ride/look", {"area": "demo", "ride": evening}))
    assert seen["faults"] == [] and len(seen["places"]["stations"]) == 2
    assert len({s["letter"] for s in seen["places"]["stations"]}) == 2
    evening["station"][1]["kind"] = "chimny"
    evening["ride"]["length_km"] = -3
    seen = said(browser.post("/api/ride/look", {"area": "demo", "ride": evening}))
    assert len(seen["faults"]) == 2
    assert all(fault["what"] and fault["where"] and fault["mend"] for fault in seen["faults"])


def test_a_saved_ride_is_the_ride_file_that_the_command_line_reads(browser: Browser, evening: dict[str, Any]) -> None:
    evening["ride"]["length_km"] = 28.5
    assert said(browser.post("/api/ride/save", {"ride": evening}, name="my evening"))["name"] == "my evening.toml"
    read = ridefile.read_ride(browser.folder / "my evening.toml")
    assert read.ride.length_km == 28.5 and read.start.departs is not None
    again = said(browser.get("/api/ride", name="my evening.toml"))["ride"]
    assert again == evening
    assert said(browser.get("/api/rides"))["rides"] == ["my evening.toml"]
    text = browser.post("/api/ride/text", {"ride": evening}).body.decode()
    assert tomllib.loads(text) == tomllib.loads((browser.folder / "my evening.toml").read_text())


COMMENTED = """# My Thursday
[ride]                 # the wish comes first here
length_km = 30         # as far as the light allows

[start]
position = [41.22662, -32.99290]  # the green
departs = 2026-08-06T18:55:00
time_zone = "Atlantic/Azores"

# Whom I want to work
[station]
name = "QI4HM"         # south
position = [41.17950, -33.02250]
kind = "vertical on the chimney"

# The net
[net]
frequency_mhz = 145.450
begins = "19:30"
# control = "QI4HM"
"""


def test_saving_keeps_comments_order_and_spelling(browser: Browser) -> None:
    (browser.folder / "mine.toml").write_text(COMMENTED)
    opened = said(browser.get("/api/ride", name="mine.toml"))
    ride = opened["ride"]
    ride["ride"]["length_km"] = 28
    ride["station"].append({"name": "QI5PS", "position": [41.29146, -33.06419]})
    ask = {"ride": ride, "before": opened["text"]}
    saved = said(browser.post("/api/ride/save", ask, name="mine"))
    text = (browser.folder / "mine.toml").read_text()
    assert text == saved["text"] == browser.post("/api/ride/text", ask).body.decode()
    assert text == COMMENTED.replace("length_km = 30 ", "length_km = 28 ").replace("[station]", "[[station]]").replace(
        "# The net\n", '[[station]]\nname = "QI5PS"\nposition = [41.29146, -33.06419]\n\n# The net\n'
    )
    anew = ridefile.read_ride_text(document_text(from_json(ride)))
    assert replace(ridefile.read_ride_text(text), document={}) == replace(anew, document={})
    assert said(browser.get("/api/ride", name="mine.toml"))["ride"] == ride


@pytest.mark.parametrize("seed", range(25))
def test_property_a_kept_text_says_what_the_page_holds(browser: Browser, seed: int) -> None:
    """Whatever is changed, the text means exactly what the page holds; what is not touched stays as it is."""
    random_ = np.random.default_rng(seed)
    text = template_text(browser.folder / "none") if seed % 2 else COMMENTED
    tables = json.loads(json.dumps(to_json(tomllib.loads(text))))
    for _ in range(3):
        name = random_.choice(["ride", "station", "net", "set", "start", "weather"])
        rows = tables.get(name) if name in ("station", "net") else None
        what = random_.random()
        if rows is not None and what < 0.4 and rows:
            del rows[int(random_.integers(len(rows)))]
        elif name in ("station", "net"):
            tables.setdefault(name, []).append({"name": f"Q{seed}", "frequency_mhz" if name == "net" else "kind": "x"})
        elif what < 0.5 and tables.get(name):
            del tables[name][str(random_.choice(list(tables[name])))]
        else:
            tables.setdefault(name, {})["choices"] = int(random_.integers(9))
    out = edited(text, from_json(tables), to_json)
    assert out is not None and to_json(tomllib.loads(out)) == to_json(from_json(tables))
    remarks = [line for line in text.splitlines() if line.startswith("#")]
    kept = [line for line in out.splitlines() if line.startswith("#")]
    assert [line for line in remarks if line in kept] == kept and len(kept) >= 0.8 * len(remarks)


def test_another_ride_of_that_name_is_replaced_only_when_asked(browser: Browser, evening: dict[str, Any]) -> None:
    (browser.folder / "mine.toml").write_text(COMMENTED)
    refused = browser.post("/api/ride/save", {"ride": evening}, name="mine")
    assert refused.status == 422 and "not the ride that you opened" in said(refused)["faults"][0]["what"]
    assert (browser.folder / "mine.toml").read_text() == COMMENTED
    assert browser.post("/api/ride/save", {"ride": evening}, name="mine", replace=1).status == 200
    assert "QI5PS" in (browser.folder / "mine.toml").read_text()


@pytest.mark.parametrize("before", ["", "[", "x" * 300_000, 7, None, "[start]\n[start]\n", "a = 1\n" * 3, "[[ride]]\n"])
def test_a_text_that_serves_nothing_does_no_harm(browser: Browser, evening: dict[str, Any], before: Any) -> None:
    text = browser.post("/api/ride/text", {"ride": evening, "before": before}).body.decode()
    assert to_json(tomllib.loads(text)) == evening


def test_a_file_that_is_dropped_tells_its_faults_with_lines(browser: Browser) -> None:
    answer = browser.post(
        "/api/ride/read", b'[start]\npositon = [41.2, -33.0]\n[ride]\nlength_km = "x"\n', name="bad.toml"
    )
    assert answer.status == 422
    faults = said(answer)["faults"]
    assert any("line 2" in f["where"] and "position" in f["mend"] for f in faults)
    assert any("line 4" in f["where"] for f in faults)


def test_the_page_itself_is_told_faults_without_a_complaint_in_its_console(browser: Browser) -> None:
    browser.headers["x-page"] = "1"
    answer = browser.post("/api/ride/read", b"[strat]", name="bad.toml")
    assert answer.status == 200 and ("X-Faults", "1") in answer.headers and said(answer)["faults"]
    assert browser.get("/api/nothing").status == 404


def test_a_wrong_ride_cannot_be_saved(browser: Browser, evening: dict[str, Any]) -> None:
    evening["set"]["mount"] = "helmet"
    assert browser.post("/api/ride/save", {"ride": evening}, name="x").status == 422
    assert list(browser.folder.iterdir()) == []


def decoded(answer: Any) -> np.ndarray:
    found = json.loads(answer.body)
    return np.frombuffer(base64.b64decode(found["chance"]), np.uint8).reshape(found["rows"], found["cols"])


def test_coverage_follows_a_station(browser: Browser, evening: dict[str, Any]) -> None:
    ask = {"area": "demo", "ride": evening, "cells": 60}
    before = decoded(browser.post("/api/coverage", ask))
    assert max(before.shape) == 60 and before.max() > 150
    alone = decoded(browser.post("/api/coverage", {**ask, "only": evening["station"][0]["name"]}))
    assert (alone.astype(int) <= before.astype(int) + 1)[(alone < 255) & (before < 255)].all()
    evening["station"][0]["position"] = [41.25, -33.05]
    took = []
    for _ in range(3):
        began = time.perf_counter()
        after = decoded(browser.post("/api/coverage", ask))
        took.append(time.perf_counter() - began)
    assert (after != before).any()
    assert min(took) < 0.5


def test_coverage_of_a_station_outside_says_so(browser: Browser, evening: dict[str, Any]) -> None:
    evening["station"][0]["position"] = [42.9, -33.05]
    answer = browser.post("/api/coverage", {"area": "demo", "ride": evening, "cells": 60})
    assert answer.status == 422 and "outside the area" in said(answer)["faults"][0]["what"]


@pytest.mark.parametrize("path", ["/api/area", "/api/relief", "/api/streets", "/api/place"])
def test_an_unknown_area_is_refused(browser: Browser, path: str) -> None:
    answer = browser.get(path, area="../../etc", x=0, y=0)
    assert answer.status == 422 and "no such area" in said(answer)["faults"][0]["what"]


def test_vocabulary_and_explanations_name_known_keys(browser: Browser) -> None:
    from routeplan.page.explain import FIELDS
    from routeplan.plan.ridekeys import SECTIONS, keys_of

    for path in FIELDS:
        section, _, key = path.partition(".")
        assert key in keys_of(SECTIONS[section]) or (section, key) == ("station", "place"), path
