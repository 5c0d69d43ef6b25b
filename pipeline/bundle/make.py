"""The one way from results to a bundle: gathered, chosen, recoded, written aside, described, sealed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.bundle.as_csv import write_csv
from pipeline.bundle.as_edf import write_edf
from pipeline.bundle.bag import digest_of, finish, write_manifests
from pipeline.bundle.choose import Chosen, Picked, choose
from pipeline.bundle.documents import write_documents
from pipeline.bundle.first_steps import write_examples
from pipeline.bundle.gather import Gathered, check_idle, contradictory, fingerprint, gather
from pipeline.bundle.keep import check_keep
from pipeline.bundle.key import Key, check_no_other, extended, read_key, write_key
from pipeline.bundle.licence import licence_of
from pipeline.bundle.names import Names, channel_kinds
from pipeline.bundle.pages import bytes_to_show, write_pages
from pipeline.bundle.parquet import write_recordings
from pipeline.bundle.places import check_places, held_aside, left_behind
from pipeline.bundle.recode import activities_in, names_in, recode
from pipeline.bundle.recoded import Made, Recoded, Wishes
from pipeline.bundle.room import check_room, room_for, sample_bytes
from pipeline.bundle.tables import policy_of, write_small_files
from pipeline.bundle.trace import write_trace
from pipeline.errors import InputError, Problem
from pipeline.progress import Progress
from schemas.bags import PAYLOAD

Writer = Callable[[Recoded, Path], tuple[Made, ...]]

WRITERS: tuple[tuple[str, Writer], ...] = (
    ("Tables", write_small_files),
    ("First steps", write_examples),
)
"""What each stage is called, and what writes it into the folder of the data; recordings come before."""

FORMATS = {"csv": ("CSV", write_csv), "edf": ("EDF+", write_edf)}
"""What can be asked for beside Parquet -> what its stage is called, and what writes it."""


@dataclass(frozen=True)
class Order:
    """What a user asked for.

    Attributes
    ----------
    results, bundle, key : Path
        Where results are, where the bundle goes, and the key to its codes.
    wishes : Wishes
        What it is to hold; ``keep`` is checked against the study.
    authors : tuple of str
        As they are to be cited.
    published : str
        Day of publication, as YYYY-MM-DD, or empty.
    only_key : bool
        Whether to stop where another key of the same study lies beside this one.
    """

    results: Path
    bundle: Path
    key: Path
    wishes: Wishes
    authors: tuple[str, ...] = ()
    published: str = ""
    only_key: bool = False


@dataclass(frozen=True)
class Told:
    """What replaced the names of a study, the study without them, and each session (by its code) before."""

    names: Names
    recoded: Recoded
    picked: Mapping[str, Picked]


def make_bundle(order: Order, progress: Progress) -> tuple[Told, tuple[Made, ...]]:
    """Make a bundle; it appears under its name complete or not at all.

    Returns
    -------
    Told, tuple of Made
        What was handed on and what it was before, and the files that hold it.

    Raises
    ------
    InputError
        Where the results, a name, an option or the key are not as they should be.
    """
    check_places(order.results, order.bundle, order.key)
    licence_of(order.wishes.licence)
    gathered = gather(order.results)
    keep = check_keep(sorted(order.wishes.keep), gathered)
    _check_version(gathered)
    chosen = choose(gathered, order.wishes.sessions)
    _check_chosen(order, chosen)
    check_room(order.bundle.parent, room_for(chosen.sessions, order.wishes.formats), progress.tell)
    for path in left_behind(order.bundle):
        progress.tell(f"{path} is left of a bundle whose making was cut short; it may be deleted.")
    if order.only_key:
        check_no_other(order.key, names_in(gathered)["session"])
    key = key_for(read_key(order.key), gathered)
    told = told_of(chosen, key, replace(order.wishes, keep=keep))
    with held_aside(order.bundle) as aside:
        made, digests = fill(order, told, aside / PAYLOAD, progress)
        _check_unchanged(gathered)
        progress.stage("Manifests")
        write_manifests(aside, info_of(told.recoded), known=digests)
        write_key(order.key, key)
        finish(aside, order.bundle)
    progress.end()
    return told, made


def told_of(chosen: Chosen, key: Key, wishes: Wishes) -> Told:
    """Replace every name; InputError where files of the results contradict each other."""
    names = Names(chosen.gathered, key, wishes.keep)
    try:
        recoded, picked = recode(chosen, names, wishes)
    except (KeyError, TypeError, AttributeError) as error:
        raise contradictory(chosen.gathered.results, error) from None
    return Told(names, recoded, picked)


def fill(order: Order, told: Told, data: Path, progress: Progress) -> tuple[tuple[Made, ...], dict[str, str]]:
    """Write everything below ``data``, in the order in which one file is made of the other.

    Returns
    -------
    tuple of Made
        The files.
    dict
        Path from the top of the bundle -> SHA-512, of all but those that describe it.
    """
    names, recoded = told.names, told.recoded
    data.mkdir()
    progress.stage("Recordings", sample_bytes(told.picked.values()))
    made = [*write_recordings(recoded, told.picked, names, data, progress.add)]
    for title, write in WRITERS:
        progress.stage(title)
        made += write(recoded, data)
    for name, (title, write_format) in FORMATS.items():
        if name in order.wishes.formats:
            progress.stage(title, _bytes_below(data / "recordings"))
            made += write_format(recoded, data, progress.add)
    progress.stage("Reports", bytes_to_show(told.picked.values()))
    made += write_pages(recoded, told.picked, names, data, progress.add)
    progress.stage("Trace")
    made += write_trace(recoded, told.picked, names, data, order.authors, order.published)
    digests = _digests(made, data, progress)
    described = write_documents(recoded, made, data, digests, order.authors, order.published)
    return (*made, *described), {f"{PAYLOAD}/{path}": digest for path, digest in digests.items()}


def key_for(key: Key, gathered: Gathered) -> Key:
    """The key at hand, with a code for every name of this study."""
    texts = [text for _, text in gathered.layouts.values()]
    classes = {"activity": activities_in(gathered), "channel": channel_kinds(texts)}
    return extended(key, names_in(gathered), classes)


def _digests(made: Sequence[Made], data: Path, progress: Progress) -> dict[str, str]:
    """SHA-512 of every file by its path: for the descriptions, and for the manifest after them."""
    progress.stage("Checksums and descriptions", sum((data / one.path).stat().st_size for one in made))
    return {one.path: digest_of(data / one.path, progress.add) for one in made}


def info_of(recoded: Recoded) -> dict[str, str]:
    """What ``bag-info.txt`` says beside the payload's size."""
    n = len(recoded.recorded)
    return {
        "External-Description": f"{recoded.title}: {n} recording{'' if n == 1 else 's'}, de-identified",
        "Bag-Software-Agent": f"sessiongate {recoded.version}",
    }


def _check_version(gathered: Gathered) -> None:
    try:
        policy = policy_of(gathered.policy_text)
    except ValueError:
        policy = None
    if policy is None or policy.sha256 != gathered.policy_sha256:
        found = f"those of version {gathered.version}, with thresholds that this one does not have"
        remedy = "Run 'sessiongate run' again with this version, or bundle with that one."
        raise InputError([Problem(str(gathered.results), "", "results of this version", found, remedy)])


def _check_chosen(order: Order, chosen: Chosen) -> None:
    """Whether there is anything to hand on."""
    if not any(picked.recording for picked in chosen.sessions):
        found = f"none by --sessions {order.wishes.sessions}"
        remedy = "Choose --sessions usable or all, or look into the report why nothing was accepted."
        raise InputError([Problem(str(order.results), "", "a session to hand on", found, remedy)])


def _bytes_below(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def _check_unchanged(gathered: Gathered) -> None:
    results = gathered.results
    check_idle(results)
    if not (results / "run.json").exists() or fingerprint(results) != gathered.run_sha256:
        remedy = "Wait until the run is done, and bundle again."
        raise InputError(
            [Problem(str(results), "", "results that stay as they are", "a run that changed them", remedy)]
        )
