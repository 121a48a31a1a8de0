"""The street network to and from other programs: networkx, GraphML as OSMnx writes it, GeoPackage.

A graph made here follows OSMnx's conventions: a MultiDiGraph in longitude and latitude, `x` and `y` at the
nodes, `osmid`, `highway`, `name`, `length`, `oneway`, `reversed` and `geometry` at the edges, `crs` of the graph.
What the network knows beyond that stands in further attributes, from which it comes back unchanged.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from routeplan.errors import InputError
from routeplan.geo import Projection
from routeplan.roads import tags
from routeplan.roads.build import RawWays, build_network
from routeplan.roads.network import Network

if TYPE_CHECKING:
    import networkx

CRS = "epsg:4326"
# The OpenStreetMap word that stands for each class of surface, and is read back as that class.
SURFACE_WORD = {"smooth": "asphalt", "rough": "paving_stones", "fine_gravel": "fine_gravel", "gravel": "gravel",
                "cobbles": "sett", "soft": "sand"}  # fmt: skip


def to_networkx(network: Network, projection: Projection) -> networkx.MultiDiGraph:
    """The network as OSMnx would give it; nodes are named by OSM id, edges carry `street` and `edge` as well."""
    import networkx
    from shapely.geometry import LineString

    graph = networkx.MultiDiGraph(crs=CRS, simplified=True, created_with="routeplan",
                                  centre=f"{projection.latitude_deg!r},{projection.longitude_deg!r}")  # fmt: skip
    lat, lon = projection.to_latlon(network.node_x_m, network.node_y_m)
    ends = np.bincount(np.concatenate((network.street_start, network.street_end)), minlength=network.node_count)
    ids = network.node_id.tolist()
    for i, name in enumerate(ids):
        signal = {"highway": "traffic_signals"} if network.node_signal[i] else {}
        graph.add_node(name, x=float(lon[i]), y=float(lat[i]), street_count=int(ends[i]), **signal)
    lat, lon = projection.to_latlon(network.point_x_m, network.point_y_m)
    for e in range(network.edge_count):
        k, forward = int(network.edge_street[e]), bool(network.edge_forward[e])
        points = slice(network.point_first[k], network.point_first[k + 1])
        line = np.column_stack((lon[points], lat[points]))
        row = network.ways.row(int(network.street_way[k]))
        words: dict[str, Any] = {
            "osmid": int(network.street_way_id[k]), "length": float(network.street_length_m[k]),
            "oneway": not (network.street_forward[k] and network.street_backward[k]), "reversed": not forward,
            "geometry": LineString(line if forward else line[::-1]), "street": k, "edge": e,
            "surface": SURFACE_WORD[row.surface],
            "legality": row.rule, "stress": float(network.ways.stress[network.street_way[k]]),
        }  # fmt: skip
        words |= _osm_words(row)
        graph.add_edge(ids[network.edge_tail[e]], ids[network.edge_head[e]], **words)
    return graph


def _osm_words(row: tags.Attributes) -> dict[str, str]:
    words = {"route": "ferry"} if row.ferry else {"highway": row.kind + ("_link" if row.link else "")}
    texts = {"name": row.name, "ref": row.ref, "maxspeed": _text(row.speed_limit_km_h), "lanes": _text(row.lanes)}
    flags = {"bridge": row.bridge, "tunnel": row.tunnel, "lit": row.lit}
    words |= {key: text for key, text in texts.items() if text}
    words |= {key: "yes" for key, flag in flags.items() if flag}
    if row.roundabout:
        words["junction"] = "roundabout"
    return words


def _text(number: float) -> str:
    return "" if math.isnan(number) else f"{number:g}"


def from_networkx(graph: networkx.MultiDiGraph, projection: Projection | None = None) -> tuple[Network, Projection]:
    """A network from a graph of OSMnx (or of `to_networkx`), in longitude and latitude, and its projection.

    An edge a->b and one b->a along the same line are one street. What the graph lacks (surface, lanes, gates,
    turn bans) has the defaults of tags; OSMnx has already left out ways it thinks closed to bicycles.
    Raises InputError for a graph without edges, in other coordinates, or with nodes without a place.
    """
    if str(graph.graph.get("crs", CRS)).lower() not in (CRS, "wgs84", "4326"):
        raise InputError(
            f"coordinates are {graph.graph['crs']}", "graph", "give it in longitude and latitude (EPSG:4326)"
        )
    if not graph.number_of_edges():
        raise InputError("the graph has no edges")
    place = {}
    for node, data in graph.nodes(data=True):
        try:
            place[node] = (float(data["x"]), float(data["y"]))
        except (KeyError, TypeError, ValueError):
            raise InputError(f"node {node} has no x and y", "graph") from None
    numbers = {node: int(node) if isinstance(node, int) else -1 - i for i, node in enumerate(graph.nodes)}
    rows: dict[tuple, int] = {}
    attributes: list[tags.Attributes] = []
    way_id, row_of, first, ids, lon, lat = [], [], [0], [], [], []
    inner = min((*numbers.values(), 0)) - 1  # numbers for bends, which graphs do not name
    for (a, b, line), words in _streets(graph, place).items():
        row = tags.attributes(words)
        if not (row.forward or row.backward):
            continue
        key = tuple("nan" if value != value else value for value in row)
        if key not in rows:
            rows[key] = len(attributes)
            attributes.append(row)
        row_of.append(rows[key])
        way_id.append(int(words["_id"]))
        ids += [numbers[a], *range(inner - len(line) + 3, inner + 1), numbers[b]]
        inner -= len(line)
        lon += [x for x, _ in line]
        lat += [y for _, y in line]
        first.append(len(ids))
    if not row_of:
        raise InputError("no edge of the graph may be ridden on a bicycle", "graph")
    if projection is None:
        projection = Projection(round((min(lat) + max(lat)) / 2, 4), round((min(lon) + max(lon)) / 2, 4))
    raw = RawWays(
        np.array(way_id, np.int64), np.array(row_of, np.int32), np.array(first, np.int64),
        np.array(ids, np.int64), np.array(lat), np.array(lon), attributes,
    )  # fmt: skip
    return build_network(raw, projection, {}, [])[0], projection


def _streets(graph: networkx.MultiDiGraph, place: dict) -> dict[tuple, dict[str, str]]:
    """Lines with their tags, both directions of a street drawn together; the direction lies in `oneway:bicycle`."""
    found: dict[tuple, dict[str, str]] = {}
    for a, b, data in graph.edges(data=True):
        geometry = data.get("geometry")
        if isinstance(geometry, str):
            from shapely import wkt

            geometry = wkt.loads(geometry)
        line = [place[a], place[b]] if geometry is None else [(float(x), float(y)) for x, y, *_ in geometry.coords]
        line[0], line[-1] = place[a], place[b]
        key, back = (a, b, tuple(line)), (b, a, tuple(reversed(line)))
        if back in found and found[back]["oneway:bicycle"] == "yes" and back != key:
            found[back]["oneway:bicycle"] = "no"
            continue
        words = {str(k): _one(v) for k, v in data.items() if k in tags.KEYS and v is not None}
        words["_id"] = _one(data.get("osmid", 0))
        words["oneway:bicycle"] = "yes"
        # OSMnx leaves out the bicycle tag unless asked; what is in the graph was found open.
        if (
            words.get("highway") in ("footway", "path", "bridleway", "trunk", "pedestrian", "steps")
            and "bicycle" not in words
        ):
            words |= _said_open(data)
        found[key] = words
    return found


def _said_open(data: dict) -> dict[str, str]:
    """Tags that bring a kind back to the legality it had here before (attribute `legality`)."""
    rule = data.get("legality")
    return (
        {"bicycle": "yes"} if rule == "bicycle-yes" else {"bicycle": "dismount"} if rule == "bicycle-dismount" else {}
    )


def _one(value: Any) -> str:
    """OSMnx gives lists where it has joined ways: the first counts."""
    if isinstance(value, list | tuple | set):
        value = next(iter(value), "")
    text = str(value)
    if text.startswith("[") and text.endswith("]"):  # a list that went through GraphML
        text = text[1:-1].split(",")[0].strip().strip("'\"")
    return "yes" if text == "True" else "no" if text == "False" else text


def write_graphml(network: Network, projection: Projection, path: str | Path) -> None:
    """GraphML that OSMnx reads (`osmnx.load_graphml`): every attribute as text, lines as WKT."""
    import networkx

    graph = to_networkx(network, projection)
    graph.graph = {key: str(value) for key, value in graph.graph.items()}
    for _, data in graph.nodes(data=True):
        data.update({key: str(value) for key, value in data.items()})
    for _, _, data in graph.edges(data=True):
        data.update({key: value.wkt if key == "geometry" else str(value) for key, value in data.items()})
    networkx.write_graphml(graph, path, encoding="utf-8")


def read_graphml(path: str | Path, projection: Projection | None = None) -> tuple[Network, Projection]:
    """A network from a GraphML file of OSMnx or of `write_graphml`. A document type or entities are refused."""
    import networkx

    file = Path(path)
    try:
        with file.open("rb") as stream:
            head = stream.read(65536)
        if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
            raise InputError("has a document type or entities, which no GraphML file needs", str(path), "take them out")
        if b"<graphml" not in head:
            raise InputError("is no GraphML file", str(path), "give a file that OSMnx or routeplan wrote")
        graph = networkx.read_graphml(file, node_type=str, force_multigraph=True)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", str(path), "check the path") from error
    except InputError:
        raise
    except Exception as error:  # networkx passes on whatever its XML reader raises
        raise InputError(f"is damaged or no GraphML ({error})", str(path), "write it again") from error
    whole = networkx.relabel_nodes(graph, {n: int(n) for n in graph if str(n).lstrip("-").isdigit()})
    try:
        return from_networkx(whole, projection)
    except InputError as error:
        raise InputError([f._replace(where=str(path)) for f in error.faults]) from error


def to_geopackage(network: Network, projection: Projection, path: str | Path) -> None:
    """Layers `streets` and `places` in longitude and latitude, for a map program. Overwrites the file."""
    import geopandas
    import shapely

    lat, lon = projection.to_latlon(network.point_x_m, network.point_y_m)
    height = network.point_height_m
    known = bool(np.isfinite(height).all()) and len(height) > 0
    columns = (lon, lat, height) if known else (lon, lat)
    lines = shapely.linestrings(np.column_stack(columns), indices=network.point_street)
    row, ways = network.street_way, network.ways
    streets = geopandas.GeoDataFrame(
        {
            "street": np.arange(network.street_count), "kind": np.array(tags.KINDS)[ways.kind[row]],
            "surface": np.array(tags.SURFACES)[ways.surface[row]], "name": [ways.name[r] for r in row],
            "ref": [ways.ref[r] for r in row], "length_m": network.street_length_m, "forward": network.street_forward,
            "backward": network.street_backward, "walk": ways.walk[row], "stress": ways.stress[row],
            "choice": np.array(tags.CHOICES)[network.street_choice], "rule": [ways.rule[r] for r in row],
            "way_id": network.street_way_id,
        },
        geometry=lines, crs="EPSG:4326",
    )  # fmt: skip
    lat, lon = projection.to_latlon(network.node_x_m, network.node_y_m)
    places = geopandas.GeoDataFrame(
        {"place": np.arange(network.node_count), "osm_id": network.node_id, "signal": network.node_signal},
        geometry=geopandas.points_from_xy(lon, lat), crs="EPSG:4326",
    )  # fmt: skip
    Path(path).unlink(missing_ok=True)
    streets.to_file(path, layer="streets", driver="GPKG")
    places.to_file(path, layer="places", driver="GPKG")
