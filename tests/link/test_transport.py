"""Real ports: a pseudo-terminal and a loopback socket, and the sentences for what is no port."""

import socket
import threading

import pytest
from pty_tester import PtyTester
from scripted_tester import ScriptedTester, items

from probecore import record
from probeledger.errors import DeviceError, InputError, NoSuchPortError, VanishedError
from probeledger.link import open_session, open_transport


def test_a_pseudo_terminal_carries_every_byte_value():
    body = {"readings": [], "all": bytes(range(256)) * 4}
    sent = items(30, body=lambda number: body)
    with PtyTester(ScriptedTester(sent)) as other, open_session(other.port) as session:
        got = [pulled.item for arrived in session.pull(1, 30, record.GENESIS) for pulled in arrived]
    assert got == sent


def test_a_pseudo_terminal_that_goes_away_is_named():
    with PtyTester(ScriptedTester(items(30)), vanish_after_requests=1) as other:
        session = open_session(other.port)
        with pytest.raises(VanishedError, match="^/dev/.* went away while it was in use"), session:
            for _ in session.pull(1, 10_000, record.GENESIS):
                pass


def test_a_port_in_use_is_named():
    with PtyTester(ScriptedTester([])) as other:
        first = open_transport(other.port)
        with pytest.raises(DeviceError, match="is in use by another program"):
            open_transport(other.port)
        first.close()


def test_a_loopback_socket_serves_as_a_port():
    sent = items(40)
    server = socket.create_server(("127.0.0.1", 0))

    def serve():
        peer, _ = server.accept()
        tester = ScriptedTester(sent)
        with peer:
            while data := peer.recv(4096):
                peer.sendall(tester.feed(data))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    with open_session(f"socket://127.0.0.1:{server.getsockname()[1]}") as session:
        got = [pulled.item for arrived in session.pull(1, 40, record.GENESIS) for pulled in arrived]
    thread.join(5)
    server.close()
    assert got == sent


def test_a_socket_that_hangs_up_is_named():
    server = socket.create_server(("127.0.0.1", 0))
    port = open_transport(f"socket://127.0.0.1:{server.getsockname()[1]}")
    server.accept()[0].close()
    with pytest.raises(VanishedError):
        port.read(1.0)
    port.close()
    server.close()


@pytest.mark.parametrize(
    ("name", "error", "sentence"),
    [
        ("/dev/tty-none", NoSuchPortError, "There is no port /dev/tty-none."),
        ("/dev/null", NoSuchPortError, "/dev/null is no serial port."),
        ("/dev", NoSuchPortError, "/dev is no serial port."),
        ("", InputError, "The port's name is empty."),
        ("socket://127.0.0.1:1", NoSuchPortError, "Nothing listens at socket://127.0.0.1:1."),
        ("socket://nowhere", InputError, "is no socket address. Write it as socket://127.0.0.1:PORT."),
        ("http://127.0.0.1:80", InputError, "'http://127.0.0.1:80' is no port."),
    ],
)
def test_what_is_no_port_is_named(name, error, sentence):
    with pytest.raises(error) as caught:
        open_transport(name)
    assert sentence in caught.value.message


def test_a_file_is_no_port(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("no port")
    with pytest.raises(NoSuchPortError, match="is no serial port"):
        open_transport(str(path))
    assert path.read_text() == "no port"
