"""Places on the Earth: locators, working coordinates, distances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routeplan import geo
from routeplan.errors import InputError

LATITUDES = st.floats(-80, 80)
LONGITUDES = st.floats(-179.9, 179.9)


# Examples that are printed widely (from memory); the rule itself: IARU Region 1 VHF Managers Handbook.
@pytest.mark.parametrize(
    "latitude, longitude, locator",
    [
        (48.14666, 11.60833, "JN58td"),
        (-34.91, -56.21166, "GF15vc"),
        (38.92, -77.065, "FM18lw"),
        (0.0, 0.0, "JJ00aa"),
    ],
)
def test_locator_published(latitude, longitude, locator):
    assert geo.latlon_to_locator(latitude, longitude, 6) == locator


@given(LATITUDES, LONGITUDES, st.sampled_from([2, 4, 6, 8]))
def test_locator_cell_holds_its_point_property(latitude, longitude, characters):
    locator = geo.latlon_to_locator(latitude, longitude, characters)
    assert geo.latlon_to_locator(*geo.locator_to_latlon(locator), characters) == locator
    north, east = geo.locator_to_latlon(locator)
    height = {2: 10, 4: 1, 6: 1 / 24, 8: 1 / 240}[characters]
    assert abs(north - latitude) <= height / 2 + 1e-9
    assert abs(east - longitude) <= height + 1e-9


@pytest.mark.parametrize(
    "text, words",
    [("SA00aa", "character 1 is 'S'"), ("AA0xaa", "character 4 is 'X'"), ("AA00a", "5 characters")],
)
def test_wrong_locator_names_the_letter(text, words):
    with pytest.raises(InputError, match=words):
        geo.locator_to_latlon(text)


@given(LATITUDES, LONGITUDES, st.floats(-20e3, 20e3), st.floats(-20e3, 20e3))
def test_projection_round_trip_and_scale_property(latitude, longitude, x_m, y_m):
    projection = geo.Projection(latitude, longitude)
    there = projection.to_latlon(x_m, y_m)
    assert np.allclose(projection.to_xy(*there), (x_m, y_m), atol=1e-3)
    # WGS 84 against the mean sphere: radii of curvature differ from the mean by less than 0.6 %
    distance = geo.distance_m(latitude, longitude, *there)
    assert distance == pytest.approx(np.hypot(x_m, y_m), rel=7e-3, abs=0.01)


@pytest.mark.parametrize("x, y, bearing", [(0, 1, 0), (1, 0, 90), (0, -1, 180), (-1, 0, 270)])
def test_bearing_by_hand(x, y, bearing):
    assert geo.bearing_deg(0, 0, x, y) == pytest.approx(bearing)
