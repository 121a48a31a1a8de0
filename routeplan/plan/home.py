"""Ways home: the quickest way back to a ride's end from places along it."""

from __future__ import annotations

import numpy as np

from routeplan.plan.ridden import Ridden
from routeplan.plan.setting import Setting
from routeplan.plan.value import WayHome

AT_SHARES = (0.25, 0.5, 0.75)  # of the ride's length
NAMED_AT_LEAST_M = 150.0  # shorter pieces of road are not worth a name in a direction


def ways_home(setting: Setting, ridden: Ridden) -> tuple[WayHome, ...]:
    """The quickest way home from three places of the ride, where it is shorter than riding on."""
    found = []
    network = setting.network
    at_edge = ridden.distance_m[ridden.edge_first]
    for share in AT_SHARES:
        k = int(np.argmin(np.abs(at_edge - share * ridden.length_m)))
        edges = _quickest(setting, int(network.edge_tail[ridden.edges[k]]))
        if edges is None:
            continue
        home_m = float(network.edge_length_m[edges].sum())
        if home_m >= ridden.length_m - at_edge[k]:
            continue
        found.append(
            WayHome(
                distance_m=float(at_edge[k]),
                time_s=float(ridden.time_s[ridden.edge_first[k]]),
                home_m=home_m,
                home_s=float(setting.edge_time_s[edges].sum()),
                text=_directions(setting, edges),
            )
        )
    return tuple(found)


def _quickest(setting: Setting, node: int) -> np.ndarray | None:
    """Edges of the quickest way from a node to the setting's end; None where there is none."""
    edges = []
    while node != setting.end:
        edge = int(setting.quickest_home.edge[node])
        if edge < 0:
            return None
        edges.append(edge)
        node = int(setting.network.edge_head[edge])
    return np.array(edges, dtype=np.int64)


def _directions(setting: Setting, edges: np.ndarray) -> str:
    """Roads by name in the order they are taken: "Quay Road, then B12, then Mill Lane"."""
    network = setting.network
    names: list[str] = []
    length: list[float] = []
    for edge in edges.tolist():
        way = network.street_way[network.edge_street[edge]]
        name = network.ways.name[way] or network.ways.ref[way] or f"unnamed {_kind(setting, way)}"
        if names and names[-1] == name:
            length[-1] += float(network.edge_length_m[edge])
        else:
            names.append(name)
            length.append(float(network.edge_length_m[edge]))
    told = [name for name, metres in zip(names, length) if metres >= NAMED_AT_LEAST_M]
    short = [name for k, name in enumerate(told) if k == 0 or name != told[k - 1]]
    return ", then ".join(short) or "straight home"


def _kind(setting: Setting, way: int) -> str:
    from routeplan.roads.tags import KINDS

    word = KINDS[setting.network.ways.kind[way]]
    return {"unclassified": "lane", "residential": "street", "tertiary": "road", "secondary": "road"}.get(word, word)
