"""Run the steps on the connection that `probeledger.archive.migrating` hands over, inside its transaction."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
