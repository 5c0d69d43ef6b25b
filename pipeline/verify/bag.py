"""Checks a folder as a bag by RFC 8493: complete, and every checksum right."""

import unicodedata
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from pipeline.progress import Watch, unwatched
from pipeline.verify.faults import ASK, COPY_AGAIN, NO_FILE, Fault, of_bag, of_bundle, shown
from pipeline.verify.fetching import read_fetch
from pipeline.verify.manifests import Manifest, is_manifest, read_manifest
from pipeline.verify.tags import Oxum, read_declaration, read_info
from pipeline.verify.tree import Listing, Tree
from schemas.bags import DECLARATION, DECLARATION_TEXT, FETCH, INFO, MANIFEST, PAYLOAD, TAG_MANIFEST

LARGEST_TEXT = 64 << 20
"""Bytes of a manifest or of another text that is read whole: room for 300,000 files."""

_DIGITS = 16
"""Digits of a checksum that are shown: enough to tell two apart."""

_LITTER = (".DS_Store", "Thumbs.db", "desktop.ini")
_DELETE = "Delete it, if you put it there; else copy the bundle again."


@dataclass(frozen=True)
class Read:
    """What the tag files say: manifests, the payload's size, and faults of their text."""

    manifests: tuple[Manifest, ...]
    oxum: Oxum | None
    faults: tuple[Fault, ...]

    @cached_property
    def listed(self) -> dict[str, dict[str, str]]:
        """Path -> algorithm -> checksum, over all manifests."""
        checksums: dict[str, dict[str, str]] = defaultdict(dict)
        for manifest in self.manifests:
            for path, digest in manifest.entries.items():
                checksums[path][manifest.algorithm] = digest
        return dict(checksums)


def read_tags(tree: Tree, listing: Listing) -> Read:
    """Read declaration, manifests and ``bag-info.txt``; nothing that they name is opened."""
    faults: list[Fault] = []
    raw = _text_of(tree, listing, DECLARATION, faults, f"the text '{shown(DECLARATION_TEXT)}'")
    encoding, wrong = ("utf-8", []) if raw is None else read_declaration(raw)
    faults += wrong
    manifests = []
    names = [path for path in listing.files if is_manifest(path)]
    for name in names:
        if (raw := _text_of(tree, listing, name, faults)) is not None:
            manifest, wrong = read_manifest(name, raw, encoding)
            manifests.append(manifest)
            faults += wrong
    faults += _too_many(manifests)
    if not any(not name.startswith("tag") for name in names):
        faults.append(of_bag(MANIFEST, "", "a manifest of the payload", "none"))
    for name in (MANIFEST, TAG_MANIFEST):
        if name not in listing.files and not (name == MANIFEST and not names):
            faults.append(of_bundle(name, "", "checksums by SHA-512", NO_FILE, COPY_AGAIN))
    if FETCH in listing.files and (raw := _text_of(tree, listing, FETCH, faults)) is not None:
        faults += read_fetch(raw, encoding, tuple(manifests))
    oxum = None
    if INFO not in listing.files:
        faults.append(of_bundle(INFO, "", "what the bag holds, with its size", NO_FILE, COPY_AGAIN))
    elif (raw := _text_of(tree, listing, INFO, faults)) is not None:
        oxum, wrong = read_info(raw, encoding)
        faults += wrong
    return Read(tuple(manifests), oxum, tuple(faults))


def _too_many(manifests: list[Manifest]) -> list[Fault]:
    """Two manifests of one kind and algorithm, and, beyond the standard, any but the two of a bundle."""
    faults = []
    first: dict[tuple[bool, str], str] = {}
    for manifest in manifests:
        other = first.setdefault((manifest.of_tags, manifest.algorithm), manifest.name)
        if other != manifest.name:
            expected = f"one manifest by {manifest.algorithm.upper()}"
            faults.append(of_bag(manifest.name, "", expected, f"{shown(other)} beside it", ASK))
        elif manifest.name not in (MANIFEST, TAG_MANIFEST):
            expected = f"no manifests but {MANIFEST} and {TAG_MANIFEST}"
            faults.append(of_bundle(manifest.name, "", expected, "another"))
    return faults


