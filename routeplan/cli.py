"""The command line: parses, calls the plan, prints. No physics and no decisions live here.

Results go to standard output, progress and warnings to standard error. Exit status 2 means wrong input.
"""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from routeplan import __version__
from routeplan.errors import RouteplanError

if TYPE_CHECKING:
    from collections.abc import Callable

    from routeplan.plan.bound import Proof
    from routeplan.plan.value import Plan

UNSHOWN = "routeplan.unshown"
AREA = click.argument("area", type=click.Path(path_type=Path))
RIDE = click.argument("ride", type=click.Path(path_type=Path))


class Commands(click.Group):
    """A group that turns our errors into a message and exit status 2, in one place."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            result = super().invoke(ctx)
        except RouteplanError as error:
            for line in str(error).splitlines():
                tell(f"routeplan: {line}")
            ctx.exit(2)
        except KeyboardInterrupt:
            tell("routeplan: stopped")
            ctx.exit(130)
        unshown = ctx.meta.get(UNSHOWN)
        if isinstance(unshown, BrokenPipeError):
            ctx.exit(141)  # 128 + SIGPIPE, as a shell says of a program that ended so
        if unshown is not None:
            tell(f"routeplan: standard output: cannot be written to ({unshown.strerror}); make room there")
            ctx.exit(2)
        return result

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


def example(*lines: str) -> str:
    """The example at the end of a help text, kept on its own lines."""
    return "\b\nExample:\n" + "\n".join(f"  {line}" for line in lines)


def show(text: str) -> None:
    """A result on standard output. Where that fails, as its reader has gone (`| head -1`) or the disk is full, the work
    goes on, so that files are written all the same; the exit status tells.
    """
    try:
        click.echo(text)
    except OSError as error:
        _to_nowhere(sys.stdout)
        if (context := click.get_current_context(silent=True)) is not None:  # None in a thread of the page
            context.meta[UNSHOWN] = error


def tell(text: str) -> None:
    """A line on standard error; where nobody reads it any more the work goes on."""
    try:
        click.echo(text, err=True)
    except OSError:
        _to_nowhere(sys.stderr)


def say(text: str) -> None:
    """One line of progress."""
    tell(f"  {text}")


def _to_nowhere(stream: TextIO) -> None:
    """What is still in the stream, and all that follows, is dropped: Python would complain of it at the end."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


class Proving:
    """Says how far a proof has come, every few seconds; Ctrl-C ends it, and what is proven by then is kept."""

    EVERY_S = 2.0

    def __init__(self) -> None:
        self.proof: Proof | None = None
        self.said_s = -self.EVERY_S
        self.stopped = False
        self.before: Any = None

    def __call__(self, proof: Proof) -> bool:
        if self.proof is None:
            say("proving what no loop can pass; Ctrl-C ends it and keeps what is proven")
            self.before = signal.signal(signal.SIGINT, self._stop)
        self.proof = proof
        if proof.seconds - self.said_s >= self.EVERY_S or proof.done or self.stopped:
            self.said_s = proof.seconds
            say(proof.said)
        return not self.stopped

    def _stop(self, *ignored: Any) -> None:
        self.stopped = True

    def __enter__(self) -> Proving:
        return self

    def __exit__(self, *ignored: Any) -> None:
        if self.before is not None:
            signal.signal(signal.SIGINT, self.before)


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=example(
        "routeplan demo", "routeplan ride new evening.toml", "routeplan loop my_area evening.toml --out ride"
    ),
)
@click.version_option(__version__, prog_name="routeplan")
def main() -> None:
    """Plan road rides on which you stay in radio contact."""


@main.command(epilog=example("routeplan demo"))
def demo() -> None:
    """Plan the demo's net evening, with its files in ./demo_ride."""
    from routeplan.plan import demo as island

    check_writable(Path("demo_ride"))
    ride = island.ride_file("net_evening")
    _plan_job("loop", island.area(say), ride, None, Path("demo_ride"), share=False, quick=True)


@main.group()
def area() -> None:
    """Prepare an area from roads and elevation, or show one."""


