"""How far a quartz crystal of a watch's kind may be off by published figures."""

TOLERANCE_PPM = 20.0
"""At 25 C, of the common grade (data sheets of tuning-fork crystals, 32.768 kHz)."""

AGEING_PPM = 3.0
"""In the first year (data sheets of tuning-fork crystals)."""

PARABOLA_PPM_PER_K2 = -0.034
"""Data sheets give -0.030 to -0.035 about 25 C, each with a tolerance; this value is from memory."""

TURNOVER_C = 25.0


def temperature_ppm(celsius: float) -> float:
    """How far a tuning-fork crystal is off at a temperature: a parabola, always slow.

    Worked from the figures above: -21.25 ppm at 0 C, -4.90 at 37 C, -41.65 at 60 C.
    """
    return PARABOLA_PPM_PER_K2 * (celsius - TURNOVER_C) ** 2


def largest_error_ppm(low_c: float = 0.0, high_c: float = 60.0) -> float:
    """The most that a sound crystal may be off between two temperatures: 64.65 ppm from 0 to 60 C.

    It says something of the difference of two clocks only where one of them is far better, as a receiver's
    that is disciplined over a network; two crystals may differ by twice as much. Ticks and samples of a
    device come from one crystal as a rule: held against each other they show a wrong rate, never its error.
    """
    return TOLERANCE_PPM + max(abs(temperature_ppm(low_c)), abs(temperature_ppm(high_c))) + AGEING_PPM
