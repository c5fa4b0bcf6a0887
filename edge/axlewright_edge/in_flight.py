"""Which frames are on their way, what an ack frees, when to send again, and when to give a frame up.

Pure bookkeeping: no network, no clock of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

LONGEST_RESEND_S = 60.0


@dataclass(frozen=True)
class Patience:
    """How many frames may be on their way, and how long and how often an ack is waited for."""

    frames: int = 50
    resend_after_s: float = 10.0
    resends: int = 8


class InFlight:
    """The frames sent since the connection came up and not yet acknowledged by the office.

    After a resend only the oldest frame is sent until an ack shows that somebody is there: an office that is down for
    days costs one frame a minute, not a window of them.

    A resend counts against the oldest frame only when an ack arrived after it that does not cover the frame: an
    office that is silent (being restarted, say) costs no frame anything.

    Examples
    --------
    >>> flight = InFlight(Patience(frames=3, resend_after_s=10.0, resends=1))
    >>> for seq in (1, 2, 3):
    ...     flight.sent(seq, now_s=0.0)
    >>> flight.room, flight.acked(2, now_s=1.0), flight.room
    (0, True, 2)
    >>> flight.stalled(now_s=5.0), flight.stalled(now_s=11.5)
    (False, True)
    """

    def __init__(self, patience: Patience) -> None:
        self._patience = patience
        self._frames = patience.frames
        self._waiting: list[int] = []
        self._progress_s = 0.0
        self._round = 0
        self._head: int | None = None
        self._counted = 0
        self._resent_unanswered = False
        self._probing = False

    @property
    def room(self) -> int:
        """Return how many more frames may be sent now."""
        return max(0, (1 if self._probing else self._frames) - len(self._waiting))

    @property
    def oldest(self) -> int | None:
        """Return the lowest number on its way."""
        return self._waiting[0] if self._waiting else None

    def limit(self, frames: int) -> None:
        """Allow no more than `frames` at a time, because the broker says so."""
        self._frames = max(1, min(self._patience.frames, frames))

    def sent(self, seq: int, now_s: float) -> None:
        """Note that a frame went out."""
        if not self._waiting:
            self._progress_s = now_s
        self._waiting.append(seq)

    def acked(self, seq: int, now_s: float) -> bool:
        """Note the office's ack up to `seq`; return whether it covers anything that was on its way."""
        before = len(self._waiting)
        self._waiting = [waiting for waiting in self._waiting if waiting > seq]
        if self._head is not None and seq >= self._head:
            self._forget_round()
        elif self._resent_unanswered:
            self._counted += 1
            self._resent_unanswered = False
        if len(self._waiting) == before:
            return False
        self._progress_s = now_s
        self._round = 0
        self._probing = False
        return True

    def stalled(self, now_s: float) -> bool:
        """Return whether nothing was acknowledged for so long that all must be sent again."""
        wait_s = min(
            max(LONGEST_RESEND_S, self._patience.resend_after_s), self._patience.resend_after_s * 2**self._round
        )
        return bool(self._waiting) and now_s - self._progress_s >= wait_s

    def rewind(self, now_s: float) -> None:
        """Begin again with the oldest frame; the next wait is twice as long."""
        head = self.oldest
        if head is not None:
            if head != self._head:
                self._head, self._counted = head, 0
            self._resent_unanswered = True
            self._probing = True
            self._round = min(self._round + 1, 16)
        self._waiting = []
        self._progress_s = now_s

    def reconnected(self) -> None:
        """Forget what was on its way: a connection ended, all is sent again on the next one."""
        self._waiting = []
        self._round = 0
        self._resent_unanswered = False
        self._probing = False

    @property
    def hopeless(self) -> int | None:
        """Return the frame that was sent again often enough, every time answered by an ack that leaves it out."""
        return self._head if self._head is not None and self._counted >= self._patience.resends else None

    def give_up(self, seq: int) -> None:
        """Take a frame out of the books: it was set aside."""
        self._waiting = [waiting for waiting in self._waiting if waiting != seq]
        if seq == self._head:
            self._forget_round()

    def _forget_round(self) -> None:
        self._head, self._counted, self._resent_unanswered = None, 0, False
