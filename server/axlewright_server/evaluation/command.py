"""The command ``axlewright evaluate``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from axlewright_models.command_line import SUMMARIES, Command
from axlewright_models.errors import ModelError
from axlewright_server.errors import EvaluationError, ServerError, make_folder
from axlewright_server.evaluation.parts import FIRST_SEED, Plan


def _number(low: float, kind: Callable[[str], float] = float) -> Callable[[str], float]:
    def read(text: str) -> float:
        value = kind(text)
        if not value >= low:
            raise argparse.ArgumentTypeError(f"must be {low:g} or more")
        return value

    return read


def _arguments(parser: argparse.ArgumentParser) -> None:
    usual = Plan()
    count, years = _number(0, int), _number(0.0)
    parser.add_argument(
        "--into", type=Path, default=Path("evaluation"), metavar="FOLDER", help="report (default: evaluation)"
    )
    parser.add_argument("--work", type=Path, metavar="FOLDER", help="records of the parts (default: parts in --into)")
    parser.add_argument("--first-seed", type=count, default=FIRST_SEED, metavar="N", help=f"first seed ({FIRST_SEED})")
    parser.add_argument(
        "--seeds", type=count, default=usual.seeds, metavar="N", help=f"seeds per scenario ({usual.seeds})"
    )
    parser.add_argument("--scenarios", nargs="+", default=[], metavar="NAME", help="some of the library (all of it)")
    parser.add_argument(
        "--healthy-years",
        type=years,
        default=usual.healthy_years,
        metavar="Y",
        help=f"of healthy trucks ({usual.healthy_years:g})",
    )
    parser.add_argument(
        "--healthy-trucks",
        type=_number(1, int),
        default=usual.healthy_trucks,
        metavar="N",
        help=f"simulated at once ({usual.healthy_trucks})",
    )
    parser.add_argument(
        "--healthy-days",
        type=_number(1.0),
        default=usual.healthy_days,
        metavar="D",
        help=f"that each drives ({usual.healthy_days:g})",
    )
    parser.add_argument(
        "--robust-seeds",
        type=count,
        default=usual.robust_seeds,
        metavar="N",
        help=f"seeds under each worse condition ({usual.robust_seeds})",
    )
    parser.add_argument(
        "--robust-years",
        type=years,
        default=usual.robust_years,
        metavar="Y",
        help=f"healthy years under each ({usual.robust_years:g})",
    )
    parser.add_argument(
        "--together", type=_number(1, int), default=usual.together, metavar="N", help="seeds simulated at once"
    )
    parser.add_argument(
        "--window", type=_number(1.0), default=usual.window_s, metavar="S", help="length of a window, seconds (60)"
    )
    parser.add_argument(
        "--workers", type=_number(1, int), metavar="N", help="kernels at once, simulators beside them (the cores)"
    )
    parser.add_argument(
        "--only", default="", metavar="TEXT", help="only parts whose name holds this; --list shows the names"
    )
    parser.add_argument("--list", action="store_true", help="print the names of the parts and end")
    parser.add_argument(
        "--resume", action="store_true", help="take up what an earlier run of the same arguments finished"
    )
    parser.add_argument("--no-baselines", action="store_true", help="leave out the simple alarms")
    parser.add_argument("--no-ablation", action="store_true", help="don't leave out detectors in turn")
    parser.add_argument("--quiet", action="store_true", help="no progress bar")
    parser.add_argument(
        "--readings", type=Path, nargs="+", metavar="FILE", help="judge these replay tables instead (CSV, Parquet)"
    )
    parser.add_argument("--truth", type=Path, metavar="FILE", help="what really happened to their trucks (JSON)")
    parser.add_argument("--fleet", type=Path, metavar="FILE", help="fleet file of those trucks (TOML)")


def _run(options: argparse.Namespace) -> int:
    from axlewright_server.evaluation.orchestra import default_workers, run_parts
    from axlewright_server.evaluation.report import write_report
    from axlewright_server.evaluation.runs import Extras, run_outside

    work = options.work or options.into / "parts"
    extras = Extras(ablation=not options.no_ablation, baselines=not options.no_baselines)
    strays = [f"--{name}" for name in ("truth", "fleet") if getattr(options, name) is not None]
    if strays and not options.readings:
        raise EvaluationError(
            f"without --readings FILE the library is run, which needs no {' and no '.join(strays)}; "
            "give the readings too, or leave that out"
        )
    if options.readings:
        missing = [name for name in ("truth", "fleet") if getattr(options, name) is None]
        if missing:
            raise EvaluationError(f"--readings also needs --{' and --'.join(missing)}")
        _ready(work, extras.baselines)
        runs = [run_outside(options.fleet, options.readings, options.truth, work, extras)]
    else:
        parts = _plan(options).parts(options.only)
        if options.list:
            print("\n".join(part.key for part in parts))
            return 0
        if not parts:
            raise EvaluationError("nothing is left to run; --list shows the parts, --only chooses among them")
        _ready(work, extras.baselines)
        workers = options.workers or default_workers()
        runs = run_parts(parts, work, extras, workers, options.resume, options.quiet)
    path = write_report(runs, options.into, work, _told())
    print((options.into / "table.md").read_text(encoding="utf-8").split("\n## ")[1])
    print(f"written: {path}")
    return 0


def _ready(work: Path, baselines: bool) -> None:
    """Find out what is missing before the work, not after it."""
    from axlewright_server.evaluation.baselines_drift import check_libraries

    if baselines:
        check_libraries()
    make_folder(work, EvaluationError, "--work")


def _plan(options: argparse.Namespace) -> Plan:
    return Plan(
        first_seed=options.first_seed,
        seeds=options.seeds,
        scenarios=tuple(options.scenarios),
        healthy_years=options.healthy_years,
        healthy_trucks=options.healthy_trucks,
        healthy_days=options.healthy_days,
        robust_seeds=options.robust_seeds,
        robust_years=options.robust_years,
        together=options.together,
        window_s=options.window,
    )


def _told() -> str:
    """Return the command as typed, without names of folders: a report is read elsewhere."""
    words, hidden = [], False
    for word in sys.argv[1:]:
        if word.startswith("--"):
            hidden = word in {"--into", "--work"}
        if not hidden:
            words.append(word)
    return " ".join(["axlewright", *words])


def _evaluate(options: argparse.Namespace) -> int:
    try:
        return _run(options)
    except (ServerError, ModelError) as error:
        print(f"axlewright: {error}", file=sys.stderr)
        return 1


EVALUATE = Command(
    "evaluate",
    SUMMARIES["evaluate"],
    "Run a library of fault scenarios and a healthy fleet through simulators and the office's kernel, offline on all\n"
    "cores, and write report.html, table.md and results.json. Or judge readings made elsewhere, with their truth.",
    _arguments,
    _evaluate,
    (
        "axlewright evaluate",
        "axlewright evaluate --into evaluation --seeds 10 --healthy-years 200 --resume",
        "axlewright evaluate --scenarios dragging-brake seal-leak --seeds 2 --only as-designed-scenarios",
        "axlewright evaluate --readings weeks.parquet --truth truth.json --fleet fleet.toml --into judged",
    ),
)
