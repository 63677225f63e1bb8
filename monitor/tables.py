"""The doors for Python: readings and replays as pandas tables.

In: a data folder, or a table in the contract's long form. Out: DataFrames. May import: pandas, monitor.replaying,
monitor.stores, monitor.history and what lies below. Touches the folders and files it is given.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from monitor.batch import Batch
from monitor.fleet import load_fleet
from monitor.history import History
from monitor.limits_file import load_limits
from monitor.replaying import alarm_line, replay_history
from monitor.stores.embedded import EmbeddedReadings
from monitor.times import from_datetime
from monitor.visits import load_visits

EARLIEST_NS, LATEST_NS = 0, np.iinfo(np.int64).max


def readings(
    data: str | Path,
    *,
    unit: str | Sequence[str] | None = None,
    signal: str | Sequence[str] | None = None,
    from_: pd.Timestamp | str | None = None,
    to: pd.Timestamp | str | None = None,
) -> pd.DataFrame:
    """Stored readings as a table.

    Args:
        data: the data folder of a running or stopped program.
        unit, signal: one name or several; None: all that the store has.
        from_, to: from_ <= time < to, with a zone; None: no bound.
    Returns: columns time and received (UTC, ns), unit, signal, value; sorted by unit, signal, time.
    Raises:
        FileNotFoundError: there is no data folder. ValueError: a time without a zone.
    """
    folder = Path(data)
    if not folder.is_dir():
        raise FileNotFoundError(f"{folder} is no data folder. Name the one that serve was given as --data.")
    store = EmbeddedReadings(folder)
    try:
        tracks = store.tracks()
        units = _names(unit) or list(dict.fromkeys(name for name, _ in tracks))
        signals = _names(signal) or list(dict.fromkeys(name for _, name in tracks))
        rows = store.read(units=units, signals=signals, from_ns=_ns(from_, EARLIEST_NS), to_ns=_ns(to, LATEST_NS))
    finally:
        store.close()
    return _table(rows)


def replay(
    table: pd.DataFrame,
    *,
    fleet: str | Path,
    limits: str | Path | None = None,
    from_: pd.Timestamp | str | None = None,
    to: pd.Timestamp | str | None = None,
) -> pd.DataFrame:
    """Alarms of a table of readings, as `stillready replay` gives them.

    Args:
        table: columns time (with a zone), unit, signal, value and, where known, received; any order.
        fleet: fleet.toml. limits: limits.toml; None: the defaults.
        from_, to: as the command's --from and --to.
    Returns: one row an alarm: unit, condition, urgency, raised_at, cleared_at (NaT while it stands), urgency_history,
        causes, not_ready_at, first_said.
    Raises:
        FileFaults, UnreadableHistory: fleet, limits or table cannot be used; every fault in its text.
    """
    known = load_fleet(Path(fleet))
    with TemporaryDirectory(prefix="stillready-") as folder:
        path = Path(folder) / "table.parquet"
        table.to_parquet(path, index=False)
        alarms, _ = replay_history(
            History([path], known),
            known,
            load_limits(None if limits is None else Path(limits), known),
            load_visits(known).deadline,
            from_ns=None if from_ is None else _ns(from_, EARLIEST_NS),
            to_ns=None if to is None else _ns(to, LATEST_NS),
        )
    columns = [
        "unit", "condition", "urgency", "raised_at", "cleared_at", "urgency_history", "causes", "not_ready_at",
        "first_said",
    ]  # fmt: skip
    out = pd.DataFrame([json.loads(alarm_line(alarm)) for alarm in alarms], columns=columns)
    for name in ("raised_at", "cleared_at"):
        out[name] = pd.to_datetime(out[name], format="ISO8601", utc=True)
    return out


def _names(given: str | Sequence[str] | None) -> list[str]:
    if given is None:
        return []
    return [given] if isinstance(given, str) else list(given)


def _ns(moment: pd.Timestamp | str | None, otherwise: int) -> int:
    return otherwise if moment is None else from_datetime(pd.Timestamp(moment).to_pydatetime())


def _table(rows: Batch) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "time": pd.to_datetime(rows.time_ns, unit="ns", utc=True),
            "unit": pd.Categorical.from_codes(rows.unit, categories=list(rows.units)).astype("str"),
            "signal": pd.Categorical.from_codes(rows.signal, categories=list(rows.signals)).astype("str"),
            "value": rows.value,
            "received": pd.to_datetime(rows.received_ns, unit="ns", utc=True),
        }
    )
