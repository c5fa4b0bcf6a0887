"""What an agent file says of a recorded waveform: ``[[source.recording]]``."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated

from msgspec import Meta, Struct

KINDS = (".wav", ".csv", ".npy", ".mat", ".parquet")
# A column by its name, or by its number from 1 where the file names none.
Column = str | Annotated[int, Meta(ge=1, le=256)]
# One of these keys says how the driveshaft turned.
TELLS_TURNS = ("turns", "tacho", "shaft_speed", "road_speed")
Positive = Annotated[float, Meta(gt=0)]


class WaveformForm(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How to understand a file of raw samples.

    ``channels`` are the columns with acceleration (empty: all whose name begins with "acceleration", or in a file
    without names all that nothing else claims); a number in them times ``scale_m_s2`` is m/s2. One of ``turns``
    (driveshaft turns so far), ``tacho`` (pulses, ``pulses_per_turn`` of them a turn), ``shaft_speed`` [1/min] and
    ``road_speed`` [km/h] says how the shaft turns; the last two may also be one number for the whole record.
    """

    rate_hz: Annotated[float, Meta(gt=0, le=1e6)] | None = None
    channels: tuple[Column, ...] = ()
    scale_m_s2: Positive = 1.0
    full_scale_m_s2: Positive | None = None
    variable: str = ""
    turns: Column | None = None
    tacho: Column | None = None
    pulses_per_turn: Annotated[int, Meta(ge=1, le=1000)] = 1
    shaft_speed: str | Annotated[float, Meta(ge=0, le=10_000)] | None = None
    road_speed: str | Annotated[float, Meta(ge=0, le=200)] | None = None


class RecordingSettings(WaveformForm, frozen=True, kw_only=True):
    """A recorded waveform that is handed out as if it were measured now; ``speed`` 1 is real time, 0 at once.

    Its samples keep their own distances in time whatever the speed, so an agent, whose windows go by the clock, takes
    it no faster than life, and slower than life is refused: its samples would fall ever further behind.
    ``repeat`` begins anew when the record is over.
    """

    file: str
    axle: Annotated[int, Meta(ge=1, le=99)]
    name: str = ""
    speed: Annotated[float, Meta(ge=0, le=1_000_000)] = 1.0
    repeat: bool = False


def problems(settings: WaveformForm, where: str, name: Callable[[str], str] = str) -> Iterator[str]:
    """Yield what is wrong with the settings beyond the types, each with the path of the key.

    `name` turns a key into what a person knows it by, where that is no key of a file but an option.
    """
    told = [name(key) for key in TELLS_TURNS if getattr(settings, key) is not None]
    if len(told) > 1:
        yield f"{where}: {' and '.join(told)} are both given; keep one, the shaft turns but one way"
    if settings.pulses_per_turn != 1 and settings.tacho is None:
        key = f"{where}.pulses_per_turn" if name is str else name("pulses_per_turn")
        yield f"{key}: is given without {name('tacho')}; name the column with the pulses"
    if isinstance(settings, RecordingSettings) and 0.0 < settings.speed < 1.0:
        yield f"{where}.speed: is {settings.speed:g}, slower than life; use 1, or 0 for as fast as it can be taken"
    if isinstance(settings, RecordingSettings) and Path(settings.file).suffix.lower() not in KINDS:
        yield f"{where}.file: {settings.file!r} ends in none of {', '.join(KINDS)}"
