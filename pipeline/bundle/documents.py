"""What describes a bundle, written in the order in which one file describes the other."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline.bundle.crate import crate
from pipeline.bundle.datapackage import datapackage
from pipeline.bundle.dictionary import dictionary
from pipeline.bundle.licence import citation, licence_text
from pipeline.bundle.readme import readme
from pipeline.bundle.recoded import Made, Recoded
from pipeline.writing import write_text
from schemas.bags import CRATE, DATA_PACKAGE


def write_documents(
    recoded: Recoded,
    made: Sequence[Made],
    folder: Path,
    sha512: Mapping[str, str],
    authors: Sequence[str] = (),
    published: str = "",
) -> tuple[Made, ...]:
    """Write README, dictionary, licence, citation, Data Package and RO-Crate beside the data.

    Parameters
    ----------
    recoded : Recoded
        The study.
    made : sequence of Made
        All that the other writers made.
    folder : Path
        The bundle's ``data``; paths in `made` are relative to it.
    sha512 : mapping
        Path -> SHA-512 in hexadecimal digits, of each file of `made`.
    authors : sequence of str
        As they are to be cited.
    published : str
        Day of publication, as YYYY-MM-DD.

    Returns
    -------
    tuple of Made
        The files written here.
    """
    texts = (
        Made("README.md", "text/markdown", "what this dataset is and how to begin"),
        Made("dictionary.md", "text/markdown", "every column of every table"),
        Made("LICENSE", "text/plain", "terms of use"),
        Made("CITATION.cff", "text/yaml", "how to cite this dataset"),
    )
    words = (
        readme(recoded, made),
        dictionary(recoded, made, folder),
        licence_text(recoded),
        citation(recoded, authors, published),
    )
    for one, text in zip(texts, words, strict=True):
        write_text(folder / one.path, text)
    package = Made(DATA_PACKAGE, "application/json", "Data Package 2.0: every table with its columns")
    write_text(folder / DATA_PACKAGE, datapackage(recoded, made, folder, sha512))
    whole = (*made, *texts, package)
    write_text(folder / CRATE, crate(recoded, whole, folder, authors, published))
    described = Made(CRATE, "application/ld+json", "RO-Crate 1.2: every file and how it was made")
    return (*texts, package, described)
