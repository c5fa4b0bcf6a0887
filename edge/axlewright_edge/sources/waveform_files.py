"""Files of raw samples, read whole: WAV, CSV, NPY, MAT and Parquet become named columns and a rate.

Nothing is interpreted here; which column is an accelerometer and how the shaft turns is decided in
:mod:`~axlewright_edge.sources.waveform_form`.
"""

from __future__ import annotations

import csv
import struct
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from axlewright_edge.errors import SourceError

# Ten hours of three sensors at 6.4 kHz; a file is read whole.
MOST_VALUES = 700_000_000
TIME_NAMES = ("time_s", "time", "t")
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_NPY_BEGIN = b"\x93NUMPY"


@dataclass(frozen=True)
class RawFile:
    """What a file holds.

    Parameters
    ----------
    columns : dict of str to ndarray, shape (n,)
        In the order of the file; "1", "2" ... where it names none.
    named : bool
        Whether the names are the file's own.
    rate_hz : float or None
        Where the file says it. [Hz]
    full_scale : float or None
        Greatest number that its format can hold, in the unit of the columns.
    """

    columns: dict[str, NDArray[Any]]  # any number type, as the file has it
    named: bool
    rate_hz: float | None = None
    full_scale: float | None = None


def read_raw(path: Path, variable: str = "") -> RawFile:
    """Return what a file of raw samples holds; `variable` names the array of a MAT file that has several.

    Raises
    ------
    SourceError
        The file is missing, of an unknown kind, damaged or too large, or its library is not installed.
    """
    reader = _READERS.get(path.suffix.lower())
    if reader is None:
        raise SourceError(f"{path}: ends in {path.suffix!r}; raw samples are read from {', '.join(_READERS)}")
    if not path.is_file():
        raise SourceError(f"{path}: is no file")
    raw = _mat(path, variable) if path.suffix.lower() == ".mat" else reader(path)
    sizes = {column.size for column in raw.columns.values()}
    if not sizes or max(sizes) < 2:
        raise SourceError(f"{path}: holds fewer than 2 samples")
    if sum(column.size for column in raw.columns.values()) > MOST_VALUES:
        raise SourceError(f"{path}: holds more than {MOST_VALUES} values; cut it into shorter recordings")
    return raw


def _wav(path: Path) -> RawFile:
    data = path.read_bytes()
    if len(data) < 12 or data[:4] != b"RIFF" or data[8:12] != b"WAVE":
        raise SourceError(f"{path}: is no WAV file: it does not begin with RIFF ... WAVE")
    form: tuple[int, int, int, int] | None = None
    place = 12
    while place + 8 <= len(data):
        name, size = data[place : place + 4], struct.unpack_from("<I", data, place + 4)[0]
        body = memoryview(data)[place + 8 : place + 8 + size]
        if name == b"fmt " and len(body) >= 16:
            kind, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", body)
            if kind == _EXTENSIBLE and len(body) >= 26:
                kind = struct.unpack_from("<H", body, 24)[0]
            form = (kind, channels, rate, bits)
        elif name == b"data":
            if form is None or form[1] < 1 or form[2] < 1:
                raise SourceError(f"{path}: says nothing usable of its format before its data")
            return _wav_columns(path, body, *form)
        place += 8 + size + size % 2
    raise SourceError(f"{path}: holds no data chunk; it may have been cut off while being written")


def _wav_columns(path: Path, body: memoryview, kind: int, channels: int, rate: int, bits: int) -> RawFile:
    width = bits // 8
    frames = len(body) // (width * channels) if width else 0
    whole = body[: frames * width * channels]
    full_scale: float | None = 1.0
    if kind == _FLOAT and bits in (32, 64):
        values = np.frombuffer(whole, dtype=f"<f{width}")
        full_scale = None
    elif kind == _PCM and bits == 24:
        bytes_ = np.frombuffer(whole, dtype=np.uint8).reshape(-1, 3)
        wide = np.zeros((bytes_.shape[0], 4), dtype=np.uint8)
        wide[:, 1:] = bytes_
        values = wide.view("<i4")[:, 0] / 2.0**31
    elif kind == _PCM and bits in (16, 32):
        values = np.frombuffer(whole, dtype=f"<i{width}") / 2.0 ** (bits - 1)
    elif kind == _PCM and bits == 8:
        values = np.frombuffer(whole, dtype=np.uint8) / 128.0 - 1.0
    else:
        raise SourceError(
            f"{path}: format {kind} of {bits} bits cannot be read; save it as PCM (8 to 32) or float (32, 64)"
        )
    table = values.reshape(frames, channels)
    return RawFile({str(k + 1): table[:, k] for k in range(channels)}, False, float(rate), full_scale)


