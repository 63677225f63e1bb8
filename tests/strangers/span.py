"""The stretch of time that a run covers, and its two grids: minutes, and stretches of ten minutes for what is slow.

In: a first day and a number of days. Out: numbers of grid cells, UTC moments. May import: numpy. Touches nothing.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np

from tests.strangers.draws import Array

STRETCH_MINUTES = 10  # weather, faults and readiness move no faster than this; our choice
MINUTES_A_DAY = 1440
STRETCHES_A_DAY = MINUTES_A_DAY // STRETCH_MINUTES
STEP_S = 60.0


@dataclass(frozen=True, slots=True)
class Span:
    """first: UTC day at whose midnight the run begins. days: its length."""

    first: date
    days: int

    @property
    def minutes(self) -> int:
        """How many minutes the run has."""
        return self.days * MINUTES_A_DAY

    @property
    def stretches(self) -> int:
        """How many stretches of ten minutes the run has."""
        return self.days * STRETCHES_A_DAY

    @property
    def start(self) -> datetime:
        """Its first moment, UTC."""
        return datetime(self.first.year, self.first.month, self.first.day, tzinfo=UTC)

    @property
    def start_s(self) -> float:
        """Its first moment, s since 1970 UTC."""
        return self.start.timestamp()

    def at(self, minute: float) -> datetime:
        """The moment of a minute of the run, whole seconds, UTC."""
        return self.start + timedelta(seconds=round(minute * 60.0))

    def minute_of(self, moment: datetime) -> int:
        """The minute of the run in which a moment lies; negative before it."""
        return int((moment - self.start).total_seconds() // 60)

    def stretch_hours(self) -> Array:
        """Hours since the first moment at the beginning of each stretch, shape [stretch]."""
        return np.arange(self.stretches) * (STRETCH_MINUTES / 60.0)
