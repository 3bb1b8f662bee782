package conform_test

import (
	"bytes"
	"encoding/binary"
	"slices"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/simunit"
)

// always answers an op (0: any) with a code, in place of those listed.
func always(code protocol.Code, op protocol.Op, instead ...protocol.Code) func(*mutant, protocol.Answer, []byte) [][]byte {
	return func(m *mutant, a protocol.Answer, p []byte) [][]byte {
		if a.Op != op && op != 0 || len(instead) > 0 && !slices.Contains(instead, a.Code) {
			return [][]byte{p}
		}
		a.Code, a.Body, a.BusyMS = code, nil, 40
		return [][]byte{encode(a)}
	}
}

// edit changes the body of answers with code 0.
func edit[B protocol.AnswerBody](do func(m *mutant, b B)) func(*mutant, protocol.Answer, []byte) [][]byte {
	return func(m *mutant, a protocol.Answer, p []byte) [][]byte {
		b, ok := a.Body.(B)
		if !ok {
			return [][]byte{p}
		}
		do(m, b)
		return [][]byte{encode(a)}
	}
}

// swap puts other bytes into answers to a request.
func swap(op protocol.Op, old, new string) func(*mutant, protocol.Answer, []byte) [][]byte {
	return func(m *mutant, a protocol.Answer, p []byte) [][]byte {
		if a.Op == op {
			p = bytes.Replace(p, []byte(old), []byte(new), 1)
		}
		return [][]byte{p}
	}
}

// turn changes requests of one kind before the unit hears them; nil drops.
func turn[B protocol.RequestBody](do func(m *mutant, r protocol.Request, b B) protocol.RequestBody) func(*mutant, protocol.Request, []byte) [][]byte {
	return func(m *mutant, r protocol.Request, p []byte) [][]byte {
		b, ok := r.Body.(B)
		if !ok {
			return [][]byte{p}
		}
		if r.Body = do(m, r, b); r.Body == nil {
			return nil
		}
		out, err := protocol.AppendRequest(nil, r)
		if err != nil {
			return [][]byte{p}
		}
		return [][]byte{out}
	}
}

// accept lets the unit take groups that it should drop.
func accept(mend func(m *mutant, stuffed []byte) []byte) func(*mutant, []byte) [][]byte {
	return func(m *mutant, stuffed []byte) [][]byte {
		if mended := mend(m, stuffed); mended != nil {
			return [][]byte{conform.PacketOf(mended)}
		}
		return [][]byte{conform.Framed(stuffed)}
	}
}

// whole takes a group apart whatever its check is.
func whole(stuffed []byte) (payload []byte, good bool) {
	b, ok := conform.Unstuff(stuffed)
	if !ok || len(b) < 5 {
		return nil, false
	}
	payload = b[:len(b)-4]
	return payload, conform.Checksum(payload) == binary.LittleEndian.Uint32(b[len(b)-4:])
}

// statusOf is a status request that the unit answers in place of another.
func statusOf(m *mutant, id, session uint32) []byte {
	out, err := protocol.AppendRequest(nil, protocol.Request{ID: id, Session: session, Body: &protocol.AskStatus{}})
	if err != nil {
		panic(err)
	}
	return out
}

// idOf is the id of a request's payload that the codec would not read.
func idOf(p []byte) uint32 {
	switch p[1] {
	case 0x18:
		return uint32(p[2])
	case 0x19:
		return uint32(binary.BigEndian.Uint16(p[2:]))
	}
	return uint32(p[1])
}

// keepAlive asks for status in the unit's session, unheard.
func keepAlive(m *mutant) { m.ask(m.session, &protocol.AskStatus{}) }

type benchThat struct {
	bench
	light func() (bool, error)
	cut   func(n int) (bool, error)
	fault func(bits uint32) error
}

func (b benchThat) Light() (bool, error) {
	if b.light != nil {
		return b.light()
	}
	return b.bench.Light()
}

func (b benchThat) CutAt(n int) (bool, error) {
	if b.cut != nil {
		return b.cut(n)
	}
	return b.bench.CutAt(n)
}

func (b benchThat) Fault(bits uint32) error {
	if b.fault != nil {
		return b.fault(bits)
	}
	return b.bench.Fault(bits)
}

