"""The sound: 520 Hz, square, one long, one short, a rest, rising; none of the rhythms that mean something else.

Judged from the WAV as it reaches the player.
"""

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


Span = tuple[float, float]
Rhythm = tuple[tuple[Span, Span], ...]
END_S = 1e9


def about(*seconds: float) -> Rhythm:
    """On and off times in turn, each a fifth shorter or longer."""
    spans = [(0.8 * s, 1.2 * s) for s in seconds]
    return tuple(zip(spans[::2], spans[1::2], strict=True))


def bursts(count: int, on: Span, gap: Span, rest: Span) -> Rhythm:
    return ((on, gap),) * (count - 1) + ((on, rest),)


HIGH, HIGH_GAP, MEDIUM = (0.075, 0.2), (0.05, 0.125), (0.125, 0.25)
RESERVED: dict[str, Rhythm] = {
    # ISO 8201 as quoted by the Ontario Building Code, appendix note B-3.2.4.18.(2): 0.5 s +-0.05, last off 1.5 +-0.15.
    "evacuate, temporal three": about(0.5, 0.5, 0.5, 0.5, 0.5, 1.5),
    # The same note: as single strokes of a bell, three a second apart, then two seconds.
    "evacuate, single strokes": bursts(3, (0.0, 0.45), (0.55, 1.2), (1.55, 2.4)),
    # Four pulses of 100 ms, then 5 s, from a maker's wiki page; gaps of 100 ms from memory (NFPA 72).
    "carbon monoxide, temporal four": about(0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 5.0),
    # Evacuation is a continuous tone: Norwegian workplace regulations 5-10, Portuguese Portaria 1456-A/95.
    "evacuate, continuous": (((4.0, END_S), (0.0, END_S)),),
    # Makers' manuals of fire panels for older codes: march time, slow, alert.
    "fire, march": about(0.5, 0.5, 0.5, 0.5),
    "fire, fast march": about(0.25, 0.25, 0.25, 0.25),
    "fire, 5 s of 15": about(5.0, 10.0),
    "fire, alert": about(0.5, 2.5),
    # IEC 60601-1-8 as summed up by a university's page on anaesthesia alarms; pulse lengths, gaps from memory.
    "medical, high": bursts(3, HIGH, HIGH_GAP, (0.05, 0.6)) + bursts(2, HIGH, HIGH_GAP, (0.3, 30.0)),
    "medical, medium": bursts(3, MEDIUM, MEDIUM, (2.5, 30.0)),
    "medical, low, two": bursts(2, MEDIUM, MEDIUM, (2.5, END_S)),
    "medical, low, one": bursts(1, MEDIUM, MEDIUM, (2.5, END_S)),
    # SOLAS III/6, LSA Code 7.2.1: seven or more short blasts, then a long one. From memory, with its lengths.
    "ship, general emergency": (*bursts(7, (0.5, 2.0), (0.5, 2.0), (0.5, 2.0)), ((3.0, 8.0), (0.0, END_S))),
}
"""Rhythms with a meaning of their own: shortest and longest (sound, silence) of each pulse."""


def heard(sounds: list[tuple[float, float]], until_s: float) -> list[str]:
    """Names of the reserved rhythms that a listener could take a stretch of pulses for."""
    begins = [begin for begin, _ in sounds] + [until_s]
    beats = [(end - begin, begins[n + 1] - end) for n, (begin, end) in enumerate(sounds)]

    def fits(rhythm: Rhythm, at: int) -> bool:
        part = beats[at : at + len(rhythm)]
        return len(part) == len(rhythm) and all(
            low <= value <= high
            for beat, spans in zip(part, rhythm, strict=True)
            for value, (low, high) in zip(beat, spans, strict=True)
        )

    return [name for name, rhythm in RESERVED.items() if any(fits(rhythm, at) for at in range(len(beats)))]


def played(rhythm: list[tuple[float, float]], times: int = 2) -> tuple[list[tuple[float, float]], float]:
    """Begin and end of each pulse of a rhythm played over and over, and the end of it all."""
    at, sounds = 0.0, []
    for on_s, off_s in rhythm * times:
        sounds.append((at, at + on_s))
        at += on_s + off_s
    return sounds, at


@pytest.mark.parametrize("name", RESERVED)
def test_a_reserved_rhythm_is_recognised(name: str) -> None:
    """The measure itself: each of them, played twice in the middle of its spans, is taken for what it is."""
    plain = [(min((a + b) / 2, 20.0), min((c + d) / 2, 20.0)) for (a, b), (c, d) in RESERVED[name]]
    assert name in heard(*played(plain))


def test_the_rhythm_is_one_long_one_short_and_a_rest() -> None:
    samples, rate = read(sound(0, cycles=3))
    begins = [begin for begin, _ in pulses(samples, rate)]
    assert begins == pytest.approx([0, 1.6, 5, 6.6, 10, 11.6], abs=0.001)
    assert [end - begin for begin, end in pulses(samples, rate)] == pytest.approx([1.2, 0.3] * 3, abs=0.001)
    assert len(samples) / rate == 15.0


def test_it_is_none_of_the_reserved_rhythms_however_often_it_is_repeated() -> None:
    """Three calls, two minutes apart, each louder: as they come out of the loudspeaker, one after the other."""
    sounds: list[tuple[float, float]] = []
    for number in range(3):
        samples, rate = read(sound(number))
        sounds += [(120.0 * number + begin, 120.0 * number + end) for begin, end in pulses(samples, rate)]
    assert len(sounds) > 100
    assert heard(sounds, 480.0) == []


@pytest.mark.parametrize("gap_s", [0.0, 0.3, 1.0, 3.0])
def test_a_call_cut_off_by_the_next_is_none_of_them_either(gap_s: float) -> None:
    """Another alarm stops the sound at any moment and begins a new one; the player takes some time to start."""
    samples, rate = read(sound(0, cycles=2))
    quiet = np.zeros(round(gap_s * rate))
    for cut_s in np.arange(0.1, 5.0, 0.1):
        part = np.concatenate((samples, samples[: round(cut_s * rate)], quiet, samples))
        found = heard(pulses(part, rate), len(part) / rate)
        # One pulse cut short may be as long as any; no group of theirs comes of it.
        assert [name for name in found if len(RESERVED[name]) > 1] == [], cut_s


def test_the_level_rises_within_a_call_and_from_call_to_call() -> None:
    peaks = []
    for number in range(3):
        samples, rate = read(sound(number, cycles=8))
        cycle = samples.reshape(8, 5 * rate)
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
