"""Loudness and true peak against EBU Tech 3341's signals, pyloudnorm, FFmpeg's ebur128 and SciPy's resampling."""

from __future__ import annotations

from pathlib import Path

import av
import av.filter
import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray
from scipy.signal import resample

from clerestory.film.loudness import RATE, measured
from clerestory.film.model import Film, Shot
from clerestory.film.sound import Clip, Mix, Recording, cut_take, finish_sound, read_sound, spoken

Sound = NDArray[np.float64]


def tone(level: float, seconds: float, hertz: float = 1000.0, phase: float = 0.0, full: float | None = None) -> Sound:
    """A stereo sine whose peak is `level` dBFS (or `full`)."""
    t = np.arange(round(seconds * RATE)) / RATE
    wave = (full if full is not None else 10 ** (level / 20)) * np.sin(2 * np.pi * hertz * t + np.radians(phase))
    return np.stack([wave, wave])


def lots(sound: NDArray[np.floating], size: int = 70001) -> list[NDArray[np.floating]]:
    return [sound[:, a : a + size] for a in range(0, sound.shape[1], size)]


# EBU Tech 3341 (2016), table 1, cases 1 to 5: levels and seconds in order; from memory.
CASES = {
    1: ([(-23, 20)], -23.0),
    2: ([(-33, 20)], -33.0),
    3: ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
    4: ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
    5: ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
}


@pytest.mark.parametrize("case", CASES)
def test_integrated_loudness_of_the_ebu_signals(case: int) -> None:
    steps, expected = CASES[case]
    sound = np.concatenate([tone(level, seconds) for level, seconds in steps], axis=1)
    assert measured(lots(sound)).integrated() == pytest.approx(expected, abs=0.1)


# EBU Tech 3341, cases 15 to 19: divisor of the sample rate, phase, amplitude, dBTP; tolerance +0.2, -0.4 dB.
PEAKS = [(4, 0, 0.5, -6.0), (4, 45, 0.5, -6.0), (6, 60, 0.5, -6.0), (8, 67.5, 0.5, -6.0), (4, 45, 1.41, 3.0)]


@pytest.mark.parametrize(("divisor", "phase", "full", "expected"), PEAKS)
def test_true_peak_of_the_ebu_signals(divisor: int, phase: float, full: float, expected: float) -> None:
    sound = tone(0, 1, RATE / divisor, phase, full)
    ramp = np.clip(np.arange(sound.shape[1]) / 4800, 0, 1)  # the signals fade in and out
    peak = measured(lots(sound * ramp * ramp[::-1])).true_peak()
    assert -0.4 <= peak - expected <= 0.2


def programme(seconds: float = 15.0, peaks: float = 5.0) -> Sound:
    """Bursts of coloured noise with gaps: something like speech, with sharp peaks."""
    rng = np.random.default_rng(11)
    n = round(seconds * RATE)
    noise = np.cumsum(rng.standard_normal((2, n)), axis=1)
    noise -= np.apply_along_axis(lambda x: np.convolve(x, np.ones(240) / 240, "same"), 1, noise)
    talk = np.repeat(rng.random(round(seconds * 5)) > 0.4, RATE // 5)[:n]
    spikes = 1 + peaks * (rng.random(n) > 0.9995)
    return noise / np.abs(noise).max() * 0.2 * np.convolve(talk, np.ones(960) / 960, "same") * spikes


def by_ffmpeg(sound: NDArray[np.floating]) -> float:
    """Integrated loudness in LUFS as FFmpeg's ebur128 filter finds it."""
    graph = av.filter.Graph()
    source = graph.add_abuffer(sample_rate=RATE, format="fltp", layout="stereo", time_base=av.time_base and None)
    meter = graph.add("ebur128", "metadata=1")
    sink = graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()
    frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(sound, np.float32), format="fltp", layout="stereo")
    frame.sample_rate = RATE
    source.push(frame)
    source.push(None)
    loudness = -np.inf
    while True:
        try:
            out = sink.pull()
        except (av.error.EOFError, av.error.BlockingIOError):
            return loudness
        loudness = float(out.metadata.get("lavfi.r128.I", loudness))


def by_fourier(sound: NDArray[np.floating]) -> float:
    """True peak in dBTP: four points a sample, as BS.1770-4 annex 2 asks, by SciPy's Fourier resampling."""
    return float(20 * np.log10(np.abs(resample(sound, 4 * sound.shape[1], axis=1)).max()))


def test_loudness_agrees_with_the_reference_meters() -> None:
    sound = programme()
    ours = measured(lots(sound))
    assert ours.integrated() == pytest.approx(pyloudnorm.Meter(RATE).integrated_loudness(sound.T), abs=0.1)
    assert ours.integrated() == pytest.approx(by_ffmpeg(sound), abs=0.1)
    assert ours.true_peak() == pytest.approx(by_fourier(sound), abs=0.1)


