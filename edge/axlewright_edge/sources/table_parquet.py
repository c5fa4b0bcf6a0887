"""Rows of a Parquet table. pyarrow is imported when such a file is opened, never before."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from axlewright_edge.errors import TableError
from axlewright_edge.sources.table import Layout, Row, check_place, layout, number

BATCH_ROWS = 4096


def parquet_rows(path: Path, progress: Callable[[float], None] | None = None) -> Iterator[Row]:
    """Yield the rows of a Parquet file; `progress` is told the share that is read. Line 1 is the first row.

    Raises
    ------
    TableError
        pyarrow is missing, the file cannot be read, or a cell is wrong.
    """
    try:
        from pyarrow import ArrowException  # type: ignore[import-untyped]  # pyarrow ships no types
        from pyarrow.parquet import ParquetFile  # type: ignore[import-untyped]  # pyarrow ships no types
    except ImportError as error:
        raise TableError(f"{path}: Parquet needs pyarrow (pip install pyarrow); or convert the file to CSV") from error
    try:
        with ParquetFile(path) as file:
            columns = layout(list(file.schema_arrow.names), str(path))
            total, line = max(1, file.metadata.num_rows), 0
            for batch in file.iter_batches(batch_size=BATCH_ROWS):
                cells = [column.to_pylist() for column in batch.columns]
                for row in zip(*cells, strict=True):
                    line += 1
                    yield _row(row, columns, path, line)
                if progress is not None:
                    progress(line / total)
    except (OSError, ArrowException) as error:
        raise TableError(f"{path}: cannot be read: {error}") from error


# Any: a Parquet cell may hold whatever the file's schema says.
def _row(cells: tuple[Any, ...], columns: Layout, path: Path, line: int) -> Row:
    time_s = _time(cells[columns.time], columns.time_is_ms, path, line)
    vehicle, axle = cells[columns.vehicle], cells[columns.axle]
    if not isinstance(vehicle, str):
        raise TableError(f"{path}:{line}: vehicle: {vehicle!r} is no text")
    if not isinstance(axle, int):
        raise TableError(f"{path}:{line}: axle: {axle!r} is no whole number")
    values = {name: _value(cells[index], name, path, line) for index, name in columns.channels}
    values = {name: value for name, value in values.items() if not math.isnan(value)}
    check_place(path, line, vehicle, axle, values)
    return Row(line, time_s, vehicle, axle, values)


def _value(cell: Any, name: str, path: Path, line: int) -> float:
    return math.nan if cell is None else number(str(float(cell) if isinstance(cell, bool) else cell), name, path, line)


def _time(cell: Any, is_ms: bool, path: Path, line: int) -> float:
    if is_ms:
        if isinstance(cell, int):
            return cell / 1000.0
        raise TableError(f"{path}:{line}: time_ms: {cell!r} is no whole number of milliseconds")
    if isinstance(cell, str):
        try:
            cell = datetime.fromisoformat(cell)
        except ValueError:
            raise TableError(f"{path}:{line}: time: {cell!r} is no ISO 8601 time") from None
    if not isinstance(cell, datetime):
        raise TableError(f"{path}:{line}: time: {cell!r} is no time")
    if cell.tzinfo is None:
        raise TableError(f"{path}:{line}: time: has no time zone; store it as a timestamp in UTC")
    return cell.astimezone(UTC).timestamp()
