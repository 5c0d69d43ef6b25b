"""Results cut down to some of their sessions, as if a study had no others."""

import json
import shutil
from collections.abc import Collection
from pathlib import Path


def only(results: Path, sessions: Collection[str], out: Path) -> Path:
    """Copy what a bundle is made of: the record of the run and of the study, and these sessions."""
    (out / ".work").mkdir(parents=True)
    run = json.loads((results / "run.json").read_text(encoding="utf-8"))
    record = json.loads((results / ".work/study.json").read_text(encoding="utf-8"))
    run["sessions"] = {name: run["sessions"][name] for name in sessions}
    record["sessions"] = [row for row in record["sessions"] if row["session"] in sessions]
    (out / "run.json").write_text(json.dumps(run), encoding="utf-8")
    (out / ".work/study.json").write_text(json.dumps(record), encoding="utf-8")
    for name in sessions:
        shutil.copytree(results / name, out / name)
        if (results / ".work" / name).exists():
            shutil.copytree(results / ".work" / name, out / ".work" / name)
    return out
