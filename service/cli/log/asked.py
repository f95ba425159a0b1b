"""What marking a recommendation as done asks for, from the text of an option."""

from __future__ import annotations

from typing import Any

import click

from service.cli.log.options import FieldParameter
from service.client import Client
from service.registry.fields.log.kinds import KINDS
from service.registry.models.log import LogKind
from service.schemas.fields import Field


def asked_data(client: Client, id: str, text: str) -> dict[str, Any]:
    """The field that marking it as done asks for, with its value.

    Raises:
        click.UsageError: it asks for nothing, or the value is not allowed.
    """
    draft = client.recommendation(id).log
    if draft is None or len(draft.asks) != 1:
        raise click.UsageError("--value: it asks for none; allowed: --done alone")
    field = KINDS[LogKind(draft.kind)].fields[draft.asks[0]]
    if not isinstance(field, Field):
        raise click.UsageError(f"--value: allowed: littoral log {draft.kind}, which closes it")
    return {draft.asks[0]: FieldParameter(field).convert(text, None, None)}
