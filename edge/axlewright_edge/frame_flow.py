"""From the outbox to the wire and back: what is sent next, what an ack frees, what is set aside."""

from __future__ import annotations

import logging
from collections.abc import Callable

from axlewright_edge.in_flight import InFlight, Patience
from axlewright_edge.outbox import Entry, Outbox
from axlewright_edge.rate_limit import RateLimit
from axlewright_models.errors import FrameError
from axlewright_models.wire.frames import Frame, encode_frame

LOGGER = logging.getLogger(__name__)
BATCH = 20
# Fixed header, topic (at most 12 + 3 x 65 bytes), packet id and properties beside the payload.
PACKET_OVERHEAD_BYTES = 240
# A silent office is told of after a minute, then after twice as long each time, at least once an hour.
FIRST_WARNING_S = 60.0
WARNING_EVERY_S = 3600.0


class FrameFlow:
    """Sends the outbox's frames in order, at most a window of them at a time.

    Parameters
    ----------
    fleet, vehicle : str
        Whose frames these are.
    outbox : Outbox
        Where they wait.
    patience : Patience
        How many may be on their way, how long and how often an ack is waited for.
    say : callable
        Told what a person should know.
    rate : RateLimit, optional
        How many bytes a second may go out.
    """

    def __init__(
        self,
        fleet: str,
        vehicle: str,
        outbox: Outbox,
        patience: Patience,
        say: Callable[[str], None],
        rate: RateLimit | None = None,
    ) -> None:
        self._fleet = fleet
        self._vehicle = vehicle
        self._outbox = outbox
        self._patience = patience
        self._flight = InFlight(patience)
        self._say = say
        self._rate = rate if rate is not None else RateLimit(0.0)
        self._cursor = 0
        self._stream = outbox.stream
        self._silent_since_s: float | None = None
        self._warn_after_s = FIRST_WARNING_S
        self._unconfirmed: set[int] = set()
        self._confirmed_s = 0.0
        self._largest_bytes: int | None = None

    @property
    def stream(self) -> str:
        """Return the outbox's stream."""
        return self._outbox.stream

    @property
    def caught_up(self) -> bool:
        """Return whether no frame waits to be sent."""
        return self._outbox.last_ready <= self._cursor

    def may_send(self, now_s: float) -> bool:
        """Return whether the rate limit allows anything now."""
        return self._rate.open(now_s)

    def spent(self, count: int, now_s: float) -> None:
        """Note that so many bytes of something else went out over the same link."""
        self._rate.spend(count, now_s)

    def broker_limits(self, frames: int | None, packet_bytes: int | None) -> None:
        """Heed what the broker said when it accepted the connection (MQTT 5)."""
        self._flight.limit(self._patience.frames if frames is None else frames)
        self._largest_bytes = None if packet_bytes is None else packet_bytes - PACKET_OVERHEAD_BYTES

    def acked(self, seq: int, now_s: float, stream: str | None = None) -> None:
        """Free what the office has committed."""
        self._silent_since_s = None
        self._warn_after_s = FIRST_WARNING_S
        self._flight.acked(seq, now_s)
        self._outbox.free(seq, stream)

    def tend(self, now_s: float) -> None:
        """Send again what was not acknowledged in time; set aside what has no hope left."""
        if self._outbox.stream != self._stream:
            # The outbox was damaged and began afresh: what was on its way is in no book any more.
            self._stream = self._outbox.stream
            self._flight.reconnected()
            self._cursor = 0
        seq = self._flight.hopeless
        if seq is not None:
            self._set_aside(seq, f"not acknowledged after {self._patience.resends} resends")
            self._rewind(now_s)
        # While the broker still owes its own confirmations a resend would only pile up in the client's memory.
        elif self._flight.stalled(now_s) and not self._unconfirmed:
            LOGGER.debug("%s: no ack, sending again from %s", self._vehicle, self._flight.oldest)
            self._warn_of_silence(now_s)
            self._rewind(now_s)

    def pump(self, publish: Callable[[bytes], int | None], now_s: float) -> None:
        """Publish frames while there is room; `publish` returns the packet's id, or None when the line is gone."""
        while self._flight.room and self._rate.open(now_s) and (ready := self._outbox.last_ready) > self._cursor:
            entries = self._outbox.entries(self._cursor, min(BATCH, self._flight.room))
            if not entries:
                self._cursor = ready
                return
            for entry in entries:
                if not self._rate.open(now_s):
                    return
                self._cursor = entry.seq
                payload = self._encoded(entry)
                if payload is None:
                    break  # set aside: what follows must be read anew, its forerunner has changed
                packet = publish(payload)
                if packet is None:
                    return
                self._rate.spend(len(payload) + PACKET_OVERHEAD_BYTES, now_s)
                if not self._unconfirmed:
                    self._confirmed_s = now_s
                self._unconfirmed.add(packet)
                self._flight.sent(entry.seq, now_s)

    def confirmed(self, packet: int, now_s: float) -> bool:
        """Note the broker's own confirmation; return whether the packet was a frame."""
        if packet not in self._unconfirmed:
            return False
        self._unconfirmed.discard(packet)
        self._confirmed_s = now_s
        return True

    def unconfirmed_for(self, now_s: float) -> float:
        """Return how long the broker has been owing a confirmation. [s]"""
        return now_s - self._confirmed_s if self._unconfirmed else 0.0

    def disconnected(self) -> None:
        """Begin with the oldest frame again on the next connection."""
        self._flight.reconnected()
        self._flight.limit(self._patience.frames)
        self._largest_bytes = None
        self._unconfirmed.clear()
        self._cursor = 0

    def _rewind(self, now_s: float) -> None:
        self._flight.rewind(now_s)
        self._cursor = 0

    def _encoded(self, entry: Entry) -> bytes | None:
        frame = Frame(self._fleet, self._vehicle, entry.stream, entry.seq, entry.windows, entry.after, entry.thinned)
        try:
            payload = encode_frame(frame)
        except FrameError as error:
            self._set_aside(entry.seq, str(error), entry.stream)
            return None
        if self._largest_bytes is not None and len(payload) > self._largest_bytes:
            self._set_aside(entry.seq, f"{len(payload)} bytes; the broker takes {self._largest_bytes}", entry.stream)
            return None
        return payload

    def _set_aside(self, seq: int, reason: str, stream: str | None = None) -> None:
        self._outbox.set_aside([seq], reason, stream)
        self._flight.give_up(seq)
        LOGGER.warning("%s: frame %d set aside: %s", self._vehicle, seq, reason)
        self._say(f"frame {seq} set aside: {reason}")

    def _warn_of_silence(self, now_s: float) -> None:
        if self._silent_since_s is None:
            self._silent_since_s = now_s - self._patience.resend_after_s
        silent_s = now_s - self._silent_since_s
        if silent_s >= self._warn_after_s:
            self._warn_after_s = silent_s + min(silent_s, WARNING_EVERY_S)
            text = (
                f"the office has acknowledged nothing for {silent_s / 60.0:.0f} min; {self._outbox.queued} frames wait"
            )
            LOGGER.warning("%s: %s", self._vehicle, text)
            self._say(text)
