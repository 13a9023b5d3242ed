"""Speech by espeak-ng, and what a workshop adds to it: noise, clicks, silence. All as 16-bit samples at 16 kHz."""

from __future__ import annotations

import shutil
import subprocess
import wave
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from io import BytesIO

import numpy as np
import pytest
from numpy.typing import NDArray

RATE = 16_000
Samples = NDArray[np.float64]


@cache
def spoken(text: str, voice: str = "en-us", speed: int = 150) -> Samples:
    """The text in one of espeak-ng's voices, between -1 and 1."""
    from scipy.signal import resample_poly  # a second and a half, for who needs it

    program = shutil.which("espeak-ng")
    if program is None:
        pytest.fail(
            "The tests need what is not installed here: espeak-ng. "
            "Install it (sudo apt install espeak-ng) and run them again.",
            pytrace=False,
        )
    # It reads "kilohms" as if it were written kylohms, which nobody says.
    text = text.replace("kilohms", "kill ohms")
    made = subprocess.run(
        [program, "-v", voice, "-s", str(speed), "--stdout", text], capture_output=True, check=True
    )
    # To a pipe it writes a length of its own liking into the head.
    with wave.open(BytesIO(made.stdout)) as sound:
        rate = sound.getframerate()
    samples = np.frombuffer(made.stdout[44 : len(made.stdout) // 2 * 2], dtype="<i2") / 32768
    ratio = Fraction(RATE, rate)
    return np.asarray(resample_poly(samples, ratio.numerator, ratio.denominator), dtype=np.float64)


def pink(count: int, chance: np.random.Generator) -> Samples:
    """Noise of a fan or a compressor: its power falls with the frequency, from 50 Hz up; RMS 1."""
    spectrum = np.fft.rfft(chance.standard_normal(count))
    hertz = np.fft.rfftfreq(count, 1 / RATE)
    spectrum *= np.where(hertz > 50, 1 / np.sqrt(np.maximum(hertz, 50)), 0)
    made = np.fft.irfft(spectrum, count)
    return np.asarray(made / np.sqrt(np.mean(made**2)))


def workshop(
    speech: Samples, *, snr_db: float | None, clicks: int, before_s: float, after_s: float, seed: int
) -> Samples:
    """Speech between silences, with noise so many decibels below it, and with clicks as of a switch."""
    chance = np.random.default_rng(seed)
    whole = np.concatenate([np.zeros(int(before_s * RATE)), speech, np.zeros(int(after_s * RATE))])
    loud = np.sqrt(np.mean(speech**2))
    # No microphone is silent.
    whole += pink(len(whole), chance) * loud * 10 ** (-(45 if snr_db is None else snr_db) / 20)
    for _ in range(clicks):
        at = int(chance.integers(0, len(whole) - 200))
        ring = np.exp(-np.arange(200) / 25) * np.sin(np.arange(200) * chance.uniform(0.5, 2.0))
        whole[at : at + 200] += ring * loud * 4
    return whole


def as_bytes(samples: Samples) -> bytes:
    """Little-endian 16-bit samples, as a page sends them."""
    return np.clip(samples * 32767, -32768, 32767).astype("<i2").tobytes()


@dataclass(frozen=True, slots=True)
class SpokenReading:
    """One reading of `readings.toml`: what is said, how it sounds, and what it means."""

    page: str
    place: str
    quantity: str
    value: str
    unit: str
    pin: int
    text: str
    side: str
    state: str
    load: str
    half: str
    voice: str
    speed: int
    snr_db: str
    clicks: int
    before_s: float
    after_s: float
    seed: int

    def sound(self, text: str = "") -> bytes:
        """The reading, or something else in the same voice and noise."""
        return as_bytes(
            workshop(
                spoken(text or self.text, self.voice, self.speed),
                snr_db=None if self.snr_db == "none" else float(self.snr_db),
                clicks=self.clicks,
                before_s=self.before_s,
                after_s=self.after_s,
                seed=self.seed,
            )
        )
