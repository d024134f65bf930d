"""Commands: parse, call, print. The only file that knows a terminal.

Results go to stdout; everything about the work goes to stderr, and progress only where stderr is a terminal. Solvers
and geometry are imported by the commands that need them, so that help comes at once.
"""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from optimiser.problems import BadInput, NoFeasibleLayout
    from optimiser.search.stopping import StopSignal

OK, FAILS, BAD_INPUT, INFEASIBLE, STOPPED = 0, 1, 2, 3, 130

CODES = """Exit codes: 0 done; 1 check found violations; 2 input that cannot be used, nothing written;
3 no feasible layout, nothing written; 130 stopped before any layout was found, nothing written."""

app = typer.Typer(
    name="lampspur",
    help="Plan extra-low-voltage garden lighting: from a list of measured points to the cheapest layout that keeps "
    "every lamp inside its voltage window, with a plan to dig by and a list to cut by.",
    epilog=CODES + " Mains work is for a licensed electrician; local wiring rules come first.",
    no_args_is_help=True,
    rich_markup_mode=None,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def main() -> None:
    """Entry point of the console script."""
    app()


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


@app.command(
    epilog="Example:\n\n\b\n  lampspur plan cases/courtyard --out courtyard-plan\n"
    "  lampspur plan cases/courtyard --max-drop 5% --drivers 1 --out one-driver"
)
def plan(
    job: Annotated[Path, typer.Argument(help="Job folder (with job.toml and its survey), or the job.toml itself.")],
    max_drop: Annotated[
        str | None,
        typer.Option(
            help="Greatest voltage drop to any lamp instead of the job's, such as 10% or off.",
            show_default="the job's",
            rich_help_panel="What to plan",
        ),
    ] = None,
    drivers: Annotated[
        int | None,
        typer.Option(
            min=1,
            help="Use exactly so many drivers.",
            show_default="as many as is cheapest",
            rich_help_panel="What to plan",
        ),
    ] = None,
    effort: Annotated[
        float,
        typer.Option(
            min=0.01,
            help="How long to search: 1 is the usual amount of work, 2 twice as much.",
            rich_help_panel="Search",
        ),
    ] = 1.0,
    time_limit: Annotated[
        float | None,
        typer.Option(
            min=0.1,
            help="Stop the search after so many seconds, whatever the effort, and keep the best layout.",
            show_default="none",
            rich_help_panel="Search",
        ),
    ] = None,
    seed: Annotated[
        int, typer.Option(min=0, help="Same job, seed and effort give the same plan.", rich_help_panel="Search")
    ] = 1,
    processes: Annotated[
        int, typer.Option(min=1, max=2, help="Processor cores to use; the plan is the same.", rich_help_panel="Search")
    ] = 2,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the plan.", show_default="'plan' in the job folder", rich_help_panel="Output"),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace an earlier plan in that folder.", rich_help_panel="Output")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print plan.json on stdout instead of the summary.", rich_help_panel="Output")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="No progress.", rich_help_panel="Output")] = False,
) -> None:
    """Find the cheapest layout of a job and write its plan: drawing, cut list, and all its numbers.

    Ctrl-C ends the search and keeps the best layout found so far.
    """
    from optimiser.problems import BadInput, NoFeasibleLayout, StoppedBeforeLayout

    overrides: dict[str, object] = {}
    if max_drop is not None:
        overrides["voltage.max_drop"] = max_drop
    if drivers is not None:
        overrides["drivers"] = drivers
    try:
        from optimiser.documents.folder import plan_json, refuse_early, write_plan_folder
        from optimiser.documents.summary import summary
        from optimiser.job_folder import open_job
        from optimiser.make_plan import Options, make_plan
        from optimiser.search.stopping import StopSignal

        folder = open_job(job, {key: value for key, value in overrides.items() if key != "drivers"})
        target = out if out is not None else folder.path / "plan"
        refuse_early(target, replace=replace)
        stop = StopSignal(time_limit)
        progress = _Progress(sys.stderr.isatty() and not quiet)
        options = Options(seed=seed, effort=effort, num_drivers=drivers, processes=processes)
        with _stop_on_interrupt(stop, progress.say):
            found = make_plan(folder, options, observer=progress, stop=stop)
        progress.done()
        write_plan_folder(found, folder.files, target, replace=replace)
    except BadInput as error:
        _refuse(error)
    except NoFeasibleLayout as error:
        _explain(error)
    except StoppedBeforeLayout as error:
        typer.echo(f"Stopped: {error}. Nothing was written.", err=True)
        raise typer.Exit(STOPPED) from None
    if found.outcome == "stopped_by_user":
        typer.echo("Stopped on request: this is the best layout found until then.", err=True)
    elif found.outcome == "stopped_by_time":
        typer.echo("Stopped by the time limit: this is the best layout found until then.", err=True)
    typer.echo(plan_json(found) if as_json else summary(found, out=str(target)), nl=False)


