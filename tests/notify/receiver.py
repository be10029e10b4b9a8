"""A receiver of webhooks on this machine, which answers as told and keeps what it got."""

import datetime
import ssl
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import msgspec
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Got(msgspec.Struct, frozen=True):
    """One request as it came in."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def webhook_id(self) -> str:
        return self.headers["webhook-id"]


class Receiver:
    """Answers each request with `answer(number of the request, request)`: a status, header fields, a body."""

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        self.got: list[Got] = []
        self.answer: Callable[[int, Got], tuple[int, dict[str, str], bytes]] = lambda *_: (204, {}, b"")
        self.seconds = 0.0
        lock, receiver = threading.Lock(), self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                got = Got(self.path, {name.lower(): value for name, value in self.headers.items()}, body)
                with lock:
                    receiver.got.append(got)
                    number = len(receiver.got)
                time.sleep(receiver.seconds)
                status, headers, answered = receiver.answer(number, got)
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                if status != 204:
                    self.send_header("content-length", str(len(answered)))
                self.end_headers()
                self.wfile.write(answered)

            def log_message(self, *_: object) -> None:
                pass

            def handle_one_request(self) -> None:
                try:
                    super().handle_one_request()
                except ConnectionError:  # the sender went away
                    self.close_connection = True

        class Server(ThreadingHTTPServer):
            request_queue_size = 128

            def handle_error(self, *_: object) -> None:  # a sender that does not trust the certificate hangs up
                pass

        self._server = Server(("127.0.0.1", 0), Handler)
        if context is not None:
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self._thread.start()
        self.port = self._server.server_port
        self.url = f"http://127.0.0.1:{self.port}/told?by=airside"

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def write_certificate(host: str, certificate: Path, key: Path) -> None:
    """A certificate for `host` that is its own authority, for an hour, and its key."""
    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, host)])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(minutes=5))
        .not_valid_after(now + datetime.timedelta(hours=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(host)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(private, hashes.SHA256())
    )
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
