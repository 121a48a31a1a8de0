"""OpenStreetMap data to a street network in columns: what may be ridden, which way, on what, beside which traffic.

`reader.read_osm` reads files; `network.Network` is what comes out; `docs/roads.md` tells the rest.
"""
