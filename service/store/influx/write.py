"""The two ways to write line protocol: ``/write`` of InfluxDB 1.x and ``/api/v2/write``."""

from __future__ import annotations

import json
import logging
from typing import Any, Final

import urllib3.exceptions
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from service.store.http import TIMEOUT_S, Remote, refuse_trouble, refused, unreachable
from service.store.influx import influxql

_log = logging.getLogger(__name__)
_PAST_RETENTION: Final = "beyond retention policy"


class _Writer:
    """What both have in common: what an answer to a write means."""

    def __init__(self) -> None:
        self.left_out = 0

    def _judge(self, base: str, status: int, text: str) -> None:
        if status < 300:
            return
        refuse_trouble(base, status, text)
        if _PAST_RETENTION in text:
            # The rest of the lines is kept; these the server will never take.
            dropped = int(text.rpartition("dropped=")[2].partition('"')[0] or 0)
            self.left_out += dropped
            _log.warning("%d readings older than the retention were left out", dropped)
            return
        raise refused(base, status, text)


class V1Writer(_Writer):
    """Writes to a database of InfluxDB 1.x."""

    def __init__(self, remote: Remote, database: str) -> None:
        super().__init__()
        self._remote = remote
        self._database = database

    def create(self) -> None:
        """Make the database.

        Raises:
            CredentialsRefusedError: the user may not.
        """
        question = f"CREATE DATABASE {influxql.identifier(self._database)}"
        with self._remote.request("POST", "/query", form=[("q", question)]) as answer:
            if not answer.ok:
                raise refused(self._remote.base, answer.status_code, answer.text)
            list(influxql.series_of([answer.content]))

    def write(self, lines: bytes) -> None:
        """Write lines with times in nanoseconds."""
        params = {"db": self._database, "precision": "ns"}
        with self._remote.request("POST", "/write", params=params, body=lines) as answer:
            self._judge(self._remote.base, answer.status_code, answer.text)

    def close(self) -> None:
        """Nothing of its own to close."""


class V2Writer(_Writer):
    """Writes to a bucket through influxdb-client: InfluxDB 2.x, 3.x."""

    def __init__(self, base: str, token: str, org: str, bucket: str) -> None:
        """Prepare; connects when first asked."""
        super().__init__()
        self._base = base
        self._org = org
        self._bucket = bucket
        self._client: Any = InfluxDBClient(
            base,
            token=token,
            org=org,
            enable_gzip=True,
            timeout=tuple(int(1000 * seconds) for seconds in TIMEOUT_S),
        )
        self._api: Any = self._client.write_api(write_options=SYNCHRONOUS)

    def create(self) -> None:
        """Make the bucket, unless the server makes buckets itself at the first write (3.x).

        Raises:
            CredentialsRefusedError: the token may not.
        """
        try:
            self._client.buckets_api().create_bucket(bucket_name=self._bucket, org=self._org)
        except ApiException as error:
            if error.status not in (404, 405, 422):
                self._judge(self._base, error.status or 503, str(error.body or error.reason))
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise unreachable(self._base, error) from error

    def write(self, lines: bytes) -> None:
        """Write lines with times in nanoseconds."""
        try:
            self._api.write(bucket=self._bucket, org=self._org, record=lines, write_precision="ns")
        except ApiException as error:
            self._judge(self._base, error.status or 503, _message(error))
        except (urllib3.exceptions.HTTPError, OSError) as error:
            raise unreachable(self._base, error) from error

    def close(self) -> None:
        """Close the connections."""
        self._api.close()
        self._client.close()


def _message(error: ApiException) -> str:
    body = error.body or error.reason or ""
    text = body.decode(errors="replace") if isinstance(body, bytes) else str(body)
    try:
        return str(json.loads(text).get("message", text))
    except (ValueError, AttributeError):
        return text
