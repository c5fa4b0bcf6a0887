"""Vibration signal processing against closed forms, conservation laws, scipy and numpy.fft."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import signal, stats

from axlewright_models.errors import FrameError, ModelError
from axlewright_models.vibration import angle, burst, descriptors, envelope, integration, severity, spectra

RATE = 6400.0
TIME = np.arange(6400) / RATE


@pytest.fixture
def rng():
    return np.random.default_rng(11)


class TestDescriptors:
    # Closed forms: crest factor and kurtosis of sine, triangle and square.
    PHASE = (np.arange(100_000) + 0.5) / 100_000
    SHAPES = (
        ("sine", np.sin(2 * np.pi * PHASE), np.sqrt(2), 1.5),
        ("triangle", signal.sawtooth(2 * np.pi * PHASE, 0.5), np.sqrt(3), 1.8),
        ("square", signal.square(2 * np.pi * PHASE), 1.0, 1.0),
    )

    @pytest.mark.parametrize(("name", "wave", "crest", "kurtosis"), SHAPES, ids=[shape[0] for shape in SHAPES])
    def test_simple_waves_have_their_known_crest_factor_and_kurtosis(self, name, wave, crest, kurtosis):
        assert_allclose(descriptors.crest_factor(wave), crest, rtol=1e-4)
        assert_allclose(descriptors.kurtosis(wave), kurtosis, rtol=1e-4)

    def test_kurtosis_agrees_with_scipy(self, rng):
        values = rng.gamma(2.0, size=(3, 5000))
        assert_allclose(descriptors.kurtosis(values), stats.kurtosis(values, axis=-1, fisher=False), rtol=1e-12)

    def test_gaussian_noise_has_kurtosis_three(self, rng):
        # Standard error of the estimate: sqrt(24 / n) = 0.0049; four of them.
        assert_allclose(descriptors.kurtosis(rng.standard_normal(1_000_000)), 3.0, atol=0.02)

    def test_gravity_is_not_vibration(self):
        assert_allclose(descriptors.rms(9.81 + np.sin(2 * np.pi * 50 * TIME)), np.sqrt(0.5), rtol=1e-12)

    def test_a_signal_that_does_not_move_has_no_shape(self):
        assert np.isnan(descriptors.crest_factor(np.ones(10)))
        assert np.isnan(descriptors.kurtosis(np.ones(10)))

    def test_spectral_kurtosis_is_nought_for_noise_and_minus_one_for_a_tone(self, rng):
        # Antoni 2006, from memory; the tone's value also follows from |c| being constant.
        noise = rng.standard_normal(400_000) + 1j * rng.standard_normal(400_000)
        assert_allclose(descriptors.complex_kurtosis(noise), 0.0, atol=4 * np.sqrt(4 / 400_000))
        assert_allclose(descriptors.complex_kurtosis(np.exp(2j * np.pi * 0.1 * np.arange(1000))), -1.0, atol=1e-12)


class TestSpectra:
    def test_window_is_scipys_periodic_hann(self):
        assert_allclose(spectra.hann(1024), signal.get_window("hann", 1024), atol=1e-15)

    def test_corrections_are_the_moments_of_the_window(self):
        window = spectra.hann(4096)
        assert_allclose([window.mean(), (window**2).mean()], [spectra.AMPLITUDE_GAIN, spectra.ENERGY_GAIN], rtol=1e-12)

    @pytest.mark.parametrize("frequency", [100.0, 100.25, 100.5, 100.77, 2999.99])
    def test_a_sine_of_one_reads_one_at_any_frequency_between_lines(self, frequency):
        wave = np.sin(2 * np.pi * frequency * TIME + 0.3)  # lines are 1 Hz apart
        place, amplitude = spectra.tone_near(spectra.hann_spectrum(wave, RATE), frequency, 3.0)
        # What remains is the mirror image at minus the frequency, below 1e-5 from 100 lines away.
        assert_allclose(amplitude, 1.0, rtol=2e-5)
        assert_allclose(place, frequency, atol=2e-5)
        assert_allclose(spectra.tone_at(wave, RATE, [frequency]), 1.0, rtol=2e-5)

    def test_the_nearest_line_alone_would_read_15_percent_low(self):
        wave = np.sin(2 * np.pi * 100.5 * TIME)
        # Hann scalloping loss: 8 / (3 pi) = 0.849.
        assert_allclose(spectra.hann_spectrum(wave, RATE).amplitude.max(), 8 / (3 * np.pi), rtol=1e-4)

    def test_lines_agree_with_numpy_fft(self, rng):
        values = rng.standard_normal(2000)
        window = spectra.hann(2000)
        centred = values - (values * window).sum() / window.sum()
        expected = np.abs(np.fft.fft(centred * window)[:1001]) * 2 / window.sum()
        assert_allclose(spectra.hann_spectrum(values, RATE).amplitude, expected, atol=1e-12)

    def test_band_rms_obeys_parseval(self, rng):
        # Conservation: for white noise the bins hold the signal's power; the window makes it a weighted mean of it.
        values = rng.standard_normal((4, 64_000))
        whole = spectra.band_rms(spectra.hann_spectrum(values, RATE), 0.0, RATE)
        window = spectra.hann(64_000)
        weighted = np.sqrt(((values * window) ** 2).sum(axis=-1) / (window**2).sum())
        assert_allclose(whole, weighted, rtol=2e-4)  # the mean taken off, 1 of 64,000 degrees of freedom
        assert_allclose(whole, 1.0, rtol=0.02)

    def test_band_rms_of_a_sine_is_its_amplitude_over_root_two(self):
        for frequency in (50.0, 50.5):
            lines = spectra.hann_spectrum(3 * np.sin(2 * np.pi * frequency * TIME), RATE)
            assert_allclose(spectra.band_rms(lines, 40.0, 60.0), 3 / np.sqrt(2), rtol=1e-3)

    def test_power_density_agrees_with_scipy_welch(self, rng):
        values = rng.standard_normal((2, 20_000)) + 5.0
        frequency, density = spectra.power_density(values, RATE, 1024)
        their_frequency, theirs = signal.welch(values, RATE, nperseg=1024)
        assert_allclose(frequency, their_frequency)
        assert_allclose(density, theirs, rtol=1e-9)

    @pytest.mark.parametrize(
        ("call", "text"),
        [
            (lambda: spectra.hann(3), "a Hann window needs 4 samples"),
            (lambda: spectra.hann_spectrum(np.zeros(8), 0.0), "rate is 0.0"),
            (lambda: spectra.power_density(np.zeros(8), RATE, 16), "at most the 8 samples given"),
            (
                lambda: spectra.tone_near(spectra.hann_spectrum(np.zeros(64), RATE), 9000.0, 1.0),
                "lies outside the spectrum, which ends at 3200",
            ),
        ],
    )
    def test_mistakes_are_named(self, call, text):
        with pytest.raises(ModelError, match=text):
            call()


class TestIntegration:
    def test_velocity_of_a_sine_is_the_closed_form(self):
        for frequency in (15.0, 200.0):
            omega = 2 * np.pi * frequency
            assert_allclose(
                integration.velocity(omega * np.cos(omega * TIME), RATE, 5.0), np.sin(omega * TIME), atol=1e-9
            )

    def test_velocity_of_noise_agrees_with_summation_in_time(self, rng):
        # Independent: the trapezoid rule, on noise between 30 and 400 Hz where it is exact to (w dt)^2 / 12 = 1.3 %.
        sections = signal.butter(4, [30, 400], "bandpass", fs=RATE, output="sos")
        noise = signal.sosfiltfilt(sections, rng.standard_normal(32_000))
        summed = np.cumsum((noise[1:] + noise[:-1]) / (2 * RATE))
        ours = integration.velocity(noise, RATE, 5.0)[1:]
        inner = slice(3000, -3000)
        difference = signal.detrend(summed[inner]) - ours[inner]
        assert difference.std() < 0.02 * ours.std()

    def test_drift_and_gravity_are_left_behind(self):
        drifting = 9.81 + 0.3 * TIME + np.cos(2 * np.pi * 100 * TIME)
        speed = integration.velocity(drifting, RATE, 10.0)[1000:-1000]
        assert np.abs(speed).max() < 1.2 / (2 * np.pi * 100)

    def test_velocity_rms_is_that_of_the_velocity(self, rng):
        wave = sum(np.cos(2 * np.pi * f * TIME) * f for f in (20.0, 90.0, 600.0))
        expected = integration.velocity(wave, RATE, 5.0).std()
        assert_allclose(integration.velocity_rms(wave, RATE, 10.0, 1000.0), expected, rtol=1e-9)
        alone = 90 / (2 * np.pi * 90) / np.sqrt(2)
        assert_allclose(integration.velocity_rms(wave, RATE, 50.0, 100.0), alone, rtol=1e-9)

    def test_a_lowest_frequency_of_nought_is_refused(self):
        with pytest.raises(ModelError, match="lowest_hz is 0"):
            integration.velocity(TIME, RATE, 0.0)


class TestAngle:
    def test_turns_from_a_linear_trace_are_its_integral(self):
        times = np.linspace(0, 10, 1001)
        assert_allclose(angle.turns_from_speed([20.0, 40.0], [0.0, 10.0], times), 20 * times + times**2, rtol=1e-12)

    def test_ends_of_a_trace_are_held(self):
        assert_allclose(angle.turns_from_speed([10.0], [5.0], [0.0, 2.0, 9.0]), [0.0, 20.0, 90.0])

    @pytest.mark.parametrize("per_turn", [1, 60])
    def test_turns_from_a_tacho_follow_a_sweep(self, per_turn):
        # phase = 20 t + t^2 solved for the pulse times.
        count = np.arange(0, 250 * per_turn + 1) / per_turn
        pulses = -10 + np.sqrt(100 + count)
        times = np.linspace(pulses[0], pulses[-1], 5000)
        turns = angle.turns_from_tacho(pulses, per_turn, times)
        # A cubic through a parabola is exact but for the slopes' second-order estimate.
        assert_allclose(turns, 20 * times + times**2, atol=2e-4 / per_turn)

    def test_interpolation_keeps_its_stated_error(self, rng):
        places = rng.uniform(3, 6390, 4000)
        for per_sample, error in ((0.05, 6e-6), (0.115, 8e-4), (0.2, 0.02)):
            wave = np.sin(2 * np.pi * per_sample * np.arange(6400))
            found = angle.interpolate(wave, places)
            assert np.abs(found - np.sin(2 * np.pi * per_sample * places)).max() < error

    def test_interpolation_is_exact_for_a_quintic(self):  # six points determine it
        at = np.arange(20.0) / 10
        quintic = np.polynomial.Polynomial([1, -2, 3, 0.5, -1, 0.7])
        places = np.array([0.0, 0.3, 4.5, 12.25, 18.9, 19.0])
        assert_allclose(angle.interpolate(quintic(at), places), quintic(places / 10), rtol=1e-11)

    def test_a_sweep_with_a_fixed_order_collapses_to_one_line(self):
        # 20 to 40 Hz in 10 s, order 4.3 of amplitude 2 with an order 1 of amplitude 1 beside it.
        times = np.arange(64_000) / RATE
        turns = angle.turns_from_speed([20.0, 40.0], [0.0, 10.0], times)
        wave = 2 * np.sin(2 * np.pi * 4.3 * turns) + np.sin(2 * np.pi * turns)
        orders = angle.order_spectrum(wave, RATE, turns, 10.0)
        place, amplitude = spectra.tone_near(orders, 4.3, 0.1)
        assert_allclose(place, 4.3, atol=1e-4)
        assert_allclose(amplitude, 2.0, rtol=2e-3)
        # Six bins away the side lobes of a Hann window have sunk below 0.2 % of the line.
        away = np.abs(orders.positions[:, np.newaxis] - [1.0, 4.3]).min(axis=1) > 6 * orders.spacing
        assert orders.amplitude[away].max() < 0.004
        # The same record over time smears the order over 86 Hz.
        assert spectra.hann_spectrum(wave, RATE).amplitude.max() < 0.3

    def test_orders_above_those_wanted_do_not_fold_down(self):
        times = np.arange(64_000) / RATE
        turns = angle.turns_from_speed([20.0, 40.0], [0.0, 10.0], times)
        wave = np.sin(2 * np.pi * 37.0 * turns)
        assert angle.order_spectrum(wave, RATE, turns, 10.0).amplitude.max() < 0.01

    def test_order_spectrum_keeps_the_records_apart(self, rng):
        values = rng.standard_normal((3, 12_800))
        turns = 25.0 * np.arange(12_800) / RATE
        together = angle.order_spectrum(values, RATE, turns, 20.0).lines
        alone = angle.order_spectrum(values[1], RATE, turns, 20.0).lines
        assert_allclose(together[1], alone, atol=1e-12)

    @pytest.mark.parametrize(
        ("call", "text"),
        [
            (lambda: angle.turns_from_tacho([0.0, 1.0], 1, [0.5]), "3 rising times or more"),
            (lambda: angle.turns_from_tacho([0.0, 1.0, 2.0], 1, [9.0]), "more than one pulse beyond"),
            (lambda: angle.turns_from_speed([1.0, -1.0], [0.0, 1.0], [0.5]), "negative or missing speed"),
            (lambda: angle.resample_to_turns(TIME, np.zeros(6400), 8), "where the shaft stood still"),
            (lambda: angle.resample_to_turns(TIME, TIME * 0.5, 8), "0.50 turns; an order needs"),
            (lambda: angle.order_spectrum(TIME, RATE, TIME * 30, 200.0), "ask for lower orders or sample faster"),
        ],
    )
    def test_mistakes_are_named(self, call, text):
        with pytest.raises(ModelError, match=text):
            call()


class TestEnvelope:
    def test_envelope_is_scipys_hilbert_envelope_of_the_band(self, rng):
        values = rng.standard_normal(6400)
        lines = np.fft.rfft(values)
        found, rate = envelope.complex_envelope(lines, 6400, RATE, 1600.0, 3200.0, padding=4)
        assert rate == RATE
        banded = np.fft.irfft(np.where((np.arange(3201) >= 1600) & (np.arange(3201) < 3200), lines, 0), 6400)
        assert_allclose(np.abs(found), np.abs(signal.hilbert(banded)), atol=1e-9)

    def test_modulation_reads_its_closed_form(self):
        # (1 + 0.5 cos) squared: a line of 2 x 0.5 at the modulation, 0.5^2 / 2 at twice, times the carrier's 1.
        wave = (1 + 0.5 * np.cos(2 * np.pi * 37 * TIME)) * np.sin(2 * np.pi * 2000 * TIME)
        found = envelope.squared_envelope_spectrum(wave, RATE, 1600.0, 2400.0)
        assert_allclose(found.amplitude[[37, 74]], [1.0, 0.125], rtol=1e-6)
        assert found.amplitude[100:].max() < 1e-6

    def test_bands_tile_the_range_at_every_level(self):
        bands = envelope.candidate_bands(RATE, 250.0)
        widths = sorted({round(high - low, 6) for low, high in bands}, reverse=True)
        assert_allclose(widths, 3200 / np.array([1, 2, 3, 4, 6, 8, 12]), rtol=1e-6)
        for width in widths:
            level = [band for band in bands if abs(band[1] - band[0] - width) < 1e-3]
            assert_allclose(sum(high - low for low, high in level), 3200.0)

    def test_the_band_of_the_ringing_is_found(self, rng):
        # Impacts at 61 Hz ring at 2450 Hz; a strong tone at 300 Hz and a pothole are there to mislead.
        wave = rng.standard_normal(64_000) + 5 * np.sin(2 * np.pi * 300 * np.arange(64_000) / RATE)
        for hit in range(40, 63_500, 105):
            ring = np.arange(200) / RATE
            wave[hit : hit + 200] += 6 * np.exp(-600 * ring) * np.sin(2 * np.pi * 2450 * ring)
        wave[30_000:30_300] += 80 * np.exp(-np.arange(300) / 60) * np.sin(2 * np.pi * 900 * np.arange(300) / RATE)
        best = envelope.best_band(envelope.kurtogram(wave, RATE, envelope.candidate_bands(RATE, 400.0))[0])
        assert best.low_hz <= 2450 <= best.high_hz
        assert best.low_hz >= 1500
        assert best.score > 20

    def test_noise_scores_no_band(self, rng):
        bands = envelope.candidate_bands(RATE, 200.0)
        scores = [
            envelope.best_band(row).score for row in envelope.kurtogram(rng.standard_normal((8, 64_000)), RATE, bands)
        ]
        # The best of some forty correlated bands; four standard deviations would be one in several hundred.
        assert max(scores) < 4.5

    def test_a_band_too_narrow_for_the_record_is_named(self):
        with pytest.raises(ModelError, match="holds 5 bins of the record; 8 are needed"):
            envelope.complex_envelope(np.zeros(3201, complex), 6400, RATE, 100.0, 105.0)


class TestBurst:
    @pytest.mark.parametrize("error", [1e-3, 0.01, 0.1])
    def test_every_sample_is_within_the_stated_error(self, rng, error):
        wave = rng.standard_normal((3, 6400)) * [[1.0], [10.0], [200.0]]
        small = burst.compress(wave, RATE, error)
        back = burst.decompress(small)
        assert back.shape == wave.shape
        worst = np.abs(back - wave).max(axis=1)
        assert np.all(worst <= np.array(small.error) * (1 + 1e-9))
        # The stated error is the one asked for, unless 16 bits cannot hold the channel so finely.
        assert_allclose(small.error, np.maximum(error, np.abs(wave).max(axis=1) / 65_534), rtol=1e-12)

    def test_a_smooth_signal_shrinks_well(self):
        wave = np.sin(2 * np.pi * 40 * TIME) * 5
        small = burst.compress([wave], RATE, 0.005)
        assert len(small.data) < 0.35 * 2 * wave.size

    def test_extremes_survive_the_differences(self):
        wave = np.array([[-1.0, 1.0, -1.0, 1.0]])
        assert_allclose(burst.decompress(burst.compress(wave, RATE, 1e-9)), wave, atol=2e-5)

    def test_pieces_join_to_the_data(self):
        data = bytes(range(256)) * 200
        cut = burst.pieces(data)
        assert max(map(len, cut)) <= 16 * 1024
        assert b"".join(cut) == data

    def test_silence_is_kept(self):
        assert_array_equal(burst.decompress(burst.compress(np.zeros((2, 50)), RATE, 0.01)), np.zeros((2, 50)))

    def test_a_lost_piece_is_noticed(self, rng):
        small = burst.compress(rng.standard_normal((1, 6400)), RATE, 1e-3)
        torn = burst.Burst(small.channels, small.samples, small.rate_hz, small.steps, small.data[:-900])
        with pytest.raises(FrameError, match="a piece is missing"):
            burst.decompress(torn)

    def test_nonsense_is_a_frame_error(self):
        with pytest.raises(FrameError, match="cannot be inflated"):
            burst.decompress(burst.Burst(1, 4, RATE, (1.0,), b"nonsense"))

    @pytest.mark.parametrize(
        ("samples", "error", "text"),
        [
            ([[1.0, np.nan]], 0.1, "missing or infinite"),
            ([[1.0]], 0.0, "rounding cannot be exact"),
            ([[]], 0.1, "shape"),
        ],
    )
    def test_mistakes_are_named(self, samples, error, text):
        with pytest.raises(ModelError, match=text):
            burst.compress(samples, RATE, error)


class TestSeverity:
    # As one public calculator page gives the annex of ISO 10816-1; the standard itself was not read.
    @pytest.mark.parametrize(
        ("machine_class", "ends"),
        [("I", (0.71, 1.8, 4.5)), ("II", (1.12, 2.8, 7.1)), ("III", (1.8, 4.5, 11.2)), ("IV", (2.8, 7.1, 18.0))],
    )
    def test_zones_change_at_the_boundaries(self, machine_class, ends):
        for below, above, end in zip("ABC", "BCD", ends, strict=True):
            assert severity.zone(end - 0.001, machine_class) == below
            assert severity.zone(end, machine_class) == above

    @pytest.mark.parametrize(
        ("arguments", "text"), [((1.0, "V"), "use one of I, II, III, IV"), ((np.nan,), "velocity_mm_s is nan")]
    )
    def test_mistakes_are_named(self, arguments, text):
        with pytest.raises(ModelError, match=text):
            severity.zone(*arguments)
