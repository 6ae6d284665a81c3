"""The pure core: what to do with the vents, once a second, from what is known."""

from coalminder.core.config import Config
from coalminder.core.moves import under
from coalminder.core.state import State, ended, food_over, initial
from coalminder.core.step import step

__all__ = ["Config", "State", "ended", "food_over", "initial", "step", "under"]
