"""What stands on the vehicle bus as trouble codes: the guard's words, and advisories that a person has confirmed."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence

from axlewright_edge.guard_faults import LEVEL, temperature_spn, trouble_of
from axlewright_edge.sources.j1939.dm1 import Lamp, Lamps, TroubleCode
from axlewright_models.errors import ModelError
from axlewright_models.spec import VehicleSpec
from axlewright_models.wire.messages import AdvisoryMessage, decode_message

Announce = Callable[[Lamps, Sequence[TroubleCode]], None]
CONFIRMED = "acknowledged"
# After a new connection the broker hands over all that it has retained; what it leaves out by then is closed.
HANDED_OVER_WITHIN_S = 15.0
# Failure modes of a temperature by urgency: 0 high and most severe, 16 moderately, 15 least; 31: a condition exists.
_HEAT_MODES = {"stop-safely-now": 0, "within-a-day": 16, "next-service": 15}
_CONDITION = 31
OTHER_SPN = 520192  # the first of the manufacturers' range


def advisory_code(message: AdvisoryMessage, vehicle: VehicleSpec) -> TroubleCode:
    """Return the trouble code of an advisory: by the channels that speak for it, and its urgency."""
    channels = [evidence.channel for evidence in message.evidence]
    if any(channel.startswith(("lube", "sump")) for channel in channels):
        return TroubleCode(temperature_spn(vehicle, message.axle), _HEAT_MODES[message.urgency])
    if any(channel.startswith(("height", "bellows")) for channel in channels):
        return TroubleCode(LEVEL, _CONDITION)
    return TroubleCode(OTHER_SPN, _CONDITION)


class BusFaults:
    """Joins words and confirmed advisories, and announces every change.

    Parameters
    ----------
    announce : callable
        Takes lamps and codes.
    vehicle : VehicleSpec
        Its axles' roles choose the codes.
    elapsed : callable
        A time that never jumps back. [s]
    """

    def __init__(self, announce: Announce, vehicle: VehicleSpec, elapsed: Callable[[], float] = time.monotonic) -> None:
        self._announce = announce
        self._vehicle = vehicle
        self._elapsed = elapsed
        self._lock = threading.Lock()
        self._words: Mapping[int, str] = {}
        self._confirmed: dict[str, AdvisoryMessage] = {}
        self._unheard: set[str] = set()
        self._begun_s = 0.0

    def tell(self, words: Mapping[int, str]) -> None:
        """Take the guard's words."""
        with self._lock:
            self._words = dict(words)
            self._say()

    def begin(self) -> None:
        """Note a new connection: all advisories that stand are about to be heard again."""
        with self._lock:
            self._unheard = set(self._confirmed)
            self._begun_s = self._elapsed()

    def take(self, item: str, payload: bytes) -> None:
        """Take what the office retains under an advisory's id; nothing when it was taken back.

        Raises
        ------
        ModelError
            It is no advisory of this truck.
        """
        message = decode_message(payload, AdvisoryMessage) if payload else None
        if message is not None and (message.id, message.vehicle) != (item, self._vehicle.id):
            raise ModelError(f"advisory {item} is not of this truck")
        with self._lock:
            self._unheard.discard(item)
            if message is not None and message.state == CONFIRMED:
                self._confirmed[item] = message
            else:
                self._confirmed.pop(item, None)
            self._say()

    def tend(self) -> None:
        """Forget what was closed while there was no link."""
        with self._lock:
            if not self._unheard or self._elapsed() - self._begun_s < HANDED_OVER_WITHIN_S:
                return
            for item in self._unheard:
                self._confirmed.pop(item, None)
            self._unheard = set()
            self._say()

    def _say(self) -> None:
        lamps, codes = trouble_of(self._words, self._vehicle)
        told = list(self._confirmed.values())
        stop = lamps.red_stop is Lamp.STEADY or any(one.urgency == "stop-safely-now" for one in told)
        amber = lamps.amber is Lamp.STEADY or any(one.urgency != "stop-safely-now" for one in told)
        self._announce(
            Lamps(red_stop=Lamp.STEADY if stop else Lamp.OFF, amber=Lamp.STEADY if amber else Lamp.OFF),
            sorted({*codes, *(advisory_code(one, self._vehicle) for one in told)}),
        )
