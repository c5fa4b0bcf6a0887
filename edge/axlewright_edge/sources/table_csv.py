"""Rows of a CSV table, with the line and the column of whatever is wrong."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

from axlewright_edge.errors import TableError
from axlewright_edge.sources.table import Layout, Row, check_place, layout, number


def csv_rows(path: Path, progress: Callable[[float], None] | None = None) -> Iterator[Row]:
    """Yield the rows of a CSV file (UTF-8, comma, header in line 1); `progress` is told the share that is read.

    Raises
    ------
    TableError
        The file cannot be read, or a cell is wrong.
    """
    try:
        size = max(1, path.stat().st_size)
        # utf-8-sig: spreadsheet programs write a mark in front.
        with path.open("rb") as raw, io.TextIOWrapper(raw, encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file, strict=True)
            header = next(reader, None)
            if header is None:
                raise TableError(f"{path}: is empty; line 1 must name the columns")
            columns = layout([name.strip() for name in header], f"{path}:1")
            for count, cells in enumerate(reader):
                if progress is not None and count % 500 == 0:
                    progress(min(1.0, raw.tell() / size))
                if cells:
                    yield _row(cells, len(header), columns, path, reader.line_num)
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(f"{path}: cannot be read: {error}") from error
    except csv.Error as error:
        raise TableError(f"{path}:{reader.line_num}: is no CSV: {error}") from error


def _row(cells: list[str], width: int, columns: Layout, path: Path, line: int) -> Row:
    if len(cells) != width:
        raise TableError(f"{path}:{line}: has {len(cells)} cells, line 1 names {width} columns")
    time_s = _time(cells[columns.time], columns.time_is_ms, path, line)
    vehicle = cells[columns.vehicle].strip()
    try:
        axle = int(cells[columns.axle])
    except ValueError:
        raise TableError(f"{path}:{line}: axle: {cells[columns.axle]!r} is no whole number") from None
    values = {name: number(cells[index], name, path, line) for index, name in columns.channels if cells[index]}
    values = {name: value for name, value in values.items() if not math.isnan(value)}
    check_place(path, line, vehicle, axle, values)
    return Row(line, time_s, vehicle, axle, values)


def _time(text: str, is_ms: bool, path: Path, line: int) -> float:
    if is_ms:
        try:
            return int(text) / 1000.0
        except ValueError:
            raise TableError(f"{path}:{line}: time_ms: {text!r} is no whole number of milliseconds") from None
    try:
        time = datetime.fromisoformat(text.strip())
    except ValueError:
        raise TableError(f"{path}:{line}: time: {text!r} is no ISO 8601 time such as 2026-05-04T06:00:00Z") from None
    if time.utcoffset() is None:
        raise TableError(f"{path}:{line}: time: {text!r} has no time zone; end it with Z for UTC")
    if time.utcoffset() != timedelta(0):
        raise TableError(f"{path}:{line}: time: {text!r} is not in UTC; convert it and end it with Z")
    return time.timestamp()
