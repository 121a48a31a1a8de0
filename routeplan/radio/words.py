"""Plain words for stations, surroundings, sets and mounts, and the numbers they stand for.

Nobody has to know a decibel: "vertical on the chimney" in a "town" is enough. Each word stands for stated
numbers with their origin; any number can be given instead. `resolve_station` and `resolve_set` turn words and
numbers into a Station and a RiderSet, and tell for every value where it came from and whether it is a guess.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, NamedTuple, TypeVar

from routeplan.errors import Fault, InputError
from routeplan.radio import antennas, noise
from routeplan.radio.antennas import ANTENNAS, MOUNTS, STATION_ANTENNAS
from routeplan.radio.link import RiderSet, Station

__all__ = [
    "ANTENNAS", "MOUNTS", "STATION_ANTENNAS", "STATION_KINDS", "SURROUNDINGS", "Resolved", "Stated",
    "StationKind", "Surroundings", "known", "resolve_set", "resolve_station",
]  # fmt: skip

T = TypeVar("T")


class Stated(NamedTuple):
    """One value that was used: its key, where it came from ("ride file" or "<word>: <source>"), whether a
    guess.
    """

    key: str
    value: Any
    origin: str
    guess: bool


@dataclass(frozen=True)
class Resolved(Generic[T]):
    """A Station or RiderSet in numbers, and what it rests on."""

    value: T
    stated: tuple[Stated, ...]


@dataclass(frozen=True)
class Surroundings:
    """Where a station or rider is, as a noise category of Rec. ITU-R P.372."""

    name: str
    category: noise.NoiseCategory
    origin: str


SURROUNDINGS: dict[str, Surroundings] = {
    s.name: s
    for s in (
        Surroundings("city", noise.CITY, "business streets, works, main railways"),
        Surroundings("town", noise.RESIDENTIAL, "houses side by side"),
        Surroundings("village", noise.RESIDENTIAL, "the nearest houses count, not the size of the place"),
        Surroundings("open", noise.RURAL, "fields and lanes, houses far apart"),
        Surroundings("remote", noise.QUIET_RURAL, "far from houses, roads and power lines"),
    )
}


@dataclass(frozen=True)
class StationKind:
    """What a plain description of a station stands for. All of it is a guess about the station at hand.

    feeder_db : at 145 MHz; it grows with the square root of frequency, as copper's loss does.
    """

    name: str
    antenna: antennas.StationAntenna
    antenna_height_m: float
    feeder_db: float
    building_db: float
    transmit_w: float
    sensitivity_dbm: float
    surroundings: str
    origin: str

    def feeder_db_at(self, frequency_mhz: float) -> float:
        return round(self.feeder_db * (frequency_mhz / 145.0) ** 0.5, 2)


_J = "judgement"
STATION_KINDS: dict[str, StationKind] = {
    k.name: k
    for k in (
        StationKind("indoors", antennas.INDOOR, 3.0, 0.5, 10.0, 10.0, -119.0, "town",
                    f"{_J}: whip at a window of an ordinary house, 10 dB through the walls"),
        StationKind("in the loft", antennas.DIPOLE, 7.0, 1.5, 4.0, 25.0, -120.0, "town",
                    f"{_J}: dipole under tiles, 4 dB when they are wet"),
        StationKind("vertical in the garden", antennas.COLLINEAR, 5.0, 1.5, 0.0, 25.0, -120.0, "town",
                    f"{_J}: on a pole, below the roofs"),
        StationKind("vertical on the chimney", antennas.COLLINEAR, 10.0, 1.5, 0.0, 25.0, -120.0, "town",
                    f"{_J}: two storeys, 15 m of ordinary coaxial cable"),
        StationKind("beam on a mast", antennas.BEAM, 14.0, 2.0, 0.0, 50.0, -120.0, "town",
                    f"{_J}: turned to the rider, 25 m of good cable"),
        StationKind("hill repeater", antennas.COLLINEAR, 15.0, 3.0, 0.0, 25.0, -119.0, "open",
                    f"{_J}: shared mast on a summit; feeder and cavity filters together 3 dB"),
        StationKind("in a car", antennas.CAR_WHIP, 1.8, 0.5, 0.0, 25.0, -120.0, "open",
                    f"{_J}: whip on the roof"),
        StationKind("handheld", antennas.HANDHELD, 1.5, 0.0, 0.0, 5.0, -119.0, "open",
                    f"{_J}: standing outdoors, set at the head"),
    )
}  # fmt: skip
DEFAULT_KIND = "vertical on the chimney"
DEFAULT_ANTENNA = "quarter wave"
DEFAULT_MOUNT = "rack"
DEFAULT_RIDER_SURROUNDINGS = "open"
DEFAULT_TRANSMIT_W = 5.0
DEFAULT_SENSITIVITY_DBM = -119.0  # 0.25 uV for 12 dB SINAD; data sheets of handhelds say 0.2 to 0.28 uV

_SAME = {
    "chimney vertical": "vertical on the chimney", "chimney": "vertical on the chimney",
    "vertical": "vertical on the chimney", "loft": "in the loft", "attic": "in the loft", "indoor": "indoors",
    "beam": "beam on a mast", "repeater": "hill repeater", "car": "in a car", "mobile": "in a car",
    "garden vertical": "vertical in the garden", "luggage rack": "rack", "whip on the rack": "rack",
    "chest harness": "chest", "in the chest harness": "chest", "in the hand": "hand", "handheld set": "hand",
    "held high in the hand": "held high", "1/4 wave": "quarter wave", "quarter-wave": "quarter wave",
    "1/2 wave": "half wave", "half-wave": "half wave", "rubber": "helical", "stock": "helical",
    "suburb": "town", "residential": "town", "rural": "open", "country": "open", "quiet rural": "remote",
    "town centre": "city",
}  # fmt: skip


def known(words: str, table: Mapping[str, T], what: str, where: str = "") -> T:
    """The entry of a table of plain words. Error: unknown; it names the nearest word, or all of them."""
    key = " ".join(str(words).lower().split())
    if key not in table and _SAME.get(key) in table:
        key = _SAME[key]
    if key in table:
        return table[key]
    near = difflib.get_close_matches(key, list(table) + [s for s, t in _SAME.items() if t in table], 1, 0.5)
    mend = f'did you mean "{near[0]}"?' if near else "known are " + ", ".join(f'"{k}"' for k in table)
    raise InputError(f"unknown {what} {words!r}", where or what, mend)


class _Choices:
    """Takes each value from what was given, else from a default, and notes which."""

    def __init__(self) -> None:
        self.stated: list[Stated] = []
        self.faults: list[Fault] = []

    def value(self, key: str, given: Any, default: Any, origin: str, *, guess: bool = True) -> Any:
        if given is None:
            self.stated.append(Stated(key, default, origin, guess))
            return default
        self.stated.append(Stated(key, given, "ride file", False))
        return given

    def word(self, key: str, given: str | None, default: str, table: Mapping[str, T], why: str = "default") -> T:
        word = self.value(key, given, default, why)
        try:
            return known(word, table, key.replace("_", " "), f"{key} = {word!r}")
        except InputError as error:
            self.faults.extend(error.faults)
            return table[default]

    def noise_figure_db(self, sensitivity: float | str) -> float:
        try:
            return noise.receiver_figure_db(noise.sensitivity_dbm(sensitivity))
        except InputError as error:
            self.faults.extend(error.faults)
            return 9.0

    def finish(self, build: Any, **values: Any) -> Any:
        try:
            made = build(**values)
        except InputError as error:
            self.faults.extend(error.faults)
        if self.faults:
            raise InputError(self.faults)
        return made


def resolve_station(
    *,
    frequency_mhz: float,
    kind: str | None = None,
    antenna_height_m: float | None = None,
    antenna_gain_dbi: float | None = None,
    feeder_db: float | None = None,
    transmit_w: float | None = None,
    sensitivity: float | str | None = None,
    surroundings: str | None = None,
    hears_mhz: float | None = None,
    talks_mhz: float | None = None,
    reaches: Iterable[str] = (),
) -> Resolved[Station]:
    """A station from plain words and any numbers given; numbers win. All faults at once (InputError).

    A station described by numbers alone takes what is missing from "vertical on the chimney"; one that has
    the two frequencies of a repeater, from "hill repeater".
    """
    choose = _Choices()
    usual = DEFAULT_KIND if hears_mhz is None and talks_mhz is None else "hill repeater"
    k = choose.word("kind", kind, usual, STATION_KINDS, "default: nothing was said about this station")
    origin = f"{k.name}: {k.origin}"
    gain = choose.value(
        "antenna_gain_dbi", antenna_gain_dbi, round(k.antenna.gain_dbi(frequency_mhz), 1),
        f"{k.name}: {k.antenna.name}, {k.antenna.origin}",
    )  # fmt: skip
    height = choose.value("antenna_height_m", antenna_height_m, k.antenna_height_m, origin)
    feeder = choose.value("feeder_db", feeder_db, k.feeder_db_at(frequency_mhz), origin)
    watts = choose.value("transmit_w", transmit_w, k.transmit_w, origin)
    heard = choose.value("sensitivity_dbm", sensitivity, k.sensitivity_dbm, origin)
    place = choose.word("surroundings", surroundings, k.surroundings, SURROUNDINGS, origin)
    # A gain given in place of an outdoor antenna's is that of an antenna outdoors; the walls stay with the
    # kind.
    station = choose.finish(
        Station,
        antenna_height_m=height, transmit_w=watts, antenna_gain_dbi=gain, antenna_loss_db=k.antenna.loss_db,
        feeder_db=feeder, building_db=k.building_db,
        noise_figure_db=choose.noise_figure_db(heard),
        surroundings=place.category, hears_mhz=hears_mhz, talks_mhz=talks_mhz, reaches=tuple(reaches),
    )  # fmt: skip
    return Resolved(station, tuple(choose.stated))


def resolve_set(
    *,
    frequency_mhz: float,
    transmit_w: float | None = None,
    antenna: str | None = None,
    mount: str | None = None,
    sensitivity: float | str | None = None,
    surroundings: str | None = None,
    antenna_gain_dbi: float | None = None,
    antenna_height_m: float | None = None,
    feeder_db: float | None = None,
) -> Resolved[RiderSet]:
    """The rider's set on one frequency from plain words and any numbers given. All faults at once
    (InputError).

    antenna_gain_dbi : replaces the antenna's own gain (without the body); what it lacks to the antenna's
    directivity is taken as loss, which weakens noise too.
    """
    choose = _Choices()
    watts = choose.value("transmit_w", transmit_w, DEFAULT_TRANSMIT_W, "default: usual full power of a handheld")
    a = choose.word("antenna", antenna, DEFAULT_ANTENNA, ANTENNAS)
    m = choose.word("mount", mount, DEFAULT_MOUNT, MOUNTS)
    own_loss = round(a.loss_db(frequency_mhz, on_plate=m.on_plate), 1)
    gain = choose.value(
        "antenna_gain_dbi", antenna_gain_dbi, round(a.directivity_dbi - own_loss, 2), f"{a.name}: {a.origin}"
    )
    directivity = max(a.directivity_dbi, gain)
    height = choose.value("antenna_height_m", antenna_height_m, m.height_m, f"{m.name}: {m.origin}")
    feeder = choose.value("feeder_db", feeder_db, 0.3 if m.on_plate else 0.0, f"{m.name}: a metre of thin cable")
    heard = choose.value(
        "sensitivity_dbm",
        sensitivity,
        DEFAULT_SENSITIVITY_DBM,
        "default: 0.25 uV, as data sheets of handhelds say",
    )
    place = choose.word("surroundings", surroundings, DEFAULT_RIDER_SURROUNDINGS, SURROUNDINGS, "default: lanes")
    choose.stated.append(
        Stated("body_db", f"{m.body.free_db:g} to {m.body.through_db:g}", f"{m.name}: {m.origin}", True)
    )
    rider = choose.finish(
        RiderSet,
        antenna_height_m=height, transmit_w=watts, directivity_dbi=directivity,
        antenna_loss_db=round(directivity - gain, 6), feeder_db=feeder,
        noise_figure_db=choose.noise_figure_db(heard),
        surroundings=place.category, body=m.body, body_sigma_db=m.body_sigma_db,
    )  # fmt: skip
    return Resolved(rider, tuple(choose.stated))
