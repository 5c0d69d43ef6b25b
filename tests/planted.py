"""A study with a marker in every field that names somebody or something, and a search that opens everything.

The study is cut from the invented demo. Each marker is a word that occurs nowhere else; where bytes are
planted they are four that no dump of the demo holds in that order.
"""

import base64
import binascii
import csv
import html
import io
import re
import struct
import urllib.parse
import zlib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
from edf_files import edf_bytes, two_signals
from small import DEMO

SYNC = bytes.fromhex("D4C3B2A1")
"""Fixed bytes of a frame, such as a radio's address."""

DAY = "2031-07-13"
STARTS = {name: f"{DAY}T{hour}:17:29+02:00" for name, hour in (("a", "09"), ("b", "10"), ("c", "11"))}
FIELDS = (
    *(
        "title",
        "participant",
        "sitename",
        "device",
        "sessiona",
        "sessionb",
        "sessionc",
        "sessiond",
        "layoutfile",
    ),
    *("folder", "dumpname", "columnname", "columnvalue", "activity", "layouttitle", "framename", "channel"),
    *(
        "description",
        "comment",
        "policynote",
        "reason",
        "init",
        "serial",
        "firmware",
        "textcolumn",
        "patient",
    ),
    *("recording", "label", "garbage", "kindword", "unit", "studynote"),
)
MARKERS = {field: f"zq{field}xk" for field in FIELDS}
NAME = "zqñámexk"
"""A marker that is not ASCII."""

ALSO = ("Europe/Lisbon", "Lisbon", SYNC.hex(" "), SYNC.hex())

_RADIO_FRAME = 90


def planted_study(folder: Path) -> Path:
    """Write the study; sessions: a frame by frame, b lines of text, c EDF, d of no use."""
    m = MARKERS
    (folder / "layouts").mkdir(parents=True)
    dumps = folder / m["folder"] / NAME
    dumps.mkdir(parents=True)
    (folder / "study.toml").write_text(
        f'# {m["studynote"]}\ntitle = "{m["title"]} {NAME}"\ntime_zone = "Europe/Lisbon"\nmains_hz = 50\n'
    )
    (folder / "policy.toml").write_text(f"# {m['policynote']}\n[limits]\nlost_fraction = 0.06\n")
    _write_dumps(dumps)
    _write_layouts(folder / "layouts")
    _write_tables(folder)
    return folder


def _write_dumps(dumps: Path) -> None:
    m = MARKERS
    raw = (DEMO / "dumps/strap-a/throw-01.bin").read_bytes()
    frames = [raw[i : i + _RADIO_FRAME] for i in range(0, len(raw), _RADIO_FRAME)]
    assert {frame[:2] for frame in frames} == {b"\xa5\x5a"}
    (dumps / f"{m['dumpname']}-a.bin").write_bytes(b"".join(SYNC + frame[2:] for frame in frames))
    lines = (DEMO / "dumps/strap-b/throw-02.log").read_text().splitlines()
    told = [f"{line};{m['kindword'] if line[:1].isdigit() else m['textcolumn']}" for line in lines]
    told[1:1] = [f"boot: {m['firmware']}", f"# serial {m['serial']} {NAME}"]
    (dumps / f"{m['dumpname']}-b.log").write_text("\n".join(told) + "\n")
    edf = edf_bytes(
        two_signals(120),
        recording=f"Startdate 13-JUL-2031 {m['recording']} X X",
        start="13.07.3111.17.29",
    )
    edf = edf.replace(b"X X X X".ljust(16), m["patient"].encode().ljust(16), 1)
    edf = edf.replace(b"Field".ljust(16), m["label"].encode().ljust(16), 1)
    (dumps / f"{m['dumpname']}-c.edf").write_bytes(edf)
    (dumps / f"{m['dumpname']}-d.log").write_text(f"{m['garbage']};{m['garbage']}\n" * 60)


def _write_layouts(folder: Path) -> None:
    m = MARKERS
    radio = (DEMO / "layouts/radio.toml").read_text()
    radio = re.sub(r'title = ".*"', f'title = "{m["layouttitle"]}"  # {m["comment"]}', radio, count=1)
    radio = radio.replace('bytes = "A5 5A"', f'bytes = "{SYNC.hex(" ").upper()}"')
    radio = radio.replace('"field and acceleration"', f'"{m["framename"]}"')
    radio = radio.replace('"field"', f'"{m["channel"]}"').replace(
        f'kind = "{m["channel"]}"', 'kind = "field"'
    )
    radio = radio.replace("along the forearm", f"{m['description']} {NAME}")
    (folder / f"{m['layoutfile']}.toml").write_text(radio)
    serial = (DEMO / "layouts/serial.toml").read_text()
    ignored = f'[[frame.part]]\nis = "ignored"\ncolumn = "{m["textcolumn"]}"\n\n[[channel]]'
    serial = serial.replace("[[channel]]", ignored, 1)
    head, mark, last = serial.rpartition('kind = "acceleration"')
    assert mark
    last = last.replace('unit = "m[g]"', f'unit = "{{{m["unit"]}}}"')
    (folder / "serial.toml").write_text(f'{head}kind = "other"{last}')
    edf = """\
framing = "edf"
sample_hz = 50
[[frame]]
[[frame.part]]
is = "samples"
channels = ["field"]
[[channel]]
name = "field"
label = "LABEL"
kind = "field"
unit = "V"
"""
    (folder / "edf.toml").write_text(edf.replace("LABEL", m["label"]))


