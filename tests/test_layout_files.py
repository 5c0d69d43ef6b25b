"""What is said of sectors, packets, files with headers and clocks that a layout describes wrongly."""

from pathlib import Path

import pytest
from layout_texts import (
    BINARY,
    CHECKSUM,
    CONVERTER,
    EDF,
    RIGHT,
    SECTORS,
    SYNC,
    TEXT,
    WAV,
    Faults,
    right,
    spoilt,
    told,
)

STAMP = '[[frame.part]]\nis = "received"\ntype = "u64"\nhz = 1000\n'
ANOTHER = (
    '[[frame]]\n[[frame.part]]\nis = "samples"\nchannels = ["x"]\n'
    '[[channel]]\nname = "x"\nkind = "other"\nunit = "1"\nscale = 1\nbits = 8\n[[channel]]'
)

# ---------------------------------------------------------------- sectors, packets, files


@pytest.mark.parametrize(
    ("old", "new", "faults"),
    [
        (
            "sector_bytes = 512\n",
            "",
            (("key sector_bytes", "at least 1", "no such key", "size of a sector"),),
        ),
        ("512", "0", (("key sector_bytes", "at least 1", "0", "Size of a sector"),)),
        (
            "512",
            "28",
            (("frame[0].part", "at most sector_bytes = 28", "parts of 30 bytes", "or sector_bytes"),),
        ),
        (SYNC, "[[frame.part]]\nis = 'ignored'\n" + SYNC, (("'sync' as the first part, if", "'ignored'"),)),
        (
            "[[frame]]",
            "[[frame]]\nmax_bytes = 9",
            (("frame[0].max_bytes", "framing 'sectors'", "set framing"),),
        ),
    ],
)
def test_sectors(tmp_path: Path, old: str, new: str, faults: Faults) -> None:
    spoilt(tmp_path, SECTORS, old, new, faults)


def test_sectors_with_neither_sync_nor_checksum(tmp_path: Path) -> None:
    assert right(tmp_path, SECTORS.replace(CHECKSUM, ""))
    spoilt(
        tmp_path,
        SECTORS.replace(CHECKSUM, ""),
        SYNC,
        "",
        (("key frame[0].part", "a 'sync' or a 'checksum' in sectors", "neither", "looks like any other"),),
    )


def test_frame_beyond_all_bounds(tmp_path: Path) -> None:
    text = RIGHT.replace("count = 10", "count = 1000000")
    told(
        tmp_path,
        text,
        ("key frame[0].part", "at most 1048576 bytes", "parts of 2000010 bytes", "Correct count"),
    )


@pytest.mark.parametrize(
    ("text", "old", "new", "faults"),
    [
        (
            WAV,
            "channels = [",
            'type = "i16"\nchannels = [',
            (("part[0].type", "framing 'wav': is, channels;"),),
        ),
        (
            WAV,
            "channels = [",
            "count = 2\nchannels = [",
            (("part[0].count", "framing 'wav': is, channels;"),),
        ),
        (
            WAV,
            'is = "samples"',
            'is = "checksum"',
            (("part[0].is", "samples", "'checksum'", "What the part"),),
        ),
        (
            WAV,
            "bits = 8\n",
            "",
            (("channel[1].bits", "bits, or adc_min and adc_max, in a 'wav'", "Add bits"),),
        ),
        (
            WAV,
            "sample_hz",
            "tick_hz = 1\nsample_hz",
            (("key tick_hz", "keys of framing 'wav'", "set framing"),),
        ),
        (
            WAV,
            '["field", "acc"]',
            '["field"]\n[[frame.part]]\nis = "samples"\nchannels = ["acc"]',
            (("key frame:", "one samples part in a 'wav' file", "2", "List all"),),
        ),
        (
            WAV,
            "[[channel]]",
            ANOTHER,
            (("key frame:", "one [[frame]] in a 'wav' file", "2", "one kind"),),
        ),
        (
            EDF,
            "sample_hz = 50",
            "",
            (("frame[0].part", "one samples part for each rate", "two of one rate", "in one"),),
        ),
        (
            EDF,
            "scale = 1\n",
            "",
            (("channel[1].scale", "scale, or reference_v and gain", "neither", "worth"),),
        ),
        (EDF, "bits = 12", "bits = 24", (("channel[1].bits", "at most 16", "24", "Width"),)),
        (
            BINARY + CONVERTER,
            "bits = 12",
            'label = "x"\nbits = 12',
            (("channel[0].label", "framing 'sync'", "framing = 'edf'"),),
        ),
        (
            BINARY + CONVERTER,
            "[[frame]]",
            '[text]\ndelimiter = ","\n[[frame]]',
            (("key text", "framing 'sync'", "'text'", "set framing = 'text'"),),
        ),
    ],
)
def test_files_with_headers(tmp_path: Path, text: str, old: str, new: str, faults: Faults) -> None:
    spoilt(tmp_path, text, old, new, faults)


