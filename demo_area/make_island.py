"""Makes the demo area: an invented island in mid-ocean. Run: python demo_area/make_island.py [FOLDER]

Writes elevation.tif, roads.osm.pbf and rides/weekly.gpx into FOLDER (default: where this script lies),
the same bytes each run with the same versions of the libraries. How it works: docs/demo_area.md.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from making import bench, dress, features, layout, names, network, rides, settle, terrain, versions
from making.frame import CENTRE_EAST_M, CENTRE_NORTH_M, COLUMNS, EPSG, FINE, ROWS, STEP_M
from making.network import key
from making.osm_file import Map


def make_land_and_roads():
    """Ground (with roads cut into it), places, and streets between junctions."""
    ground = terrain.make_ground()
    places = settle.make_places(ground, names.HAMLETS)
    works = layout.build(ground, places, settle.make_farms(ground, places))
    streets = network.make_network(works.lines, dress.rank)
    ground = replace(ground, height_m=bench.benched(ground.height_m, ground.land & ~ground.lake, streets))
    ground = replace(ground, height_m=np.where(ground.lake, ground.lake_level_m, ground.height_m))
    return ground, places, streets


def make_ways(ground, places, streets):
    """Tagged ways, tags of single points, turn bans and streams."""
    ways = dress.dress(streets, ground, places)
    dress.town_streets(ways, places)
    ways = dress.roundabouts(ways, places)
    ways = dress.dual(ways)
    ways += features.ferry(ways, ground)
    streams = features.rivers(ground)
    ways = features.river_bridges(ways, streams)
    dress.give_names([w for w in ways if w.tags["highway"] != "ferry"], places)
    for w in ways:
        w.points = network.thinned([network.Street(w.points, "")], 1.2)[0].points
    marks = features.junction_marks(ways, places)
    marks |= features.barriers(ways, ground)
    marks |= features.fords(ways, streams)
    return ways, marks, streams


def write_map(path: Path, ground, places, ways, marks, streams) -> None:
    """roads.osm.pbf."""
    bans = features.restrictions(ways)
    whole = dress.merged(ways, {via for _, via, _, _ in bans})
    m = Map()
    numbers = []
    for w in whole:
        tags = {k: v for k, v in w.tags.items() if (k, v) != ("highway", "ferry")}
        numbers.append((w, m.way(w.points, tags)))
    for point, tags in sorted(marks.items()):
        m.node(np.array(point) / 10, **tags)
    for a, via, b, tags in bans:
        members = [
            ("w", _way_with(numbers, ways[a], via), "from"),
            ("n", m.nodes[via], "via"),
            ("w", _way_with(numbers, ways[b], via), "to"),
        ]
        m.relation(members, tags)
    _write_ground(m, ground, places, ways, streams)
    m.write(path)


def _way_with(numbers, way, via):
    """Number of the written way that holds the piece `way` and ends at `via`."""
    other = key(way.points[1] if way.ends[0] == via else way.points[-2])
    for w, number in numbers:
        if via in w.ends:
            p = w.points if w.ends[0] == via else w.points[::-1]
            if key(p[1]) == other:
                return number
    raise AssertionError("a turn ban lost its way")


def _write_ground(m, ground, places, ways, streams):
    for ring in features.coastlines(ground):
        m.way(ring, {"natural": "coastline"})
    for shape in layout.polygons(ground.lake.astype(float), 0.5, 1e4, 6.0):
        m.polygon(shape, {"natural": "water", "water": "reservoir", "name": "Lambeck Reservoir"})
    for line, kind in streams:
        m.way(np.array(line.coords), {"waterway": kind})
    woodland = features.woods(ground, ways, places)
    for shape, tags in woodland + features.heath(ground, woodland) + features.built_land(ways, places):
        for part in getattr(shape, "geoms", [shape]):
            m.polygon(part, tags)
    points = features.place_nodes(places) + features.peaks(ground) + features.masts()
    for point, tags in points + features.stopping_places(ways, ground, places):
        m.node(point, **tags)
    pylons = features.power_line()
    for p in pylons:
        m.node(p, power="tower")
    m.way(pylons, {"power": "line", "voltage": "60000"})


def write_elevation(path: Path, height_m: np.ndarray) -> None:
    """elevation.tif: heights [m] above mean sea level, eighths of a metre, 0 at sea."""
    import rasterio
    from rasterio.transform import from_origin

    west = CENTRE_EAST_M + FINE.west_m - STEP_M / 2
    north = CENTRE_NORTH_M + FINE.north_m + STEP_M / 2
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=ROWS,
        width=COLUMNS,
        count=1,
        dtype="float32",
        crs=f"EPSG:{EPSG}+3855",
        transform=from_origin(west, north, STEP_M, STEP_M),
        compress="deflate",
        predictor=3,
        zlevel=9,
        tiled=True,
        blockxsize=256,
        blockysize=256,
    ) as raster:
        raster.write(height_m.astype(np.float32), 1)
        raster.set_band_description(1, "height above mean sea level, bare ground")
        raster.units = ("m",)
        raster.update_tags(
            TITLE="Invented island, bare-ground elevation",
            VERTICAL_DATUM="EGM2008 height: metres above mean sea level, 0 at sea",
            ELEVATION_KIND="terrain",
            LICENCE="invented island, MIT licence",
        )


def main(folder: Path) -> None:
    """All files, into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    ground, places, streets = make_land_and_roads()
    ways, marks, streams = make_ways(ground, places, streets)
    write_elevation(folder / "elevation.tif", ground.height_m)
    write_map(folder / "roads.osm.pbf", ground, places, ways, marks, streams)
    rides.write_weekly(folder / "rides" / "weekly.gpx", ground, ways)
    (folder / "made_with.txt").write_text(versions.made_with(), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
