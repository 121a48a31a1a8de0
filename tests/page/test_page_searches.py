"""Searches beside the page: streaming, stopping, many at once, equal numbers, and the server round it all."""

from __future__ import annotations

import http.client
import json
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from page_browser import Browser, said

from routeplan.output.write import json_text
from routeplan.page.searches import KEPT, Searches
from routeplan.page.server import PageServer, make_server, qr_text
from routeplan.plan import jobs, ridefile
from routeplan.plan.area import Area
from routeplan.plan.document import from_text
from routeplan.plan.value import Bound, Plan

FAULT_RIDE = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
[ride]
length_km = 12
choices = 2
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
"""


@pytest.fixture(scope="module")
def planned(fault_area: Area) -> Plan:
    """A plan as the command line makes it, after a short search."""
    ride = ridefile.read_ride_text(FAULT_RIDE)
    return jobs.plan("loop", fault_area, ride, progress=lambda text: None, quick=True)


def steps(plan: Plan, gate: threading.Event | None = None, count: int = 4) -> Callable[..., Plan]:
    """A job that finds the plan's choices one after the other; `gate`: waits there before each step."""

    def job(name: str, area: Any, ride: Any, *, progress: Any, watch: Any) -> Plan:
        progress("looking for loops")
        for k in range(1, count + 1):
            if gate is not None:
                gate.wait(5)
            if not watch(lambda k=k: replace(plan, routes=plan.routes[: min(k, len(plan.routes))], bound=None)):
                break
        progress("what no loop can pass")
        return plan

    return job


def test_equal_numbers_to_the_command_line(
    make_browser: Callable[..., Browser], fault_area: Area, planned: Plan
) -> None:
    browser = make_browser(Searches(job=partial(jobs.plan, quick=True)), area=fault_area.folder)
    tables = said(browser.post("/api/ride/read", FAULT_RIDE.encode(), name="fault.toml"))["ride"]
    news = browser.search(area="a1", ride=tables, job="loop")
    assert news["state"] == "done" and news["whole"]
    document = json.loads(browser.get(f"/api/search/{news['id']}/file/plan.json").body)
    assert document == json.loads(json_text(planned))
    shown = news["plan"]["routes"][0]
    assert shown["headline"] == planned.routes[0].headline
    assert shown["length_m"] == planned.routes[0].length_m


def test_choices_stream_and_the_first_is_whole(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any]
) -> None:
    gate = threading.Event()
    browser = make_browser(Searches(job=steps(planned, gate)))
    key = said(browser.post("/api/search", {"area": "demo", "ride": evening_tables, "job": "loop"}))["id"]
    news = said(browser.get(f"/api/search/{key}", after=-1, wait=1))
    assert news["state"] in ("waiting", "running") and "plan" not in news
    gate.set()
    seen = news["seq"]
    while "plan" not in news:
        news = said(browser.get(f"/api/search/{key}", after=seen, wait=5))
        seen = news["seq"]
    assert news["plan"]["routes"][0]["d"][-1] == round(planned.routes[0].length_m)
    assert browser.get(f"/api/search/{key}/strip.svg", route="A", width=800).status == 200
    while news["state"] == "running":
        news = said(browser.get(f"/api/search/{key}", after=seen, wait=5))
        assert news["seq"] > seen
        seen = news["seq"]
    assert news["state"] == "done" and news["whole"]
    late = said(browser.get(f"/api/search/{key}", after=-1, wait=0))  # who asks late is told everything
    assert len(late["plan"]["routes"]) == len(planned.routes)


@pytest.fixture
def evening_tables(browser: Browser) -> dict[str, Any]:
    return said(browser.get("/api/ride", demo=1))["ride"]


