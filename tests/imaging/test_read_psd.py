"""PSD and PSB: the flattened picture at full depth, with the format's inversion and matte; layers only where the result is sure."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np
import psd_tools
import pytest
from PIL import Image
from psd_tools.constants import BlendMode, Resource
from read_makers import expanded, noise, opened, psd_bytes, said

from drydown.errors import Hold, Refusal
from drydown.imaging import working
from drydown.imaging.icc_exact import device_to_lab

BITMAP, GREY, INDEXED, RGB, CMYK, MULTICHANNEL, DUOTONE, LAB = 0, 1, 2, 3, 4, 7, 8, 9
PROFILE, CHANNEL_DISPLAY = 1039, 1007


def put(tmp_path: Path, planes: Any, **options: Any) -> Path:
    path = tmp_path / ("a.psb" if options.get("large") else "a.psd")
    path.write_bytes(psd_bytes(planes, **options))
    return path


def planes_of(codes: Any) -> Any:
    return np.moveaxis(codes[:, :, np.newaxis] if codes.ndim == 2 else codes, 2, 0)


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("bands", [1, 3])
def test_every_code_of_the_flattened_picture_is_kept(
    tmp_path: Path, bands: int, bits: int, packed: bool, large: bool
) -> None:
    codes = noise(61, 47, bands=bands, bits=bits)
    path = put(
        tmp_path, planes_of(codes), mode=RGB if bands == 3 else GREY, bits=bits, packed=packed, large=large
    )
    for access in ("sequential", "random"):
        picture, seen = opened(path, access=access)  # type: ignore[arg-type]
        np.testing.assert_array_equal(seen, expanded(codes))
    assert picture.facts["format"] == ("PSB" if large else "PSD")
    assert picture.facts["bits"] == bits


def test_plain_rows_in_several_strips_are_in_order(tmp_path: Path) -> None:
    codes = noise(700, 900, bits=16)  # 1.26 MB a plane: two strips each
    _, seen = opened(put(tmp_path, planes_of(codes), mode=RGB, bits=16, packed=False))
    np.testing.assert_array_equal(seen, codes)


def test_long_equal_runs_are_unpacked(tmp_path: Path) -> None:
    codes = np.zeros((5, 1000, 3), np.uint8)
    codes[:, 300:, 1] = 7
    codes[2, :, 2] = np.arange(1000) % 256
    _, seen = opened(put(tmp_path, planes_of(codes), mode=RGB))
    np.testing.assert_array_equal(seen, expanded(codes))


@pytest.mark.parametrize("bits", [8, 16])
def test_transparency_is_taken_out_of_the_white_that_it_is_stored_over(tmp_path: Path, bits: int) -> None:
    """Laid over white again, the picture must be what is stored; where it is clear, it is white."""
    codes = noise(bands=4, bits=bits)
    full = 2**bits - 1
    alpha = codes[:, :, 3:].astype(float)
    alpha[0, 0], codes[0, 0, 3] = 0, 0
    stored = codes.copy()
    stored[:, :, :3] = np.rint(codes[:, :, :3] * (alpha / full) + (full - alpha)).astype(codes.dtype)
    picture, seen = opened(put(tmp_path, planes_of(stored), mode=RGB, bits=bits, layers=-1))
    assert picture.facts["alpha"] is True
    share = seen[:, :, 3:] / 65535
    over_white = seen[:, :, :3] * share + 65535 * (1 - share)
    assert np.abs(over_white - expanded(stored)[:, :, :3]).max() <= 0.6
    assert (seen[0, 0, :3] == 65535).all()


def test_transparency_may_also_be_stated_by_a_block(tmp_path: Path) -> None:
    codes = noise(bands=4, bits=16)
    codes[:, :, 3] = 65535
    block = b"8BIM" + b"Mt16" + struct.pack(">I", 0)
    for options in ({"block": block}, {"block": b"8BIM" + b"Lr16" + struct.pack(">Ihxx", 4, -1)}):
        picture, seen = opened(put(tmp_path, planes_of(codes), mode=RGB, bits=16, **options))
        assert picture.facts["alpha"] is True
        np.testing.assert_array_equal(seen, codes)


def test_a_saved_selection_is_left_out_and_said(tmp_path: Path) -> None:
    codes = noise(bands=5, bits=8)
    picture, seen = opened(put(tmp_path, planes_of(codes), mode=RGB, layers=2))
    np.testing.assert_array_equal(seen, expanded(codes[:, :, :3]))
    assert "2 saved selections were left out" in said(picture)
    assert "layers" in said(picture)


def test_a_spot_ink_is_refused_because_it_belongs_to_the_picture(tmp_path: Path) -> None:
    kinds = [struct.pack(">5HHBB", 0, 0, 0, 0, 0, 100, kind, 0) for kind in (0, 2)]
    path = put(
        tmp_path, planes_of(noise(bands=5, bits=8)), mode=RGB, resources={CHANNEL_DISPLAY: b"".join(kinds)}
    )
    with pytest.raises(Refusal, match="spot ink"):
        opened(path)


@pytest.mark.parametrize("mode", [MULTICHANNEL, DUOTONE])
def test_inks_without_measured_colours_are_refused(tmp_path: Path, mode: int) -> None:
    with pytest.raises(Refusal, match="ink"):
        opened(put(tmp_path, planes_of(noise(bands=1, bits=8)), mode=mode))


def test_ink_without_a_profile_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refusal, match="CMYK without a colour profile"):
        opened(put(tmp_path, planes_of(noise(bands=4, bits=8)), mode=CMYK))


def test_a_bitmap_has_ones_for_black(tmp_path: Path) -> None:
    bits = noise(20, 37, bands=1, bits=8) > 128
    _, seen = opened(put(tmp_path, bits[np.newaxis].astype(np.uint8), mode=BITMAP, bits=1))
    np.testing.assert_array_equal(seen[:, :, 0], np.where(bits, 0, 65535))


def test_a_palette_is_looked_up(tmp_path: Path) -> None:
    codes = noise(bands=1, bits=8)
    palette = np.random.default_rng(2).integers(0, 256, (256, 3), dtype=np.uint8)
    path = put(tmp_path, codes[np.newaxis], mode=INDEXED, palette=palette.T.tobytes())
    np.testing.assert_array_equal(opened(path)[1], expanded(palette[codes]))


@pytest.mark.parametrize("bits", [8, 16])
def test_lab_keeps_its_colours(tmp_path: Path, bits: int) -> None:
    """Common practice, no source: L* over the whole range, a* and b* biased by half of it."""
    lab = np.array([[0, 0, 0], [100, 0, 0], [50, 0, 0], [50, 20, -30], [30, -40, 25], [70, -20, 60]], float)
    unit = 2 ** (bits - 8)
    codes = np.concatenate([lab[:, :1] * (2**bits - 1) / 100, (lab[:, 1:] + 128) * unit], axis=1)
    dtype = np.uint8 if bits == 8 else np.uint16
    planes = planes_of(np.tile(np.rint(codes).astype(dtype), (4, 1, 1)))
    picture, seen = opened(put(tmp_path, planes, mode=LAB, bits=bits))
    assert picture.icc == working.wide_gamut()
    assert np.abs(device_to_lab(picture.icc, seen[1] / 65535) - lab).max() < (0.25 if bits == 8 else 0.02)


def test_floating_point_is_taken_between_0_and_1_of_a_profile(tmp_path: Path) -> None:
    codes = noise()
    plain = planes_of((codes / 65535).astype(np.float32))
    icc = {PROFILE: working.srgb()}
    for packed in (False, True):
        path = put(tmp_path, plain, mode=RGB, bits=32, packed=packed, resources=icc)
        np.testing.assert_array_equal(opened(path)[1], codes)
    with pytest.raises(Refusal, match="without a colour profile"):
        opened(put(tmp_path, plain, mode=RGB, bits=32))
    with pytest.raises(Refusal, match="nothing beyond 0 and 1"):
        opened(put(tmp_path, plain * 2, mode=RGB, bits=32, resources=icc))


def test_the_embedded_profile_is_handed_over_byte_for_byte(tmp_path: Path) -> None:
    icc = working.wide_gamut()
    picture, _ = opened(put(tmp_path, planes_of(noise()), mode=RGB, bits=16, resources={PROFILE: icc}))
    assert picture.icc == icc
    with pytest.raises(Refusal, match="it is a profile for GRAY"):
        opened(put(tmp_path, planes_of(noise()), mode=RGB, bits=16, resources={PROFILE: working.grey_srgb()}))
    with pytest.raises(Hold):
        opened(put(tmp_path, planes_of(noise()), mode=RGB, bits=16), untagged="hold")


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("large", [False, True])
def test_every_cut_is_refused_before_decoding(tmp_path: Path, packed: bool, large: bool) -> None:
    data = psd_bytes(
        planes_of(noise(20, 30, bits=8)),
        mode=RGB,
        packed=packed,
        large=large,
        resources={PROFILE: working.srgb()},
        layers=1,
    )
    path = tmp_path / "a.psd"
    for length in [*range(4, 200), *range(200, len(data), 53), len(data) - 1]:
        path.write_bytes(data[:length])
        with pytest.raises(Refusal):
            opened(path)


def test_a_row_that_is_too_short_fails_while_decoding_and_gives_no_picture(tmp_path: Path) -> None:
    data = bytearray(psd_bytes(planes_of(noise(20, 30, bits=8)), mode=RGB))
    data[-31:] = b"\x80" * 31  # PackBits' no-operation: the last row has no pixels
    path = tmp_path / "a.psd"
    path.write_bytes(data)
    import pyvips

    with pytest.raises((Refusal, pyvips.Error)):
        opened(path)


@pytest.mark.parametrize(("large", "most"), [(False, 30_000), (True, 300_000)])
def test_a_header_that_says_more_rows_than_the_format_has_takes_no_memory(
    tmp_path: Path, large: bool, most: int
) -> None:
    """Found by fuzzing: 156 bytes that said 738 million rows took 5 GB before anybody looked at the limit of pixels."""
    data = bytearray(psd_bytes(planes_of(noise(6, 4, bits=8)), mode=RGB, large=large))
    struct.pack_into(">I", data, 14, most + 1)
    (tmp_path / "a.psd").write_bytes(data)
    with pytest.raises(Refusal, match=f"{most + 1} pixels, more than the format has"):
        opened(tmp_path / "a.psd")


def test_the_limit_of_pixels_counts_before_decoding(tmp_path: Path) -> None:
    data = bytearray(psd_bytes(planes_of(noise(20, 30, bits=8)), mode=RGB, packed=False))
    with pytest.raises(Refusal, match="megapixels"):
        path = tmp_path / "a.psd"
        path.write_bytes(data)
        opened(path, max_pixels=599)


def layered(path: Path, depth: int, *, real: bool = False, **top: Any) -> np.ndarray:
    """A layered file by psd-tools, its flattened picture declared a blank. Returns what the visible layers make."""
    codes = noise(30, 40, bits=16)
    base = (codes / 65535).astype(np.float32)
    document = psd_tools.PSDImage.new("RGB", (40, 30), depth=depth)  # type: ignore[arg-type]
    document.create_pixel_layer_from_array(base, name="base")
    veil = np.full((10, 20, 3), (0.25, 0.5, 0.75), np.float32)
    document.create_pixel_layer_from_array(veil, name="veil", top=5, left=4, opacity=top.pop("opacity", 128))
    for key, value in top.items():
        setattr(document[1], key, value)
    info = document.image_resources.get_data(Resource.VERSION_INFO)
    info.has_composite = real
    document.save(path)
    wanted = base.astype(float)
    share = 128 / 255
    wanted[5:15, 4:24] = wanted[5:15, 4:24] * (1 - share) + veil * share
    return wanted * 65535


@pytest.mark.parametrize("depth", [8, 16])
def test_layers_without_a_flattened_picture_are_put_together_at_their_depth(
    tmp_path: Path, depth: int
) -> None:
    path = tmp_path / "a.psd"
    wanted = layered(path, depth)
    picture, seen = opened(path)
    assert "put together" in said(picture)
    assert np.abs(seen[:, :, :3] - wanted).max() <= (1.0 if depth == 16 else 140)
    if depth == 16:
        assert len(np.unique(seen)) > 1000
    assert seen.shape[2] == 3


def test_hidden_layers_stay_hidden(tmp_path: Path) -> None:
    path = tmp_path / "a.psd"
    layered(path, 16, visible=False)
    _, seen = opened(path)
    assert np.abs(seen[:, :, :3] - noise(30, 40, bits=16)).max() <= 1


def test_a_stored_flattened_picture_is_preferred_to_its_layers(tmp_path: Path) -> None:
    path = tmp_path / "a.psd"
    layered(path, 8, real=True)
    assert "its flattened picture was read" in said(opened(path)[0])


@pytest.mark.parametrize("blend", [BlendMode.DISSOLVE, BlendMode.HUE, BlendMode.LUMINOSITY])
def test_a_blend_that_is_not_sure_is_refused_by_its_name(tmp_path: Path, blend: BlendMode) -> None:
    path = tmp_path / "a.psd"
    layered(path, 8, blend_mode=blend)
    with pytest.raises(Refusal, match=f"layer “veil” blends by “{blend.name.lower()}”"):
        opened(path)


def test_a_blend_in_a_range_of_tones_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.psd"
    layered(path, 8)
    document = psd_tools.PSDImage.open(path)
    document[1]._record.blending_ranges.composite_ranges[0] = (0x1020, 65535)
    document.save(path)
    with pytest.raises(Refusal, match="range of tones"):
        opened(path)


def test_a_file_with_neither_picture_nor_layers_is_refused(tmp_path: Path) -> None:
    path = put(tmp_path, planes_of(noise(bits=8)), mode=RGB, resources={1057: struct.pack(">IB", 1, 0)})
    with pytest.raises(Refusal, match="neither a flattened picture nor layers"):
        opened(path)


def test_a_layer_that_does_not_decode_is_refused_and_not_painted_black(tmp_path: Path) -> None:
    path = tmp_path / "a.psd"
    layered(path, 8)
    document = psd_tools.PSDImage.open(path)
    channel = document[0]._channels[0]
    channel.data = b"\0\1" + channel.data[2:40]
    with path.open("wb") as file:
        document._record.write(file)
    with pytest.raises(Refusal):
        opened(path)


def test_another_writers_flat_file_is_read(tmp_path: Path) -> None:
    codes = noise(bits=8)
    path = tmp_path / "a.psd"
    psd_tools.PSDImage.frompil(Image.fromarray(codes)).save(path)
    np.testing.assert_array_equal(opened(path)[1], expanded(codes))
