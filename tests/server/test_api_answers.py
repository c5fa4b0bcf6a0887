"""The interface's answers agree with what lies in the store, and errors say how to mend them."""

from __future__ import annotations

import io

import jsonschema
import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]  # ships no types
import pytest
from httpx import Client
from numpy.testing import assert_allclose
from pyarrow import csv, parquet
from small_office import GAP_S, NOW_S

from axlewright_models.signals import CHANNELS


def test_the_fleet_comes_worst_first(client: Client) -> None:
    fleet = client.get("/api/1/fleet").json()
    assert [(one["id"], one["condition"]) for one in fleet["vehicles"]] == [
        ("sy-2", "within-a-day"),
        ("sy-1", "next-service"),
        ("sy-3", "no-recent-data"),
    ]
    assert fleet["counts"]["within-a-day"] == 1
    assert fleet["counts"]["nothing-found"] == 0


def test_an_axle_stands_against_its_specification(client: Client) -> None:
    vehicle = client.get("/api/1/vehicles/sy-2").json()
    forward = next(axle for axle in vehicle["axles"] if axle["position"] == 2)
    assert forward["ride_height_deviation_mm"] == pytest.approx(-14.0, abs=1e-4)  # float32 in the store
    assert forward["ride_height_condition"] == "low"
    assert forward["ride_height_is_estimate"] is True
    assert forward["lube_expected_cel"] == pytest.approx(83.0)
    assert [one["title"] for one in forward["advisories"]] == ["Height valve out of set"]
    assert vehicle["link"] == "online"


def test_a_vehicle_that_fell_silent_is_stale(client: Client) -> None:
    vehicle = client.get("/api/1/vehicles/sy-3").json()
    assert vehicle["stale"] is True
    assert vehicle["condition_text"] == "No recent data"


def test_a_trend_keeps_every_peak_and_shows_the_gap(client: Client) -> None:
    query = {"axle": 2, "channel": "lube", "begin_s": NOW_S - 7200, "end_s": NOW_S + 1, "points": 40}
    trend = client.get("/api/1/vehicles/sy-1/trend", params=query).json()
    assert trend["unit"] == "Cel"
    assert len(trend["time_s"]) <= 42
    truth = 84.0 + 5.0 * np.sin(_times() / 300.0)
    drawn = np.array([np.nan if one is None else one for one in trend["maximum"]])
    assert_allclose(np.nanmax(drawn), truth.max(), rtol=1e-6)
    holes = [time for time, mean in zip(trend["time_s"], trend["mean"], strict=True) if mean is None]
    assert len(holes) == 1
    assert GAP_S[0] < holes[0] < GAP_S[1]


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_download_holds_every_reading(client: Client, ending: str) -> None:
    query = {"begin_s": NOW_S - 8000, "end_s": NOW_S + 1}
    answer = client.get(f"/api/1/vehicles/sy-1/readings.{ending}", params=query)
    assert f'.{ending}"' in answer.headers["content-disposition"]
    source = io.BytesIO(answer.content)
    table: pa.Table = csv.read_csv(source) if ending == "csv" else parquet.read_table(source)
    assert table.num_rows == 3 * len(_times())
    assert table.column_names[1:3] == ["vehicle", "axle"]
    assert set(table.column_names[3:]) == {channel.name for channel in CHANNELS}
    lube = table["lube"].drop_null().to_numpy()
    assert_allclose(lube[::2], 84.0 + 5.0 * np.sin(_times() / 300.0), rtol=1e-5)


def test_a_parquet_file_says_its_units(client: Client) -> None:
    answer = client.get("/api/1/vehicles/sy-1/readings.parquet")
    schema = parquet.read_schema(io.BytesIO(answer.content))
    assert schema.field("height/left").metadata == {b"unit": b"mm"}


def test_a_download_of_no_readings_still_has_its_header(client: Client) -> None:
    answer = client.get("/api/1/vehicles/sy-1/readings.csv", params={"begin_s": 1000, "end_s": 2000})
    assert answer.text.startswith('"time","vehicle","axle","speed"')
    assert answer.text.count("\n") == 1


def test_an_advisory_comes_with_checks_in_full(client: Client) -> None:
    listed = client.get("/api/1/advisories", params={"vehicle": "sy-2"}).json()
    advisory = client.get(f"/api/1/advisories/{listed[0]['id']}").json()
    assert advisory["checks"][0]["tool"] == "Height gauge or rule"
    assert advisory["checks"][0]["limit_text"] == "within 6 mm"
    assert advisory["cautions"][0].startswith("An air-suspended frame can drop")
    assert advisory["evidence"][0]["plot_axle"] == 2
    assert [one["action"] for one in advisory["changes"]] == ["raised"]