# AES TD1008 (2021), table 1: speech over the net at -18 LUFS; EBU R 128: broadcast at -23 LUFS; both with true peaks
# of -1 dBTP at most, which is from memory.
@pytest.mark.parametrize(
    ("asked", "recommended"), [(Film(shots=[Shot(picture="x")]).loudness, -18.0), (-23.0, -23.0)]
)
def test_finished_sound_has_the_loudness_recommended_and_keeps_its_peaks(asked: float, recommended: float) -> None:
    sound = programme(peaks=20).astype(np.float32)
    recording = Recording(Path("talk.wav"), sound, 0.0)
    finished = finish_sound(Mix(sound.shape[1], (Clip(recording, 0, sound.shape[1], 0),)), asked)
    heard = finished.read(0, sound.shape[1])
    assert pyloudnorm.Meter(RATE).integrated_loudness(heard.T) == pytest.approx(recommended, abs=0.1)
    assert by_ffmpeg(heard) == pytest.approx(recommended, abs=0.1)
    assert by_fourier(heard) < -1.0 and finished.true_peak < -1.0
    unheld = sound * (heard.std() / sound.std())
    assert by_fourier(unheld) > -1.0  # the limiter had work to do, or this shows nothing


def test_a_film_may_be_set_to_another_loudness_within_reason() -> None:
    shots = [Shot(picture="x")]
    assert Film(shots=shots, loudness=-23).loudness == -23
    for mistyped in (18, -1.8, -180):
        with pytest.raises(ValueError, match="loudness"):
            Film(shots=shots, loudness=mistyped)


def test_music_gives_way_to_speech_and_tone_fills_the_gaps() -> None:
    rng = np.random.default_rng(8)
    talk = Recording(Path("talk.wav"), rng.standard_normal((1, 3 * RATE)).astype(np.float32) * 1e-9, 0.0)
    music = 0.1 * np.sin(2 * np.pi * 220 * np.arange(RATE * 2) / RATE, dtype=np.float32)[None]
    clip = Clip(talk, 0, 3 * RATE, 4 * RATE)
    bed = Mix(12 * RATE, (clip,), music=music)
    alone, under = bed.block(2 * RATE, 3 * RATE).std(), bed.block(5 * RATE, 6 * RATE).std()
    assert 20 * np.log10(alone / under) == pytest.approx(12, abs=0.5)
    whole = np.concatenate([bed.block(0, 100_001), bed.block(100_001, 12 * RATE)], axis=1)
    assert np.array_equal(whole, bed.block(0, 12 * RATE))  # where blocks are cut does not show
    assert np.abs(np.diff(whole)).max() < 0.01  # nor does the loop's seam, nor the duck
    tone = Mix(12 * RATE, (clip,), tone=music)
    assert tone.block(2 * RATE, 3 * RATE).std() > 0.05 and tone.block(5 * RATE, 6 * RATE).std() < 1e-6


KINDS = [("flac", "flac", 44100), ("mp3", "mp3", 44100), ("pcm_s24le", "wav", 96000)]


@pytest.mark.parametrize(("codec", "ending", "rate"), KINDS)
def test_recordings_of_many_kinds_are_read_at_one_rate(codec: str, ending: str, rate: int, tmp_path: Path) -> None:
    path = tmp_path / f"tone.{ending}"
    wave = (0.25 * np.sin(2 * np.pi * 440 * np.arange(2 * rate) / rate)).astype(np.float32)
    with av.open(path, "w") as container:
        stream = container.add_stream(codec, rate=rate, layout="stereo")
        resampler = av.AudioResampler(format=stream.codec_context.format or "s16", layout="stereo", rate=rate)
        frame = av.AudioFrame.from_ndarray(np.stack([wave, wave]), format="fltp", layout="stereo")
        frame.sample_rate = rate
        for part in resampler.resample(frame):
            container.mux(stream.encode(part))
        container.mux(stream.encode(None))
    recording = read_sound(path)
    assert recording.seconds == pytest.approx(2.0, abs=0.06) and recording.samples.shape[0] == 2
    level = recording.samples[0, RATE // 2 : RATE].std()
    assert level == pytest.approx(0.25 / np.sqrt(2), rel=0.06)  # an MP3 encoder may turn down a little
    assert recording.clipped == 0


def test_a_take_is_cut_at_the_silences_that_fit_the_words() -> None:
    rng = np.random.default_rng(2)
    stretches = [(3.0, 1.0), (2.0, 0.4), (4.0, 1.1), (1.5, 0.9)]  # speech, pause: the 0.4 s pause is a breath
    parts = []
    for speech, pause in stretches:
        parts += [rng.standard_normal(int(speech * RATE)) * 0.1, np.zeros(int(pause * RATE))]
    take = np.concatenate(parts)[None].astype(np.float32) + rng.standard_normal(sum(map(len, parts))) * 1e-4
    pieces = cut_take(take.astype(np.float32), [8, 17, 4])
    assert len(spoken(take.astype(np.float32))) == 4
    assert [p[0] for p in pieces] == pytest.approx([0.0, 4.0, 11.5], abs=0.05)
    assert [p[1] for p in pieces] == pytest.approx([3.0, 10.4, 13.0], abs=0.05)
    with pytest.raises(ValueError, match="4 stretches"):
        cut_take(take.astype(np.float32), [1] * 5)
