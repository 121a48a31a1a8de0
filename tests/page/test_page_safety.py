"""The page is for its own rider alone: hosts, origins, tokens, paths, sizes, entities, and a fuzzer."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from page_browser import HOST, Browser, said

from routeplan.page.request import Request
from routeplan.page.rides import from_json, safe_name, to_json
from routeplan.page.searches import Searches

GPX = (
    b'<?xml version="1.0"?><gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    b'<trkpt lat="41.2266" lon="-32.9929"/><trkpt lat="41.2270" lon="-32.9930"/></trkseg></trk></gpx>'
)


@pytest.mark.parametrize("host", ["evil.example:8000", "127.0.0.1:9", "127.0.0.1", "", "10.0.0.7:8000"])
def test_other_hosts_are_refused(browser: Browser, host: str) -> None:
    answer = browser.app.handle(Request("GET", "/api/hello", {}, {**browser.headers, "host": host}))
    assert answer.status == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "https://127.0.0.1:8000", "null", "http://localhost:8000"])
def test_other_origins_are_refused(browser: Browser, origin: str) -> None:
    for method, path in (("GET", "/api/hello"), ("POST", "/api/ride/look")):
        answer = browser.app.handle(Request(method, path, {}, {**browser.headers, "origin": origin}, b"{}"))
        assert answer.status == 403


def test_requests_of_other_sites_are_refused_but_a_link_leads_to_the_page(browser: Browser) -> None:
    foreign = {**browser.headers, "sec-fetch-site": "cross-site"}
    assert browser.app.handle(Request("GET", "/api/hello", {}, foreign)).status == 403
    assert browser.app.handle(Request("POST", "/api/search", {}, foreign, b"{}")).status == 403
    assert browser.app.handle(Request("GET", "/", {}, {**foreign, "sec-fetch-mode": "navigate"})).status == 200


def test_without_the_cookie_there_is_nothing(browser: Browser) -> None:
    bare = {"host": HOST}
    for path in ("/", "/api/hello", "/static/main.js", "/api/search/s1"):
        answer = browser.app.handle(Request("GET", path, {}, bare))
        assert answer.status == 401
        assert b"QI" not in answer.body
    wrong = {**bare, "cookie": "routeplan=guess"}
    assert browser.app.handle(Request("GET", "/api/hello", {}, wrong)).status == 401


def test_a_token_lets_in_once(browser: Browser) -> None:
    token = browser.app.guard.new_token()
    first = browser.app.handle(Request("GET", "/", {"token": token}, {"host": HOST}))
    cookie = dict(first.headers)["Set-Cookie"]
    assert first.status == 303 and "HttpOnly" in cookie and "SameSite=Strict" in cookie
    assert browser.app.handle(Request("GET", "/", {"token": token}, {"host": HOST})).status == 401
    assert browser.app.handle(Request("GET", "/", {"token": ""}, {"host": HOST})).status == 401
    known = {"host": HOST, "cookie": cookie.partition(";")[0]}
    assert browser.app.handle(Request("GET", "/", {"token": token}, known)).status == 303
    elsewhere = {"host": "evil.example"}
    fresh = browser.app.guard.new_token()
    assert browser.app.handle(Request("GET", "/", {"token": fresh}, elsewhere)).status != 303


PATHS = [
    "../x",
    "..",
    "/etc/passwd",
    "a/b",
    "a\\b",
    ".hidden",
    "x\0y",
    "",
    " ",
    "a" * 90,
    "con/../x",
    "x.toml/..",
    "..toml",
]


@pytest.mark.parametrize("name", PATHS)
def test_no_name_leads_out_of_the_folder(browser: Browser, evening: dict[str, Any], name: str) -> None:
    outside = sorted(browser.folder.parent.rglob("*"))
    assert browser.get("/api/ride", name=name).status == 422
    assert browser.post("/api/ride/save", {"ride": evening}, name=name).status == 422
    assert browser.post("/api/track", GPX, name=name).status == 422
    assert sorted(browser.folder.parent.rglob("*")) == outside


@pytest.mark.parametrize(
    "path", ["/static/../app.py", "/static/..%2fapp.py", "/static/app.py", "/static//etc/passwd", "/../../etc/passwd"]
)
def test_no_path_leads_out_of_the_page(browser: Browser, path: str) -> None:
    answer = browser.get(path)
    assert answer.status == 404 and b"import" not in answer.body


def test_a_ride_names_no_file_elsewhere(browser: Browser, evening: dict[str, Any]) -> None:
    (browser.folder.parent / "secret.gpx").write_bytes(GPX)
    for follow in ("../secret.gpx", "/etc/passwd", str(browser.folder.parent / "secret.gpx"), "~/x.gpx"):
        evening["ride"]["follow"] = follow
        answer = browser.post("/api/ride/look", {"area": "demo", "ride": evening})
        assert "own folder" in said(answer)["faults"][0]["what"]
    del evening["ride"]["follow"]
    evening["learnt"] = "/etc/passwd"
    answer = browser.post("/api/search", {"area": "demo", "ride": evening, "job": "loop"})
    assert answer.status == 422 and "root" not in answer.body.decode()


def test_links_are_not_followed(browser: Browser, evening: dict[str, Any]) -> None:
    target = browser.folder.parent / "target.toml"
    target.write_text("[start]\nposition = [41.2, -33.0]\n")
    (browser.folder / "link.toml").symlink_to(target)
    assert browser.get("/api/ride", name="link.toml").status == 422
    assert browser.post("/api/ride/save", {"ride": evening}, name="link").status == 422
    assert target.read_text() == "[start]\nposition = [41.2, -33.0]\n"


def test_a_file_that_is_no_ride_is_not_replaced(browser: Browser, evening: dict[str, Any]) -> None:
    other = browser.folder / "pyproject.toml"
    other.write_text('[project]\nname = "x"\n')
    assert browser.post("/api/ride/save", {"ride": evening}, name="pyproject").status == 422
    assert other.read_text() == '[project]\nname = "x"\n'
    assert said(browser.get("/api/rides"))["rides"] == []


def test_tracks_are_kept_only_if_they_can_be_read(browser: Browser) -> None:
    kept = said(browser.post("/api/track", GPX, name="usual.gpx"))
    assert kept["name"] == "usual.gpx" and kept["points"] == 2
    assert said(browser.post("/api/track", GPX, name="usual.gpx"))["name"] == "usual.gpx"
    other = GPX.replace(b"41.2270", b"41.2271")
    assert said(browser.post("/api/track", other, name="usual.gpx"))["name"] == "usual-2.gpx"
    for bad in (b"", b"hello", b"<gpx/>", GPX[:100], b"\0" * 1000):
        answer = browser.post("/api/track", bad, name="bad.gpx")
        assert answer.status == 422 and str(browser.folder) not in answer.body.decode()
    assert sorted(p.name for p in browser.folder.iterdir()) == ["usual-2.gpx", "usual.gpx"]


@pytest.mark.parametrize(
    "head",
    [
        '<!DOCTYPE gpx [<!ENTITY a "x">]>',
        '<!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE gpx SYSTEM "http://127.0.0.1/x.dtd">',
        '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;">]>',
    ],
)
def test_xml_with_entities_is_refused(browser: Browser, head: str) -> None:
    data = GPX.replace(b"?><gpx", f"?>{head}<gpx".encode())
    answer = browser.post("/api/track", data, name="x.gpx")
    assert answer.status == 422 and "document type" in said(answer)["faults"][0]["what"]


def test_what_is_too_large_is_refused(browser: Browser) -> None:
    from routeplan.page.app import LARGEST_BODY, LARGEST_TRACK

    assert browser.post("/api/ride/look", b" " * (LARGEST_BODY + 1)).status == 413
    assert browser.post("/api/track", b" " * (LARGEST_TRACK + 1), name="x.gpx").status == 413


@pytest.mark.parametrize(
    "body", [b"[]", b"nope", b'{"a": NaN}', b"\xff", b"[" * 5000, b'{"ride": {"a": {"b": {"c": {"d": {"e": {}}}}}}}']
)
def test_bodies_that_are_no_question(browser: Browser, body: bytes) -> None:
    for path in ("/api/ride/look", "/api/ride/text", "/api/coverage", "/api/search"):
        assert browser.post(path, body).status == 422


def test_names_that_may_stand() -> None:
    assert safe_name("my evening", ".toml") == safe_name("my evening.toml", ".toml") == "my evening.toml"


def test_times_come_back_as_times() -> None:
    import tomllib

    tables = tomllib.loads(
        "[start]\ndeparts = 2026-06-11T18:30:00\ndeparts_between = [2026-06-11T18:30:00, 2026-06-11T19:30:00+02:00]\n"
        "[ride]\nhome_by = 21:00:00\n[net]\nfrequency_mhz = 145.5\nbegins = 2026-06-11T19:30:00\n"
    )
    back = from_json(json.loads(json.dumps(to_json(tables))))
    assert back["start"] == tables["start"] and back["net"] == [tables["net"]] and back["ride"]["home_by"] == "21:00"


# --- a fuzzer against the page's own interface ---

SEED = 20260611
ROUNDS = 700
STRANGE = [
    "", "\0", "..", "../../etc/passwd", "%2e%2e", "é", "\ud800", "1e999", "-1", "NaN", "<script>", "'; --", "A" * 300,
    None, True, -1, 0, 1e308, 10**30, [], {}, [[]], {"a": []}, [1, 2, 3], [91, 181], "AA00aa00", "2026-06-11T18:30:00",
    "99:99",
]  # fmt: skip


def _strange(random_: random.Random, value: Any, depth: int = 0) -> Any:
    """A ride, or any JSON, with something out of place."""
    if isinstance(value, dict) and value and random_.random() < 0.9:
        out = dict(value)
        key = random_.choice(list(out))
        what = random_.random()
        if what < 0.15:
            del out[key]
        elif what < 0.3:
            out[str(random_.choice(STRANGE))] = random_.choice(STRANGE)
        else:
            out[key] = _strange(random_, out[key], depth + 1)
        return out
    if isinstance(value, list) and value and random_.random() < 0.8:
        out_list = list(value)
        at = random_.randrange(len(out_list))
        out_list[at] = _strange(random_, out_list[at], depth + 1)
        return out_list
    return random_.choice(STRANGE)


def _no_job(job: str, area: Any, ride: Any, **hooks: Any) -> Any:
    from routeplan.errors import NoLoopError

    raise NoLoopError("none, in this test")


def test_a_fuzzer_finds_no_stack_and_no_way_out(
    make_browser: Callable[..., Browser], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    browser = make_browser(Searches(job=_no_job))
    opened = said(browser.get("/api/ride", demo=1))
    ride, text = opened["ride"], opened["text"]
    random_ = random.Random(SEED)
    before = {p for p in tmp_path.parent.rglob("*") if tmp_path not in p.parents and p != tmp_path}
    gets = ["/", "/api/hello", "/api/area", "/api/place", "/api/ride", "/api/rides", "/static/main.js", "/look.css"]
    gets += [
        "/api/search/s1",
        "/api/search/s1/strip.svg",
        "/api/search/s1/trade_off.svg",
        "/api/search/s1/file/ride_A.gpx",
    ]
    posts = [
        "/api/ride/look",
        "/api/ride/save",
        "/api/ride/text",
        "/api/ride/read",
        "/api/track",
        "/api/search",
        "/api/coverage",
        "/api/search/s1/prove",
        "/api/search/s1/stop",
        "/api/debrief",
    ]
    for _ in range(ROUNDS):
        method = random_.choice(["GET", "POST", "POST", "POST", "PUT", "HEAD"])
        path = random_.choice(posts if method == "POST" else gets)
        if random_.random() < 0.1:
            path += random_.choice(["/", "/..", "\0", "x", "%00", "//"])
        names = ("area", "name", "x", "y", "after", "wait", "width", "route", "demo", "cells", "seq", "replace", "unit")
        query = {name: str(random_.choice(STRANGE)) for name in names if random_.random() < 0.3}
        query.setdefault("wait", "0")
        if random_.random() < 0.5:
            query["area"] = "demo"
        ask = {"area": "demo", "job": random_.choice(["loop", "check", "mend", "x"]), "ride": ride, "cells": 20}
        ask["before"] = random_.choice([text, text[: random_.randrange(len(text))], *STRANGE])
        for _ in range(random_.randrange(1, 4)):
            ask["ride"] = _strange(random_, ask["ride"])
        if random_.random() < 0.3:
            ask = _strange(random_, ask)
        body = json.dumps(ask).encode("utf-8", "surrogatepass") if method == "POST" else b""
        if random_.random() < 0.15:
            body = bytes(random_.randrange(256) for _ in range(random_.randrange(60)))
        answer = browser.app.handle(Request(method, path, query, browser.headers, body))
        assert answer.status in (200, 202, 303, 401, 404, 405, 413, 422), (method, path, query, body, answer.body)
        assert b"Traceback" not in answer.body and b".py" not in answer.body
    assert "fault of ours" not in capsys.readouterr().err
    assert {p for p in tmp_path.parent.rglob("*") if tmp_path not in p.parents and p != tmp_path} == before
    assert {p.suffix for p in tmp_path.iterdir()} <= {".toml", ".gpx"}
