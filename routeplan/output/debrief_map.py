"""The map of a debrief: the ride as predicted, and where reports and surprises lie on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from routeplan.output.look import SMALL
from routeplan.output.map import map_scene, map_view
from routeplan.output.scene import Scene, Text, png
from routeplan.plan.debriefed import Debrief

SURPRISING = 0.8  # spreads


def debrief_map_png(found: Debrief, *, scale: float = 1.0, width: float = 1200.0) -> bytes:
    return png(debrief_map_scene(found, width=width), scale=scale)


def debrief_map_scene(found: Debrief, *, width: float = 1200.0) -> Scene:
    """The ride's map with a disc for each report worked and a ring for each that was not.

    Size tells surprise: small where it came as predicted. Numbers are those of the surprises in the report.
    """
    side = 0.0 if width < 640 else 14.0
    # Numbers and letters of the plan would be taken for those of the surprises.
    plain = replace(found.plan.routes[0], overs=(), calling_places=(), dead_stretches=(), ways_home=())
    scene = map_scene(replace(found.plan, routes=(plain,)), route=plain, width=width, heading=False)
    view = map_view(found.plan, width=width - 2 * side, left=side, top=0.0)
    for report in sorted(found.heard, key=lambda r: abs(r.surprise) if np.isfinite(r.surprise) else 0.0):
        at = view.xy(report.x_m, report.y_m)
        if not view.holds(at, 4.0):
            continue
        size = min(abs(report.surprise), 2.5) if np.isfinite(report.surprise) else 0.0
        if report.beacon and size < SURPRISING:
            continue
        r = (1.6 if report.beacon else 3.0) + 2.2 * size
        scene.disc(
            at[0], at[1], r, "ink" if report.worked else "paper", edge="paper" if report.worked else "ink", width=1.4
        )
    for number, surprise in enumerate(found.surprises, 1):
        x, y = view.xy(surprise.x_m, surprise.y_m)
        if view.holds(np.array([x, y]), 14.0):
            scene.disc(x + 12, y - 12, 9.0, "paper", edge="ink", width=1.4)
            scene.add(Text(x + 12, y - 8.5, str(number), SMALL, bold=True, anchor="middle"))
    return scene
