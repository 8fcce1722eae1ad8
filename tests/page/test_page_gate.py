"""Who gets in, what a page may send, and who commands. No browser."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus

from coilbell.bench.page import Desk, Keeping, Server
from coilbell.bench.page.audience import Audience, Seat
from coilbell.bench.page.messages import Answer, GroundLines
from coilbell.bench.page.order import MOST_BYTES, Mark, WishFor, order_of
from coilbell.errors import InputError


def test_the_page_comes_with_rules_that_forbid_foreign_and_inline_scripts(served: Any) -> None:
    answer = httpx.get(served.address)
    assert answer.status_code == 200
    rules = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == "'self'"
    assert "set-cookie" not in answer.headers
    assert answer.headers["referrer-policy"] == "no-referrer"


def test_every_part_of_the_page_is_served_from_here(served: Any) -> None:
    text = httpx.get(served.address).text
    assert "http://" not in text
    assert "https://" not in text
    for name in (
        "own/page.js",
        "own/page.css",
        "own/bell.svg",
        "plots/bokeh.min.js",
        "plots/bokeh-api.min.js",
    ):
        assert name in text
        assert httpx.get(served.address + name).status_code == 200, name


@pytest.mark.parametrize("path", ["", "/", "/wrong/", "/wrong/shots", "/own/page.js"])
def test_a_wrong_token_gets_nothing(served: Any, path: str) -> None:
    answer = httpx.get(served.origin + path)
    assert answer.status_code == 403
    assert served.server.token not in answer.text


@pytest.mark.parametrize("path", ["own/..%2f..%2fserver.py", "own/../server.py", "plots/bokeh.js", "own/"])
def test_only_named_files_are_served(served: Any, path: str) -> None:
    assert httpx.get(served.address + path).status_code in (403, 404)


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", ""])
def test_a_foreign_name_that_points_here_gets_nothing(served: Any, host: str) -> None:
    assert httpx.get(served.address, headers={"host": host}).status_code in (400, 403)


def test_a_foreign_page_cannot_ask(served: Any) -> None:
    assert httpx.get(served.address, headers={"origin": "http://evil.example"}).status_code == 403
    assert httpx.get(served.address, headers={"origin": served.origin}).status_code == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", None])
def test_the_stream_is_refused_to_a_hostile_origin(watch: Callable[..., Any], origin: str | None) -> None:
    with pytest.raises(InvalidStatus) as refused:
        watch(origin=origin)
    assert refused.value.response.status_code == 403


def test_the_stream_is_refused_without_the_token(served: Any) -> None:
    from websockets.sync.client import connect

    address = f"ws://127.0.0.1:{served.server.port}/wrong/shots"
    with pytest.raises(InvalidStatus), connect(address, origin=served.origin):
        pass


EVERYWHERE = [
    "0.0.0.0",
    "::",
    "",
    " ",
    "0",
    "0x0",
    "0.0",
    "0x0.0",
    "00.0x0.0.0",
    "0.",
    "::0",
    "0::",
    "::0.0.0.0",
]
OLD = ["127.1", "0x7f000001", "2130706433", "0177.0.0.1", "::ffff:0.0.0.0", "0:0:0:0:0:0:0:0"]


@pytest.mark.parametrize("host", EVERYWHERE + OLD)
def test_an_address_nobody_can_ask_for_is_refused(tmp_path: Path, source: Any, host: str) -> None:
    with pytest.raises(InputError, match="network"):
        Server(Desk(source, Keeping(tmp_path)), host)


def test_a_taken_port_is_one_line(served: Any, source: Any, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=str(served.server.port)):
        Server(Desk(source, Keeping(tmp_path)), "127.0.0.1", served.server.port)


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1"])
def test_an_address_of_this_computer_is_taken(tmp_path: Path, source: Any, host: str) -> None:
    server = Server(Desk(source, Keeping(tmp_path)), host)
    server._socket.close()
    assert f":{server.port}/" in server.address


def test_a_name_that_stands_for_every_address_is_refused(
    tmp_path: Path, source: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = [(socket.AF_INET, socket.SOCK_STREAM, 6, "", ("0.0.0.0", 0))]
    monkeypatch.setattr("coilbell.bench.page.access.socket.getaddrinfo", lambda *a, **k: found)
    with pytest.raises(InputError, match="network"):
        Server(Desk(source, Keeping(tmp_path)), "anywhere.example")


def _closed(peer: socket.socket) -> bool:
    """True when the server closes within some seconds; the machine may be busy."""
    peer.settimeout(20)
    try:
        while peer.recv(4096):
            pass
    except ConnectionResetError:
        pass
    except TimeoutError:
        return False
    return True


@pytest.mark.parametrize("head", [b"", b"GET / HTTP/1.1\r\nHost: ", b"GET /" + b"a" * 4000])
def test_a_head_that_never_comes_whole_is_not_waited_for(
    served: Any, head: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coilbell.bench.page.manners.HEAD_S", 0.3)
    with socket.create_connection(("127.0.0.1", served.server.port)) as peer:
        peer.sendall(head)
        assert _closed(peer)


def test_a_head_in_drops_is_not_waited_for_longer(served: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coilbell.bench.page.manners.HEAD_S", 0.3)
    whole = f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{served.server.port}\r\n\r\n".encode()
    with socket.create_connection(("127.0.0.1", served.server.port)) as peer:
        # A second request on the same connection, a byte at a time.
        peer.sendall(whole)
        assert peer.recv(4096).startswith(b"HTTP/1.1 403")
        dripped = 0
        with contextlib.suppress(OSError):
            while dripped < len(whole) - 1:
                peer.sendall(whole[dripped : dripped + 1])
                dripped += 1
                time.sleep(0.05)
        assert _closed(peer)
        assert dripped < len(whole) - 1


def test_a_page_that_stays_is_not_cut_off(
    served: Any, watch: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("coilbell.bench.page.manners.HEAD_S", 0.2)
    page = watch()
    page.next("status")
    time.sleep(0.6)
    page.order("strike")
    assert page.next("shot")["rings"]


def test_bytes_that_are_no_text_close_one_page_without_a_traceback(
    served: Any, watch: Callable[..., Any], capfd: pytest.CaptureFixture[str]
) -> None:
    from websockets.frames import Frame, Opcode

    bad, good = watch(), watch()
    bad.next("status")
    good.next("status")
    raw = Frame(Opcode.TEXT, b"\xff\xfe{").serialize(mask=True)
    bad.socket.socket.sendall(raw)
    with contextlib.suppress(ConnectionClosed):
        while True:
            bad.socket.recv(timeout=20)
    good.order("take")
    good.order("strike")
    assert good.next("shot")["rings"]
    assert "Traceback" not in capfd.readouterr().err


BAD = [
    "",
    "hello",
    "[]",
    "{}",
    '{"do": "fire"}',
    '{"do": "run"}',
    '{"do": "run", "on": "yes"}',
    '{"do": "run", "on": true, "volts": 400}',
    '{"do": "mark", "reference": 7, "unit": "u"}',
    '{"do": "strike"',
    b"\xff\xfe\x00",
    "9" * (MOST_BYTES + 1),
    "[" * 5000,
]


@pytest.mark.parametrize("message", BAD)
def test_a_malformed_message_is_named_and_does_no_harm(message: str | bytes) -> None:
    with pytest.raises(InputError):
        order_of(message)


def test_malformed_messages_leave_the_page_working(watch: Callable[..., Any], source: Any) -> None:
    page = watch()
    page.next("status")
    for message in BAD:
        page.socket.send(message)
        answer = page.next("answer")
        assert answer["failed"]
    assert not source.shots
    page.order("strike")
    assert page.next("shot")["rings"]


def test_orders_are_read_as_they_are_meant() -> None:
    assert order_of('{"do": "wish", "capacitor": "both"}') == WishFor(capacitor="both")
    assert order_of('{"do": "mark", "reference": "r", "unit": "u"}') == Mark("r", "u", "")


def test_orders_that_cannot_be_carried_out_say_why(watch: Callable[..., Any]) -> None:
    page = watch()
    page.until(lambda m: m["what"] == "status" and m["link"]["state"] == "ready")
    for order, word in (
        ({"do": "wish", "capacitor": "Q"}, "A, B, both"),
        ({"do": "wish", "connection": "sideways"}, "in circuit"),
        ({"do": "wish", "kind": "spring"}, "line-output transformer"),
        ({"do": "wish", "reference": "nowhere"}, "nowhere"),
        ({"do": "wish", "reference": "../../etc/passwd"}, "reference name"),
        ({"do": "mark", "reference": "r", "unit": "u"}, "nothing has been struck"),
        ({"do": "keep", "item": "lot-1"}, "nothing has been struck"),
        ({"do": "note", "item": " x", "words": "w"}, "item name"),
        ({"do": "note", "item": "lot-1", "words": " "}, "empty"),
    ):
        page.socket.send(json.dumps(order))
        answer = page.next("answer")
        assert answer["failed"], order
        assert word in answer["words"], order


def test_two_pages_watch_and_one_commands(watch: Callable[..., Any]) -> None:
    first = watch()
    first.next("status")
    second = watch()
    assert not second.next("status")["commands"]
    second.order("strike")
    assert "take over" in second.next("answer")["words"]
    first.order("strike")
    numbers = [page.next("shot")["number"] for page in (first, second)]
    assert numbers == [1, 1]
    second.order("take")
    assert second.until(lambda m: m["what"] == "status" and m["commands"])
    assert not first.until(lambda m: m["what"] == "status" and not m["commands"])["commands"]
    second.close()
    assert first.until(lambda m: m["what"] == "status" and m["pages"] == 1)["commands"]


def test_a_page_that_comes_later_sees_the_last_shot(watch: Callable[..., Any]) -> None:
    first = watch()
    first.order("strike")
    number = first.next("shot")["number"]
    assert watch().next("shot")["number"] == number


def test_a_mailbox_keeps_the_newest_frame_only() -> None:
    async def scene() -> list[bytes]:
        audience = Audience()
        audience.open()
        seat = audience.enter()
        for number in range(1000):
            audience.post(GroundLines(key=str(number)))
        audience.post(Answer(words="a"))
        audience.post(Answer(words="b"))
        await asyncio.sleep(0.05)
        return await seat.take()

    with ThreadPoolExecutor() as pool:  # a browser's tests may have a loop running in this thread
        frames = [json.loads(frame) for frame in pool.submit(asyncio.run, scene()).result()]
    assert [f["key"] for f in frames if f["what"] == "ground"] == ["999"]
    assert [f["words"] for f in frames if f["what"] == "answer"] == ["a", "b"]


def test_a_page_is_sent_no_shot_before_it_has_drawn_the_last() -> None:
    async def scene() -> list[list[bytes]]:
        seat = Seat(1)
        taken = []
        for number in range(4):
            seat.put("shot", b"shot %d" % number)
            seat.put("answer", b"answer")
            taken.append(await seat.take())
        seat.seen()
        taken.append(await seat.take())
        return taken

    with ThreadPoolExecutor() as pool:
        taken = pool.submit(asyncio.run, scene()).result()
    shots = [[frame for frame in frames if frame.startswith(b"shot")] for frames in taken]
    assert shots == [[b"shot 0"], [b"shot 1"], [], [], [b"shot 3"]]


def test_a_page_too_many_is_told_so_and_comes_in_when_one_goes(watch: Callable[..., Any]) -> None:
    pages = [watch() for _ in range(16)]
    for page in pages:
        page.next("status")
    one_more = watch()
    with pytest.raises(ConnectionClosed) as closed:
        one_more.next("status")
    assert closed.value.rcvd is not None
    assert closed.value.rcvd.code == 1013  # "try again later" (RFC 6455 registry)
    pages[0].close()
    for _ in range(50):
        with contextlib.suppress(ConnectionClosed):
            assert watch().next("status")
            break
        time.sleep(0.1)
    else:
        pytest.fail("no page gets in although one has gone")
