"""Steps a second in stretches of movement, by the spectrum of the acceleration along gravity.

One step shows upwards in full and, on one side of the body, forwards every second time: a sensor at the
wrist or the leg has a line at half the cadence (the stride) and lines at its multiples. Which of them is the
step is told by how strong each is and by how people walk: 2.00 a second with a deviation of 0.13 (MacDougall
and Moore, J Appl Physiol 98:1164, 2005), in the laboratory 1.35 to 2.30 (Tudor-Locke and Rowe 2012). A
shuffle of less than 1.2 steps a second whose second multiple is strong is taken for a walk of twice as many.
"""

from collections.abc import Sequence

import numpy as np
from scipy import fft

from pipeline.detectors.windows import Floats
from pipeline.recording import Recording

STRETCH_S = 10
"""A line of it is 0.2 Hz wide; a parabola through its top is good for a twentieth of that."""

SEARCHED_HZ = (0.7, 4.5)
BAND_HZ = (0.5, 8.0)
"""Where a step or its stride is looked for, and against what power its lines must stand."""

USUAL_HZ = 1.9
OCTAVES = 0.35
"""Middle of the cadences of walking, and their spread as a prior, wide enough for any from 1.2 to 3.5 Hz."""

MULTIPLES = (0.5, 1.0, 1.5, 2.0, 3.0)
LINE_HZ = 0.15
LEAST_SHARE = 0.5
"""Lines of a gait in cadences, half of a line's width, and the share of the power that lies in them."""

MOST_LOST = 0.2


def steps_hz(recording: Recording, names: Sequence[str], start_s: float) -> float | None:
    """Cadence in the stretch of 10 s from `start_s` on; None where nothing in it is as even as steps.

    Parameters
    ----------
    recording : Recording
        Holds the channels.
    names : sequence of str
        The axes of one accelerometer, or a single channel.
    start_s : float
        Seconds since the session's first sample.
    """
    ends = np.array([start_s, start_s + STRETCH_S])
    start, stop = recording.rows_at(ends).tolist()
    if stop - start < 0.9 * STRETCH_S * recording.sample_hz or 0.4 * recording.sample_hz < SEARCHED_HZ[1]:
        return None
    samples = np.stack([filled(axis) for axis in recording.read(names, start, stop).values()])
    return None if np.isnan(samples).any() else cadence_hz(samples, recording.sample_hz)


def filled(samples: Floats) -> Floats:
    """Samples with the lost ones on lines between their neighbours; all NaN where too many are lost."""
    lost = np.isnan(samples)
    if not lost.any():
        return np.asarray(samples, dtype=np.float64)
    if lost.mean() > MOST_LOST:
        return np.full(len(samples), np.nan)
    at = np.arange(len(samples))
    return np.asarray(np.interp(at, at[~lost], samples[~lost]), dtype=np.float64)


def cadence_hz(samples: Floats, sample_hz: float) -> float | None:
    """Cadence of samples of shape (axes, n), or None where no line and its multiples carry the movement."""
    frequency_hz, power = _spectrum(_upwards(samples), sample_hz)
    searched = np.flatnonzero((frequency_hz >= SEARCHED_HZ[0]) & (frequency_hz <= SEARCHED_HZ[1]))
    top = int(searched[np.argmax(power[searched])])
    if power[top] <= 0:
        return None
    found = [_refined(power, i) for i in (top, *_near(power, frequency_hz, top))]
    step = frequency_hz[1]
    scores = [
        np.log(max(height, 1e-300)) - 0.5 * (np.log2(at * step / USUAL_HZ) / OCTAVES) ** 2
        for at, height in found
    ]
    hz = float(found[int(np.argmax(scores))][0] * step)
    return hz if _share(power, frequency_hz, hz) >= LEAST_SHARE else None


def _upwards(samples: Floats) -> Floats:
    """The part along the mean vector, which is gravity; where there is none, along the largest movement."""
    mean = samples.mean(axis=1)
    away = samples - mean[:, np.newaxis]
    length = float(np.linalg.norm(mean))
    if length > 2 * float(np.sqrt((away**2).sum(axis=0).mean())):
        return np.asarray(mean / length @ away, dtype=np.float64)
    direction = np.linalg.eigh(away @ away.T)[1][:, -1]
    return np.asarray(direction @ away, dtype=np.float64)


def _spectrum(samples: Floats, sample_hz: float) -> tuple[Floats, Floats]:
    """Frequencies and power of a Hann window, four points to a line's width at no padding."""
    n = fft.next_fast_len(4 * len(samples))
    power = np.abs(fft.rfft(samples * np.hanning(len(samples)), n)) ** 2
    return fft.rfftfreq(n, 1 / sample_hz), np.asarray(power, dtype=np.float64)


def _near(power: Floats, frequency_hz: Floats, top: int) -> list[int]:
    """The highest points about half and twice a frequency, as far as these are searched."""
    step, found = frequency_hz[1], []
    for times in (0.5, 2.0):
        hz = frequency_hz[top] * times
        if SEARCHED_HZ[0] <= hz <= SEARCHED_HZ[1]:
            low, high = round((hz - LINE_HZ) / step), round((hz + LINE_HZ) / step) + 1
            found.append(low + int(np.argmax(power[low:high])))
    return found


def _refined(power: Floats, at: int) -> tuple[float, float]:
    """Where a parabola through three logarithms has its top, in points, and the power there."""
    before, here, after = np.log(np.maximum(power[at - 1 : at + 2], 1e-300)).tolist()
    bend = before - 2 * here + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return at + float(np.clip(shift, -0.5, 0.5)), float(power[at])


def _share(power: Floats, frequency_hz: Floats, hz: float) -> float:
    """Share of the band's power within the lines of a gait of that cadence."""
    band = (frequency_hz >= BAND_HZ[0]) & (frequency_hz <= BAND_HZ[1])
    away = np.abs(frequency_hz[:, np.newaxis] - hz * np.array(MULTIPLES)).min(axis=1)
    whole = float(power[band].sum())
    return float(power[band & (away <= LINE_HZ)].sum()) / whole if whole > 0 else 0.0
