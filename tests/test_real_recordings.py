"""Recordings that others made, through the whole line: bytes in both framings to a verdict.

The electrocardiogram is record 208 of the MIT-BIH Arrhythmia Database (ODC-By 1.0): 360 Hz, 11 bits, 5 uV a
count, recorded where mains is 60 Hz. The walk is Daphnet's subject 6, run 2: 64 Hz, three accelerometers.
See `wheels` for where they come from; values without another source were measured on these files with
other tools than this project's before the tests were written.
"""

import numpy as np
import pytest
from line import Given, Judged, dump_of, layout_text, read_layout, run_line
from scipy.signal import welch
from wheels import daphnet, ecg_codes

from pipeline.recording import open_recording, to_counts
from schemas.conditions import BY_NAME

EXACT = "[saturation]\nrail_margin_fraction = 0\nrail_margin_counts = 0\n"

CLIPPED = {
    (800, 1300): (4256, 2450, 245, 442),
    (700, 1400): (684, 912, 84, 341),
    (600, 1500): (59, 431, 15, 254),
}
"""Rails -> samples at the lower and at the upper one, longest run at each."""


def ecg_given(folder, codes, framing="sync", sample_hz=360.0, rails=(0, 2047)) -> Given:
    channel = (
        'kind = "field"\nunit = "mV"\nbits = 11\nscale = 0.005\noffset = -5.12\n'
        f"adc_min = {rails[0]}\nadc_max = {rails[1]}"
    )
    # 1 MHz ticks: at 90 Hz in u32, and at 360 Hz in text, they neither wrap nor divide evenly.
    text = layout_text(framing, sample_hz, 1e6, {"field": channel}, per_frame=20)
    return Given(text, dump_of(read_layout(text, folder), codes[:, None]))


def codes_written(judged: Judged) -> np.ndarray:
    recording = open_recording(judged.places.samples)
    channel = recording.channels[0]
    values = judged.samples.column(channel.name).to_numpy()
    return to_counts(values, channel)


def n_carrying(judged: Judged, condition: str) -> int:
    quality = judged.samples.column("quality").to_numpy()
    return int(np.count_nonzero(quality & BY_NAME[condition].mask))


@pytest.fixture(scope="module")
def ecg(tmp_path_factory) -> dict[str, Judged]:
    """The whole record in both framings, clipped, and every fourth sample, where the study says 60 Hz."""
    folder, codes = tmp_path_factory.mktemp("ecg"), ecg_codes()
    given = {
        "binary": ecg_given(folder, codes),
        "text": ecg_given(folder, codes, "text"),
        "clipped": ecg_given(folder, np.clip(codes, 800, 1300), rails=(800, 1300)),
        "fourth": ecg_given(folder, codes[::4], sample_hz=90.0),
    }
    return run_line(folder, given, 60)


@pytest.fixture(scope="module")
def ecg_at_50(tmp_path_factory) -> dict[str, Judged]:
    """The same where the study states the wrong mains."""
    folder, codes = tmp_path_factory.mktemp("ecg50"), ecg_codes()
    given = {
        "whole": ecg_given(folder, codes),
        "fourth": ecg_given(folder, codes[::4], sample_hz=90.0),
    }
    return run_line(folder, given, 50)


@pytest.fixture(scope="module")
def ecg_exact(tmp_path_factory) -> dict[str, Judged]:
    """Clipped at known rails, counted without a margin."""
    folder, codes = tmp_path_factory.mktemp("rails"), ecg_codes()
    given = {
        f"{low}-{high}": ecg_given(folder, np.clip(codes, low, high), rails=(low, high))
        for low, high in CLIPPED
    }
    return run_line(folder, given, 60, EXACT)


@pytest.mark.parametrize("framing", ["binary", "text"])
def test_every_code_of_the_ecg_comes_back(ecg, framing):
    assert np.array_equal(codes_written(ecg[framing]), ecg_codes())


@pytest.mark.parametrize("framing", ["binary", "text"])
def test_the_ecg_has_its_published_mean_and_spread(ecg, framing):
    # scipy 1.11 documentation, scipy.misc.electrocardiogram: mean and standard deviation in mV.
    millivolt = ecg[framing].samples.column("field").to_numpy().astype(np.float64) * 1e3
    assert millivolt.mean() == pytest.approx(-0.16510875, abs=2e-8)
    assert millivolt.std() == pytest.approx(0.5992473991177294, abs=2e-8)


