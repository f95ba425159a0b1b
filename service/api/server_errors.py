"""Problems (RFC 9457) for requests that the HTTP server refuses before the application sees them.

These are broken headers (400), headers or an address that are too long (431), a body above every
limit (413), and transfer codings that waitress does not know (501). A client that is too slow is
disconnected without an answer.
"""

from __future__ import annotations

import json
from typing import Final, cast
from urllib.parse import quote

from waitress.parser import HTTPRequestParser
from waitress.task import ErrorTask
from waitress.utilities import Error

from service.api.http.problems.problem_json import MEDIA_TYPE, kind_of_status, problem
from service.api.http.security_headers import EVERYWHERE

HEADER_BYTES: Final = 32 * 1024
"""Request line and headers together; a link has some hundred, a cookie at most 4,096."""

_SHOWN: Final = 200


class ProblemTask(ErrorTask):
    """Writes the error of a request as a problem, with the headers of every answer."""

    def execute(self) -> None:
        """Write the answer; the connection ends with it."""
        error = cast(HTTPRequestParser, self.request).error
        assert isinstance(error, Error)
        kind = kind_of_status(error.code)
        path = quote(str(getattr(self.request, "path", "") or "/")[:_SHOWN], safe="/%")
        body = problem(kind, f"{error.reason}: {error.body}"[:_SHOWN], path)
        text = (json.dumps(body) + "\n").encode()
        self.status = f"{kind.status} {error.reason}"
        self.response_headers = [("Content-Type", MEDIA_TYPE), *EVERYWHERE.items()]
        self.set_close_on_finish()
        self.content_length = len(text)
        self.write(text)
