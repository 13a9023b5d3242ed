"""Sound as it is sent: checked, the part with somebody speaking cut out, made equally loud.

Samples are 16 bit, little-endian, one channel, 16,000 a second. Nothing of it is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kb.errors import BadInput

RATE = 16_000
LONGEST_S = 12.0
"""A reading takes two to six seconds."""
LONGEST_BYTES = int(LONGEST_S * RATE * 2)
SHORTEST_S = 0.25
_FRAME = 320  # 20 ms
_AROUND_FRAMES = 12  # a quarter of a second is left before and after, where words fade
_QUIET = 60.0  # RMS of a sound that no microphone at a bench would take for speech, of 32768
_ABOVE_FLOOR_DB = 6.0
_BLOCK, _AROUND_BLOCKS, _CLICK_TIMES = 64, 25, 4.0  # 4 ms, a tenth of a second
_WINDOW, _STEADY_TIMES, _LEFT = 512, 2.2, 0.15
_HISS = 10 ** (-25 / 20)  # 25 dB below the speech
_LOUD = 3000.0  # RMS that speech is brought to
# More of the sound around speech, and silence around that, for the network.
_WIDER, _SILENCE = RATE // 10, RATE // 2


@dataclass(frozen=True, slots=True)
class Speech:
    """The part of a sound in which somebody speaks, as bytes again, and how long the whole sound was.

    `samples` are without steady noise, for an acoustic model; `softened` have half of it left and silence around,
    for a network that has heard noise, and that loses words where all of it is taken off.
    """

    samples: bytes
    sound_s: float
    softened: bytes


def speech_in(sound: bytes) -> Speech | None:
    """The part in which somebody speaks, None where it is quiet or an even noise.

    Raises BadInput for a sound that is too long, or no such sound.
    """
    if len(sound) > LONGEST_BYTES:
        raise BadInput(
            f"The sound is longer than {LONGEST_S:g} s.",
            field="sound",
            remedy="Say one reading at a time, in a few seconds.",
        )
    if len(sound) % 2:
        raise BadInput(
            "The sound is not made of 16-bit samples.",
            field="sound",
            remedy="Send 16 bit, 16 kHz, one channel.",
        )
    samples = np.frombuffer(sound, dtype="<i2").astype(np.float64)
    samples -= np.mean(samples) if len(samples) else 0.0
    sound_s = len(samples) / RATE
    part = _spoken_part(samples)
    if part is None:
        return None
    unclicked = without_clicks(samples)
    quiet = without_noise(unclicked)
    cut = _as_loud(quiet[part], quiet[part])
    # Too deep a silence is none that the recogniser has learned from; a soft hiss, always the same, helps it.
    cut += np.random.default_rng(1).standard_normal(len(cut)) * _LOUD * _HISS
    wider = slice(max(0, part.start - _WIDER), part.stop + _WIDER)
    half_quiet = _as_loud((unclicked[wider] + quiet[wider]) / 2, unclicked[part])
    return Speech(_as_bytes(cut), sound_s, _as_bytes(np.pad(half_quiet, _SILENCE)))


def _as_loud(samples: NDArray[np.float64], speech: NDArray[np.float64]) -> NDArray[np.float64]:
    """The samples, louder or softer by what brings the speech to `_LOUD`."""
    return samples * (_LOUD / max(float(np.sqrt(np.mean(speech**2))), 1.0))


def _as_bytes(samples: NDArray[np.float64]) -> bytes:
    return np.clip(samples, -32768, 32767).astype("<i2").tobytes()


def _spoken_part(samples: NDArray[np.float64]) -> slice | None:
    """From the first to the last frame that stands out of the noise, with a little around; clicks do not count."""
    count = len(samples) // _FRAME
    if count * _FRAME < SHORTEST_S * RATE:
        return None
    frames = samples[: count * _FRAME].reshape(count, _FRAME)
    power = np.mean((frames - frames.mean(axis=1, keepdims=True)) ** 2, axis=1) + 1.0
    floor = max(float(np.percentile(power, 10)), 1.0)
    level = np.convolve(power, np.ones(5) / 5, mode="same")
    loud = level > max(_QUIET**2, floor * 10 ** (_ABOVE_FLOOR_DB / 10))
    # A click lasts a frame or two and is spread over five by the mean; speech goes on.
    runs = np.flatnonzero(np.diff(np.concatenate(([0], loud.astype(int), [0]))))
    spoken = [(int(a), int(b)) for a, b in zip(runs[::2], runs[1::2], strict=True) if b - a >= 8]
    if not spoken or sum(b - a for a, b in spoken) * _FRAME < SHORTEST_S * RATE:
        return None
    first = max(0, spoken[0][0] - _AROUND_FRAMES)
    last = min(count, spoken[-1][1] + _AROUND_FRAMES)
    return slice(first * _FRAME, last * _FRAME)


def without_clicks(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """The sound with what is much louder than the tenth of a second around it, for a few milliseconds, turned down."""
    count = len(samples) // _BLOCK
    if count < _AROUND_BLOCKS:
        return samples
    blocks = samples[: count * _BLOCK].reshape(count, _BLOCK)
    loud = np.sqrt(np.mean(blocks**2, axis=1)) + 1.0
    padded = np.pad(loud, _AROUND_BLOCKS // 2, mode="reflect")
    usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, _AROUND_BLOCKS), axis=1)[:count]
    gain = np.where(loud > _CLICK_TIMES * usual, usual / loud, 1.0)
    quieter = samples.copy()
    quieter[: count * _BLOCK] *= np.repeat(gain, _BLOCK)
    return quieter


def without_noise(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """The sound with its steady part taken off, by spectral subtraction (Boll, 1979, from memory).

    What is there in the quietest fifth of the time counts as steady; a tenth of it is left, since silence that is
    too deep is no speech to the recogniser either.
    """
    if len(samples) < 4 * _WINDOW:
        return samples
    window, hop = np.hanning(_WINDOW + 1)[:-1], _WINDOW // 2
    padded = np.concatenate([np.zeros(hop), samples, np.zeros(_WINDOW)])
    frames = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::hop]
    spectrum = np.fft.rfft(frames * window, axis=1)
    power = np.abs(spectrum) ** 2
    smooth = np.apply_along_axis(lambda one: np.convolve(one, np.ones(5) / 5, mode="same"), 0, power)
    steady = _STEADY_TIMES * np.percentile(smooth, 20, axis=0)
    gain = np.sqrt(np.maximum(1 - steady / np.maximum(smooth, 1e-9), _LEFT**2))
    back = np.fft.irfft(spectrum * gain, axis=1)
    made = np.zeros(len(padded) + _WINDOW)
    for at, frame in enumerate(back):
        made[at * hop : at * hop + _WINDOW] += frame
    return made[hop : hop + len(samples)]
