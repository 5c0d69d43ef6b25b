"""The page about contact loss: ``python tests/pages/contact_page.py`` writes it with its pictures.

The recordings are invented: somebody sits in the throwing room, then carries boards to the kiln room.
"""

import io
import re
import sys
import tempfile
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from make import SETTINGS, acceleration_axes, evidence_of, recording_of

from pipeline.detectors import Evidence, Spans, innocent, low_coupling
from pipeline.detectors.contact_loss import kind_of
from pipeline.detectors.coupling import Coupling
from pipeline.detectors.trees import contact_trees
from pipeline.detectors.weigh import AGAIN_ODDS, AGAIN_POWER, ALONE_ODDS, MEANINGS, meaning_of
from pipeline.layouts import Channel
from pipeline.simulate import Activity, Body, Contact, Mains, Scenario, simulate
from pipeline.simulate.body import Spark, Tied
from pipeline.simulate.contact import Lapse
from pipeline.simulate.front_end import FrontEnd

PAGE = Path(__file__).resolve().parents[2] / "pipeline" / "detectors" / "contact.md"
PICTURES = PAGE.parent / "pictures"
HZ = 250.0
FIELD = Channel(
    "field", "field", "V", 3.0 / 4096 / 5, -0.3, HZ, 0, 4095,
    amplifier_low=-0.28, amplifier_high=0.28, ac_corner_hz=0.16, lowpass_hz=40.0,
)  # fmt: skip
FROM_S, TO_S = 50.0, 75.0


@dataclass(frozen=True)
class Scene:
    """One picture: what happens, and what is to be seen."""

    name: str
    title: str
    seen: str
    parts: dict[str, Any] = field(default_factory=dict)
    walks: bool = True
    accelerometer: bool = True


def _lapse(kind: str, **how: Any) -> dict[str, Any]:
    return {"contact": Contact(lapses=(Lapse(FROM_S, TO_S, kind, **how),))}  # type: ignore[arg-type]


_WEAK = Mains(coupling_farad=1e-15, electrode_farad=1e-19)
SCENES = (
    Scene(
        "open", "Open: the electrode hangs off",
        "A step at either end, a floating input's mains, and no trace of the steps that the wrist feels.",
        {"contact": Contact(off=((FROM_S, TO_S),))},
    ),
    Scene(
        "intermittent", "Intermittent: contact comes and goes",
        "Jump upon jump, mains up and down. The whole stretch counts, not its openings one by one.",
        _lapse("intermittent", dwell_s=0.6),
    ),
    Scene(
        "partial", "Partial: an edge touches",
        "The skin comes through weakly, mains more than before; a step at either end.",
        _lapse("partial", ohm=3e10, farad=0.3e-12),
    ),
    Scene(
        "drying", "Drying: the skin dries out",
        "No step at the beginning: movement fades while mains grows. At the end the strap is moved.",
        {"contact": Contact(lapses=(Lapse(30.0, TO_S, "drying", ohm=1e12, farad=0.1e-12),))},
    ),
    Scene(
        "low_coupling", "Low coupling: damp soles",
        "Movement and mains both go down, gradually, and nothing steps: contact is not in doubt.",
        {"body": Body(tied=(Tied(FROM_S - 5, TO_S + 5, 3e6, 5.0),))},
    ),
    Scene("rest", "Rest", "The accelerometer is quiet as well: a still field says nothing.", {}, walks=False),
    Scene(
        "overload", "Overload: a spark",
        "The amplifier's rail, then the exponential of the AC coupling; the steps go on in it.",
        {"body": Body(sparks=(Spark(FROM_S, 1.5e-8),))},
    ),
    Scene(
        "dead", "Dead channel",
        "Noise alone: no mains, no drift, nothing of the steps, from the first sample on. No loss of "
        "contact is claimed; that this is no wearer tied to ground where mains is not seen, it cannot tell.",
        {"front": replace(FrontEnd.of_channel(FIELD), dead=True)},
    ),
    Scene(
        "no_accelerometer", "Open, without an accelerometer",
        "Whether the wearer moves is unknown: mains and steps have to do.",
        {"contact": Contact(off=((FROM_S, TO_S),))}, accelerometer=False,
    ),
    Scene(
        "no_mains", "Open, without mains",
        "Silence while the wrist moves, and steps.",
        {"contact": Contact(off=((FROM_S, TO_S),)), "mains": _WEAK},
    ),
)  # fmt: skip


