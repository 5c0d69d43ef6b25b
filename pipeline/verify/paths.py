"""Whether a path in a manifest may be looked at: judged on its text, before anything is opened."""

import re

_ESCAPED = re.compile(r"%(0[aA]|0[dD]|25)")
_STRAY = re.compile(r"%(?!0[aA]|0[dD]|25)")
_DRIVE = re.compile(r"^[A-Za-z]:")


def unescaped(raw: str) -> str:
    """Path of a manifest with '%0A', '%0D' and '%25' put back, and only those (RFC 8493, 2.1.3)."""
    return _ESCAPED.sub(lambda match: chr(int(match[1], 16)), raw)


def has_stray_percent(raw: str) -> bool:
    """Whether a '%' stands there that is no escape, which RFC 8493, 2.1.3, does not allow."""
    return _STRAY.search(raw) is not None


def danger_in(path: str) -> str:
    """Why a path must not be opened, in a few words; empty where it may be.

    Judged with and without escapes put back, so that neither reading can leave the bundle.
    """
    if "\0" in path:
        return "a path with a NUL character"
    if path.startswith("/"):
        return "an absolute path"
    if _DRIVE.match(path):
        return "a path with a drive letter"
    if path.startswith("~"):
        return "a path into somebody's home"
    if "\\" in path:
        return "a path with a backslash, which some systems take for a separator"
    parts = path.split("/")
    if ".." in parts:
        return "a path that climbs out with '..'"
    if "." in parts:
        return "a path with '.' as a part"
    if "" in parts:
        return "a path with an empty part"
    return ""
