"""Tells what doing the line again on the dumps at hand gave, for ``sessiongate verify --recompute``."""

import sys
from pathlib import Path

from pipeline.verify.faults import shown
from pipeline.verify.recompute import recompute

SAME, OTHER = 0, 1


def compare_again(bundle: Path, study: Path, key: Path) -> int:
    """Decode and judge the dumps of a study again and compare with a bundle that is whole.

    Returns
    -------
    int
        0 where everything that could be done again is the same, 1 where something differs or nothing could
        be done again.
    """
    done = recompute(bundle, study, key)
    for note in done.notes:
        print(f"Not done again or not compared: {shown(note, 1000)}")
    if done.differences:
        n = len(done.differences)
        print(
            f"Differs from the dumps, {n} time{'s' if n > 1 else ''}: {shown(str(bundle))}", file=sys.stderr
        )
        for difference in done.differences:
            print(f"  {shown(difference, 1000)}", file=sys.stderr)
        if done.remark:
            print(done.remark, file=sys.stderr)
        return OTHER
    if not done.n_done:
        print(f"None of {done.n_sessions} sessions could be done again.", file=sys.stderr)
        return OTHER
    files = f"{done.n_compared} of {done.n_files} files byte for byte"
    place = shown(str(study))
    print(f"The same again: {done.n_done} of {done.n_sessions} sessions, {files}, from the dumps in {place}")
    return SAME
