"""The command `axlewright replay`: sends a recorded table to an office as if its trucks drove."""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from axlewright_edge.agent_command import stop_on_signals
from axlewright_edge.clock import Clock, SystemClock
from axlewright_edge.config import BrokerSettings
from axlewright_edge.errors import ConfigurationError
from axlewright_edge.replaying import Replay, Shift
from axlewright_models.command_line import Command
from axlewright_models.wire.topics import is_identifier


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="table of readings, .csv or .parquet")
    parser.add_argument("--broker", required=True, metavar="URL", help="mqtt://HOST:PORT or mqtts://HOST:PORT")
    parser.add_argument("--fleet", required=True, metavar="ID", help="fleet to send as, such as harrow-vale")
    parser.add_argument("--vehicle", action="append", default=[], metavar="ID", help="only this truck; may be repeated")
    parser.add_argument(
        "--speed", type=float, default=0.0, help="1 = as recorded, 60 = sixty times; 0 (default) = full"
    )
    parser.add_argument(
        "--times", choices=[shift.value for shift in Shift], default=Shift.RECORDED.value,
        help="recorded: as they are; end-now: the table's last reading becomes now",
    )  # fmt: skip
    parser.add_argument("--outbox", metavar="FOLDER", help="keep the outboxes here, to go on after a stop")
    parser.add_argument("--give-up-after", type=float, default=120.0, metavar="SECONDS", help="without any progress")
    parser.add_argument("--user", default="", help="user at the broker")
    parser.add_argument("--password-file", default="", metavar="FILE")
    parser.add_argument("--authority-file", default="", metavar="FILE", help="certificates to believe (PEM)")
    parser.add_argument("--certificate-file", default="", metavar="FILE")
    parser.add_argument("--key-file", default="", metavar="FILE")
    parser.add_argument("--log-level", default="error", type=str.lower, choices=["debug", "info", "warning", "error"])


def _run(options: argparse.Namespace) -> int:
    logging.basicConfig(
        stream=sys.stderr, level=options.log_level.upper(), format="%(levelname)s %(name)s: %(message)s"
    )
    if not is_identifier(options.fleet):
        raise ConfigurationError(f'--fleet is {options.fleet!r}; use 1 to 64 of a-z, 0-9 and "-"')
    if not 0.0 <= options.speed <= 1e6:
        raise ConfigurationError(f"--speed is {options.speed:g}; use 0 (full speed) to 1000000")
    broker = BrokerSettings(
        url=options.broker,
        user=options.user,
        password_file=options.password_file,
        authority_file=options.authority_file,
        certificate_file=options.certificate_file,
        key_file=options.key_file,
    )
    stop = threading.Event()
    stop_on_signals(stop)
    clock: Clock = SystemClock()
    with ExitStack() as stack:
        folder = options.outbox or stack.enter_context(tempfile.TemporaryDirectory(prefix="axlewright-replay-"))
        replay = Replay(options.fleet, broker, Path(folder), clock, stop)
        bar = stack.enter_context(_progress(replay))
        good = replay.send(
            Path(options.file),
            vehicles=frozenset(options.vehicle),
            speed=options.speed,
            shift=Shift(options.times),
            patience_s=options.give_up_after,
            progress=bar,
        )
    print(replay.report())
    return 0 if good else 1


class _Bar:
    """The progress bar: the share of the table that is read, and the frames that the office has committed."""

    def __init__(self, progress: Progress, replay: Replay) -> None:
        self._progress = progress
        self._replay = replay
        self._task = progress.add_task("replay", total=1.0, acked=0, queued=0)

    def __call__(self, share: float) -> None:
        figures = self._replay.figures()
        # The bar is full when the last frame is committed, not when the last row is read.
        done = figures.acked / figures.put if figures.put else 0.0
        self._progress.update(
            self._task, completed=share * done, acked=figures.acked, queued=figures.put - figures.acked
        )


@contextmanager
def _progress(replay: Replay) -> Iterator[_Bar]:
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f}%  {task.fields[acked]} frames committed, {task.fields[queued]} waiting"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=False) as progress:
        yield _Bar(progress, replay)


REPLAY = Command(
    name="replay",
    summary="send recorded readings (CSV, Parquet) as if the trucks drove now",
    description=(
        "Send a table of recorded readings to an office's broker, each truck over a link of its own, and wait until\n"
        "the office has committed every frame. The table form is described in edge/README.md."
    ),
    add_arguments=_add_arguments,
    run=_run,
    examples=(
        "axlewright replay day.csv --broker mqtt://127.0.0.1:18642 --fleet harrow-vale",
        "axlewright replay day.parquet --broker mqtt://127.0.0.1:18642 --fleet harrow-vale --times end-now --speed 60",
    ),
)
