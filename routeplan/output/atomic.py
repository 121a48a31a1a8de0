"""Files appear whole or not at all: everything is written beside its place and then moved there."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from routeplan.errors import InputError
from routeplan.plan.writable import is_passage


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Give a temporary path in the same folder and with the same ending; move it to `path` when all went well."""
    path = Path(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".writing-", suffix=path.suffix, dir=path.parent)
    except OSError as error:
        raise InputError(error.strerror or str(error), str(path), "choose a folder that you may write to") from None
    os.close(handle)
    temporary = Path(name)
    temporary.unlink()  # writers that refuse to overwrite want a free name
    try:
        yield temporary
        os.replace(temporary, path)
    except OSError as error:
        raise InputError(error.strerror or str(error), str(path), "choose another place, or make room") from error
    finally:
        with suppress(OSError):
            temporary.unlink()


def write_bytes(path: Path, data: bytes) -> Path:
    """Write `data` to `path`, whole or not at all; into a device or a pipe as it comes."""
    if is_passage(Path(path)):
        try:
            Path(path).write_bytes(data)
        except OSError as error:
            raise InputError(error.strerror or str(error), str(path), "choose another place") from error
        return Path(path)
    with replacing(path) as temporary:
        temporary.write_bytes(data)
    return Path(path)


def write_text(path: Path, text: str) -> Path:
    """Write `text` as UTF-8 with plain newlines, whole or not at all."""
    return write_bytes(path, text.encode())
