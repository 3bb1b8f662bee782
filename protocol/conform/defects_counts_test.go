package conform_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/conform"
	"example.org/panecal/protocol/simunit"
)

// shown changes what the unit tells of captures of ranges with the constants
// on, knowing those constants.
func shown(do func(m *mutant, q *protocol.CaptureRequest, b *protocol.Block, z int, r *protocol.RangeZone)) func(*mutant, protocol.Answer, []byte) [][]byte {
	return edit(func(m *mutant, v *protocol.Values) {
		q := m.started(v.Capture)
		b, err := protocol.ParseBlock(m.unit.Stored())
		if q == nil || !q.Compensated || err != nil || b.State == protocol.Voided {
			return
		}
		for i := range v.Ranges {
			do(m, q, b, v.Zone+i, &v.Ranges[i])
		}
	})
}

// started is the request that started a capture.
func (m *mutant) started(capture uint32) (last *protocol.CaptureRequest) {
	var at uint32
	for id, r := range m.requests {
		if q, ok := r.Body.(*protocol.CaptureRequest); ok && q.ID == capture && (last == nil || id < at) {
			last, at = q, id
		}
	}
	return last
}

func nano(v float64) int64 { return int64(v * 1e9) }

// countDefects are mistakes in what is told of shots, counts and constants.
func countDefects() []defect {
	return []defect{
		{name: "shots fall back after a stop", clause: "5.4.2", answer: edit(func(_ *mutant, p *protocol.Progress) {
			if p.End == protocol.Stopped {
				p.ShotsFired -= p.ShotsFired / 10
			}
		})},
		{name: "tells a frame as whole when it begins", clause: "5.4.2", answer: edit(func(m *mutant, p *protocol.Progress) {
			if q := m.started(p.Capture); p.End == protocol.Stopped && q != nil && p.FramesDone < q.Frames {
				p.FramesDone++
			}
		})},
		{name: "no temperature before the first shot", clause: "5.4.2", answer: edit(func(_ *mutant, p *protocol.Progress) {
			if p.ShotsFired == 0 {
				p.TempMilliCel = 0
			}
		})},
		{name: "leaves the last frame out unless it is whole", clause: "5.5.6", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if p, ok := a.Body.(*protocol.Progress); ok && p.End == protocol.Stopped {
				m.notes["whole"], m.notes["of"] = p.FramesDone, int(p.Capture)
			}
			v, ok := a.Body.(*protocol.Values)
			if !ok || v.Table != protocol.FrameTable || m.notes["of"] != int(v.Capture) {
				return [][]byte{p}
			}
			for i, part := range v.Counts {
				for k := range part {
					if at := k; i > 0 && at >= m.notes["whole"] || i == 0 && v.First+k >= m.notes["whole"] {
						part[k] = 0
					}
				}
			}
			return [][]byte{encode(a)}
		}},
		{name: "more frames than it can under the id that it has", clause: "5.3.3", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if said, ok := a.Body.(*protocol.Progress); ok {
				m.last = bytes.Clone(p)
				m.notes["capture"] = int(said.Capture)
			}
			q, ok := m.requests[a.ID].Body.(*protocol.CaptureRequest)
			if ok && a.Code == protocol.CodeBadArgument && m.notes["capture"] == int(q.ID) {
				before, err := protocol.DecodeAnswer(m.last)
				if err != nil {
					return [][]byte{p}
				}
				a.Code, a.Body = protocol.CodeOK, before.Body
				return [][]byte{encode(a)}
			}
			return [][]byte{p}
		}},
		{name: "a watchdog of 0.8 s", clause: "7.2", answer: func(m *mutant, _ protocol.Answer, p []byte) [][]byte {
			m.notes["n"]++
			n := m.notes["n"]
			m.later(800*time.Millisecond, func() {
				if m.notes["n"] == n {
					m.ask(m.session, &protocol.Stop{})
				}
			})
			return [][]byte{p}
		}},
		{name: "reads every offset in scale 16", clause: "5.3.7", answer: shown(func(_ *mutant, _ *protocol.CaptureRequest, b *protocol.Block, z int, r *protocol.RangeZone) {
			asTold := b.OffsetMillimetres(z)
			b.OffsetScale = 16
			r.Range += int64(1000 * (asTold - b.OffsetMillimetres(z)))
		})},
		{name: "subtracts half of the stored bins", clause: "5.3.7", answer: shown(func(_ *mutant, _ *protocol.CaptureRequest, b *protocol.Block, z int, r *protocol.RangeZone) {
			for bin := b.FirstBin + b.Bins/2; bin < b.FirstBin+b.Bins; bin++ {
				r.Signal += nano(b.LeakageBin(z, bin))
			}
		})},
		{name: "subtracts leakage times the shots planned", clause: "5.3.7", answer: func(m *mutant, a protocol.Answer, p []byte) [][]byte {
			if p, ok := a.Body.(*protocol.Progress); ok {
				m.notes["fired"] = int(p.ShotsFired)
			}
			return shown(func(m *mutant, q *protocol.CaptureRequest, b *protocol.Block, z int, r *protocol.RangeZone) {
				if m.notes["fired"] == 0 {
					return
				}
				more := float64(q.Shots)*float64(q.Frames)/float64(m.notes["fired"]) - 1
				for bin := b.FirstBin; bin < b.FirstBin+b.Bins; bin++ {
					r.Signal -= nano(more * b.LeakageBin(z, bin))
				}
			})(m, a, p)
		}},
		{name: "clamps what is less than nothing", clause: "5.5.3", answer: edit(func(_ *mutant, v *protocol.Values) {
			for i := range v.Ranges {
				v.Ranges[i].Signal = max(0, v.Ranges[i].Signal)
			}
		})},
		{name: "gives totals alone", clause: "5.1.4", model: func(m *simunit.Model) { m.Histograms = false }, answer: edit(func(_ *mutant, i *protocol.Identity) {
			i.Kinds = protocol.KindsOf(protocol.Totals)
		})},
		{name: "looks into no list under keys that it does not know", clause: "3.3.5", group: accept(func(m *mutant, b []byte) []byte {
			if p, good := whole(b); good && bytes.Contains(p, []byte{0xd8, 69, 0x42, 1, 0}) {
				return statusOf(m, idOf(p), m.session)
			}
			return nil
		})},
		{name: "has no room for 16 bins of leakage", clause: "5.6.3", request: turn(func(m *mutant, r protocol.Request, b *protocol.Stage) protocol.RequestBody {
			if b.Length > 92+3*(4+2*9+4)+4+68 {
				m.reply(r, protocol.CodeBadArgument, nil)
				return nil
			}
			return b
		})},
		{name: "begins its answers after 120 ms", clause: "4.5.1", by: "5.2.1", raw: slowly(120 * time.Millisecond)},
	}
}

