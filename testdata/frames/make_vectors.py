#!/usr/bin/env python3
"""Makes the vector files that judge every implementation of the Longlane frames.

    python3 make_vectors.py [directory]      (default: the directory of this file)

Written from proto/PROTOCOL.md alone, in another language than the one it judges, so that an
error shared by reader and writer of one program shows. "Section" below means a section of that
page. Python does only arithmetic; the ciphers are those of the `openssl` command. The result is
the same at every run. The keys below are for tests only; they pass through command lines.

A file describes one frame. It opens with `# ` and a sentence of purpose; then `key: value` lines.

    expect    accept, or the reason of the refusal (section 6): length version type reserved mac
    secret    the site secret, hex
    site      the site to which the reader belongs
    highest   types 1 to 5: the highest counter accepted before, or none
    newest    types 12, 13: the node's own newest counter in the space answered
    group     types 8 to 10: the generation of the group key that the reader holds
    frame     the bytes, hex

An accepted frame goes on with one line for each field, in the order of the page. First stands
the number as it travels (unsigned, except that the counter is the full one), after it, where that
number is a code, what it means:

    type, long-counter (yes or no), hops-left, gateway, site-sent, node (the sender in a group
    frame), generation, epoch, number, counter, attempt; each where the type has it
    input         33 number=2 tripped=yes normally-closed=no supervised=no test=no
    age, confirm-age, dwell   6 120ms (a dwell of 65535 and ages of 255: the longest, "or more")
    wide-age      36005 3600500ms
    send-seconds  123456, or 16777215 no-time; send-epoch beside it
    gateway-time  160 10000.0ms
    battery       128 4.000V, or 255 not-measured
    temperature   245 -11C, or 128 not-measured
    rssi, noise   97 -97dBm, or 255 not-measured
    snr           239 -4.25dB, or 128 not-measured
    kind          fault: 130 kind=2 ended=yes; held trip: 0 opening, 1 closing
    heard         the 4 bytes of a MAC, hex
    hop.N         relay=12 gen=1 rssi=-97 snr=-4.25 held=40ms verified=yes (N from 0, oldest first)

Three files hold tables instead: derivations.txt (keys), durations.txt (codes of numbers) and
freshness.txt (verdicts on send times).
"""

import bisect
import functools
import os
import pathlib
import random
import subprocess
import sys

# ------------------------------------------------------------------------------ ciphers


def openssl(arguments, data):
    """No configuration file of the machine is read; open files are not closed, which would be slow."""
    environment = dict(os.environ, OPENSSL_CONF="/dev/null")
    done = subprocess.run(["openssl", *arguments], input=data, stdout=subprocess.PIPE, check=True,
                          env=environment, close_fds=False)
    return done.stdout


@functools.lru_cache(maxsize=None)
def hmac(key, data):
    """HMAC-SHA-256, RFC 2104."""
    return openssl(["dgst", "-sha256", "-mac", "HMAC", "-macopt", "hexkey:" + key.hex(), "-binary"], data)


@functools.lru_cache(maxsize=None)
def key_stream(key, block):
    return openssl(["enc", "-aes-128-ctr", "-K", key.hex(), "-iv", block.hex()], bytes(32))


def aes_ctr(key, block, data):
    """AES-128 in counter mode, NIST SP 800-38A; enciphers and deciphers up to 32 bytes."""
    assert len(data) <= 32
    return bytes(a ^ b for a, b in zip(data, key_stream(key, block)))


def hkdf_extract(salt, ikm):
    return hmac(salt, ikm)


