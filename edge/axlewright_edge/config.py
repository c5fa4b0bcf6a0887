"""The agent file: one TOML file says whose truck this is, where the office's broker is and where readings come from.

It fails whole, before anything runs, with the path of the wrong key.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

from axlewright_edge.address import Address, parse_address
from axlewright_edge.burst_settings import BurstSettings
from axlewright_edge.clock import Trust
from axlewright_edge.errors import ConfigurationError, LinkError
from axlewright_edge.guard_settings import GuardSettings
from axlewright_edge.outbox import Bounds
from axlewright_edge.sources.iio_settings import IioSettings
from axlewright_edge.sources.iio_settings import problems as iio_problems
from axlewright_edge.sources.j1939.settings import J1939Settings
from axlewright_edge.sources.recording_settings import RecordingSettings
from axlewright_edge.sources.recording_settings import problems as recording_problems
from axlewright_models.file_errors import readable
from axlewright_models.signals import INDEX

SHORTEST_WINDOW_S = 1.0
LONGEST_WINDOW_S = 600.0
# Two windows of raw samples are held: 9 MB for a minute of three sensors at 6.4 kHz, 92 MB for ten: own choice.
LONGEST_WITH_WAVEFORMS_S = 60.0
Identifier = Annotated[str, Meta(pattern="^[a-z0-9][a-z0-9-]{0,63}$")]
WindowSeconds = Annotated[float, Meta(ge=SHORTEST_WINDOW_S, le=LONGEST_WINDOW_S)]


class _Table(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the file: unknown keys are errors, nothing can change afterwards."""


class BrokerSettings(_Table, frozen=True, kw_only=True):
    """Where to send. ``mqtts://`` means TLS; the three files are PEM."""

    url: str = "mqtt://127.0.0.1:18642"
    user: str = ""
    password: str = ""
    password_file: str = ""
    authority_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    version: Literal["auto", "5", "3.1.1"] = "auto"
    keep_alive_s: Annotated[int, Meta(ge=5, le=1200)] = 30
    in_flight: Annotated[int, Meta(ge=20, le=100)] = 50
    resend_after_s: Annotated[float, Meta(ge=0.1, le=600)] = 10.0
    resends: Annotated[int, Meta(ge=2, le=100)] = 8
    status_every_s: Annotated[float, Meta(ge=1, le=3600)] = 60.0
    rate_limit_bytes_per_s: Annotated[float, Meta(ge=0)] = 0.0

    @property
    def address(self) -> Address:
        """Return the parsed `url`."""
        return parse_address(self.url)

    def secret(self) -> str:
        """Return the password, from its file when one is named.

        Raises
        ------
        LinkError
            The file cannot be read.
        """
        if not self.password_file:
            return self.password
        try:
            return Path(self.password_file).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise LinkError(f"broker.password_file: {self.password_file} cannot be read: {error}") from error


class OutboxSettings(_Table, frozen=True, kw_only=True):
    """Where frames wait and how many may."""

    path: str = ""
    max_frames: Annotated[int, Meta(ge=10, le=10_000_000)] = 200_000
    max_bytes: Annotated[int, Meta(ge=16 * 1024)] = 256 * 1024 * 1024
    keep_one_in: Annotated[int, Meta(ge=2, le=100)] = 2

    @property
    def bounds(self) -> Bounds:
        """Return the bounds as the outbox takes them."""
        return Bounds(self.max_frames, self.max_bytes, self.keep_one_in)


class SimulatedSettings(
    Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, tag_field="kind", tag="simulated"
):
    """A truck that does not exist. With `speed_up` above 1 it drives from `begin` until it meets the present."""

    fleet_file: str
    vehicle: str = ""
    seed: int = 1
    state_file: str = ""
    speed_up: Annotated[float, Meta(gt=0, le=100_000)] = 1.0
    begin: datetime | None = None
    anchor: datetime | None = None


class ReplaySettings(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, tag_field="kind", tag="replay"):
    """Recorded readings in the replay table form; `speed` 0 means as fast as the office takes them."""

    file: str
    vehicle: str = ""
    speed: Annotated[float, Meta(ge=0, le=1_000_000)] = 1.0


