"""Samples cut into windows, and statistics of windows in which some samples were lost."""

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from pipeline.recording import Recording

Floats = npt.NDArray[np.float64]

LEAST_PRESENT = 0.5
"""Share of a window's samples that must have arrived for its mean, variance or share at a rail."""


def windows(samples: Floats, n: int) -> Floats:
    """Whole windows only, shape (windows, n)."""
    return samples[: len(samples) // n * n].reshape(-1, n)


def whole_windows(
    recording: Recording, names: Sequence[str], n: int, dtype: str = "float64"
) -> Iterator[list[Floats]]:
    """The named columns in blocks of whole windows of `n` samples; the last piece is what remains."""
    tail = [np.empty(0, dtype) for _ in names]
    for block in recording.blocks(names):
        joined = [
            np.concatenate((rest, np.asarray(block.columns[name], dtype=dtype)))
            for rest, name in zip(tail, names, strict=True)
        ]
        n_whole = len(joined[0]) // n * n
        tail = [samples[n_whole:] for samples in joined]
        if n_whole:
            yield [samples[:n_whole] for samples in joined]
    if len(tail) and len(tail[0]):
        yield tail


def mean_and_variance(cut: Floats) -> tuple[Floats, Floats]:
    """Of each window (last axis), over the samples that arrived; NaN where fewer than half did."""
    if not np.isnan(cut).any():
        mean = cut.mean(axis=-1)
        away = cut - mean[..., None]
        return mean, np.einsum("...i,...i->...", away, away) / cut.shape[-1]
    here = ~np.isnan(cut)
    n = np.where(here.mean(axis=-1) >= LEAST_PRESENT, here.sum(axis=-1), np.nan)
    mean = np.where(here, cut, 0.0).sum(axis=-1) / n
    away = np.where(here, cut - mean[..., None], 0.0)
    return mean, (away**2).sum(axis=-1) / n


def share_of(mask: npt.NDArray[np.bool_], cut: Floats) -> Floats:
    """Share of each window's arrived samples for which `mask` holds; 0 where none arrived."""
    n = (~np.isnan(cut)).sum(axis=1)
    return np.asarray(mask.sum(axis=1) / np.maximum(n, 1), dtype=np.float64)
