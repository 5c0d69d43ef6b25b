"""Damaged and hostile dumps looked into by `peek`: without a layout, with their own, and with another one."""

import contextlib
import io
import random
import tempfile
import traceback
from pathlib import Path

from cases import CASES
from damage import ACTIONS, mixed
from hostile import makers_for

from pipeline.errors import InputError
from pipeline.finder.toml import as_toml
from pipeline.peek.look import peek

_FRAMES = 150
_LONGEST = 12_000


def look(seed: int, number: int) -> str:
    """Look into dump `number` of `seed`; what went wrong, or nothing."""
    rng = random.Random(f"peek {seed} {number}")
    names = list(CASES)
    name = names[number % len(names)]
    layout = rng.choice((None, name, rng.choice(names)))
    with tempfile.TemporaryDirectory() as folder:
        dump, layout_file = Path(folder) / "dump.bin", Path(folder) / "layout.toml"
        dump.write_bytes(_dump(name, number, rng))
        if layout is not None:
            layout_file.write_text("\n".join(as_toml(CASES[layout].layout)))
        said = io.StringIO()
        try:
            with contextlib.redirect_stdout(said):
                peek(dump, layout_file if layout is not None else None)
        except InputError as error:
            return f"look {number}, {name}: the layout {layout} is refused: {error}"
        except Exception:
            what = traceback.format_exc(limit=-4).strip()
            return f"look {number}, {name} by the layout {layout}: {what}"
    return "" if said.getvalue().strip() else f"look {number}, {name}: nothing is said"


def _dump(name: str, number: int, rng: random.Random) -> bytes:
    case = CASES[name]
    if rng.random() < 0.4:
        make = rng.choice(list(makers_for(case.layout).values()))
        return make(case.layout, rng.randint(1, _LONGEST), rng)
    share = rng.choice((0.0, 0.05, 0.3))
    frames = [frame.data for frame in case.encoded(_FRAMES, number)]
    actions = [rng.choice(ACTIONS) if rng.random() < share else "keep" for _ in frames]
    return mixed(frames, actions, rng)
