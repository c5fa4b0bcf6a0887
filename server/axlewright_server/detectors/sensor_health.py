"""Sensor health: whether a channel can be believed at all. Its veto hides the channel from every other detector.

Faults that it tells: out of range, silent while others speak, stuck, erratic (changes that no axle can make), left and
right height in disagreement. Limits are own choices unless said otherwise; they are wide, because what is vetoed
cannot warn.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_models.signals import CHANNELS, HIGH, INDEX, LOW
from axlewright_server.detectors import sensor_frame, sensor_lube, sensor_truth, sensor_vibration
from axlewright_server.detectors.base import Part, State, Symptom
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Flags, Floats, clear_latches, exposure, latch, latch_fields

WATCHED = (
    "lube",
    "height/left",
    "height/right",
    "bellows/left",
    "bellows/right",
    "sump-pressure",
    "lube-level",
    "vib/rms",
)
REPLACED = {
    "lube-sensor": ("lube",),
    "height-sensor": ("height/left", "height/right"),
    "vibration-sensor": ("vib/rms",),
    "carrier-assembly": ("lube", "vib/rms"),
}
FAULTS = ("sensor-range", "sensor-silent", "sensor-stuck", "sensor-erratic", "sensor-disagreement")
# Those of sensor_truth, sensor_lube, sensor_frame and sensor_vibration, with the channels that can show them.
TRUTHS = {
    "sensor-bias": ("lube", "height/left", "height/right", "vib/rms"),
    "sensor-drift": ("lube", "height/left", "height/right", "vib/rms"),
    "sensor-noisy": ("lube", "height/left", "height/right", "vib/rms"),
    "sensor-loose": ("vib/rms",),
    "sensor-swapped": ("lube", "height/left", "height/right", "vib/rms"),
    "sensor-wrong-unit": ("lube", "height/left", "height/right", "vib/rms"),
}
_BIAS, _DRIFT, _NOISY, _LOOSE, _SWAPPED, _UNIT = range(len(TRUTHS))
ALL = (*FAULTS, *TRUTHS)
_COLUMNS = np.array([INDEX[name] for name in WATCHED])
_K = len(WATCHED)
_LUBE, _LEFT, _RIGHT, _VIBRATION = (WATCHED.index(name) for name in ("lube", "height/left", "height/right", "vib/rms"))
_BELLOWS = [WATCHED.index("bellows/left"), WATCHED.index("bellows/right")]
# Swapped sides of one axle still tell its height; what another axle's sensor tells is of no use.
_HIDES = np.array([[fault != "sensor-swapped" or "height" not in name for name in WATCHED] for fault in ALL])
# Those that make a reading useless for telling another untruth of the same sensor.
_SPOILS = np.array([fault in (*FAULTS, "sensor-noisy", "sensor-loose", "sensor-wrong-unit") for fault in ALL])
_VIBRATION_COLUMNS = np.array([number for name, number in INDEX.items() if name.startswith("vib/")])
_SPREADS = {_LEFT: INDEX["height/left-spread"], _RIGHT: INDEX["height/right-spread"], _LUBE: INDEX["lube/slope"]}
_IS_VIBRATION = np.array([name == "vib/rms" for name in WATCHED])


class SensorHealth(Part):
    """Watch every watched channel of every axle.

    ``silent_s``: silence of a channel that once spoke. ``held_s``: how long a value must stand still while the
    truck moves. ``lube_held_s``, ``lube_drive_km_h``, ``lube_other_cel``: a lube sensor is stuck when its value has not
    moved for so long although the smoothed speed or the other drive axle's lube changed by so much (1 K steps of a
    coarse sensor are allowed for). ``lube_step_cel``,
    ``lube_rate_cel_per_min``: fastest change an axle of some 200 kJ/K can make, with a margin of more than ten.
    ``disagreement_mm``: more than a frame can lean on level ground; the inspection limit side to side is 50 mm.
    """

    name = "sensor-health"
    version = 6
    dtype: np.dtype[Any] = np.dtype(
        [
            ("ever", "?", (_K,)),
            ("silence_s", "f8", (_K,)),
            ("held", "f8", (_K,)),
            ("held_for_s", "f8", (_K,)),
            ("drive", "f8"),
            ("drive_low", "f8"),
            ("drive_high", "f8"),
            ("other_low", "f8"),
            ("other_high", "f8"),
            ("trusted", "f8"),
            ("trusted_s", "f8"),
            ("erratic_s", "f8"),
            ("bad", "?", (_K,)),
            *latch_fields(_K * len(ALL)),
            *sensor_truth.FIELDS,
            *sensor_lube.FIELDS,
            *sensor_frame.FIELDS,
            *sensor_vibration.FIELDS,
        ]
    )

    def __init__(
        self,
        silent_s: float = 900.0,
        held_s: float = 600.0,
        lube_held_s: float = 2400.0,
        lube_drive_km_h: float = 40.0,
        lube_other_cel: float = 8.0,
        lube_step_cel: float = 8.0,
        lube_rate_cel_per_min: float = 8.0,
        disagreement_mm: float = 80.0,
    ) -> None:
        self.silent_s = silent_s
        self.held_s = np.full(_K, held_s)
        self.held_s[_LUBE] = lube_held_s
        self.lube_drive_km_h = lube_drive_km_h
        self.lube_other_cel = lube_other_cel
        self.lube_step_cel = lube_step_cel
        self.lube_rate_cel_per_s = lube_rate_cel_per_min / 60.0
        self.disagreement_mm = disagreement_mm
        # Load cells for air are coarse and may truly stand still: only these are tested for standing still.
        self.can_stick = np.array([name in {"lube", "height/left", "height/right", "vib/rms"} for name in WATCHED])
        self.tolerance = np.where(np.arange(_K) == _LUBE, 0.06, 1e-6)
        self.on_delay_s = np.repeat([60.0, 0.0, 0.0, 0.0, 120.0, 0.0, 0.0, 600.0, 600.0, 0.0, 60.0], _K)
        self.off_delay_s = np.repeat([600.0, 60.0, 60.0, 900.0, 600.0, 60.0, 60.0, 1800.0, 1800.0, 60.0, 600.0], _K)

    def fresh(self, count: int) -> State:
        """Return the records of axles never heard of."""
        state = super().fresh(count)
        clear_latches(state)
        sensor_truth.clear(state)
        sensor_lube.clear(state)
        sensor_frame.clear(state)
        sensor_vibration.clear(state)
        for name in ("held", "drive", "drive_low", "drive_high", "other_low", "other_high", "trusted", "trusted_s"):
            state[name] = np.nan
        return state

    def step(self, state: State, batch: Batch, table: AxleTable) -> tuple[State, list[Symptom]]:
        """Return the new state and the sensors that failed or came back."""
        raw = batch.raw[:, _COLUMNS]
        speed = np.fmax(batch.column("speed"), 0.0)
        ambient = batch.column("ambient")
        present = ~np.isnan(raw)
        outside = self._outside(raw, speed, ambient)
        silent = self._silent(state, present, batch, speed)
        partner = batch.partners(table)
        good = np.where(present & ~outside, raw, np.nan)
        spoilt = (state["on"].reshape(-1, len(ALL), _K) & _SPOILS[:, None]).any(axis=1)
        # What other sensors may be held against: those that are not known to be at fault in another way.
        fair = np.where(spoilt, np.nan, good)
        other = np.where(partner >= 0, fair[partner, _LUBE], np.nan)
        jumped, stepped = sensor_lube.jumps(state, fair[:, _LUBE], other, speed, batch)
        leapt = (partner >= 0) & jumped[partner]
        stuck, stuck_known = self._stuck(state, raw, present & ~outside, batch, speed, np.where(leapt, np.nan, other))
        erratic, bad_now = self._erratic(state, raw[:, _LUBE], present[:, _LUBE] & ~outside[:, _LUBE], batch)
        disagree = self._disagreement(state, raw, present & ~outside, table.ride_height_mm[batch.axles])
        # Parked on a slope, or on one empty spring, a truck may lean as far as that.
        driven = present & (speed > 25.0)[:, None]
        truths, told = self._truths(state, good, fair, other, speed, ambient, batch, table, partner)
        wrong, leapt = sensor_lube.fahrenheit(state, good[:, _LUBE], other, ambient, batch)
        taken = sensor_lube.swapped(state, fair[:, _LUBE], other, ambient, speed, batch, partner)
        by_fault = truths.reshape(-1, len(TRUTHS), _K)
        by_fault[:, _BIAS, _LUBE] |= stepped
        by_fault[:, _UNIT, _LUBE], by_fault[:, _SWAPPED, _LUBE] = wrong, taken
        wanted = np.concatenate([outside, silent, stuck, erratic, disagree, truths], axis=1)
        known = np.concatenate([present, np.ones_like(present), stuck_known, present, driven, told], axis=1)
        flips = latch(state, wanted, known, batch.time_s, self.on_delay_s, self.off_delay_s)
        state["bad"] = outside
        state["bad"][:, _LUBE] |= bad_now | leapt
        return state, self._symptoms(state, flips, batch, raw) if flips.any() else []

    def masked(self, state: State, values: Floats) -> Floats:
        """Return the values with every channel that cannot be believed taken out (NaN)."""
        faulty = state["bad"] | (state["on"].reshape(-1, len(ALL), _K) & _HIDES).any(axis=1)
        if not faulty.any():
            return values
        values = values.copy()
        rows, columns = np.nonzero(faulty)
        values[rows, _COLUMNS[columns]] = np.nan
        for channel, column in _SPREADS.items():
            values[faulty[:, channel], column] = np.nan
        mute = np.flatnonzero(faulty[:, _VIBRATION])
        values[np.ix_(mute, _VIBRATION_COLUMNS)] = np.nan
        return values

    def observable(self, record: State) -> frozenset[str]:
        """Return the symptoms that could be shown: those of the channels that ever spoke."""
        names = [name for name, ever in zip(WATCHED, record["ever"], strict=True) if ever]
        keys = {f"{fault}:{name}" for fault in FAULTS for name in names}
        keys |= {f"{fault}:{name}" for fault, able in TRUTHS.items() for name in able if name in names}
        one = np.atleast_1d(record)
        if not sensor_frame.known(one)[0]:
            keys -= {
                f"{fault}:height/{side}" for fault in ("sensor-bias", "sensor-drift") for side in ("left", "right")
            }
        if not sensor_vibration.known(one)[0]:
            keys -= {f"{fault}:vib/rms" for fault in TRUTHS if fault != "sensor-loose"}
        return frozenset(keys)

    def serviced(self, record_rows: State, touched: frozenset[str]) -> State:
        """Return the records with what a replaced sensor was held against forgotten."""
        names = {name for word in touched for name in REPLACED.get(word, ())}
        if not names:
            return record_rows
        fresh = self.fresh(len(record_rows))
        for number, name in enumerate(WATCHED):
            if name not in names:
                continue
            for field in ("ever", "silence_s", "held", "held_for_s", "bad"):
                record_rows[field][:, number] = fresh[field][:, number]
            for field in ("on", "pending_s", "since_s"):
                record_rows[field][:, number::_K] = fresh[field][:, number::_K]
        sensor_truth.forget(record_rows, fresh, "lube" in names, "height/left" in names)
        if "lube" in names:
            sensor_lube.forget(record_rows, fresh, "carrier-assembly" in touched)
        if "height/left" in names:
            sensor_frame.forget(record_rows, fresh)
        if "vib/rms" in names:
            begin = sensor_vibration.forget if "carrier-assembly" in touched else sensor_vibration.replaced
            begin(record_rows, fresh)
        if "lube" in names:
            for field in ("trusted", "trusted_s", "erratic_s"):
                record_rows[field] = fresh[field]
        return record_rows

    def forgets(self, key: str, touched: frozenset[str]) -> bool:
        """Return whether such a repair ends this symptom."""
        return any(key.endswith(":" + name) for word in touched for name in REPLACED.get(word, ()))

    def _truths(
        self,
        state: State,
        raw: Floats,
        fair: Floats,
        other: Floats,
        speed: Floats,
        ambient: Floats,
        batch: Batch,
        table: AxleTable,
        partner: NDArray[np.int64],
    ) -> tuple[Flags, Flags]:
        """Return which sensors tell an untruth, and whether anything is known of it, (n, 6 K) each."""
        wanted = np.zeros((len(raw), len(TRUTHS), _K), dtype=bool)
        known = np.ones_like(wanted)
        three, sides = [_LUBE, _LEFT, _RIGHT], [_LEFT, _RIGHT]
        heights = raw[:, sides]
        wanted[:, _BIAS, _LUBE], wanted[:, _DRIFT, _LUBE] = sensor_truth.of_the_park(
            state, fair[:, _LUBE], other, ambient, speed, batch, partner
        )
        wanted[:, _NOISY, three] = sensor_truth.noisy(state, raw[:, three], speed, batch)
        specified_mm = table.ride_height_mm[batch.axles]
        errs = sensor_frame.judge(state, fair[:, sides], specified_mm, speed, batch, partner)
        wanted[:, _BIAS, sides], wanted[:, _DRIFT, sides] = errs == sensor_frame.BIAS, errs == sensor_frame.DRIFT
        gain, scatter, taken = sensor_vibration.judge(state, np.isnan(fair[:, _VIBRATION]), batch, partner)
        for fault, kind in (
            (_BIAS, sensor_vibration.BIAS),
            (_DRIFT, sensor_vibration.DRIFT),
            (_UNIT, sensor_vibration.UNIT),
        ):
            wanted[:, fault, _VIBRATION] = gain == kind
        wanted[:, _NOISY, _VIBRATION], wanted[:, _SWAPPED, _VIBRATION] = scatter, taken
        quality = batch.raw[:, INDEX["vib/quality"]]
        spoken = ~np.isnan(quality)
        if spoken.any():
            wanted[:, _LOOSE, _VIBRATION] = (
                np.where(spoken, quality, 0.0).astype(np.int64) & sensor_truth.LOOSE_BIT
            ) > 0
        known[:, _LOOSE, _VIBRATION] = spoken
        turned = sensor_truth.swapped(state, heights, raw[:, _BELLOWS], speed, batch)
        wanted[:, _SWAPPED, _LEFT] = wanted[:, _SWAPPED, _RIGHT] = turned
        wanted[:, _UNIT, sides] = sensor_truth.inches(heights, specified_mm)
        known[:, _UNIT, three] = ~np.isnan(raw[:, three])
        return wanted.reshape(len(raw), -1), known.reshape(len(raw), -1)

    def _outside(self, raw: Floats, speed: Floats, ambient: Floats) -> Flags:
        outside = (raw < LOW[_COLUMNS]) | (raw > HIGH[_COLUMNS])
        lube = raw[:, _LUBE]
        # J1939's one-byte scale ends at -40 and 210: a broken or shorted wire reads there.
        outside[:, _LUBE] |= (lube > 205.0) | ((lube < -39.0) & ~(ambient < -30.0)) | (lube < ambient - 25.0)
        outside[:, _LEFT] |= raw[:, _LEFT] < 1.0
        outside[:, _RIGHT] |= raw[:, _RIGHT] < 1.0
        # No road is so smooth that a driven axle is still.
        outside[:, _VIBRATION] |= (raw[:, _VIBRATION] < 0.005) & (speed > 40.0)
        return np.asarray(outside)

    def _silent(self, state: State, present: Flags, batch: Batch, speed: Floats) -> Flags:
        ignition = batch.column("ignition")
        awake = (ignition > 0.5) | (speed > 3.0)
        seconds = exposure(batch.dt_s, awake)
        moving_s = np.where(speed > 40.0, seconds, 0.0)
        counts = np.where(_IS_VIBRATION, moving_s[:, None], seconds[:, None])
        state["ever"] |= present
        state["silence_s"] = np.where(present, 0.0, state["silence_s"] + counts)
        return np.asarray(state["ever"] & (state["silence_s"] >= self.silent_s))

    def _stuck(
        self, state: State, raw: Floats, present: Flags, batch: Batch, speed: Floats, other: Floats
    ) -> tuple[Flags, Flags]:
        dt_s = batch.dt_s
        same = np.abs(raw - state["held"]) <= self.tolerance
        seconds = np.repeat(exposure(dt_s, speed > 30.0)[:, None], _K, axis=1)
        # A lube sensor must also follow when the axle cools down, so standing time counts for it.
        seconds[:, _LUBE] = np.minimum(dt_s, 600.0)
        held_s = np.where(present, np.where(same, state["held_for_s"] + seconds, 0.0), state["held_for_s"])
        state["held"] = np.where(present & ~same, raw, state["held"])
        state["held_for_s"] = held_s
        drive = np.where(np.isnan(state["drive"]), speed, state["drive"])
        drive = drive + (1.0 - np.exp(-np.minimum(dt_s, 1800.0) / 900.0)) * (speed - drive)
        fresh = ~same[:, _LUBE] & present[:, _LUBE]
        state["drive"] = drive
        state["drive_low"] = np.where(fresh, drive, np.fmin(state["drive_low"], drive))
        state["drive_high"] = np.where(fresh, drive, np.fmax(state["drive_high"], drive))
        # A partner that leaps or is not believed proves nothing: what it told before is forgotten as well.
        fresh |= np.isnan(other)
        state["other_low"] = np.where(fresh, other, np.fmin(state["other_low"], other))
        state["other_high"] = np.where(fresh, other, np.fmax(state["other_high"], other))
        stuck = (held_s >= self.held_s) & self.can_stick
        reason = state["drive_high"] - state["drive_low"] >= self.lube_drive_km_h
        reason |= state["other_high"] - state["other_low"] >= self.lube_other_cel
        stuck[:, _LUBE] &= reason
        return stuck, present

    def _erratic(self, state: State, lube: Floats, present: Flags, batch: Batch) -> tuple[Flags, Flags]:
        elapsed_s = batch.time_s - state["trusted_s"]
        allowed = self.lube_step_cel + self.lube_rate_cel_per_s * elapsed_s
        bad = present & (np.abs(lube - state["trusted"]) > allowed)
        good = present & ~bad
        state["trusted"] = np.where(good, lube, state["trusted"])
        state["trusted_s"] = np.where(good, batch.time_s, state["trusted_s"])
        counted = np.minimum(batch.dt_s, 60.0)
        erratic_s = np.where(bad, state["erratic_s"] + counted, np.maximum(0.0, state["erratic_s"] - 0.1 * counted))
        state["erratic_s"] = np.minimum(erratic_s, 180.0)
        erratic = np.zeros((len(lube), _K), dtype=bool)
        # Comes on after a minute of impossible values, goes off when ten times as long has been quiet.
        standing = state["on"][:, FAULTS.index("sensor-erratic") * _K + _LUBE]
        erratic[:, _LUBE] = np.where(standing, erratic_s > 0.0, erratic_s >= 60.0)
        return erratic, bad

    def _disagreement(self, state: State, raw: Floats, present: Flags, specified_mm: Floats) -> Flags:
        left, right = raw[:, _LEFT], raw[:, _RIGHT]
        both = present[:, _LEFT] & present[:, _RIGHT]
        column = FAULTS.index("sensor-disagreement") * _K
        standing = state["on"][:, column + _LEFT] | state["on"][:, column + _RIGHT]
        limit = np.where(standing, self.disagreement_mm - 10.0, self.disagreement_mm)
        apart = both & (np.abs(left - right) > limit)
        left_worse = np.abs(left - specified_mm) >= np.abs(right - specified_mm)
        disagree = np.zeros((len(left), _K), dtype=bool)
        disagree[:, _LEFT] = apart & left_worse
        disagree[:, _RIGHT] = apart & ~left_worse
        return disagree

    def _symptoms(self, state: State, flips: Flags, batch: Batch, raw: Floats) -> list[Symptom]:
        symptoms = []
        for row, column in zip(*np.nonzero(flips), strict=True):
            fault, channel = ALL[column // _K], column % _K
            symptoms.append(
                Symptom(
                    axle=int(batch.axles[row]),
                    time_s=float(batch.time_s[row]),
                    code=fault,
                    channel=WATCHED[channel],
                    level=int(state["on"][row, column]),
                    since_s=float(state["since_s"][row, column]),
                    value=float(raw[row, channel]),
                    limit=self._limit(fault, channel),
                    unit=CHANNELS[_COLUMNS[channel]].unit,
                    score=1.0,
                )
            )
        return symptoms

    def _limit(self, fault: str, channel: int) -> float:
        if fault == "sensor-disagreement":
            return self.disagreement_mm
        return float(HIGH[_COLUMNS[channel]]) if fault == "sensor-range" else float("nan")
