"""What the parts of a stored evaluation share: reasons as data beside their sentences, and moments."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Annotated, Any, Final

from pydantic import (
    BaseModel,
    ConfigDict,
    GetCoreSchemaHandler,
    GetJsonSchemaHandler,
    PlainSerializer,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import CoreSchema, core_schema

from baulk.models import text
from baulk.models.reason import Reason
from baulk.models.units import System

STORED_TEXT: Final = "stored.text"  # code of a reason that is a sentence and nothing else
_CODED: Final = "_coded"


def stored_text(sentence: str) -> Reason:
    """Return a sentence as a reason that has no other code."""
    return Reason(code=STORED_TEXT, values={"text": sentence})


def _reason(given: object) -> Reason:
    if isinstance(given, Reason):
        return given
    if not isinstance(given, Mapping) or not isinstance(given.get("values", {}), Mapping):
        raise ValueError("a reason is a code with its values")  # noqa: TRY004 - pydantic takes a ValueError
    try:
        return Reason.from_json(given)
    except KeyError as err:
        raise ValueError("a reason needs a code") from err


class _ReasonSchema:
    """How pydantic reads and writes a reason, which is a type of the models and knows nothing of it."""

    @classmethod
    def __get_pydantic_core_schema__(cls, source: object, handler: GetCoreSchemaHandler) -> CoreSchema:
        written = core_schema.plain_serializer_function_ser_schema(Reason.to_json)
        return core_schema.no_info_plain_validator_function(_reason, serialization=written)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return {
            "type": "object",
            "title": "Reason",
            "description": "A reason as data: a code and its values, in SI, with the unit in their names.",
            "properties": {"code": {"type": "string"}, "values": {"type": "object"}},
            "required": ["code", "values"],
        }


CodedReason = Annotated[Reason, _ReasonSchema]
Moment = Annotated[
    datetime,
    PlainSerializer(datetime.isoformat, when_used="json"),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]


class Part(BaseModel):
    """A part of the document; keys that this version does not know are passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False, protected_namespaces=())


class Telling(Part):
    """A part with sentences in the shop's units, and beside each sentence the same as a reason."""

    @model_validator(mode="before")
    @classmethod
    def _from_schema_1(cls, given: Any) -> Any:  # noqa: ANN401 - what pydantic hands over
        if not isinstance(given, Mapping):
            return given
        coded = (name for name in cls.model_fields if name.endswith(_CODED) and name not in given)
        return {**given, **{name: _as_texts(given.get(name.removesuffix(_CODED))) for name in coded}}


def _as_texts(sentences: object) -> object:
    if isinstance(sentences, str):
        return stored_text(sentences)
    if isinstance(sentences, Iterable):
        return tuple(stored_text(str(each)) for each in sentences)
    return None


def sentences(
    coded: Sequence[Reason], stored: Sequence[str], system: System, *, zone: tzinfo | None = None
) -> tuple[str, ...]:
    """Return reasons in the reader's units.

    Parameters
    ----------
    coded, stored : sequence of Reason and sequence of str
        The reasons, and the same as they were stored in the shop's units.
    system : {"inch", "metric"}
        The reader's units.
    zone : tzinfo, optional
        By whose clock moments are told; this machine's if left out.

    Returns
    -------
    tuple of str
        As stored where another version of the program wrote a reason that this one has no sentence for.
    """
    try:
        return text.sentences(coded, system, zone=zone)
    except (KeyError, TypeError, ValueError):
        return tuple(stored)


def sentence(coded: Reason, stored: str, system: System, *, zone: tzinfo | None = None) -> str:
    """Return one reason in the reader's units; otherwise as `sentences`."""
    return " ".join(sentences((coded,), (stored,), system, zone=zone))
