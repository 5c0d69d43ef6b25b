"""Columns of every table that leaves the project: name, type, unit, meaning.

Parquet metadata, pandera validation and the data dictionary are made from these tables and from nothing
else. Units are UCUM codes; '1' is a pure number.
"""

from dataclasses import dataclass
from typing import Literal

from schemas.measures import MEASURES

DType = Literal["int64", "uint32", "float32", "float64", "string"]


@dataclass(frozen=True)
class Column:
    """One column. A missing value is a Parquet null, allowed only where ``nullable``."""

    name: str
    dtype: DType
    description: str
    unit: str = ""
    nullable: bool = False
    choices: tuple[str, ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    increasing: bool = False


VERDICTS = ("accept", "accept_in_part", "reject", "unreadable")
SEVERITIES = ("note", "warning", "fault")
DETECTORS = (
    "saturation",
    "settling",
    "mains",
    "contact_loss",
    "stuck",
    "low_coupling",
    "uncorroborated",
    "dropout",
    "clock",
    "noise_floor",
    "gravity",
    "activity_mismatch",
    "duplicate",
)

SAMPLE = Column(
    "sample",
    "int64",
    "index on the device's own grid; 0 is the first sample decoded",
    "1",
    minimum=0,
    increasing=True,
)
TIME = Column(
    "time_s", "float64", "time since the session's first sample, on the corrected clock", "s", increasing=True
)
EVENT_TIME = Column(
    "time_s",
    "float64",
    "when it happened, since the session's first sample, on the corrected clock; before that it is negative",
    "s",
)
EVENT_SAMPLE = Column("sample", "int64", "row of samples.parquet that is nearest in time", "1", minimum=0)
QUALITY = Column("quality", "uint32", "a bit for each condition of the sample; 0 is clean", "1", maximum=255)

FINDINGS = (
    Column("session", "string", "name of the session"),
    Column("detector", "string", "what looked", choices=DETECTORS),
    Column("channel", "string", "where it looked; null where it concerns all channels", nullable=True),
    Column("start_s", "float64", "start of the interval, from the session's first sample", "s"),
    Column("stop_s", "float64", "end of the interval, not part of it", "s"),
    Column("severity", "string", "a note never counts against a session", choices=SEVERITIES),
    Column("measure", "string", "what was measured"),
    Column("value", "float64", "the measured value; null where it cannot be had", nullable=True),
    Column("limit", "float64", "the policy's limit for it; null where there is none", nullable=True),
    Column("unit", "string", "unit of value and limit, by UCUM code"),
    Column("explanation", "string", "one sentence that a person can act on"),
)

REVIEW = (
    Column(
        "review_decision",
        "string",
        "what a person decided, beside the verdict; null where nobody did",
        nullable=True,
        choices=("accept", "accept_in_part", "reject"),
    ),
    Column("review_reason", "string", "why, in that person's words", nullable=True),
    Column("review_initials", "string", "who decided", nullable=True),
    Column("review_date", "string", "when, as YYYY-MM-DD", nullable=True),
    Column(
        "review_stale",
        "string",
        "whether recording, layout, policy, activity log or version have changed since; unknown where it does not say",
        nullable=True,
        choices=("yes", "no", "unknown"),
    ),
)
"""What people decided; a stale decision is told and not followed."""

SESSIONS = (
    Column("session", "string", "name of the session"),
    Column("participant", "string", "code of the wearer"),
    Column("site", "string", "where it was recorded"),
    Column("device", "string", "which device was worn"),
    Column("layout", "string", "layout of its dumps"),
    Column("started_at", "string", "start as stated in the study, by RFC 3339"),
    Column("verdict", "string", "what may be used", choices=VERDICTS),
    Column("reasons", "string", "why not all of it, by measure; empty where all of it may be used"),
    Column("sentence", "string", "the verdict and its reasons in one sentence"),
    Column(
        "usable_intervals",
        "string",
        "start and stop of what may be used by the verdict in seconds, as '0.00-61.20;80.00-150.00'",
    ),
    *REVIEW,
    Column(
        "analysed",
        "string",
        "how it is used when decisions of people are followed, as flow.svg counts it",
        choices=("whole", "in_part", "no"),
    ),
    Column(
        "analysed_intervals",
        "string",
        "start and stop of what is analysed when decisions of people are followed, as usable_intervals",
    ),
    Column("analysed_s", "float64", "total length of what is analysed", "s", minimum=0),
    *(
        Column(measure.name, "float64", measure.description, measure.unit, nullable=True)
        for measure in MEASURES
    ),
)

IN_BUNDLE = (
    Column("mains_hz_nominal", "float64", "nominal frequency of the mains where it was recorded", "Hz"),
    Column(
        "recording",
        "string",
        "how much of its samples is in this dataset: all of them, those in usable_intervals, or none",
        choices=("whole", "in_part", "no"),
    ),
)
"""Columns of the sessions table that only a bundle has."""

EXCLUSIONS = (
    Column("session", "string", "name of the session"),
    Column("participant", "string", "code of the wearer"),
    Column("verdict", "string", "the computed verdict", choices=VERDICTS),
    Column(
        "start_s",
        "float64",
        "start of what was left out; null where the session could not be read",
        "s",
        True,
    ),
    Column("stop_s", "float64", "end of what was left out", "s", True),
    Column("reason", "string", "measure or condition that decided; 'review' where a person did"),
    Column("explanation", "string", "the same in words"),
    Column(
        "kept_by_review",
        "string",
        "whether a person took this stretch back, so that it is analysed",
        choices=("yes", "no"),
    ),
)

MARGINS = (
    Column("session", "string", "name of the session"),
    Column(
        "factor",
        "float64",
        "what every upper limit is multiplied by; a lower one by 2 less it, a share to at most 1",
        "1",
    ),
    Column("verdict", "string", "the verdict, with the limits as they are", choices=VERDICTS),
    Column("moved", "string", "the verdict with all limits moved together", choices=VERDICTS),
    Column(
        "alone",
        "string",
        "limits that turn the verdict when moved alone, as 'lost_fraction=accept;...'; empty where none does",
    ),
)

WINDOWS = (
    Column(
        "start_s", "float64", "start of the window, from the session's first sample", "s", increasing=True
    ),
    Column(
        "intensity",
        "string",
        "what the log says of the whole window; null where it says nothing or changes",
        nullable=True,
    ),
    Column(
        "stretch",
        "int64",
        "which row of the session's log it lies in, from 0; -1 where in none",
        "1",
        minimum=-1,
    ),
    Column(
        "mean_absolute",
        "float64",
        "mean distance of the field from its mean in the window",
        "V",
        True,
        minimum=0,
    ),
    Column("sd", "float64", "standard deviation of the field", "V", True, minimum=0),
    Column(
        "slope",
        "float64",
        "mean absolute difference from one value to the next, for each second",
        "V/s",
        True,
        minimum=0,
    ),
    Column("peak_to_peak", "float64", "largest value less smallest", "V", True, minimum=0),
    Column("mean_hz", "float64", "mean frequency of the power between 0.5 and 10 Hz", "Hz", True, minimum=0),
    Column(
        "step_share", "float64", "share of that power between 1 and 3 Hz", "1", True, minimum=0, maximum=1
    ),
    Column(
        "clean", "float64", "share of the samples that are there and in no fault", "1", minimum=0, maximum=1
    ),
    Column(
        "usable",
        "int64",
        "1 where the whole window is analysed, by the verdict or as a person decided, else 0",
        "1",
        minimum=0,
        maximum=1,
    ),
)

SIGNAL_MEASURES = (
    "auc",
    "auc_median",
    "accuracy",
    "balanced_accuracy",
    "accuracy_drop",
    "false_wakeups",
    "rest_awake",
    "rest_found",
    "movements_missed",
)
SIGNAL = (
    Column("session", "string", "session it was measured in; null of a value over the study", nullable=True),
    Column("participant", "string", "code of the wearer; null of a value over the study", nullable=True),
    Column("measure", "string", "what was measured", choices=SIGNAL_MEASURES),
    Column("of", "string", "classes that were told apart, or the class that was to wake the comparator"),
    Column("by", "string", "how they were told apart", choices=("threshold", "nearest", "comparator")),
    Column("windows", "string", "all of them, or those kept after exclusions", choices=("all", "kept")),
    Column("trained_on", "string", "session that the threshold or the neighbours are from", nullable=True),
    Column("level", "float64", "level of the comparator, peak to peak", "V", nullable=True),
    Column(
        "n",
        "int64",
        "windows, movements, stretches of rest or wake-ups that were counted; sessions of a median over "
        "sessions, participants of accuracy over the study",
        "1",
        minimum=0,
    ),
    Column("value", "float64", "the measure; null where it cannot be had", nullable=True),
    Column("unit", "string", "unit of value, low and high, by UCUM code"),
    Column("low", "float64", "lower end of the 95 % interval", nullable=True),
    Column("high", "float64", "upper end of the 95 % interval", nullable=True),
    Column("interval", "string", "how the interval was made; empty where there is none"),
    Column("absent", "string", "why there is no value, or no interval; empty where there is one"),
    Column("least", "float64", "least of the sessions, of a value over several", nullable=True),
    Column("most", "float64", "most of the sessions, of a value over several", nullable=True),
)

CHANNELS = (
    Column("session", "string", "code of the session"),
    Column("file", "string", "file of the session with that column"),
    Column("channel", "string", "name of the column"),
    Column("kind", "string", "what the channel senses", choices=("field", "acceleration", "other")),
    Column("unit", "string", "unit of the values, by UCUM code"),
    Column("sample_hz", "float64", "nominal rate", "Hz", minimum=0),
    Column("scale", "float64", "what one count is worth, in the unit of the values"),
    Column("offset", "float64", "value of count 0, in the unit of the values"),
    Column("adc_min", "int64", "lowest count of the converter", "1"),
    Column("adc_max", "int64", "highest count of the converter", "1"),
)
"""What Parquet has in the metadata of a channel's column, for who reads CSV."""