@pytest.mark.parametrize("framing", ["binary", "text"])
def test_mains_of_the_ecg_is_found_at_60_hz_only(ecg, framing):
    judged = ecg[framing]
    assert judged.line(60)["found_hz"] == pytest.approx(59.99, abs=0.02)
    assert judged.value("mains_hz") == pytest.approx(59.99, abs=0.02)
    assert not [row for row in judged.quality["mains_lines"] if row["nominal_hz"] == 50 and row["rms"]]
    # 10 s pieces of the record, Hann window: 11 to 14 uV peak.
    assert 11e-6 < judged.line(60)["rms"] * np.sqrt(2) < 14.5e-6
    assert judged.found("mains") == []


@pytest.mark.parametrize("framing", ["binary", "text"])
def test_the_ecg_is_accepted_whole(ecg, framing):
    judged = ecg[framing]
    assert judged.quality["verdict"] == "accept", judged.quality["sentence"]
    assert judged.value("saturated_fraction") == 0
    assert judged.value("stuck_fraction") == 0  # the longest run of equal codes is 5
    assert judged.value("duration_s") == pytest.approx(300.0, rel=1e-6)
    assert [row["detector"] for row in judged.findings if row["severity"] != "note"] == []
    ledger = next(iter(judged.quality["ledger"].values()))
    assert ledger["damaged"] == ledger["unrecognised"] == ledger["duplicate"] == 0


@pytest.mark.parametrize("which", ["whole", "fourth"])
def test_a_study_that_says_50_hz_is_told_of_60(ecg_at_50, which):
    judged = ecg_at_50[which]
    assert judged.line(60)["found_hz"] == pytest.approx(59.99, abs=0.02)
    assert judged.line(50)["found_hz"] is None
    assert judged.value("mains_hz") == pytest.approx(59.99, abs=0.02)
    (warning,) = judged.found("mains")
    assert warning["severity"] == "warning"
    assert warning["value"] == pytest.approx(59.99, abs=0.02)
    assert "60 Hz" in warning["explanation"]


def test_a_folded_line_is_named_as_mains(ecg):
    # Every fourth sample without a filter: 90 - 59.986 = 30.014 Hz.
    line = ecg["fourth"].line(60)
    assert line["folded_hz"] == pytest.approx(30.0, abs=1e-6)
    assert line["found_hz"] == pytest.approx(59.986, abs=0.02)
    assert line["rms"] * np.sqrt(2) == pytest.approx(12e-6, rel=0.2)
    assert np.array_equal(codes_written(ecg["fourth"]), ecg_codes()[::4])


@pytest.mark.parametrize("rails", CLIPPED)
def test_samples_at_given_rails_are_counted_exactly(ecg_exact, rails):
    n_low, n_high, run_low, run_high = CLIPPED[rails]
    judged = ecg_exact[f"{rails[0]}-{rails[1]}"]
    saturated = judged.samples.column("quality").to_numpy() & BY_NAME["saturated"].mask > 0
    codes = codes_written(judged)
    assert np.count_nonzero(saturated & (codes == rails[1])) == n_high
    assert np.count_nonzero(saturated & (codes == rails[0])) == n_low
    assert np.count_nonzero(saturated) == n_low + n_high
    assert judged.value("saturated_fraction") == pytest.approx((n_low + n_high) / 108000, rel=1e-12)
    assert judged.value("longest_saturated_s") * 360 == pytest.approx(max(run_low, run_high), rel=1e-5)


def test_published_shares_at_rails(ecg_exact):
    shares = [judged.value("saturated_fraction") for judged in ecg_exact.values()]
    assert np.round(shares, 5).tolist() == [0.06209, 0.01478, 0.00454]


def test_a_clipped_ecg_is_no_longer_accepted_whole(ecg):
    clipped = ecg["clipped"]
    assert n_carrying(clipped, "saturated") >= 4256 + 2450
    assert clipped.quality["verdict"] in ("accept_in_part", "reject")
    assert "saturated_fraction" in [reason["measure"] for reason in clipped.quality["reasons"]]
    assert clipped.value("settling_fraction") is None  # this layout states no AC coupling
    assert clipped.found("stuck") == []


# ---- a walk ------------------------------------------------------------------------------------------------

SITES = ("ankle", "thigh", "trunk")


