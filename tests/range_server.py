"""A web server on this machine that serves parts of files, and misbehaves when told to."""

import hashlib
import re
import socket
import socketserver
import threading
import time
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler
from pathlib import Path


class RangeServer:
    """Serves a folder at `address`. What it did and how it misbehaves are plain attributes.

    requests : (path, Range header) of each; sent : bytes of bodies
    fault : "", or one of those in `_Handler._misbehave`; after : requests that are answered well before it
    """

    def __init__(self, folder):
        self.folder = Path(folder)
        self.requests, self.sent, self.fault, self.after = [], 0, "", 0
        self.headers_seen = []
        self.tags = True
        self.redirect_to = ""
        outer = self

        class Handler(_Handler):
            server_of = outer

        class Server(socketserver.ThreadingMixIn, socketserver.TCPServer):
            daemon_threads = True
            allow_reuse_address = True

            def handle_error(self, request, client_address):
                pass

        self._server = Server(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        self.host = f"127.0.0.1:{self.port}"
        self.address = f"http://{self.host}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def stop(self):
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.stop()


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def log_message(self, *_):
        pass

    def do_GET(self):
        server = self.server_of
        asked = self.headers.get("Range") or ""
        server.requests.append((self.path, asked))
        server.headers_seen.append(dict(self.headers))
        fault = server.fault if len(server.requests) > server.after else ""
        if server.redirect_to and not self.path.startswith("/moved/"):
            return self._answer(302, b"", {"Location": server.redirect_to + self.path})
        file = server.folder / self.path.partition("?")[0].removeprefix("/moved").lstrip("/")
        if not file.is_file():
            return self._answer(404, b"not here", {"Content-Type": "text/plain"})
        size = file.stat().st_size
        found = re.fullmatch(r"bytes=(\d+)-(\d+)", asked)
        first, last = (int(found[1]), min(int(found[2]), size - 1)) if found else (0, size - 1)
        if first >= size:
            return self._answer(416, b"", {"Content-Range": f"bytes */{size}"})
        with file.open("rb") as opened:
            opened.seek(first)
            body = opened.read(last - first + 1)
        headers = {"Content-Type": "image/tiff", "Content-Range": f"bytes {first}-{last}/{size}"}
        if server.tags:
            stat = file.stat()
            headers["ETag"] = (
                '"' + hashlib.sha256(f"{stat.st_mtime_ns}{size}".encode()).hexdigest()[:16] + '"'
            )
            headers["Last-Modified"] = formatdate(stat.st_mtime, usegmt=True)
        return self._misbehave(fault, 206, body, headers, file)

    def _misbehave(self, fault, status, body, headers, file):
        if fault == "breaks off":
            return self._answer(status, body, headers, cut=len(body) // 2)
        if fault == "closes":
            self.close_connection = True
            return self.connection.shutdown(socket.SHUT_RDWR)
        if fault == "wrong range":
            headers["Content-Range"] = headers["Content-Range"].replace("bytes ", "bytes 1")
        if fault == "no range said":
            del headers["Content-Range"]
        if fault == "shorter, honestly":
            body = body[:-7]
        if fault == "web page":
            body, headers["Content-Type"] = b"<!DOCTYPE html><html>Please sign in</html>", "text/html"
            del headers["Content-Range"]
            status = 200
        if fault == "web page without tags":
            body, headers["Content-Type"] = b"Please sign in", "text/html; charset=utf-8"
            del headers["Content-Range"]
            status = 200
        if fault == "web page as bytes":
            body = (b"\n <!DOCTYPE html><html>Please sign in</html>" + body)[: len(body)]
        if fault == "whole":
            status, body = 200, file.read_bytes()
            del headers["Content-Range"]
        if fault == "whole, huge":
            status = 200
            del headers["Content-Range"]
            headers["Content-Length"] = str(file.stat().st_size)
        if fault == "whole, without length":
            status, body = 200, file.read_bytes()
            del headers["Content-Range"]
            return self._answer(status, body, headers, length=False)
        if fault == "changed tag":
            headers["ETag"] = '"another"'
        if fault == "compressed":
            headers["Content-Encoding"] = "gzip"
        if fault == "slow":
            time.sleep(1.5)
        if fault == "drips":
            return self._answer(status, body, headers, drip_s=0.05)
        if fault == "other bytes":
            body = bytes(len(body))
        if fault.isdigit():
            return self._answer(int(fault), b"no", {"Content-Type": "text/plain"})
        return self._answer(status, body, headers)

    def _answer(self, status, body, headers, *, cut=None, length=True, drip_s=0.0):
        try:
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            if length and "Content-Length" not in headers:
                self.send_header("Content-Length", str(len(body)))
            if not length or cut is not None:
                self.close_connection = True
            self.end_headers()
            if drip_s:
                for at in range(len(body)):
                    self.wfile.write(body[at : at + 1])
                    time.sleep(drip_s)
            else:
                self.wfile.write(body if cut is None else body[:cut])
            self.server_of.sent += len(body) if cut is None else cut
        except (BrokenPipeError, ConnectionResetError):
            pass
