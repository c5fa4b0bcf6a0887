"""Raw waveforms in the office: joined from pieces in any order, bounded, listed, handed out, asked for."""

import io
import time

import msgspec
import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.server.api_client import client_of
from tests.server.small_office import NOW_S, small_office

from axlewright_models.wire.bursts import Waveforms, pieces_of
from axlewright_models.wire.messages import Command, Status, decode_message, encode_burst_piece, encode_message
from axlewright_models.wire.topics import Topic, TopicKind
from axlewright_server.ingest import Message
from axlewright_server.intake import Intake, Taken
from axlewright_server.store import Store, bursts, records

RATE = 1600.0
FLEET, VEHICLE = "small-yard", "sy-2"


def made(command="burst-1", seconds=4.0, axle=2):
    size = round(seconds * RATE)
    time = np.arange(size) / RATE
    wave = np.sin(2 * np.pi * 50.0 * time) + 0.1 * np.random.default_rng(1).standard_normal(size)
    return Waveforms(
        command, axle, NOW_S - seconds, RATE, ("pinion", "cage"), np.stack([wave, 0.5 * wave]), (0.0, 100.0)
    )


def messages(waveforms, vehicle=VEHICLE, item=None):
    topic = Topic(FLEET, vehicle, TopicKind.BURST, item or waveforms.command).text
    return [Message(topic, encode_burst_piece(piece), NOW_S) for piece in pieces_of(waveforms)]


def take(store, found):
    """Judge messages and write them, as the pipeline does."""
    intake, taken = Intake(FLEET, {"sy-1", "sy-2"}), Taken()
    for message in found:
        intake.take(message, NOW_S, taken)
    with store.transaction():
        taken.quarantined += bursts.write_pieces(store, taken.bursts)
    return taken


def listed(store, vehicle=VEHICLE):
    with store.reader() as reader:
        return bursts.bursts(reader, vehicle)


@pytest.fixture
def store(tmp_path):
    opened = Store(tmp_path)
    yield opened
    opened.close()


