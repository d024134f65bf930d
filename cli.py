"""Commands: parse, call, print. The only file that knows a terminal.

Results go to stdout; everything about the work goes to stderr, and progress only where stderr is a terminal. Solvers
and geometry are imported by the commands that need them, so that help comes at once.
"""

from __future__ import annotations

import os
import signal


def _leave(signum: int, frame: object) -> None:
    """Ctrl-C while this file and what it imports are loaded, the first tenth of a second: nothing has begun yet."""
    os._exit(130)


def _guard() -> dict[int, Any]:
    """
    End the program quietly on Ctrl-C, and where it is told to terminate, from now on.

    Returns
    -------
    dict
        What these signals did before; only those that nobody else has a say in.
    """
    before: dict[int, Any] = {}
    if __name__ in ("cli", "__main__"):  # else a worker process, which ends as its crew says
        for one, usual in ((signal.SIGINT, signal.default_int_handler), (signal.SIGTERM, signal.SIG_DFL)):
            if signal.getsignal(one) is usual:
                try:
                    before[one] = signal.signal(one, _leave)
                except ValueError:  # not the main thread
                    break
    return before


_BEFORE = _guard()

import json
import math
import shutil
import sys
import threading
import time
import traceback
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, TextIO

import typer

if TYPE_CHECKING:
    from optimiser.problems import BadInput, NoFeasibleLayout
    from optimiser.search.stopping import StopSignal

MOST_PROBLEMS = 200
"""Printed one by one; whoever has more mends the first ones and looks again."""
OK, FAILS, BAD_INPUT, INFEASIBLE, FAULT, STOPPED = 0, 1, 2, 3, 70, 130
NO_LAYOUT = "Stopped before any layout was found."

EPILOG = """Example:

\b
  lampspur new my-garden --survey cases/terrace/survey.csv
  lampspur plan cases/courtyard --out courtyard-plan
  lampspur check courtyard-plan
  lampspur papers courtyard-plan
  lampspur compare cases/courtyard --drivers 1 --drivers 2

\b
Exit codes:
  0    done: the plan is written, or holds
  1    check: the plan does not hold; survey: something must be mended first
  2    a job, survey, plan or option cannot be used; nothing was written
  3    plan, compare: no feasible layout; nothing was written
  70   a fault of this program
  130  stopped before any layout was found; nothing was written

Mains work is for a licensed electrician; local wiring rules come first."""

