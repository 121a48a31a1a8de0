"""Who may ask: the address the page is reached by, the page's own origin, a one-time token and then a cookie.

A page on another site may make the rider's browser send requests to this machine. So a request must name one of our
own hosts (else a foreign name was pointed here), must not come from a foreign page, and must carry the cookie that
only the one-time address in the terminal gives.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Iterable

from routeplan.page.request import Request, Response, refusal

SAFE = {"GET", "HEAD"}


class Guard:
    """The hosts that are ours, tokens not used yet, and sessions that were let in."""

    def __init__(self, hosts: Iterable[str], cookie: str = "routeplan") -> None:
        self.hosts = frozenset(host.lower() for host in hosts)
        self.cookie = cookie
        self._tokens: set[str] = set()
        self._sessions: set[str] = set()
        self._lock = threading.Lock()

    def new_token(self) -> str:
        """A token that lets one browser in, once."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            self._tokens.add(token)
        return token

    def refused(self, request: Request) -> Response | None:
        """The refusal, or None where the request may be served."""
        if request.headers.get("host", "").lower() not in self.hosts:
            return refusal(421, "this address is not served here", "open the address that routeplan printed")
        if self._foreign(request):
            return refusal(403, "asked by another site", "open the address that routeplan printed")
        if not self.let_in(request):
            return refusal(401, "not let in", "open the address that routeplan printed; it works once")
        return None

    def _foreign(self, request: Request) -> bool:
        origin = request.headers.get("origin")
        if origin is not None:
            scheme, _, host = origin.lower().partition("://")
            return scheme != "http" or host != request.headers.get("host", "").lower()
        site = request.headers.get("sec-fetch-site", "none")
        if request.method in SAFE:  # a link on another site may lead here; it gets nothing but the page itself
            return site not in ("none", "same-origin") and request.headers.get("sec-fetch-mode") != "navigate"
        return site not in ("none", "same-origin")

    def let_in(self, request: Request) -> bool:
        given = request.cookies.get(self.cookie, "")
        with self._lock:
            return any(secrets.compare_digest(given.encode(), session.encode()) for session in self._sessions)

    def enter(self, request: Request) -> Response | None:
        """The answer to an address with a token: a cookie and the way to the page. None: the token is not good."""
        given = request.query.get("token", "")
        if request.headers.get("host", "").lower() not in self.hosts or self._foreign(request):
            return None
        home = ("Location", "/")
        if self.let_in(request):
            return Response(303, "text/plain", b"", (home,))
        with self._lock:
            good = next((t for t in self._tokens if secrets.compare_digest(given.encode(), t.encode())), None)
            if good is None:
                return None
            self._tokens.discard(good)
            session = secrets.token_urlsafe(24)
            self._sessions.add(session)
        cookie = f"{self.cookie}={session}; HttpOnly; SameSite=Strict; Path=/"
        return Response(303, "text/plain", b"", (home, ("Set-Cookie", cookie)))