@area.command(
    "make",
    epilog=example(
        "routeplan area make my_area --roads roads.osm.pbf --terrain N42E001.hgt",
        "routeplan area make my_area --around 42.51,1.52 --radius-km 20",
    ),
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--roads",
    multiple=True,
    type=click.Path(path_type=Path),
    help="OpenStreetMap file (pbf, osm, gz); may be repeated.",
)
@click.option(
    "--terrain",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Elevation file (GeoTIFF, hgt, zip, gz); may be repeated.",
)
@click.option(
    "--cover",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Land-cover raster; without it woods and towns come from the roads file.",
)
@click.option("--around", metavar="LAT,LON", help="Download roads and elevation round this place instead.")
@click.option("--radius-km", type=float, help="How far round it.")
@click.option("--replace", is_flag=True, help="Make it anew where another area stands in FOLDER, which is lost.")
def area_make(folder: Path, roads: tuple[Path, ...], terrain: tuple[Path, ...], cover: tuple[Path, ...],
              around: str | None, radius_km: float | None, replace: bool) -> None:  # fmt: skip
    """Make an area FOLDER that the other commands plan on.

    FOLDER appears when it is whole: a making that was stopped is begun again by the same command, and what was
    downloaded by then is not fetched twice. Where the same area stands already, it stays; another one is replaced only
    with --replace.
    """
    from routeplan.plan import area as areas

    if around is not None or radius_km is not None:
        if around is None or radius_km is None:
            raise click.UsageError("--around and --radius-km go together")
        if roads or terrain:
            raise click.UsageError("give either --around or files, not both")
        made = areas.download_area(folder, around, radius_km, cover=list(cover), replace=replace, progress=say)
    else:
        if not roads or not terrain:
            raise click.UsageError("give --roads and --terrain, or --around and --radius-km")
        made = areas.make_area(
            folder, roads=list(roads), terrain=list(terrain), cover=list(cover), replace=replace, progress=say
        )
    show(areas.describe(made))


@area.command("show", epilog=example("routeplan area show my_area"))
@click.argument("folder", type=click.Path(path_type=Path))
def area_show(folder: Path) -> None:
    """Extent, counts, sources and licences of an area."""
    from routeplan.plan import area as areas

    show(areas.describe(areas.load_area(folder)))


@main.group()
def ride() -> None:
    """Write a ride file to fill in."""


@ride.command("new", epilog=example("routeplan ride new evening.toml"))
@click.argument("file", type=click.Path(path_type=Path))
def ride_new(file: Path) -> None:
    """Write a commented ride file, with the stations that you keep."""
    from routeplan.plan import ridefile

    ridefile.write_template(file)
    show(f"{file} written: set the start, your stations and the net, then: routeplan loop AREA {file}")


def job_command(job: str, summary: str) -> None:
    """The four jobs take the same arguments and give the same kind of result."""

    @main.command(job, help=summary, epilog=example(f"routeplan {job} my_area evening.toml --out ride"))
    @AREA
    @RIDE
    @click.option(
        "--json",
        "json_file",
        metavar="FILE",
        help="Write the plan as JSON; - for standard output, and no table.",
    )
    @click.option(
        "--out",
        type=click.Path(path_type=Path),
        metavar="FOLDER",
        help="Write pictures, tracks, report and card here.",
    )
    @click.option(
        "--share",
        is_flag=True,
        help="Cut off 500 m round the start and leave out call signs in what is written.",
    )
    @prove_option(job)
    def run(
        area: Path, ride: Path, json_file: str | None, out: Path | None, share: bool, prove: bool = False
    ) -> None:
        from routeplan.plan import area as areas

        check_writable(out, json_file)
        _plan_job(job, areas.load_area(area), ride, json_file, out, share, prove=prove)


def check_writable(out: Path | None, json_file: str | None = None) -> None:
    """Before any work: whether what comes of it can be written. Raises InputError."""
    from routeplan.plan import writable

    writable.check(folder=out, file=None if json_file == "-" else json_file)


def prove_option(job: str) -> Callable[[Any], Any]:
    """--prove, of loops alone."""
    if job != "loop":
        return lambda command: command
    return click.option(
        "--prove",
        is_flag=True,
        help="Tighten what no loop can pass, some minutes; Ctrl-C ends it, a later run goes on. "
        "With --out the certificate is written.",
    )


def _plan_job(
    job: str,
    area: Any,
    ride: Path,
    json_file: str | None,
    out: Path | None,
    share: bool,
    quick: bool = False,
    prove: bool = False,
) -> None:
    from routeplan import compiled
    from routeplan.plan import jobs, ridefile

    if compiled.all_to_compile():
        say("first run on this machine: the kernels are compiled now, which takes a minute or two, once")
    with Proving() as proving:
        plan: Plan = jobs.plan(
            job, area, ridefile.read_ride(ride), progress=say, quick=quick, prove=proving if prove else None
        )
    from routeplan.output import table, text_strip, write

    if json_file == "-":
        show(write.json_text(plan, share=share))
    else:
        show(table.table(plan, unicode=text_strip.shows_blocks(getattr(sys.stdout, "encoding", None))))
        if json_file is not None:
            write.write_json(plan, Path(json_file), share=share)
    if out is not None:
        for path in write.write_all(plan, out, share=share, progress=say, everything=not quick):
            say(f"wrote {path}")
        if proving.proof is not None:
            say(f"wrote {write.write_certificate(proving.proof.certificate(), out)}")


job_command("loop", "Loops of a target length, hours or home-by time from the start.")
job_command("between", "From here to there with the least time out of contact.")
job_command("mend", "Small changes to a usual ride that avoid its dead stretches.")
job_command("check", "What will be heard along a given track.")