def _text_of(
    tree: Tree, listing: Listing, path: str, faults: list[Fault], expected: str = "a file"
) -> bytes | None:
    if path not in listing.files:
        faults.append(of_bag(path, "", expected, listing.others.get(path, NO_FILE)))
        return None
    try:
        return tree.read(path, LARGEST_TEXT)
    except ValueError as error:
        faults.append(of_bag(path, "", "a text of moderate size", str(error)))
    except OSError as error:
        faults.append(_unreadable(path, error))
    return None


def check_complete(read: Read, listing: Listing) -> list[Fault]:
    """Files that are missing or too many, links, empty folders, and the payload's size (RFC 8493, 3)."""
    faults = [
        of_bag(path, "", "files and folders alone", kind, f"It was not followed. {_DELETE}")
        for path, kind in listing.others.items()
    ]
    faults += [
        of_bag(path, "", "a folder that can be looked into", why, f"Mend its permissions. {COPY_AGAIN}")
        for path, why in listing.unread.items()
    ]
    inside = f"{PAYLOAD}/"
    if not any(path.startswith(inside) for path in listing.files):
        faults.append(of_bag(inside, "", "the payload", "no file"))
    faults += [
        of_bundle(f"{path}/", "", "no folder without a file", "an empty folder", _DELETE)
        for path in listing.empty
        if path != PAYLOAD
    ]
    if FETCH in listing.files:
        found = "a list of files to be fetched"
        faults.append(of_bundle(FETCH, "", "a bundle that holds all its files", found))
    return faults + _uneven(read, listing) + _size(read.oxum, listing)


def _uneven(read: Read, listing: Listing) -> list[Fault]:
    """Files that stand in one manifest and not in another of its kind."""
    faults = []
    for of_tags in (False, True):
        ours = [m for m in read.manifests if m.of_tags == of_tags]
        every = {path for manifest in ours for path in manifest.entries}
        for manifest in ours:
            for path in sorted(every - manifest.entries.keys()):
                if path in listing.files:
                    found = "it in another manifest alone"
                    faults.append(of_bag(path, "", f"a line in {manifest.name}", found, ASK))
    return faults


def _size(oxum: Oxum | None, listing: Listing) -> list[Fault]:
    if oxum is None:
        return []
    sizes = [size for path, size in listing.files.items() if path.startswith(f"{PAYLOAD}/")]
    if (oxum.n_bytes, oxum.n_files) == (sum(sizes), len(sizes)):
        return []
    expected = f"{oxum.n_files} files of {oxum.n_bytes} bytes in {PAYLOAD}/"
    return [of_bag(INFO, "Payload-Oxum", expected, f"{len(sizes)} files of {sum(sizes)} bytes")]


def check_sums(
    tree: Tree, listing: Listing, read: Read, stated: Mapping[str, int], watch: Watch
) -> list[Fault]:
    """Read every listed file once and compare; then match what is missing with what is too many.

    Parameters
    ----------
    tree, listing, read
        The bag.
    stated : mapping
        Path -> size in bytes, where another part of the bundle tells it.
    watch : callable
        Told the number of bytes read.
    """
    listed = read.listed
    by = {(path, m.algorithm): m.name for m in read.manifests for path in m.entries}
    faults: list[Fault] = []
    found: dict[str, dict[str, str]] = {}
    for path, sums in listed.items():
        if path in listing.files:
            found[path] = _sums(tree, path, sums, faults, watch)
    owner = {digest: path for path, sums in listed.items() for digest in sums.values()}
    for path, sums in found.items():
        for algorithm, digest in sums.items():
            if digest != listed[path][algorithm]:
                other = owner.get(digest)
                what = _in_size(listing.files[path], stated.get(path))
                if other and other != path:
                    what = f"the content of {shown(other)}"
                sum_ = f"{algorithm.upper()} {listed[path][algorithm][:_DIGITS]}..."
                expected = f"content of {sum_}, by {by[path, algorithm]}"
                faults.append(of_bag(path, "", expected, f"{what}, {digest[:_DIGITS]}..."))
    faults += _absent(tree, listing, read, listed)
    wrong = {fault.problem.file for fault in (*faults, *read.faults)}
    doubtful = [m.name for m in read.manifests if not m.of_tags and m.name in wrong]
    return [_by_doubtful(fault, doubtful[0]) for fault in faults] if doubtful else faults


