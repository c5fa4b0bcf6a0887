"""The resolution of SenML records: base fields applied, types and names checked, times absolute.

RFC 8428 section 4 [1]_, with the version bits of RFC 9100 [2]_ and the secondary units of RFC 8798 [3]_. What the RFCs
leave open is decided here:

- A record without a value is a measurement where a base value is in force: the clause that counts a missing value as
  zero is taken at its word, so the pack ``[{"bn": "x", "bv": 20}]`` says that x is 20. The same holds for sums.
- Where none is in force, a record of base fields alone only sets them; any other record without a value is refused.

References
----------
.. [1] RFC 8428, "Sensor Measurement Lists (SenML)", section 4.
.. [2] RFC 9100, "Sensor Measurement Lists (SenML) Features and Versions", sections 2 to 4.
.. [3] RFC 8798, "Additional Units for Sensor Measurement Lists (SenML)", section 3.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from axlewright_models.errors import FrameError
from axlewright_models.units import UNITS

Value = float | str | bool | bytes | None
# A raw record holds whatever the sender wrote: its values are Any until `resolve` has checked them.
RawRecord = dict[str, Any]

DEFAULT_VERSION = 10
SECONDARY_UNITS_BIT = 1 << 4
RELATIVE_TIME_LIMIT_S = float(1 << 28)

_KNOWN_FEATURES = SECONDARY_UNITS_BIT
_BASE_VERSION_MASK = 0b1111
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_NUMBER_LABELS = frozenset({"bt", "bv", "bs", "v", "s", "t", "ut"})
_TYPE_OF: dict[str, tuple[type, str]] = {
    **dict.fromkeys(("bn", "bu", "n", "u", "vs"), (str, "a text")),
    "vb": (bool, "true or false"),
    "vd": (bytes, "bytes"),
}
_VALUE_LABELS = ("v", "vs", "vb", "vd")
_BASE_LABELS = frozenset({"bver", "bn", "bt", "bu", "bv", "bs"})


@dataclass(frozen=True)
class Resolved:
    """One resolved record: a full name, an absolute time, no base fields.

    ``record`` is the record's number in the pack, from 1. A value is a number in ``unit``, a text, a truth value,
    bytes, or None where the record holds a sum alone.
    """

    name: str
    unit: str | None
    time_s: float
    value: Value
    sum: float | None = None
    update_time_s: float | None = None
    record: int = 0
    version: int = DEFAULT_VERSION


def resolve(records: Iterable[RawRecord], now_s: float | None = None) -> list[Resolved]:
    """Return the resolved records of a pack, in time order (records of one time keep their order).

    Parameters
    ----------
    records : iterable of dict
        As :func:`parse_json` and :func:`parse_cbor` return them.
    now_s : float, optional
        The receiver's clock, to resolve relative times (below 2**28 s). [Unix s]

    Raises
    ------
    FrameError
        A rule is broken, or a time is relative and `now_s` is None; the text says record number and name.

    Examples
    --------
    >>> pack = [{"bn": "harrow-vale/t07/", "bt": 1700000000, "n": "speed", "u": "m/s", "v": 20.5}]
    >>> resolve(pack)[0].name
    'harrow-vale/t07/speed'
    """
    resolver = _Resolver(now_s)
    resolved = [result for record in records if (result := resolver.take(record)) is not None]
    resolved.sort(key=lambda item: item.time_s)
    return resolved


class _Resolver:
    """The base fields in force, carried from record to record."""

    def __init__(self, now_s: float | None) -> None:
        self._now_s = now_s
        self._number = 0
        self._version: int | None = None
        self._name = ""
        self._time_s = 0.0
        self._unit: str | None = None
        self._value: float | None = None
        self._sum: float | None = None

    def take(self, raw: RawRecord) -> Resolved | None:
        """Check one record and resolve it; None for one that only sets base fields."""
        self._number += 1
        where = f"record {self._number} {raw.get('n', '')!r:.120}"
        record = _checked(where, raw)
        self._take_base(where, record)
        if self._value is None and self._sum is None and _BASE_LABELS.issuperset(record):
            return None
        return Resolved(
            name=self._full_name(where, record),
            unit=self._full_unit(where, record),
            time_s=self._absolute_time(where, record),
            value=self._full_value(where, record),
            sum=self._full_sum(where, record),
            update_time_s=record.get("ut"),
            record=self._number,
            version=self._version or DEFAULT_VERSION,
        )

    def _take_base(self, where: str, record: RawRecord) -> None:
        self._check_version(where, record.get("bver", DEFAULT_VERSION if self._version is None else self._version))
        self._name = record.get("bn", self._name)
        self._time_s = record.get("bt", self._time_s)
        self._unit = record.get("bu", self._unit) or None
        self._value = record.get("bv", self._value)
        self._sum = record.get("bs", self._sum)

    def _check_version(self, where: str, version: object) -> None:
        if isinstance(version, bool) or not isinstance(version, int) or version < 1:
            raise FrameError(f"{where}: bver is {version!r:.80}; it must be a positive integer")
        if self._version is not None and version != self._version:
            raise FrameError(f"{where}: bver {version} after {self._version}; a pack has one version")
        base, features = version & _BASE_VERSION_MASK, version & ~_BASE_VERSION_MASK
        if base > DEFAULT_VERSION or (features and base != DEFAULT_VERSION):
            raise FrameError(f"{where}: bver {version} is not version {DEFAULT_VERSION} of SenML plus features")
        if features & ~_KNOWN_FEATURES:
            bits = [bit for bit in range(4, features.bit_length()) if features & ~_KNOWN_FEATURES & (1 << bit)]
            raise FrameError(
                f"{where}: bver {version} asks for unknown features {bits}; only 4 (secondary units) is known"
            )
        self._version = version

    def _full_name(self, where: str, record: RawRecord) -> str:
        name: str = self._name + record.get("n", "")
        if not name:
            raise FrameError(f"{where}: no name and no base name; give n or bn")
        if not _NAME.fullmatch(name):
            raise FrameError(
                f"{where}: name {name[:120]!r} may hold only A-Z a-z 0-9 - : . / _ and begins with a letter or digit"
            )
        return name

    def _full_unit(self, where: str, record: RawRecord) -> str | None:
        unit: str | None = record.get("u", self._unit) or None
        known = UNITS.get(unit) if unit is not None else None
        secondary = known is not None and known.registry == "secondary"
        if secondary and not (self._version or DEFAULT_VERSION) & SECONDARY_UNITS_BIT:
            raise FrameError(
                f"{where}: {unit!r} is a secondary unit; send bver {DEFAULT_VERSION + SECONDARY_UNITS_BIT}"
            )
        return unit

    def _full_value(self, where: str, record: RawRecord) -> Value:
        given = [label for label in _VALUE_LABELS if label in record]
        if len(given) > 1:
            raise FrameError(f"{where}: has {' and '.join(given)}; a record has one value")
        if given and given[0] != "v":
            value: Value = record[given[0]]
            return value
        if given or self._value is not None:
            return _finite(where, "value", record.get("v", 0.0) + (self._value or 0.0))
        if "s" not in record and self._sum is None:
            raise FrameError(f"{where}: no value; give one of v, vs, vb, vd, or a sum s")
        return None

    def _full_sum(self, where: str, record: RawRecord) -> float | None:
        if self._sum is None and "s" not in record:
            return None
        return _finite(where, "sum", record.get("s", 0.0) + (self._sum or 0.0))

    def _absolute_time(self, where: str, record: RawRecord) -> float:
        time_s = _finite(where, "time", self._time_s + record.get("t", 0.0))
        if time_s >= RELATIVE_TIME_LIMIT_S:
            return time_s
        if self._now_s is None:
            raise FrameError(f"{where}: time {time_s:g} is relative to now; send Unix seconds (2**28 or more)")
        return time_s + self._now_s


def _finite(where: str, what: str, value: float) -> float:
    if not math.isfinite(value):
        raise FrameError(f"{where}: {what} is {value}; it must be finite")
    return value


def _checked(where: str, raw: RawRecord) -> RawRecord:
    """Return the fields that are known, numbers as floats; refuse wrong types and unknown must-understand labels."""
    record: RawRecord = {}
    for label, value in raw.items():
        if label in _NUMBER_LABELS:
            record[label] = _number(where, label, value)
        elif label in _TYPE_OF:
            kind, words = _TYPE_OF[label]
            if not isinstance(value, kind):
                raise FrameError(f"{where}: {label} is {value!r:.80}; it must be {words}")
            record[label] = value
        elif label == "bver":
            record[label] = value
        elif label.endswith("_"):
            raise FrameError(
                f"{where}: field {label[:80]!r} must be understood (its label ends in '_') and is not known"
            )
    return record


def _number(where: str, label: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise FrameError(f"{where}: {label} is {value!r:.80}; it must be a number")
    try:
        number = float(value)
    except (OverflowError, ValueError):
        number = math.inf
    return _finite(where, label, number)
