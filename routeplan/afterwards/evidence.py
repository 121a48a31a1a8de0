"""What a report says of the link's true margin: censored and ordinal data as likelihoods.

All thresholds are margins [dB] over what DAQ 3 ("readable") needs. A report is never taken as a measurement: R5 says
that the margin was some 10 dB or more, "called, no answer" that it was short in one direction, or that nobody was
there. Numbers are judgement unless said; docs/debrief.md lists them.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from scipy.special import ndtr

from routeplan.afterwards.reports import Reception
from routeplan.errors import Fault, InputError

READABLE_FROM = 3  # R: worked, if with difficulty
# Margin [dB] at which a report of R or better becomes as likely as not. R3 is DAQ 2, 6 dB below DAQ 3; R4 is DAQ 3,
# R5 is DAQ 4, 10 dB above it (faded C/N of TIA TSB-88, from memory); R1 and R2 lie close below R3, as FM falls fast.
R_FROM_DB = {1: -12.0, 2: -9.0, 3: -6.0, 4: 0.0, 5: 10.0}
WORKED_DB = R_FROM_DB[READABLE_FROM]
REPORTING_DB = 2.5  # spread of ears and habits about those thresholds
HABIT = 0.3  # share of R5 that is given out of habit, from R4 on
NOBODY = 0.08  # share of calls that nobody answers although they could be heard: away, or two at once
S9_DBM = -93.0  # IARU Region 1, above 30 MHz; 6 dB for each S unit
STRENGTH_DB = 8.0  # spread of a handheld's meter about that
STRENGTHS = 3.0  # so many readings of one end count in full; its meter errs the same way in all of them
PACKET_DB = 4.0  # width of the step from packets lost to packets received
ERRORS_DB = np.arange(-60.0, 60.5, 0.75)  # the error of a prediction, as integrated over
DECORRELATION_M = 500.0
LARGEST = 1e7  # of any number in a file of evidence


@dataclass(frozen=True)
class Evidence:
    """Reports with what was predicted for them, before anything was learnt; columns of n.

    to_db, from_db : predicted margins [dB] over DAQ 3, without learnt values.
    cover_db : (n, 3) by how much the margins fall when the ground cover is 0.5, 1 and 1.5 times as tall [dB].
    they, i : Reception or None. answered : True, False or None. beacon_db : margin that a packet needs, NaN for voice.
    needed_to_dbm, needed_from_dbm : power at the receiver that gives a margin of 0.
    """

    ride: np.ndarray  # object (n,): name of the ride, its date and time
    station: np.ndarray  # object (n,)
    mount: np.ndarray  # object (n,)
    stands: np.ndarray  # object (n,): the station as it was then, in one line
    to_db: np.ndarray
    from_db: np.ndarray
    cover_db: np.ndarray
    distance_m: np.ndarray  # along the ride
    path_m: np.ndarray  # to the station
    frequency_mhz: np.ndarray
    they: tuple[Reception | None, ...]
    i: tuple[Reception | None, ...]
    answered: tuple[bool | None, ...]
    selected: np.ndarray  # bool (n,): it would not have been written down, had it failed
    beacon_db: np.ndarray
    needed_to_dbm: np.ndarray
    needed_from_dbm: np.ndarray

    def __len__(self) -> int:
        return len(self.to_db)

    def take(self, rows: np.ndarray) -> Evidence:
        """Those rows: a mask or indices."""
        index = np.flatnonzero(rows) if np.asarray(rows).dtype == bool else np.asarray(rows, dtype=int)
        columns: dict[str, Any] = {
            f.name: tuple(v[k] for k in index) if isinstance(v := getattr(self, f.name), tuple) else v[index]
            for f in fields(self)
        }
        return replace(self, **columns)

    @property
    def known(self) -> np.ndarray:
        """(n,) rows with a prediction and something said."""
        said = np.array([t is not None or r is not None or a is not None
                         for t, r, a in zip(self.they, self.i, self.answered)], dtype=bool)  # fmt: skip
        return said & np.isfinite(self.to_db) & np.isfinite(self.from_db) & np.isfinite(self.cover_db).all(axis=1)

    @property
    def counted(self) -> np.ndarray:
        """(n,) rows that tell how often the chances held: known, and written down whatever came of them."""
        return self.known & ~self.selected

    @property
    def worked(self) -> np.ndarray:
        """(n,) 1 where what was tried succeeded with R3 or better, 0 where it failed."""
        out = np.zeros(len(self))
        for k, (they, i, answered) in enumerate(zip(self.they, self.i, self.answered)):
            ends = [end for end in (they, i) if end is not None]
            out[k] = answered is not False and all(end.least >= READABLE_FROM for end in ends)
        return out

    @property
    def tried_db(self) -> np.ndarray:
        """(n,) predicted margin of what was tried, less what it needs: 0 is an even chance."""
        out = np.empty(len(self))
        for k, (they, i, answered) in enumerate(zip(self.they, self.i, self.answered)):
            if np.isfinite(self.beacon_db[k]):
                out[k] = self.to_db[k] - self.beacon_db[k]
            elif answered is not None or (they is not None and i is not None):
                out[k] = min(self.to_db[k], self.from_db[k]) - WORKED_DB
            else:
                out[k] = (self.to_db[k] if they is not None else self.from_db[k]) - WORKED_DB
        return out


def joined(parts: Sequence[Evidence]) -> Evidence:
    """Several pieces of evidence as one."""
    columns: dict[str, Any] = {}
    for f in fields(Evidence):
        values = [getattr(part, f.name) for part in parts]
        columns[f.name] = sum(values, ()) if isinstance(values[0], tuple) else np.concatenate(values)
    return Evidence(**columns)


def likelihood(evidence: Evidence, error_db: np.ndarray = ERRORS_DB) -> np.ndarray:
    """(n, t) probability of what each report says, if the true margins are the predicted ones plus `error_db` (t,)."""
    readings: dict[tuple[str, str], int] = {}
    for station, they, i in zip(evidence.station, evidence.they, evidence.i):
        for end, said in (("they", they), ("i", i)):
            if said is not None and said.strength:
                readings[station, end] = readings.get((station, end), 0) + 1
    out = np.ones((len(evidence), len(error_db)))
    for k, station in enumerate(evidence.station):
        they, i, answered = evidence.they[k], evidence.i[k], evidence.answered[k]
        to, back = evidence.to_db[k] + error_db, evidence.from_db[k] + error_db
        if np.isfinite(evidence.beacon_db[k]):
            received = ndtr((to - evidence.beacon_db[k]) / PACKET_DB)
            out[k] = received if they is not None and they.heard else NOBODY + (1 - NOBODY) * (1 - received)
            continue
        if answered is False:
            out[k] = NOBODY + (1 - NOBODY) * (1 - _at_least(READABLE_FROM, np.minimum(to, back)))
            continue
        if they is None and i is None and answered:
            out[k] = _at_least(READABLE_FROM, np.minimum(to, back))
        for end, said, margin, needed in (
            ("they", they, to, evidence.needed_to_dbm[k]), ("i", i, back, evidence.needed_from_dbm[k]),
        ):  # fmt: skip
            if said is not None:
                out[k] *= said_chance(said, margin)
                if said.strength and np.isfinite(needed):
                    share = min(1.0, STRENGTHS / readings[station, end])
                    out[k] *= _strength_chance(said.strength, margin + needed) ** share
    return np.maximum(out, 1e-12)


def selection(evidence: Evidence, error_db: np.ndarray = ERRORS_DB) -> np.ndarray:
    """(n, t) probability that a report would have been written down at all; 1 where failures are kept too.

    A log holds contacts only, and of beacons without a known interval only those received are known. Their likelihood
    is that of the report among those written down; taken as a sample of all tries they would make every station
    better than it is.
    """
    out = np.ones((len(evidence), len(error_db)))
    for k in np.flatnonzero(evidence.selected):
        to, back = evidence.to_db[k] + error_db, evidence.from_db[k] + error_db
        if np.isfinite(evidence.beacon_db[k]):
            out[k] = ndtr((to - evidence.beacon_db[k]) / PACKET_DB)
        else:
            out[k] = _at_least(READABLE_FROM, np.minimum(to, back))
    return np.maximum(out, 1e-12)


def said_chance(said: Reception, margin_db: np.ndarray) -> np.ndarray:
    """Probability of a report, the margin being `margin_db` over DAQ 3."""
    if not said.heard:
        return NOBODY + (1 - NOBODY) * (1 - _at_least(1, margin_db))
    above = _at_least(said.most + 1, margin_db) if said.most < 5 else 0.0
    return np.maximum(_at_least(said.least, margin_db) - above, 0.0)


def _at_least(r: int, margin_db: np.ndarray) -> np.ndarray:
    chance = ndtr((margin_db - R_FROM_DB[r]) / REPORTING_DB)
    if r < 5:
        return chance
    return (1 - HABIT) * chance + HABIT * ndtr((margin_db - R_FROM_DB[4]) / REPORTING_DB)


def _strength_chance(strength: int, received_dbm: np.ndarray) -> np.ndarray:
    """Density, or beyond the scale's ends the probability, of a meter's reading."""
    shown = S9_DBM + 6.0 * (strength - 9)
    if strength >= 9:
        return ndtr((received_dbm - (shown - 3.0)) / STRENGTH_DB)
    if strength <= 1:
        return ndtr((shown + 3.0 - received_dbm) / STRENGTH_DB)
    return np.exp(-0.5 * ((received_dbm - shown) / STRENGTH_DB) ** 2)


def weights(evidence: Evidence) -> np.ndarray:
    """(n,) how much each report counts: those close together on one ride share the errors of one place.

    1 / (1 + sum over the others of exp(-distance / 500 m)), by station and ride.
    """
    out = np.ones(len(evidence))
    keys = np.array([f"{r}\0{s}" for r, s in zip(evidence.ride, evidence.station)], dtype=object)
    for key in dict.fromkeys(keys):
        rows = np.flatnonzero(keys == key)
        at = evidence.distance_m[rows]
        for begin in range(0, len(rows), 500):
            part = rows[begin : begin + 500]
            near = np.exp(-np.abs(evidence.distance_m[part][:, None] - at) / DECORRELATION_M)
            out[part] = 1.0 / np.nansum(near, axis=1)
    return np.where(np.isfinite(out), out, 1.0)


# --- kept for the next time ----------------------------------------------------------------------------------------

_NUMBERS = (
    "to_db",
    "from_db",
    "distance_m",
    "path_m",
    "frequency_mhz",
    "beacon_db",
    "needed_to_dbm",
    "needed_from_dbm",
)
_WORDS = ("ride", "station", "mount", "stands")
_COVER = ("cover_half_db", "cover_db", "cover_more_db")
FILE_COLUMNS = (*_WORDS, *_NUMBERS, *_COVER, "they", "i", "answered", "selected")


def evidence_csv(evidence: Evidence) -> str:
    """The columns as CSV; `read_evidence` gives the same evidence back, numbers to a hundredth."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(FILE_COLUMNS)
    for k in range(len(evidence)):
        words = [getattr(evidence, name)[k] for name in _WORDS]
        numbers = [_text(getattr(evidence, name)[k]) for name in _NUMBERS]
        cover = [_text(value) for value in evidence.cover_db[k]]
        said = [_reception_text(evidence.they[k]), _reception_text(evidence.i[k])]
        answered = {True: "yes", False: "no", None: ""}[evidence.answered[k]]
        selected = "yes" if evidence.selected[k] else ""
        writer.writerow([*words, *numbers, *cover, *said, answered, selected])
    return out.getvalue()


