"""What sister axles read: the fleet's prior for the vibration of an axle that has not learnt its own normal yet.

Sisters are driven axles of one vehicle type at one position, whatever else differs. Each has learnt, in every cell of
speed and torque, the mean and the spread of a line's logarithm. From the sisters' means comes what a healthy axle that
nobody has heard of may read: ``usual``, their mean, and ``room``, how far beyond it one further axle may stand: the
one-sided prediction limit, t * between * sqrt(1 + 1 / n), for one more observation of a normal variable of unknown mean
and variance (ISO 16269-8:2004, from memory). A line is judged by how far it stands beyond its room, so that an axle
which differs by birth draws no word, and one that came with a gross fault does before that is learnt as normal. Its own
first minutes don't move what is expected of it: they would move towards the fault that is looked for.

The prior is an artefact made from history, read at the start like the fleet file: results then do not hang on the order
in which trucks come in.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray
from scipy import stats

from axlewright_models.errors import ModelError
from axlewright_server.detectors.base import State
from axlewright_server.detectors.table import AxleTable

FORMAT = "axlewright-fleet-prior/1"
# Own choices. Fewer sisters tell too little of how axles differ; two axles never differ by less than a twentieth.
LEAST_SISTERS = 5
BETWEEN_FLOOR = 0.05
# Of a thousand healthy axles one stands beyond its room, on each line.
BEYOND = 0.001
_AGAIN = "make it anew: axlewright fleet-prior"

Columns = NDArray[np.float32]


class FleetPriorError(ModelError):
    """A fleet prior cannot be read, or does not fit this version."""


class Line(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One line of a group: in every cell how many sisters know it, their mean, and the deviations; null = too few."""

    sisters: list[int]
    mean: list[float | None]
    between: list[float | None]
    within: list[float | None]


