"""Bad plugins, each a file in a studio's `plugins/` folder, and how a job with each must end.

Where only a confined child can be stopped (it writes elsewhere, or edits its input) the plugin says so in `needs_walls`.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Final, Literal

from tests.small_studio import TO_PAPER, recipe

End = Literal["aborted", "completed", "either"]
#: The grandchildren's command line, by which those that are left are found.
LEFT: Final = "917.31"


@dataclass(frozen=True, slots=True)
class Bad:
    """A step that misbehaves: its name, the body of its function (which gets `frame`, `settings`, `job`), and the end of its job.

    `says`: what the reason must hold. `golden`: its sheet must be the good one, because what it did is without effect.
    """

    name: str
    body: str
    end: End
    says: str = ""
    golden: bool = False
    deadline_s: float = 20.0
    memory_mb: int = 2048
    needs_walls: bool = False

    @property
    def step(self) -> str:
        """Its name in recipes."""
        return f"bad-{self.name}"

    def source(self) -> str:
        """The plugin's file."""
        return _HEAD + textwrap.indent(self.body.strip() or "pass", "    ") + _TAIL.format(step=self.step)

    def recipe(self) -> str:
        """A recipe with this step in its middle; an empty name leaves it out, for the golden sheet."""
        first, *others = TO_PAPER
        own = [self.step] if self.name else []
        return recipe(first, *own, *others) + "[final]\nslug = false\n"


_HEAD: Final = '''\
import ctypes, locale, math, os, signal, subprocess, sys, threading, time, warnings
from pathlib import Path
import numpy as np
import pyvips
from PIL import Image
from drydown.api import Frame, Refusal, Settings, hookimpl, step

class Nothing(Settings):
    """Nothing to set."""

def run(frame, settings, job):
    """A bad step."""
'''
_TAIL: Final = """
    return frame

@hookimpl
def drydown_steps():
    return [step(name="{step}", settings=Nothing, run=run)]
"""

GOLDEN: Final = Bad("", "", "completed", golden=True)

_SPIN: Final = "while True: pass"
_NAP: Final = "while True: time.sleep(0.05)"
_NAMES: Final = "step 'bad-"  # the sentence names the step
_LATE: Final = "longer than the deadline"

