"""Reading OpenStreetMap files (.osm.pbf, .osm, .osm.gz, .osm.bz2) into a street network, places and ground.

The file streams by in two passes (relations; then nodes and ways). What is held: an index of node locations
(16 bytes a node; of large files in a temporary file), the references of the ways that are used, and the places.
"""

from __future__ import annotations

import bz2
import gzip
import re
import tempfile
import zlib
from array import array
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from routeplan.errors import Fault, InputError
from routeplan.geo import Projection
from routeplan.roads import places as place_words
from routeplan.roads import tags
from routeplan.roads.build import NodeFacts, RawWays, Restriction, build_network
from routeplan.roads.network import Network
from routeplan.roads.places import Places, RawPlace, places_of, raw_place

ATTRIBUTION = "© OpenStreetMap contributors, ODbL 1.0"
SUFFIXES = (".osm.pbf", ".pbf", ".osm", ".osm.gz", ".osm.bz2", ".xml")
INDEX_ON_DISK_BYTES = 200_000_000  # files above this keep their node index in a temporary file
UNDEFINED = 2_147_483_647  # libosmium's "no location"
LARGEST_RATIO = 200  # packed text above this ratio is no map (real ones: 8 to 20)
SMALL_BYTES = 50_000_000  # below this much text the ratio does not matter

# Land that is drawn on maps and stands in the way of radio: "key=value" is the kind of the polygon.
GROUND = {
    "landuse": frozenset({"forest", "residential", "commercial", "retail", "industrial", "orchard", "vineyard",
                          "reservoir", "village_green", "recreation_ground"}),
    "natural": frozenset(["wood", "water", "scrub"]),
    "waterway": frozenset({"riverbank"}),
    "leisure": frozenset({"park"}),
}  # fmt: skip
NODE_KEYS = ("barrier", "highway", "railway", "traffic_calming", "bicycle", *place_words.KEYS)


class GroundPolygon(NamedTuple):
    """One piece of land. rings: the outer ring, then holes; each (k, 2) latitude, longitude [deg], closed."""

    kind: str  # "landuse=forest", "natural=water", ...
    rings: tuple[np.ndarray, ...]


@dataclass(frozen=True)
class OsmData:
    """All that was read. Streets kept by choice only are in the network (see Network.allowed_streets)."""

    network: Network  # heights NaN
    places: Places
    ground: tuple[GroundPolygon, ...]
    coastline: tuple[np.ndarray, ...]  # (k, 2) latitude, longitude; land on the left, sea on the right
    projection: Projection
    extent_deg: tuple[float, float, float, float]  # of the roads: south, west, north, east
    extent_m: tuple[float, float, float, float]  # of the roads: west, south, east, north
    counts: dict[str, int]
    kept: dict[str, int]  # ways by the row of tags.ACCESS that let them in
    dropped: dict[str, int]  # ways by the row that kept them out
    attribution: str = ATTRIBUTION
    timestamp: str = ""  # of the data, as the file says


@dataclass
class _Flat:
    """Ways with their references, end to end."""

    way_id: array = field(default_factory=lambda: array("q"))
    first: array = field(default_factory=lambda: array("q", [0]))
    node: array = field(default_factory=lambda: array("q"))
    lon: array = field(default_factory=lambda: array("i"))  # 1e-7 degrees
    lat: array = field(default_factory=lambda: array("i"))

    def add(self, way: Any) -> None:
        self.way_id.append(way.id)
        for node in way.nodes:
            self.node.append(node.ref)
            self.lon.append(node.x)
            self.lat.append(node.y)
        self.first.append(len(self.node))

    def degrees(self) -> tuple[np.ndarray, np.ndarray]:
        """latitude, longitude, NaN where the file lacks the node."""
        lat, lon = _column(self.lat), _column(self.lon)
        missing = lon == UNDEFINED
        return np.where(missing, np.nan, lat / 1e7), np.where(missing, np.nan, lon / 1e7)


def _column(values: array) -> np.ndarray:
    """The same memory as a numpy array ("q" or "i")."""
    return np.frombuffer(values, np.int64 if values.typecode == "q" else np.int32)


