"""A small MQTT 3.1.1 client for MicroPython: QoS 1 out, nothing in but acknowledgements.

Only what a sensor node needs: connect with a last will, publish, learn which publishes the broker has
acknowledged, ping. Any trouble raises OSError; the caller closes and connects anew.
"""

import socket
import struct
import time

PATIENCE_MS = 5000  # for a network that takes nothing more


class Client:
    """One connection. ``publish`` gives a packet's number; ``acknowledged`` gives those the broker has taken."""

    def __init__(self, host, port, name, keepalive=30, user=None, password=None, tls=False, trust=None):
        self._address, self._name, self._keepalive = (host, port), name, keepalive
        self._user, self._password, self._tls, self._trust = user, password, tls, trust
        self._socket = None
        self._number = 0
        self._spoke = 0
        self._read = b""

    def connect(self, will_topic, will):
        """Connect with a clean session and a retained last will at QoS 1."""
        where = socket.getaddrinfo(self._address[0], self._address[1], 0, socket.SOCK_STREAM)[0][-1]
        link = socket.socket()
        link.settimeout(5)
        try:
            link.connect(where)
            if self._tls:
                import tls

                context = tls.SSLContext(tls.PROTOCOL_TLS_CLIENT)
                if self._trust:  # the certificate (DER) of the workshop's own broker, or of who signed it
                    with open(self._trust, "rb") as file:
                        context.load_verify_locations(file.read())
                    context.verify_mode = tls.CERT_REQUIRED
                else:
                    context.verify_mode = tls.CERT_NONE  # against listeners, not against a false broker
                link = context.wrap_socket(link, server_hostname=self._address[0])
            flags = 0x02 | 0x04 | 0x08 | 0x20
            body = _text(self._name) + _text(will_topic) + _text(will)
            if self._user:
                flags |= 0x80
                body += _text(self._user)
                if self._password:
                    flags |= 0x40
                    body += _text(self._password)
            head = b"\x00\x04MQTT\x04" + bytes([flags]) + struct.pack("!H", self._keepalive)
            link.write(b"\x10" + _length(len(head) + len(body)) + head + body)
            answer = link.read(4)
            if not answer or len(answer) < 4 or answer[0] != 0x20 or answer[3] != 0:
                raise OSError("the broker refused: %r" % (answer,))
        except ValueError as exc:  # a certificate that is not the one to be trusted
            link.close()
            raise OSError("the broker is not the trusted one: %s" % str(exc).strip())
        except Exception:
            link.close()
            raise
        link.setblocking(False)
        self._socket, self._read = link, b""
        self._spoke = time.ticks_ms()

    def publish(self, topic, payload, retain=False):
        """Send at QoS 1; gives the packet's number, by which it will be acknowledged."""
        self._number = self._number % 65535 + 1
        head = _text(topic) + struct.pack("!H", self._number)
        self._write(bytes([0x33 if retain else 0x32]) + _length(len(head) + len(payload)) + head)
        self._write(payload)
        return self._number

    def acknowledged(self):
        """Numbers of the packets that the broker has acknowledged since the last look; never waits."""
        out = []
        while True:
            more = self._socket.read(64)  # works on plain and encrypted links alike
            if more is None:
                break
            if not more:
                raise OSError("the broker closed the connection")
            self._read += more
            while len(self._read) >= 2 and len(self._read) >= 2 + self._read[1]:
                kind, size = self._read[0] & 0xF0, self._read[1]
                if kind == 0x40:
                    out.append(struct.unpack("!H", self._read[2:4])[0])
                self._read = self._read[2 + size :]
        if time.ticks_diff(time.ticks_ms(), self._spoke) > 500 * self._keepalive:
            self._write(b"\xc0\x00")
        return out

    def close(self):
        """Let go without a word, so that the last will speaks."""
        if self._socket:
            self._socket.close()
            self._socket = None

    def _write(self, data):
        if self._socket is None:
            raise OSError("not connected")
        end = time.ticks_add(time.ticks_ms(), PATIENCE_MS)
        while data:
            sent = self._socket.write(data)
            if sent:
                data = data[sent:]
            elif time.ticks_diff(end, time.ticks_ms()) < 0:
                raise OSError("the network takes nothing")
            else:
                time.sleep_ms(2)
        self._spoke = time.ticks_ms()


def _text(words):
    data = words if isinstance(words, bytes) else words.encode()
    return struct.pack("!H", len(data)) + data


def _length(n):
    out = bytearray()
    while True:
        n, digit = n >> 7, n & 0x7F
        out.append(digit | (0x80 if n else 0))
        if not n:
            return bytes(out)
