"""``sessiongate verify BUNDLE --recompute STUDY --key KEY``: the dumps at hand decoded and judged again.

It goes the way of a run and of a bundle, into a folder of its own that is gone afterwards: the same steps,
the same codes, the same options. A bundle is a function of these, so that every byte of it is held against
what comes out; where bytes differ, so are tables and recordings, to say what that means.
"""

import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline import __version__
from pipeline.bundle.bag import write_manifests
from pipeline.bundle.choose import choose
from pipeline.bundle.gather import gather
from pipeline.bundle.keep import check_keep
from pipeline.bundle.key import Key, read_key
from pipeline.bundle.make import Order, fill, info_of, key_for, told_of
from pipeline.bundle.recoded import Recoded
from pipeline.bundle.tables import policy_of
from pipeline.ending import write_run
from pipeline.errors import InputError, Problem
from pipeline.progress import Progress
from pipeline.serving import run_here
from pipeline.steps.by_name import SESSION_STEPS
from pipeline.steps.job import StepFailed
from pipeline.steps.present import overview
from pipeline.steps.words import now
from pipeline.study import Session
from pipeline.verdict import Policy
from pipeline.verify.at_hand import AtHand, Told, at_hand, layouts_apart, policy_apart, read_trace, with_codes
from pipeline.verify.bytes_apart import compare_files
from pipeline.verify.differences import differences
from pipeline.verify.rules import POLICY
from pipeline.workflow import Plan
from schemas.bags import PAYLOAD

_SAME_VALUES = (
    "Bytes alone differ: tables and recordings hold the same values. Files may have been changed, or other "
    "versions of libraries, or another processor, wrote them."
)


@dataclass(frozen=True)
class Recomputed:
    """What doing the line again gave.

    Attributes
    ----------
    n_sessions, n_done : int
        Sessions of the bundle, and those whose dumps were all at hand.
    differences : tuple of str
        What differs, in which session, file and column, and how far; empty where everything agrees.
    notes : tuple of str
        What could not be done again or compared, and why.
    n_files, n_compared : int
        Files of the bundle beside its manifests, and those that were compared byte for byte.
    remark : str
        How far the differences go.
    """

    n_sessions: int
    n_done: int
    differences: tuple[str, ...]
    notes: tuple[str, ...]
    n_files: int = 0
    n_compared: int = 0
    remark: str = ""


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
    n_files, n_compared, remark = 0, 0, ""
    with TemporaryDirectory(prefix="sessiongate-") as scratch:
        plan = Plan.of(str(study), str(Path(scratch) / "results"), now())
        found = at_hand(told, plan.study, codes)
        codes = with_codes(codes, told, plan.study, found.names)
        apart = [*found.others, *policy_apart(_thresholds(bundle, told, plan.policy))]
        notes = [*found.notes]
        if found.names:
            sessions = _sessions(plan, told, codes)
            _run(plan, sessions, set(found.names.values()))
            again = Path(scratch) / "bundle"
            recoded = _make(plan.results, told, codes, again)
            apart += layouts_apart(told, {code: digest for code, (digest, _) in recoded.layouts.items()})
            whole = _is_whole(told, found, sessions)
            at_hand_only = None if whole else found.names.keys()
            files = compare_files(bundle, again, at_hand_only, told.dumps.keys() - found.names.keys())
            if files.differences or not whole:
                rules = len(apart)
                apart += differences(bundle / PAYLOAD, again / PAYLOAD, sorted(found.names))
                remark = _SAME_VALUES if files.differences and len(apart) == rules else ""
            apart += files.differences
            notes += files.notes
            n_files, n_compared = files.n_files, files.n_compared
    if apart and told.version != __version__:
        apart.insert(0, f"version: {told.version} made the bundle, {__version__} did it again")
    done = len(told.dumps), len(found.names), tuple(apart), tuple(notes), n_files, n_compared, remark
    return Recomputed(*done)


def _key(path: Path) -> Key:
    if not path.is_file():
        remedy = "Give the file that 'sessiongate bundle' wrote beside the bundle, by --key."
        raise InputError(
            [Problem(str(path), "", "the key to the codes of the bundle", "no such file", remedy)]
        )
    return read_key(path)


def _thresholds(bundle: Path, told: Told, policy: Policy) -> Mapping[str, tuple[float, float]]:
    """Key -> value in the bundle and now, of those that differ."""
    if told.policy_sha256 == policy.sha256:
        return {}
    path = bundle / POLICY
    try:
        before = policy_of(path.read_text(encoding="utf-8")).thresholds
    except (OSError, ValueError) as error:
        remedy = "Verify with the version that made the bundle."
        expected = "thresholds that this version knows"
        raise InputError([Problem(POLICY, "", expected, str(error), remedy)]) from None
    values = {key: (before[key].value, threshold.value) for key, threshold in policy.thresholds.items()}
    return {key: pair for key, pair in values.items() if pair[0] != pair[1]}


def _sessions(plan: Plan, told: Told, key: Key) -> tuple[Session, ...]:
    """Sessions of the study that the bundle knows of, also those without their dumps.

    Which sentences hold a name, and what the pages say, depends on all names of a study.
    """
    code = key.codes["session"]
    return tuple(session for session in plan.study.sessions if code.get(session.name, "") in told.dumps)


def _is_whole(told: Told, found: AtHand, sessions: tuple[Session, ...]) -> bool:
    """Whether all of the bundle can come out again: every dump is at hand that was there then."""
    readable = {code for code, dumps in told.dumps.items() if any(dumps.values())}
    return readable == set(found.names) and len(sessions) == len(told.dumps) and not found.others


def _run(plan: Plan, sessions: tuple[Session, ...], at_hand: set[str]) -> None:
    """All steps, one session after the other."""
    n = 0
    try:
        for session in sessions:
            for step in SESSION_STEPS:
                run_here(step, plan.jobs[session.name])
            plan.jobs[session.name].places.clear_samples()  # most of the room, and not needed any more
            if session.name in at_hand:
                n += 1
                print(f"{n} of {len(at_hand)} sessions done again", file=sys.stderr, flush=True)
        overview(replace(plan.tables, study=replace(plan.study, sessions=sessions)))
        write_run(plan.results, {"outcome": "finished", "exit_code": 0})
    except StepFailed as error:
        remedy = "Free space, or set TMPDIR to a folder with room for the results and the bundle."
        raise InputError([Problem(str(plan.results), "", "results", str(error), remedy)]) from None


def _make(results: Path, told: Told, key: Key, again: Path) -> Recoded:
    """The bundle as its options ask for it."""
    gathered = gather(results)
    keep = check_keep(sorted(told.wishes.keep), gathered)
    order = Order(results, again, again, told.wishes, told.authors, told.published)
    chosen = choose(gathered, told.wishes.sessions)
    renamed = told_of(chosen, key_for(key, gathered), replace(told.wishes, keep=keep))
    again.mkdir()
    progress = Progress()
    _, digests = fill(order, renamed, again / PAYLOAD, progress)
    progress.end()
    write_manifests(again, info_of(renamed.recoded), known=digests)
    return renamed.recoded
