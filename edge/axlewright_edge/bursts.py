"""Raw waveforms for the office: on its command, or of the truck's own accord when a window stands out."""

from __future__ import annotations

import logging
import math
import statistics
from collections import defaultdict, deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Protocol, runtime_checkable

from axlewright_edge.burst_box import BurstBox
from axlewright_edge.burst_flow import BurstFlow
from axlewright_edge.burst_settings import BurstSettings
from axlewright_edge.clock import Clock, clock_is_set
from axlewright_edge.features import Waveform
from axlewright_models.errors import ModelError
from axlewright_models.vibration.quality import fill_gaps
from axlewright_models.wire.bursts import Waveforms, few_turns, pieces_of
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import Command, encode_burst_piece

LOGGER = logging.getLogger(__name__)
SHORTEST_BURST_S = 0.5
LOCAL = "local-"
DAY_S = 86_400.0
TRIGGER_CHANNELS = ("vib/rms", "vib/kurtosis")
# An hour of windows of 10 s tells what is usual; five minutes of them are the least.
USUAL_WINDOWS, FEWEST_WINDOWS = 360, 30


@runtime_checkable
class GivesWaveforms(Protocol):
    """A source that keeps the raw waveforms of its last minute."""

    def waveform_axles(self) -> list[int]:
        """Return the axles with an accelerometer."""

    def waveform(self, axle: int, seconds: float) -> Waveform | None:
        """Return the newest waveform of an axle, at most so long; None when nothing was recorded."""


class Bursts:
    """Records bursts and keeps them until they are sent.

    Parameters
    ----------
    settings : BurstSettings
        From the agent file.
    path : Path
        Where they wait.
    source : object
        Bursts are possible if it gives waveforms.
    clock : Clock
        The truck's clock.
    say : callable
        Told what a person should know.
    """

    def __init__(
        self, settings: BurstSettings, path: Path, source: object, clock: Clock, say: Callable[[str], None]
    ) -> None:
        self._settings = settings
        self._source = source
        self._clock = clock
        self._say = say
        self._usual: dict[tuple[int, str], deque[float]] = defaultdict(lambda: deque(maxlen=USUAL_WINDOWS))
        self.box = BurstBox(path, settings.max_bytes)
        self.flow = BurstFlow(self.box, say)

    def answer(self, command: Command) -> str:
        """Obey a command, and return what came of it: recorded, or refused and why."""
        source = self._source
        if not isinstance(source, GivesWaveforms):
            return "refused, capture-burst is not possible with this source"
        if not clock_is_set(self._clock):
            return "refused, the truck's clock is not set yet: nobody could tell when it was recorded"
        if self.box.known(command.id):
            return "done before, its pieces are sent or wait to be sent"
        if not SHORTEST_BURST_S <= command.seconds <= self._settings.max_seconds:
            longest = self._settings.max_seconds
            return f"refused, a burst is {SHORTEST_BURST_S:g} to {longest:g} s, not {command.seconds:g}"
        axles = source.waveform_axles()
        axle = command.axle if command.axle is not None else axles[0] if len(axles) == 1 else None
        if axle not in axles:
            known = " and ".join(str(one) for one in axles)
            asked = "no axle is named" if axle is None else f"axle {axle} has no accelerometer"
            return f"refused, {asked}; {known or 'none'} can be recorded"
        waveform = source.waveform(axle, command.seconds)
        if waveform is None or waveform.samples.shape[1] < SHORTEST_BURST_S * waveform.rate_hz:
            return f"refused, nothing was recorded of axle {axle} lately"
        if command.sample_rate_hz is not None and abs(command.sample_rate_hz / waveform.rate_hz - 1.0) > 0.02:
            return f"refused, axle {axle} is recorded at {waveform.rate_hz:g} Hz; ask for that, or for no rate"
        try:
            return self._record(command.id, waveform, "asked for by the office")
        except ModelError as error:
            return f"refused, {error}"

    def watch(self, window: Window) -> None:
        """Record a burst when a window stands out, if the agent file wants it."""
        if not self._settings.trigger or not isinstance(self._source, GivesWaveforms):
            return
        if not clock_is_set(self._clock):
            return  # Its name and its count within a day go by the date.
        for axle, values in window.axles.items():
            reasons = [self._stands_out(axle, channel, values) for channel in TRIGGER_CHANNELS]
            reason = next((one for one in reasons if one), "")
            if reason:
                self._trigger(axle, reason)

    def close(self) -> None:
        """Let go of the file."""
        self.box.close()

    def _stands_out(self, axle: int, channel: str, values: Mapping[str, float]) -> str:
        value = values.get(channel, math.nan)
        if not math.isfinite(value) or values.get("vib/quality", 0.0):
            return ""
        usual = self._usual[axle, channel]
        middle = statistics.median(usual) if len(usual) >= FEWEST_WINDOWS else math.inf
        usual.append(value)
        if value > self._settings.trigger_factor * middle:
            return f"{channel} {value:.3g}, {value / middle:.1f} times the usual"
        return ""

    def _trigger(self, axle: int, reason: str) -> None:
        now_s = self._clock.now()
        source = self._source
        assert isinstance(source, GivesWaveforms)  # watch has looked
        if self.box.made_since(LOCAL, now_s - DAY_S) >= self._settings.trigger_per_day:
            return
        name = f"{LOCAL}{axle}-{round(now_s)}"
        waveform = source.waveform(axle, self._settings.trigger_seconds)
        if waveform is None or self.box.known(name):
            return
        try:
            self._say(f"burst {name}: {self._record(name, waveform, reason)}, {reason}")
        except ModelError as error:
            self._say(f"burst {name}: not kept, {error}")

    def _record(self, name: str, waveform: Waveform, reason: str) -> str:
        now_s = self._clock.now()
        samples, missing = fill_gaps(waveform.samples)
        told = Waveforms(
            command=name,
            axle=waveform.axle,
            begin_s=round(now_s - (self._clock.elapsed() - waveform.begin_elapsed_s), 3),
            rate_hz=waveform.rate_hz,
            sensors=waveform.sensors or tuple(f"sensor {number + 1}" for number in range(samples.shape[0])),
            samples=samples.astype("f8"),
            turns=few_turns(waveform.turns, waveform.rate_hz),
            turns_tolerance=waveform.turns_tolerance,
            reason=reason if not missing.any() else f"{reason}; {100.0 * missing.max():.1f} % of samples bridged",
        )
        payloads = [encode_burst_piece(piece) for piece in pieces_of(told)]
        self.box.put(name, payloads, now_s)
        size = sum(len(payload) for payload in payloads)
        LOGGER.info("burst %s: %.1f s of axle %d, %d bytes", name, told.seconds, told.axle, size)
        return f"{told.seconds:.1f} s of axle {told.axle} recorded, {len(payloads)} pieces of {size} bytes in all"
