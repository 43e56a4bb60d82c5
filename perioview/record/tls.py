"""TLS to an archive: verified always, by the system's authorities or the practice's own."""

from __future__ import annotations

import os
import socket
import ssl

from perioview.errors import InputRefused

_UNREADABLE = (
    "the files named in PERIOVIEW_CA, PERIOVIEW_CERT or PERIOVIEW_KEY cannot be read; check them."
)


def tls_context() -> ssl.SSLContext:
    """TLS that verifies the archive, with our certificate where we have one.

    Raises
    ------
    InputRefused
        If a file named in the environment cannot be read.
    """
    try:
        context = ssl.create_default_context(cafile=os.environ.get("PERIOVIEW_CA"))
        if os.environ.get("PERIOVIEW_CERT"):
            context.load_cert_chain(os.environ["PERIOVIEW_CERT"], os.environ.get("PERIOVIEW_KEY"))
    except OSError as error:
        raise InputRefused(_UNREADABLE) from error
    return context


def serving_context() -> ssl.SSLContext:
    """TLS for where we listen: the archive must show a certificate that we trust.

    Raises
    ------
    InputRefused
        If we have no certificate of our own, or a file cannot be read.
    """
    if not os.environ.get("PERIOVIEW_CERT"):
        raise InputRefused(
            "to listen with TLS we need a certificate of our own; name its files in "
            "PERIOVIEW_CERT and PERIOVIEW_KEY, or leave ?listen= out."
        )
    try:
        context = ssl.create_default_context(
            ssl.Purpose.CLIENT_AUTH, cafile=os.environ.get("PERIOVIEW_CA")
        )
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_cert_chain(os.environ["PERIOVIEW_CERT"], os.environ.get("PERIOVIEW_KEY"))
    except OSError as error:
        raise InputRefused(_UNREADABLE) from error
    return context


def tls_fault(host: str, port: int) -> str:
    """What is wrong with a certificate, in words; empty where nothing is.

    Parameters
    ----------
    host : str
    port : int

    Returns
    -------
    str
        As the end of a refusal.
    """
    try:
        with (
            socket.create_connection((host, port), timeout=5) as plain,
            tls_context().wrap_socket(plain, server_hostname=host) as secure,
        ):
            # TLS 1.3 learns only now that our own certificate is not accepted.
            secure.settimeout(1)
            secure.recv(1)
    except ssl.SSLCertVerificationError as error:
        return (
            f"its certificate is not trusted ({error.verify_message}); renew it, or name "
            "the practice's own authority in PERIOVIEW_CA."
        )
    except ssl.SSLError as error:
        return (
            f"TLS failed ({error.reason or type(error).__name__}); check that the port speaks "
            "TLS, and our own certificate in PERIOVIEW_CERT and PERIOVIEW_KEY."
        )
    except OSError:
        pass
    return ""
