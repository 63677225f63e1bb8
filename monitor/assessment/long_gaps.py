"""The longest gaps of the last days: what tells the rhythm of a signal that reports on change, or of batches in bursts.

In: gaps with the moments at which they ended. Out: how long a gap may be without meaning anything. Nothing is judged.
May import: numpy, monitor.batch, monitor.times. Touches nothing outside itself.

The newest few dozen gaps of a lively signal reach back an hour or two. A voltage that was charged all evening reports
each minute, and from then on once in three quarters of an hour, which is its heartbeat and no silence.
"""

from dataclasses import dataclass

import numpy as np

from monitor.batch import Float64, Int64
from monitor.times import DAY_NS

DAYS_KEPT = 7  # a week has every habit of a site in it (our choice)
KEPT = 3  # gaps a day; the third longest counts, so that two outages a day teach nothing (our choice)


@dataclass(slots=True)
class LongGaps:
    """The KEPT longest gaps of each of the last days with any, ns, longest first, [row, day, KEPT]; 0: none.

    number: of the day, days since 1970, -1: none, [row, day].
    """

    number: Int64
    gaps: Int64

    @classmethod
    def empty(cls, rows: int) -> "LongGaps":
        """Of rows of which nothing was heard."""
        return cls(np.full((rows, DAYS_KEPT), -1, np.int64), np.zeros((rows, DAYS_KEPT, KEPT), np.int64))

    def add(self, row: Int64, ended_ns: Int64, gap: Int64) -> None:
        """Gaps with the moments at which they ended, sorted by row and moment."""
        if not len(row):
            return
        day = ended_ns // DAY_NS
        change = np.append(True, (row[1:] != row[:-1]) | (day[1:] != day[:-1]))
        group = np.cumsum(change) - 1
        first = np.flatnonzero(change)
        order = np.lexsort((-gap, group))
        rank = np.arange(len(row)) - first[group]
        kept = rank < KEPT
        new = np.zeros((len(first), KEPT), np.int64)
        new[group[kept], rank[kept]] = gap[order][kept]
        rows, days = row[first], day[first]
        last = np.append(rows[1:] != rows[:-1], True)
        newest = days[last][np.cumsum(np.append(0, last[:-1].astype(np.int64)))]
        fresh = days > newest - DAYS_KEPT
        rows, days, new = rows[fresh], days[fresh], new[fresh]
        place = days % DAYS_KEPT
        before = np.where((self.number[rows, place] == days)[:, None], self.gaps[rows, place], 0)
        self.gaps[rows, place] = -np.sort(-np.concatenate((before, new), axis=1), axis=1)[:, :KEPT]
        self.number[rows, place] = days

    def usual(self, rows: Int64, now_ns: int) -> Float64:
        """The third longest gap of the worst of the last days, ns, [n]; 0 where no day had three."""
        lately = self.number[rows] >= now_ns // DAY_NS - DAYS_KEPT
        longest: Float64 = np.where(lately, self.gaps[rows, :, KEPT - 1], 0).max(axis=1).astype(np.float64)
        return longest
