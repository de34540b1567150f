"""The InfluxDB 2 server through influxdb-client: synchronous writes, questions in Flux, errors in words.

The client's own batching mode is not used: it loses points without an exception when the server refuses them.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from baulk.ingest.config import TOKEN, StorePart
from baulk.ingest.errors import ConfigError, StoreAway, StoreError, StoreMissing, StoreRefused

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException


AT_ONCE: Final = 5000  # lines in one request, as InfluxDB's own guide advises
_TIMEOUT_MS: Final = 20_000
_UNFIT: Final = frozenset({400, 413, 422})  # what the server says of the lines, not of us


class Unfit(StoreRefused):
    """The server will not have these lines; fewer of them it may."""


class Influx:
    """One organisation at an InfluxDB 2 server.

    Parameters
    ----------
    store : StorePart
        The settings, with url, org and token.
    """

    def __init__(self, store: StorePart) -> None:
        from influxdb_client.client.influxdb_client import (  # noqa: PLC0415 - half a second, for few
            InfluxDBClient,
        )
        from influxdb_client.client.write_api import SYNCHRONOUS  # noqa: PLC0415

        if store.token is None:
            raise ConfigError(f"the store {store.url} needs a token; set {TOKEN}")
        self.where = f"{store.org} on {store.url}"
        self._client = InfluxDBClient(
            url=store.url,
            token=store.token.get_secret_value(),
            org=store.org or "",
            timeout=_TIMEOUT_MS,
            enable_gzip=True,
        )
        self._write = self._client.write_api(write_options=SYNCHRONOUS)
        self._delete = self._client.delete_api()

    def close(self) -> None:
        """Close the connections."""
        self._client.close()  # type: ignore[no-untyped-call]

    def write(self, bucket: str, lines: Sequence[str]) -> None:
        """Write lines with times in microseconds; they are stored when this returns.

        Raises
        ------
        Unfit
            If the server will not have them; some may be stored.
        StoreError
            If it could not be asked or would not have any.
        """
        with self._faults(bucket):
            self._write.write(bucket=bucket, record="\n".join(lines), write_precision="us")  # type: ignore[arg-type]

    def ask(self, flux: str, bucket: str) -> list[dict[str, str]]:
        """Give the rows of a question, as text by column."""
        from influxdb_client.domain.dialect import Dialect  # noqa: PLC0415

        plain = Dialect(  # type: ignore[no-untyped-call]
            header=True, delimiter=",", annotations=[], date_time_format="RFC3339Nano"
        )
        with self._faults(bucket):
            answer = self._client.query_api().query_raw(flux, dialect=plain)
            text = answer.data.decode()
        return list(self._rows(text, bucket))

    def delete(self, bucket: str, start: str, stop: str, having: Mapping[str, str]) -> None:
        """Delete the points of a span of time (RFC 3339) that have these tags."""
        predicate = " AND ".join(f"{tag}={_quoted(value)}" for tag, value in having.items())
        with self._faults(bucket):
            self._delete.delete(start, stop, predicate, bucket=bucket)

    def _rows(self, text: str, bucket: str) -> Iterator[dict[str, str]]:
        columns: list[str] | None = None
        for row in csv.reader(io.StringIO(text, newline="")):
            if not any(row):  # between tables of another shape
                columns = None
            elif columns is None:
                columns = row
            else:
                found = dict(zip(columns, row, strict=True))
                if "error" in found and "reference" in found:
                    raise StoreError(
                        f"the store {self.where}, bucket {bucket}, broke off an answer: {found['error']}"
                    )
                yield found

    @contextmanager
    def _faults(self, bucket: str) -> Iterator[None]:
        """Turn what server and network say into one sentence."""
        from influxdb_client.rest import ApiException  # noqa: PLC0415
        from urllib3.exceptions import HTTPError  # noqa: PLC0415

        try:
            yield
        except ApiException as err:
            raise _in_words(self.where, bucket, err) from err
        except (HTTPError, OSError) as err:
            text = " ".join(str(err).split())
            raise StoreAway(f"the store {self.where} is away ({text}); see whether the server runs") from err


def flux(text: str) -> str:
    """Write any text as a string of Flux."""
    return _quoted(text).replace("${", "\\${")


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + escaped.replace("\n", "\\n").replace("\r", "\\r").replace("\t", "\\t") + '"'


def _in_words(where: str, bucket: str, err: ApiException) -> StoreError:
    status, said = int(err.status or 0), _said(err)
    if status == 401:
        return StoreRefused(
            f"the store {where} does not know our token, or it may not use bucket {bucket}; "
            f"set {TOKEN} to one made as deploy/influxdb describes"
        )
    if status == 403:
        return StoreRefused(
            f"the token in {TOKEN} may not do this with bucket {bucket} of {where} ({said}); "
            "give it the right to read and write there"
        )
    if status == 404:
        return StoreMissing(
            f"the store {where} has no bucket {bucket} for us ({said}); make it as deploy/influxdb describes"
        )
    if status in _UNFIT:
        return Unfit(f"the store {where}, bucket {bucket}, will not have what we send ({status}: {said})")
    wait = err.headers.get("Retry-After") if err.headers else None
    when = f"in {wait} s" if wait else "later"
    return StoreAway(f"the store {where} has no time for us ({status}: {said}); try again {when}")


def _said(err: ApiException) -> str:
    body = err.body.decode("utf-8", "replace") if isinstance(err.body, bytes) else str(err.body or "")
    try:
        told = json.loads(body)
        body = str(told.get("message") or told.get("code") or body)
    except (ValueError, AttributeError):
        pass
    return " ".join(body.split())[:200] or str(err.reason or "no words with it")