app = typer.Typer(
    name="lampspur",
    help="Plan extra-low-voltage garden lighting: from a list of measured points to the cheapest layout that keeps "
    "every lamp inside its voltage window, with a plan to dig by and a list to cut by.",
    epilog=EPILOG,
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def main() -> None:
    """Entry point of the console script."""
    if signal.getsignal(signal.SIGTERM) is signal.SIG_DFL and threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # told to terminate is taken like Ctrl-C
    # Matrices here have a few rows: two threads for them only wait for one another where other work wants the cores
    # (a survey of 1.3 processor seconds then took 3.8). Read when numpy is loaded, and handed on to workers.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a sign the terminal does not have is no reason to end
    try:
        app()
    except KeyboardInterrupt:  # before a command has begun; then the commands answer for it
        sys.exit(STOPPED)
    except OSError as error:  # the commands answer for files; what is left is the output itself
        typer.echo(f"The output cannot be written: {error.strerror or error}.", err=True)
        sys.stdout = None  # or the exit would try it again
        sys.exit(FAULT)
    except Exception:
        traceback.print_exc()
        typer.echo("A fault of this program, not of the job: please report the lines above.", err=True)
        sys.exit(FAULT)


def _version(value: bool) -> None:
    if value:
        from importlib.metadata import version

        typer.echo(f"lampspur {version('lampspur')}")
        raise typer.Exit


@app.callback()
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    del version


def _whole(least: int, most: int | None = None) -> type[int]:
    """A parser of whole numbers in our words; typed as what it gives."""

    def parse(text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            raise typer.BadParameter(f"found '{text}', which is not a whole number") from None
        if value < least or (most is not None and value > most):
            room = f"of at least {least}" if most is None else f"from {least} to {most}"
            raise typer.BadParameter(f"found {value}; write a number {room}")
        return value

    return parse  # type: ignore[return-value]


def _above(least: float) -> type[float]:
    """A parser of numbers in our words."""

    def parse(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            raise typer.BadParameter(f"found '{text}', which is not a number") from None
        if not math.isfinite(value) or value < least:
            raise typer.BadParameter(f"found {text}; write a number of at least {least:g}")
        return value

    return parse  # type: ignore[return-value]


def _option(*names: str, default: str, **more: Any) -> Any:
    """An option whose help says in words what holds without it; typer would put that in two pairs of brackets."""
    more["help"] = f"{more['help']} Default: {default}."
    return typer.Option(*names, show_default=False, **more)


Effort = Annotated[
    float,
    _option(
        metavar="NUMBER",
        parser=_above(0.01),
        help="How long to search for each plan: 2 does twice the work of 1. The work is counted, not timed.",
        default="1",
    ),
]
Seed = Annotated[
    int,
    _option(
        metavar="N",
        parser=_whole(0),
        help="Where the search for a plan begins. The same job, seed and effort give the same plan.",
        default="1",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="Show no progress.")]
PlanFolder = Annotated[Path, typer.Argument(metavar="PLAN", help="Plan folder, or its plan.json.")]


@app.command(
    short_help="Find the cheapest layout of a job, and write its plan.",
    epilog="Example:\n\n\b\n  lampspur plan cases/courtyard --out courtyard-plan\n"
    "  lampspur plan cases/courtyard --max-drop 5% --drivers 3 --out three-drivers",
)
def plan(
    job: Annotated[
        Path, typer.Argument(metavar="JOB", help="Job folder (with job.toml and its survey), or the job.toml itself.")
    ],
    max_drop: Annotated[
        str | None,
        _option(
            metavar="PERCENT",
            help="Greatest voltage drop to any lamp, such as 10%; or off.",
            default="the job's",
        ),
    ] = None,
    tolerance: Annotated[
        bool,
        typer.Option(
            "--tolerance",
            help="Keep every lamp inside its window, and the drop, however the data stray within the job's "
            "[tolerance].",
        ),
    ] = False,
    drivers: Annotated[
        int | None,
        _option(metavar="N", parser=_whole(1), help="Use exactly N drivers.", default="as many as is cheapest"),
    ] = None,
    effort: Effort = 1.0,
    time_limit: Annotated[
        float | None,
        _option(
            metavar="SECONDS",
            parser=_above(0.1),
            help="End the search after so many seconds, whatever the effort, and keep the best layout.",
            default="none",
        ),
    ] = None,
    open_ground: Annotated[
        bool,
        typer.Option(
            "--open-ground",
            help="Prove, too, what no layout costs less than wherever its trenches run, not only along the lines that "
            "were searched. Takes longer; up to 40 lamps.",
        ),
    ] = False,
    seed: Seed = 1,
    processes: Annotated[
        int,
        _option(
            metavar="N",
            parser=_whole(1, 2),
            help="Processor cores to use, 1 or 2. The plan is the same.",
            default="2",
        ),
    ] = 2,
    out: Annotated[
        Path | None,
        _option(metavar="FOLDER", help="Folder for the plan.", default="'plan' in the job folder"),
    ] = None,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace",
            help="Replace an earlier plan in that folder, and the papers made of it. Refused where any file of these "
            "was changed since.",
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print plan.json on stdout instead of the summary.")] = False,
    quiet: Quiet = False,
) -> None:
    """Find the cheapest layout of a job and write its plan: drawing, cut list, and all its numbers.

    Ctrl-C ends the search and keeps the best layout found so far.
    """
    with (
        _Interrupts() as interrupts,
        _Progress(sys.stderr, sys.stderr.isatty() and not quiet) as progress,
        _Endings(NO_LAYOUT, interrupts=interrupts, progress=progress, limited=time_limit is not None),
    ):
        from optimiser.documents.folder import count_papers, refuse_early, write_plan_folder
        from optimiser.documents.plan_file import plan_json
        from optimiser.documents.summary import summary
        from optimiser.documents.words import counted, plain
        from optimiser.job_folder import open_job
        from optimiser.make_plan import Options, make_plan
        from optimiser.search.stopping import StopSignal

        overrides: dict[str, object] = {} if max_drop is None else {"voltage.max_drop": max_drop}
        if tolerance:
            overrides["tolerance.plan"] = "hold"
        folder = open_job(job, overrides)
        target = out if out is not None else folder.path / "plan"
        refuse_early(target, replace=replace)
        points = f"{counted(len(folder.survey.lamps), 'lamp')}, {counted(len(folder.survey.supplies), 'supply point')}"
        progress.heading(f"{plain(folder.job.title)}: {points}", plain(folder.job.currency))
        stop = StopSignal(time_limit)
        interrupts.end_softly(stop, progress)
        options = Options(seed=seed, effort=effort, num_drivers=drivers, processes=processes, open_ground=open_ground)
        found = make_plan(folder, options, observer=progress, stop=stop)
        interrupts.hold()
        progress.close()
        gone = count_papers(target)
        write_plan_folder(found, folder.files, target, replace=replace)
    if gone:
        says = f"Replaced the earlier plan and its {counted(gone, 'paper')}: lampspur papers makes those of this plan."
        typer.echo(says, err=True)
    if found.outcome == "stopped_by_user":
        typer.echo("Stopped on request: this is the best layout found until then.", err=True)
    elif found.outcome == "stopped_by_time":
        typer.echo("Stopped by the time limit: this is the best layout found until then.", err=True)
    if open_ground and found.open_bound is None:
        typer.echo("Nothing was proven of layouts off the lines that were searched that says much.", err=True)
    if as_json:
        typer.echo(plan_json(found).encode(), nl=False)
    else:
        typer.echo(summary(found, out=str(target)), nl=False)


@app.command(
    short_help="Plan alternatives of a job side by side, and say which to take.",
    epilog="Example:\n\n\b\n  lampspur compare cases/courtyard --drivers 1 --drivers 2 --out courtyard-compared\n"
    "  lampspur compare cases/terrace --max-drop 5% --max-drop 10% --curves --limits --out terrace-compared",
)
def compare(
    job: Annotated[
        Path,
        typer.Argument(metavar="JOB", help="Job folder, its job.toml, or a folder whose folders are jobs: many sites."),
    ],
    drivers: Annotated[
        list[int] | None,
        typer.Option(
            metavar="N", parser=_whole(1), help="An alternative with exactly N drivers; may be given several times."
        ),
    ] = None,
    max_drop: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PERCENT", help="An alternative with this greatest voltage drop; may be given several times."
        ),
    ] = None,
    curves: Annotated[
        bool, typer.Option("--curves", help="Also trace cost against drop and against the lowest lamp's volts.")
    ] = False,
    limits: Annotated[
        bool, typer.Option("--limits", help="Also plan the recommended one again without each limit in turn.")
    ] = False,
    effort: Effort = 1.0,
    seed: Seed = 1,
    processes: Annotated[
        int,
        _option(
            metavar="N",
            parser=_whole(1, 64),
            help="Alternatives planned at a time, each on a core of its own. The result is the same.",
            default="2",
        ),
    ] = 2,
    cluster: Annotated[
        str | None,
        _option(
            metavar="ADDRESS",
            help="Do the work on the workers of the Dask scheduler there (needs the extra 'cluster').",
            default="on this machine",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        _option(metavar="FOLDER", help="Folder for the comparison.", default="'compare' in the job folder"),
    ] = None,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace",
            help="Replace an earlier comparison in that folder. Refused where any of its files was changed since.",
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the comparison as JSON instead of the table.")] = False,
    quiet: Quiet = False,
) -> None:
    """Plan alternatives of a job in full, check them, and put them side by side with a recommendation.

    The alternatives are those asked for here and the job's own ([[alternatives]] in job.toml). Each gets a plan folder.
    """
    with (
        _Interrupts() as interrupts,
        _Progress(sys.stderr, sys.stderr.isatty() and not quiet) as progress,
        _Endings(NO_LAYOUT, interrupts=interrupts, progress=progress),
    ):
        from optimiser.compare.compare import Wanted
        from optimiser.compare.compare import compare as compare_all
        from optimiser.compare.sites import list_sites
        from optimiser.compare.workers import workers
        from optimiser.documents.compare_folder import write_comparison, write_sites
        from optimiser.documents.folder import COMPARISON_FILE, SUMMARY_FILE, refuse_early
        from optimiser.documents.words import counted
        from optimiser.make_plan import Options
        from optimiser.search.stopping import StopSignal

        sites = list_sites(job, drivers or (), max_drop or ())
        several = sites[0].name is not None
        target = out if out is not None else (job if job.is_dir() else job.parent) / "compare"
        refuse_early(target, replace=replace, marker=SUMMARY_FILE if several else COMPARISON_FILE)
        count = sum(len(site.variants) for site in sites)
        at = f" of {counted(len(sites), 'site')}" if several else ""
        progress.heading(f"{counted(count, 'alternative')}{at}", "")
        progress.stage("planning")
        stop = StopSignal()
        progress.has_layout = True  # what is done when Ctrl-C comes is shown
        interrupts.end_softly(stop, progress)
        options = Options(seed=seed, effort=effort)
        crew_size = processes if curves or limits else min(processes, count)
        with workers(crew_size, cluster, stop) as crew:
            asked = Wanted(curves, limits)
            found = compare_all([site.variants for site in sites], options, crew, progress.say, asked)
        interrupts.hold()
        progress.close()
        written: list[str] = []
        layouts = any(plan is not None for one in found for plan in one.plans)
        if layouts and several:
            named = [(site.name or "", one) for site, one in zip(sites, found, strict=True)]
            write_sites([(name, one.comparison, one.plans) for name, one in named], target, replace=replace)
        elif layouts:
            written = write_comparison(found[0].comparison, found[0].plans, target, replace=replace)
    from optimiser.documents.compare_folder import comparison_json
    from optimiser.documents.compare_text import comparison_text, summary_text

    shown = str(target) if layouts else None
    if as_json:
        texts = [comparison_json(one.comparison) for one in found]
        whole = "[" + ",".join(texts) + "]\n" if several else texts[0]
        typer.echo(whole.encode(), nl=False)
    elif several:
        pairs = [(site.name or "", one.comparison) for site, one in zip(sites, found, strict=True)]
        typer.echo(summary_text(pairs, out=shown), nl=False)
    else:
        typer.echo(comparison_text(found[0].comparison, out=shown, files=written), nl=False)
    statuses = {result.status for one in found for result in one.comparison.alternatives}
    if stop.by_user:
        typer.echo("Stopped on request: these are the best layouts found until then.", err=True)
    if "lost" in statuses:
        typer.echo("Workers were lost: what they had in hand is missing.", err=True)
    if not layouts and stop.by_user:
        typer.echo("No layout was found before that; nothing was written.", err=True)
        raise typer.Exit(STOPPED)
    if not layouts:
        typer.echo("No layout of any alternative; nothing was written.", err=True)
        raise typer.Exit(INFEASIBLE)


@app.command(
    short_help="Judge a plan anew from the job and the survey.",
    epilog="Example:\n\n\b\n  lampspur check courtyard-plan\n  lampspur check courtyard-plan --job cases/courtyard",
)
def check(
    plan: PlanFolder,
    job: Annotated[
        Path | None,
        _option(
            metavar="JOB",
            help="Judge by this job instead of the copy in the plan's folder.",
            default="the copy",
        ),
    ] = None,
    every: Annotated[
        bool,
        typer.Option(
            "--all",
            help="Print every limit with value and margin, also those that hold: each at its tightest place.",
        ),
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print all findings as JSON.")] = False,
) -> None:
    """Check a plan from scratch: geometry, electrics and money are computed anew from the job and the survey.

    The check shares no code with the search. It does not prove the bound: that no layout costs less than that.
    """
    with _Endings("Stopped before the check was done.", writes=False):
        from optimiser.check import check_folder

        report = check_folder(plan, job)
    if as_json:
        import dataclasses

        lines = [dataclasses.asdict(finding) for finding in report.lines]
        data = {"holds": not report.violations, "findings": lines, "notes": report.notes}
        typer.echo(json.dumps(data, indent=2, ensure_ascii=False).encode())
    else:
        shown = report.lines if every else report.violations[:MOST_PROBLEMS]
        for finding in shown:
            word = "FAILS" if not finding.ok else "holds" if finding.cases else "none "
            among = f" (tightest of {finding.cases})" if finding.ok and finding.where and finding.cases > 1 else ""
            typer.echo(f"{word}  {finding.limit}: {finding.sentence}{among}")
        count = len(report.violations)
        if not every and count > MOST_PROBLEMS:
            typer.echo(f"… and {count - MOST_PROBLEMS} more")
        for note in report.notes:
            typer.echo(f"note   {note}")
        typer.echo(
            f"The plan holds: {len(report.lines)} findings, no violation."
            if not count
            else f"The plan does not hold: {count} {'violation' if count == 1 else 'violations'}."
        )
    if report.violations:
        raise typer.Exit(FAILS)


class PaperSize(StrEnum):
    """Paper the drawing is made for."""

    A4 = "A4"
    A3 = "A3"
    LETTER = "Letter"


def _list_papers(value: bool) -> None:
    if value:
        from optimiser.documents.papers import PAPERS

        width = max(len(paper.name) for paper in PAPERS)
        for paper in PAPERS:
            typer.echo(f"{paper.name:<{width}}  {paper.file}: {paper.sentence}")
        raise typer.Exit


@app.command(
    short_help="Write the papers of a plan: drawing, lists, labels, diagram.",
    epilog="Example:\n\n\b\n  lampspur papers courtyard-plan --date 2026-04-01\n"
    "  lampspur papers courtyard-plan --only lists --only labels --out for-the-van",
)
def papers(
    plan: PlanFolder,
    only: Annotated[
        list[str] | None,
        _option(metavar="NAME", help="Write this paper only; may be given several times.", default="all papers"),
    ] = None,
    date: Annotated[
        str,
        _option(
            metavar="TEXT", help="Date to print on the sheets, as you write it.", default="none; never the clock's"
        ),
    ] = "",
    size: Annotated[
        PaperSize,
        _option("--size", metavar="A4|A3|Letter", help="Paper of the drawing.", default="A3", case_sensitive=False),
    ] = PaperSize.A3,
    revision: Annotated[
        str, _option(metavar="TEXT", help="Revision to print on the drawing.", default="a field to write in")
    ] = "",
    position: Annotated[
        str | None,
        _option(
            metavar="LAT,LON[,BEARING]",
            help="Where x = 0, y = 0 lies on Earth, in degrees, and where the y axis points, in degrees from true "
            "north, clockwise: for GeoJSON.",
            default="the plan's own, where it has one",
        ),
    ] = None,
    font: Annotated[
        list[Path] | None,
        _option(
            metavar="FILE",
            help="TrueType font for signs that the program's own lack, in PDF; may be given several times.",
            default="none",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        _option(metavar="FOLDER", help="Folder for the papers.", default="'papers' in the plan folder"),
    ] = None,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace",
            help="Replace earlier papers in that folder, all of them. Refused where any was changed since.",
        ),
    ] = False,
    names: Annotated[
        bool,
        typer.Option("--list", callback=_list_papers, is_eager=True, help="Print the names of all papers and stop."),
    ] = False,
) -> None:
    """Write the papers that go to site and to the shop, each made from plan.json alone.

    The same plan and date give the same bytes.
    """
    del names
    with _Interrupts() as interrupts, _Endings("Stopped before the papers were done.", interrupts=interrupts):
        from optimiser.check.read_plan import read_plan
        from optimiser.documents.folder import PAPERS_FOLDER, PLAN_FILE, refuse_papers_early, write_papers_folder
        from optimiser.documents.papers import (
            PaperOptions,
            choose_papers,
            make_papers,
            papers_of,
            read_fonts,
            read_position,
        )
        from optimiser.documents.soundness import refuse_unsound

        choose_papers(only or [])  # names are judged before anything is read
        where = None if position is None else read_position(position)
        options = PaperOptions(date, read_fonts(font or []), size.value, revision, where)
        path = plan / PLAN_FILE if plan.is_dir() else plan
        found = read_plan(path)
        refuse_unsound(found, path.name)
        chosen = papers_of(found, only or [])
        target = out if out is not None else path.parent / PAPERS_FOLDER
        refuse_papers_early(target, replace=replace)
        contents = make_papers(found, chosen, options)
        interrupts.hold()
        written = write_papers_folder(contents, target, replace=replace)
    for file in written:
        typer.echo(str(file))


@app.command(
    short_help="Look at a survey: reduce it, draw it, say what looks wrong.",
    epilog="Example:\n\n\b\n  lampspur survey cases/terrace --out terrace-survey",
)
def survey(
    job: Annotated[
        Path, typer.Argument(metavar="JOB", help="Job folder, its job.toml, or a survey file without a job.")
    ],
    out: Annotated[
        Path | None,
        _option(metavar="FOLDER", help="Folder for the drawing and the tables.", default="'survey' in the job folder"),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace earlier papers in that folder.")] = False,
) -> None:
    """Look at a survey before planning: every point reduced to x and y, drawn to scale, and what looks wrong.

    Writes survey.svg, points.csv (a survey again, with x and y) and, where there are tapes, tapes.csv.
    """
    with _Interrupts() as interrupts, _Endings("Stopped.", interrupts=interrupts):
        from optimiser.survey_papers.drawing import draw_survey
        from optimiser.survey_papers.look import look_at
        from optimiser.survey_papers.summary import summary
        from optimiser.survey_papers.tables import points_csv, tapes_csv
        from optimiser.survey_papers.write import write_files

        look = look_at(job)
        contents = {"survey.svg": draw_survey(look), "points.csv": points_csv(look)}
        if look.reduced.tapes:
            contents["tapes.csv"] = tapes_csv(look)
        interrupts.hold()
        files = write_files(out if out is not None else look.folder / "survey", contents, replace=replace)
    typer.echo(summary(look, files), nl=False)
    if look.problems:
        raise typer.Exit(FAILS)


@app.command(
    short_help="Start a job from a survey.",
    epilog="Example:\n\n\b\n  lampspur new my-garden --survey cases/terrace/survey.csv",
)
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder of the job; made if it is not there.")],
    survey: Annotated[
        Path | None,
        _option(
            metavar="FILE",
            help="Survey to start from (CSV, XLSX, GeoJSON, DXF); copied into the folder.",
            default="the one in the folder",
        ),
    ] = None,
) -> None:
    """Start a job from a survey: writes a job.toml with a comment for every value to fill in."""
    with _Interrupts() as interrupts, _Endings("Stopped.", interrupts=interrupts):
        from optimiser.job_folder import read_file
        from optimiser.survey_papers.new_job import find_survey, job_path, new_job_text
        from optimiser.survey_papers.write import write_files

        path = job_path(folder)
        source = survey if survey is not None else find_survey(folder)
        contents: dict[str, str | bytes] = {path.name: new_job_text(source, folder.resolve().name)}
        if source.resolve().parent != folder.resolve():
            contents[source.name] = read_file(source, "name a file that is there")
        interrupts.hold()
        write_files(folder, contents, replace=False)
    typer.echo(
        f"{path} is written, from {source.name}.\n"
        'Fill in the lines that begin with "#>" (prices, watts, volts, drivers), then look at it:\n'
        f"  lampspur survey {folder}"
    )


@app.command(
    short_help="Print the shape of plan.json, or every key of job.toml.",
    epilog="Example:\n\n\b\n  lampspur schema > plan.schema.json\n  lampspur schema --job",
)
def schema(
    job: Annotated[bool, typer.Option("--job", help="Print the keys of job.toml as a table instead.")] = False,
) -> None:
    """Print the JSON Schema of plan.json, or every key of job.toml with unit, default and meaning."""
    if job:
        from optimiser.job import describe_keys

        typer.echo(describe_keys(), nl=False)
        return
    from optimiser.plan.model import Plan

    shape = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Plan.model_json_schema(by_alias=True, mode="serialization"),
    }
    typer.echo(json.dumps(shape, indent=2, ensure_ascii=False).encode())


class _Endings:
    """How a command ends where something is in its way: sentences on stderr and an exit code, the same for all."""

    def __init__(
        self,
        stopped: str,
        *,
        writes: bool = True,
        interrupts: _Interrupts | None = None,
        progress: _Progress | None = None,
        limited: bool = False,
    ) -> None:
        self._stopped, self._interrupts, self._progress = stopped, interrupts, progress
        self._nothing = " Nothing was written." if writes else ""
        self._more_time = " Give it more time." if limited else ""

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if error is None:
            return
        from optimiser.problems import BadInput, LampspurError, NoFeasibleLayout, StoppedBeforeLayout, WorkersLost

        if self._progress is not None:
            self._progress.close()
        if isinstance(error, BadInput):
            _refuse(error, ending="; nothing was written." if self._nothing else ".")
        if isinstance(error, NoFeasibleLayout):
            _explain(error)
        if isinstance(error, StoppedBeforeLayout):
            self._end(f"{NO_LAYOUT}{self._nothing}{self._more_time}", STOPPED)
        if isinstance(error, WorkersLost):
            self._end(f"{error}{self._nothing}", BAD_INPUT)
        if isinstance(error, LampspurError):
            self._end(f"A fault of this program, not of the job: {error}\n{self._nothing.strip()}".rstrip(), FAULT)
        if isinstance(error, KeyboardInterrupt):
            given_up = self._interrupts is not None and self._interrupts.asked
            self._end(f"{'Given up.' if given_up else self._stopped}{self._nothing}", STOPPED)

    @staticmethod
    def _end(text: str, code: int) -> NoReturn:
        typer.echo(text, err=True)
        raise typer.Exit(code) from None


def _refuse(error: BadInput, *, ending: str = "; nothing was written.") -> NoReturn:
    """All problems, each on a line an editor can jump to."""
    for problem in error.problems[:MOST_PROBLEMS]:
        typer.echo(str(problem), err=True)
    count = len(error.problems)
    if count > MOST_PROBLEMS:
        typer.echo(f"… and {count - MOST_PROBLEMS} more", err=True)
    typer.echo(f"{count} {'problem' if count == 1 else 'problems'}{ending}", err=True)
    raise typer.Exit(BAD_INPUT)


def _explain(error: NoFeasibleLayout) -> NoReturn:
    """An answer, not a fault: what stands in the way and what removes it."""
    typer.echo("No feasible layout." if error.proven else "No layout found.", err=True)
    for obstacle in error.obstacles[:6]:
        typer.echo(f"\n{obstacle.what[0].upper()}{obstacle.what[1:]}.", err=True)
        if obstacle.detail:
            typer.echo(obstacle.detail, err=True)
        if obstacle.mends:
            typer.echo("Any one of these removes this obstacle:" if error.proven else "What may help:", err=True)
            for mend in obstacle.mends:
                typer.echo(f"    {mend}", err=True)
    if len(error.obstacles) > 6:
        typer.echo(f"\n… and {len(error.obstacles) - 6} more like these.", err=True)
    if error.notes:
        typer.echo("\nTo look at in the survey and the job, for a slip there may be the reason:", err=True)
        for note in error.notes:
            typer.echo(f"    {note}", err=True)
    typer.echo("\nNothing was written.", err=True)
    raise typer.Exit(INFEASIBLE)


class _Interrupts:
    """
    What Ctrl-C does: at first it ends the command.

    Once there is a layout, it ends the search, and the next one the command; while files are written, it is not heard:
    they are written whole, and what is then said of them is true.
    """

    def __init__(self) -> None:
        self.asked = False
        self._held = False
        self._stop: StopSignal | None = None
        self._progress: _Progress | None = None

    def __enter__(self) -> _Interrupts:
        self._before: dict[int, Any] = {}
        if threading.current_thread() is threading.main_thread():
            # Being told to terminate is taken alike: to die at once would leave the worker processes behind.
            self._before = {one: signal.signal(one, self._hear) for one in (signal.SIGINT, signal.SIGTERM)}
        return self

    def __exit__(self, *_: object) -> None:
        for one, before in self._before.items():
            signal.signal(one, before)

    def end_softly(self, stop: StopSignal, progress: _Progress) -> None:
        self._stop, self._progress = stop, progress

    def hold(self) -> None:
        self._held = True

    def _hear(self, signum: int, frame: object) -> None:
        if self._held:
            return
        if self.asked or self._stop is None or self._progress is None or not self._progress.has_layout:
            raise KeyboardInterrupt
        self.asked = True
        self._stop.ask()
        self._progress.say_soon("Stopping; the best layout so far will be written. Ctrl-C again gives it up.")


class _Progress:
    """What goes on, on a terminal: one live line, and above it a line for each stage that found a cheaper layout."""

    EVERY_S = 0.25

    def __init__(self, stream: TextIO, shown: bool) -> None:
        self.has_layout = False
        self._stream, self._shown = stream, shown
        self._begin = time.monotonic()
        self._stage, self._currency = "reading the job", ""
        self._least = math.inf
        self._bound = -math.inf
        """What is proven on the ground graph as it stands; it falls when places are added."""
        self._kept = math.inf
        self._drawn = 0
        self._waiting: list[str] = []
        self._lock = threading.RLock()
        self._over = threading.Event()

    def __enter__(self) -> _Progress:
        if self._shown:
            threading.Thread(target=self._tick, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def heading(self, text: str, currency: str) -> None:
        self._currency = currency
        self.say(text)

    def stage(self, name: str) -> None:
        self._keep()
        self._stage = name
        self._draw()

    def best(self, cost: float) -> None:
        self.has_layout = True
        if cost < self._least - 0.005:
            self._least = cost
            self._draw()

    def bound(self, bound: float) -> None:
        if self._bound != bound:
            self._bound = bound
            self._draw()

    def say(self, text: str) -> None:
        """A line that stays."""
        self._print(text[: self._width()] + "\n")
        self._draw()

    def say_soon(self, text: str) -> None:
        """The same from within a signal's handler, which must not write."""
        self._waiting.append(text)

    def close(self) -> None:
        with self._lock:
            if not self._over.is_set():
                self._over.set()
                self._keep()
                self._print("")

    def _keep(self) -> None:
        if self._least < self._kept - 0.005:
            self._kept = self._least
            self._print(self._line() + "\n")

    def _tick(self) -> None:
        while not self._over.wait(self.EVERY_S):
            while self._waiting:
                self.say(self._waiting.pop())
            self._draw()

    def _line(self) -> str:
        cost = "" if self._least == math.inf else f"{self._least:,.2f} {self._currency}"
        gap = ""
        if 0 < self._bound <= self._least < math.inf:
            gap = f"bound {self._bound:,.2f}, gap {100 * (1 - self._bound / self._least):.1f} %  "
        return f"{time.monotonic() - self._begin:7.1f} s  {cost:>16}  {gap}{self._stage}"[: self._width()].rstrip()

    def _width(self) -> int:
        return max(20, shutil.get_terminal_size().columns - 1)

    def _draw(self) -> None:
        with self._lock:
            if not self._over.is_set():
                line = self._line()
                self._print(line, len(line))

    def _print(self, text: str, live: int = 0) -> None:
        """Over the live line, without any of a terminal's own codes; ``live`` columns are to be written over again."""
        if not self._shown:
            return
        with self._lock:
            blank = "\r" + " " * self._drawn + "\r" if self._drawn else ""
            self._drawn = max(self._drawn, live)  # before it is so: Ctrl-C may come in between
            self._stream.write(blank + text)
            self._stream.flush()
            self._drawn = live


for _one, _usual in _BEFORE.items():
    signal.signal(_one, _usual)

if __name__ == "__main__":
    main()
