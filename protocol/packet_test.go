package protocol_test

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"testing"
	"testing/iotest"

	"example.org/panecal/protocol"
)

// zeros is a line held in its break condition.
type zeros struct{ n int }

func (z *zeros) Read(p []byte) (int, error) {
	if z.n -= len(p); z.n < 0 {
		return 0, io.EOF
	}
	clear(p)
	return len(p), nil
}

func TestScannerOverZerosForEver(t *testing.T) {
	s := protocol.NewScanner(&zeros{8 << 20}, 100)
	if p, err := s.Next(); err != io.EOF {
		t.Errorf("%x, %v", p, err)
	}
}

func TestScannerFindsPackets(t *testing.T) {
	one, two := []byte("\x01\x00one"), bytes.Repeat([]byte{0}, 512)
	p1, p2 := protocol.AppendPacket(nil, one), protocol.AppendPacket(nil, two)
	damaged := bytes.Clone(p1)
	damaged[3] ^= 4
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	tests := []struct {
		name    string
		line    []byte
		want    [][]byte
		damaged int
	}{
		{"one", p1, [][]byte{one}, 0},
		{"back to back", join(p1, p2, p1), [][]byte{one, two, one}, 0},
		{"one delimiter between", join(p1[:len(p1)-1], p2), [][]byte{one, two}, 0},
		{"console text before", join([]byte("boot 1.4\r\n> "), p1), [][]byte{one}, 0},
		{"console text between", join(p1, []byte("hello\r\n"), p2), [][]byte{one, two}, 1},
		{"damaged first", join(damaged, p2), [][]byte{two}, 1},
		{"cut first", join(p2[:40], p1), [][]byte{one}, 1},
		{"end of a packet first", join(p2[100:], p1), [][]byte{one}, 0},
		{"much too long first", join([]byte{0}, bytes.Repeat([]byte{1}, 1<<17), p1), [][]byte{one}, 1},
		{"CRC alone", join([]byte{0, 1, 1, 1, 1, 1, 0}, p1), [][]byte{one}, 1},
	}
	for _, tt := range tests {
		for how, r := range map[string]io.Reader{
			"whole":      bytes.NewReader(tt.line),
			"byte wise":  iotest.OneByteReader(bytes.NewReader(tt.line)),
			"data + EOF": iotest.DataErrReader(bytes.NewReader(tt.line)),
		} {
			s := protocol.NewScanner(r, 512)
			var got [][]byte
			damaged := 0
			for {
				p, err := s.Next()
				if errors.Is(err, protocol.ErrDamaged) {
					damaged++
					continue
				}
				if err != nil {
					break
				}
				got = append(got, bytes.Clone(p))
			}
			if len(got) != len(tt.want) || damaged != tt.damaged {
				t.Errorf("%s, %s: %d packets, %d damaged", tt.name, how, len(got), damaged)
				continue
			}
			for i := range got {
				if !bytes.Equal(got[i], tt.want[i]) {
					t.Errorf("%s, %s: packet %d is %x", tt.name, how, i, got[i])
				}
			}
		}
	}
}

// TestEveryFlippedBitIsSeen: of one packet, every single bit.
func TestEveryFlippedBitIsSeen(t *testing.T) {
	payload := make([]byte, 300)
	r := rand.New(rand.NewPCG(3, 4))
	for i := range payload {
		payload[i] = byte(r.Uint32())
	}
	packet := protocol.AppendPacket(nil, payload)
	for i := range 8 * len(packet) {
		flipped := bytes.Clone(packet)
		flipped[i/8] ^= 1 << (i % 8)
		s := protocol.NewScanner(bytes.NewReader(flipped), 512)
		for {
			p, err := s.Next()
			if err == io.EOF {
				break
			}
			if err == nil {
				t.Fatalf("bit %d: %x was accepted", i, p)
			}
		}
	}
}

func TestScannerGoesOnAfterATimeout(t *testing.T) {
	packet := protocol.AppendPacket(nil, []byte("payload"))
	s := protocol.NewScanner(iotest.TimeoutReader(iotest.OneByteReader(bytes.NewReader(packet))), 512)
	if _, err := s.Next(); !errors.Is(err, iotest.ErrTimeout) {
		t.Fatalf("got %v", err)
	}
	if p, err := s.Next(); err != nil || string(p) != "payload" {
		t.Errorf("%q, %v", p, err)
	}
}

// After Reset a scanner is as new: half a packet is forgotten, and so is what
// comes before the next delimiter.
func TestScannerReset(t *testing.T) {
	packet := protocol.AppendPacket(nil, []byte("payload"))
	var line bytes.Buffer
	s := protocol.NewScanner(&line, 512)
	for range 2 { // the first time nothing is held
		s.Reset()
		line.Write(packet[3:])
		line.Write(packet)
		if p, err := s.Next(); err != nil || string(p) != "payload" {
			t.Fatalf("%q, %v", p, err)
		}
		line.Write(packet[:7])
		if p, err := s.Next(); err != io.EOF {
			t.Fatalf("%q, %v", p, err)
		}
	}
}

// Bytes that no encoder writes stand for nothing.
func TestUnstuffingRefuses(t *testing.T) {
	for _, src := range [][]byte{{0}, {1, 0}, {3, 0, 1}, {3, 1, 0}, {2}, {4, 1, 2}, {2, 1, 3, 1}} {
		if out, ok := protocol.AppendUnCOBS(nil, src); ok {
			t.Errorf("% x stands for % x", src, out)
		}
	}
}
