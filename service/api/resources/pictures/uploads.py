"""Forms with pictures (``multipart/form-data``, RFC 7578), read within limits.

Used by the API and by the pages.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

from flask import request
from werkzeug.datastructures import FileStorage
from werkzeug.exceptions import RequestEntityTooLarge

from service.api.http.blueprint import DOCUMENT_BYTES, MULTIPART
from service.api.http.json_text import read_json
from service.api.http.problems.faults import invalid_body, invalid_field
from service.pictures.intake import MOST_AT_ONCE
from service.registry.repositories.log.pictures import FIELD

MOST_PARTS: Final = 64
"""Of a form: its inputs, with as many pictures as one may bring."""

PICTURES_SCHEMA: Final[Mapping[str, Any]] = {
    "type": "array",
    # "format" is what generators of clients look for
    "items": {
        "type": "string",
        "format": "binary",
        "contentMediaType": "application/octet-stream",
    },
    "maxItems": MOST_AT_ONCE,
    "description": "JPEG, PNG, WebP; HEIC where its library is installed.",
}


def form_body(**documents: Any) -> dict[str, Any]:
    """What the OpenAPI document says of a form with pictures.

    Args:
        documents: schemas of the parts that are JSON, by their names.
    """
    schema = {
        "type": "object",
        "properties": {**documents, FIELD: PICTURES_SCHEMA},
        "required": [*documents, FIELD],
        "additionalProperties": False,
    }
    return {"required": True, "content": {MULTIPART: {"schema": schema}}}


@dataclass(frozen=True, slots=True)
class SentFile:
    """A part of a form that is a file; an ``Upload``."""

    field: str
    storage: FileStorage

    def read(self, most_bytes: int) -> bytes:
        """Its bytes, no more than so many."""
        return self.storage.stream.read(most_bytes)


def limit_parts() -> None:
    """Read no more parts than there can be; before the form is looked at for the first time."""
    request.max_form_parts = MOST_PARTS
    request.max_form_memory_size = DOCUMENT_BYTES


def sent_pictures() -> list[SentFile]:
    """The pictures of the form, without inputs that were left empty.

    Raises:
        InvalidInputError: there are too many, or it has too many parts.
    """
    try:
        files = request.files.getlist(FIELD)
    except RequestEntityTooLarge:
        raise invalid_body(
            f"has too many parts, or too long ones; allowed: up to {MOST_PARTS} parts, of which "
            f"{MOST_AT_ONCE} are pictures, and texts of {DOCUMENT_BYTES} bytes"
        ) from None
    found = [one for one in files if one.filename or one.mimetype.startswith("image/")]
    if len(found) > MOST_AT_ONCE:
        raise invalid_field(f"/{FIELD}", len(found), f"up to {MOST_AT_ONCE} pictures at once")
    return [SentFile(f"/{FIELD}/{number}", one) for number, one in enumerate(found)]


def document_and_pictures(part: str) -> tuple[Any, list[SentFile]]:
    """The JSON that is a part of a form, and the form's pictures.

    Args:
        part: name of the part that has the JSON.

    Raises:
        MalformedRequestError: the JSON cannot be read.
        InvalidInputError: a part is missing or not known, or there are too many pictures.
    """
    limit_parts()
    pictures = sent_pictures()
    _refuse_other_parts({part})
    texts = request.form.getlist(part)
    if len(texts) != 1:
        raise invalid_body(f"has {len(texts)} parts {part!r}; allowed: one, with JSON")
    return read_json(texts[0].encode("utf-8", "surrogatepass")), pictures


def pictures_alone() -> list[SentFile]:
    """The pictures of a form that has nothing else; errors as ``document_and_pictures``."""
    limit_parts()
    pictures = sent_pictures()
    _refuse_other_parts(set())
    if not pictures:
        raise invalid_field(f"/{FIELD}", "nothing", "one picture or several")
    return pictures


def _refuse_other_parts(texts: Collection[str]) -> None:
    for name in request.form:
        if name not in texts:
            known = ", ".join([*texts, FIELD])
            raise invalid_body(f"has a part {name[:40]!r}; allowed: {known} (a file)")
    for name in request.files:
        if name != FIELD:
            raise invalid_body(f"has a file {name[:40]!r}; allowed: {FIELD}")
