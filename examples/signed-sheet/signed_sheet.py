"""`signed`: the sheet of a numbered edition: below the picture its number at the left and the signature at the right, as a pencil would."""

from __future__ import annotations

from pathlib import Path

from drydown.api import MM_PER_INCH, Field, Finished, Hold, Job, Note, Render, Settings, hookimpl, sheet_maker


class Signed(Settings):
    """What stands below the picture."""

    signature: Path | None = Field(
        default=None,
        description="A picture of the signature, dark on white or transparent, below the studio.",
    )
    signature_mm: float = Field(default=7.0, ge=2, le=40, description="How high the signature is, in mm.")
    number_mm: float = Field(
        default=2.6, ge=1.5, le=10, description="How high the edition's number is, in mm of its capitals."
    )
    gap_mm: float = Field(
        default=2.5, ge=0.5, le=20, description="Bare paper between the picture and what stands below, in mm."
    )
    pencil_L: float = Field(default=40.0, ge=10, le=80, description="L* of the pencil, a neutral grey.")


def signed(render: Render, settings: Signed, job: Job, /) -> Finished:
    """The picture on its sheet, with the edition's number and the signature below it.

    Holds the picture where neither is given, the signature cannot be read, or the margin has no room.
    """
    from drydown.imaging.sheets import assembled, default_form, placed

    if not job.edition and settings.signature is None:
        raise Hold(
            "There is nothing to write: state edition in the hot folder or the picture's own file, or signature in the recipe."
        )
    frame = render()
    if frame.pixels.hasalpha() or frame.icc != job.stock.icc:
        raise Hold(
            f"The picture is not ready for stock '{job.stock.name}'. Put flatten and convert into the recipe."
        )
    place = placed(job, frame.width, frame.height, default_form(job.stock.unprintable_mm))
    pencil = _pencil(job.stock.icc, settings.pencil_L)
    pieces = [*_number(job.edition, settings, place, pencil), *_signature(settings, place, pencil)]
    _check_room(pieces, place, settings)
    said = " and ".join(
        [*([f"number {job.edition}"] if job.edition else []), *(["signature"] if settings.signature else [])]
    )
    return Finished(
        frame=frame.with_(
            pixels=assembled(frame.pixels, place, pieces), note=Note(f"below the picture: {said}")
        ),
        picture=place.picture_px,
        form=place.form,
        turned=place.turned,
        record={**place.record(), "edition": job.edition},
    )


def _pencil(icc: bytes, L_star: float) -> list[int]:
    """The neutral grey as codes of the printer."""
    import numpy as np

    from drydown.imaging.icc_exact import lab_to_device

    device = lab_to_device(icc, np.array([[L_star, 0.0, 0.0]]), intent="relative")[0]
    return [round(float(value) * 65535) for value in device]


def _number(edition, settings, place, pencil):
    """The number as (picture, left, top), or nothing."""
    from drydown.imaging.lettering import inked, line

    if not edition:
        return []
    mask, base = line(edition, cap_mm=settings.number_mm, ppi=place.ppi)
    box = place.picture_px
    low = box.top + box.height + _px(settings.gap_mm + settings.number_mm, place.ppi)
    return [(inked(mask, pencil), box.left, low - base)]


def _signature(settings, place, pencil):
    """The signature in the pencil's grey as (picture, left, top), or nothing."""
    import numpy as np
    import pyvips

    from drydown.imaging.lettering import inked

    if settings.signature is None:
        return []
    try:
        drawn = pyvips.Image.new_from_file(str(settings.signature), fail_on="warning")
    except pyvips.Error as error:
        raise Hold(
            f"The signature {settings.signature.name} cannot be read ({error}). Save it again as a PNG."
        ) from None
    if drawn.hasalpha():
        drawn = drawn.flatten(background=[255] * (drawn.bands - 1))
    grey = drawn.colourspace("b-w").cast("uchar")
    height = _px(settings.signature_mm, place.ppi)
    small = grey.resize(height / grey.height)
    mask = 255 - np.ndarray((small.height, small.width), np.uint8, small.write_to_memory())
    box = place.picture_px
    return [
        (
            inked(mask, pencil),
            box.left + box.width - small.width,
            box.top + box.height + _px(settings.gap_mm, place.ppi),
        )
    ]


def _check_room(pieces, place, settings):
    width, height = place.canvas_px
    for piece, left, top in pieces:
        if left < 0 or top + piece.height > height or left + piece.width > width:
            raise Hold(
                "What stands below the picture does not fit into the margin. Give a smaller gap_mm, number_mm or signature_mm, or the recipe a wider margin_mm."
            )


def _px(mm, ppi):
    return round(mm / MM_PER_INCH * ppi)


OFFER = sheet_maker(name="signed", settings=Signed, run=signed)


@hookimpl
def drydown_steps():
    """Offer the sheet maker."""
    return [OFFER]
