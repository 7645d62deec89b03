"""What requests bring, as a base of their forms."""

from __future__ import annotations

from pydantic import ConfigDict

from benchd.vocabulary.models import Model


class Body(Model):
    """What a request brings. Built at once: the library that takes it apart knows no other way."""

    model_config = ConfigDict(defer_build=False)
