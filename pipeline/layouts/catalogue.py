"""Checksums by name: the rows of the public catalogue that small devices use, and simple sums.

Source: "Catalogue of parametrised CRC algorithms" (G. Cook, RevEng), by the parameters of the Rocksoft
model; each row is checked in the tests by its published check value (the CRC of ASCII "123456789"). Sums:
J. G. Fletcher, IEEE Transactions on Communications 30(1), 1982; RFC 1950 (Adler-32); RFC 1071 (the Internet
checksum, complemented, of words with their high byte first).
"""

from dataclasses import replace

from pipeline.layouts.layout import CheckKind, Checksum

_ROWS = (
    # name, width, poly, init, reflect_in, reflect_out, xor_out
    ("CRC-8/SMBUS", 8, 0x07, 0x00, False, False, 0x00),
    ("CRC-8/MAXIM-DOW", 8, 0x31, 0x00, True, True, 0x00),
    ("CRC-8/I-432-1", 8, 0x07, 0x00, False, False, 0x55),
    ("CRC-8/NRSC-5", 8, 0x31, 0xFF, False, False, 0x00),
    ("CRC-8/AUTOSAR", 8, 0x2F, 0xFF, False, False, 0xFF),
    ("CRC-8/SAE-J1850", 8, 0x1D, 0xFF, False, False, 0xFF),
    ("CRC-8/BLUETOOTH", 8, 0xA7, 0x00, True, True, 0x00),
    ("CRC-8/ROHC", 8, 0x07, 0xFF, True, True, 0x00),
    ("CRC-8/DVB-S2", 8, 0xD5, 0x00, False, False, 0x00),
    ("CRC-8/CDMA2000", 8, 0x9B, 0xFF, False, False, 0x00),
    ("CRC-8/WCDMA", 8, 0x9B, 0x00, True, True, 0x00),
    ("CRC-16/ARC", 16, 0x8005, 0x0000, True, True, 0x0000),
    ("CRC-16/MODBUS", 16, 0x8005, 0xFFFF, True, True, 0x0000),
    ("CRC-16/USB", 16, 0x8005, 0xFFFF, True, True, 0xFFFF),
    ("CRC-16/MAXIM-DOW", 16, 0x8005, 0x0000, True, True, 0xFFFF),
    ("CRC-16/UMTS", 16, 0x8005, 0x0000, False, False, 0x0000),
    ("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, False, False, 0x0000),
    ("CRC-16/XMODEM", 16, 0x1021, 0x0000, False, False, 0x0000),
    ("CRC-16/KERMIT", 16, 0x1021, 0x0000, True, True, 0x0000),
    ("CRC-16/IBM-SDLC", 16, 0x1021, 0xFFFF, True, True, 0xFFFF),
    ("CRC-16/GENIBUS", 16, 0x1021, 0xFFFF, False, False, 0xFFFF),
    ("CRC-16/SPI-FUJITSU", 16, 0x1021, 0x1D0F, False, False, 0x0000),
    ("CRC-16/MCRF4XX", 16, 0x1021, 0xFFFF, True, True, 0x0000),
    ("CRC-16/DNP", 16, 0x3D65, 0x0000, True, True, 0xFFFF),
    ("CRC-16/T10-DIF", 16, 0x8BB7, 0x0000, False, False, 0x0000),
    ("CRC-24/OPENPGP", 24, 0x864CFB, 0xB704CE, False, False, 0x000000),
    ("CRC-32/ISO-HDLC", 32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF),
    ("CRC-32/BZIP2", 32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0xFFFFFFFF),
    ("CRC-32/MPEG-2", 32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0x00000000),
    ("CRC-32/CKSUM", 32, 0x04C11DB7, 0x00000000, False, False, 0xFFFFFFFF),
    ("CRC-32/JAMCRC", 32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0x00000000),
    ("CRC-32/ISCSI", 32, 0x1EDC6F41, 0xFFFFFFFF, True, True, 0xFFFFFFFF),
    ("CRC-64/ECMA-182", 64, 0x42F0E1EBA9EA3693, 0, False, False, 0),
    ("CRC-64/XZ", 64, 0x42F0E1EBA9EA3693, 0xFFFFFFFFFFFFFFFF, True, True, 0xFFFFFFFFFFFFFFFF),
)

_SUMS: tuple[tuple[str, int, CheckKind], ...] = (
    # name, width, kind
    ("SUM-8", 8, "sum"),
    ("XOR-8", 8, "xor"),
    ("FLETCHER-16", 16, "fletcher"),
    ("ADLER-32", 32, "adler"),
    ("INTERNET-16", 16, "internet"),
)

CATALOGUE = {row[0]: Checksum(*row) for row in _ROWS} | {
    name: Checksum(name, width, 0, 0, False, False, 0, kind) for name, width, kind in _SUMS
}
"""Name -> parameters."""

ALIASES = {
    "CRC-8": "CRC-8/SMBUS",
    "CRC-16": "CRC-16/ARC",
    "CRC-16/BUYPASS": "CRC-16/UMTS",
    "CRC-16/CCITT-FALSE": "CRC-16/IBM-3740",
    "CRC-16/AUTOSAR": "CRC-16/IBM-3740",
    "CRC-16/CCITT-TRUE": "CRC-16/KERMIT",
    "CRC-16/V-41-LSB": "CRC-16/KERMIT",
    "CRC-16/ZMODEM": "CRC-16/XMODEM",
    "CRC-16/X-25": "CRC-16/IBM-SDLC",
    "CRC-16/AUG-CCITT": "CRC-16/SPI-FUJITSU",
    "CRC-24": "CRC-24/OPENPGP",
    "CRC-32": "CRC-32/ISO-HDLC",
    "CRC-32C": "CRC-32/ISCSI",
    "CRC-64": "CRC-64/ECMA-182",
    "RFC-1071": "INTERNET-16",
}
"""Further names of the same rows: of cyclic checks, as the catalogue lists them."""


def by_name(name: str) -> Checksum | None:
    """The catalogue's row of that name or alias, or None."""
    other = ALIASES.get(name.upper())
    return replace(CATALOGUE[other], alias=name) if other else CATALOGUE.get(name.upper())
