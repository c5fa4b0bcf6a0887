"""The command `axlewright replay`: sends recorded readings to an office as if the trucks drove."""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from axlewright_edge.agent_command import stop_on_signals
from axlewright_edge.clock import Clock, SystemClock
from axlewright_edge.config import BrokerSettings
from axlewright_edge.describe_options import (
    SHAFT_UNKNOWN,
    add_waveform_arguments,
    assumptions,
    begin_of,
    form_of,
    given,
    option_of,
    subject_of,
)
from axlewright_edge.errors import ConfigurationError
from axlewright_edge.replay_readings import TABLE_COLUMNS, Readings, TableReadings, WaveformReadings, is_table
from axlewright_edge.replaying import Replay, Shift
from axlewright_edge.sources.table import MOST_AXLES
from axlewright_models.command_line import Command
from axlewright_models.spec import load_fleet
from axlewright_models.wire.topics import is_identifier

# After so long without any ack it is said what may be wrong; the office acknowledges within a second. (own choice)
SILENCE_S = 8.0
# "--speed" is the pace of the replay here.
ROAD_SPEED = ("--road-speed", "--speed-column")


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", metavar="FILE", help="table of readings (.csv, .parquet) or raw waveform (also .wav, .npy, .mat)"
    )
    parser.add_argument("--broker", required=True, metavar="URL", help="mqtt://HOST:PORT or mqtts://HOST:PORT")
    parser.add_argument("--fleet", metavar="ID", help="fleet to send as, such as harrow-vale (or that of --fleet-file)")
    parser.add_argument(
        "--vehicle", action="append", default=[], metavar="ID",
        help="only this truck of a table, may be repeated; whose axle a waveform is of",
    )  # fmt: skip
    parser.add_argument(
        "--speed", type=float, default=0.0, help="1 = as recorded, 60 = sixty times; 0 (default) = full"
    )
    parser.add_argument(
        "--times", choices=[shift.value for shift in Shift],
        help="recorded: as they are; end-now: the last reading becomes now (default: recorded, without date end-now)",
    )  # fmt: skip
    parser.add_argument("--outbox", metavar="FOLDER", help="keep the outboxes here, to go on after a stop")
    parser.add_argument("--give-up-after", type=float, default=120.0, metavar="SECONDS", help="without any progress")
    parser.add_argument("--user", default="", help="user at the broker")
    parser.add_argument("--password-file", default="", metavar="FILE")
    parser.add_argument("--authority-file", default="", metavar="FILE", help="certificates to believe (PEM)")
    parser.add_argument("--certificate-file", default="", metavar="FILE")
    parser.add_argument("--key-file", default="", metavar="FILE")
    parser.add_argument("--log-level", default="error", type=str.lower, choices=["debug", "info", "warning", "error"])
    add_waveform_arguments(parser, *ROAD_SPEED)


def _run(options: argparse.Namespace) -> int:
    logging.basicConfig(
        stream=sys.stderr, level=options.log_level.upper(), format="%(levelname)s %(name)s: %(message)s"
    )
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
    path = Path(options.file)
    table = _takes_table(path, options)
    fleet = _fleet(options)
    readings: Readings = TableReadings(path) if table else _waveform(path, options)
    stop = threading.Event()
    stop_on_signals(stop)
    clock: Clock = SystemClock()
    with ExitStack() as stack:
        folder = options.outbox or stack.enter_context(tempfile.TemporaryDirectory(prefix="axlewright-replay-"))
        replay = Replay(fleet, broker, Path(folder), clock, stop)
        bar = stack.enter_context(_progress(replay))
        good = replay.send(
            readings,
            vehicles=frozenset(options.vehicle),
            speed=options.speed,
            shift=_shift(readings, options),
            patience_s=options.give_up_after,
            progress=bar,
        )
    print(replay.report())
    for hint in replay.hints() if not good else ():
        print(f"axlewright replay: {hint}", file=sys.stderr)
    for doubt in readings.doubts() if isinstance(readings, TableReadings) else ():
        print(f"axlewright replay: {doubt}", file=sys.stderr)
    for assumed in () if table else assumptions(options):
        print(f"Assumed: {assumed}.")
    if isinstance(readings, WaveformReadings) and not readings.shaft_known:
        print(SHAFT_UNKNOWN.format(speed=ROAD_SPEED[0]))
    return 0 if good else 1