def test_a_search_is_stopped_and_keeps_what_it_found(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any]
) -> None:
    stopped_after: list[int] = []

    def slow(name: str, area: Any, ride: Any, *, progress: Any, watch: Any) -> Plan:
        for k in range(400):
            time.sleep(0.01)
            if not watch(lambda: planned):
                stopped_after.append(k)
                return planned
        return planned

    browser = make_browser(Searches(job=slow))
    key = said(browser.post("/api/search", {"area": "demo", "ride": evening_tables, "job": "loop"}))["id"]
    time.sleep(0.1)
    began = time.monotonic()
    browser.post(f"/api/search/{key}/stop", {})
    after, state = -1, ""
    while state not in ("stopped", "done"):
        news = said(browser.get(f"/api/search/{key}", after=after, wait=5))
        after, state = news["seq"], news["state"]
    assert state == "stopped" and time.monotonic() - began < 2 and stopped_after
    assert browser.get(f"/api/search/{key}/file/ride_A.gpx").body.startswith(b"<?xml")


def test_a_search_that_found_nothing_yet_stops_at_once(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any]
) -> None:
    gate = threading.Event()

    def deaf(name: str, area: Any, ride: Any, *, progress: Any, watch: Any) -> Plan:
        gate.wait(10)
        return planned

    browser = make_browser(Searches(job=deaf))
    key = said(browser.post("/api/search", {"area": "demo", "ride": evening_tables, "job": "between"}))["id"]
    browser.post(f"/api/search/{key}/stop", {})
    news = said(browser.get(f"/api/search/{key}", after=0, wait=5))
    assert news["state"] == "stopped" and not gate.is_set()
    gate.set()
    time.sleep(0.1)
    assert "plan" not in said(browser.get(f"/api/search/{key}", after=-1, wait=0))


def test_a_new_search_ends_the_one_it_replaces(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any]
) -> None:
    gate = threading.Event()
    searches = Searches(job=steps(planned, gate))
    browser = make_browser(searches)
    ask = {"area": "demo", "ride": evening_tables, "job": "loop"}
    first = said(browser.post("/api/search", ask))["id"]
    second = said(browser.post("/api/search", {**ask, "replaces": first}))["id"]
    gate.set()
    for key, ends in ((first, "stopped"), (second, "done")):
        search = searches.get(key)
        for _ in range(100):
            if search.ended:
                break
            time.sleep(0.05)
        assert search.state == ends


def test_choices_that_are_looked_at_stay_beside_newer_ones(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any]
) -> None:
    """A letter means the ride that was shown under it, whatever has come since."""
    gate = threading.Semaphore(0)
    first = planned.routes[0]
    later = replace(planned, routes=(replace(first, departs=first.departs + timedelta(hours=1)),))

    def job(name: str, area: Any, ride: Any, *, progress: Any, watch: Any) -> Plan:
        watch(lambda: later)
        gate.acquire(timeout=10)
        return planned

    browser = make_browser(Searches(job=job))
    key = said(browser.post("/api/search", {"area": "demo", "ride": evening_tables, "job": "loop"}))["id"]
    news: dict[str, Any] = {"seq": -1}
    while "plan" not in news:
        news = said(browser.get(f"/api/search/{key}", after=news["seq"], wait=5))
    seq, shown = news["plan_seq"], news["plan"]["routes"]
    before = browser.get(f"/api/search/{key}/file/ride_A.gpx", seq=seq).body
    gate.release()
    while news["state"] != "done":
        news = said(browser.get(f"/api/search/{key}", after=news["seq"], wait=5))
    assert browser.get(f"/api/search/{key}/file/ride_A.gpx", seq=seq).body == before
    assert browser.get(f"/api/search/{key}/file/ride_A.gpx").body != before
    assert browser.get(f"/api/search/{key}/file/ride_A.gpx", seq=seq + 500).status == 422
    late = said(browser.get(f"/api/search/{key}", after=-1, wait=0))["plan"]["routes"]
    assert late[0]["id"] == shown[0]["id"] == "A" and late[0]["key"] != shown[0]["key"]


