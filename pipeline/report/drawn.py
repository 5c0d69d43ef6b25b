"""What pages show of a session's recordings, whatever the verdict: made in one pass, and kept.

The pass is the costly part of a page, and no limit of the policy changes what it gives.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.recording import Block, Recording
from pipeline.report.glance import Envelope, Glance, Look, columns_of, recordings_of
from pipeline.report.layers import Layer
from pipeline.report.segments import Segment
from pipeline.report.spectrum import Spectrum
from pipeline.writing import written_aside

WHOLE_VALUES = 400_000
"""Samples times channels up to which a recording travels whole in its page."""
BOUNDS = 480_000
"""Least and largest values of bins, all channels together, of one that does not."""
PACKED_BYTES = 480_000
"""What bins may take, deflated; a third more in the page."""


@dataclass(frozen=True)
class Bins:
    """All of a recording as it travels in a page.

    Attributes
    ----------
    step : int
        Rows in a bin; 1 where every sample travels.
    facts : mapping
        What `Layer.packed` says of them.
    segment : Segment
        The bytes.
    largest : tuple of float
        The value farthest from zero of each channel, its sign dropped; 0 where nothing arrived.
    """

    step: int
    facts: Mapping[str, Any]
    segment: Segment
    largest: tuple[float, ...]


@dataclass(frozen=True)
class Drawn:
    """A glance at each recording that has rows, the main one first, and its bins."""

    glances: tuple[Glance, ...]
    bins: tuple[Bins, ...]


class Drawing:
    """Takes the blocks of a session's recordings as they pass.

    Parameters
    ----------
    recordings : sequence of Recording
        Those that have rows, as `pipeline.report.glance.in_order` has them.
    duration_s : float
        How long the session lasts.
    """

    def __init__(self, recordings: Sequence[Recording], duration_s: float) -> None:
        duration_s = duration_s if duration_s > 0 else recordings[0].duration_s
        self._looks = [Look(one, duration_s) for one in recordings]
        self._layers = [
            Layer(one.channels, 0, one.n_rows, step)
            for one, step in zip(recordings, _steps(recordings), strict=True)
        ]

    def add(self, i: int, block: Block) -> None:
        """Take the next block of the recording `i`, with the columns of `columns_of`."""
        inside = self._looks[i].add(block)
        if inside is not None:
            self._layers[i].add(inside)

    def finished(self) -> Drawn:
        """What was drawn; bins are so wide that they fit the budget."""
        while True:
            packed = [layer.packed() for layer in self._layers]
            segments = [Segment.of(data) for _, data in packed]
            n_bytes = sum(len(segment.data) for segment in segments)
            if n_bytes <= PACKED_BYTES or all(len(layer.bits) == 1 for layer in self._layers):
                break
            self._layers = [layer.coarser() for layer in self._layers]
        bins = [
            Bins(layer.step, facts, segment, _largest(layer))
            for layer, (facts, _), segment in zip(self._layers, packed, segments, strict=True)
        ]
        return Drawn(tuple(look.finished() for look in self._looks), tuple(bins))


def draw_files(samples: Path, duration_s: float) -> Drawn | None:
    """The same from files of samples: `samples`, and what stands beside it; None where it has no rows."""
    recordings = recordings_of(samples)
    if not recordings[0].n_rows:
        return None
    drawing = Drawing(recordings, duration_s)
    for i, one in enumerate(recordings):
        for block in one.blocks(columns_of(one)):
            drawing.add(i, block)
    return drawing.finished()


def _steps(recordings: Sequence[Recording]) -> list[int]:
    """Rows in a bin for each recording, powers of two; the bins of all last about equally long."""
    if sum(one.n_rows * len(one.channels) for one in recordings) <= WHOLE_VALUES:
        return [1] * len(recordings)
    fastest_hz = max(one.sample_hz for one in recordings)
    step = 1
    while True:
        step *= 2
        steps = [1 << max(int(np.log2(step * one.sample_hz / fastest_hz)), 0) for one in recordings]
        bounds = sum(
            (1 if own == 1 else 2) * len(one.channels) * -(-one.n_rows // own)
            for one, own in zip(recordings, steps, strict=True)
        )
        if bounds <= BOUNDS:
            return steps


def _largest(layer: Layer) -> tuple[float, ...]:
    """Of bounds of bins, the value farthest from zero in each channel."""
    found = []
    for low, high in zip(layer.low, layer.high, strict=True):
        known = low[~np.isnan(low)], high[~np.isnan(high)]
        found.append(max((float(np.abs(values).max()) for values in known if len(values)), default=0.0))
    return tuple(found)


def write_drawn(drawn: Drawn | None, path: Path) -> None:
    """Keep what was drawn; nothing, too."""
    about, arrays = [], dict[str, npt.NDArray[Any]]()
    for i, (glance, bins) in enumerate(zip(drawn.glances, drawn.bins, strict=True) if drawn else ()):
        arrays[f"{i}.low"] = np.stack([one.low for one in glance.envelopes])
        arrays[f"{i}.high"] = np.stack([one.high for one in glance.envelopes])
        arrays[f"{i}.bits"], arrays[f"{i}.lost"] = glance.bits, glance.lost
        arrays[f"{i}.bins"] = np.frombuffer(bins.segment.data, np.uint8)
        spectra = []
        for k, (name, spectrum) in enumerate(glance.spectra.items()):
            known = asdict(spectrum)
            for key in ("frequency_hz", "density"):
                arrays[f"{i}.{k}.{key}"] = known.pop(key)
            spectra.append([name, known])
        own = {"step": bins.step, "facts": bins.facts, "largest": bins.largest}
        own |= {"n_bytes": bins.segment.n_bytes, "adler": bins.segment.adler}
        about.append(
            {"duration_s": glance.duration_s, "spectra": spectra, "none": dict(glance.no_spectrum), **own}
        )
    told = json.dumps(about, allow_nan=False).encode()
    with written_aside(path) as aside, aside.open("wb") as file:
        np.savez(file, allow_pickle=False, about=np.frombuffer(told, np.uint8), **arrays)


def read_drawn(path: Path, samples: Path) -> Drawn | None:
    """Read what :func:`write_drawn` kept of the recordings in `samples` and beside it.

    Raises
    ------
    ValueError, OSError
        Where the file is another one.
    """
    with np.load(path, allow_pickle=False) as arrays:
        about = json.loads(arrays["about"].tobytes())
        if not about:
            return None
        glances, bins = [], []
        for i, (own, recording) in enumerate(zip(about, recordings_of(samples), strict=True)):
            kept = {name: arrays[f"{i}.{name}"] for name in ("low", "high", "bits", "lost", "bins")}
            spectra = {}
            for k, (name, known) in enumerate(own["spectra"]):
                both = {key: arrays[f"{i}.{k}.{key}"] for key in ("frequency_hz", "density")}
                spectra[name] = Spectrum(**both, **known)
            envelopes = tuple(map(Envelope, recording.channels, kept["low"], kept["high"]))
            glances.append(
                Glance(own["duration_s"], envelopes, kept["bits"], spectra, own["none"], lost=kept["lost"])
            )
            segment = Segment(kept["bins"].tobytes(), own["n_bytes"], own["adler"])
            bins.append(Bins(own["step"], own["facts"], segment, tuple(own["largest"])))
        return Drawn(tuple(glances), tuple(bins))
