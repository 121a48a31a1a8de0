"""Keeps the layer picture of DEVELOPERS.md true: who may import whom, and what stays cheap to import."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import routeplan

PACKAGE = Path(routeplan.__file__).parent
BASE = {"geo", "errors", "compiled", "__init__"}
SUBJECTS = {"terrain", "roads", "radio", "ride", "search", "afterwards"}
MAY_IMPORT = {
    **{name: {"errors"} if name != "errors" else set() for name in BASE},
    **{name: BASE | {name} for name in SUBJECTS},
    "plan": BASE | SUBJECTS | {"plan"},
    "output": BASE | {"plan", "output"},
    "page": BASE | {"plan", "output", "page"},
    "cli": BASE | {"plan", "output", "page"},
    "__main__": {"cli"},
}


def imports_of(path: Path) -> set[str]:
    """First part below routeplan of every module that `path` imports, at the top or inside a function."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "routeplan":
            parts = node.module.split(".")[1:]
            found |= {parts[0]} if parts else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("routeplan.")}
    return found - {"__version__"}


def test_data_runs_one_way():
    wrong = []
    for path in sorted(PACKAGE.rglob("*.py")):
        part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if part == "demo_area":
            continue
        for target in sorted(imports_of(path) - MAY_IMPORT[part]):
            wrong.append(f"{path.relative_to(PACKAGE)} imports {target}")
    assert not wrong


def test_a_help_text_loads_nothing_heavy():
    code = "import sys, routeplan.cli; print(*{m.split('.')[0] for m in sys.modules})"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    heavy = {
        "numpy",
        "scipy",
        "numba",
        "osmnx",
        "geopandas",
        "pandas",
        "matplotlib",
        "rasterio",
        "pyproj",
        "networkx",
    }
    assert not heavy & set(loaded)
