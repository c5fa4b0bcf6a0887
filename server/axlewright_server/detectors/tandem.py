"""Forward against rear: the two axles of a tandem share speed, load, wind and weather; their difference cancels them.

Each axle learns its own normal difference to its partner, as a share of their common rise above ambient (an axle that
makes more heat differs more when both work hard), over the first hours of driving and is then held to it. The
difference is signed: an axle says so when it runs hotter than usual against its partner, and its partner that it runs
colder. Which of the two has changed, a difference alone cannot tell.

The share hangs on how warm their lube is: thick lube makes drag that heats both alike, while what parts them (the
forward axle's power divider, another gear mesh) grows with load. So the share is learnt as a straight line over the
lube's mean temperature. The slope is believed beforehand to be 0 give or take ``slope_per_k`` (own choice: a tenth of
the rise over thirty kelvins). Where the lube has not been as cold or as warm while learning, the line is doubted, and
the more so the further away (:mod:`axlewright_models.statistics.line`): that doubt is room for seasons not yet seen.

A repair of lube, bearing, brake or tyres begins the charts afresh and keeps the usual difference: what the shop has
done wrong shows from the first drive. Only other gears, another carrier or another sensor are learnt anew.

The share holds for loads like those it was learnt from. At a load (power through the driveshaft, averaged over the
axle's thermal time) beyond any at which the difference was as usual, nothing is said: a long pull may part two sound
axles.

Two charts: *quick* on five-minute means (k = 1, h = 10, average beyond ``least_cel``: beyond 1e9 independent
observations by Siegmund's approximation; five-minute means are correlated over the axle's three quarters of an hour,
hence the wide limit), and *slow* on two-hour means (k = 1, h = 5: 1.1e5 observations; average beyond
``slow_least_cel``, own choice: some ten sensor steps of half a kelvin less what two sensors can drift).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from axlewright_models.statistics import ewma_step
from axlewright_models.statistics.line import PARTS, line_at, line_step
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import HIGH, LOW, Chart
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Flags, Floats, exposure, observe, put_back, some

CODE, COLDER = "hotter-than-partner", "colder-than-partner"
ROLES = ("rear-hotter", "forward-hotter")
QUICK = Chart("quick", 1, slack=1.0, decision=10.0, weight=0.3, calm=6, bound=5.0)
SLOW = Chart("slow", 1, slack=1.0, decision=5.0, weight=0.4, calm=3)
LEAST_SHARE = 0.01
"""Least scatter of a share that is believed: a sensor's step of half a kelvin on a rise of fifty."""
ALIKE = {"quick": 9.0, "slow": 1.0}
"""Five-minute means within the axle's three quarters of an hour tell about as much as one."""


