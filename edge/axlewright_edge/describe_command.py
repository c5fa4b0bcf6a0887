"""The command `axlewright describe`: what a recorded waveform tells, for people who have no truck at hand."""

from __future__ import annotations

import argparse
import csv
import json
import math
import statistics
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table

from axlewright_edge.describe_picture import picture
from axlewright_edge.describing import Subject, Told, check_window, describe, verdict, waveform_of
from axlewright_edge.errors import ConfigurationError
from axlewright_edge.sources.recording_settings import Column, WaveformForm, problems
from axlewright_edge.sources.waveform_form import Recorded, read_recording
from axlewright_models.bearings import Geometry
from axlewright_models.command_line import Command
from axlewright_models.orders import Train
from axlewright_models.signals import CHANNELS, INDEX, QUALITY_BITS
from axlewright_models.spec import load_fleet
from axlewright_models.vibration.from_spec import geometry_of, train_of

MOST_COLUMNS = 6


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="recording: .wav, .csv, .npy, .mat or .parquet")
    file = parser.add_argument_group("the file (edge/WAVEFORMS.md describes its form)")
    file.add_argument("--rate", type=float, metavar="HZ", help="sample rate, where the file does not tell it")
    file.add_argument("--channels", default="", metavar="LIST", help="accelerometers: names or numbers, with commas")
    file.add_argument("--scale", type=float, default=1.0, metavar="M_S2", help="m/s2 per unit of the file (default 1)")
    file.add_argument("--full-scale", type=float, metavar="M_S2", help="end of the sensors' range, in m/s2")
    file.add_argument("--variable", default="", metavar="NAME", help="array of a .mat file")
    shaft = parser.add_argument_group("how the driveshaft turned (one of these)")
    shaft.add_argument("--shaft-speed", metavar="RPM|COLUMN", help="in 1/min: one number, or a column")
    shaft.add_argument("--speed", metavar="KM_H|COLUMN", help="road speed in km/h: one number, or a column")
    shaft.add_argument("--turns", metavar="COLUMN", help="driveshaft turns so far")
    shaft.add_argument("--tacho", metavar="COLUMN", help="pulses of a tacho on the driveshaft")
    shaft.add_argument("--pulses-per-turn", type=int, default=1, metavar="N")
    truck = parser.add_argument_group("the truck, or as much of it as is known")
    truck.add_argument("--fleet-file", metavar="FILE", help="with --vehicle and --axle: everything from there")
    truck.add_argument("--vehicle", metavar="ID")
    truck.add_argument("--axle", type=int, metavar="N", help="from the front; the steer axle is 1")
    truck.add_argument("--teeth", metavar="RING/PINION", help="of the axle, such as 41/12")
    truck.add_argument("--revolutions-per-km", type=float, default=313.0, metavar="N", help="of the tyres")
    truck.add_argument("--gear-ratio", type=float, metavar="R", help="driven during the recording")
    truck.add_argument(
        "--bearing", metavar="N,d,D[,ANGLE]", help="elements, their and the pitch diameter in mm, degrees"
    )
    parser.add_argument("--window", type=float, default=10.0, metavar="SECONDS", help="length of a window (default 10)")
    parser.add_argument("--json", action="store_true", help="print everything as JSON")
    parser.add_argument("--table", metavar="FILE.csv", help="write the windows in the replay table form")
    parser.add_argument("--begin", metavar="TIME", help="when the recording began, ISO 8601 in UTC, for --table")
    parser.add_argument("--picture", metavar="FILE.svg", help="draw the spectra of the first window")


def _run(options: argparse.Namespace) -> int:
    form = _form(options)
    for problem in problems(form, "arguments"):
        raise ConfigurationError(problem)
    subject = _subject(options)
    recorded = read_recording(Path(options.file), form)
    check_window(recorded, options.window)
    windows = describe(recorded, subject, options.window)
    if options.table:
        _write_table(Path(options.table), windows, options)
    if options.picture:
        _draw(Path(options.picture), recorded, subject, windows[0], options)
    if options.json:
        print(json.dumps(_document(recorded, subject, windows), indent=2))
    else:
        _print(recorded, subject, windows, options)
    return 0


