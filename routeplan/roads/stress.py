"""Traffic stress of a road for a cyclist: one stated number per row of way attributes.

0 calm (families), 1 easy (most adults), 2 busy (confident riders), 3 heavy (few). The scale follows the idea of
"levels of traffic stress" (Mekuria, Furth and Nixon, Mineta Transportation Institute report 11-19, 2012) whose
class is set by speed, lanes and the room of one's own; the continuous figures below are judgement.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from routeplan.roads import tags

if TYPE_CHECKING:
    from routeplan.roads.network import Ways

# Volume of motor traffic that a class usually carries, as a share of stress. Judgement.
KIND_STRESS = {"trunk": 1.3, "primary": 1.0, "secondary": 0.7, "tertiary": 0.4, "unclassified": 0.15,
               "residential": 0.1,
               "living_street": 0.0, "service": 0.05, "cycleway": 0.0, "track": 0.0, "path": 0.0, "bridleway": 0.0,
               "footway": 0.0, "pedestrian": 0.0, "steps": 0.0, "ferry": 0.0}  # fmt: skip
SPEED_STRESS = (
    (30.0, 0.0),
    (50.0, 0.5),
    (70.0, 1.1),
    (90.0, 1.7),
    (110.0, 2.2),
)  # km/h, stress on a main road
LANES_STRESS = 0.3  # for each lane beyond two
LANE_RELIEF = 0.6  # a cycle lane takes away 60 % of it
ROUGH_STRESS = 0.2  # a bad surface beside traffic: no line to keep


def stress(ways: Ways) -> np.ndarray:
    """Stress of each way row, float32 (rows,), from 0 to 3. No motor traffic: 0."""
    volume = np.array([KIND_STRESS[kind] for kind in tags.KINDS])[ways.kind]
    speed = np.interp(ways.traffic_km_h, [limit for limit, _ in SPEED_STRESS], [s for _, s in SPEED_STRESS])
    lanes = LANES_STRESS * np.clip(np.nan_to_num(ways.lanes, nan=2.0) - 2.0, 0, 3)
    rough = ROUGH_STRESS * (ways.surface >= tags.SURFACES.index("gravel"))
    # Speed hurts as often as a car passes: full on a primary road, a third on a lane that few cars use.
    out = volume + speed * np.clip(0.3 + 0.7 * volume, 0, 1) + (lanes + rough) * (volume >= 0.4)
    out = np.where(ways.cycle_lane, (1 - LANE_RELIEF) * out, out)
    out = np.where(ways.tunnel & (volume >= 0.4), out + 0.5, out)
    return np.where(ways.calm | (volume == 0), 0.0, np.clip(out, 0, 3)).astype(np.float32)
