"""The whole way in a real browser: the system's Chromium, driven by Playwright. No request may leave this machine."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from routeplan.page.server import PageServer, make_server
from routeplan.plan import demo, jobs, ridefile
from routeplan.plan.area import Area
from routeplan.plan.value import Plan

CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
)
playwright = pytest.importorskip(
    "playwright.sync_api", reason="Playwright is not installed: pip install 'routeplan[test]'"
)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: apt-get install chromium")

ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


UNNAMED = """[...document.querySelectorAll('input,select,button')].filter(
    e => e.offsetParent && !e.closest('[aria-hidden]')
      && !(e.getAttribute('aria-label') || e.labels?.length || e.textContent.trim())
).map(e => e.outerHTML)"""  # what a screen reader could not name


CUT = """[...document.querySelectorAll('select')].filter(e => e.offsetParent && e.selectedIndex >= 0).filter(e => {
    const pen = document.createElement('canvas').getContext('2d'), s = getComputedStyle(e);
    pen.font = `${s.fontSize} ${s.fontFamily}`;
    const room = e.clientWidth - parseFloat(s.paddingLeft) - parseFloat(s.paddingRight) - 14;
    return pen.measureText(e.selectedOptions[0].text).width > room;
}).map(e => e.selectedOptions[0].text)"""  # what a list that is shut shows in part only; 14 px for its arrow


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("rides")


@pytest.fixture(scope="module")
def server(folder: Path, demo_area: Area) -> Iterator[PageServer]:
    made = make_server(None, rides=folder)
    budget, jobs.QUICK_BUDGET = jobs.QUICK_BUDGET, jobs.QUICK_BUDGET // 8  # how good the loops are is tested elsewhere
    made.app.searches._job = partial(jobs.plan, quick=True)  # numbers are compared without a browser
    # What is compiled on a first run is compiled here, and not while a page waits for it.
    evening = ridefile.read_ride(demo.ride_file("net_evening"))
    jobs.plan("loop", demo_area, evening, progress=lambda text: None, watch=lambda so_far: bool(so_far()), quick=True)
    thread = threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    yield made
    jobs.QUICK_BUDGET = budget
    made.app.searches.stop_all()
    made.shutdown()
    made.server_close()
    thread.join(5)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


class Visit:
    """A browser context that was let in, its complaints, and every address it asked for."""

    def __init__(self, chromium: Any, server: PageServer, width: int = 1280, height: int = 800, **looks: Any) -> None:
        self.context = chromium.new_context(viewport={"width": width, "height": height}, accept_downloads=True, **looks)
        self.context.set_default_timeout(45_000)
        self.home = f"http://127.0.0.1:{server.server_address[1]}"
        self.token = server.app.guard.new_token()
        self.complaints: list[str] = []
        self.asked: list[str] = []
        self.context.on("request", lambda request: self.asked.append(request.url))

    def open(self) -> Any:
        page = self.context.new_page()
        page.on("console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.goto(f"{self.home}/?token={self.token}")
        page.wait_for_selector("body[data-ready]")
        return page

    def close(self) -> None:
        self.context.close()
        outside = [url for url in self.asked if not url.startswith((self.home, "data:", "blob:"))]
        assert not outside
        assert not self.complaints


@pytest.fixture
def visit(chromium: Any, server: PageServer) -> Iterator[Visit]:
    made = Visit(chromium, server)
    yield made
    made.close()


def leisurely(*asked: Any, watch: Any, **hooks: Any) -> Plan:
    """The whole job, with a pause at every look, so that there is time to stop it."""
    hooks["quick"] = True

    def look(so_far: Any) -> bool:
        time.sleep(0.3)
        return watch(so_far)

    return jobs.plan(*asked, watch=look, **hooks)


def plan(page: Any) -> None:
    page.click("#plan")
    ended(page)


def ended(page: Any) -> None:
    page.wait_for_selector("#choices .choice")
    page.wait_for_selector("#stop[disabled]")


def test_from_opening_the_demo_to_a_track(visit: Visit) -> None:
    page = visit.open()
    assert visit.token not in page.url
    plan(page)
    assert page.locator("#choices .choice").count() >= 2
    assert "kJ" in page.inner_text("#figures") and "choice" in page.inner_text("#state")
    # a ring of the picture is picked: strip, headline and files follow
    page.locator("#trade .spot[title='Choice B']").click()
    page.wait_for_selector("#strip svg[data-route=B]")
    assert page.inner_text("#headline").startswith("B")
    # strip and map are linked, by pointer and by keys
    page.locator("#strip").focus()
    page.keyboard.press("End")
    last = page.inner_text("#readout")
    page.keyboard.press("Home")
    assert page.inner_text("#readout") != last and "km" in last
    assert page.evaluate("window.routeplan.map.at") == 0
    page.evaluate("const {map} = window.routeplan, r = map.routes[1]; map.hover(...map.px(r.x[200], r.y[200]))")
    assert page.evaluate("window.routeplan.map.at") > 0 and page.inner_text("#readout") != last
    with page.expect_download() as download:
        page.click("#links >> text=GPX track")
    assert download.value.suggested_filename == "ride_B.gpx"
    assert b"<trkpt" in Path(download.value.path()).read_bytes()


def test_the_choices_are_had_by_keyboard_alone(visit: Visit) -> None:
    page = visit.open()
    page.locator("#plan").focus()
    page.keyboard.press("Enter")
    ended(page)
    page.locator("#choices input").first.focus()
    page.keyboard.press("ArrowDown")
    page.wait_for_selector("#strip svg[data-route=B]")
    assert page.locator("#choices input:checked").get_attribute("value") == "B"
    why = page.locator("#figures .why").first
    why.focus()
    page.keyboard.press("Enter")
    assert page.locator("#figures .note").first.is_visible()


def test_a_dragged_station_takes_its_coverage_along(visit: Visit) -> None:
    page = visit.open()
    page.wait_for_selector("#map[data-coverage]")
    box = page.locator("#map").bounding_box()
    x, y = page.evaluate(
        "window.routeplan.map.px(window.routeplan.map.stations[0].x, window.routeplan.map.stations[0].y)"
    )
    before = page.input_value("[data-path='station.0.position']")
    page.mouse.move(box["x"] + x, box["y"] + y)
    page.mouse.down()
    took = []
    for step in range(1, 7):
        seen = int(page.get_attribute("#map", "data-coverage"))
        began = time.perf_counter()
        page.mouse.move(box["x"] + x - 6 * step, box["y"] + y - 8 * step)
        while int(page.get_attribute("#map", "data-coverage")) == seen and time.perf_counter() - began < 5:
            time.sleep(0.01)
        took.append(time.perf_counter() - began)
    page.mouse.up()
    assert min(took) < 0.5
    page.wait_for_timeout(400)
    after = page.input_value("[data-path='station.0.position']")
    assert after != before and page.inner_text("[data-locator='0']")
    assert page.evaluate("window.routeplan.ride.tables.station[0].position.join(', ')") == after


def test_a_changed_length_shows_a_loop_at_once_and_a_search_can_be_stopped(visit: Visit, server: PageServer) -> None:
    page = visit.open()
    plan(page)
    before = page.inner_text("#choices")
    began = time.perf_counter()
    page.fill("[data-path='ride.length_km']", "27")
    page.keyboard.press("Tab")
    while page.inner_text("#choices") == before and time.perf_counter() - began < 10:
        time.sleep(0.02)
    assert time.perf_counter() - began < 4  # under 1 s where nothing else runs; this machine may be busy
    ended(page)
    server.app.searches._job, quick = leisurely, server.app.searches._job
    try:
        page.click("#plan")
        page.wait_for_selector("#state >> text=/so far/")
        page.click("#stop")
        page.wait_for_selector("#stop[disabled]")
        page.wait_for_selector("#state >> text=/^stopped after/")
    finally:
        server.app.searches._job = quick
    assert page.locator("#choices .choice").count() >= 1


def test_choices_keep_still_under_the_riders_hand(visit: Visit, server: PageServer) -> None:
    """Better ones wait until they are asked for; the ride that was picked is found again among them."""
    hand = threading.Event()

    def held_up(*asked: Any, watch: Any, **hooks: Any) -> Plan:
        """After its first look the job waits for the hand, or a busy machine has found all before it is laid on."""

        def look(so_far: Any) -> bool:
            go_on = watch(so_far)
            hand.wait(60.0)
            return go_on

        return leisurely(*asked, watch=look, **hooks)

    page = visit.open()
    server.app.searches._job, quick = held_up, server.app.searches._job
    try:
        page.click("#plan")
        page.wait_for_selector("#choices .choice")
        page.locator("#choices input").last.focus()
        page.keyboard.press("Space")
        page.keyboard.press("Home")  # a key in the list is a hand laid on it
        page.locator("#strip").focus()
        page.keyboard.press("ArrowRight")
        before = page.inner_text("#choices"), page.inner_text("#headline")
        hand.set()
        page.wait_for_selector("#waiting >> text=/stays until you ask/")
        page.wait_for_timeout(1200)
        assert (page.inner_text("#choices"), page.inner_text("#headline")) == before
        with page.expect_download() as download:
            page.click("#links >> text=GPX track")
        assert b"<trkpt" in Path(download.value.path()).read_bytes()
        page.wait_for_selector("#spoken >> text=/./", state="attached")  # the page's policy lets no script be evaluated
        page.click("#waiting button")
        page.wait_for_selector("#waiting", state="hidden")
        ended(page)
    finally:
        hand.set()
        server.app.searches._job = quick
    assert page.locator("#choices input:checked").count() == 1


def test_a_tighter_limit_is_asked_for_and_stopped(visit: Visit) -> None:
    page = visit.open()
    page.uncheck("#has-net")
    page.wait_for_timeout(200)
    plan(page)
    page.click("#prove")
    page.wait_for_selector("#bound >> text=/No loop of .* can have/")
    page.click("#prove[data-going=true]")
    page.wait_for_selector("#state >> text=/proof|tight/")
    assert "Proven limit" in page.inner_text("#bound")


def test_a_wrong_ride_file_says_what_to_mend(visit: Visit, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('[start]\npositon = [41.2, -33.0]\n[ride]\nlength_km = "long"\n')
    page = visit.open()
    page.set_input_files("#ride-file", wrong)
    page.wait_for_selector("#trouble li")
    text = page.inner_text("#trouble")
    assert "line 2" in text and "line 4" in text and "Traceback" not in text
    page.fill("[data-path='ride.length_km']", "-4")
    page.keyboard.press("Tab")
    page.wait_for_selector("[data-path='ride.length_km'][aria-invalid]")
    page.fill("[data-path='ride.length_km']", "30")
    page.keyboard.press("Tab")
    page.wait_for_selector("#faults:empty", state="attached")


def test_a_ride_is_saved_and_opened_again(visit: Visit, folder: Path) -> None:
    page = visit.open()
    page.fill("[data-path='ride.length_km']", "26")
    page.keyboard.press("Tab")
    page.fill("#ride-name", "my evening")
    page.click("#save")
    page.wait_for_selector("#state >> text=saved as my evening.toml")
    assert ridefile.read_ride(folder / "my evening.toml").ride.length_km == 26
    page.select_option("#rides", "*demo")
    page.wait_for_selector("#ride-name")
    page.wait_for_timeout(300)
    assert page.input_value("[data-path='ride.length_km']") == "32"
    page.select_option("#rides", "my evening.toml")
    page.wait_for_timeout(300)
    assert page.input_value("[data-path='ride.length_km']") == "26"


def test_what_was_saved_is_said_until_the_next_change(visit: Visit) -> None:
    page = visit.open()
    page.wait_for_selector("#faults:empty", state="attached")
    late: list[Any] = []
    page.route("**/api/ride/look*", lambda route: late.append(route))
    page.fill("[data-path='ride.length_km']", "27")
    page.keyboard.press("Tab")
    page.fill("#ride-name", "said")
    page.click("#save")
    page.wait_for_selector("#state >> text=saved as said.toml")
    assert late
    with page.expect_response("**/api/ride/look*"):
        late[-1].continue_()
    page.unroute("**/api/ride/look*")
    page.wait_for_timeout(200)
    assert "saved as said.toml" in page.inner_text("#state")
    page.fill("[data-path='ride.length_km']", "28")
    page.keyboard.press("Tab")
    page.wait_for_function("document.querySelector('#state').textContent === ''")


def test_a_track_is_dropped_and_checked(visit: Visit, tmp_path: Path) -> None:
    page = visit.open()
    plan(page)
    with page.expect_download() as download:
        page.click("#links >> text=GPX track")
    track = tmp_path / "usual ride.gpx"
    download.value.save_as(track)
    page.click("#jobs >> text=Check a ride")
    page.set_input_files("#track", track)
    page.wait_for_selector(".drop >> text=usual ride.gpx")
    page.click("#plan")
    page.wait_for_selector("#why >> text=the ride as given")
    page.wait_for_selector("#stop[disabled]")
    assert page.locator("#choices .choice").count() == 1


def test_two_tabs_at_once(visit: Visit) -> None:
    first, second = visit.open(), visit.open()
    second.fill("[data-path='ride.length_km']", "22")
    second.keyboard.press("Tab")
    first.click("#plan")
    second.click("#plan")
    ended(first)
    ended(second)
    assert first.inner_text("#headline") != second.inner_text("#headline")
    assert " 3" in first.inner_text("#headline") and " 2" in second.inner_text("#headline")


@pytest.mark.parametrize(
    ("width", "height", "scheme"), [(360, 740, "light"), (1280, 800, "dark"), (1920, 1080, "light")]
)
def test_nothing_runs_over_at_any_size(chromium: Any, server: PageServer, width: int, height: int, scheme: str) -> None:
    visit = Visit(chromium, server, width, height, color_scheme=scheme)
    page = visit.open()
    plan(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    paper = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
    assert (paper == "rgb(251, 249, 244)") == (scheme == "light")
    if width < 720:
        page.click("#tools summary")
    page.select_option("#unit", "mi-ft")
    page.wait_for_selector("#headline >> text=/[0-9] mi,.* ft up/")
    page.wait_for_selector("#strip svg >> text=/ ft$/")
    unnamed = page.evaluate(UNNAMED)
    assert unnamed == []
    assert page.evaluate(CUT) == []
    visit.close()
