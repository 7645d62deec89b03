"""An AsyncAPI 3 document read as a stranger would: which channel a topic is, and whether a payload fits it."""

from __future__ import annotations

import re
from typing import Any

from jsonschema import Draft7Validator


class Topics:
    """The channels of a document, by the topics that a broker sees."""

    def __init__(self, document: dict[str, Any]) -> None:
        self.document = document

    def channel(self, topic: str) -> str:
        """Return the one channel whose address the topic has; {prefix} may have several levels, others one."""
        fits = [name for name, one in self.document["channels"].items() if _pattern(one["address"]).fullmatch(topic)]
        assert len(fits) == 1, f"{topic} is in the channels {fits}"
        return fits[0]

    def check(self, topic: str, payload: object) -> str:
        """Return the topic's channel; fails where the payload is none of its messages."""
        name = self.channel(topic)
        messages = [self._at(one["$ref"]) for one in self.document["channels"][name]["messages"].values()]
        schemas = [message["payload"] for message in messages]
        Draft7Validator({"anyOf": schemas, "components": self.document["components"]}).validate(payload)
        return name

    def retained(self) -> set[str]:
        """Return the channels whose messages the broker keeps."""
        operations = self.document["operations"].values()
        return {op["channel"]["$ref"].rsplit("/", 1)[1] for op in operations if op["bindings"]["mqtt"]["retain"]}

    def _at(self, reference: str) -> dict[str, Any]:
        found: Any = self.document
        for part in reference.removeprefix("#/").split("/"):
            found = found[part]
        return found  # type: ignore[no-any-return]


def _pattern(address: str) -> re.Pattern[str]:
    parts = re.split(r"\{(\w+)\}", address)
    for number in range(1, len(parts), 2):
        parts[number] = ".+" if parts[number] == "prefix" else "[^/]+"
    return re.compile("".join(parts))
