"""Names in a hot folder that are no pictures: what other programs leave there while they copy, index or tidy up.

A file is judged by its name alone, in any case of letters. Ignoring is not silent: the rescan counts by reason, and `drydown check --live` names the first.
"""

from __future__ import annotations

import fnmatch
import re
import unicodedata

from drydown.intake.names import Name, text

DOT_FILE = "hidden file"

#: Pattern of the whole name in small letters -> what leaves such files. Common practice, no source, where none is given.
IGNORED: tuple[tuple[str, str], ...] = (
    ("*.part", "unfinished download or copy"),
    ("*.partial", "unfinished download"),
    ("*.filepart", "unfinished upload over SFTP"),
    ("*.crdownload", "unfinished download of a browser"),
    ("*.download", "unfinished download of a browser"),
    ("*.opdownload", "unfinished download of a browser"),
    ("*.aria2", "note of an unfinished download"),
    ("*.tmp", "temporary file"),
    ("*.temp", "temporary file"),
    ("*.swp", "editor's swap file"),
    ("*.bak", "backup copy"),
    ("*.lock", "lock file"),
    ("*.lck", "lock file"),
    ("*~", "editor's backup copy"),
    ("#*#", "editor's unsaved copy"),
    ("~$*", "an office program's lock file"),
    ("~*.tmp", "temporary file"),
    ("*.sb-????????-??????", "a file on its way of a sandboxed program"),
    ("thumbs.db", "a file manager's thumbnails"),
    ("ehthumbs.db", "a file manager's thumbnails"),
    ("desktop.ini", "a file manager's settings"),
    ("icon\r", "a file manager's folder icon"),
    ("@eadir", "a network store's index"),
    ("@tmp", "a network store's temporary folder"),
    ("#recycle", "a network store's bin"),
    ("@recycle", "a network store's bin"),
    ("$recycle.bin", "a bin"),
    ("recycler", "a bin"),
    ("system volume information", "a disk's own folder"),
    ("lost+found", "a disk's own folder"),
    ("__macosx", "what unpacking an archive leaves"),
    ("network trash folder", "a network store's bin"),
    ("temporary items", "a network store's temporary folder"),
)

_MATCHERS = tuple((re.compile(fnmatch.translate(pattern)), reason) for pattern, reason in IGNORED)


def ignored(name: Name) -> str | None:
    """Why a file or folder of this name is left alone, or None when it is not."""
    plain = text(name)
    # Also copies on their way, `.name.Xa93Kd`, and the doubles of resource forks, `._name`.
    if plain.startswith("."):
        return DOT_FILE
    folded = unicodedata.normalize("NFC", plain).casefold()
    return next((reason for matcher, reason in _MATCHERS if matcher.match(folded)), None)
