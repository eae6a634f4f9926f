"""One request-reply line on a pseudo-terminal, with a scripted peer that misbehaves in every known way."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from peers import Peer, peer

from drivers import description
from drivers import line as line_module
from drivers.errors import LinkLost, PortUnavailable, Refused, ReplyInvalid, ReplyLate, Stopped
from drivers.line import Line

WORDS = description.load("focuser_words")
QUICK = replace(WORDS.line, reply_within_s=0.15)


@contextmanager
def line_to(handler: Callable[[bytes], bytes | None], **options: object) -> Iterator[tuple[Line, Peer]]:
    with peer(handler) as device:
        line = Line(device.path, WORDS.framing, replace(QUICK, **options), announce=WORDS.announcement)
        line.open()
        try:
            yield line, device
        finally:
            line.close()


def ask(line: Line, name: str = "position", retries: int = 0, stop: threading.Event | None = None) -> object:
    return line.exchange(
        WORDS.encode(name), lambda body: WORDS.decode(name, body).get(name), retries=retries, stop=stop
    )


def answers(*replies: bytes | None) -> Callable[[bytes], bytes | None]:
    """Answer one after the other, and the last for ever."""
    left = list(replies)
    return lambda request: left.pop(0) if len(left) > 1 else left[0]


def test_a_reply_is_read_whole() -> None:
    with line_to(answers(b"at 12345\r\n")) as (line, device):
        assert ask(line) == 12345
        assert device.heard == [b"where"]


def test_a_reply_in_pieces_is_read_whole() -> None:
    with line_to(answers(None)) as (line, device):

        def dribble(request: bytes) -> None:
            for byte in b"at 77\r\n":
                device.say(bytes([byte]))
                time.sleep(0.002)

        device.handler = dribble
        assert ask(line) == 77


def test_silence_is_late_and_the_message_shows_the_wire() -> None:
    with line_to(answers(None)) as (line, _), pytest.raises(ReplyLate) as error:
        ask(line)
    assert "no reply within 0.15 s" in str(error.value)
    assert "> 77 68 65 72 65 0a  |where.|" in str(error.value)


def test_a_query_is_asked_again_but_a_command_is_not() -> None:
    with line_to(answers(None, b"at 5\r\n")) as (line, device):
        assert ask(line, retries=2) == 5
        device.handler = answers(None, b"at 5\r\n")
        with pytest.raises(ReplyLate):
            ask(line, retries=0)


def test_a_late_reply_is_not_taken_for_the_next_one() -> None:
    with line_to(answers(None)) as (line, device):
        with pytest.raises(ReplyLate):
            ask(line)
        device.handler = lambda request: None
        timer = threading.Timer(0.05, lambda: device.say(b"at 111\r\n"))
        timer.start()
        device.handler = answers(b"at 222\r\n")
        assert ask(line) == 222
        timer.join()


@pytest.mark.parametrize("reply", [b"at 123", b"at 123\n", b"at 123\r", b"\r\n"[:1]])
def test_a_half_or_wrongly_ended_reply_is_invalid_and_never_a_number(reply: bytes) -> None:
    with line_to(answers(reply)) as (line, _), pytest.raises(ReplyInvalid, match="unfinished reply"):
        ask(line)


def test_garbage_before_a_reply_costs_one_try() -> None:
    with line_to(answers(b"\x00\xffat 9\r\n", b"at 9\r\n")) as (line, _):
        assert ask(line, retries=1) == 9


def test_garbage_that_waits_before_the_request_is_dropped() -> None:
    with line_to(answers(b"at 9\r\n")) as (line, device):
        device.say(b"\x00noise\r\nat 5\r\n")
        time.sleep(0.02)
        assert ask(line) == 9


def test_a_duplicated_reply_does_not_shift_the_following_ones() -> None:
    numbers = iter(range(100))

    def twice(request: bytes) -> bytes:
        return 2 * f"at {next(numbers)}\r\n".encode()

    with line_to(twice) as (line, _):
        assert [ask(line) for _ in range(5)] == [0, 1, 2, 3, 4]


def test_an_endless_reply_is_cut_off() -> None:
    with line_to(answers(b"x" * 1000)) as (line, _), pytest.raises(ReplyInvalid, match="without the end"):
        ask(line)


def test_an_echo_is_named_when_undeclared_and_dropped_when_declared() -> None:
    with (
        line_to(lambda request: request + b"\r\nat 4\r\n") as (line, _),
        pytest.raises(ReplyInvalid, match="echo"),
    ):
        ask(line)
    with line_to(lambda request: request + b"\nat 4\r\n", echo=True) as (line, _):
        assert ask(line) == 4
    with line_to(answers(b"at 4\r\n"), echo=True) as (line, _), pytest.raises(ReplyInvalid, match="echo of"):
        ask(line)


def test_an_unasked_message_is_heeded_and_passed_over() -> None:
    resets = []
    with peer(answers(b"awake focuser\r\nat 3\r\n")) as device:
        line = Line(device.path, WORDS.framing, QUICK, announce=WORDS.announcement,
                    on_reset=lambda: resets.append(1))  # fmt: skip
        line.open()
        assert ask(line) == 3
        line.close()
    assert resets == [1]


def test_a_refusal_is_not_retried() -> None:
    with line_to(answers(b"refused turning\r\n")) as (line, device):
        with pytest.raises(Refused):
            ask(line, retries=4)
        assert len(device.heard) == 1


def test_a_vanished_peer_is_a_lost_link_in_every_call() -> None:
    with line_to(answers(b"at 1\r\n")) as (line, device):
        assert ask(line) == 1
        device.vanish()
        for action in (lambda: ask(line), lambda: line.interject(b"halt\n"), lambda: line.send(b"x\n")):
            with pytest.raises(LinkLost):
                action()


def test_a_peer_that_vanishes_while_waited_for_is_a_lost_link() -> None:
    with line_to(answers(None), reply_within_s=5.0) as (line, device):
        timer = threading.Timer(0.05, device.vanish)
        timer.start()
        with pytest.raises(LinkLost, match="check cable and power"):
            ask(line)
        timer.join()


def test_a_closed_line_is_a_lost_link() -> None:
    with line_to(answers(b"at 1\r\n")) as (line, _):
        line.close()
        with pytest.raises(LinkLost, match="closed"):
            ask(line)
        line.close()


def test_a_peer_that_takes_no_bytes_blocks_nobody_for_long() -> None:
    with line_to(answers(None)) as (line, device):
        device.stop_listening()
        with pytest.raises(LinkLost, match="takes no bytes"):
            for _ in range(64):
                line.send(b"x" * 4096)


def test_two_programs_cannot_share_a_port() -> None:
    with line_to(answers(b"at 1\r\n")) as (line, device):
        second = Line(device.path, WORDS.framing, QUICK)
        with pytest.raises(PortUnavailable, match="another program holds it"):
            second.open()
        assert ask(line) == 1


def test_a_missing_port_says_what_is_there() -> None:
    with pytest.raises(PortUnavailable, match="does not exist; ports here:"):
        Line("/dev/ttyNOTHERE", WORDS.framing, QUICK).open()


def test_a_halt_goes_out_while_an_exchange_waits_and_ends_it() -> None:
    with line_to(answers(None), reply_within_s=30.0) as (line, device):
        replies = {b"where": None, b"halt": b"at 1\r\nhalting\r\n", b"state": b"motor still\r\n"}
        device.handler = replies.get
        outcome: list[BaseException] = []

        def worker() -> None:
            try:
                ask(line)
            except Stopped as stopped:
                outcome.append(stopped)

        thread = threading.Thread(target=worker)
        thread.start()
        while b"where" not in device.heard:
            time.sleep(0.005)
        line.interject(WORDS.encode("halt"))
        thread.join(5.0)
        assert not thread.is_alive()
        assert device.heard[:2] == [b"where", b"halt"]
        # The late "at 1" and "halting" belong to nobody any more: the next query gets its own reply.
        assert ask(line, "state") == "still"
    assert len(outcome) <= 1  # the late reply may have come just before the halt was noticed


def test_a_stop_signal_ends_a_wait() -> None:
    stop = threading.Event()
    with line_to(answers(None), reply_within_s=30.0) as (line, _):
        timer = threading.Timer(0.05, stop.set)
        timer.start()
        with pytest.raises(Stopped):
            ask(line, stop=stop)
        timer.join()


def test_reconnect_waits_until_the_port_is_back(tmp_path) -> None:
    link = tmp_path / "port"
    with peer(answers(b"at 1\r\n")) as first:
        link.symlink_to(first.path)
        line = Line(str(link), WORDS.framing, QUICK)
        line.open()
    link.unlink()
    with pytest.raises(LinkLost):
        ask(line)
    with pytest.raises(PortUnavailable):
        line.reconnect(0.1)
    with peer(answers(b"at 2\r\n")) as second:
        timer = threading.Timer(0.1, lambda: link.symlink_to(second.path))
        timer.start()
        line.reconnect(10.0)
        assert ask(line) == 2
        line.close()
        timer.join()


def test_repeated_failures_are_logged_once_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    events: list[tuple[str, dict[str, object]]] = []

    class Log:
        def __getattr__(self, level: str) -> Callable[..., None]:
            return lambda event, **fields: events.append((event, fields))

    monkeypatch.setattr(line_module, "log", Log())
    with line_to(answers(None)) as (line, device):
        for _ in range(3):
            with pytest.raises(ReplyLate):
                ask(line)
        device.handler = answers(b"at 1\r\n")
        ask(line)
    names = [name for name, _ in events]
    assert names.count("exchange_failed") == 1
    assert ("exchange_failed_recovered", {"failures": 3}) in events


def test_a_socket_url_speaks_the_same() -> None:
    server = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        connection, _ = server.accept()
        with connection:
            while connection.recv(100):
                connection.sendall(b"at 31\r\n")

    thread = threading.Thread(target=serve)
    thread.start()
    line = Line(f"socket://127.0.0.1:{server.getsockname()[1]}", WORDS.framing, QUICK)
    line.open()
    assert ask(line) == 31
    line.close()
    thread.join(5)
    server.close()
    with pytest.raises(PortUnavailable, match="cannot be reached"):
        line.open()


def test_the_write_of_a_halt_is_not_interleaved() -> None:
    with line_to(lambda request: b"at 1\r\n") as (line, device):
        stop = threading.Event()

        def halts() -> None:
            while not stop.is_set():
                line.interject(b"halt\n")
                time.sleep(0.001)

        thread = threading.Thread(target=halts)
        thread.start()
        for _ in range(30):
            try:
                ask(line)
            except (Stopped, ReplyInvalid):
                continue
        stop.set()
        thread.join()
        assert set(device.heard) <= {b"where", b"halt"}
