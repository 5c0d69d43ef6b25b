"""Lines that spectra show, confirmed and measured by their phase over the whole recording.

A line of the mains keeps its phase: it passes Thomson's test over stretches of 16 s, where steps, whose pace
wanders by per cents, do not. Steps as even as a metronome do keep theirs, but they have parts at other
multiples of the pace, where no line of the mains folds.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.detectors.findings import Spans
from pipeline.detectors.line_frequency import Estimate, estimate, estimate_apart
from pipeline.detectors.line_test import LEAST_SAMPLES, critical_f, line_f
from pipeline.detectors.lines import (
    SLOW_LINE_HZ,
    TRACKED_HZ,
    Line,
    Spectra,
    Spectrum,
    find_mains,
    fold_hz,
    level_beside,
    lowpass_gain,
    unfold_hz,
)
from pipeline.detectors.narrow import NarrowLine, Pace
from pipeline.detectors.phase import Baseband, basebands
from pipeline.recording import Recording

TEST_S = 16.0
"""Stretches of the test: long for steps, short for the wander of mains, some 10 mHz within them."""

CHANCE = 1e-3
"""Probability that noise passes the test at a frequency where nothing is."""

PLAIN_RATIO = 1000.0
"""Height over the spectrum beside it from which a line that is not among movement needs no test: one that
comes and goes within a stretch is spread by that, and fails it (30 dB; common practice, no source)."""

SLOW_F = 5.0
"""What the test must give at least for a line among movement, that much more than what is beside it."""

WANDER_HZ = 0.05
"""Most that 10 s means of the line's frequency may spread among movement: three times what they do on
synchronous grids (common practice, no source), of which a part is what steps do to it."""

PACES = ((1, 5), (1, 4), (1, 3), (2, 5), (1, 2), (2, 3), (3, 4), (3, 2), (2, 1))
"""Where else steps stand, as ratios, if one multiple of their pace is taken for a line: at 50 Hz the line of
60 Hz folds to 10 Hz, five times the usual pace."""

NOT_A_PACE_HZ = 0.3
"""So near to where a line of the mains folds, a line is that."""

STEPS_S = 4.0
LOCKED = 0.7
"""Stretches in which phases are compared, and from which mean cosine on two lines are parts of one rhythm:
of 15 stretches by chance one time in a thousand (exp(-15 * 0.7^2), Rayleigh)."""

LASTS = 0.3
"""Size of a line in half of the stretches, over its size in all: a grid that nobody states is there all
along, while a few jolts make lines of few moments anywhere among movement."""

LEAST_STEPS = 8
"""Stretches that the comparison needs."""

LEAST_STEP = 0.1
"""Size of the other part over the line's: less is what the line itself leaves there."""


@dataclass(frozen=True)
class Grid:
    """The line of one nominal frequency with its harmonics; ``narrow`` where the line lies among movement."""

    lines: tuple[Line, ...]
    narrow: NarrowLine | None


@dataclass(frozen=True)
class LookedFor:
    """Nominal frequencies, and ``mains.line_ratio`` and ``mains.fold_margin_hz`` of the policy."""

    nominal_hz: Sequence[float]
    ratio: float
    margin_hz: float


def measure_lines(
    recording: Recording, spectra: Spectra, wanted: LookedFor, still: Spans | None
) -> tuple[Grid, ...]:
    """The line and its harmonics of each nominal frequency, as their phase bears them out.

    Parameters
    ----------
    recording : Recording
        Of which `spectra` were taken.
    spectra : Spectra
        Show the candidates.
    wanted : LookedFor
        What is looked for; the stated grid first.
    still : Spans, optional
        Samples at which the wearer is known to be still.

    Returns
    -------
    tuple of Grid
        Lines have frequency and size with their uncertainty; those that do not pass are as not found, and
        those among movement, of which nothing can be told without stillness, as not assessable.
    """
    grids = [_candidates(spectra, hz, wanted) for hz in wanted.nominal_hz]
    sample_hz = spectra.sample_hz
    lines = [line for grid in grids for line in grid if line.found_hz is not None]
    at_hz = [fold_hz(line.found_hz or 0.0, sample_hz) for line in lines]
    slow_hz = [hz for line, hz in zip(lines, at_hz, strict=True) if _is_slow(line)]
    paces = [(hz, ratio) for hz in slow_hz for ratio in _paces(hz, sample_hz, grids)]
    wanted_hz = [*at_hz, *(hz * part / of for hz, (part, of) in paces)]
    bands = basebands(recording, spectra.channel.name, wanted_hz)
    of_line = {(line.nominal_hz, line.harmonic): band for line, band in zip(lines, bands, strict=False)}
    beside = tuple(
        (hz, Pace(*ratio, band)) for (hz, ratio), band in zip(paces, bands[len(lines) :], strict=False)
    )
    judge = _Judge(spectra, of_line, beside, still)
    stated, *others = grids
    return (judge.grid(stated), *(judge.grid(grid, is_stated=False) for grid in others))


