"""``sessiongate verify``: whether a bundle is whole, and is what it says it is."""

import sys
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError, Problem
from pipeline.progress import Progress, in_words, unwatched
from pipeline.verify.bag import Read, check_complete, check_sums, read_tags
from pipeline.verify.contents import check_against, read_descriptions
from pipeline.verify.faults import NO_FILE, Fault, shown
from pipeline.verify.rules import check_policy
from pipeline.verify.tree import Listing, Tree
from schemas.bags import CRATE, DATA_PACKAGE, DECLARATION, MANIFEST, PAYLOAD, TAG_MANIFEST, fingerprint_words

WHOLE, DAMAGED = 0, 1


@dataclass(frozen=True)
class Checked:
    """Faults of a bundle in the order in which they are told; bytes and files of its payload; fingerprint.

    ``fingerprint`` is that of the whole, as `schemas.bags.fingerprint_words` has it; '' where there is none.
    """

    faults: tuple[Fault, ...]
    n_bytes: int
    n_files: int
    fingerprint: str = ""


def verify(bundle: Path) -> int:
    """Check a bundle and print every fault; nothing is written and nothing outside it is read.

    Returns
    -------
    int
        0 where it is whole, 1 where it is damaged.

    Raises
    ------
    InputError
        Where it is no bundle at all.
    """
    checked = check(bundle)
    if not checked.faults:
        size = in_words(checked.n_bytes)
        print(f"Whole: {checked.n_files} files, {size}; every checksum is right: {shown(str(bundle))}")
        print("\n".join(fingerprint_words(checked.fingerprint)))
        return WHOLE
    n = len(checked.faults)
    print(f"Damaged, {n} fault{'s' if n > 1 else ''}: {shown(str(bundle))}", file=sys.stderr)
    for fault in checked.faults:
        print(f"  {fault.problem}", file=sys.stderr)
    return DAMAGED


def check(bundle: Path) -> Checked:
    """All faults of a bundle. Each listed file is read once, block by block; InputError where it is none."""
    if not bundle.is_dir():
        found = "a file" if bundle.exists() else "nothing of that name"
        raise _no_bundle(bundle, "the folder of a bundle", found)
    with Tree(bundle) as tree:
        listing = tree.listing()
        if DECLARATION not in listing.files and MANIFEST not in listing.files:
            raise _no_bundle(bundle, f"a folder with {DECLARATION} and {MANIFEST}", "neither")
        read = read_tags(tree, listing)
        ours = {f"{PAYLOAD}/{DATA_PACKAGE}", f"{PAYLOAD}/{CRATE}"}
        if not ours & (read.listed.keys() | listing.files.keys()):
            expected = f"{DATA_PACKAGE} and {CRATE} in {PAYLOAD}/"
            raise _no_bundle(bundle, expected, "neither: a bag of another kind")
        faults = _faults(tree, listing, read)
        fingerprint = "" if faults else tree.digests(TAG_MANIFEST, ["sha512"], unwatched)["sha512"]
    payload = [size for path, size in listing.files.items() if path.startswith(f"{PAYLOAD}/")]
    return Checked(tuple(faults), sum(payload), len(payload), fingerprint)


def _faults(tree: Tree, listing: Listing, read: Read) -> list[Fault]:
    listed = read.listed
    described = read_descriptions(tree, listing)
    progress = Progress(sum(size for path, size in listing.files.items() if path in listed))
    try:
        wrong = check_sums(tree, listing, read, described.sizes(), progress.add)
    finally:
        progress.end()
    told = {fault.problem.file for fault in wrong}
    about: list[Fault] = []
    for name, faults in described.faults.items():
        if f"{PAYLOAD}/{name}" not in told:  # what is damaged itself is no witness against others
            about += faults
    if f"{PAYLOAD}/{DATA_PACKAGE}" not in told:
        about += check_against(described, tree, listing, listed, told)
    about += check_policy(tree, listing)
    # What a manifest has told of a file is enough.
    told |= {shown(path) for path in listing.files if path not in listed}
    about = [fault for fault in about if fault.problem.file not in told]
    first = [fault for fault in read.faults if not (fault.problem.file in told and _is_missing(fault))]
    return [*first, *check_complete(read, listing), *wrong, *about]


def _is_missing(fault: Fault) -> bool:
    return fault.problem.found == NO_FILE


def _no_bundle(bundle: Path, expected: str, found: str) -> InputError:
    remedy = "Give the folder that 'sessiongate bundle' wrote."
    return InputError([Problem(shown(str(bundle)), "", expected, found, remedy)])
