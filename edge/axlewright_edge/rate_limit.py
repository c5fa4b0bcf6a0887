"""How many bytes a second may go out: a slow or costly link is shared with others."""

from __future__ import annotations


class RateLimit:
    """A credit that grows with time and is spent by sending; 0 bytes a second means no limit.

    What is sent may overdraw the credit once, so that a frame larger than a second's worth goes out too; the next one
    waits until the debt is paid.

    Examples
    --------
    >>> limit = RateLimit(1000.0)
    >>> limit.spend(1500, now_s=0.0)
    >>> limit.open(now_s=0.4), limit.open(now_s=0.6)
    (False, True)
    """

    def __init__(self, bytes_per_s: float) -> None:
        self._bytes_per_s = bytes_per_s
        self._credit_bytes = bytes_per_s
        self._at_s: float | None = None

    def open(self, now_s: float) -> bool:
        """Return whether something may be sent now."""
        if self._bytes_per_s <= 0.0:
            return True
        self._grow(now_s)
        return self._credit_bytes > 0.0

    def spend(self, count: int, now_s: float) -> None:
        """Note that so many bytes went out."""
        if self._bytes_per_s > 0.0:
            self._grow(now_s)
            self._credit_bytes -= count

    def _grow(self, now_s: float) -> None:
        since_s = 0.0 if self._at_s is None else now_s - self._at_s
        # No more than one second's worth is saved up: a pause must not be followed by a flood.
        self._credit_bytes = min(self._bytes_per_s, self._credit_bytes + self._bytes_per_s * since_s)
        self._at_s = now_s
