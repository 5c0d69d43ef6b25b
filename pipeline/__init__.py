"""From raw dumps of a body-worn field sensor to a judged, documented dataset.

The steps, in the order in which the data pass them: ``study`` and ``layouts`` (what goes in),
``frames``, ``timebase``, ``recording``, ``detectors``, ``verdict``, ``report``.
"""

__version__ = "0.1.0"
