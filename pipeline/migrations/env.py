"""Run the steps on the connection that ``pipeline.store`` hands over, inside its transaction."""

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    render_as_batch=True,
    transactional_ddl=True,
    transaction_per_migration=False,
)
context.run_migrations()
