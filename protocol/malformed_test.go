package protocol_test

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"example.org/panecal/protocol"
)

// TestMalformedAnswers: answers that are whole and none of this protocol are
// told from silence, with their bytes.
func TestMalformedAnswers(t *testing.T) {
	long := func(a []byte) []byte { // a key more, of many bytes, that nobody knows
		return append(append([]byte{a[0]}, bytes.Replace(a[1:], []byte{0xa4}, []byte{0xa5}, 1)...),
			append([]byte{0x18, 99, 0x59, 0x04, 0x00}, make([]byte, 1024)...)...)
	}
	for name, c := range map[string]struct {
		change func(payload []byte) []byte
		maxOut int
	}{
		"a number in too many bytes": {func(a []byte) []byte { return bytes.Replace(a, []byte{2, 0}, []byte{2, 0x18, 0}, 1) }, 1024},
		"longer than announced":      {long, 512},
	} {
		t.Run(name, func(t *testing.T) {
			u := newFakeUnit()
			u.id.MaxOut = c.maxOut
			u.tamper = func(_ int, r protocol.Request, honest []byte) [][]byte {
				if r.Body.Op() != protocol.OpStatus {
					return nil
				}
				payload, err := protocol.NewScanner(bytes.NewReader(honest), protocol.MaxPayload).Next()
				if err != nil {
					t.Error(err)
				}
				return [][]byte{protocol.AppendPacket(nil, c.change(bytes.Clone(payload)))}
			}
			withUnit(t, u, protocol.Options{}, func(ctx context.Context, client *protocol.Client) {
				_, err := client.Status(ctx)
				var malformed *protocol.MalformedError
				if !errors.As(err, &malformed) || len(malformed.Payload) == 0 || malformed.Announced != c.maxOut {
					t.Fatalf("%v", err)
				}
				if n := client.Stats().BadPackets; n != protocol.Tries {
					t.Errorf("%d bad packets, asked %d times", n, protocol.Tries)
				}
			})
		})
	}
}

// TestIdentityStays: what a unit says of itself does not change, but with new
// firmware, and another unit is another.
func TestIdentityStays(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*protocol.Identity)
		ok     bool
	}{
		"the same":              {func(*protocol.Identity) {}, true},
		"another serial":        {func(id *protocol.Identity) { id.Serial = "other" }, false},
		"another grid":          {func(id *protocol.Identity) { id.Rows, id.Cols = id.Cols, id.Rows }, false},
		"other bins":            {func(id *protocol.Identity) { id.BinFS++ }, false},
		"new firmware and bins": {func(id *protocol.Identity) { id.Firmware, id.BinFS = "9.9", id.BinFS+1 }, true},
		"new firmware and grid": {func(id *protocol.Identity) { id.Firmware, id.Rows, id.Cols = "9.9", id.Cols, id.Rows }, false},
		"new firmware, product": {func(id *protocol.Identity) { id.Firmware, id.Product = "9.9", "other" }, false},
		"new firmware, serial":  {func(id *protocol.Identity) { id.Firmware, id.Serial = "9.9", "other" }, false},
		"another unit":          {func(id *protocol.Identity) { id.UnitID, id.Serial = "another", "other" }, true},
	} {
		t.Run(name, func(t *testing.T) {
			u := newFakeUnit()
			withUnit(t, u, protocol.Options{}, func(ctx context.Context, client *protocol.Client) {
				u.mu.Lock()
				c.change(&u.id)
				u.mu.Unlock()
				_, err := client.Identify(ctx)
				if c.ok != (err == nil) || !c.ok && !errors.Is(err, protocol.ErrInconsistent) {
					t.Errorf("asked again: %v", err)
				}
				if _, err := client.Identify(ctx); err != nil { // said once, it is the unit's word from now on
					t.Errorf("asked for the third time: %v", err)
				}
			})
		})
	}
}

// TestLongIdentityOfAnotherUnit: the largest payload that was announced binds
// the unit that announced it, not the one that is there now.
func TestLongIdentityOfAnotherUnit(t *testing.T) {
	u := newFakeUnit()
	u.id.MaxOut = 512
	u.tamper = func(n int, _ protocol.Request, honest []byte) [][]byte {
		if n == 1 {
			return nil
		}
		payload, err := protocol.NewScanner(bytes.NewReader(honest), protocol.MaxPayload).Next()
		if err != nil {
			t.Error(err)
		}
		// A key of a later version: the map of 21 keys has 22.
		payload = bytes.Replace(bytes.Clone(payload), []byte{0xb5, 1}, []byte{0xb6, 1}, 1)
		payload = append(append(payload, 0x18, 99, 0x59, 0x02, 0x58), make([]byte, 600)...)
		return [][]byte{protocol.AppendPacket(nil, payload)}
	}
	withUnit(t, u, protocol.Options{}, func(ctx context.Context, c *protocol.Client) {
		if _, err := c.Identify(ctx); err != nil {
			t.Error(err)
		}
	})
}