class Tandem(Part):
    """Follow the difference of each tandem axle to its partner.

    Both axles' readings must come in one window. ``learning_h``, ``slow_learning_h``: hours until a chart's normal is
    frozen. ``warm_cel``: common rise above ambient from which on the difference counts. ``floor_cel``,
    ``slow_floor_cel``: least standard deviation believed. ``slope_per_k``: how far the share may
    hang on the lube's warmth, as believed before any reading. Level 2 is ``forward_rear_limit_cel`` of the
    specification.
    """

    name = "tandem"
    version = 6
    touches = frozenset({"gear-set", "carrier-assembly", "lube-sensor"})
    renews = frozenset({"lube", "bearing", "wheel-or-tyre", "brake"})
    dtype: np.dtype[Any] = np.dtype(
        [
            ("short_s", "f8"),
            ("short_sum", "f8", (4,)),
            ("long_s", "f8"),
            ("long_sum", "f8", (4,)),
            ("load_w", "f8"),
            ("known_load_w", "f8"),
            ("quick_line", "f8", (PARTS,)),
            ("slow_line", "f8", (PARTS,)),
            ("foreign", "?"),
            ("level", "i1", (2,)),
            *QUICK.fields(),
            *SLOW.fields(),
        ]
    )

    def __init__(
        self,
        quick_s: float = 300.0,
        slow_s: float = 7200.0,
        learning_h: float = 8.0,
        slow_learning_h: float = 24.0,
        least_cel: float = 8.0,
        slow_least_cel: float = 3.0,
        floor_cel: float = 1.5,
        slow_floor_cel: float = 0.9,
        warm_cel: float = 15.0,
        load_weight: float = 0.1,
        load_margin: float = 1.1,
        slope_per_k: float = 0.1 / 30.0,
    ) -> None:
        self.quick_s = quick_s
        self.slow_s = slow_s
        self.learning = {"quick": learning_h * 3600.0 / quick_s, "slow": slow_learning_h * 3600.0 / slow_s}
        self.least_cel = {"quick": least_cel, "slow": slow_least_cel}
        self.floor_cel = {"quick": floor_cel, "slow": slow_floor_cel}
        self.warm_cel = warm_cel
        self.load_weight = load_weight
        self.load_margin = load_margin
        self.slope_per_k = slope_per_k

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        state["load_w"] = np.nan
        QUICK.clear(state)
        SLOW.clear(state)
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the axles that began to run hotter or colder than their partner, or ceased."""
        seen = self._seen(batch, table)
        # Near ambient a share of the rise means nothing.
        warm = (batch.column("speed") > 20.0) & (seen[:, 1] > self.warm_cel)
        seconds = exposure(batch.dt_s, warm)
        if not seconds.any():
            return state, []
        turned = np.zeros(len(state), dtype=bool)
        for field, chart, ripe_s in (("short", QUICK, self.quick_s), ("long", SLOW, self.slow_s)):
            ripe, means = observe(state, field, seen, seconds, ripe_s)
            if len(ripe):
                part = some(state, ripe)
                turned[ripe] |= self._judge(part, chart, means, batch.take(ripe), table)
                put_back(state, ripe, part)
        return state, self._symptoms(state, batch, table, np.flatnonzero(turned)) if turned.any() else []

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptoms, once the normal difference is known."""
        known = record["quick_line"][0] >= self.learning["quick"]
        return frozenset({CODE, COLDER, *ROLES}) if known else frozenset()

    def serviced(self, record_rows: State, touched: frozenset[str]) -> State:
        """Return records that begin afresh; where the difference has been learnt, it stays the usual one."""
        if touched & self.touches or not touched & self.renews:
            return super().serviced(record_rows, touched)
        renewed = self.fresh(len(record_rows))
        known = record_rows["quick_line"][:, 0] >= self.learning["quick"]
        for field in ("load_w", "known_load_w", "quick_line", "slow_line"):
            renewed[field][known] = record_rows[field][known]
        return renewed

    def forgets(self, key: str, touched: frozenset[str]) -> bool:
        """Return whether such a repair ends this symptom."""
        return bool(touched & (self.touches | self.renews))

    def _seen(self, batch: Batch, table: AxleTable) -> Floats:
        """Return the difference to the partner, their rise above ambient, the load and their temperature, (n, 4)."""
        lube = batch.column("lube")
        partner = batch.partners(table)
        other = np.where(partner >= 0, lube[partner], np.nan)
        power_w = np.abs(batch.column("torque") * batch.column("shaft-speed")) * (np.pi / 30.0)
        # A truck that doesn't tell its torque is judged at every load.
        mean = 0.5 * (lube + other)
        return np.stack([lube - other, mean - batch.column("ambient"), np.nan_to_num(power_w), mean], axis=1)

    def _judge(self, state: State, chart: Chart, means: Floats, batch: Batch, table: AxleTable) -> Flags:
        field = f"{chart.name}_line"
        line = state[field]
        learnt = line[:, 0] >= self.learning[chart.name]
        difference, rise, power_w, mean = means.T
        state[field] = line_step(line, mean, np.where(learnt | batch.suspect, np.nan, difference / rise))
        share, scatter, doubt = line_at(line, mean, self.slope_per_k, LEAST_SHARE, ALIKE[chart.name])
        spread = np.hypot(np.maximum(scatter * rise, self.floor_cel[chart.name]), doubt * rise)
        departure = np.where(learnt, difference - share * rise, np.nan)
        if chart is QUICK:
            self._note_load(state, power_w, departure / spread, learnt, batch)
        # A two-hour mean that ends in a stretch of foreign load is left out as well.
        departure = np.where(state["foreign"], np.nan, departure)
        limit = table.limit("forward_rear_limit_cel")[batch.axles][:, None]
        changed = chart.step(
            state, departure[:, None], spread[:, None], self.least_cel[chart.name], limit, batch.time_s
        )
        return np.asarray(changed.any(axis=(1, 2)))

    def _note_load(self, state: State, power_w: Floats, z: Floats, learnt: Flags, batch: Batch) -> None:
        load_w = ewma_step(state["load_w"], power_w, self.load_weight)
        usual = ~batch.suspect & (~learnt | (z < QUICK.slack))
        state["foreign"] = learnt & (load_w > self.load_margin * state["known_load_w"]) & ~(z < QUICK.slack)
        state["known_load_w"] = np.where(usual, np.maximum(state["known_load_w"], load_w), state["known_load_w"])
        state["load_w"] = load_w

    def _symptoms(self, state: State, batch: Batch, table: AxleTable, rows: Any) -> list[Symptom]:
        found: list[Symptom] = []
        for row in rows.tolist():
            for side in (HIGH, LOW):
                found += self._turned(state, batch, table, row, side)
        return found

    def _turned(self, state: State, batch: Batch, table: AxleTable, row: int, side: int) -> list[Symptom]:
        slow, quick = int(state["slow_level"][row, 0, side]), int(state["quick_level"][row, 0, side])
        # A cold axle harms nothing: it has one level.
        level = min(max(slow, quick), 2 if side == HIGH else 1)
        if level == int(state["level"][row, side]):
            return []
        state["level"][row, side] = level
        chart = QUICK if quick > slow else SLOW
        axle, now = int(batch.axles[row]), float(batch.time_s[row])
        forward = int(table.partner[axle]) > axle
        limit = float(table.limit("forward_rear_limit_cel")[axle]) if level == 2 else self.least_cel[chart.name]
        since_s, score = chart.since_s(state, row, 0, side, now), chart.score(state, row, 0, side)
        value = float(state[f"{chart.name}_average"][row, 0])
        if side == LOW:
            return [Symptom(axle, now, COLDER, "lube", level, since_s, value, -limit, "K", score)]
        # Twice: what it is, and which of the two, since causes favour one or the other.
        return [
            Symptom(axle, now, code, "lube", level, since_s, value, limit, "K", score)
            for code in (CODE, ROLES[forward])
        ]