class _Gathered:
    """What the passes over all files collect."""

    def __init__(self) -> None:
        self.attributes: list[tags.Attributes] = []
        self.number: dict[tags.Attributes | tuple, int] = {}
        self.roads, self.row, self.seen = _Flat(), array("i"), set[int]()
        self.shapes, self.shape_kind = _Flat(), dict[int, str]()  # closed ways, and members of multipolygons
        self.coast = _Flat()
        self.facts: dict[int, NodeFacts] = {}
        self.places: dict[tuple[str, int], RawPlace] = {}
        self.restrictions: dict[int, Restriction] = {}
        self.polygons: dict[int, tuple[str, tuple[tuple[int, str], ...]]] = {}
        self.member_ways: set[int] = set()
        self.kept, self.dropped = Counter[str](), Counter[str]()
        self.by_several, self.at_times = set[int](), set[int]()  # restrictions: counted only; taken for any hour
        self.nodes = 0
        self.timestamp = ""


def read_osm(
    paths: Sequence[str | Path] | str | Path,
    projection: Projection | None = None,
    extent: tuple[float, float, float, float] | None = None,
    *,
    progress: Callable[[str], None] | None = None,
) -> OsmData:
    """Read one or several OpenStreetMap files.

    projection : working coordinates; None centres them on the roads.
    extent : (south, west, north, east) [deg]: only roads, ground and places inside; None takes all.
    progress : called with a line of text from time to time.

    Raises InputError for a file that is missing, damaged, no OpenStreetMap data or unsafe (a document type,
    entities, absurd compression), for data without any rideable road, and across the antimeridian.
    """
    say = progress or (lambda text: None)
    files = [Path(paths)] if isinstance(paths, str | Path) else [Path(path) for path in paths]
    if not files:
        raise InputError("no file of roads was given", mend="give one or several .osm.pbf or .osm files")
    faults = [fault for path in files for fault in _unfit(path)]
    if faults:
        raise InputError(faults)
    got = _Gathered()
    for path in files:
        say(f"reading {path.name}")
        try:
            _pass_relations(path, got)
            _pass_nodes_and_ways(path, got)
            _pass_late_nodes(path, got)
        except RuntimeError as error:  # libosmium: broken blobs, bad XML
            raise _damaged(path, error) from error
    say("joining the streets")
    return _finish(got, files, projection, extent)


# --- before reading --------------------------------------------------------------------------------------
def _unfit(path: Path) -> list[Fault]:
    """What makes a file unfit to be read at all; looks at its head, and of packed files at the size within."""
    where = str(path)
    if not path.is_file():
        return [Fault("there is no such file", where, "check the path")]
    if path.stat().st_size == 0:
        return [Fault("the file is empty", where, "fetch it again")]
    name = path.name.lower()
    if not name.endswith(SUFFIXES):
        return [Fault(f"the name ends in {path.suffix or 'nothing'}, which no OpenStreetMap file does", where,
                      "give a file ending in .osm.pbf, .osm, .osm.gz or .osm.bz2")]  # fmt: skip
    if name.endswith(".pbf"):
        with path.open("rb") as stream:
            head = stream.read(64)
        if b"OSMHeader" not in head:
            what = "an XML file" if head.lstrip()[:1] == b"<" else "no OpenStreetMap file in PBF form"
            return [Fault(f"this is {what}", where, "name it by what it is, or fetch the .osm.pbf again")]
        return []
    try:
        with _opened(path) as text:
            head = text.read(65536)
        if name.endswith((".gz", ".bz2")):
            _refuse_bomb(path)
    except (OSError, EOFError, zlib.error) as error:
        return [Fault(f"cannot be unpacked ({error})", where, "fetch the file again")]
    except InputError as error:
        return list(error.faults)
    return _unfit_xml(head, where)


def _opened(path: Path) -> Any:
    name = path.name.lower()
    if name.endswith(".gz"):
        return gzip.open(path, "rb")
    if name.endswith(".bz2"):
        return bz2.open(path, "rb")
    return path.open("rb")


def _refuse_bomb(path: Path) -> None:
    limit = max(SMALL_BYTES, LARGEST_RATIO * path.stat().st_size)
    total = 0
    with _opened(path) as stream:
        while chunk := stream.read(1 << 20):
            total += len(chunk)
            if total > limit:
                raise InputError(f"unpacks to more than {total / 1e6:.0f} MB from {path.stat().st_size / 1e6:.1f} MB, "
                                 "as no map does", str(path), "unpack it by hand if you trust it")  # fmt: skip


