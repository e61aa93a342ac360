"""`final`: one picture on its sheet, ready for the printer."""

from __future__ import annotations

from typing import Literal

from drydown.api import Field, Finished, Frame, Hold, Job, Note, Render, Settings, sheet_maker


class Final(Settings):
    """How the sheet is laid out and written."""

    slug: bool = Field(
        True, description="A line of small type in the margin that says how the sheet was made, and on what."
    )
    slug_name: bool = Field(
        False,
        description="The picture's file name in the slug as well. Off, because names of people stand there.",
    )
    bits: Literal[16, 8] = Field(
        16, description="Bits a channel of the file; 8 are dithered inside the picture."
    )
    compression: Literal["none", "lzw", "zip"] = Field(
        "none", description="Compression of the file, always without loss; zip costs a second or two."
    )
    form: Literal["sheet", "printable", "picture"] | None = Field(
        None,
        description="What the file holds: the whole 'sheet', its 'printable' area, or the 'picture' alone. "
        "Unset: printable where the stock states its unprintable edges, because that is what a driver addresses; else sheet.",
    )


def final(render: Render, settings: Final, job: Job, /) -> Finished:
    """The whole picture on one sheet, within its margins, with the slug in the margin.

    Raises Refusal where the picture is not in the stock's profile or pixels, does not fit, or would lie where the printer cannot reach.
    """
    from drydown.imaging.sheets import assembled, default_form, placed
    from drydown.imaging.slug import lettered

    frame = render()
    _check(frame, job)
    place = placed(job, frame.width, frame.height, settings.form or default_form(job.stock.unprintable_mm))
    pieces, record, notes = [], place.record(), []
    if settings.slug and place.form != "picture":
        slug = lettered(job, place, name=settings.slug_name)
        pieces, notes = slug.pieces, slug.notes
        record["slug"] = list(slug.lines)
    elif settings.slug:
        notes.append(Note("a file of the picture alone has no margin for the slug"))
    made = frame.with_(pixels=assembled(frame.pixels, place, pieces))
    for note in notes:
        made = made.with_(note=note)
    return Finished(
        frame=made,
        bits=settings.bits,
        compression=settings.compression,
        picture=place.picture_px,
        form=place.form,
        turned=place.turned,
        record=record,
    )


def _check(frame: Frame, job: Job) -> None:
    from drydown.imaging.convert import same_profile

    if frame.icc is None or not same_profile(frame.icc, job.stock.icc):
        raise Hold(
            f"The picture reached the sheet in another profile than that of stock '{job.stock.name}'. Put convert into the recipe."
        )
    if frame.pixels.hasalpha():
        raise Hold("The picture reached the sheet with transparent parts. Put flatten into the recipe.")
    if abs(frame.ppi - job.stock.ppi) > 1e-6 * job.stock.ppi:
        raise Hold(
            f"The picture reached the sheet at {frame.ppi:.1f} ppi and stock '{job.stock.name}' prints at {job.stock.ppi:g}. "
            "Put resample into the recipe."
        )


OFFER = sheet_maker(name="final", settings=Final, run=final)
