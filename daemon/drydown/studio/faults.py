"""What pydantic found, in the words of the trade: one `Fault` for each place, with the value found and what was probably meant."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from drydown.errors import Fault
from drydown.studio.guess import did_you_mean, listed, nearest

M = TypeVar("M", bound=BaseModel)
Path = tuple[str | int, ...]

MISSING = "is missing"
_MUST = {
    "bool_type": "be true or false",
    "date_from_datetime_inexact": "be a day such as 2024-05-01",
    "date_from_datetime_parsing": "be a day such as 2024-05-01",
    "date_parsing": "be a day such as 2024-05-01",
    "date_type": "be a day such as 2024-05-01",
    "dict_type": "be a table",
    "finite_number": "be a finite number",
    "float_parsing": "be a number",
    "float_type": "be a number",
    "greater_than": "be more than {gt}",
    "greater_than_equal": "be at least {ge}",
    "int_from_float": "be a whole number",
    "int_parsing": "be a whole number",
    "int_type": "be a whole number",
    "less_than": "be less than {lt}",
    "less_than_equal": "be at most {le}",
    "list_type": "be a list in brackets",
    "mapping_type": "be a table",
    "model_type": "be a table",
    "multiple_of": "be a multiple of {multiple_of}",
    "string_pattern_mismatch": "look like {pattern}",
    "string_too_long": "have at most {max_length} characters",
    "string_too_short": "have at least {min_length} characters",
    "string_type": "be text in quotes",
    "too_long": "have at most {max_length} entries",
    "too_short": "have at least {min_length} entries",
    "tuple_type": "be a list in brackets",
}


def validate(
    model: type[M],
    data: Mapping[str, Any],
    *,
    file: str,
    place: str = "",
    above: type[BaseModel] | None = None,
) -> tuple[M | None, list[Fault]]:
    """The model, or None and every fault of `data`.

    `place` is where `data` stands in the file (empty: the whole of it). `above` is the table that a key may have slipped out of: in
    TOML every key after `[ticket]` or `[[step]]` belongs to that table. Types are those of TOML: "3" is no number, 1 is not true.
    """
    try:
        return model.model_validate_json(json.dumps(data, default=str), strict=True), []
    except ValidationError as error:
        return None, _translate(error.errors(include_url=False), model, data, file, place, above)
    except Exception as error:
        # A step's own check of its settings may be broken; that must not take `check` down with it.
        return None, [Fault(file, place, f"its settings cannot be checked: {type(error).__name__}: {error}")]


def _translate(
    errors: Sequence[ErrorDetails],
    model: type[BaseModel],
    data: Mapping[str, Any],
    file: str,
    place: str,
    above: type[BaseModel] | None,
) -> list[Fault]:
    by_path: dict[Path, list[ErrorDetails]] = {}
    for error in errors:
        by_path.setdefault(_path(error, data), []).append(error)
    said = {path: _reason(found, path, model, above or model) for path, found in by_path.items()}
    misspelt = {
        (*path[:-1], guess[len("did you mean ") : -1])
        for path, (_, guess) in said.items()
        if path and guess[-1:] == "?"
    }
    faults = []
    for path, (reason, guess) in said.items():
        if reason == MISSING and path in misspelt:
            continue  # one slip of the pen is one fault
        where = ": ".join(part for part in (place, written_place(path, data)) if part)
        faults.append(Fault(file, where, reason, guess))
    return faults


def _path(error: ErrorDetails, data: Any) -> Path:
    """Where in the data the error lies: pydantic adds the name of the alternative tried, which the person did not write."""
    path: list[str | int] = []
    for part in error["loc"]:
        inside = (isinstance(data, Mapping) and part in data) or (
            isinstance(data, list | tuple) and isinstance(part, int) and part < len(data)
        )
        if inside:
            path.append(part)
            data = data[part]
        else:
            if error["type"] == "missing":
                path.append(part)
            break
    return tuple(path)


def written_place(path: Path, data: Any) -> str:
    """`ticket.quality`, or `hot_folder 2 (hot/final): recipe`: a place as the file shows it."""
    place, after_item = "", False
    for part in path:
        inner = _inside(data, part)
        if isinstance(part, int):
            label = _label(inner)
            place += f" {part + 1}" + (f" ({label})" if label else "")
        else:
            place += (": " if after_item else "." if place else "") + part
        after_item = isinstance(part, int)
        data = inner
    return place


def _inside(data: Any, part: str | int) -> Any:
    try:
        return data[part]
    except (KeyError, IndexError, TypeError):
        return None


def _label(item: Any) -> str:
    if not isinstance(item, Mapping):
        return ""
    label = next((item[key] for key in ("name", "use", "path") if isinstance(item.get(key), str)), "")
    return label if label.isprintable() else repr(label)[1:-1]


def _reason(
    found: Sequence[ErrorDetails], path: Path, model: type[BaseModel], above: type[BaseModel]
) -> tuple[str, str]:
    first = found[0]
    key = str(path[-1]) if path else ""
    if first["type"] == "missing":
        return MISSING, ""
    if first["type"] == "extra_forbidden":
        here = _model_at(model, path[:-1])
        if key in above.model_fields and here is not above:
            return "no such key here", f"{key} belongs higher up: move it above the first line in brackets"
        names = list(here.model_fields) if here else []
        return "no such key", did_you_mean(key, names, f"known here: {listed(names)}")
    own = [error for error in found if error["type"] in ("value_error", "assertion_error")]
    if own:
        return str(own[0].get("ctx", {}).get("error", own[0]["msg"])), ""
    literals = [error for error in found if error["type"] in ("literal_error", "enum")]
    musts = list(dict.fromkeys(_must(error) for error in found))
    guess = ""
    if literals and isinstance(first["input"], str):
        guess = _guess_choice(first["input"], literals[0])
    if first["type"] == "tuple_type" and isinstance(first["input"], Mapping):
        return "is one table", f"write [[{key}]], with two brackets"
    return f"must {' or '.join(musts)}; found {shown(first['input'])}", guess


def _must(error: ErrorDetails) -> str:
    ctx = {name: _number(value) for name, value in error.get("ctx", {}).items()}
    kind = error["type"]
    if kind in ("literal_error", "enum"):
        return f"be {ctx['expected'].replace(chr(39), chr(34))}"
    if kind in _MUST:
        return (
            _MUST[kind]
            .format(**ctx)
            .replace(" 1 entries", " one entry")
            .replace(" 1 characters", " one character")
        )
    text = error["msg"]
    text = text.removeprefix("Input should ")
    return text if text != error["msg"] else f"be right ({text[:1].lower()}{text[1:]})"


def _guess_choice(word: str, error: ErrorDetails) -> str:
    choices = str(error.get("ctx", {}).get("expected", "")).replace(" or ", ", ").split(", ")
    close = nearest(word, [choice.strip("'") for choice in choices])
    return f'did you mean "{close}"?' if close else ""


def _number(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def shown(value: object) -> str:
    """A value as the file would show it, short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        value = value if value.isprintable() else repr(value)[1:-1]
        return f'"{value}"' if len(value) <= 60 else f'"{value[:57]}…"'
    if isinstance(value, int | float):
        return _number(value)
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "an empty list" if not value else "a list"
    return str(value)


def _model_at(model: type[BaseModel], path: Path) -> type[BaseModel] | None:
    """The model that describes the table at `path`."""
    here: type[BaseModel] | None = model
    for part in path:
        if isinstance(part, int):
            continue
        field = here.model_fields.get(part) if here else None
        here = _model_in(field.annotation) if field else None
    return here


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _model_in(inner))), None)