def walk_given(folder, framing: str, sample_hz: float) -> Given:
    stamps, milli_g = daphnet()
    keys = 'kind = "acceleration"\nunit = "m[g]"\nbits = 16\nscale = 1.0\nadc_min = -32768\nadc_max = 32767'
    names = [f"{site}_{axis}" for site in SITES for axis in ("forward", "vertical", "lateral")]
    text = layout_text(framing, sample_hz, 1000.0, dict.fromkeys(names, keys), per_frame=1)
    layout = read_layout(text, folder)
    # floor(15.625 n) ms are the stamps of the file, for which the encoder rounds.
    rows = [
        dump_of(layout, milli_g[i : i + 1], first_sequence=i, first_tick=int(t)) for i, t in enumerate(stamps)
    ]
    if framing == "text":
        head, *_ = rows[0].splitlines(keepends=True)
        rows = [head, *(row[len(head) :] for row in rows)]
    return Given(text, b"".join(rows))


@pytest.fixture(scope="module")
def walk(tmp_path_factory) -> dict[str, Judged]:
    """The walk in both framings, and under a layout that claims 256 Hz as a library's documentation does."""
    folder = tmp_path_factory.mktemp("walk")
    given = {
        "text": walk_given(folder, "text", 64.0),
        "binary": walk_given(folder, "sync", 64.0),
        "claimed": walk_given(folder, "text", 256.0),
    }
    return run_line(folder, given, 50)


def axes_written(judged: Judged, site: str) -> np.ndarray:
    names = [f"{site}_{axis}" for axis in ("forward", "vertical", "lateral")]
    return np.stack([judged.samples.column(name).to_numpy() for name in names], axis=1)


def test_stamps_of_the_walk_are_those_of_64_hz():
    stamps, _ = daphnet()
    assert np.array_equal(stamps, 125 * np.arange(7040) // 8)


@pytest.mark.parametrize("session", ["text", "binary", "claimed"])
def test_the_walk_was_sampled_at_64_hz(walk, session):
    # 64 Hz: Bachlin et al. 2010, and the data set's own description.
    judged = walk[session]
    assert judged.value("rate_hz") == pytest.approx(64.0, rel=2e-6)
    assert judged.quality["clock"]["source"] == "ticks"
    assert judged.quality["clock"]["residual_s"] <= 1e-3  # stamps are whole milliseconds
    steps = np.diff(judged.samples.column("time_s").to_numpy())
    assert np.allclose(steps, 1 / 64, rtol=1e-5)
    assert judged.quality["n_samples"] == 7040
    assert n_carrying(judged, "lost") == 0


def test_a_false_rate_is_contradicted(walk):
    (finding,) = walk["claimed"].found("clock")
    assert finding["severity"] == "warning"
    assert finding["value"] == pytest.approx((64 / 256 - 1) * 1e6, rel=1e-5)
    assert walk["text"].found("clock") == walk["binary"].found("clock") == []


@pytest.mark.parametrize("session", ["text", "binary"])
@pytest.mark.parametrize(("site", "milli_g"), [("ankle", 1043.6), ("thigh", 993.2), ("trunk", 1009.7)])
def test_gravity_at_rest(walk, session, site, milli_g):
    # Standing still from 6 to 18 s; standard gravity 9.80665 m/s2 (CGPM 1901; UCUM [g]).
    rest = axes_written(walk[session], site)[6 * 64 : 18 * 64]
    length = float(np.linalg.norm(rest.astype(np.float64).mean(axis=0)))
    assert length == pytest.approx(milli_g * 9.80665e-3, rel=1e-4)
    assert length == pytest.approx(9.80665, rel=0.05)
    assert walk[session].value("gravity_m_s2", site) == pytest.approx(9.80665, rel=0.05)


@pytest.mark.parametrize("site", SITES)
def test_steps_of_the_walk(walk, site):
    # Peak of the 16 s Welch spectrum of |a| while walking: 1.938 Hz at all three sites; people walk at
    # 1.2 to 2.3 Hz (Tudor-Locke and Rowe, Sports Med 2012).
    length = np.linalg.norm(axes_written(walk["binary"], site)[25 * 64 :].astype(np.float64), axis=1)
    frequency, power = welch(length, 64.0, nperseg=16 * 64)
    band = (frequency > 1.2) & (frequency < 3.5)
    assert frequency[band][np.argmax(power[band])] == pytest.approx(1.938, abs=0.05)


@pytest.mark.parametrize("session", ["text", "binary"])
def test_a_session_without_a_field_channel_is_judged_all_the_same(walk, session):
    judged = walk[session]
    assert judged.quality["verdict"] == "accept", judged.quality["sentence"]
    assert judged.quality["mains_lines"] == []
    names = {row["name"] for row in judged.quality["measures"]}
    assert {"lost_fraction", "rate_hz", "gravity_m_s2", "usable_s"} <= names
