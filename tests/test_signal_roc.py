"""Areas under ROC curves and shares, with their intervals, against published examples and libraries."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import binom, chi2, mannwhitneyu, norm
from sklearn.metrics import roc_auc_score, roc_curve

from pipeline.signal.pooled import Clusters, Counted, medians, steps_of
from pipeline.signal.roc import GRID, area, band, curve, newcombe, pair_area, spread
from pipeline.signal.shares import Z, poisson, wilson

# Hanley and McNeil, Radiology 143:29 (1982), Table I: ratings of 58 normal and 51 abnormal images (from
# memory).
NORMAL = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0], [33, 6, 6, 11, 2])
ABNORMAL = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0], [3, 2, 2, 11, 33])


def test_published_ratings() -> None:
    found = area(NORMAL, ABNORMAL)
    assert found.n == 109
    assert found.value == pytest.approx(0.893, abs=0.0005)  # the paper's
    # What programs print for this table by the variance of DeLong et al. 1988, from memory: a standard error
    # of 0.0307, and 0.83295 to 0.95339 by the plain interval.
    assert spread(NORMAL, ABNORMAL) == pytest.approx(0.0307, abs=5e-5)
    assert found.value - Z * spread(NORMAL, ABNORMAL) == pytest.approx(0.83295, abs=1e-5)
    assert found.value + Z * spread(NORMAL, ABNORMAL) == pytest.approx(0.95339, abs=1e-5)
    # the paper's own standard error is 0.032
    assert spread(NORMAL, ABNORMAL) == pytest.approx(0.032, abs=0.002)
    assert 0.80 < found.low < 0.83295 < found.value < found.high < 0.95339


@pytest.mark.parametrize("seed", range(8))
def test_area_is_that_of_the_libraries(seed: int) -> None:
    rng = np.random.default_rng(seed)
    below, above = rng.normal(0, 1, 30 + seed), rng.normal(seed / 4, 1.5, 25)
    if seed % 2:
        below, above = below.round(), above.round()  # ties
    found = area(below, above)
    labels = np.repeat([0, 1], [len(below), len(above)])
    assert found.value == pytest.approx(roc_auc_score(labels, np.concatenate((below, above))))
    assert found.value == pytest.approx(mannwhitneyu(above, below).statistic / len(below) / len(above))


@pytest.mark.parametrize("seed", range(4))
def test_variance_is_that_of_the_definition(seed: int) -> None:
    """DeLong et al. 1988, equations 4 to 6, as they stand: every pair by itself."""
    rng = np.random.default_rng(seed)
    below, above = rng.normal(0, 1, 17).round(1), rng.normal(0.8, 1, 12).round(1)
    won = (above[:, None] > below) + 0.5 * (above[:, None] == below)
    variance = won.mean(axis=1).var(ddof=1) / len(above) + won.mean(axis=0).var(ddof=1) / len(below)
    assert spread(below, above) == pytest.approx(np.sqrt(variance))


def test_full_separation_is_no_certainty() -> None:
    found = area(np.arange(10.0), np.arange(20.0, 28.0))
    assert (found.value, found.high) == (1.0, 1.0)
    assert 0.6 < found.low < 0.9
    turned = area(np.arange(20.0, 28.0), np.arange(10.0))
    assert (turned.value, turned.low) == (0.0, 0.0)
    assert turned.high == pytest.approx(1 - found.low)
    more = area(np.arange(100.0), np.arange(200.0, 280.0))
    assert more.low > 0.95


@pytest.mark.parametrize(("value", "m", "n"), [(0.84, 30, 25), (1.0, 8, 10), (0.55, 12, 40)])
def test_newcombe_solves_his_equation(value: float, m: int, n: int) -> None:
    """Newcombe 2006, method 5: the ends solve |value - t| = z sqrt(V(t)); here by a library's root finder."""

    def variance(t: float) -> float:
        star = (m + n) / 2 - 1
        return t * (1 - t) * (1 + star * (1 - t) / (2 - t) + star * t / (1 + t)) / (m * n)

    low, high = newcombe(value, m, n)
    assert low == pytest.approx(brentq(lambda t: value - t - Z * np.sqrt(variance(t)), 1e-9, value - 1e-9))
    if value < 1:
        above = brentq(lambda t: t - value - Z * np.sqrt(variance(t)), value + 1e-9, 1 - 1e-9)
        assert high == pytest.approx(above)


@pytest.mark.parametrize("apart", [0.3, 1.8, 3.0])
def test_intervals_cover_what_they_say(apart: float) -> None:
    """Two normal distributions, whose area is the normal integral of their distance over sqrt(2)."""
    rng, true, n_held = np.random.default_rng(7), norm.cdf(apart / np.sqrt(2)), 0
    for _ in range(600):
        found = area(rng.normal(0, 1, 30), rng.normal(apart, 1, 30))
        n_held += found.low <= true <= found.high
    assert 0.93 < n_held / 600 < 0.995


