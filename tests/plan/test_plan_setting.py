"""Which roads of an area a ride file lets in."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.plan import ridefile
from routeplan.plan.area import Area
from routeplan.plan.setting import KEY_OF_CHOICE, allowed
from routeplan.roads.tags import CHOICES, DEFAULT_CHOICES

START = "[start]\nposition = [0, 0]\n"


def lets_in(area: Area, line: str) -> np.ndarray:
    every = '[rider]\nsurfaces = ["smooth", "rough", "fine_gravel", "gravel", "cobbles", "soft"]\n'
    return allowed(area, ridefile.read_ride_text(f"{START}[ride]\n{line}\n{every}"))


def test_property_every_choice_of_the_roads_has_a_key():
    assert set(KEY_OF_CHOICE) == set(CHOICES) - {""}
    said_nothing = ridefile.read_ride_text(START).ride
    assert {c for c, key in KEY_OF_CHOICE.items() if getattr(said_nothing, key)} == DEFAULT_CHOICES - {""}


@pytest.mark.parametrize("key", sorted(set(KEY_OF_CHOICE.values())))
def test_property_a_key_lets_in_its_roads_and_no_others(demo_area: Area, key: str):
    without, with_it = (lets_in(demo_area, f"{key} = {yes}") for yes in ("false", "true"))
    named = [CHOICES.index(choice) for choice, k in KEY_OF_CHOICE.items() if k == key]
    its_own = np.isin(demo_area.network.street_choice, named)
    assert not without[its_own].any() and with_it[its_own].all()
    np.testing.assert_array_equal(without[~its_own], with_it[~its_own])
