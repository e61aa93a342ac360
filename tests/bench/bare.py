"""The same pixel work with nothing else: what the whole job is measured against.

Decode, crop, resample, convert, two tables, sharpen, 16-bit TIFF; with `--full` also the preview and the hashes of source and sheet. No chain, no checks, no
ledger, no child. Run as `python -m tests.bench.bare SOURCE PROFILE OUT [--full]`; prints its seconds.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

PPI = 360
ROOM_MM = (393.7, 254.0)  # 11x17 in on its side less half an inch, and one inch at the binding
SHEET_MM = (431.8, 279.4)
LEFT_MM, TOP_MM = 25.4, 12.7


def bare(source: Path, profile: Path, out: Path, *, full: bool) -> float:
    """Seconds from opening to the closed sheet."""
    import numpy as np
    import pyvips

    from drydown.imaging.convert import convert
    from drydown.imaging.neutral import neutral_response
    from drydown.imaging.resize import resized
    from drydown.imaging.sharpen import default_radius_mm, sharpen
    from drydown.imaging.tone import apply_table, tone_table

    start = time.perf_counter()
    icc = profile.read_bytes()
    image = pyvips.Image.new_from_file(str(source), access="sequential", fail_on="warning")
    src = image.get("icc-profile-data")
    width, height = (round(side / 25.4 * PPI) for side in ROOM_MM)
    kept = round(image.width / width * height)
    image = image.crop(0, (image.height - kept) // 2, image.width, kept)
    image = resized(image, src, width, height).pixels
    image = convert(image, src, icc, intent="relative", black_point_compensation=True)
    response = neutral_response(icc, channels=3)
    image = apply_table(image, tone_table(response, lift_L=3.0, contrast=1.0))
    image = apply_table(image, np.tile(np.arange(65536, dtype=np.uint16)[:, None], 3))
    sigma = default_radius_mm(400) / 25.4 * PPI
    image = sharpen(image, sigma_px=sigma, strength=0.4, weights=response.weights)
    sheet = [round(side / 25.4 * PPI) for side in SHEET_MM]
    left, top = (round(side / 25.4 * PPI) for side in (LEFT_MM, TOP_MM))
    image = image.embed(left, top, *sheet, extend="background", background=[65535] * 3)
    image = image.copy(interpretation="rgb16", xres=PPI / 25.4, yres=PPI / 25.4)
    image.set_type(pyvips.GValue.blob_type, "icc-profile-data", icc)
    image.tiffsave(str(out), resunit="inch", keep="icc")
    if full:
        _beside(source, out)
    return time.perf_counter() - start


def _beside(source: Path, out: Path) -> None:
    from blake3 import blake3

    from drydown.imaging.preview import write_preview

    write_preview(out, out.with_suffix(".jpg"))
    for path in (source, out):
        digest, buffer = blake3(), bytearray(4 << 20)
        with path.open("rb", buffering=0) as file:
            while count := file.readinto(buffer):
                digest.update(memoryview(buffer)[:count])


if __name__ == "__main__":
    print(f"{bare(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), full='--full' in sys.argv):.3f}")
