"""The trees that tell lost contact, fitted anew: ``python tests/fit_contact.py`` writes their table.

Draws recordings of :mod:`pipeline.simulate.draw` of seeds that are for tuning, all of them invented, and
measures the witnesses of every stretch that contact could be lost in (:mod:`pipeline.detectors.stretches`).
Stretches that cover a lost contact, and little else, are to be told from all others. Most stretches are easy:
in two rounds those are weighed more that the trees of the round before took for lost contact wrongly, two in
each half minute, and the one that they should have chosen. It takes some 40 minutes of CPU; `--jobs` shares
them out.
"""

import argparse
import os

os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")  # before NumPy reads them

import sys
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier

sys.path.insert(0, str(Path(__file__).resolve().parent))

from make import SETTINGS, evidence_of, recording_of
from trials import SHARED_MEMORY, planted_in

from pipeline.detectors import Detected, Spans
from pipeline.detectors.coupling import LEAST_MEASURED
from pipeline.detectors.signs import signs_of
from pipeline.detectors.stretches import candidates
from pipeline.detectors.weigh import witnesses_of
from pipeline.detectors.windows import Floats
from pipeline.drill.scoring import Event, joined
from pipeline.simulate.draw import draw

TABLE = Path(__file__).resolve().parents[1] / "pipeline" / "detectors" / "contact_trees.csv"

CONTACT = ("contact_open", "contact_intermittent", "contact_partial", "contact_drying", "mixed")
LOOK_ALIKES = ("hard_rails", "soft_rails", "one_sided", "axis_stuck")
WHOLE_S, SHORT_S = 240.0, 105.0


class Asked(NamedTuple):
    """Recordings to fit on: of each kind so many seconds of each of the seeds."""

    kinds: tuple[str, ...]
    seeds: Sequence[int]
    duration_s: float = WHOLE_S
    accelerometer: bool = True


FITTED = (
    Asked(CONTACT, range(740)),
    Asked(("low_coupling", "clean", "mains"), range(500)),
    Asked(LOOK_ALIKES, range(320)),
    Asked(("held", "passing"), range(200)),
    Asked(("stuck", "zero_filled", "lost", "noise", "gain"), range(100)),
    Asked(("dead", "no_gravity", "log_swapped", "log_at_rest"), range(30)),
    Asked(CONTACT, range(2000, 2060), accelerometer=False),
    Asked(("clean", "low_coupling", "mains", *LOOK_ALIKES[:2], "passing"), range(2000, 2030),
          accelerometer=False),
    Asked((*CONTACT[:4], "low_coupling", "clean", "hard_rails", "mains"), range(2100, 2150), SHORT_S),
    Asked((*CONTACT[:3], "low_coupling", "clean"), range(2200, 2220), SHORT_S, accelerometer=False),
    Asked(("low_coupling",), range(500, 1000)),
    Asked(("mains",), range(500, 900)),
    Asked(LOOK_ALIKES[:3], range(320, 520)),
    Asked(("axis_stuck",), range(320, 400)),
    Asked(("clean",), range(500, 1700)),
    Asked(("mains",), range(900, 1400)),
)  # fmt: skip
"""11,760 recordings; half as many again of all kinds gave nothing more. Of a short one little is usual;
without an accelerometer other witnesses have to do."""

COVERS, WITHIN = 0.55, 0.6
"""A stretch is a loss that covers so much of it, and lies within losses by so much."""

FAINT = 0.5
"""Losses less plain than this are neither to be found nor to be left alone."""

SHIFT = 0.95
"""Hard cases were weighed more than they are frequent: so much more likely is a lost contact, and the
limit of ``contact_loss.least_probability`` then stands where as much is missed as is claimed wrongly."""

HALF_MINUTE_S = 30.0
GROWN: dict[str, Any] = {
    "max_iter": 300, "learning_rate": 0.06, "max_leaf_nodes": 20, "max_depth": 7, "min_samples_leaf": 30,
    "l2_regularization": 5.0, "max_features": 0.3, "early_stopping": False, "random_state": 0,
}  # fmt: skip
FIRST_ROUND = {"max_iter": 80, "max_leaf_nodes": 12, "max_depth": None, "learning_rate": 0.12}
SECOND_ROUND = {**FIRST_ROUND, "max_iter": 120}

