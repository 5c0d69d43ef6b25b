"""What is said of a wrong layout file: every fault, where it stands, and what to do."""

from pathlib import Path

import pytest
from layout_texts import BINARY, CHECKSUM, CONVERTER, SEQUENCE, SYNC, TEXT, told

from pipeline.errors import Problem
from pipeline.layouts import load_layout

# ---------------------------------------------------------------- faults

SAMPLES = 'is = "samples"\ntype = "u16"\ncount = 10\n'
FREE = 'name = "CRC-16/XMODEM"'


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('"sync"\nsample', '"line"\nsample', ("key framing", "one of sync, sectors", "'line'", "How frames")),
        ("sample_hz = 125", "", ("key sample_hz", "a number above 0 in Hz", "no such key", "Add it")),
        ("sample_hz = 125", "sample_hz = 0", ("key sample_hz", "above 0 in Hz", "0", "Nominal")),
        ("sample_hz = 125", "sample_hz = inf", ("key sample_hz", "above 0 in Hz", "inf", "Nominal")),
        ("sample_hz = 125", "sample_hz = 1" + "0" * 400, ("key sample_hz", "above 0", "...", "Nominal")),
        ("sample_hz = 125", "sampel_hz = 125\nsample_hz = 125", ("key sampel_hz", "mean 'sample_hz'?")),
        (
            "sample_hz = 125",
            "sample_hz = 1" + "0" * 5000,
            ("expected TOML", "text that is none (", "limit", "Correct it"),
        ),
        (
            "tick_hz = 32768",
            "",
            ("key frame[0].part", "tick_hz beside the ticks", "no such key", "Add tick_hz"),
        ),
        ('"A5 5A"', '"A5 5"', ("part[0].bytes", "hexadecimal digits such as 'A5 5A'", "'A5 5'", "The fixed")),
        ('bytes = "A5 5A"', "", ("part[0].bytes", "hexadecimal", "no such key", "Add it: the fixed bytes")),
        (
            'bytes = "A5 5A"',
            'bytes = "A5"\ncount = 1',
            ("part[0].count", "keys of 'sync'", "'count'", "Remove"),
        ),
        ('is = "sync"', 'is = "synch"', ("part[0].is", "one of sync", "'synch'", "What the part is")),
        (
            'is = "ticks"\ntype = "u32"',
            'is = "ticks"',
            ("part[2].type", "one of u8", "no such key", "Add it: number type"),
        ),
        ('type = "u32"', 'type = "i32"', ("part[2].type", "one of u8", "'i32'", "Number type: unsigned")),
        ('type = "u32"', 'type = "o32"', ("part[2].type", "one of u8", "'o32'", "Number type: unsigned")),
        ('type = "u32"', 'type = "u12"', ("part[2].type", "one of u8", "'u12'", "Number type: unsigned")),
        ('"u16"\ncount', '"i33"\ncount', ("part[3].type", "u, i or o and 8 to 32 bits", "'i33'", "Number")),
        ('"u16"\ncount', '"u7"\ncount', ("part[3].type", "u, i or o and 8 to 32 bits", "'u7'", "Number")),
        (
            'type = "u32"',
            'type = "u32"\nbits = 32',
            ("part[2].bits", "framing 'sync'", "'bits'", "Remove it"),
        ),
        ("count = 10", "count = 0", ("part[3].count", "at least 1", "0", "Rows")),
        ("count = 10", "count = 1.5", ("part[3].count", "a whole number", "1.5", "Rows")),
        ("count = 10\n", "", ("frame[0].part", "count of the samples", "neither", "Add count")),
        (
            "count = 10",
            "count = 10\ndecimals = 2",
            ("part[3].decimals", "framing 'sync'", "Remove it, or set"),
        ),
        (
            '["field"]',
            '["field", "field"]',
            ("part[3].channels", "each channel once", "'field' 2 times", "Rename"),
        ),
        (FREE, 'name = "CRC-16/XMODE"', ("part[4].name", "the catalogue", "'CRC-16/XMODE'", "CRC-16/XMODEM")),
        (FREE, 'name = "?"', ("part[4].name", "the catalogue", "'?'", "Give its parameters")),
        (FREE, "width = 16", ("part[4].name", "all parameters", "no poly, init", "Add what is missing")),
        (FREE, FREE + "\npoly = 7", ("part[4].name", "either a name", "name and poly", "Remove")),
        (
            FREE,
            "width = 8\npoly = 0x107\ninit = 0\nreflect_in = false\nreflect_out = false\nxor_out = 0",
            ("part[4].poly", "8 bits", "0x107", "Correct it or width"),
        ),
        (
            'kind = "field"',
            'kind = "electric"',
            ("channel[0].kind", "one of field", "'electric'", "measures"),
        ),
        ("bits = 12", "bits = 24", ("channel[0].bits", "16 bits", "24", "Correct one")),
        ("bits = 12", "bits = 64", ("channel[0].bits", "at most 32 in bits", "64", "Width")),
        ("bits = 12", "bits = 12\nadc_max = 0", ("channel[0].adc_max", "above adc_min = 0", "0", "Correct")),
        ("bits = 12", "bits = 12\nadc_min = -1", ("channel[0].adc_min", "from 0 to 65535", "-1", "Correct")),
        ("gain = 5.0", "", ("channel[0].gain", "together", "no such key", "Add it")),
        ("gain = 5.0", "gain = -5.0", ("channel[0].gain", "above 0 in V/V", "-5.0", "Amplification")),
        ("gain = 5.0", "gain = 5.0\nscale = 1", ("channel[0].scale", "either scale or", "both", "Remove")),
        ("gain = 5.0", "gain = 5.0\noffset = 1", ("channel[0].offset", "either offset or", "both", "Remove")),
        (CONVERTER, "", ("channel[0].scale", "scale, or reference_v", "neither", "one count is worth")),
        (CONVERTER, "scale = 0", ("channel[0].scale", "scale, or", "a scale of 0", "one count is worth")),
        (
            CONVERTER,
            "scale = 1\namplifier_high_v = 3",
            ("channel[0].amplifier_high_v", "beside reference_v and gain", "not both", "or remove the rails"),
        ),
        (
            "gain = 5.0",
            "gain = 5.0\namplifier_low_v = 2.9\namplifier_high_v = 0.1",
            ("channel[0].amplifier_high_v", "above amplifier_low_v = 2.9", "0.1", "Correct"),
        ),
        (
            "gain = 5.0",
            "gain = 5.0\nac_corner_hz = 40\nlowpass_hz = 0.1",
            ("channel[0].lowpass_hz", "above ac_corner_hz = 40", "0.1", "Correct"),
        ),
        (
            'kind = "field"\nunit = "V"',
            'kind = "acceleration"\nunit = "[g]"',
            ("channel[0].reference_v", "not 'field'", "reference_v", "Give scale instead"),
        ),
    ],
)
def test_faults_of_a_binary_layout(tmp_path: Path, old: str, new: str, parts: tuple[str, ...]) -> None:
    text = BINARY + CONVERTER
    assert old in text
    told(tmp_path, text.replace(old, new, 1), parts)


