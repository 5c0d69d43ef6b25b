"""First steps with polars: one session, its clean samples, labelled windows, a split by session.

Run where README.md of the dataset stands: python examples/with_polars.py  (needs polars)
"""

from pathlib import Path

import polars as pl

SESSION = "@SESSION@"
CHANNEL = "@CHANNEL@"
TEST = "@TEST@".split()  # sessions of the test set; see step 4
WINDOW_S = 2.0
FAULTS = 0b00111111  # lost, saturated, settling, mains, contact_loss, stuck: bits 0 to 5 of quality
DATA = Path(__file__).resolve().parent.parent

# 2. What is clean. Bits 6 and 7 are conditions, not faults: for those out as well, ask for quality == 0.
CLEAN = ((pl.col("quality") & FAULTS) == 0) & pl.col(CHANNEL).is_not_null()


# 1. Load one session: a row for each sample, lost ones included. Nothing is read before collect().
def load(session: str) -> pl.LazyFrame:
    return pl.scan_parquet(DATA / "recordings" / session / "samples.parquet")


samples = load(SESSION).collect()
clean = samples.filter(CLEAN)
print("session,samples,clean")
print(f"{SESSION},{len(samples)},{len(clean)}")

# 3. Windows that lie in one stretch of the activity log, which gives the label, and are clean throughout.
# Sessions that are not to be used are left out, even where their recordings are here.
sessions = pl.read_parquet(DATA / "sessions.parquet")
used = sessions.filter(pl.col("analysed") != "no", pl.col("recording") != "no")
log = pl.read_parquet(DATA / "activities.parquet").join(used, on="session", how="semi")
parts = []
for stretch in log.iter_rows(named=True):
    session, since = stretch["session"], pl.col("time_s") - stretch["start_s"]
    if CHANNEL not in load(session).collect_schema():
        continue  # another device
    fitting = (stretch["stop_s"] - stretch["start_s"]) // WINDOW_S  # whole windows
    value = pl.col(CHANNEL).cast(pl.Float64)
    windows = (
        load(session)
        .filter(since >= 0, since / WINDOW_S < fitting)
        .group_by((since / WINDOW_S).floor().alias("number"))
        .agg(
            peak_to_peak=value.max() - value.min(),
            # Clean, without a hole, and as long as a window.
            whole=CLEAN.all()
            & (pl.col("sample").max() - pl.col("sample").min() + 1 == pl.len())
            & (pl.col("time_s").max() - pl.col("time_s").min() >= 0.9 * WINDOW_S),
        )
        .filter("whole")
    )
    label = pl.lit(stretch["intensity"])
    parts.append(windows.with_columns(session=pl.lit(session), intensity=label).collect())
table = pl.concat(parts)

# 4. Split by session, never by window. Windows of one session share a body, a strap, a room and a day, and
# neighbours are nearly copies: with some of them on either side a model is tested on what it has seen.
split = pl.when(pl.col("session").is_in(TEST)).then(pl.lit("test")).otherwise(pl.lit("train"))

table = table.group_by(split.alias("split"), "intensity").agg(pl.len(), pl.col("peak_to_peak").mean())
print("split,intensity,windows,peak_to_peak")
for name, intensity, n, mean in table.sort("split", "intensity").iter_rows():
    print(f"{name},{intensity},{n},{mean:.5f}")
