"""A live bus through python-can, read by a thread of its own so that no frame waits in a small driver buffer."""

from __future__ import annotations

import threading
from collections import deque
from typing import TYPE_CHECKING, Any

from axlewright_edge.clock import Clock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.j1939.frames import NEEDS, BusFrame
from axlewright_edge.sources.j1939.identifier import FIRST_BROADCAST_FORMAT
from axlewright_edge.sources.j1939.routes import WANTED
from axlewright_edge.sources.j1939.settings import J1939Settings
from axlewright_edge.sources.j1939.talker import ADDRESS_CLAIMED, REQUEST, Talker
from axlewright_edge.sources.j1939.transport import CONNECTION, DATA

if TYPE_CHECKING:
    import can

# A full bus of 250 kbit/s carries about 1,800 frames a second: ten seconds of patience with a reader that is late.
MOST_WAITING = 20_000
PACE_S = 0.05
_REMEDIES = {
    "socketcan": "is it up? `ip link set {channel} up type can bitrate {bitrate} listen-only on`",
    "slcan": "is it the adapter's serial port, and may this user open it?",
    "udp_multicast": "is it a multicast address, and is msgpack installed (pip install 'python-can[multicast]')?",
    "virtual": "another bus of this process must bear that name",
}


def kernel_filters() -> list[dict[str, int | bool]]:
    """Return filters that let through what is of concern: groups that become channels, packets, talk of addresses.

    11-bit frames pass, to be counted.
    """
    whole, any_destination = 0x3FFFF00, 0x3FF0000
    groups = [(group, any_destination) for group in (CONNECTION, DATA, REQUEST, ADDRESS_CLAIMED)]
    groups += [
        (group, whole if group >> 8 & 0xFF >= FIRST_BROADCAST_FORMAT else any_destination) for group in sorted(WANTED)
    ]
    filters: list[dict[str, int | bool]] = [{"can_id": 0, "can_mask": 0, "extended": False}]
    return filters + [{"can_id": group << 8, "can_mask": mask, "extended": True} for group, mask in groups]


class LiveFeed:
    """Frames of one bus.

    Parameters
    ----------
    settings : J1939Settings
        Interface, channel, bitrate.
    clock : Clock
        Stamps frames as they arrive.
    talker : Talker, optional
        Asked about 20 times a second, in the reader's thread, what is to be sent.
    """

    finished = False

    def __init__(self, settings: J1939Settings, clock: Clock, talker: Talker | None = None) -> None:
        self._settings = settings
        self._clock = clock
        self._talker = talker
        self._bus: can.BusABC | None = None
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._came = threading.Condition()
        self._waiting: deque[BusFrame] = deque()
        self._failure = ""
        self.lost = 0
        self.unsent = ""

    def open(self) -> None:
        """Open the bus and begin to read.

        Raises
        ------
        SourceError
            python-can is missing, or there is no such bus.
        """
        self._stop.clear()
        self._failure = ""
        self._bus = self._opened()
        self._thread = threading.Thread(target=self._run, name=f"can {self._settings.channel}", daemon=True)
        self._thread.start()

    def read(self, timeout_s: float) -> list[BusFrame]:
        """Return the frames that have come since the last time.

        Raises
        ------
        SourceError
            The bus has failed.
        """
        with self._came:
            if not self._waiting and not self._failure:
                self._came.wait(timeout_s)
            frames = list(self._waiting)
            self._waiting.clear()
            if self._failure and not frames:
                raise SourceError(f"{self._settings.interface} {self._settings.channel}: {self._failure}")
        return frames

    def send(self, number: int, data: bytes) -> None:
        """Send one frame.

        Raises
        ------
        SourceError
            The bus is not open, or refuses.
        """
        import can

        if self._bus is None:
            raise SourceError(f"{self._settings.channel} is not open; nothing can be sent")
        try:
            self._bus.send(can.Message(arbitration_id=number, is_extended_id=True, data=data), timeout=0.1)
        except (can.CanError, OSError) as error:
            raise SourceError(f"{self._settings.channel}: a frame could not be sent: {error}") from error

    def close(self) -> None:
        """Stop reading and close the bus."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(5.0)
            self._thread = None
        if self._bus is not None:
            self._bus.shutdown()
            self._bus = None

    def _opened(self) -> can.BusABC:
        settings = self._settings
        try:
            import can
        except ModuleNotFoundError as error:
            raise SourceError(f"reading a vehicle bus needs {error.name!r}; {NEEDS}") from error
        # Any: each interface of python-can has keywords of its own.
        more: dict[str, Any] = {}
        if settings.interface == "slcan":
            more = {"bitrate": settings.bitrate, "listen_only": settings.listen_only}
        elif settings.interface == "socketcan":
            # There the kernel filters, at no cost; elsewhere a filter would cost more than it saves.
            more = {"can_filters": kernel_filters()}
        try:
            return can.Bus(interface=settings.interface, channel=settings.channel, **more)
        except (can.CanError, OSError, ValueError, ImportError) as error:
            remedy = _REMEDIES[settings.interface].format(channel=settings.channel, bitrate=settings.bitrate)
            raise SourceError(f"{settings.interface} {settings.channel} cannot be opened: {error}; {remedy}") from error

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._one_turn()
        except Exception as error:
            # The reader of the blocks is told; a thread that dies unseen would look like a silent truck.
            self._fail(f"{type(error).__name__}: {error}")

    def _one_turn(self) -> None:
        assert self._bus is not None
        message = self._bus.recv(PACE_S)
        now_s = self._clock.elapsed()
        if self._talker is not None:
            self._say(self._talker, now_s)
        if message is None or message.is_error_frame or message.is_remote_frame:
            return
        frame = BusFrame(now_s, message.arbitration_id, message.is_extended_id, bytes(message.data))
        if self._talker is not None:
            self._talker.hear(frame)
        with self._came:
            if len(self._waiting) >= MOST_WAITING:
                self._waiting.popleft()
                self.lost += 1
            self._waiting.append(frame)
            self._came.notify()

    def _say(self, talker: Talker, now_s: float) -> None:
        try:
            for frame in talker.due(now_s):
                self.send(frame.number, frame.data)
        except SourceError as error:
            # A bus that takes nothing can still be read.
            self.unsent = str(error)
        else:
            self.unsent = ""

    def _fail(self, text: str) -> None:
        with self._came:
            self._failure = text
            self._came.notify()
