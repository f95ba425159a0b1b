"""Finds messages that end the process while they are processed, and takes them aside.

Whatever a message does to the process, the broker sends it again, for ever. So the messages that
are being decoded and processed are noted in a file, which outlives a kill but not a power cut. What
a killed process had in work comes one by one in the next; a message that was in work alone at two
deaths is taken aside and rejected. A death among others accuses nobody: of a thousand that come one
by one after a kill from outside, the next kill meets one, and that one is sound. Waiting for the
disk is not part of it either.
"""

from __future__ import annotations

import base64
import json
import logging
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Final

from ingest.decode.message import DIGEST_BYTES, Message, Reason, digest_of, rejection
from ingest.deliver.spool import Spool
from service.errors import ConfigError
from service.private_files import FILE_MODE
from service.registry.models.ingest import Rejection

_log = logging.getLogger(__name__)
_SUSPECTS: Final = "suspects"
#: Suspects that are remembered; some may never come again, such as those at QoS 0.
_MOST: Final = 10_000
#: A message that was in work alone at so many deaths of the process is not tried again.
_DEATHS: Final = 2


class InWork:
    """The messages that are being decoded and processed; used by one thread."""

    def __init__(self, spool: Spool) -> None:
        """Read what an earlier process had in work when it was killed.

        Args:
            spool: the file stands beside it; it remembers the deaths that each suspect has seen,
                and its folder takes what is not tried again.

        Raises:
            ConfigError: the file cannot be made.
        """
        self._spool = spool
        path = spool.path.with_name(spool.path.name + ".in-work")
        try:
            self._file = os.open(path, os.O_RDWR | os.O_CREAT, FILE_MODE)
        except OSError as error:
            raise ConfigError(f"ingest.spool_path: {path} cannot be made: {error}") from error
        self._failed = False
        self._deaths: dict[str, int] = json.loads(spool.note(_SUSPECTS) or "{}")
        left = os.pread(self._file, os.fstat(self._file).st_size, 0)
        found = {
            left[at : at + DIGEST_BYTES].hex()
            for at in range(0, len(left) - DIGEST_BYTES + 1, DIGEST_BYTES)
        }
        for digest in found:
            self._deaths[digest] = self._deaths.pop(digest, 0) + (len(found) == 1)
        for digest in list(self._deaths)[: max(0, len(self._deaths) - _MOST)]:
            del self._deaths[digest]
        if found:
            _log.warning("%d messages were in work when the process ended", len(found))
            self._save()
        os.ftruncate(self._file, 0)

    def portions(self, messages: Sequence[Message]) -> Iterator[Sequence[Message]]:
        """The messages in their order: all together, but each suspect alone."""
        if not self._deaths:
            yield messages
            return
        together: list[Message] = []
        for message in messages:
            if digest_of(message).hex() not in self._deaths:
                together.append(message)
                continue
            if together:
                yield together
                together = []
            yield [message]
        if together:
            yield together

    def fatal(self, messages: Sequence[Message]) -> Rejection | None:
        """The rejection of a message that may not be tried again, which is taken aside.

        Args:
            messages: a portion; a suspect is alone in it.

        Raises:
            OSError: it cannot be taken aside.
        """
        if not self._deaths or len(messages) != 1:
            return None
        (message,) = messages
        digest = digest_of(message).hex()
        deaths = self._deaths.get(digest, 0)
        if deaths < _DEATHS:
            return None
        payload = base64.b64encode(message.payload).decode()
        body = json.dumps({"topic": message.topic, "payload_base64": payload}).encode()
        why = f"it was being processed when the ingester was killed, {deaths} times"
        path = self._spool.aside.put(f"message-{digest}.json", body, why)
        self._survived(messages)
        detail = f"{why}, and is in {path}; allowed: a message that can be processed"
        return rejection(message, Reason.INTERNAL, detail)

    @contextmanager
    def noted(self, messages: Sequence[Message]) -> Iterator[None]:
        """While they are decoded and processed; afterwards they are no suspects any more."""
        self._write(b"".join(map(digest_of, messages)))
        yield
        self._write(b"")
        if self._deaths:
            self._survived(messages)

    def close(self) -> None:
        """Save the suspects that did not come again."""
        self._save()
        os.close(self._file)

    def _survived(self, messages: Sequence[Message]) -> None:
        for message in messages:
            self._deaths.pop(digest_of(message).hex(), None)
        if not self._deaths:
            self._save()

    def _save(self) -> None:
        text = json.dumps(self._deaths)
        if text != self._spool.note(_SUSPECTS):
            self._spool.save_note(_SUSPECTS, text)

    def _write(self, digests: bytes) -> None:
        try:
            os.ftruncate(self._file, 0)
            if digests:
                os.pwrite(self._file, digests, 0)
        except OSError as error:
            if not self._failed:
                _log.warning("what is in work cannot be noted, going on without: %s", error)
            self._failed = True
        else:
            self._failed = False
