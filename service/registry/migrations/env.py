"""Run by alembic: on the connection, and inside the transaction, that it is given."""

from alembic import context

from service.registry.database.schema import VERSION_TABLE
from service.registry.tables.base import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