Numbers = np.ndarray[Any, Any]


@dataclass(frozen=True)
class Cases:
    """All stretches of one recording: witnesses, and what each of them is of the losses planted.

    ``loss`` is the number of the loss it is, -1 if of none, ``alike`` the shared part of both, ``near``
    whether it touches one, ``faint`` whether that one is; ``middle_s`` where it lies.
    """

    values: Floats
    loss: Numbers
    alike: Floats
    near: Numbers
    faint: Numbers
    middle_s: Floats


def cases_of(kind: str, seed: int, asked: Asked) -> tuple[tuple[str, ...], Cases] | None:
    """Names of the witnesses, and the stretches of a recording."""
    drawn = draw(kind, seed, duration_s=asked.duration_s, accelerometer=asked.accelerometer)
    hz, channels = drawn.scenario.sample_hz, drawn.scenario.channels
    with tempfile.TemporaryDirectory(dir=SHARED_MEMORY if SHARED_MEMORY.is_dir() else None) as folder:
        counts = [drawn.counts[:, i] for i in range(len(channels))]
        recording = recording_of(Path(folder) / "r.parquet", channels, counts, hz, drawn.present)
        tracks = evidence_of(recording, drawn.mains_hz).tracks
        nothing = Detected((), (), {"saturated": Spans(), "contact_loss": Spans()})
        losses = [e for e in joined(planted_in(drawn, nothing, recording)) if e.condition == "contact_loss"]
    signs = signs_of(tracks, next(iter(tracks.field.values())), SETTINGS)
    stretches = candidates(signs)
    if not len(stretches) or signs.measured_share < LEAST_MEASURED:
        return None
    _, told = witnesses_of(signs, stretches)
    values = np.stack(list(told.values()), axis=1)
    start_s = stretches.start * signs.window_s
    stop_s = np.minimum(stretches.stop * signs.window_s, recording.n_rows / hz)
    return tuple(told), _held_against(losses, values, start_s, stop_s)


def _held_against(losses: Sequence[Event], values: Floats, start_s: Floats, stop_s: Floats) -> Cases:
    n = len(start_s)
    loss, alike, covered, inside_s = np.full(n, -1), np.zeros(n), np.zeros(n), np.zeros(n)
    near, strength = np.zeros(n, bool), np.full(n, np.inf)
    for i, event in enumerate(losses):
        shared_s = np.maximum(np.minimum(stop_s, event.stop_s) - np.maximum(start_s, event.start_s), 0.0)
        as_one = shared_s / (np.maximum(stop_s, event.stop_s) - np.minimum(start_s, event.start_s))
        better = as_one > alike
        alike, loss = np.where(better, as_one, alike), np.where(better, i, loss)
        covered = np.where(better, shared_s / event.lasts_s, covered)
        strength = np.where(better, event.strength, strength)
        inside_s += shared_s
        by_s = event.tolerance_s
        near |= (start_s < event.stop_s + by_s) & (stop_s > event.start_s - by_s)
    is_loss = (covered >= COVERS) & (inside_s / (stop_s - start_s) >= WITHIN)
    loss = np.where(is_loss, loss, -1)
    return Cases(values, loss, alike, near, strength < FAINT, (start_s + stop_s) / 2)


def first_weights(cases: Cases) -> Floats:
    """Each loss counts for four, shared out among the stretches that are it; others for little."""
    weights = np.where(cases.near, 0.15, 0.3)
    for i in np.unique(cases.loss[cases.loss >= 0]):
        at = cases.loss == i
        weights[at] = 4 * cases.alike[at] ** 3 / (cases.alike[at] ** 3).sum()
    return np.where((cases.loss >= 0) & cases.faint, 0.0, weights)