class SensorsSettings(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, tag_field="kind", tag="sensors"):
    """A truck's own sensors, several sources combined; `fleet_file` holds teeth, bearing and tyre of the truck.

    ``stale_after_s`` maps channel names to how long a value is still taken as the present one.
    """

    fleet_file: str
    vehicle: str = ""
    overlap: Annotated[float, Meta(ge=0, le=0.9)] = 0.0
    recent_s: Annotated[float, Meta(ge=0, le=600)] = 20.0
    stale_after_s: dict[str, Annotated[float, Meta(gt=0, le=3600)]] = {}
    j1939: J1939Settings | None = None
    iio: tuple[IioSettings, ...] = ()
    recording: tuple[RecordingSettings, ...] = ()


SourceSettings = SimulatedSettings | ReplaySettings | SensorsSettings
KINDS = ("simulated", "replay", "sensors")


class AgentSettings(_Table, frozen=True, kw_only=True):
    """One agent, complete."""

    fleet: Identifier
    vehicle: Identifier
    source: SimulatedSettings | ReplaySettings | SensorsSettings
    outbox: OutboxSettings
    broker: BrokerSettings = BrokerSettings()
    guard: GuardSettings = GuardSettings()
    bursts: BurstSettings = BurstSettings()
    window_s: WindowSeconds = 10.0
    trust_clock: Trust = "date"


def load_agent(path: str | Path) -> AgentSettings:
    """Return the agent that a TOML file describes. Relative paths in it are taken from the file's own folder.

    Raises
    ------
    ConfigurationError
        The file cannot be read, or a key is wrong (the text holds its path).
    """
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(f"{file}: cannot be read: {error}") from error
    return parse_agent(text, str(file), file.parent)


