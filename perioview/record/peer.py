"""The archive at the other end of a DIMSE association: its address, TLS, and what it lists."""

from __future__ import annotations

import contextlib
import ipaddress
import logging
import os
import socket
import urllib.parse
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pydicom.dataset import Dataset

from perioview.errors import InputRefused
from perioview.record.tls import serving_context, tls_context, tls_fault

STUDY_ROOT_FIND = "1.2.840.10008.5.1.4.1.2.2.1"
WAIT_S = 30.0
_PENDING = (0xFF00, 0xFF01)


@dataclass(frozen=True, slots=True)
class Peer:
    """Where an archive listens, and where we listen for it."""

    title: str
    host: str
    port: int
    tls: bool = False
    listen: int | None = None
    move: bool = False

    @property
    def name(self) -> str:
        """Its address, as messages give it."""
        return f"{'dicoms' if self.tls else 'dicom'}://{self.title}@{self.host}:{self.port}"

    def entity(self) -> Any:
        """Our side of an association, without contexts."""
        try:
            from pynetdicom import AE, _config
        except ImportError as error:
            raise InputRefused(
                "an archive by DIMSE needs the archive extra; "
                "install it with pip install 'perioview[archive]'."
            ) from error
        # Its faults come to the user as one line each, from here, and without names.
        logging.getLogger("pynetdicom").addHandler(logging.NullHandler())
        # A file is sent as it lies there, not decoded and encoded again.
        _config.STORE_SEND_CHUNKED_DATASET = True
        entity = AE(ae_title=os.environ.get("PERIOVIEW_AE", "PERIOVIEW"))
        entity.dimse_timeout = entity.network_timeout = WAIT_S
        entity.acse_timeout = 10
        entity.connection_timeout = 10
        return entity

    @contextlib.contextmanager
    def associated(self, entity: Any, **more: Any) -> Iterator[Any]:
        """Associate, and release at the end.

        Raises
        ------
        InputRefused
            If the archive cannot be reached, or does not want us.
        """
        from pynetdicom import evt

        handlers = [
            (evt.EVT_CONN_OPEN, _without_delay),
            (evt.EVT_DATA_SENT, _acknowledged_at_once),
            *more.pop("handlers", []),
        ]
        association = entity.associate(
            self.host,
            self.port,
            ae_title=self.title,
            evt_handlers=handlers,
            tls_args=(tls_context(), self.host) if self.tls else None,
            **more,
        )
        if not association.is_established:
            _close(association)
            raise InputRefused(f"{self.name}: {self._why_not(association)}")
        _keep_answers(association)
        try:
            yield association
        finally:
            if association.is_established:
                association.release()

    def _why_not(self, association: Any) -> str:
        if association.is_rejected:
            return (
                "refused the association; check its title, and that the archive knows ours "
                f"({association.ae.ae_title})."
            )
        if self.tls and (fault := tls_fault(self.host, self.port)):
            return fault
        return "cannot be reached; check title, address and port, and that the archive runs."

    @contextlib.contextmanager
    def answered(self, entity: Any, handlers: list[Any]) -> Iterator[None]:
        """Listen at our port for what the archive sends by an association of its own.

        Raises
        ------
        InputRefused
            If the port is taken.
        """
        where = "127.0.0.1" if _is_loopback(self.host) else ""
        try:
            server = entity.start_server(
                (where, self.listen),
                block=False,
                evt_handlers=handlers,
                ae_title=entity.ae_title,
                ssl_context=serving_context() if self.tls else None,
            )
        except OSError as error:
            raise InputRefused(
                f"{self.name}: we cannot listen at port {self.listen} ({error.strerror}); "
                "give another as ?listen=PORT, and tell the archive."
            ) from error
        try:
            yield
        finally:
            server.shutdown()

    def listed(self, association: Any, level: str, **keys: str) -> list[Dataset]:
        """Ask the archive what it holds (C-FIND, PS3.4 C.4.1).

        Parameters
        ----------
        association : Association
        level : str
            ``STUDY``, ``SERIES`` or ``IMAGE``.
        **keys : str
            What to match, or to have returned where empty.

        Returns
        -------
        list of Dataset

        Raises
        ------
        InputRefused
            If it refuses, or cuts the connection.
        """
        query = Dataset()
        query.QueryRetrieveLevel = level
        for keyword, value in keys.items():
            setattr(query, keyword, value)
        found: list[Dataset] = []
        try:
            for status, row in association.send_c_find(query, STUDY_ROOT_FIND):
                if "Status" not in status:
                    raise InputRefused(f"{self.name}: cut the connection; try again.")
                if status.Status in _PENDING and row is not None:
                    found.append(row)
                elif status.Status != 0:
                    raise InputRefused(f"{self.name}: answered a query with {status.Status:04X}.")
        except (RuntimeError, ValueError) as error:
            raise InputRefused(
                f"{self.name}: cut the connection, or takes no queries; try again."
            ) from error
        return found


def peer_from(address: str) -> Peer:
    """Read an address.

    Parameters
    ----------
    address : str
        As for `dimse.Dimse`.

    Returns
    -------
    Peer

    Raises
    ------
    InputRefused
        If it is incomplete.
    """
    parts = urllib.parse.urlsplit(address)
    try:
        port = parts.port
    except ValueError:
        port = None
    if not (parts.username and parts.hostname and port):
        raise InputRefused(f"{address}: is incomplete; write it as dicom://AE@host:port.")
    options = urllib.parse.parse_qs(parts.query)
    listen = options.get("listen", [""])[0]
    if listen and not (listen.isascii() and listen.isdigit() and 0 < int(listen) < 65536):
        raise InputRefused(f"{address}: listen={listen} is no port; write it as ?listen=11113.")
    return Peer(
        urllib.parse.unquote(parts.username)[:16],
        parts.hostname,
        port,
        parts.scheme == "dicoms",
        int(listen) if listen else None,
        options.get("retrieve", [""])[0] == "move",
    )


def _keep_answers(association: Any) -> None:
    """Leave every answer to whoever asked.

    The association's own thread looks for requests, and now and then takes a fast answer for
    one and drops it (pynetdicom 3.0.4, `Association._run_reactor`). Nothing that we are sent as
    a requestor waits for that thread: event reports are served as they come.
    """
    taken = association.dimse.get_msg

    def left(block: bool = False) -> Any:
        return taken(block) if block else (None, None)

    association.dimse.get_msg = left


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _close(association: Any) -> None:
    """Close the socket of an association that did not come about; pynetdicom leaves it open."""
    connection = association.dul.socket
    if connection is not None and connection.socket is not None:
        with contextlib.suppress(OSError):
            connection.socket.close()


def _option(event: Any, name: str) -> None:
    connection = event.assoc.dul.socket
    if connection is not None and connection.socket is not None and hasattr(socket, name):
        with contextlib.suppress(OSError):
            connection.socket.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), 1)


def _without_delay(event: Any) -> None:
    """Small objects must not wait for the network to fill a packet."""
    _option(event, "TCP_NODELAY")


def _acknowledged_at_once(event: Any) -> None:
    """An archive that sends an answer in two packets would wait 40 ms for ours between them."""
    _option(event, "TCP_QUICKACK")
