"""Places beside the roads: where one can stop and call, and what one can name on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from routeplan.roads import tags as road_tags
from routeplan.roads.network import Network
from routeplan.roads.tags import Tags

# (key, value, kind): first match decides. Where a rider can stand off the road and talk:
CALLING = (
    ("highway", "rest_area", "lay-by"), ("parking", "layby", "lay-by"), ("parking", "lay_by", "lay-by"),
    ("parking", "street_side", ""), ("amenity", "shelter", "shelter"), ("tourism", "viewpoint", "viewpoint"),
    ("tourism", "picnic_site", "picnic site"), ("leisure", "picnic_table", "picnic site"),
    ("highway", "bus_stop", "bus stop"), ("amenity", "parking", "parking"), ("leisure", "park", "green"),
    ("landuse", "village_green", "green"), ("leisure", "common", "green"), ("landuse", "recreation_ground", "green"),
    ("barrier", "gate", "gate"), ("barrier", "swing_gate", "gate"), ("barrier", "lift_gate", "gate"),
    ("highway", "turning_circle", "turning circle"), ("highway", "passing_place", "passing place"),
    ("amenity", "bench", "bench"), ("amenity", "drinking_water", "drinking water"),
)  # fmt: skip
# What has a name that riders use:
LANDMARKS = (
    ("place", "city", "city"), ("place", "town", "town"), ("place", "village", "village"),
    ("place", "hamlet", "hamlet"),
    ("place", "suburb", "suburb"), ("place", "isolated_dwelling", "farm"), ("place", "farm", "farm"),
    ("place", "island", "island"), ("natural", "peak", "peak"), ("natural", "saddle", "pass"),
    ("mountain_pass", "yes", "pass"),
    ("highway", "motorway_junction", ""), ("junction", "yes", "junction"),
)  # fmt: skip
CALLING_KINDS = tuple(dict.fromkeys(kind for _, _, kind in CALLING if kind))
LANDMARK_KINDS = tuple(dict.fromkeys(kind for _, _, kind in LANDMARKS if kind))
KEYS = tuple(dict.fromkeys(key for key, _, _ in (*CALLING, *LANDMARKS)))
CLOSED = frozenset({"private", "no", "customers"})


class RawPlace(NamedTuple):
    kind: str
    name: str
    latitude_deg: float
    longitude_deg: float
    ele_m: float  # tagged elevation, NaN where none
    osm_id: int


@dataclass(frozen=True)
class Places:
    """Columns over k places; street -1 where none lies within the distance asked of `beside`."""

    kind: tuple[str, ...]
    name: tuple[str, ...]  # "" without a name
    x_m: np.ndarray  # float64 (k,)
    y_m: np.ndarray
    calling: np.ndarray  # bool (k,): a place to stop and call, otherwise a landmark
    ele_m: np.ndarray  # float32 (k,) tagged elevation, NaN where none
    osm_id: np.ndarray  # int64 (k,)
    street: np.ndarray  # int32 (k,)
    point: np.ndarray  # int64 (k,): point at the begin of the nearest piece, -1
    offset_m: np.ndarray  # float64 (k,): along the street, NaN
    distance_m: np.ndarray  # float64 (k,): from the street, NaN

    def __len__(self) -> int:
        return len(self.kind)

    def take(self, mask: np.ndarray) -> Places:
        """The places of a mask or an index array."""
        index = np.arange(len(self))[mask]
        columns = {
            name: getattr(self, name)[index] for name in self.__dataclass_fields__ if name not in ("kind", "name")
        }
        return Places(kind=tuple(self.kind[i] for i in index), name=tuple(self.name[i] for i in index), **columns)

    def beside(self, network: Network, within_m: float = 60.0, landmarks_within_m: float = 1500.0) -> Places:
        """The same places with the nearest street of `network`: needed anew for every other network."""
        street, point = np.full(len(self), -1, np.int32), np.full(len(self), -1, np.int64)
        offset, distance = np.full(len(self), np.nan), np.full(len(self), np.nan)
        for i in range(len(self)):
            limit = within_m if self.calling[i] else landmarks_within_m
            near = network.nearest_street(self.x_m[i], self.y_m[i], within_m=limit)
            if near is not None:
                street[i], point[i], offset[i], distance[i] = (
                    near.street,
                    near.point,
                    near.offset_m,
                    near.distance_m,
                )
        return replace(self, street=street, point=point, offset_m=offset, distance_m=distance)


def place_kind(tags: Tags) -> str:
    """Kind of a calling place or landmark, "" for neither. Closed places are left out, landmarks need a name."""
    for key, value, kind in CALLING:
        if tags.get(key) == value:
            if not kind or tags.get("access") in CLOSED:
                return ""
            return kind
    if not tags.get("name"):
        return ""
    return next((kind for key, value, kind in LANDMARKS if tags.get(key) == value), "")


def raw_place(tags: Tags, latitude_deg: float, longitude_deg: float, osm_id: int) -> RawPlace | None:
    kind = place_kind(tags)
    if not kind:
        return None
    ele = road_tags._number(tags.get("ele"))
    return RawPlace(kind, tags.get("name", ""), latitude_deg, longitude_deg, ele, osm_id)


def places_of(raw: Sequence[RawPlace], x_m: np.ndarray, y_m: np.ndarray, network: Network) -> Places:
    """Columns of places in working coordinates, with their nearest streets."""
    count = len(raw)
    places = Places(
        kind=tuple(p.kind for p in raw), name=tuple(p.name for p in raw), x_m=np.asarray(x_m, float).reshape(count),
        y_m=np.asarray(y_m, float).reshape(count), calling=np.array([p.kind in CALLING_KINDS for p in raw], bool),
        ele_m=np.array([p.ele_m for p in raw], np.float32), osm_id=np.array([p.osm_id for p in raw], np.int64),
        street=np.full(count, -1, np.int32), point=np.full(count, -1, np.int64), offset_m=np.full(count, np.nan),
        distance_m=np.full(count, np.nan),
    )  # fmt: skip
    return places.beside(network)
