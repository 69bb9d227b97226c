"""The sound: 520 Hz, square, three pulses and a rest, rising. Judged from the WAV as it reaches the player."""

from __future__ import annotations

import io
import wave
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from kojimon.notify.speaker import Speaker, find_player
from kojimon.notify.tone import levels, sound

Samples = NDArray[np.float64]


def read(data: bytes) -> tuple[Samples, int]:
    with wave.open(io.BytesIO(data)) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        return np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float), file.getframerate()


def pulses(samples: Samples, rate: int) -> list[tuple[float, float]]:
    """(begin, end) in seconds of each stretch of sound."""
    loud = np.abs(samples) > 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], loud.astype(int), [0]))))
    starts, ends = edges[::2], edges[1::2]
    return [(float(a) / rate, float(b) / rate) for a, b in zip(starts, ends, strict=True)]


def test_it_is_a_square_wave_of_520_hz() -> None:
    """520 Hz square wave: Bruck, Thomas, "Towards a better smoke alarm signal" (abstract). A square wave has odd
    harmonics only, the n-th of 1/n of the first (Fourier series of the square wave)."""
    samples, rate = read(sound(2, cycles=1))
    burst = samples[: rate // 2]
    spectrum = np.abs(np.fft.rfft(burst * np.hanning(len(burst))))
    hz = np.fft.rfftfreq(len(burst), 1 / rate)
    assert hz[spectrum.argmax()] == pytest.approx(520, abs=2)
    crossings = np.count_nonzero(np.diff(np.sign(burst)))
    assert crossings == pytest.approx(2 * 520 * 0.5, abs=2)

    def line(number: int) -> float:
        near = (hz > 520 * number - 15) & (hz < 520 * number + 15)
        return float(spectrum[near].max())

    assert line(3) / line(1) == pytest.approx(1 / 3, rel=0.1)
    assert line(5) / line(1) == pytest.approx(1 / 5, rel=0.1)
    assert line(2) / line(1) < 0.02
    assert np.count_nonzero(burst > 0) / len(burst) == pytest.approx(0.5, abs=0.01)


def test_the_rhythm_is_three_pulses_and_a_rest() -> None:
    """Three pulses of 0.5 s, 0.5 s apart, 1.5 s of rest: the temporal pattern of ISO 8201 (from memory)."""
    samples, rate = read(sound(0, cycles=3))
    begins = [begin for begin, _ in pulses(samples, rate)]
    assert begins == pytest.approx([0, 1, 2, 4, 5, 6, 8, 9, 10], abs=0.001)
    assert [end - begin for begin, end in pulses(samples, rate)] == pytest.approx([0.5] * 9, abs=0.001)
    assert len(samples) / rate == 12.0


def test_the_level_rises_within_a_call_and_from_call_to_call() -> None:
    peaks = []
    for number in range(3):
        samples, rate = read(sound(number, cycles=8))
        cycle = samples.reshape(8, 4 * rate)
        peak = np.abs(cycle).max(axis=1)
        assert (np.diff(peak) >= 0).all()
        peaks += [peak[0], peak[-1]]
    assert peaks[0] < peaks[1] <= peaks[2] < peaks[3] <= peaks[4] <= peaks[5] == 32_767
    assert peaks[0] == pytest.approx(3277, abs=2)


def test_the_loudest_is_kept_to() -> None:
    samples, _ = read(sound(9, loudest=0.5, cycles=2))
    assert np.abs(samples).max() == 16_384
    assert levels(9, 0.5) == (0.5, 0.5)


def test_one_call_lasts_until_shortly_before_the_next() -> None:
    samples, rate = read(sound(0))
    assert 100 < len(samples) / rate < 120


def test_the_player_gets_the_sound_as_a_file(tmp_path: Path) -> None:
    player, caught = tmp_path / "player", tmp_path / "caught.wav"
    player.write_text(f'#!/bin/sh\ncat "$1" > {caught}\n')
    player.chmod(0o755)
    speaker = Speaker()
    assert speaker.play(str(player), 1, 0.8) == ""
    assert caught.read_bytes() == sound(1, 0.8)
    speaker.stop()


def test_a_player_that_fails_is_told() -> None:
    assert Speaker().play("/bin/false", 0, 1.0) == "false ended with 1; is the sound card there and free?"
    assert "No such file" in Speaker().play("/no/such/player", 0, 1.0)


def test_a_player_is_found_only_where_there_is_a_sound_card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "aplay").write_text("#!/bin/sh\n")
    (tmp_path / "aplay").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    cards = tmp_path / "cards"
    assert find_player(cards=cards) == ""
    cards.write_text("--- no soundcards ---\n")
    assert find_player(cards=cards) == ""
    cards.write_text(" 0 [Headphones     ]: bcm2835 - Headphones\n")
    assert find_player(cards=cards) == str(tmp_path / "aplay")
    assert find_player("nothing-there", cards) == ""
