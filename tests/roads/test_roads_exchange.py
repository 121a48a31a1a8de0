"""The network to and from networkx, GraphML (read back by OSMnx as well) and GeoPackage."""

from __future__ import annotations

import numpy as np
import pytest

from routeplan.errors import InputError
from routeplan.roads.exchange import from_networkx, read_graphml, to_geopackage, to_networkx, write_graphml
from routeplan.roads.reader import read_osm

LANE = {"highway": "tertiary", "name": "Long Lane", "surface": "gravel", "maxspeed": "50", "lanes": "2"}


@pytest.fixture
def data(osm_file):
    nodes = {1: (0, 0), 2: (100, 0), 3: (200, 0), 4: (100, 100), 5: (150, 40), 6: (300, 0), 7: (280, 90)}
    ways = [
        (1, [1, 2], LANE), (2, [2, 5, 3], {"highway": "residential", "oneway": "yes"}),
        (3, [2, 4], {"highway": "track", "surface": "bricks"}),
        (4, [4, 3], {"highway": "footway", "bicycle": "yes"}), (5, [3, 6], LANE | {"bridge": "yes"}),
        (6, [6, 7, 3], LANE),
        (7, [1, 4], {"highway": "residential"}),
    ]  # fmt: skip
    return read_osm(osm_file(nodes, ways))


def shape(network) -> set:
    """What must survive: ends by id, length, kind, surface, directions."""
    ways, row = network.ways, network.street_way
    return {
        (frozenset((int(network.node_id[network.street_start[k]]), int(network.node_id[network.street_end[k]]))),
         round(float(network.street_length_m[k]), 2), int(ways.kind[row[k]]), int(ways.surface[row[k]]),
         ways.name[row[k]],
         bool(network.street_forward[k]) + bool(network.street_backward[k]))
        for k in range(network.street_count)
    }  # fmt: skip


def test_networkx_has_what_osmnx_has(data):
    graph = to_networkx(data.network, data.projection)
    assert graph.number_of_edges() == data.network.edge_count and graph.graph["crs"] == "epsg:4326"
    for a, b, words in graph.edges(data=True):
        assert words["geometry"].coords[0] == pytest.approx((graph.nodes[a]["x"], graph.nodes[a]["y"]), abs=1e-9)
        assert words["geometry"].coords[-1] == pytest.approx((graph.nodes[b]["x"], graph.nodes[b]["y"]), abs=1e-9)
        assert {"osmid", "highway", "length", "oneway", "reversed"} <= set(words)


def test_there_and_back_through_networkx(data):
    again, projection = from_networkx(to_networkx(data.network, data.projection), data.projection)
    assert projection == data.projection
    assert shape(again) == shape(data.network)


def test_graphml_there_and_back(data, tmp_path):
    path = tmp_path / "streets.graphml"
    write_graphml(data.network, data.projection, path)
    again, _ = read_graphml(path, data.projection)
    assert shape(again) == shape(data.network)


def test_graphml_is_read_by_osmnx_and_osmnx_graphml_here(data, tmp_path):
    osmnx = pytest.importorskip("osmnx")
    path = tmp_path / "streets.graphml"
    write_graphml(data.network, data.projection, path)
    graph = osmnx.load_graphml(path)
    assert graph.number_of_edges() == data.network.edge_count
    _, edges = osmnx.graph_to_gdfs(graph)
    assert set(edges["highway"]) == {"tertiary", "residential", "track", "footway"}
    assert edges["length"].sum() == pytest.approx(data.network.edge_length_m.sum(), rel=1e-6)
    osmnx.save_graphml(graph, tmp_path / "by_osmnx.graphml")
    again, _ = read_graphml(tmp_path / "by_osmnx.graphml", data.projection)
    assert shape(again) == shape(data.network)


def test_plain_osmnx_edges_with_lists(data):
    import networkx

    graph = networkx.MultiDiGraph(crs="epsg:4326")
    graph.add_node(1, x=10.0, y=0.0)
    graph.add_node(2, x=10.001, y=0.0)
    graph.add_edge(1, 2, osmid=[5, 6], highway=["residential", "service"], name=["A", "B"], oneway=False, length=111.0)
    graph.add_edge(2, 1, osmid=[5, 6], highway=["residential", "service"], name=["A", "B"], oneway=False, length=111.0)
    network, _ = from_networkx(graph)
    assert network.street_count == 1 and network.edge_count == 2 and network.ways.name == ("A",)


def test_graphs_that_cannot_be_used(tmp_path):
    import networkx

    graph = networkx.MultiDiGraph(crs="epsg:32631")
    with pytest.raises(InputError, match="coordinates are epsg:32631"):
        from_networkx(graph)
    graph = networkx.MultiDiGraph(crs="epsg:4326")
    with pytest.raises(InputError, match="no edges"):
        from_networkx(graph)
    graph.add_edge(1, 2)
    with pytest.raises(InputError, match="node 1 has no x and y"):
        from_networkx(graph)
    path = tmp_path / "x.graphml"
    for text, match in (('<!DOCTYPE graphml [<!ENTITY a "a">]><graphml/>', "document type"), ("<html/>", "no GraphML"),
                        ("<graphml><gra", "damaged or no GraphML")):  # fmt: skip
        path.write_text(text)
        with pytest.raises(InputError, match=match):
            read_graphml(path)
    with pytest.raises(InputError, match="cannot be read"):
        read_graphml(tmp_path / "nowhere.graphml")


def test_geopackage(data, tmp_path):
    import geopandas

    path = tmp_path / "streets.gpkg"
    network = data.network.with_heights(np.full(len(data.network.point_x_m), 321.0))
    to_geopackage(network, data.projection, path)
    streets = geopandas.read_file(path, layer="streets")
    assert len(streets) == network.street_count and streets.crs.to_epsg() == 4326
    assert streets.geometry.iloc[0].coords[0][2] == 321.0
    assert set(streets["kind"]) == {"tertiary", "residential", "track", "footway"}
    assert len(geopandas.read_file(path, layer="places")) == network.node_count
