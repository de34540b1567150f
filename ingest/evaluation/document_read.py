"""A stored document of an evaluation read: the whole, its summary, or that it failed."""

from __future__ import annotations

from contextlib import suppress
from functools import lru_cache
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from baulk.ingest.errors import DocumentError
from baulk.ingest.evaluation.document import SCHEMA_VERSION, Document, Failed, Summary


class _Begin(BaseModel):
    """What decides how a document is read."""

    schema_version: int = 1
    failed: str | None = None


_Kind = TypeVar("_Kind", Summary, Document)


@lru_cache(maxsize=64)
def parse(payload: bytes) -> Document:
    """Read a stored evaluation.

    Parameters
    ----------
    payload : bytes
        JSON as the store keeps it, of this schema or an earlier one.

    Returns
    -------
    Document
        The evaluation.

    Raises
    ------
    DocumentError
        If it says why there is none, is of a newer schema, or is no such document.
    """
    return _read(payload, Document)


@lru_cache(maxsize=1024)
def summary(payload: bytes) -> Summary:
    """Read what a list of timbers shows of a stored evaluation; otherwise as `parse`."""
    return _read(payload, Summary)


def summary_once(payload: bytes) -> Summary:
    """Read what a list shows, as `summary`, for a caller who keeps it: no room is taken for the payload."""
    return _read(payload, Summary)


def document_of(payload: bytes | None) -> Document | None:
    """Return a stored evaluation, or nothing where there is none that can be read."""
    try:
        return None if payload is None else parse(payload)
    except DocumentError:
        return None


def summary_of(payload: bytes | None) -> Summary | None:
    """Return what a list shows of a stored evaluation, or nothing where none can be read."""
    try:
        return None if payload is None else summary(payload)
    except DocumentError:
        return None


def failure_of(payload: bytes) -> Failed | None:
    """Return the document of a timber that could not be evaluated, or nothing where it was."""
    try:
        return Failed.model_validate_json(payload)
    except ValidationError:
        return None


def _read(payload: bytes, kind: type[_Kind]) -> _Kind:
    """Read a document; what it says of itself is looked at first only where it can't be read, for time."""
    try:
        found = kind.model_validate_json(payload)
    except ValidationError as err:
        raise _in_words(payload, err) from err
    if found.schema_version > SCHEMA_VERSION:
        raise _newer(found.schema_version)
    return found


def _in_words(payload: bytes, err: ValidationError) -> DocumentError:
    with suppress(ValidationError):
        begin = _Begin.model_validate_json(payload)
        if begin.schema_version > SCHEMA_VERSION:
            return _newer(begin.schema_version)
        if begin.failed:
            return DocumentError(f"this timber can't be worked out: {begin.failed}")
    first = err.errors()[0]
    where = ".".join(str(part) for part in first["loc"]) or "the whole"
    return DocumentError(
        f"a stored evaluation can't be read at {where} ({first['msg']}); `baulk forecast` computes it again"
    )


def _newer(schema: int) -> DocumentError:
    return DocumentError(
        "this evaluation was stored by a newer version of the program "
        f"(schema {schema}; this one reads up to {SCHEMA_VERSION}): update this installation, "
        "or compute it again with this one by `baulk forecast --again`"
    )