def test_places_are_named_as_people_count_and_only_fitting_keys_are_listed(tmp_path: Path) -> None:
    told(
        tmp_path,
        (BINARY + CONVERTER).replace(FREE, FREE + "\nnmae = 1").replace("gain", "gian"),
        (
            "key frame[0].part[4].nmae (the 5th part, checksum)",
            "one of is, byte_order, name, width, poly, init, reflect_in, reflect_out, xor_out, covers;",
            "'nmae'",
            "'name'?",
        ),
        ("key channel[0].gian (the 1st channel, field)", "'gian'", "'gain'?"),
    )
    told(
        tmp_path,
        TEXT.replace("decimals = 3", "decimal = 3"),
        ("(the 3rd part, samples)", "one of is, count, channels, columns, decimals;", "Did you mean"),
    )


def test_channel_that_the_samples_do_not_list(tmp_path: Path) -> None:
    told(
        tmp_path,
        (BINARY + CONVERTER).replace('["field"]', '["feild"]'),
        ("key channel", "a [[channel]] for each", "none named 'feild'", "Did you mean 'field'?"),
        ("key channel", "only the samples' channels", "'field', which no", "Did you mean 'feild'?"),
    )


def test_no_samples(tmp_path: Path) -> None:
    text = BINARY.replace('is = "samples"\ntype = "u16"', 'is = "ignored"').replace(
        'channels = ["field"]\n', ""
    )
    told(
        tmp_path,
        text + "scale = 1\n",
        ("key frame[0].part", "at least one 'samples'", "0", "Describe"),
        ("key channel", "only the samples' channels", "'field'", "List it there"),
    )


def test_no_parts(tmp_path: Path) -> None:
    parts = BINARY[BINARY.index("[[frame.part]]\nis") : BINARY.index("[[channel")]
    told(
        tmp_path,
        BINARY.replace(parts, "part = []\n") + CONVERTER,
        ("key frame[0].part", "at least one 'samples'", "0", "Describe"),
        ("key channel", "only the samples' channels", "'field'", "List it there"),
    )


def test_nothing_at_all(tmp_path: Path) -> None:
    names = ("framing", "sample_hz", "frame", "channel")
    told(tmp_path, "", *((f"key {name}:", "no such key", "Add it") for name in names))