class TestStore:
    def test_pieces_in_any_order_and_twice_make_one_burst(self, store):
        found = messages(made(seconds=8.0))
        assert len(found) > 2
        take(store, [found[1], found[1], found[-1]])
        assert [(one.complete, one.got) for one in listed(store)] == [(False, 2)]
        take(store, [*reversed(found), *found])
        (one,) = listed(store)
        assert (one.complete, one.seconds, one.sensors, one.position) == (True, 8.0, ("pinion", "cage"), 2)
        with store.reader() as reader:
            assert_allclose(bursts.waveforms(reader, VEHICLE, "burst-1").samples, made(seconds=8.0).samples, atol=0.003)

    def test_the_small_picture_shows_the_line(self, store):
        take(store, messages(made()))
        picture = listed(store)[0].picture
        assert abs(picture["hz"][int(np.argmax(picture["level"]))] - 50.0) < 2.0
        assert len(picture["hz"]) <= bursts.PICTURE_POINTS

    @pytest.mark.parametrize(
        ("change", "reason"),
        [
            (lambda payload: b"\xff", "not a valid BurstPiece"),
            (lambda payload: payload[:-40], "not a valid BurstPiece"),
        ],
    )
    def test_what_is_no_piece_goes_to_quarantine(self, store, change, reason):
        first = messages(made())[0]
        taken = take(store, [first._replace(payload=change(first.payload))])
        assert [(one.kind, reason in one.reason) for one in taken.quarantined] == [("burst", True)]
        assert listed(store) == []

    def test_a_piece_under_anothers_name_goes_to_quarantine(self, store):
        taken = take(store, messages(made(), item="burst-9"))
        assert {one.kind for one in taken.quarantined} == {"burst"}
        assert "belongs to burst 'burst-1', its topic names 'burst-9'" in taken.quarantined[0].reason

    def test_pieces_that_do_not_fit_together_are_dropped_with_a_reason(self, store):
        pieces = pieces_of(made())
        pieces[-1] = msgspec.structs.replace(pieces[-1], data=b"nonsense")
        topic = Topic(FLEET, VEHICLE, TopicKind.BURST, "burst-1").text
        taken = take(store, [Message(topic, encode_burst_piece(piece), NOW_S) for piece in pieces])
        assert len(taken.quarantined) == 1
        assert "all its pieces are dropped" in taken.quarantined[0].reason
        assert listed(store) == []

    def test_a_burst_of_another_length_under_the_same_name_is_refused(self, store):
        take(store, messages(made(seconds=8.0))[:1])
        taken = take(store, messages(made(seconds=30.0))[1:2])
        assert "an earlier one of the same burst" in taken.quarantined[0].reason

    def test_the_oldest_go_when_there_are_too_many(self, store):
        for number in range(bursts.MOST_KEPT + 5):
            found = [message._replace(arrived_s=NOW_S + number) for message in messages(made(f"burst-{number}", 1.0))]
            intake, taken = Intake(FLEET, {VEHICLE}), Taken()
            for message in found:
                intake.take(message, NOW_S + number, taken)
            with store.transaction():
                bursts.write_pieces(store, taken.bursts)
        kept = [one.command for one in listed(store)]
        assert kept == [f"burst-{number}" for number in range(bursts.MOST_KEPT + 4, 4, -1)]
        assert listed(store, "sy-1") == []

    def test_a_trucks_answer_stands_with_what_was_asked(self, store):
        status = Status(online=True, version="1", stream="s", queued=0, clock="set", time_s=NOW_S,
                        note="command burst-7: refused, axle 3 has no accelerometer")  # fmt: skip
        with store.transaction():
            bursts.ask(store, VEHICLE, "burst-7", 3, 10.0, "m.fitter", round(NOW_S * 1000))
            bursts.note_answers(store, [records.TruckStatus(VEHICLE, 0, status)])
        (one,) = listed(store)
        assert (one.who, one.answer, one.complete) == ("m.fitter", "refused, axle 3 has no accelerometer", False)

    def test_several_answers_of_one_truck_in_one_batch_are_all_kept(self, store):
        intake, taken = Intake(FLEET, {VEHICLE}), Taken()
        for name in ("burst-7", "burst-8"):
            status = Status(online=True, version="1", stream="s", queued=0, clock="set", time_s=NOW_S,
                            note=f"command {name}: refused, no room")  # fmt: skip
            topic = Topic(FLEET, VEHICLE, TopicKind.STATUS).text
            intake.take(Message(topic, encode_message(status), NOW_S), NOW_S, taken)
        with store.transaction():
            for name in ("burst-7", "burst-8"):
                bursts.ask(store, VEHICLE, name, 2, 10.0, "m.fitter", round(NOW_S * 1000))
            bursts.note_answers(store, taken.statuses)
            records.write_statuses(store, taken.statuses)
        assert [one.answer for one in listed(store)] == ["refused, no room"] * 2
        with store.reader() as reader:
            assert records.statuses(reader)[VEHICLE].status.note == "command burst-8: refused, no room"


@pytest.fixture
def office(tmp_path):
    with small_office(tmp_path) as running:
        yield running


@pytest.fixture
def client(office):
    with client_of(office) as found:
        yield found


@pytest.fixture
def sent(office, monkeypatch):
    """Commands that the office sent; there is no broker here."""
    found = []
    monkeypatch.setattr(
        office.ingest, "publish", lambda topic, payload, retain=False: found.append((topic, payload)) or 1
    )
    return found