def measured(scene: Scene, folder: Path) -> tuple[Evidence, Coupling, np.ndarray]:
    """Simulate a scene and look at it as the detectors do; the field in volts with it."""
    channels = (FIELD, *acceleration_axes(HZ))
    acts = (Activity(15.0, 100.0, "carrying boards", "body", 1.9),) if scene.walks else ()
    made = Scenario(duration_s=105.0, sample_hz=HZ, channels=channels, activities=acts, **scene.parts)
    counts = simulate(made, np.random.default_rng(3)).counts
    used = channels if scene.accelerometer else channels[:1]
    columns = [counts[:, i] for i in range(len(used))]
    evidence = evidence_of(recording_of(folder / "r.parquet", used, columns, HZ))
    coupling = evidence.coupling(next(iter(evidence.tracks.field.values())), SETTINGS)
    return evidence, coupling, counts[:, 0] * FIELD.scale + FIELD.offset


def said(evidence: Evidence, coupling: Coupling) -> str:
    """What is said of a scene."""
    if not coupling.off:
        marks = low_coupling.detect(evidence, SETTINGS).marks.get("low_coupling", Spans())
        tied_s = marks.n_samples / HZ
        return "no loss of contact" + (f", and low coupling for {tied_s:.0f} s" if tied_s else "")
    told = []
    for stretch in coupling.off:
        one, window_s = stretch.weighed, 0.2
        why = "; ".join(stretch.witnesses or one.reasons())
        missing = one.missing()
        told.append(
            f"{kind_of(one)}, {one.start * window_s:.1f} to {one.stop * window_s:.1f} s, probability "
            f"{one.probability:.2f} ({why}{'; missing: ' if missing else ''}{', '.join(missing)})"
        )
    return "; ".join(told)


