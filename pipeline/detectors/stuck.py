"""Values that repeat longer than the signal can."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.detectors.evidence import Evidence
from pipeline.detectors.findings import Detected, Finding, Measure, Severity, Spans, listed
from pipeline.detectors.lines import HARMONICS, fold_hz
from pipeline.detectors.repeats import Repeats
from pipeline.detectors.runs import CHANCE, Floats, Runs, changing_beside, changing_within, log_chance
from pipeline.detectors.tracks import FieldTrack, Settings
from pipeline.layouts import Channel
from pipeline.recording import BLOCK_ROWS

Mask = npt.NDArray[np.bool_]

LIVELY = 0.15
"""Share of changes in the quietest second from which noise alone keeps a channel from standing still."""

CALM, CALM_SECONDS = 0.05, 5
"""Share of changes by more than a count up to which a second is one of rest, and how many tell of rest."""

VARIES, VARYING_SECONDS = 0.01, 10
"""Share of changes by more than a count, and seconds with so many, in which an axis tells that the one beside
it should vary: noise that makes them (0.28 counts) lets no value stand."""

BEAT_S = 1.5
"""How long a line that folds near half the rate may fall below a count (common practice, no source)."""

MOSTLY = 0.5
"""Share of the seconds of a run in which the wearer moves, from which it is none at rest."""

FEW_RUNS = 6
"""A channel with more runs than this stands still by itself now and then."""


def detect(evidence: Evidence, settings: Settings) -> Detected:
    """Measure the share of samples in runs of one code that chance does not explain.

    Each run is held against how often values repeat beside it, by :func:`pipeline.detectors.runs.log_chance`.
    Runs at a rail belong to saturation, filled rows to the dropouts. An axis of the acceleration that stands
    still while the others move is told of, but no sample of the field is marked for it.
    """
    recording, tracks = evidence.recording, evidence.tracks
    together = tracks.held.together(tracks.repeats)
    return Detected.united(
        [
            *(_of_field(evidence, track, settings, together) for track in evidence.tracks.field.values()),
            *(_of_axis(evidence, axis, settings, together) for axis in recording.of_kind("acceleration")),
        ]
    )


def _of_field(evidence: Evidence, track: FieldTrack, settings: Settings, together: Spans) -> Detected:
    repeats, channel = evidence.tracks.repeats, track.channel
    runs = repeats.runs[channel.name]
    runs = runs.where(_is_free(runs, evidence, track))
    runs = runs.where(_by_chance(runs, evidence, channel, settings) < np.log(CHANCE))
    spans = _arrived(evidence, channel, runs)
    n_present = int(repeats.pairs[channel.name].sum()) + 1 if not np.isnan(repeats.low[channel.name]) else 0
    # What all channels repeat at once is stuck as well; the dropouts tell of it.
    n_stuck = Spans.merged(spans, together).n_samples
    fraction = min(n_stuck / n_present, 1.0) if n_present else None
    text = f"{channel.name} repeats one value: the converter or its memory stood still; check the device."
    absent = "" if n_present else "no sample arrived"
    measure = Measure("stuck_fraction", fraction, "1", channel.name, absent, n_present)
    told = _findings(evidence, channel, _apart(runs, together), settings, "fault", text)
    return Detected(told, (measure,), {"stuck": spans})


def _of_axis(evidence: Evidence, axis: Channel, settings: Settings, together: Spans) -> Detected:
    is_alone = not _beside(evidence, axis.name)
    how = "though noise alone would change it" if is_alone else "while the other axes move"
    text = (
        f"{axis.name} repeats one value {how}: check the sensor, its bus, and what the layout reads for it; "
        "the field is not affected, but what rests on the acceleration is."
    )
    runs = _apart(axis_runs(evidence, axis.name), together)
    return Detected(_findings(evidence, axis, runs, settings, "warning", text))


def axis_runs(evidence: Evidence, axis: str) -> Runs:
    """Runs of one value of an axis of the acceleration while the other axes of its sensor move."""
    repeats = evidence.tracks.repeats
    runs = repeats.runs[axis]
    # An axis that is dead often stands at its end: no acceleration stays there.
    runs = runs.where(_is_not_filled(runs, repeats))
    likely = _while_others_move(runs, repeats, axis, _beside(evidence, axis))
    return runs.where(likely < np.log(CHANCE))


def _beside(evidence: Evidence, axis: str) -> list[str]:
    """The other axes of the same sensor: one at the ankle may lie still while another at the wrist moves."""
    sensors = evidence.tracks.sensors.values()
    return [name for track in sensors if axis in track.axes for name in track.axes if name != axis]


def _by_chance(runs: Runs, evidence: Evidence, channel: Channel, settings: Settings) -> Floats:
    """What chance makes of each run of a field channel: by what stands beside it, or by all of the recording.

    Of a run while the wearer is still, only such seconds beside it tell in which the wearer is still, too. A
    run that the signal comes to and leaves by single counts may be rest that no accelerometer tells of.
    """
    repeats = evidence.tracks.repeats
    changes, pairs = repeats.changes[channel.name], repeats.pairs[channel.name]
    beside = log_chance(runs, changes, pairs, repeats.n_window)
    still = _still(evidence, settings)
    moves, seconds = (~still).astype(np.int64), np.ones(len(still), np.int64)
    at_rest = changing_within(runs, moves, seconds, repeats.n_window) < MOSTLY
    calm = log_chance(runs, changes * still, pairs * still, repeats.n_window, unknown=np.inf)
    beside[at_rest] = calm[at_rest]
    steps = [
        np.abs(runs.value - values)[:, 0] <= 1.5 * abs(channel.scale) for values in (runs.before, runs.after)
    ]
    beside[steps[0] & steps[1]] = np.inf
    throughout = _never_quiet(runs, repeats, channel.name)
    # Mains that folds to half the rate beats with it: a moment without it is short, and not the only one.
    calm_at_times = bool((repeats.wide[channel.name] <= CALM * pairs)[pairs > 0].any())
    if calm_at_times and _beats(evidence, settings):
        throughout[steps[0] & steps[1] & (runs.n < BEAT_S * evidence.recording.sample_hz)] = np.inf
    return np.fmin(beside, throughout)


def _beats(evidence: Evidence, settings: Settings) -> bool:
    """Whether mains or a harmonic of it folds to within the margin of half the rate."""
    half_hz, margin_hz = evidence.recording.sample_hz / 2, settings["mains.fold_margin_hz"]
    folded = (fold_hz(evidence.mains_hz * order, 2 * half_hz) for order in HARMONICS)
    return any(half_hz - at_hz <= margin_hz for at_hz in folded)


def _still(evidence: Evidence, settings: Settings) -> Mask:
    """Seconds in which the accelerometer says that the wearer keeps still; none where there is none."""
    spread, n = evidence.tracks.acceleration_rms, len(evidence.tracks.repeats.row_pairs)
    still = np.zeros(n, bool)
    if spread is not None:
        still[: len(spread)] = spread[:n] < settings["movement.still_m_s2"]
    return still


def _while_others_move(runs: Runs, repeats: Repeats, name: str, others: Sequence[str]) -> Floats:
    """The same of an axis: as much less is expected to change in a run as the others move less.

    Only changes by more than a count tell of movement: an axis whose noise is less than a count stands still
    by itself, and where it does depends on where between two codes it lies.
    """
    own = repeats.wide[name], repeats.pairs[name], repeats.n_window
    beside = log_chance(runs, *own, livelier=_livelier(runs, repeats, others))
    # Where nothing stands beside a run, only the others tell that it should vary.
    beside[np.isneginf(beside) & ~_vary(runs, repeats, others)] = np.inf
    free = _free(runs, repeats, name)
    wide, pairs = repeats.wide[name][free], repeats.pairs[name][free]
    is_noisy = np.count_nonzero(wide <= CALM * pairs) >= CALM_SECONDS and wide.all()
    return np.fmin(beside, _never_quiet(runs, repeats, name)) if is_noisy else beside


def _livelier(runs: Runs, repeats: Repeats, others: Sequence[str]) -> Floats:
    """By how much less the liveliest of other channels moves in each run than beside it: 1 for no less."""
    livelier = np.zeros(len(runs))
    for other in others:
        counts = repeats.wide[other], repeats.pairs[other], repeats.n_window
        beside = np.fmax(*changing_beside(runs, *counts, runs_change=True))
        within = changing_within(runs, *counts)
        livelier = np.fmax(livelier, np.minimum(within / np.maximum(beside, 1e-9), 1.0))
    return livelier


def _vary(runs: Runs, repeats: Repeats, others: Sequence[str]) -> Mask:
    """Whether others of the channels change by more than a count in enough seconds of each run."""
    moves = np.zeros(len(repeats.row_pairs), bool)
    for name in others:
        moves |= repeats.wide[name] > VARIES * repeats.pairs[name]
    seconds = Spans.of_mask(moves).stretched(repeats.n_window)
    return seconds.n_within(runs.spans) >= VARYING_SECONDS * repeats.n_window


def _never_quiet(runs: Runs, repeats: Repeats, name: str) -> Floats:
    """The same where noise alone has a channel change in every second that holds no run."""
    counts = repeats.changes[name], repeats.pairs[name], repeats.n_window
    free = _free(runs, repeats, name)
    least = (counts[0][free] / counts[1][free]).min(initial=1.0)
    if not free.any() or least < LIVELY or len(runs) > FEW_RUNS:
        return np.full(len(runs), np.inf)
    beside = np.fmin(*changing_beside(runs, *counts, runs_change=False))
    return log_chance(runs, *counts, livelier=np.minimum(least / np.maximum(beside, 1e-9), 1.0))


def _free(runs: Runs, repeats: Repeats, name: str) -> Mask:
    """Measured seconds without any part of a run."""
    n, pairs = repeats.n_window, repeats.pairs[name]
    held = Spans.merged(Spans(runs.start // n, (runs.stop - 1) // n + 1))
    return ~held.mask(0, len(pairs)) & (pairs >= max(n // 2, 1))


def _is_free(runs: Runs, evidence: Evidence, track: FieldTrack) -> Mask:
    """Whether runs of a field channel stand off the rails, stated or found, and are none that were filled."""
    rail, value = track.overloads.rails, runs.value[:, 0]
    return (value > rail.low) & (value < rail.high) & _is_not_filled(runs, evidence.tracks.repeats)


def _is_not_filled(runs: Runs, repeats: Repeats) -> Mask:
    """Whether runs are none that a writer filled."""
    n_filled = repeats.filled.spans.n_within(runs.spans)
    return np.asarray(2 * n_filled < runs.stop - runs.start)


def _arrived(evidence: Evidence, channel: Channel, runs: Runs) -> Spans:
    """The samples of runs; those lost in between are lost and no more."""
    broken = runs.spans.where(runs.n < runs.stop - runs.start)
    lost = []
    for first, stop in broken.pairs():
        for start in range(first, stop, BLOCK_ROWS):
            value = evidence.recording.read([channel.name], start, min(start + BLOCK_ROWS, stop))
            lost.append(Spans.of_mask(np.isnan(value[channel.name]), start))
    return runs.spans.without(Spans.merged(*lost))


def _apart(runs: Runs, together: Spans) -> Runs:
    """Those in which not all channels stand still at once: that is told as a dropout."""
    return runs.where(together.n_within(runs.spans) < MOSTLY * (runs.stop - runs.start))


def _findings(
    evidence: Evidence, channel: Channel, runs: Runs, settings: Settings, severity: Severity, text: str
) -> tuple[Finding, ...]:
    def said(start: int, stop: int) -> Finding:
        edges_s = evidence.at_s(start), evidence.recording.until_s(stop)
        lasts_s, limit_s = evidence.lasting_s(stop - start), settings["stuck.shortest_s"]
        return Finding("stuck", channel.name, *edges_s, severity, "stuck_s", lasts_s, limit_s, "s", text)

    return listed(runs.spans, said)
