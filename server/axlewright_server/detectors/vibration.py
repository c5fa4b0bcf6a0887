"""Vibration: every order and envelope line against the axle's own baseline at the same speed and load.

Amplitudes vary by factors, so their logarithm is judged. Joints, gears and engine shake harder under torque, so a cell
is a band of speed and a band of torque; the hardest pulls are not judged at all. Another source's line upon a line adds
to it, so a line has two baselines in a cell: for gears in which it stands apart and for gears in which it doesn't. The
first hour in each cell makes its baseline (mean and spread), which is then frozen, and is not taught while a symptom
stands. That hour is gathered over four days at least, so that the spread has other loads, trailers, roads and weather
in it. What the road explains is taken off the lines: the rise of rms or, if that is more, the lower-middle one of the
lines. Until a cell is learnt, an axle is silent there, or is held to its sisters where a fleet prior is given
(:mod:`~axlewright_server.detectors.sisters`): these differ by factors (unbalance, angles, resonances), so that a rise
must pass the room between them besides, and only gross faults show. After a repair that leaves the axle itself as it
was, the shaft's lines are held in the same way to what they read before (:mod:`~.before_repair`), and a minute that
stands so far beyond its room that it would be told teaches nothing.

Run length by design: one-sided CUSUM, k = 1 and h = 8 standard deviations: Siegmund's approximation gives 4.6e7
independent normal observations per line; 17 lines on 400 axles driving 10 h a day make 4e6 observations a day, so heavy
tails matter, and the rise must be large besides: the ratio averaged over ten minutes beyond ``order_ratio_limit``
(level 2), or beyond its square root while the one averaged over an hour of driving is as well (level 1); rms (without
the lines' own share) and kurtosis, which have no road taken off, the limit (1) and its square (2). A small rise is
never urgent. A line that is told is not judged in minutes of a much rougher road (:data:`ROUGH`).

Trend: two hours of driving make one observation of each line's ratio, held to the mean of the first
``trend_learning`` of them (k = 1, h = 5: 1.1e5 observations in control, for all lines of an axle some 10 years at 1,000
hours a year; the average must pass ``trend_least`` besides). It sees a slow rise long before the limit.

Engine lines are judged, and learnt, only in gears in which no other source's line lies upon them, and in cells of the
engine's own speed and torque: at one road speed another gear is another engine speed.

What has risen stands until its hour's average has been below a quarter of the limit's logarithm for ``quiet`` minutes,
a day of driving: a fault does not mend itself, and many show at some speeds and loads only.

The source is told from the raised lines: :mod:`~axlewright_server.detectors.vibration_source`. Windows that the truck
doubts (``vib/quality``: clipped, samples missing, speed changed, sensor loose) are not judged.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.signals import CHANNELS, ENVELOPE_CHANNELS, INDEX, ORDER_CHANNELS
from axlewright_models.statistics import welford_step
from axlewright_server.detectors import before_repair
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import HIGH, Chart
from axlewright_server.detectors.sisters import FleetPrior, Sisters
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Floats, exposure, lesson_due, put_back, some
from axlewright_server.detectors.vibration_source import ALONE, FIRST, SOURCES, Signature, alone, attribute

LINES = (*ORDER_CHANNELS, *ENVELOPE_CHANNELS, "vib/rms", "vib/kurtosis")
BAND_EDGES_KM_H = (35.0, 55.0, 70.0, 85.0, 130.0)
TORQUE_EDGES_N_M = (500.0, 1200.0, 2500.0)
# Of the engine's lines: crankshaft speed and torque, own choice for slow-turning heavy diesels.
ENGINE_EDGES_1_MIN = (0.0, 1000.0, 1150.0, 1300.0)
CRANK_EDGES_N_M = (300.0, 800.0, 1500.0)
HARDEST_N_M = 5000.0
ROUGH = 0.3
"""Own choice, in log-ratio: minutes with so much more road do not tell whether a line that has risen still stands."""
CREPT_S = 24.0 * 3600.0
"""Own choice: a chart takes hours of driving to tell a line that has risen at once, days to tell one that creeps."""
SETTLING_S = 2.0 * CREPT_S
"""Own choice: what has risen at once is all there after two days; a line that rises on after that creeps."""
_BANDS = (len(BAND_EDGES_KM_H) - 1) * (len(TORQUE_EDGES_N_M) + 1)
# Every band twice: lines that stand apart, and lines that lie on another's.
_CELLS = 2 * _BANDS
_COLUMNS = np.array([INDEX[name] for name in LINES])
_K = len(LINES)
_ORDER_LINES = len(ORDER_CHANNELS) + len(ENVELOPE_CHANNELS)
_ORDERS = len(ORDER_CHANNELS)
_RMS = LINES.index("vib/rms")
_KURTOSIS = LINES.index("vib/kurtosis")
_OF_ENGINE = np.array(["engine" in name for name in ORDER_CHANNELS])
_ENGINE_LINES = np.array(["/engine-" in name for name in LINES])
TREND = Chart("trend", _K, slack=1.0, decision=5.0, weight=0.3, calm=5)
# What a repair changes: the beginnings of the lines that must be learnt anew.
TOUCHES = {
    "driveshaft": ("driveshaft",),
    "joint": ("driveshaft",),
    "centre-bearing": ("driveshaft",),
    "wheel-or-tyre": ("wheel",),
    "gear-set": ("mesh", "outer", "inner", "rolling", "cage", "rms", "kurtosis"),
    "bearing": ("mesh", "outer", "inner", "rolling", "cage", "rms", "kurtosis"),
    "carrier-assembly": ("",),
    "vibration-sensor": ("",),
}
_CODES = tuple(
    "order-high" if name in ORDER_CHANNELS else "envelope-high" if name in ENVELOPE_CHANNELS else "vibration-high"
    for name in LINES
)


class Vibration(Part):
    """Follow every line of every axle.

    ``learning``: one-minute observations that make the baseline of a cell; ``lessons_a_day``: how many of them one
    day may give. ``floor``: least standard deviation of the log-ratio that is believed (0.15 is about 15 %);
    ``sum_floor``: the same for rms and kurtosis, which follow the road. ``weight``, ``slow_weight``: of an
    observation in the ten minutes' and the hour's average. ``calm``: observations of the ten minutes' average below a
    quarter of the limit's logarithm that empty the sum; ``quiet``: of the hour's average, that end a symptom.
    ``trend_minutes``, ``trend_learning``, ``trend_floor``, ``trend_least``: one observation of the trend, how many
    make its baseline, least standard deviation believed, least averaged rise (0.26 is 30 %), which sums are never
    held to. ``kurtosis_floor``: least standard deviation of kurtosis's two-hour means that is believed.
    ``prior``: what sister axles read, for cells that are not learnt yet.
    ``source_every``: observations after which the source is looked at again while a line is raised; ``votes``: how
    many such looks are averaged; a source told after half of them is firm. All are own choices.
    """

    name = "vibration"
    version = 11
    dtype: np.dtype[Any] = np.dtype(
        [
            ("window_s", "f4"),
            ("window_sum", "f4", (_K + 4,)),
            ("band", "i4", (2,)),
            ("lesson_day", "i4", (2, _BANDS)),
            ("lessons", "i2", (2, _BANDS)),
            ("count", "f4", (_CELLS, _K)),
            ("mean", "f4", (_CELLS, _K)),
            ("m2", "f4", (_CELLS, _K)),
            ("high", "f4", (_K,)),
            ("average", "f4", (_K,)),
            ("slow", "f4", (_K,)),
            ("room", "f4", (_K,)),
            ("begun_s", "f8", (_K,)),
            ("calm", "i4", (_K,)),
            ("quiet", "i4", (_K,)),
            ("level", "i1", (_K,)),
            ("alone_average", "f4", (_ORDERS,)),
            ("alone_count", "i4", (_ORDERS,)),
            ("first_told", "?"),
            ("first_crept", "?"),
            ("first_settles_s", "f8"),
            ("first_settled", "f4"),
            ("first_square", "f4"),
            ("first_by_speed", "f4", (2,)),
            ("waited", "i4"),
            ("source", "?", (len(SOURCES),)),
            ("votes", "f4", (len(SOURCES),)),
            ("voted", "i4"),
            ("trend_count", "f4", (_K,)),
            ("trend_total", "f4", (_K,)),
            ("trend_minutes", "f4"),
            ("trend_moments", "f4", (3, _K)),
            *TREND.fields(),
            *before_repair.fields(_CELLS),
        ]
    )

    def __init__(
        self,
        observation_s: float = 60.0,
        learning: int = 60,
        lessons_a_day: int = 15,
        slack: float = 1.0,
        decision: float = 8.0,
        floor: float = 0.15,
        sum_floor: float = 0.25,
        weight: float = 0.1,
        slow_weight: float = 1.0 / 60.0,
        calm: int = 15,
        quiet: int = 480,
        trend_minutes: float = 120.0,
        trend_learning: int = 10,
        trend_floor: float = 0.08,
        trend_least: float = 0.26,
        kurtosis_floor: float = 0.04,
        source_every: int = 15,
        votes: int = 16,
        prior: FleetPrior | None = None,
    ) -> None:
        self.observation_s = observation_s
        self.learning = learning
        self.lessons_a_day = lessons_a_day
        self.slack = np.float32(slack)
        self.decision = np.float32(decision)
        self.floor = np.where(np.arange(_K) < _ORDER_LINES, floor, sum_floor).astype(np.float32)
        # Half the limit's logarithm (its square root) begins level 1 of a line; sums need all of it, and twice for 2.
        self.share = np.where(np.arange(_K) < _ORDER_LINES, 0.5, 1.0).astype(np.float32)
        self.weight = np.float32(weight)
        self.slow_weight = np.float32(slow_weight)
        self.calm = calm
        self.quiet = quiet
        self.trend_minutes = trend_minutes
        self.trend_learning = trend_learning
        self.trend_floor = self.floor.astype(np.float64)
        self.trend_floor[:_ORDER_LINES], self.trend_floor[_KURTOSIS] = trend_floor, kurtosis_floor
        self.trend_least = np.where(np.arange(_K) < _ORDER_LINES, trend_least, np.inf)
        self.source_every = source_every
        self.votes = votes
        self.prior = prior
        self._sisters: tuple[AxleTable, Sisters] | None = None

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        state["band"] = -1
        state["begun_s"] = np.nan
        TREND.clear(state)
        before_repair.clear(state)
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the lines that rose over their baseline, or fell back."""
        speed, torque = np.fmax(batch.column("speed"), 0.0), np.abs(batch.column("torque"))
        gate = (speed >= BAND_EDGES_KM_H[0]) & (speed < BAND_EDGES_KM_H[-1]) & ~(batch.column("brake") > 0.05)
        gate &= ~(torque > HARDEST_N_M)
        # Lowered or raised on purpose, the joints work at other angles by design; that is neither normal nor a fault.
        gate &= ~(batch.column("height-mode") > 0.5)
        quality = batch.column("vib/quality")
        if not np.isnan(quality).all():
            gate &= ~(quality > 0.5)
        seconds = exposure(batch.dt_s, gate).astype(np.float32)
        counted = seconds > 0.0
        if not counted.any():
            return state, []
        gear = batch.column("gear")
        with np.errstate(divide="ignore", invalid="ignore"):
            turned = batch.column("engine-speed") / batch.column("shaft-speed")
        gear = np.where(np.isnan(gear) & np.isfinite(turned), turned, gear)
        drive = (speed, np.fmax(torque, 0.0), gear, gear * gear)
        ripe, means = self._gather(state, batch, table, drive, seconds, counted)
        if not len(ripe):
            return state, []
        part = some(state, ripe)
        symptoms = self._judge(part, means, batch.take(ripe), table)
        put_back(state, ripe, part)
        return state, symptoms

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptoms that could be shown: the lines whose baseline is known in some band."""
        known = np.atleast_1d((record["count"] >= self.learning).any(axis=0))
        keys = {f"{code}/{_end(line)}" for code, line, ready in zip(_CODES, LINES, known, strict=True) if ready}
        followed = record["trend_moments"][0] >= self.trend_learning
        keys |= {
            f"{code.replace('high', 'rising')}/{_end(line)}"
            for code, line, ready in zip(_CODES[:_ORDER_LINES], LINES, followed, strict=False)
            if ready
        }
        return frozenset(keys | set(SOURCES) if keys else keys)

    def serviced(self, record_rows: State, touched: frozenset[str]) -> State:
        """Return the records with the touched lines' baselines forgotten, or kept as what is expected meanwhile."""
        lines = _touched(touched)
        if not lines.any():
            return record_rows
        before_repair.keep(record_rows, touched, self.learning)
        fresh = self.fresh(len(record_rows))
        for field in ("count", "mean", "m2"):
            record_rows[field][:, :, lines] = 0.0
        for field in ("high", "average", "slow", "room", "begun_s", "calm", "quiet", "level"):
            record_rows[field][:, lines] = fresh[field][:, lines]
        for field in ("count", "total", "sums", "average", "begun_s", "calm", "level"):
            record_rows[f"trend_{field}"][:, lines] = fresh[f"trend_{field}"][:, lines]
        record_rows["trend_moments"][:, :, lines] = 0.0
        orders = lines[:_ORDERS]
        record_rows["alone_average"][:, orders] = 0.0
        record_rows["alone_count"][:, orders] = 0
        for field in ("source", "votes", "voted"):
            record_rows[field] = 0
        return record_rows

    def forgets(self, key: str, touched: frozenset[str]) -> bool:
        """Return whether such a repair ends this symptom: its line's, and what was said of the source."""
        lines = _touched(touched)
        if "/" not in key:
            return bool(lines.any())
        return any(_end(name) == key.rsplit("/", 1)[-1] for name, hit in zip(LINES, lines, strict=True) if hit)

    def _gather(
        self, state: State, batch: Batch, table: AxleTable, drive: tuple[Floats, ...], seconds: Any, counted: Any
    ) -> tuple[Any, Any]:
        """Average each line's logarithm, speed and torque over one minute; the averages choose the cells."""
        lines = np.ascontiguousarray(batch.values[:, _COLUMNS], dtype=np.float32)
        lines[:, _RMS] = _broad_band(lines)
        logs = np.log(np.maximum(lines, np.float32(1e-6)))
        part = np.column_stack([logs, *(values.astype(np.float32) for values in drive)]) * seconds[:, None]
        total_s = state["window_s"] + seconds
        total = state["window_sum"] + (part if counted.all() else np.where(counted[:, None], part, np.float32(0.0)))
        ripe = np.flatnonzero(counted & (total_s >= self.observation_s - 0.5))
        means = total[ripe] / total_s[ripe][:, None]
        total_s[ripe] = 0.0
        total[ripe] = 0.0
        state["window_s"], state["window_sum"] = total_s, total
        axles = batch.axles[ripe]
        speed, torque, gear = means[:, _K], means[:, _K + 1], means[:, _K + 2]
        state["band"][ripe, 0] = _band(speed, torque, BAND_EDGES_KM_H[:-1], TORQUE_EDGES_N_M)
        with np.errstate(divide="ignore", invalid="ignore"):
            engine_1_min = speed / 60.0 * (table.revolutions_per_km * table.ratio)[axles] * np.abs(gear)
            crank_n_m = torque / np.abs(gear)
        # In no known gear the engine's lines are not judged; NaN sorts last, which is a cell like any other.
        state["band"][ripe, 1] = _band(engine_1_min, crank_n_m, ENGINE_EDGES_1_MIN, CRANK_EDGES_N_M)
        return ripe, means

    def _judge(self, state: State, gathered: Any, batch: Batch, table: AxleTable) -> list[Symptom]:
        means, drive = gathered[:, :_K].copy(), gathered[:, _K:]
        lone = self._lone_lines(means, drive, batch, table)
        limit = np.log(table.limit("order_ratio_limit")[batch.axles]).astype(np.float32)[:, None]
        ratio, spread, room = self._against_usual(state, means, lone, limit, batch, table)
        seen = ~np.isnan(ratio)
        z = np.clip((ratio - room) / spread, np.float32(-4.0), np.float32(4.0))
        high = np.where(seen, np.maximum(state["high"] + z - self.slack, np.float32(0.0)), state["high"])
        average = np.where(seen, state["average"] + self.weight * (ratio - state["average"]), state["average"])
        slow = state["slow"]
        bounded = np.clip(ratio, np.float32(-1.5), np.float32(1.5) + room)
        state["slow"] = np.where(seen, slow + self.slow_weight * (bounded - slow), slow)
        state["room"] = np.where(seen, state["room"] + self.weight * (room - state["room"]), state["room"])
        low = 0.25 * limit + state["room"]
        calm = np.where(seen, np.where(average < low, state["calm"] + 1, 0), state["calm"])
        high = np.where(calm >= self.calm, np.float32(0.0), np.minimum(high, 4.0 * self.decision))
        quiet = np.where(state["slow"] < low, state["quiet"] + seen, 0)
        state["high"], state["average"], state["calm"], state["quiet"] = high, average, calm, quiet
        now = batch.time_s[:, None]
        begun = np.where(np.isnan(state["begun_s"]), now, state["begun_s"])
        state["begun_s"] = np.where((high > 0.0) | (state["level"] > 0), begun, np.nan)
        symptoms = self._symptoms(state, limit, batch)
        # The slow trend has a baseline of its own, of two-hour means: sisters and old shafts say nothing of that.
        symptoms += self._follow(state, np.where(room > 0.0, np.float32(np.nan), ratio), batch)
        return symptoms + self._attribute(state, ratio, drive, lone, batch)

    def _against_usual(
        self, state: State, means: Any, lone: Any, limit: Any, batch: Batch, table: AxleTable
    ) -> tuple[Any, Any, Any]:
        """Return each line's log-ratio to its cell's baseline, its spread, and the room that is left to it.

        While a baseline is learnt the ratio is to what the line read before a repair, or else to what sisters let
        expect, NaN without either; learnt ones have no room.
        """
        pick, band = np.arange(len(state)), state["band"][:, _ENGINE_LINES.astype(np.int64)]
        shared = np.zeros(means.shape, dtype=bool)
        shared[:, :_ORDERS] = ~lone
        where = (pick[:, None], band + _BANDS * shared, np.arange(_K)[None, :])
        lesson = (state["count"][where] < self.learning) & ~batch.suspect[:, None] & ~np.isnan(means)
        # What would be told as a fault of the repair is no lesson.
        shaft = before_repair.LINES
        before, scatter = before_repair.expected(state, where[1][:, shaft])
        told = np.float32(before_repair.ROOM) + self.share[shaft] * limit
        lesson[:, shaft] &= ~(means[:, shaft] - before > told)
        lesson &= self._due(state, lesson, batch)
        count, mean, m2 = (state[field][where] for field in ("count", "mean", "m2"))
        if lesson.any():
            self._teach(state, means, lesson, where)
        learnt = count >= self.learning
        # Alone a line is not higher than with another upon it: that baseline will do while there is no other.
        other = np.flatnonzero((~learnt & ~shared).any(axis=1))
        if len(other):
            instead = (other[:, None], band[other] + _BANDS, np.arange(_K)[None, :])
            more = ~learnt[other] & ~shared[other]
            fields = (state[field][instead] for field in ("count", "mean", "m2"))
            for own, borrowed in zip((count, mean, m2), fields, strict=True):
                own[other] = np.where(more, borrowed, own[other])
            learnt = count >= self.learning
        spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, np.float32(1.0))), self.floor)
        ratio, room = np.where(learnt, means - mean, np.float32(np.nan)), np.zeros_like(mean)
        if self.prior is not None and not learnt.all():
            usual, left, within = self._of_sisters(table).judge(batch.axles, where[1], where[2])
            held = ~learnt & ~np.isnan(usual)
            ratio, room = np.where(held, means - usual, ratio), np.where(held, left, room)
            spread = np.where(held, np.maximum(within, self.floor), spread)
        held = ~learnt[:, shaft] & ~np.isnan(before)
        if held.any():
            for whole, own in (
                (ratio, means[:, shaft] - before),
                (room, np.float32(before_repair.ROOM)),
                (spread, np.maximum(scatter, self.floor[shaft])),
            ):
                whole[:, shaft] = np.where(held, own, whole[:, shaft])
        road = _road(ratio)[:, None]
        ratio[:, :_ORDER_LINES] -= road
        # A bearing that breaks up lifts the whole band for good, and that is no road: what has risen is not said to be
        # gone because of it. What is beyond level 2 beside such a road still counts.
        told = (state["level"] > 0) | (state["trend_level"][:, :, HIGH] > 0)
        unclear = told & (road > ROUGH) & (ratio - room < np.float32(2.0) * self.share * limit)
        ratio[:, :_ORDER_LINES][unclear[:, :_ORDER_LINES]] = np.nan
        return ratio, spread, room

    def _of_sisters(self, table: AxleTable) -> Sisters:
        """Return the prior laid out for a table."""
        assert self.prior is not None
        if self._sisters is None or self._sisters[0] is not table:
            self._sisters = table, Sisters(self.prior, table, LINES, _CELLS)
        return self._sisters[1]

    def _due(self, state: State, wanted: Any, batch: Batch) -> Any:
        """Return which lines may learn now: so many lessons a day and cell, that a baseline has several days in it."""
        due = np.zeros(wanted.shape, dtype=bool)
        for kind, lines in enumerate((~_ENGINE_LINES, _ENGINE_LINES)):
            cell = (np.arange(len(state)), kind, state["band"][:, kind])
            asked, days, lessons = wanted[:, lines].any(axis=1), state["lesson_day"], state["lessons"]
            due[:, lines] = lesson_due(days, lessons, cell, asked, batch.time_s, self.lessons_a_day)[:, None]
        return due

    def _follow(self, state: State, ratio: Any, batch: Batch) -> list[Symptom]:
        """Gather the ratios of two hours and hold their means to the axle's first ones."""
        seen = ~np.isnan(ratio)
        state["trend_count"] += seen
        state["trend_total"] += np.where(seen, np.clip(ratio, -1.5, 1.5), np.float32(0.0))
        state["trend_minutes"] += seen.any(axis=1)
        ripe = np.flatnonzero(state["trend_minutes"] >= self.trend_minutes)
        if not len(ripe):
            return []
        part, few = some(state, ripe), batch.take(ripe)
        enough = part["trend_count"] >= 0.3 * self.trend_minutes
        means = np.where(enough, part["trend_total"] / np.maximum(part["trend_count"], 1.0), np.nan).astype(np.float64)
        for field in ("trend_count", "trend_total", "trend_minutes"):
            part[field] = 0.0
        count, mean, m2 = (part["trend_moments"][:, which].astype(np.float64) for which in range(3))
        learnt = count >= self.trend_learning
        lesson = np.where(learnt | few.suspect[:, None], np.nan, means)
        part["trend_moments"] = np.stack(welford_step(count, mean, m2, lesson), axis=1)
        spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, 1.0)), self.trend_floor)
        departure = np.where(learnt, means - mean, np.nan)
        changed = TREND.step(part, departure, spread, self.trend_least, np.inf, few.time_s)[:, :, HIGH]
        symptoms = [
            Symptom(
                axle=int(few.axles[row]),
                time_s=float(few.time_s[row]),
                code=_CODES[line].replace("high", "rising"),
                channel=LINES[line],
                level=int(part["trend_level"][row, line, HIGH]),
                since_s=TREND.since_s(part, int(row), int(line), HIGH, float(few.time_s[row])),
                value=float(np.exp(part["trend_average"][row, line])),
                limit=float(np.exp(self.trend_least[line])),
                unit=CHANNELS[INDEX["gear"]].unit,
                score=TREND.score(part, int(row), int(line), HIGH),
            )
            for row, line in zip(*np.nonzero(changed), strict=True)
        ]
        put_back(state, ripe, part)
        return symptoms

    def _attribute(self, state: State, ratio: Any, drive: Any, lone: Any, batch: Batch) -> list[Symptom]:
        """Follow lone lines from the first rise on, and tell the source while something is raised."""
        first = ratio[:, FIRST]
        known = ~np.isnan(first)
        apart = np.square(first - state["average"][:, FIRST])
        state["first_square"] += np.where(known, np.float32(0.05) * (apart - state["first_square"]), 0.0)
        fast = (drive[:, 0] >= BAND_EDGES_KM_H[2]).astype(np.int64)
        pick = np.arange(len(state))
        moved = state["first_by_speed"][pick, fast]
        state["first_by_speed"][pick, fast] = moved + np.where(known, self.slow_weight * (first - moved), 0.0)
        raised = state["level"][:, :_ORDER_LINES] > 0
        raised |= state["trend_level"][:, :_ORDER_LINES, HIGH] > 0
        self._lone(state, ratio, lone, raised)
        _creep(state, raised[:, FIRST], self._rise(state)[:, FIRST], self.trend_least[FIRST], batch)
        rows = np.flatnonzero(raised.any(axis=1) | state["source"].any(axis=1))
        if not len(rows):
            return []
        part, few = some(state, rows), batch.take(rows)
        part["waited"] += 1
        symptoms = self._sources(part, raised[rows], few)
        put_back(state, rows, part)
        return symptoms

    def _lone_lines(self, means: Any, drive: Any, batch: Batch, table: AxleTable) -> Any:
        """Return which order lines stood apart from all others in the minute, (n, order lines).

        Order lines of a minute in two gears, and the engine's where they lie on another's, are left out of `means`: a
        line that lies on another's tells of the engine only where it stands apart.
        """
        gear, square = drive[:, 2].astype(np.float64), drive[:, 3]
        mixed = square - gear * gear > 1e-3 * np.maximum(square, 1e-3)
        lone = alone(table, batch.axles, np.where(mixed, np.nan, gear))
        hidden = ~lone & _OF_ENGINE & ~np.isnan(gear)[:, None]
        means[:, :_ORDERS] = np.where(hidden | mixed[:, None], np.float32(np.nan), means[:, :_ORDERS])
        return lone

    def _lone(self, state: State, ratio: Any, lone: Any, raised: Any) -> None:
        """Average what a line does in minutes in which it stands alone, from when it began to rise."""
        rising = (
            raised[:, :_ORDERS] | (state["high"][:, :_ORDERS] > 0.0) | (state["trend_sums"][:, :_ORDERS, HIGH] > 0.0)
        )
        lone = lone & ~np.isnan(ratio[:, :_ORDERS]) & rising
        count, average = state["alone_count"], state["alone_average"]
        weight = np.maximum(np.float32(1.0) / (count + np.float32(1.0)), np.float32(0.1))
        state["alone_average"] = np.where(lone, average + weight * (ratio[:, :_ORDERS] - average), average)
        state["alone_count"] = np.where(rising, count + lone, 0)

    def _sources(self, state: State, raised: Any, batch: Batch) -> list[Symptom]:
        """Look at the source as lines rise or fall, and now and then while they stand.

        Each look is a vote. The first one names a source, at once unless lines coincide; then it takes three fifths of
        the votes of some hours, and goes when fewer than two fifths are left for it.
        """
        stands = raised.any(axis=1)
        due = (state["waited"] >= self.source_every) | ~stands
        unnamed = state["voted"] == 0
        if not (due | unnamed).any():
            return []
        by_speed = state["first_by_speed"]
        signature = self._signature(state, by_speed[:, 1] - by_speed[:, 0])
        # Half of the least rise that is told at all: a line below that when alone is quiet.
        least = np.full(len(state), 0.5 * self.trend_least[0])
        # What differs by birth, or since a repair, within its room is quiet as well.
        lone_rise = state["alone_average"] - state["room"][:, :_ORDERS]
        found = attribute(raised, lone_rise, state["alone_count"], least, signature)
        due |= unnamed & ~found[:, SOURCES.index("lines-coincide")]
        state["waited"] = np.where(due, 0, state["waited"])
        voted = np.minimum(state["voted"] + 1, self.votes)
        votes = state["votes"] + (found - state["votes"]) / voted[:, None].astype(np.float32)
        named = np.where(state["source"], votes > 0.4, votes > 0.6) & stands[:, None]
        changed = due[:, None] & (named != state["source"])
        found = np.where(due[:, None], named, state["source"])
        state["votes"] = np.where(due[:, None], np.where(stands[:, None], votes, np.float32(0.0)), state["votes"])
        state["voted"] = np.where(due, np.where(stands, voted, 0), state["voted"])
        state["source"] = found
        return [
            Symptom(
                axle=int(batch.axles[row]),
                time_s=float(batch.time_s[row]),
                code=SOURCES[which],
                channel="vib/rms",
                level=int(found[row, which]),
                since_s=float(np.fmin(np.nanmin(np.append(state["begun_s"][row], np.inf)), batch.time_s[row])),
                value=float(state["alone_count"][row][raised[row, :_ORDERS]].min(initial=1000)),
                limit=float(ALONE),
                unit=CHANNELS[INDEX["gear"]].unit,
                score=1.0,
            )
            for row, which in zip(*np.nonzero(changed), strict=True)
        ]

    def _signature(self, state: State, by_speed: Any) -> Signature:
        """Return how much each line has risen over two-hour means, or over the hour while these are learnt."""
        count, m2 = state["trend_moments"][:, 0], state["trend_moments"][:, 2]
        followed = self._followed(state)
        # Beside a raised line a smaller rise is believed: it is one question, not one on every line of every day.
        floor = 0.5 * self.trend_floor
        spread = np.maximum(np.sqrt(m2 / np.maximum(count - 1.0, 1.0)), floor)
        rise = self._rise(state)
        beside = rise > np.where(followed, 2.0 * spread, 4.0 * floor + state["room"])
        # The road's kurtosis is not known before its own scatter is.
        beside[:, _ORDER_LINES:] &= followed[:, _ORDER_LINES:]
        return Signature(
            rise=rise,
            beside=beside,
            knocks=beside[:, _KURTOSIS],
            scatter=np.sqrt(state["first_square"]),
            by_speed=by_speed,
            firm=state["source"] & (state["voted"] >= self.votes // 2)[:, None],
            crept=state["first_crept"],
        )

    def _followed(self, state: State) -> Any:
        """Return which lines' two-hour means are held to the first ones already, (n, lines)."""
        learnt = state["trend_moments"][:, 0] >= self.trend_learning
        return learnt & ~np.isnan(state["trend_average"])

    def _rise(self, state: State) -> Any:
        """Return each line's rise, (n, lines): over two-hour means, else over the hour; NaN: not measured or learnt."""
        followed = self._followed(state)
        return np.where(followed, state["trend_average"], np.where(state["slow"] != 0.0, state["slow"], np.nan))

    def _teach(self, state: State, means: Any, lesson: Any, where: tuple[Any, Any, Any]) -> None:
        count, mean, m2 = state["count"][where], state["mean"][where], state["m2"][where]
        more = count + np.float32(1.0)
        delta = means - mean
        moved = mean + delta / more
        state["count"][where] = np.where(lesson, more, count)
        state["mean"][where] = np.where(lesson, moved, mean)
        state["m2"][where] = np.where(lesson, m2 + delta * (means - moved), m2)

    def _symptoms(self, state: State, limit: Any, batch: Batch) -> list[Symptom]:
        old = state["level"].copy()
        high, average = state["high"], state["average"]
        # A small rise must last an hour of driving, a large one ten minutes.
        room = state["room"]
        least = self.share * limit
        lasting = np.where(state["slow"] > least + room, least, np.float32(2.0) * least) + room
        begins = (high > self.decision) & (average > lasting)
        # What was quiet before it began counts for nothing after.
        state["quiet"] = np.where(begins, 0, state["quiet"])
        level = np.where(begins | ((old > 0) & (state["quiet"] < self.quiet)), 1, 0)
        # What was twice as high stays at level 2 until its hour's average has been quiet for an eighth of that day.
        beyond = (average > 2.0 * least + room) | ((old == 2) & (state["quiet"] < self.quiet // 8))
        level = np.where((level > 0) & beyond, 2, level).astype(np.int8)
        state["level"] = level
        changed = level != old
        if not changed.any():
            return []
        return [
            self._symptom(state, batch, int(row), int(line), limit)
            for row, line in zip(*np.nonzero(changed), strict=True)
        ]

    def _symptom(self, state: State, batch: Batch, row: int, line: int, limit: Floats) -> Symptom:
        level, now = int(state["level"][row, line]), float(batch.time_s[row])
        begun = float(state["begun_s"][row, line])
        threshold = limit[row, 0] * self.share[line] * (2.0 if level == 2 else 1.0) + state["room"][row, line]
        return Symptom(
            axle=int(batch.axles[row]),
            time_s=now,
            code=_CODES[line],
            channel=LINES[line],
            level=level,
            since_s=begun if begun == begun else now,
            value=float(np.exp(np.float64(state["average"][row, line]))),
            limit=float(np.exp(np.float64(threshold))),
            unit=CHANNELS[INDEX["gear"]].unit,
            score=float(state["high"][row, line] / self.decision),
        )


def _creep(state: State, told: Any, rise: Any, least: float, batch: Batch) -> None:
    """Note whether the shaft's first order creeps: it had risen for :data:`CREPT_S` when told, or rises on by `least`.

    ``rise`` and ``least`` are log-ratios.
    """
    newly = told & ~state["first_told"]
    if newly.any():
        begun = np.where(state["level"][:, FIRST] > 0, state["begun_s"][:, FIRST], np.nan)
        trend = np.where(state["trend_level"][:, FIRST, HIGH] > 0, state["trend_begun_s"][:, FIRST, HIGH], np.nan)
        # Of two charts that tell it at once the steeper one knows better when it began.
        crept = batch.time_s - np.fmax(begun, trend) > CREPT_S
        state["first_crept"] = np.where(newly, crept, state["first_crept"])
        state["first_settles_s"] = np.where(newly, batch.time_s + SETTLING_S, state["first_settles_s"])
        state["first_settled"] = np.where(newly, np.nan, state["first_settled"])
    settles = told & (batch.time_s >= state["first_settles_s"])
    state["first_settled"] = np.where(settles & np.isnan(state["first_settled"]), rise, state["first_settled"])
    state["first_crept"] |= settles & (rise > state["first_settled"] + least)
    state["first_told"] = told


def _band(speed: Any, torque: Any, speed_edges: tuple[float, ...], torque_edges: tuple[float, ...]) -> Any:
    """Return the cell of a speed and a torque; `speed_edges` are lower edges."""
    band = np.clip(np.searchsorted(speed_edges, speed, side="right") - 1, 0, len(speed_edges) - 1)
    return band * (len(torque_edges) + 1) + np.searchsorted(torque_edges, torque, side="right")


def _end(channel: str) -> str:
    return channel.rsplit("/", 1)[-1]


def _touched(touched: frozenset[str]) -> Any:
    """Return which lines a repair makes new."""
    begins = tuple(begin for word in touched for begin in TOUCHES.get(word, ()))
    return np.array([_end(name).startswith(begins) if begins else False for name in LINES])


def _broad_band(lines: Any) -> Any:
    """Return the rms without the order lines' own share (Parseval: half the square of each amplitude).

    A line that shakes hard lifts the rms; that is no road. A twentieth of the power is left to it at least.
    """
    whole = np.square(lines[:, _RMS])
    of_lines = np.float32(0.5) * np.nansum(np.square(lines[:, :_ORDERS]), axis=1)
    return np.sqrt(np.maximum(whole - of_lines, np.float32(0.05) * whole))


def _road(ratio: Any) -> Any:
    """Return the rise that the road explains: that of rms, or the lower-middle one of the lines if that is more.

    The rms is without the lines' own share. A line that is mostly road noise rises as rms does, no line by more. A
    fall explains no line's rise, so it is at least 0. The middle counts when at least six lines are known; sorting
    puts NaN last.
    """
    lines = ratio[:, :_ORDER_LINES]
    known = (~np.isnan(lines)).sum(axis=1)
    ordered = np.sort(lines, axis=1)
    middle = ordered[np.arange(len(ratio)), np.maximum((known - 1) // 2, 0)]
    middle = np.where(known >= 6, middle, np.float32(0.0))
    return np.fmax(np.fmax(middle, ratio[:, _RMS]), np.float32(0.0))
