"""Battery and charger: what four slow sensors show of a starting battery, its charger and their cranks.

In: what is seen of some units (models.seen) and what was learned of them. Out: normals once a day; opinions, notes and
the time at which charging was lost at every judgement. May import: numpy, models. Touches nothing.
"""

from models.battery.cranking import expected_crank
from models.battery.judging import Judged, judge, judge_whole
from models.battery.normal import BatteryNormal
from models.battery.normals import learn

__all__ = ["BatteryNormal", "Judged", "expected_crank", "judge", "judge_whole", "learn"]
