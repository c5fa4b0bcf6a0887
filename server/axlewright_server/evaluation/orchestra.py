"""Run the parts of a plan on all cores, with a progress bar, taking up what an earlier run has finished."""

from __future__ import annotations

import dataclasses
import multiprocessing
import os
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing.queues import SimpleQueue
from multiprocessing.synchronize import Event
from pathlib import Path

import msgspec
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from axlewright_server.errors import EvaluationError
from axlewright_server.evaluation.digest import code_digest
from axlewright_server.evaluation.parts import Part
from axlewright_server.evaluation.record import Run, decode_run
from axlewright_server.evaluation.runs import Extras, run_together
from axlewright_server.evaluation.together import companies

# What a part has done so far, as a share of its time span; None ends the listener.
Report = tuple[str, float] | None
_reports: SimpleQueue[Report] | None = None
_failed: Event | None = None  # set once any part has failed


def default_workers() -> int:
    """Return how many kernels run at once: one per core, since a simulator takes no more than its kernel does."""
    return max(1, multiprocessing.cpu_count())


def run_parts(
    parts: Sequence[Part], folder: Path, extras: Extras, workers: int, resume: bool, quiet: bool
) -> list[Run]:
    """Return the records of parts in their order, running those that are not done.

    Parameters
    ----------
    folder : Path
        Where each part leaves its record.
    workers : int
        Kernels at once; small parts share one, and every part has a simulator of its own beside it.
    resume : bool
        Take the record of a part that an earlier run of the same arguments and code left; else all are run anew.

    Raises
    ------
    EvaluationError
        Of the first part that failed.
    """
    done = {part.key: run for part in parts if resume and (run := stored(part, folder)) is not None}
    with _progress(quiet) as progress:
        task = progress.add_task("evaluating", total=sum(part.vehicle_days for part in parts))
        progress.advance(task, sum(part.vehicle_days for part in parts if part.key in done))
        waiting = [part for part in parts if part.key not in done]
        if waiting:
            done |= _run(waiting, folder, extras, workers, _Shares(progress, task, waiting), parts[0].variant)
    return [done[part.key] for part in parts]


def stored(part: Part, folder: Path) -> Run | None:
    """Return the record that an earlier run left of a part, None if its arguments or its code were others."""
    try:
        run = decode_run((folder / f"{part.key}.json").read_bytes())
    except (OSError, msgspec.DecodeError):
        return None
    return run if (run.arguments, run.code) == (part.arguments, code_digest()) else None


def _progress(quiet: bool) -> Progress:
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed:,.0f}/{task.total:,.0f} vehicle-days"),
    )
    console = Console(stderr=True)
    return Progress(*columns, TimeElapsedColumn(), TimeRemainingColumn(), console=console, disable=quiet)


class _Shares:
    """Moves the bar by what each part says it has done."""

    def __init__(self, progress: Progress, task: TaskID, parts: Sequence[Part]) -> None:
        self._progress, self._task = progress, task
        self._days = {part.key: part.vehicle_days for part in parts}
        self._seen = dict.fromkeys(self._days, 0.0)

    def take(self, key: str, share: float) -> None:
        fresh = min(max(share, self._seen[key]), 1.0)
        self._progress.advance(self._task, (fresh - self._seen[key]) * self._days[key])
        self._seen[key] = fresh


def _run(
    parts: Sequence[Part], folder: Path, extras: Extras, workers: int, shares: _Shares, variant: str
) -> dict[str, Run]:
    context = multiprocessing.get_context("spawn")
    reports: SimpleQueue[Report] = context.SimpleQueue()
    listener = threading.Thread(target=_listen, args=(reports, shares), daemon=True)
    listener.start()
    together = companies(parts)
    failed = context.Event()
    pool = ProcessPoolExecutor(min(workers, len(together)), context, _begin, (reports, failed))
    try:
        futures = [pool.submit(_some, company, folder, _wanted(company, extras, variant)) for company in together]
        found = {}
        for future in as_completed(futures):
            for run in future.result():
                found[run.key] = run
                reports.put((run.key, 1.0))
        return found
    except BaseException:
        # What is wrong with one part is told at once, not when the others have run for an hour.
        failed.set()
        raise
    finally:
        pool.shutdown(cancel_futures=True)
        reports.put(None)
        listener.join()


def _listen(reports: SimpleQueue[Report], shares: _Shares) -> None:
    while (report := reports.get()) is not None:
        shares.take(*report)


def _begin(reports: SimpleQueue[Report], failed: Event) -> None:
    global _reports, _failed
    _reports, _failed = reports, failed


def _wanted(company: Sequence[Part], extras: Extras, variant: str) -> Extras:
    """Return what is worked out beside the counts: the report compares under the first condition alone."""
    if any(part.variant == variant for part in company):
        return extras
    return dataclasses.replace(extras, ablation=False, baselines=False)


def _some(parts: Sequence[Part], folder: Path, extras: Extras) -> tuple[Run, ...]:
    """Run parts that go together in a worker process."""
    told_s, first_s, parent = time.monotonic(), None, os.getppid()
    # Readings make most of the work; the rest of the share is for baselines and decisions made anew.
    span_s = parts[0].span_s / 0.85

    def progress(reached_s: float) -> None:
        nonlocal told_s, first_s
        if os.getppid() != parent or (_failed is not None and _failed.is_set()):
            raise EvaluationError("the evaluation was ended from outside")  # else this process would outlive it
        first_s = reached_s if first_s is None else first_s
        if _reports is not None and time.monotonic() - told_s > 0.5:
            told_s = time.monotonic()
            for part in parts:
                _reports.put((part.key, (reached_s - first_s) / span_s))

    return run_together(parts, folder, extras, progress)
