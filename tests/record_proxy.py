"""A way to an archive on loopback that does something at a given byte of what passes."""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator

from tests.orthanc import free_port

CHUNK = 4096


class Proxy:
    """Passes bytes on; `at` bytes toward the archive, or from it, it acts.

    Parameters
    ----------
    target : int
        Port of the archive on loopback.
    tls : SSLContext, optional
        Speaks TLS to those who come, plainly to the archive.
    """

    def __init__(self, target: int, tls: ssl.SSLContext | None = None) -> None:
        self.target = target
        self.tls = tls
        self.port = free_port()
        self.sent = self.answered = 0
        self.act: Callable[[], None] | None = None
        self.act_at = 0
        self.cut_answers_at: int | None = None
        self.pause_s = 0.0
        self._lock = threading.Lock()
        self._open = True
        self._listener = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._listen, daemon=True).start()

    def at(self, sent: int, act: Callable[[], None]) -> None:
        """Act once that many more bytes have gone to the archive."""
        with self._lock:
            self.sent, self.act, self.act_at = 0, act, sent

    def _listen(self) -> None:
        while self._open:
            try:
                ours, _ = self._listener.accept()
            except OSError:
                return
            try:
                theirs = socket.create_connection(("127.0.0.1", self.target), timeout=10)
            except OSError:
                ours.close()
                continue
            theirs.settimeout(None)
            for end in (ours, theirs):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self.tls is not None:
                try:
                    ours = self.tls.wrap_socket(ours, server_side=True)
                except OSError:
                    ours.close()
                    theirs.close()
                    continue
            for one, other, forth in ((ours, theirs, True), (theirs, ours, False)):
                threading.Thread(target=self._pump, args=(one, other, forth), daemon=True).start()

    def _pump(self, one: socket.socket, other: socket.socket, forth: bool) -> None:
        # A TLS socket that the other thread has closed is a ValueError.
        with contextlib.suppress(OSError, ValueError):
            while data := one.recv(CHUNK):
                if forth:
                    self._count(len(data))
                    other.sendall(data)
                    time.sleep(self.pause_s)
                    continue
                self.answered += len(data)
                if self.cut_answers_at is not None and self.answered > self.cut_answers_at:
                    data = data[: max(0, len(data) - (self.answered - self.cut_answers_at))]
                    other.sendall(data)
                    break
                other.sendall(data)
        for end in (one, other):
            with contextlib.suppress(OSError, ValueError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def _count(self, size: int) -> None:
        with self._lock:
            self.sent += size
            act = self.act if self.act is not None and self.sent > self.act_at else None
            if act is not None:
                self.act = None
        if act is not None:
            act()

    def close(self) -> None:
        self._open = False
        self._listener.close()


@contextlib.contextmanager
def proxy_to(target: int, tls: ssl.SSLContext | None = None) -> Iterator[Proxy]:
    proxy = Proxy(target, tls)
    try:
        yield proxy
    finally:
        proxy.close()
