"""Small made-up maps as OpenStreetMap XML."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from xml.sax.saxutils import quoteattr

import pytest

NORTH_M, EAST_M = 110_574.3, 111_319.5  # metres in a degree on the equator, where the maps lie (WGS 84)


def osm_text(nodes: dict, ways: list, relations: list = ()) -> str:
    """nodes: id -> (x, y) or (x, y, tags), metres from 0 N 10 E; ways and relations: (id, nodes or members, tags)."""

    def tags(words: dict) -> str:
        return "".join(f"<tag k={quoteattr(k)} v={quoteattr(v)}/>" for k, v in words.items())

    lines = ['<?xml version="1.0" encoding="UTF-8"?>', '<osm version="0.6" generator="test">']
    for i, (x, y, *words) in sorted(nodes.items()):
        lat, lon = y / NORTH_M, 10 + x / EAST_M
        lines.append(
            f'<node id="{i}" version="1" lat="{lat:.7f}" lon="{lon:.7f}">{tags(words[0] if words else {})}</node>'
        )
    for i, refs, words in ways:
        lines.append(
            f'<way id="{i}" version="1">{"".join(f"<nd ref={quoteattr(str(r))}/>" for r in refs)}{tags(words)}</way>'
        )
    for i, members, words in relations:
        text = "".join(f'<member type="{t}" ref="{r}" role="{role}"/>' for t, r, role in members)
        lines.append(f'<relation id="{i}" version="1">{text}{tags(words)}</relation>')
    return "\n".join([*lines, "</osm>"])


@pytest.fixture(scope="session")
def map_text() -> Callable[..., str]:
    """The function that draws a map as text."""
    return osm_text


@pytest.fixture
def osm_file(tmp_path: Path) -> Callable[..., Path]:
    """A function that writes a map to a file and returns its path."""

    def write(nodes: dict, ways: list, relations: list = (), name: str = "map.osm") -> Path:
        path = tmp_path / name
        path.write_text(osm_text(nodes, ways, relations), encoding="utf-8")
        return path

    return write
