"""What the files were made with: other versions, or another processor, may give other last bits."""

from __future__ import annotations

from importlib.metadata import version

LIBRARIES = ("numpy", "scipy", "numba", "networkx", "shapely", "contourpy", "osmium", "rasterio", "pyproj")


def made_with() -> str:
    """One line for each library, and the widest vector unit, which decides the last bits of numpy."""
    from numpy._core._multiarray_umath import __cpu_features__

    wide = next((name for name in ("AVX512_SKX", "AVX2", "ASIMD") if __cpu_features__.get(name)), "none")
    return "".join(f"{name} {version(name)}\n" for name in LIBRARIES) + f"vector unit {wide}\n"
