"""Reads ``fetch.txt`` as text alone: a bundle has none, and nothing is ever fetched."""

import re

from pipeline.verify.faults import ASK, Fault, of_bag, shown
from pipeline.verify.manifests import LINE_END, Manifest, decoded
from pipeline.verify.paths import danger_in, unescaped
from schemas.bags import FETCH, PAYLOAD

_LINE = re.compile(r"^([A-Za-z][A-Za-z0-9+.-]*:[^ \t]+)[ \t]+([0-9]+|-)[ \t]+([^ \t].*)$")


def read_fetch(raw: bytes, encoding: str, manifests: tuple[Manifest, ...]) -> list[Fault]:
    """What is wrong with the text of ``fetch.txt`` by RFC 8493, 2.2.3, and with the paths in it."""
    text, faults = decoded(FETCH, raw, encoding)
    lines = LINE_END.split(text or "")
    for number, line in enumerate(lines if lines[-1] else lines[:-1], 1):
        where, match = f"line {number}", _LINE.match(line)
        if match is None:
            expected = "an address, a length or '-', and a path"
            faults.append(of_bag(FETCH, where, expected, f"'{shown(line, 80)}'", ASK))
            continue
        path = unescaped(match[3])
        if wrong := danger_in(match[3]) or danger_in(path):
            remedy = f"Nothing was opened there. Do not use this copy. {ASK}"
            expected, found = "a path inside the bundle", f"{wrong}: '{shown(match[3])}'"
            faults.append(of_bag(FETCH, where, expected, found, remedy))
        elif not path.startswith(f"{PAYLOAD}/"):
            faults.append(of_bag(FETCH, where, f"a path in {PAYLOAD}/", f"'{shown(path)}'", ASK))
        elif not all(path in manifest.entries for manifest in manifests if not manifest.of_tags):
            faults.append(of_bag(FETCH, where, "a path that every manifest lists", f"'{shown(path)}'", ASK))
    return faults
