"""A burst as a file: NPY, CSV or WAV, in the plain form that `axlewright describe` reads."""

from __future__ import annotations

import io
import struct

import numpy as np

from axlewright_models.wire.bursts import Waveforms

KINDS = {
    "npy": "application/octet-stream",
    "csv": "text/csv; charset=utf-8",
    "wav": "audio/wav",
}


def burst_file(found: Waveforms, kind: str) -> bytes:
    """Return the file of one of :data:`KINDS`.

    NPY and CSV hold the sensors in m/s2 and, where it is known, the driveshaft's turns as the last column; WAV holds
    the sensors alone, in m/s2 as 32-bit floats.
    """
    if kind == "wav":
        return _wav(found)
    turns = found.turns_at_samples()
    columns = [*found.samples, *([turns] if turns is not None else [])]
    if kind == "npy":
        sink = io.BytesIO()
        np.save(sink, np.stack(columns))
        return sink.getvalue()
    names = [f"acceleration/{number}" for number in range(1, len(found.samples) + 1)]
    times = np.arange(found.samples.shape[1]) / found.rate_hz
    text = io.StringIO()
    text.write(",".join(["time_s", *names, *(["turns"] if turns is not None else [])]) + "\r\n")
    formats = ["%.7f", *["%.4f"] * len(names), *(["%.6f"] if turns is not None else [])]
    np.savetxt(text, np.stack([times, *columns], axis=1), fmt=",".join(formats), newline="\r\n")
    return text.getvalue().encode()


def _wav(found: Waveforms) -> bytes:
    channels, rate = found.samples.shape[0], round(found.rate_hz)
    data = np.ascontiguousarray(found.samples.T, dtype="<f4").tobytes()
    form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 3, channels, rate, rate * channels * 4, channels * 4, 32)
    body = b"WAVE" + form + struct.pack("<4sI", b"data", len(data)) + data
    return struct.pack("<4sI", b"RIFF", len(body)) + body
