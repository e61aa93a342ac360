"""What a job is, as data: the snapshot it was made from, and what one attempt answered.

Both are JSON with a version number. The spec alone is enough to make the sheet again; the result is all that the daemon believes of a child.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from drydown.api import EdgesMm, Intent, SizeMm

SPEC_VERSION = 1
RESULT_VERSION = 1


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class PluginRef(_Record):
    """Where an offer came from: the child loads exactly this, and nothing else."""

    module: str  #: import name, or for a file of the studio its file name
    file: str = ""  #: absolute path of a studio plugin's file; empty for an installed distribution
    offered_by: str  #: `drydown 0.1.0`, or `plugins/border.py`
    blake3: str  #: of the module's source, so that a changed plugin is noticed


class StepSpec(_Record):
    """One step of the chain: settings complete, defaults included."""

    name: str
    use: str
    settings: dict[str, Any]
    origin: dict[str, str] = Field(
        default_factory=dict
    )  #: setting -> recipe, settled, picture; what is missing is a default
    plugin: PluginRef


class StockSpec(_Record):
    """`drydown.api.Stock` as data; `profile` is a snapshot named by its hash, so that it cannot change under a job."""

    name: str
    profile: Path
    profile_blake3: str
    ppi: float
    intent: Intent
    black_point_compensation: bool
    unprintable_mm: EdgesMm | None = None
    sharpen_strength: float = 0.4
    ticket: dict[str, str] = Field(default_factory=dict)
    dry_minutes: int | None = None
    cure_hours: float | None = None
    lot: str = ""
    refeed: bool = False
    strip_quality: str = ""


class Companion(_Record):
    """Another picture of a group proof."""

    source: Path
    source_name: str
    settings: dict[str, Any] = Field(default_factory=dict)  #: its own settings, `step.setting` -> value
    job: str = ""  #: the job whose picture it is
    blake3: str = ""  #: of the picture, so that a reprint finds the same one


class SheetSpec(_Record):
    name: str
    size: SizeMm
    pwg: str


class JobSpec(_Record):
    """Everything that decides what a job's sheet looks like, and nothing that does not."""

    spec: int = SPEC_VERSION
    job: str
    hot_folder: str  #: name of the hot folder, or `run`
    prints: Path  #: folder that the sheet is published in
    source: Path  #: the claimed original
    source_name: str  #: its name as dropped, escaped for showing
    stem: str  #: what output names begin with
    recipe: str
    steps: tuple[StepSpec, ...]
    maker: StepSpec
    stock: StockSpec
    sheet: SheetSpec
    final_sheet: SheetSpec
    margins_mm: EdgesMm
    leaf: Literal["single", "recto", "verso"] = "single"  #: already applied to the margins; for the ticket
    viewing_mm: float
    untagged: Literal["srgb", "hold"] = "srgb"
    max_pixels: int = 400_000_000
    anyway: bool = False
    approve: bool = False
    #: the same print again; None: hold it, but print a proof
    repeated: Literal["hold", "print", "refuse"] | None = None
    repeat_hours: float = 0.0  #: how far back it is looked for; 0: not at all
    copies: int = 1
    edition: str = ""
    companions: tuple[Companion, ...] = ()  #: the other pictures of a group proof
    light: str = ""  #: the light that the recipe is judged under
    asked: dict[str, Any] = Field(
        default_factory=dict
    )  #: what a command asked for over the recipe and the picture's own file: step or sheet maker -> its settings
    page: bool = False  #: whether a page that shows it is made
    screen: Path | None = None  #: kept profile of the display that the page is looked at on; None: sRGB
    shown_as: str = ""  #: the job that the sheet names as its own: of a reprint the old one; empty: `job`
    notes: tuple[str, ...] = ()  #: what planning has to say, such as settled values that were left out
    made: str  #: ISO 8601, local, with offset
    deadline_s: float = 600.0
    memory_mb: int = 4096
    versions: dict[str, str] = Field(default_factory=dict)  #: program and libraries


class Output(_Record):
    """A file that an attempt has made, below its folder, synced."""

    kind: Literal["sheet", "preview", "ticket", "ticket_json", "page"]
    path: str
    bytes: int
    blake3: str


class AttemptResult(_Record):
    """What one attempt answered.

    `outcome`: done; refused (aborted with `reason`); held (a person must decide); machine (nobody's fault, again later);
    crashed (a defect in `culprit`); killed (deadline or memory).
    """

    result: int = RESULT_VERSION
    job: str
    attempt: int
    outcome: Literal["done", "refused", "held", "machine", "crashed", "killed"]
    reason: str = ""
    culprit: str = ""
    outputs: tuple[Output, ...] = ()
    notes: tuple[dict[str, Any], ...] = ()
    record: dict[str, Any] = Field(
        default_factory=dict
    )  #: geometry, profile found, how it was read, sheet maker's record
    seconds: dict[str, float] = Field(default_factory=dict)  #: where the time went, by phase
    source_blake3: str = ""
    peak_mb: float = 0.0
