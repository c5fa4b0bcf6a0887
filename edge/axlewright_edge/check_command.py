"""The command `axlewright check`: says what a fleet file or an agent file means, or what is wrong with it."""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.table import Table

from axlewright_edge.clock import SystemClock
from axlewright_edge.config import AgentSettings, ReplaySettings, SensorsSettings, load_agent
from axlewright_edge.errors import ConfigurationError, EdgeError
from axlewright_edge.sources.choose import axle_problems
from axlewright_edge.sources.iio_settings import IioChannelSettings
from axlewright_edge.transport import tls_context
from axlewright_models.command_line import Command
from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec, load_fleet


def kind_of(path: Path) -> str:
    """Return "fleet" or "agent", by the keys that only one of them has.

    Raises
    ------
    ConfigurationError
        The file cannot be read or is neither.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{path}: cannot be read: {error}") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"{path}: not valid TOML: {error}") from error
    if "vehicles" in table or "types" in table:
        return "fleet"
    if "vehicle" in table or "source" in table or "outbox" in table:
        return "agent"
    raise ConfigurationError(
        f"{path}: is neither a fleet file (tables [types.NAME], [vehicles.NAME]) nor an agent file (vehicle, [source])"
    )


def missing_files(settings: AgentSettings) -> list[str]:
    """Return what an agent would stumble over on this machine, one text each.

    A source's own files, the password, certificates and the outbox's folder are looked at; nothing is made.
    """
    problems: list[str] = []
    source, broker = settings.source, settings.broker
    key, name = ("file", source.file) if isinstance(source, ReplaySettings) else ("fleet_file", source.fleet_file)
    if not Path(name).is_file():
        problems.append(f"source.{key}: {name} is no file; correct the path")
    elif not isinstance(source, ReplaySettings):
        problems += _problem_of(lambda: load_fleet(name).vehicle(source.vehicle or settings.vehicle), "source.vehicle")
    if isinstance(source, SensorsSettings):
        recorded = {f"recording[{number}].file": entry.file for number, entry in enumerate(source.recording)}
        if source.j1939 is not None and source.j1939.file:
            recorded["j1939.file"] = source.j1939.file
        if Path(name).is_file():
            problems += _axle_problems(source, settings.vehicle)
        problems += [
            f"source.{key}: {name} is no file; correct the path"
            for key, name in recorded.items()
            if not Path(name).is_file()
        ]
    problems += _problem_of(broker.secret, "")
    if broker.address.tls:
        problems += _problem_of(lambda: tls_context(broker), "")
    outbox = Path(settings.outbox.path)
    if outbox.is_dir():
        problems.append(f"outbox.path: {outbox} is a folder; name a file in it")
    return problems


def _axle_problems(source: SensorsSettings, vehicle: str) -> list[str]:
    try:
        return list(axle_problems(source, load_fleet(source.fleet_file).vehicle(source.vehicle or vehicle)))
    except ModelError:
        # Said already: the truck is not in the fleet file.
        return []


def _problem_of(step: Callable[[], object], key: str) -> list[str]:
    try:
        step()
    except ModelError as error:
        return [f"{key}: {error}" if key else str(error)]
    return []


def fleet_table(fleet: FleetSpec) -> Table:
    """Return a fleet as a table, one row a truck."""
    table = Table(title=f"{fleet.name} ({fleet.fleet}): {len(fleet.vehicles)} trucks")
    for column in ("vehicle", "type", "drive axles", "ratio", "ride height mm", "lube", "own limits"):
        table.add_column(column, overflow="fold", no_wrap=column == "vehicle")
    for vehicle in fleet.vehicles.values():
        axles = vehicle.drive_axles
        table.add_row(
            vehicle.id,
            vehicle.type,
            ", ".join(f"{axle.position} {axle.role}" for axle in axles),
            ", ".join(f"{axle.ratio:.2f}" for axle in axles),
            ", ".join(f"{vehicle.ride_height_mm(axle.position):g}" for axle in axles),
            ", ".join(dict.fromkeys(axle.lube.grade for axle in axles)),
            ", ".join(f"{name} {value:g}" for name, value in vehicle.limits.items()) or "-",
        )
    return table


def agent_table(settings: AgentSettings) -> Table:
    """Return an agent as a table of keys and values; a password is not shown."""
    broker, source, outbox = settings.broker, settings.source, settings.outbox
    table = Table(title=f"agent of {settings.fleet}/{settings.vehicle}")
    table.add_column("what")
    table.add_column("value", overflow="fold")
    address = broker.address
    rows = {
        "broker": f"{address.host}, port {address.port}, {'TLS' if address.tls else 'not encrypted'}",
        "MQTT version": "5, else 3.1.1" if broker.version == "auto" else broker.version,
        "user": broker.user or "-",
        "password": "given" if broker.password or broker.password_file else "-",
        "frames on their way": f"{broker.in_flight} at most",
        "outbox": f"{outbox.path}: {outbox.max_frames} frames or {outbox.max_bytes / 2**20:.1f} MiB",
        "when full": f"of the oldest readings one in {outbox.keep_one_in} is kept",
        "window": f"{settings.window_s:g} s",
    }
    for what, value in {**rows, **_source_rows(source, settings.vehicle)}.items():
        table.add_row(what, value)
    return table


def _source_rows(source: object, vehicle: str) -> dict[str, str]:
    if isinstance(source, ReplaySettings):
        speed = f"{source.speed:g} x" if source.speed else "as fast as possible"
        return {"source": f"replay of {source.file}, {speed}", "recorded vehicle": source.vehicle or vehicle}
    if isinstance(source, SensorsSettings):
        parts = {
            f"device {entry.device}": f"{entry.mode}: {', '.join(_channel_text(channel) for channel in entry.channels)}"
            for entry in source.iio
        }
        parts |= {f"recording {Path(entry.file).name}": f"axle {entry.axle}" for entry in source.recording}
        if source.j1939 is not None:
            bus = source.j1939
            parts["vehicle bus"] = bus.file or f"{bus.interface} {bus.channel}, {bus.bitrate // 1000} kbit/s"
        overlap = f", {source.overlap:.0%} overlap" if source.overlap else ""
        return {"source": f"sensors{overlap}, fleet file {source.fleet_file}", **parts}
    fleet_file, speed_up = getattr(source, "fleet_file", ""), getattr(source, "speed_up", 1.0)
    return {"source": f"simulated, {speed_up:g} x, fleet file {fleet_file}"}


def _channel_text(channel: IioChannelSettings) -> str:
    place = f"axle {channel.axle} " if channel.axle else ""
    return f"{channel.attribute} is {place}{channel.channel}"


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", nargs="+", metavar="FILE", help="fleet file or agent file (TOML)")
    parser.add_argument(
        "--live",
        nargs="?",
        type=_seconds,
        const=10.0,
        metavar="SECONDS",
        help="open an agent file's source and show the live values of every channel for so long (10)",
    )


def _seconds(text: str) -> float:
    seconds = float(text)
    if not 1.0 <= seconds <= 86_400.0:
        raise argparse.ArgumentTypeError(f"{text} is not 1 to 86400 seconds")
    return seconds


def _run(options: argparse.Namespace) -> int:
    console, bad = Console(), 0
    for name in options.files:
        try:
            _check(Path(name), console, options.live)
        except ModelError as error:
            bad += 1
            console.print(f"wrong: {error}", style="bold", markup=False, highlight=False, soft_wrap=True)
    return 1 if bad else 0


def _check(path: Path, console: Console, live_s: float | None) -> None:
    if kind_of(path) == "fleet":
        console.print(fleet_table(load_fleet(path)))
    else:
        settings = load_agent(path)
        console.print(agent_table(settings))
        problems = missing_files(settings)
        if problems:
            raise EdgeError("\n       ".join(f"{path}: {problem}" for problem in problems))
        if live_s is not None:
            _look(path, settings, live_s, console)
    console.print(f"good: {path}", markup=False, highlight=False, soft_wrap=True)


def _look(path: Path, settings: AgentSettings, seconds: float, console: Console) -> None:
    from axlewright_edge.live_view import look

    looked = look(settings, SystemClock(), seconds, console)
    if looked.complaints:
        raise EdgeError("\n       ".join(f"{path}: {complaint}" for complaint in looked.complaints))


CHECK = Command(
    name="check",
    summary="check a fleet file or an agent file and say what is wrong",
    description=(
        "Check fleet files and agent files. Says what was understood, or where the fault is, what it is and how to\n"
        "mend it. Nothing is started and nothing is written. With --live the source of an agent file is opened and\n"
        "its values are shown with unit, age and plausibility; nothing is sent. Exit code 1 when a file is wrong, a\n"
        "source has failed, or a channel that the file names was silent."
    ),
    add_arguments=_add_arguments,
    run=_run,
    examples=(
        "axlewright check fleet.toml",
        "axlewright check /etc/axlewright/agent.toml",
        "axlewright check agent.toml --live 30",
    ),
)
