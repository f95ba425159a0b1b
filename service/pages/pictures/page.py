"""The page of a tank's pictures: by month, and two of them laid over each other."""

from __future__ import annotations

from typing import Final

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.api.context import current, now
from service.errors import NotFoundError
from service.pages.browser import csrf
from service.pages.local_time import LocalTime
from service.pages.pictures.shown import by_month, shown_picture
from service.pages.settings.rights import may_write
from service.registry.models.pictures import Picture

MOST_SHOWN: Final = 1000
"""Of a tank; thumbnails are loaded as they come into view. Our choice."""


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/tanks/<tank>/pictures", "pictures", pictures)
    pages.add_url_rule(
        "/tanks/<tank>/pictures/<picture>/delete", "delete_picture", delete, methods=["POST"]
    )


def pictures(tank: str) -> str:
    """All pictures of a tank, and two to compare: those asked for, else the first and the last."""
    found = current().registry.tank(tank)
    local_time = LocalTime(found.time_zone, now())
    ones = current().registry.pictures(tank, limit=MOST_SHOWN)
    before = _asked("before", ones, ones[-1] if ones else None)
    after = _asked("after", ones, ones[0] if ones else None)
    return render_template(
        "pages/pictures.html",
        tank=found,
        months=by_month(ones, local_time),
        before=None if before is None else shown_picture(before, local_time),
        after=None if after is None else shown_picture(after, local_time),
        most=MOST_SHOWN if len(ones) == MOST_SHOWN else None,
        may_delete=may_write(),
    )


def delete(tank: str, picture: str) -> Response:
    """Delete a picture; its log entry stays."""
    csrf.check_form()
    current().registry.tank(tank)
    current().registry.delete_picture(tank, picture)
    current().pictures.remove_deleted()
    flash("The picture is deleted.")
    return redirect(url_for("pages.pictures", tank=tank), 303)


def _asked(name: str, ones: list[Picture], usual: Picture | None) -> Picture | None:
    """The picture that the address names.

    Raises:
        NotFoundError: it is none of this tank.
    """
    id = request.args.get(name)
    if not id:
        return usual
    for one in ones:
        if one.id == id:
            return one
    raise NotFoundError(f"picture is {id!r:.40}; allowed: the id of a picture of this tank")