def _candidates(spectra: Spectra, nominal_hz: float, wanted: LookedFor) -> tuple[Line, ...]:
    """What spectra show; among movement in stillness, and where that shows nothing, at any time."""
    lines = find_mains(spectra, nominal_hz, wanted.ratio, wanted.margin_hz)
    if spectra.still is None:
        return lines
    at_any_time = find_mains(replace(spectra, still=None), nominal_hz, wanted.ratio, wanted.margin_hz)
    return tuple(
        line if line.found_hz is not None or not _is_slow(line) else other
        for line, other in zip(lines, at_any_time, strict=True)
    )


@dataclass(frozen=True)
class _Judge:
    """What is known of one channel: the basebands of its lines, and of where steps would stand beside."""

    spectra: Spectra
    bands: dict[tuple[float, int], Baseband]
    paces: tuple[tuple[float, Pace], ...]
    still: Spans | None

    def grid(self, lines: tuple[Line, ...], is_stated: bool = True) -> Grid:
        """Each line as found, not found, or not assessable."""
        first, *harmonics = lines
        seen = self._see(first)
        if not is_stated and _is_slow(first) and seen is not None and not self._lasts(first):
            seen = None
        said = (self._said(first, seen), *(self._said(h, self._see(h, first, seen)) for h in harmonics))
        narrow = None
        if seen is not None and _is_slow(first):
            band = self.bands[first.nominal_hz, 1]
            gain = lowpass_gain(self.spectra.channel, said[0].found_hz or first.nominal_hz)
            narrow = NarrowLine(band, seen.at_hz - band.at_hz, gain, self._paces_of(band))
        return Grid(said, narrow)

    def _lasts(self, line: Line) -> bool:
        band = self.bands[line.nominal_hz, line.harmonic]
        sums, weights = band.segments(round(STEPS_S * band.rate_hz))
        size = np.abs(sums[weights > 0]) / weights[weights > 0]
        return bool(np.median(size) >= LASTS * np.sqrt(np.mean(size**2)))

    def _paces_of(self, band: Baseband) -> tuple[Pace, ...]:
        return tuple(pace for at_hz, pace in self.paces if at_hz == band.at_hz)

    def _see(self, line: Line, first: Line | None = None, leader: Estimate | None = None) -> Estimate | None:
        """A line whose phase bears it out; a harmonic follows its fundamental's wander."""
        if line.found_hz is None:
            return None
        band, spectra = self.bands[line.nominal_hz, line.harmonic], self.spectra
        if first is not None and leader is not None and leader.wander is not None:
            side = _side(line, spectra.sample_hz) * _side(first, spectra.sample_hz)
            band = band.turned(side * line.harmonic * leader.wander)
        density, n_beside = level_beside(spectra.whole, band.at_hz, TRACKED_HZ)
        found = estimate(band, density, TRACKED_HZ) if n_beside else None
        if found is not None and self._is_borne_out(line, band, found):
            return found
        if _is_slow(line) and spectra.still is not None and self.still is not None:
            return self._see_still(band, spectra.still, self.still)
        return None

    def _is_borne_out(self, line: Line, band: Baseband, found: Estimate) -> bool:
        f, needed = _test(band, found.at_hz)
        if not _is_slow(line):
            return f > needed or (line.ratio or 0.0) > PLAIN_RATIO
        is_steps = found.wander_hz > WANDER_HZ or any(
            _is_one_rhythm(band, pace) for pace in self._paces_of(band)
        )
        return f > max(needed, SLOW_F) and not is_steps

    def _see_still(self, band: Baseband, spectrum: Spectrum, still: Spans) -> Estimate | None:
        """A line among movement, while there is none."""
        density, n_beside = level_beside(spectrum, band.at_hz, TRACKED_HZ)
        found = estimate_apart(band.within(still), density, TRACKED_HZ) if n_beside else None
        return found if found is not None and found.amplitude > 3 * found.amplitude_uncertainty else None

    def _said(self, line: Line, found: Estimate | None) -> Line:
        """A line with what was measured of it."""
        if found is None:
            lost = replace(line, found_hz=None, rms=None, ratio=None)
            if not line.assessable or not _is_slow(line) or self.spectra.still is not None:
                return lost
            why = (
                f"at {self.spectra.sample_hz:.4g} Hz sampling, {line.nominal_hz * line.harmonic:g} Hz folds "
                f"to {line.folded_hz:.3g} Hz, among movement; the wearer was never still for long enough, as "
                "far as one knows, to tell them apart, and nothing there keeps its phase as mains does"
            )
            return replace(lost, assessable=False, why=why)
        true_hz = unfold_hz(found.at_hz, line.nominal_hz * line.harmonic, self.spectra.sample_hz)
        at_electrode = 1 / (math.sqrt(2) * lowpass_gain(self.spectra.channel, true_hz))
        return replace(
            line,
            found_hz=true_hz,
            found_uncertainty_hz=found.uncertainty_hz,
            rms=found.amplitude * at_electrode,
            rms_uncertainty=found.amplitude_uncertainty * at_electrode,
            wander_hz=None if math.isnan(found.wander_hz) else found.wander_hz,
        )


