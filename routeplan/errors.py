"""The one family of errors that routeplan raises on purpose.

    RouteplanError
    ├── InputError          a wrong file, value or argument (also a ValueError); lists every fault found
    ├── UnreachableError    no way on the roads from one place to the other
    ├── NoLoopError         no loop inside the window; carries the nearest length that was found
    └── DownloadError       a server did not give what was asked for

Anything else that reaches a user is a bug of ours.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class Fault(NamedTuple):
    """One thing that is wrong: what, where (file, line or place, value) and how to mend it."""

    what: str
    where: str = ""
    mend: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}; {self.mend}" if self.mend else text


class RouteplanError(Exception):
    """Root of the family: its text is fit to be shown to the rider as it is."""


class InputError(RouteplanError, ValueError):
    """Wrong input. `faults` holds every fault that was found, so that all can be mended at once."""

    def __init__(self, what: str | Iterable[Fault], where: str = "", mend: str = "") -> None:
        self.faults: tuple[Fault, ...] = (Fault(what, where, mend),) if isinstance(what, str) else tuple(what)
        super().__init__("\n".join(map(str, self.faults)))


class UnreachableError(RouteplanError):
    """No way on the roads from one place to the other."""


class NoLoopError(RouteplanError):
    """No loop inside the window. `nearest_length_m` is the length closest to it that was found, or None."""

    def __init__(self, message: str, nearest_length_m: float | None = None) -> None:
        self.nearest_length_m = nearest_length_m
        super().__init__(message)


class DownloadError(RouteplanError):
    """A server did not give what was asked for."""

    @classmethod
    def not_found(cls, address: str, reason: OSError) -> DownloadError:
        """Of a server whose name leads nowhere, which no waiting mends."""
        return cls(f"{address}: the server is not found ({reason.strerror}); is this computer online? "
                   "The same command goes on where this one stopped")  # fmt: skip
