package runner_test

import (
	"bytes"
	"context"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/station/runner"
	"example.org/panecal/store/record"
)

// spoiled lets something else come of every answer of a unit.
type spoiled struct {
	station.Dialer
	spoil func(payload, packet []byte) []byte
}

func (s spoiled) Dial(ctx context.Context, n product.Nest) (station.Line, error) {
	l, err := s.Dialer.Dial(ctx, n)
	if err != nil {
		return nil, err
	}
	c := &spoiler{Conn: l.(*pipeLine).port, spoil: s.spoil}
	return &pipeLine{protocol.NewClient(c, protocol.Options{}), c}, nil
}

type spoiler struct {
	net.Conn
	spoil     func(payload, packet []byte) []byte
	held, out []byte
}

func (s *spoiler) Read(p []byte) (int, error) {
	var buf [4096]byte
	for len(s.out) == 0 {
		n, err := s.Conn.Read(buf[:])
		for _, b := range buf[:n] {
			if b != 0 {
				s.held = append(s.held, b)
			} else if len(s.held) > 0 {
				packet := append(append([]byte{0}, s.held...), 0)
				s.held = nil
				payload, err := protocol.NewScanner(bytes.NewReader(packet), protocol.MaxPayload).Next()
				if err != nil {
					return 0, err
				}
				s.out = append(s.out, s.spoil(bytes.Clone(payload), packet)...)
			}
		}
		if err != nil && len(s.out) == 0 {
			return 0, err
		}
	}
	n := copy(p, s.out)
	s.out = s.out[n:]
	return n, nil
}

// through runs a unit on a spoilt line and returns what is on record then.
func through(t *testing.T, spoil func(payload, packet []byte) []byte, sheet func(*product.Nest)) (records []record.Body, said station.Snapshot) {
	synctest.Test(t, func(t *testing.T) {
		b := start(t, rigging{product: "hopper-1",
			config:  func(c *station.Config) { sheet(&c.Files.Sheet.Nests[0]) },
			options: func(o *runner.Options) { o.Dial = spoiled{o.Dial, spoil} }})
		u := makeUnit(t, simunit.Hopper1(), 7, simunit.Options{})
		b.runner.Scan(0, u.Serial())
		b.sockets[0].put(u)
		u.Seat(simunit.Seating{})
		time.Sleep(30 * time.Second)
		synctest.Wait()
		said = b.runner.Snapshot()
		if err := b.finish(); err != nil {
			t.Error(err)
		}
		for _, e := range b.log.entries {
			records = append(records, e.Body)
		}
	})
	return records, said
}

// TestBadLineStopsItsNest: a line on which rubbish comes before each answer
// costs nothing, and nobody would ever look after its cable; more of it than
// the sheet tolerates stops the nest, after the attempt.
func TestBadLineStopsItsNest(t *testing.T) {
	rubbish := func(_, packet []byte) []byte { return append([]byte("\x00\x03no\x00"), packet...) }
	for _, c := range []struct {
		perThousand float64
		stops       bool
	}{{0, true}, {500, true}, {1000, false}} {
		records, _ := through(t, rubbish, func(n *product.Nest) { n.ToleratedPerThousand = c.perThousand })
		attempts, stops := 0, 0
		for _, r := range records {
			switch r := r.(type) {
			case *record.Attempt:
				attempts++
			case *record.Stop:
				if stops++; r.Code != "line" || r.Attempt == nil {
					t.Errorf("stopped: %+v", r)
				}
			}
		}
		if attempts != 1 || stops > 1 || c.stops != (stops == 1) {
			t.Errorf("%g of a thousand tolerated: %d attempts and %d stops on record", c.perThousand, attempts, stops)
		}
	}
}

// TestMalformedAnswersOnRecord: a unit whose answers break the protocol is no
// unit that does not answer; the record says which clause.
func TestMalformedAnswersOnRecord(t *testing.T) {
	for name, c := range map[string]struct {
		spoil  func(payload []byte) []byte
		clause string
	}{
		"status with a number in too many bytes": {func(p []byte) []byte {
			if a, err := protocol.DecodeAnswer(p); err == nil && a.Op == protocol.OpStatus {
				return bytes.Replace(p, []byte{2, 0, 3}, []byte{2, 0x18, 0, 3}, 1)
			}
			return p
		}, "3.3.2"},
		"an identity without its last key": {func(p []byte) []byte {
			if a, err := protocol.DecodeAnswer(p); err == nil && a.Op == protocol.OpWhoAreYou {
				// With its first key: the session before it may hold any byte.
				return bytes.Replace(p[:len(p)-3], []byte{0xb5, 0x01}, []byte{0xb4, 0x01}, 1)
			}
			return p
		}, "4.6.3"},
	} {
		records, said := through(t, func(payload, _ []byte) []byte { return protocol.AppendPacket(nil, c.spoil(payload)) }, func(*product.Nest) {})
		found := false
		for _, r := range records {
			if r, ok := r.(*record.Refusal); ok {
				found = r.Code == string(station.BrokenGarbled) && strings.Contains(r.Chain, "clause "+c.clause+": ")
				t.Logf("%s: %s", name, r.Chain)
			}
		}
		if !found {
			t.Errorf("%s: nothing of clause %s on record; the nest is %v, %v", name, c.clause, said.Nests[0].Step, records)
		}
	}
}
