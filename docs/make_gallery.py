"""Draws the pictures of docs/gallery/ from the demo area: python docs/make_gallery.py

The same calls draw your own rides: a Plan comes from `routeplan.plan.jobs.plan`, a picture from `routeplan.output`.
"""

from __future__ import annotations

import sys
from pathlib import Path

from routeplan.output import atomic, card, look, map, scene, strip, table, trade_off
from routeplan.plan import demo, jobs, ridefile

GALLERY = Path(__file__).parent / "gallery"


def main() -> None:
    say = lambda text: print(f"  {text}", file=sys.stderr)  # noqa: E731
    plan = jobs.plan("loop", demo.area(say), ridefile.read_ride(demo.ride_file("net_evening")), progress=say)
    route = plan.routes[0]
    sides = card.card_scenes(plan, route)
    sheet = scene.Scene(2 * card.WIDTH + 12, card.HEIGHT)
    for k, side in enumerate(sides):
        sheet.box(k * (card.WIDTH + 12), 0, card.WIDTH, card.HEIGHT, "paper", edge="hair")
        sheet.place(side, k * (card.WIDTH + 12), 0)
    pictures = {
        "strip.png": strip.strip_png(plan, route),
        "trade_off.png": trade_off.trade_off_png(plan, chosen=route.id),
        "map.png": map.map_png(plan, route=route, width=1000),
        "card.png": scene.png(sheet, palette=look.PRINT),
    }
    for name, data in pictures.items():
        say(f"wrote {atomic.write_bytes(GALLERY / name, data)}")
    atomic.write_text(GALLERY / "table.txt", table.table(plan) + "\n")


if __name__ == "__main__":
    main()
