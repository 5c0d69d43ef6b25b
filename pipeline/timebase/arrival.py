"""A receiver's stamps as counters: when frames would have arrived without their delays."""

import numpy as np
import numpy.typing as npt

from pipeline.timebase.sequence import Floats, Ints, TickRate

_LEAST_FRAMES = 32
_LEAST_S = 2.0


def without_delays(
    stamps: Ints, n_samples: Ints, follows: npt.NDArray[np.bool_], rate: TickRate, stamp_hz: float
) -> Ints:
    """Stamps of frames as if each had come as fast as the fastest near it that it hangs together with.

    Parameters
    ----------
    stamps, n_samples : int64, shape (n,)
        In the order of arrival; wraps are undone.
    follows : bool, shape (n - 1,)
        Whether frame i + 1 follows frame i by its number.
    rate : TickRate
        Stamps per sample.
    stamp_hz : float
        Stamps per second.

    Returns
    -------
    int64, shape (n,)
        The least delay of 2 s (and of 32 frames at least) to either side, as far as frames follow each
        other, is taken for all of them: what is left of the delays is that of the fastest.
    """
    expected = np.cumsum(n_samples, dtype=np.float64)
    expected -= n_samples
    expected *= rate.per_sample
    delay = stamps - expected
    frame = float(np.median(n_samples)) * rate.per_sample
    wanted = max(_LEAST_FRAMES, _LEAST_S * stamp_hz / frame if frame > 0 else 0.0)
    broken = np.concatenate((np.zeros(1, dtype=np.int32), np.cumsum(~follows, dtype=np.int32)))
    ahead, behind = delay.copy(), delay
    step = 1
    while step < min(wanted, len(delay)):
        together = broken[step:] == broken[:-step]
        ahead[:-step] = np.where(together, np.minimum(ahead[:-step], ahead[step:]), ahead[:-step])
        behind[step:] = np.where(together, np.minimum(behind[step:], behind[:-step]), behind[step:])
        step *= 2
    expected += np.minimum(ahead, behind, out=ahead)
    return np.rint(expected, out=expected).astype(np.int64)


def samples_of(stamps: Ints, rate: TickRate) -> Floats:
    """Stamps as numbers of samples since the first."""
    return np.asarray((stamps - stamps[0]) / rate.per_sample)
