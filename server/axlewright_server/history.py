"""Load recorded readings through the same kernel as live frames, straight into sealed hours."""

from __future__ import annotations

import csv
import re
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # pyarrow ships no types
from numpy.typing import NDArray
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from axlewright_models.signals import CHANNELS, INDEX, NAMES
from axlewright_models.spec import load_fleet
from axlewright_server.commit import Committer
from axlewright_server.detectors.suite import read_prior
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.errors import HistoryError, SettingsError
from axlewright_server.kernel import Rows
from axlewright_server.settings import Settings
from axlewright_server.store import Store, advisories, rows, sealing
from axlewright_server.store.blocks import HOUR_MS

KEYS = ("vehicle", "axle")
# What the office computes it computes anew.
MEASURED = frozenset(channel.name for channel in CHANNELS if not channel.derived)
# One transaction holds so many rows: some 40 MB.
ROWS_AT_ONCE = 100_000


@dataclass
class Loaded:
    """What a load came to."""

    rows: int = 0
    known_rows: int = 0
    symptoms: int = 0
    advisories: set[str] = field(default_factory=set)
    strangers: set[str] = field(default_factory=set)
    ignored_columns: set[str] = field(default_factory=set)
    seconds: float = 0.0

    @property
    def text(self) -> str:
        """Return the summary for the terminal."""
        lines = [
            f"{self.rows:,} rows in {self.seconds:.1f} s; {self.symptoms} symptoms, "
            f"{len(self.advisories)} advisories raised or changed"
        ]
        if self.known_rows:
            lines.append(f"{self.known_rows:,} judgements skipped: those axles had been judged up to that time already")
        if self.strangers:
            lines.append(f"left out, not in the fleet file: {', '.join(sorted(self.strangers))}")
        if self.ignored_columns:
            lines.append(f"columns of no known channel, left out: {', '.join(sorted(self.ignored_columns))}")
        return "\n".join(lines)


def load_files(settings: Settings, files: Sequence[str | Path], quiet: bool = False) -> Loaded:
    """Load replay tables into the store of these settings, in order of time.

    Raises
    ------
    HistoryError
        A file cannot be read, or is not of the replay form, or is not sorted by time.
    StoreError
        An office is running on the same folder.
    """
    if not settings.fleet:
        raise SettingsError("no fleet file is given; add --fleet FILE")
    fleet = load_fleet(settings.fleet)
    knowledge = load_knowledge(settings.knowledge or None)
    prior = read_prior(settings.fleet_prior)
    tables = [read_table(Path(file)) for file in files]
    tables.sort(key=_first_ms)
    store = Store(settings.data)
    try:
        loader = Loader(Committer(fleet, store, knowledge, prior))
        total = sum(table.num_rows for table in tables)
        with _progress(quiet) as progress:
            task = progress.add_task("loading history", total=total)
            for table in tables:
                for done in loader.load(table):
                    progress.advance(task, done)
        loader.finish()
        return loader.loaded
    finally:
        store.close()


def _progress(quiet: bool) -> Progress:
    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.percentage:3.0f} %"))
    return Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True), disable=quiet)