def _text(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else ""


def _reception_text(said: Reception | None) -> str:
    return "" if said is None else f"{said.least}-{said.most}" + (f"-{said.strength}" if said.strength else "")


def read_evidence(text: str, name: str) -> Evidence:
    """Evidence from its CSV. Raises InputError that names every line that is not as `evidence_csv` writes it."""
    try:
        lines = list(csv.reader(io.StringIO(text.replace("\0", ""), newline="")))
    except csv.Error as error:
        raise InputError(f"not CSV: {error}", name, "name a folder that debrief wrote") from None
    if not lines or tuple(lines[0]) != FILE_COLUMNS:
        raise InputError("not the evidence that a debrief keeps", name, "name a folder that debrief wrote")
    rows, faults = [], []
    for number, cells in enumerate(lines[1:], 2):
        try:
            rows.append(_row(dict(zip(FILE_COLUMNS, cells, strict=True))))
        except (ValueError, KeyError) as error:
            faults.append(Fault(f"not as debrief wrote it: {error}", f"{name}, line {number}", "leave the line out"))
    if faults:
        raise InputError(faults)
    columns: dict[str, Any] = {word: np.array([row[word] for row in rows], dtype=object) for word in _WORDS}
    columns |= {key: np.array([row[key] for row in rows], dtype=float) for key in _NUMBERS}
    columns |= {key: tuple(row[key] for row in rows) for key in ("they", "i", "answered")}
    columns["selected"] = np.array([row["selected"] for row in rows], dtype=bool)
    cover = np.array([row["cover"] for row in rows], dtype=float).reshape(len(rows), 3)
    return Evidence(**columns, cover_db=cover)


def _row(cells: dict[str, str]) -> dict[str, Any]:
    row: dict[str, Any] = {word: cells[word] for word in _WORDS}
    row |= {key: _number(cells[key]) for key in _NUMBERS}
    row["cover"] = [_number(cells[key]) for key in _COVER]
    row |= {key: _reception_read(cells[key]) for key in ("they", "i")}
    row["answered"] = {"yes": True, "no": False, "": None}[cells["answered"]]
    row["selected"] = {"yes": True, "": False}[cells["selected"]]
    return row


def _number(text: str) -> float:
    value = float(text or "nan")
    if text and not abs(value) <= LARGEST:
        raise ValueError(f"number {text!r}")
    return value


def _reception_read(text: str) -> Reception | None:
    if not text:
        return None
    parts = [int(part) for part in text.split("-")]
    if len(parts) not in (2, 3) or not 0 <= parts[0] <= parts[1] <= 5 or not all(1 <= s <= 9 for s in parts[2:]):
        raise ValueError(f"report {text!r}")
    return Reception(*parts)


def no_evidence() -> Evidence:
    """Evidence of no report."""
    return read_evidence(",".join(FILE_COLUMNS), "no evidence")
