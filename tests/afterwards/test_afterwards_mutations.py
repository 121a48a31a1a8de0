"""Files spoilt at random: read as far as they can be, or refused with a message, never a traceback.

The benchmark does the same with 5,000 of each kind.
"""

from __future__ import annotations

from datetime import UTC
from pathlib import Path

import invented_files as files
import numpy as np
import pytest
from simulated_reports import Line, simulate

from routeplan.afterwards.evidence import evidence_csv, read_evidence
from routeplan.afterwards.reports import read_heard
from routeplan.afterwards.tracks import read_track
from routeplan.errors import InputError

AROUND_S = 1787860000.0
HEARD = {"csv": files.CSV, "card": files.CARD, "adif": files.ADIF, "beacons": files.BEACONS}
TRACKS = {"gpx": files.GPX.encode(), "fit": files.FIT}


def spoilt(kind: str, count: int, folder: Path, seed: int = 1) -> tuple[int, int]:
    """How many of `count` spoilt files were read, and how many refused."""
    path = folder / f"spoilt.{kind}"
    read = 0
    original = HEARD[kind].encode("latin-1") if kind in HEARD else TRACKS[kind]
    for data in files.mutations(original, count, seed):
        path.write_bytes(data)
        try:
            if kind in HEARD:
                found = read_heard(path, zone=UTC, around_s=AROUND_S)
                assert all(report.where for report in found.reports)
                assert all(str(line) for line in found.wrong)
            else:
                track = read_track(path)
                assert len(track) >= 2 and abs(track.latitude_deg).max() <= 90
            read += 1
        except InputError as error:
            assert str(path) in str(error) or path.name in str(error)
    return read, count - read


@pytest.mark.parametrize("kind", [*HEARD, *TRACKS])
def test_property_spoilt_files_never_raise_but_our_own(kind, tmp_path):
    if kind == "adif":
        pytest.importorskip("adif_io")
    if kind == "fit":
        pytest.importorskip("fitdecode")
    read, refused = spoilt(kind, 1000, tmp_path)
    assert read > 5 and refused > 0


def test_property_spoilt_evidence_is_refused_by_line(tmp_path):
    line = Line(np.arange(30) * 300.0, np.tile(np.linspace(-10, 20, 30), (1, 2, 1)))
    text = evidence_csv(simulate([line], 1)[0]).encode()
    for data in files.mutations(text, 200, 3):
        try:
            read_evidence(data.decode("utf-8", "replace"), "evidence.csv")
        except InputError as error:
            assert "evidence.csv" in str(error)
