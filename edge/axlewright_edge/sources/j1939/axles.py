"""Which axle a message speaks of: one parameter group carries the temperatures of all drive axles."""

from __future__ import annotations

from dataclasses import dataclass

from axlewright_edge.sources.j1939.settings import J1939Settings
from axlewright_models.spec import VehicleSpec

# Source addresses of the standard's list: drive axle #1 and #2.
DRIVE_AXLE_ADDRESSES = (9, 10)
MOST_UNKNOWN = 16


@dataclass(frozen=True)
class Place:
    """An axle, counted from the front (the steer axle is 1), and a sensor's place across it, from the left."""

    axle: int
    side: int = 0


class AxleFinder:
    """Finds a message's axle.

    In this order: the settings' own table; the location byte (high nibble: axle from the front, low nibble: place from
    left to right; codes above 0xFA say nothing); the source address of drive axle 1 or 2; the only drive axle, where
    there is but one. A place where the truck has no such axle is counted and not used. Whether the high nibble counts
    from 0 or from 1 is not told alike everywhere, hence `location_counts_from`; public documentation of telematics
    interfaces counts from 0.

    Examples
    --------
    >>> from axlewright_models.spec import VehicleSpec
    >>> finder = AxleFinder(J1939Settings(), VehicleSpec(id="t-1", type="tractor"))
    >>> finder.drive_axle(9, None), finder.drive_axle(3, 0x20), finder.drive_axle(3, None)
    (Place(axle=2, side=0), Place(axle=3, side=0), None)
    """

    def __init__(self, settings: J1939Settings, vehicle: VehicleSpec) -> None:
        self._table = settings.axles
        self._first = settings.location_counts_from
        self._driven = [axle.position for axle in vehicle.drive_axles]
        self._all = {axle.position for axle in vehicle.axles}
        self._unknown: dict[str, int] = {}

    def drive_axle(self, source: int, location: float | None) -> Place | None:
        """Return the drive axle that a temperature belongs to."""
        place = self._listed(source, location) or self._located(location) or self._addressed(source)
        if place is None and location is None and len(self._driven) == 1:
            place = Place(self._driven[0])
        return self._known(place, set(self._driven), source, location)

    def any_axle(self, source: int, location: float | None) -> Place | None:
        """Return the axle that a weight belongs to."""
        return self._known(self._listed(source, location) or self._located(location), self._all, source, location)

    def notes(self) -> list[str]:
        """Return what could not be placed."""
        return [f"no axle for {what} ({count} times)" for what, count in sorted(self._unknown.items())]

    def _listed(self, source: int, location: float | None) -> Place | None:
        for entry in self._table:
            fits = entry.source in (None, source) and entry.location in (None, location)
            if fits:
                return Place(entry.axle)
        return None

    def _located(self, location: float | None) -> Place | None:
        if location is None:
            return None
        return Place((int(location) >> 4) + 1 - self._first, int(location) & 0xF)

    def _addressed(self, source: int) -> Place | None:
        if source in DRIVE_AXLE_ADDRESSES:
            number = DRIVE_AXLE_ADDRESSES.index(source)
            if number < len(self._driven):
                return Place(self._driven[number])
        return None

    def _known(self, place: Place | None, axles: set[int], source: int, location: float | None) -> Place | None:
        if place is not None and place.axle in axles:
            return place
        told = "not told" if location is None else f"{int(location):#04x}"
        what = f"address {source}, location {told}"
        if what in self._unknown or len(self._unknown) < MOST_UNKNOWN:
            self._unknown[what] = self._unknown.get(what, 0) + 1
        return None
