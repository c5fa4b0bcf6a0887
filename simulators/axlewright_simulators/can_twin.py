"""A simulated truck on a bus of python-can, for those who have no truck: run it, and read the bus as on a truck.

python -m axlewright_simulators.can_twin --interface socketcan --channel vcan0
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from axlewright_models.spec import FleetSpec, load_fleet
from axlewright_models.wire.frames import Window
from axlewright_simulators.can_messages import (
    Message,
    configuration_message,
    fast_messages,
    level_messages,
    slow_messages,
)
from axlewright_simulators.demo_fleet import demo_fleet
from axlewright_simulators.source import SimulatedTruck

TICK_S = 0.1
CONFIGURATION_EVERY = 50  # ticks
SLOW_EVERY = 10
ELEVEN_BIT = 0x123  # some other unit's frame, which is no J1939


@dataclass(frozen=True)
class Frame:
    """One frame for the bus, `at_s` after the tick's begin."""

    number: int
    extended: bool
    data: bytes
    at_s: float = 0.0


class Bus(Protocol):
    """As much of python-can's bus as is needed here."""

    # Any: python-can's message class, which this package does not import.
    def send(self, msg: Any, timeout: float | None = None) -> None:
        """Send one message."""


def frames_of(message: Message) -> list[Frame]:
    """Return the frames of one message; a long one is announced to all and sent in packets of 7 bytes, 50 ms apart."""
    if len(message.data) <= 8:
        return [Frame(message.priority << 26 | message.group << 8 | message.source, True, message.data)]
    size, count = len(message.data), -(-len(message.data) // 7)
    head = bytes([32, size & 0xFF, size >> 8, count, 0xFF]) + message.group.to_bytes(3, "little")
    frames = [Frame(7 << 26 | 0xECFF << 8 | message.source, True, head)]
    for place in range(count):
        part = message.data[7 * place : 7 * place + 7]
        data = bytes([place + 1]) + part.ljust(7, b"\xff")
        frames.append(Frame(7 << 26 | 0xEBFF << 8 | message.source, True, data, 0.05 * (place + 1)))
    return frames


class CanTwin:
    """The frames of one simulated truck, a tenth of a second at a time.

    Parameters
    ----------
    fleet : FleetSpec
        The fleet file.
    vehicle : str
        The truck.
    begin_s : float
        Unix time of the first tick. [s]
    seed : int
        Of the simulation.

    Examples
    --------
    >>> twin = CanTwin(demo_fleet(), "hv-101", begin_s=1.7e9)
    >>> sorted({frame.number & 0xFF for frame in twin.tick() if frame.extended})
    [0, 3, 9, 10, 11, 47]
    """

    def __init__(self, fleet: FleetSpec, vehicle: str, begin_s: float, seed: int = 1) -> None:
        self._truck = SimulatedTruck(fleet, vehicle, seed)
        self._ride_height_mm = fleet.vehicle(vehicle).suspension.ride_height_mm
        self._begin_s = begin_s
        self._count = 0
        self._pending: list[tuple[float, Frame]] = []
        self.window = Window(begin_s)

    def tick(self) -> list[Frame]:
        """Return the frames of the next tenth of a second, in the order in which they are sent."""
        now_s = self._count * TICK_S
        if self._count % SLOW_EVERY == 0:
            # The truck is driven a second at a time; in between its values stand.
            self.window = self._truck.window(self._begin_s + now_s + 1.0, 1.0)
        vehicle, axles = self.window.vehicle, self.window.axles
        messages = fast_messages(vehicle) + level_messages(vehicle, axles, self._ride_height_mm)
        if self._count % SLOW_EVERY == 0:
            messages += slow_messages(vehicle, axles)
            self._pending.append((now_s, Frame(ELEVEN_BIT, False, b"\x00" * 8)))
        if self._count % CONFIGURATION_EVERY == 0:
            messages.append(configuration_message())
        self._pending += [(now_s + frame.at_s, frame) for message in messages for frame in frames_of(message)]
        self._count += 1
        due = sorted((entry for entry in self._pending if entry[0] < now_s + TICK_S), key=lambda entry: entry[0])
        self._pending = [entry for entry in self._pending if entry[0] >= now_s + TICK_S]
        return [frame for _, frame in due]

    def ticks(self) -> Iterator[list[Frame]]:
        """Yield tick after tick, for ever."""
        while True:
            yield self.tick()


def drive(twin: CanTwin, bus: Bus, seconds: float) -> None:
    """Send a truck's frames on a bus, in real time."""
    import can

    begin = time.monotonic()
    for count, frames in enumerate(twin.ticks()):
        if count * TICK_S >= seconds:
            return
        time.sleep(max(0.0, begin + count * TICK_S - time.monotonic()))
        for frame in frames:
            bus.send(can.Message(arbitration_id=frame.number, is_extended_id=frame.extended, data=frame.data))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a truck on a bus until it is stopped, or for some seconds."""
    parser = argparse.ArgumentParser(prog="can_twin", description="A simulated truck on a bus of python-can.")
    parser.add_argument("--interface", default="socketcan", help="python-can's name of the interface")
    parser.add_argument("--channel", default="vcan0", help="python-can's name of the channel")
    parser.add_argument("--fleet", help="fleet file; left out, that of the invented haulier")
    parser.add_argument("--vehicle", default="hv-101", help="a truck of that fleet")
    parser.add_argument("--seed", type=int, default=1, help="of the simulation")
    parser.add_argument("--begin", type=float, help="Unix time at which the truck's day begins; left out, now")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="end after so long")
    chosen = parser.parse_args(arguments)
    try:
        import can
    except ModuleNotFoundError as error:
        print(f"this needs {error.name!r}; pip install 'axlewright[can]'", file=sys.stderr)
        return 1
    fleet = load_fleet(chosen.fleet) if chosen.fleet else demo_fleet()
    begin_s = time.time() if chosen.begin is None else chosen.begin
    twin = CanTwin(fleet, chosen.vehicle, begin_s, chosen.seed)
    try:
        with can.Bus(interface=chosen.interface, channel=chosen.channel) as bus:
            drive(twin, bus, chosen.seconds)
    except KeyboardInterrupt:
        pass
    except (can.CanError, OSError, ValueError, ImportError) as error:
        print(f"{chosen.interface} {chosen.channel} cannot be used: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
