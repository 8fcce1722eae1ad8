"""Which ports are boards, and the sentence for each way a port cannot be opened."""

from __future__ import annotations

import errno
import os
import socket
import sys
import threading
from pathlib import Path

import pytest

from coilbell.board import ports, transport
from coilbell.board.ports import USB_ID, BoardPort, cannot_open, choose, holder, socket_refused
from coilbell.errors import InputError, MissingError, WireError

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a thing of POSIX")


def _port(device: str, usb_id: tuple[int, int] | None = USB_ID) -> BoardPort:
    return BoardPort(device, usb_id, "e66138935f2b4a2c", "Board in FS mode")


def test_the_only_board_is_chosen_among_other_ports() -> None:
    assert (
        choose([_port("/dev/ttyS0", None), _port("/dev/ttyACM3"), _port("x", (0x403, 0x6001))])
        == "/dev/ttyACM3"
    )


def test_without_a_board_nothing_is_chosen_and_virtual_is_only_named() -> None:
    with pytest.raises(MissingError, match="no board found") as caught:
        choose([_port("/dev/ttyS0", None)])
    assert "virtual:" in str(caught.value)


def test_several_boards_are_listed_to_choose_from() -> None:
    with pytest.raises(InputError, match="COM5, COM7"):
        choose([_port("COM5"), _port("COM7")])


def test_system_listing_carries_the_usb_id(monkeypatch: pytest.MonkeyPatch) -> None:
    from serial.tools import list_ports
    from serial.tools.list_ports_common import ListPortInfo

    info = ListPortInfo("/dev/ttyACM9", skip_link_detection=True)
    info.vid, info.pid, info.serial_number = 0x2E8A, 0x0005, "E66138935F2B4A2C"
    monkeypatch.setattr(list_ports, "comports", lambda: [info])
    (found,) = transport.serial_ports()
    assert found == BoardPort("/dev/ttyACM9", USB_ID, "e66138935f2b4a2c", "")
    assert found.is_board


@pytest.mark.parametrize("number", [errno.EBUSY, errno.EAGAIN])
def test_a_busy_port_is_said_to_be_busy(number: int) -> None:
    assert "is busy" in str(cannot_open("COM5", number, ["COM5"]))


def test_a_listed_port_without_a_reason_is_busy_and_an_unlisted_one_is_gone() -> None:
    # Windows tells no number through pyserial.
    assert "COM5 is busy" in str(cannot_open("COM5", None, ["COM5", "COM6"]))
    assert "com5 is busy" in str(cannot_open("com5", None, ["COM5", "COM6"]))
    assert "COM12 is busy" in str(cannot_open(r"\\.\COM12", None, ["COM12"]))
    gone = str(cannot_open("COM5", None, ["COM6"]))
    assert "COM5 is not there" in gone
    assert "COM6" in gone


@posix
def test_a_forbidden_port_gets_the_remedy_with_its_own_group(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    node = tmp_path / "ttyACM0"
    node.touch()
    node.chmod(0o660)
    text = str(cannot_open(str(node), errno.EACCES, [str(node)]))
    import grp

    assert f"usermod -a -G {grp.getgrgid(node.stat().st_gid).gr_name}" in text
    assert 'ATTRS{idVendor}=="2e8a", ATTRS{idProduct}=="0005"' in text
    node.chmod(0o600)
    assert "usermod" not in str(cannot_open(str(node), errno.EACCES, []))


def test_the_program_that_holds_a_port_is_named(tmp_path: Path) -> None:
    node = tmp_path / "ttyACM0"
    node.touch()
    folder = tmp_path / "proc" / "4711" / "fd"
    folder.mkdir(parents=True)
    (folder / "3").symlink_to(node)
    (folder.parent / "comm").write_text("minicom\n")
    assert holder(str(node), tmp_path / "proc") == "minicom (process 4711)"
    assert holder(str(tmp_path / "other"), tmp_path / "proc") == ""
    # What is no file is not searched for: with damaged streams that would be paid for at each.
    assert holder("virtual:", None) == ""  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ConnectionRefusedError(), "nothing answers"),
        (TimeoutError(), "in time"),
        (OSError(errno.EHOSTUNREACH, "No route to host"), "No route to host"),
        (ValueError("port"), "write it as socket://host:port"),
    ],
)
def test_each_way_a_socket_refuses(error: Exception, words: str) -> None:
    assert words in str(socket_refused("socket://nowhere:1", error))


def test_a_port_that_is_not_there() -> None:
    with pytest.raises(MissingError, match="is not there"):
        transport.open_port("/dev/ttyACM-none" if sys.platform != "win32" else "COM199")


def test_a_socket_nobody_listens_on() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        number = free.getsockname()[1]
    with pytest.raises(MissingError, match="nothing answers"):
        transport.open_port(f"socket://127.0.0.1:{number}")


@pytest.mark.parametrize("name", ["", "  ", "ftp://host"])
def test_a_name_that_is_no_port(name: str) -> None:
    with pytest.raises(InputError, match="such as COM5"):
        transport.open_port(name)


@posix
def test_a_port_held_by_another_program_is_busy() -> None:
    controller, terminal = os.openpty()
    name = os.ttyname(terminal)
    first = transport.open_port(name)
    try:
        with pytest.raises(MissingError, match="is busy"):
            transport.open_port(name)
    finally:
        first.close()
        os.close(controller)
        os.close(terminal)


@posix
def test_bytes_go_both_ways_through_a_serial_port_and_its_end_is_an_error() -> None:
    import tty

    controller, terminal = os.openpty()
    tty.setraw(terminal)
    port = transport.open_port(os.ttyname(terminal))
    os.close(terminal)
    os.write(controller, b"abc")
    assert port.read(1.0) == b"abc"
    assert port.read(0.01) == b""
    port.write(b"hello\n")
    assert os.read(controller, 100) == b"hello\n"
    os.close(controller)
    with pytest.raises(WireError, match="vanished"):
        port.read(1.0)
    port.close()
    port.close()


def test_a_board_that_takes_no_bytes_is_not_waited_for() -> None:
    """Neither a system's drain nor pyserial's flush has an end of its own."""

    class Deaf:
        port, timeout, flushed = "COM5", 0.0, 0

        def write(self, data: bytes) -> int:
            return len(data)

        def flush(self) -> None:
            self.flushed += 1

    device = Deaf()
    transport.SerialPort(device, "COM5").write(b"hello\n")
    assert device.flushed == 0


def test_a_socket_gives_all_that_waits_at_once_and_its_end_is_an_error() -> None:
    server = socket.create_server(("127.0.0.1", 0))
    port = transport.open_port(f"socket://127.0.0.1:{server.getsockname()[1]}")
    peer, _ = server.accept()
    blob = bytes(range(256)) * 40
    sender = threading.Thread(target=peer.sendall, args=(blob,))
    sender.start()
    sender.join()
    got, reads = b"", 0
    while len(got) < len(blob):
        got += port.read(1.0)
        reads += 1
    assert got == blob
    assert reads < 20
    peer.close()
    with pytest.raises(WireError, match="vanished"):
        port.read(1.0)
    port.close()
    server.close()


def test_public_names_of_ports() -> None:
    assert set(ports.__all__) <= set(dir(ports))
