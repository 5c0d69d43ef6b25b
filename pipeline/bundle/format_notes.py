"""What a reader of the CSV and EDF+ files of a bundle must know: a page in the folder of each."""

CSV_NOTES = """\
# The tables as CSV

The same columns as in the Parquet files, in the same order; `dictionary.md` says what they mean.

- RFC 4180: UTF-8 without a byte order mark, comma, lines end with CR LF, one header line, a point in
  decimals.
- A missing value is an empty field. So is an empty text: the Parquet files tell the two apart.
- Each number has the fewest digits that give it back exactly in its own type. Channels are mostly
  float32: read them as such, or as double and round to counts by `count = (value - offset) / scale`,
  with scale and offset from `channels.csv`.
- `channels.csv` has a row for each channel of each file: its kind, its unit by UCUM, its nominal rate,
  scale and offset, and the lowest and the highest count of its converter.
- `<session>/samples.csv` has a row for each sample of the grid; a lost one keeps its row, with empty
  fields.
"""

EDF_NOTES = """\
# The recordings as EDF+

One file for each rate of a session. Where 16 bits are too few for the counts it is BDF+ (`.bdf`): the
same with numbers of 24 bits.

- **Who and when.** The patient field has the participant's code and X for all else; the recording field
  has the shifted date and the code of the device. The time of day is that of the first sample, in UTC
  unless `README.md` says otherwise.
- **Counts.** A stored number is the count of the converter. Only where these do not fit (unsigned 16 or
  24 bits) is a constant taken off. The ranges in the header are chosen so that values round to the same
  counts; of counts that fill 24 bits the values are right to one count and the stored numbers exactly.
- **Gaps are filled**, since many programs do not read files with gaps (EDF+D). So sample n of a file is
  the sample n of `samples.parquet`, less the first one there. What fills them is the lowest number of
  the range, which is below any count where the range has room. Do not take it for signal: see the next
  point.
- **Signal `quality`** has the conditions of each sample, a bit for each as in `samples.parquet`; 0 is
  clean. What is filled has bit 0, `lost`: lost samples, parts that were left out of this dataset, and
  what fills the last record.
- **Annotations.** `condition: ...` is where samples have that bit; runs that are less than 1 s apart
  are one annotation. `activity: ...` is the log. `left out of this dataset` and `after the end of the
  recording` say why there is nothing.
- **Time** in the file goes by the nominal rate, as EDF+ has one unchanging rate. Annotations lie on
  their samples. Where milliseconds matter over hours, or a device paused, take `time_s` of
  `samples.parquet`.
"""
