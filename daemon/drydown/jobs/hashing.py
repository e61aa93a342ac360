"""BLAKE3 of files: `readinto` of one buffer, because a mapped file counts as the process's memory."""

from __future__ import annotations

from pathlib import Path

from blake3 import blake3

BUFFER_BYTES = 4 << 20


def file_hash(path: Path) -> str:
    """BLAKE3 of a file's content, in hexadecimal. Raises OSError."""
    digest = blake3()
    buffer = bytearray(BUFFER_BYTES)
    view = memoryview(buffer)
    with path.open("rb", buffering=0) as file:
        while count := file.readinto(buffer):
            digest.update(view[:count])
    return digest.hexdigest()
