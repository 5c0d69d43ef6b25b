"""A physical model of body, sensor, mains and contact; all that comes out of it is invented."""

from pipeline.simulate.accelerometer import Accelerometer
from pipeline.simulate.body import Body, Spark, Tied
from pipeline.simulate.contact import Contact, Lapse
from pipeline.simulate.front_end import FrontEnd
from pipeline.simulate.mains import Beside, Mains
from pipeline.simulate.movement import Activity
from pipeline.simulate.passing import Passer
from pipeline.simulate.scenario import Scenario, Truth
from pipeline.simulate.session import Counts, simulate

__all__ = [
    "Accelerometer",
    "Activity",
    "Beside",
    "Body",
    "Contact",
    "Counts",
    "FrontEnd",
    "Lapse",
    "Mains",
    "Passer",
    "Scenario",
    "Spark",
    "Tied",
    "Truth",
    "simulate",
]
