"""The page as a function from request to response. Sockets are the server's matter; numbers are the plan's."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache, partial
from importlib.resources import files as package_files
from typing import Any

from routeplan import __version__
from routeplan.errors import InputError, RouteplanError
from routeplan.page import explain
from routeplan.page.areas import Shelf
from routeplan.page.debriefs import Debriefs, debriefed, one_file, reports_of
from routeplan.page.guard import Guard
from routeplan.page.request import Request, Response, answer, download, faults, refusal, text
from routeplan.page.rides import Opened, Rides
from routeplan.page.searches import Asked, Searches, log_fault
from routeplan.plan.area import Area
from routeplan.plan.given import LARGEST_BYTES as LARGEST_TRACK
from routeplan.plan.value import Plan

LARGEST_BODY = 400_000  # of what is not a track
WAIT_S = 15.0  # how long a question for news may stay open
PLAIN = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
}
SAFETY = (
    (
        "Content-Security-Policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; "
        "img-src 'self' data: blob:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("X-Content-Type-Options", "nosniff"),
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Cache-Control", "no-store"),
)
Handler = Callable[["App", Request, dict[str, str]], Response]
_ROUTES: list[tuple[str, re.Pattern[str], Handler]] = []


def route(method: str, pattern: str) -> Callable[[Handler], Handler]:
    """Registers what answers a method and a path; {name} stands for one part of the path."""
    compiled = re.compile(re.sub(r"\{(\w+)\}", r"(?P<\1>[^/]{1,80})", pattern))

    def register(handler: Handler) -> Handler:
        _ROUTES.append((method, compiled, handler))
        return handler

    return register


def body_limit(path: str) -> int:
    """The largest body taken at a path [bytes]."""
    return LARGEST_TRACK if path in ("/api/track", "/api/debrief") else LARGEST_BODY


@dataclass(frozen=True)
class App:
    """All that the page knows: who may ask, areas, ride files, searches."""

    guard: Guard
    shelf: Shelf
    rides: Rides
    searches: Searches
    debriefs: Debriefs = field(default_factory=Debriefs)

    def handle(self, request: Request) -> Response:
        """The answer to a request. Never raises, never shows a stack."""
        try:
            found = self._handled(request)
        except InputError as error:
            found = faults(error.faults)
        except RouteplanError as error:
            found = refusal(422, str(error))
        except Exception as error:
            log_fault(error)
            found = refusal(500, "a fault of routeplan's, not yours", "see the terminal, and report it")
        if found.status == 422 and "x-page" in request.headers:  # browsers put every refusal into their console
            found = replace(found, status=200, headers=(*found.headers, ("X-Faults", "1")))
        return Response(found.status, found.type, found.body, (*SAFETY, *found.headers))

    def _handled(self, request: Request) -> Response:
        if request.path == "/" and request.method == "GET" and "token" in request.query:
            entered = self.guard.enter(request)
            if entered is not None:
                return entered
            return _sorry("This address was used already, or is not ours.")
        refused = self.guard.refused(request)
        if refused is not None:
            if request.path == "/" and refused.status == 401:
                return _sorry("Open the address that routeplan printed in the terminal. It works once.")
            return refused
        if len(request.body) > body_limit(request.path):
            return refusal(413, "too large", f"{body_limit(request.path) // 1000} kB at most")
        known = [
            (method, match, handler)
            for method, pattern, handler in _ROUTES
            if (match := pattern.fullmatch(request.path))
        ]
        for method, match, handler in known:
            if method == request.method or (request.method == "HEAD" and method == "GET"):
                return handler(self, request, match.groupdict())
        if known:
            return refusal(405, "not asked this way")
        return refusal(404, "there is nothing here")

    def area(self, request: Request) -> Area:
        return self.shelf.area(request.query.get("area"))


def _sorry(what: str) -> Response:
    page = (
        '<!DOCTYPE html><html lang="en"><meta charset="utf-8"><title>routeplan</title>'
        f"<h1>Not let in</h1><p>{what}</p><p>The terminal in which routeplan runs shows a fresh address.</p></html>"
    )
    return Response(401, PLAIN["html"], page.encode())


# --- the page itself ---


@cache
def _static() -> dict[str, bytes]:
    """The files of the page by name; nothing else can be asked for."""
    folder = package_files("routeplan.page") / "static"
    return {entry.name: entry.read_bytes() for entry in folder.iterdir() if entry.name.rpartition(".")[2] in PLAIN}


@route("GET", "/")
def _home(app: App, request: Request, part: dict[str, str]) -> Response:
    return Response(200, PLAIN["html"], _static()["index.html"])


@route("GET", "/static/{name}")
def _file(app: App, request: Request, part: dict[str, str]) -> Response:
    data = _static().get(part["name"])
    if data is None:
        return refusal(404, "there is nothing here")
    return Response(200, PLAIN[part["name"].rpartition(".")[2]], data)


@route("GET", "/look.css")
def _colours(app: App, request: Request, part: dict[str, str]) -> Response:
    """The colours of the one look as variables, by day and by night."""
    from routeplan.output.look import NIGHT, PAPER

    def block(palette: dict[str, str], dark: int) -> str:
        return ";".join([*(f"--{name}:{colour}" for name, colour in palette.items()), f"--dark:{dark}"])

    day, night = block(PAPER, 0), block(NIGHT, 1)
    return text(
        f":root{{{day};color-scheme:light}}\n"
        f"@media (prefers-color-scheme:dark){{:root{{{night};color-scheme:dark}}}}\n"
        f":root[data-theme=light]{{{day};color-scheme:light}}\n:root[data-theme=dark]{{{night};color-scheme:dark}}\n",
        PLAIN["css"],
    )


@route("GET", "/api/hello")
def _hello(app: App, request: Request, part: dict[str, str]) -> Response:
    return answer(
        {
            "version": __version__,
            "areas": [{"key": e.key, "name": e.name} for e in app.shelf.entries],
            "rides": app.rides.names(),
            "folder": str(app.rides.folder.resolve()),
            **_vocabulary(),
        }
    )


@cache
def _vocabulary() -> dict[str, Any]:
    """Words and explanations that the form is made of."""
    from routeplan.plan import vocabulary

    return {
        "words": vocabulary.words(),
        "keys": vocabulary.keys(),
        "figures": explain.FIGURES,
        "fields": explain.FIELDS,
    }


# --- areas and their ground ---


@route("GET", "/api/area")
def _area(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.page import ground

    area = app.area(request)
    return answer({**ground.facts(area), "relief_m": ground.relief_extent(area)})


@route("GET", "/api/relief")
def _relief(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.page import ground

    return Response(200, "image/png", ground.relief_png(app.area(request), dark=request.query.get("dark") == "1"))


@route("GET", "/api/streets")
def _streets(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.page import ground

    return Response(200, "application/octet-stream", ground.streets_bytes(app.area(request)))


@route("GET", "/api/place")
def _place(app: App, request: Request, part: dict[str, str]) -> Response:
    """A place of the map, given in metres: latitude, longitude, locator, height, distance to the nearest street."""
    from routeplan.geo import latlon_to_locator

    area = app.area(request)
    x, y = (_number(request, name, -1e7, 1e7) for name in ("x", "y"))
    latitude, longitude = (float(v) for v in area.projection.to_latlon(x, y))
    height = float(area.elevation.sample(x, y))
    near = area.network.nearest_street(x, y, within_m=5000.0)
    return answer(
        {
            "position": [round(latitude, 6), round(longitude, 6)],
            "locator": latlon_to_locator(latitude, longitude),
            "height_m": round(height) if height == height else None,
            "street_m": None if near is None else round(near.distance_m),
        }
    )


def _number(request: Request, name: str, low: float, high: float) -> float:
    try:
        value = float(request.query.get(name, ""))
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise InputError("not a number in range", f"{name} = {request.query.get(name, '')[:40]!r}")
    return value


# --- rides ---


@route("GET", "/api/rides")
def _rides(app: App, request: Request, part: dict[str, str]) -> Response:
    return answer({"rides": app.rides.names()})


@route("GET", "/api/ride")
def _ride(app: App, request: Request, part: dict[str, str]) -> Response:
    """A ride file of the folder, or with demo=1 the demo's own."""
    if request.query.get("demo") == "1":
        from routeplan.plan import demo

        path = demo.ride_file("net_evening")
        return _opened(path.name, app.rides.read(path.read_bytes(), path.name))
    name = request.query.get("name", "")
    return _opened(name, app.rides.open(name))


