"""Readings in the replay table form, from files or from a simulator's pipe, as pieces that the kernel takes whole."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import IO

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # pyarrow ships no types
from numpy.typing import NDArray

from axlewright_models.signals import CHANNELS, INDEX, NAMES
from axlewright_models.spec import FleetSpec
from axlewright_server.errors import EvaluationError, HistoryError
from axlewright_server.history import read_table
from axlewright_server.kernel import Rows

# What the office computes it computes anew.
_MEASURED = tuple(channel.name for channel in CHANNELS if not channel.derived)
ROWS_AT_ONCE = 200_000


def open_stream(pipe: IO[bytes]) -> pa.RecordBatchStreamReader:
    """Return a reader once the head of an Arrow IPC stream has come through.

    Raises
    ------
    EvaluationError
        Something else came, or nothing.
    """
    try:
        return pa.ipc.open_stream(pipe)
    except (pa.ArrowException, OSError) as error:
        raise EvaluationError(f"no readings came from the simulator: {error}") from error


def of_stream(reader: pa.RecordBatchStreamReader, vehicles: Sequence[str]) -> Iterator[Rows]:
    """Yield the record batches of a stream as rows; each batch holds whole windows.

    Raises
    ------
    EvaluationError
        The stream breaks off.
    """
    try:
        for batch in reader:
            if batch.num_rows:
                yield rows_of_table(pa.Table.from_batches([batch]), vehicles, "simulator")
    except (pa.ArrowException, OSError) as error:
        raise EvaluationError(f"the readings of the simulator broke off: {error}") from error


def of_files(files: Sequence[Path], vehicles: Sequence[str]) -> Iterator[Rows]:
    """Yield the rows of replay tables (CSV or Parquet) in order of time, cut between windows.

    Raises
    ------
    EvaluationError
        A file is not of the replay form, or its times overlap those of another.
    """
    try:
        tables = sorted((read_table(file) for file in files), key=_first_ms)
    except HistoryError as error:
        raise EvaluationError(str(error)) from error
    last_ms = None
    for table in tables:
        if not table.num_rows:
            continue
        times = table["time_ms"].to_numpy()
        if last_ms is not None and times[0] <= last_ms:
            raise EvaluationError("two files of readings overlap in time; join and sort them into one")
        last_ms = int(times[-1])
        for begin, end in _cuts(times):
            yield rows_of_table(table.slice(begin, end - begin), vehicles, "readings")


def of_known_axles(pieces: Iterable[Rows], fleet: FleetSpec, vehicles: Sequence[str]) -> Iterator[Rows]:
    """Yield rows on, as long as each is of an axle that its truck has; axle 0 is the truck itself.

    Raises
    ------
    EvaluationError
        An axle is not in the fleet file: its readings would be judged by nobody, in silence.
    """
    known = [{0, *(axle.position for axle in fleet.vehicles[name].axles)} for name in vehicles]
    for piece in pieces:
        for number in np.unique(piece.vehicle).tolist():
            strange = set(np.unique(piece.position[piece.vehicle == number]).tolist()) - known[number]
            if strange:
                listed = ", ".join(str(position) for position in sorted(known[number] - {0}))
                raise EvaluationError(
                    f"readings: vehicle {vehicles[number]!r} has no axle {min(strange)} in the fleet file, which lists "
                    f"{listed}; mend the column `axle` or the file, or leave those rows out"
                )
        yield piece


def _first_ms(table: pa.Table) -> int:
    return int(table["time_ms"][0].as_py()) if table.num_rows else 0


def _cuts(times: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    begin = 0
    while begin < len(times):
        end = min(begin + ROWS_AT_ONCE, len(times))
        if end < len(times):
            # Rows of one moment stay together: a window must come whole.
            end = int(np.searchsorted(times, times[end - 1], side="right"))
        yield begin, end
        begin = end


def rows_of_table(table: pa.Table, vehicles: Sequence[str], where: str) -> Rows:
    """Return a replay table with ``time_ms`` as rows.

    Raises
    ------
    EvaluationError
        It names a truck that the fleet file lacks, or holds text where numbers belong.
    """
    numbers = {name: number for number, name in enumerate(vehicles)}
    encoded = table["vehicle"].cast(pa.string()).combine_chunks().dictionary_encode()
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.combine_chunks()
    names = encoded.dictionary.to_pylist()
    strange = sorted(name for name in names if name not in numbers)
    if strange:
        raise EvaluationError(
            f"{where}: vehicle {strange[0]!r} is not in the fleet file; add it, or leave its rows out"
        )
    lookup = np.array([numbers[name] for name in names], np.int64)
    values = np.full((table.num_rows, len(NAMES)), np.nan, np.float32)
    present = set(table.column_names)
    for name in _MEASURED:
        if name in present:
            values[:, INDEX[name]] = _numbers(table[name], name, where)
    return Rows(
        lookup[encoded.indices.to_numpy()],
        table["time_ms"].to_numpy() / 1000.0,
        table["axle"].to_numpy().astype(np.int64),
        values,
    )


def _numbers(column: pa.ChunkedArray, name: str, where: str) -> NDArray[np.float32]:
    if column.null_count == len(column):
        return np.full(len(column), np.nan, np.float32)
    try:
        return np.asarray(column.cast(pa.float32(), safe=False).to_numpy(), dtype=np.float32)
    except pa.ArrowException as error:
        raise EvaluationError(f"{where}: column {name} holds something else than numbers: {error}") from error
