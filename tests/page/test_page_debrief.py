"""After the ride, on the page: a kept track and dropped reports become words, files and a learnt file."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, timedelta
from typing import Any

import pytest
from page_browser import Browser, said

from routeplan.plan import jobs, ridefile
from routeplan.plan.area import Area

RIDE = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[ride]
length_km = 12
choices = 1
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
"""


@pytest.fixture(scope="module")
def ridden(fault_area: Area) -> tuple[bytes, str]:
    """A recorded ride that went as planned, and reports of it."""
    route = jobs.plan("loop", fault_area, ridefile.read_ride_text(RIDE), progress=lambda text: None).routes[0]
    samples, began = route.samples, route.departs.astimezone(UTC)
    rows = zip(samples.latitude_deg, samples.longitude_deg, samples.elevation_m, samples.time_s)
    points = "".join(
        f'<trkpt lat="{a:.6f}" lon="{o:.6f}"><ele>{z:.1f}</ele>'
        f"<time>{(began + timedelta(seconds=float(t))):%Y-%m-%dT%H:%M:%SZ}</time></trkpt>"
        for a, o, z, t in rows
    )
    gpx = f'<?xml version="1.0"?><gpx version="1.1" creator="t"><trk><trkseg>{points}</trkseg></trk></gpx>'
    lines = ["time_utc,station,they_heard_me,i_heard_them"]
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        moment = began + timedelta(seconds=share * route.ride_time_s)
        lines.append(f"{moment:%Y-%m-%dT%H:%M:%SZ},QB1RIM,5,5")
    return gpx.encode(), "\n".join(lines) + "\n"


def test_a_debrief_from_the_page(
    make_browser: Callable[..., Browser], fault_area: Area, ridden: tuple[bytes, str]
) -> None:
    gpx, heard = ridden
    browser = make_browser(area=fault_area.folder)
    tables = said(browser.post("/api/ride/read", RIDE.encode(), name="ride.toml"))["ride"]
    kept = said(browser.post("/api/track", gpx, name="ridden.gpx"))
    ask: dict[str, Any] = {"area": "a1", "ride": tables, "track": kept["name"], "choice": ""}
    answer = browser.post("/api/debrief", {**ask, "heard": [{"name": "my log.csv", "text": heard}]})
    assert answer.status == 200, answer.body
    found = said(answer)
    assert "my log.csv" in found["text"] and "/tmp" not in found["text"]
    for name in (*found["files"], "debrief.zip"):
        assert browser.get(f"/api/debrief/{found['id']}/{name}").status == 200
    assert browser.get(f"/api/debrief/{found['id']}/other.txt").status == 422
    assert said(browser.post(f"/api/debrief/{found['id']}/keep", {}))["name"] == "learnt.toml"
    seen = said(browser.post("/api/ride/look", {"area": "a1", "ride": {**tables, "learnt": "learnt.toml"}}))
    assert seen["faults"] == []


def test_what_cannot_be_compared_is_told_with_its_own_name(
    make_browser: Callable[..., Browser], fault_area: Area, ridden: tuple[bytes, str]
) -> None:
    browser = make_browser(area=fault_area.folder)
    tables = said(browser.post("/api/ride/read", RIDE.encode(), name="ride.toml"))["ride"]
    browser.post("/api/track", ridden[0], name="ridden.gpx")
    ask: dict[str, Any] = {"area": "a1", "ride": tables, "track": "ridden.gpx"}
    for heard in ([{"name": "empty.csv", "text": ""}], "x", [{"name": 1}], [{"name": "a", "text": "\0"}]):
        answer = browser.post("/api/debrief", {**ask, "heard": heard})
        assert answer.status == 422 and b"heard_0" not in answer.body and b"/tmp" not in answer.body
    assert browser.post("/api/debrief", {**ask, "track": "../x.gpx", "heard": []}).status == 422
    assert browser.post("/api/debrief", {**ask, "track": "none.gpx", "heard": []}).status == 422
