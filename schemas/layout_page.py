"""The keys of the page on the layout language, ``schemas/layouts.md``, made from the tables.

``python -m schemas.layout_page`` writes them anew between their two marks; a test holds the two together. All
else on the page is written by hand.
"""

from pathlib import Path

from pipeline.layouts.catalogue import ALIASES, CATALOGUE
from schemas.dictionary import keys_table
from schemas.layout_keys import CHANNEL, FRAME, LAYOUT, TEXT
from schemas.part_keys import PART, PARTS

PLACE = Path(__file__).with_name("layouts.md")
_BEGIN = "<!-- keys: made from the tables by python -m schemas.layout_page -->"
_END = "<!-- end of the keys -->"


def with_keys(page: str) -> str:
    """The page with the keys as they are in the tables now."""
    before, rest = page.split(_BEGIN)
    return before + "\n\n".join((_BEGIN, *_keys(), _END)) + rest.split(_END)[1]


def _keys() -> list[str]:
    common = [key for key in PART if not key.parts or key.name == "byte_order"]
    parts = [
        "### Top",
        keys_table(LAYOUT),
        "### `[text]`",
        keys_table(TEXT),
        "### `[[frame]]`",
        keys_table(FRAME),
        "### `[[frame.part]]`",
        keys_table(common),
    ]
    for kind, meaning in PARTS.items():
        own = [key for key in PART if kind in key.parts and key not in common]
        parts += [f'#### `is = "{kind}"`', f"{meaning[0].upper()}{meaning[1:]}.", keys_table(own)]
        if kind == "checksum":
            parts.append("Known by name: " + ", ".join(f"`{name}`" for name in (*CATALOGUE, *ALIASES)) + ".")
    return [*parts, "### `[[channel]]`", keys_table(CHANNEL)]


if __name__ == "__main__":
    text = with_keys(PLACE.read_text(encoding="utf-8"))
    PLACE.write_text(text, encoding="utf-8", newline="\n")