def _unfit_xml(head: bytes, where: str) -> list[Fault]:
    import re

    if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
        return [Fault("has a document type or entities, which no OpenStreetMap file needs", where,
                      "take them out, or fetch the file from its source")]  # fmt: skip
    root = re.search(rb"<([A-Za-z_][\w:.-]*)", re.sub(rb"<!--.*?-->", b"", head, flags=re.DOTALL))
    word = root[1].decode("ascii", "replace") if root else ""
    if word in ("osm", "osmChange"):
        return []
    if word == "gpx":
        return [
            Fault(
                "this is a GPX track, not roads",
                where,
                "give OpenStreetMap data; a track goes into ride.follow",
            )
        ]
    if word.lower() == "html":
        return [Fault("this is a web page, not OpenStreetMap data", where, "the download went wrong: fetch it again")]
    what = "this is no OpenStreetMap file" + (f" (it begins with <{word}>)" if word else "")
    return [Fault(what, where, "give a file whose first element is <osm>")]


def _damaged(path: Path, error: Exception) -> InputError:
    text = str(error).strip().split("\n")[0][:200]
    return InputError(f"is damaged or cut off ({text})", str(path), "fetch the file again")


# --- passes ----------------------------------------------------------------------------------------------
def _pass_relations(path: Path, got: _Gathered) -> None:
    import osmium

    processor = osmium.FileProcessor(str(path), osmium.osm.RELATION).with_filter(osmium.filter.KeyFilter("type"))
    header = processor.header
    got.timestamp = got.timestamp or header.get("osmosis_replication_timestamp") or header.get("timestamp") or ""
    relation: Any
    for relation in processor:
        kind = relation.tags.get("type")
        if kind in ("multipolygon", "boundary"):
            ground = _ground_kind(relation.tags)
            if ground and relation.id not in got.polygons:
                members = tuple((m.ref, m.role) for m in relation.members if m.type == "w")
                got.polygons[relation.id] = (ground, members)
                got.member_ways.update(ref for ref, _ in members)
        elif kind in ("restriction", "restriction:bicycle"):
            _keep_restriction(relation, got)


def _keep_restriction(relation: Any, got: _Gathered) -> None:
    if "bicycle" in relation.tags.get("except", "").replace(" ", "").split(";"):
        return
    words, at_times = _restriction_words(relation.tags)
    if not words:
        return
    via = [m for m in relation.members if m.role == "via"]
    if len(via) != 1 or via[0].type not in ("n", "w"):
        got.by_several.add(relation.id)
        return
    from_ways = tuple(m.ref for m in relation.members if m.role == "from" and m.type == "w")
    to_ways = tuple(m.ref for m in relation.members if m.role == "to" and m.type == "w")
    if from_ways and to_ways:
        only, by_way = words.startswith("only_"), via[0].type == "w"
        if at_times:
            got.at_times.add(relation.id)
        got.restrictions[relation.id] = Restriction(from_ways, via[0].ref, to_ways, only, by_way)


_CLAUSE = re.compile(r"\b((?:no|only)_\w+)\s*@\s*(\([^)]*\)|[^;]*)")
_OF_OTHERS = re.compile(  # conditions that no bicycle meets
    r"weight|axle|length|height|width|draught|trailer|occupants|hgv|goods|truck|bus|coach|psv|taxi|motor|caravan|hazmat"
)


def _restriction_words(words: Any) -> tuple[str, bool]:
    """What a restriction says to a bicycle, "" for nothing; and whether it says so at some hours or days only.

    An area is made for any hour, so what is banned at some is banned: a way round is safer than a banned turn.
    """
    own = words.get("restriction:bicycle") or ""
    always = own or words.get("restriction") or ""
    if always.startswith(("no_", "only_")):
        return always, False
    at_times = words.get("restriction:bicycle:conditional") or ("" if own else words.get("restriction:conditional"))
    for said, condition in _CLAUSE.findall(at_times or ""):
        if not _OF_OTHERS.search(condition.lower()):
            return said, True
    return "", False


def _ground_kind(tags_: Any) -> str:
    for key, values in GROUND.items():
        value = tags_.get(key)
        if value in values:
            return f"{key}={value}"
    return ""