// slowly lets every answer begin so much later.
func slowly(d time.Duration) func(m *mutant, p []byte) [][]byte {
	return func(m *mutant, p []byte) [][]byte {
		p = bytes.Clone(p)
		m.later(d, func() { m.outRaw(p) })
		return nil
	}
}

// TestSlowUnit: a unit that is late with everything is told so, once, and
// nothing else is said of it, in a time that does not depend on how much there
// would be to try.
func TestSlowUnit(t *testing.T) {
	for _, d := range []time.Duration{115 * time.Millisecond, 160 * time.Millisecond, 200 * time.Millisecond} {
		t.Run(d.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var talk []string
				began := time.Now()
				report, err := tryTold(t, small(), simunit.Options{}, func(u *simunit.Unit) conform.Bench { return bench{u} },
					defect{raw: slowly(d)}.between, func(s string) { talk = append(talk, s) })
				if !errors.Is(err, conform.ErrSlow) {
					t.Errorf("the run ended with %v", err)
				}
				if took := time.Since(began); took > time.Minute {
					t.Errorf("the run took %v", took)
				}
				for _, c := range report.Clauses {
					if (c.Outcome == conform.Failed) != (c.Clause == "4.5.1") {
						t.Errorf("clause %s: %s %s", c.Clause, c.Outcome, c.Why)
					}
				}
				if slices.ContainsFunc(talk, func(s string) bool { return strings.Contains(s, "stood still") }) {
					t.Errorf("it was taken for a machine that stands still: %q", talk)
				}
			})
		})
	}
}

// TestNearlySlowUnit: 100 ms are allowed, and the adapter's latency is no
// fault of the unit.
func TestNearlySlowUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		report := tryWith(t, small(), simunit.Options{}, func(u *simunit.Unit) conform.Bench { return bench{u} },
			defect{raw: slowly(99 * time.Millisecond)}.between, "5.2.1", "5.4.2")
		for _, c := range report.Clauses {
			if c.Outcome == conform.Failed {
				t.Errorf("clause %s: %s", c.Clause, c.Why)
			}
		}
		if got := report.Of("4.5.1"); got.Outcome != conform.Passed || got.Tries < 10 {
			t.Errorf("4.5.1: %+v", got)
		}
	})
}
