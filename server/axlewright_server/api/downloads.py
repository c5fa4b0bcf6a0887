"""Readings as files: CSV and Parquet in the replay table's form, one row per axle and window."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # pyarrow ships no types
from pyarrow import csv, parquet
from sqlalchemy import Connection

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_server.store import readings
from axlewright_server.store.readings import Columns

CSV_TYPE = "text/csv; charset=utf-8"
PARQUET_TYPE = "application/vnd.apache.parquet"
DAY_MS = 86_400_000
LONGEST_DAYS = 400.0
# A Parquet file is put together in memory: some 30 MB for so many days of one truck at 10 s.
LONGEST_PARQUET_DAYS = 62.0
Lend = Callable[[], AbstractContextManager[Connection]]


def _table(columns: Columns, vehicle: str, *, as_text: bool) -> pa.Table:
    """Return one hour's readings; times as ISO 8601 text in UTC, or as epoch milliseconds."""
    known = [number for number, name in enumerate(columns.names) if name in INDEX]
    n = len(columns.time_ms)
    if as_text:
        stamps = np.datetime_as_string(columns.time_ms.astype("datetime64[ms]"), unit="ms", timezone="UTC")
        time: pa.Array = pa.array(stamps.tolist(), pa.string())
    else:
        time = pa.array(columns.time_ms, pa.int64())
    arrays = [time, pa.array([vehicle] * n, pa.string()), pa.array(columns.position.astype(np.int16))]
    arrays += [pa.array(columns.values[:, number], pa.float32(), from_pandas=True) for number in known]
    return pa.Table.from_arrays(arrays, schema=_schema([columns.names[number] for number in known], as_text=as_text))


def _schema(names: list[str], *, as_text: bool) -> pa.Schema:
    time = pa.field("time", pa.string()) if as_text else pa.field("time_ms", pa.int64(), metadata={"unit": "ms"})
    first = [time, pa.field("vehicle", pa.string()), pa.field("axle", pa.int16())]
    return pa.schema(
        [*first, *(pa.field(name, pa.float32(), metadata={"unit": CHANNELS[INDEX[name]].unit}) for name in names)]
    )


def csv_stream(lend: Lend, vehicle: str, begin_ms: int, end_ms: int) -> Iterator[bytes]:
    """Yield the readings as CSV, a day at a time.

    Memory stays small however long the stretch, and no read transaction waits for a slow receiver.
    """
    header = True
    for day_ms in range(begin_ms, end_ms, DAY_MS):
        sink = io.BytesIO()
        with lend() as connection:
            for hour in readings.export(connection, vehicle, day_ms, min(day_ms + DAY_MS, end_ms)):
                csv.write_csv(_table(hour, vehicle, as_text=True), sink, csv.WriteOptions(include_header=header))
                header = False
        if sink.tell():
            yield sink.getvalue()
    if header:
        names = [channel.name for channel in CHANNELS]
        yield (",".join(f'"{name}"' for name in ("time", "vehicle", "axle", *names)) + "\n").encode()


def parquet_bytes(connection: Connection, vehicle: str, begin_ms: int, end_ms: int) -> bytes:
    """Return the readings as one Parquet file, each channel's unit in its field's metadata."""
    sink = io.BytesIO()
    writer: parquet.ParquetWriter | None = None
    for hour in readings.export(connection, vehicle, begin_ms, end_ms):
        table = _table(hour, vehicle, as_text=False)
        writer = writer or parquet.ParquetWriter(sink, table.schema, compression="zstd")
        writer.write_table(table)
    if writer is None:
        schema = _schema([channel.name for channel in CHANNELS], as_text=False)
        writer = parquet.ParquetWriter(sink, schema, compression="zstd")
    writer.close()
    return sink.getvalue()


def file_name(vehicle: str, begin_ms: int, end_ms: int, ending: str) -> str:
    """Return a name for the file that says what is in it.

    Examples
    --------
    >>> file_name("hv-101", 0, 86_400_000, "csv")
    'hv-101_19700101T0000Z_19700102T0000Z.csv'
    """
    stamps = (
        re.sub(r"[-:]", "", str(np.datetime64(time_ms, "ms").astype("datetime64[m]"))) for time_ms in (begin_ms, end_ms)
    )
    return f"{vehicle}_{'Z_'.join(stamps)}Z.{ending}"
