"""The one way from results to a bundle: gathered, chosen, recoded, written aside, described, sealed."""

import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from pipeline.bundle.as_csv import write_csv
from pipeline.bundle.as_edf import write_edf
from pipeline.bundle.bag import digest_of, finish, write_manifests
from pipeline.bundle.choose import Chosen, choose
from pipeline.bundle.documents import write_documents
from pipeline.bundle.first_steps import write_examples
from pipeline.bundle.gather import Gathered, check_idle, contradictory, fingerprint, gather
from pipeline.bundle.keep import check_keep
from pipeline.bundle.key import Key, extended, read_key, write_key
from pipeline.bundle.licence import licence_of
from pipeline.bundle.names import Names, channel_kinds
from pipeline.bundle.pages import bytes_to_show, write_pages
from pipeline.bundle.parquet import write_recordings
from pipeline.bundle.places import check_places, held_aside
from pipeline.bundle.progress import Progress, size_words
from pipeline.bundle.recode import activities_in, names_in, recode
from pipeline.bundle.recoded import Made, Recoded, Sources, Wishes
from pipeline.bundle.tables import policy_of, write_small_files
from pipeline.bundle.trace import write_trace
from pipeline.errors import InputError, Problem
from schemas.bags import PAYLOAD

Writer = Callable[[Recoded, Path], tuple[Made, ...]]

WRITERS: tuple[tuple[str, Writer], ...] = (
    ("Tables", write_small_files),
    ("First steps", write_examples),
)
"""What each stage is called, and what writes it into the folder of the data; recordings come before."""

_FORMATS = (("CSV", "csv", write_csv), ("EDF+", "edf", write_edf))


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
    """

    results: Path
    bundle: Path
    key: Path
    wishes: Wishes
    authors: tuple[str, ...] = ()
    published: str = ""


@dataclass(frozen=True)
class Told:
    """A study before and after names were replaced, and what replaced them."""

    chosen: Chosen
    names: Names
    recoded: Recoded
    sources: Mapping[str, Sources]


def make_bundle(order: Order, progress: Progress) -> tuple[Recoded, tuple[Made, ...]]:
    """Make a bundle; it appears under its name complete or not at all.

    Returns
    -------
    Recoded, tuple of Made
        What was handed on, and the files that hold it.

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
    _check_room(order, chosen)
    key = _key_for(order, gathered)
    names = Names(gathered, key, keep)
    try:
        recoded, sources = recode(chosen, names, replace(order.wishes, keep=keep))
    except (KeyError, TypeError, AttributeError) as error:
        raise contradictory(order.results, error) from None
    with held_aside(order.bundle) as aside:
        made = _fill(order, Told(chosen, names, recoded, sources), aside / PAYLOAD, progress)
        _check_unchanged(gathered)
        progress.stage("Checksums", _bytes_below(aside))
        write_manifests(aside, _info(recoded), progress.watch)
        write_key(order.key, key)
        finish(aside, order.bundle)
    progress.end()
    return recoded, made


def _fill(order: Order, told: Told, data: Path, progress: Progress) -> tuple[Made, ...]:
    """Write everything below ``data``, in the order in which one file is made of the other."""
    chosen, names, recoded = told.chosen, told.names, told.recoded
    data.mkdir()
    progress.stage("Recordings", _sample_bytes(chosen))
    made = [*write_recordings(recoded, told.sources, names, data, progress.watch)]
    for title, write in WRITERS:
        progress.stage(title)
        made += write(recoded, data)
    for title, name, write_format in _FORMATS:
        if name in order.wishes.formats:
            progress.stage(title, _bytes_below(data / "recordings"))
            made += write_format(recoded, data, progress.watch)
    progress.stage("Reports", bytes_to_show(chosen))
    made += write_pages(recoded, chosen, names, data, progress.watch)
    progress.stage("Trace")
    made += write_trace(recoded, chosen, names, data)
    return (*made, *_describe(order, recoded, made, data, progress))


def _key_for(order: Order, gathered: Gathered) -> Key:
    """The key at hand, with a code for every name of this study."""
    texts = [text for _, text in gathered.layouts.values()]
    classes = {"activity": activities_in(gathered), "channel": channel_kinds(texts)}
    return extended(read_key(order.key), names_in(gathered), classes)


def _describe(
    order: Order, recoded: Recoded, made: Sequence[Made], data: Path, progress: Progress
) -> tuple[Made, ...]:
    """What describes the bundle, and holds checksums of what there is."""
    progress.stage("Descriptions", sum((data / one.path).stat().st_size for one in made))
    digest = partial(digest_of, watch=progress.watch)
    return write_documents(recoded, made, data, digest, order.authors, order.published)


def _info(recoded: Recoded) -> dict[str, str]:
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


def _check_room(order: Order, chosen: Chosen) -> None:
    """Whether there is anything to hand on, and room for it."""
    if not any(picked.recording for picked in chosen.sessions):
        found = f"none by --sessions {order.wishes.sessions}"
        remedy = "Choose --sessions usable or all, or look into the report why nothing was accepted."
        raise InputError([Problem(str(order.results), "", "a session to hand on", found, remedy)])
    needed, free = _sample_bytes(chosen), shutil.disk_usage(order.bundle.absolute().parent).free
    if needed > free:
        place, remedy = str(order.bundle.parent), "Free space, or choose another place."
        raise InputError(
            [Problem(place, "", f"room for {size_words(needed)}", f"{size_words(free)} free", remedy)]
        )


def _sample_bytes(chosen: Chosen) -> int:
    held = [picked.held for picked in chosen.sessions if picked.recording]
    return sum(path.stat().st_size for one in held for path in one.samples.values())


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