def read_table(path: Path) -> pa.Table:
    """Return a replay table with its time as ``time_ms``.

    Raises
    ------
    HistoryError
        The file cannot be read, a key column is missing, or the times do not rise.
    """
    try:
        path.open("rb").close()  # pyarrow's own words for a missing file are long
        table = _read(path)
    except OSError as error:
        raise HistoryError(f"{path}: cannot be read: {error.strerror or error}") from error
    except pa.ArrowException as error:
        raise HistoryError(
            f"{path}: cannot be read as a replay table (.csv or .parquet): {_named(error, path)}"
        ) from error
    missing = [name for name in KEYS if name not in table.column_names]
    if "time" not in table.column_names and "time_ms" not in table.column_names:
        missing.append("time or time_ms")
    if missing:
        raise HistoryError(f"{path}: column {', '.join(missing)} is missing; there are {', '.join(table.column_names)}")
    try:
        table = _with_time_ms(table)
        axle = table["axle"].cast(pa.int64())
    except pa.ArrowException as error:
        raise HistoryError(
            f"{path}: {error}; write times as 2026-03-01T06:00:00Z and axles as whole numbers"
        ) from error
    for name, column in (("time_ms", table["time_ms"]), ("axle", axle), ("vehicle", table["vehicle"])):
        if column.null_count:
            raise HistoryError(f"{path}: column {name} has {column.null_count} empty cells; every row needs one")
    table = table.set_column(table.column_names.index("axle"), "axle", axle)
    times = table["time_ms"].to_numpy()
    back = np.flatnonzero(np.diff(times) < 0)
    if len(back):
        raise HistoryError(f"{path}: row {back[0] + 2} is earlier than the row before it; sort the table by time")
    return table


def _named(error: pa.ArrowException, path: Path) -> str:
    """Return pyarrow's complaint with the column's name: it counts them from 0 and names none."""
    text = str(error)
    counted = re.match(r"In CSV column #(\d+): (?:CSV conversion error to \w+: )?", text)
    if counted is None:
        return text
    with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
        names = next(csv.reader(file), [])
    number = int(counted[1])
    name = names[number] if number < len(names) else f"number {number + 1}"
    return f"column {name}: {text[counted.end() :]}; write numbers with a point, leave a missing one empty"


def _read(path: Path) -> pa.Table:
    if path.suffix == ".parquet":
        import pyarrow.parquet as pq  # type: ignore[import-untyped]  # pyarrow ships no types

        return pq.read_table(path)
    from pyarrow import csv as arrow_csv

    # Left to itself, a column that is empty for a megabyte would be taken for text or nothing.
    kinds = {name: pa.float64() for name in NAMES} | {"vehicle": pa.string(), "axle": pa.int64()}
    return arrow_csv.read_csv(path, convert_options=arrow_csv.ConvertOptions(column_types=kinds))


def _with_time_ms(table: pa.Table) -> pa.Table:
    if "time_ms" in table.column_names:
        column = table["time_ms"].cast(pa.int64())
        return table.set_column(table.column_names.index("time_ms"), "time_ms", column)
    times = table["time"]
    if pa.types.is_string(times.type) or pa.types.is_large_string(times.type):
        times = times.cast(pa.timestamp("ms", tz="UTC"))
    return table.append_column("time_ms", times.cast(pa.timestamp("ms", tz="UTC"), safe=False).cast(pa.int64()))


def _first_ms(table: pa.Table) -> int:
    return int(table["time_ms"][0].as_py()) if table.num_rows else 0


