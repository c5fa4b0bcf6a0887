"""The command `axlewright describe`: what a recorded waveform tells, for people who have no truck at hand."""

from __future__ import annotations

import argparse
import csv
import json
import math
import statistics
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from axlewright_edge.describe_options import (
    SHAFT_UNKNOWN,
    add_waveform_arguments,
    assumptions,
    begin_of,
    form_of,
    option_of,
    subject_of,
)
from axlewright_edge.describe_picture import picture
from axlewright_edge.describing import Subject, Told, check_window, describe, verdict, waveform_of, window_of
from axlewright_edge.errors import ConfigurationError
from axlewright_edge.replay_readings import TABLE_COLUMNS, is_table
from axlewright_edge.sources.waveform_form import Recorded, read_recording
from axlewright_models.command_line import Command
from axlewright_models.signals import CHANNELS, INDEX, QUALITY_BITS

MOST_COLUMNS = 6


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="recording: .wav, .csv, .npy, .mat or .parquet")
    parser.add_argument("--vehicle", metavar="ID", help="which truck, with --fleet-file or --table")
    add_waveform_arguments(parser, "--speed", "--road-speed")
    parser.add_argument("--json", action="store_true", help="print everything as JSON")
    parser.add_argument("--table", metavar="FILE.csv", help="write the windows in the replay table form; needs --begin")
    parser.add_argument("--picture", metavar="FILE.svg", help="draw the spectra of the first window")


def _run(options: argparse.Namespace) -> int:
    form = form_of(options, "--speed")
    subject = subject_of(options, options.vehicle)
    _refuse_table(Path(options.file))
    recorded = read_recording(Path(options.file), form, option_of("--speed"))
    check_window(recorded, options.window)
    windows = describe(recorded, subject, options.window)
    try:
        if options.table:
            _write_table(Path(options.table), windows, options)
        if options.picture:
            _draw(Path(options.picture), recorded, subject, windows[0], options)
    except OSError as error:
        raise ConfigurationError(
            f"{error.filename}: cannot be written ({error.strerror}); name a file in a folder that exists"
        ) from error
    if options.json:
        print(json.dumps(_document(recorded, subject, windows) | {"assumed": assumptions(options)}, indent=2))
    else:
        _print(recorded, subject, windows, options)
    return 0


def _refuse_table(path: Path) -> None:
    """Tell a table of windows from raw samples, which alone can be described."""
    if path.is_file() and path.stat().st_size and path.suffix.lower() in (".csv", ".parquet") and is_table(path):
        raise ConfigurationError(
            f"{path}: is a table of windows (it has a column {' or '.join(TABLE_COLUMNS)}), which axlewright "
            "replay sends; describe takes raw samples"
        )


def _document(recorded: Recorded, subject: Subject, windows: list[Told]) -> dict[str, Any]:
    # Any: a JSON document is what it is.
    return {
        "rate_hz": recorded.rate_hz,
        "seconds": recorded.seconds,
        "sensors": list(recorded.sensors),
        "windows": [
            {
                "begin_s": window.begin_s,
                "end_s": window.end_s,
                "shaft_hz": window.shaft_hz,
                "channels": window.channels,
                "bearing": _bearing_document(window),
            }
            for window in windows
        ],
        "bearing": verdict(windows) if subject.bearing is not None else None,
    }


def _bearing_document(window: Told) -> dict[str, Any] | None:
    decision = window.bearing
    if decision is None:
        return None
    return {"fault": decision.fault, "sureness": decision.sureness, "reason": decision.reason}