@main.command(
    epilog=example(
        "routeplan coverage my_area evening.toml --out maps",
        "routeplan coverage my_area evening.toml \\",
        "    --compare set.transmit_w=10 --compare set.mount=chest",
    )
)
@AREA
@RIDE
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write a GeoTIFF for each station and the rule, and a picture.",
)
@click.option(
    "--compare", multiple=True, metavar="KEY=VALUE", help="What would this change? May be repeated."
)
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Compute on a Dask cluster, tcp://HOST:PORT; local starts one on this machine.",
)
@click.option(
    "--json",
    "json_file",
    metavar="FILE",
    help="Write the figures as JSON; - for standard output, and no table.",
)
def coverage(
    area: Path, ride: Path, out: Path | None, compare: tuple[str, ...], cluster: str | None, json_file: str | None
) -> None:
    """Where the stations can be worked, on roads and off them."""
    from routeplan.output import coverage_files, coverage_text
    from routeplan.plan import area as areas
    from routeplan.plan import coverage as covered
    from routeplan.plan import ridefile

    if out is None and not compare:
        raise click.UsageError("give --out, --compare or both")
    check_writable(out, json_file)
    place, wish = areas.load_area(area), ridefile.read_ride(ride)
    document, texts = {}, []
    if compare:
        compared = covered.compare(place, wish, compare, progress=say)
        document["comparison"] = coverage_text.comparison_document(compared)
        texts.append(coverage_text.comparison(compared))
    if out is not None:
        with covered.cover(place, wish, cluster=cluster, progress=say) as found:
            written = coverage_files.write_coverage(found, out, progress=say)
            document["coverage"] = coverage_text.document(found, written.shares)
            texts.append(coverage_text.summary(found, written.shares))
        for path in written.paths:
            say(f"wrote {path}")
    if json_file == "-":
        show(coverage_text.json_text(document))
        return
    show("\n\n".join(texts))
    if json_file is not None:
        coverage_files.write_json(document, Path(json_file))


@main.command(
    epilog=example(
        "routeplan debrief my_area evening.toml --track ridden.gpx \\",
        "    --heard heard.csv --out after",
        "routeplan debrief my_area evening.toml --track ridden.fit \\",
        "    --heard card.csv --plan ride/plan.json --choice B \\",
        "    --heard beacons.txt --out after",
    )
)
@AREA
@RIDE
@click.option("--track", type=click.Path(path_type=Path), required=True, help="The recorded ride, GPX or FIT.")
@click.option(
    "--heard",
    multiple=True,
    type=click.Path(path_type=Path),
    help="What was heard: CSV, a ticked card, ADIF, received beacons; may be repeated.",
)
@click.option("--plan", "plan_file", type=click.Path(path_type=Path), help="plan.json whose card was ticked.")
@click.option("--choice", default="", metavar="LETTER", help="Which of its choices was ridden.")
@click.option("--clock-offset", type=float, default=0.0, metavar="SECONDS", help="Add this to the times of reports.")
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help="Write report, pictures, learnt.toml.")
def debrief(area: Path, ride: Path, track: Path, heard: tuple[Path, ...], plan_file: Path | None, choice: str,
            clock_offset: float, out: Path | None) -> None:  # fmt: skip
    """After the ride: what was heard against what was predicted.

    What the reports can bear is learnt from them, for the next plan.
    """
    from routeplan.plan import area as areas
    from routeplan.plan import debrief as after
    from routeplan.plan import ridefile

    check_writable(out)
    found = after.debrief(areas.load_area(area), ridefile.read_ride(ride), track, heard, progress=say,
                          clock_offset_s=clock_offset, plan_file=plan_file, choice=choice)  # fmt: skip
    from routeplan.output import debrief_write

    show(debrief_write.debrief_text(found))
    if out is not None:
        for path in debrief_write.write_debrief(found, out):
            say(f"wrote {path}")


@main.command(epilog=example("routeplan page", "routeplan page my_area --open", "routeplan page my_area --on-network"))
@click.argument("area", required=False, type=click.Path(path_type=Path))
@click.option("-p", "--port", default=0, type=click.IntRange(0, 65535), help="Port to serve on; 0 takes any free one.")
@click.option("--open", "open_browser", is_flag=True, help="Open it in the browser.")
@click.option("--on-network", is_flag=True, help="Also let a phone in this house in, by a one-time address.")
@click.option(
    "--rides", type=click.Path(path_type=Path), metavar="FOLDER", help="Where ride files are kept; without it, here."
)
def page(area: Path | None, port: int, open_browser: bool, on_network: bool, rides: Path | None) -> None:
    """Plan by looking, on a page of this computer's own."""
    from routeplan.page import server

    server.serve(area, port=port, on_network=on_network, open_browser=open_browser, rides=rides, say=show)


if __name__ == "__main__":
    sys.exit(main())
