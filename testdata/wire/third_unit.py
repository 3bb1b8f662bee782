#!/usr/bin/env python3
"""A simulated ranging unit that speaks the panecal wire, version 1, on a pseudo-terminal (standard library only).

usage: unit.py [--console] [--no-serial] [--no-histograms] [--one-zone] [--refuse-stage] [--stay]
Prints {"port": ...}; takes the commands off, on, cut N, fault BITS, damage, light on its standard input."""
import hashlib, json, math, os, pty, select, struct, sys, time, tty

OPT = set(sys.argv[1:])
CONSOLE, HISTO = "--console" in OPT, "--no-histograms" not in OPT
REFUSE = "--refuse-stage" in OPT                          # 5.6.8: code 5 for stage while a capture runs
OPEN, CLOSE = b"~open\r", b"~close\r"
SERIAL = "" if "--no-serial" in OPT else "T3-0042"
ROWS, COLS = (1, 1) if "--one-zone" in OPT else (3, 4)
ZONES, BINS = ROWS * COLS, 48
WIDTH, EDGE, PERIOD = 500_000, -1_000_000, 1000           # fs, fs, ns
BITS, P_IN, P_OUT, HELD, FRAMES = 16, 1024, 1024, 4, 32
KINDS = 7 if HISTO else 6
COMMIT_MS = 40
TEMP = 25_000
U32 = 0xFFFFFFFF
MAXBLOCK = 92 + 8 * ZONES + 68 + (2 * ZONES * BINS + 3 & ~3 if HISTO else 0)

# ---- check, stuffing -------------------------------------------------------------------------------------------
TABLE = []
for _n in range(256):
    for _ in range(8):
        _n = _n >> 1 ^ (0x82F63B78 if _n & 1 else 0)
    TABLE.append(_n)

def crc(data):
    c = U32
    for b in data:
        c = c >> 8 ^ TABLE[(c ^ b) & 255]
    return c ^ U32

def void(witness=b""):
    """A void form (6.4): bare, or bearing a witness of 60 bytes."""
    b = struct.pack("<4sHHI", b"PNLC", 1, 0, 20 + len(witness)) + witness + struct.pack("<I", 3)
    return b + struct.pack("<I", crc(b))

def stuff(data):
    out = bytearray()
    parts = data.split(b"\0")
    for k, part in enumerate(parts):
        while len(part) >= 254:
            out += b"\xff" + part[:254]
            part = part[254:]
            if not part and k == len(parts) - 1:
                return bytes(out)
        out += bytes([len(part) + 1]) + part
    return bytes(out)

def unstuff(raw):
    out, i = bytearray(), 0
    while i < len(raw):
        n = raw[i]
        if i + n > len(raw):
            raise ValueError("stuffing")
        out += raw[i + 1:i + n]
        i += n
        if n < 255 and i < len(raw):
            out.append(0)
    return bytes(out)

def packet(payload):
    return b"\0" + stuff(payload + struct.pack("<I", crc(payload))) + b"\0"

# ---- CBOR ------------------------------------------------------------------------------------------------------
class Typed(list):
    """A list of counts."""

def head(major, n):
    if n < 24:
        return bytes([major << 5 | n])
    for k, f in enumerate(("B", "H", "I", "Q")):
        if n >> (8 << k) == 0:
            return struct.pack(">B" + f, major << 5 | 24 + k, n)
    raise ValueError("too large")

def enc(x):
    if isinstance(x, int):
        return head(0, x) if x >= 0 else head(1, -1 - x)
    if isinstance(x, bytes):
        return head(2, len(x)) + x
    if isinstance(x, str):
        return head(3, len(x.encode())) + x.encode()
    if isinstance(x, Typed):
        m = max(x)
        tag, f = (64, "B") if m < 256 else (69, "H") if m < 65536 else (70, "I")
        return head(6, tag) + enc(struct.pack("<%d%s" % (len(x), f), *x))
    if isinstance(x, dict):
        return head(5, len(x)) + b"".join(enc(k) + enc(x[k]) for k in sorted(x))
    return head(4, len(x)) + b"".join(map(enc, x))