def weighed_anew(cases: Cases, log_odds: Floats) -> Floats:
    """More for the two likeliest wrong stretches of each half minute, and for the best one of each loss."""
    weights, wrong = first_weights(cases), cases.loss < 0
    half_minute = (cases.middle_s // HALF_MINUTE_S).astype(int)
    for one in np.unique(half_minute[wrong]):
        at = np.flatnonzero(wrong & (half_minute == one))
        at = at[np.argsort(-log_odds[at], kind="stable")[:2]]
        weights[at] = np.where(cases.near[at], 0.7, 2.0)
    for i in np.unique(cases.loss[~wrong & ~cases.faint]):
        at = np.flatnonzero(cases.loss == i)
        weights[at[np.argmax(log_odds[at] + 3 * cases.alike[at])]] += 2.0
    return weights


def fit(all_cases: Sequence[Cases]) -> HistGradientBoostingClassifier:
    """Trees of the last round."""
    chance = np.random.default_rng(0)
    values = np.concatenate([one.values for one in all_cases]).astype(np.float32)
    is_loss = np.concatenate([one.loss >= 0 for one in all_cases])
    ends = np.cumsum([len(one.loss) for one in all_cases])[:-1]
    weights = np.concatenate([first_weights(one) for one in all_cases])
    kept = (weights > 0) & (is_loss | (chance.random(len(weights)) < 0.3))
    trees = HistGradientBoostingClassifier(**{**GROWN, **FIRST_ROUND})
    trees.fit(values[kept], is_loss[kept], sample_weight=weights[kept])
    for how in (SECOND_ROUND, {}):
        told = np.split(trees.decision_function(values), ends)
        weights = np.concatenate([weighed_anew(*both) for both in zip(all_cases, told, strict=True)])
        easy = ~is_loss & (weights < 0.5)
        kept = (weights > 0) & (~easy | (chance.random(len(weights)) < 0.25))
        trees = HistGradientBoostingClassifier(**{**GROWN, **how})
        trees.fit(values[kept], is_loss[kept], sample_weight=np.where(easy, 4 * weights, weights)[kept])
    return trees


def lines_of(trees: HistGradientBoostingClassifier, names: Sequence[str], shift: float) -> Iterator[str]:
    """The table of :func:`pipeline.detectors.trees.parse`; `shift` is added to all log-odds."""
    yield "tree,asks,bound,unknown_below,below,above,log_odds"
    row, before = 0, shift + float(trees._baseline_prediction.item())
    for number, (grown,) in enumerate(trees._predictors):
        nodes, first = grown.nodes, row
        mean = _means(nodes)
        for i, node in enumerate(nodes):
            tree = str(number) if not i else ""
            at = mean[i] + (before if number == 0 else 0.0)
            if node["is_leaf"]:
                yield f"{tree},,,,,,{at:.4f}"
            else:
                ways = f"{int(node['missing_go_to_left'])},{first + node['left']},{first + node['right']}"
                yield f"{tree},{names[node['feature_idx']]},{node['num_threshold']:.6g},{ways},{at:.4f}"
        row += len(nodes)


def _means(nodes: Numbers) -> Floats:
    """Mean log-odds of what came through each node when it was fitted; children stand behind their node."""
    mean = nodes["value"].astype(np.float64)
    for i in range(len(nodes) - 1, -1, -1):
        if not nodes[i]["is_leaf"]:
            both = [int(nodes[i]["left"]), int(nodes[i]["right"])]
            mean[i] = np.average(mean[both], weights=nodes["count"][both])
    return mean


def _cases_of(asked: tuple[str, int, Asked]) -> tuple[tuple[str, ...], Cases] | None:
    found = cases_of(*asked)
    return found and (found[0], replace(found[1], values=found[1].values.astype(np.float32)))


def all_cases(jobs: int) -> tuple[tuple[str, ...], list[Cases]]:
    """Names of the witnesses, and the stretches of every recording in `FITTED`."""
    asked = [(kind, seed, one) for one in FITTED for kind, seed in product(one.kinds, one.seeds)]
    names: tuple[str, ...] = ()
    cases: list[Cases] = []
    with ProcessPoolExecutor(jobs) as pool:
        for i, found in enumerate(pool.map(_cases_of, asked, chunksize=8), 1):
            if found:
                names = found[0]
                cases.append(found[1])
            if i % 100 == 0 or i == len(asked):
                print(f"{i} of {len(asked)} recordings", file=sys.stderr, flush=True)
    return names, cases


def main() -> None:
    parser = argparse.ArgumentParser(description="Fit the trees that tell lost contact")
    parser.add_argument("--shift", type=float, default=SHIFT, help="log-odds added to all")
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    names, cases = all_cases(given.jobs)
    TABLE.write_text("\n".join(lines_of(fit(cases), names, given.shift)) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