def _csv(path: Path) -> RawFile:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
    except (OSError, UnicodeDecodeError) as error:
        raise SourceError(f"{path}: cannot be read: {error}") from error
    separator = max(",;\t", key=first.count)
    names = [cell.strip() for cell in next(csv.reader([first], delimiter=separator), [])]
    if not names:
        raise SourceError(f"{path}:1: is empty; give one line of column names or of numbers")
    named = not all(_is_number(name) for name in names)
    if named and len(set(names)) < len(names):
        raise SourceError(f"{path}:1: two columns have the same name; keep one of each")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # of a file without a single sample, which is told below
            table = np.loadtxt(
                path, delimiter=separator, skiprows=int(named), ndmin=2, encoding="utf-8-sig", comments=None
            )
    except ValueError:
        table = _csv_slowly(path, separator, len(names), named)
    if not len(table):
        raise SourceError(f"{path}: holds column names and no sample below them")
    if table.shape[1] != len(names):
        raise SourceError(f"{path}: line 1 has {len(names)} columns, the others {table.shape[1]}")
    keys = names if named else [str(k + 1) for k in range(len(names))]
    return RawFile({key: table[:, k] for k, key in enumerate(keys)}, named)


def _csv_slowly(path: Path, separator: str, width: int, named: bool) -> NDArray[np.float64]:
    """Read a table with empty cells (missing samples), or find the line that is wrong."""
    rows: list[list[float]] = []
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.reader(file, delimiter=separator)
        for row in reader:
            if not row or (named and reader.line_num == 1):
                continue
            if len(row) != width:
                raise SourceError(f"{path}:{reader.line_num}: has {len(row)} cells, line 1 has {width}")
            try:
                rows.append([float(cell) if cell.strip() else np.nan for cell in row])
            except ValueError as error:
                raise SourceError(f"{path}:{reader.line_num}: {error}; leave a missing sample empty") from None
    return np.array(rows, dtype=np.float64).reshape(-1, width)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _npy(path: Path) -> RawFile:
    try:
        with path.open("rb") as file:
            if file.read(len(_NPY_BEGIN)) != _NPY_BEGIN:
                raise SourceError(f"{path}: is no NPY file: it does not begin as one; write it with numpy.save")
        array = np.load(path, mmap_mode="r", allow_pickle=False)
    except (ValueError, OSError, EOFError) as error:
        raise SourceError(f"{path}: is no NPY file of numbers: {error}") from error
    if array.dtype.names:
        return RawFile({name: array[name] for name in array.dtype.names}, True)
    return _plain(array, path)


def _mat(path: Path, variable: str) -> RawFile:
    try:
        from scipy.io import loadmat
    except ImportError as error:
        raise SourceError(f"{path}: MAT files need scipy; install it: pip install 'axlewright[describe]'") from error
    try:
        found = loadmat(str(path))
    except Exception as error:  # whatever the library makes of a damaged or newer file
        raise SourceError(f"{path}: cannot be read as a MAT file (up to version 7): {error}") from error
    arrays = {
        name: array
        for name, array in found.items()
        if not name.startswith("__") and getattr(array, "dtype", None) is not None and array.dtype.kind in "iuf"
    }
    if variable:
        if variable not in arrays:
            raise SourceError(f"{path}: holds no numbers named {variable!r}; there are {', '.join(arrays) or 'none'}")
        return _plain(arrays[variable], path)
    vectors = {
        name: array.ravel() for name, array in arrays.items() if array.size > 1 and max(array.shape) == array.size
    }
    longest = max((vector.size for vector in vectors.values()), default=0)
    same = {name: vector for name, vector in vectors.items() if vector.size == longest}
    if same:
        return RawFile(same, True)
    if len(arrays) == 1:
        return _plain(next(iter(arrays.values())), path)
    raise SourceError(f"{path}: holds several arrays ({', '.join(arrays)}); name one with variable")


def _parquet(path: Path) -> RawFile:
    try:
        import pyarrow.parquet as parquet  # type: ignore[import-untyped]  # ships no types
    except ImportError as error:
        raise SourceError(f"{path}: Parquet needs pyarrow; install it: pip install pyarrow") from error
    try:
        table = parquet.read_table(path)
        columns = {name: table.column(name).to_numpy() for name in table.column_names}
    except Exception as error:  # pyarrow's own errors share no base
        raise SourceError(f"{path}: cannot be read as Parquet: {error}") from error
    return RawFile({name: column for name, column in columns.items() if column.dtype.kind in "iufb"}, True)


def _plain(array: NDArray[Any], path: Path) -> RawFile:
    if array.dtype.kind not in "iuf" or array.ndim not in (1, 2):
        raise SourceError(f"{path}: holds {array.dtype} of shape {array.shape}; give numbers, (n,) or (n, columns)")
    # Time is always the longer side.
    table = array[:, np.newaxis] if array.ndim == 1 else (array if array.shape[0] >= array.shape[1] else array.T)
    return RawFile({str(k + 1): table[:, k] for k in range(table.shape[1])}, False)


_READERS: dict[str, Callable[[Path], RawFile]] = {
    ".wav": _wav,
    ".csv": _csv,
    ".npy": _npy,
    ".mat": lambda path: _mat(path, ""),
    ".parquet": _parquet,
}
