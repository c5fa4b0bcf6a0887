"""Evidence is plotted with what it is held against, over its own range, and never into the future."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from small_office import FLEET, NOW_S, low_axle

from axlewright_models.spec import parse_fleet
from axlewright_models.wire.messages import Evidence
from axlewright_server.api.prognosis_records import PictureRecord
from axlewright_server.api.reads import record_of
from axlewright_server.api.states import Material, vehicle_state
from axlewright_server.page.charts import evidence_charts, forecast_chart


def chart_of(channel: str, unit: str, limit: float = 2.0) -> dict[str, Any]:
    begin_s, end_s = NOW_S - 4000.0, NOW_S - 100.0
    evidence = Evidence(channel=channel, text="x", begin_s=begin_s, end_s=end_s, value=3.0, limit=limit, unit=unit)
    message = msgspec.structs.replace(low_axle(), evidence=[evidence])
    state = vehicle_state(parse_fleet(FLEET).vehicles["sy-2"], Material(), NOW_S)
    (chart,) = evidence_charts(record_of(message, []), state, NOW_S)
    assert chart is not None
    assert chart["mark"] == [begin_s, end_s]
    assert chart["begin_s"] < begin_s
    assert end_s <= chart["end_s"] <= NOW_S
    return chart


@pytest.mark.parametrize(
    ("channel", "unit", "lines"),
    [
        ("height/static", "mm", ["height/left", "height/right", "height/static"]),
        ("lube", "Cel", ["lube", "lube/expected", "lube"]),  # the last: the tandem's other axle
        ("lube-level", "mm", ["lube-level"]),
        ("vib/order/driveshaft-1", "/", ["vib/order/driveshaft-1"]),
    ],
)
def test_a_plot_shows_the_channel_and_what_it_is_compared_with(channel: str, unit: str, lines: list[str]) -> None:
    assert [line["channel"] for line in chart_of(channel, unit)["lines"]] == lines


def test_a_limit_is_drawn_only_on_an_axis_of_its_own_unit() -> None:
    assert [limit["value"] for limit in chart_of("lube-level", "mm", -12.0)["limits"]] == [-12.0]
    # A limit on a ratio to the baseline has no place on an axis of m/s2.
    assert chart_of("vib/order/driveshaft-1", "/")["limits"] == []


def test_the_band_is_the_specification_with_its_tolerance() -> None:
    # The fleet file leaves both to their defaults: 240 mm, and 6 mm either way.
    assert chart_of("height/static", "mm")["band"] == [234.0, 246.0]


def test_a_band_without_end_does_not_press_the_days_flat() -> None:
    picture = PictureRecord(
        quantity="driveshaft-1",
        title="Vibration once per turn of the driveshaft",
        unit="/",
        limit=2.0,
        time_s=[0.0, 86400.0, 172800.0],
        value=[1.0, 1.1, None],
        trend=[None, None, 1.2],
        low=[None, None, 1.0],
        high=[None, None, 4.9e8],
    )
    chart = forecast_chart(picture)
    low, high = chart["shown"]
    assert low < 1.0 and 2.0 < high < 3.0
    assert chart["unit_text"] == "× baseline"
    assert forecast_chart(picture.model_copy(update={"value": [None] * 3, "limit": None}))["shown"][0] < 0.0
