"""The command line: one subcommand a job, one clear line an error, exit codes 0, 1 and 2."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kinematics import __version__
from kinematics.base.errors import HingewiseError
from kinematics.base.words import CAUTION

if TYPE_CHECKING:
    from kinematics.assessment import Assessment

EXIT_OK, EXIT_OUR_FAULT, EXIT_INPUT = 0, 1, 2
MOUNTING_NAMES = "axis_points, fiducials, matrix, distances, located_axis, average, none"
MEASUREMENT_NAMES = (
    "located_axis, marks, scanned_at_record, pin, third_point, articulator, guidance_records, "
    "uncertainty"
)
"""Keys of :mod:`kinematics.case.template`, which is too slow to load for ``--help`` (tested)."""


def build_parser() -> argparse.ArgumentParser:
    """Build the parser of every command and option."""
    parser = argparse.ArgumentParser(
        prog="hingewise",
        description="Is locating and transferring the true hinge axis worth it for this patient?",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"hingewise {__version__}")
    jobs = parser.add_subparsers(dest="job", metavar="COMMAND")

    def job(name: str, text: str, run: Callable[[argparse.Namespace], int]) -> Callable[..., Any]:
        sub = jobs.add_parser(name, help=text, description=text, epilog=CAUTION)
        sub.set_defaults(run=run)
        return sub.add_argument

    case = {"type": Path, "metavar": "CASE", "help": "case file (TOML)"}
    out = {"type": Path, "required": True}
    yes = {"action": "store_true"}
    no_pictures = {**yes, "help": "leave out the 3D pictures"}

    add = job("assess", "answer the question of one case and write the report", run_assess)
    add("case", **case)
    add("-o", "--out", **out, help="folder for the results")
    add("--no-pictures", **no_pictures)
    add_talk(add)

    add = job("view", "look at a case and change it, in the browser or a window", run_view)
    add("case", **case)
    add("--window", **yes, help="a plain desktop window instead")
    add("--port", type=int, default=0, help="port on this machine (free one if 0)")
    add("--no-browser", **yes, help="print the address, open nothing")

    add = job("inspect", "check a case's inputs and the health of its meshes", run_inspect)
    add("case", **case)
    add_talk(add)

    add = job("start", "write a commented case to fill in, and a recording sheet", run_start)
    add("folder", type=Path, metavar="FOLDER", help="made where it does not exist")
    how = f"how the casts relate to the axis: {MOUNTING_NAMES} (asked if left out)"
    add("--mounting", help=how)
    what = f"a measurement that exists: {MEASUREMENT_NAMES}; repeat it (asked if --mounting is "
    have = {"action": "append", "default": [], "metavar": "MEASUREMENT"}
    add("--have", **have, help=what + "left out)")
    add("--force", **yes, help="replace files that are there")

    add = job("sweep", "compute a study: many samples of a case, into Parquet", run_sweep_job)
    add("study", type=Path, metavar="STUDY", help="study file (TOML)")
    add("-o", "--out", **out, help="folder for the rows")
    add("--workers", type=int, help="local processes (all cores by default)")
    add("--rank", **yes, help="say which varied number matters most")
    add("--scheduler", metavar="ADDRESS", help="a running Dask scheduler instead")
    add_talk(add)

    add = job("demo", "assess the demo case that the project ships", run_demo)
    add("-o", "--out", type=Path, default=Path("demo_out"), help="folder")
    add("--no-pictures", **no_pictures)
    add_talk(add)
    return parser


def add_talk(add: Callable[..., Any]) -> None:
    """What a command prints: the options that several share."""
    add("--quiet", action="store_true", help="print nothing but errors")
    add("--json", action="store_true", help="print the result as JSON")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code (0 done, 2 input, 1 our fault)."""
    parser = build_parser()
    args = parser.parse_args(argv)
    if args.job is None:
        parser.print_help()
        return EXIT_OK
    try:
        return int(args.run(args))
    except HingewiseError as error:
        print(f"hingewise: error: {error}", file=sys.stderr)
        return EXIT_INPUT
    except KeyboardInterrupt:
        print("hingewise: stopped; nothing half-written was left behind", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_OK
    except Exception as error:
        if os.environ.get("HINGEWISE_DEBUG"):
            raise
        print(
            f"hingewise: this is our fault: {type(error).__name__}: {error}\n"
            "Run it again with HINGEWISE_DEBUG=1 for the details and report them.",
            file=sys.stderr,
        )
        return EXIT_OUR_FAULT


def run_assess(args: argparse.Namespace) -> int:
    """Assess a case and write its results."""
    from kinematics.case.read import read_case

    return assess_and_write(read_case(args.case), args)


def run_demo(args: argparse.Namespace) -> int:
    """Assess the demo case."""
    from kinematics.case.read import read_case
    from viewer.command.demo import demo_case_path

    return assess_and_write(read_case(demo_case_path()), args)


def run_inspect(args: argparse.Namespace) -> int:
    """Check a case without assessing it; exit 2 when something would stop the assessment."""
    from kinematics.base.to_json import to_json
    from kinematics.case.read import read_case
    from kinematics.inspection import inspect_case

    inspection = inspect_case(read_case(args.case))
    if args.json:
        print(json.dumps(to_json(inspection), indent=2, ensure_ascii=False))
    elif not args.quiet:
        from rich.console import Console

        from viewer.command.terminal import print_inspection

        print_inspection(Console(highlight=False), inspection)
    return EXIT_INPUT if any(f.level == "error" for f in inspection.findings) else EXIT_OK


def run_view(args: argparse.Namespace) -> int:
    """Show a case in the browser (on this machine only) or in a window."""
    from kinematics.case.read import read_case
    from viewer.look.extras import need

    case = read_case(args.case)
    if args.window:
        from viewer.app.window import show_window

        need("pyvista", "--window")
        show_window(case)
        return EXIT_OK
    for module in ("trame", "aiohttp", "pyvista"):
        need(module, "view")
    from viewer.app.server import serve

    serve(case, port=args.port, open_browser=not args.no_browser)
    return EXIT_OK


def run_sweep_job(args: argparse.Namespace) -> int:
    """Run or continue a sweep; what is finished is kept and never computed twice."""
    from kinematics.sweep.ranking import study_sensitivity
    from kinematics.sweep.run import SweepProgress, run_sweep
    from kinematics.sweep.study import read_study
    from kinematics.uncertainty.ranking import ranked

    study = read_study(args.study)
    with progress_bar(args.quiet or args.json) as tell:

        def report(now: SweepProgress) -> None:
            words = f"{now.rows_done} of {now.rows_total} rows"
            if now.rows_per_second > 0:
                words += f", {now.rows_per_second:.0f} a second, {now.seconds_left:.0f} s left"
            tell(words, now.rows_done / now.rows_total)

        result = run_sweep(
            study,
            args.out,
            workers=args.workers,
            scheduler=args.scheduler,
            progress=report,
            study_text=args.study.read_text(encoding="utf-8"),
        )
    ranking = ranked(study_sensitivity(study)) if args.rank else ()
    if args.json:
        rows = [vars(row) for row in ranking]
        print(json.dumps({**vars(result), "folder": str(result.folder), "ranking": rows}, indent=2))
    elif not args.quiet:
        for row in ranking:
            print(row.sentence)
        print(
            f"{result.rows} rows in {result.folder} ({result.parts_made} parts made, "
            f"{result.parts_kept} kept, {result.rows_without_result} rows without a result)"
        )
        print(CAUTION)
    return EXIT_OK


def run_start(args: argparse.Namespace) -> int:
    """Write a commented case and the recording sheet for the measurements that exist."""
    from viewer.command.start import start_case

    for path in start_case(args.folder, args.mounting, args.have, force=args.force):
        print(f"wrote {path}")
    print("Fill in the case, then: hingewise inspect " + str(args.folder / "case.toml"))
    return EXIT_OK


def assess_and_write(case: Any, args: argparse.Namespace) -> int:
    """Assess, write everything to the folder, print what was asked for."""
    from kinematics.assessment import assess
    from viewer.look.extras import left_out
    from viewer.report.outputs import check_folder, write_outputs

    check_folder(args.out)
    silent = args.quiet or args.json
    with progress_bar(silent) as tell:
        assessment = assess(case, progress=lambda words, done: tell(words, 0.5 * done))
        written = write_outputs(
            assessment,
            args.out,
            pictures=not args.no_pictures,
            progress=lambda words, done: tell(words, 0.5 + 0.5 * done),
        )
    if args.json:
        from kinematics.result import result_dict

        print(json.dumps(result_dict(assessment), indent=2, ensure_ascii=False))
    elif not args.quiet:
        from rich.console import Console

        from viewer.command.terminal import print_assessment

        print_assessment(Console(highlight=False), assessment, written)
    else:
        warn(assessment)
    if not args.quiet:
        for sentence in left_out():
            print(f"hingewise: {sentence}", file=sys.stderr)
    return EXIT_OK


def warn(assessment: Assessment) -> None:
    """Print errors among the findings to standard error (nothing else with --quiet)."""
    for finding in assessment.findings:
        if finding.level == "error":
            text = f"error: {finding.where}: {finding.message}. {finding.fix}"
            print(f"hingewise: {text}", file=sys.stderr)


@contextmanager
def progress_bar(silent: bool) -> Iterator[Callable[[str, float], None]]:
    """Show a progress bar on standard error where that is a terminal."""
    if silent or not sys.stderr.isatty():
        yield lambda stage, fraction: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Starting", total=1.0)

        def tell(stage: str, fraction: float) -> None:
            bar.update(task, description=stage, completed=fraction)

        yield tell


if __name__ == "__main__":
    sys.exit(main())
