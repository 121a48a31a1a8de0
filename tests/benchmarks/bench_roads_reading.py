"""Time and memory of reading roads against the size of the file.

    python tests/benchmarks/bench_roads_reading.py [FILE.osm.pbf] [COPIES]

FILE (default: the demo's, or what ROUTEPLAN_REAL_AREA names) is read as it is, as a quarter and a half of its
area, and as COPIES (default 4) of it side by side, each in a process of its own; then one matching of a made-up
ride. The ratios mean something on any machine. Measured on two cores that others used as well: see docs/roads.md.
Slow would be: more than 3 us per node of the file, memory growing by more than 40 times the file's own size.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

READ = """
import sys, time
from routeplan.roads.reader import read_osm
import scipy.sparse.csgraph, scipy.spatial, pyproj, osmium
def peak():
    lines = dict(line.split(":", 1) for line in open("/proc/self/status"))
    return int(lines["VmHWM"].split()[0]) / 1024
idle = peak()
begin = time.perf_counter()
data = read_osm(sys.argv[1])
print(time.perf_counter() - begin, peak(), idle,
      data.network.street_count, data.network.street_length_m.sum() / 1000)
"""


def cut_out(source: Path, target: Path, share: float) -> None:
    """The south-western part of a file, `share` of its area, ways whole."""
    import osmium

    box = osmium.io.Reader(str(source)).header().box()
    side = share**0.5
    if not box.valid():
        lons, lats = zip(*((n.lon, n.lat) for n in osmium.FileProcessor(str(source), osmium.osm.NODE)))
        west, south, east, north = min(lons), min(lats), max(lons), max(lats)
    else:
        west, south, east, north = box.bottom_left.lon, box.bottom_left.lat, box.top_right.lon, box.top_right.lat
    east, north = west + side * (east - west), south + side * (north - south)
    with osmium.BackReferenceWriter(str(target), ref_src=str(source), overwrite=True) as writer:
        for thing in osmium.FileProcessor(str(source)).with_locations():
            if thing.is_node():
                inside = west <= thing.lon <= east and south <= thing.lat <= north
            else:
                inside = thing.is_way() and any(
                    n.location.valid() and west <= n.lon <= east and south <= n.lat <= north for n in thing.nodes
                )
            if inside:
                writer.add(thing)


def copies(source: Path, target: Path, count: int) -> None:
    """The file `count` times side by side, 1 degree apart, with ids of their own."""
    import osmium

    apart = 100_000_000_000
    kinds = (osmium.osm.NODE, osmium.osm.WAY, osmium.osm.RELATION)
    with osmium.SimpleWriter(str(target), overwrite=True) as writer:
        for kind in kinds:
            for k in range(count):
                for thing in osmium.FileProcessor(str(source), kind):
                    new = {"id": thing.id + k * apart}
                    if thing.is_node():
                        new["location"] = (thing.lon + k * 1.0, thing.lat)
                        writer.add_node(thing.replace(**new))
                    elif thing.is_way():
                        writer.add_way(thing.replace(nodes=[n.ref + k * apart for n in thing.nodes], **new))
                    else:
                        members = [(m.type, m.ref + k * apart, m.role) for m in thing.members]
                        writer.add_relation(thing.replace(members=members, **new))


def measure(path: Path) -> tuple[float, ...]:
    """Best of three: seconds, peak MB, MB before, streets, km."""
    runs = []
    for _ in range(3):
        done = subprocess.run([sys.executable, "-c", READ, str(path)], check=True, capture_output=True, text=True)
        runs.append(tuple(map(float, done.stdout.split())))
    return min(runs)


def main() -> None:
    place = os.environ.get("ROUTEPLAN_REAL_AREA")
    source = Path(sys.argv[1]) if len(sys.argv) > 1 else None
    if source is None:
        folder = Path(place) if place else Path(__file__).parents[2] / "demo_area"
        source = next(folder.glob("*.osm.pbf"))
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 4
    with tempfile.TemporaryDirectory() as folder:
        files = [
            ("quarter", Path(folder, "quarter.osm.pbf")),
            ("half", Path(folder, "half.osm.pbf")),
            ("whole", source),
        ]
        cut_out(source, files[0][1], 0.25)
        cut_out(source, files[1][1], 0.5)
        if count > 1:
            files.append((f"{count} copies", Path(folder, "copies.osm.pbf")))
            copies(source, files[-1][1], count)
        print("what         file MB    seconds   peak MB  (idle)   streets        km   s per file MB")
        for name, path in files:
            size = path.stat().st_size / 1e6
            seconds, peak, idle, streets, km = measure(path)
            memory = f"{peak:10.0f}{idle:8.0f}"
            print(f"{name:<12}{size:8.2f}{seconds:11.2f}{memory}{streets:10.0f}{km:10.0f}{seconds / size:16.2f}")
    match_once(source)


def match_once(source: Path) -> None:
    """A made-up ride of 100 km along the network's streets, 20,000 points with 6 m of noise."""
    import numpy as np

    from routeplan.roads.along import along
    from routeplan.roads.match import match_track
    from routeplan.roads.reader import read_osm

    network = read_osm(source).network
    network = network.subset(network.allowed_streets())
    rng = np.random.default_rng(0)
    first, head = network.csr()
    label = network.components()
    at, edges, length = int(np.flatnonzero(label == 0)[0]), [-1], 0.0
    seen = np.zeros(network.street_count)
    while length < 100_000:
        onward = [e for e in range(first[at], first[at + 1]) if label[head[e]] == 0]
        onward = [e for e in onward if edges[-1] < 0 or e != network.edge_reverse[edges[-1]]] or onward
        edges.append(min(onward, key=lambda e: (seen[network.edge_street[e]], rng.random())))
        seen[network.edge_street[edges[-1]]] += 1
        length += network.edge_length_m[edges[-1]]
        at = int(head[edges[-1]])
    route = along(network, np.array(edges[1:]))
    distance = np.linspace(0, route.distance_m[-1], 20_000)
    x, y = (np.interp(distance, route.distance_m, c) + rng.normal(0, 6, len(distance)) for c in (route.x_m, route.y_m))
    begin = time.perf_counter()
    match = match_track(network, x, y)
    print(f"matching 20,000 points over {length / 1000:.0f} km: {time.perf_counter() - begin:.2f} s, "
          f"length found {match.length_m / 1000:.1f} km")  # fmt: skip


if __name__ == "__main__":
    main()
