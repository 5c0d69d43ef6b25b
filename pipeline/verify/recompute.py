"""``sessiongate verify BUNDLE --recompute STUDY --key KEY``: the dumps at hand decoded and judged again.

It goes the way of a run and of a bundle, into a folder of its own that is gone afterwards: the same steps,
the same codes, the same choice. What comes out is held against the bundle.
"""

import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline import __version__
from pipeline.bundle.choose import choose
from pipeline.bundle.gather import Gathered, gather
from pipeline.bundle.key import Key, extended, read_key
from pipeline.bundle.names import Names, channel_kinds
from pipeline.bundle.parquet import write_recordings
from pipeline.bundle.recode import activities_in, names_in, recode
from pipeline.bundle.recoded import Wishes
from pipeline.bundle.tables import policy_of, write_small_files
from pipeline.bundle.trace import write_trace
from pipeline.errors import InputError, Problem
from pipeline.steps.job import StepFailed
from pipeline.steps.present import overview
from pipeline.steps.words import now
from pipeline.verdict import Policy
from pipeline.verify.at_hand import AtHand, Told, at_hand, read_trace, rules_apart, with_codes
from pipeline.verify.differences import differences
from pipeline.workers import run_here
from pipeline.workflow import Plan
from schemas.bags import PAYLOAD

_STEPS = ("convert", "validate", "detect", "judge", "report")


@dataclass(frozen=True)
class Recomputed:
    """What doing the line again gave.

    Attributes
    ----------
    n_sessions, n_done : int
        Sessions of the bundle, and those whose dumps were all at hand.
    differences : tuple of str
        What differs, in which session and column, and how far; empty where everything agrees.
    notes : tuple of str
        What could not be done again, and why.
    """

    n_sessions: int
    n_done: int
    differences: tuple[str, ...]
    notes: tuple[str, ...]


def recompute(bundle: Path, study: Path, key: Path) -> Recomputed:
    """Run the line again on the dumps at hand and compare with the bundle.

    Parameters
    ----------
    bundle : Path
        A bundle that is whole; it is only read.
    study : Path
        A study folder with all dumps of the bundle or some; it is only read.
    key : Path
        The key to the codes of the bundle; it is only read.

    Raises
    ------
    InputError
        Where one of the three is not what it should be.
    """
    told, codes = read_trace(bundle), _key(key)
    with TemporaryDirectory(prefix="sessiongate-") as scratch:
        plan = Plan.of(str(study), str(Path(scratch) / "results"), now())
        found = at_hand(told, plan.study, codes)
        codes = with_codes(codes, told, plan.study, found.names)
        apart = [*found.others, *_rules(bundle, told, plan, codes, found)]
        if found.names:
            _run(plan, found)
            data = Path(scratch) / PAYLOAD
            data.mkdir()
            _write(gather(plan.results), told, codes, data)
            apart += differences(bundle / PAYLOAD, data, sorted(found.names))
    if apart and told.version != __version__:
        apart.insert(0, f"version: {told.version} made the bundle, {__version__} did it again")
    return Recomputed(len(told.dumps), len(found.names), tuple(apart), found.notes)


def _key(path: Path) -> Key:
    if not path.is_file():
        remedy = "Give the file that 'sessiongate bundle' wrote beside the bundle, by --key."
        raise InputError(
            [Problem(str(path), "", "the key to the codes of the bundle", "no such file", remedy)]
        )
    return read_key(path)


def _rules(bundle: Path, told: Told, plan: Plan, key: Key, found: AtHand) -> list[str]:
    """Layouts and thresholds that are not those of the bundle."""
    wanted = {name: code for code, name in found.names.items()}
    used = {name for s in plan.study.sessions if s.name in wanted for name in s.layouts}
    layouts = {key.codes["layout"].get(name, name): plan.study.layouts[name].sha256 for name in sorted(used)}
    return rules_apart(told, layouts, _thresholds(bundle, told, plan.policy))


def _thresholds(bundle: Path, told: Told, policy: Policy) -> Mapping[str, tuple[float, float]]:
    """Key -> value in the bundle and now, of those that differ."""
    if told.policy_sha256 == policy.sha256:
        return {}
    path = bundle / PAYLOAD / "policy.toml"
    try:
        before = policy_of(path.read_text(encoding="utf-8")).thresholds
    except (OSError, ValueError) as error:
        remedy = "Verify with the version that made the bundle."
        expected = "thresholds that this version knows"
        raise InputError([Problem(f"{PAYLOAD}/policy.toml", "", expected, str(error), remedy)]) from None
    values = {key: (before[key].value, threshold.value) for key, threshold in policy.thresholds.items()}
    return {key: pair for key, pair in values.items() if pair[0] != pair[1]}


def _run(plan: Plan, found: AtHand) -> None:
    """All steps for the sessions at hand, one session after the other."""
    names = set(found.names.values())
    sessions = tuple(session for session in plan.study.sessions if session.name in names)
    try:
        for n, session in enumerate(sessions, 1):
            for step in _STEPS:
                run_here(step, plan.jobs[session.name])
            plan.jobs[session.name].places.clear_converted()  # half of the room, and not needed any more
            plan.jobs[session.name].places.recording.unlink(missing_ok=True)
            print(f"{n} of {len(sessions)} sessions done again", file=sys.stderr, flush=True)
        overview(replace(plan.study, sessions=sessions), plan.policy, plan.results, plan.started)
    except StepFailed as error:
        remedy = "Free space, or set TMPDIR to a folder with room for the results."
        raise InputError([Problem(str(plan.results), "", "results", str(error), remedy)]) from None


def _write(gathered: Gathered, told: Told, key: Key, data: Path) -> None:
    """Tables, recordings and trace as the bundle has them."""
    texts = [text for _, text in gathered.layouts.values()]
    classes = {"activity": activities_in(gathered), "channel": channel_kinds(texts)}
    names = Names(gathered, extended(key, names_in(gathered), classes), told.kept)
    chosen = choose(gathered, told.wanted)
    recoded, sources = recode(chosen, names, Wishes(sessions=told.wanted, keep=told.kept))
    write_recordings(recoded, sources, names, data, lambda _: None)
    write_small_files(recoded, data)
    write_trace(recoded, chosen, names, data)
