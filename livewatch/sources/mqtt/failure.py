"""Why a broker could not be reached, in one sentence that says what to do; nothing secret is in it.

What a library raised comes in, with the broker; words come out.
"""

from __future__ import annotations

import socket
import ssl

from livewatch.data.outside import printable
from livewatch.sources.mqtt.broker import Broker

__all__ = ["failure_words"]

_WRONG_USER, _NOT_ALLOWED = (4, 0x86), (5, 0x87)
"""Answers to CONNECT: MQTT 3.1.1, table 3.1; MQTT 5, table 3-1."""
_EXPIRED, _NOT_YET, _HOST, _ADDRESS = 10, 9, 62, 64
"""X509_V_ERR_... of OpenSSL, x509_vfy.h."""


def failure_words(error: BaseException, broker: Broker) -> str:
    """Why `broker` is not connected."""
    link: BaseException | None = error
    while link is not None:
        if said := _said(link, broker):
            return f"broker {broker}: {said}"
        link = link.__cause__ or link.__context__
    text = (str(error).strip() or type(error).__name__).splitlines()[0]
    return f"broker {broker}: {printable(text)[:200]}"


def _said(error: BaseException, broker: Broker) -> str:
    if isinstance(error, ssl.SSLCertVerificationError):
        return _certificate(error, broker)
    if isinstance(error, ssl.SSLError):
        if "ALERT" in (error.reason or ""):
            return "it ended the TLS handshake; does it want a client certificate, or another one than ours?"
        return "no TLS connection could be made; is this its port for TLS (usually 8883)?"
    if isinstance(error, ConnectionRefusedError):
        return "nobody listens there; is the broker running, and is the port right?"
    if isinstance(error, socket.gaierror):
        return "there is no such host, or its name cannot be looked up now"
    if isinstance(error, TimeoutError):
        return _silent(broker)
    if isinstance(error, OSError) and error.strerror:
        return error.strerror.lower()
    code = getattr(error, "rc", None)
    value = code if isinstance(code, int) else getattr(code, "value", None)
    if value in _WRONG_USER or value in _NOT_ALLOWED:
        who = "without a user name" if broker.user is None else f"as {printable(broker.user)!r} with this password"
        return f"it does not let us in {who}; see LIVEWATCH_MQTT_USER and LIVEWATCH_MQTT_PASSWORD, or mqtt.yaml"
    if "timed out" in str(error):
        return _silent(broker)
    if value in (7, 16, 128):  # how paho says that the connection went away
        return "the connection was lost"
    return ""


def _silent(broker: Broker) -> str:
    if broker.tls and broker.certificate is None:
        # With TLS 1.3 a client learns only by the silence that its certificate is missing (RFC 8446, 4.4.2.4).
        return "it does not answer; does it want a client certificate (LIVEWATCH_MQTT_CERTIFICATE and _KEY)?"
    return "it does not answer"


def _certificate(error: ssl.SSLCertVerificationError, broker: Broker) -> str:
    if error.verify_code == _EXPIRED:
        return "its certificate has expired; nothing is sent to it until it has a new one"
    if error.verify_code == _NOT_YET:
        return "its certificate is not valid yet; is this machine's clock right?"
    if error.verify_code in (_HOST, _ADDRESS):
        return f"its certificate is for another host than {broker.host}; nothing is sent to it"
    which = f"the authorities in {broker.ca}" if broker.ca is not None else "the authorities this machine knows"
    return (
        f"its certificate is signed by none of {which}; name its authority as `ca` in mqtt.yaml, or LIVEWATCH_MQTT_CA"
    )
