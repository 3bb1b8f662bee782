package simunit_test

import (
	"context"
	"errors"
	"os"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"example.org/panecal/protocol"
	"example.org/panecal/protocol/simunit"
)

// A pseudo-terminal is a real line: this test runs in real time, at a speed at
// which it has nothing to wait for.
func TestServePTY(t *testing.T) {
	u := make54(t, 5, simunit.Options{Speed: 1e6})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	path, err := simunit.ServePTY(ctx, u)
	if err != nil {
		t.Fatal(err)
	}
	var last []uint32
	for n := range 4 { // the station opens and closes its side as it likes
		port, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		c := protocol.NewClient(port, protocol.Options{Grace: time.Second})
		if id := identify(t, c); id.Serial != u.Serial() {
			t.Errorf("opening %d: serial %q", n, id.Serial)
		}
		// Every byte value goes through: counts and their CRC are binary.
		got := capture(t, c, histogram)
		if last != nil && slices.Equal(last, got.Counts) {
			t.Error("two captures counted the same photons")
		}
		last = got.Counts
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	}
	port, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	c := protocol.NewClient(port, protocol.Options{Grace: time.Second})
	identify(t, c)
	cancel()
	for range 1000 { // until the other side has closed
		if _, err = c.Status(t.Context()); err != nil {
			break
		}
	}
	if !errors.Is(err, protocol.ErrPortLost) && !errors.Is(err, protocol.ErrNoAnswer) {
		t.Errorf("cable pulled: %v", err)
	}
}

// TestServePTYEndsOnAQuietLine: a pulled cable is noticed by who only listens.
func TestServePTYEndsOnAQuietLine(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	path, err := simunit.ServePTY(ctx, make54(t, 5, simunit.Options{}))
	if err != nil {
		t.Fatal(err)
	}
	port, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer port.Close()
	cancel()
	// The limit is there to fail before the whole test run does.
	if err := port.SetReadDeadline(time.Now().Add(20 * time.Second)); err != nil {
		t.Fatal(err)
	}
	if n, err := port.Read(make([]byte, 1)); n != 0 || err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("%d bytes, %v", n, err)
	}
}
