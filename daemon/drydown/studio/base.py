"""What every model of a studio's file is made of: no unknown key, nothing that changes, numbers that are numbers."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict


class FileModel(BaseModel):
    """One table of a file. A misspelt key is an error, never a default."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _filled(text: str) -> str:
    if not text.strip():
        raise ValueError("must not be empty")
    return text


def _path(text: str) -> str:
    if "\\" in text:
        raise ValueError(f'write it with forward slashes; found "{text}"')
    if str(PurePosixPath(text)) == "." or not text.isprintable():
        raise ValueError(f"must name a file or folder; found {text!r}")
    if text.startswith("~"):
        raise ValueError(f'write the whole path, without ~; found "{text}"')
    return text


#: Text that says something.
Filled = Annotated[str, AfterValidator(_filled)]
#: A path below the studio, or an absolute one.
PathText = Annotated[str, AfterValidator(_path)]
