"""The simulated kettle: fire, draught, chamber, food, weather. Pure; docs/grill.md."""

from coalminder.grill.factory import kettle
from coalminder.grill.kettle import Kettle, KettleState
from coalminder.grill.parameters import Fittings, KettleParameters
from coalminder.grill.ranges import draw
from coalminder.grill.scenario import Scenario, demo
from coalminder.grill.weather import Weather

__all__ = [
    "Fittings",
    "Kettle",
    "KettleParameters",
    "KettleState",
    "Scenario",
    "Weather",
    "demo",
    "draw",
    "kettle",
]
