"""Live values of a truck's sources in a table: for the person with the wrench, before the truck leaves the yard."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import msgspec
import numpy as np
from rich.console import Console, Group
from rich.live import Live

from axlewright_edge.clock import Clock
from axlewright_edge.config import AgentSettings, SensorsSettings, SimulatedSettings
from axlewright_edge.live_tables import Looked, Row, drawing_of
from axlewright_edge.sources.choose import make_source
from axlewright_edge.sources.combined import CombinedSource
from axlewright_edge.sources.iio_settings import WAVEFORMS, sensor_name
from axlewright_models.signals import CHANNELS, INDEX
from axlewright_models.wire.messages import SourceHealth

if TYPE_CHECKING:
    from axlewright_edge.sources.base import Source
    from axlewright_models.wire.frames import Window

DRAW_EVERY_S = 0.5
# A looker-on does not want to wait ten seconds for a first value, and an order needs a few turns of the shaft.
SHORTEST_WINDOW_S = 1.0
# Of a waveform so much is told in one number.
LATELY_S = 1.0


def look(
    settings: AgentSettings,
    clock: Clock,
    seconds: float,
    console: Console,
    wait: Callable[[float], object] = time.sleep,
) -> Looked:
    """Read an agent's source for so long and draw what comes.

    Nothing is sent and nothing is kept: a simulated truck's state is not saved, and nothing is said on a vehicle bus.

    Raises
    ------
    ModelError
        The source cannot be made or opened.
    """
    source = make_source(_harmless(settings, seconds), clock, wait)
    view = _View(source, clock, settings)
    source.open()
    try:
        with Live(console=console, auto_refresh=False, transient=False) as live:
            end_s, drawn_s = clock.elapsed() + seconds, clock.elapsed()
            while clock.elapsed() < end_s and not source.finished:
                view.take(source.read(min(0.1, end_s - clock.elapsed())))
                if clock.elapsed() - drawn_s >= DRAW_EVERY_S and console.is_terminal:
                    drawn_s = clock.elapsed()
                    live.update(view.drawing(console.width), refresh=True)
            looked = view.looked()
            live.update(view.drawing(console.width), refresh=True)
    except KeyboardInterrupt:
        looked = view.looked()
    finally:
        source.close()
    return looked


def named_channels(settings: AgentSettings) -> dict[str, str]:
    """Return what an agent file names: key of the row, and where in the file it stands.

    Examples
    --------
    >>> from axlewright_edge.config import parse_agent
    >>> agent = parse_agent('''
    ... fleet = "yard"
    ... vehicle = "t-1"
    ... outbox.path = "outbox.sqlite"
    ... [source]
    ... kind = "sensors"
    ... fleet_file = "fleet.toml"
    ... iio = [{device = "rtd", channels = [{attribute = "in_temp0", channel = "lube", axle = 2}]}]
    ... ''')
    >>> named_channels(agent)
    {'axle 2 lube': 'source.iio[0].channels[0]'}
    """
    source = settings.source
    if not isinstance(source, SensorsSettings):
        return {}
    return {
        sensor_name(entry, channel)
        if channel.channel in WAVEFORMS
        else f"{_place(channel.axle)} {channel.channel}": f"source.iio[{number}].channels[{position}]"
        for number, entry in enumerate(source.iio)
        for position, channel in enumerate(entry.channels)
    }


def _harmless(settings: AgentSettings, seconds: float) -> AgentSettings:
    source = settings.source
    if isinstance(source, SimulatedSettings):
        source = msgspec.structs.replace(source, state_file="")
    elif isinstance(source, SensorsSettings) and source.j1939 is not None:
        silent = msgspec.structs.replace(source.j1939, dm1=type(source.j1939.dm1)(), listen_only=True)
        source = msgspec.structs.replace(source, j1939=silent)
    window_s = min(settings.window_s, max(SHORTEST_WINDOW_S, seconds / 3.0))
    return msgspec.structs.replace(settings, source=source, window_s=window_s)


class _View:
    """Gathers what is shown."""

    def __init__(self, source: Source, clock: Clock, settings: AgentSettings) -> None:
        self._source = source
        self._clock = clock
        self._named = named_channels(settings)
        self._window: Window | None = None
        self._window_s = 0.0

    def take(self, window: Window | None) -> None:
        """Remember the newest window."""
        if window is not None:
            self._window = window
            self._window_s = self._clock.elapsed()

    def looked(self) -> Looked:
        """Return the rows and what is wrong."""
        rows, health = tuple(self._rows()), tuple(self._health())
        return Looked(rows, health, tuple(self._complaints(rows, health)))

    def drawing(self, width: int) -> Group:
        """Return the tables for a terminal of so many columns."""
        looked = self.looked()
        return drawing_of(looked, width)

    def _rows(self) -> Iterator[Row]:
        if isinstance(self._source, CombinedSource):
            yield from self._sensor_rows(self._source)
            yield from self._window_rows("vib/")
        else:
            yield from self._window_rows("")

    def _sensor_rows(self, source: CombinedSource) -> Iterator[Row]:
        names = source.names()
        for one in source.latest():
            verdict = "stale" if one.stale else "good" if one.plausible else _limits_of(one.channel)
            place = _place(one.axle)
            key, unit = f"{place} {one.channel}", _unit(one.channel)
            yield Row(names[one.source], key, place, _number(one.channel, one.value), unit, one.age_s, verdict)
        for sensor, piece in source.newest_pieces().items():
            lately = [part.samples for part in source.recent(piece.axle, LATELY_S) if part.sensor == sensor]
            samples = np.concatenate([piece.samples[:0], *lately]).astype(np.float64)
            samples = samples[np.isfinite(samples)]
            spread = float(samples.std()) if samples.size else float("nan")
            told = f"{spread:.3g} rms about {samples.mean():.3g}" if samples.size else "no sample"
            age_s = self._clock.elapsed() - piece.elapsed_s - piece.samples.size / piece.rate_hz
            verdict = "stale" if age_s > 1.0 else f"clipped {piece.clipped}" if piece.clipped else "good"
            unit = "m/s2" if piece.quantity == "acceleration" else "turns"
            yield Row(sensor, sensor, _place(piece.axle), f"{told}, {piece.rate_hz:.4g} Hz", unit, age_s, verdict)

    def _window_rows(self, prefix: str) -> Iterator[Row]:
        if self._window is None:
            return
        age_s = self._clock.elapsed() - self._window_s
        for axle, channels in ((0, self._window.vehicle), *sorted(self._window.axles.items())):
            for channel, value in channels.items():
                if channel.startswith(prefix):
                    place = _place(axle)
                    verdict = "good" if _within(channel, value) else _limits_of(channel)
                    told = _number(channel, value)
                    yield Row("window", f"{place} {channel}", place, told, _unit(channel), age_s, verdict)

    def _health(self) -> Sequence[SourceHealth]:
        return self._source.health() if isinstance(self._source, CombinedSource) else ()

    def _complaints(self, rows: Sequence[Row], health: Sequence[SourceHealth]) -> Iterator[str]:
        yield from (f"{one.name}: failed: {one.note}" for one in health if one.state == "failed")
        heard = {row.key for row in rows if row.verdict != "stale"}
        stale = {row.key for row in rows} - heard
        for key, where in self._named.items():
            if key not in heard:
                yield f"{where}: {key}: {'has fallen silent' if key in stale else 'was silent'}"
        if not rows:
            yield "source: gave no value at all"


def _place(axle: int) -> str:
    return f"axle {axle}" if axle else "vehicle"


def _unit(channel: str) -> str:
    return CHANNELS[INDEX[channel]].unit if channel in INDEX else ""


def _number(channel: str, value: float) -> str:
    words = CHANNELS[INDEX[channel]].words if channel in INDEX else ()
    return words[int(value)] if words and value in range(len(words)) else f"{value:.5g}"


def _within(channel: str, value: float) -> bool:
    return channel not in INDEX or CHANNELS[INDEX[channel]].low <= value <= CHANNELS[INDEX[channel]].high


def _limits_of(channel: str) -> str:
    entry = CHANNELS[INDEX[channel]]
    return f"implausible, not {entry.low:g} to {entry.high:g}"
