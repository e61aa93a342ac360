"""A JSON Schema (draft 2020-12) of recipes, with every step and sheet maker that is installed: editors complete and check by it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drydown.api import Offer, SheetOffer, StepOffer
from drydown.studio.recipe import RecipeHead


def recipe_schema(offers: Mapping[str, Offer]) -> dict[str, Any]:
    """The schema of `recipes/*.toml`: the head, `[[step]]` as one of the steps on offer, and a table for each sheet maker."""
    head, shared = _of(RecipeHead.model_json_schema(ref_template="#/$defs/{model}"), {})
    steps = []
    for offer in offers.values():
        own, shared = _of(
            offer.settings.model_json_schema(ref_template=f"#/$defs/{offer.name}.{{model}}"),
            shared,
            offer.name,
        )
        if isinstance(offer, SheetOffer):
            head["properties"][offer.name] = {**own, "description": offer.about}
        else:
            steps.append(_table(offer, own))
    head["properties"]["step"] = {
        "type": "array",
        "minItems": 1,
        "description": "The chain, in order.",
        "items": {"oneOf": steps},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A recipe",
        **head,
        "required": [*head.get("required", ()), "step"],
        "$defs": shared,
    }


def _of(
    schema: dict[str, Any], shared: Mapping[str, Any], prefix: str = ""
) -> tuple[dict[str, Any], dict[str, Any]]:
    """A model's schema without its definitions, and these added to the shared ones."""
    own = dict(schema)
    more = {f"{prefix}.{name}" if prefix else name: value for name, value in own.pop("$defs", {}).items()}
    own.setdefault("properties", {})
    return own, {**shared, **more}


def _table(offer: StepOffer[Any], own: dict[str, Any]) -> dict[str, Any]:
    """A `[[step]]` table that uses this offer."""
    name = {"type": "string", "description": "What this step is called here; needed where one is used twice."}
    return {
        **own,
        "title": offer.name,
        "description": offer.about,
        "properties": {"use": {"const": offer.name}, "name": name, **own["properties"]},
        "required": ["use", *own.get("required", ())],
    }