def _pass_nodes_and_ways(path: Path, got: _Gathered) -> None:
    import osmium

    with tempfile.TemporaryDirectory(prefix="routeplan-") as folder:
        storage = "sparse_mem_array"
        if path.stat().st_size > INDEX_ON_DISK_BYTES:
            storage = f"sparse_file_array,{folder}/nodes"
        wanted = osmium.filter.KeyFilter(*NODE_KEYS)
        wanted.enable_for(osmium.osm.NODE)
        thing: Any
        processor = (
            osmium.FileProcessor(str(path), osmium.osm.NODE | osmium.osm.WAY)
            .with_locations(storage)
            .with_filter(wanted)
        )
        for thing in processor:
            if thing.is_node():
                _keep_node(thing, got)
            else:
                _keep_way(thing, got)


def _pass_late_nodes(path: Path, got: _Gathered) -> None:
    """Places of nodes that stand after the ways in the file, as some servers and editors write it."""
    import osmium

    flats = (got.roads, got.shapes, got.coast)
    missing = [np.flatnonzero(np.frombuffer(flat.lon, np.int32) == UNDEFINED) for flat in flats if len(flat.lon)]
    if not sum(map(len, missing)) or _says_sorted(path):
        return
    for flat in flats:
        if not len(flat.lon):
            continue
        lon, lat = np.frombuffer(flat.lon, np.int32), np.frombuffer(flat.lat, np.int32)
        lost = np.flatnonzero(lon == UNDEFINED)
        node = np.frombuffer(flat.node, np.int64)[lost]
        order = np.argsort(node, kind="stable")
        lost, node = lost[order], node[order]
        for ids, x, y in _node_chunks(osmium.FileProcessor(str(path), osmium.osm.NODE)):
            begin, past = np.searchsorted(ids, node, "left"), np.searchsorted(ids, node, "right")
            found = past > begin
            lon[lost[found]], lat[lost[found]] = x[begin[found]], y[begin[found]]


def _says_sorted(path: Path) -> bool:
    """Whether a PBF file's head promises nodes before ways."""
    if not path.name.lower().endswith(".pbf"):
        return False
    with path.open("rb") as stream:
        return b"Sort.Type_then_ID" in stream.read(4096)