def test_intake_and_quarantine_are_told(client: Client) -> None:
    intake = client.get("/api/1/intake").json()
    row = next(one for one in intake["vehicles"] if one["vehicle"] == "sy-2")
    assert (row["committed_seq"], row["queued_frames"], row["link"]) == (42, 3, "online")
    assert (row["oldest_unsent_s"], row["cpu_share"], row["memory_bytes"]) == (31.0, 0.021, 61_000_000)
    assert (row["gateway_cel"], row["sources"][0]["state"]) == (52.5, "stale")
    quarantine = client.get("/api/1/quarantine").json()
    assert quarantine["total"] == 1
    entry = quarantine["entries"][0]
    assert (entry["reason"], entry["payload_hex"], entry["payload_text"]) == ("no seq", "7b 7d 0a", "{}.")


@pytest.mark.parametrize(
    ("address", "status", "what"),
    [
        ("/api/1/vehicles/sy-9", 404, "There is no vehicle 'sy-9' in fleet 'small-yard'."),
        ("/api/1/advisories/none", 404, "There is no advisory 'none'."),
        ("/api/1/vehicles/sy-1/trend?axle=2&channel=nonsense", 404, "There is no channel 'nonsense'."),
        ("/api/1/vehicles/sy-1/axles/7/orders", 404, "Vehicle 'sy-1' has no axle 7."),
        ("/api/1/vehicles/sy-1/trend?axle=2&channel=lube&points=1", 422, "Input should be greater than or equal to 2"),
        ("/api/1/vehicles/sy-1/readings.csv?begin_s=20&end_s=10", 422, "The stretch begins at 20 s and ends at 10 s."),
        ("/api/1/vehicles/sy-1/readings.csv?begin_s=0", 422, "days long."),
        ("/api/1/nowhere", 404, "Not Found."),
    ],
)
def test_an_error_says_what_where_and_how_to_mend(client: Client, address: str, status: int, what: str) -> None:
    answer = client.get(address)
    assert answer.status_code == status
    problem = answer.json()
    assert what in problem["what"]
    assert problem["where"] and problem["how_to_mend"]


def test_openapi_describes_each_route_with_units_and_examples(client: Client) -> None:
    document = client.get("/openapi.json").json()
    for path, methods in document["paths"].items():
        for operation in methods.values():
            assert operation.get("description"), path
    examples = document["paths"]["/api/1/advisories/{advisory}/{action}"]["post"]["requestBody"]["content"]
    assert "shelve_for_h" in examples["application/json"]["examples"]["shelve"]["value"]
    assert "how_to_mend" in document["components"]["schemas"]["Problem"]["properties"]


def test_answers_keep_the_schema_that_openapi_promises(client: Client) -> None:
    document = client.get("/openapi.json").json()
    for address, path in (("/api/1/fleet", "/api/1/fleet"), ("/api/1/intake", "/api/1/intake")):
        schema = document["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        jsonschema.validate(client.get(address).json(), schema | {"components": document["components"]})


def test_served_schemas_judge_real_messages(client: Client) -> None:
    names = client.get("/api/1/schemas").json()
    assert {"ack", "status", "command", "advisorymessage", "fleet"} <= set(names)
    schema = client.get("/api/1/schemas/ack.json").json()
    jsonschema.validate({"stream": "s1", "seq": 4}, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"stream": "s1", "seq": -4}, schema)


def _times() -> np.ndarray:
    time_s = np.arange(NOW_S - 7200.0, NOW_S + 1.0, 10.0)
    return time_s[(time_s < GAP_S[0]) | (time_s > GAP_S[1])]


@pytest.mark.parametrize(
    "address",
    [
        "/api/1/vehicles/sy-2/trend?channel=lube&axle=2&end_s=1e17",
        "/api/1/vehicles/sy-2/readings.csv?end_s=1e17",
        "/api/1/vehicles/sy-2/readings.parquet?end_s=1e17",
        f"/api/1/quarantine?before={10**30}",
        f"/api/1/quarantine?before={-(10**30)}",
    ],
)
def test_numbers_beyond_what_the_store_holds_are_refused_with_the_limit(client: Client, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 422
    assert "should be" in answer.json()["what"]
