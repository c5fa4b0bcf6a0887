"""Delays, gates and observations in seconds of event time: verdicts must not hang on how often a truck reports."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A window's own length is not on the wire; after a gap only this much of it counts as observed.
LONGEST_EXPOSURE_S = 60.0


def latch_fields(count: int) -> list[tuple[str, str, tuple[int, ...]]]:
    """Return the structured fields that :func:`latch` needs for `count` conditions per axle."""
    return [("on", "?", (count,)), ("pending_s", "f8", (count,)), ("since_s", "f8", (count,))]


def clear_latches(state: NDArray[Any]) -> None:
    """Set every latch of fresh state to "off, nothing pending"."""
    state["pending_s"] = np.nan
    state["since_s"] = np.nan


def latch(
    state: NDArray[Any],
    wanted: Flags,
    known: Flags,
    time_s: Floats,
    on_delay_s: float | Floats,
    off_delay_s: float | Floats,
) -> Flags:
    """Switch each condition on or off once it has been wanted so for its delay; return which flipped.

    Parameters
    ----------
    state : structured array, shape (n,)
        With :func:`latch_fields`; changed in place. ``since_s`` is when the condition was first wanted on.
    wanted, known : ndarray of bool, shape (n, k)
        What the readings say, and whether they say anything: an unknown condition stays as it is.
    time_s : ndarray, shape (n,)
    on_delay_s, off_delay_s : float or ndarray, broadcastable to (n, k)
        For how long it must be wanted. [s]
    """
    on, pending_s = state["on"], state["pending_s"]
    differs = (wanted != on) & known
    waiting = ~np.isnan(pending_s)
    if not differs.any() and not waiting.any():
        return np.asarray(differs)
    now = time_s[:, None]
    pending_s = np.where(differs, np.where(waiting, pending_s, now), np.where(known, np.nan, pending_s))
    flip = differs & (now - pending_s >= np.where(on, off_delay_s, on_delay_s))
    state["since_s"] = np.where(flip & ~on, pending_s, state["since_s"])
    state["pending_s"] = np.where(flip, np.nan, pending_s)
    state["on"] = on ^ flip
    return np.asarray(flip)


def some(state: NDArray[Any], rows: NDArray[np.int64]) -> NDArray[Any]:
    """Return the chosen records, `rows` ascending: the state itself when they are all, else a copy."""
    return state if len(rows) == len(state) else state.take(rows)


def put_back(state: NDArray[Any], rows: NDArray[np.int64], part: NDArray[Any]) -> None:
    """Write what :func:`some` gave back into its state."""
    if part is not state:
        # As bytes: numpy assigns structured records several times slower.
        width = state.dtype.itemsize
        state.view(np.uint8).reshape(len(state), width)[rows] = part.view(np.uint8).reshape(len(part), width)


def exposure(dt_s: Floats, gate: Flags, longest_s: float = LONGEST_EXPOSURE_S) -> Floats:
    """Return the seconds that each row counts for: its time where the gate is open, at most `longest_s`.

    Examples
    --------
    >>> exposure(np.array([10.0, 3600.0, 10.0]), np.array([True, True, False]))
    array([10., 60.,  0.])
    """
    return np.where(gate, np.minimum(dt_s, longest_s), 0.0)


def observe(
    state: NDArray[Any], name: str, values: Floats, seconds: Floats, ripe_after_s: float
) -> tuple[NDArray[np.int64], Floats]:
    """Average gated values until enough exposure makes one observation.

    Parameters
    ----------
    state : structured array, shape (n,)
        With fields ``{name}_s`` and ``{name}_sum`` of shape (n,) or (n, k); changed in place.
    values : ndarray, shape (n,) or (n, k)
        NaN counts for nothing.
    seconds : ndarray, shape (n,)
        Exposure of each row. [s]
    ripe_after_s : float
        Exposure that makes one observation. [s]

    Returns
    -------
    (rows, means) : tuple of ndarray
        The rows that became ripe, and their averages.
    """
    total_s, total = state[f"{name}_s"], state[f"{name}_sum"]
    usable = seconds > 0.0
    if values.ndim == 1:
        usable = usable & ~np.isnan(values)
        part = np.where(usable, values * seconds, 0.0)
    else:
        part = np.where(usable[:, None], values * seconds[:, None], 0.0)
    total_s = total_s + np.where(usable, seconds, 0.0)
    total = total + part
    # Half a second of slack: 60 s of windows must be ripe at 60 s also when stamps jitter.
    ripe = np.flatnonzero(usable & (total_s >= ripe_after_s - 0.5))
    means: Floats = total[ripe] / (total_s[ripe] if total.ndim == 1 else total_s[ripe][:, None])
    total_s[ripe] = 0.0
    total[ripe] = 0.0
    state[f"{name}_s"], state[f"{name}_sum"] = total_s, total
    return ripe, means


def lesson_due(
    days: NDArray[Any], lessons: NDArray[Any], cell: tuple[Any, ...], wanted: Flags, time_s: Floats, a_day: int
) -> Flags:
    """Return which rows may learn now, (n,): a cell gets so many lessons a UTC day, so that it has several days in it.

    Parameters
    ----------
    days, lessons : ndarray
        Day of the latest lesson, and how many it has had, by row and cell; changed in place.
    cell : tuple
        Index of each row's cell in both.
    wanted : ndarray of bool, shape (n,)
        Rows that have something to learn.
    time_s : ndarray, shape (n,)
        Event time. [s]
    a_day : int
        Lessons that one day may give a cell.
    """
    day = np.floor(time_s / 86400.0).astype(np.int32)
    taken = np.where(days[cell] == day, lessons[cell], 0)
    due = wanted & (taken < a_day)
    days[cell] = np.where(due, day, days[cell])
    lessons[cell] = np.where(due, taken + 1, lessons[cell])
    return np.asarray(due)