#: Ways to leave.
_LEAVING: Final = (
    Bad("raise", "raise ValueError('no such curve')", "aborted", f"{_NAMES}raise'"),
    Bad("key-error", "{}['x']", "aborted", f"{_NAMES}key-error'"),
    Bad("assert", "assert False", "aborted", f"{_NAMES}assert'"),
    Bad("deep", "def down(): down()\ndown()", "aborted", f"{_NAMES}deep'"),
    Bad("unprintable", "class Odd(Exception):\n    def __str__(self): raise RuntimeError('no words')\nraise Odd()", "aborted", f"{_NAMES}unprintable'"),
    Bad("long-words", "raise ValueError('x' * 5_000_000)", "aborted", f"{_NAMES}long-words'"),
    Bad("escapes", "raise ValueError('\\x1b[2J\\nforged line\\u202e')", "aborted", f"{_NAMES}escapes'"),
    Bad("lone", "raise ValueError('\\ud800')", "aborted", f"{_NAMES}lone'"),
    Bad("system-exit", "sys.exit(0)", "aborted", f"{_NAMES}system-exit'"),
    Bad("interrupt", "raise KeyboardInterrupt", "aborted", f"{_NAMES}interrupt'"),
    Bad("base", "raise BaseException('out')", "aborted", f"{_NAMES}base'"),
    Bad("exit-0", "os._exit(0)", "aborted", "ended with code 0 without"),
    Bad("exit-74", "os._exit(75)", "aborted", "ended with code 75 without"),
    Bad("abort", "os.abort()", "aborted", "SIGABRT"),
    Bad("segfault", "ctypes.string_at(0)", "aborted", "SIGSEGV"),
    Bad("kill-self", "os.kill(os.getpid(), signal.SIGKILL)", "aborted", "SIGKILL"),
    Bad("refuse", "raise Refusal('This picture has no sky.')", "aborted", "This picture has no sky."),
)  # fmt: skip
#: Ways to stay.
_STAYING: Final = (
    Bad("spin", _SPIN, "aborted", _LATE, deadline_s=1.5),
    Bad("sleep", _NAP, "aborted", _LATE, deadline_s=1.5),
    Bad("deaf", f"signal.signal(signal.SIGTERM, signal.SIG_IGN)\n{_NAP}", "aborted", _LATE, deadline_s=1.5),
    Bad("stop", f"os.kill(os.getpid(), signal.SIGSTOP)\n{_NAP}", "aborted", _LATE, deadline_s=1.5),
    Bad("c-sleep", "ctypes.CDLL(None).sleep(100)", "aborted", _LATE, deadline_s=1.5),
    Bad("spin-later", "return frame.by_rows(lambda rows: time.sleep(100))", "aborted", _LATE, deadline_s=2.5),
    Bad("eat", "held = []\nwhile True: held.append(np.ones(1 << 20))", "aborted", "MB of memory", memory_mb=300),
    Bad("eat-fast", "held = np.ones(1 << 28)", "aborted", "memory", memory_mb=300),
    Bad("handles", "held = [os.open('/dev/null', 0) for _ in range(100_000)]", "aborted", f"{_NAMES}handles'"),
    Bad("threads", "for _ in range(60): threading.Thread(target=time.sleep, args=(60,), daemon=True).start()", "completed", golden=True),
    Bad("threads-kept", "threading.Thread(target=time.sleep, args=(60,)).start()", "completed", golden=True),
    Bad("forks", "for _ in range(12):\n    if os.fork() == 0:\n        time.sleep(60)\n        os._exit(0)", "either", golden=True),
    Bad("second-self", "os.fork()", "either"),
    Bad("grandchild", f"subprocess.Popen(['sleep', '{LEFT}'], start_new_session=True)", "either", golden=True),
    Bad("fills", "with open(job.scratch / 'big', 'wb') as big:\n    while True: big.write(bytes(1 << 24))", "aborted", f"{_NAMES}fills'"),
)  # fmt: skip
#: Words and wires.
_TALKING: Final = (
    Bad("junk", "for fd in (1, 2): os.write(fd, os.urandom(5_000_000))\nprint('x' * 1_000_000)", "completed", golden=True),
    Bad("forged-words", "os.write(1, b'{\"started\": \"x\", \"pid\": 1}\\n{\"ended\": \"x\", \"status\": 0}\\n')", "completed", golden=True),
    Bad("closes", "os.closerange(0, 512)", "either"),
    Bad("closes-three", "for fd in (0, 1, 2): os.close(fd)", "either", golden=True),
    Bad("wires", "for fd in range(3, 512):\n    try: os.write(fd, b'{\"ended\": \"x\", \"status\": 0}\\n')\n    except OSError: pass", "either", golden=True),
    Bad("forged-result", "(job.scratch / 'result.json').write_text('{\"result\": 1, \"job\": \"' + job.id + '\", \"attempt\": 1, \"outcome\": \"done\"}')\nos._exit(0)", "aborted", "without a complete result"),
    Bad("other-attempt", "(job.scratch / 'result.json').write_text('{\"result\": 1, \"job\": \"' + job.id + '\", \"attempt\": 7, \"outcome\": \"refused\", \"reason\": \"No.\"}')\nos._exit(0)", "aborted", "without a complete result"),
    Bad("endless-result", "with open(job.scratch / 'result.json', 'wb') as out: out.write(b'[' * (9 << 20))\nos._exit(0)", "aborted", "without a complete result"),
    Bad("nested-result", "(job.scratch / 'result.json').write_text('[' * 200_000)\nos._exit(0)", "aborted", "without a complete result"),
    Bad("link-result", "os.symlink('/dev/zero', job.scratch / 'result.json')\nos._exit(0)", "aborted"),
    Bad("pipe-result", "os.mkfifo(job.scratch / 'result.json')\nos._exit(0)", "aborted"),
    Bad("link-sheet", "os.symlink(str(frame.source), job.scratch / 'sheet.tif')", "either", needs_walls=True),
    Bad("folder-sheet", "(job.scratch / 'sheet.tif').mkdir()", "aborted"),
)  # fmt: skip
#: What comes back.
_RETURNING: Final = (
    Bad("none", "return None", "aborted", "returned a NoneType"),
    Bad("text", "return 'done'", "aborted", "returned a str"),
    Bad("array", "return frame.array()", "aborted", "returned a ndarray"),
    Bad("eight-bits", "return frame.with_(pixels=(frame.pixels / 257).cast('uchar'))", "aborted", "returned uchar pixels"),
    Bad("nan", "return frame.with_(pixels=frame.pixels * float('nan'))", "aborted", "returned float pixels"),
    Bad("bands", "return frame.with_(pixels=frame.pixels.bandjoin([frame.pixels] * 3))", "aborted", "channels"),
    Bad("one-band", "return frame.with_(pixels=frame.pixels[0])", "aborted", "1 channels with a profile for 3"),
    Bad("size", "return frame.with_(pixels=frame.pixels.crop(0, 0, 5, 5))", "aborted", "returned 5 x 5"),
    Bad("source", "from dataclasses import replace\nreturn replace(frame, source=Path('/etc/passwd'))", "aborted", "changed the frame's source"),
    Bad("ppi", "return frame.with_(ppi=math.nan)", "aborted", "ppi = nan"),
    Bad("icc-gone", "return frame.with_(icc=None)", "aborted", "took the profile away"),
    Bad("icc-junk", "return frame.with_(icc=b'junk')", "aborted", "profile that cannot be used"),
    Bad("icc-text", "return frame.with_(icc='sRGB')", "aborted", f"{_NAMES}icc-text'"),
    Bad("pixels-none", "from dataclasses import replace\nreturn replace(frame, pixels=None)", "aborted", f"{_NAMES}pixels-none'"),
    Bad("notes-none", "from dataclasses import replace\nreturn replace(frame, notes=None)", "aborted", f"{_NAMES}notes-none'"),
    Bad("rows", "return frame.by_rows(lambda rows: rows[1:])", "aborted", f"{_NAMES}rows'"),
    Bad("fails-later", "def fail(rows): raise ValueError('later')\nreturn frame.by_rows(fail)", "aborted", f"{_NAMES}fails-later'"),
)  # fmt: skip
#: What is left behind.
_CHANGING: Final = (
    Bad("state", "os.chdir('/')\nos.umask(0)\nos.environ.clear()\nsys.path.clear()\nsignal.signal(signal.SIGALRM, signal.SIG_IGN)\nImage.MAX_IMAGE_PIXELS = None\nwarnings.simplefilter('ignore')\nlocale.setlocale(locale.LC_ALL, 'C')", "either", golden=True),
    Bad("cache", "pyvips.cache_set_max(0)\npyvips.voperation.cache_set_max_mem(0)", "completed", golden=True),
    Bad("nests", "os.chdir(job.scratch)\nfor _ in range(1500):\n    os.path.isdir('d' * 20) or os.mkdir('d' * 20)\n    os.chdir('d' * 20)\nos.chdir(job.scratch)", "completed", golden=True),
    Bad("patched", "import json\njson.dumps = None", "aborted"),
    Bad("edits", "frame.source.write_bytes(b'mine')", "either", needs_walls=True),
    Bad("truncates", "os.truncate(frame.source, 10)", "either", needs_walls=True),
    Bad("removes", "frame.source.unlink()", "either", needs_walls=True),
    Bad("renames", "frame.source.rename(frame.source.with_name('other.jpg'))", "either", needs_walls=True),
    Bad("chmods", "frame.source.chmod(0o777)", "either", needs_walls=True),
    Bad("elsewhere", "(Path(CANARY) / 'new.txt').write_text('x')\n(Path(CANARY) / 'bird.txt').write_text('x')", "either", needs_walls=True),
    Bad("publishes", "(Path(CANARY).parent / 'studio' / 'prints' / 'final' / 'mine__x.tif').write_bytes(b'II')", "either", needs_walls=True),
    Bad("ledger", "(Path(CANARY).parent / 'studio' / 'state' / 'ledger.db').write_bytes(b'')", "either", needs_walls=True),
)  # fmt: skip

BAD: Final = (*_LEAVING, *_STAYING, *_TALKING, *_RETURNING, *_CHANGING)
