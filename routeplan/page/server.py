"""The server: a socket round the page's function. Loopback unless the rider asks for the network."""

from __future__ import annotations

import socket
import sys
import threading
import webbrowser
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qsl, unquote, urlsplit

from routeplan.errors import InputError
from routeplan.page.app import App, body_limit
from routeplan.page.areas import Shelf
from routeplan.page.guard import Guard
from routeplan.page.request import Request, refusal
from routeplan.page.rides import Rides
from routeplan.page.searches import Searches

LONGEST_TARGET = 4000
IDLE_S = 60.0


class PageServer(ThreadingHTTPServer):
    """Serves one App; each connection has a thread."""

    daemon_threads = True
    allow_reuse_address = True
    request_queue_size = 128
    app: App

    def handle_error(self, request: object, client_address: object) -> None:
        """A browser that went away is no news."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server_version = "routeplan"
    sys_version = ""
    timeout = IDLE_S
    server: PageServer

    def _serve(self) -> None:
        request = self._request()
        if request is None:
            return
        found = self.server.app.handle(request)
        self.send_response(found.status)
        self.send_header("Content-Type", found.type)
        self.send_header("Content-Length", str(len(found.body)))
        for name, value in found.headers:
            self.send_header(name, value)
        self.end_headers()
        if request.method != "HEAD":
            self.wfile.write(found.body)

    def _request(self) -> Request | None:
        """The request as the page takes it; None where it was refused before its body was read."""
        if len(self.path) > LONGEST_TARGET:
            self._refuse(414, "the address is too long")
            return None
        target = urlsplit(self.path)
        path = unquote(target.path, errors="replace")
        if self.headers.get("Transfer-Encoding"):
            self._refuse(411, "the length must be given")
            return None
        length = self.headers.get("Content-Length", "0")
        if not (length.isascii() and length.isdigit() and len(length) < 12):
            self._refuse(400, "the length is not a number")
            return None
        if int(length) > body_limit(path):
            self._refuse(413, f"too large: {body_limit(path) // 1000} kB at most")
            return None
        body = self.rfile.read(int(length))
        if len(body) < int(length):
            self._refuse(400, "cut off")
            return None
        query = dict(parse_qsl(target.query, keep_blank_values=True, max_num_fields=40))
        headers = {name.lower(): value for name, value in self.headers.items()}
        return Request(self.command, path, query, headers, body)

    def _refuse(self, status: int, what: str) -> None:
        found = refusal(status, what)
        self.close_connection = True
        self.send_response(status)
        self.send_header("Content-Type", found.type)
        self.send_header("Content-Length", str(len(found.body)))
        self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write(found.body)

    do_GET = do_HEAD = do_POST = do_PUT = do_DELETE = do_OPTIONS = do_PATCH = _serve

    def log_message(self, format: str, *args: object) -> None:
        """Quiet: the terminal holds the address and what goes wrong."""


def make_server(area: Path | None, *, port: int = 0, on_network: bool = False, rides: Path | None = None) -> PageServer:
    """A server that is bound and ready to serve; `server.app.guard.new_token()` gives the address its token.

    port : 0 takes any that is free. Raises InputError for a port in use or a folder that is no area.
    """
    folder = Path() if rides is None else rides
    if not folder.is_dir():
        raise InputError("no such folder", str(folder), "name the folder of your ride files")
    shelf = Shelf(area, folder)
    try:
        server = PageServer(("0.0.0.0" if on_network else "127.0.0.1", port), _Handler)
    except (OSError, OverflowError) as error:
        raise InputError(
            f"cannot be used: {getattr(error, 'strerror', None) or error}",
            f"port {port}",
            "choose another, or -p 0 for any",
        ) from None
    bound = server.server_address[1]
    names = ["127.0.0.1", "localhost", *([network_address()] if on_network else [])]
    guard = Guard([f"{name}:{bound}" for name in names], cookie=f"routeplan_{bound}")
    server.app = App(guard, shelf, Rides(folder), Searches())
    return server


def network_address() -> str:
    """This computer's address in the house; 127.0.0.1 where there is no network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): a route is chosen, nothing is sent
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def serve(
    area: Path | None,
    *,
    port: int = 0,
    on_network: bool = False,
    open_browser: bool = False,
    rides: Path | None = None,
    say: Callable[[str], None] = print,
) -> None:
    """Serve the page until interrupted; `say` gets the address."""
    server = make_server(area, port=port, on_network=on_network, rides=rides)
    bound = server.server_address[1]

    def address(host: str) -> str:
        return f"http://{host}:{bound}/?token={server.app.guard.new_token()}"

    here = address("127.0.0.1")
    say(f"The page: {here}")
    if on_network:
        there = address(network_address())
        say(f"For a phone in this house, once: {there}")
        say(qr_text(there))
        say("Anyone on this network who has that address can use the page until routeplan ends.")
    say("Each address lets one browser in. Enter gives another; Ctrl-C ends.")
    if open_browser:
        webbrowser.open(here)
    threading.Thread(target=warm_up, args=(server.app.shelf,), name="warm up", daemon=True).start()
    if sys.stdin is not None and sys.stdin.isatty():
        threading.Thread(target=_more_addresses, args=(address, say, on_network), daemon=True).start()
    try:
        server.serve_forever(poll_interval=0.2)
    finally:
        server.app.searches.stop_all()
        server.server_close()


def warm_up(shelf: Shelf) -> None:
    """Load, and on a first run compile, what a search needs, while the rider still looks at the page."""
    from routeplan.page.searches import Stopped, log_fault
    from routeplan.plan import demo, jobs, ridefile

    def enough(so_far: Callable[[], object]) -> bool:
        so_far()
        raise Stopped

    try:
        ride = ridefile.read_ride(demo.ride_file("net_evening"))
        jobs.plan("loop", shelf.area("demo"), ride, progress=lambda text: None, watch=enough, quick=True)
    except Stopped:
        pass
    except Exception as error:  # the page goes on without
        log_fault(error)


def _more_addresses(address: Callable[[str], str], say: Callable[[str], None], on_network: bool) -> None:
    """A fresh address for every Enter, for another browser or a lost one."""
    for _ in sys.stdin:
        say(address(network_address() if on_network else "127.0.0.1"))


def qr_text(address: str) -> str:
    """The address as a QR code for the terminal; a word on what is missing where segno is not installed."""
    try:
        import segno
    except ImportError:
        return "(pip install 'routeplan[page]' shows it as a QR code too)"
    import io

    out = io.StringIO()
    segno.make(address, error="m").terminal(out, compact=True, border=2)
    return out.getvalue()
