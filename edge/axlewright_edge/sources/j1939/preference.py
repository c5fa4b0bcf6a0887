"""Of several senders of one signal, use one: the same as last time while it speaks."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class _Holder:
    place: tuple[int, int, int]
    heard_s: float


class Preference:
    """Chooses one sender for each signal, never a mixture.

    Order: by `rank` (the better of two signals that mean the same), then by the list of preferred source addresses,
    then by the lower address, which on the bus wins arbitration too. A worse sender takes over once the better one has
    been silent for longer than its patience, and hands back at the better one's next word.

    Examples
    --------
    >>> chosen = Preference(prefer=[11])
    >>> chosen.accepts("speed", 0, 0, 10.0, 2.0), chosen.accepts("speed", 0, 11, 10.1, 2.0)
    (True, True)
    >>> chosen.accepts("speed", 0, 0, 10.2, 2.0), chosen.accepts("speed", 0, 0, 13.0, 2.0)
    (False, True)
    """

    def __init__(self, prefer: Sequence[int] = ()) -> None:
        self._order = {address: place for place, address in enumerate(prefer)}
        self._holders: dict[Hashable, _Holder] = {}

    def accepts(self, key: Hashable, rank: int, source: int, elapsed_s: float, patience_s: float) -> bool:
        """Return whether to use what `source` [address] says of `key` now."""
        place = (rank, self._order.get(source, len(self._order)), source)
        holder = self._holders.get(key)
        if holder is not None and place > holder.place and elapsed_s - holder.heard_s <= patience_s:
            return False
        self._holders[key] = _Holder(place, elapsed_s)
        return True
