"""What runs: from a reading that arrives to a person who is told. See DEVELOPERS.md for the rooms.

From Python: `from monitor import readings, replay`, pandas in, pandas out.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from monitor.tables import readings, replay

__all__ = ["readings", "replay"]


def __getattr__(name: str) -> Any:
    """The two doors, brought in when first asked for: nobody who imports a room pays for pandas."""
    if name in __all__:
        from monitor import tables

        return getattr(tables, name)
    raise AttributeError(f"module 'monitor' has no attribute {name!r}")
