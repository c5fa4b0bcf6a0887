"""Metrics in the open text exposition format, version 0.0.4.

The format is a public specification: one ``# HELP`` and ``# TYPE`` line a metric, then one line a sample,
backslash, double quote and line feed escaped, a final line feed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_NAME = re.compile(r"[a-zA-Z_:][a-zA-Z0-9_:]*")
_LABEL = re.compile(r"[a-zA-Z_][a-zA-Z0-9_]*")


@dataclass(frozen=True)
class Sample:
    """One value with its labels."""

    value: float
    labels: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Metric:
    """One metric: its name (with the unit as ending), kind, help and samples."""

    name: str
    kind: Literal["counter", "gauge"]
    help: str
    samples: tuple[Sample, ...]


def exposition(metrics: Iterable[Metric]) -> str:
    r"""Return the text of all metrics.

    Raises
    ------
    ValueError
        A metric's or label's name is not allowed by the format, or a metric is given twice.

    Examples
    --------
    >>> print(exposition([Metric("axlewright_frames_total", "counter", "Frames.", (Sample(3, {"a": 'x"y'}),))]), end="")
    # HELP axlewright_frames_total Frames.
    # TYPE axlewright_frames_total counter
    axlewright_frames_total{a="x\"y"} 3
    """
    lines: list[str] = []
    seen: set[str] = set()
    for metric in metrics:
        if not _NAME.fullmatch(metric.name):
            raise ValueError(f"metric name {metric.name!r}: must match {_NAME.pattern}")
        if metric.name in seen:
            raise ValueError(f"metric {metric.name!r} is given twice; put its samples under one metric")
        seen.add(metric.name)
        lines.append(f"# HELP {metric.name} {_escaped(metric.help, quote=False)}")
        lines.append(f"# TYPE {metric.name} {metric.kind}")
        lines.extend(f"{metric.name}{_labels(sample.labels)} {_number(sample.value)}" for sample in metric.samples)
    return "\n".join(lines) + "\n"


def metric_name(text: str) -> str:
    """Return a legal name made of any text.

    Examples
    --------
    >>> metric_name("queue-depth (now)")
    'queue_depth_now'
    """
    return re.sub(r"[^a-zA-Z0-9_]+", "_", text).strip("_").lower()


def _labels(labels: Mapping[str, str]) -> str:
    if not labels:
        return ""
    for name in labels:
        if not _LABEL.fullmatch(name):
            raise ValueError(f"label name {name!r}: must match {_LABEL.pattern}")
    return "{" + ",".join(f'{name}="{_escaped(value, quote=True)}"' for name, value in labels.items()) + "}"


def _escaped(text: str, *, quote: bool) -> str:
    text = text.replace("\\", r"\\").replace("\n", r"\n")
    return text.replace('"', r"\"") if quote else text


def _number(value: float) -> str:
    if math.isnan(value):
        return "NaN"
    if math.isinf(value):
        return "+Inf" if value > 0 else "-Inf"
    return str(int(value)) if value == int(value) and abs(value) < 2**53 else repr(float(value))
