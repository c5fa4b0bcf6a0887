"""Daily summaries of every axle: what the prognosis looks at. It raises no symptoms.

A day is a UTC day of event time. Only steady driving counts for height, heat and vibration, so that a day's figure
tells of the axle and not of its route; life used (oil, seal lip) counts all hours. A day is kept once the next one
begins, as far as enough of it was seen; a ring of :data:`DAYS` days is remembered, and the first :data:`FIRST_DAYS`
figures of what is a mean since the axle is watched or was mended: what it is compared with must not move along with a
slow fault. Summaries are sums of exposure and do not hang on how rows are batched.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.lube.ageing import arrhenius_rate
from axlewright_models.seals import ACTIVATION_ENERGY_J_MOL as SEAL_ENERGY_J_MOL
from axlewright_models.seals import ELASTOMERS, LIFE_AT_HIGH_H, lip_temperature_cel
from axlewright_models.signals import ENVELOPE_CHANNELS, INDEX
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Floats, exposure

DAYS = 60
FIRST_DAYS = 7
DAY_S = 86400.0
LINES = ("vib/order/driveshaft-1", "vib/order/driveshaft-2", "vib/order/wheel-1", "vib/order/mesh-1")
# Means over steady driving, each with seconds of its own; vibration as the logarithm of its amplitude.
MEANS = ("height", "excess", *(name.rsplit("/", 1)[-1] for name in LINES), "envelope")
HIGHS = ("lube-high", "expected-high")
SUMS = ("distance", "oil", "seal")
QUANTITIES = (*MEANS, *HIGHS, *SUMS)
NUMBER = {name: number for number, name in enumerate(QUANTITIES)}
_M, _H, _S = len(MEANS), len(HIGHS), len(SUMS)
_LINE_COLUMNS = [INDEX[name] for name in LINES]
_ENVELOPE_COLUMNS = [INDEX[name] for name in ENVELOPE_CHANNELS]
# Own choices: driving that counts, seconds of it that make a day's mean, shaft under the seal.
DRIVING_KM_H = 40.0
CRUISE_KM_H = (70.0, 95.0)
LEAST_S = 900.0
SEAL_DIAMETER_MM = 90.0
# Service literature of the trade: synthetic lube in line haul is drained after 250,000 miles; taken here as 402,000 km
# at 70 km/h and 90 Cel (speed and temperature are own choices).
OIL_LIFE_H, OIL_REFERENCE_CEL = 402_000.0 / 70.0, 90.0
SEAL_REFERENCE_CEL = 120.0
LEAST_AMPLITUDE_M_S2 = 1e-3
# A repair of these makes the quantity's past another axle's.
TOUCHES = {
    "height": frozenset({"height-valve", "air-spring", "height-sensor"}),
    "excess": frozenset({"lube", "bearing", "gear-set", "brake", "carrier-assembly", "lube-sensor", "wheel-or-tyre"}),
    "driveshaft-1": frozenset({"driveshaft", "joint", "centre-bearing", "carrier-assembly", "vibration-sensor"}),
    "driveshaft-2": frozenset({"driveshaft", "joint", "centre-bearing", "height-valve", "vibration-sensor"}),
    "wheel-1": frozenset({"wheel-or-tyre", "brake", "vibration-sensor"}),
    "mesh-1": frozenset({"gear-set", "bearing", "carrier-assembly", "vibration-sensor"}),
    "envelope": frozenset({"gear-set", "bearing", "carrier-assembly", "vibration-sensor"}),
    "lube-high": frozenset({"lube", "lube-sensor", "carrier-assembly"}),
}
LUBE_RENEWED = frozenset({"lube", "carrier-assembly"})
SEAL_RENEWED = frozenset({"pinion-seal", "carrier-assembly"})


class Daily(Part):
    """Keeps a ring of daily figures per axle, and the life that oil and pinion seal have used since they were new."""

    name = "daily"
    version = 2
    dtype: np.dtype[Any] = np.dtype(
        [
            ("day", "i4"),  # days since 1970 of the day at hand, 0 before the first
            ("sum", "f8", (_M,)),
            ("seconds", "f8", (_M,)),
            ("high", "f8", (_H,)),
            ("total", "f8", (_S,)),
            ("odometer", "f8"),
            ("ring_day", "i4", (DAYS,)),  # 0: an empty place
            ("ring", "f4", (DAYS, len(QUANTITIES))),
            ("next", "i4"),
            ("first", "f4", (FIRST_DAYS, _M)),
            ("oil_used", "f8"),
            ("seal_used", "f8"),
            ("renewed", "?", (2,)),  # whether oil, seal have been renewed since the axle is watched
        ]
    )

    def __init__(self) -> None:
        self._factors: tuple[AxleTable, Floats] | None = None

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = np.zeros(count, dtype=self.dtype)
        state["high"] = np.nan
        state["odometer"] = np.nan
        state["ring"] = np.nan
        state["first"] = np.nan
        return state

    def serviced(self, record_rows: State, touched: frozenset[str]) -> State:
        """Return the records without the past of what was touched; oil and seal begin anew where they were renewed."""
        record_rows = record_rows.copy()
        for name, parts in TOUCHES.items():
            if touched & parts:
                column = NUMBER[name]
                record_rows["ring"][:, :, column] = np.nan
                if column < _M:
                    record_rows["sum"][:, column] = 0.0
                    record_rows["seconds"][:, column] = 0.0
                    record_rows["first"][:, :, column] = np.nan
        for number, (name, parts) in enumerate((("oil_used", LUBE_RENEWED), ("seal_used", SEAL_RENEWED))):
            if touched & parts:
                record_rows[name] = 0.0
                record_rows["renewed"][:, number] = True
        return record_rows

    def forgets(self, key: str, touched: frozenset[str]) -> bool:
        """Return False: it raises no symptoms."""
        return False

    def observable(self, record: State) -> frozenset[str]:
        """Return nothing: it raises no symptoms."""
        return frozenset()

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state; the batch holds what the models expect beside the readings."""
        day = np.floor(batch.time_s / DAY_S).astype(np.int32)
        over = (day != state["day"]) & (state["day"] > 0)
        if over.any():
            self._close(state, np.flatnonzero(over))
        state["day"] = day
        self._add_means(state, batch, table)
        self._add_highs(state, batch)
        self._add_sums(state, batch, table)
        return state, []

    def _add_means(self, state: State, batch: Batch, table: AxleTable) -> None:
        speed = batch.column("speed")
        driving = (speed >= DRIVING_KM_H) & ~(batch.column("height-mode") > 0.5) & ~(batch.column("brake") > 0.05)
        cruising = driving & (speed >= CRUISE_KM_H[0]) & (speed <= CRUISE_KM_H[1])
        left, right = batch.column("height/left"), batch.column("height/right")
        height = np.where(np.isnan(left), right, np.where(np.isnan(right), left, 0.5 * (left + right)))
        values = np.full((len(batch), _M), np.nan)
        values[:, 0] = height - table.ride_height_mm[batch.axles]
        values[:, 1] = batch.column("lube") - batch.column("lube/expected")
        lines = np.maximum(batch.values[:, _LINE_COLUMNS], LEAST_AMPLITUDE_M_S2)
        values[:, 2 : 2 + len(LINES)] = np.log(lines)
        values[:, _M - 1] = np.log(np.maximum(batch.values[:, _ENVELOPE_COLUMNS], LEAST_AMPLITUDE_M_S2)).mean(axis=1)
        gate = np.repeat(driving[:, None], _M, axis=1)
        gate[:, 2:] = cruising[:, None]
        seconds = np.where(np.isnan(values), 0.0, exposure(batch.dt_s[:, None], gate))
        state["sum"] += np.where(seconds > 0.0, np.nan_to_num(values) * seconds, 0.0)
        state["seconds"] += seconds

    def _add_highs(self, state: State, batch: Batch) -> None:
        now = np.stack([batch.column("lube"), batch.column("lube/expected")], axis=1)
        state["high"] = np.fmax(state["high"], now)

    def _add_sums(self, state: State, batch: Batch, table: AxleTable) -> None:
        speed, lube, ambient = batch.column("speed"), batch.column("lube"), batch.column("ambient")
        odometer = batch.column("odometer")
        hours = exposure(batch.dt_s, np.ones(len(batch), dtype=bool)) / 3600.0
        driven_km = odometer - state["odometer"]
        # An odometer that is missing, was reset or replaced: the speed tells instead.
        usable = (driven_km >= 0.0) & (driven_km <= 150.0 * np.maximum(batch.dt_s, 60.0) / 3600.0)
        distance = np.where(usable, driven_km, np.nan_to_num(speed) * hours)
        state["odometer"] = np.where(np.isnan(odometer), state["odometer"], odometer)
        per_km = table.revolutions_per_km[batch.axles] * table.ratio[batch.axles]
        shaft_1_min = np.nan_to_num(speed) / 60.0 * per_km
        oil = np.nan_to_num(arrhenius_rate(lube, OIL_REFERENCE_CEL)) * hours / OIL_LIFE_H
        air = np.where(np.isnan(ambient), 15.0, ambient)
        lip = lip_temperature_cel(lube, air, SEAL_DIAMETER_MM, shaft_1_min)
        seal_rate = arrhenius_rate(lip, SEAL_REFERENCE_CEL, SEAL_ENERGY_J_MOL) * self._seal_factor(table)[batch.axles]
        seal = np.nan_to_num(seal_rate) * hours / LIFE_AT_HIGH_H
        state["total"] += np.stack([distance, oil, seal], axis=1)
        state["oil_used"] += oil
        state["seal_used"] += seal

    def _seal_factor(self, table: AxleTable) -> Floats:
        """Return each axle's ageing at the reference temperature, 1 being that of its seal's own limit; (axles,)."""
        if self._factors is None or self._factors[0] is not table:
            materials = [
                table.spec_of(row).axle(int(position)).seal_material for row, position in enumerate(table.position)
            ]
            by_name = {
                name: float(arrhenius_rate(SEAL_REFERENCE_CEL, kind.high_cel, SEAL_ENERGY_J_MOL))
                for name, kind in ELASTOMERS.items()
            }
            self._factors = table, np.array([by_name[name] for name in materials])
        return self._factors[1]

    def _close(self, state: State, rows: np.ndarray[Any, np.dtype[np.int64]]) -> None:
        """Put the finished day of these rows into the ring and begin the next."""
        part = state[rows]
        figures = np.full((len(rows), len(QUANTITIES)), np.nan)
        enough = part["seconds"] >= LEAST_S
        figures[:, :_M] = np.where(enough, part["sum"] / np.maximum(part["seconds"], 1.0), np.nan)
        figures[:, _M : _M + _H] = part["high"]
        figures[:, _M + _H :] = part["total"]
        place = part["next"]
        part["ring"][np.arange(len(rows)), place] = figures
        part["ring_day"][np.arange(len(rows)), place] = part["day"]
        part["next"] = (place + 1) % DAYS
        empty = np.isnan(part["first"])
        free = empty & (np.cumsum(empty, axis=1) == 1)  # of each quantity the first place without a figure
        part["first"] = np.where(free, figures[:, None, :_M], part["first"])
        part["sum"], part["seconds"], part["total"], part["high"] = 0.0, 0.0, 0.0, np.nan
        state[rows] = part


def days_of(record: State) -> tuple[np.ndarray[Any, np.dtype[np.int32]], Floats]:
    """Return the kept days of one axle's record, oldest first: day numbers (n,) and figures (n, quantities)."""
    order = np.argsort(record["ring_day"], kind="stable")
    order = order[record["ring_day"][order] > 0]
    return record["ring_day"][order], record["ring"][order].astype(np.float64)
