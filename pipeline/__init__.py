"""From raw dumps of a body-worn field sensor to a judged, documented dataset.

The steps, in the order in which the data pass them: ``study`` and ``layouts`` (what goes in),
``frames``, ``timebase``, ``recording``, ``detectors``, ``verdict``, ``report``.
"""

import os

# Every process that does a step passes here before it loads NumPy. The last digits of a sum hang on how many
# threads add it up, and the same input gives the same bytes; and what is at work at once would only compete.
os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")

__version__ = "0.1.0"