def hkdf_expand(prk, info, length):
    out, last = b"", b""
    while len(out) < length:
        last = hmac(prk, last + info + bytes([len(out) // 32 + 1]))
        out += last
    return out[:length]


def check_ciphers():
    """Published values, from memory: RFC 4231 case 2, RFC 5869 case 1, SP 800-38A F.5.1 block 1."""
    assert hmac(b"Jefe", b"what do ya want for nothing?").hex() == (
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843")
    prk = hkdf_extract(bytes(range(13)), b"\x0b" * 22)
    assert hkdf_expand(prk, bytes(range(0xF0, 0xFA)), 42).hex() == (
        "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865")
    key = bytes.fromhex("2b7e151628aed2a6abf7158809cf4f3c")
    plain = bytes.fromhex("6bc1bee22e409f96e93d7e117393172a")
    assert aes_ctr(key, bytes(range(0xF0, 0x100)), plain).hex() == "874d6191b620e3261bef6864990db6ce"


# ------------------------------------------------------------------------------ keys, section 4


def number(value, size):
    return value.to_bytes(size, "big")


def prk(secret):
    return hkdf_extract(b"longlane/1", secret)


def node_key(secret, site, node, generation):
    return hkdf_expand(prk(secret), b"node" + number(site, 2) + number(node, 1) + number(generation, 1), 32)


def group_key(secret, site, generation):
    return hkdf_expand(prk(secret), b"group" + number(site, 2) + number(generation, 1), 32)


def encryption_key(key):
    return hkdf_expand(key, b"encrypt", 16)


def mac_key(key):
    return hkdf_expand(key, b"authenticate", 32)


def hop_key(key):
    return hkdf_expand(key, b"hop", 32)


# ------------------------------------------------------------------------------ shape, sections 2 and 3

VERSION = 1
LONG = 0x10
NO_TIME = 16777215
NODE_TYPES, GROUP_TYPES, RECEIPT_TYPES = (1, 2, 3, 4, 5), (8, 9, 10), (12, 13)
ATTEMPT_SIZE = {1: 1, 2: 1, 3: 2, 4: 2}
MAC_SIZE = {8: 4, 9: 4}
HOP_SIZE, MOST_HOPS = 9, 7

SEND = [("send-seconds", 3), ("send-epoch", 1)]
RECEIPT = [("flags", 1), ("gateway-time", 4), ("attempt-answered", 1), ("also-durable", 2),
           ("settings-version", 1), ("minimum-dwell", 1), ("check-in-period", 1)]
BODY = {
    1: [("input", 1), ("age", 1), *SEND, ("battery", 1), ("temperature", 1), ("oldest", 1)],
    2: [("input", 1), ("age", 1), *SEND, ("dwell", 2), ("opening-distance", 1)],
    3: [("kind", 1), ("input", 1), ("wide-age", 4), *SEND, ("dwell", 2), ("opening-distance", 1),
        ("oldest", 1), ("battery", 1)],
    4: [("kind", 1), ("input", 1), ("wide-age", 4), *SEND, ("argument", 2), ("oldest", 1),
        ("battery", 1), ("temperature", 1)],
    5: [*SEND, ("flags", 1), ("battery", 1), ("temperature", 1), ("next-event", 2), ("oldest", 1),
        ("restarts", 1), ("confirm", 1), ("confirm-age", 1), ("rssi", 1), ("snr", 1),
        ("settings-version", 1), ("noise", 1)],
    8: [("flags", 1), ("distance", 2), ("heard", 4), ("noise", 1)],
    9: [("heard", 4), ("distance", 2), ("rssi", 1), ("snr", 1)],
    10: [("epoch", 2), ("gateway-time", 4), ("distance", 2), ("flags", 1), ("noise", 1), ("busy", 1)],
    12: RECEIPT,
    13: RECEIPT,
}


def body_size(kind):
    return sum(size for _, size in BODY[kind])


def mac_size(kind):
    return MAC_SIZE.get(kind, 8)


def clear_size(kind, long):
    if kind in NODE_TYPES:
        return 8 + 2 * long + ATTEMPT_SIZE.get(kind, 0)
    return 10 if kind in GROUP_TYPES else 14


def pack_body(kind, values):
    assert sorted(values) == sorted(name for name, _ in BODY[kind]), (kind, values)
    return b"".join(number(values[name], size) for name, size in BODY[kind])


def unpack_body(kind, data):
    values, at = {}, 0
    for name, size in BODY[kind]:
        values[name] = int.from_bytes(data[at:at + size], "big")
        at += size
    return values


def body_refused(kind, v):
    """The values that section 3 refuses. Where it says that a value is 0, anything else is refused."""
    if kind in (1, 2):
        return v["age"] == 255
    if kind == 3:
        opening_extra = v["kind"] == 0 and (v["dwell"] or v["opening-distance"])
        return v["kind"] > 1 or bool(opening_extra)
    if kind == 4:
        return not 1 <= v["kind"] & 0x7F <= 7
    if kind == 5:
        confirms = v["flags"] & 0x40
        halves = v["confirm"] == 0 if confirms else v["confirm"] or v["confirm-age"]
        return bool(v["flags"] & 0x80 or halves)
    if kind == 8:
        return bool(v["flags"] > 1 or (v["flags"] == 0 and v["heard"]))
    if kind == 10:
        return v["flags"] != 0
    if kind in RECEIPT_TYPES:
        not_zero = kind == 13 and (v["attempt-answered"] or v["also-durable"])
        no_version = v["settings-version"] == 0 and (v["minimum-dwell"] or v["check-in-period"])
        return bool(v["flags"] > 1 or not_zero or no_version)
    return False


# ------------------------------------------------------------------------------ codes, section 3


def floating(code, bits, unit):
    """dur8 (bits = 4, unit = 20 ms) and dur16 (bits = 12, unit = 1 ms), in ms."""
    e, m = code >> bits, code & ((1 << bits) - 1)
    return m * unit if e == 0 else ((1 << bits) + m) * 2 ** (e - 1) * unit


def dur8(code):
    return floating(code, 4, 20)


def dur16(code):
    return floating(code, 12, 1)


def nearest(values, ms):
    """The code whose value lies nearest; None if two are equally near, which the page leaves open."""
    above = min(bisect.bisect_left(values, ms), len(values) - 1)
    below = max(above - 1, 0)
    up, down = abs(values[above] - ms), abs(ms - values[below])
    if up == down and above != below:
        return None
    return above if up < down else below


def signed(code):
    return code - 256 if code > 127 else code


def yes(condition):
    return "yes" if condition else "no"


def rssi(code):
    return None if code == 255 else -code


def snr(code):
    return None if code == 0x80 else signed(code) / 4


def or_none(value, text):
    return "not-measured" if value is None else text


def meaning(kind, name, code):
    """What stands after the number in a vector file, if it is a code."""
    if name == "input":
        bits = ("tripped", "normally-closed", "supervised", "test")
        return f"number={code >> 4} " + " ".join(f"{b}={yes(code >> i & 1)}" for i, b in enumerate(bits))
    if name in ("age", "confirm-age"):
        return f"{dur8(code)}ms"
    if name == "dwell":
        return f"{dur16(code)}ms"
    if name == "wide-age":
        return f"{code * 100}ms"
    if name == "gateway-time":
        return f"{code * 62.5:.1f}ms"
    if name == "send-seconds" and code == NO_TIME:
        return "no-time"
    if name == "battery":
        return or_none(None if code == 255 else code, f"{2 ** (code / 64):.3f}V")
    if name == "temperature":
        return or_none(None if code == 0x80 else code, f"{signed(code)}C")
    if name in ("rssi", "noise"):
        return or_none(rssi(code), f"{rssi(code)}dBm")
    if name == "snr":
        return or_none(snr(code), f"{signed(code) / 4:.2f}dB")
    if name == "kind" and kind == 3:
        return ("opening", "closing")[code]
    if name == "kind":
        return f"kind={code & 0x7F} ended={yes(code & 0x80)}"
    return ""


# ------------------------------------------------------------------------------ sealing, section 5


def counter_block(kind, h):
    """Types 1 to 5 and 8 to 10 put counter and attempt where the receipts put number and epoch."""
    if kind in RECEIPT_TYPES:
        tail = number(h["number"], 4) + number(h["epoch"], 2) + number(h["gateway"], 1)
    else:
        tail = number(h["counter"], 4) + number(h.get("attempt", 0), 2) + number(0, 1)
    return (number(VERSION << 5 | kind, 1) + number(h["site"], 2) + number(h["node"], 1)
            + number(h["generation"], 1) + tail + bytes(4))


def clear_part(kind, h, wide=False):
    """Sections 2.1 to 2.3; wide: the form over which the MAC goes."""
    hops = 0 if wide else h["hops-left"]
    full = number(h["counter"], 4)
    high = {True: LONG, False: 0}[h.get("long", False)] | h.get("gateway", 0) << 4
    front = (number(VERSION << 5 | kind, 1) + number(high | hops, 1) + number(h["site"], 2)
             + number(h["node"], 1) + number(h["generation"], 1))
    if kind in NODE_TYPES:
        travels = full if wide or h["long"] else full[2:]
        size = ATTEMPT_SIZE.get(kind, 0)
        return front + travels + number(h["attempt"], size)
    if kind in GROUP_TYPES:
        return front + full
    return front + number(h["epoch"], 2) + number(h["number"], 4) + (full if wide else full[2:])


def tag(key, kind, h, cipher):
    return hmac(mac_key(key), clear_part(kind, h, wide=True) + cipher)[:mac_size(kind)]


def frame_key(secret, kind, h):
    if kind in GROUP_TYPES:
        return group_key(secret, h["site"], h["generation"])
    return node_key(secret, h["site"], h["node"], h["generation"])


def seal(kind, h, body, secret):
    key = frame_key(secret, kind, h)
    cipher = aes_ctr(encryption_key(key), counter_block(kind, h), pack_body(kind, body))
    return clear_part(kind, h) + cipher + tag(key, kind, h, cipher)


# ------------------------------------------------------------------------------ hop records, section 10


def hop_tag(secret, site, mac, earlier, front):
    key = hop_key(node_key(secret, site, front[0], front[1]))
    return hmac(key, number(site, 2) + mac + earlier + front)[:4]


def with_hop(frame, relay, generation=1, rssi=97, snr=0xEF, held=2, forge=False):
    """What a relay sends on: hops left goes down by one and a record is appended."""
    kind, long = frame[0] & 0x1F, bool(frame[1] & LONG)
    end = clear_size(kind, long) + body_size(kind) + mac_size(kind)
    front = bytes([relay, generation, rssi, snr, held])
    record = front + hop_tag(SECRET, int.from_bytes(frame[2:4], "big"), frame[end - 8:end], frame[end:], front)
    if forge:
        record = flip(record, 5)
    return frame[:1] + bytes([frame[1] - 1]) + frame[2:] + record


def read_hops(secret, site, mac, records):
    for at in range(0, len(records), HOP_SIZE):
        front, mark = records[at:at + 5], records[at + 5:at + HOP_SIZE]
        good = 1 <= front[0] <= 239 and hop_tag(secret, site, mac, records[:at], front) == mark
        level, ratio = rssi(front[2]), snr(front[3])
        yield (f"relay={front[0]} gen={front[1]} rssi={or_none(level, str(level))} "
               f"snr={or_none(ratio, f'{ratio or 0:.2f}')} held={dur8(front[4])}ms verified={yes(good)}")


# ------------------------------------------------------------------------------ opening, section 6


class Refused(Exception):
    pass


def refuse_if(condition, reason):
    if condition:
        raise Refused(reason)


def resolve(low, highest):
    base = max((0 if highest is None else highest) - 1023, 0)
    return (base + (low - base) % 65536) % 2 ** 32


def resolve_answered(low, newest):
    return newest - (newest - low) % 65536


def check_length(kind, frame, long):
    rest = len(frame) - clear_size(kind, long) - body_size(kind) - mac_size(kind)
    if kind in NODE_TYPES:
        refuse_if(rest < 0 or rest % HOP_SIZE or rest > MOST_HOPS * HOP_SIZE, "length")
    else:
        refuse_if(rest != 0, "length")


def node_refused(kind, node):
    return node == 0 or (kind not in GROUP_TYPES and node > 239)


def read_clear(kind, frame, long, context):
    """The clear part with its counter made full; a counter outside 32 bits has no MAC."""
    def at(first, size):
        return int.from_bytes(frame[first:first + size], "big")
    h = {"hops-left": frame[1] & 0x0F, "site": at(2, 2), "node": frame[4], "generation": frame[5]}
    if kind in NODE_TYPES:
        h["long"] = long
        h["counter"] = at(6, 4) if long else resolve(at(6, 2), context["highest"])
        h["attempt"] = at(10 if long else 8, ATTEMPT_SIZE.get(kind, 0))
    elif kind in GROUP_TYPES:
        h["counter"] = at(6, 4)
    else:
        h.update({"gateway": frame[1] >> 4, "epoch": at(6, 2), "number": at(8, 4)})
        h["counter"] = resolve_answered(at(12, 2), context["newest"])
    refuse_if(not 0 <= h["counter"] < 2 ** 32, "mac")
    return h


def reader_key(secret, kind, h, context):
    """The reader knows its site and, of a group key, its generation; the rest stands in the frame."""
    held = dict(h, site=context["site"])
    if kind in GROUP_TYPES:
        held["generation"] = context["group"]
    return frame_key(secret, kind, held)


def open_frame(frame, secret, context):
    refuse_if(len(frame) < 2, "length")
    kind, high = frame[0] & 0x1F, frame[1] & 0xF0
    refuse_if(frame[0] >> 5 != VERSION, "version")
    refuse_if(kind not in BODY, "type")
    refuse_if(kind in NODE_TYPES and high & ~LONG or kind in GROUP_TYPES and high, "reserved")
    long = kind in NODE_TYPES and high == LONG
    check_length(kind, frame, long)
    refuse_if(node_refused(kind, frame[4]), "reserved")
    h = read_clear(kind, frame, long, context)
    key = reader_key(secret, kind, h, context)
    start = clear_size(kind, long)
    end = start + body_size(kind)
    cipher, mac, records = frame[start:end], frame[end:end + mac_size(kind)], frame[end + mac_size(kind):]
    refuse_if(tag(key, kind, h, cipher) != mac, "mac")
    body = unpack_body(kind, aes_ctr(encryption_key(key), counter_block(kind, h), cipher))
    refuse_if(body_refused(kind, body), "reserved")
    return kind, h, body, list(read_hops(secret, context["site"], mac, records))


# ------------------------------------------------------------------------------ vector files


def header_lines(kind, h):
    yield "type", kind
    if kind in NODE_TYPES:
        yield "long-counter", yes(h["long"])
    yield "hops-left", h["hops-left"]
    if kind in RECEIPT_TYPES:
        yield "gateway", h["gateway"]
    yield "site-sent", h["site"]
    yield "node", h["node"]
    yield "generation", h["generation"]
    if kind in RECEIPT_TYPES:
        yield "epoch", h["epoch"]
        yield "number", h["number"]
    yield "counter", h["counter"]
    if kind in NODE_TYPES:
        yield "attempt", h["attempt"]


def body_lines(kind, body):
    for name, _ in BODY[kind]:
        value = f"{body[name]:08x}" if name == "heard" else body[name]
        key = {"epoch": "beacon-epoch"}.get(name, name)
        yield key, f"{value} {meaning(kind, name, body[name])}".rstrip()


def field_lines(kind, h, body, hops):
    yield from header_lines(kind, h)
    yield from body_lines(kind, body)
    for i, hop in enumerate(hops):
        yield f"hop.{i}", hop


class Vectors:
    """Collects the frames and writes them; each verdict is stated by hand and checked by the reader above."""

    def __init__(self):
        self.files = {}

    def text(self, name, purpose, lines):
        assert name not in self.files, name
        self.files[name] = f"# {purpose}\n" + "".join(f"{k}: {v}".rstrip() + "\n" for k, v in lines)

    def frame(self, name, purpose, frame, expect="accept", site=None, **context):
        site = SITE if site is None else site
        lines = [("expect", expect), ("secret", SECRET.hex()), ("site", site)]
        lines += [(k, "none" if v is None else v) for k, v in context.items()]
        lines.append(("frame", frame.hex()))
        try:
            fields = open_frame(frame, SECRET, dict(context, site=site))
            verdict = "accept"
            lines += field_lines(*fields)
        except Refused as refusal:
            verdict = str(refusal)
        assert verdict == expect, f"{name}: expected {expect}, the reader says {verdict}"
        self.text(name, purpose, lines)

    def write(self, directory):
        for name, text in self.files.items():
            (directory / f"{name}.txt").write_text(text, encoding="ascii", newline="\n")


# ------------------------------------------------------------------------------ typical values

SECRET = bytes(range(32))
OTHER_SECRET = bytes(range(1, 33))
SITE, NODE, HIGHEST = 4711, 17, 70000

TYPICAL = {
    1: {"input": 0x21, "age": 6, "send-seconds": 123456, "send-epoch": 7, "battery": 128,
        "temperature": 21, "oldest": 0},
    2: {"input": 0x20, "age": 3, "send-seconds": 123460, "send-epoch": 7, "dwell": 3780,
        "opening-distance": 1},
    3: {"kind": 0, "input": 0x21, "wide-age": 36005, "send-seconds": 127056, "send-epoch": 7,
        "dwell": 0, "opening-distance": 0, "oldest": 3, "battery": 126},
    4: {"kind": 2, "input": 0x34, "wide-age": 12, "send-seconds": 123470, "send-epoch": 7,
        "argument": 4700, "oldest": 0, "battery": 127, "temperature": 0xF5},
    5: {"send-seconds": 124000, "send-epoch": 7, "flags": 0x20, "battery": 125, "temperature": 8,
        "next-event": 4466, "oldest": 0, "restarts": 2, "confirm": 0, "confirm-age": 0,
        "rssi": 104, "snr": 0xFA, "settings-version": 4, "noise": 118},
    8: {"flags": 0, "distance": 330, "heard": 0, "noise": 121},
    9: {"heard": 0xA1B2C3D4, "distance": 165, "rssi": 92, "snr": 29},
    10: {"epoch": 7, "gateway-time": 1975296, "distance": 0, "flags": 0, "noise": 119, "busy": 5},
    12: {"flags": 0, "gateway-time": 1975300, "attempt-answered": 0, "also-durable": 0,
         "settings-version": 0, "minimum-dwell": 0, "check-in-period": 0},
    13: {"flags": 0, "gateway-time": 1984010, "attempt-answered": 0, "also-durable": 0,
         "settings-version": 4, "minimum-dwell": 30, "check-in-period": 45},
}
NAME = {1: "trip-opened", 2: "trip-closed", 3: "trip-held", 4: "fault", 5: "check-in", 8: "solicit",
        9: "hop-acknowledgement", 10: "beacon", 12: "receipt", 13: "check-in-receipt"}


def body(kind, /, **changes):
    """Typical values with some changed; underscores stand for the hyphens of the names."""
    return dict(TYPICAL[kind], **{k.replace("_", "-"): v for k, v in changes.items()})


def make(kind, values=None, secret=None, site=None, node=None, generation=1, counter=HIGHEST + 1,
         attempt=0, long=False, hops_left=3, gateway=2, epoch=7, receipt=900):
    """A sealed frame; what is not given is typical."""
    h = {"hops-left": hops_left, "site": SITE if site is None else site, "generation": generation, "counter": counter}
    h["node"] = NODE if node is None else node
    if kind in NODE_TYPES:
        h.update(long=long, attempt=attempt)
    elif kind in GROUP_TYPES:
        h["hops-left"] = 0 if hops_left == 3 else hops_left
    else:
        h.update(gateway=gateway, epoch=epoch, number=receipt)
    return seal(kind, h, body(kind) if values is None else values, SECRET if secret is None else secret)


def context_of(kind):
    """What the reader knows beforehand, for a typical frame of the type."""
    if kind in GROUP_TYPES:
        return {"group": 1}
    return {"newest": HIGHEST + 5} if kind in RECEIPT_TYPES else {"highest": HIGHEST}


def flip(data, at, mask=1):
    return data[:at] + bytes([data[at] ^ mask]) + data[at + 1:]


# ------------------------------------------------------------------------------ the vectors


def typical_and_extreme(v):
    """Sections 2 and 3: every type with typical values, all zero and all at their greatest."""
    for kind in BODY:
        v.frame(f"{NAME[kind]}-typical", "Typical values.", make(kind), **context_of(kind))
    zero = {kind: {name: 0 for name, _ in BODY[kind]} for kind in BODY}
    zero[4]["kind"] = 1
    first = {"highest": None}
    for kind in BODY:
        sender = dict(node=1, generation=0, site=0, counter=0, hops_left=0, gateway=0, epoch=0, receipt=0)
        context = {"group": 0} if kind in GROUP_TYPES else {"newest": 0} if kind in RECEIPT_TYPES else first
        v.frame(f"{NAME[kind]}-least", "Every field has its least value.",
                make(kind, zero[kind], **sender), site=0, **context)
    for kind in BODY:
        most = {name: 256 ** size - 1 for name, size in BODY[kind]}
        most.update({k: x for k, x in GREATEST.get(kind, {}).items()})
        sender = dict(node=255 if kind in GROUP_TYPES else 239, generation=255, site=65535, counter=2 ** 32 - 1,
                      attempt=256 ** ATTEMPT_SIZE.get(kind, 0) - 1, long=True, hops_left=15, gateway=15,
                      epoch=65535, receipt=2 ** 32 - 1)
        if kind in GROUP_TYPES:
            sender["hops_left"] = 0
        context = ({"group": 255} if kind in GROUP_TYPES else {"newest": 2 ** 32 - 1}
                   if kind in RECEIPT_TYPES else first)
        v.frame(f"{NAME[kind]}-greatest", "Every field has its greatest value that is not refused; "
                "codes of all ones mean not measured or not known.",
                make(kind, most, **sender), site=65535, **context)


GREATEST = {
    1: {"age": 254, "send-seconds": NO_TIME - 1, "battery": 254, "temperature": 127},
    2: {"age": 254, "send-seconds": NO_TIME - 1, "dwell": 65534},
    3: {"kind": 1},
    4: {"kind": 0x87},
    5: {"flags": 0x7F, "send-seconds": NO_TIME - 1},
    8: {"flags": 1},
    10: {"flags": 0},
    12: {"flags": 1},
    13: {"flags": 1, "attempt-answered": 0, "also-durable": 0},
}


def pseudo_random(v):
    """Values that no human chose, from a fixed seed; getrandbits gives the same in every Python 3."""
    source = random.Random(20)
    for kind in BODY:
        while True:
            values = {name: source.getrandbits(8 * size) for name, size in BODY[kind]}
            values["flags" if "flags" in values else "input"] = source.getrandbits(1)
            if kind in (3, 4):
                values["kind"] = 1
            if kind == 9:
                del values["input"]
            if kind == 13:
                values.update({"attempt-answered": 0, "also-durable": 0})
            if kind == 5:
                values.update({"flags": 0x45})
            if not body_refused(kind, values):
                break
        counter = source.getrandbits(32)
        context = {"group": 9} if kind in GROUP_TYPES else {"newest": counter + 77} \
            if kind in RECEIPT_TYPES else {"highest": counter - 500}
        v.frame(f"{NAME[kind]}-drawn", "Values drawn from a fixed seed.",
                make(kind, values, node=1 + source.getrandbits(7), generation=9, counter=counter,
                     attempt=source.getrandbits(8) if kind in ATTEMPT_SIZE else 0), **context)


def bodies_accepted(v):
    """Section 3: the special values and the flags, one by one."""
    def ok(name, purpose, kind, /, **changes):
        v.frame(name, purpose, make(kind, body(kind, **changes)), **context_of(kind))

    ok("trip-opened-not-measured", "No time, battery and temperature not measured.", 1,
       send_seconds=NO_TIME, send_epoch=0, battery=255, temperature=0x80)
    ok("trip-opened-no-time-epoch-ignored", "No time; the epoch byte is not looked at, so 9 there is no fault.", 1,
       send_seconds=NO_TIME, send_epoch=9)
    ok("trip-opened-test", "A test trip.", 1, input=0x08)
    ok("trip-opened-closed-contact", "A normally closed contact on a supervised wire.", 1, input=0xF6)
    ok("trip-opened-cold", "The lowest temperature, and the age just below the code that is refused.", 1,
       temperature=0x81, age=254)
    ok("trip-closed-dwell-unknown", "Dwell longest or not known, opening not known.", 2, dwell=65535,
       opening_distance=0)
    ok("trip-held-closing", "A closing that is held, with dwell and opening.", 3, kind=1, input=0x20,
       dwell=0x2345, opening_distance=6)
    ok("trip-held-no-time", "A node without time, battery not measured.", 3, send_seconds=NO_TIME, send_epoch=0,
       battery=255)
    faults = {1: ("Tamper.", 0), 3: ("Battery at 3100 millivolts.", 3100), 4: ("Blocked for 600 seconds.", 600),
              5: ("Chatter, 41 edges in the last minute.", 41), 6: ("At the most 64 events lost.", 64),
              7: ("The number store cannot be written.", 0)}
    for kind, (purpose, argument) in faults.items():
        ok(f"fault-kind-{kind}", purpose, 4, kind=kind, argument=argument)
    ok("fault-wire-unknown", "Input wire with unknown loop resistance; nothing measured.", 4, argument=65535,
       battery=255, temperature=0x80, send_seconds=NO_TIME, send_epoch=0)
    ok("fault-ended", "A fault that ended.", 4, kind=0x82)
    ok("check-in-confirm", "A check-in that confirms an event.", 5, flags=0x41, confirm=1, confirm_age=50)
    ok("check-in-confirm-oldest", "Confirms the event furthest back; its age no longer fits.", 5, flags=0x40,
       confirm=255, confirm_age=255)
    ok("check-in-not-measured", "A node after a restart that has no time and has measured nothing.", 5, flags=0x1F,
       send_seconds=NO_TIME, send_epoch=0, battery=255, temperature=0x80, rssi=255, snr=0x80, noise=255,
       settings_version=0)
    ok("solicit-kept-receipt", "Asks for a kept receipt.", 8, flags=1, heard=0x01020304)
    ok("solicit-no-way", "A node that knows no way, with the noise floor not measured.", 8, distance=65535, noise=255)
    ok("hop-acknowledgement-not-measured", "RSSI and SNR not measured, at the gateway.", 9, rssi=255, snr=0x80,
       distance=0)
    ok("receipt-confirm", "A receipt that asks for a confirmation at once.", 12, flags=1, attempt_answered=3)
    ok("receipt-also-durable", "A receipt that names earlier events as well.", 12, also_durable=0x8005)
    ok("receipt-settings", "A receipt with settings, minimum dwell left as it is.", 12, settings_version=5,
       minimum_dwell=0, check_in_period=90)
    v.frame("beacon-gateway", "A beacon from gateway 3.", make(10, node=243), group=1)
    v.frame("trip-opened-second-try", "The second try of a trip, under a new attempt.", make(1, attempt=1),
            highest=HIGHEST)
    v.frame("trip-held-many-tries", "An attempt that needs both bytes.", make(3, attempt=0x1234), highest=HIGHEST)


def bodies_refused(v):
    """Section 3: one vector for each value that it refuses; the MAC of each is good."""
    def no(name, purpose, kind, /, **changes):
        v.frame("refused-" + name, purpose, make(kind, body(kind, **changes)), "reserved", **context_of(kind))

    no("opened-age-255", "The age of a trip opened is code 255.", 1, age=255)
    no("closed-age-255", "The age of a trip closed is code 255.", 2, age=255)
    no("held-kind-2", "A held trip that is neither opening nor closing.", 3, kind=2)
    no("held-kind-128", "The kind of a held trip has no bit for an end.", 3, kind=0x80)
    no("held-opening-dwell", "A held opening with a dwell.", 3, dwell=1)
    no("held-opening-dwell-high", "A held opening with the high byte of a dwell.", 3, dwell=256)
    no("held-opening-distance", "A held opening with the distance back to an opening.", 3, opening_distance=1)
    for kind in (0, 8, 0x7F, 0x80, 0x88):
        no(f"fault-kind-{kind}", "A fault kind that is not listed; the end bit is no part of the kind.", 4, kind=kind)
    no("check-in-flag-128", "The check-in flag that is 0.", 5, flags=0x80)
    no("check-in-confirm-0", "Bytes 11 and 12 are said to be valid, but byte 11 is 0.", 5, flags=0x40, confirm_age=9)
    no("check-in-confirm-unannounced", "Byte 11 without the flag.", 5, confirm=1)
    no("check-in-confirm-age-unannounced", "Byte 12 without the flag.", 5, confirm_age=1)
    no("solicit-flags", "A solicit flag that is 0.", 8, flags=3, heard=1)
    no("solicit-flag-2", "The same with nothing else wrong.", 8, flags=2)
    no("solicit-mac-unasked", "A solicit that asks for no receipt but names a frame.", 8, heard=0x100)
    no("beacon-flags", "A beacon flag that is 0.", 10, flags=1)
    no("receipt-flags", "A receipt flag that is 0.", 12, flags=2)
    no("receipt-dwell-without-version", "Settings without version: minimum dwell.", 12, minimum_dwell=1)
    no("receipt-period-without-version", "Settings without version: check-in period.", 12, check_in_period=1)
    no("check-in-receipt-flags", "A flag of a check-in receipt that is 0.", 13, flags=0x81)
    no("check-in-receipt-attempt", "A check-in receipt that names an attempt.", 13, attempt_answered=1)
    no("check-in-receipt-durable", "A check-in receipt that names durable events.", 13, also_durable=1)
    no("check-in-receipt-settings", "A check-in receipt with settings but no version.", 13, settings_version=0)


def counters(v):
    """Section 6: the full counter, seen from the gateway."""
    def case(name, purpose, counter, highest, expect="accept", kind=1, **options):
        v.frame("counter-" + name, purpose, make(kind, counter=counter, **options), expect, highest=highest)

    case("first-short", "Nothing accepted yet: a short counter below 65536.", 65535, None)
    case("first-short-beyond", "Nothing accepted yet: a short counter cannot say 65536.", 65536, None, "mac")
    case("first-long", "Nothing accepted yet: the long form says it all.", 4000000000, None, long=True)
    case("same-again", "The highest itself comes again; that is for the replay check to see.", 70000, 70000)
    case("wraps", "Low bits wrap: 131072 after 131071.", 131072, 131071)
    case("before-wrap", "An event from before the wrap arrives after it.", 131071, 131073)
    case("window-last", "1023 behind the highest, the last that a short counter reaches.", 68977, 70000)
    case("window-beyond", "1024 behind the highest is taken for one far ahead.", 68976, 70000, "mac")
    case("ahead-most", "The furthest ahead that a short counter reaches.", 68977 + 65535, 70000)
    case("ahead-beyond", "One further ahead is taken for one in the window.", 68977 + 65536, 70000, "mac")
    case("base-0", "The highest is 1023, so the base is still 0.", 0, 1023)
    case("base-1", "The highest is 1024, so the base is 1 and counter 0 is beyond.", 0, 1024, "mac")
    case("low-highest", "The highest is small; the base does not go below 0.", 65535, 5)
    case("replay-65536", "A frame 65536 old cannot pass for a new one with the same low bits.", 70001 - 65536, 70000,
         "mac")
    case("long-behind", "The long form far behind the highest opens; refusing it is the replay check's work.", 5,
         3000000, long=True)
    case("long-ahead", "The long form far ahead of the highest.", 3000000, 5, long=True)
    case("last-short", "The last counter of all, short.", 2 ** 32 - 1, 2 ** 32 - 2)
    case("past-32-bits", "Past the last counter they go on at 0, which any replay window refuses as old.", 0, 2 ** 32 - 1)
    case("check-in-long", "A check-in with a long counter.", 70000, None, kind=5, long=True)
    case("check-in-wraps", "A check-in counter wraps in its own space.", 65536, 65000, kind=5)
    case("held-long", "A held trip with a long counter and a late attempt.", 70001, None, kind=3, long=True,
         attempt=300)
    case("closed-long", "A trip closed with a long counter.", 70001, 70000, kind=2, long=True, attempt=2)
    case("fault-long", "A fault with a long counter.", 70001, 70000, kind=4, long=True, attempt=2)


def answered_counters(v):
    """Section 6: the full counter, seen from a node that reads a receipt."""
    def case(name, purpose, counter, newest, expect="accept", kind=12):
        v.frame("answered-" + name, purpose, make(kind, counter=counter), expect, newest=newest)

    case("newest", "The newest event is answered.", 70001, 70001)
    case("across-wrap", "An event from before the low bits wrapped.", 65535, 65536)
    case("furthest", "The furthest back that can be named.", 70001 - 65535, 70001)
    case("65536-back", "A receipt for the counter 65536 back does not pass for one of today's.", 70001 - 65536, 70001,
         "mac")
    case("ahead", "A receipt for an event that the node has not had yet.", 70002, 70001, "mac")
    case("negative", "Low bits above the newest counter of a young node.", 10, 5, "mac")
    case("negative-wrapped", "The counter that comes out negative is not taken modulo 2^32.", 2 ** 32 - 65526, 5, "mac")
    case("check-in", "A check-in receipt, answered in the other space.", 65535, 65540, kind=13)
    case("check-in-65536-back", "A check-in receipt 65536 back.", 4, 65540, "mac", kind=13)


def hops(v):
    """Section 10: hop records."""
    frame = make(1, hops_left=8)
    chain = []
    for i, relay in enumerate((12, 30, 31, 5, 200, 239, 1, 8)):
        frame = with_hop(frame, relay, generation=i, rssi=80 + i, snr=(20 - 9 * i) & 0xFF, held=1 + 20 * i)
        chain.append(frame)
        if i < MOST_HOPS:
            v.frame(f"hops-{i + 1}", f"{i + 1} good hop records.", frame, highest=HIGHEST)
    v.frame("hops-8", "8 hop records, one too many.", chain[7], "length", highest=HIGHEST)
    forged = with_hop(with_hop(with_hop(make(1), 12), 30, forge=True), 31)
    v.frame("hops-forged-middle", "A forged record among good ones costs only itself.", forged, highest=HIGHEST)
    v.frame("hops-forged-all", "Both records are forged; the event stands.",
            with_hop(with_hop(make(1), 12, forge=True), 30, forge=True), highest=HIGHEST)
    v.frame("hops-altered-first", "The first record altered after the second was made: neither verifies.",
            flip(chain[1], 26 + 4), highest=HIGHEST)
    v.frame("hops-first-removed", "The first of two records removed: the second does not verify.",
            chain[1][:26] + chain[1][35:], highest=HIGHEST)
    v.frame("hops-last-removed", "The last record removed; that cannot be seen.", chain[2][:-9], highest=HIGHEST)
    v.frame("hops-swapped", "Two records in the wrong order.", chain[1][:26] + chain[1][35:] + chain[1][26:35],
            highest=HIGHEST)
    v.frame("hops-other-frame", "Records taken from another frame.", make(1, attempt=1) + chain[1][26:],
            highest=HIGHEST)
    v.frame("hops-wrong-generation", "The generation in a record altered.", flip(chain[0], 26 + 1), highest=HIGHEST)
    v.frame("hops-not-measured", "A relay that measured nothing and held the frame longest.",
            with_hop(make(1), 12, rssi=255, snr=0x80, held=255), highest=HIGHEST)
    v.frame("hops-relay-0", "No node has id 0, so its record is not verified.", with_hop(make(1), 0), highest=HIGHEST)
    v.frame("hops-relay-240", "No node has id 240, so its record is not verified.", with_hop(make(1), 240),
            highest=HIGHEST)
    v.frame("hops-long-counter", "Records behind a long counter.", with_hop(with_hop(make(2, long=True), 12), 30),
            highest=None)
    for kind in (3, 4, 5):
        v.frame(f"hops-{NAME[kind]}", "Two hop records behind another type.",
                with_hop(with_hop(make(kind), 12), 30), highest=HIGHEST)
    v.frame("hops-check-in-8", "A check-in with 8 hop records.", make(5) + bytes(72), "length", highest=HIGHEST)
    v.frame("hops-cut", "A hop record that lacks its last byte.", chain[0][:-1], "length", highest=HIGHEST)
    for kind in (8, 10, 12, 13):
        v.frame(f"hops-{NAME[kind]}", "This type carries no hop records.", make(kind) + bytes(9), "length",
                **context_of(kind))


def damaged(v):
    """Section 5: what the MAC covers, and the two nibbles that it does not."""
    trip = make(1)
    parts = {"site": 3, "node": 4, "generation": 5, "counter": 7, "attempt": 8, "cipher-first": 9, "cipher-last": 17,
             "mac-first": 18, "mac-last": 25}
    for name, at in parts.items():
        v.frame(f"damaged-{name}", f"One bit of byte {at} flipped.", flip(trip, at), "mac", highest=HIGHEST)
    v.frame("damaged-type", "A trip opened made into a trip closed.", flip(trip, 0, 3), "mac", highest=HIGHEST)
    v.frame("damaged-hops-left", "Hops left altered; relays do that, so the MAC does not cover it.",
            flip(trip, 1, 0x0C),
            highest=HIGHEST)
    held = make(3, attempt=0x0102)
    v.frame("damaged-held-attempt-high", "The high byte of a long attempt flipped.", flip(held, 8), "mac",
            highest=HIGHEST)
    wide = trip[:1] + bytes([trip[1] | LONG]) + trip[2:6] + number(HIGHEST + 1, 4) + trip[8:]
    v.frame("damaged-made-long", "A short counter written out long; the flag is covered.", wide, "mac", highest=HIGHEST)
    v.frame("damaged-other-secret", "Sealed under the key of another site secret.", make(1, secret=OTHER_SECRET), "mac",
            highest=HIGHEST)
    v.frame("damaged-other-site", "A good frame of another site under the same secret.", make(1, site=4712), "mac",
            highest=HIGHEST)
    receipt = make(12)
    for name, at in {"epoch": 7, "number": 11, "answered": 13, "node": 4, "cipher": 14, "mac": 32}.items():
        v.frame(f"damaged-receipt-{name}", f"One bit of byte {at} flipped.", flip(receipt, at), "mac",
                newest=HIGHEST + 5)
    v.frame("damaged-receipt-gateway", "The gateway number altered.", flip(receipt, 1, 0x10), "mac", newest=HIGHEST + 5)
    v.frame("damaged-receipt-hops-left", "Hops left of a receipt altered, which nobody minds.", flip(receipt, 1, 0x07),
            newest=HIGHEST + 5)
    v.frame("damaged-receipt-type", "A receipt made into a check-in receipt.", flip(receipt, 0), "mac",
            newest=HIGHEST + 5)
    beacon = make(10, node=240)
    for name, at in {"sender": 4, "counter": 9, "cipher": 20, "mac": 28}.items():
        v.frame(f"damaged-beacon-{name}", f"One bit of byte {at} flipped.", flip(beacon, at), "mac", group=1)
    v.frame("damaged-group-generation", "Sealed under a group key that the reader does not hold.",
            make(10, node=240, generation=2), "mac", group=1)
    v.frame("damaged-group-mac", "One bit of a MAC of 4 bytes flipped.", flip(make(8), 21), "mac", group=1)
    v.frame("damaged-hop-acknowledgement", "One bit of a hop acknowledgement flipped.", flip(make(9), 12), "mac",
            group=1)
    v.frame("damaged-group-hops-left", "Hops left of a group frame is not 0; the MAC does not cover it.",
            flip(make(8), 1, 0x02), group=1)


def shapes(v):
    """Sections 2 and 6: lengths, versions, types, flags, ids, and the order of refusals."""
    trip = make(1)

    def no(name, purpose, frame, expect, **context):
        v.frame("shape-" + name, purpose, frame, expect, **(context or {"highest": HIGHEST}))

    no("empty", "No byte at all.", b"", "length")
    no("one-byte", "One byte, whatever it says.", b"\x00", "length")
    no("two-bytes", "Version, type and flags are good; the rest is missing.", trip[:2], "length")
    for kind in BODY:
        no(f"cut-{NAME[kind]}", "The last byte is missing.", make(kind)[:-1], "length", **context_of(kind))
        no(f"extra-{NAME[kind]}", "One byte too many.", make(kind) + b"\x00", "length", **context_of(kind))
    no("mac-half", "The MAC is cut to 4 bytes.", trip[:-4], "length")
    no("long-flag-only", "Says long, but has the length of the short form.", flip(trip, 1, LONG), "length")
    no("long-unsaid", "Has the length of the long form, but says short.", flip(make(1, long=True), 1, LONG), "length")
    for version in (0, 2, 7):
        no(f"version-{version}", "A version that is not listed.", number(version << 5 | 1, 1) + trip[1:], "version")
    for kind in (0, 6, 7, 11, 14, 31):
        no(f"type-{kind}", "A type that is not listed.", number(VERSION << 5 | kind, 1) + trip[1:], "type")
    for flag in (0x20, 0x40, 0x80):
        no(f"flag-{flag:02x}", "A flag that is 0.", flip(trip, 1, flag), "reserved")
    no("flag-beside-long", "A flag that is 0, beside that of the long counter.", flip(make(1, long=True), 1, 0x20),
       "reserved")
    for flag in (0x10, 0x80):
        no(f"group-flag-{flag:02x}", "Group frames have no flags.", flip(make(8), 1, flag), "reserved", group=1)
    for node in (0, 240, 255):
        no(f"node-{node}", "An id that no node has; the MAC is good.", make(1, node=node), "reserved")
    no("check-in-node-240", "A check-in from an id that no node has.", make(5, node=240), "reserved")
    no("sender-0", "A group frame from 0.", make(9, node=0), "reserved", group=1)
    for node in (0, 240):
        no(f"receipt-node-{node}", "A receipt to an id that no node has.", make(12, node=node), "reserved",
           newest=HIGHEST + 5)
    no("order-version-type", "Version before type.", b"\x5f\xff", "version")
    no("order-type-flags", "Type before flags.", b"\x26\xff", "type")
    no("order-flags-length", "Flags before length.", b"\x21\xf0", "reserved")
    no("order-length-node", "Length before node id.", make(1, node=0) + b"\x00", "length")
    no("order-node-mac", "Node id before MAC.", flip(make(1, node=0), 25), "reserved")
    no("order-mac-body", "MAC before the values of the body.", flip(make(1, body(1, age=255)), 25), "mac")


def words(**values):
    return " ".join(f"{k.replace('_', '-')}={x.hex() if isinstance(x, bytes) else x}" for k, x in values.items())


def derivations(v):
    """Section 4: one line for each key, named by what it is derived from."""
    lines = []
    for secret in (SECRET, OTHER_SECRET, bytes(32)):
        for site, node, generation in ((4711, 17, 1), (0, 1, 0), (65535, 239, 255)):
            key = node_key(secret, site, node, generation)
            lines.append(("node", words(secret=secret, site=site, node=node, generation=generation, key=key,
                                        encrypt=encryption_key(key), authenticate=mac_key(key), hop=hop_key(key))))
        for site, generation in ((4711, 1), (65535, 255)):
            key = group_key(secret, site, generation)
            lines.append(("group", words(secret=secret, site=site, generation=generation, key=key,
                                         encrypt=encryption_key(key), authenticate=mac_key(key))))
    v.text("derivations", "Keys: the key of a node or group from the site secret, and the keys from that.", lines)


SAMPLES = (0, 1, 9, 11, 29, 31, 100, 119, 121, 619, 625, 635, 645, 659, 661, 1000, 1279, 1301, 2000, 4095, 5003, 8190,
           8195, 8197, 10001, 16383, 60000, 61111, 600000, 3600000, 7200001, 9830400, 9990000, 10000000, 10158080,
           20000000, 86400000, 134193151, 134193153, 134201344, 200000000, 10 ** 12)


def durations(v):
    """Section 3: dur8, dur16 and battery. Values midway between two codes are left out: either is nearest."""
    lines = [("dur8", f"{code} {dur8(code)}ms") for code in range(256)]
    codes = sorted({0, 1, 4095, 4096, 4097, 8191, 8192, 8193, 65534, 65535} | set(range(0, 65536, 1021)))
    lines += [("dur16", f"{code} {dur16(code)}ms") for code in codes]
    for name, value_of, count in (("nearest8", dur8, 256), ("nearest16", dur16, 65536)):
        values = [value_of(code) for code in range(count)]
        near = ((ms, nearest(values, ms)) for ms in SAMPLES)
        lines += [(name, f"{ms}ms {code}") for ms, code in near if code is not None]
    lines += [("battery", f"{code} {2 ** (code / 64):.4f}V") for code in range(255)]
    v.text("durations", "Codes: what each dur8, some dur16 and each battery code mean, and the codes nearest to some "
           "durations.", lines)


EVERY = NO_TIME * 1000


def verdict(now, epoch, seconds, send_epoch, held):
    """Section 9; now and held in ms. Also gives `late`, or None without a send time of this epoch."""
    if seconds == NO_TIME or send_epoch != epoch & 0xFF:
        return "unproven", None
    late = (now - seconds * 1000 + EVERY // 2) % EVERY - EVERY // 2 - held
    if late < -15000:
        return "unproven", late
    return ("fresh" if late <= 16000 else "late"), late


def freshness(v):
    """Section 9: the verdict on a send time."""
    start = 123456000
    away = (0, 900, 1500, 16000, 16001, 40000, 3600000, -900, -15000, -15001, -600000)
    cases = [(start + d, 7, 123456, 7, 0) for d in away]
    cases += [(start + 20000, 7, 123456, 7, held) for held in (0, 3000, 4000, 20000)]
    cases += [(start, 7, NO_TIME, 0, 0), (start, 7, NO_TIME, 7, 0), (start, 7, 123456, 8, 0),
              (start, 7 + 256, 123456, 7, 0), (start, 0x0807, 123456, 8, 0)]
    cases += [(EVERY + 500, 7, NO_TIME - 1, 7, 0), (EVERY + 500, 7, 0, 7, 0), (EVERY - 2000, 7, 5, 7, 0),
              (EVERY - 20000, 7, 5, 7, 0), (5 * EVERY + start, 7, 123456, 7, 0), (EVERY + 30000, 7, NO_TIME - 10, 7, 0)]
    lines = []
    for case in cases:
        result, late = verdict(*case)
        now, epoch, seconds, send_epoch, held = case
        lines.append(("case", words(now=f"{now}ms", epoch=epoch, send_seconds=seconds, send_epoch=send_epoch,
                                    held=f"{held}ms", verdict=result,
                                    late="none" if late is None else f"{late}ms")))
    v.text("freshness", "Freshness: the verdict on a send time, from the gateway time at reception and what relays "
           "held.", lines)


def main():
    directory = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else __file__).resolve()
    directory = directory if len(sys.argv) > 1 else directory.parent
    check_ciphers()
    vectors = Vectors()
    for section in (typical_and_extreme, pseudo_random, bodies_accepted, bodies_refused, counters, answered_counters,
                    hops, damaged, shapes, derivations, durations, freshness):
        section(vectors)
    vectors.write(directory)
    print(f"{len(vectors.files) - 3} frames and 3 tables in {directory}")


if __name__ == "__main__":
    main()
