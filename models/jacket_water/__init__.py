"""Jacket water: what heater, block and air make of its temperature, and what is wrong when they do not.

In: models.seen.Seen. Out: normals of each unit (`learn`, daily), opinions and notes (`judge`, every half hour). May
import: numpy, models.opinion, models.seen, models.windows. Touches nothing.
"""

from models.jacket_water.judging import judge
from models.jacket_water.learning import learn
from models.jacket_water.normal import WaterNormal
from models.jacket_water.opinion import WaterOpinion

__all__ = ["WaterNormal", "WaterOpinion", "judge", "learn"]
