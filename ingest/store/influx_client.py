"""The InfluxDB 2 server through influxdb-client: synchronous writes, questions in Flux, errors in words.

The client's own batching mode is not used: it loses points without an exception when the server refuses them.
What the sentences tell apart was measured on 2.9.1: an unknown organisation is 400 to a question and 404 to a
write, and a bucket that is not there looks the same as one that the token may not read.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from operator import itemgetter
from typing import TYPE_CHECKING, Any, Final, NoReturn

from baulk.ingest.config import TOKEN, StorePart
from baulk.ingest.errors import ConfigError, StoreAway, StoreError, StoreMissing, StoreRefused

if TYPE_CHECKING:
    from influxdb_client.rest import ApiException


AT_ONCE: Final = 5000  # lines in one request, as InfluxDB's own guide advises
_TIMEOUT_MS: Final = 20_000
_UNFIT: Final = frozenset({400, 413, 422})  # what the server says of the lines, not of us
_RETENTION: Final = re.compile(r"retention policy of duration (?:(\d+)h)?(?:(\d+)m)?(?:(\d+)s)?")
_NO_ORG: Final = re.compile(
    r'organi[sz]ation name "[^"]*" not found|could not find organi[sz]ation', re.IGNORECASE
)


class Unfit(StoreRefused):
    """The server will not have these lines; fewer of them it may.

    Parameters
    ----------
    why : str
        The sentence.
    keeps_s : float, optional
        How long the bucket keeps what it holds, where the server said that some were older. [s]
    """

    def __init__(self, why: str, keeps_s: float | None = None) -> None:
        super().__init__(why)
        self.keeps_s = keeps_s


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
        self.org = store.org or ""
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

    def ask(self, flux: str, bucket: str) -> Iterator[dict[str, str]]:
        """Give the rows of a question as they come, as text by column."""
        return self._answer(flux, bucket, lambda columns: lambda row: dict(zip(columns, row, strict=True)))

    def ask_columns(self, flux: str, bucket: str, names: Sequence[str]) -> Iterator[tuple[str, ...]]:
        """Give these columns of the rows of a question as they come; far more of them than as `ask` does."""
        return self._answer(
            flux, bucket, lambda columns: itemgetter(*(columns.index(each) for each in names))
        )

    def _answer(
        self, flux: str, bucket: str, reader: Callable[[list[str]], Callable[[list[str]], Any]]
    ) -> Iterator[Any]:
        """Read an answer line by line: what is held at once does not grow with it."""
        from influxdb_client.domain.dialect import Dialect  # noqa: PLC0415

        plain = Dialect(  # type: ignore[no-untyped-call]
            header=True, delimiter=",", annotations=[], date_time_format="RFC3339Nano"
        )
        with self._faults(bucket):
            answer = self._client.query_api().query_raw(flux, dialect=plain)
            answer.auto_close = False
            read: Callable[[list[str]], Any] | None = None
            try:
                for row in csv.reader(io.TextIOWrapper(answer, encoding="utf-8", newline="")):
                    if not any(row):  # between tables of another shape
                        read = None
                    elif read is None:
                        if {"error", "reference"} <= set(row):
                            read = _broken(self.where, bucket, row)
                        else:
                            read = reader(row)
                    else:
                        yield read(row)
                answer.release_conn()
            finally:
                answer.close()

    def delete(self, bucket: str, start: str, stop: str, having: Mapping[str, str]) -> None:
        """Delete the points of a span of time (RFC 3339) that have these tags."""
        predicate = " AND ".join(f"{tag}={_quoted(value)}" for tag, value in having.items())
        with self._faults(bucket):
            self._delete.delete(start, stop, predicate, bucket=bucket)

    def get(self, path: str, bucket: str = "", **query: str) -> dict[str, Any]:
        """Give what the server says of itself, such as a bucket's retention."""
        with self._faults(bucket):
            answer = self._client.api_client.call_api(  # type: ignore[no-untyped-call]
                path, "GET", query_params=list(query.items()), header_params={"Accept": "application/json"},
                auth_settings=[], _preload_content=False, _return_http_data_only=True,
            )  # fmt: skip
            found = json.loads(answer.data)
        return found if isinstance(found, dict) else {}

    def keeps_s(self, bucket: str) -> float | None:
        """Ask how many seconds a bucket keeps what it holds: 0 for ever, None if the server is silent."""
        try:
            found = self.get("/api/v2/buckets", bucket, org=self.org, name=bucket).get("buckets") or []
        except (StoreRefused, StoreMissing, ValueError):
            return None  # whoever writes will be told
        for one in found:
            if one.get("name") == bucket:
                rules = one.get("retentionRules") or []
                return float(max((rule.get("everySeconds") or 0 for rule in rules), default=0))
        return None

    @contextmanager
    def _faults(self, bucket: str) -> Iterator[None]:
        """Turn what server and network say into one sentence."""
        from influxdb_client.rest import ApiException  # noqa: PLC0415
        from urllib3.exceptions import HTTPError  # noqa: PLC0415

        try:
            yield
        except ApiException as err:
            raise _in_words(self.where, bucket, err) from err
        except StoreError:  # which is an OSError
            raise
        except (HTTPError, OSError) as err:
            text = " ".join(str(err).split())
            raise StoreAway(f"the store {self.where} is away ({text}); see whether the server runs") from err


