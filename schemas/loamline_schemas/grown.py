"""Models that grow, without a new name for what was said before.

Rows are cited by a digest over their content (`loamline_schemas.digest`). A field that a later version adds would give
every older row another digest although nothing about it changed; so such a field is no part of the content
where it is empty.
"""

from __future__ import annotations

from typing import Any, ClassVar

from pydantic import BaseModel, SerializerFunctionWrapHandler, model_serializer


class Grown(BaseModel):
    """A model that leaves the fields named in `LATER` out of its content where they are empty."""

    #: Fields that came after rows of this model had been stored.
    LATER: ClassVar[frozenset[str]] = frozenset()

    @model_serializer(mode="wrap")
    def _without_empty_later_ones(self, serialize: SerializerFunctionWrapHandler) -> dict[str, Any]:
        content: dict[str, Any] = serialize(self)
        return {name: value for name, value in content.items() if value is not None or name not in self.LATER}