# ---------------------------------------------------------------- clocks


@pytest.mark.parametrize(
    ("old", "new", "faults"),
    [
        ("hz = 1000\n[[", "[[", (("part[4].hz", "a number above 0 in Hz", "no such key", "Add it: units"),)),
        ("hz = 1000\n[[", "hz = 0\n[[", (("part[4].hz", "a number above 0 in Hz", "0", "Units of the"),)),
        ('"u64"', '"u16"', (("part[4].type", "one of u32, u48, u64", "'u16'", "Number type"),)),
        (
            "hz = 1000\n[[",
            'hz = 1000\nepoch = "1970"\n[[',
            (("part[4].epoch", "RFC 3339 such as", "'1970'"),),
        ),
        (
            "hz = 1000\n[[",
            'hz = 1000\nepoch = "1970-02-30T00:00:00Z"\n[[',
            (("part[4].epoch", "an instant by RFC 3339", "day is out of range", "Correct the date"),),
        ),
        (
            'type = "u32"',
            'type = "u32"\nepoch = "1970-01-01T00:00:00"',
            (("part[2].epoch", "RFC 3339 such as", "'1970-01-01T00:00:00'", "When the number was 0"),),
        ),
        (STAMP, STAMP * 2, (("frame[0].part", "at most one 'received'", "2", "Remove"),)),
    ],
)
def test_clocks(tmp_path: Path, old: str, new: str, faults: Faults) -> None:
    spoilt(tmp_path, RIGHT.replace(CHECKSUM, STAMP + CHECKSUM), old, new, faults)


@pytest.mark.parametrize(
    ("keys", "faults"),
    [
        ("", (("part[0].hz", "hz beside form 'number'", "no such key", "how many units"),)),
        ('form = "rfc3339"\nhz = 1\n', (("part[0].hz", "no hz beside form 'rfc3339'", "'hz'", "Remove it"),)),
        (
            'form = "rfc3339"\nepoch = "1970-01-01T00:00:00Z"\n',
            (("part[0].epoch", "no epoch beside form 'rfc3339'", "'epoch'", "Remove it"),),
        ),
        ('form = "iso"\n', (("part[0].form", "one of number, rfc3339", "'iso'", "How the receiving"),)),
        ("hz = 1000\nbits = 16\n", (("part[0].bits", "keys of 'received'", "'bits'", "or correct 'is'"),)),
    ],
)
def test_stamps_in_lines(tmp_path: Path, keys: str, faults: Faults) -> None:
    part = f'[[frame.part]]\nis = "received"\ncolumn = "at"\n{keys}'
    spoilt(tmp_path, TEXT, "[[frame]]\n", f"[[frame]]\n{part}", faults)


def test_delimiter_that_stands_in_time_stamps(tmp_path: Path) -> None:
    part = '[[frame.part]]\nis = "received"\ncolumn = "at"\nform = "rfc3339"\n'
    text = TEXT.replace("[[frame]]\n", f"[[frame]]\n{part}").replace('delimiter = ","', 'delimiter = ":"')
    told(tmp_path, text, ("text.delimiter", "nor part of a time stamp", "':'", "Name the characters"))
