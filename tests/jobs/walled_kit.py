"""A studio of one plugin that does whatever it is asked to, in children of the real starter, and things outside that must stay as they are."""

from __future__ import annotations

from pathlib import Path

from blake3 import blake3

from drydown.api import EdgesMm, SizeMm
from drydown.discovery import Origin, discover
from drydown.jobs.attempts import Attempts
from drydown.jobs.forks import Starter
from drydown.jobs.sandbox.found import Sandbox
from drydown.jobs.spec import AttemptResult, JobSpec, PluginRef, SheetSpec, StepSpec, StockSpec

PLUGIN = '''
import ctypes, json, os, signal, socket, subprocess, threading, time
from pathlib import Path
from drydown.api import Refusal, Settings, hookimpl, sheet_maker

class Asked(Settings):
    """What to try."""
    do: str = ""
    at: str = ""
    pid: int = 0

def made(render, settings, job):
    """Try one thing, and say how it went."""
    at, do = Path(settings.at), settings.do
    libc = ctypes.CDLL(None, use_errno=True)
    def called(answer):
        if answer < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
    acts = {
        "create": lambda: at.write_text("mine"),
        "read": at.read_bytes,
        "list": lambda: list(at.iterdir()),
        "append": lambda: at.open("ab").write(b"mine"),
        "truncate": lambda: os.truncate(at, 0),
        "unlink": at.unlink,
        "rename": lambda: at.rename(at.with_name("other")),
        "take": lambda: at.rename(job.scratch / "taken"),
        "link": lambda: os.link(at, job.scratch / "linked"),
        "symlink": lambda: os.symlink(at, job.scratch / "led"),
        "fifo": lambda: os.mkfifo(job.scratch / "pipe"),
        "chmod": lambda: at.chmod(0o666),
        "fchmod": lambda: os.fchmod(os.open(at, os.O_RDONLY), 0o666),
        "chown": lambda: os.chown(at, os.getuid(), os.getgid()),
        "touch": lambda: os.utime(at, (0, 0)),
        "xattr": lambda: os.setxattr(at, "user.mine", b"1"),
        "mkdir": lambda: (at / "mine").mkdir(),
        "run": lambda: subprocess.run(["/bin/true"], check=True),
        "exec": lambda: os.execv("/bin/true", ["true"]),
        "fork": os.fork,
        "tcp": lambda: socket.create_connection(("127.0.0.1", settings.pid), 2),
        "listen": lambda: socket.create_server(("127.0.0.1", 0)),
        "unix": lambda: socket.socket(socket.AF_UNIX).connect(str(at)),
        "kill": lambda: os.kill(settings.pid, 0),
        "limit": lambda: __import__("resource").prlimit(settings.pid, 7, (1, 1)),
        "ptrace": lambda: called(libc.ptrace(16, settings.pid, None, None)),
        "memory": lambda: Path(f"/proc/{settings.pid}/mem").open("rb"),
        "environ": lambda: Path(f"/proc/{settings.pid}/environ").read_bytes(),
        "unshare": lambda: called(libc.unshare(0x10000000)),
        "late": lambda: __import__("encodings.idna"),
        "own": lambda: own(job.scratch),
        "thread": thread,
        "suicide": lambda: os.kill(os.getpid(), 9),
        "answer": lambda: answer(job, at.name),
    }
    if do in ("handles", "lone", "hang", "deaf", "write"):
        plainly(do, at)
    try:
        acts[do]()
    except PermissionError:
        raise Refusal("refused")
    except OSError as error:  # EXDEV: so the kernel refuses to take a name from one folder into another
        raise Refusal("refused" if error.errno == 18 else f"error {error.errno}")
    raise Refusal("went through")

def own(scratch):
    """What a step may do in its own folder."""
    (scratch / "a").mkdir()
    (scratch / "a" / "one").write_text("1")
    (scratch / "a" / "one").rename(scratch / "two")
    with (scratch / "two").open("r+b") as file:
        file.truncate(0)
    os.unlink(scratch / "two")
    (scratch / "a").rmdir()

def plainly(do, at):
    """What is left to the program to judge."""
    if do == "handles":
        held = [os.open("/dev/null", os.O_RDONLY) for _ in range(100_000)]
    if do == "lone":
        raise ValueError("half a letter: \\ud800" + 10_000 * "x")
    if do == "write":
        at.write_text("mine")
        raise ValueError("it went through")
    if do == "deaf":
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    while True:
        time.sleep(0.05)

def answer(job, kind):
    """Leave an answer that is none, and end as if all were well."""
    to, log = job.scratch / "result.json", job.scratch / "child.log"
    said = {"result": 1, "job": job.id, "attempt": 1, "outcome": "refused", "reason": "No."}
    if kind == "link":
        to.symlink_to("/dev/zero")
    elif kind == "pipe":
        os.mkfifo(to)
    elif kind == "folder":
        to.mkdir()
    elif kind == "nested":
        to.write_text("[" * 200_000)
    elif kind == "long":
        to.write_text(json.dumps(said | {"reason": "x" * (9 << 20)}))
    elif kind == "more":
        to.write_text(json.dumps(said | {"command": "rm"}))
    elif kind == "other-job":
        to.write_text(json.dumps(said | {"job": "w9999999"}))
    elif kind == "other-attempt":
        to.write_text(json.dumps(said | {"attempt": 2}))
    elif kind == "log-pipe":
        log.unlink()
        os.mkfifo(log)
    elif kind == "original":
        files = ("sheet", "preview", "ticket", "ticket_json")
        for name in files:
            os.link(job.source, job.scratch / name)
        outputs = [{"kind": name, "path": name, "bytes": 7, "blake3": "0"} for name in files]
        to.write_text(json.dumps(said | {"outcome": "done", "outputs": outputs}))
    elif kind == "loud":
        text = "\\x1b[2J\\u202eNo.\\n   done"
        to.write_text(json.dumps(said | {"reason": text, "notes": [{"text": text, "level": "warning"}], "record": {text: [text]}}))
    elif kind == "shouting":
        log.write_text("\\x1b[2J gone")
    elif kind == "good":
        to.write_text(json.dumps(said))
    os._exit(0)

def thread():
    """A second thread starts, and is inside too."""
    said = []
    def inside():
        try:
            socket.socket()
        except PermissionError:
            said.append("refused")
    one = threading.Thread(target=inside)
    one.start()
    one.join()
    if said:
        raise PermissionError

@hookimpl
def drydown_steps():
    """The one maker."""
    return [sheet_maker(name="bad", settings=Asked, run=made)]
'''


