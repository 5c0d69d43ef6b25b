"""JSON Schemas (draft 2020-12) of the files that people write, made from the tables of keys.

``python -m schemas.json_schemas`` writes ``schemas/json/*.schema.json``; a test holds them together. An editor
that is told of them completes and checks keys while a file is written. What a schema cannot say, such as that
kinds of frame can be told apart, the program says when it reads the file.
"""

import json
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pipeline.layouts.units import SI_UNITS
from pipeline.study.load import MAINS_HZ
from schemas.keys import BINARY, FRAMINGS, SITE, STUDY, Key, taken_by
from schemas.layout_keys import CHANNEL, FRAME, LAYOUT, TEXT
from schemas.part_keys import PART

Schema = dict[str, Any]

FOLDER = Path(__file__).with_name("json")
_DRAFT = "https://json-schema.org/draft/2020-12/schema"
_POLICY = Path(__file__).parents[1] / "pipeline" / "verdict" / "policy.toml"

_MAINS_HZ = {"mains_hz": {"enum": list(MAINS_HZ)}}
_KEYS = {"layout": (*LAYOUT, *FRAME, *PART, *CHANNEL), "frame": (*FRAME, *PART), "channel": CHANNEL}
"""Keys of a table and of those in it; all others are parts."""

_PARAMETERS = ["width", "poly", "init", "reflect_in", "reflect_out", "xor_out"]
_CONVERTER = ["bits", "adc_min", "adc_max", "reference_v", "bias_v", "gain", "scale", "offset"]


def schemas() -> dict[str, str]:
    """Name of the file -> its text, for every schema."""
    made = {"layout": layout_schema(), "study": study_schema(), "policy": policy_schema()}
    return {
        f"{name}.schema.json": json.dumps(made[name], indent=2, ensure_ascii=False) + "\n" for name in made
    }


def study_schema() -> Schema:
    """What may stand in ``study.toml``."""
    site = _object(SITE, {}, _MAINS_HZ)
    return {
        "$schema": _DRAFT,
        "title": "study.toml of sessiongate",
        **_object(STUDY, {"site": _list_of(site, least=0)}, _MAINS_HZ),
    }


def policy_schema() -> Schema:
    """What may stand in ``policy.toml``: any threshold of the built-in policy, by section and name."""
    sections = {}
    for section, entries in tomllib.loads(_POLICY.read_text(encoding="utf-8")).items():
        values = {}
        for name, entry in entries.items():
            value = next(entry[bound] for bound in ("value", "max", "min") if bound in entry)
            unit = "" if entry["unit"] == "1" else f" [{entry['unit']}]"
            description = f"{entry['reason'][0].upper()}{entry['reason'][1:]}{unit}."
            range_ = {"minimum": entry.get("least", 0)} | (
                {"maximum": entry["most"]} if "most" in entry else {}
            )
            values[name] = {"description": description, "type": "number", **range_, "default": value}
        sections[section] = {"type": "object", "properties": values, "additionalProperties": False}
    return {
        "$schema": _DRAFT,
        "title": "policy.toml of sessiongate",
        "description": "What differs from the built-in policy.",
        "type": "object",
        "properties": sections,
        "additionalProperties": False,
    }


def layout_schema() -> Schema:
    """What may stand in a layout: the framing decides which keys there are, and 'is' those of a part."""
    framing = next(key for key in LAYOUT if key.name == "framing")
    definitions: Schema = {}
    begins_with_sync = {"part": {"prefixItems": [_with("is", ["sync"])]}}
    branches = [
        _when("framing", ["sync"], {"properties": {"frame": {"items": {"properties": begins_with_sync}}}})
    ]
    for one in FRAMINGS:
        definitions |= _definitions(one)
    together = dict.fromkeys(_alike("layout", framing) for framing in FRAMINGS)
    branches += [_when("framing", alike, _ref("layout", alike[0])) for alike in together]
    return {
        "$schema": _DRAFT,
        "title": "Layout of a kind of dump, of sessiongate",
        "type": "object",
        "properties": {"framing": _value(framing)},
        "required": ["framing"],
        "allOf": branches,
        "$defs": definitions,
    }


def _alike(what: str, framing: str) -> tuple[str, ...]:
    """The framings in which a table, with those in it, takes the same keys as in this framing."""
    keys = _KEYS.get(what, PART)

    def taken(one: str) -> list[Key]:
        return [key for key in keys if not key.framing or one in key.framing]

    return tuple(one for one in FRAMINGS if taken(one) == taken(framing))


def _name(what: str, framing: str) -> str:
    alike = _alike(what, framing)
    return "-".join((what, *(("binary",) if alike == BINARY else alike)))


def _ref(what: str, framing: str) -> Schema:
    return {"$ref": f"#/$defs/{_name(what, framing)}"}


