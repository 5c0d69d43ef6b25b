"""Values that repeat longer than the signal can."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Spans
from pipeline.detectors.tracks import Settings, rails
from pipeline.layouts import Channel

CHANCE = 1e-6
"""A run counts only when chance repeats alone would make one this long once in a million recordings."""


@dataclass(frozen=True)
class _Runs:
    """Runs of equal values of at least the shortest length, and what is needed to judge them."""

    spans: Spans
    n_equal: int
    n_pairs: int


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the share of samples in runs of one code that chance does not explain.

    A quiet channel repeats codes by chance: with a share p of equal neighbours, a run of n happens by
    chance about ``N (1 - p) p^n`` times in N samples (geometric run lengths; Feller, An Introduction to
    Probability Theory, vol. 1, ch. XIII, from memory). Runs at a rail belong to saturation.
    """
    return Detected.united(
        _detect_channel(evidence, channel, settings) for channel in evidence.recording.of_kind("field")
    )


def _detect_channel(evidence: Evidence, channel: Channel, settings: Settings) -> Detected:
    shortest = max(6, round(settings["stuck.shortest_s"] * evidence.recording.sample_hz))
    runs, n_present = _long_runs(evidence, channel, shortest, settings)
    limit = max(shortest, _chance_run(runs, n_present))
    lengths = runs.spans.stop - runs.spans.start
    spans = Spans(runs.spans.start[lengths >= limit], runs.spans.stop[lengths >= limit])
    fraction = spans.n_samples / n_present if n_present else None
    findings = tuple(
        Finding(
            "stuck",
            channel.name,
            evidence.at_s(start),
            evidence.at_s(stop),
            "fault",
            "stuck_s",
            evidence.lasting_s(stop - start),
            evidence.lasting_s(limit),
            "s",
            f"{channel.name} repeats one value: the converter or its memory stood still; check the device.",
        )
        for start, stop in zip(spans.start.tolist()[:200], spans.stop.tolist()[:200], strict=True)
    )
    measure = Measure("stuck_fraction", fraction, "1", channel.name, "" if n_present else "no sample arrived")
    return Detected(findings, (measure,), {"stuck": spans})


def _chance_run(runs: _Runs, n_present: int) -> int:
    """Length that chance repeats reach with probability ``CHANCE``, long runs themselves left out."""
    inside = runs.spans.n_samples - len(runs.spans)
    n_pairs = runs.n_pairs - inside
    # A channel that never moves has no chance level: then the shortest length alone decides.
    if n_pairs <= 0:
        return 0
    p = max((runs.n_equal - inside) / n_pairs, 1 / n_pairs)
    if p >= 0.999:
        return 0
    return math.ceil(math.log(max(n_present * (1 - p), 1.0) / CHANCE) / -math.log(p))


def _long_runs(evidence: Evidence, channel: Channel, shortest: int, settings: Settings) -> tuple[_Runs, int]:
    rail = rails(
        channel, settings["saturation.rail_margin_fraction"], settings["saturation.rail_margin_counts"]
    )
    pieces, n_equal, n_pairs, n_present = [], 0, 0, 0
    carried: npt.NDArray[np.floating] = np.empty(0)
    for block in evidence.recording.blocks([channel.name]):
        value: npt.NDArray[np.floating] = block.columns[channel.name]
        n_present += len(value) - int(np.isnan(value).sum())
        first = block.start - len(carried)
        joined = np.concatenate((carried, value))
        equal = (joined[1:] == joined[:-1]) & (joined[1:] > rail.low) & (joined[1:] < rail.high)
        new = slice(max(len(carried) - 1, 0), None)
        n_equal += int(equal[new].sum())
        n_pairs += len(equal[new])
        spans = Spans.of_mask(equal, first)
        runs = Spans(spans.start, spans.stop + 1)
        keep = runs.stop - runs.start >= shortest
        pieces.append(Spans(runs.start[keep], runs.stop[keep]))
        # Enough of the end to see a run that goes on; longer ones are joined by merging.
        carried = joined[-shortest:]
    return _Runs(Spans.merged(*pieces), n_equal, n_pairs), n_present
