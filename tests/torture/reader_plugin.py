"""A plugin for the bench's studio: it reads every file of an archive inside one child, and writes a line on each before it takes the next.

The archive is the job's picture, and each file is laid into the attempt's folder, so that it works within whatever confines a child has.
"""

from __future__ import annotations

import hashlib
import json
import zipfile

from drydown.api import Finished, Job, Refusal, Render, Settings, hookimpl, sheet_maker

ANSWERS = "answers.jsonl"


class Nothing(Settings):
    """Nothing to set."""


def read_all(render: Render, settings: Nothing, job: Job, /) -> Finished:
    """Open and evaluate each picture as a job does; ends in a refusal, because there is no sheet to make."""
    with zipfile.ZipFile(job.source) as archive, (job.scratch / ANSWERS).open("w") as answers:
        for name in archive.namelist():
            path = job.scratch / name
            path.write_bytes(archive.read(name))
            answers.write(json.dumps({"name": name} | _read(path, job)) + "\n")
            answers.flush()
            path.unlink()
            for copy in job.scratch.glob("tmp*"):
                copy.unlink()
    raise Refusal("All have been read.")


def _read(path, job):  # type: ignore[no-untyped-def]
    from drydown.errors import Hold
    from drydown.imaging.convert import convert
    from drydown.imaging.guard import strict_warnings
    from drydown.imaging.read import open_picture

    try:
        with strict_warnings(what=path.name):
            picture = open_picture(
                path, untagged="srgb", access="sequential", max_pixels=1_000_000, scratch=job.scratch
            )
            pixels = picture.pixels.copy_memory()
            colours = pixels.bands - bool(picture.facts["alpha"])
            convert(
                pixels[0:colours],
                picture.icc,
                job.stock.icc,
                intent="relative",
                black_point_compensation=True,
            ).avg()
    except (Refusal, Hold) as refusal:
        return {"outcome": "refused", "reason": refusal.sentence}
    except Exception as error:  # what it is is for the row to judge
        module = type(error).__module__
        return {
            "outcome": "decoder" if module.startswith("pyvips") else "crashed",
            "reason": f"{type(error).__name__}: {error}",
        }
    sharp = hashlib.sha256(f"{pixels.width} {pixels.height} {pixels.bands}".encode())
    sharp.update(pixels.write_to_memory())
    said = [note.text for note in picture.notes if note.level == "warning"]
    return {"outcome": "done", "pixels": sharp.hexdigest(), "warnings": said}


@hookimpl
def drydown_steps():  # type: ignore[no-untyped-def]
    """One sheet maker."""
    return [sheet_maker(name="read-all", settings=Nothing, run=read_all)]