class Walled:
    """The studio, laid out in `root`."""

    def __init__(self, root: Path, *, sandbox: Sandbox = "available") -> None:
        for name in ("plugins", "prints", "taken", "home", "state/work/other/1"):
            (root / name).mkdir(parents=True)
        (root / "plugins" / "bad.py").write_text(PLUGIN)
        (root / "p.icc").write_bytes(b"profile")
        (root / "taken" / "a.jpg").write_bytes(b"picture")
        (root / "taken" / "a.jpg").chmod(0o640)
        (root / "state" / "ledger.db").write_bytes(b"rows")
        (root / "state" / "work" / "other" / "1" / "sheet.tif").write_bytes(b"sheet")
        self.plugin: Origin = discover(root / "plugins").origins["bad"]
        self.root, self.starter = root, Starter([self.plugin], cores=1, sandbox=sandbox)
        self.attempts = Attempts(self.starter, root / "state" / "work")
        self.original = root / "taken" / "a.jpg"
        self.other = root / "state" / "work" / "other" / "1"
        self._count = 0

    def spec(self, do: str, at: Path | None = None, pid: int = 0, *, deadline_s: float = 60) -> JobSpec:
        self._count += 1
        ref = PluginRef(
            module=self.plugin.module,
            file=self.plugin.file,
            offered_by=self.plugin.offered_by,
            blake3=self.plugin.blake3,
        )
        sheet = SheetSpec(name="4x6", size=SizeMm(101.6, 152.4), pwg="na_index-4x6_4x6in")
        asked = {"do": do, "at": str(at or self.root), "pid": pid}
        data = {
            "job": f"w{self._count:07}",
            "hot_folder": "final",
            "prints": self.root / "prints",
            "source": self.original,
            "source_name": "a.jpg",
            "stem": "a",
            "recipe": "r",
            "steps": (),
            "maker": StepSpec(name="bad", use="bad", settings=asked, plugin=ref),
            "stock": StockSpec(
                name="s",
                profile=self.root / "p.icc",
                profile_blake3=blake3(b"profile").hexdigest(),
                ppi=100,
                intent="relative",
                black_point_compensation=True,
            ),
            "sheet": sheet,
            "final_sheet": sheet,
            "margins_mm": EdgesMm(),
            "viewing_mm": 400,
            "made": "2026-01-01T00:00:00+00:00",
            "deadline_s": deadline_s,
        }
        return JobSpec.model_validate(data)

    def does(self, do: str, at: Path | None = None, pid: int = 0) -> str:
        """How it went when a plugin did it: refused, went through, error N, or the outcome of an attempt that said nothing."""
        result: AttemptResult = self.attempts(self.spec(do, at, pid), 1)
        return result.reason if result.outcome == "refused" else f"{result.outcome}: {result.reason}"
