"""Sticks that no shop sells openly: one that is smaller than it says, one that gives back other data, one that is pulled at a byte.

A stick is served to QEMU as a network block device over a Unix socket, and QEMU shows it to its guest as a USB stick. The protocol is
NBD's `doc/proto.md`, of which the fixed newstyle handshake and the simple replies are spoken; QEMU's client is the other side.
"""
import socket
import struct
import threading

OPTION_GO, OPTION_EXPORT_NAME, OPTION_ABORT = 7, 1, 2
READ, WRITE, DISCONNECT, FLUSH = 0, 1, 2, 3
REPLY_ACK, REPLY_INFO, REPLY_UNSUPPORTED = 1, 3, (1 << 31) + 1
HAS_FLAGS_AND_FLUSH = 0b101


class Stick:
    """Says that it has `size` bytes. A byte past `real` lands where the address, cut off, leads. `bad` is a byte that reads with its
    lowest bit turned. `then` is called once, when `after` bytes were written and read."""

    def __init__(self, path, size, real=None, bad=None, after=None, then=None):
        self.size, self.real, self.bad = size, real or size, bad
        self.after, self.then, self.moved = after, then, 0
        self.cells = bytearray(b"\xa5" * self.real)
        self.server = socket.socket(socket.AF_UNIX)
        self.server.bind(str(path))
        self.server.listen(1)
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self):
        self.link, _ = self.server.accept()
        try:
            self.greet()
            while self.answer():
                pass
        except (EOFError, OSError):
            pass
        self.link.close()

    def take(self, length):
        data = bytearray()
        while len(data) < length:
            piece = self.link.recv(length - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data

    def greet(self):
        self.link.sendall(b"NBDMAGIC" + b"IHAVEOPT" + struct.pack(">H", 3))
        self.take(4)
        while True:
            _, option, length = struct.unpack(">8sII", self.take(16))
            self.take(length)
            if option == OPTION_EXPORT_NAME:
                self.link.sendall(struct.pack(">QH", self.size, HAS_FLAGS_AND_FLUSH))
                return
            if option == OPTION_GO:
                self.reply(option, REPLY_INFO, struct.pack(">HQH", 0, self.size, HAS_FLAGS_AND_FLUSH))
            self.reply(option, REPLY_ACK if option in (OPTION_GO, OPTION_ABORT) else REPLY_UNSUPPORTED)
            if option == OPTION_GO:
                return
            if option == OPTION_ABORT:
                raise EOFError

    def reply(self, option, kind, data=b""):
        self.link.sendall(struct.pack(">QIII", 0x3E889045565A9, option, kind, len(data)) + data)

    def answer(self):
        _, _, kind, handle, at, length = struct.unpack(">IHH8sQI", self.take(28))
        if kind == DISCONNECT:
            return False
        data = b""
        self.moved += length if kind in (READ, WRITE) else 0
        if self.then and self.moved >= self.after:
            then, self.then = self.then, None
            # The machine waits for this answer while it is asked to let go of the stick.
            threading.Thread(target=then, daemon=True).start()
        if kind == WRITE:
            self.write(at, self.take(length))
        elif kind == READ:
            data = self.read(at, length)
        self.link.sendall(struct.pack(">II8s", 0x67446698, 0, handle) + data)
        return True

    def write(self, at, data):
        while data:
            start = at % self.real
            piece = data[: self.real - start]
            self.cells[start : start + len(piece)] = piece
            at, data = at + len(piece), data[len(piece) :]

    def read(self, at, length):
        data = bytearray()
        while len(data) < length:
            start = (at + len(data)) % self.real
            data += self.cells[start : start + length - len(data)]
        if self.bad is not None and at <= self.bad < at + length:
            data[self.bad - at] ^= 1
        return bytes(data)
