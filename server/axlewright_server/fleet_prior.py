"""Make the fleet prior (``detectors/sisters.py``) from what an office's detectors have learnt."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
import numpy as np

from axlewright_models.spec import load_fleet
from axlewright_server.detectors.base import State
from axlewright_server.detectors.sisters import LEAST_SISTERS, FleetPrior, write
from axlewright_server.detectors.suite import learn_prior
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.vibration import Vibration
from axlewright_server.errors import SettingsError, StoreError
from axlewright_server.memory import unpack
from axlewright_server.settings import Settings
from axlewright_server.store import Store, records
from axlewright_server.store.database import FILE_NAME


@dataclass
class Learnt:
    """What became of the axles in a store."""

    prior: FleetPrior
    left_out: Counter[str] = field(default_factory=Counter)

    @property
    def text(self) -> str:
        """Return the report."""
        lines = []
        for group in self.prior.groups:
            about = f"{group.type}, axle {group.position}: {group.axles} axles"
            few = f"; too few have learnt a cell, at least {LEAST_SISTERS} are needed"
            lines.append(f"{about}, {len(group.lines)} lines" if group.lines else about + few)
        lines += [f"left out, {why}: {count} axles" for why, count in sorted(self.left_out.items())]
        return "\n".join(lines or ["no axle has been heard of yet"])


def make_prior(settings: Settings, into: Path) -> Learnt:
    """Write the prior of the axles in a data folder.

    An axle on which anything stands is left out: what it reads is no pattern for others.

    Raises
    ------
    SettingsError, StoreError
        No fleet file is given, there is no store, or an office is running on it.
    """
    if not settings.fleet:
        raise SettingsError("no fleet file is given; add --fleet FILE")
    table = AxleTable.of(load_fleet(settings.fleet))
    if not (Path(settings.data) / FILE_NAME).exists():
        raise StoreError(f"{settings.data}: there is no store here; name an office's folder by --data")
    store = Store(settings.data)
    try:
        with store.transaction() as connection:
            blobs = records.states(connection)
        blob_of = {table.row(*axle): blobs[number] for axle, number in store.axle_ids.items() if number in blobs}
    finally:
        store.close()
    learnt = learn_from({row: blob for row, blob in blob_of.items() if row is not None}, table)
    try:
        write(learnt.prior, into)
    except OSError as error:
        raise SettingsError(f"--into {into}: cannot be written: {error}") from error
    return learnt


def learn_from(blobs: dict[int, bytes], table: AxleTable) -> Learnt:
    """Return the prior of axles' memories, by row of the table."""
    detector = Vibration()
    states: State = detector.fresh(len(table))
    rows, until_s, left_out = [], 0.0, Counter[str]()
    for row, blob in sorted(blobs.items()):
        memory = unpack(blob)
        record = memory.record(detector.name, detector.version, detector.dtype)
        if record is None:
            left_out["its memory is of another version"] += 1
        elif memory.standing:
            left_out["something stands on it"] += 1
        else:
            states[row] = record
            rows.append(row)
            until_s = max(until_s, memory.last_s)
    prior = learn_prior(table, states, np.array(rows, dtype=np.int64))
    return Learnt(msgspec.structs.replace(prior, until_s=until_s), left_out)