class Loader:
    """Feeds replay tables to a committer, a stretch of whole hours at a time."""

    def __init__(self, committer: Committer) -> None:
        self._committer = committer
        self._began = time.monotonic()
        self.loaded = Loaded()

    def load(self, table: pa.Table) -> Iterator[int]:
        """Load a table and yield the number of rows after each stretch."""
        known, values = self._columns(table)
        self.loaded.ignored_columns.update(set(table.column_names) - set(NAMES) - {*KEYS, "time", "time_ms"})
        time_ms = table["time_ms"].to_numpy()
        for begin, end in _stretches(time_ms):
            part = known.part(begin, end)
            if len(part.vehicle):
                self._commit(part, time_ms[begin:end][known.inside[begin:end]], values, begin, end, known)
            self.loaded.rows += end - begin
            yield end - begin

    def finish(self) -> None:
        """Note how long it took."""
        self.loaded.seconds = time.monotonic() - self._began

    def _columns(self, table: pa.Table) -> tuple[_Keys, list[tuple[int, NDArray[np.float32]]]]:
        keys = _Keys.of(table, self._committer.kernel.table.vehicles)
        self.loaded.strangers.update(keys.strangers)
        columns = [(INDEX[name], _numbers(table, name)) for name in table.column_names if name in MEASURED]
        return keys, columns

    def _commit(
        self,
        part: _Keys,
        time_ms: NDArray[np.int64],
        columns: Iterable[tuple[int, NDArray[np.float32]]],
        begin: int,
        end: int,
        known: _Keys,
    ) -> None:
        inside = known.inside[begin:end]
        values = np.full((len(time_ms), len(NAMES)), np.nan, np.float32)
        for number, column in columns:
            values[:, number] = column[begin:end][inside]
        found = Rows(part.vehicle, time_ms / 1000.0, part.position, values)
        kernel, store = self._committer.kernel, self._committer.store
        result = kernel.run(found)
        self._committer.lay_derived(found, time_ms, result)
        with store.transaction():
            axle_ids = self._committer.axle_ids(found)
            sealing.write_hours(store, axle_ids, time_ms, values)
            rows.write_latest(store, axle_ids, time_ms, values)
            self._write_states(found, time_ms)
            advisories.write_symptoms(store, kernel.table, result.symptoms)
            advisories.write_changes(store, result.changes)
            # Closed long ago: no broker ever had it, none needs to be told to forget it.
            advisories.mark_published(store, [one.message for one, _ in result.changes if not one.open])
        self.loaded.symptoms += len(result.symptoms)
        self.loaded.known_rows += result.late
        self.loaded.advisories.update(one.id for one, _ in result.changes)

    def _write_states(self, found: Rows, time_ms: NDArray[np.int64]) -> None:
        newest = np.zeros(len(self._committer.kernel.table.vehicles), np.int64)
        np.maximum.at(newest, found.vehicle, time_ms)
        self._committer.write_states(np.unique(found.vehicle), newest)


@dataclass(frozen=True)
class _Keys:
    """Whose rows they are: `inside` (all rows) tells those of the fleet, the others have an entry for each of these."""

    vehicle: NDArray[np.int64]
    position: NDArray[np.int64]
    inside: NDArray[np.bool_]
    strangers: tuple[str, ...] = ()

    @classmethod
    def of(cls, table: pa.Table, vehicles: Sequence[str]) -> _Keys:
        encoded = table["vehicle"].cast(pa.string()).combine_chunks().dictionary_encode()
        names = encoded.dictionary.to_pylist()
        numbers = {name: number for number, name in enumerate(vehicles)}
        lookup = np.array([numbers.get(name, -1) for name in names], np.int64)
        vehicle = lookup[encoded.indices.to_numpy()] if len(names) else np.empty(0, np.int64)
        position = table["axle"].to_numpy()
        inside = (vehicle >= 0) & (position >= 0) & (position < 100)
        strangers = tuple(name for name in names if name not in numbers)
        return cls(vehicle, position, inside, strangers)

    def part(self, begin: int, end: int) -> _Keys:
        inside = self.inside[begin:end]
        return _Keys(self.vehicle[begin:end][inside], self.position[begin:end][inside], inside)


def _numbers(table: pa.Table, name: str) -> NDArray[np.float32]:
    try:
        column = table[name].cast(pa.float32(), safe=False)
    except pa.ArrowException as error:
        raise HistoryError(f"column {name} holds something else than numbers: {error}") from error
    return np.asarray(column.to_numpy(), dtype=np.float32)


def _stretches(time_ms: NDArray[np.int64]) -> Iterator[tuple[int, int]]:
    """Cut sorted times between hours, so that each hour is sealed once; an hour of very many rows stays whole."""
    hours = time_ms // HOUR_MS
    edges = [0, *(np.flatnonzero(np.diff(hours)) + 1).tolist(), len(time_ms)]
    begin = 0
    for edge, following in zip(edges[1:], [*edges[2:], None], strict=True):
        if following is None or following - begin > ROWS_AT_ONCE:
            if edge > begin:
                yield begin, edge
            begin = edge
