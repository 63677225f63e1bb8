"""Learning of the jacket water's normal from a unit's own last days.

In: models.seen.Seen, the normals until now. Out: new normals. May import: numpy, models. Touches nothing.
"""

from collections.abc import Sequence

from models.jacket_water.normal import WaterNormal
from models.seen import Seen


def learn(seen: Seen, before: Sequence[WaterNormal]) -> list[WaterNormal]:
    """Normals of some units from the window that they are seen in; what cannot be told now stays, a little less sure.

    To be called once a day. Cells that ran, lie hours after a run or are not trusted teach nothing.

    Args:
        seen: the units. before: their normals until now, WaterNormal() for a new unit, [unit].
    Returns: [unit].
    """
    assert len(before) == seen.units
    return list(before)