def test_a_job_that_does_not_listen_is_left_to_itself(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any], monkeypatch: Any
) -> None:
    monkeypatch.setattr("routeplan.page.searches.STOPS_WITHIN_S", 0.1)
    gate = threading.Event()

    def deaf(name: str, area: Any, ride: Any, *, progress: Any, watch: Any) -> Plan:
        watch(lambda: planned)
        gate.wait(10)
        return replace(planned, routes=planned.routes[:1])

    browser = make_browser(Searches(job=deaf))
    key = said(browser.post("/api/search", {"area": "demo", "ride": evening_tables, "job": "mend"}))["id"]
    search = browser.app.searches.get(key)
    while search.plan is None:
        time.sleep(0.01)
    browser.post(f"/api/search/{key}/stop", {})
    time.sleep(0.4)
    assert search.state == "stopped" and not gate.is_set() and search.plan is planned
    gate.set()
    time.sleep(0.1)
    assert search.plan is planned


def test_a_limit_is_proven_tighter_watched_and_stopped(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any], monkeypatch: Any
) -> None:
    monkeypatch.setattr("routeplan.page.searches.PROOF_SAID_EVERY_S", 0.05)

    def bound(out_s: float) -> Bound:
        return Bound(9e9, "proven by a test", out_s_at_least=out_s)

    def prover(area: Any, ride: Any, plan: Plan, report: Any) -> Bound:
        for k in range(400):
            time.sleep(0.01)
            if not report(SimpleNamespace(bound=bound(60.0 + k), seconds=k / 100)):
                break
        return bound(60.0 + k)

    browser = make_browser(Searches(job=steps(planned), prover=prover))
    news = browser.search(area="demo", ride=evening_tables, job="loop")
    key = news["id"]
    assert browser.post(f"/api/search/{key}/prove", {}).status == 202
    assert browser.post(f"/api/search/{key}/prove", {}).status == 422  # one at a time
    told = []
    while True:
        news = said(browser.get(f"/api/search/{key}", after=news["seq"], wait=5))
        if news["proof"].get("bound"):
            told.append(news["proof"]["bound"]["limit_min"])
        if len(told) == 2:
            browser.post(f"/api/search/{key}/stop", {})
        if not news["proof"]["running"]:
            break
    assert news["proof"]["stopped"] and told == sorted(told) and len(told) >= 2
    document = json.loads(browser.get(f"/api/search/{key}/file/plan.json").body)
    assert document["bound"]["how"] == "proven by a test"
    assert browser.post("/api/search/s999/prove", {}).status == 422


@pytest.fixture(scope="module")
def usual_ride(planned: Plan) -> bytes:
    from routeplan.output.gpx import gpx

    found = gpx(planned, planned.routes[0])
    return found if isinstance(found, bytes) else found.encode()


@pytest.mark.parametrize(
    ("job", "wish"),
    [
        ("check", {"follow": "usual.gpx"}),
        ("mend", {"follow": "usual.gpx", "extra_km_at_most": 2}),
        ("between", {"end": [36.5984, -84.2576], "length_at_most_km": 9}),
    ],
)
def test_every_job_shows_something_before_its_end(
    make_browser: Callable[..., Browser], fault_area: Area, usual_ride: bytes, job: str, wish: dict[str, Any]
) -> None:
    """A given ride is there as it is before changes are looked for; routes come before their set is whole."""
    shown: list[Plan] = []

    def watched(*asked: Any, watch: Any, **hooks: Any) -> Plan:
        def look(so_far: Any) -> bool:
            if len(shown) < 3:
                shown.append(so_far())
            return watch(so_far)

        return jobs.plan(*asked, watch=look, **hooks)

    browser = make_browser(Searches(job=watched), area=fault_area.folder)
    browser.post("/api/track", usual_ride, name="usual.gpx")
    tables = said(browser.post("/api/ride/read", FAULT_RIDE.encode(), name="fault.toml"))["ride"]
    tables["ride"] = wish
    news = browser.search(area="a1", ride=tables, job=job)
    assert news["state"] == "done", news["faults"]
    assert shown and shown[0].routes and not shown[0].what_if
    if job != "between":
        assert "as given" in shown[0].routes[0].why
    ride = browser.app.rides.ride(tables)
    alone = jobs.plan(job, fault_area, ride, progress=lambda text: None)
    assert [r.length_m for r in browser.app.searches.get(news["id"]).plan.routes] == [r.length_m for r in alone.routes]
    stopped = jobs.plan(job, fault_area, ride, progress=lambda text: None, watch=lambda so_far: False)
    assert stopped.routes