def _write_tables(folder: Path) -> None:
    m = MARKERS
    where = f"{m['folder']}/{NAME}/{m['dumpname']}"
    rows = [
        ("sessiona", "1", m["layoutfile"], f"{where}-a.bin", STARTS["a"]),
        ("sessionb", "2", "serial", f"{where}-b.log", STARTS["b"]),
        ("sessionc", "1", "edf", f"{where}-c.edf", STARTS["c"]),
        ("sessiond", "2", "serial", f"{where}-d.log", STARTS["c"]),
    ]
    head = ["session", "participant", "site", "device", "layout", "dumps", "started_at", m["columnname"]]
    people = [
        [m[name], m["participant"] + n, f"{m['sitename']} {NAME}", m["device"], layout, dump, start,
         m["columnvalue"] + n]
        for name, n, layout, dump, start in rows
    ]  # fmt: skip
    _write_csv(folder / "sessions.csv", [head, *people])
    log = [["session", "start_s", "stop_s", "activity", "intensity"]]
    for name in ("sessiona", "sessionb"):
        # The log says rest throughout, so that a detector quotes the activity.
        log += [[m[name], "0", "120", f"{m['activity']} {NAME}", "rest"]]
        log += [[m[name], "120", "140", f"{m['activity']} two", "body"]]
        log += [[m[name], "400", "500", f"{m['activity']} late", "hand"]]
    _write_csv(folder / "activities.csv", log)
    review = [["session", "decision", "reason", "initials", "date"]]
    review += [[m["sessionb"], "accept_in_part", f"{m['reason']} {NAME}", m["init"], "2031-08-02"]]
    review += [[m["sessionc"], "accept", m["reason"], m["init"], "2031-08-02"]]
    _write_csv(folder / "review.csv", review)


def _write_csv(path: Path, rows: list[list[str]]) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8")


# The search


def wanted(words: list[str]) -> dict[str, list[bytes]]:
    """Word -> the ways in which it may be written, in lower case."""
    found = {}
    for word in words:
        low = word.casefold()
        ways = [low.encode(code) for code in ("utf-8", "utf-16-le", "utf-16-be", "utf-32-le")]
        ways += [low.encode("latin-1", "ignore"), low.encode().hex().encode()]
        ways += [urllib.parse.quote(low).casefold().encode(), html.escape(low).encode()]
        ways += [low.encode("ascii", "xmlcharrefreplace"), low.encode("unicode_escape")]
        ways += [low[::-1].encode()]
        found[word] = list(dict.fromkeys(ways))
    return found


def instants(stamp: str) -> dict[str, bytes]:
    """An instant as numbers since 1970, in seconds and smaller, as programs store it."""
    seconds = datetime.fromisoformat(stamp).timestamp()
    found = {}
    for name, factor in (("s", 1), ("ms", 10**3), ("us", 10**6), ("ns", 10**9)):
        number = int(seconds * factor)
        found[f"{name} as int64"] = struct.pack("<q", number)
        found[f"{name} as double"] = struct.pack("<d", float(number))
        found[f"{name} as text"] = str(number).encode()
    return found


def opened(name: str, raw: bytes, depth: int = 0) -> Iterator[tuple[str, bytes]]:
    """The bytes of a file and, of everything in it that is packed, what comes out."""
    yield name, raw
    if depth > 3:
        return
    for start in _found(rb"\x28\xb5\x2f\xfd", raw):
        if inner := _unzstd(raw[start:]):
            yield f"{name} zstd at {start}", inner
    for start in _found(rb"\x78[\x01\x5e\x9c\xda]|\x1f\x8b\x08", raw):
        if inner := _inflate(raw[start:], 47):
            yield from opened(f"{name} zlib at {start}", inner, depth + 1)
    for match in re.finditer(rb"[A-Za-z0-9+/_-]{24,}={0,2}", raw):
        for inner in _unbase64(match[0]):
            yield from opened(f"{name} base64 at {match.start()}", inner, depth + 1)
            if deflated := _inflate(inner, -15):
                yield from opened(f"{name} deflate at {match.start()}", deflated, depth + 1)


def texts_of(path: Path) -> Iterator[tuple[str, bytes]]:
    """What a reader of Parquet is given: metadata of file and columns, and every text."""
    if path.suffix != ".parquet":
        return
    file = pq.ParquetFile(path)
    yield f"{path.name} schema", repr(file.schema_arrow.to_string(truncate_metadata=False)).encode()
    yield f"{path.name} metadata", repr(file.metadata.metadata).encode()
    table = file.read()
    for column in table.column_names:
        if pa.types.is_string(table.schema.field(column).type):
            yield f"{path.name} {column}", "\n".join(map(str, table.column(column).to_pylist())).encode()


def unescaped(raw: bytes) -> bytes:
    """Text with escapes of HTML, addresses and JSON taken back."""
    text = raw.decode("utf-8", "replace")
    text = re.sub(r"\\u([0-9a-fA-F]{4})", lambda m: chr(int(m[1], 16)), text)
    return html.unescape(urllib.parse.unquote(text)).casefold().encode("utf-8", "replace")


def _found(pattern: bytes, raw: bytes) -> list[int]:
    return [match.start() for match in re.finditer(pattern, raw)]


def _unzstd(raw: bytes) -> bytes:
    out = b""
    try:
        with pa.CompressedInputStream(pa.BufferReader(raw), "zstd") as stream:
            while block := stream.read(1 << 16):
                out += block
    except OSError:  # after its frame stands something else
        pass
    return out


def _inflate(raw: bytes, window: int) -> bytes:
    try:
        return zlib.decompressobj(window).decompress(raw)
    except zlib.error:
        return b""


def _unbase64(raw: bytes) -> list[bytes]:
    body = raw.rstrip(b"=").translate(bytes.maketrans(b"-_", b"+/"))
    out = []
    for shift in range(4):  # where it begins need not be where it was found
        part = body[shift:]
        try:
            out.append(base64.b64decode(part + b"=" * (-len(part) % 4)))
        except binascii.Error:
            continue
    return out
