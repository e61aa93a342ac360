"""`studio.toml`: the hot folders, how the daemon works, and which plugins stay out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

from pydantic import Field, model_validator

from drydown.studio.base import FileModel, Filled, PathText
from drydown.studio.stock import VerifyLimits

_NAME = re.compile(r"[^/.][^/]*")
#: Memory that one job is planned with: a 45-megapixel picture read out of order takes 361 MB.
JOB_PLANNED_MB = 512

#: What becomes of the same print again.
Repeated = Literal["hold", "print", "refuse"]


class HotFolderTable(FileModel):
    """One `[[hot_folder]]` table, as written."""

    path: PathText = Field(description="The watched folder, below the studio or absolute.")
    name: str = Field(
        default="",
        description="What the folder is called in lists and below prints/; default: the last part of its path.",
    )
    recipe: Filled = Field(description="Name of a file in recipes/, without .toml.")
    sheet_maker: Filled = Field(description="What ends the chain: final, or another one that is installed.")
    sheet: Filled | None = Field(
        default=None, description="Another sheet of the same stock; default: the recipe's."
    )
    approve: bool = Field(
        default=False, description="Hold each job after its preview until a person approves it."
    )
    repeated: Repeated | None = Field(
        default=None,
        description="The same picture for the same print again, whatever its name: hold = ask whether it is wanted; print = print it; "
        "refuse = end the job and keep the picture. Default: hold, but print sheets of patches, which are dropped again and again.",
    )
    copies: int = Field(
        default=1, ge=1, le=999, description="Copies to print of each sheet, for slug and ticket."
    )
    edition: str = Field(
        default="", max_length=40, description='Edition number for slug and record, such as "3/25".'
    )
    untagged: Literal["srgb", "hold"] | None = Field(
        default=None, description="What a picture without a profile is taken for; default: the recipe's word."
    )

    @model_validator(mode="after")
    def _a_name_for_prints(self) -> HotFolderTable:
        if not _NAME.fullmatch(self.called) or not self.called.isprintable():
            raise ValueError(
                f"'{self.called}' cannot be the name of a folder in prints/; give it a name of its own: name = \"…\""
            )
        return self

    @property
    def called(self) -> str:
        """The folder's name in lists and below `prints/`."""
        return self.name or PurePosixPath(self.path).name


class MeasuredFolderTable(FileModel):
    """One `[[measured_folder]]` table: readings dropped here verify the profile of a stock."""

    path: PathText = Field(description="The watched folder, below the studio or absolute; of its own.")
    stock: Filled = Field(description="Name of a file in stocks/, without .toml.")
    chart: PathText | None = Field(
        default=None,
        description="The chart's reference, where the instrument exports no device values, below the studio or absolute.",
    )


class DaemonTable(FileModel):
    """`[daemon]`: how many jobs at once, how long, how large."""

    jobs_at_once: int = Field(
        default=0, ge=0, le=64, description="Jobs rendered at the same time; 0 = from cores and memory."
    )
    deadline_s: float = Field(
        default=600, ge=5, le=86_400, description="Seconds after which an attempt is stopped."
    )
    memory_mb: int = Field(
        default=4096, ge=256, le=1_048_576, description="Megabytes at which an attempt is stopped."
    )
    quiet_s: float = Field(
        default=2,
        ge=0.3,
        le=600,
        description="Seconds without change before a file on a local disk is taken.",
    )
    network_quiet_s: float = Field(
        default=10, ge=1, le=3600, description="The same on a network share, whose times are coarse."
    )
    rescan_s: float = Field(
        default=10, ge=1, le=3600, description="Seconds between two looks at every hot folder."
    )
    keep_free_mb: int = Field(
        default=64,
        ge=0,
        le=1_048_576,
        description="Megabytes that must stay free on a disk, beside what a picture may need, before it is begun.",
    )
    max_pixels: int = Field(
        default=400_000_000,
        ge=1_000_000,
        le=4_000_000_000,
        description="Pixels above which a picture is refused.",
    )
    repeat_window_hours: float = Field(
        default=24,
        ge=0,
        le=8760,
        description="Hours within which the same picture for the same print counts as repeated; 0 = never.",
    )
    sandbox: Literal["available", "required", "off"] = Field(
        default="available",
        description="What encloses decoders and plugins: available = what the kernel has; required = all of it, or no start; off = nothing. Read at the start.",
    )
    executor: Literal["local"] = Field(
        default="local", description="Where jobs are rendered: on this machine."
    )

    def at_once(self, *, cores: int, memory_mb: int) -> int:
        """Jobs at the same time: as written, or three for two cores, as far as three quarters of the memory last.

        A job reads, builds and waits for the disk for a third of its time: one a core left a fifth of the throughput lying (`make bench`, queue).

        >>> DaemonTable().at_once(cores=8, memory_mb=4096)
        6
        """
        if self.jobs_at_once:
            return self.jobs_at_once
        return max(1, min(cores + (cores + 1) // 2, memory_mb * 3 // 4 // JOB_PLANNED_MB))


class PluginsTable(FileModel):
    """`[plugins]`: what must not be loaded although it is installed."""

    off: tuple[Filled, ...] = Field(default=(), description="Distributions or plugin files that stay out.")


class RetentionTable(FileModel):
    """`[retention]`: what the program may delete by itself; without it, nothing."""

    originals_days: int | None = Field(
        default=None,
        ge=1,
        le=36_500,
        description="Days after which the original of a completed job is deleted from originals/done; default: never.",
    )


class PagesTable(FileModel):
    """`[pages]`: the page that shows a job, and the screen that it is looked at on."""

    make: bool = Field(
        default=True, description="Whether each job, and each run over several pictures, gets its page."
    )
    screen: PathText | None = Field(
        default=None,
        description="ICC profile of the display that pages are looked at on; default: sRGB.",
    )


class StudioTable(FileModel):
    """The whole of `studio.toml`."""

    hot_folder: tuple[HotFolderTable, ...] = ()
    measured_folder: tuple[MeasuredFolderTable, ...] = Field(
        default=(), description="Folders that a chart's readings are dropped into."
    )
    daemon: DaemonTable = DaemonTable()
    plugins: PluginsTable = PluginsTable()
    pages: PagesTable = Field(
        default=PagesTable(), description="The page that shows a job, and the screen that it is looked at on."
    )
    retention: RetentionTable = Field(
        default=RetentionTable(), description="What the program may delete by itself."
    )
    verify: VerifyLimits = Field(
        default=VerifyLimits(), description="When a verification of a profile passes."
    )


@dataclass(frozen=True, slots=True)
class HotFolder:
    """A hot folder with its paths worked out."""

    name: str
    path: Path  #: absolute, not resolved: what a person would recognise
    prints: Path  #: absolute: where its sheets are published
    recipe: str
    sheet_maker: str
    sheet: str | None = None
    approve: bool = False
    repeated: Repeated | None = None
    copies: int = 1
    edition: str = ""
    untagged: Literal["srgb", "hold"] | None = None

    @classmethod
    def of(cls, table: HotFolderTable, root: Path) -> HotFolder:
        """The table's folder below `root` (an absolute path stays as it is)."""
        kept = table.model_dump(exclude={"path", "name"})
        return cls(name=table.called, path=root / table.path, prints=root / "prints" / table.called, **kept)
