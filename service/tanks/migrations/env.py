"""Run by alembic: on the connection, and inside the transaction, that it is given."""

from alembic import context

from service.tanks.models import Base
from service.tanks.schema import VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    version_table=VERSION_TABLE,
    transactional_ddl=True,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
