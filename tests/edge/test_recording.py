"""Files of raw samples: read in every form, handed out as pieces, and windowed like anything else."""

import struct
import wave

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from axlewright_edge.clock import ManualClock
from axlewright_edge.errors import SourceError
from axlewright_edge.features import waveform_features
from axlewright_edge.sources.recording import RecordingSource
from axlewright_edge.sources.recording_settings import RecordingSettings, WaveformForm
from axlewright_edge.sources.waveform_form import read_recording
from axlewright_edge.sources.window_maker import WindowMaker
from axlewright_models.spec import VehicleSpec

RATE = 1600.0
SIZE = 16_000
TIME = np.arange(SIZE) / RATE
TURNS = 20.0 * TIME + 0.3 * TIME**2
VEHICLE = VehicleSpec(id="t-1", type="tractor")


@pytest.fixture
def samples():
    return 2.0 * np.sin(4.0 * np.pi * TURNS) + 0.3 * np.random.default_rng(1).standard_normal(SIZE)


def write_wav(path, columns, width):
    with wave.open(str(path), "wb") as file:
        file.setnchannels(len(columns))
        file.setsampwidth(width)
        file.setframerate(int(RATE))
        counts = np.rint(np.stack(columns, axis=1) * (2 ** (8 * width - 1) - 1)).astype("<i4")
        file.writeframes(counts.view(np.uint8).reshape(-1, 4)[:, :width].tobytes())


