"""Steps from each state of the operations tables to the next, run by alembic when the database is opened."""
