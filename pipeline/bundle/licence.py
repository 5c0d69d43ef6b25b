"""The licence of a bundle by its SPDX identifier, and how the bundle is cited and told of in short."""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

from pipeline.bundle.recoded import Recoded
from pipeline.errors import InputError, Problem

_TITLES = {
    "CC0-1.0": "Creative Commons Zero 1.0 Universal",
    "CC-BY-4.0": "Creative Commons Attribution 4.0 International",
    "CC-BY-NC-4.0": "Creative Commons Attribution Non Commercial 4.0 International",
    "CC-BY-SA-4.0": "Creative Commons Attribution Share Alike 4.0 International",
    "ODbL-1.0": "Open Data Commons Open Database License v1.0",
    "ODC-By-1.0": "Open Data Commons Attribution License v1.0",
    "PDDL-1.0": "Open Data Commons Public Domain Dedication & License 1.0",
    "CDLA-Permissive-2.0": "Community Data License Agreement Permissive 2.0",
}
"""Full names as in the SPDX licence list (from memory); of any other licence the identifier is the name."""


KEYWORDS = ("electric-field sensing", "wearable sensor", "accelerometer", "data quality")
"""By which a bundle is found, wherever it is described."""


@dataclass(frozen=True)
class Licence:
    """A licence of the SPDX list: its identifier, its name, and where its text stands."""

    identifier: str
    title: str
    address: str


def licence_of(identifier: str, said_in: str = "--licence") -> Licence | None:
    """Licence with this SPDX identifier; None where the identifier is empty.

    Parameters
    ----------
    identifier : str
        One identifier of the SPDX licence list in any case, such as ``cc-by-4.0``.
    said_in : str
        Where the user gave it, for the message.

    Raises
    ------
    InputError
        If the list that the package ``packaging`` carries has no such identifier, or there are several.
    """
    if not identifier.strip():
        return None
    try:
        known = canonicalize_license_expression(identifier.strip())
    except InvalidLicenseExpression:
        known = None
    if known is None or any(sign in known for sign in " ()+") or known.startswith("LicenseRef-"):
        raise InputError(
            [
                Problem(
                    said_in,
                    "",
                    "one identifier of the SPDX licence list, such as CC-BY-4.0, CC0-1.0 or ODbL-1.0",
                    repr(identifier),
                    "Look it up on spdx.org/licenses. Without it the bundle says that none is stated.",
                )
            ]
        )
    return Licence(known, _TITLES.get(known, known), f"https://spdx.org/licenses/{known}.html")


def licence_text(recoded: Recoded) -> str:
    """Text of ``LICENSE``: identifier and address of the licence, whose own words are not copied."""
    licence = licence_of(recoded.wishes.licence)
    if licence is None:
        return (
            "No licence was stated when this dataset was made.\n\n"
            "Without one, nobody but those who hold the rights may copy, change or pass it on, beyond what\n"
            "the law of the place allows. Ask whoever gave you the dataset.\n"
        )
    return (
        f"SPDX-License-Identifier: {licence.identifier}\n\n"
        f"This dataset is offered under {licence.title}.\n"
        f"The text of the licence: {licence.address}\n\n"
        "A licence settles copyright and database rights alone. What participants agreed to, what the\n"
        "ethics approval says and the law on personal data hold beside it.\n"
    )


def in_short(recoded: Recoded) -> str:
    """What a bundle is, in one sentence for its descriptions."""
    return (
        "Recordings of a body-worn electric-field sensor with an accelerometer, judged and de-identified by "
        f"sessiongate {recoded.version}."
    )


def citation(recoded: Recoded, authors: Sequence[str] = (), published: str = "") -> str:
    """Text of ``CITATION.cff``, in the Citation File Format 1.2.0.

    Parameters
    ----------
    recoded : Recoded
        The study.
    authors : sequence of str
        As they are to be cited; none are known to the program.
    published : str
        Day of publication, as YYYY-MM-DD; left out where empty.
    """
    licence = licence_of(recoded.wishes.licence)
    unnamed = "Authors not named in the dataset"
    lines = [
        "cff-version: 1.2.0",
        "message: If you use this dataset, please cite it as below.",
        "type: dataset",
        f"title: {json.dumps(recoded.title, ensure_ascii=False)}",
        "authors:",
        *(f"  - name: {json.dumps(name, ensure_ascii=False)}" for name in (*authors,) or (unnamed,)),
        *([f"date-released: {json.dumps(published)}"] if published else []),
        *([f"license: {licence.identifier}"] if licence else []),
        "abstract: >-",
        "  Recordings of a body-worn electric-field sensor with an accelerometer, judged and de-identified",
        f"  by sessiongate {recoded.version}.",
        "keywords:",
        *(f"  - {word}" for word in KEYWORDS),
    ]
    return "\n".join(lines) + "\n"
