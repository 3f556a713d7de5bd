"""A rendered phrase made fit to be played: silence cut off, one loudness, peaks held down.

Loudness after ITU-R BS.1770 (K-weighted, gated) as EBU R128 uses it; true peak by oversampling, after the
annex of BS.1770. Samples are float64 of shape (n,), full scale 1.
"""

from __future__ import annotations

import math
import wave
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from coach.errors import OutputError

RATE_HZ = 48000  # a mixer buffer of n samples is then half as long as at the 22 050 Hz of the engine
TARGET_LUFS = -18.0
PEAK_DBTP = -1.0
WINDOW_S = 0.005
FLOOR_DB = 45.0
PAD_BEFORE_S = 0.001  # what is left in front is heard as delay
PAD_S = 0.005
SHORTEST_S = 0.4

Samples = NDArray[np.float64]


def read(path: Path) -> Samples:
    """Samples of a mono 16-bit WAV file, resampled to 48 kHz when need be; OutputError if it is not one."""
    try:
        with wave.open(str(path), "rb") as wav:
            if (wav.getnchannels(), wav.getsampwidth()) != (1, 2):
                raise OutputError(f"{path}: {wav.getnchannels()} channels of {wav.getsampwidth()} bytes, need 1 of 2")
            rate = wav.getframerate()
            data = wav.readframes(wav.getnframes())
            whole = len(data) == 2 * wav.getnframes() > 0
    except (OSError, EOFError, wave.Error) as error:
        raise OutputError(f"{path}: no WAV file: {error}") from error
    if not whole:
        raise OutputError(f"{path}: empty or cut short")
    samples = np.frombuffer(data, dtype="<i2").astype(np.float64) / 32768.0
    if rate != RATE_HZ:
        from scipy.signal import resample_poly

        common = math.gcd(RATE_HZ, rate)
        samples = resample_poly(samples, RATE_HZ // common, rate // common)
    return samples


def pcm(samples: Samples) -> bytes:
    """16-bit little-endian bytes, clipped to full scale."""
    return np.clip(np.round(samples * 32768.0), -32768, 32767).astype("<i2").tobytes()


def write(path: Path, samples: Samples) -> None:
    """A mono 16-bit WAV file at 48 kHz."""
    with wave.open(str(path), "wb") as wav:
        wav.setnchannels(1)
        wav.setsampwidth(2)
        wav.setframerate(RATE_HZ)
        wav.writeframes(pcm(samples))


def trim(samples: Samples) -> Samples:
    """Without the silence before and behind: from the first to the last 5 ms window within 45 dB of the loudest.

    1 ms is left before and 5 ms behind, and faded, so that the cut makes no click. All silence: OutputError.
    """
    width = round(WINDOW_S * RATE_HZ)
    count = -(-len(samples) // width)
    padded = np.zeros(count * width)
    padded[: len(samples)] = samples
    rms = np.sqrt(np.mean(padded.reshape(count, width) ** 2, axis=1))
    if not count or rms.max() <= 0.0:
        raise OutputError("the engine gave silence")
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


def loudness(samples: Samples) -> float:
    """Integrated loudness [LUFS]; a clip under 0.4 s is filled up with silence, one gating block needs that."""
    import pyloudnorm  # 0.3 s to import: only when something is rendered

    shortest = int(np.ceil(SHORTEST_S * RATE_HZ))
    if len(samples) < shortest:
        samples = np.concatenate([samples, np.zeros(shortest - len(samples))])
    return float(pyloudnorm.Meter(RATE_HZ).integrated_loudness(samples))


def true_peak_dbtp(samples: Samples) -> float:
    """Peak of the wave between the samples [dBTP], from an eightfold oversampled copy."""
    from scipy.signal import resample_poly

    return float(20 * np.log10(max(float(np.max(np.abs(resample_poly(samples, 8, 1)))), 1e-9)))


def level(samples: Samples) -> Samples:
    """At -18 LUFS, true peak at most -1 dBTP.

    Where the peaks are in the way they are bent down (a smooth gain over 3 ms around each), and the loudness is
    brought back, a few times over.
    """
    out = samples
    for _ in range(8):
        out = out * 10 ** ((TARGET_LUFS - loudness(out)) / 20)
        if true_peak_dbtp(out) <= PEAK_DBTP:
            return out
        out = _bend_peaks(out)
    while true_peak_dbtp(out) > PEAK_DBTP:
        out = _bend_peaks(out)
    return out


def joined(pieces: Sequence[Samples], pause_s: float) -> Samples:
    """Levelled pieces one after the other, ``pause_s`` of silence between, levelled as a whole."""
    pause = np.zeros(round(pause_s * RATE_HZ))
    out: Samples = np.concatenate([part for piece in pieces for part in (pause, piece)][1:])
    gain = 10 ** ((TARGET_LUFS - loudness(out)) / 20)
    # no piece is over the limit: only where the whole gets louder its peaks have to be looked at
    return out * gain if gain <= 1.0 else level(out)


def onset_mark() -> Samples:
    """A soft tone of 60 ms that swells and fades, and 40 ms of silence: it turns the ear before the first word.

    12 dB below the loudness that speech is brought to.
    """
    n = round(0.06 * RATE_HZ)
    tone = np.sin(2 * np.pi * 660.0 / RATE_HZ * np.arange(n)) * np.hanning(n)
    return np.concatenate([0.05 * tone, np.zeros(round(0.04 * RATE_HZ))])


def _bend_peaks(samples: Samples) -> Samples:
    """Gain under 1 around each place where the oversampled wave passes the limit less 0.1 dB."""
    from scipy.ndimage import minimum_filter1d, uniform_filter1d
    from scipy.signal import resample_poly

    limit = 10 ** ((PEAK_DBTP - 0.1) / 20)
    wave_form = np.abs(resample_poly(samples, 8, 1)).reshape(-1, 8).max(axis=1)
    gain = np.minimum(1.0, limit / np.maximum(wave_form, 1e-9))
    width = 2 * round(0.0015 * RATE_HZ) + 1
    bent: Samples = samples * uniform_filter1d(minimum_filter1d(gain, 2 * width + 1), width)
    return bent
