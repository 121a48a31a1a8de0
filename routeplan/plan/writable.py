"""Whether results can be written where they are wanted: found before the work, and nothing left behind."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from routeplan.errors import Fault, InputError


def check(*, folder: str | Path | None = None, file: str | Path | None = None) -> None:
    """InputError with every fault where files cannot be written into `folder`, or `file` cannot be written.

    Neither need be there. Folders are made to see that they can be, and taken away again.
    """
    faults = [] if folder is None else _folder_faults(Path(folder))
    if file is not None:
        faults += _file_faults(Path(file))
    if faults:
        raise InputError(faults)


def _folder_faults(folder: Path) -> list[Fault]:
    mend = "choose a folder that you may write to"
    for part in (folder, *folder.parents):
        if os.path.lexists(part):
            if part.exists() and not part.is_dir():
                return [Fault("is a file, not a folder", str(part), mend)]
            break
    made: list[Path] = []
    try:
        for part in reversed([p for p in (folder, *folder.parents) if not os.path.lexists(p)]):
            part.mkdir()
            made.append(part)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        return [Fault(f"cannot be written to ({error.strerror or error})", str(folder), mend)]
    finally:
        for part in reversed(made):
            with suppress(OSError):
                part.rmdir()
    return []


def _file_faults(file: Path) -> list[Fault]:
    if file.is_dir():
        return [Fault("is a folder, not a file", str(file), "name a file")]
    if is_passage(file):
        return []
    return _folder_faults(file.parent)


def is_passage(file: Path) -> bool:
    """Whether a path is no place for a file but a device or a pipe, as /dev/stdout or a shell's >(command)."""
    return file.exists() and not file.is_file() and not file.is_dir()


__all__ = ["check", "is_passage"]
