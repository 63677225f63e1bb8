"""The shape of a gateway mapping: which topic carries which signal as one plain number, and in what measure.

In: a [[mappings]] table of the fleet file or the settings. Out: one frozen, checked object. The decoder applies it.
May import: pydantic. Touches nothing.
"""

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator


class MappingRule(BaseModel):
    """One gateway mapping: topics that carry one plain number each."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    topic: str
    signal: str | None = None  # not needed where {signal} stands in the topic
    unit: str | None = None  # not needed where {unit} stands in the topic
    from_: str | None = Field(None, alias="from")  # symbol of what comes; None: the signal's own
    factor: FiniteFloat = 1.0
    offset: FiniteFloat = 0.0

    @model_validator(mode="after")
    def _complete(self) -> "MappingRule":
        if not self.topic:
            raise ValueError('topic is empty. Write it like "plant/{unit}/batt".')
        for name, given in (("unit", self.unit), ("signal", self.signal)):
            inside = self.topic.count(f"{{{name}}}")
            if inside > 1:
                raise ValueError(f'topic "{self.topic}" holds {{{name}}} {inside} times. Keep one.')
            if inside and given is not None:
                raise ValueError(f'both {{{name}}} in topic "{self.topic}" and {name} = "{given}" are given. Keep one.')
            if not inside and given is None:
                raise ValueError(f'topic "{self.topic}" says no {name}. Put {{{name}}} into it, or add {name} = "…".')
        if self.factor == 0:
            raise ValueError("factor is 0, which makes every reading the same. Leave it out or correct it.")
        return self