def _node_chunks(nodes: Iterable[Any], size: int = 200_000) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Ids (sorted) and 1e-7 degrees of the nodes of a file, some at a time."""
    rows: list[tuple[int, int, int]] = []
    for node in nodes:
        rows.append((node.id, node.location.x, node.location.y))
        if len(rows) == size:
            yield _sorted_chunk(rows)
            rows = []
    if rows:
        yield _sorted_chunk(rows)


def _sorted_chunk(rows: list[tuple[int, int, int]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    ids, x, y = np.array(rows, np.int64).T
    order = np.argsort(ids, kind="stable")
    return ids[order], x[order].astype(np.int32), y[order].astype(np.int32)


def _keep_node(node: Any, got: _Gathered) -> None:
    words = dict(node.tags)
    mark, delay = tags.node_mark(words), tags.barrier_s(words)
    if mark or delay:
        got.facts[node.id] = NodeFacts(mark, delay)
    place = raw_place(words, node.lat, node.lon, node.id)
    if place:
        got.places["node", node.id] = place


def _keep_way(way: Any, got: _Gathered) -> None:
    words = way.tags
    if words:
        if "highway" in words or words.get("route") == "ferry":
            if _keep_road(way, got):
                return
        elif words.get("natural") == "coastline":
            got.coast.add(way)
    kind = _ground_kind(words) if words else ""
    closed = way.is_closed()
    if way.id in got.member_ways or (kind and closed):
        if kind and closed:
            got.shape_kind[way.id] = kind
        got.shapes.add(way)
    if words and closed and (way.id not in got.member_ways or kind):
        _keep_place_of_way(way, words, got)


def _keep_road(way: Any, got: _Gathered) -> bool:
    """Whether it is a road to be kept; an outline tagged as an area goes on to be looked at as a place."""
    if way.id in got.seen:
        return True  # neighbouring extracts hold the same way
    got.seen.add(way.id)
    items = tuple(sorted((tag.k, tag.v) for tag in way.tags if tag.k in tags.KEYS))
    row = tags.attributes_of_items(items)
    if not (row.forward or row.backward):
        got.dropped[row.rule] += 1
        return row.rule != "area" and way.tags.get("highway") != "rest_area"
    key = tuple("nan" if value != value else value for value in row)
    number = got.number.get(key)
    if number is None:
        number = got.number[key] = len(got.attributes)
        got.attributes.append(row)
    got.kept[row.rule] += 1
    got.roads.add(way)
    got.row.append(number)
    return True


def _keep_place_of_way(way: Any, words: Any, got: _Gathered) -> None:
    if not any(key in words for key in place_words.KEYS) or not place_words.place_kind(dict(words)):
        return
    at = [(node.y, node.x) for node in way.nodes if node.x != UNDEFINED]
    if not at:
        return
    lat, lon = np.mean(at[:-1] or at, axis=0) / 1e7
    place = raw_place(dict(words), float(lat), float(lon), way.id)
    if place:
        got.places["way", way.id] = place


# --- putting it together ---------------------------------------------------------------------------------
def _finish(
    got: _Gathered,
    files: Sequence[Path],
    projection: Projection | None,
    extent: tuple[float, float, float, float] | None,
) -> OsmData:
    where = ", ".join(str(path) for path in files)
    lat, lon = got.roads.degrees()
    if extent is not None:
        south, west, north, east = extent
        outside = ~((lat >= south) & (lat <= north) & (lon >= west) & (lon <= east))
        lat, lon = np.where(outside, np.nan, lat), np.where(outside, np.nan, lon)
    known = np.isfinite(lat)
    if not known.any():
        raise InputError(
            _no_roads(got, len(lat) > 0, extent), where, "give an extract that holds roads and their nodes"
        )
    box = (float(np.nanmin(lat)), float(np.nanmin(lon)), float(np.nanmax(lat)), float(np.nanmax(lon)))
    if box[3] - box[1] > 180:
        raise InputError("the roads lie on both sides of the antimeridian", where, "make two areas, one on each side")
    if projection is None:
        projection = Projection(round((box[0] + box[2]) / 2, 4), round((box[1] + box[3]) / 2, 4))
    raw = RawWays(
        _column(got.roads.way_id), _column(got.row), _column(got.roads.first), _column(got.roads.node), lat, lon,
        got.attributes,
    )  # fmt: skip
    network, by_way = build_network(raw, projection, got.facts, list(got.restrictions.values()))
    if not network.street_count:
        raise InputError(_no_roads(got, True, extent), where, "give an extract that holds roads and their nodes")
    raw_places = [got.places[key] for key in sorted(got.places)]
    margin = 0.02  # degrees round the roads: places and land farther off are of no use
    raw_places = [p for p in raw_places if box[0] - margin <= p.latitude_deg <= box[2] + margin
                  and box[1] - margin <= p.longitude_deg <= box[3] + margin]  # fmt: skip
    px, py = projection.to_xy(
        np.array([p.latitude_deg for p in raw_places]), np.array([p.longitude_deg for p in raw_places])
    )
    ground = _ground(got)
    coast = _lines(got.coast)
    x, y = network.point_x_m, network.point_y_m
    counts = {
        "places": network.node_count, "streets": network.street_count, "points": len(x), "edges": network.edge_count,
        "ways": len(got.row), "ways_dropped": sum(got.dropped.values()), "node_locations_missing": int((~known).sum()),
        "banned_turns": len(network.banned_turns), "restrictions_by_way_ignored": by_way + len(got.by_several),
        "restrictions_by_time": len(got.at_times),
        "road_length_m": round(float(network.street_length_m.sum())), "ground_polygons": len(ground),
        "coastlines": len(coast), "named_places": len(raw_places),
    }  # fmt: skip
    return OsmData(
        network, places_of(raw_places, px, py, network), ground, coast, projection, box,
        (float(x.min()), float(y.min()), float(x.max()), float(y.max())), counts, dict(sorted(got.kept.items())),
        dict(sorted(got.dropped.items())), timestamp=got.timestamp,
    )  # fmt: skip


def _no_roads(got: _Gathered, rideable: bool, extent: Any) -> str:
    if rideable:
        return (
            "no road lies inside the extent" if extent is not None else "holds roads, but not the places of their nodes"
        )
    dropped = sum(got.dropped.values())
    return f"holds no road that a bicycle may ride ({dropped} others)" if dropped else "holds no roads"


def _lines(flat: _Flat) -> tuple[np.ndarray, ...]:
    """Coastline ways end to end into longer lines, direction kept; (k, 2) latitude, longitude."""
    lat, lon = flat.degrees()
    ways = []
    seen = set()
    for i in range(len(flat.way_id)):
        nodes = flat.node[flat.first[i] : flat.first[i + 1]]
        if flat.way_id[i] not in seen and len(nodes) > 1:
            ways.append([k for k in range(flat.first[i], flat.first[i + 1]) if lat[k] == lat[k]])
        seen.add(flat.way_id[i])
    ways = [way for way in ways if len(way) > 1]
    starts = {flat.node[way[0]]: i for i, way in reversed(list(enumerate(ways)))}
    ends = {flat.node[way[-1]] for way in ways}
    used: set[int] = set()
    lines = []
    heads = [i for i, way in enumerate(ways) if flat.node[way[0]] not in ends]
    for i in (*heads, *range(len(ways))):
        line: list[int] = []
        at: int | None = i
        while at is not None and at not in used:
            used.add(at)
            line += ways[at] if not line else ways[at][1:]
            at = starts.get(flat.node[ways[at][-1]])
        if line:
            lines.append(np.column_stack((lat[line], lon[line])))
    return tuple(lines)


def _ground(got: _Gathered) -> tuple[GroundPolygon, ...]:
    """Land use as polygons: closed ways, and multipolygons whose rings could be joined."""
    flat = got.shapes
    lat, lon = flat.degrees()
    rows: dict[int, tuple[int, int]] = {}
    for i, way in enumerate(flat.way_id):
        rows.setdefault(way, (flat.first[i], flat.first[i + 1]))

    def ring_at(indexes: Iterable[int]) -> np.ndarray | None:
        at = np.fromiter(indexes, np.int64)
        ring = np.column_stack((lat[at], lon[at]))
        ring = ring[np.isfinite(ring[:, 0])]
        if len(ring) < 3:
            return None
        return ring if (ring[0] == ring[-1]).all() else np.vstack((ring, ring[:1]))

    out = []
    for way in sorted(got.shape_kind):
        ring = ring_at(range(*rows[way]))
        if ring is not None and len(ring) >= 4:
            out.append(GroundPolygon(got.shape_kind[way], (ring,)))
    for relation in sorted(got.polygons):
        kind, members = got.polygons[relation]
        outer = _joined([rows[ref] for ref, role in members if role != "inner" and ref in rows], flat.node)
        inner = _joined([rows[ref] for ref, role in members if role == "inner" and ref in rows], flat.node)
        outers = [ring for ring in map(ring_at, outer) if ring is not None and len(ring) >= 4]
        inners = [ring for ring in map(ring_at, inner) if ring is not None and len(ring) >= 4]
        for shell in outers:
            holes = tuple(hole for hole in inners if len(outers) == 1 or _inside(hole[0], shell))
            out.append(GroundPolygon(kind, (shell, *holes)))
    return tuple(out)


def _joined(spans: Sequence[tuple[int, int]], node: Sequence[int]) -> list[list[int]]:
    """Ways joined at equal end nodes into rings (lists of indexes); ways that close nothing are closed by force."""
    left = [list(range(*span)) for span in spans if span[1] - span[0] > 1]
    rings = []
    while left:
        line = left.pop(0)
        while node[line[0]] != node[line[-1]]:
            for i, other in enumerate(left):
                if node[other[0]] == node[line[-1]]:
                    line += left.pop(i)[1:]
                    break
                if node[other[-1]] == node[line[-1]]:
                    line += left.pop(i)[-2::-1]
                    break
            else:
                break
        if node[line[0]] == node[line[-1]] or len(spans) == 1:
            rings.append(line)
    return rings


def _inside(point: np.ndarray, ring: np.ndarray) -> bool:
    """Even-odd rule."""
    (a_lat, a_lon), (b_lat, b_lon) = ring[:-1].T, ring[1:].T
    crosses = (a_lon > point[1]) != (b_lon > point[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = a_lat + (point[1] - a_lon) / (b_lon - a_lon) * (b_lat - a_lat)
    return bool(np.count_nonzero(crosses & (at > point[0])) % 2)
