package simunit_test

import (
	"context"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"example.org/panecal/protocol/simunit"
)

// slowDeadlines is a line that takes its time to end what waits, as a busy
// computer does: first what reads, then what writes.
type slowDeadlines struct{ net.Conn }

func (l slowDeadlines) SetDeadline(at time.Time) error {
	err := l.SetReadDeadline(at)
	if !at.IsZero() {
		time.Sleep(10 * time.Millisecond)
	}
	if err != nil {
		return err
	}
	return l.SetWriteDeadline(at)
}

// TestLineIsHandedOver: when Serve has returned, nothing of it is left that
// would end what the next unit on the line writes.
func TestLineIsHandedOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		u, err := simunit.New(simunit.Hopper1(), 1, simunit.Options{})
		if err != nil {
			t.Fatal(err)
		}
		near, far := net.Pipe()
		defer near.Close()
		defer far.Close()
		ctx, cancel := context.WithCancel(t.Context())
		served := make(chan struct{})
		go func() { _ = u.Serve(ctx, slowDeadlines{far}); close(served) }()
		synctest.Wait()
		cancel()
		<-served
		if err := far.SetDeadline(time.Time{}); err != nil { // as the next one begins
			t.Fatal(err)
		}
		time.Sleep(20 * time.Millisecond)
		go func() { _, _ = near.Read(make([]byte, 1)) }()
		if _, err := far.Write([]byte{0}); err != nil {
			t.Errorf("the next unit's first byte: %v", err)
		}
	})
}