func defects() []defect {
	return slices.Concat(packetDefects(), requestDefects(), captureDefects(), countDefects(), constantsDefects(), powerDefects())
}

func packetDefects() []defect {
	open := simunit.Options{Console: console}
	return []defect{
		{name: "answers twice", clause: "1.2", by: "5.6.7", answer: func(_ *mutant, _ protocol.Answer, p []byte) [][]byte { return [][]byte{p, p} }},
		{name: "does not answer void", clause: "1.2", by: "5.6.7", request: turn(func(*mutant, protocol.Request, *protocol.Void) protocol.RequestBody { return nil })},
		{name: "tells the end of a capture unasked", clause: "1.2", by: "5.6.7", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Op == protocol.OpStartCapture && a.Code == 0 {
				m.later(180*time.Millisecond, func() { m.out(p) })
			}
			return [][]byte{p}
		}},
		{name: "answers the second of two first", clause: "1.3", by: "2.2", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Op == protocol.OpStage && m.last == nil {
				m.last = p
				m.later(20*time.Millisecond, func() {
					if m.last != nil {
						m.out(m.last)
						m.last = nil
					}
				})
				return nil
			}
			out := [][]byte{p}
			if m.last != nil {
				out = append(out, m.last)
				m.last = nil
			}
			return out
		}},
		{name: "starts a capture twice", clause: "1.4", answer: edit(func(m *mutant, p *protocol.Progress) {
			m.notes["starts"]++
			if m.notes["starts"]%2 == 0 {
				p.ShotsFired = 0
			}
		})},
		{name: "does not listen while it speaks", clause: "2.2", group: func(m *mutant, b []byte) [][]byte {
			if m.notes["n"]++; m.notes["n"]%8 == 7 && len(b) > 500 {
				return nil
			}
			return [][]byte{conform.Framed(b)}
		}},
		{name: "does not know the closing text", clause: "2.3", o: open, text: func(_ *mutant, b []byte) []byte {
			return bytes.ReplaceAll(b, []byte(console.Close), nil)
		}},
		{name: "keeps protocol mode open", clause: "2.4", o: open, answer: func(m *mutant, _ protocol.Answer, p []byte) [][]byte {
			for s := 3; s < 30; s += 3 {
				m.later(time.Duration(s)*time.Second, func() { keepAlive(m) })
			}
			return [][]byte{p}
		}},
		{name: "echoes what is typed", clause: "2.5", o: open, text: func(m *mutant, b []byte) []byte {
			if !bytes.Contains(b, []byte("~panecal")) {
				m.outRaw(slices.Concat([]byte{0}, b, []byte{0}))
			}
			return b
		}},
		{name: "sends no first delimiter", clause: "3.1.1", by: "5.2.1", raw: func(_ *mutant, p []byte) [][]byte { return [][]byte{p[1:]} }},
		{name: "check in the wrong order of bytes", clause: "3.1.2", by: "5.2.1", raw: func(m *mutant, p []byte) [][]byte {
			if m.notes["n"]++; m.notes["n"] < 40 {
				return [][]byte{p}
			}
			b, _ := conform.Unstuff(p[1 : len(p)-1])
			slices.Reverse(b[len(b)-4:])
			return [][]byte{conform.Framed(conform.Stuff(b))}
		}},
		{name: "check without its final inversion", clause: "3.1.2", by: "5.2.1", raw: func(m *mutant, p []byte) [][]byte {
			if m.notes["n"]++; m.notes["n"] < 40 {
				return [][]byte{p}
			}
			b, _ := conform.Unstuff(p[1 : len(p)-1])
			for i := range 4 {
				b[len(b)-1-i] ^= 0xff
			}
			return [][]byte{conform.Framed(conform.Stuff(b))}
		}},
		{name: "takes any check", clause: "3.1.2", by: "5.2.1", group: accept(func(_ *mutant, b []byte) []byte { p, _ := whole(b); return p })},
		{name: "takes any check", clause: "3.1.5", group: accept(func(_ *mutant, b []byte) []byte { p, _ := whole(b); return p })},
		{name: "sends a zero behind a block of 254", clause: "3.1.3", raw: func(_ *mutant, p []byte) [][]byte {
			for at := 1; at < len(p)-1; at += int(p[at]) {
				if p[at] == 0xff && at+255 < len(p)-1 {
					return [][]byte{slices.Insert(p, at+255, 1)}
				}
			}
			return [][]byte{p}
		}},
		{name: "wants no superfluous block", clause: "3.1.4", group: func(_ *mutant, b []byte) [][]byte {
			if len(b) > 255 && b[len(b)-256] == 0xff && b[len(b)-1] == 1 {
				return nil
			}
			return [][]byte{conform.Framed(b)}
		}},
		{name: "is deaf for one packet behind garbage", clause: "3.1.5", group: func(m *mutant, b []byte) [][]byte {
			_, good := whole(b)
			deaf := m.notes["bad"] > 0
			m.notes["bad"] = 0
			if !good {
				m.notes["bad"] = 1
			} else if deaf {
				return nil
			}
			return [][]byte{conform.Framed(b)}
		}},
		{name: "sends more than it announces", clause: "3.2.3", by: "5.5.1", answer: edit(func(_ *mutant, i *protocol.Identity) { i.MaxOut = 512 })},
		{name: "takes in less than it announces", clause: "3.2.5", answer: edit(func(_ *mutant, i *protocol.Identity) { i.MaxIn = 2000 })},
		{name: "a text that is cut", clause: "3.3.1", by: "5.2.1", answer: swap(protocol.OpStatus, "\x01\x19", "\x01\x79")},
		{name: "a number in too many bytes", clause: "3.3.2", by: "5.2.1", answer: swap(protocol.OpStatus, "\x02\x00", "\x02\x18\x00")},
		{name: "a float", clause: "3.3.2", by: "5.2.1", answer: swap(protocol.OpStatus, "\x02\x00", "\x02\xf9\x00\x00")},
		{name: "keys out of order", clause: "3.3.2", by: "5.2.1", answer: swap(protocol.OpStatus, "\x02\x00\x03\x00", "\x03\x00\x02\x00")},
		{name: "five levels", clause: "3.3.3", by: "5.2.1", answer: swap(protocol.OpStatus, "\xa4\x01", "\xa5\x00\x81\x81\x81\x00\x01")},
		{name: "counts wider than they need be", clause: "3.3.4", by: "5.5.1", answer: func(_ *mutant, a protocol.Answer, p []byte) [][]byte {
			if v, ok := a.Body.(*protocol.Values); ok && v.Len() == 1 && v.Table == protocol.BinTable && v.Counts[0][0] < 256 {
				p = append(p[:len(p)-4:len(p)-4], 0xd8, 69, 0x42, p[len(p)-1], 0)
			}
			return [][]byte{p}
		}},
		{name: "counts with their bytes in the wrong order", clause: "3.3.4", by: "5.5.1", answer: func(_ *mutant, a protocol.Answer, p []byte) [][]byte {
			if v, ok := a.Body.(*protocol.Values); ok && v.Len() == 1 && v.Table == protocol.TotalTable && v.Counts[0][0] > 65535 {
				at := len(p) - 4
				slices.Reverse(p[at:])
				p[at+2], p[at+3] = 0, 0
			}
			return [][]byte{p}
		}},
		{name: "reads floats", clause: "3.3.5", group: accept(func(m *mutant, b []byte) []byte {
			if p, good := whole(b); good && bytes.Contains(p, []byte{0xf9}) {
				return statusOf(m, idOf(p), m.session)
			}
			return nil
		})},
		{name: "refuses keys of a later version", clause: "3.3.6", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			return [][]byte{p}
		}, group: func(m *mutant, b []byte) [][]byte {
			if p, good := whole(b); good && bytes.Contains(p, []byte{0x19, 0x9c, 0x40}) {
				return nil
			}
			return [][]byte{conform.Framed(b)}
		}},
		{name: "a number beyond its range", clause: "3.3.7", by: "5.2.1", answer: swap(protocol.OpStatus, "\x02\x00", "\x02\x05")},
		{name: "ids of 31 bits", clause: "3.3.7", by: "5.2.1", request: func(m *mutant, r protocol.Request, p []byte) [][]byte {
			if r.ID >= 1<<31 && r.ID < ownIDs || r.ID == 1<<32-1 {
				return nil
			}
			return [][]byte{p}
		}},
	}
}
