"""The line under delays, steps and jitter: published models, worked values of RFC 3550, and other solvers."""

import numpy as np
import pytest
from scipy.optimize import linprog

from pipeline.timebase.knots import fit_line
from pipeline.timebase.skew import interarrival_jitter, lines_under, lower_hull, slope_uncertainty
from pipeline.timebase.steps import find_steps

TRUE_PPM = 30.0
N_PACKETS = 1000


def _delays(model: str, rng: np.random.Generator) -> np.ndarray:
    """Delays of 1000 packets, one a second, in seconds.

    The models are those of Moon, Skelly and Towsley (INFOCOM 1999) in kind; their numbers are invented.
    """
    if model == "half-normal":
        return np.abs(rng.normal(0, 0.005, N_PACKETS))
    delay = rng.exponential(0.02, N_PACKETS)
    if model == "ten times longer in a part":
        delay[100:300] *= 10
    return delay


def _errors_ppm(model: str, seed: int) -> tuple[float, float, float]:
    """Error of the line under the delays, its stated uncertainty, and the error of least squares."""
    x = np.arange(N_PACKETS, dtype=float)
    y = 1e9 + x * (1 + TRUE_PPM * 1e-6) + _delays(model, np.random.default_rng(seed))
    lines, uncertainty = lines_under([(x, y)]), slope_uncertainty([(x, y)], 0.0)
    assert lines is not None
    assert uncertainty is not None
    error, plain = ((slope - 1) * 1e6 - TRUE_PPM for slope in (lines.slope, fit_line(x, y)[0]))
    return error, uncertainty * 1e6, plain


@pytest.mark.parametrize("model", ["exponential", "half-normal", "ten times longer in a part"])
def test_skew_is_found_to_below_a_ppm_under_delays(model: str) -> None:
    """Moon, Skelly, Towsley 1999: the line by linear programming is unbiased, the other lines are not."""
    trials = [_errors_ppm(model, seed) for seed in range(50)]
    error, uncertainty, plain = np.array(trials).T
    assert np.abs(error).max() < 1.0
    assert abs(error.mean()) < 0.1
    # the stated uncertainty holds, and is no more than a few times what it has to be
    assert (np.abs(error) <= 2 * uncertainty).mean() >= 0.95
    assert np.median(uncertainty) < 5 * error.std()
    if model.startswith("ten"):
        # least squares follow the part in which delays grow
        assert np.abs(plain).min() > 90.0


@pytest.mark.parametrize("n_stretches", [1, 3])
@pytest.mark.parametrize("seed", range(8))
def test_hull_and_linear_programming_agree(n_stretches: int, seed: int) -> None:
    """scipy.optimize.linprog on the program of Moon et al.: least sum of distances, none negative."""
    rng = np.random.default_rng(seed)
    stretches = []
    for k in range(n_stretches):
        n = int(rng.integers(3, 120))
        x = np.sort(rng.integers(0, 500, n)).astype(float)
        stretches.append((x, x * 1.01 + 7 * k + rng.exponential(1.0, n)))
    ours = lines_under(stretches)
    assert ours is not None
    cost, rows, bounds = np.zeros(1 + n_stretches), [], []
    for k, (x, y) in enumerate(stretches):
        cost[0] -= x.sum()
        cost[1 + k] = -len(x)
        for at, value in zip(x, y, strict=True):
            row = np.zeros(1 + n_stretches)
            row[0], row[1 + k] = at, 1.0
            rows.append(row)
            bounds.append(value)
    program = linprog(cost, A_ub=np.array(rows), b_ub=np.array(bounds), bounds=[(None, None)] * len(cost))
    assert ours.slope == pytest.approx(program.x[0], abs=1e-9)
    assert ours.intercept == pytest.approx(program.x[1:], abs=1e-6)
    for (x, y), intercept in zip(stretches, ours.intercept, strict=True):
        assert (y - ours.slope * x - intercept).min() >= -1e-9


def test_hull_of_many_points_is_that_of_the_walk_through_all() -> None:
    rng = np.random.default_rng(5)
    for x, y in (
        (np.arange(5000.0), rng.exponential(1.0, 5000)),
        (np.sort(rng.integers(0, 900, 5000)).astype(float), rng.integers(0, 9, 5000).astype(float)),
        (np.arange(2000.0), -((np.arange(2000.0) - 1000) ** 2)),
        (np.arange(2000.0), (np.arange(2000.0) - 1000) ** 2),
    ):
        hull = lower_hull(x, y)
        assert np.all(np.diff(x[hull]) > 0)
        slope = np.diff(y[hull]) / np.diff(x[hull])
        assert np.all(np.diff(slope) > 0)
        assert np.all(y >= np.interp(x, x[hull], y[hull]) - 1e-9)
        assert {x[0], x[-1]} == {x[hull[0]], x[hull[-1]]}


def test_points_at_one_instant_have_no_slope() -> None:
    assert lines_under([(np.array([3.0]), np.array([1.0]))]) is None
    assert lines_under([(np.array([3.0, 3.0]), np.array([1.0, 2.0]))]) is None


@pytest.mark.parametrize(
    ("n", "jitter"), [(1, 6.25), (16, 64.393), (32, 87.321), (64, 98.393), (100, 99.843)]
)
def test_jitter_of_rfc_3550_for_a_constant_difference(n: int, jitter: float) -> None:
    """RFC 3550, 6.4.1 and A.8: J += (|D| - J) / 16; for |D| = 100 that is 100 (1 - (15/16)^n)."""
    transit = 100.0 * (np.arange(101) % 2)
    assert interarrival_jitter(transit)[n] == pytest.approx(jitter, abs=1e-3)


def test_jitter_is_that_of_the_recursion_as_published() -> None:
    transit = np.random.default_rng(2).exponential(0.02, 3000)
    expected = 0.0
    ours = interarrival_jitter(transit)
    for i in range(1, len(transit)):
        expected += (abs(transit[i] - transit[i - 1]) - expected) / 16.0
        assert ours[i] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("scale_s", [0.005, 0.02, 0.2])
def test_steps_of_the_other_clock_are_found_where_they_are(scale_s: float) -> None:
    """Zhang, Liu, Xia (INFOCOM 2002) call them resets; planted ones of half a second and of an hour."""
    rng = np.random.default_rng(1)
    x = np.arange(30_000) * 0.04
    y = x * (1 + 30e-6) + rng.exponential(scale_s, len(x))
    assert [len(found) for found in find_steps(x, y)] == [0, 0]
    y[10_000:] += 0.7
    y[20_000:] -= 3600.0
    steps, strays = find_steps(x, y)
    assert np.abs(steps - [10_000, 20_000]).max() <= 2
    assert not len(strays)


def test_jams_and_wrong_stamps_are_no_steps() -> None:
    rng = np.random.default_rng(1)
    x = np.arange(30_000) * 0.04
    y = x + rng.exponential(0.02, len(x))
    y[5_000:7_000] += 2.0
    y[12_000:] += np.maximum(30 - 0.6 * np.arange(18_000) * 0.04, 0)
    y[25_000:25_003] -= 20.0
    y[26_000] += 20.0
    steps, strays = find_steps(x, y)
    assert not len(steps)
    assert strays.tolist() == [25_000, 25_001, 25_002]
