package conform_test

import (
	"bytes"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/simunit"
)

func requestDefects() []defect {
	return []defect{
		{name: "answers with four items", clause: "4.1.1", by: "5.2.1", answer: func(_ *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Op == protocol.OpStatus {
				p = append([]byte{0x84}, p[2:]...)
			}
			return [][]byte{p}
		}},
		{name: "repeats the request's session", clause: "4.1.2", by: "4.3.4", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			a.Session = m.requests[a.ID].Session
			return [][]byte{encode(a)}
		}},
		{name: "counts the id up", clause: "4.1.2", by: "4.3.4", answer: func(_ *mutant, a protocol.Answer, _ []byte) [][]byte {
			if a.Op == protocol.OpStatus {
				a.ID++
			}
			return [][]byte{encode(a)}
		}},
		{name: "takes five items for a request", clause: "4.1.3", group: accept(func(m *mutant, b []byte) []byte {
			if p, good := whole(b); good && p[0] == 0x85 {
				return append([]byte{0x84}, p[1:len(p)-1]...)
			}
			return nil
		})},
		{name: "a body with a refusal", clause: "4.1.4", answer: func(_ *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Code > 1 {
				p = append(p[:len(p)-1:len(p)-1], 0xa1, 1, 0)
			}
			return [][]byte{p}
		}},
		{name: "gives an id its old answer", clause: "4.2.3", request: func(m *mutant, r protocol.Request, p []byte) [][]byte {
			if m.notes["last"] == int(r.ID) && r.Body.Op() != protocol.OpStage {
				m.out(encode(protocol.Answer{ID: r.ID, Session: m.session, Op: protocol.OpStatus, Body: &protocol.Status{}}))
				return nil
			}
			m.notes["last"] = int(r.ID)
			return [][]byte{p}
		}},
		{name: "chooses the session itself", clause: "4.3.1", answer: func(_ *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Session == 1 {
				a.Session = 2
			}
			return [][]byte{encode(a)}
		}},
		{name: "begins anew at the open session's number", clause: "4.3.2", request: turn(func(m *mutant, r protocol.Request, b *protocol.WhoAreYou) protocol.RequestBody {
			m.ask(r.Session^1, &protocol.WhoAreYou{})
			return b
		})},
		{name: "keeps a capture in another session", clause: "4.3.3", answer: edit(func(m *mutant, s *protocol.Status) {
			if s.Capture > 0 {
				m.notes["capture"] = int(s.Capture)
			}
			s.Capture = uint32(m.notes["capture"])
		}), request: turn(func(m *mutant, _ protocol.Request, b *protocol.CaptureRequest) protocol.RequestBody {
			m.notes["capture"] = int(b.ID)
			return b
		})},
		{name: "accepts a stale session", clause: "4.3.4", request: func(m *mutant, r protocol.Request, p []byte) [][]byte {
			if r.Session == m.session^1 && r.Body.Op() == protocol.OpStatus {
				return [][]byte{statusOf(m, r.ID, m.session)}
			}
			return [][]byte{p}
		}},
		{name: "keeps its session over a reset", clause: "4.3.5", request: func(m *mutant, r protocol.Request, p []byte) [][]byte {
			if r.Body.Op() == protocol.OpStatus && r.Session == m.session {
				m.ask(m.session, &protocol.WhoAreYou{})
			}
			return [][]byte{p}
		}},
		{name: "a refused start forgets the capture", clause: "4.4.1", request: turn(func(m *mutant, r protocol.Request, b *protocol.Refused) protocol.RequestBody {
			m.ask(m.session, &protocol.CaptureRequest{ID: 99999, Kind: protocol.Totals, Shots: 1, Frames: 1})
			return nil
		}), answer: nil},
		{name: "calls an unknown request a bad argument", clause: "4.4.2", answer: always(protocol.CodeBadArgument, 0, protocol.CodeUnknownRequest)},
		{name: "takes numbers modulo 256", clause: "4.4.2", request: func(m *mutant, r protocol.Request, p []byte) [][]byte {
			if r.Body.Op() == 256+protocol.OpStop {
				m.reply(r, protocol.CodeOK, nil)
				return nil
			}
			return [][]byte{p}
		}},
		{name: "knows no bad arguments", clause: "4.4.3", answer: always(protocol.CodeUnsupported, protocol.OpFetch, protocol.CodeBadArgument)},
		{name: "takes zero shots", clause: "4.4.3", answer: always(protocol.CodeOK, protocol.OpCommit, protocol.CodeBadArgument)},
		{name: "looks at the request before the session", clause: "4.4.4", request: func(m *mutant, r protocol.Request, p []byte) [][]byte {
			if r.Body.Op() == 77 {
				m.reply(r, protocol.CodeUnknownRequest, nil)
				return nil
			}
			return [][]byte{p}
		}},
		{name: "refuses stop in another session", clause: "4.4.5", request: turn(func(m *mutant, r protocol.Request, b *protocol.Stop) protocol.RequestBody {
			if r.Session != m.session {
				m.reply(r, protocol.CodeNoSession, nil)
				return nil
			}
			return b
		})},
		{name: "answers late", clause: "4.5.1", by: "5.6.1", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Op != protocol.OpReadConstants {
				return [][]byte{p}
			}
			m.later(300*time.Millisecond, func() { m.out(p) })
			return nil
		}},
		{name: "is busy for a whole minute", clause: "4.5.2", by: "5.6.4", answer: func(_ *mutant, _ protocol.Answer, p []byte) [][]byte {
			return [][]byte{bytes.Replace(p, []byte{1, 0xa1, 1, 0x18, 60}, []byte{1, 0xa1, 1, 0x19, 0xea, 0x60}, 1)}
		}},
		{name: "is busy for ever", clause: "4.5.4", by: "5.6.4", answer: always(protocol.CodeBusy, protocol.OpCommit)},
		{name: "forgets a commit that it put off", clause: "4.5.3", answer: always(protocol.CodeNotStaged, protocol.OpCommit, protocol.CodeOK)},
		{name: "is busy for long during a capture", clause: "4.5.5", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Op == protocol.OpStage && m.unit.EmitterOn() && m.notes["busy"]%2 == 0 {
				m.notes["busy"]++
				return [][]byte{encode(protocol.Answer{ID: a.ID, Session: a.Session, Op: a.Op, Code: protocol.CodeBusy, BusyMS: 500})}
			}
			return [][]byte{p}
		}},
		{name: "holds fewer requests than it says", clause: "4.5.7",
			request: turn(func(m *mutant, _ protocol.Request, b *protocol.AskStatus) protocol.RequestBody {
				if m.notes["hung"]++; m.notes["hung"] > 20 { // an overflow hangs it
					return nil
				}
				return b
			})},
		{name: "loses the packet behind a damaged one", clause: "4.5.8", group: func(m *mutant, b []byte) [][]byte {
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
		{name: "speaks another version", clause: "4.6.1", answer: edit(func(_ *mutant, i *protocol.Identity) { i.ProtoLow, i.ProtoHigh = 2, 3 })},
		{name: "leaves a key of the identity out", clause: "4.6.3", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if m.notes["n"]++; a.Op == protocol.OpWhoAreYou && m.notes["n"] > 3 {
				p = bytes.Replace(bytes.Replace(p, []byte{0xb5}, []byte{0xb4}, 1), []byte{0x14, 0x01}, nil, 1)
			}
			return [][]byte{p}
		}},
		{name: "is another unit after a reset", clause: "5.1.1", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Op == protocol.OpRestart {
				m.notes["reset"] = 1
			}
			if i, ok := a.Body.(*protocol.Identity); ok && m.notes["reset"] == 1 {
				i.UnitID += "x"
				return [][]byte{encode(a)}
			}
			return [][]byte{p}
		}},
		{name: "has no identity", clause: "5.1.2", answer: edit(func(_ *mutant, i *protocol.Identity) { i.UnitID = "" })},
		{name: "says that its emitter is off", clause: "5.2.1", answer: edit(func(_ *mutant, s *protocol.Status) { s.EmitterOn = false })},
		{name: "uses reserved bits of the faults", clause: "5.2.2", answer: edit(func(_ *mutant, s *protocol.Status) { s.Faults |= 1 << 9 })},
		{name: "hides faults", clause: "5.2.2", answer: edit(func(_ *mutant, s *protocol.Status) { s.Faults = 0 })},
	}
}

