"""The reports inside a bundle: made anew of what was recoded, with links that lead within the bundle."""

from pathlib import Path

from pipeline.bundle.choose import Chosen
from pipeline.bundle.names import Names
from pipeline.bundle.recoded import Made, Recoded


def write_pages(recoded: Recoded, chosen: Chosen, names: Names, data: Path) -> tuple[Made, ...]:
    """Write ``reports/<session>.html`` and ``reports/index.html``; recordings must be there already."""
    raise NotImplementedError