def _opened(name: str, opened: Opened) -> Response:
    return answer({"name": name, "ride": opened.tables, "text": opened.text})


@route("POST", "/api/ride/read")
def _read(app: App, request: Request, part: dict[str, str]) -> Response:
    """The ride in a file that the rider dropped on the page."""
    name = re.sub(r"[^\w .-]", "_", request.query.get("name", "ride file"))[:60]
    return _opened(name, app.rides.read(request.body, name))


@route("POST", "/api/ride/save")
def _save(app: App, request: Request, part: dict[str, str]) -> Response:
    asked = request.json()
    replaces = request.query.get("replace") == "1"
    name, written = app.rides.save(request.query.get("name"), asked.get("ride"), asked.get("before"), replace=replaces)
    return answer({"name": name, "text": written, "rides": app.rides.names()})


@route("POST", "/api/ride/text")
def _text(app: App, request: Request, part: dict[str, str]) -> Response:
    asked = request.json()
    return text(app.rides.text(asked.get("ride"), asked.get("before")))


@route("POST", "/api/ride/look")
def _look(app: App, request: Request, part: dict[str, str]) -> Response:
    """What the ride says as it stands: its faults, its places on the map, what its words stand for."""
    asked = request.json()
    area = app.shelf.area(asked.get("area"))
    try:
        ride = app.rides.ride(asked.get("ride"))
    except InputError as error:
        return answer({"faults": [f._asdict() for f in error.faults], "places": {}})
    return answer({"faults": [], "places": _places(area, ride), "warnings": list(ride.warnings), "said": _said(ride)})


