"""What ``sessiongate bundle`` says: what was made, what was left out, what to be careful with."""

import argparse
import csv
import re
import signal
from collections.abc import Sequence
from datetime import date
from io import StringIO
from pathlib import Path

from pipeline.bundle.bag import digest_of
from pipeline.bundle.crate import NO_DAY
from pipeline.bundle.keep import COLUMN, FIELDS, further_columns
from pipeline.bundle.key import NEW
from pipeline.bundle.make import FORMATS, Order, Told, make_bundle
from pipeline.bundle.recoded import Made, Wishes
from pipeline.errors import InputError, Problem
from pipeline.progress import Progress, in_words
from schemas.bags import PAYLOAD, TAG_MANIFEST, fingerprint_words

_CAUTION = (
    "Codes and shifted dates do not make people anonymous for certain, and this is not legal advice: what "
    "the participants agreed to, the ethics approval and local law decide (pointers: HIPAA Safe Harbor, "
    "45 CFR 164.514(b)(2); GDPR, recital 26)."
)


def bundle(options: argparse.Namespace) -> int:
    """Make a bundle and say what came of it.

    Raises
    ------
    InputError
        Where an option, the results, a name or the key are not as they should be; nothing is left then.
    """
    for name in ("SIGTERM", "SIGHUP"):  # to be told to end is the same as Ctrl-C: what is aside goes
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    order = order_of(options)
    told, made = make_bundle(order, Progress())
    for line in _lines(order, told, made):
        print(line)
    return 0


def order_of(options: argparse.Namespace) -> Order:
    """What the options ask for.

    Raises
    ------
    InputError
        With every option that cannot be.
    """
    formats, keep = _listed(options.format), _listed(options.keep)
    problems = [
        Problem("--format", "", f"some of {', '.join(FORMATS)}", repr(name), "Parquet is always there.")
        for name in formats
        if name not in FORMATS
    ]
    if options.published and not _is_day(options.published):
        remedy = "Give the day on which it is published, such as 2026-05-04."
        problems.append(Problem("--published", "", "a day as YYYY-MM-DD", repr(options.published), remedy))
    if not all(name.strip() for name in options.author):
        problems.append(Problem("--author", "", "a name", "nothing", "Leave it out to name nobody."))
    if problems:
        raise InputError(problems)
    path: Path = options.out
    wishes = Wishes(options.sessions, frozenset(formats), frozenset(keep), options.licence, options.k)
    anew = options.key is not None and str(options.key) == NEW
    key = path.with_name(f"{path.name}-key.csv") if anew or options.key is None else options.key
    authors, only_key = tuple(options.author), options.key is None
    return Order(options.results, path, key, wishes, authors, options.published, only_key)


def _listed(several: Sequence[str]) -> list[str]:
    """Names of an option that may be given several times, each time by CSV: a name with a comma is quoted."""
    rows = [row for text in several for row in csv.reader(StringIO(text, newline=""), skipinitialspace=True)]
    return [name.strip() for row in rows for name in row if name.strip()]


def _quoted(name: str) -> str:
    """A name as `_listed` takes it for one."""
    return '"{}"'.format(name.replace('"', '""')) if re.search(r'[,"\r\n]', name) else name


def _is_day(text: str) -> bool:
    try:
        return bool(re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text) and date.fromisoformat(text))
    except ValueError:
        return False


def _lines(order: Order, told: Told, made: Sequence[Made]) -> list[str]:
    """What is said of a bundle that was made."""
    recoded = told.recoded
    n, all_of = len(recoded.recorded), len(recoded.sessions)
    parts = sum(session.parts is not None for session in recoded.recorded)
    size = sum((order.bundle / PAYLOAD / one.path).stat().st_size for one in made)
    cut = f", {parts} of them in part" if parts else ""
    keep = recoded.wishes.keep
    columns = [f"{COLUMN}{name}" for name in further_columns(told.names.gathered)]
    lines = [
        f"{order.bundle}: {n} of {all_of} sessions{cut}, {len(made)} files, {in_words(size)}",
        "",
        "Left out:",
        *(f"  {what}" for what in recoded.left_out),
        "What can be kept, by --keep FIELD[,FIELD] (in single quotes where a name has double ones):",
        *(f"  {name}: {what}" for name, what in FIELDS.items() if name not in keep),
        "A value with a name of the study or a date is left out all the same, unless FIELD! is said.",
        *(
            f"  {_quoted(name)}: a further column of the sessions table"
            for name in columns
            if name not in keep
        ),
    ]
    if recoded.warnings:
        lines += ["", "Be careful:", *(f"  {warning}" for warning in recoded.warnings)]
    if not recoded.wishes.licence:
        lines += ["", "No licence is stated, so nobody may use it: give one by --licence, such as CC-BY-4.0."]
    if not order.published:
        lines += [
            "",
            f"No day of publication is stated, {NO_DAY} stands for it: give one by --published DAY.",
        ]
    lines += [
        "",
        _CAUTION,
        f"The key to the codes is {order.key}: keep it apart, and give it to nobody who has the bundle. "
        "With it the same results make the same bundle.",
        *fingerprint_words(digest_of(order.bundle / TAG_MANIFEST)),
        f"Check it any time: sessiongate verify {order.bundle}",
    ]
    return lines