@pytest.mark.parametrize("apart", [0.0, 1.0, 2.5])
def test_the_band_of_a_sessions_curve_covers_what_it_says(apart: float) -> None:
    """Of two normals the curve is Phi(apart + Phi^-1(false)): the binormal model, from memory."""
    rng, true = np.random.default_rng(3), norm.cdf(apart + norm.ppf(GRID))
    ends = [band(rng.normal(0, 1, 40), rng.normal(apart, 1, 25)) for _ in range(400)]
    inside = np.mean([(low <= true + 1e-12) & (true <= high + 1e-12) for low, high in ends], axis=0)
    assert inside.min() >= 0.95
    low, high = band(np.zeros(40), np.ones(25))  # which part fully: no certainty
    assert (low[10], high[10]) == (pytest.approx(wilson(25, 25).low), 1.0)


def test_curve_is_that_of_the_library() -> None:
    rng = np.random.default_rng(5)
    below, above = rng.normal(0, 1, 40).round(1), rng.normal(1, 1, 30).round(1)
    false, true = curve(below, above)
    labels = np.repeat([0, 1], [40, 30])
    x, y, _ = roc_curve(labels, np.concatenate((below, above)), drop_intermediate=False)
    assert set(zip(false.tolist(), true.tolist(), strict=True)) <= set(
        zip(x.tolist(), y.tolist(), strict=True)
    )
    assert np.trapezoid(true, false) == pytest.approx(area(below, above).value)


