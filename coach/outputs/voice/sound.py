"""Sound samples: reads, resamples, trims silence, and writes 16-bit bytes.

Samples are float64 of shape (n,), full scale 1.
"""

from __future__ import annotations

import math
import wave
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coach.errors import OutputError

RATE_HZ = 48000  # a mixer buffer of n samples is then half as long as at the 22 050 Hz of the engine
WINDOW_S = 0.005
FLOOR_DB = 45.0
PAD_BEFORE_S = 0.001  # leading silence is heard as delay
PAD_S = 0.005

Samples = NDArray[np.float64]


def read(path: Path) -> Samples:
    """Return the samples of a mono 16-bit WAV file, resampled to 48 kHz if necessary; raise OutputError if it is not
    one.
    """
    try:
        with wave.open(str(path), "rb") as wav:
            if (wav.getnchannels(), wav.getsampwidth()) != (1, 2):
                raise OutputError(f"{path}: {wav.getnchannels()} channels of {wav.getsampwidth()} bytes, need 1 of 2")
            rate = wav.getframerate()
            data = wav.readframes(wav.getnframes())
            whole = len(data) == 2 * wav.getnframes() > 0
    except (OSError, EOFError, wave.Error) as error:
        raise OutputError(f"{path}: not a WAV file: {error}") from error
    if not whole:
        raise OutputError(f"{path}: empty or cut short")
    samples = np.frombuffer(data, dtype="<i2").astype(np.float64) / 32768.0
    return samples if rate == RATE_HZ else _resampled(samples, rate)


def _resampled(samples: Samples, rate: int) -> Samples:
    """Resample to 48 kHz by spectrum, like scipy.signal, whose import alone takes a second."""
    common = math.gcd(RATE_HZ, rate)
    up, down = RATE_HZ // common, rate // common
    # trailing silence keeps the end from wrapping into the beginning
    parts = 1 << (-(-len(samples) // down)).bit_length()
    wave_form: Samples = np.fft.irfft(np.fft.rfft(samples, parts * down), parts * up) * (up / down)
    return wave_form[: -(-len(samples) * up // down)]


def pcm(samples: Samples) -> bytes:
    """Return 16-bit little-endian bytes, clipped to full scale."""
    return np.clip(np.round(samples * 32768.0), -32768, 32767).astype("<i2").tobytes()


def trim(samples: Samples) -> Samples:
    """Trim leading and trailing silence: keep from the first to the last 5 ms window within 45 dB of the loudest.

    Keeps 1 ms before and 5 ms after, faded, to avoid clicks. Raise OutputError if all is silent.
    """
    width = round(WINDOW_S * RATE_HZ)
    count = -(-len(samples) // width)
    padded = np.zeros(count * width)
    padded[: len(samples)] = samples
    rms = np.sqrt(np.mean(padded.reshape(count, width) ** 2, axis=1))
    if not count or rms.max() <= 0.0:
        raise OutputError("the speech engine returned silence")
    loud = np.flatnonzero(rms >= rms.max() * 10 ** (-FLOOR_DB / 20))
    before, behind = round(PAD_BEFORE_S * RATE_HZ), round(PAD_S * RATE_HZ)
    start = max(0, int(loud[0]) * width - before)
    stop = min(len(samples), (int(loud[-1]) + 1) * width + behind)
    out = samples[start:stop].copy()
    rise = np.linspace(0.0, 1.0, min(before, len(out) // 2), endpoint=False)
    fall = np.linspace(0.0, 1.0, min(behind, len(out) // 2), endpoint=False)
    out[: len(rise)] *= rise
    out[len(out) - len(fall) :] *= fall[::-1]
    return out


def onset_mark() -> Samples:
    """Return a soft tone of 60 ms that swells and fades, and 40 ms of silence: it draws attention before the first
    word.

    12 dB below the loudness of speech.
    """
    n = round(0.06 * RATE_HZ)
    tone = np.sin(2 * np.pi * 660.0 / RATE_HZ * np.arange(n)) * np.hanning(n)
    return np.concatenate([0.05 * tone, np.zeros(round(0.04 * RATE_HZ))])
