"""The child processes of the embedded default: they come up, are tied to their parent, and leave nothing behind."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from trimmer import embedded
from trimmer.embedded import Child

SLEEP = [sys.executable, "-c", "import time; time.sleep(60)"]
TREE = [sys.executable, "-c", f"import subprocess; subprocess.run({SLEEP!r})"]


def wait_for(true: Callable[[], bool], seconds: float = 20) -> bool:
    deadline = time.monotonic() + seconds
    while not true() and time.monotonic() < deadline:
        time.sleep(0.02)
    return true()


def group_is_alive(number: int) -> bool:
    try:
        os.killpg(number, 0)
    except ProcessLookupError:
        return False
    return True


def test_the_socket_lies_in_the_folder_unless_its_path_were_too_long(tmp_path: Path) -> None:
    deep = tmp_path / ("d" * 100)

    assert embedded.socket_path(Path("/srv/var")) == Path("/srv/var/valkey.sock")
    assert len(str(embedded.socket_path(deep))) <= embedded.LONGEST_SOCKET_PATH
    assert embedded.socket_path(deep) == embedded.socket_path(deep)
    assert embedded.socket_path(deep) != embedded.socket_path(tmp_path / ("e" * 100))


def test_valkey_keeps_what_it_was_told_from_one_start_to_the_next(tmp_path: Path) -> None:
    at = embedded.socket_path(tmp_path)
    with embedded.valkey(tmp_path):
        assert embedded.ask(at, "INCR rounds") == b":1\r\n"
    with embedded.valkey(tmp_path):
        assert embedded.ask(at, "INCR rounds") == b":2\r\n"

    assert not at.exists()


def test_valkey_works_where_the_path_is_too_long_for_a_socket(tmp_path: Path) -> None:
    deep = tmp_path / ("d" * 100)
    at = embedded.socket_path(deep)
    with embedded.valkey(deep):
        assert embedded.ask(at, "PING") == b"+PONG\r\n"

    assert not at.parent.exists()


def test_a_folder_is_served_once(tmp_path: Path) -> None:
    with embedded.valkey(tmp_path), pytest.raises(embedded.AlreadyRunning, match="in use"), embedded.valkey(tmp_path):
        pass


def test_a_socket_folder_open_to_others_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    deep = tmp_path / ("d" * 100)
    embedded.socket_path(deep).parent.mkdir(mode=0o755)

    with pytest.raises(embedded.CannotStart, match="open to others"), embedded.valkey(deep):
        pass


def test_a_valkey_whose_parent_was_killed_makes_way_for_the_next(tmp_path: Path) -> None:
    at = embedded.socket_path(tmp_path)
    program = [
        str(embedded.valkey_program()),
        "--port",
        "0",
        "--unixsocket",
        str(at),
        "--dir",
        str(tmp_path),
        "--save",
        "",
    ]
    with embedded.running(Child("orphan", program, log=tmp_path / "log", cwd=tmp_path)) as orphan:
        orphan.wait_until(lambda: bool(embedded.ask(at, "PING")), seconds=20)
        with embedded.valkey(tmp_path):
            assert orphan.ended == 0
            assert embedded.ask(at, "PING") == b"+PONG\r\n"


def test_no_broker_is_started_when_one_is_given(tmp_path: Path) -> None:
    with embedded.broker(tmp_path, given="redis://elsewhere"):
        assert not embedded.socket_path(tmp_path).exists()


def test_a_child_that_ends_at_once_is_reported_with_the_end_of_its_log(tmp_path: Path) -> None:
    child = Child("clerk", [sys.executable, "-c", "raise SystemExit('no pen')"], log=tmp_path / "log")
    child.start()

    with pytest.raises(embedded.CannotStart, match="clerk ended with 1\nno pen"):
        child.wait_until(lambda: False, seconds=20)


def test_a_child_that_never_answers_is_killed(tmp_path: Path) -> None:
    child = Child("clerk", SLEEP, log=tmp_path / "log")
    child.start()

    with pytest.raises(embedded.CannotStart, match="did not answer"):
        child.wait_until(lambda: False, seconds=0.2)

    assert child.ended == -signal.SIGKILL


def test_killing_a_child_takes_all_it_started_with_it() -> None:
    child = Child("tree", TREE)
    child.start()

    child.kill()

    assert wait_for(lambda: not group_is_alive(child.pid))


def test_a_child_stops_when_the_block_fails() -> None:
    with pytest.raises(ZeroDivisionError), embedded.running(Child("sleeper", SLEEP)) as child:
        raise ZeroDivisionError

    assert child.ended is not None


PARENT = f"""
import sys
from pathlib import Path
from trimmer import embedded
with embedded.stopped_by_signals(), embedded.running(embedded.Child("sleeper", {SLEEP!r})) as child:
    print(child.pid, flush=True)
    sys.stdin.read()
"""


@pytest.mark.parametrize(
    "number",
    [
        signal.SIGTERM,
        pytest.param(
            signal.SIGKILL,
            marks=pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends a child with its killed parent"),
        ),
    ],
)
def test_children_end_with_their_parent(number: signal.Signals) -> None:
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT], cwd=embedded.BASE_DIR, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    with parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        parent.send_signal(number)

    assert wait_for(lambda: not group_is_alive(child))


def test_a_child_that_dies_is_started_again_and_given_up_when_it_keeps_dying(tmp_path: Path) -> None:
    said: list[str] = []
    child = Child("worker", [sys.executable, "-c", "raise SystemExit(3)"], log=tmp_path / "log")

    with pytest.raises(embedded.CannotStart, match="worker ends just after each start"):
        embedded.keep_running([child], say=said.append)

    assert said == ["worker ended (exit code 3); started again"] * (embedded.QUICK_DEATHS - 1)


def test_a_port_in_use_is_refused_and_zero_means_a_free_one() -> None:
    with embedded.local_address() as first:
        taken = first.getsockname()[1]
        with pytest.raises(OSError, match="in use"):
            embedded.local_address(taken)
