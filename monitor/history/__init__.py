"""The door for history: readings in Parquet and CSV files, in and out.

In: files in the contract's long form, in any order. Out: one unit's readings at a time, sound and sorted, and what was
set aside; files again. May import: monitor.stores and what lies below. Touches the files it is given, a temporary
folder where they hold more than fits in memory, and the stores it is handed.

files opens, checking judges row by row, gathering brings each unit together, transfer goes into a store and out of it.
"""

from monitor.history.files import UnreadableHistory
from monitor.history.gathering import History
from monitor.history.transfer import Exported, Imported, export_history, import_history

__all__ = ["Exported", "History", "Imported", "UnreadableHistory", "export_history", "import_history"]
