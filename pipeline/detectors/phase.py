"""Lines brought to 0 Hz: the complex amplitude of each, several times a second, over a whole recording."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import signal

from pipeline.detectors.findings import Spans
from pipeline.detectors.windows import Floats, whole_windows
from pipeline.recording import Recording

HOP_S = (0.02, 0.25)
"""Shortest and longest distance of the amplitudes: four a second let a line wander by some 0.5 Hz."""

POINTS = 64
"""Amplitudes that a short recording is given, for a test over tapers to have some."""

Complexes = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Baseband:
    """One line after its multiplication by ``exp(-2 pi i at_hz t)``, in overlapping windows.

    ``z`` (points,) sums the samples, ``weight`` (points,) counts those that arrived; a line of amplitude A
    and phase p at exactly ``at_hz`` has ``z = A / 2 exp(i p) weight``. Point i covers the samples
    ``[(i - 3) n_hop, (i + 1) n_hop)``. The windows add up to one at every sample, so that the sum of ``z`` is
    the Fourier sum over all samples: nothing of it is lost.
    """

    at_hz: float
    sample_hz: float
    n_hop: int
    z: Complexes
    weight: Floats

    @property
    def rate_hz(self) -> float:
        """Points a second."""
        return self.sample_hz / self.n_hop

    @property
    def duration_s(self) -> float:
        """Time of the samples that count."""
        return float(self.weight.sum()) / self.sample_hz

    def time_s(self) -> Floats:
        """Middle of each point's window, by the count of samples."""
        return np.asarray(((np.arange(len(self.z)) - 1) * self.n_hop - 0.5) / self.sample_hz)

    def turned(self, cycles: Floats) -> "Baseband":
        """The same with so many cycles taken from the phase of each point."""
        return replace(self, z=self.z * np.exp(-2j * np.pi * cycles))

    def within(self, spans: Spans) -> "Baseband":
        """The same where all of a point's samples lie in one of `spans`, and nothing elsewhere."""
        first = np.maximum((np.arange(len(self.z)) - 3) * self.n_hop, 0)
        last = (np.arange(len(self.z)) + 1) * self.n_hop
        k = np.searchsorted(spans.start, first, side="right") - 1
        inside = (k >= 0) & (spans.stop[np.maximum(k, 0)] >= last) if len(spans) else np.zeros(len(k), bool)
        return replace(self, z=np.where(inside, self.z, 0.0), weight=np.where(inside, self.weight, 0.0))

    def segments(self, n: int) -> tuple[Complexes, Floats]:
        """Sums over `n` points each, and their weights; a last part of less than a half is left out."""
        n_whole = max((len(self.z) + n // 2) // n, 1)
        edges = np.arange(n_whole) * n
        until = min(n_whole * n, len(self.z))
        return np.add.reduceat(self.z[:until], edges), np.add.reduceat(self.weight[:until], edges)


def basebands(recording: Recording, channel: str, at_hz: Sequence[float]) -> tuple[Baseband, ...]:
    """Bring every one of `at_hz` (after folding) to 0 Hz in one pass; memory is that of a block.

    Windows are Blackman and Harris's of four terms over four hops: what stands further than a hop's rate
    away is down by 92 dB (Harris, Proc. IEEE 66:51, 1978), a jolt or a drift at 0 Hz among it. Lost samples
    are bridged by lines, which have no power there, and weigh nothing.
    """
    if not at_hz or not recording.n_rows:
        return ()
    sample_hz = recording.sample_hz
    n_hop = max(1, round(float(np.clip(recording.duration_s / POINTS, *HOP_S)) * sample_hz))
    kernel, quarters = _kernel(n_hop, at_hz, sample_hz)
    sums, weights = [], []
    before: Floats | None = None
    last = 0.0
    for (samples,) in whole_windows(recording, [channel], n_hop):
        here = ~np.isnan(samples)
        whole, last = _bridged(samples, here, last)
        n_rest = -len(whole) % n_hop
        whole = np.concatenate((whole, np.full(n_rest, last)))
        present = np.concatenate((here, np.zeros(n_rest, bool))).reshape(-1, n_hop)
        if before is None:
            before = np.full(3 * n_hop, whole[0])
            weights.append(np.zeros((3, 4)))
        sums.append(_swept(np.concatenate((before, whole)), n_hop, kernel))
        weights.append(present @ quarters.T)
        before = np.concatenate((before, whole))[-3 * n_hop :]
    sums.append(_swept(np.concatenate((before, np.full(3 * n_hop, last))), n_hop, kernel))  # type: ignore[arg-type]
    weights.append(np.zeros((3, 4)))
    z, weight = np.concatenate(sums), _added(np.concatenate(weights))
    turn = n_hop * np.arange(-3, len(z) - 3) / sample_hz
    return tuple(
        Baseband(f, sample_hz, n_hop, z[:, i] * np.exp(-2j * np.pi * ((f * turn) % 1.0)), weight)
        for i, f in enumerate(at_hz)
    )


def _kernel(n_hop: int, at_hz: Sequence[float], sample_hz: float) -> tuple[Floats, Floats]:
    """Cosine and sine of each line under each quarter of the window: (n_hop, 4 * 2 * lines); the quarters."""
    window = signal.get_window("blackmanharris", 4 * n_hop)
    quarters = window.reshape(4, n_hop)
    quarters = quarters / quarters.sum(axis=0)
    phase = 2 * np.pi * np.outer(np.arange(4 * n_hop), at_hz) / sample_hz
    waves = np.stack((np.cos(phase), -np.sin(phase)), axis=2).reshape(4, n_hop, -1)
    return (quarters[..., None] * waves).transpose(1, 0, 2).reshape(n_hop, -1), quarters


def _swept(samples: Floats, n_hop: int, kernel: Floats) -> Complexes:
    """Windows that begin at each hop but the last three, shape (windows, lines)."""
    parts = (samples.reshape(-1, n_hop) @ kernel).reshape(len(samples) // n_hop, 4, -1)
    return np.ascontiguousarray(_added(parts)).view(np.complex128)


def _added(parts: Floats) -> Floats:
    """Each window's four quarters, which lie one hop apart, added."""
    n = len(parts) - 3
    return np.asarray(parts[:n, 0] + parts[1 : n + 1, 1] + parts[2 : n + 2, 2] + parts[3 : n + 3, 3])


def _bridged(samples: Floats, here: npt.NDArray[np.bool_], last: float) -> tuple[Floats, float]:
    """The samples with lines over what was lost, and the last that arrived."""
    if here.all():
        return samples, float(samples[-1])
    at = np.flatnonzero(here)
    if not len(at):
        return np.full(len(samples), last), last
    return np.interp(np.arange(len(samples)), at, samples[at]), float(samples[at[-1]])