def _column(text: str | None) -> Column | None:
    return None if text is None else int(text) if text.isdigit() else text


def _number_or_column(text: str | None, option: str) -> float | str | None:
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        return text
    if not 0.0 <= value < 10_000.0:
        raise ConfigurationError(f"{option} is {text}; give a speed from 0 on, or the name of a column")
    return value


def _form(options: argparse.Namespace) -> WaveformForm:
    if options.rate is not None and not 0.0 < options.rate <= 1e6:
        raise ConfigurationError(f"--rate is {options.rate:g}; give samples per second, above 0")
    if not options.scale > 0.0 or (options.full_scale is not None and not options.full_scale > 0.0):
        raise ConfigurationError("--scale and --full-scale must lie above 0")
    if not 1 <= options.pulses_per_turn <= 1000:
        raise ConfigurationError(f"--pulses-per-turn is {options.pulses_per_turn}; a tacho gives 1 to 1000")
    names = [name.strip() for name in options.channels.split(",") if name.strip()]
    return WaveformForm(
        rate_hz=options.rate,
        channels=tuple(column for name in names if (column := _column(name)) is not None),
        scale_m_s2=options.scale,
        full_scale_m_s2=options.full_scale,
        variable=options.variable,
        turns=_column(options.turns),
        tacho=_column(options.tacho),
        pulses_per_turn=options.pulses_per_turn,
        shaft_speed=_number_or_column(options.shaft_speed, "--shaft-speed"),
        road_speed=_number_or_column(options.speed, "--speed"),
    )


def _subject(options: argparse.Namespace) -> Subject:
    bearing = None if options.bearing is None else _bearing(options.bearing)
    if options.fleet_file is None:
        train = None if options.teeth is None else _train(options.teeth, options.revolutions_per_km)
        return Subject(train, options.gear_ratio, bearing, options.axle or 1)
    if options.vehicle is None or options.axle is None:
        raise ConfigurationError("--fleet-file needs --vehicle and --axle beside it")
    vehicle = load_fleet(options.fleet_file).vehicle(options.vehicle)
    own = vehicle.axle(options.axle).bearing
    if bearing is None and own is not None:
        bearing = geometry_of(own)
    return Subject(train_of(vehicle, options.axle), options.gear_ratio, bearing, options.axle)


def _train(text: str, revolutions_per_km: float) -> Train:
    ring, _, pinion = text.partition("/")
    if not (ring.isdigit() and pinion.isdigit()):
        raise ConfigurationError(f"--teeth is {text!r}; give ring and pinion gear, such as 41/12")
    return Train(revolutions_per_km, int(ring), int(pinion))


def _bearing(text: str) -> Geometry:
    parts = text.split(",")
    try:
        count, *sizes = int(parts[0]), *(float(part) for part in parts[1:])
    except ValueError:
        sizes = []
    if len(sizes) not in (2, 3):
        raise ConfigurationError(
            f"--bearing is {text!r}; give elements, their and the pitch diameter, such as 17,14,90"
        )
    return Geometry(count, sizes[0], sizes[1], sizes[2] if len(sizes) == 3 else 0.0)


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
        print("How the shaft turned is not known: no orders. Give --shaft-speed, --speed, --turns or --tacho.")
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
    try:
        begin = datetime.fromisoformat(options.begin)
    except ValueError:
        raise ConfigurationError(f"--begin is {options.begin!r}; give ISO 8601, such as 2026-05-04T06:00:00Z") from None
    begin = begin if begin.tzinfo else begin.replace(tzinfo=UTC)
    names = sorted({name for window in windows for name in window.channels}, key=lambda name: INDEX[name])
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["time", "vehicle", "axle", "shaft-speed", *names])
        for window in windows:
            time = (begin + timedelta(seconds=window.end_s)).astimezone(UTC).isoformat().replace("+00:00", "Z")
            if window.shaft_hz > 0.0:
                writer.writerow([time, options.vehicle, 0, f"{60.0 * window.shaft_hz:.6g}", *([""] * len(names))])
            cells = [f"{window.channels[name]:.9g}" if name in window.channels else "" for name in names]
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
        "axlewright describe run.npy --rate 6400 --speed 82 --teeth 41/12 --json",
    ),
)
