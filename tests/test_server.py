"""A container engine is used only where one answers within the time given."""

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.server import engine_answers


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as wire:
        yield wire


def address(listener: socket.socket) -> str:
    return f"tcp://127.0.0.1:{listener.getsockname()[1]}"


def test_no_socket_is_no_engine(tmp_path: Path) -> None:
    assert not engine_answers(f"unix://{tmp_path}/absent.sock", within_s=1.0)
    assert not engine_answers("ssh://engine.example", within_s=1.0)


def test_a_silent_socket_is_no_engine_and_is_not_waited_for(listener: socket.socket) -> None:
    began = time.monotonic()
    assert not engine_answers(address(listener), within_s=0.2)
    assert time.monotonic() - began < 2.0


@pytest.mark.parametrize(("status", "answers"), [(b"200 OK", True), (b"503 Busy", False)])
def test_an_engine_is_what_answers_its_ping(listener: socket.socket, status: bytes, answers: bool) -> None:
    def answer() -> None:
        wire, _ = listener.accept()
        with wire:
            wire.recv(1024)
            wire.sendall(b"HTTP/1.1 " + status + b"\r\n\r\n")

    answering = threading.Thread(target=answer)
    answering.start()
    assert engine_answers(address(listener), within_s=1.0) is answers
    answering.join()
