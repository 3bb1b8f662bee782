package protocol_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"sync"
	"testing"
	"testing/synctest"

	"example.org/panecal/protocol"
	"example.org/panecal/testdata/figures"
)

// tape is a port that keeps what went over it, one entry a write.
type tape struct {
	net.Conn
	mu   sync.Mutex
	said [][]byte
}

func (t *tape) Write(p []byte) (int, error) {
	t.mu.Lock()
	t.said = append(t.said, bytes.Clone(p))
	t.mu.Unlock()
	return t.Conn.Write(p)
}

// recordSession calibrates a unit with every operation there is, and returns
// the packets of the station and of the unit.
func recordSession(t *testing.T) (asked, answered [][]byte) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		station, unit := &tape{Conn: near}, &tape{Conn: far}
		u := newFakeUnit()
		u.id.MaxIn = 256
		served := make(chan struct{})
		go func() { u.serve(unit); close(served) }()
		c := protocol.NewClient(station, protocol.Options{NewSession: func() uint32 { return 0x5eed }})
		ctx := context.Background()
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		_, err := c.Identify(ctx)
		must(err)
		_, err = c.Status(ctx)
		must(err)
		must(c.Void(ctx, exampleBlock().Witness))
		for i, kind := range []protocol.CaptureKind{protocol.Histograms, protocol.Ranges} {
			_, err = c.Capture(ctx, protocol.CaptureRequest{ID: uint32(i + 1), Kind: kind, Shots: 50_000, Frames: 2}, nil)
			must(err)
		}
		b := &protocol.Block{Serial: "HP54000017", Rows: 6, Cols: 9, State: protocol.Written,
			Witness: protocol.Witness{Station: "cal-1", Generation: 1, Sequence: 7}}
		rates, offsets := make([]float64, 54), make([]float64, 54)
		for z := range rates {
			rates[z], offsets[z] = 0.01+float64(z)/1e4, float64(z)/10
		}
		must(b.SetLeakage(rates, 0, nil))
		must(b.SetOffsets(offsets))
		raw, err := b.Marshal()
		must(err)
		must(c.Stage(ctx, raw))
		must(c.Commit(ctx, raw))
		_, err = c.ReadConstants(ctx)
		must(err)
		must(c.Stop(ctx))
		near.Close()
		<-served
		asked, answered = station.said, unit.said
	})
	return asked, answered
}

// payloads are those that a scanner finds.
func payloads(t *testing.T, stream []byte) (found [][]byte) {
	s := protocol.NewScanner(bytes.NewReader(stream), protocol.MaxPayload)
	for {
		p, err := s.Next()
		switch {
		case err == nil:
			found = append(found, bytes.Clone(p))
		case errors.Is(err, io.EOF):
			return found
		case !errors.Is(err, protocol.ErrDamaged):
			t.Fatal(err)
		}
	}
}

// TestEveryFlippedBit flips each bit of a recorded session, delimiters too,
// between its neighbours as they were: none is taken for another message,
// and its neighbours stay what they are.
//
// The short form flips every bit of the first small packet of each length and
// each 17th of the others; PANECAL_FULL=1 flips all.
func TestEveryFlippedBit(t *testing.T) {
	asked, answered := recordSession(t)
	stride := 17
	if os.Getenv("PANECAL_FULL") != "" {
		stride = 1
	}
	flips, same, neighbours, lost := 0, 0, 0, 0
	for name, packets := range map[string][][]byte{"station": asked, "unit": answered} {
		bits, seen := 0, map[int]bool{}
		for i, packet := range packets {
			own := payloads(t, packet)
			if len(own) != 1 {
				t.Fatalf("%s packet %d is no packet", name, i)
			}
			before, after := packets[(i+len(packets)-1)%len(packets)], packets[(i+1)%len(packets)]
			honest := [][]byte{payloads(t, before)[0], own[0], payloads(t, after)[0]}
			step := stride
			if len(packet) < 128 && !seen[len(packet)] {
				step, seen[len(packet)] = 1, true
			}
			stream := bytes.Join([][]byte{before, packet, after}, nil)
			for bit := i % step; bit < 8*len(packet); bit += step {
				at := len(before) + bit/8
				stream[at] ^= 1 << (bit % 8)
				got := payloads(t, stream)
				stream[at] ^= 1 << (bit % 8)
				flips++
				next := 0
				for _, p := range got {
					for next < 3 && !bytes.Equal(p, honest[next]) {
						next++
					}
					if next == 3 {
						t.Fatalf("%s packet %d, bit %d: taken for %x", name, i, bit, p)
					}
					if next == 1 {
						same++
					}
					next++
				}
				if len(got) < 2 {
					lost++ // a delimiter that two packets shared
				}
				neighbours += len(got)
			}
			bits += 8 * len(packet)
		}
		t.Logf("%s: %d packets, %d bits", name, len(packets), bits)
	}
	t.Logf("%d bits flipped, none taken for another message; %d packets told the same all the same, %d neighbours lost", flips, same, lost)
	figures.Tell(t, "everywhere.flips", flips, "bits", ">=10000", flips >= 10_000)
	figures.Kept(t, "everywhere.flips")
	if flips < 10_000 || neighbours < flips {
		t.Errorf("%d flips, %d packets found around them", flips, neighbours)
	}
}