def parse_agent(text: str, where: str = "agent file", folder: Path | None = None) -> AgentSettings:
    """Return the agent that a TOML text describes; `where` names it in errors, `folder` completes relative paths.

    Raises
    ------
    ConfigurationError
        The text is no TOML, or a key is missing, unknown or out of range.

    Examples
    --------
    >>> agent = parse_agent('''
    ... fleet = "harrow-vale"
    ... vehicle = "hv-101"
    ... outbox.path = "outbox.sqlite"
    ... source = {kind = "replay", file = "day.csv"}
    ... ''')
    >>> agent.broker.in_flight, agent.window_s
    (50, 10.0)
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"{where}: not valid TOML: {error}") from error
    if "source" in table and isinstance(table["source"], dict):
        _check_kind(table["source"], where)
    try:
        settings = msgspec.convert(_complete(table, folder), AgentSettings)
    except msgspec.ValidationError as error:
        raise ConfigurationError(f"{where}: {readable(str(error), AgentSettings)}") from error
    _check(settings, where)
    return settings


# Keys that hold a path; relative ones are relative to the agent file, not to where the agent happened to be started.
_PATHS = {
    "outbox": ("path",),
    "broker": ("password_file", "authority_file", "certificate_file", "key_file"),
    "source": ("file", "fleet_file", "state_file"),
    "j1939": ("file",),
    "guard": ("limits_file", "lamp_file"),
    "iio": ("root", "device_folder"),
    "recording": ("file",),
}


def _complete(table: dict[str, Any], folder: Path | None) -> dict[str, Any]:
    # Any: a TOML table is free-form until msgspec has checked it.
    if folder is None:
        return table
    complete = {name: _completed(name, inner, folder) for name, inner in table.items()}
    source = complete.get("source")
    if isinstance(source, dict):
        complete["source"] = {name: _completed(name, inner, folder) for name, inner in source.items()}
    return complete


def _completed(name: str, inner: Any, folder: Path) -> Any:
    if name not in _PATHS:
        return inner
    if isinstance(inner, list):
        return [_completed(name, entry, folder) for entry in inner]
    if not isinstance(inner, dict):
        return inner
    paths = {key: str(folder / inner[key]) for key in _PATHS[name] if isinstance(inner.get(key), str) and inner[key]}
    return {**inner, **paths}


def _check_kind(source: dict[str, Any], where: str) -> None:
    if source.get("kind") not in KINDS:
        *others, last = (f'"{kind}"' for kind in KINDS)
        raise ConfigurationError(f"{where}: source.kind is {source.get('kind')!r}; use {', '.join(others)} or {last}")


def _check(settings: AgentSettings, where: str) -> None:
    broker = settings.broker
    if not settings.outbox.path:
        raise ConfigurationError(f"{where}: outbox.path is missing; name the file in which frames wait")
    try:
        tls = broker.address.tls
    except LinkError as error:
        raise ConfigurationError(f"{where}: broker.url: {error}") from error
    if broker.password and broker.password_file:
        raise ConfigurationError(f"{where}: broker.password and broker.password_file are both given; keep one")
    if (broker.password or broker.password_file) and not broker.user:
        raise ConfigurationError(f"{where}: broker.user is missing, though a password is given")
    if bool(broker.certificate_file) != bool(broker.key_file):
        raise ConfigurationError(f"{where}: broker.certificate_file and broker.key_file go together; give both or none")
    if not tls and (broker.authority_file or broker.certificate_file):
        raise ConfigurationError(f"{where}: broker.url has no TLS though certificates are given; use mqtts://")
    source = settings.source
    if isinstance(source, SensorsSettings):
        _check_sensors(source, where)
        _check_window(source, settings.window_s, where)
    if isinstance(source, SimulatedSettings) and source.speed_up > 1.0 and source.begin is None:
        raise ConfigurationError(
            f"{where}: source.speed_up is {source.speed_up:g} but source.begin is missing; name a past time"
        )
    for key in ("begin", "anchor"):
        value = getattr(source, key, None)
        if value is not None and value.tzinfo is None:
            raise ConfigurationError(f"{where}: source.{key} has no time zone; end it with Z for UTC")


def _check_sensors(source: SensorsSettings, where: str) -> None:
    if source.j1939 is None and not source.iio and not source.recording:
        raise ConfigurationError(
            f"{where}: source: names no sensor; add a table [source.j1939], [[source.iio]] or [[source.recording]]"
        )
    problems = [
        *(text for number, entry in enumerate(source.iio) for text in iio_problems(entry, f"source.iio[{number}]")),
        *(
            text
            for number, entry in enumerate(source.recording)
            for text in recording_problems(entry, f"source.recording[{number}]")
        ),
        *_unequal_rates(source),
    ]
    if problems:
        raise ConfigurationError("\n".join(f"{where}: {problem}" for problem in problems))
    for name in source.stale_after_s:
        if name not in INDEX:
            raise ConfigurationError(
                f"{where}: source.stale_after_s.{name}: is no channel; use one of {', '.join(INDEX)}"
            )


def _check_window(source: SensorsSettings, window_s: float, where: str) -> None:
    sampled = bool(source.recording) or any(
        channel.channel == "acceleration" for entry in source.iio for channel in entry.channels
    )
    if sampled and window_s > LONGEST_WITH_WAVEFORMS_S:
        raise ConfigurationError(
            f"{where}: window_s is {window_s:g}; with accelerometers a window has at most "
            f"{LONGEST_WITH_WAVEFORMS_S:g} s, or its samples fill a small gateway's memory"
        )


def _unequal_rates(source: SensorsSettings) -> Iterator[str]:
    """Yield where accelerometers of one axle are sampled at different rates: one axle's window has one rate."""
    rates: dict[int, float] = {}
    for number, entry in enumerate(source.iio):
        for channel in entry.channels:
            if channel.channel != "acceleration" or entry.rate_hz is None:
                continue
            first_hz = rates.setdefault(channel.axle, entry.rate_hz)
            if first_hz != entry.rate_hz:
                yield (
                    f"source.iio[{number}].rate_hz: is {entry.rate_hz:g}, but another accelerometer of axle "
                    f"{channel.axle} has {first_hz:g}; sample both alike"
                )
