"""From whole messages of the bus to samples of channels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from axlewright_edge.sources.blocks import Sample
from axlewright_edge.sources.j1939 import routes
from axlewright_edge.sources.j1939.axles import AxleFinder
from axlewright_edge.sources.j1939.database import SignalDatabase
from axlewright_edge.sources.j1939.height import HeightMode
from axlewright_edge.sources.j1939.preference import Preference
from axlewright_edge.sources.j1939.settings import J1939Settings
from axlewright_edge.sources.j1939.torque import TorqueEstimate
from axlewright_models.signals import CHANNELS, INDEX
from axlewright_models.spec import VehicleSpec

# A signal is silent when ten of its messages, and no less than this, have not come.
SHORTEST_PATIENCE_S = 2.0
MISSED_MESSAGES = 10


@dataclass
class Heard:
    """When a channel was last heard, how long it may be silent, and how often it was out of its channel's range."""

    at_s: float
    patience_s: float
    implausible: int = 0
    last_implausible: float = math.nan


class Translator:
    """Turns messages into samples, one truck's.

    Parameters
    ----------
    settings : J1939Settings
        Preferences, axle addresses, level codes.
    vehicle : VehicleSpec
        Its axles, and the ride height that relative levels are relative to.
    """

    def __init__(self, settings: J1939Settings, vehicle: VehicleSpec, database: SignalDatabase) -> None:
        self._database = database
        self._vehicle = vehicle
        self._preference = Preference(settings.prefer)
        self._finder = AxleFinder(settings, vehicle)
        self._torque = TorqueEstimate(settings.reference_torque_nm)
        self._mode = HeightMode(settings)
        self._level_axles = settings.level_axles or [axle.position for axle in vehicle.drive_axles]
        self._routes: dict[int, list[routes.Route]] = {}
        for route in routes.ROUTES:
            self._routes.setdefault(route.group, []).append(route)
        self.heard: dict[tuple[int, str], Heard] = {}
        self._elapsed_s = 0.0
        self._source = 0
        self._patience_s = SHORTEST_PATIENCE_S

    def take(self, group: int, source: int, data: bytes, elapsed_s: float) -> list[Sample]:
        """Take one message from a `source` address; return the samples that it gives."""
        if group not in routes.WANTED:
            return []
        numbers = self._database.decode(group, data)
        self._elapsed_s, self._source = elapsed_s, source
        self._patience_s = max(SHORTEST_PATIENCE_S, MISSED_MESSAGES * self._database.period_s(group))
        samples: list[Sample] = []
        for route in self._routes.get(group, ()):
            if route.spn in numbers:
                self._give(samples, 0, route.channel, numbers[route.spn] * route.scale, route.rank)
        if group in _SPECIAL:
            _SPECIAL[group](self, numbers, samples)
        return samples

    def notes(self) -> list[str]:
        """Return what a person should know of what has come so far."""
        notes = [
            f"{_named(axle, channel)} implausible {heard.implausible} times, last {heard.last_implausible:g}"
            for (axle, channel), heard in sorted(self.heard.items())
            if heard.implausible
        ]
        notes += self._finder.notes()
        if (0, "engine-speed") in self.heard:
            if not self._torque.reference_known:
                notes.append("no torque: reference torque not heard yet; reference_torque_nm can give it")
            elif not self._torque.friction_heard:
                notes.append("torque without engine friction, which is not sent")
        return notes

    def silent(self, elapsed_s: float) -> list[str]:
        """Return the channels that were heard once and are not heard any more."""
        return [_named(*key) for key, heard in sorted(self.heard.items()) if elapsed_s - heard.at_s > heard.patience_s]

    def _give(self, samples: list[Sample], axle: int, channel: str, value: float, rank: int = 0) -> None:
        if math.isnan(value) or not self._accepts((axle, channel), rank):
            return
        heard = self.heard.get((axle, channel))
        if heard is None:
            heard = self.heard[axle, channel] = Heard(self._elapsed_s, self._patience_s)
        heard.at_s, heard.patience_s = self._elapsed_s, self._patience_s
        limits = CHANNELS[INDEX[channel]]
        if not limits.low <= value <= limits.high:
            # Passed on all the same: the office flags it too, and a person can see what the sensor said.
            heard.implausible += 1
            heard.last_implausible = value
        samples.append(Sample(axle, channel, value, self._elapsed_s))

    def _accepts(self, key: object, rank: int = 0) -> bool:
        return self._preference.accepts(str(key), rank, self._source, self._elapsed_s, self._patience_s)

    def _engine(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if 190 in numbers:
            # An engine that speaks is switched on. Its silence says nothing: a cable may be off.
            self._give(samples, 0, "ignition", 1.0)
        if 513 in numbers and self._accepts("percent torque"):
            percent = numbers[513] + numbers.get(4154, 0.0)
            self._give(samples, 0, "torque", self._torque.engine(percent, self._elapsed_s))

    def _friction(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if 514 in numbers and self._accepts("friction"):
            self._torque.friction(numbers[514], self._elapsed_s)

    def _configuration(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if numbers.get(544, 0.0) > 0.0 and self._accepts("reference torque"):
            self._torque.reference(numbers[544])

    def _shafts(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if self._accepts("shafts"):
            self._torque.shafts(numbers.get(560), numbers.get(191), numbers.get(161), self._elapsed_s)

    def _gears(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if not numbers or not self._accepts("gears"):
            return
        ratio, current = numbers.get(526), numbers.get(523)
        known = self._vehicle.transmission.gear_ratios
        if ratio is None and current is not None and 1 <= current <= len(known) and len(known) > 1:
            ratio = known[int(current) - 1]
        self._give(samples, 0, "gear", self._torque.gear(ratio, current, self._elapsed_s))

    def _axle_temperature(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if 578 not in numbers:
            return
        place = self._finder.drive_axle(self._source, numbers.get(930))
        if place is not None:
            self._give(samples, place.axle, "lube", numbers[578], place.side)

    def _axle_weight(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if 582 not in numbers:
            return
        place = self._finder.any_axle(self._source, numbers.get(928))
        if place is not None:
            self._give(samples, place.axle, "axle-load", numbers[582], place.side)

    def _levels(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if not self._accepts("levels"):
            return
        self._mode.levels([numbers[spn] for spn in (1723, 1724) if spn in numbers], self._elapsed_s)
        for axle in self._level_axles:
            nominal_mm = self._vehicle.ride_height_mm(axle)
            for spn, channel in ((1724, "height/left"), (1723, "height/right")):
                if spn in numbers:
                    self._give(samples, axle, channel, nominal_mm + numbers[spn])

    def _level_state(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if 1733 in numbers and self._accepts("level state"):
            self._give(samples, 0, "height-mode", self._mode.code(int(numbers[1733]), self._elapsed_s))

    def _bellows(self, numbers: Mapping[int, float], samples: list[Sample]) -> None:
        if not self._accepts("bellows"):
            return
        for axle in self._level_axles:
            for spn, channel in ((1727, "bellows/left"), (1728, "bellows/right")):
                if spn in numbers:
                    self._give(samples, axle, channel, numbers[spn])


_SPECIAL = {
    routes.ENGINE: Translator._engine,
    routes.ENGINE_FRICTION: Translator._friction,
    routes.ENGINE_CONFIGURATION: Translator._configuration,
    routes.SHAFTS: Translator._shafts,
    routes.GEARS: Translator._gears,
    routes.AXLE_INFORMATION: Translator._axle_temperature,
    routes.VEHICLE_WEIGHT: Translator._axle_weight,
    routes.LEVELS: Translator._levels,
    routes.LEVEL_STATE: Translator._level_state,
    routes.BELLOWS: Translator._bellows,
}


def _named(axle: int, channel: str) -> str:
    return f"{channel} of axle {axle}" if axle else channel
