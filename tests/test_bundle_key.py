"""The key to the codes of a bundle: drawn, extended, written and read again. All names are invented."""

import random

import numpy as np
import pytest

from pipeline.bundle.key import EMPTY, LEAST_SHIFT_DAYS, MOST_SHIFT_DAYS, extended, read_key, write_key
from pipeline.errors import InputError


def test_a_key_is_extended_and_stays_as_it_is():
    dice = random.Random(7)
    first = extended(EMPTY, {"participant": ["Ana", "Bo"]}, {"activity": {"wedging": "arm"}}, dice)
    second = extended(
        first,
        {"participant": ["Ana", "Bo", "Cy"]},
        {"activity": {"wedging": "arm", "throwing": "arm"}, "channel": {"jane": "field"}},
        dice,
    )
    assert first.codes["participant"].items() <= second.codes["participant"].items()
    assert second.codes["participant"]["Cy"] not in first.codes["participant"].values()
    assert second.codes["activity"] == {"wedging": "arm-1", "throwing": "arm-2"}
    assert second.codes["channel"] == {"jane": "field_1"}
    assert first.shifts.items() <= second.shifts.items()


def test_codes_are_dealt_in_any_order_and_shifts_differ():
    names = [f"p{n:02d}" for n in range(30)]
    keys = [extended(EMPTY, {"participant": names}, {}, random.Random(seed)) for seed in range(3)]
    orders = [sorted(names, key=key.codes["participant"].get) for key in keys]
    assert len({tuple(order) for order in orders}) == 3
    shifts = np.array([[*key.shifts.values()] for key in keys])
    assert len(np.unique(shifts)) > 80
    assert shifts.min() >= -MOST_SHIFT_DAYS
    assert shifts.max() <= -LEAST_SHIFT_DAYS
    # without a seed it is the system's randomness: no two keys alike
    assert extended(EMPTY, {"participant": names}, {}) != extended(EMPTY, {"participant": names}, {})


def test_codes_that_are_added_stand_anywhere():
    first = extended(EMPTY, {"session": [f"s{n}" for n in range(20)]}, {}, random.Random(1))
    grown = [extended(first, {"session": ["late"]}, {}, random.Random(seed)) for seed in range(300)]
    numbers = [int(key.codes["session"]["late"][1:]) for key in grown]
    assert np.histogram(numbers, 4, (1, 999))[0].min() > 300 / 4 / 2
    many = extended(EMPTY, {"session": [f"s{n}" for n in range(400)]}, {}, random.Random(1))
    assert len({*many.codes["session"].values()}) == 400


def test_a_key_comes_back_whatever_names_hold(tmp_path):
    names = ["plain", 'quo"ted', "com,ma", "line\nbreak", "ünï", "=1+1", " "]
    key = extended(EMPTY, {"participant": names, "site": names}, {"activity": dict.fromkeys(names, "rest")})
    write_key(tmp_path / "key.csv", key)
    assert read_key(tmp_path / "key.csv") == key
    assert (tmp_path / "key.csv").stat().st_mode & 0o777 == 0o600


def test_a_broken_key_is_told_in_full(tmp_path):
    (tmp_path / "key.csv").write_text("kind,name,code,shift_days\nsite,a\nplace,b,c,\n")
    with pytest.raises(InputError) as raised:
        read_key(tmp_path / "key.csv")
    assert len(raised.value.problems) == 2