class Reader:
    def __init__(self, data):
        self.data, self.i = data, 0

    def take(self, n):
        if n > len(self.data) - self.i:
            raise ValueError("short")
        self.i += n
        return self.data[self.i - n:self.i]

    def item(self, depth=0):
        first = self.take(1)[0]
        major, n = first >> 5, first & 31
        if major == 7 or n > 27:
            raise ValueError("not of the subset")
        if n > 23:
            k = n - 24
            n = int.from_bytes(self.take(1 << k), "big")
            if n < 24 or k and n >> (4 << k) == 0:
                raise ValueError("longer than needed")
        if major == 0:
            return n
        if major == 1:
            return -1 - n
        if major == 2:
            return self.take(n)
        if major == 3:
            return self.take(n).decode("utf-8")
        if major == 6:
            w = {64: 1, 69: 2, 70: 4}.get(n)
            if w is None or self.data[self.i:self.i + 1] == b"" or self.data[self.i] >> 5 != 2:
                raise ValueError("tag")
            b = self.item(depth)
            if len(b) % w:
                raise ValueError("typed array")
            t = Typed(int.from_bytes(b[j:j + w], "little") for j in range(0, len(b), w))
            if w > 1 and max(t, default=0) >> (4 * w) == 0:
                raise ValueError("not the narrowest")
            return t
        if depth == 4:
            raise ValueError("nested")
        if major == 4:
            return [self.item(depth + 1) for _ in range(n)]
        if n > 64:
            raise ValueError("keys")
        out, last = {}, -1
        for _ in range(n):
            key = self.item(depth + 1)
            if type(key) is not int or key <= last:
                raise ValueError("key")
            out[key] = self.item(depth + 1)
            last = key
        return out

def u32(x):
    return type(x) is int and 0 <= x <= U32

def request(raw):
    """id, session, number, arguments of the bytes between two 0x00, or None."""
    try:
        data = unstuff(raw)
        if not 5 <= len(data) <= P_IN + 4 or crc(data[:-4]) != int.from_bytes(data[-4:], "little"):
            return None
        r = Reader(data[:-4])
        q = r.item()
    except ValueError:                                    # includes UnicodeDecodeError
        return None
    if r.i != len(data) - 4 or type(q) is not list or len(q) != 4 or not all(map(u32, q[:3])) or type(q[3]) is not dict:
        return None
    return q

# ---- constants -------------------------------------------------------------------------------------------------
def whole(b):
    return len(b) >= 20 and crc(b[:-4]) == int.from_bytes(b[-4:], "little")

class Block:
    """A constants block taken apart; .code is 0 if it is good for this unit."""
    def __init__(self, b):
        self.code = 8
        if not whole(b) or len(b) < 92 + 68:
            return
        magic, schema, flags, n, rows, cols, first, nbins, kl, kb, ko, zero = struct.unpack("<4sHHIHHHHBBBB", b[:24])
        if magic != b"PNLC" or schema != 1 or n != len(b):
            return
        zones = rows * cols
        offsets = zones if flags & 1 else 1
        o = 92 + 4 * zones + (2 * zones * nbins + 3 & ~3)
        if b[-8] not in (1, 2) or b[-7:-4] != b"\0\0\0" or n != o + 4 * offsets + 68:
            return
        if (rows, cols) != (ROWS, COLS) or SERIAL and b[28:60] != SERIAL.encode().ljust(32, b"\0"):
            self.code = 9
            return
        if flags > 1 or zero or max(kl, kb, ko) > 62 or nbins and first + nbins > (BINS if HISTO else 0):
            return
        self.code = 0
        self.zone = [v * 2.0 ** -kl for v in struct.unpack_from("<%di" % ZONES, b, 92)]
        raw = struct.unpack_from("<%dh" % (ZONES * nbins), b, 92 + 4 * ZONES)
        off = struct.unpack_from("<%di" % offsets, b, o)
        self.leak, self.offset = [], []
        for z in range(ZONES):
            row = [0.0] * BINS
            for k in range(nbins):
                row[first + k] = raw[z * nbins + k] * 2.0 ** -kb
            self.leak.append(row)
            self.offset.append(off[z % offsets] * 2.0 ** -ko)

