"""First steps with pandas: one session, its clean samples, labelled windows, a split by session.

Run where README.md of the dataset stands: python examples/with_pandas.py  (needs pandas and pyarrow)
"""

from pathlib import Path

import pandas as pd

SESSION = "@SESSION@"
CHANNEL = "@CHANNEL@"
TEST = "@TEST@".split()  # sessions of the test set; see step 4
WINDOW_S = 2.0
FAULTS = 0b00111111  # lost, saturated, settling, mains, contact_loss, stuck: bits 0 to 5 of quality
DATA = Path(__file__).resolve().parent.parent


# 1. Load one session: a row for each sample, lost ones included.
def load(session: str) -> pd.DataFrame:
    return pd.read_parquet(DATA / "recordings" / session / "samples.parquet")


# 2. What is clean. Bits 6 and 7 are conditions, not faults: for those out as well, ask for quality == 0.
def is_clean(samples: pd.DataFrame) -> pd.Series:
    return (samples["quality"] & FAULTS).eq(0) & samples[CHANNEL].notna()


samples = load(SESSION)
clean = samples[is_clean(samples)]
print("session,samples,clean")
print(f"{SESSION},{len(samples)},{len(clean)}")

# 3. Windows that lie in one stretch of the activity log, which gives the label, and are clean throughout.
# Sessions that are not to be used are left out, even where their recordings are here.
sessions = pd.read_parquet(DATA / "sessions.parquet")
used = sessions[(sessions["analysed"] != "no") & (sessions["recording"] != "no")]["session"]
log = pd.read_parquet(DATA / "activities.parquet")
parts = []
for session, stretches in log[log["session"].isin(used)].groupby("session"):
    samples = load(str(session))
    if CHANNEL not in samples:
        continue  # another device
    samples["value"] = samples[CHANNEL].astype("float64")
    samples["clean"] = is_clean(samples)
    for stretch in stretches.itertuples():
        since = samples["time_s"] - stretch.start_s
        fitting = (stretch.stop_s - stretch.start_s) // WINDOW_S  # whole windows
        inside = samples[(since >= 0) & (since // WINDOW_S < fitting)]
        windows = inside.groupby(since // WINDOW_S).agg(
            n=("sample", "size"),
            clean=("clean", "sum"),
            first=("sample", "min"),
            last=("sample", "max"),
            begin=("time_s", "min"),
            end=("time_s", "max"),
            low=("value", "min"),
            high=("value", "max"),
        )
        # Clean, without a hole, and as long as a window.
        whole = windows["clean"].eq(windows["n"])
        whole &= (windows["last"] - windows["first"] + 1).eq(windows["n"])
        whole &= windows["end"] - windows["begin"] >= 0.9 * WINDOW_S
        parts.append(windows[whole].assign(session=session, intensity=stretch.intensity))
windows = pd.concat(parts)
windows["peak_to_peak"] = windows["high"] - windows["low"]

# 4. Split by session, never by window. Windows of one session share a body, a strap, a room and a day, and
# neighbours are nearly copies: with some of them on either side a model is tested on what it has seen.
windows["split"] = windows["session"].isin(TEST).map({True: "test", False: "train"})

table = windows.groupby(["split", "intensity"])["peak_to_peak"].agg(["size", "mean"])
print("split,intensity,windows,peak_to_peak")
for (split, intensity), row in table.iterrows():
    print(f"{split},{intensity},{row['size']:.0f},{row['mean']:.5f}")