# Newcombe, Statistics in Medicine 17:857 (1998), Table I, method 3, from memory.
@pytest.mark.parametrize(
    ("n_true", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_against_a_published_table(n_true: int, n: int, low: float, high: float) -> None:
    found = wilson(n_true, n)
    assert found.low == pytest.approx(low, abs=5e-5)
    assert found.high == pytest.approx(high, abs=5e-5)


def test_a_class_with_too_few_windows_says_so() -> None:
    label = np.repeat([0, 1, 3], [20, 4, 1])
    amplitude = np.arange(25.0)
    assert pair_area(amplitude, label, "rest_hand").absent == "4 windows of hand; 5 are needed"
    assert pair_area(amplitude, label, "rest_arm").absent == "no windows of arm; 5 are needed"
    assert pair_area(amplitude, label, "rest_body").absent == "1 window of body; 5 are needed"
    assert pair_area(amplitude[:0], label[:0], "rest_body").absent == "no window was kept"
    assert pair_area(amplitude, label, "rest_body").value is None


# ---------------------------------------------------------------- pooled


def sessions(n: int, apart_sd: float, seed: int = 1) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Amplitudes and labels (30 of rest: 0, 30 of body: 3); how far body stands out differs by session."""
    rng = np.random.default_rng(seed)
    labels = [np.repeat([0, 3], 30) for _ in range(n)]
    return [rng.normal(0, 1, 60) + (1.5 + rng.normal(0, apart_sd)) * (one == 3) for one in labels], labels


def counted(amplitudes: list[np.ndarray], labels: list[np.ndarray], who: list[str]) -> Counted:
    return Counted(Clusters.of(who), amplitudes, labels, steps_of(amplitudes))


@pytest.mark.parametrize("n", [4, 80])
def test_pooled_area_is_that_of_all_windows(n: int) -> None:
    amplitudes, labels = sessions(n, 0.5)
    found, line = counted(amplitudes, labels, [f"p{i}" for i in range(n)]).pair("rest_body")
    together, label = np.concatenate(amplitudes), np.concatenate(labels)
    exact = area(together[label == 0], together[label == 3])
    assert found.value == pytest.approx(exact.value, abs=2e-4)
    assert found.n == n * 60
    assert line.true == pytest.approx(
        np.interp(GRID, *curve(together[label == 0], together[label == 3])), abs=0.02
    )


def test_alike_windows_widen_the_pooled_interval_alone() -> None:
    who = [f"p{i}" for i in range(12)]
    alike, _ = counted(*sessions(12, 0.0), who).pair("rest_body")
    apart, _ = counted(*sessions(12, 2.0), who).pair("rest_body")
    amplitudes, labels = sessions(12, 2.0)
    together, label = np.concatenate(amplitudes), np.concatenate(labels)
    naive = area(together[label == 0], together[label == 3])
    assert alike.high - alike.low < 0.1
    assert apart.high - apart.low > 1.5 * (naive.high - naive.low)


def test_participants_are_drawn_whatever_their_number() -> None:
    few = Clusters.of(["p1", "p1", "p2", "p2"])
    assert (few.n, few.of_session.tolist()) == (2, [0, 0, 1, 1])
    many = Clusters.of([f"p{i % 6}" for i in range(12)])
    assert (many.n, many.interval) == (6, "bootstrap of 6 participants")
    assert many.of_session.tolist() == [0, 1, 2, 3, 4, 5] * 2
    assert (many.weights.sum(axis=1) == 6).all()
    assert np.array_equal(many.weights, Clusters.of([f"p{i % 6}" for i in range(12)]).weights)


@pytest.mark.parametrize(("n", "has"), [(5, False), (6, True)])
def test_fewer_than_six_participants_have_no_interval_whatever_is_asked(n: int, has: bool) -> None:
    who = [f"p{i % n}" for i in range(24)]
    clusters = Clusters.of(who)
    pooled, line = counted(*sessions(24, 1.0), who).pair("rest_body")
    per = np.linspace(0.2, 0.9, 24)
    each = (pooled, clusters.median(per), clusters.ratio(per, np.ones(24), 24))
    assert [found.low is not None for found in each] == [has] * 3
    assert (line.low is not None) == has
    said = "bootstrap of 6 participants" if has else "no interval: 5 participants, 6 are needed"
    assert {found.interval or found.absent for found in each} == {said}


def test_a_class_that_few_participants_have_gives_no_interval() -> None:
    """Of 8 participants 5 have movement: most draws have some, but what differs is drawn from 5 alone."""
    amplitudes, labels = sessions(8, 0.5)
    labels = [*[np.zeros(60, np.int64)] * 3, *labels[3:]]
    who = [f"p{i}" for i in range(8)]
    rare, line = counted(amplitudes, labels, who).pair("rest_body")
    assert (rare.low, line.low) == (None, None)
    assert rare.absent == "no interval: 5 participants, 6 are needed"
    missed = Clusters.of(who).ratio(np.array([0, 0, 0, 1, 2, 0, 1, 1.0]), np.array([0, 0, 0, *[3.0] * 5]), 15)
    assert (missed.value, missed.low) == (5 / 15, None)


def test_full_separation_everywhere_has_no_interval() -> None:
    labels = [np.repeat([0, 3], 20)] * 6
    found, _ = counted([label.astype(float) for label in labels], labels, list("abcdef")).pair("rest_body")
    assert (found.value, found.low) == (1.0, None)
    assert found.absent == "no interval: participants do not differ"


@pytest.mark.parametrize("seed", range(5))
def test_medians_of_draws_are_those_of_the_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values, times = rng.normal(size=9).round(1), rng.integers(0, 4, (40, 9)).astype(np.float32)
    times[0] = 0
    found = medians(values, times)
    assert np.isnan(found[0])
    assert found[1:].tolist() == [np.median(np.repeat(values, row.astype(int))) for row in times[1:]]


def test_interval_of_a_median_is_that_of_the_exact_law() -> None:
    """Of 11 values drawn 11 times the median is at most the k-th if 6 draws are: binomial, of k in 11."""
    values = np.random.default_rng(3).normal(0.8, 0.1, 11)
    found = Clusters.of([f"p{i}" for i in range(11)]).median(values)
    upto = binom.sf(5, 11, np.arange(1, 12) / 11)
    ends = np.sort(values)[[np.argmax(upto > 0.025), np.argmax(upto > 0.975)]]
    assert (found.value, found.low, found.high) == (np.median(values), *ends)


# Garwood, Biometrika 28:437 (1936), Table I, exact 95 % limits of a count; from memory.
@pytest.mark.parametrize(
    ("n", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.242, 7.225), (13, 6.922, 22.230)]
)
def test_poisson_against_a_published_table(n: int, low: float, high: float) -> None:
    assert poisson(n) == pytest.approx((low, high), abs=5e-4)
    assert poisson(n)[1] == pytest.approx(chi2.ppf(0.975, 2 * n + 2) / 2)


def test_pooled_intervals_cover_what_they_say() -> None:
    """Body 1.5 above rest with a spread of 1 by session: an area of Phi(1.5 / sqrt(1 + 1 + 1))."""
    n_held, n_naive, true = 0, 0, norm.cdf(1.5 / np.sqrt(3))
    for seed in range(20):
        amplitudes, labels = sessions(20, 1.0, seed)
        found, _ = counted(amplitudes, labels, [f"p{i}" for i in range(20)]).pair("rest_body")
        together, label = np.concatenate(amplitudes), np.concatenate(labels)
        naive = area(together[label == 0], together[label == 3])
        n_held += found.low <= true <= found.high
        n_naive += naive.low <= true <= naive.high
    assert n_held >= 17
    assert n_naive < 15  # windows taken one by one promise too much
