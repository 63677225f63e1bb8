"""Insert where the key may be there already: the same words in SQLite and PostgreSQL, two constructs in SQLAlchemy.

In: a connection and a table. Out: an insert that takes on_conflict_do_nothing and on_conflict_do_update. May import:
sqlalchemy. Touches nothing.
"""

from sqlalchemy import Connection, Table
from sqlalchemy.dialects import postgresql, sqlite


def insert_or(connection: Connection, table: Table) -> sqlite.Insert | postgresql.Insert:
    """An insert in the dialect of a connection."""
    return postgresql.insert(table) if connection.dialect.name == "postgresql" else sqlite.insert(table)
