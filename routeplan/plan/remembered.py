"""Path losses that were reckoned before: another length of the same ride asks for most of the same links again."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

import numpy as np

MOST_POINTS = 3_000_000  # of all links together; 24 bytes each

Reckon = Callable[[np.ndarray, np.ndarray], np.ndarray]


class Losses:
    """Losses of links from one end to many places, by what else they hang on. Safe for several threads.

    Each link is reckoned alone, so that a remembered loss is the very number that would be reckoned again.
    """

    def __init__(self, most_points: int = MOST_POINTS) -> None:
        self.most_points = most_points
        self._known: OrderedDict[Hashable, tuple[np.ndarray, np.ndarray]] = OrderedDict()
        self._lock = threading.Lock()

    def __reduce__(self) -> tuple[type[Losses], tuple[int]]:
        """Nothing remembered travels to another process."""
        return Losses, (self.most_points,)

    def at(self, link: Hashable, x_m: np.ndarray, y_m: np.ndarray, reckon: Reckon) -> np.ndarray:
        """Losses (n,) at places (n,); `reckon(x, y)` gives those not known yet."""
        place = np.asarray(x_m, dtype=float) + 1j * np.asarray(y_m, dtype=float)
        with self._lock:
            places, losses = self._known.get(link, (np.empty(0, complex), np.empty(0)))
        row = np.searchsorted(places, place)
        known = row < len(places)
        known[known] = places[row[known]] == place[known]
        fresh = np.unique(place[~known])
        if len(fresh):
            where = np.searchsorted(places, fresh)
            losses = np.insert(losses, where, reckon(fresh.real.copy(), fresh.imag.copy()))
            places = np.insert(places, where, fresh)
            row = np.searchsorted(places, place)
        with self._lock:
            self._known[link] = (places, losses)
            self._known.move_to_end(link)
            while len(self._known) > 1 and sum(len(p) for p, _ in self._known.values()) > self.most_points:
                self._known.popitem(last=False)
        return np.asarray(losses[row])