def _broken(where: str, bucket: str, columns: list[str]) -> Callable[[list[str]], Any]:
    def read(row: list[str]) -> NoReturn:
        why = row[columns.index("error")]
        raise StoreError(f"the store {where}, bucket {bucket}, broke off an answer: {why}")

    return read


def flux(text: str) -> str:
    """Write any text as a string of Flux."""
    return _quoted(text).replace("${", "\\${")


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + escaped.replace("\n", "\\n").replace("\r", "\\r").replace("\t", "\\t") + '"'


def _in_words(where: str, bucket: str, err: ApiException) -> StoreError:  # noqa: PLR0911 - one a cause
    status, said = int(err.status or 0), _said(err)
    if status == 401:
        return StoreRefused(
            f"the store {where} does not know our token, or it was switched off; "
            f"set {TOKEN} to one made as deploy/influxdb describes"
        )
    if status == 403:
        return StoreRefused(
            f"the token in {TOKEN} may not do this with bucket {bucket} of {where} ({said}); "
            "give it the right to read and write there"
        )
    if status in {400, 404} and _NO_ORG.search(said):
        return StoreMissing(
            f"the store {where} has no such organisation ({said}); correct org under [store] in baulk.toml"
        )
    if status == 404:
        return StoreMissing(
            f"the store {where} has no bucket {bucket} for us ({said}): either it is not there, or the token "
            f"in {TOKEN} may not read it or was switched off; make both as deploy/influxdb describes"
        )
    if status == 501:
        return StoreRefused(
            f"the store {where} can't do what we ask ({said}); it has to be InfluxDB 2.7 or later"
        )
    if status in _UNFIT:
        return Unfit(
            f"the store {where}, bucket {bucket}, will not have what we send ({status}: {said})", _bound(said)
        )
    wait = err.headers.get("Retry-After") if err.headers else None
    when = f"in {wait} s" if wait else "later"
    return StoreAway(f"the store {where} has no time for us ({status}: {said}); try again {when}")


def _bound(said: str) -> float | None:
    """Read the seconds that a bucket keeps what it holds out of a refusal."""
    found = _RETENTION.search(said)
    if found is None:
        return None
    hours, minutes, seconds = (int(each or 0) for each in found.groups())
    return 3600.0 * hours + 60 * minutes + seconds


def _said(err: ApiException) -> str:
    body = err.body.decode("utf-8", "replace") if isinstance(err.body, bytes) else str(err.body or "")
    try:
        told = json.loads(body)
        body = str(told.get("message") or told.get("code") or body)
    except (ValueError, AttributeError):
        pass
    return " ".join(body.split())[:300] or str(err.reason or "no words with it")