def _print(recorded: Recorded, subject: Subject, windows: list[Told], options: argparse.Namespace) -> None:
    sensors = f"{len(recorded.sensors)} sensor{'s' if len(recorded.sensors) > 1 else ''}"
    print(f"{options.file}: {recorded.seconds:.1f} s, {recorded.rate_hz:g} Hz, {sensors}")
    told = len(windows) <= MOST_COLUMNS
    heads = [f"{window.begin_s:.0f}-{window.end_s:.0f} s" for window in windows] if told else ["middle", "low", "high"]
    table = Table("channel", *heads, "unit")
    speeds = [60.0 * window.shaft_hz for window in windows]
    if any(speeds):
        table.add_row("driveshaft speed", *(f"{value:.0f}" for value in _shown(speeds, told)), "1/min")
    names = sorted({name for window in windows for name in window.channels}, key=lambda name: INDEX[name])
    for name in names:
        values = [window.channels.get(name, math.nan) for window in windows]
        if name == "vib/quality":
            doubts = [_doubts(value) for value in values]
            table.add_row(name, *(doubts if told else [", ".join(sorted(set(doubts))), "", ""]), "")
        else:
            table.add_row(name, *(_text(value) for value in _shown(values, told)), CHANNELS[INDEX[name]].unit)
    Console().print(table)
    if not any(speeds):
        print(SHAFT_UNKNOWN.format(speed="--speed"))
    for assumed in assumptions(options):
        print(f"Assumed: {assumed}.")
    if subject.bearing is not None:
        print(f"Bearing: {verdict(windows)}")


def _shown(values: list[float], told: bool) -> list[float]:
    known = [value for value in values if not math.isnan(value)]
    if told or not known:
        return values if told else [math.nan] * 3
    return [statistics.median(known), min(known), max(known)]


def _text(value: float) -> str:
    return "" if math.isnan(value) else f"{value:.3g}" if value < 1000.0 else f"{value:.0f}"


def _doubts(value: float) -> str:
    bits = 0 if math.isnan(value) else int(value)
    return " ".join(word for place, word in enumerate(QUALITY_BITS) if bits >> place & 1) or "sound"


def _write_table(path: Path, windows: list[Told], options: argparse.Namespace) -> None:
    if options.vehicle is None or options.begin is None or options.axle is None:
        raise ConfigurationError("--table needs --vehicle, --axle and --begin: whose windows they are, and of when")
    begin = begin_of(options.begin)
    made = [window_of(window, options.axle, begin) for window in windows]
    names = sorted({name for window in made for name in window.axles[options.axle]}, key=lambda name: INDEX[name])
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["time", "vehicle", "axle", "shaft-speed", *names])
        for window in made:
            time = datetime.fromtimestamp(window.time_s, UTC).isoformat().replace("+00:00", "Z")
            if window.vehicle:
                writer.writerow([time, options.vehicle, 0, repr(window.vehicle["shaft-speed"]), *([""] * len(names))])
            values = window.axles[options.axle]
            # All digits: a replay of the table sends what a replay of the waveform sends.
            cells = [repr(values[name]) if name in values else "" for name in names]
            writer.writerow([time, options.vehicle, options.axle, "", *cells])


def _draw(path: Path, recorded: Recorded, subject: Subject, window: Told, options: argparse.Namespace) -> None:
    turns, tolerance = recorded.shaft_turns(subject.turns_per_km)
    first, last = (round(edge_s * recorded.rate_hz) for edge_s in (window.begin_s, window.end_s))
    waveform = waveform_of(recorded, subject, turns, tolerance, first, last)
    title = f"{Path(options.file).name}, {window.begin_s:.0f} to {window.end_s:.0f} s, sensor {recorded.sensors[0]}"
    path.write_text(picture(waveform, subject, title), encoding="utf-8")


DESCRIBE = Command(
    name="describe",
    summary="tell what a recorded vibration holds: orders, envelope, doubts, a bearing's defect",
    description=(
        "Compute the channels of a truck from a recorded waveform, window by window, by the functions of the live\n"
        "path, and say whether a bearing's defect stands out. Nothing is sent anywhere."
    ),
    add_arguments=_add_arguments,
    run=_run,
    examples=(
        "axlewright describe pinion.wav --scale 160 --shaft-speed 1500 --teeth 41/12 --bearing 17,14,90,15",
        "axlewright describe run.csv --tacho pulse --fleet-file fleet.toml --vehicle hv-101 --axle 2 --picture run.svg",
        "axlewright describe run.npy --rate 6400 --speed 82 --teeth 41/12 --revolutions-per-km 318 --json",
    ),
)
