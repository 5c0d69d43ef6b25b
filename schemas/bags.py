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

SHORT_FINGERPRINT = 16
"""Digits of a fingerprint's shortened form, in fours: 64 bits, enough to read out over a telephone."""


def fingerprint_words(digest: str) -> tuple[str, str]:
    """What is said of the fingerprint of a bundle: the SHA-512 of its `TAG_MANIFEST`.

    That file holds the checksum of the manifest, which holds those of all files: who knows the fingerprint
    from elsewhere knows all of them.
    """
    short = "-".join(digest[i : i + 4] for i in range(0, SHORT_FINGERPRINT, 4))
    return (
        f"Fingerprint of the whole: {short}; in full, the SHA-512 of {TAG_MANIFEST}: {digest}",
        "It can be sent or cited apart from the bundle: whoever changes a bundle can write the checksums in it "
        "anew, but not what you were given by another way.",
    )


_ESCAPES = (("%", "%25"), ("\n", "%0A"), ("\r", "%0D"))


def escaped(path: str) -> str:
    """Path as it stands in a manifest: '%', LF and CR percent-encoded, and only those (RFC 8493, 2.1.3)."""
    for character, escape in _ESCAPES:
        path = path.replace(character, escape)
    return path
