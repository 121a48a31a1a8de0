"""The words that a ride file knows, with what they mean: for pages and forms that offer them."""

from __future__ import annotations

from typing import Any

from routeplan.plan.ridekeys import SECTIONS, SEVERAL, keys_of
from routeplan.ride.surfaces import SURFACES


def words() -> dict[str, list[list[str]]]:
    """[word, what it means] of every list that a rider chooses from."""
    from routeplan.radio import words as radio
    from routeplan.radio.quality import GRADES

    return {
        "kind": [[k.name, k.origin.partition(": ")[2] or k.origin] for k in radio.STATION_KINDS.values()],
        "surroundings": [[s.name, s.origin] for s in radio.SURROUNDINGS.values()],
        "antenna": [[a.name, a.origin] for a in radio.ANTENNAS.values()],
        "mount": [[m.name, m.origin] for m in radio.MOUNTS.values()],
        "mode": [[m, ""] for m in ("FM", "wide FM", "digital voice", "data beacon")],
        "speech": [[g, ""] for g in GRADES],
        "surface": [[s, ""] for s in SURFACES],
    }


def keys() -> dict[str, list[dict[str, Any]]]:
    """Every key of every section: name, help, unit, what may be written, what holds without it."""
    return {
        name: [
            {
                "name": key_name,
                "help": key.help,
                "unit": key.unit,
                "words": key.kind.words,
                "without": key.in_words or _told(key.default),
                "several": name in SEVERAL,
            }
            for key_name, key in keys_of(section).items()
        ]
        for name, section in SECTIONS.items()
    }


def _told(value: Any) -> str:
    if value is None or value == () or value == {} or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (tuple, list)):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)
