"""Where results go: a place that cannot be written is found before the work, and a reader that leaves costs no file."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result
from test_cli import ride_file

from routeplan.cli import main
from routeplan.errors import InputError
from routeplan.output import atomic
from routeplan.plan import writable
from routeplan.plan.area import Area

JOBS = ("loop", "between", "mend", "check", "coverage", "debrief")


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.mark.parametrize("job", JOBS)
def test_a_place_that_cannot_be_written_is_told_before_any_work(job: str, tmp_path: Path) -> None:
    """Even before the area is looked for."""
    (tmp_path / "taken").write_text("a file")
    more = ("--track", "ridden.gpx") if job == "debrief" else ()
    for out in ("taken", "taken/deep"):
        result = run(job, tmp_path / "nowhere", tmp_path / "none.toml", "--out", tmp_path / out, *more)
        assert result.exit_code == 2 and result.stdout == ""
        told = result.stderr
        assert "taken: is a file, not a folder; choose a folder that you may write to" in told and "none" not in told
    assert [p.name for p in tmp_path.iterdir()] == ["taken"]


@pytest.mark.parametrize("job", JOBS[:-1])
def test_both_places_are_told_at_once(job: str, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file")
    json_file = tmp_path / "folder"
    json_file.mkdir()
    result = run(job, "nowhere", "none.toml", "--out", tmp_path / "taken", "--json", json_file)
    assert result.exit_code == 2
    assert "is a file, not a folder" in result.stderr and "folder: is a folder, not a file" in result.stderr


def test_the_demo_tells_before_it_works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "demo_ride").write_text("a file")
    result = run("demo")
    assert result.exit_code == 2 and result.stderr.startswith("routeplan: demo_ride: is a file")


def test_looking_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    there = tmp_path / "there"
    there.mkdir()
    writable.check(folder=there, file=there / "plan.json")
    writable.check(folder=tmp_path / "a" / "b", file=tmp_path / "c" / "plan.json")
    with pytest.raises(InputError, match="cannot be written to"):
        writable.check(folder=tmp_path / "d" / "e" / ("x" * 300))

    def refused(**_: Any) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tempfile.TemporaryFile", refused)
    with pytest.raises(InputError, match="b: cannot be written to \\(Permission denied\\)"):
        writable.check(folder=tmp_path / "a" / "b")
    assert list(tmp_path.rglob("*")) == [there]


def test_a_pipe_is_written_into_and_stays_one(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writable.check(file=pipe)
    with subprocess.Popen(["cat", str(pipe)], stdout=subprocess.PIPE) as reader:
        atomic.write_text(pipe, "words")
        assert reader.communicate()[0] == b"words"
    assert pipe.is_fifo()


# --- nobody reads standard output ---


@pytest.mark.parametrize(("error", "status"), [(BrokenPipeError(32, "Broken pipe"), 141), (OSError(28, "No room"), 2)])
@pytest.mark.parametrize("json_file", ["-", "plan.json"])
def test_files_are_written_when_printing_fails(
    error: OSError, status: int, json_file: str, tmp_path: Path, fault_area: Area, monkeypatch: pytest.MonkeyPatch
) -> None:
    echo = click.echo

    def failing(text: object, err: bool = False) -> None:
        if not err:
            raise error
        echo(text, err=True)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(click, "echo", failing)
    monkeypatch.setattr("routeplan.output.write.write_all", lambda plan, out, **_: [atomic.write_text(out / "a", "")])
    path = ride_file(tmp_path, ("choices = 2", "choices = 1"))
    result = run("loop", fault_area.folder, path, "--out", "out", "--json", json_file)
    assert result.exit_code == status
    assert (tmp_path / "out" / "a").exists() and (tmp_path / "plan.json").exists() == (json_file != "-")
    assert ("standard output: cannot be written to (No room)" in result.stderr) == (status == 2)


def end_of(arguments: list[object], **streams: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "routeplan", *map(str, arguments)], text=True, check=False, **streams)


def test_a_closed_pipe_ends_quietly(tmp_path: Path) -> None:
    reads, writes = os.pipe()
    os.close(reads)
    ended = end_of(["ride", "new", tmp_path / "a.toml"], stdout=writes, stderr=subprocess.PIPE)
    assert (ended.returncode, ended.stderr) == (141, "")
    ended = end_of(["ride", "new", tmp_path / "a.toml"], stderr=writes, stdout=subprocess.PIPE)
    assert (ended.returncode, ended.stdout) == (2, "")
    os.close(writes)
    assert (tmp_path / "a.toml").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_told(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        ended = end_of(["ride", "new", tmp_path / "a.toml"], stdout=full, stderr=subprocess.PIPE)
    assert ended.returncode == 2
    assert ended.stderr.startswith("routeplan: standard output: cannot be written to (") and "make room" in ended.stderr
    assert len(ended.stderr.splitlines()) == 1
