"""A receiver of webhooks on this machine, which answers as told and keeps what it got."""

import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import msgspec


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

    def __init__(self) -> None:
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

        self._server = Server(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self._thread.start()
        self.url = f"http://127.0.0.1:{self._server.server_port}/told?by=airside"

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
