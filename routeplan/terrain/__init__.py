"""Elevation, ground cover and water as rasters in working coordinates, and profiles sampled from them.

`grid` holds the raster value, `tiles` reads elevation files, `voids` fills small holes, `cover` and `zones`
say what stands on the ground, `profiles` samples a path, `glo30` fetches Copernicus tiles.
"""

from routeplan.terrain.grid import Extent, Grid, smooth
from routeplan.terrain.profiles import profile

__all__ = ["Extent", "Grid", "profile", "smooth"]
