"""The steps from each version of the archive's tables to the next, run by alembic."""
