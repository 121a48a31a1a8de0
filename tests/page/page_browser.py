"""Asks the page's function as a browser would, without a socket."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from routeplan.page.app import App
from routeplan.page.request import Request, Response

HOST = "127.0.0.1:8000"


@dataclass
class Browser:
    """Asks an App as a browser that was let in would."""

    app: App
    folder: Path
    headers: dict[str, str] = field(default_factory=dict)

    def enter(self) -> None:
        answer = self.app.handle(Request("GET", "/", {"token": self.app.guard.new_token()}, {"host": HOST}))
        cookie = dict(answer.headers)["Set-Cookie"].partition(";")[0]
        self.headers = {"host": HOST, "cookie": cookie, "sec-fetch-site": "same-origin"}

    def get(self, path: str, **query: Any) -> Response:
        return self.app.handle(Request("GET", path, {k: str(v) for k, v in query.items()}, self.headers))

    def post(self, path: str, body: Any = b"", **query: Any) -> Response:
        data = body if isinstance(body, bytes) else json.dumps(body).encode()
        headers = {**self.headers, "origin": f"http://{HOST}"}
        return self.app.handle(Request("POST", path, {k: str(v) for k, v in query.items()}, headers, data))

    def search(self, **asked: Any) -> dict[str, Any]:
        """Begin a search and wait for its end."""
        key = json.loads(self.post("/api/search", asked).body)["id"]
        after, plan = -1, None
        while True:
            news = json.loads(self.get(f"/api/search/{key}", after=after).body)
            assert news["seq"] > after or news["state"] == "running"
            after, plan = max(after, news["seq"]), news.get("plan", plan)
            if news["state"] in ("done", "stopped", "failed"):
                return {**news, "plan": plan}


def said(answer: Response) -> Any:
    return json.loads(answer.body)
