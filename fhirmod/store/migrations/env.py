"""What Alembic runs: the revisions, on the connection and in the transaction that `fhirmod.store.migrate` holds."""

from alembic import context

from fhirmod.store.tables import METADATA

context.configure(connection=context.config.attributes["connection"], target_metadata=METADATA)
with context.begin_transaction():
    context.run_migrations()
