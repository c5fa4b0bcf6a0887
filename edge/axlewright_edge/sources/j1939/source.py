"""The vehicle bus as a source of blocks."""

from __future__ import annotations

from collections.abc import Sequence

from axlewright_edge.clock import Clock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.blocks import Block, Sample
from axlewright_edge.sources.j1939 import transport
from axlewright_edge.sources.j1939.database import SignalDatabase
from axlewright_edge.sources.j1939.dm1 import Lamps, TroubleCode
from axlewright_edge.sources.j1939.frames import BusFrame, Feed
from axlewright_edge.sources.j1939.identifier import Identifier
from axlewright_edge.sources.j1939.live import LiveFeed
from axlewright_edge.sources.j1939.recorded import RecordedFeed
from axlewright_edge.sources.j1939.settings import Dm1Settings, J1939Settings
from axlewright_edge.sources.j1939.talker import Talker
from axlewright_edge.sources.j1939.translator import Translator
from axlewright_models.spec import VehicleSpec
from axlewright_models.wire.messages import SourceHealth

# A bus that is awake is never silent for so long.
SILENT_AFTER_S = 5.0
NOTE_LENGTH = 400


class J1939Source:
    """Reads a vehicle bus, or a recording of one.

    Parameters
    ----------
    settings : J1939Settings
        From the agent file.
    vehicle : VehicleSpec
        The truck's axles.
    clock : Clock
        Stamps what arrives.
    feed : Feed, optional
        In place of the one that the settings name.

    Raises
    ------
    SourceError
        python-can or cantools is not installed, or the settings contradict each other.
    """

    def __init__(self, settings: J1939Settings, vehicle: VehicleSpec, clock: Clock, feed: Feed | None = None) -> None:
        _check(settings, vehicle)
        self._settings = settings
        self._vehicle = vehicle
        self._clock = clock
        self._database = SignalDatabase()
        self._talker = _talker(settings.dm1)
        self._feed = feed or self._chosen_feed()
        self.name = f"j1939 {settings.file or settings.channel}"
        self._fresh()

    @property
    def finished(self) -> bool:
        """Whether a recording has ended."""
        return self._feed.finished

    def open(self) -> None:
        """Open the bus or the recording.

        Raises
        ------
        SourceError
            It cannot be opened.
        """
        self._fresh()
        try:
            self._feed.open()
        except SourceError as error:
            self._failure = str(error)
            raise

    def read(self, timeout_s: float) -> Block:
        """Return what has come.

        Raises
        ------
        SourceError
            The bus or the recording has failed.
        """
        samples: list[Sample] = []
        try:
            frames = self._feed.read(timeout_s)
        except SourceError as error:
            self._failure = str(error)
            raise
        for frame in frames:
            self._heard_s = frame.elapsed_s
            samples.extend(self._samples(frame))
        return Block(values=tuple(samples))

    def health(self) -> SourceHealth:
        """Return how the bus is doing."""
        if self._failure:
            return SourceHealth(name=self.name, state="failed", note=self._failure[:NOTE_LENGTH])
        # A recording that is read faster than life has a time of its own.
        now_s = self._heard_s if self._settings.file else self._clock.elapsed()
        quiet = now_s - self._heard_s > SILENT_AFTER_S
        silent = self._translator.silent(now_s)
        notes: list[str] = []
        if quiet:
            notes.append("nothing heard on the bus" if self._frames else "nothing heard on the bus yet")
        elif silent:
            notes.append(f"silent: {', '.join(silent)}")
        notes += self._translator.notes()
        if self._short_identifiers:
            notes.append(f"{self._short_identifiers} frames with 11-bit identifiers ignored")
        if self._transport.given_up:
            notes.append(f"{self._transport.given_up} multi-packet messages incomplete")
        if self._talker is not None and self._talker.problem:
            notes.append(self._talker.problem)
        if self._feed.unsent:
            notes.append(f"not sent: {self._feed.unsent}")
        if self._feed.lost:
            notes.append(f"{self._feed.lost} frames lost, read too late")
        return SourceHealth(
            name=self.name, state="stale" if quiet or silent else "ok", note="; ".join(notes)[:NOTE_LENGTH]
        )

    def close(self) -> None:
        """Let go of the bus."""
        self._feed.close()

    def announce(self, lamps: Lamps, codes: Sequence[TroubleCode]) -> None:
        """Tell trouble codes on the bus, or that there are none any more; nothing happens unless DM1 is enabled."""
        if self._talker is not None:
            self._talker.tell(lamps, codes)

    def _chosen_feed(self) -> Feed:
        if self._settings.file:
            return RecordedFeed(self._settings, self._clock)
        return LiveFeed(self._settings, self._clock, self._talker)

    def _fresh(self) -> None:
        self._translator = Translator(self._settings, self._vehicle, self._database)
        self._transport = transport.Transport()
        self._heard_s = self._clock.elapsed()
        self._failure = ""
        self._frames = 0
        self._short_identifiers = 0

    def _samples(self, frame: BusFrame) -> Sequence[Sample]:
        self._frames += 1
        if not frame.extended:
            self._short_identifiers += 1
            return ()
        identifier = Identifier.parse(frame.number)
        if identifier.group not in (transport.CONNECTION, transport.DATA):
            return self._translator.take(identifier.group, identifier.source, frame.data, frame.elapsed_s)
        whole = self._transport.take(
            identifier.group, identifier.source, identifier.destination, frame.data, frame.elapsed_s
        )
        if whole is None:
            return ()
        return self._translator.take(whole.group, whole.source, whole.data, frame.elapsed_s)


def make_j1939(settings: J1939Settings, vehicle_spec: VehicleSpec, clock: Clock) -> J1939Source:
    """Return the source that the table ``[source.j1939]`` describes.

    Raises
    ------
    SourceError
        What reads a bus is not installed, or the settings contradict each other.
    """
    return J1939Source(settings, vehicle_spec, clock)


def _talker(settings: Dm1Settings) -> Talker | None:
    if not settings.enabled or settings.source_address is None or settings.name is None:
        return None
    return Talker(settings.source_address, settings.name)


def _check(settings: J1939Settings, vehicle: VehicleSpec) -> None:
    known = {axle.position for axle in vehicle.axles}
    for key, axles in (("axles", [entry.axle for entry in settings.axles]), ("level_axles", settings.level_axles)):
        for axle in axles:
            if axle not in known:
                raise SourceError(f"source.j1939.{key}: {vehicle.id} has no axle {axle}; use one of {sorted(known)}")
    dm1 = settings.dm1
    if not dm1.enabled:
        return
    if dm1.source_address is None or dm1.name is None:
        raise SourceError(
            "source.j1939.dm1 needs source_address (one that is free on this truck) and name (the 64-bit NAME for it)"
        )
    if settings.file:
        raise SourceError("source.j1939.dm1.enabled: a recording cannot be sent on; remove it or the file")
    if settings.listen_only:
        raise SourceError("source.j1939.dm1.enabled needs source.j1939.listen_only = false")
