"""The command ``axlewright simulate``: a fleet's readings and their truth, into files or through a pipe."""

from __future__ import annotations

import argparse
import itertools
import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types

from axlewright_models.command_line import SUMMARIES, Command
from axlewright_models.errors import ModelError
from axlewright_simulators.batches import BatchOptions, prepare, tables, truth_document
from axlewright_simulators.climates import CLIMATES
from axlewright_simulators.knobs import Knobs
from axlewright_simulators.scenarios import parse_time_s

FLEET, TRUTH, READINGS = "fleet.toml", "truth.json", "readings.parquet"


def _arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--into", type=Path, required=True, metavar="FOLDER", help=f"{FLEET}, {TRUTH}, {READINGS} go here"
    )
    parser.add_argument("--seeds", type=int, nargs="+", default=[2001], metavar="N", help="one fleet each (2001)")
    parser.add_argument("--scenarios", nargs="+", default=[], metavar="NAME", help="some of the library (all of it)")
    parser.add_argument("--healthy", type=int, default=0, metavar="TRUCKS", help="healthy trucks instead of scenarios")
    parser.add_argument("--days", type=float, default=30.0, metavar="D", help="that healthy trucks drive (30)")
    parser.add_argument("--begin", metavar="ISO", help="first moment, UTC (a month of 2025 by the first seed)")
    parser.add_argument("--climates", nargs="+", default=list(CLIMATES), metavar="NAME", help=", ".join(CLIMATES))
    parser.add_argument("--window", type=float, default=60.0, metavar="S", help="length of a window, seconds (60)")
    parser.add_argument("--parameter-spread", type=float, default=0.0, metavar="S", help="0.3: off by up to 30 %% (0)")
    parser.add_argument("--noise", type=float, default=1.0, metavar="F", help="factor of all measuring noise (1)")
    parser.add_argument(
        "--missing-sensors", type=float, default=0.0, metavar="S", help="share of sensors not fitted (0)"
    )
    parser.add_argument(
        "--lost-frames", type=float, default=0.0, metavar="S", help="share of windows that get lost (0)"
    )
    parser.add_argument("--stream", action="store_true", help="send the readings to standard output as an Arrow stream")


def _simulate(arguments: argparse.Namespace) -> int:
    if not arguments.window >= 1.0 or arguments.healthy < 0 or not arguments.days > 0.0:
        raise ModelError("--window must be 1 or more, --healthy 0 or more, --days above 0")
    if min(arguments.seeds) < 0:
        raise ModelError(f"--seeds holds {min(arguments.seeds)}; use whole numbers, 0 or more")
    if arguments.healthy and arguments.scenarios:
        raise ModelError("--healthy and --scenarios are both given; simulate one after the other, or leave one out")
    options = BatchOptions(
        seeds=tuple(dict.fromkeys(arguments.seeds)),
        scenarios=tuple(dict.fromkeys(arguments.scenarios)),
        healthy=arguments.healthy,
        days=arguments.days,
        begin_s=None if arguments.begin is None else parse_time_s(arguments.begin, 0.0),
        climates=tuple(arguments.climates),
        window_s=arguments.window,
        knobs=Knobs(arguments.parameter_spread, arguments.noise, arguments.missing_sensors, arguments.lost_frames),
    )
    into: Path = arguments.into
    _, groups = prepare(options, into / FLEET)
    # Before the readings: whoever reads the pipe needs the fleet and the recorded repairs first.
    (into / TRUTH).write_bytes(truth_document(groups, finished=False))
    pieces = tables(groups, options)
    if arguments.stream:
        _to_pipe(pieces)
    else:
        rows = _to_file(pieces, into / READINGS)
        print(f"{rows:,} rows of {sum(len(group.simulator.vehicles) for group in groups)} trucks: {into / READINGS}")
    (into / TRUTH).write_bytes(truth_document(groups, finished=True))
    return 0


def _to_pipe(pieces: Iterator[pa.Table]) -> None:
    """Write an Arrow IPC stream to standard output, one record batch per piece so that windows stay whole."""
    first = next(pieces)
    try:
        with (
            os.fdopen(sys.stdout.fileno(), "wb", closefd=False) as pipe,
            pa.ipc.new_stream(pipe, first.schema) as writer,
        ):
            for piece in itertools.chain([first], pieces):
                for batch in piece.combine_chunks().to_batches():
                    writer.write_batch(batch)
                pipe.flush()
    except BrokenPipeError:
        raise ModelError("whoever read the stream has gone away") from None


def _to_file(pieces: Iterable[pa.Table], path: Path) -> int:
    """Write a Parquet file sorted by time and return its number of rows."""
    table = pa.concat_tables(list(pieces)).sort_by(
        [("time_ms", "ascending"), ("vehicle", "ascending"), ("axle", "ascending")]
    )
    pq.write_table(table, path, compression="zstd")
    return int(table.num_rows)


SIMULATE = Command(
    "simulate",
    SUMMARIES["simulate"],
    "Simulate many trucks as fast as the machine can: scenarios of the library, or healthy fleets, with their truth.\n"
    "The readings are a replay table (see edge/README.md); the truth file is described in simulators/README.md.",
    _arguments,
    _simulate,
    (
        "axlewright simulate --into weeks --seeds 2001 --scenarios dragging-brake seal-leak",
        "axlewright simulate --into year --healthy 20 --days 365 --begin 2025-01-01",
    ),
)
