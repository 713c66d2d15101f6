"""What the tests of the archive share: ledgers in memory, and each kind of database as a place for an archive."""

import itertools
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

SUPPORT = str(Path(__file__).resolve().parents[1] / "link" / "support")
if SUPPORT not in sys.path:
    sys.path.insert(0, SUPPORT)

_numbers = itertools.count(1)


@pytest.fixture(autouse=True)
def no_other_testers(tmp_path, monkeypatch):
    """Keep virtual testers and archives of this computer out of the tests."""
    monkeypatch.setenv("PROBELEDGER_RUNTIME", str(tmp_path / "runtime"))
    monkeypatch.setenv("PROBELEDGER_ARCHIVE", str(tmp_path / "archive.sqlite"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


def _missing(reason):
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


def _programs():
    """Return the folder of PostgreSQL's server programs."""
    found = shutil.which("initdb")
    if found:
        return Path(found).parent
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    return places[-1].parent if places else None


@pytest.fixture(scope="session")
def postgresql_server():
    """Run a PostgreSQL server of our own on a free loopback port; return its URL without a database's name."""
    pytest.importorskip("psycopg") if os.environ.get("CI") != "true" else __import__("psycopg")
    programs = _programs()
    if programs is None:
        _missing("PostgreSQL is missing: run make test-deps")
    # The server refuses to run as root; its package brings a user.
    user = {"user": "postgres", "group": "postgres", "extra_groups": []} if os.geteuid() == 0 else {}
    folder = Path(tempfile.mkdtemp(prefix="probeledger-pg-"))
    try:
        if user:
            shutil.chown(folder, "postgres", "postgres")
    except LookupError:
        shutil.rmtree(folder)
        _missing("PostgreSQL will not run as root, and there is no user postgres")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    data = folder / "data"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder, **user}
    subprocess.run(
        [programs / "initdb", "-D", data, "-U", "shop", "-A", "trust", "-E", "UTF8", "--no-locale", "--no-sync"],
        check=True,
        **quiet,
    )
    options = ["-c", "listen_addresses=127.0.0.1", "-c", f"unix_socket_directories={folder}", "-c", "fsync=off"]
    server = subprocess.Popen([programs / "postgres", "-D", data, "-p", str(port), *options], **quiet)
    try:
        url = f"postgresql://shop@127.0.0.1:{port}"
        import psycopg

        for _ in range(300):
            try:
                psycopg.connect(f"{url}/postgres").close()
                break
            except psycopg.OperationalError:
                assert server.poll() is None, "the PostgreSQL server did not start"
                time.sleep(0.1)
        else:
            pytest.fail("the PostgreSQL server does not answer")
        yield url
    finally:
        # A fast shutdown: it ends sessions that are open and writes everything down.
        server.send_signal(signal.SIGINT)
        try:
            server.wait(30)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgresql(postgresql_server):
    """Return the URL of an empty database of PostgreSQL."""
    import psycopg

    name = f"archive_{next(_numbers)}"
    with psycopg.connect(f"{postgresql_server}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    yield f"{postgresql_server}/{name}"
    with psycopg.connect(f"{postgresql_server}/postgres", autocommit=True) as connection:
        connection.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request, tmp_path):
    """Return where an archive may be made: a file's path, then a database of PostgreSQL."""
    if request.param == "sqlite":
        return str(tmp_path / "shop" / "archive.sqlite")
    return request.getfixturevalue("postgresql")


@pytest.fixture
def archive(place):
    """An empty archive in each kind of database."""
    from probeledger.archive import open_archive

    with open_archive(place, create=True) as made:
        yield made
