"""Invented lanes on real ground: the place that most tests of whole jobs share."""

from __future__ import annotations

import numpy as np

# matplotlib's sample elevation of the Jacksboro fault, Tennessee: its file names these bounds, ymin and ymax swapped.
WEST, EAST, SOUTH, NORTH = -84.4150, -84.0803, 36.4450, 36.7317


START = """
[start]
position = [36.5884, -84.2476]
departs = 2026-06-11T18:30:00
time_zone = "America/New_York"
"""
RIM = """
[[station]]
name = "QB1RIM"
position = [36.6300, -84.2000]
kind = "vertical on the chimney"
"""
NET = """
[[net]]
frequency_mhz = 145.5
begins = "18:45"
lasts_min = 30
"""


def quiet(text: str) -> None:
    """Progress that nobody reads."""


def lanes_text(spacing_m: float = 900.0, across: int = 15) -> str:
    """OpenStreetMap XML of a net of winding lanes across the fault: invented roads on real ground."""
    middle_lat, middle_lon = (SOUTH + NORTH) / 2, (WEST + EAST) / 2
    metres_lat, metres_lon = 110_950.0, 111_320.0 * np.cos(np.radians(middle_lat))
    rng = np.random.default_rng(7)
    shift = rng.uniform(-0.25, 0.25, (2, across, across)) * spacing_m
    nodes, ways = [], []

    def node(x: float, y: float) -> int:
        nodes.append(
            f'<node id="{len(nodes) + 1}" version="1" lat="{middle_lat + y / metres_lat:.7f}" '
            f'lon="{middle_lon + x / metres_lon:.7f}"/>'
        )
        return len(nodes)

    at = np.arange(across) - (across - 1) / 2
    corner = [
        [node(at[i] * spacing_m + shift[0, i, j], at[j] * spacing_m + shift[1, i, j]) for j in range(across)]
        for i in range(across)
    ]
    for line in (*corner, *zip(*corner)):
        refs = "".join(f'<nd ref="{ref}"/>' for ref in line)
        kind = "tertiary" if len(ways) % 5 == 0 else "unclassified"
        ways.append(
            f'<way id="{len(ways) + 1}" version="1">{refs}<tag k="highway" v="{kind}"/>'
            f'<tag k="name" v="Lane {len(ways) + 1}"/><tag k="surface" v="asphalt"/></way>'
        )
    return f'<?xml version="1.0"?><osm version="0.6">{"".join(nodes)}{"".join(ways)}</osm>'