def test_a_fault_of_ours_shows_no_stack(
    make_browser: Callable[..., Browser], evening_tables: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*args: Any, **hooks: Any) -> Plan:
        raise ZeroDivisionError("secret detail")

    browser = make_browser(Searches(job=broken))
    news = browser.search(area="demo", ride=evening_tables, job="loop")
    assert news["state"] == "failed" and "not yours" in news["faults"][0]["what"]
    assert "secret" not in json.dumps(news) and "Traceback" not in json.dumps(news)
    assert "ZeroDivisionError" in capsys.readouterr().err  # the terminal is told


def test_what_a_job_lacks_is_told(browser: Browser, evening_tables: dict[str, Any]) -> None:
    news = browser.search(area="demo", ride=evening_tables, job="check")
    assert news["state"] == "failed" and "follow" in news["faults"][0]["what"]
    assert browser.post("/api/search", {"area": "demo", "ride": evening_tables, "job": "fly"}).status == 422
    assert browser.get("/api/search/s999").status == 422


def test_every_file_can_be_had(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any]
) -> None:
    browser = make_browser(Searches(job=steps(planned)))
    key = browser.search(area="demo", ride=evening_tables, job="loop")["id"]
    for name, begins in (
        ("ride_A.gpx", b"<?xml"), ("card_A.pdf", b"%PDF"), ("strip_A.png", b"\x89PNG"), ("plan.json", b"{"),
        ("report.html", b"<!DOCTYPE html>"), ("ride.toml", b"[start]"), ("ride_A.csv", b""),
        ("trade_off.png", b"\x89PNG"),
    ):  # fmt: skip
        answer = browser.get(f"/api/search/{key}/file/{name}")
        assert answer.status == 200 and answer.body.startswith(begins), name
        assert f'attachment; filename="{name}"' in dict(answer.headers)["Content-Disposition"]
    shared = browser.get(f"/api/search/{key}/file/plan.json", share=1).body.decode()
    assert "QB1RIM" not in shared
    from_text(browser.get(f"/api/search/{key}/file/plan.json").body.decode())
    for name in ("ride_Z.gpx", "ride_A.exe", "..", "card_A.gpx"):
        assert browser.get(f"/api/search/{key}/file/{name}").status == 422
    assert browser.get(f"/api/search/{key}/file/ride.toml", share=1).status == 422


def test_memory_is_steady_over_200_searches(
    make_browser: Callable[..., Browser], planned: Plan, evening_tables: dict[str, Any]
) -> None:
    searches = Searches(job=steps(planned, count=1))
    browser = make_browser(searches)
    text = json.dumps({"area": "demo", "ride": evening_tables, "job": "loop"}).encode()

    def some(count: int) -> None:
        for _ in range(count):
            search = searches.get(said(browser.post("/api/search", text))["id"])
            seen = -1
            while not search.ended:
                seen = search.wait(seen, 5)["seq"]

    some(20)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    some(200)
    grown = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert len(searches._all) <= KEPT + 1
    assert grown < 8_000_000


# --- the socket ---


@pytest.fixture
def server(tmp_path: Path, demo_area: Area, planned: Plan) -> Iterator[PageServer]:
    made = make_server(None, rides=tmp_path)
    made.app.searches._job = steps(planned)
    thread = threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    yield made
    made.shutdown()
    made.server_close()
    thread.join(5)


def ask(
    server: PageServer, method: str, path: str, body: bytes = b"", headers: dict[str, str] | None = None
) -> tuple[int, bytes, Any]:
    connection = http.client.HTTPConnection("127.0.0.1", server.server_address[1], timeout=20)
    try:
        connection.request(method, path, body or None, headers or {})
        answer = connection.getresponse()
        return answer.status, answer.read(), answer.headers
    finally:
        connection.close()


def let_in(server: PageServer) -> dict[str, str]:
    status, _, headers = ask(server, "GET", f"/?token={server.app.guard.new_token()}")
    assert status == 303
    return {"Cookie": headers["Set-Cookie"].partition(";")[0]}


