"""What the page's plots show: lines, band, limits, range. The script only draws what is said here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_server.api.prognosis_records import PictureRecord
from axlewright_server.api.records import AdvisoryRecord, AxleState, Evidence, VehicleState
from axlewright_server.page.texts import unit_text

_DECIMALS = {"mm": 0, "Cel": 1, "m/s2": 3, "kPa": 0, "km/h": 0}
# A plot of evidence shows this share of its range before and after it, and never less than an hour.
_MARGIN = 0.35
_LEAST_RANGE_S = 3600.0
# Room above and below days and limit in a plot of what lies ahead, as a share of their span.
_FORECAST_MARGIN = 0.25
_HEIGHTS = ("height/left", "height/right", "height/static")


@dataclass(frozen=True)
class Range:
    """What a plot's time axis spans, and whether it moves on with the clock."""

    begin_s: float
    end_s: float
    follows_now: bool


def axle_charts(vehicle: VehicleState, axle: AxleState, span: Range) -> list[dict[str, Any]]:
    """Return the plots of one axle: ride height against its band, lube against what is expected of it."""
    return [
        _height_chart(vehicle.id, axle, span, "Ride height against its specified band"),
        _lube_chart(vehicle.id, axle, span, "Lube temperature against the model's expectation"),
    ]


def forecast_chart(picture: PictureRecord) -> dict[str, Any]:
    """Return the plot of what lies ahead: its scale shows every day and the limit, and as much of the band as fits.

    A band that widens without end would else press days, trend and limit flat on the axis.
    """
    unit = "× baseline" if picture.unit == "/" else unit_text(picture.unit)
    known = [value for value in [*picture.value, picture.limit] if value is not None]
    low, high = (min(known), max(known)) if known else (0.0, 1.0)
    room = max(_FORECAST_MARGIN * (high - low), 0.01)
    return {**picture.model_dump(), "unit_text": unit, "shown": [round(low - room, 3), round(high + room, 3)]}


def evidence_charts(advisory: AdvisoryRecord, vehicle: VehicleState, now_s: float) -> list[dict[str, Any] | None]:
    """Return one plot per piece of evidence; None where an earlier one shows the same."""
    charts: list[dict[str, Any] | None] = []
    for item in advisory.evidence:
        chart = _evidence_chart(item, vehicle, now_s)
        charts.append(None if chart in charts else chart)
    return charts


def _evidence_chart(item: Evidence, vehicle: VehicleState, now_s: float) -> dict[str, Any] | None:
    if item.channel not in INDEX:
        return None
    room = max(_MARGIN * (item.end_s - item.begin_s), _LEAST_RANGE_S / 2.0)
    # Nothing is plotted of the time to come.
    span = Range(item.begin_s - room, max(item.end_s, min(item.end_s + room, now_s)), follows_now=False)
    axle = next((one for one in vehicle.axles if one.position == item.plot_axle), None)
    title = f"{item.channel_title}: {item.text}"
    if axle is not None and item.channel.startswith("height/"):
        chart = _height_chart(vehicle.id, axle, span, title)
    elif axle is not None and item.channel in ("lube", "lube/expected"):
        chart = _lube_chart(vehicle.id, axle, span, title)
        # Hotter than the other one, or hotter than it should be: the tandem's other axle tells which.
        others = (one for one in vehicle.axles if one.driven and one.position != axle.position)
        chart["lines"] += [_line(one.role_text.lower(), "lube", one.position, "--trace-2", [2, 2]) for one in others]
    else:
        chart = _plain_chart(vehicle.id, item, span, title)
    return chart | {"mark": [item.begin_s, item.end_s]}


def _height_chart(vehicle: str, axle: AxleState, span: Range, title: str) -> dict[str, Any]:
    specified, tolerance = axle.ride_height_specified_mm, axle.ride_height_tolerance_mm
    lines = [
        _line("left", "height/left", axle.position, "--trace"),
        _line("right", "height/right", axle.position, "--trace-2"),
        _line("static, estimated", "height/static", axle.position, "--ink", [5, 3]),
    ]
    return _chart(vehicle, title, lines, "mm", span) | {
        "band": [specified - tolerance, specified + tolerance],
        "limits": [],
        "least_span": 6.0 * tolerance,
    }


def _lube_chart(vehicle: str, axle: AxleState, span: Range, title: str) -> dict[str, Any]:
    lines = [
        _line("measured", "lube", axle.position, "--trace"),
        _line("expected", "lube/expected", axle.position, "--expected", [5, 3]),
    ]
    limits = [
        {"value": axle.lube_caution_cel, "text": f"caution {axle.lube_caution_cel:.0f} °C", "always": True},
        {"value": axle.lube_limit_cel, "text": f"limit {axle.lube_limit_cel:.0f} °C", "always": True},
    ]
    return _chart(vehicle, title, lines, "Cel", span) | {"limits": limits, "least_span": 20.0}


def _plain_chart(vehicle: str, item: Evidence, span: Range, title: str) -> dict[str, Any]:
    channel = CHANNELS[INDEX[item.channel]]
    lines = [_line(channel.title, channel.name, item.plot_axle, "--trace")]
    limits = []
    if item.limit is not None and item.unit == channel.unit:
        limits.append({"value": item.limit, "text": f"limit {item.limit:.3g} {unit_text(item.unit)}", "always": True})
    return _chart(vehicle, title, lines, channel.unit, span) | {"limits": limits, "least_span": 0.0}


def _chart(vehicle: str, title: str, lines: Sequence[dict[str, Any]], unit: str, span: Range) -> dict[str, Any]:
    return {
        "vehicle": vehicle,
        "title": title,
        "lines": list(lines),
        "unit_text": unit_text(unit),
        "decimals": _DECIMALS.get(unit, 2),
        "begin_s": round(span.begin_s, 3),
        "end_s": round(span.end_s, 3),
        "follows_now": span.follows_now,
    }


def _line(text: str, channel: str, axle: int, colour: str, dash: list[int] | None = None) -> dict[str, Any]:
    return {"text": text, "channel": channel, "axle": axle, "colour": colour} | ({"dash": dash} if dash else {})