func captureDefects() []defect {
	progress := func(do func(m *mutant, p *protocol.Progress)) func(*mutant, protocol.Answer, []byte) [][]byte {
		return edit(do)
	}
	values := func(do func(m *mutant, v *protocol.Values)) func(*mutant, protocol.Answer, []byte) [][]byte {
		return edit(do)
	}
	return []defect{
		{name: "starts anew with the same id", clause: "5.3.1", request: turn(func(m *mutant, r protocol.Request, b *protocol.CaptureRequest) protocol.RequestBody {
			if m.notes["id"] == int(b.ID) {
				m.ask(m.session, &protocol.Stop{})
				m.ask(m.session, &protocol.CaptureRequest{ID: b.ID + 1<<20, Kind: b.Kind, Shots: 1, Frames: 1})
			}
			m.notes["id"] = int(b.ID)
			return b
		})},
		{name: "a second capture ends the first", clause: "5.3.2", answer: always(protocol.CodeNoCapture, protocol.OpStartCapture, protocol.CodeCapturing)},
		{name: "takes any number of frames", clause: "5.3.3", answer: always(protocol.CodeUnsupported, protocol.OpStartCapture, protocol.CodeBadArgument)},
		{name: "counts shots with light only", clause: "5.3.4", answer: progress(func(_ *mutant, p *protocol.Progress) { p.ShotsFired -= p.ShotsFired / 3 })},
		{name: "compensates histograms", clause: "5.3.5", request: turn(func(m *mutant, _ protocol.Request, b *protocol.CaptureRequest) protocol.RequestBody {
			m.notes["comp"] = 0
			if b.Compensated {
				m.notes["comp"] = 1
			}
			return b
		}), answer: values(func(m *mutant, v *protocol.Values) {
			for _, part := range v.Counts {
				for i := range part {
					if m.notes["comp"] == 1 {
						part[i] /= 10
					}
				}
			}
		})},
		{name: "wraps its counts", clause: "5.3.6", answer: values(func(_ *mutant, v *protocol.Values) {
			for _, part := range v.Counts {
				for i := range part {
					if v.Table == protocol.BinTable && part[i] == 65535 {
						part[i] = 31072
					}
				}
			}
		})},
		{name: "totals of 16 bits", clause: "5.3.6", answer: values(func(_ *mutant, v *protocol.Values) {
			for _, part := range v.Counts {
				for i := range part {
					part[i] &= 0xffff
				}
			}
		})},
		{name: "offset with the wrong sign", clause: "5.3.7", o: simunit.Options{Flaw: simunit.FlawOffsetSign}},
		{name: "never compensates", clause: "5.3.7", request: turn(func(_ *mutant, _ protocol.Request, b *protocol.CaptureRequest) protocol.RequestBody {
			b.Compensated = false
			return b
		})},
		{name: "the reason of the end changes", clause: "5.3.8", request: turn(func(m *mutant, _ protocol.Request, b *protocol.Stop) protocol.RequestBody {
			m.notes["stopped"] = 1
			return b
		}), answer: progress(func(m *mutant, p *protocol.Progress) {
			if m.notes["stopped"] == 1 && p.End == protocol.Complete {
				p.End = protocol.Stopped
			}
		})},
		{name: "the watchdog tells no reason", clause: "5.3.8", answer: progress(func(_ *mutant, p *protocol.Progress) {
			if p.End == protocol.Watchdog {
				p.End = protocol.Stopped
			}
		})},
		{name: "counts on after the end", clause: "5.3.9", answer: progress(func(m *mutant, p *protocol.Progress) {
			if p.End == protocol.Stopped {
				m.notes["more"]++
				p.ShotsFired += int64(m.notes["more"])
			}
		})},
		{name: "emits in even light", clause: "5.3.11", request: turn(func(_ *mutant, _ protocol.Request, c *protocol.CaptureRequest) protocol.RequestBody {
			if c.Kind == protocol.EvenLight {
				c.Kind = protocol.Histograms
			}
			return c
		})},
		{name: "knows captures that never were", clause: "5.4.1", answer: always(protocol.CodeOK, protocol.OpProgress, protocol.CodeNoCapture)},
		{name: "one shot too few", clause: "5.4.2", answer: progress(func(_ *mutant, p *protocol.Progress) {
			if p.End == protocol.Complete && p.ShotsFired > 1 {
				p.ShotsFired--
			}
		})},
		{name: "more values than asked", clause: "5.5.1", answer: values(func(_ *mutant, v *protocol.Values) {
			if n := len(v.Counts); n > 0 && len(v.Counts[n-1]) < 3 {
				v.Counts[n-1] = append(v.Counts[n-1], 1)
			}
		})},
		{name: "repeats the wrong zone", clause: "5.5.2", answer: values(func(_ *mutant, v *protocol.Values) { v.Zone = 0 })},
		{name: "empty parts", clause: "5.5.3", answer: func(_ *mutant, a protocol.Answer, p []byte) [][]byte {
			if v, ok := a.Body.(*protocol.Values); ok && v.Len() == 1 && v.Table != protocol.RangeTable {
				p = append(p[:bytes.LastIndexByte(p, 0xd8)], 0xd8, 64, 0x40)
			}
			return [][]byte{p}
		}},
		{name: "reads beyond the table", clause: "5.5.4", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			q, ok := m.requests[a.ID].Body.(*protocol.Fetch)
			if ok && a.Code == protocol.CodeBadArgument && q.Table == protocol.BinTable {
				return [][]byte{encode(protocol.Answer{ID: a.ID, Session: a.Session, Op: a.Op,
					Body: &protocol.Values{Capture: q.Capture, Table: q.Table, Zone: q.Zone, First: q.First, Counts: [][]uint32{{0}}}})}
			}
			return [][]byte{p}
		}},
		{name: "off by one within a zone", clause: "5.5.5", request: turn(func(_ *mutant, _ protocol.Request, b *protocol.Fetch) protocol.RequestBody {
			if b.First > 0 && b.First < 90 {
				b.First++
			}
			return b
		}), answer: func(m *mutant, a protocol.Answer, _ []byte) [][]byte {
			if v, ok := a.Body.(*protocol.Values); ok {
				v.First = m.requests[a.ID].Body.(*protocol.Fetch).First
				if v.First > 1 && v.First <= 90 {
					v.First--
				}
			}
			return [][]byte{encode(a)}
		}},
		{name: "sums that do not agree", clause: "5.5.6", answer: values(func(_ *mutant, v *protocol.Values) {
			if v.Table == protocol.TotalTable && v.Zone == 0 {
				v.Counts[0][0]++
			}
		})},
	}
}