class TestInterface:
    def test_a_burst_is_listed_and_handed_out_in_every_form(self, office, client):
        office.pipeline.request(lambda writer: bursts.write_pieces(writer.store, arrived(made()))).result(10)
        (one,) = client.get(f"/api/1/vehicles/{VEHICLE}/bursts").json()
        assert (one["state"], one["axle"], one["seconds"], one["rate_hz"]) == ("here", 2, 4.0, RATE)
        address = f"/api/1/vehicles/{VEHICLE}/bursts/burst-1"
        array = np.load(io.BytesIO(client.get(address).content))
        assert_allclose(array[:2], made().samples, atol=0.003)
        assert_allclose(array[2], np.linspace(0.0, 100.0, 6400))
        text = client.get(address, params={"form": "csv"}).text.splitlines()
        assert (text[0], len(text)) == ("time_s,acceleration/1,acceleration/2,turns", 6401)
        wav = client.get(address, params={"form": "wav"})
        assert wav.content[:4] == b"RIFF"
        assert f"{VEHICLE}_axle2_burst-1_1600Hz.wav" in wav.headers["content-disposition"]

    def test_asking_sends_the_command_and_the_list_shows_it(self, client, sent):
        wanted = {"axle": 2, "seconds": 5.0, "who": "m.fitter"}
        answer = client.post(f"/api/1/vehicles/{VEHICLE}/bursts", json=wanted)
        assert (answer.status_code, answer.json()["state"]) == (202, "asked")
        ((topic, payload),) = sent
        command = decode_message(payload, Command)
        assert topic == f"axlewright/1/{FLEET}/{VEHICLE}/command"
        assert (command.action, command.axle, command.seconds) == ("capture-burst", 2, 5.0)
        assert command.expires_s == pytest.approx(NOW_S + 120.0, abs=60.0)
        (one,) = client.get(f"/api/1/vehicles/{VEHICLE}/bursts").json()
        assert (one["id"], one["who"]) == (command.id, "m.fitter")

    @pytest.mark.parametrize(
        ("wanted", "status", "what"),
        [
            ({"axle": 2}, 422, "An action takes a name"),
            ({"axle": 2, "seconds": 600.0, "who": "x"}, 422, "seconds"),
            ({"axle": 0, "who": "x"}, 422, "axle"),
        ],
    )
    def test_a_wrong_request_is_refused(self, client, sent, wanted, status, what):
        answer = client.post(f"/api/1/vehicles/{VEHICLE}/bursts", json=wanted)
        assert answer.status_code == status
        assert what in answer.text
        assert sent == []

    def test_without_a_broker_it_says_so(self, client):
        answer = client.post(f"/api/1/vehicles/{VEHICLE}/bursts", json={"axle": 2, "who": "x"})
        assert (answer.status_code, "no connection" in answer.text) == (503, True)

    def test_one_that_is_not_here_cannot_be_had(self, client):
        assert client.get(f"/api/1/vehicles/{VEHICLE}/bursts/burst-77").status_code == 404

    def test_where_accounts_exist_nobody_asks_without_one(self, tmp_path):
        with small_office(tmp_path, account=("m.fitter", "long-enough-secret")) as office:
            with client_of(office) as found:
                answer = found.post(f"/api/1/vehicles/{VEHICLE}/bursts", json={"axle": 2, "who": "x"})
            assert answer.status_code == 401


class TestSheet:
    def test_a_trucks_sheet_lists_its_bursts_with_a_small_spectrum(self, office, client):
        office.pipeline.request(lambda writer: bursts.write_pieces(writer.store, arrived(made()))).result(10)
        text = client.get(f"/trucks/{VEHICLE}").text
        assert 'class="burst-spectrum"' in text and "<polyline" in text
        assert f"/api/1/vehicles/{VEHICLE}/bursts/burst-1?form=wav" in text

    def test_the_button_asks_the_truck_and_shows_that_it_was_asked(self, client, sent):
        answer = client.post(f"/trucks/{VEHICLE}/bursts", data={"axle": 2, "seconds": 5, "who": "m.fitter"})
        assert answer.url.path == f"/trucks/{VEHICLE}"
        assert "asked, the truck has not answered yet" in answer.text
        assert "asked for by m.fitter" in answer.text
        assert len(sent) == 1

    def test_a_name_is_needed(self, client, sent):
        answer = client.post(f"/trucks/{VEHICLE}/bursts", data={"axle": 2}, headers={"accept": "text/html"})
        assert (answer.status_code, sent) == (422, [])

    def test_what_a_truck_says_is_text_and_no_markup(self, office, client):
        pieces = [msgspec.structs.replace(piece, reason="<script>x</script>") for piece in pieces_of(made())]
        topic = Topic(FLEET, VEHICLE, TopicKind.BURST, "burst-1").text
        taken = Taken()
        for piece in pieces:
            Intake(FLEET, {VEHICLE}).take(Message(topic, encode_burst_piece(piece), NOW_S), NOW_S, taken)
        office.pipeline.request(lambda writer: bursts.write_pieces(writer.store, taken.bursts)).result(10)
        text = client.get(f"/trucks/{VEHICLE}").text
        assert "<script>x" not in text and "&lt;script&gt;x" in text


def arrived(waveforms):
    taken = Taken()
    intake = Intake(FLEET, {VEHICLE})
    for message in messages(waveforms):
        intake.take(message, NOW_S, taken)
    return taken.bursts


def test_the_pipeline_keeps_bursts_beside_readings(office):
    for message in messages(made()):
        office.pipeline._inbox.put(message)
    for _ in range(200):
        found = listed(office.store)
        if found and found[0].complete:
            break
        time.sleep(0.05)
    assert [one.complete for one in listed(office.store)] == [True]