@app.command(
    epilog="Example:\n\n\b\n  lampspur check courtyard-plan\n  lampspur check courtyard-plan --job cases/courtyard"
)
def check(
    plan: Annotated[Path, typer.Argument(help="Plan folder, or its plan.json.")],
    job: Annotated[
        Path | None,
        typer.Option(help="Judge against this job instead of the copy in the plan's folder.", show_default="the copy"),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print all findings as JSON.")] = False,
    every: Annotated[
        bool, typer.Option("--all", help="Print also the limits that hold, each with its margin.")
    ] = False,
) -> None:
    """Check a plan from scratch: geometry, electrics and money are computed anew from the job and the survey.

    The check shares no code with the search. It does not prove the bound.
    """
    from optimiser.problems import BadInput

    try:
        from optimiser.check import check_folder

        report = check_folder(plan, job)
    except BadInput as error:
        _refuse(error, written=False)
    if as_json:
        import dataclasses

        lines = [dataclasses.asdict(finding) for finding in report.lines]
        typer.echo(json.dumps({"holds": not report.violations, "findings": lines, "notes": report.notes}, indent=2))
    else:
        for finding in report.lines if every else report.violations:
            typer.echo(f"{'holds' if finding.ok else 'FAILS'}  {finding.limit}: {finding.sentence}")
        for note in report.notes:
            typer.echo(f"note   {note}")
        count = len(report.violations)
        typer.echo(
            f"The plan holds: {len(report.lines)} findings, no violation."
            if not count
            else f"The plan does not hold: {count} {'violation' if count == 1 else 'violations'}."
        )
    if report.violations:
        raise typer.Exit(FAILS)


@app.command(epilog="Example:\n\n\b\n  lampspur schema > plan.schema.json\n  lampspur schema --job")
def schema(
    job: Annotated[bool, typer.Option("--job", help="Print the keys of job.toml as a table instead.")] = False,
) -> None:
    """Print the JSON Schema of plan.json, or every key of job.toml with unit, default and meaning."""
    if job:
        from optimiser.job import describe_keys

        typer.echo(describe_keys(), nl=False)
        return
    from optimiser.plan.model import Plan

    typer.echo(json.dumps(Plan.model_json_schema(by_alias=True), indent=2, ensure_ascii=False))


def _refuse(error: BadInput, *, written: bool = True) -> NoReturn:
    """All problems, each on a line an editor can jump to."""
    for problem in error.problems:
        typer.echo(str(problem), err=True)
    count = len(error.problems)
    ending = "; nothing was written." if written else "."
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
    typer.echo("\nNothing was written.", err=True)
    raise typer.Exit(INFEASIBLE)


@contextmanager
def _stop_on_interrupt(stop: StopSignal, say: Callable[[str], None]) -> Iterator[None]:
    """The first Ctrl-C ends the search, the second the program."""

    def hear(signum: int, frame: object) -> None:
        if stop.by_user:
            raise KeyboardInterrupt
        stop.ask()
        say("stopping: writing the best layout so far (Ctrl-C again to give up)")

    before = signal.signal(signal.SIGINT, hear)
    try:
        yield
    except KeyboardInterrupt:
        typer.echo("Given up. Nothing was written.", err=True)
        raise typer.Exit(STOPPED) from None
    finally:
        signal.signal(signal.SIGINT, before)


class _Progress:
    """One line for each stage and each new best, on stderr."""

    LINE = "{seconds:6.1f} s  {what:<42}{cost:>12}"

    def __init__(self, shown: bool) -> None:
        self._shown = shown
        self._begin = time.monotonic()
        self._least = float("inf")
        self._stage = ""
        self._live = False

    def stage(self, name: str) -> None:
        self._stage = name
        self._write(name, end="")

    def best(self, cost: float) -> None:
        if cost < self._least - 0.005:
            self._least = cost
            self._write(self._stage, end="")

    def bound(self, bound: float) -> None:
        self._write(f"no layout on this ground graph is below {bound:,.2f}", end="\n")

    def say(self, text: str) -> None:
        if self._shown:
            typer.echo(f"\n{text}", err=True)

    def done(self) -> None:
        if self._shown and self._live:
            typer.echo("", err=True)

    def _write(self, what: str, *, end: str) -> None:
        if not self._shown:
            return
        cost = "" if self._least == float("inf") else f"{self._least:,.2f}"
        line = self.LINE.format(seconds=time.monotonic() - self._begin, what=what[:42], cost=cost)
        sys.stderr.write(f"\r{line}{end}")
        sys.stderr.flush()
        self._live = end == ""


if __name__ == "__main__":
    main()