func constantsDefects() []defect {
	void := protocol.VoidBlock(nil)
	part := func(do func(m *mutant, c *protocol.ConstantsPart)) func(*mutant, protocol.Answer, []byte) [][]byte {
		return edit(do)
	}
	return []defect{
		{name: "reads one byte beyond", clause: "5.6.1", answer: part(func(m *mutant, c *protocol.ConstantsPart) {
			if c.Offset > 0 && len(c.Data) == 1 {
				c.Data = append(c.Data, 0)
			}
		})},
		{name: "refuses to read at the end", clause: "5.6.1", answer: func(_ *mutant, a protocol.Answer, p []byte) [][]byte {
			if c, ok := a.Body.(*protocol.ConstantsPart); ok && c.Offset > 0 && c.Offset >= c.Length {
				a.Code, a.Body = protocol.CodeBadArgument, nil
			}
			return [][]byte{encode(a)}
		}},
		{name: "takes a part behind a gap", clause: "5.6.2", answer: func(m *mutant, a protocol.Answer, _ []byte) [][]byte {
			if s, ok := a.Body.(*protocol.Staged); ok {
				q := m.requests[a.ID].Body.(*protocol.Stage)
				s.Held = max(s.Held, q.Offset+len(q.Data))
			}
			return [][]byte{encode(a)}
		}},
		{name: "stages into the block in force", clause: "5.6.3", request: turn(func(m *mutant, _ protocol.Request, b *protocol.Stage) protocol.RequestBody {
			m.last = bytes.Clone(b.Data)
			return b
		}), answer: part(func(m *mutant, c *protocol.ConstantsPart) { copy(c.Data, m.last) })},
		{name: "says that it committed and did not", clause: "5.6.4", o: simunit.Options{Flaw: simunit.FlawCommit}},
		{name: "brings a bad block into force", clause: "5.6.4", answer: always(protocol.CodeOK, protocol.OpCommit, protocol.CodeNotStaged)},
		{name: "takes another unit's block", clause: "5.6.4", answer: always(protocol.CodeNotStaged, protocol.OpCommit, protocol.CodeWrongUnit)},
		{name: "refuses the block in force", clause: "5.6.5", request: turn(func(m *mutant, r protocol.Request, b *protocol.Commit) protocol.RequestBody {
			if m.notes["crc"] == int(b.CRC) && m.notes["id"] != int(r.ID) {
				m.reply(r, protocol.CodeNotStaged, nil)
				return nil
			}
			m.notes["crc"], m.notes["id"] = int(b.CRC), int(r.ID)
			return b
		})},
		{name: "a torn block after a power cut", clause: "5.6.6", bench: func(b bench) conform.Bench {
			return benchThat{bench: b, cut: func(n int) (bool, error) {
				happened := b.u.CutAt(n)
				if happened {
					b.u.Damage()
				}
				return happened, nil
			}}
		}},
		{name: "loses its block with its power", clause: "5.6.6", o: simunit.Options{Flaw: simunit.FlawForgets}},
		{name: "says done before it is", clause: "5.6.6", answer: always(protocol.CodeOK, protocol.OpCommit, protocol.CodeBusy)},
		{name: "void does nothing", clause: "5.6.7", request: turn(func(m *mutant, r protocol.Request, _ *protocol.Void) protocol.RequestBody {
			m.reply(r, protocol.CodeOK, nil)
			return nil
		})},
		{name: "a commit forgets the capture held", clause: "5.6.8", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if v, ok := a.Body.(*protocol.Values); ok && v.Table == protocol.BinTable && m.notes["commit"] > 0 {
				v.Counts[0][0] += uint32(m.notes["commit"])
			}
			if a.Op == protocol.OpCommit && a.Code == protocol.CodeOK {
				m.notes["commit"]++
			}
			return [][]byte{encode(a)}
		}},
		{name: "hides a damaged block", clause: "5.6.9", answer: edit(func(_ *mutant, s *protocol.Status) { s.Faults &^= 4 })},
		{name: "changes a byte of the block", clause: "6.1", answer: part(func(_ *mutant, c *protocol.ConstantsPart) {
			if c.Length > 20 && len(c.Data) > 60 {
				c.Data[len(c.Data)-50] ^= 1
			}
		})},
		{name: "compensates with a void block", clause: "6.2", answer: edit(func(m *mutant, v *protocol.Values) {
			for i := range v.Ranges {
				if bytes.Equal(m.unit.Stored(), void) {
					v.Ranges[i].Range += int64(m.notes["n"]) * 20000
				}
			}
			m.notes["n"]++
		})},
		{name: "knows no released state", clause: "6.3", request: turn(func(m *mutant, _ protocol.Request, b *protocol.Stage) protocol.RequestBody {
			if end := b.Offset + len(b.Data); end == b.Length && len(b.Data) > 8 {
				m.notes["released"] = int(b.Data[len(b.Data)-8])
			}
			return b
		}), answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if a.Op == protocol.OpCommit && m.notes["released"] == 2 && m.notes["n"] > 0 {
				a.Code, a.Body = protocol.CodeNotStaged, nil
			}
			if a.Op == protocol.OpCommit && a.Code == protocol.CodeOK {
				m.notes["n"]++
			}
			return [][]byte{encode(a)}
		}},
		{name: "another void form", clause: "6.4", answer: part(func(_ *mutant, c *protocol.ConstantsPart) {
			if bytes.Equal(c.Data, void) {
				c.Data[12] = 4
			}
		})},
	}
}