@pytest.mark.parametrize("name", ["Field", "field 1", "1st", "", "sample", "time_s", "quality", "f" * 41])
def test_names_that_no_column_takes(tmp_path: Path, name: str) -> None:
    text = BINARY.replace('name = "field"', f'name = "{name}"').replace('["field"]', f'["{name}"]')
    rule = "lower-case letters, digits and '_', a letter first, not sample, time_s, quality"
    told(tmp_path, text + CONVERTER, ("key channel[0].name", rule, f"'{name}'", "Column name"))


def test_order_of_parts(tmp_path: Path) -> None:
    text = (BINARY + CONVERTER).replace(SYNC, "").replace(CHECKSUM, CHECKSUM + SEQUENCE + SYNC)
    told(
        tmp_path,
        text,
        ("key frame[0].part", "at most one 'sequence'", "2", "Remove the others"),
        ("key frame[0].part", "'sync' as the first part", "'sequence'", "Begin with the fixed bytes"),
        ("key frame[0].part", "'checksum' as the last part", "'sync'", "Move the checksum"),
    )


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        (
            TEXT[TEXT.index("[text]") : TEXT.index("[[frame]]")],
            "",
            ("key text", "a table", "no such key", "Add it: how lines are written"),
        ),
        ('delimiter = ","', "", ("key text.delimiter", "a string", "no such key", "Add it")),
        ('delimiter = ","', 'delimiter = ""', ("text.delimiter", "characters", "''", "Name the characters")),
        ('delimiter = ","', 'delimiter = "."', ("text.delimiter", "nor the decimal sign", "'.'", "Name")),
        ('delimiter = ","', 'delimiter = "0"', ("text.delimiter", "neither digits", "'0'", "Name")),
        ("header = true", "decimal = ','\nheader = true", ("text.delimiter", "decimal sign", "','", "Name")),
        ("header = true", "header = 1", ("key text.header", "true or false", "1", "Whether")),
        ('column = "n"\n', "", ("part[0].column", "lines have a header", "no such key", "Add it")),
        (
            'column = "n"',
            'column = "ms"',
            ("part[1].column", "each column once", "'ms' twice", "Name another"),
        ),
        (
            "decimals = 3",
            'columns = ["x", "y"]',
            ("part[2].columns", "one column for each channel", "2 columns for 1 channels", "channels' order"),
        ),
        (
            "decimals = 3",
            'type = "i16"',
            ("part[2].type", "framing 'text'", "'type'", "set framing = 'sync'"),
        ),
        ("adc_min = -2000\n", "", ("channel[0].bits", "bits, or adc_min and adc_max", "no such", "Add bits")),
        (
            "[[channel]]",
            '[[frame.part]]\nis = "checksum"\n[[channel]]',
            ("frame[0].part[3].is", "one of kind, sequence", "'checksum'", "What the part is"),
        ),
    ],
)
def test_faults_of_a_text_layout(tmp_path: Path, old: str, new: str, parts: tuple[str, ...]) -> None:
    assert old in TEXT
    told(tmp_path, TEXT.replace(old, new, 1), parts)


def test_columns_without_a_header(tmp_path: Path) -> None:
    told(
        tmp_path,
        TEXT.replace("header = true\n", ""),
        ("frame[0].part[0].column", "header = true in [text]", "no header", "then the order decides"),
        ("frame[0].part[1].column", "header = true in [text]", "no header", "then the order decides"),
    )


def test_channels_of_two_rates(tmp_path: Path) -> None:
    text = TEXT.replace('["acc"]', '["acc", "acc2"]') + (
        '[[channel]]\nname = "acc2"\nkind = "acceleration"\nunit = "[g]"\n'
        "scale = 1\nbits = 8\nsample_hz = 50\n"
    )
    told(
        tmp_path,
        text,
        ("frame[0].part[2].channels", "one rate", "50 Hz and 125 Hz", "a samples part of their own"),
    )


def test_same_name_twice(tmp_path: Path) -> None:
    text = TEXT + TEXT[TEXT.index("[[channel]]") :]
    told(tmp_path, text, ("key channel", "one channel of each name", "'acc' 2 times", "Rename one"))


def test_layout_that_cannot_be_read(tmp_path: Path) -> None:
    problems: list[Problem] = []
    (tmp_path / "latin.toml").write_bytes(b'title = "a"\n# \xe9\n')
    (tmp_path / "folder.toml").mkdir()
    for name in ("latin.toml", "folder.toml", "no.toml"):
        assert load_layout(tmp_path / name, name, problems) is None
    assert [str(problem) for problem in problems] == [
        "latin.toml, line 2, byte 14: expected UTF-8 text; found the byte 0xE9, which is none. "
        "Save the file as UTF-8.",
        "folder.toml: expected a readable file; found Is a directory. Check the path.",
        "no.toml: expected a TOML file; found no such file. Create it or correct the path.",
    ]
