"""Windows of 2 s: features of made signals, labels of the log, what is clean, and why there are none."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow.parquet as pq
import pytest

from pipeline.layouts import Channel
from pipeline.recording import BLOCK_ROWS, open_recording, write_samples
from pipeline.signal import Windows, read_windows, windows_of, write_windows
from pipeline.signal.features import Windowing, averaged, features_of
from pipeline.signal.windows import CLASSES, FEATURES
from schemas.columns import WINDOWS
from schemas.conditions import BY_NAME
from schemas.tables import pandera_schema


class Doing(NamedTuple):
    start_s: float
    stop_s: float
    intensity: str


def write_field(
    path: Path,
    field: np.ndarray,
    sample_hz: float,
    quality: np.ndarray | None = None,
    kind: str = "field",
    clock: dict[str, str] | None = None,
) -> Path:
    """Samples of one channel; NaN is lost."""
    channel = Channel("field", kind, "V", 1e-6, 0.0, sample_hz, -(2**23), 2**23)
    bits = np.zeros(len(field), np.uint32) if quality is None else quality.astype(np.uint32)

    def blocks() -> Any:
        for start in range(0, len(field), BLOCK_ROWS):
            rows = np.arange(start, min(start + BLOCK_ROWS, len(field)))
            columns = {"sample": rows, "time_s": rows / sample_hz, "quality": bits[rows]}
            yield ~np.isnan(field[rows]), {**columns, "field": field[rows].astype(np.float32)}

    metadata = {"sample_hz": repr(sample_hz), **(clock or {})}
    write_samples(path, (channel,), blocks(), metadata, with_quality=True)
    return path


def looked_at(
    folder: Path,
    field: np.ndarray,
    sample_hz: float = 250.0,
    log: Sequence[Doing] = (Doing(0, 1e6, "rest"),),
    usable: Sequence[Sequence[float]] = ((0, 1e6),),
    **more: Any,
) -> Windows:
    return windows_of(write_field(folder / "samples.parquet", field, sample_hz, **more), log, usable)


def sine(hz: float, peak_v: float, seconds: float, sample_hz: float) -> np.ndarray:
    return peak_v * np.sin(2 * np.pi * hz * np.arange(round(seconds * sample_hz)) / sample_hz)


# A sine of peak A and frequency f: mean |x| = 2A/pi, rms A/sqrt(2), mean |slope| 4Af, peak to peak 2A.
# Arithmetic; Abramowitz and Stegun 1964 hold the integrals.
@pytest.mark.parametrize("sample_hz", [50.0, 64.0, 100.0, 128.0, 250.0, 256.0, 500.0, 1000.0])
@pytest.mark.parametrize(("hz", "in_steps"), [(2.0, 1.0), (6.0, 0.0)])
def test_features_of_a_sine_at_every_rate(
    tmp_path: Path, sample_hz: float, hz: float, in_steps: float
) -> None:
    windows = looked_at(tmp_path, 0.3 + sine(hz, 0.1, 20, sample_hz), sample_hz)
    assert len(windows) in (9, 10)
    found = dict(zip(FEATURES, windows.features.T, strict=True))
    assert found["mean_absolute"] == pytest.approx(0.2 / np.pi, rel=0.04)
    assert found["sd"] == pytest.approx(0.1 / np.sqrt(2), rel=0.04)
    # steps of up to 23 ms, and means over them, each take a sinc of 0.97 from 6 Hz
    assert found["slope"] == pytest.approx(0.4 * hz, rel=0.08)
    assert found["peak_to_peak"] == pytest.approx(0.2, rel=0.04)
    assert found["mean_hz"] == pytest.approx(hz, abs=0.03)
    assert found["step_share"] == pytest.approx(in_steps, abs=0.02)


def test_white_noise_has_the_middle_of_the_band_and_its_part_of_the_power(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(0, 0.01, 250 * 1200)
    windows = looked_at(tmp_path, noise)
    # 20 bins from 0.5 to 10 Hz, 5 of them from 1 to 3 Hz; the mean that is taken out takes some of the first
    assert windows.features[:, 4].mean() == pytest.approx(5.25, abs=0.15)
    assert windows.features[:, 5].mean() == pytest.approx(5 / 20, abs=0.01)
    assert windows.features[:, 1].mean() == pytest.approx(0.01 / np.sqrt(5), rel=0.02)


def test_a_line_of_50_hz_goes_where_values_are_averaged(tmp_path: Path) -> None:
    windows = looked_at(tmp_path, sine(50, 0.1, 20, 250.0) + sine(2, 0.001, 20, 250.0))
    assert windows.features[:, 3] == pytest.approx(0.002, rel=0.02)


def test_what_does_not_move_has_no_frequency(tmp_path: Path) -> None:
    windows = looked_at(tmp_path, np.full(2500, 0.25))
    assert (windows.features[:, :4] == 0).all()
    assert np.isnan(windows.features[:, 4:]).all()
    assert windows.valued.all()


def test_few_losses_are_bridged_and_many_leave_no_features(tmp_path: Path) -> None:
    field = sine(1, 0.1, 6, 250.0)
    field[20:40] = np.nan
    field[600:800] = np.nan
    windows = looked_at(tmp_path, field)
    assert windows.features[0, 3] == pytest.approx(0.2, rel=0.05)
    assert np.isnan(windows.features[1]).all()
    assert windows.clean.tolist() == pytest.approx([1 - 20 / 500, 1 - 200 / 500, 1.0])
    assert windows.valued.tolist() == [True, False, True]


def test_averages_leave_out_what_is_lost() -> None:
    values = np.array([[1.0, 3.0, np.nan, 5.0, np.nan, np.nan]])
    assert averaged(values, 2).tolist()[0][:2] == [2.0, 5.0]
    assert np.isnan(averaged(values, 2)[0, 2])
    assert averaged(values[:, :2], 2).tolist() == [[2.0]]


def test_a_window_has_the_class_of_the_one_stretch_that_holds_it(tmp_path: Path) -> None:
    log = [Doing(0, 4, "rest"), Doing(4, 9, "body"), Doing(10, 14, "arm")]
    windows = looked_at(tmp_path, sine(1, 0.1, 16, 250.0), log=log)
    names = [CLASSES[i] if i >= 0 else None for i in windows.label]
    assert names == ["rest", "rest", "body", "body", None, "arm", "arm", None]
    assert windows.stretch.tolist() == [0, 0, 1, 1, -1, 2, 2, -1]


def test_kept_is_what_the_verdict_lets_be_used_and_is_clean(tmp_path: Path) -> None:
    quality = np.zeros(2500)
    quality[0:40] = BY_NAME["mains"].mask  # 8 % of the first window
    quality[500:560] = BY_NAME["saturated"].mask  # 12 % of the second
    quality[1000:1500] = BY_NAME["low_coupling"].mask  # a note is no fault
    windows = looked_at(tmp_path, sine(1, 0.1, 10, 250.0), quality=quality, usable=[(0.0, 7.0)])
    assert windows.usable.tolist() == [True, True, True, False, False]
    assert windows.kept.tolist() == [True, False, True, False, False]


def test_a_window_across_a_pause_is_none(tmp_path: Path) -> None:
    clock = {"clock_rows": "[0, 749, 750, 2500]", "clock_s": "[0, 2.996, 63, 70]"}
    windows = looked_at(tmp_path, sine(1, 0.1, 10, 250.0), clock=clock)
    assert windows.valued.tolist() == [True, False, True, True, True]
    assert windows.start_s[2] == pytest.approx(64.0)


def test_blocks_leave_no_trace(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    field = (np.cumsum(rng.normal(0, 1e-4, BLOCK_ROWS + 90_000)) % 0.2).astype(np.float32)
    windows = looked_at(tmp_path, field, 1000.0)
    whole = field[: len(field) // 2000 * 2000].reshape(-1, 2000)
    assert windows.features == pytest.approx(features_of(averaged(whole, 20), 50.0), nan_ok=True)


def test_why_there_are_no_windows(tmp_path: Path) -> None:
    field = sine(1, 0.1, 10, 250.0)
    assert "log says nothing" in looked_at(tmp_path, field, log=()).absent
    assert "shorter than one window" in looked_at(tmp_path, field[:300]).absent
    assert "sampled too slowly" in looked_at(tmp_path, field, 16.0).absent
    assert "no field channel" in looked_at(tmp_path, field, kind="acceleration").absent
    assert "no recording" in windows_of(tmp_path / "none.parquet", [Doing(0, 9, "rest")], []).absent


def test_a_field_in_a_slower_file_is_found(tmp_path: Path) -> None:
    write_field(tmp_path / "samples.parquet", sine(1, 0.1, 10, 250.0), 250.0, kind="acceleration")
    write_field(tmp_path / "samples_50hz.parquet", sine(1, 0.2, 10, 50.0), 50.0)
    windows = windows_of(tmp_path / "samples.parquet", [Doing(0, 10, "arm")], [])
    assert windows.features[:, 3] == pytest.approx(0.4, rel=0.01)
    assert not windows.kept.any()


def test_windows_come_back_from_their_file(tmp_path: Path) -> None:
    field = sine(1, 0.1, 10, 250.0)
    field[:500], field[500:1000] = 0.1, np.nan
    windows = looked_at(tmp_path, field, log=[Doing(0, 5, "hand")])
    write_windows(windows, tmp_path / "signal.parquet")
    pandera_schema(WINDOWS).validate(pq.read_table(tmp_path / "signal.parquet").to_pandas(), lazy=True)
    again = read_windows(tmp_path / "signal.parquet")
    for name, values in vars(windows).items():
        assert np.array_equal(getattr(again, name), values, equal_nan=name == "features"), name
    before = (tmp_path / "signal.parquet").read_bytes()
    write_windows(again, tmp_path / "signal.parquet")
    assert (tmp_path / "signal.parquet").read_bytes() == before


def test_no_windows_come_back_with_their_reason(tmp_path: Path) -> None:
    windows = looked_at(tmp_path, sine(1, 0.1, 10, 250.0), log=())
    write_windows(windows, tmp_path / "signal.parquet")
    assert read_windows(tmp_path / "signal.parquet").absent == windows.absent
    with pytest.raises(ValueError, match="table of windows"):
        read_windows(tmp_path / "samples.parquet")


def test_of_a_recording_that_nothing_was_read_of_there_are_none(tmp_path):
    """Detectors failed: what was converted is there, and is not drawn."""
    path = write_field(tmp_path / "samples.parquet", np.zeros(2500), 250.0)
    windows = Windowing([open_recording(path)], (Doing(0, 1e6, "rest"),)).finished()
    assert len(windows.start_s) == 0
    assert windows.absent == "a step before did not finish"
