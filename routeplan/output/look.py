"""The one look: ink on paper, one accent and marker form for each station, three sizes of type."""

from __future__ import annotations

import math

PAPER = {
    "paper": "#FBF9F4",
    "ink": "#1F2A33",
    "ground": "#CFC6B6",
    "quiet": "#6B7177",  # the look's quiet grey, a little darker where small letters stand in it
    "hair": "#8A8F94",
    "wash": "#E9E4D8",
    "water": "#E3E8EA",
    "accent0": "#0B5C8A",
    "accent1": "#A0522D",
    "accent2": "#4F6B2F",
    "accent3": "#6B3F73",
}
NIGHT = {
    "paper": "#1B2229",
    "ink": "#ECE7DB",
    "ground": "#4A4A45",
    "quiet": "#A3A8AC",
    "hair": "#777D83",
    "wash": "#2A323A",
    "water": "#232E36",
    "accent0": "#6DB3DC",
    "accent1": "#DE9A75",
    "accent2": "#A3C37C",
    "accent3": "#C799CF",
}
PRINT = {
    **dict.fromkeys(PAPER, "#000000"),
    **{f"accent{k}": "#555555" for k in range(4)},
    "paper": "#FFFFFF",
    "ground": "#D0D0D0",
    "quiet": "#333333",
    "hair": "#888888",
    "wash": "#EEEEEE",
    "water": "#EEEEEE",
}  # black and white, for the card
HEAD, BODY, SMALL = 15.0, 11.0, 9.5
MARKERS = ("triangle", "square", "diamond", "pentagon", "cross", "circle")


def accent(index: int) -> str:
    """Colour name of the station at that place of the plan's list."""
    return f"accent{index % 4}"


def marker(index: int) -> str:
    """Marker form of that station; with the letter it tells stations apart without any colour."""
    return MARKERS[index % len(MARKERS)]


def marker_ring(form: str, x: float, y: float, r: float) -> list[tuple[float, float]]:
    """Corners of a marker of radius r round (x, y), y downwards."""
    if form == "cross":
        t = r * 0.38
        arms = [
            (-t, -r),
            (t, -r),
            (t, -t),
            (r, -t),
            (r, t),
            (t, t),
            (t, r),
            (-t, r),
            (-t, t),
            (-r, t),
            (-r, -t),
            (-t, -t),
        ]
        return [(x + a, y + b) for a, b in arms]
    corners, turn = {"triangle": (3, -90), "square": (4, -45), "diamond": (4, -90), "pentagon": (5, -90)}.get(
        form, (24, 0)
    )
    r = r * {3: 1.25, 4: 1.1}.get(corners, 1.0)
    angles = [math.radians(turn + 360 * k / corners) for k in range(corners)]
    return [(x + r * math.cos(a), y + r * math.sin(a)) for a in angles]


def nice_step(span: float, most: int) -> float:
    """1, 2 or 5 times a power of ten, so that `span` holds at most `most` steps."""
    raw = max(span, 1e-9) / max(most, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    return next(k * power for k in (1, 2, 5, 10) if k * power >= raw * (1 - 1e-9))
