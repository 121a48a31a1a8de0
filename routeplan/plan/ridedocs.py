"""Writes docs/ride_file.md from the table of keys:  python -m routeplan.plan.ridedocs > docs/ride_file.md"""

from __future__ import annotations

import sys
from typing import Any

from routeplan.plan.ridekeys import SECTIONS, Key, Kind, keys_of
from routeplan.plan.tomlfile import toml_value

INTRO = """\
# The ride file

*This page is written from the program's own table of keys; a test keeps the two equal.*

A ride file says what ride you want, who you are, what you carry and whom you want to work. It is
[TOML](https://toml.io): lines of `key = value` under a `[section]`; what follows `#` is a remark.
`routeplan ride new FILE` writes one with remarks, and with the stations that you keep.

```toml
[start]
position = [42.5063, 1.5218]
departs = 2026-06-11T18:30:00
time_zone = "Europe/Andorra"

[ride]
length_km = 40

[[station]]
name = "Q1HILL"
position = [42.55, 1.60]
kind = "hill repeater"

[net]
frequency_mhz = 145.5
begins = "19:30"
control = "Q1HILL"
```

That is a whole ride file: every other key has a default, and the plan lists all of them with where they come
from. Defaults marked with a star are guesses that may well not fit you; the plan names the one that would change
your choice most.

## What each job needs

| job | needs, beside one `[[station]]` or more |
| --- | --- |
| `loop` | `[start]` position or locator; `[ride]` length_km, hours or home_by |
| `between` | `[start]` position or locator; `[ride]` end and length_at_most_km |
| `mend`, `check` | `[ride]` follow |
| `coverage`, `debrief` | nothing more |

A net by the clock, and `home_by`, need `departs` or `departs_between`.

## How values are read

- **Places** are `[latitude, longitude]` in degrees with a decimal point, south and west negative; or a
  Maidenhead locator of 6 or 8 characters, which stands for the middle of its cell (6 characters: some 9 by 5 km,
  too coarse for a start).
- **Times** are local times of `time_zone`. TOML wants the seconds: `2026-06-11T18:30:00`. A time that the change
  of clocks leaves out is an error; one that comes twice is written with its offset,
  `2026-10-25T02:30:00+01:00`. A net that begins "19:30" is on the day of departure.
- **Words** may be written in upper or lower case; some everyday ones are understood ("chimney vertical", "loft",
  "rural"). An unknown word or key is an error that names the nearest known one.
- **All faults are told at once**, each with file, line, value and how to mend it: `frequency_mhz = 145500` is
  recognised as kHz, a share of `5` as percent, a station 9,000 km away as latitude and longitude swapped.
"""

SECTION_TEXT = {
    "start": "Where and when.",
    "ride": "What ride is wanted.",
    "rider": "You and the bicycle. What the figures do is told in [ride_model.md](ride_model.md).",
    "set": "The set you carry.",
    "station": "Whom you want to work: `[[station]]`, once for each.\n\n"
    "A station is described in plain words (`kind`, `surroundings`), in numbers, or both: numbers win. One that is\n"
    'described by numbers alone takes what is missing from "vertical on the chimney". A repeater has `hears_mhz`\n'
    "and `talks_mhz`: contact needs both ways, each on its own frequency.",
    "net": "When you are due on the air: `[net]`, or `[[net]]` for each of several.",
    "contact": "What counts as contact.",
    "wind": "Wind on the day. Give `at_height_m = 10` with a forecast's figure: near the ground it is weaker.",
    "weather": "Air on the day.",
    "radio": "What the prediction rests on. Few riders change it.",
}

OUTRO = """\
## Values you have learnt

`learnt = "FILE.toml"`, before the first section, names a file of values learnt from your own rides. Its sections
are those of a ride file (`[rider]`, `[set]`, `[radio]`, ...); its values stand where the ride file gives none, and
the plan says so. Other tables in it (`[offset_db]` by station, `[about]`) are kept for the prediction.

## Stations you keep

`routeplan ride new` copies the `[[station]]` sections of your own `stations.toml` into every new ride file, in
place of the examples. The file lies in your configuration folder: `~/.config/routeplan/stations.toml` on Linux,
`~/Library/Application Support/routeplan/stations.toml` on macOS, `%LOCALAPPDATA%\\routeplan\\routeplan\\stations.toml`
on Windows. A `[start]` in it becomes the start of the new file.

## Trying another value

`routeplan coverage AREA RIDE.toml --compare set.transmit_w=10 --compare set.mount=chest` reads the value as if it
stood in the file. A station or net is named or numbered: `station.Q1HILL.antenna_height_m=20`, `net.1.lasts_min=30`.
"""


def docs_page() -> str:
    """The whole page."""
    parts = [INTRO]
    for name, section in SECTIONS.items():
        head = f"[[{name}]]" if name == "station" else f"[{name}]"
        parts.append(f"## `{head}`\n\n{SECTION_TEXT[name]}\n\n{_table(section)}")
    return "\n".join([*parts, OUTRO])


def _table(section: type) -> str:
    rows = ["| key | value | unit | default | meaning |", "| --- | --- | --- | --- | --- |"]
    for name, key in keys_of(section).items():
        cells = (f"`{name}`", _value(key.kind), key.unit, _default(key), key.help)
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(rows) + "\n"


def _value(kind: Kind) -> str:
    return kind.words.replace("_", "\\_")


def _default(key: Key) -> str:
    star = " *" if key.guess else ""
    origin = f": {key.origin}" if key.origin else ""
    if key.in_words:
        return f"{key.in_words}{origin}{star}"
    nothing: tuple[Any, ...] = (None, (), "")
    if key.default in nothing or key.default != key.default:
        return "-"
    shown = f"{key.default:.10g}" if isinstance(key.default, float) else toml_value(key.default)
    return f"`{shown}`{origin}{star}"


if __name__ == "__main__":
    sys.stdout.write(docs_page())