def test_the_server_is_on_loopback_alone(server: PageServer) -> None:
    assert server.server_address[0] == "127.0.0.1"
    assert ask(server, "GET", "/api/hello")[0] == 401
    assert ask(server, "GET", "/api/hello", headers=let_in(server))[0] == 200


def test_forty_at_once_lose_nothing(server: PageServer, evening_tables: dict[str, Any]) -> None:
    known = let_in(server)
    look = json.dumps({"area": "demo", "ride": evening_tables}).encode()
    cover = json.dumps({"area": "demo", "ride": evening_tables, "cells": 24}).encode()
    search = json.dumps({"area": "demo", "ride": evening_tables, "job": "loop"}).encode()
    wishes = [("GET", "/api/hello", b""), ("POST", "/api/ride/look", look), ("POST", "/api/coverage", cover),
              ("GET", "/api/streets?area=demo", b""), ("POST", "/api/search", search)] * 8  # fmt: skip
    with ThreadPoolExecutor(40) as pool:
        answers = list(pool.map(lambda wish: ask(server, *wish, headers=known), wishes))
    assert all(status in (200, 202) for status, _, _ in answers)
    for kind in range(4):
        assert len({body for _, body, _ in answers[kind::5]}) == 1
    keys = [json.loads(body)["id"] for _, body, _ in answers[4::5]]
    assert len(set(keys)) == 8
    for key in keys[-2:]:
        news: dict[str, Any] = {"state": "", "seq": -1}
        while news["state"] not in ("done", "stopped"):
            news = json.loads(ask(server, "GET", f"/api/search/{key}?after={news['seq']}&wait=5", headers=known)[1])
        assert news["state"] == "done"


def test_the_socket_refuses_before_it_reads(server: PageServer) -> None:
    known = let_in(server)
    huge = {**known, "Content-Length": "99999999999"}
    assert ask(server, "POST", "/api/track?name=x.gpx", headers=huge)[0] == 413
    assert ask(server, "POST", "/api/ride/look", headers={**known, "Content-Length": "-5"})[0] == 400
    assert ask(server, "POST", "/api/ride/look", headers={**known, "Transfer-Encoding": "chunked"})[0] == 411
    assert ask(server, "GET", "/" + "a" * 5000, headers=known)[0] == 414
    assert ask(server, "GET", "/api/hello", headers={**known, "Host": "evil.example"})[0] == 421
    assert ask(server, "BREW", "/", headers=known)[0] == 501
    status, body, headers = ask(server, "HEAD", "/", headers=known)
    assert status == 200 and body == b"" and int(headers["Content-Length"]) > 100


def test_a_port_in_use_is_told(server: PageServer, tmp_path: Path) -> None:
    from routeplan.errors import InputError

    with pytest.raises(InputError, match="port"):
        make_server(None, port=server.server_address[1], rides=tmp_path)
    with pytest.raises(InputError, match="no area"):
        make_server(tmp_path, rides=tmp_path)
    with pytest.raises(InputError, match="no such folder"):
        make_server(None, rides=tmp_path / "none")


def test_an_address_as_a_qr_code() -> None:
    pytest.importorskip("segno", reason="segno is not installed")
    assert len(qr_text("http://192.0.2.7:8000/?token=x").splitlines()) > 10


def test_the_command_says_its_address(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from routeplan.page import server as serving

    said_: list[str] = []
    monkeypatch.setattr(PageServer, "serve_forever", lambda self, poll_interval: None)
    warmed: list[Any] = []
    monkeypatch.setattr(serving, "warm_up", warmed.append)
    serving.serve(None, rides=tmp_path, on_network=True, say=said_.append)
    assert said_[0].startswith("The page: http://127.0.0.1:") and "token=" in said_[0]
    assert any("phone" in line for line in said_)
    assert warmed


def test_warming_up_reckons_what_a_first_choice_needs(capsys: pytest.CaptureFixture[str]) -> None:
    from routeplan.page.areas import Shelf
    from routeplan.page.server import warm_up

    shelf = Shelf(None, Path("nowhere"))
    warm_up(shelf)
    assert shelf.area("demo").losses._known and not capsys.readouterr().err
