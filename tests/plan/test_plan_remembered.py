"""Remembered path losses are the very numbers that would be reckoned again."""

from __future__ import annotations

import pickle
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np

from routeplan.plan import demo, ridefile
from routeplan.plan.remembered import Losses
from routeplan.plan.setting import make_contacts


def test_property_only_what_is_new_is_reckoned() -> None:
    asked: list[int] = []

    def reckon(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        asked.append(len(x))
        return 3.0 * x - y

    x, y = np.random.default_rng(3).integers(0, 40, (2, 500)).astype(float)
    losses = Losses()
    for low, high in ((0, 200), (100, 400), (0, 500), (50, 60)):
        found = losses.at("a", x[low:high], y[low:high], reckon)
        assert (found == 3.0 * x[low:high] - y[low:high]).all()
    assert sum(asked) == len(np.unique(x + 1j * y)) and len(asked) == 3
    assert (losses.at("b", x, y, lambda x, y: x) == x).all()
    assert pickle.loads(pickle.dumps(losses))._known == {}


def test_property_no_more_is_kept_than_is_allowed() -> None:
    losses = Losses(most_points=250)
    for link in range(5):
        losses.at(link, np.arange(100.0), np.zeros(100), lambda x, y: x)
    assert list(losses._known) == [3, 4]


def test_property_several_threads_get_the_same() -> None:
    losses = Losses()
    places = [np.random.default_rng(k).integers(0, 60, (2, 300)).astype(float) for k in range(40)]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda p: losses.at("a", p[0], p[1], lambda x, y: 2 * x + y), places))
    assert all((f == 2 * p[0] + p[1]).all() for f, p in zip(found, places))


def test_property_links_are_the_same_to_the_last_bit(demo_area: Any) -> None:
    ride = ridefile.read_ride(demo.ride_file("net_evening"))
    network = demo_area.network
    x, y = network.point_x_m[:1500], network.point_y_m[:1500]
    contacts = make_contacts(demo_area, ride, x, y)
    losses = Losses()
    contacts.losses_db(x[::7], y[::7], remembered=losses)
    assert np.array_equal(contacts.losses_db(x, y, remembered=losses), contacts.losses_db(x, y), equal_nan=True)
    stronger = replace(contacts.workable[0], station=replace(contacts.workable[0].station, antenna_height_m=30.0))
    higher = replace(contacts, workable=(stronger,))
    assert (higher.losses_db(x, y, remembered=losses)[0] != contacts.losses_db(x, y)[0]).any()
