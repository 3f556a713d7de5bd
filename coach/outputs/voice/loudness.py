"""Equal loudness and limited peaks for all speech, including joined pieces.

Loudness after ITU-R BS.1770 (K-weighted, gated) as EBU R128 uses it; true peak by oversampling, after the annex of
BS.1770. Samples are float64 of shape (n,) at 48 kHz, full scale 1.

The standard's blocks of 400 ms begin every 100 ms, so that they consist of whole *cells* of 10 ms. If pieces and pauses
are whole cells too, their cells alone give the loudness of the joined text without filtering again (the filter's tail
ends within the pause after a piece and is in its cells).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from coach.outputs.voice.sound import RATE_HZ, Samples

TARGET_LUFS = -18.0
PEAK_DBTP = -1.0
HEADROOM_LU = 1.25
"""Extra loudness of pieces: joined with pauses they reach the target by a gain of at most 1, so no peak exceeds the
limit. A test checks that it suffices for every shipped phrase.
"""
CELL = RATE_HZ // 100
_MS = RATE_HZ // 1000
_BLOCK = 40
_STEP = 10
_SILENCE_LUFS = -70.0
_GATE = 0.1
_TRIES = 8
_OVERSAMPLED = 8
_REACH = 10
_ECHO = RATE_HZ // 10  # the filters' impulse response ends by then
_BENT = 10 ** ((PEAK_DBTP - 0.1) / 20)
_LIMIT = 10 ** (PEAK_DBTP / 20)
_NEAR = 0.6 * _LIMIT
"""Between two samples below this, speech (below 14 kHz) cannot exceed the limit."""


def whole_cells(samples: Samples) -> Samples:
    """Pad with silence to whole cells."""
    return np.concatenate([samples, np.zeros(-len(samples) % CELL)])


def cells(samples: Samples, behind: int = 0) -> NDArray[np.float64]:
    """Return K-weighted energy of each cell of ``samples`` (whole cells) and of ``behind`` cells of silence
    after it.
    """
    count = len(samples) + behind * CELL
    power = 1 << (count + _ECHO).bit_length()
    size = 3 * power // 4 if 3 * power // 4 >= count + _ECHO else power
    heard = np.fft.irfft(np.fft.rfft(samples, size) * _k_weighting(size), size)[:count]
    return _sums(heard)


def loudness(energy: NDArray[np.float64]) -> float:
    """Return integrated loudness [LUFS] from cells; pad below 400 ms with silence, as one block needs that."""
    count = max(len(energy), _BLOCK)
    total = np.concatenate([[0.0], np.cumsum(energy), np.full(count - len(energy), energy.sum())])
    # counted like pyloudnorm, so that both agree for a leftover half step
    steps = round((count * CELL / RATE_HZ - 0.4) / (0.4 * 0.25))
    starts = np.arange(steps + 1) * _STEP
    power = (total[np.minimum(starts + _BLOCK, count)] - total[starts]) / (_BLOCK * CELL)
    least = 10 ** ((_SILENCE_LUFS + 0.691) / 10)
    loud = power[power > least]
    if not len(loud):
        return float("-inf")
    return float(-0.691 + 10 * np.log10(loud[loud > _GATE * loud.mean()].mean()))


def level(samples: Samples) -> Samples:
    """Return whole cells at the target and its headroom within 0.1 LU, true peak at most -1 dBTP.

    Peaks above the limit are reduced (a smooth gain over 3 ms around each) and the loudness restored, in a few
    iterations. These only scale peaks and cells by the gains, which are smooth; a final check uses the wave itself.
    """
    out = whole_cells(samples)
    energy = cells(out)
    gain = _to_headroom(energy)
    out, energy = out * gain, energy * gain**2
    peaks = _peaks(out)
    for _ in range(_TRIES):
        if peaks.max() <= _LIMIT:
            break
        bend = _bend(peaks)
        bent = out * bend
        energy = energy * _sums(bent) / np.maximum(_sums(out), 1e-12)
        gain = _to_headroom(energy)
        out, peaks, energy = bent * gain, peaks * bend * gain, energy * gain**2
    while (peaks := _peaks(out)).max() > _LIMIT:
        out = out * _bend(peaks)
    return out


def _to_headroom(energy: NDArray[np.float64]) -> float:
    return float(10 ** ((TARGET_LUFS + HEADROOM_LU - loudness(energy)) / 20))


def _sums(samples: Samples) -> NDArray[np.float64]:
    sums: NDArray[np.float64] = np.square(samples).reshape(-1, CELL).sum(axis=1)
    return sums


def gain_of(energy: NDArray[np.float64]) -> float:
    """Return the gain that brings joined levelled pieces to the target; at most 1."""
    return float(min(1.0, 10 ** ((TARGET_LUFS - loudness(energy)) / 20)))


def _peaks(samples: Samples) -> Samples:
    """Return the wave's peak from each sample to the next, or the sample if far from the limit."""
    highest = np.abs(samples)
    near = np.flatnonzero(np.maximum(highest, np.append(highest[1:], 0.0)) > _NEAR)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(samples, _REACH), 2 * _REACH + 1)
    highest[near] = np.abs(around[near] @ _between()).max(axis=1)
    return highest


def _bend(peaks: Samples) -> Samples:
    """Return a gain low enough wherever the wave exceeds the limit less 0.1 dB, and 1 about 3 ms away."""
    gain = np.minimum(1.0, _BENT / np.maximum(peaks, 1e-9)).reshape(-1, _MS).min(axis=1)
    windows = np.lib.stride_tricks.sliding_window_view
    least = windows(np.pad(gain, 4, constant_values=1.0), 7).min(axis=1)
    smooth = windows(least, 3).mean(axis=1)
    # linear between the centres of milliseconds: each value is low enough for both
    bend: Samples = np.interp(np.arange(len(peaks)), (np.arange(len(smooth)) + 0.5) * _MS - 0.5, smooth)
    return bend


@cache
def _k_weighting(size: int) -> NDArray[np.complex128]:
    """Return the response at the frequencies of a Fourier transform of ``size`` samples: ITU-R BS.1770-4, annex 1,
    tables 1, 2.
    """
    z = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size)[:, None] ** np.arange(3)
    shelf, poles = (1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585)
    head = (z @ shelf) / (z @ poles)
    low = z @ (1.0, -2.0, 1.0) / (z @ (1.0, -1.99004745483398, 0.99007225036621))
    response: NDArray[np.complex128] = head * low
    return response


@cache
def _between() -> NDArray[np.float64]:
    """Return the weights of the samples around one for the wave at eight places from it on: a windowed sinc, of shape
    (21, 8).
    """
    away = np.arange(_OVERSAMPLED) / _OVERSAMPLED - np.arange(-_REACH, _REACH + 1)[:, None]
    window = np.i0(5.0 * np.sqrt(np.maximum(0.0, 1.0 - (away / _REACH) ** 2))) / np.i0(5.0)  # Kaiser's
    weights = np.where(np.abs(away) <= _REACH, np.sinc(away) * window, 0.0)
    out: NDArray[np.float64] = weights / weights.sum(axis=0)
    return out