def _is_slow(line: Line) -> bool:
    return line.folded_hz < SLOW_LINE_HZ


def _side(line: Line, sample_hz: float) -> int:
    """Whether a line that goes up goes up after folding, too."""
    true_hz = line.nominal_hz * line.harmonic
    return 1 if true_hz >= sample_hz * round(true_hz / sample_hz) else -1


def _paces(at_hz: float, sample_hz: float, grids: Sequence[tuple[Line, ...]]) -> list[tuple[int, int]]:
    """The ratios to `at_hz` at which a rhythm would have other parts, and mains has no line."""
    lines = [line.folded_hz for grid in grids for line in grid]
    found = []
    for part, of in PACES:
        pace_hz = at_hz * part / of
        apart = all(abs(pace_hz - line_hz) > NOT_A_PACE_HZ for line_hz in lines)
        if apart and 0.7 < pace_hz < min(SLOW_LINE_HZ, 0.45 * sample_hz):
            found.append((part, of))
    return found


def _test(band: Baseband, at_hz: float) -> tuple[float, float]:
    """Thomson's F of a line in stretches of 16 s, and what it must exceed."""
    n = min(len(band.z), round(TEST_S * band.rate_hz))
    n_all = len(band.z) // n if n >= LEAST_SAMPLES else 0
    if not n_all:
        return 0.0, math.inf
    segments = band.z[: n_all * n].reshape(n_all, n)
    segments = segments[band.weight[: n_all * n].reshape(n_all, n).any(axis=1)]
    if not len(segments):
        return 0.0, math.inf
    f = line_f(segments, np.array([(at_hz - band.at_hz) / band.rate_hz]))
    return float(f[0]), critical_f(CHANCE, n_segments=len(segments))


def _is_one_rhythm(band: Baseband, pace: Pace) -> bool:
    """Whether the phase at part/of of the frequency goes with the line's: then both are steps."""
    n = round(STEPS_S * band.rate_hz)
    (line, weight), (step, _) = band.segments(n), pace.band.segments(n)
    if (weight > 0).sum() < LEAST_STEPS or np.linalg.norm(step) < LEAST_STEP * np.linalg.norm(line):
        return False
    size = np.abs(line) * np.abs(step)
    angle = pace.part * np.angle(line) - pace.of * np.angle(step)
    total = float(size.sum())
    return total > 0 and abs(complex(np.sum(size * np.exp(1j * angle)))) > LOCKED * total
