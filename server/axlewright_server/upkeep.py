"""Work between batches: seal hours every ten minutes, a few axles at a time; forget old records every hour."""

from __future__ import annotations

import logging
from collections.abc import Iterator

from axlewright_server.store import Store, sealing
from axlewright_server.store.sealing import HOT_MS, Retention

_LOG = logging.getLogger(__name__)
RETAIN_EVERY_S = 3600.0


class Upkeep:
    """Does one small step per call, so that frames never wait long."""

    def __init__(self, store: Store, rule: Retention | None = None) -> None:
        self._store = store
        self._rule = rule or Retention()
        self._sealing: Iterator[int] | None = None
        self._next_seal_s = 0.0
        self._next_retain_s = 0.0

    @property
    def busy(self) -> bool:
        """Return whether a sealing has begun and not ended."""
        return self._sealing is not None

    def step(self, now_s: float) -> None:
        """Do the next step if one is due."""
        if self._sealing is not None:
            if next(self._sealing, None) is None:
                self._sealing = None
        elif now_s >= self._next_seal_s:
            self._next_seal_s = now_s + HOT_MS / 1000.0
            self._sealing = sealing.seal(self._store, round(now_s * 1000) - HOT_MS)
        elif now_s >= self._next_retain_s:
            self._next_retain_s = now_s + RETAIN_EVERY_S
            with self._store.transaction():
                deleted = sealing.retain(self._store, self._rule, round(now_s * 1000))
            if deleted:
                _LOG.info("retention: %d rows deleted", deleted)
