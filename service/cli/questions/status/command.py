"""``littoral status [TANK]``: is this tank in order, are all?"""

from __future__ import annotations

import click

from service.cli.options.service_options import service_client, service_options
from service.cli.output.display import as_json_text, json_option
from service.cli.output.terminal import is_wide, show
from service.cli.questions.status.tank_status import status_of, statuses_of
from service.cli.questions.status.text import table_of, text_of


@click.command("status")
@click.argument("tank", required=False)
@json_option
@service_options
@click.pass_context
def command(
    ctx: click.Context, tank: str | None, as_json: bool, url: str, token: str | None
) -> None:
    """Report whether a tank, or each, is in order.

    Asks a running service. Without TANK all, the worst first.

    Exit codes: 0 in order, 1 not in order, 2 it could not be asked.
    """
    with service_client(url, token) as client:
        found = [status_of(client, tank)] if tank is not None else statuses_of(client)
    if as_json:
        click.echo(as_json_text({"tanks": found} if tank is None else found[0]))
    elif tank is None:
        show(table_of(found, wide=is_wide()) if found else "there is no tank yet")
    else:
        show(text_of(found[0]))
    ctx.exit(0 if found and all(one.in_order for one in found) else 1)
