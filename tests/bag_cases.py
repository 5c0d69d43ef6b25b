"""Bags that RFC 8493 allows and does not allow, made from its text; the section stands beside each.

Section numbers are those of the standard as the author remembers them; its sentences are put in own words.
"""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
PAYLOAD = {"data/clay.txt": b"wedged\n", "data/kiln/log.txt": b"cone 6\n"}


def lines(files: dict[str, bytes], algorithm: str = "sha512", gap: str = "  ") -> str:
    return "".join(
        f"{hashlib.new(algorithm, content).hexdigest()}{gap}{path}\n" for path, content in files.items()
    )


def basic() -> dict[str, bytes]:
    return {
        "bagit.txt": DECLARATION,
        **PAYLOAD,
        "manifest-sha512.txt": lines(PAYLOAD).encode(),
    }


def write(folder: Path, files: dict[str, bytes]) -> Path:
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


@dataclass(frozen=True)
class Case:
    name: str
    section: str
    change: Callable[[dict[str, bytes]], object]
    referee_agrees: bool = True
    """Whether bagit 1.9.0 says the same; measured, and held by a test."""

    def files(self) -> dict[str, bytes]:
        files = basic()
        self.change(files)
        return files


def _set(name: str, content: str | bytes) -> Callable[[dict[str, bytes]], object]:
    raw = content if isinstance(content, bytes) else content.encode()
    return lambda files: files.update({name: raw})


def _drop(*names: str) -> Callable[[dict[str, bytes]], object]:
    return lambda files: [files.pop(name) for name in names]


def _with(name: str, *, written: str = "") -> Callable[[dict[str, bytes]], object]:
    """One more payload file, listed as `written`."""

    def change(files: dict[str, bytes]) -> None:
        files[f"data/{name}"] = b"glazed"
        line = lines({f"data/{written or name}": b"glazed"})
        files["manifest-sha512.txt"] += line.encode()

    return change


def _manifest(edit: Callable[[str], str]) -> Callable[[dict[str, bytes]], object]:
    def change(files: dict[str, bytes]) -> None:
        files["manifest-sha512.txt"] = edit(files["manifest-sha512.txt"].decode()).encode()

    return change


def _second_manifest(files: dict[str, bytes]) -> None:
    files["manifest-sha256.txt"] = lines(PAYLOAD, "sha256").encode()


def _other_algorithm(name: str) -> Callable[[dict[str, bytes]], object]:
    def change(files: dict[str, bytes]) -> None:
        del files["manifest-sha512.txt"]
        files[f"manifest-{name}.txt"] = lines(PAYLOAD, name).encode()

    return change


def _tagged(files: dict[str, bytes]) -> None:
    tags = {name: content for name, content in files.items() if not name.startswith("data/")}
    files["tagmanifest-sha512.txt"] = lines(tags).encode()


def _both(*changes: Callable[[dict[str, bytes]], object]) -> Callable[[dict[str, bytes]], object]:
    return lambda files: [change(files) for change in changes]


def _in_encoding(name: str, codec: str) -> Callable[[dict[str, bytes]], object]:
    def change(files: dict[str, bytes]) -> None:
        files["data/Tonkrüge.txt"] = b"glazed"
        text = files["manifest-sha512.txt"].decode() + lines({"data/Tonkrüge.txt": b"glazed"})
        files["manifest-sha512.txt"] = text.encode(codec)
        files["bagit.txt"] = f"BagIt-Version: 1.0\nTag-File-Character-Encoding: {name}\n".encode()

    return change


def _uneven(files: dict[str, bytes]) -> None:
    some = {"data/clay.txt": PAYLOAD["data/clay.txt"]}
    files["manifest-sha256.txt"] = lines(some, "sha256").encode()