class TestFiles:
    @pytest.mark.parametrize("width", [2, 3, 4])
    def test_wav_of_every_width(self, tmp_path, samples, width):
        write_wav(tmp_path / "a.wav", [samples / 4.0, 0.5 * samples / 4.0], width)
        found = read_recording(tmp_path / "a.wav", WaveformForm(scale_m_s2=4.0))
        assert (found.rate_hz, found.sensors, found.full_scale) == (RATE, ("1", "2"), 4.0)
        assert_allclose(found.samples[0], samples, atol=1.6 * 4.0 / 2 ** (8 * width - 1) + 1e-6)

    def test_wav_of_floats(self, tmp_path, samples):
        data = samples.astype("<f4").tobytes()
        form = struct.pack("<4sIHHIIHH", b"fmt ", 16, 3, 1, int(RATE), int(RATE) * 4, 4, 32)
        body = b"WAVE" + form + struct.pack("<4sI", b"data", len(data)) + data
        (tmp_path / "a.wav").write_bytes(struct.pack("<4sI", b"RIFF", len(body)) + body)
        assert_array_equal(read_recording(tmp_path / "a.wav", WaveformForm()).samples[0], samples.astype(np.float32))

    def test_csv_with_names_time_and_a_lost_sample(self, tmp_path, samples):
        rows = [f"{t:.6f},{x:.6f},{n:.6f}" for t, x, n in zip(TIME, samples, TURNS, strict=True)]
        del rows[100]
        rows[200] = rows[200].split(",")[0] + ",,"
        (tmp_path / "a.csv").write_text("\n".join(["time_s,acceleration,turns", *rows]), encoding="utf-8")
        found = read_recording(tmp_path / "a.csv", WaveformForm(turns="turns"))
        assert found.rate_hz == pytest.approx(RATE, rel=1e-6)
        assert np.flatnonzero(np.isnan(found.samples[0])).tolist() == [100, 201]
        assert_allclose(found.turns, TURNS, atol=1e-3)

    def test_npy_either_way_round_mat_and_parquet(self, tmp_path, samples):
        from scipy.io import savemat

        pyarrow = pytest.importorskip("pyarrow")
        from pyarrow import parquet

        table = np.stack([samples, TURNS])
        np.save(tmp_path / "a.npy", table)
        np.save(tmp_path / "b.npy", table.T)
        savemat(tmp_path / "c.mat", {"acceleration": samples, "turns": TURNS, "note": "x"})
        parquet.write_table(pyarrow.table({"acceleration": samples, "turns": TURNS}), tmp_path / "d.parquet")
        for name, turns in (("a.npy", 2), ("b.npy", 2), ("c.mat", "turns"), ("d.parquet", "turns")):
            found = read_recording(tmp_path / name, WaveformForm(rate_hz=RATE, turns=turns))
            assert_array_equal(found.samples, samples.astype(np.float32)[np.newaxis], err_msg=name)
            assert_array_equal(found.turns, TURNS)

    @pytest.mark.parametrize("per_turn", [1, 4])
    def test_tacho_pulses_tell_the_turns(self, tmp_path, samples, per_turn):
        noise = 0.05 * np.random.default_rng(2).standard_normal(SIZE)
        pulses = 5.0 * (np.mod(TURNS * per_turn, 1.0) < 0.5) + noise
        np.save(tmp_path / "a.npy", np.stack([samples, pulses]))
        form = WaveformForm(rate_hz=RATE, tacho=2, pulses_per_turn=per_turn)
        found = read_recording(tmp_path / "a.npy", form).turns
        # An edge lies anywhere within one sample of 1/1600 s: 0.014 turns at 23 a second.
        assert_allclose(found - found[8000], TURNS - TURNS[8000], atol=0.03)

    @pytest.mark.parametrize(
        ("text", "form", "message"),
        [
            ("acceleration\n1\n2\n", {}, "does not say its rate; give rate_hz"),
            ("acceleration\n1\nx\n", {"rate_hz": 10.0}, "a.csv:3: could not convert"),
            ("acceleration,b\n1,2\n3\n", {"rate_hz": 10.0}, "a.csv:3: has 1 cells, line 1 has 2"),
            ("a,b\n1,2\n3,4\n", {"rate_hz": 10.0}, "which columns are accelerometers"),
            ("acceleration\n1\n2\n", {"rate_hz": 10.0, "tacho": "pulse"}, "has no column 'pulse'"),
            ("acceleration\n1\n2\n", {"rate_hz": 10.0, "channels": (3,)}, "has no column 3; it has 1"),
            ("time_s,acceleration\n0,1\n1,2\n1,3\n", {}, "must rise from row to row"),
            ("time_s,acceleration\n0,1\n1,2\n2,3\n3.5,4\n4.5,4\n", {"rate_hz": 1.0}, "not evenly spaced at 1 Hz"),
            ("acceleration\n1\n", {"rate_hz": 10.0}, "fewer than 2 samples"),
        ],
    )
    def test_a_wrong_table_is_refused_with_place_and_remedy(self, tmp_path, text, form, message):
        (tmp_path / "a.csv").write_text(text, encoding="utf-8")
        with pytest.raises(SourceError, match=message):
            read_recording(tmp_path / "a.csv", WaveformForm(**form))

    @pytest.mark.parametrize(
        ("name", "data"), [("a.wav", b"RIFF"), ("a.npy", b"x"), ("a.mat", b"x"), ("a.parquet", b"x")]
    )
    def test_a_damaged_file_is_refused(self, tmp_path, name, data):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(SourceError, match=name):
            read_recording(tmp_path / name, WaveformForm(rate_hz=10.0))

    def test_a_wav_cut_off_while_it_was_written_gives_what_is_there(self, tmp_path, samples):
        write_wav(tmp_path / "a.wav", [samples / 4.0], 2)
        data = (tmp_path / "a.wav").read_bytes()
        (tmp_path / "a.wav").write_bytes(data[: len(data) // 2])
        assert read_recording(tmp_path / "a.wav", WaveformForm()).samples.shape[1] == pytest.approx(SIZE / 2, abs=40)


def gathered(source, clock, step_s=0.25):
    blocks = []
    source.open()
    while not source.finished:
        blocks.append(source.read(0.0))
        clock.advance(step_s)
    return blocks


class TestSource:
    def settings(self, tmp_path, samples, **others):
        np.save(tmp_path / "a.npy", np.stack([samples, TURNS]))
        return RecordingSettings(file=str(tmp_path / "a.npy"), axle=2, rate_hz=RATE, turns=2, **others)

    def test_all_samples_come_once_in_order_at_their_time(self, tmp_path, samples):
        clock = ManualClock(1.8e9)
        source = RecordingSource(self.settings(tmp_path, samples), clock, lambda seconds: None)
        blocks = gathered(source, clock)
        pieces = [piece for block in blocks for piece in block.pieces if piece.quantity == "acceleration"]
        assert_array_equal(np.concatenate([piece.samples for piece in pieces]), samples.astype(np.float32))
        begins = np.array([piece.elapsed_s for piece in pieces]) - pieces[0].elapsed_s
        assert_allclose(begins, 0.25 * np.arange(40))
        assert source.health().note == "10 of 10 s"

    def test_nothing_comes_before_it_is_due(self, tmp_path, samples):
        clock = ManualClock(1.8e9)
        source = RecordingSource(self.settings(tmp_path, samples, speed=2.0), clock, lambda seconds: None)
        source.open()
        assert not source.read(0.0).pieces
        clock.advance(0.13)
        assert source.read(0.0).pieces
        assert not source.read(0.0).pieces

    def test_a_repeated_one_goes_on_without_a_gap(self, tmp_path, samples):
        clock = ManualClock(1.8e9)
        source = RecordingSource(self.settings(tmp_path, samples, speed=0.0, repeat=True), clock, lambda seconds: None)
        source.open()
        begins = [source.read(0.0).pieces[0].elapsed_s for _ in range(90)]
        assert_allclose(np.diff(begins), 0.25)
        assert not source.finished

    def test_speeds_are_told_as_values(self, tmp_path, samples):
        clock = ManualClock(1.8e9)
        np.save(tmp_path / "a.npy", samples)
        settings = RecordingSettings(file=str(tmp_path / "a.npy"), axle=2, rate_hz=RATE, road_speed=80.0, speed=0.0)
        values = [value for block in gathered(RecordingSource(settings, clock), clock) for value in block.values]
        assert {(value.axle, value.channel, value.value) for value in values} == {(0, "speed", 80.0)}
        assert values[-1].elapsed_s - values[0].elapsed_s == pytest.approx(10.0, abs=0.01)

    def test_a_window_of_it_has_the_channels_of_the_samples(self, tmp_path, samples):
        clock = ManualClock(1.8e9)
        source = RecordingSource(self.settings(tmp_path, samples, speed=0.0), clock)
        maker = WindowMaker(VEHICLE, {}, {})
        blocks = gathered(source, clock, step_s=0.0)
        for block in blocks:
            maker.add(0, block)
        begin_s = blocks[0].pieces[0].elapsed_s
        (waveform,) = maker.make(begin_s, begin_s + 10.0).waveforms
        assert_array_equal(waveform.samples[0], samples.astype(np.float32))
        assert_array_equal(waveform.turns, TURNS)
        channels = waveform_features(waveform, VEHICLE)
        assert channels["vib/order/driveshaft-2"] == pytest.approx(2.0, rel=0.02)

    def test_slower_than_life_is_refused(self, tmp_path, samples):
        with pytest.raises(SourceError, match=r"recording.speed: is 0.5, slower than life; use 1, or 0"):
            RecordingSource(self.settings(tmp_path, samples, speed=0.5), ManualClock(1.8e9))

    def test_a_missing_file_is_told(self, tmp_path):
        settings = RecordingSettings(file=str(tmp_path / "none.wav"), axle=2)
        with pytest.raises(SourceError, match=r"none.wav: is no file"):
            RecordingSource(settings, ManualClock(1.8e9)).open()
