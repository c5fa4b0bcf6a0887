"""The specification of a fleet: what each truck is, and what is normal for it.

One TOML file describes a fleet. Trucks name a type and override what differs::

    fleet = "harrow-vale"
    name = "Harrow Vale Haulage"

    [types.tractor]
    title = "6x4 tractor"
    ...
    [vehicles.hv-101]
    type = "tractor"
    tyre.revolutions_per_km = 318.0
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

import msgspec
from msgspec import Meta, Struct

from axlewright_models.errors import SpecificationError
from axlewright_models.file_errors import meant, readable
from axlewright_models.limits import LIMITS

# TOML tables are free-form until msgspec has checked them.
Table: TypeAlias = dict[str, Any]

# SenML names begin with a letter or a digit (RFC 8428, section 4.5.1), and both ids stand at the front of one.
IDENTIFIER = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
Positive = Annotated[float, Meta(gt=0)]
Teeth = Annotated[int, Meta(ge=5, le=200)]
Angle = Annotated[float, Meta(ge=-45, le=45)]
AxleRole = Literal["steer", "forward-drive", "rear-drive", "single-drive", "trailing"]
DRIVE_ROLES: frozenset[str] = frozenset({"forward-drive", "rear-drive", "single-drive"})


class _Part(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the file: unknown keys are errors, nothing can change afterwards."""


class TyreSpec(_Part, frozen=True, kw_only=True):
    """The tyres of the drive axles."""

    revolutions_per_km: Annotated[float, Meta(ge=150, le=800)] = 313.0

    @property
    def rolling_radius_mm(self) -> float:
        """Return the effective rolling radius. [mm]"""
        return 1e6 / (self.revolutions_per_km * 2.0 * 3.141592653589793)


class EngineSpec(_Part, frozen=True, kw_only=True):
    """The engine, for its orders (four-stroke)."""

    cylinders: Annotated[int, Meta(ge=1, le=16)] = 6


class TransmissionSpec(_Part, frozen=True, kw_only=True):
    """The transmission's ratios, highest first."""

    gear_ratios: tuple[Positive, ...] = (1.0,)


class ShaftSpec(_Part, frozen=True, kw_only=True):
    """One driveshaft, front to rear.

    ``angle_deg`` is its inclination in side view at specified ride height (positive: rear end lower),
    ``plan_angle_deg`` the same in plan view, ``phase_deg`` the angle between its two yokes (0 = in phase).
    """

    length_mm: Positive
    angle_deg: Angle
    plan_angle_deg: Angle = 0.0
    phase_deg: Annotated[float, Meta(ge=-180, le=180)] = 0.0


class DrivelineSpec(_Part, frozen=True, kw_only=True):
    """Transmission output, then shaft after shaft, front to rear, the inter-axle shaft last.

    There is no default geometry: without shafts, no joint angle is claimed.
    """

    transmission_angle_deg: Angle = 3.0
    shafts: Annotated[tuple[ShaftSpec, ...], Meta(max_length=4)] = ()


class SuspensionSpec(_Part, frozen=True, kw_only=True):
    """The drive axles' air suspension.

    ``arm_length_mm`` is the trailing arm's length (for torque rods: the distance to the side-view instant centre);
    ``pivot_height_mm`` is how far the pivot lies above the axle at specified ride height.
    """

    kind: Literal["trailing-arm", "parallel-link", "torque-rod"] = "trailing-arm"
    arm_length_mm: Annotated[float, Meta(ge=200, le=3000)] = 600.0
    pivot_height_mm: Annotated[float, Meta(ge=-500, le=500)] = 40.0
    ride_height_mm: Annotated[float, Meta(ge=50, le=700)] = 240.0
    lowered_by_mm: Annotated[float, Meta(ge=0, le=300)] = 80.0
    raised_by_mm: Annotated[float, Meta(ge=0, le=300)] = 100.0


class LubeSpec(_Part, frozen=True, kw_only=True):
    """The axle's lube."""

    grade: str = "75W-90"
    viscosity_40_mm2_s: Positive = 100.0
    viscosity_100_mm2_s: Positive = 14.5
    fill_l: Positive = 14.0


class BearingSpec(_Part, frozen=True, kw_only=True):
    """The pinion bearing that vibration is watched for."""

    rolling_elements: Annotated[int, Meta(ge=3, le=60)]
    element_diameter_mm: Positive
    pitch_diameter_mm: Positive
    contact_angle_deg: Annotated[float, Meta(ge=0, lt=90)] = 0.0