VALID = (
    Case("basic", "4.1", lambda files: None),
    Case("declaration_without_last_line_end", "2.1.1", _set("bagit.txt", DECLARATION.rstrip())),
    Case("declaration_with_crlf", "2.1.1", _set("bagit.txt", DECLARATION.replace(b"\n", b"\r\n"))),
    Case("one_space", "2.1.3", _manifest(lambda t: t.replace("  ", " "))),
    Case("tabs", "2.1.3", _manifest(lambda t: t.replace("  ", "\t\t"))),
    Case(
        "upper_case_checksum",
        "2.1.3",
        _manifest(lambda t: "".join(c.upper() if i < 128 else c for i, c in enumerate(t))),
    ),
    Case("crlf", "2.3", _manifest(lambda t: t.replace("\n", "\r\n"))),
    Case("cr", "2.3", _manifest(lambda t: t.replace("\n", "\r"))),
    Case("no_last_line_end", "2.3", _manifest(lambda t: t.rstrip("\n"))),
    Case("space_in_name", "2.1.3", _with("two words.txt")),
    Case("not_ascii", "2.1.3", _with("Tonkrüge.txt")),
    Case("line_feed_in_name", "2.1.3", _with("a\nb.txt", written="a%0Ab.txt")),
    Case("return_in_name", "2.1.3", _with("a\rb.txt", written="a%0Db.txt")),
    Case("lower_case_escape", "2.1.3", _with("a\nb.txt", written="a%0ab.txt"), False),
    Case("percent_in_name", "2.1.3", _with("100%.txt", written="100%25.txt"), False),
    Case("dots_in_name", "2.1.3", _with("..clay..txt")),
    Case("hidden", "2.1.3", _with(".keep")),
    Case(
        "empty_file",
        "2.1.3",
        _both(_set("data/empty", b""), _manifest(lambda t: t + lines({"data/empty": b""}))),
    ),
    Case("two_manifests", "2.1.3", _second_manifest),
    Case("md5", "2.4", _other_algorithm("md5")),
    Case("sha1", "2.4", _other_algorithm("sha1")),
    Case("sha256", "2.4", _other_algorithm("sha256")),
    Case("tag_manifest", "2.2.1", _tagged),
    Case("tag_file_in_folder", "2.2.4", _both(_set("notes/kiln.txt", "invented"), _tagged)),
    Case("unlisted_tag_file", "2.2.4", _both(_tagged, _set("notes.txt", "invented"))),
    Case("info", "2.2.2", _set("bag-info.txt", "Contact-Name: nobody\nPayload-Oxum: 14.2\n")),
    Case("info_with_tab", "2.2.2", _set("bag-info.txt", "Contact-Name:\tnobody\n")),
    Case("info_folded", "2.2.2", _set("bag-info.txt", "External-Description: a\n  kiln\n\tand clay\n")),
    Case("info_label_with_space", "2.2.2", _set("bag-info.txt", "Kiln room: warm\n")),
    Case("info_colon_in_value", "2.2.2", _set("bag-info.txt", "Kiln: at 09:00\n")),
    Case("info_repeated_label", "2.2.2", _set("bag-info.txt", "Contact-Name: a\nContact-Name: b\n")),
    Case("latin_1", "2.1.1", _in_encoding("ISO-8859-1", "iso8859-1")),
    Case("utf_16", "2.1.1", _in_encoding("UTF-16", "utf-16")),
    Case(
        "fetch_of_what_is_there",
        "2.2.3",
        _set("fetch.txt", "https://kiln.example/clay.txt 7 data/clay.txt\n"),
    ),
    Case(
        "fetch_without_length", "2.2.3", _set("fetch.txt", "https://kiln.example/clay.txt - data/clay.txt\n")
    ),
    Case("version_0_97", "2.1.1", _set("bagit.txt", DECLARATION.replace(b"1.0", b"0.97"))),
)

