"""The numbers by which a session is judged: named, defined and given a unit once."""

from dataclasses import dataclass
from typing import Literal

InParts = Literal["counted", "squares", "largest", "middle", "same"]
"""How the values of a long recording's parts make one: see `IN_PARTS`."""

IN_PARTS: dict[InParts, str] = {
    "counted": "counted over all parts together, as of a short recording",
    "squares": "root of the mean square, each part by its length",
    "largest": "the largest of any part",
    "middle": "that of the part in the middle when all are put in the order of their size, each as often as it is "
    "long, and the larger of two; an uncertainty or spread is that of the same part",
    "same": "taken of the whole recording",
}


@dataclass(frozen=True)
class MeasureDef:
    """Definition of one measure. ``title`` is how reports call it, ``in_parts`` how parts make one value.

    ``goes_with`` is the measure from whose part it is taken then.
    """

    name: str
    unit: str
    title: str
    description: str
    in_parts: InParts = "middle"
    goes_with: str = ""


MEASURES = (
    MeasureDef("duration_s", "s", "Duration", "from the first decoded sample to the last", in_parts="same"),
    MeasureDef(
        "usable_s",
        "s",
        "Usable time",
        "total length of the usable intervals: all of an accepted session",
        in_parts="same",
    ),
    MeasureDef("usable_fraction", "1", "Usable share", "usable time over time recorded", in_parts="same"),
    MeasureDef(
        "clean_s",
        "s",
        "Clean time",
        "total length of the stretches that hold no faults but short ones",
        in_parts="same",
    ),
    MeasureDef("clean_fraction", "1", "Clean share", "clean time over time recorded", in_parts="same"),
    MeasureDef(
        "lost_fraction", "1", "Samples lost", "samples lost over samples expected", in_parts="counted"
    ),
    MeasureDef(
        "held_fraction",
        "1",
        "Rows held",
        "rows that repeat the one before in every channel, outside stretches that are marked, over rows that arrived",
        in_parts="counted",
    ),
    MeasureDef(
        "filled_fraction",
        "1",
        "Rows filled",
        "rows that a writer filled with a constant over all rows",
        in_parts="counted",
    ),
    MeasureDef(
        "longest_gap_s",
        "s",
        "Longest gap",
        "longest run of samples that are lost or filled with a constant",
        in_parts="largest",
    ),
    MeasureDef(
        "damaged_fraction",
        "1",
        "Dump damaged",
        "bytes damaged or unrecognised over bytes in the dumps",
        in_parts="same",
    ),
    MeasureDef(
        "saturated_fraction",
        "1",
        "At a rail",
        "samples at a rail of converter or amplifier over samples present",
        in_parts="counted",
    ),
    MeasureDef("longest_saturated_s", "s", "Longest overload", "longest run at a rail", in_parts="largest"),
    MeasureDef(
        "rail_low_v", "V", "Lower rail found", "level below which nothing lies, where the layout states none"
    ),
    MeasureDef(
        "rail_high_v", "V", "Upper rail found", "level above which nothing lies, where the layout states none"
    ),
    MeasureDef(
        "overdrive",
        "1",
        "Overdrive",
        "amplitude of the sine that spends as long at the rails, over their distance from its middle",
        in_parts="largest",
    ),
    MeasureDef(
        "settling_tau_s",
        "s",
        "Time constant found",
        "time constant of the AC coupling by recoveries after overloads, where the layout states no corner",
    ),
    MeasureDef(
        "settling_tau_uncertainty_s",
        "s",
        "Time constant's uncertainty",
        "standard uncertainty of settling_tau_s, by the spread over recoveries",
        goes_with="settling_tau_s",
    ),
    MeasureDef(
        "settling_fraction",
        "1",
        "Settling",
        "samples in recovery of the AC coupling, the electrode on, over samples present",
        in_parts="counted",
    ),
    MeasureDef(
        "mains_fraction",
        "1",
        "Mains above limit",
        "windows of 10 or 12 cycles above the mains limit over windows measured with the electrode on",
        in_parts="counted",
    ),
    MeasureDef(
        "mains_rms_v",
        "V",
        "Mains, rms",
        "median over windows with the electrode on of line and harmonics, rms at the electrode",
    ),
    MeasureDef(
        "mains_peak_v",
        "V",
        "Mains, peak",
        "95th percentile over windows with the electrode on of line and harmonics, peak at the electrode",
    ),
    MeasureDef(
        "mains_rms_uncertainty_v",
        "V",
        "Mains' uncertainty",
        "standard uncertainty of mains_rms_v, by the spread of the median over eight shares of the windows",
        goes_with="mains_rms_v",
    ),
    MeasureDef("mains_hz", "Hz", "Mains found at", "frequency of the line before any folding"),
    MeasureDef(
        "mains_hz_uncertainty_hz",
        "Hz",
        "Frequency's uncertainty",
        "standard uncertainty of mains_hz: the bound that noise sets, and wander of the means of 10 s",
        goes_with="mains_hz",
    ),
    MeasureDef(
        "mains_in_movement_v",
        "V",
        "Mains among movement, rms",
        "rms of those lines, as recorded, that fold to between 0.5 and 10 Hz; movement_rms_v beside it",
        in_parts="squares",
    ),
    MeasureDef(
        "mains_notch_fraction",
        "1",
        "Movement a notch takes",
        "share of the movement band's power within the notches that take out the lines in it; 0 where none is",
    ),
    MeasureDef(
        "mains_to_movement",
        "1",
        "Mains to movement",
        "rms of line and harmonics over rms of the movement band",
    ),
    MeasureDef(
        "movement_rms_v",
        "V",
        "Movement band, rms",
        "field between 0.5 and 10 Hz, lines taken out, in measured seconds with the electrode on, rms",
        in_parts="squares",
    ),
    MeasureDef(
        "contact_loss_fraction",
        "1",
        "Electrode off",
        "samples without contact over samples present",
        in_parts="counted",
    ),
    MeasureDef(
        "stuck_fraction",
        "1",
        "Stuck",
        "samples that repeat a value longer than the signal can, and rows held or filled, over samples present",
        in_parts="counted",
    ),
    MeasureDef(
        "low_coupling_fraction",
        "1",
        "Tied to ground",
        "measured moving time in which the field hardly moved over measured moving time",
        in_parts="counted",
    ),
    MeasureDef(
        "moving_fraction",
        "1",
        "Wearer moving",
        "seconds in which the accelerometer shows body movement over seconds measured",
        in_parts="counted",
    ),
    MeasureDef(
        "uncorroborated_fraction",
        "1",
        "Field without movement",
        "windows of 0.2 s with field change that no acceleration bears out over windows measured",
        in_parts="counted",
    ),
    MeasureDef(
        "unanswered_fraction",
        "1",
        "Movement unanswered",
        "measured moving time in which the field does not answer, whatever the cause, over measured moving time",
        in_parts="counted",
    ),
    MeasureDef(
        "rate_hz", "Hz", "Sampling rate", "samples per second of the corrected clock", in_parts="same"
    ),
    MeasureDef(
        "rate_error_ppm",
        "[ppm]",
        "Rate error",
        "sampling rate against the layout's nominal rate",
        in_parts="same",
    ),
    MeasureDef(
        "clock_skew_ppm",
        "[ppm]",
        "Clock skew",
        "by how much the device's clock runs fast against the receiver's, by the line under the delays",
        in_parts="same",
    ),
    MeasureDef(
        "clock_skew_uncertainty_ppm",
        "[ppm]",
        "Skew's uncertainty",
        "standard uncertainty of clock_skew_ppm, by the spread over eight shares of the frames",
        in_parts="same",
    ),
    MeasureDef(
        "clock_jitter_s",
        "s",
        "Jitter of arrival",
        "median of RFC 3550's running estimate of how unevenly frames reach the receiver",
        in_parts="same",
    ),
    MeasureDef(
        "step_lag_s",
        "s",
        "Lag of the steps",
        "by how much the steps of the acceleration come after those of the field",
    ),
    MeasureDef(
        "step_lag_uncertainty_s",
        "s",
        "Lag's uncertainty",
        "standard uncertainty of step_lag_s, by the spread over stretches of movement",
        goes_with="step_lag_s",
    ),
    MeasureDef(
        "gravity_m_s2", "m/s2", "Gravity at rest", "median length of the acceleration vector while still"
    ),
    MeasureDef(
        "gravity_error_m_s2",
        "m/s2",
        "Gravity's error",
        "mean distance of the vector's length from 9.80665 m/s2 in still windows of 10 s",
    ),
    MeasureDef(
        "gravity_error_calibrated_m_s2",
        "m/s2",
        "Its error, calibrated",
        "gravity_error_m_s2 with the gain and offset of each axis that fit these windows best",
        goes_with="gravity_error_m_s2",
    ),
    MeasureDef(
        "log_shift_s",
        "s",
        "Shift of the log",
        "what must be added to the activity log's times for it to fit the movement best",
    ),
    MeasureDef(
        "log_shift_uncertainty_s",
        "s",
        "Shift's uncertainty",
        "standard uncertainty of log_shift_s, by what the log leaves unexplained",
        goes_with="log_shift_s",
    ),
    MeasureDef(
        "cadence_hz",
        "Hz",
        "Cadence",
        "steps a second, median over stretches of 10 s in what the log calls body movement",
    ),
    MeasureDef(
        "cadence_spread_hz",
        "Hz",
        "Cadence's spread",
        "half of what the middle two thirds of the stretches behind cadence_hz cover",
        goes_with="cadence_hz",
    ),
    MeasureDef(
        "noise_v",
        "V",
        "Noise, rms",
        "tenth percentile over windows of 0.2 s, of rest where there is some, of what level, slope, curvature and "
        "lines do not explain, rms",
    ),
    MeasureDef(
        "rest_noise_v",
        "V",
        "Noise at rest",
        "lower quartile over seconds of rest of the field between 0.5 and 10 Hz, lines taken out, rms",
    ),
)

BY_NAME = {measure.name: measure for measure in MEASURES}
