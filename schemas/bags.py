"""Names and texts of a BagIt 1.0 bag (RFC 8493) that who writes a bundle and who checks one share."""

DECLARATION = "bagit.txt"
DECLARATION_TEXT = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
INFO = "bag-info.txt"
MANIFEST = "manifest-sha512.txt"
TAG_MANIFEST = "tagmanifest-sha512.txt"
FETCH = "fetch.txt"
PAYLOAD = "data"
OXUM = "Payload-Oxum"
"""Label in bag-info.txt: bytes of the payload, a full stop, number of its files."""

DATA_PACKAGE = "datapackage.json"
CRATE = "ro-crate-metadata.json"
DOCUMENTS = ("README.md", "dictionary.md", "LICENSE", "CITATION.cff")
"""What is for people to read; the Data Package names every file but these, itself and the crate."""

BLOCK_BYTES = 1 << 20
"""What is read and hashed at once."""

_ESCAPES = (("%", "%25"), ("\n", "%0A"), ("\r", "%0D"))


def escaped(path: str) -> str:
    """Path as it stands in a manifest: '%', LF and CR percent-encoded, and only those (RFC 8493, 2.1.3)."""
    for character, escape in _ESCAPES:
        path = path.replace(character, escape)
    return path