class AxleSpec(_Part, frozen=True, kw_only=True):
    """One axle, counted from the front (the steer axle is 1)."""

    position: Annotated[int, Meta(ge=1, le=12)]
    role: AxleRole
    pinion_teeth: Teeth = 12
    ring_teeth: Teeth = 41
    pinion_angle_deg: Angle = 3.0
    ride_height_mm: Annotated[float, Meta(ge=50, le=700)] | None = None
    lube: LubeSpec = LubeSpec()
    bearing: BearingSpec | None = None
    seal_material: Literal["NBR", "HNBR", "ACM", "FKM"] = "NBR"

    @property
    def ratio(self) -> float:
        """Return the axle ratio: driveshaft turns per wheel turn."""
        return self.ring_teeth / self.pinion_teeth

    @property
    def driven(self) -> bool:
        """Return whether this is a drive axle."""
        return self.role in DRIVE_ROLES


_DEFAULT_AXLES = (
    AxleSpec(position=1, role="steer"),
    AxleSpec(position=2, role="forward-drive"),
    AxleSpec(position=3, role="rear-drive"),
)


class _VehicleKeys(_Part, frozen=True, kw_only=True):
    """What a type and a truck may both say."""

    title: str = ""
    tyre: TyreSpec = TyreSpec()
    engine: EngineSpec = EngineSpec()
    transmission: TransmissionSpec = TransmissionSpec()
    driveline: DrivelineSpec = DrivelineSpec()
    suspension: SuspensionSpec = SuspensionSpec()
    axles: Annotated[tuple[AxleSpec, ...], Meta(min_length=1, max_length=12)] = _DEFAULT_AXLES
    limits: dict[str, float] = {}


class VehicleSpec(_VehicleKeys, frozen=True, kw_only=True):
    """One truck with everything that its type and its own table say."""

    id: str
    type: str

    def axle(self, position: int) -> AxleSpec:
        """Return the axle at this position.

        Raises
        ------
        SpecificationError
            The truck has no such axle.
        """
        for axle in self.axles:
            if axle.position == position:
                return axle
        known = ", ".join(str(axle.position) for axle in self.axles)
        raise SpecificationError(f"vehicle {self.id!r} has no axle {position}; it has {known}")

    @property
    def drive_axles(self) -> tuple[AxleSpec, ...]:
        """Return the driven axles, front to rear."""
        return tuple(axle for axle in self.axles if axle.driven)

    def ride_height_mm(self, position: int) -> float:
        """Return the specified ride height at an axle: its own, else the suspension's. [mm]"""
        own = self.axle(position).ride_height_mm
        return self.suspension.ride_height_mm if own is None else own

    def limit(self, name: str) -> float:
        """Return a limit: this truck's own, else the default of :mod:`axlewright_models.limits`."""
        return self.limits[name] if name in self.limits else LIMITS[name].value

    def limit_source(self, name: str) -> str:
        """Return where the limit's number comes from."""
        return "fleet file" if name in self.limits else LIMITS[name].source


class FleetSpec(_Part, frozen=True, kw_only=True):
    """A fleet, its trucks complete."""

    fleet: str
    name: str
    vehicles: dict[str, VehicleSpec]
    region: str = ""

    def vehicle(self, vehicle_id: str) -> VehicleSpec:
        """Return a truck.

        Raises
        ------
        SpecificationError
            The fleet has no such truck.
        """
        try:
            return self.vehicles[vehicle_id]
        except KeyError:
            raise SpecificationError(f"fleet {self.fleet!r} has no vehicle {vehicle_id!r}") from None


class _FleetFile(_Part, frozen=True, kw_only=True):
    """The file as written; only its JSON Schema is made from this."""

    fleet: Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
    name: str
    types: dict[str, _VehicleKeys]
    vehicles: dict[str, dict[str, Any]]
    region: str = ""


def load_fleet(path: str | Path) -> FleetSpec:
    """Return the fleet that a TOML file describes.

    Raises
    ------
    SpecificationError
        The file cannot be read, or a key is wrong (the text holds its path).
    """
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SpecificationError(f"{file}: cannot be read: {error}") from error
    return parse_fleet(text, str(file))


def parse_fleet(text: str, where: str = "fleet file") -> FleetSpec:
    """Return the fleet that a TOML text describes; `where` names it in errors.

    Raises
    ------
    SpecificationError
        The text is no TOML, or a key is missing, unknown or out of range.

    Examples
    --------
    >>> fleet = parse_fleet('''
    ... fleet = "yard"
    ... name = "One yard"
    ... [types.tractor]
    ... title = "6x4 tractor"
    ... [vehicles.t-1]
    ... type = "tractor"
    ... tyre.revolutions_per_km = 318
    ... ''')
    >>> fleet.vehicles["t-1"].tyre.revolutions_per_km
    318.0
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SpecificationError(f"{where}: not valid TOML: {error}") from error
    for key in table:
        if key not in {"fleet", "name", "region", "types", "vehicles"}:
            said = meant(key, ["fleet", "name", "region", "types", "vehicles"])
            raise SpecificationError(f"{where}: {key}: unknown key; {said}")
    fleet = _identifier(table.get("fleet"), f"{where}: fleet")
    name = table.get("name", fleet)
    if not isinstance(name, str) or not isinstance(table.get("region", ""), str):
        raise SpecificationError(f"{where}: name and region must be text")
    types = _tables(table, "types", where)
    for key, keys in types.items():
        _convert({**keys, "id": "x", "type": key}, f"{where}: types.{key}")
    vehicles = {
        _identifier(key, f"{where}: vehicles.{key}"): _vehicle(key, own, types, f"{where}: vehicles.{key}")
        for key, own in _tables(table, "vehicles", where).items()
    }
    return FleetSpec(fleet=fleet, name=name, vehicles=vehicles, region=table.get("region", ""))


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of a fleet file (a truck's table holds any of its type's keys)."""
    return msgspec.json.schema(_FleetFile)