def _fleet(options: argparse.Namespace) -> str:
    fleet: str | None = options.fleet
    if fleet is None and options.fleet_file is not None:
        fleet = load_fleet(options.fleet_file).fleet
    if fleet is None:
        raise ConfigurationError(
            "--fleet is missing: which fleet to send as; a raw waveform may name --fleet-file instead"
        )
    if not is_identifier(fleet):
        raise ConfigurationError(f'--fleet is {fleet!r}; use 1 to 64 of a-z, 0-9 and "-"')
    return fleet


def _takes_table(path: Path, options: argparse.Namespace) -> bool:
    """Return whether the file is a table of windows, and raise when the options do not fit."""
    options_given = given(options, *ROAD_SPEED)
    if not is_table(path):
        return False
    if options_given:
        raise ConfigurationError(
            f"{path}: is a table of windows (it has a column {' or '.join(TABLE_COLUMNS)}), so "
            f"{', '.join(options_given)} cannot apply; leave that out, or rename the column if these are raw samples"
        )
    return True


def _waveform(path: Path, options: argparse.Namespace) -> WaveformReadings:
    if len(options.vehicle) != 1 or options.axle is None:
        raise ConfigurationError(
            f"{path}: is a raw waveform (a table of windows has the columns time, vehicle, axle): "
            "say with one --vehicle and --axle whose it is, and with --rate, --shaft-speed ... how to read it"
        )
    vehicle = options.vehicle[0]
    if not is_identifier(vehicle):
        raise ConfigurationError(f'--vehicle is {vehicle!r}; use 1 to 64 of a-z, 0-9 and "-"')
    if not 1 <= options.axle <= MOST_AXLES:
        raise ConfigurationError(f"--axle is {options.axle}; use 1 to {MOST_AXLES}")
    if options.begin is None and options.times == Shift.RECORDED.value:
        raise ConfigurationError("--times recorded needs --begin TIME: a waveform does not say when it began")
    begin = None if options.begin is None else begin_of(options.begin)
    form, subject = form_of(options, ROAD_SPEED[0]), subject_of(options, vehicle)
    if form.road_speed is not None and subject.train is None:
        raise ConfigurationError(
            f"{ROAD_SPEED[0]} alone does not tell how the driveshaft turns; give --fleet-file, or --teeth of the axle"
        )
    return WaveformReadings(path, form, subject, vehicle, begin, options.window, option_of(ROAD_SPEED[0]))


def _shift(readings: Readings, options: argparse.Namespace) -> Shift:
    if options.times is not None:
        return Shift(options.times)
    undated = isinstance(readings, WaveformReadings) and options.begin is None
    return Shift.END_NOW if undated else Shift.RECORDED


class _Bar:
    """The progress bar: the share of the file that is read, and the frames that the office has committed."""

    def __init__(self, progress: Progress, replay: Replay) -> None:
        self._progress = progress
        self._replay = replay
        self._task = progress.add_task("replay", total=1.0, acked=0, queued=0)
        self._acked, self._moved_s, self._told = 0, time.monotonic(), False

    def __call__(self, share: float) -> None:
        figures = self._replay.figures()
        # The bar is full when the last frame is committed, not when the last row is read.
        done = figures.acked / figures.put if figures.put else 0.0
        self._progress.update(
            self._task, completed=share * done, acked=figures.acked, queued=figures.put - figures.acked
        )
        self._tell_silence(figures.acked)

    def _tell_silence(self, acked: int) -> None:
        """Say early what the end would say after the whole patience: a typing mistake needs no two minutes."""
        if acked != self._acked:
            self._acked, self._moved_s = acked, time.monotonic()
        if not self._told and time.monotonic() - self._moved_s > SILENCE_S:
            self._told = True
            for hint in self._replay.hints():
                self._progress.console.print(hint, markup=False, highlight=False, soft_wrap=True)


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
    summary="send recorded readings or a raw waveform as if the trucks drove now",
    description=(
        "Send a table of recorded readings to an office's broker, each truck over a link of its own, and wait until\n"
        "the office has committed every frame. The table form is described in edge/README.md. A file of raw samples\n"
        "(edge/WAVEFORMS.md) is sent as the windows that the truck would have made of it, those of axlewright describe."
    ),
    add_arguments=_add_arguments,
    run=_run,
    examples=(
        "axlewright replay day.csv --broker mqtt://127.0.0.1:18642 --fleet harrow-vale",
        "axlewright replay day.parquet --broker mqtt://127.0.0.1:18642 --fleet harrow-vale --times end-now --speed 60",
        "axlewright replay run.npy --rate 6400 --shaft-speed 1500 --fleet-file fleet.toml --vehicle hv-101 --axle 2 "
        "--broker mqtt://127.0.0.1:18642 --speed 1",
    ),
)