class Group(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The sisters of one vehicle type and position."""

    type: str
    position: int
    axles: int
    lines: dict[str, Line]


class FleetPrior(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file. Values are natural logarithms of the channels' units; ``until_s``: newest reading that is in it."""

    format: str
    detector_version: int
    until_s: float
    groups: list[Group]


def learn(
    table: AxleTable, records: State, rows: NDArray[np.int64], lines: Sequence[str], version: int, learning: int
) -> FleetPrior:
    """Return the prior that these axles give; ``until_s`` is left at 0.

    Parameters
    ----------
    table : AxleTable
    records : records of the vibration detector, one per row of the table
    rows : rows of the axles that are believed healthy
    lines : names of the records' columns
    version, learning : of the detector
    """
    kinds: dict[tuple[str, int], list[int]] = {}
    for row in rows.tolist():
        kinds.setdefault(_kind(table, row), []).append(row)
    groups = []
    for (kind, position), own in sorted(kinds.items()):
        mean, between, within, count = pooled(records[np.array(own)], learning)
        found = {
            name: Line(count[:, k].tolist(), _listed(mean[:, k]), _listed(between[:, k]), _listed(within[:, k]))
            for k, name in enumerate(lines)
            if np.isfinite(mean[:, k]).any()
        }
        groups.append(Group(kind, position, len(own), found))
    return FleetPrior(FORMAT, version, 0.0, groups)


def pooled(records: State, learning: int) -> tuple[Any, Any, Any, Any]:
    """Return mean, deviation between axles, deviation within and number of axles, (cells, lines) each.

    Only cells count that an axle has learnt; NaN where fewer than ``LEAST_SISTERS`` have.
    """
    learnt = records["count"] >= learning
    number = learnt.sum(axis=0)
    means = np.ma.masked_array(records["mean"].astype(np.float64), ~learnt)
    variances = np.ma.masked_array(records["m2"] / np.maximum(records["count"].astype(np.float64) - 1.0, 1.0), ~learnt)
    moments = means.mean(axis=0), means.std(axis=0, ddof=1), np.sqrt(variances.mean(axis=0))
    few = number < LEAST_SISTERS
    mean, between, within = (np.where(few, np.nan, np.ma.filled(values, np.nan)) for values in moments)
    return mean, np.maximum(between, BETWEEN_FLOOR), within, number


def write(prior: FleetPrior, path: Path) -> None:
    """Write the file."""
    path.write_bytes(msgspec.json.format(msgspec.json.encode(prior), indent=1) + b"\n")


def read(path: str | Path, version: int) -> FleetPrior:
    """Return the prior that a file holds.

    Raises
    ------
    FleetPriorError
        The file cannot be read, is none, or was made by another version of the vibration detector.
    """
    try:
        prior = msgspec.json.decode(Path(path).read_bytes(), type=FleetPrior)
    except OSError as error:
        raise FleetPriorError(f"{path}: cannot be read as a fleet prior: {error.strerror or error}") from error
    except msgspec.DecodeError as error:
        raise FleetPriorError(f"{path}: is no fleet prior: {error}; {_AGAIN}") from error
    if prior.format != FORMAT:
        raise FleetPriorError(f"{path}: its format is {prior.format!r}, this version reads {FORMAT!r}; {_AGAIN}")
    if prior.detector_version != version:
        raise FleetPriorError(
            f"{path}: was made by version {prior.detector_version} of the vibration detector, this is version "
            f"{version}, whose cells may differ; {_AGAIN}"
        )
    return prior


class Sisters:
    """A prior laid out for the rows of one axle table."""

    def __init__(self, prior: FleetPrior, table: AxleTable, lines: Sequence[str], cells: int) -> None:
        numbers = {(group.type, group.position): place for place, group in enumerate(prior.groups)}
        self._group = np.array([numbers.get(_kind(table, row), -1) for row in range(len(table))], dtype=np.int64)
        # The last place, of axles without sisters, stays empty.
        self._usual, self._room, self._within = (
            np.full((len(prior.groups) + 1, cells, len(lines)), np.nan, np.float32) for _ in range(3)
        )
        for place, group in enumerate(prior.groups):
            for k, name in enumerate(lines):
                if name in group.lines:
                    self._take(place, k, group.lines[name])

    def _take(self, place: int, k: int, line: Line) -> None:
        cells = self._usual.shape[1]
        if {len(line.sisters), len(line.mean), len(line.between), len(line.within)} != {cells}:
            raise FleetPriorError(f"the fleet prior has {len(line.sisters)} cells, not {cells}; {_AGAIN}")
        sisters, between = np.array(line.sisters, np.float64), np.array(line.between, np.float64)
        self._usual[place, :, k] = np.array(line.mean, np.float64)
        self._within[place, :, k] = np.array(line.within, np.float64)
        self._room[place, :, k] = room(between, sisters)

    def judge(self, axles: NDArray[np.int64], cell: Any, line: Any) -> tuple[Columns, Columns, Columns]:
        """Return what each line usually reads, its room and its spread within, (n, lines); NaN without sisters.

        Parameters
        ----------
        axles : (n,) rows of the table
        cell, line : which cell and line of a record, arrays that broadcast to (n, lines)
        """
        place = (self._group[axles][:, None], cell, line)
        return self._usual[place], self._room[place], self._within[place]


def room(between: Any, sisters: Any) -> Any:
    """Return how far above its sisters' mean a healthy axle may stand, but for one of 1 / ``BEYOND``.

    Examples
    --------
    With many sisters it is the normal quantile, with few far more.

    >>> [round(float(room(1.0, count)), 2) for count in (5, 20, 100000)]
    [7.86, 3.67, 3.09]
    """
    count = np.maximum(np.asarray(sisters, dtype=np.float64), 2.0)
    return stats.t.ppf(1.0 - BEYOND, count - 1.0) * between * np.sqrt(1.0 + 1.0 / count)


def _kind(table: AxleTable, row: int) -> tuple[str, int]:
    return table.spec_of(row).type, int(table.position[row])


def _listed(values: Any) -> list[float | None]:
    return [round(float(value), 5) if np.isfinite(value) else None for value in values]
