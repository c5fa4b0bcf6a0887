"""A thousand malformed payloads between good ones: the good are stored, the bad are kept aside with a reason."""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import pytest

from house import Mosquitto, OfficeProcess, wait_for
from bad_frames import good_records, make, to_cbor

pytestmark = pytest.mark.acceptance

FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
[vehicles.t-2]
type = "tractor"
[vehicles.t-3]
type = "tractor"
"""
BAD = 1000
SEED = 20
"""The seed of sizes and noise."""


@pytest.mark.parametrize("broker", ["embedded", "mosquitto"])
def test_a_thousand_malformed_payloads_hurt_nobody(tmp_path: Path, broker: str) -> None:
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(FLEET, encoding="utf-8")
    mosquitto = Mosquitto(tmp_path) if broker == "mosquitto" else None
    if mosquitto:
        mosquitto.start()
    office = OfficeProcess(tmp_path, fleet, mosquitto)
    office.start()
    acks: dict[str, int] = {}
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.max_inflight_messages_set(20)
    client.max_queued_messages_set(0)

    def on_message(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        ack = json.loads(message.payload)
        acks[ack["stream"]] = max(acks.get(ack["stream"], 0), ack["seq"])

    client.on_message = on_message
    client.connect("127.0.0.1", office.broker_port)
    client.subscribe("axlewright/1/+/+/ack", 1)
    client.loop_start()
    try:
        rng = np.random.default_rng(SEED)
        begin_s = time.time() - 3600.0
        legible = set()
        sent = []
        for number in range(BAD):
            bad = make(number, f"bad-{number}", 1, begin_s, rng)
            sent.append(bad)
            if bad.takes_seq:
                legible.add(f"bad-{number}")
            client.publish(bad.topic, bad.payload, qos=1)
            seq = number // 2 + 1
            if number % 2 == 0:
                good = good_records("t-2", "good", seq, begin_s + seq)
                client.publish("axlewright/1/yard/t-2/readings", to_cbor(good), qos=1).wait_for_publish(30)
        wait_for("ack of the last good frame", lambda: acks.get("good") == BAD // 2, 60)
        wait_for("ack of every bad frame whose seq can be read", lambda: legible <= set(acks), 60)
        with office.store() as store:

            def quarantined() -> int:
                return int(store.execute("select count(*) from quarantine").fetchone()[0])

            wait_for("every bad payload in quarantine", lambda: quarantined() == BAD, 30)
            reasons = store.execute("select reason, kind, topic from quarantine").fetchall()
            rows = store.execute(
                "select count(*) from reading join axle on axle.id = axle_id where vehicle = 't-2' and position = 2"
            ).fetchone()[0]
            blocks = store.execute(
                "select coalesce(sum(n), 0) from block join axle on axle.id = axle_id"
                " where vehicle = 't-2' and position = 2"
            ).fetchone()[0]
            strangers = store.execute(
                "select count(*) from axle where vehicle not in ('t-1', 't-2', 't-3')"
            ).fetchone()[0]
        assert rows + blocks == BAD // 2
        assert strangers == 0
        assert all(len(reason) > 10 for reason, _, _ in reasons)
        assert len({reason for reason, _, _ in reasons}) > 15, "reasons tell the kinds apart"
        unreadable = {f"bad-{k}" for k, bad in enumerate(sent) if not bad.takes_seq}
        assert not unreadable & set(acks), "a frame that could not be read was acknowledged"
        assert office.running
        assert office.get("/healthz")
    finally:
        client.loop_stop()
        office.stop()
        if mosquitto:
            mosquitto.stop()
