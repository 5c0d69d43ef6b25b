"""``ro-crate-metadata.json``: every file of a bundle and how it was made, by RO-Crate 1.2.

Source: RO-Crate Metadata Specification 1.2 (Sefton et al., 2025): root data entity, data entities, provenance
of files as ``CreateAction``. Dumps are named by their SHA-256 and by nothing else; no person is named but the
authors that the user gave.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pipeline.bundle.fields import PARQUET, TABLES, columns_of, session_of
from pipeline.bundle.licence import KEYWORDS, in_short, licence_of
from pipeline.bundle.recoded import Made, Recoded, RecodedSession
from schemas.bags import CRATE
from schemas.columns import Column

CONTEXT = "https://w3id.org/ro/crate/1.2/context"
STANDARD = "https://w3id.org/ro/crate/1.2"
NO_DAY = "1970-01-01"
"""Stands for a day of publication that nobody stated: plainly none, and no date of the study."""

_ROOT, _PROGRAM, _SHARED = "./", "#sessiongate", "#make-shared"
_DUMP = "sha256:"
_HOW = (
    "Dumps were decoded by their layout, put on one clock, checked by detectors and judged by the policy; "
    "then names, dates and texts were replaced."
)
_HOW_SHARED = "Made of the results of all sessions; names, dates and texts were replaced."
_UCUM = "https://ucum.org/ucum"

Entity = dict[str, Any]


def crate(
    recoded: Recoded, made: Sequence[Made], folder: Path, authors: Sequence[str] = (), published: str = ""
) -> str:
    """Text of ``ro-crate-metadata.json``.

    Parameters
    ----------
    recoded : Recoded
        The study.
    made : sequence of Made
        Every file below ``data`` but this one.
    folder : Path
        The bundle's ``data``.
    authors : sequence of str
        As they are to be cited; none are known to the program.
    published : str
        Day of publication, as YYYY-MM-DD. The standard wants one: where it is empty, `NO_DAY` stands, and
        the description says so.
    """
    files = [_file(one, folder) for one in made]
    by_session = _by_session(recoded, made)
    folders = [_folder(session, by_session[session.code]) for session in recoded.recorded]
    inside = {part for one in folders for part in _ids(one["hasPart"])}
    others = [entity["@id"] for entity in files if entity["@id"] not in inside]
    quantities = _quantities(made, folder)
    actions = _actions(recoded, by_session)
    root = _root(recoded, published) | {
        "license": {"@id": _licence(recoded)["@id"]},
        "hasPart": _refs((*(one["@id"] for one in folders), *others)),
        "variableMeasured": _refs(entity["@id"] for entity in quantities),
        "mentions": _refs(action["@id"] for action in actions),
    }
    people = [{"@id": f"#author-{n}", "@type": "Person", "name": name} for n, name in enumerate(authors, 1)]
    if people:
        root["author"] = _refs(person["@id"] for person in people)
    descriptor = {
        "@id": CRATE,
        "@type": "CreativeWork",
        "about": {"@id": _ROOT},
        "conformsTo": {"@id": STANDARD},
    }
    graph = [descriptor, root, _licence(recoded), *people, *folders, *files]
    graph += [*quantities, _program(recoded), *_dumps(actions), *actions]
    return json.dumps({"@context": CONTEXT, "@graph": graph}, indent=1, ensure_ascii=False) + "\n"


def _id(path: str) -> str:
    """Path as an identifier: a relative URI."""
    return quote(path, safe="/-_.~")


def _refs(several: Iterable[str]) -> list[Entity] | Entity:
    """References; a single one stands without a list, as the standard asks for."""
    references = [{"@id": one} for one in several]
    return references[0] if len(references) == 1 else references


def _ids(references: list[Entity] | Entity) -> list[str]:
    return [one["@id"] for one in (references if isinstance(references, list) else [references])]


def _root(recoded: Recoded, published: str) -> Entity:
    description = f"{in_short(recoded)} README.md says how to begin."
    if not published:
        description += (
            f" The day of publication is not stated: {NO_DAY} stands for it, since the standard wants a date."
        )
    return {
        "@id": _ROOT,
        "@type": "Dataset",
        "name": recoded.title,
        "description": description,
        "datePublished": published or NO_DAY,
        "keywords": list(KEYWORDS),
    }


def _licence(recoded: Recoded) -> Entity:
    licence = licence_of(recoded.wishes.licence)
    if licence is None:
        return {
            "@id": "#no-licence",
            "@type": "CreativeWork",
            "name": "No licence stated",
            "description": "Nothing beyond what the law allows may be done; ask who gave you the dataset.",
        }
    return {
        "@id": licence.address,
        "@type": "CreativeWork",
        "name": licence.title,
        "identifier": licence.identifier,
        "description": f"Licence with the SPDX identifier {licence.identifier}.",
    }


def _program(recoded: Recoded) -> Entity:
    return {
        "@id": _PROGRAM,
        "@type": "SoftwareApplication",
        "name": "sessiongate",
        "description": "Turns raw dumps of a body-worn electric-field sensor into a judged dataset.",
        "url": {"@id": "README.md"},
        "version": recoded.version,
    }


def _file(one: Made, folder: Path) -> Entity:
    """A file with its size and what it was made from, where that is in the crate."""
    entity: Entity = {
        "@id": _id(one.path),
        "@type": "File",
        "name": one.path,
        "description": one.description,
        "encodingFormat": one.media_type,
        "contentSize": str((folder / one.path).stat().st_size),
    }
    origins = [_id(path) for path in one.made_from if not path.startswith(_DUMP)]
    if origins:
        entity["isBasedOn"] = _refs(origins)
    return entity


def _by_session(recoded: Recoded, made: Sequence[Made]) -> dict[str, list[Made]]:
    """Code of a session -> its files; under '' those of none."""
    files: dict[str, list[Made]] = {"": [], **{session.code: [] for session in recoded.sessions}}
    for one in made:
        files[session_of(one.path, files.keys() - {""})].append(one)
    return files


def _folder(session: RecodedSession, own: Sequence[Made]) -> Entity:
    place = f"recordings/{session.code}/"
    held = session.quality.get("duration_s")
    length = f"; the session lasted {held:.0f} s" if held is not None else ""
    parts = "" if session.parts is None else "; only the parts that may be used"
    return {
        "@id": place,
        "@type": "Dataset",
        "name": f"Recording {session.code}",
        "description": f"Participant {session.participant}, device {session.device}{length}{parts}.",
        "hasPart": _refs(_id(one.path) for one in own if one.path.startswith(place)),
    }


def _quantities(made: Sequence[Made], folder: Path) -> list[Entity]:
    """What was measured: each channel once, however many recordings have it."""
    found: dict[tuple[str, str, str], Column] = {}
    for one in made:
        if one.table in ("samples", "events") and one.media_type == PARQUET:
            own = {column.name for column in TABLES[one.table]}
            for column in columns_of(one, folder):
                if column.name not in own:
                    found.setdefault((column.name, column.unit, column.description), column)
    return [
        {
            "@id": f"#channel-{number}",
            "@type": "PropertyValue",
            "name": column.name,
            **({"description": column.description} if column.description else {}),
            "unitText": column.unit,
            "unitCode": f"{_UCUM}#{quote(column.unit)}",
        }
        for number, (_, column) in enumerate(sorted(found.items()), 1)
    ]


def _actions(recoded: Recoded, by_session: Mapping[str, Sequence[Made]]) -> list[Entity]:
    """How files were made: those of each session from its dumps, the others from what is of all."""
    actions = []
    shared = by_session[""]
    present = {one.path for one in shared}
    for session in recoded.sessions:
        own = by_session[session.code]
        if own:
            rules = [*(f"layouts/{name}.toml" for name in session.layout.split(";")), "policy.toml"]
            objects = [
                *map(_dump_id, _dumps_of(session, own)),
                *(_id(path) for path in rules if path in present),
            ]
            name = f"Session {session.code} decoded, checked and judged"
            results = [_id(one.path) for one in own]
            actions.append(_action(f"#make-{session.code}", (name, _HOW), objects, results))
    words = ("Tables and descriptions of all sessions made", _HOW_SHARED)
    actions.append(_action(_SHARED, words, [], [_id(one.path) for one in shared]))
    return actions


def _dumps_of(session: RecodedSession, own: Sequence[Made]) -> list[str]:
    """Dumps of a session, each as ``sha256:...``."""
    said = session.quality.get("made_by", {}).get("dumps", {}).values()
    origins = {origin for one in own for origin in one.made_from if origin.startswith(_DUMP)}
    return sorted(origins | {f"{_DUMP}{digest}" for digest in said})


def _action(
    identifier: str, words: tuple[str, str], objects: Sequence[str], results: Sequence[str]
) -> Entity:
    return {
        "@id": identifier,
        "@type": "CreateAction",
        "name": words[0],
        "description": words[1],
        "instrument": {"@id": _PROGRAM},
        **({"object": _refs(objects)} if objects else {}),
        "result": _refs(results),
    }


def _dump_id(digest: str) -> str:
    return f"#dump-{digest.replace(':', '-')}"


def _dumps(actions: Sequence[Entity]) -> list[Entity]:
    """Dumps that files were made from: they are not in the crate, and only their digest is known here."""
    several = {identifier for action in actions for identifier in _ids(action.get("object", []))}
    return [
        {
            "@id": identifier,
            "@type": "CreativeWork",
            "name": "A raw dump, not in this dataset",
            "identifier": identifier.removeprefix("#dump-").replace("-", ":", 1),
        }
        for identifier in sorted(several)
        if identifier.startswith("#dump-")
    ]
