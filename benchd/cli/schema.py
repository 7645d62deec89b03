"""`benchd schema`: print the JSON Schema of anything that benchd publishes."""

from __future__ import annotations

import typer
from pydantic import BaseModel, RootModel

from benchd.archive.behind import Behind
from benchd.archive.filling import Filled
from benchd.cli.output import emit_json, tell
from benchd.decode.cardcheck import CardReport
from benchd.errors import UsageError
from benchd.links.ports import PortFacts
from benchd.rom import forms as rom
from benchd.sinks.alerts.message import AlertMessage
from benchd.sinks.mqtt.channels import asyncapi
from benchd.sinks.mqtt.payloads import PUBLISHED
from benchd.sinks.page_feed import MachinePicture
from benchd.studies.modelview import ModelView
from benchd.studies.responses import FORMS as STUDY_FORMS
from benchd.vocabulary.measured import Measured


class Card(RootModel[CardReport]):
    """A card as `benchd card check --json` heard it: who it is, its clock, what was lost or refused."""


class Port(RootModel[PortFacts]):
    """A serial port in `benchd ports --json`: what it is, who has it open, what stands in the way."""


def published() -> dict[str, type[BaseModel]]:
    """Return every published form by name."""
    return {
        **PUBLISHED,
        "alert": AlertMessage,
        "machine-now": MachinePicture,
        "card": Card,
        "port": Port,
        "measured": Measured,
        "archive-status": Behind,
        "archive-filled": Filled,
        "model": ModelView,
        **rom.published(),
        **STUDY_FORMS,
    }


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(schema)


def schema(
    name: str = typer.Argument("", help="What to describe; leave out for a list.", show_default=False),
    as_json: bool = typer.Option(False, "--json", help="The list as JSON (a schema always is)."),
    topics: bool = typer.Option(False, "--asyncapi", help="All MQTT topics instead: an AsyncAPI 3.0 document."),
) -> None:
    """Print the JSON Schema of a published form.

    Such as boots, trials, MQTT payloads, alerts.

    Exit codes: 0 fine, 2 no such form.
    """
    if topics:
        if name:
            raise UsageError("--asyncapi is the document of all topics: leave the form's name out")
        emit_json(asyncapi())
        return
    known = published()
    if not name:
        forms = {form: (model.__doc__ or "").strip().split("\n")[0] for form, model in known.items()}
        if as_json:
            emit_json(forms)
        else:
            tell(f"{form:15} {text}".rstrip() for form, text in forms.items())
        return
    if name not in known:
        raise UsageError(f"no published form {name!r}: one of {', '.join(known)}")
    model = known[name]
    emit_json(
        {"$schema": "https://json-schema.org/draft/2020-12/schema"}
        | model.model_json_schema(mode="serialization", by_alias=True)
    )
