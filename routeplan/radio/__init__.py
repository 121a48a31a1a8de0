"""Radio: path loss, noise, antennas, link margins and the chance of contact, on plain arrays.

Modules load when used: `p1812` (Rec. ITU-R P.1812 for one path, to be read beside the paper), `short_path`
and `woodland` (what P.1812 leaves open near the terminals), `batch` (losses from one station to many
receivers over rasters; compiled). This package knows no raster files, no roads and no riders.
"""
