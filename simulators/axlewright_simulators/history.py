"""A fleet's past in the replay table form: Parquet, one row per axle and window, axle 0 being the truck itself.

Columns: ``time_ms`` (Unix, end of the window), ``vehicle``, ``axle``, then one per channel in channel units,
empty where missing. Rows are sorted by time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pyarrow.parquet as pq  # type: ignore[import-untyped]  # ships no types
from numpy.typing import NDArray

from axlewright_models.signals import NAMES
from axlewright_simulators.fleet import Block, FleetSimulator

Array = NDArray[np.float64]
PIECE_S = 12.0 * 3600.0
PARKED_WINDOW_S = 600.0


def write_history(
    simulator: FleetSimulator,
    end_s: float,
    path: Path,
    window_s: float = 60.0,
    progress: Callable[[float], None] | None = None,
) -> int:
    """Drive a fleet from its clock to `end_s`, write its windows and return the number of rows.

    A truck that stands with the ignition off gives one window in ten minutes.

    Parameters
    ----------
    simulator : FleetSimulator
        Its clock ends at `end_s`.
    end_s : float
        Unix time of the last window's end. [s]
    path : Path
        Parquet file, replaced if it exists.
    window_s : float
        Length of a window. [s]
    progress : callable, optional
        Told the share done, 0 to 1, now and then.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    rows, begin = 0, simulator.time_s
    schema = _schema()
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        while simulator.time_s < end_s - 1e-3:
            stop = min(simulator.time_s + PIECE_S, end_s)
            steps = max(1, math.ceil((stop - simulator.time_s) / window_s - 1e-9))
            edges = np.append(simulator.time_s + window_s * np.arange(steps), stop)
            table = table_of(simulator.advance(edges), simulator, schema)
            writer.write_table(table)
            rows += table.num_rows
            if progress is not None:
                progress((simulator.time_s - begin) / max(end_s - begin, 1e-9))
    return rows


def table_of(block: Block, simulator: FleetSimulator, schema: pa.Schema | None = None) -> pa.Table:
    """Return a block in the replay table form."""
    ends = block.edges_s[1:]
    told = _told(block, ends)
    names = np.array(simulator.vehicles, dtype=object)
    trucks = simulator.axles.truck
    step_v, index_v = np.nonzero(told)
    step_a, index_a = np.nonzero(told[:, trucks])
    positions = np.concatenate([np.zeros(index_v.size, dtype=np.int64), simulator.axles.position[index_a]])
    owners = np.concatenate([index_v, trucks[index_a]])
    steps = np.concatenate([step_v, step_a])
    order = np.lexsort((positions, owners, steps))
    columns: dict[str, pa.Array] = {
        "time_ms": pa.array(np.round(ends[steps][order] * 1000.0).astype(np.int64)),
        "vehicle": pa.array(names[owners[order]], type=pa.string()),
        "axle": pa.array(positions[order].astype(np.int32)),
    }
    for name in NAMES:
        values = np.full(steps.size, np.nan)
        if name in block.vehicle:
            values[: step_v.size] = block.vehicle[name][step_v, index_v]
        elif name in block.axle:
            values[step_v.size :] = block.axle[name][step_a, index_a]
        columns[name] = pa.array(values[order].astype(np.float32), from_pandas=True)
    return pa.table(columns, schema=schema or _schema())


def _told(block: Block, ends: Array) -> NDArray[np.bool_]:
    """Return which windows arrive, (t, n): all while the ignition is on, else one in ten minutes, but those lost."""
    asleep = block.vehicle["ignition"] < 0.5
    slot = np.floor(ends / PARKED_WINDOW_S)
    first = np.append(True, np.diff(slot) > 0.0)
    told: NDArray[np.bool_] = (~asleep | first[:, None]) & ~block.lost
    return told


def _schema() -> pa.Schema:
    fixed = [("time_ms", pa.int64()), ("vehicle", pa.string()), ("axle", pa.int32())]
    return pa.schema(fixed + [(name, pa.float32()) for name in NAMES])
