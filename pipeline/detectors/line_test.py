"""Whether a line stands at a frequency: Thomson's F test over orthogonal tapers.

A sinusoid makes the same complex amplitude through every taper, noise an independent one, so that the part
of the power which one amplitude explains, over the part which it does not, follows Fisher's F where there is
no line (Thomson, Proc. IEEE 70:1055, 1982).
"""

from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import stats
from scipy.signal import windows

N_TAPERS = 7
HALF_BANDWIDTH = 4.0
"""Tapers and their half bandwidth in bins: 2 NW - 1 of them keep 0.9 and more of their energy within it."""

LEAST_SAMPLES = 16
"""Samples below which the tapers are too short for their bandwidth."""


@lru_cache(maxsize=16)
def tapers(n: int, n_tapers: int = N_TAPERS) -> npt.NDArray[np.float64]:
    """Discrete prolate spheroidal sequences of unit energy, shape (n_tapers, n)."""
    return np.asarray(windows.dpss(n, HALF_BANDWIDTH, n_tapers), dtype=np.float64)


def line_f(
    segments: npt.NDArray[Any], offsets: npt.NDArray[np.float64], n_tapers: int = N_TAPERS
) -> npt.NDArray[np.float64]:
    """Thomson's F at each of `offsets`, over segments that may have a line of any phase and size each.

    Parameters
    ----------
    segments : shape (segments, n)
        Real or complex samples.
    offsets : shape (offsets,)
        Frequencies in cycles per sample.
    n_tapers : int
        Tapers of half bandwidth 4.

    Returns
    -------
    shape (offsets,)
        Without a line distributed as F(2 m, m (2 K - 2)) for m segments and K tapers; 0 where nothing
        but zeros is given.

    Notes
    -----
    For one segment ``(K - 1) |mu|^2 sum U_k^2 / sum |y_k - mu U_k|^2``; with several, numerator and
    denominator are summed.
    """
    taper = tapers(segments.shape[1], n_tapers)
    at_zero = taper.sum(axis=1)
    # Odd tapers sum to 0 but for rounding.
    at_zero[1::2] = 0.0
    n = np.arange(segments.shape[1])
    waves = np.exp(-2j * np.pi * np.outer(offsets, n))
    weights = (taper[None] * waves[:, None]).reshape(-1, len(n))
    y = (segments @ weights.T).reshape(len(segments), len(offsets), -1)
    mu = (y @ at_zero) / (at_zero @ at_zero)
    explained = (np.abs(mu) ** 2).sum(axis=0) * (at_zero @ at_zero)
    left = (np.abs(y - mu[..., None] * at_zero) ** 2).sum(axis=(0, 2))
    return np.asarray((n_tapers - 1) * np.divide(explained, left, out=np.zeros(len(offsets)), where=left > 0))


def critical_f(chance: float, n_tapers: int = N_TAPERS, n_segments: int = 1) -> float:
    """What F exceeds with probability `chance` where there is no line.

    For one segment ``(K - 1) (p^(-1 / (K - 1)) - 1)``.

    >>> round(critical_f(0.01), 3), round(critical_f(0.001), 3)
    (6.927, 12.974)
    """
    if n_segments == 1:
        return float((n_tapers - 1) * (chance ** (-1 / (n_tapers - 1)) - 1))
    return float(stats.f.isf(chance, 2 * n_segments, n_segments * (2 * n_tapers - 2)))