def _definitions(framing: str) -> Schema:
    """The layout of a framing, and its tables; what is the same in several framings bears one name."""
    tables = {
        "text": _object(TEXT),
        "frame": _list_of(_ref("frame", framing)),
        "channel": _list_of(_ref("channel", framing)),
    }
    parts = _list_of(_ref("part", framing)) | {"contains": _with("is", ["samples"])}
    is_ = next(key for key in taken_by(PART, framing) if key.name == "is")
    part = {
        "type": "object",
        "properties": {"is": _value(is_)},
        "required": ["is"],
        "allOf": [_when("is", [kind], _ref(kind, framing)) for kind in is_.choices],
    }
    kinds = {
        _name(kind, framing): _object(taken_by(PART, framing, kind)) | _between_keys_of_part(kind, framing)
        for kind in is_.choices
    }
    channel = _object(taken_by(CHANNEL, framing)) | {"allOf": _between_keys_of_channel(framing)}
    return {
        _name("layout", framing): _object(taken_by(LAYOUT, framing), tables),
        _name("frame", framing): _object(taken_by(FRAME, framing), {"part": parts}),
        _name("part", framing): part,
        **kinds,
        _name("channel", framing): channel,
    }


def _between_keys_of_part(kind: str, framing: str) -> Schema:
    """What holds between the keys of a part."""
    if kind == "checksum":
        by_name, by_parameters = _needs(["name"]), _needs(_PARAMETERS)
        return {"oneOf": [by_name | _without(_PARAMETERS), by_parameters | _without(["name"])]}
    if kind == "received" and framing == "text":
        is_instant = _with("form", ["rfc3339"])
        instant = is_instant | _without(["hz", "epoch", "decimals"])
        return {"oneOf": [instant, _needs(["hz"]) | {"not": is_instant}]}
    return {}


def _between_keys_of_channel(framing: str) -> list[Schema]:
    """What holds between the keys of a channel."""
    converter = _needs(["reference_v", "gain"])
    by_scale = _needs(["scale"]) | {"properties": {"scale": {"not": {"const": 0}}}}
    by_converter = converter | {"properties": {"kind": {"enum": ["field"]}}}
    worth = [
        by_scale | _without(["reference_v", "gain", "bias_v"]),
        by_converter | _without(["scale", "offset"]),
        *([_without(_CONVERTER)] if framing == "edf" else []),
    ]
    rails = [{"if": _needs([f"amplifier_{end}_v"]), "then": converter} for end in ("low", "high")]
    units = [
        _when("kind", [kind], {"properties": {"unit": {"enum": list(codes)}}})
        for kind, codes in SI_UNITS.items()
    ]
    ends = (
        [{"anyOf": [_needs(["bits"]), _needs(["adc_min", "adc_max"])]}] if framing in ("text", "wav") else []
    )
    return [{"oneOf": worth}, *rails, *units, *ends]


def _object(
    keys: Iterable[Key], tables: Schema | None = None, narrower: dict[str, Schema] | None = None
) -> Schema:
    """A table of these keys and no others; `tables` are the schemas of those that are tables themselves."""
    several = list(keys)
    properties = {}
    for key in several:
        value = (tables or {})[key.name] if key.type in ("table", "tables") else _value(key)
        properties[key.name] = {
            "description": _description(key),
            **value,
            **(narrower or {}).get(key.name, {}),
        }
    required = [key.name for key in several if key.required]
    return {
        "type": "object",
        "properties": properties,
        **({"required": required} if required else {}),
        "additionalProperties": False,
    }


def _value(key: Key) -> Schema:
    """What one value may be."""
    made: Schema = {"description": _description(key), "type": "array" if key.type == "strings" else key.type}
    if key.type == "strings":
        made |= {"items": {"type": "string"}, "minItems": 1, "uniqueItems": True}
    if key.choices:
        made["enum"] = list(key.choices)
    if key.pattern:
        made["pattern"] = f"^(?:{key.pattern})$"
    bounds = (("minimum", key.minimum), ("exclusiveMinimum", key.above), ("maximum", key.maximum))
    made |= {word: bound for word, bound in bounds if bound is not None}
    if key.example is not None:
        made["examples"] = [list(key.example) if isinstance(key.example, tuple) else key.example]
    return made


def _description(key: Key) -> str:
    unit = f" [{key.unit}]" if key.unit else ""
    written = f" ({key.written})" if key.written else ""
    without = key.default if key.default.startswith("needed") else f"without it: {key.default}"
    return f"{key.description[0].upper()}{key.description[1:]}{written}{unit}{f'; {without}' if key.default else ''}."


def _list_of(items: Schema, least: int = 1) -> Schema:
    return {"type": "array", "items": items, **({"minItems": least} if least else {})}


def _needs(keys: Sequence[str]) -> Schema:
    return {"required": list(keys)}


def _with(key: str, values: Sequence[str]) -> Schema:
    """A table in which `key` is one of the values."""
    return {"properties": {key: {"enum": list(values)}}, "required": [key]}


def _without(keys: Sequence[str]) -> Schema:
    """A table that has none of the keys."""
    return {"not": {"anyOf": [{"required": [key]} for key in keys]}}


def _when(key: str, values: Sequence[str], then: Schema) -> Schema:
    return {"if": _with(key, values), "then": then}


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for file_name, text in schemas().items():
        (FOLDER / file_name).write_text(text, encoding="utf-8", newline="\n")
