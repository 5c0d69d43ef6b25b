"""The front door: ``sessiongate new``, ``peek``, ``run``, ``drill``, ``bundle`` and ``verify``."""

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from pipeline import __version__
from pipeline.errors import InputError
from pipeline.machine import in_utf8, remedy, speak_anyway
from pipeline.screen import complain, deaf

WRONG_STUDY = 2
"""Exit code: the study itself is wrong and nothing was started."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code. A user's mistake ends in a message, never in a traceback."""
    if arguments is None:
        in_utf8()
    speak_anyway()
    options = _parser().parse_args(arguments)
    try:
        code: int = options.command(options)
    except InputError as error:
        n = len(error.problems)
        complain(f"{n} thing{'s' if n > 1 else ''} to put right:")
        for problem in error.problems:
            complain(f"  {problem}")
        return WRONG_STUDY
    except KeyboardInterrupt:
        complain(f"Stopped.{options.stopped}")
        return 130
    except BrokenPipeError:  # who read what was printed, such as 'head', had enough
        deaf(sys.stdout)
        return 0
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        complain(f"{place}{error.strerror or error}. {remedy(error)}.")
        return 1
    return code


def folder(text: str) -> Path:
    """The path of an argument; one that is empty, as of a variable that is not set, is no current folder."""
    if not text.strip():
        raise argparse.ArgumentTypeError("the name of a folder is empty")
    return Path(text)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="sessiongate",
        description="Turns raw dumps of a body-worn electric-field sensor into a judged, documented dataset.",
        epilog="Not a medical device. No mains-powered equipment on a wearer without proper isolation.",
    )
    parser.add_argument("--version", action="version", version=f"sessiongate {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    new = commands.add_parser("new", help="write a study folder to fill in, every key commented")
    new.add_argument(
        "folder", type=Path, metavar="FOLDER", help="a folder that does not exist yet, or is empty"
    )
    new.set_defaults(command=_new, stopped="")
    peek = commands.add_parser("peek", help="look into one dump: frames, losses, channels, clock")
    peek.add_argument("dump", type=Path, metavar="DUMP")
    peek.add_argument(
        "--layout",
        type=Path,
        metavar="FILE",
        help="the layout to read it with; without it: what the dump looks like",
    )
    peek.add_argument(
        "--prove",
        action="store_true",
        help="make the dump's frames again from its samples, and compare them byte for byte",
    )
    peek.set_defaults(command=_peek, stopped="")
    run = commands.add_parser("run", help="convert, validate, detect, judge and report a study")
    run.add_argument("study", type=folder, metavar="STUDY", help="the study folder; it is only read")
    run.add_argument("--out", type=folder, required=True, metavar="RESULTS", help="where results go")
    run.add_argument(
        "--jobs",
        type=_at_least_one,
        metavar="N",
        help="sessions at work at once; on a cluster: its jobs at once",
    )
    run.add_argument(
        "--profile",
        default="",
        metavar="NAME",
        help="work on a cluster: 'slurm', or a folder with a profile of your own",
    )
    run.add_argument(
        "--quiet",
        action="store_true",
        help="print nothing but what goes wrong, as for cron (RESULTS/logs has all)",
    )
    run.set_defaults(command=_run, stopped=" Finished sessions are kept; run again to go on.")
    _add_drill(commands)
    _add_bundle(commands)
    _add_verify(commands)
    return parser


def _add_drill(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    drill = commands.add_parser("drill", help="how good is the check on your device? plants faults and looks")
    drill.add_argument("study", type=folder, metavar="STUDY", help="the study folder; it is only read")
    drill.add_argument("--out", type=folder, required=True, metavar="FOLDER", help="where drill.html goes")
    drill.add_argument(
        "--seed", type=_whole_number, default=1, metavar="N", help="the same seed gives the same faults"
    )
    drill.add_argument(
        "--rounds",
        type=_at_least_one,
        default=20,
        metavar="N",
        help="faulty copies of each kind: more make the intervals narrower",
    )
    drill.add_argument(
        "--jobs", type=_at_least_one, default=os.cpu_count() or 1, metavar="N", help="copies at work at once"
    )
    drill.add_argument("--keep", action="store_true", help="keep the faulty copies, as a study of their own")
    drill.set_defaults(
        command=_drill,
        stopped=" Finished sessions of the study are kept; the copies begin anew when you run it again.",
    )


def _add_bundle(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    bundle = commands.add_parser(
        "bundle", help="make the de-identified, self-describing, checksummed dataset"
    )
    bundle.add_argument(
        "results", type=folder, metavar="RESULTS", help="results of 'run'; they are only read"
    )
    bundle.add_argument("--out", type=folder, required=True, metavar="BUNDLE", help="a name that is free")
    bundle.add_argument(
        "--sessions",
        choices=("accepted", "usable", "all"),
        default="usable",
        help="recordings that go in: those used whole; also the usable parts of others (if nothing is said); "
        "all of them complete, rejected ones with their reasons",
    )
    bundle.add_argument(
        "--format",
        action="append",
        default=[],
        metavar="FORMAT[,FORMAT]",
        help="beside Parquet: csv, edf",
    )
    bundle.add_argument(
        "--keep",
        action="append",
        default=[],
        metavar="FIELD[,FIELD]",
        help="free text to hand on; without it the command says what was left out",
    )
    bundle.add_argument(
        "--key",
        type=Path,
        metavar="FILE",
        help="the key to the codes, used again where it exists (BUNDLE-key.csv if nothing is said); 'new' "
        "draws one though another of this study lies beside it",
    )
    bundle.add_argument("--licence", default="", metavar="ID", help="SPDX identifier, such as CC-BY-4.0")
    bundle.add_argument(
        "--k",
        type=_at_least_one,
        default=5,
        metavar="N",
        help="warn where fewer participants share what is said of them",
    )
    bundle.add_argument(
        "--author", action="append", default=[], metavar="NAME", help="as to be cited; may be repeated"
    )
    bundle.add_argument("--published", default="", metavar="DAY", help="day of publication, as YYYY-MM-DD")
    bundle.set_defaults(command=_bundle, stopped=" Nothing was left under the bundle's name.")


def _add_verify(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    verify = commands.add_parser("verify", help="is a bundle whole, and what it says it is? needs no study")
    verify.add_argument(
        "bundle", type=folder, metavar="BUNDLE", help="the folder of a bundle; it is only read"
    )
    verify.add_argument(
        "--recompute",
        type=Path,
        metavar="STUDY",
        help="with the dumps, their study and the key at hand: make it all again, and compare every byte",
    )
    verify.add_argument(
        "--key",
        type=Path,
        metavar="FILE",
        help="the key to the codes, for --recompute (BUNDLE-key.csv if nothing is said)",
    )
    verify.set_defaults(command=_verify, stopped=" The bundle is as it was.")


def _whole_number(text: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise argparse.ArgumentTypeError(f"expected a whole number of at least 0, found '{text}'")
    return int(text)


def _at_least_one(text: str) -> int:
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"expected a whole number of at least 1, found '{text}'")
    return int(text)


def _new(options: argparse.Namespace) -> int:
    from pipeline.study.blank import write_blank_study  # only this command needs them
    from pipeline.verdict.policy import commented_policy

    written = write_blank_study(options.folder, commented_policy())
    for path in written:
        print(path)
    print(f"Fill these in, put the dumps below {options.folder / 'dumps'}, then:")
    results = options.folder.with_name(options.folder.name + "-results")
    print(f"  sessiongate run {options.folder} --out {results}")
    return 0


def _peek(options: argparse.Namespace) -> int:
    from pipeline.peek.look import open_both, peek

    if not options.prove:
        return peek(options.dump, options.layout)
    from pipeline.peek.prove import prove  # writes and reads samples, for which more is needed

    layout = open_both(options.dump, options.layout)
    if layout is None:
        complain("--prove needs --layout FILE")
        return WRONG_STUDY
    return prove(options.dump, layout)


def _run(options: argparse.Namespace) -> int:
    from pipeline.running import run_study  # imports what the whole workflow needs

    n_jobs = options.jobs or (0 if options.profile else os.cpu_count() or 1)
    return run_study(options.study, options.out, n_jobs, quiet=options.quiet, profile=options.profile)


def _drill(options: argparse.Namespace) -> int:
    from pipeline.drill.drill import drill  # imports everything that there is

    return drill(options.study, options.out, options.rounds, options.seed, options.jobs, options.keep)


def _bundle(options: argparse.Namespace) -> int:
    from pipeline.bundle.command import bundle  # imports what writes every kind of file

    return bundle(options)


def _verify(options: argparse.Namespace) -> int:
    from pipeline.verify.verify import verify  # Arrow is needed here, and no workflow

    if options.key is not None and options.recompute is None:
        complain("--key needs --recompute STUDY")
        return WRONG_STUDY
    code = verify(options.bundle)
    if code or options.recompute is None:
        return code
    from pipeline.verify.again import compare_again  # imports everything that judges

    path = options.bundle.absolute()
    return compare_again(
        options.bundle, options.recompute, options.key or path.with_name(f"{path.name}-key.csv")
    )


if __name__ == "__main__":
    sys.exit(main())