class Memory:
    """Two slots and a mark that tells which is in force; after a number of steps the power fails."""
    STEP = 128

    def __init__(self):
        self.slots, self.active, self.cut = [b"", b""], 0, None

    def block(self):
        return self.slots[self.active]

    def store(self, b):
        steps, other = -(-len(b) // self.STEP) + 1, 1 - self.active      # the last sets the mark
        if self.cut is not None and self.cut <= steps:                   # this step is not finished
            self.slots[other] = b[:self.cut * self.STEP - self.STEP // 2]
            return False
        self.slots[other], self.active = b, other
        self.cut = self.cut and self.cut - steps
        return True

# ---- captures --------------------------------------------------------------------------------------------------
C_UM = 0.299792458 / 2                                # micrometres of distance a femtosecond

def pulse(mid, sigma=600_000.0):
    """Share of a pulse around mid (fs) in each bin."""
    cdf = [0.5 * math.erf((EDGE + k * WIDTH - mid) / sigma / math.sqrt(2)) for k in range(BINS + 1)]
    return [cdf[k + 1] - cdf[k] for k in range(BINS)]

AMBIENT = 0.002
RATES = [[AMBIENT + 0.2 * a + 0.03 * b for a, b in zip(pulse((1_000_000 + 10_000 * z) / C_UM), pulse(0))]
         for z in range(ZONES)]

class Capture:
    def __init__(self, a, constants, now):
        self.id, self.kind, self.comp, self.shots, self.frames = (a[k] for k in range(1, 6))
        self.constants = constants if self.comp else None
        self.t0, self.reason, self.done = now, 0, 0
        self.end = now + self.shots * self.frames * PERIOD * 1e-9
        self.table4 = None

    def fired(self, t):
        if self.reason == 0:
            n = self.shots * self.frames
            self.done = n if t >= self.end else max(0, min(n, int((t - self.t0) * 1e9 / PERIOD)))
        return self.done

    def finish(self, reason, t):
        if self.reason == 0:
            self.fired(t)
            self.reason = reason

    def frame(self, z, f):
        """Counts of the bins of zone z in frame f."""
        s = max(0, min(self.shots, self.done - f * self.shots))
        return [int(r * s) for r in RATES[z]]

    def raw(self, z):
        full = self.done // self.shots
        whole_, part = self.frame(z, 0) if full else [0] * BINS, [0] * BINS
        if full < self.frames:
            part = self.frame(z, full)
        return [full * a + b for a, b in zip(whole_, part)]

    def columns(self, table):
        """Columns of a table, 0 if this kind does not have it."""
        return {1: BINS if self.kind == 1 else 0, 2: int(self.kind < 3), 3: self.frames if self.kind < 3 else 0,
                4: int(self.kind == 3)}[table]

    def row(self, table, z):
        if table == 1:
            return [min(v, (1 << BITS) - 1) for v in self.raw(z)]
        if table == 2:
            return [min(sum(self.raw(z)), U32)]
        if table == 3:
            return [min(sum(self.frame(z, f)), U32) for f in range(self.frames)]
        return [self.range(z)]

    def range(self, z):
        shots = self.done
        if shots == 0:
            return [0, 0, 0, 0]
        counts = [min(v, (1 << BITS) - 1) for v in self.raw(z)]
        h, offset = [float(v) for v in counts], 0.0
        if self.constants:
            h = [v - k * shots for v, k in zip(h, self.constants.leak[z])]
            offset = self.constants.offset[z] * 1000
        peak = max(range(BINS), key=h.__getitem__)
        lo, hi = max(0, peak - 4), min(BINS, peak + 5)
        dark = [b for b in range(8, BINS) if not lo <= b < hi]
        amb = sum(h[b] for b in dark) / len(dark)
        u_amb = math.sqrt(sum(counts[b] for b in dark) + 1) / len(dark)
        net = sum(h[lo:hi]) - amb * (hi - lo)
        u_net = math.sqrt(sum(counts[lo:hi]) + 1 + (u_amb * (hi - lo)) ** 2)
        own = self.constants.zone[z] * shots if self.constants and not HISTO else 0     # laid out as the pulse found
        out = [round(v / shots * 1e9) for v in (net - own, u_net, amb, u_amb)]
        if net - own > 5 * u_net:
            mid = sum((h[b] - amb) * (EDGE + (b + 0.5) * WIDTH) for b in range(lo, hi)) / net
            out += [round(mid * C_UM - offset), max(1, round(600_000 * C_UM * u_net / net))]
        return out

# ---- the unit --------------------------------------------------------------------------------------------------
ARGS = {3: {1: (1, U32), 2: (1, 3), 3: (0, 1), 4: (1, U32), 5: (1, 256)}, 4: {1: (1, U32)},
        5: {1: (1, U32), 2: (1, 4), 3: (0, 1023), 4: (0, 1023), 5: (1, 262144)},
        6: {1: (0, 524287), 2: (1, 8192)}, 7: {1: (1, 524288), 2: (0, 524287), 3: bytes},
        8: {1: (1, 524288), 2: (0, U32)}}

class Unit:
    def __init__(self, fd):
        self.fd, self.memory, self.faults, self.power, self.back, self.fired = fd, Memory(), 0, True, 0, 0
        self.out = bytearray()
        self.reset(time.monotonic())

    def reset(self, now):
        self.session, self.capture, self.staged, self.stage_len = 0, None, b"", 0
        self.job, self.job_time, self.last_own, self.last_any = None, 0.0, now, now
        self.open, self.synced, self.frame, self.over, self.line = not CONSOLE, False, bytearray(), False, b""
        self.restart = False
        if CONSOLE:
            self.out += b"\r\nthird unit\r\n> "

    def close(self, now):
        self.reset(now)

    def update(self, now):
        """Everything that happens by itself."""
        if self.back and now >= self.back:
            self.power, self.back = True, 0
            self.reset(now)
        c = self.capture
        if c and c.reason == 0:
            if now >= min(c.end, self.last_own + 1):
                if c.end <= self.last_own + 1:
                    c.finish(1, c.end)
                else:
                    c.finish(3, self.last_own + 1)
        if self.job is not None and now >= self.job_time:
            b, self.job = self.job, None
            if not self.memory.store(b):                  # the power failed, and is back at once
                self.cut_power()
                self.memory.cut, self.back, self.fired = None, now + 0.1, 1
        if CONSOLE and self.open and now >= self.last_any + 10:
            self.close(now)

    def running(self):
        return bool(self.capture and self.capture.reason == 0)

    def cut_power(self):
        self.reset(time.monotonic())
        self.power, self.out = False, bytearray()

    # -- bytes in
    def receive(self, data):
        now = time.monotonic()
        self.update(now)
        if not self.power:
            return
        for b in data:
            if not self.open:
                self.line = (self.line + bytes([b]))[-64:]
                if self.line.endswith(OPEN):
                    self.open, self.synced, self.frame, self.over, self.last_any = True, False, bytearray(), False, now
                else:
                    self.out += b"\r\n> " if b == 13 else bytes([b]) if b >= 32 else b""
            elif b:
                if len(self.frame) > P_IN + 4 + (P_IN + 4) // 254 + 2:
                    self.over = True
                else:
                    self.frame.append(b)
                if CONSOLE and not self.over and self.frame == CLOSE:    # a request never begins so
                    self.close(now)
            else:
                raw, ok = bytes(self.frame), self.synced and not self.over
                self.frame, self.synced, self.over = bytearray(), True, False
                q = request(raw) if raw and ok else None
                if q:
                    now = time.monotonic()
                    self.update(now)
                    if not self.power:
                        return
                    if not self.open:
                        continue
                    self.last_any = now
                    if q[1] == self.session and self.session:
                        self.last_own = now
                    code, body = self.answer(q[1], q[2], q[3], now)
                    if len(self.out) < 1 << 20:
                        self.out += packet(enc([q[0], self.session, q[2], code, body]))
                    if self.restart:
                        self.reset(now)
                        return

    # -- requests
    def answer(self, session, op, a, now):
        if op == 11:
            if self.running():
                self.capture.finish(2, now)
            return 0, {}
        if op == 1 and session:
            if session != self.session:
                if self.running():
                    self.capture.finish(5, now)
                self.session, self.capture, self.staged, self.stage_len, self.last_own = session, None, b"", 0, now
            return 0, self.identity()
        if session != self.session or not session:
            return 4, {}
        if self.job is not None:
            return 1, {1: max(1, math.ceil((self.job_time - now) * 1000))}
        if not 2 <= op <= 10:
            return 2, {}
        for key, want in ARGS.get(op, {}).items():
            v = a.get(key)
            if want is bytes:
                if type(v) is not bytes or not 1 <= len(v) <= 8192:
                    return 3, {}
            elif type(v) is not int or not want[0] <= v <= want[1]:
                return 3, {}
        return getattr(self, "do_%d" % op)(a, now)

    def identity(self):
        return {1: "C3" + hashlib.sha256(b"third").hexdigest()[:10], 2: SERIAL, 3: "third", 4: "unit.py 1.0", 5: 1, 6: 1,
                7: ROWS, 8: COLS, 9: BINS if HISTO else 0, 10: WIDTH, 11: EDGE, 12: PERIOD, 13: 0, 14: BITS, 15: P_IN,
                16: P_OUT, 17: HELD, 18: COMMIT_MS + 10, 19: KINDS, 20: 1, 21: FRAMES}

    def do_2(self, a, now):
        block = self.memory.block()
        bad = 4 if block and not whole(block) else 0
        return 0, {1: TEMP, 2: int(self.running()), 3: self.faults | bad, 4: self.capture.id if self.capture else 0}

    def do_3(self, a, now):
        if a[5] > FRAMES:
            return 3, {}
        if self.capture and self.capture.id == a[1]:
            return self.do_4(a, now)
        if self.running():
            return 5, {}
        if not KINDS >> a[2] - 1 & 1:
            return 7, {}
        if self.faults & 3:
            return 10, {}
        k = Block(self.memory.block())
        self.capture = Capture(a, k if k.code == 0 else None, now)
        return self.do_4(a, now)

    def do_4(self, a, now):
        c = self.capture
        if not c or c.id != a[1]:
            return 6, {}
        n = c.fired(now)
        left = math.ceil(max(0.0, c.end - now) * 1000) if c.reason == 0 else 0
        return 0, {1: c.id, 2: c.reason, 3: n, 4: n // c.shots, 5: min(left, U32), 6: TEMP}

    def do_5(self, a, now):
        c, (table, zone, col, n) = self.capture, (a[k] for k in (2, 3, 4, 5))
        if zone >= ZONES:
            return 3, {}
        if not c or c.id != a[1]:
            return 6, {}
        cols = c.columns(table)
        if col >= cols or zone * cols + col + n > ZONES * cols:
            return 3, {}
        if c.reason == 0:
            return 6, {}
        values, z = [], zone
        while len(values) < min(n, P_OUT):                # more never fit
            values += c.row(table, z)[col if z == zone else 0:]
            z += 1
        def body(m):
            parts, at, k, left = [], 0, col, m
            while left:
                take = min(cols - k, left)
                part = values[at:at + take]
                parts.append(part[0] if table == 4 else Typed(part))
                at, k, left = at + take, 0, left - take
            return {1: a[1], 2: table, 3: zone, 4: col, 5: parts}
        lo, hi = 1, min(n, len(values))
        while lo < hi:
            m = (lo + hi + 1) // 2
            if len(enc(body(m))) + 18 <= P_OUT:           # 18: array, id, session, number, code at their longest
                lo = m
            else:
                hi = m - 1
        return 0, body(lo)

    def do_6(self, a, now):
        b = self.memory.block()
        return 0, {1: len(b), 2: a[1], 3: b[a[1]:a[1] + min(a[2], P_OUT - 40)]}

    def do_7(self, a, now):
        n, at, part = a[1], a[2], a[3]
        if n > MAXBLOCK or at + len(part) > n:
            return 3, {}
        if self.running() and REFUSE:
            return 5, {}
        if at == 0:
            self.stage_len, self.staged = n, part
        elif n == self.stage_len and at <= len(self.staged):
            self.staged = self.staged[:at] + part + self.staged[at + len(part):]
        return 0, {1: len(self.staged)}

    def begin(self, block, now):
        self.job, self.job_time = block, now + COMMIT_MS / 1000
        return 1, {1: COMMIT_MS}

    def do_8(self, a, now):
        def named(b):
            return len(b) == a[1] and whole(b) and int.from_bytes(b[-4:], "little") == a[2]
        if self.running():
            return 5, {}
        if named(self.memory.block()):
            return 0, {}
        if self.stage_len != a[1] or not named(self.staged):
            return 8, {}
        code = Block(self.staged).code
        return (code, {}) if code else self.begin(self.staged, now)

    def do_9(self, a, now):
        witness = a.get(1, b"")
        if 1 in a and (type(witness) is not bytes or len(witness) != 60):
            return 3, {}
        if self.running():
            return 5, {}
        return (0, {}) if self.memory.block() == void(witness) else self.begin(void(witness), now)

    def do_10(self, a, now):
        self.restart = True
        return 0, {}

    # -- commands of the bench
    def command(self, words):
        now = time.monotonic()
        self.update(now)
        self.back = 0 if words in (["off"], ["on"]) else self.back
        if words == ["off"]:
            self.cut_power()
        elif words == ["on"]:
            self.memory.cut, self.power = None, True
            self.reset(now)
        elif words[:1] == ["cut"] and len(words) == 2:
            self.memory.cut, fired = int(words[1], 0) or None, self.fired   # 0: no cut any more
            self.fired = 0
            return "ok %d" % fired                        # 1: a cut came since the last such command
        elif words[:1] == ["fault"] and len(words) == 2:
            self.faults = int(words[1], 0)
            if self.faults & 3 and self.running():
                self.capture.finish(4, now)
        elif words == ["damage"]:
            b = self.memory.block()
            if not b:
                return "no"
            self.memory.slots[self.memory.active] = b[:12] + bytes([b[12] ^ 0x55]) + b[13:]
        elif words == ["light"]:
            return "ok %d" % (self.power and self.running())
        else:
            return "no"
        return "ok"

def main():
    fd, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(fd, False)
    unit, text = Unit(fd), b""
    print(json.dumps({"port": os.ttyname(slave), **({"open": OPEN.decode(), "close": CLOSE.decode()} if CONSOLE else {})}),
          flush=True)
    ins = [fd] if "--stay" in OPT else [fd, 0]
    while True:
        r, _, _ = select.select(ins, [fd] if unit.out else [], [], 0.01 if unit.running() or unit.job or unit.back else 0.2)
        unit.update(time.monotonic())
        if 0 in r:
            data = os.read(0, 4096)
            if not data:
                return
            *lines, text = (text + data).split(b"\n")
            for line in lines:
                try:
                    reply = unit.command(line.decode().split())
                except ValueError:
                    reply = "no"
                print(reply, flush=True)
        if fd in r:
            try:
                unit.receive(os.read(fd, 4096))
            except BlockingIOError:
                pass
        if unit.out:
            try:
                del unit.out[:os.write(fd, unit.out)]
            except BlockingIOError:
                pass

main()
