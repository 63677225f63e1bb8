"""Rows of history that were set aside, some by name and the rest by number.

In: file, row, kind and sentence of what is wrong. Out: items for the quarantine. May import:
monitor.acquisition.quarantine. Touches nothing.
"""

from collections import defaultdict

from monitor.acquisition.quarantine import Reason, SetAside

ROWS_NAMED_MAX = 100  # of one file and kind: who mends these has mended the rest
CSV = "text/csv"  # how the payload of a row is to be read


class Aside:
    """Rows set aside: of each file and kind some are named, the others counted in one item, so that no flood of bad
    rows fills the memory or the quarantine."""

    def __init__(self, at_ns: int) -> None:
        self._at_ns = at_ns
        self._named: list[SetAside] = []
        self._counts: dict[tuple[str, Reason, str], int] = defaultdict(int)
        self._left: dict[tuple[str, Reason], int] = defaultdict(lambda: ROWS_NAMED_MAX)

    def room(self, source: str, reason: Reason) -> int:
        """How many more rows of a file and kind can be named."""
        return self._left[source, reason]

    def put(self, source: str, reason: Reason, place: str, text: str, payload: bytes = b"", *, unit: str = "") -> None:
        """Name a row, or count it where there is no room."""
        if not self.room(source, reason):
            self.count(source, reason, 1, unit=unit)
            return
        self._left[source, reason] -= 1
        self._named.append(SetAside(self._at_ns, source, place, reason, text, payload, CSV, unit))

    def count(self, source: str, reason: Reason, rows: int, *, unit: str = "") -> None:
        """Count rows that are not named."""
        if rows:
            self._counts[source, reason, unit] += rows

    def items(self) -> list[SetAside]:
        """All of it."""
        text = f"Further rows of this file, beyond the {ROWS_NAMED_MAX} named. Mend what those say and import it again."
        rest = [
            SetAside(self._at_ns, source, "further rows", reason, text, unit=unit, times=rows)
            for (source, reason, unit), rows in self._counts.items()
        ]
        return [*self._named, *rest]
