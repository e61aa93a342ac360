"""The picture on its way through a recipe, and what steps have to say of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from drydown.api.values import MM_PER_INCH, SizeMm

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pyvips


@dataclass(frozen=True, slots=True)
class Note:
    """Something that a step has to say for the record. `step` is filled in by the runner."""

    text: str
    level: Literal["note", "warning"] = "note"
    step: str = ""
    figures: Mapping[str, float | int | str] = field(
        default_factory=dict
    )  #: the numbers behind the text, for the record


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)  # eq=False: == on a pyvips image makes an image
class Frame:
    """The picture on its way. Never changed: `with_` makes the next one.

    `pixels`: lazy, 16 bits a channel (`ushort`), 1, 3 or 4 colour channels (grey, RGB, CMYK) and, until `flatten`, perhaps one of alpha, not premultiplied.
    `icc`: the profile that the pixels are in, and the only truth about colour; None means untagged, never a guess.
    `ppi`: pixels an inch at the final size.
    """

    pixels: pyvips.Image
    icc: bytes | None
    ppi: float
    source: Path
    notes: tuple[Note, ...] = ()

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.pixels.width)

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.pixels.height)

    @property
    def size_mm(self) -> SizeMm:
        """Size on paper, in millimetres."""
        return SizeMm(self.width / self.ppi * MM_PER_INCH, self.height / self.ppi * MM_PER_INCH)

    def with_(
        self,
        *,
        pixels: pyvips.Image | None = None,
        icc: bytes | Literal["keep"] | None = "keep",
        ppi: float | None = None,
        note: Note | str | None = None,
    ) -> Frame:
        """The next frame: what is given is new, the rest stays."""
        notes = self.notes
        if note is not None:
            notes = (*notes, Note(note) if isinstance(note, str) else note)
        return replace(
            self,
            pixels=self.pixels if pixels is None else pixels,
            icc=self.icc if icc == "keep" else icc,
            ppi=self.ppi if ppi is None else ppi,
            notes=notes,
        )

    def by_rows(
        self, fn: Callable[[npt.NDArray[np.uint16]], npt.NDArray[np.uint16]], *, reach_px: int = 0
    ) -> Frame:
        """Apply a NumPy function in strips, so that memory stays flat.

        `fn` gets (rows, width, bands) uint16 and returns the same height and width (bands may change). With `reach_px` each strip
        has that many rows more above and below, the picture's edge copied, and `fn` returns them too; they are cut off.
        """
        from drydown.imaging.rows import by_rows

        return self.with_(pixels=by_rows(self.pixels, fn, reach_px=reach_px))

    def array(self, *, whole: bool = False) -> npt.NDArray[np.uint16]:
        """The pixels as (height, width, bands) uint16. Refuses more than 4 megapixels unless `whole=True`: see `by_rows`."""
        from drydown.imaging.rows import array

        return array(self.pixels, whole=whole)