def _identifier(value: object, where: str) -> str:
    if not isinstance(value, str) or not IDENTIFIER.fullmatch(value):
        raise SpecificationError(f"{where}: is {value!r}, must be 1 to 64 of a-z, 0-9 and '-', the first no '-'")
    return value


def _tables(table: Table, key: str, where: str) -> dict[str, Table]:
    value = table.get(key)
    if not isinstance(value, dict) or not value:
        raise SpecificationError(f"{where}: {key}: at least one table [{key}.NAME] is needed")
    for name, entry in value.items():
        if not isinstance(entry, dict):
            raise SpecificationError(f"{where}: {key}.{name}: must be a table")
    return value


def _vehicle(key: str, own: Table, types: Mapping[str, Table], where: str) -> VehicleSpec:
    type_name = own.get("type")
    if not isinstance(type_name, str) or type_name not in types:
        raise SpecificationError(f"{where}.type: is {type_name!r}, must be one of {', '.join(sorted(types))}")
    return _convert({**_merge(types[type_name], own), "id": key}, where)


def _merge(base: Table, own: Table) -> Table:
    """Return `base` with `own` laid over it: tables key by key, axles by position, all else replaced."""
    merged = dict(base)
    for key, value in own.items():
        if isinstance(value, dict) and isinstance(base.get(key), dict):
            merged[key] = _merge(base[key], value)
        elif key == "axles" and isinstance(value, list) and isinstance(base.get(key), list):
            merged[key] = _merge_axles(base[key], value)
        else:
            merged[key] = value
    return merged


def _merge_axles(base: list[Any], own: list[Any]) -> list[Any]:
    entries: dict[Any, Any] = {}
    for number, entry in enumerate(base + own):
        key = entry.get("position", f"#{number}") if isinstance(entry, dict) else f"#{number}"
        known = entries.get(key)
        entries[key] = _merge(known, entry) if isinstance(known, dict) else entry
    return list(entries.values())


def _convert(table: Table, where: str) -> VehicleSpec:
    try:
        # TOML has whole numbers where a float is meant; strict=False would also turn text into numbers.
        vehicle = msgspec.convert(table, VehicleSpec)
    except msgspec.ValidationError as error:
        said = readable(str(error), VehicleSpec)
        # What stands at the path of the table itself has none of its own.
        dot = "." if " - at `$." in str(error) else ": "
        raise SpecificationError(f"{where}{dot}{said}") from error
    _check(vehicle, where)
    return vehicle


def _check(vehicle: VehicleSpec, where: str) -> None:
    for name, value in vehicle.limits.items():
        if name not in LIMITS:
            raise SpecificationError(f"{where}.limits.{name}: unknown limit; {meant(name, list(LIMITS))}")
        if not value > 0.0:
            raise SpecificationError(f"{where}.limits.{name}: is {value}, must be above 0")
    if vehicle.limit("lube_caution_cel") >= vehicle.limit("lube_limit_cel"):
        raise SpecificationError(f"{where}.limits.lube_caution_cel: must be below lube_limit_cel")
    positions = [axle.position for axle in vehicle.axles]
    if len(set(positions)) != len(positions):
        raise SpecificationError(f"{where}.axles: two axles have the same position ({positions})")
    if not vehicle.drive_axles:
        raise SpecificationError(f"{where}.axles: at least one axle must be driven ({', '.join(sorted(DRIVE_ROLES))})")
    for number, axle in enumerate(vehicle.axles):
        if axle.lube.viscosity_40_mm2_s <= axle.lube.viscosity_100_mm2_s:
            raise SpecificationError(
                f"{where}.axles[{number}].lube: viscosity_40_mm2_s must be above viscosity_100_mm2_s"
            )
        bearing = axle.bearing
        if bearing and bearing.element_diameter_mm >= bearing.pitch_diameter_mm:
            raise SpecificationError(
                f"{where}.axles[{number}].bearing: element_diameter_mm must be below pitch_diameter_mm"
            )