def draw_scene(scene: Scene, seen: tuple[Evidence, Coupling, np.ndarray]) -> None:
    """Field, mains, acceleration and probability against time."""
    from matplotlib.figure import Figure

    evidence, coupling, volts = seen
    mpl.rcParams.update({"svg.fonttype": "none", "svg.hashsalt": "contact", "font.size": 8})
    figure = Figure(figsize=(6.4, 4.2), layout="constrained")
    axes = figure.subplots(4, 1, sharex=True, height_ratios=[2.2, 1, 1, 0.8])
    cut = volts[: len(volts) // 100 * 100].reshape(-1, 100)
    at_s = np.arange(len(cut)) * 0.4
    axes[0].fill_between(at_s, cut.min(axis=1), cut.max(axis=1), color="#1f4e79", lw=0.3)
    axes[0].set(ylabel="field, V", ylim=(-0.3, 0.3))
    mains = 1e3 * coupling.track.mains_peak
    axes[1].plot(np.arange(len(mains)) * 0.2, mains, color="#a04000", lw=0.9)
    axes[1].set(ylabel="mains, mV", ylim=(0, max(8.0, 1.1 * float(np.nanmax(mains, initial=0.0)))))
    rms = evidence.tracks.acceleration_rms
    if rms is None:
        axes[2].text(0.5, 0.5, "no accelerometer", ha="center", va="center", transform=axes[2].transAxes)
    else:
        axes[2].step(np.arange(len(rms)), rms, where="post", color="#2e7d32", lw=0.9)
    axes[2].set(ylabel="acc., m/s²", ylim=(0, 3))
    for stretch in coupling.off:
        one = stretch.weighed
        axes[3].bar(
            0.2 * one.start, one.probability, 0.2 * (one.stop - one.start), align="edge", color="#7b1fa2"
        )
    axes[3].set(ylabel="p(off)", ylim=(0, 1.05), xlabel="seconds", xlim=(0, 105))
    axes[0].set_title(scene.title, loc="left", fontsize=9)
    for one in axes:
        one.spines[["top", "right"]].set_visible(False)
    figure.align_ylabels()
    PICTURES.mkdir(exist_ok=True)
    text = io.StringIO()
    figure.savefig(text, format="svg", metadata={"Date": None})
    # A tenth of a point is fine enough, and keeps the files small.
    small = re.sub(r"\d+\.\d{2,}", lambda found: f"{float(found.group()):.1f}", text.getvalue())
    (PICTURES / f"{scene.name}.svg").write_text(small, encoding="utf-8")


def page_of(sayings: dict[str, str]) -> str:
    """The text of the page."""
    trees, asked, of = contact_trees(), Counter[str](), defaultdict[str, list[str]](list)
    for name, n in trees.questions().items():
        asked[meaning_of(name)] += n
        of[meaning_of(name)].append(name)
    lines = [
        "# Contact loss: how it is told",
        "",
        "An electrode that has left the skin still gives a signal. This page shows what it looks like, what",
        "is mistaken for it, and which witnesses tell them apart. All recordings here are invented: somebody",
        "sits in the throwing room, then carries boards from 15 s to 100 s. Written by",
        "`python tests/pages/contact_page.py`.",
        "",
        "No witness decides alone. Mains changes when a lamp is switched, the field is silent on damp soles,",
        "and a step may be a spark. Boosted trees weigh them together; what each of them adds to the",
        "log-odds stands behind it, and their sum is the probability in the finding, beside its limit",
        f"({SETTINGS['contact_loss.least_probability']:g}).",
        "",
    ]
    for scene in SCENES:
        lines += [
            f"## {scene.title}", "", f"![{scene.title}](pictures/{scene.name}.svg)", "", scene.seen, "",
            f"Said: {sayings[scene.name]}.", "",
        ]  # fmt: skip
    lines += [
        "## What is asked", "",
        "The trees of `contact_trees.csv` ask one question after the other: whether a witness lies",
        "above a bound. From question to question the log-odds go up or down, and what a finding",
        "gives as its reasons are these steps, added up by what the questions are about. Before any",
        f"question a stretch has log-odds of {trees.beforehand():.1f}. Then a strap that came off once",
        "counts as loose: where the likeliest loss at another time in the recording has the probability p,",
        f"the odds of this one become {ALONE_ODDS:g} (1 - q) + {AGAIN_ODDS:g} q times what they were, with q",
        f"the power {AGAIN_POWER} of p; that is said as a reason, too. Last, three innocent things of which",
        "the trees were told little take log-odds, each by a mark of its own:",
        "",
        "- a line that changes its size but, wherever it does, keeps its phase within",
        f"  {innocent.STEADY_RAD:g} rad is a lamp's: unless movement falls silent, {-innocent.STEADY_ODDS:g}"
        f" ({-innocent.STEADY_UNFELT_ODDS:g} without an",
        "  accelerometer, where nothing can be seen to fall silent);",
        f"- plain mains that stays within {innocent.UNCHANGED_OCTAVES:g} octaves of what it is beside,",
        "  without a jump at the ends, is no open electrode's, whatever falls silent:",
        f"  {-innocent.UNCHANGED_ODDS:g};",
        "- movement and mains that both go down, with nothing at one of the ends, are what soles do that",
        f"  dampen and tie the wearer to ground: {-innocent.GROUNDED_ODDS:g}.",
        "",
        "Nothing else goes into it. Changes are in",
        "octaves (1 is twice as much) against the seconds on either side, jumps against those of",
        "like moments, movement against like movement elsewhere in the recording. A witness that is",
        "missing is a case of its own at each question. Trees in place of a weighted sum, since",
        "witnesses tell something only together: mains that is more is a lamp, but a lost contact",
        "if the level jumps with it. `python tests/fit_contact.py` fits them. How often all this is",
        "right on recordings that they were not fitted on stands in DEVELOPERS.md.",
        "",
        "| what is asked about | questions | witnesses |", "|---|---|---|",
        *(f"| {text} | {asked[key]} | {', '.join(f'`{name}`' for name in of[key])} |"
          for key, (text, _) in MEANINGS.items() if of[key]), "",
        "## What cannot be told", "",
        "Where mains does not show, or folds among movement or onto half the rate (50 and 64 Hz, 50 Hz mains",
        "at 100 Hz), a loss at rest is nothing but a step of the level, and an electrode that shifts on the",
        "skin makes one, too. The share of lost contact is null there, with its reason. A partial contact",
        "whose impedance stays far below the input's changes nothing and is no fault. A lamp that is",
        "switched on just when something else jumps is taken for a loss; a loss that begins without a step",
        "while the wearer rests is taken for a lamp. Where a recording begins or ends within a loss, half of",
        "what tells it is missing, and where most of a recording is lost, what is usual is not.", "",
    ]  # fmt: skip
    return "\n".join(lines)


def all_said(pictures: bool) -> dict[str, str]:
    """What is said of every scene; with its picture drawn where asked."""
    sayings = {}
    for scene in SCENES:
        with tempfile.TemporaryDirectory() as folder:
            seen = measured(scene, Path(folder))
            if pictures:
                draw_scene(scene, seen)
        sayings[scene.name] = said(seen[0], seen[1])
    return sayings


if __name__ == "__main__":
    PAGE.write_text(page_of(all_said(pictures=True)), encoding="utf-8")