def _by_doubtful(fault: Fault, manifest: str) -> Fault:
    """Nobody is to rename or delete a file because a damaged manifest says so."""
    if not fault.problem.file.startswith(f"{PAYLOAD}/"):
        return fault
    remedy = f"{manifest} itself is damaged: copy that again first, then verify once more."
    return replace(fault, problem=replace(fault.problem, remedy=remedy))


def _sums(
    tree: Tree, path: str, algorithms: Iterable[str], faults: list[Fault], watch: Watch
) -> dict[str, str]:
    try:
        return tree.digests(path, tuple(algorithms), watch)
    except OSError as error:
        faults.append(_unreadable(path, error))
        return {}


def _unreadable(path: str, error: OSError) -> Fault:
    remedy = "Mend its permissions and verify again, or copy the bundle again if the disk is failing."
    return of_bag(path, "", "a file that can be read", error.strerror or str(error), remedy)


def _in_size(size: int, stated: int | None) -> str:
    if stated is None:
        return f"other content of {size} bytes"
    if size < stated:
        return f"a file cut short, {size} of {stated} bytes"
    return (
        "other content of the same size" if size == stated else f"a file too long, {size} for {stated} bytes"
    )


def _absent(tree: Tree, listing: Listing, read: Read, listed: Mapping[str, Mapping[str, str]]) -> list[Fault]:
    """Missing and unlisted files; a missing one that stands there under another name is told as such."""
    missing = [path for path in listed if path not in listing.files]
    extra = [path for path in listing.files if path not in listed and not _may_be_unlisted(path, read)]
    faults: list[Fault] = []
    algorithms = {m.algorithm for m in read.manifests}
    here: dict[str, list[str]] = defaultdict(list)
    if missing:  # else nothing can have been renamed, and what is too many need not be read
        for path in extra:
            for digest in _sums(tree, path, algorithms, faults, unwatched).values():
                here[digest].append(path)
    folders = _folders(listing)
    renamed = set()
    for path in missing:
        others = [other for digest in listed[path].values() for other in here[digest] if other not in renamed]
        if others:
            renamed.add(others[0])
            faults.append(_renamed(path, others[0]))
        else:
            faults.append(
                of_bag(path, "", "a file, as a manifest lists it", _instead(path, listing, folders))
            )
    return faults + [_unlisted(path) for path in extra if path not in renamed]


def _instead(path: str, listing: Listing, folders: Collection[str]) -> str:
    if path in listing.others:
        return listing.others[path]
    return "a folder" if path in folders else NO_FILE


def _folders(listing: Listing) -> set[str]:
    """All folders in which something stands, and the empty ones."""
    folders = set(listing.empty)
    for path in (*listing.files, *listing.others):
        while (path := path.rpartition("/")[0]) and path not in folders:
            folders.add(path)
    return folders


def _renamed(path: str, other: str) -> Fault:
    same = unicodedata.normalize("NFC", path) == unicodedata.normalize("NFC", other)
    how = ", which differs in how its letters are encoded" if same else ""
    found = f"its content as {ascii(other) if same else shown(other)}{how}"
    return of_bag(path, "", "a file of this name", found, "Give it its name back.")


def _unlisted(path: str) -> Fault:
    name = path.rpartition("/")[2]
    litter = name in _LITTER or name.startswith("._")
    remedy = "A file browser left it: delete it." if litter else _DELETE
    make = of_bag if path.startswith(f"{PAYLOAD}/") else of_bundle
    return make(path, "", "listed files alone", "a file that no manifest lists", remedy)


def _may_be_unlisted(path: str, read: Read) -> bool:
    """No manifest lists manifests of tag files; where a kind of manifest says nothing, that is one fault.

    That there is a list of files to be fetched is a fault of its own.
    """
    of_tags = not path.startswith(f"{PAYLOAD}/")
    ours = [manifest for manifest in read.manifests if manifest.of_tags == of_tags]
    return not any(manifest.entries for manifest in ours) or (
        of_tags and path in (FETCH, *(m.name for m in ours))
    )
