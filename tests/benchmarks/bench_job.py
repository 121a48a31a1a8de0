"""How long the demo's job takes, part by part, as shares of one run.

    python tests/benchmarks/bench_job.py

Plans the demo island's net evening as `routeplan demo` does, three times in one process, and shows the fastest: the
area, the links and weights, the search, the bound, the plan itself, and the pictures. The first run, which may compile,
is told apart. Measured on two idle cores of a cloud machine (548 km of streets, 2 stations): 3.6 s, of that the search
38 %, pictures and files 43 %, links 5 %, the bound 5 %, the rest under 10 %; the first run 1.7 times that with kernels
compiled before. Slow would be: more than 6 s together, or links, bound and timetables above a quarter of it.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

PARTS = (  # words that progress begins with, and what they begin
    ("area", "area"),
    (" of streets in reach", "effort and time of roads"),
    ("links of", "links to stations"),
    ("looking for", "search"),
    ("what no loop", "bound"),
    ("the ground of", "timetables, what would change, map's ground"),
    ("outputs", "outputs"),
)


def one_run(folder: Path) -> dict[str, float]:
    """Seconds of each part of one run."""
    from routeplan.output import table, write
    from routeplan.plan import demo, jobs, ridefile

    marks: list[tuple[str, float]] = []

    def mark(text: str) -> None:
        part = next((name for words, name in PARTS if words in text), None)
        if part is not None and part not in [name for name, _ in marks]:
            marks.append((part, time.perf_counter()))

    mark("area")
    area = demo.area()
    marks.append(("start, cut and network", time.perf_counter()))
    plan = jobs.plan("loop", area, ridefile.read_ride(demo.ride_file("net_evening")), progress=mark, quick=True)
    mark("outputs")
    table.table(plan)
    write.write_all(plan, folder, share=False, progress=lambda text: None, everything=False)
    ends = [seconds for _, seconds in marks[1:]] + [time.perf_counter()]
    return {name: end - begin for (name, begin), end in zip(marks, ends)}


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        runs = [one_run(Path(folder) / str(k)) for k in range(4)]
    first, best = sum(runs[0].values()), min(runs[1:], key=lambda run: sum(run.values()))
    whole = sum(best.values())
    for name, seconds in best.items():
        print(f"{name:46s} {seconds:6.2f} s  {seconds / whole:5.1%}")
    print(f"{'together':46s} {whole:6.2f} s; the first run of the process {first / whole:.1f} times that")


if __name__ == "__main__":
    main()
