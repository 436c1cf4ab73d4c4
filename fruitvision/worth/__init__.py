"""What blocks are worth, how far that may be off, and what pays to measure next."""

from fruitvision.worth.farm import BlockWorth, FarmWorth, WorthOfMeasure, worth_of_farm
from fruitvision.worth.measure import Measure
from fruitvision.worth.prices import Prices

__all__ = ["BlockWorth", "FarmWorth", "Measure", "Prices", "WorthOfMeasure", "worth_of_farm"]
