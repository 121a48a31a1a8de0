"""What the page is asked and what it answers, apart from any socket."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from routeplan.errors import Fault, InputError

JSON = "application/json"


@dataclass(frozen=True)
class Request:
    """One request. Header names are lower case; `path` is decoded and holds no query."""

    method: str
    path: str
    query: Mapping[str, str] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""

    @property
    def cookies(self) -> dict[str, str]:
        pairs = (part.strip().partition("=") for part in self.headers.get("cookie", "").split(";"))
        return {name: value for name, _, value in pairs if name}

    def json(self) -> dict[str, Any]:
        """The body as a JSON object. Raises InputError."""
        try:
            found = json.loads(self.body.decode("utf-8"), parse_constant=_no_constant)
        except (UnicodeDecodeError, ValueError, RecursionError):
            raise InputError("not JSON", "the request") from None
        if not isinstance(found, dict):
            raise InputError("not a JSON object", "the request")
        return found


def _no_constant(name: str) -> None:
    raise ValueError(name)


@dataclass(frozen=True)
class Response:
    """One answer."""

    status: int
    type: str
    body: bytes
    headers: tuple[tuple[str, str], ...] = ()


def answer(value: Any, status: int = 200) -> Response:
    """A JSON answer."""
    text = json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    return Response(status, JSON, text.encode("utf-8", "replace"))


def refusal(status: int, what: str, mend: str = "") -> Response:
    """An answer that something is wrong; the page shows its faults."""
    return faults([Fault(what, "", mend)], status)


def faults(found: list[Fault] | tuple[Fault, ...], status: int = 422) -> Response:
    return answer({"faults": [fault._asdict() for fault in found]}, status)


def text(body: str, kind: str = "text/plain; charset=utf-8") -> Response:
    return Response(200, kind, body.encode())


def download(name: str, kind: str, body: bytes) -> Response:
    """A file to keep; browsers save it and never run it."""
    return Response(200, kind, body, (("Content-Disposition", f'attachment; filename="{name}"'),))
