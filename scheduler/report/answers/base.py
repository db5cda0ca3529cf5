"""What every answer is."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Answer(BaseModel):
    # The schema of an answer is built when it is first used: a command needs a few of them.
    model_config = ConfigDict(frozen=True, defer_build=True)

    def as_json(self) -> str:
        return self.model_dump_json(indent=2)
