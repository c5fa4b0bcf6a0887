"""What `axlewright describe` and `axlewright replay` are told of a recorded waveform."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import UTC, datetime

from axlewright_edge.describing import Subject
from axlewright_edge.errors import ConfigurationError
from axlewright_edge.sources.recording_settings import Column, WaveformForm, problems
from axlewright_models.bearings import Geometry
from axlewright_models.orders import Train
from axlewright_models.spec import TyreSpec, load_fleet
from axlewright_models.vibration.from_spec import geometry_of, train_of

SHAFT_UNKNOWN = "How the shaft turned is not known: no orders. Give --shaft-speed, {speed}, --turns or --tacho."


# What a fleet file that does not tell it takes too.
ASSUMED_PER_KM = TyreSpec().revolutions_per_km


def add_waveform_arguments(parser: argparse.ArgumentParser, *road_speed: str) -> None:
    """Add everything but file and vehicle; `road_speed` are the names of the option for the speed of the road."""
    file = parser.add_argument_group("the file of raw samples (edge/WAVEFORMS.md describes its form)")
    file.add_argument("--rate", type=float, metavar="HZ", help="sample rate, where the file does not tell it")
    file.add_argument("--channels", default="", metavar="LIST", help="accelerometers: names or numbers, with commas")
    file.add_argument("--scale", type=float, default=1.0, metavar="M_S2", help="m/s2 per unit of the file (default 1)")
    file.add_argument("--full-scale", type=float, metavar="M_S2", help="end of the sensors' range, in m/s2")
    file.add_argument("--variable", default="", metavar="NAME", help="array of a .mat file")
    shaft = parser.add_argument_group("how the driveshaft turned (one of these)")
    shaft.add_argument("--shaft-speed", metavar="RPM|COLUMN", help="in 1/min: one number, or a column")
    shaft.add_argument(
        *road_speed, dest="road_speed", metavar="KM_H|COLUMN", help="road speed in km/h: one number, or a column"
    )
    shaft.add_argument("--turns", metavar="COLUMN", help="driveshaft turns so far")
    shaft.add_argument("--tacho", metavar="COLUMN", help="pulses of a tacho on the driveshaft")
    shaft.add_argument("--pulses-per-turn", type=int, default=1, metavar="N")
    truck = parser.add_argument_group("the truck, or as much of it as is known")
    truck.add_argument("--fleet-file", metavar="FILE", help="with --vehicle and --axle: everything from there")
    truck.add_argument("--axle", type=int, metavar="N", help="from the front; the steer axle is 1")
    truck.add_argument("--teeth", metavar="RING/PINION", help="of the axle, such as 41/12")
    truck.add_argument(
        "--revolutions-per-km", type=float, metavar="N",
        help=f"of the tyres, where no fleet file tells it (assumed: {ASSUMED_PER_KM:g}, which is said)",
    )  # fmt: skip
    truck.add_argument("--gear-ratio", type=float, metavar="R", help="driven during the recording")
    truck.add_argument(
        "--bearing", metavar="N,d,D[,ANGLE]", help="elements, their and the pitch diameter in mm, degrees"
    )
    windows = parser.add_argument_group("the windows")
    windows.add_argument(
        "--window", type=float, default=10.0, metavar="SECONDS", help="length of a window (default 10)"
    )
    windows.add_argument("--begin", metavar="TIME", help="when the recording began, ISO 8601 in UTC")


def given(options: argparse.Namespace, *road_speed: str) -> list[str]:
    """Return the names of the options above that differ from what they are when left out."""
    blank = argparse.ArgumentParser(add_help=False)
    add_waveform_arguments(blank, *road_speed)
    defaults = vars(blank.parse_args([]))
    return [f"--{name.replace('_', '-')}" for name, default in defaults.items() if getattr(options, name) != default]


def option_of(road_speed: str) -> Callable[[str], str]:
    """Return what turns a key of a waveform's form into its option; `road_speed` is named otherwise in each command.

    Examples
    --------
    >>> option_of("--speed")("rate_hz"), option_of("--speed")("road_speed"), option_of("--speed")("tacho")
    ('--rate', '--speed', '--tacho')
    """
    own = {"rate_hz": "--rate", "scale_m_s2": "--scale", "full_scale_m_s2": "--full-scale", "road_speed": road_speed}
    return lambda key: own.get(key, f"--{key.replace('_', '-')}")


def form_of(options: argparse.Namespace, road_speed: str) -> WaveformForm:
    """Return how to understand the file; `road_speed` is the option's name for errors.

    Raises
    ------
    ConfigurationError
        An option is out of range, or two contradict each other.
    """
    if options.rate is not None and not 0.0 < options.rate <= 1e6:
        raise ConfigurationError(f"--rate is {options.rate:g}; give samples per second, above 0")
    if not options.scale > 0.0 or (options.full_scale is not None and not options.full_scale > 0.0):
        raise ConfigurationError("--scale and --full-scale must lie above 0")
    if not 1 <= options.pulses_per_turn <= 1000:
        raise ConfigurationError(f"--pulses-per-turn is {options.pulses_per_turn}; a tacho gives 1 to 1000")
    names = [name.strip() for name in options.channels.split(",") if name.strip()]
    form = WaveformForm(
        rate_hz=options.rate,
        channels=tuple(column for name in names if (column := _column(name)) is not None),
        scale_m_s2=options.scale,
        full_scale_m_s2=options.full_scale,
        variable=options.variable,
        turns=_column(options.turns),
        tacho=_column(options.tacho),
        pulses_per_turn=options.pulses_per_turn,
        shaft_speed=_number_or_column(options.shaft_speed, "--shaft-speed"),
        road_speed=_number_or_column(options.road_speed, road_speed),
    )
    for problem in problems(form, "arguments", option_of(road_speed)):
        raise ConfigurationError(problem)
    return form


def subject_of(options: argparse.Namespace, vehicle: str | None) -> Subject:
    """Return what was recorded, from the fleet file or from what the options tell.

    Raises
    ------
    ModelError
        An option is wrong, or the fleet file holds no such vehicle or axle.
    """
    bearing = None if options.bearing is None else _bearing(options.bearing)
    if options.fleet_file is None:
        per_km = ASSUMED_PER_KM if options.revolutions_per_km is None else options.revolutions_per_km
        if not 100.0 <= per_km <= 1000.0:
            raise ConfigurationError(f"--revolutions-per-km is {per_km:g}; truck tyres make 100 to 1000 turns a km")
        train = None if options.teeth is None else _train(options.teeth, per_km)
        return Subject(train, options.gear_ratio, bearing, options.axle or 1)
    if vehicle is None or options.axle is None:
        raise ConfigurationError("--fleet-file needs --vehicle and --axle beside it")
    truck = load_fleet(options.fleet_file).vehicle(vehicle)
    own = truck.axle(options.axle).bearing
    if bearing is None and own is not None:
        bearing = geometry_of(own)
    return Subject(train_of(truck, options.axle), options.gear_ratio, bearing, options.axle)


def assumptions(options: argparse.Namespace) -> list[str]:
    """Return what was taken for granted about the truck, each in words, with the option that tells it better.

    Examples
    --------
    >>> options = argparse.Namespace(fleet_file=None, teeth="41/12", revolutions_per_km=None, road_speed="82")
    >>> assumptions(options)[0]
    'the tyres turn 313 times a km (--revolutions-per-km); shaft speed and orders follow from it'
    """
    if options.fleet_file is not None or options.teeth is None or options.revolutions_per_km is not None:
        return []
    if options.road_speed is None:
        return []
    return [
        f"the tyres turn {ASSUMED_PER_KM:g} times a km (--revolutions-per-km); shaft speed and orders follow from it"
    ]


def begin_of(text: str) -> datetime:
    """Return when a recording began, in UTC.

    Raises
    ------
    ConfigurationError
        The text is no ISO 8601 time.

    Examples
    --------
    >>> begin_of("2026-05-04T08:00:00+02:00").isoformat()
    '2026-05-04T06:00:00+00:00'
    """
    try:
        begin = datetime.fromisoformat(text)
    except ValueError:
        raise ConfigurationError(f"--begin is {text!r}; give ISO 8601, such as 2026-05-04T06:00:00Z") from None
    return (begin if begin.tzinfo else begin.replace(tzinfo=UTC)).astimezone(UTC)


def _column(text: str | None) -> Column | None:
    return None if text is None else int(text) if text.isdigit() else text


def _number_or_column(text: str | None, option: str) -> float | str | None:
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        return text
    if not 0.0 <= value < 10_000.0:
        raise ConfigurationError(f"{option} is {text}; give a speed from 0 on, or the name of a column")
    return value


def _train(text: str, revolutions_per_km: float) -> Train:
    ring, _, pinion = text.partition("/")
    if not (ring.isdigit() and pinion.isdigit()):
        raise ConfigurationError(f"--teeth is {text!r}; give ring and pinion gear, such as 41/12")
    if int(ring) <= int(pinion):
        raise ConfigurationError(
            f"--teeth is {text!r}: a ring gear has more teeth than its pinion; is it {pinion}/{ring}?"
        )
    return Train(revolutions_per_km, int(ring), int(pinion))


def _bearing(text: str) -> Geometry:
    parts = text.split(",")
    try:
        count, *sizes = int(parts[0]), *(float(part) for part in parts[1:])
    except ValueError:
        sizes = []
    if len(sizes) not in (2, 3):
        raise ConfigurationError(
            f"--bearing is {text!r}; give elements, their and the pitch diameter, such as 17,14,90"
        )
    return Geometry(count, sizes[0], sizes[1], sizes[2] if len(sizes) == 3 else 0.0)