func powerDefects() []defect {
	return []defect{
		{name: "needs a word to wake up", clause: "2.6", request: func(m *mutant, r protocol.Request, p []byte) [][]byte {
			if r.Body.Op() == protocol.OpRestart {
				m.notes["asleep"] = 1
			} else if m.notes["asleep"] == 1 {
				m.notes["asleep"] = 0
				return nil
			}
			return [][]byte{p}
		}},
		{name: "does not restart", clause: "5.7.1", answer: always(protocol.CodeUnsupported, protocol.OpRestart)},
		{name: "forgets its constants at a restart", clause: "5.7.1", o: simunit.Options{Flaw: simunit.FlawForgets}},
		{name: "stop stops nothing", clause: "5.7.2", request: turn(func(m *mutant, r protocol.Request, _ *protocol.Stop) protocol.RequestBody {
			m.reply(r, protocol.CodeOK, nil)
			return nil
		})},
		{name: "stop forgets what is staged", clause: "5.7.2", request: turn(func(m *mutant, r protocol.Request, b *protocol.Stop) protocol.RequestBody {
			m.ask(m.session, &protocol.Stage{Length: 5, Data: []byte{1}})
			return b
		})},
		{name: "shines while idle", clause: "7.1", bench: func(b bench) conform.Bench {
			return benchThat{bench: b, light: func() (bool, error) { return true, nil }}
		}},
		{name: "no watchdog", clause: "7.2", answer: func(m *mutant, _ protocol.Answer, p []byte) [][]byte {
			for ms := 300; ms < 1800; ms += 300 {
				m.later(time.Duration(ms)*time.Millisecond, func() { keepAlive(m) })
			}
			return [][]byte{p}
		}},
		{name: "garbage feeds the watchdog", clause: "7.2", group: func(m *mutant, b []byte) [][]byte {
			if p, good := whole(b); good {
				if r, err := protocol.DecodeRequest(p); err == nil && r.Body.Op() == protocol.OpWhoAreYou {
					m.session = r.Session
				}
				return [][]byte{conform.Framed(b)}
			}
			keepAlive(m)
			return nil
		}},
		{name: "other sessions feed the watchdog", clause: "7.2", request: func(m *mutant, r protocol.Request, p []byte) [][]byte {
			if r.Session != m.session {
				keepAlive(m)
			}
			return [][]byte{p}
		}},
		{name: "a watchdog of half a second", clause: "7.2", answer: func(m *mutant, _ protocol.Answer, p []byte) [][]byte {
			m.notes["n"]++
			n := m.notes["n"]
			m.later(500*time.Millisecond, func() {
				if m.notes["n"] == n {
					m.ask(m.session, &protocol.Stop{})
				}
			})
			return [][]byte{p}
		}},
		{name: "shines through a restart", clause: "7.4", bench: func(b bench) conform.Bench {
			return benchThat{bench: b, light: func() (bool, error) { return b.u.Stats().Resets > 0, nil }}
		}},
		{name: "measures on with a fault", clause: "7.6", bench: func(b bench) conform.Bench {
			return benchThat{bench: b, fault: func(bits uint32) error { return nil }}
		}},
	}
}
