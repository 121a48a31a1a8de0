"""Writing the map as .osm.pbf: nodes in order of first use, then ways, then relations; no dates."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from .frame import latlon


class Map:
    """Nodes, ways and relations collected, with numbers given in order."""

    def __init__(self) -> None:
        self.nodes: dict[tuple[int, int], int] = {}
        self.node_tags: dict[int, dict[str, str]] = {}
        self.ways: list[tuple[int, list[int], dict[str, str]]] = []
        self.relations: list[tuple[int, list[tuple[str, int, str]], dict[str, str]]] = []

    def node(self, point, **tags) -> int:
        """Number of the node at a point (island metres); tags are added to it."""
        where = (round(point[0] * 10), round(point[1] * 10))
        number = self.nodes.setdefault(where, len(self.nodes) + 1)
        if tags:
            self.node_tags.setdefault(number, {}).update(tags)
        return number

    def way(self, points, tags: dict[str, str]) -> int:
        """Number of a new way."""
        refs = [self.node(p) for p in points]
        refs = [r for k, r in enumerate(refs) if k == 0 or r != refs[k - 1]]
        self.ways.append((len(self.ways) + 1, refs, tags))
        return len(self.ways)

    def polygon(self, shape, tags: dict[str, str]) -> None:
        """A closed way, or a multipolygon relation where there are holes."""
        outer = np.round(np.array(shape.exterior.coords), 1)
        if not shape.interiors:
            self.way(outer, tags)
            return
        members = [("w", self.way(outer, {}), "outer")]
        members += [
            ("w", self.way(np.round(np.array(ring.coords), 1), {}), "inner") for ring in shape.interiors
        ]
        self.relation(members, dict(tags, type="multipolygon"))

    def relation(self, members, tags: dict[str, str]) -> None:
        self.relations.append((len(self.relations) + 1, members, tags))

    def write(self, path: Path) -> None:
        """One .osm.pbf; the same bytes for the same map."""
        import osmium

        path.unlink(missing_ok=True)
        header = osmium.io.Header()
        header.set("generator", "demo_area/make_island.py")
        where = np.array(list(self.nodes)) / 10
        latitude, longitude = latlon(where[:, 0], where[:, 1])
        header.add_box(
            osmium.osm.Box(
                float(longitude.min()), float(latitude.min()), float(longitude.max()), float(latitude.max())
            )
        )
        with osmium.SimpleWriter(str(path), header=header) as writer:
            for number, (lat, lon) in enumerate(zip(np.round(latitude, 7), np.round(longitude, 7)), 1):
                tags = dict(sorted(self.node_tags.get(number, {}).items()))
                writer.add_node(
                    osmium.osm.mutable.Node(
                        id=number, version=1, location=(float(lon), float(lat)), tags=tags
                    )
                )
            for number, refs, tags in self.ways:
                writer.add_way(
                    osmium.osm.mutable.Way(id=number, version=1, nodes=refs, tags=dict(sorted(tags.items())))
                )
            for number, members, tags in self.relations:
                writer.add_relation(
                    osmium.osm.mutable.Relation(
                        id=number, version=1, members=members, tags=dict(sorted(tags.items()))
                    )
                )
