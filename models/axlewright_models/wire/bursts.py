"""A recorded waveform on the wire: cut into pieces on the truck, joined again in the office.

Both ends use these two functions, so that what is sent is what is read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import FrameError
from axlewright_models.vibration import burst
from axlewright_models.wire.messages import BurstPiece

PIECE_BYTES = 16 * 1024
# Three kilobytes are left for the other members of a piece, most of them for the shaft's turns.
DATA_BYTES = PIECE_BYTES - 3 * 1024
# Rounding of a 16-bit accelerometer of 16 g; coarser where a signal is livelier than 16 bits of it. [m/s2]
ERROR_M_S2 = 0.0025
# Beyond this a burst claims more than any truck records: a minute of eight sensors at 25.6 kHz.
MOST_SAMPLES = 12_500_000


@dataclass(frozen=True)
class Waveforms:
    """One burst.

    Parameters
    ----------
    command : str
        Id of the command that asked for it, or of the truck's own making.
    axle : int
        From the front.
    begin_s : float
        Unix time of the first sample. [s]
    rate_hz : float
        [Hz]
    sensors : tuple of str
        Names.
    samples : ndarray, shape (sensors, n)
        [m/s2]
    turns : tuple of float
        Of the driveshaft, at evenly spaced times from the first sample to the last; empty when not known. [turns]
    turns_tolerance : float
        Relative error of the turns.
    reason : str
        Why it was recorded.
    """

    command: str
    axle: int
    begin_s: float
    rate_hz: float
    sensors: tuple[str, ...]
    samples: NDArray[np.float64]
    turns: tuple[float, ...] = ()
    turns_tolerance: float = 0.0
    reason: str = ""

    @property
    def seconds(self) -> float:
        """Return how long it is. [s]"""
        return float(self.samples.shape[1] / self.rate_hz)

    def turns_at_samples(self) -> NDArray[np.float64] | None:
        """Return the driveshaft's turns at every sample, shape (n,); None when they are not known."""
        if len(self.turns) < 2:
            return None
        size = self.samples.shape[1]
        return np.interp(np.arange(size), np.linspace(0.0, size - 1.0, len(self.turns)), self.turns)


def pieces_of(waveforms: Waveforms, error_m_s2: float = ERROR_M_S2) -> list[BurstPiece]:
    """Return a burst as the pieces that go on the wire, each below 16 KiB as CBOR.

    Examples
    --------
    >>> told = Waveforms("c-1", 2, 1.7e9, 6400.0, ("pinion",), np.array([[0.0, 1.0, 2.5]]))
    >>> [(piece.piece, piece.pieces, piece.samples) for piece in pieces_of(told)]
    [(1, 1, 3)]
    """
    small = burst.compress(waveforms.samples, waveforms.rate_hz, error_m_s2)
    cut = burst.pieces(small.data, DATA_BYTES)
    return [
        BurstPiece(
            command=waveforms.command,
            axle=waveforms.axle,
            piece=number,
            pieces=len(cut),
            begin_s=waveforms.begin_s,
            sample_rate_hz=waveforms.rate_hz,
            samples=small.samples,
            sensors=list(waveforms.sensors),
            scales=list(small.steps),
            data=data,
            # The shaft's turns stand in the first piece only.
            turns=list(waveforms.turns) if number == 1 else [],
            turns_tolerance=waveforms.turns_tolerance,
            reason=waveforms.reason,
        )
        for number, data in enumerate(cut, start=1)
    ]


def join(pieces: Sequence[BurstPiece]) -> Waveforms:
    """Return the burst that all its pieces make, in whatever order they came.

    Raises
    ------
    FrameError
        A piece is missing, belongs to another burst, or the data is not what the pieces say.
    """
    if not pieces:
        raise FrameError("burst has no pieces")
    ordered = sorted(pieces, key=lambda piece: piece.piece)
    first = ordered[0]
    if [piece.piece for piece in ordered] != list(range(1, first.pieces + 1)):
        raise FrameError(f"burst {first.command} has {len(ordered)} of {first.pieces} pieces")
    for piece in ordered[1:]:
        if _kind(piece) != _kind(first):
            raise FrameError(f"burst {first.command}: piece {piece.piece} belongs to another recording")
    if len(first.scales) != len(first.sensors) or first.samples * len(first.sensors) > MOST_SAMPLES:
        raise FrameError(
            f"burst {first.command} claims {len(first.sensors)} sensors with {len(first.scales)} scales of "
            f"{first.samples} samples; at most {MOST_SAMPLES} samples are read"
        )
    small = burst.Burst(
        len(first.sensors),
        first.samples,
        first.sample_rate_hz,
        tuple(first.scales),
        b"".join(piece.data for piece in ordered),
    )
    return Waveforms(
        command=first.command,
        axle=first.axle,
        begin_s=first.begin_s,
        rate_hz=first.sample_rate_hz,
        sensors=tuple(first.sensors),
        samples=burst.decompress(small),
        turns=tuple(first.turns),
        turns_tolerance=first.turns_tolerance,
        reason=first.reason,
    )


def few_turns(turns: ArrayLike, rate_hz: float, every_s: float = 0.25, most: int = 241) -> tuple[float, ...]:
    """Return the driveshaft's turns at evenly spaced times, from those at every sample; empty while it stands.

    Examples
    --------
    >>> few_turns(np.arange(11) / 10.0, rate_hz=10.0, every_s=0.5)
    (0.0, 0.5, 1.0)
    """
    known = np.asarray(turns, dtype=np.float64)
    if known.size < 2 or not known[-1] > known[0]:
        return ()
    count = int(np.clip(round((known.size - 1) / rate_hz / every_s) + 1, 2, most))
    places = np.linspace(0.0, known.size - 1.0, count)
    found = np.interp(places, np.arange(known.size), known) - known[0]
    return tuple(float(value) for value in found)


def _kind(piece: BurstPiece) -> tuple[object, ...]:
    """Return what all pieces of a burst say alike."""
    return (
        piece.command,
        piece.axle,
        piece.pieces,
        piece.begin_s,
        piece.sample_rate_hz,
        piece.samples,
        tuple(piece.sensors),
        tuple(piece.scales),
    )
