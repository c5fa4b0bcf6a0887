"""The guard on board: a few rules per axle that need nothing but the truck itself.

An axle that has lost its lube burns up in minutes, with or without coverage. Each rule has a delay before it speaks
and a dead band before it falls quiet. Pure: no clock, no files, no network.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from statistics import fmean, median
from typing import Protocol

from axlewright_models.signals import CHANNELS, GUARD_WORDS, HEIGHT_MODES, INDEX
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import AxleLimits

QUIET = GUARD_WORDS[0]
# All numbers of this file are own choice, no published source; the limits themselves come from the specification.
ON_DELAY_S = 20.0  # three windows of 10 s in a row: one wild value never speaks
OFF_DELAY_S = 60.0
FORGET_S = 1800.0  # after so long without a look all delays and comparisons begin afresh
LUBE_DEAD_BAND_K = 5.0
RISE_OVER_S, RISE_OVER_AT_MOST_S = 60.0, 200.0
RISE_COUNTS_FROM_CEL = 60.0  # below this a cold axle warming up is meant
LOAD_BEFORE_S = 300.0
LOAD_RAISED = 1.5
HEIGHT_DEAD_BAND_MM = 10.0
HEIGHT_RECENT_S, HEIGHT_BEFORE_S = 60.0, 300.0
DRIVING_KM_H = 5.0


@dataclass(frozen=True)
class Look:
    """What a window tells of one axle; NaN is missing. `heat`: torque times shaft speed, in any unit."""

    time_s: float
    lube_cel: float
    heights_mm: tuple[float, float]
    speed_km_h: float
    heat: float
    mode: str


@dataclass(frozen=True)
class Verdict:
    """Whether a rule wants to speak, and whether all is clear; neither inside its dead band."""

    wants: bool
    clear: bool


class Rule(Protocol):
    """One thing that the guard watches for."""

    def judge(self, look: Look, limits: AxleLimits, speaking: bool) -> Verdict | None:
        """Return the verdict on one window; None when it cannot tell."""


class LubeLimit:
    """Lube beyond its limit."""

    def judge(self, look: Look, limits: AxleLimits, speaking: bool) -> Verdict | None:
        """Return the verdict on one window."""
        if limits.lube_limit_cel is None or math.isnan(look.lube_cel):
            return None
        return Verdict(look.lube_cel >= limits.lube_limit_cel, look.lube_cel < limits.lube_limit_cel - LUBE_DEAD_BAND_K)


class LubeRise:
    """Lube that warms far faster than gears can heat it, though the truck pulls no harder than before.

    It must rise in both halves of the time: a sensor that jumps does not count.
    """

    def __init__(self) -> None:
        self._past: deque[Look] = deque()

    def judge(self, look: Look, limits: AxleLimits, speaking: bool) -> Verdict | None:
        """Return the verdict on one window."""
        if limits.lube_rise_limit_cel_per_min is None or math.isnan(look.lube_cel):
            return None
        while self._past and look.time_s - self._past[0].time_s > LOAD_BEFORE_S + RISE_OVER_S:
            self._past.popleft()
        self._past.append(look)
        begin = self._at(look.time_s - RISE_OVER_S)
        if begin is None:
            return None
        length_min = (look.time_s - begin.time_s) / 60.0
        rise = (look.lube_cel - begin.lube_cel) / length_min
        clear = rise < 0.5 * limits.lube_rise_limit_cel_per_min
        wants = (
            rise >= limits.lube_rise_limit_cel_per_min
            and look.lube_cel >= RISE_COUNTS_FROM_CEL
            and self._steady_rise(begin, look)
            and not self._pulls_harder(look.time_s)
        )
        return Verdict(wants, clear)

    def _at(self, time_s: float) -> Look | None:
        """Return the newest look that is at least as old and not the last but one, if it is not too old."""
        found = None
        for look in list(self._past)[:-2]:
            if look.time_s <= time_s + 0.5:
                found = look
        return found if found is not None and time_s - found.time_s <= RISE_OVER_AT_MOST_S - RISE_OVER_S else None

    def _steady_rise(self, begin: Look, end: Look) -> bool:
        middle_s = 0.5 * (begin.time_s + end.time_s)
        inner = [past for past in self._past if begin.time_s < past.time_s < end.time_s]
        middle = min(inner, key=lambda past: abs(past.time_s - middle_s))
        quarter = 0.25 * (end.lube_cel - begin.lube_cel)
        return middle.lube_cel - begin.lube_cel >= quarter and end.lube_cel - middle.lube_cel >= quarter

    def _pulls_harder(self, now_s: float) -> bool:
        told = [(now_s - past.time_s, past.heat) for past in self._past if not math.isnan(past.heat)]
        recent = [heat for age_s, heat in told if age_s <= RISE_OVER_S]
        before = [heat for age_s, heat in told if age_s > RISE_OVER_S]
        if not recent:
            return False  # no torque is told: the rise must speak for itself
        return not before or fmean(recent) > LOAD_RAISED * fmean(before)


class HeightLoss:
    """A side that falls within minutes while driving, though the driver has not lowered it."""

    def __init__(self) -> None:
        self._past: deque[Look] = deque()

    def judge(self, look: Look, limits: AxleLimits, speaking: bool) -> Verdict | None:
        """Return the verdict on one window."""
        limit_mm = limits.height_loss_limit_mm
        if limit_mm is None:
            return None
        if look.mode != HEIGHT_MODES[0]:
            # On purpose; after it the height must settle anew.
            self._past.clear()
            return Verdict(wants=False, clear=True)
        if all(map(math.isnan, look.heights_mm)) or not look.speed_km_h >= DRIVING_KM_H:
            return None
        drops = [
            (self._reference(side, look.time_s) - height_mm, height_mm)
            for side, height_mm in enumerate(look.heights_mm)
        ]
        if not speaking:
            while self._past and look.time_s - self._past[0].time_s > HEIGHT_BEFORE_S:
                self._past.popleft()
            self._past.append(look)
        judged = [(drop_mm, height_mm) for drop_mm, height_mm in drops if not math.isnan(drop_mm)]
        if not judged:
            return None
        drop_mm, height_mm = max(judged)
        low = limits.ride_height_mm is None or height_mm <= limits.ride_height_mm - 0.5 * limit_mm
        return Verdict(drop_mm >= limit_mm and low, drop_mm < limit_mm - HEIGHT_DEAD_BAND_MM)

    def _reference(self, side: int, now_s: float) -> float:
        """Return the height of a side a few minutes ago; NaN when it is not known."""
        before = [
            past.heights_mm[side]
            for past in self._past
            if now_s - past.time_s >= HEIGHT_RECENT_S and not math.isnan(past.heights_mm[side])
        ]
        return median(before) if before else math.nan


@dataclass
class _Voice:
    """A rule with its delays."""

    word: str
    rule: Rule
    speaking: bool = False
    since_s: float | None = None

    def hear(self, look: Look, limits: AxleLimits) -> bool:
        """Take one window; return whether the rule could tell."""
        verdict = self.rule.judge(look, limits, self.speaking)
        if verdict is None:
            # Nothing is known: a word that was said stands, one that was about to be said begins its delay anew.
            self.since_s = None
            return False
        turning = verdict.clear if self.speaking else verdict.wants
        if not turning:
            self.since_s = None
        else:
            self.since_s = look.time_s if self.since_s is None else self.since_s
            if look.time_s - self.since_s >= (OFF_DELAY_S if self.speaking else ON_DELAY_S):
                self.speaking = not self.speaking
                self.since_s = None
        return True


def _voices() -> list[_Voice]:
    rules: dict[str, Callable[[], Rule]] = {"lube-limit": LubeLimit, "lube-rise": LubeRise, "height-loss": HeightLoss}
    return [_Voice(word, rules[word]()) for word in GUARD_WORDS[1:]]


@dataclass
class _AxleGuard:
    voices: list[_Voice] = field(default_factory=_voices)
    looked_s: float = -math.inf

    def hear(self, look: Look, limits: AxleLimits) -> str | None:
        # A clock that is set, or a long silence, breaks what belongs together; no word is taken back by that alone.
        if not 0.0 < look.time_s - self.looked_s <= FORGET_S:
            self.voices = [
                replace(fresh, speaking=old.speaking) for fresh, old in zip(_voices(), self.voices, strict=True)
            ]
        self.looked_s = look.time_s
        told = [voice.hear(look, limits) for voice in self.voices]
        said = [voice.word for voice in self.voices if voice.speaking]
        return said[0] if said else QUIET if any(told) else None


class Guard:
    """Watches a truck's axles, window by window.

    Parameters
    ----------
    limits : callable
        Returns the limits of an axle, or None when it has no guard.

    Examples
    --------
    A rear axle at 130 Cel, its limit being 121:

    >>> guard = Guard(lambda axle: AxleLimits(axle=axle, lube_limit_cel=121.0))
    >>> [guard.watch(Window(1.8e9 + 10.0 * n, {}, {3: {"lube": 130.0}}))[3] for n in range(4)]
    ['quiet', 'quiet', 'lube-limit', 'lube-limit']
    """

    def __init__(self, limits: Callable[[int], AxleLimits | None]) -> None:
        self._limits = limits
        self._axles: dict[int, _AxleGuard] = {}

    def watch(self, window: Window) -> dict[int, str]:
        """Take the next window; return the word for each axle that could be judged, of :data:`GUARD_WORDS`."""
        words: dict[int, str] = {}
        for axle in window.axles:
            limits = self._limits(axle)
            if limits is None:
                continue
            word = self._axles.setdefault(axle, _AxleGuard()).hear(_look(window, axle), limits)
            if word is not None:
                words[axle] = word
        return words


def _look(window: Window, axle: int) -> Look:
    vehicle, own = window.vehicle, window.axles[axle]
    mode = vehicle.get("height-mode", 0.0)
    known = mode in range(len(HEIGHT_MODES))
    return Look(
        time_s=window.time_s,
        lube_cel=_plausible(own, "lube"),
        heights_mm=(_plausible(own, "height/left"), _plausible(own, "height/right")),
        speed_km_h=_plausible(vehicle, "speed"),
        heat=abs(_plausible(vehicle, "torque")) * _plausible(vehicle, "shaft-speed"),
        mode=HEIGHT_MODES[int(mode)] if known else HEIGHT_MODES[0],
    )


def _plausible(values: Mapping[str, float], name: str) -> float:
    value = values.get(name, math.nan)
    channel = CHANNELS[INDEX[name]]
    return value if channel.low <= value <= channel.high else math.nan