INVALID = (
    Case("no_declaration", "2.1.1", _drop("bagit.txt")),
    Case("declaration_with_mark", "2.1.1", _set("bagit.txt", b"\xef\xbb\xbf" + DECLARATION)),
    Case("declaration_of_one_line", "2.1.1", _set("bagit.txt", DECLARATION.splitlines()[0] + b"\n")),
    Case("declaration_of_three_lines", "2.1.1", _set("bagit.txt", DECLARATION + b"Kiln: 1\n"), False),
    Case(
        "declaration_lines_swapped",
        "2.1.1",
        _set("bagit.txt", b"".join(DECLARATION.splitlines(True)[::-1])),
        False,
    ),
    Case(
        "space_before_colon",
        "2.1.1",
        _set("bagit.txt", DECLARATION.replace(b"Version:", b"Version :")),
        False,
    ),
    Case("no_space_after_colon", "2.1.1", _set("bagit.txt", DECLARATION.replace(b": U", b":U")), False),
    Case("two_spaces_after_colon", "2.1.1", _set("bagit.txt", DECLARATION.replace(b": U", b":  U")), False),
    Case("unknown_version", "2.1.1", _set("bagit.txt", DECLARATION.replace(b"1.0", b"7.0"))),
    Case("version_no_number", "2.1.1", _set("bagit.txt", DECLARATION.replace(b"1.0", b"one"))),
    Case("unknown_encoding", "2.1.1", _set("bagit.txt", DECLARATION.replace(b"UTF-8", b"UTF-9"))),
    Case("encoding_that_unpacks", "2.1.1", _set("bagit.txt", DECLARATION.replace(b"UTF-8", b"zlib"))),
    Case("no_payload", "2.1.2", _both(_drop(*PAYLOAD), _set("manifest-sha512.txt", ""))),
    Case("no_manifest", "2.1.3", _drop("manifest-sha512.txt")),
    Case("file_missing", "3", _drop("data/clay.txt")),
    Case("file_too_many", "3", _set("data/more.txt", "trimmed")),
    Case("other_content", "3", _set("data/clay.txt", "wedgEd\n")),
    Case("not_in_every_manifest", "3", _uneven, False),
    Case("listed_twice", "2.1.3", _manifest(lambda t: t + t.splitlines(True)[0])),
    Case(
        "other_encoding_than_declared",
        "2.1.1",
        _both(
            _with("Tonkrüge.txt"),
            lambda f: f.update(
                {"manifest-sha512.txt": f["manifest-sha512.txt"].replace("ü".encode(), b"\xfc")}
            ),
        ),
    ),
    Case(
        "two_by_one_algorithm",
        "2.4",
        lambda f: f.update({"manifest-SHA-512.txt": f["manifest-sha512.txt"]}),
        False,
    ),
    Case("line_without_path", "2.1.3", _manifest(lambda t: t + "0" * 128 + "\n"), False),
    Case("line_without_checksum", "2.1.3", _manifest(lambda t: t + "  data/x\n"), False),
    Case("empty_line", "2.1.3", _manifest(lambda t: "\n" + t), False),
    Case("comment", "2.1.3", _manifest(lambda t: "# clay\n" + t), False),
    Case("space_before_checksum", "2.1.3", _manifest(lambda t: " " + t), False),
    Case("no_break_space", "2.1.3", _manifest(lambda t: t.replace("  ", "\u00a0")), False),
    Case("vertical_tab", "2.1.3", _manifest(lambda t: t.replace("  ", "\v"))),
    Case("asterisk", "2.1.3", _manifest(lambda t: t.replace("  ", " *")), False),
    Case("short_checksum", "2.1.3", _manifest(lambda t: t[1:])),
    Case("no_hexadecimal_digit", "2.1.3", _manifest(lambda t: "g" + t[1:])),
    Case("percent_not_escaped", "2.1.3", _with("100%.txt"), False),
    Case("backslash", "2.1.3", _manifest(lambda t: t.replace("data/kiln/", "data\\kiln\\"))),
    Case("tag_file_in_manifest", "2.1.3", _manifest(lambda t: t + lines({"bagit.txt": DECLARATION})), False),
    Case("folder_in_manifest", "2.1.3", _manifest(lambda t: t + lines({"data/kiln": b""}))),
    Case("absolute_path", "5", _manifest(lambda t: t.replace("data/clay", "/data/clay"))),
    Case("climbs_out", "5", _manifest(lambda t: t + lines({"../clay.txt": b"x"}))),
    Case("climbs_out_inside", "5", _manifest(lambda t: t.replace("data/clay", "data/../data/clay")), False),
    Case("climbs_within_data", "5", _manifest(lambda t: t + lines({"data/../../clay.txt": b"x"}))),
    Case("home", "5", _manifest(lambda t: t.replace("data/clay", "~/data/clay"))),
    Case("home_of_somebody", "5", _manifest(lambda t: t.replace("data/clay", "~potter/clay"))),
    Case("drive", "5", _manifest(lambda t: t.replace("data/clay", "C:/data/clay"))),
    Case("dot", "2.1.3", _manifest(lambda t: t.replace("data/clay", "./data/clay")), False),
    Case("empty_part", "2.1.3", _manifest(lambda t: t.replace("data/clay", "data//clay")), False),
    Case("tag_file_missing", "3", _both(_tagged, _drop("manifest-sha512.txt"), _second_manifest)),
    Case("tag_file_changed", "3", _both(_set("notes.txt", "a"), _tagged, _set("notes.txt", "b"))),
    Case("tag_manifest_lists_payload", "2.2.1", _set("tagmanifest-sha512.txt", lines(PAYLOAD))),
    Case(
        "fetch_not_done",
        "3",
        _both(_set("fetch.txt", "https://kiln.example/clay.txt 7 data/clay.txt\n"), _drop("data/clay.txt")),
    ),
    Case("fetch_climbs_out", "5", _set("fetch.txt", "https://kiln.example/x 7 ../clay.txt\n")),
    Case("fetch_absolute", "5", _set("fetch.txt", "https://kiln.example/x 7 /etc/hostname\n")),
    Case("fetch_outside_payload", "2.2.3", _set("fetch.txt", "https://kiln.example/x 7 bagit.txt\n"), False),
    Case("fetch_unlisted", "2.2.3", _set("fetch.txt", "https://kiln.example/x 7 data/x\n"), False),
    Case(
        "fetch_odd_length",
        "2.2.3",
        _set("fetch.txt", "https://kiln.example/clay.txt seven data/clay.txt\n"),
        False,
    ),
    Case("fetch_no_address", "2.2.3", _set("fetch.txt", "clay.txt 7 data/clay.txt\n")),
    Case("oxum_wrong", "2.2.2", _set("bag-info.txt", "Payload-Oxum: 15.2\n")),
    Case("oxum_no_number", "2.2.2", _set("bag-info.txt", "Payload-Oxum: all\n")),
    Case("oxum_twice", "2.2.2", _set("bag-info.txt", "Payload-Oxum: 14.2\nPayload-Oxum: 14.2\n"), False),
    Case("info_without_colon", "2.2.2", _set("bag-info.txt", "Contact-Name nobody\n")),
    Case("info_space_before_colon", "2.2.2", _set("bag-info.txt", "Contact-Name : nobody\n"), False),
    Case("info_without_space", "2.2.2", _set("bag-info.txt", "Contact-Name:nobody\n"), False),
)