def _places(area: Area, ride: Any) -> dict[str, Any]:
    from routeplan.geo import latlon_to_locator
    from routeplan.plan.jobs import station_letters

    def on_map(position: Any) -> dict[str, Any]:
        x, y = area.projection.to_xy(*position)
        return {"x": round(float(x), 1), "y": round(float(y), 1), "locator": latlon_to_locator(*position)}

    wish = ride.ride
    return {
        "start": on_map(ride.start.position) if ride.start.position else None,
        "end": on_map(wish.end) if wish.end else None,
        "stations": [
            {"name": s.name, "letter": letter, **on_map(s.position)}
            for s, letter in zip(ride.stations, station_letters([s.name for s in ride.stations]))
            if s.position
        ],
        "via": [on_map(p) for p in wish.via],
        "avoid": [on_map(p) for p in wish.avoid],
    }


def _said(ride: Any) -> list[list[Any]]:
    from routeplan.page.view import _said as said

    return [[a.key, said(a.value), a.origin, a.guess] for a in ride.assumptions]


@route("POST", "/api/track")
def _track(app: App, request: Request, part: dict[str, str]) -> Response:
    return answer(app.rides.keep(request.query.get("name"), request.body))


# --- coverage and searches ---


@route("POST", "/api/coverage")
def _coverage(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.page.coverage import coverage

    asked = request.json()
    area, cells, only = app.shelf.area(asked.get("area")), asked.get("cells", 60), asked.get("only")
    if not isinstance(cells, int) or isinstance(cells, bool):
        raise InputError("not a whole number", "cells")
    return answer(coverage(area, app.rides.ride(asked.get("ride")), cells, only if isinstance(only, str) else None))


@route("POST", "/api/search")
def _search(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.plan.jobs import JOBS

    asked = request.json()
    job = asked.get("job")
    if job not in JOBS:
        raise InputError("no such job", repr(job)[:40], f"one of {', '.join(JOBS)}")
    area, tables = app.shelf.area(asked.get("area")), asked.get("ride")
    ride_text = partial(app.rides.text, tables, asked.get("before"))
    begun = app.searches.begin(Asked(job, area, app.rides.ride(tables), ride_text), asked.get("replaces"))
    return answer({"id": begun.key}, 202)


@route("GET", "/api/search/{key}")
def _news(app: App, request: Request, part: dict[str, str]) -> Response:
    search = app.searches.get(part["key"])
    after = int(_number(request, "after", -1, 1e9)) if "after" in request.query else -1
    wait = _number(request, "wait", 0, WAIT_S) if "wait" in request.query else WAIT_S
    return answer(search.wait(after, wait))


@route("POST", "/api/search/{key}/stop")
def _stop(app: App, request: Request, part: dict[str, str]) -> Response:
    app.searches.get(part["key"]).stop()
    return answer({"stopping": True})


@route("POST", "/api/search/{key}/prove")
def _prove(app: App, request: Request, part: dict[str, str]) -> Response:
    """Begin to tighten the proven limit; the search tells how far it has come, and stops when it is stopped."""
    if not app.searches.prove(part["key"]):
        raise InputError("there is nothing to prove here", "", "a search of loops must have ended first")
    return answer({"proving": True}, 202)


@route("GET", "/api/search/{key}/trade_off.svg")
def _trade_off(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.output.trade_off import trade_off_svg

    plan = _version(app, request, part)
    width = _number(request, "width", 320, 900)
    return text(trade_off_svg(plan, width=width, chosen=request.query.get("chosen"), css=True), PLAIN["svg"])


@route("GET", "/api/search/{key}/strip.svg")
def _strip(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.output.scene import svg
    from routeplan.output.strip import strip_scene

    plan = _version(app, request, part)
    chosen = next((r for r in plan.routes if r.id == request.query.get("route")), None)
    if chosen is None:
        raise InputError("no such choice", repr(request.query.get("route"))[:20])
    width = _number(request, "width", 340, 1600)
    units = request.query.get("unit", "km").split("-")
    scene = strip_scene(plan, chosen, width=width, heading=False, miles="mi" in units, feet="ft" in units)
    return text(svg(scene, css=True), PLAIN["svg"])


@route("GET", "/api/search/{key}/file/{name}")
def _plan_file(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.page import files

    search = app.searches.get(part["key"])
    plan, share = _version(app, request, part), request.query.get("share") == "1"
    data = files.plan_file(plan, search.asked.ride_text(), part["name"], share=share)
    return download(part["name"], files.type_of(part["name"]), data)


def _version(app: App, request: Request, part: dict[str, str]) -> Plan:
    """The choices that the page shows: those that came with the number it names, or the newest."""
    seq = int(_number(request, "seq", 0, 1e9)) if "seq" in request.query else None
    return app.searches.get(part["key"]).version(seq)


# --- after the ride ---


@route("POST", "/api/debrief")
def _debrief(app: App, request: Request, part: dict[str, str]) -> Response:
    asked = request.json()
    area, ride = app.shelf.area(asked.get("area")), app.rides.ride(asked.get("ride"))
    choice, key = asked.get("choice"), asked.get("search")
    seq = asked.get("seq") if isinstance(asked.get("seq"), int) else None
    plan = app.searches.get(key).version(seq) if isinstance(key, str) and isinstance(choice, str) and choice else None
    track = app.rides.track(asked.get("track"))
    found = debriefed(area, ride, track, reports_of(asked), plan, str(choice) if plan is not None else "")
    return answer({"id": app.debriefs.add(found), "text": found.text, "files": sorted(found.files)})


@route("GET", "/api/debrief/{key}/{name}")
def _debrief_file(app: App, request: Request, part: dict[str, str]) -> Response:
    from routeplan.page import files

    data = one_file(app.debriefs.get(part["key"]), part["name"])
    return download(part["name"], files.type_of(part["name"]), data)


@route("POST", "/api/debrief/{key}/keep")
def _keep_learnt(app: App, request: Request, part: dict[str, str]) -> Response:
    return answer({"name": app.debriefs.keep_learnt(part["key"], app.rides)})
